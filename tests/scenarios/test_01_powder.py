"""Callum Thackeray-Voss: a powder, its displacement, and what a forgotten displacement would have done."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

from tests.scenarios.conftest import BARRELS, NOW, Answered, Clinic

from drawup.injection.notation import parse_quantity
from drawup.injection.quantity import Concentration, millilitres

ZELQUOMYCIN: dict[str, Any] = {
    "name": "zelquomycin",
    "routes": ["intramuscular"],
    "presentations": [
        {
            "form": "powder",
            "strength": "1 g",
            "container": "vial",
            "gtin": "09501101530010",
            "reconstitution": {
                "diluent": "water for injections",
                "add": "3.2 mL",
                "displacement": "0.8 mL",
                "gives": "250 mg/mL",
                "withdrawable": "3.8 mL",
            },
        }
    ],
}


def request(dose: str) -> dict[str, Any]:
    return {
        "format": 1,
        "now": NOW,
        "patient": {"sex": "male", "born": "1991-07-19", "weight": "81.4 kg", "allergies": "none known"},
        "order": {
            "medicine": "zelquomycin",
            "route": "intramuscular",
            "dose": {"amount": dose},
            "start": "2026-03-01",
            "stop": "2026-03-05",
        },
        "medicine": ZELQUOMYCIN,
        "history": [],
        # No 3 mL barrels left today.
        "barrels": [barrel for barrel in BARRELS if barrel.get("capacity_ml") != "3"],
    }


def test_700_mg_is_2_8_ml_of_250_mg_per_ml_in_a_5_ml_barrel() -> None:
    answered = Answered(request("700 mg"))
    # 3.2 + 0.8 = 4 mL; 1000 / 4 = 250 mg/mL; 700 / 250 = 2.8 mL, a mark of the 5 mL barrel by 0.2.
    assert answered["dose"] == {"amount": "700", "unit": "mg"}
    assert answered["volume_ml"] == {"exact": "2.8", "mark": "2.8", "difference_percent": "0"}
    assert answered["barrel"] == {"capacity_ml": "5", "interval_ml": "0.2"}
    assert answered["reconstitution"]["add_ml"] == "3.2"
    assert answered["reconstitution"]["gives_ml"] == "4"
    assert answered["reconstitution"]["concentration"] == "250 mg/mL"
    assert answered["containers"] == {"count": 1, "left_over_ml": "1.2", "left_withdrawable_ml": "1"}
    assert answered.exit_code == 0


def test_the_deltoid_is_refused_and_one_ventrogluteal_injection_takes_28_seconds() -> None:
    answered = Answered(request("700 mg"))
    assert [one["site"] for one in answered["injections"]] == ["ventrogluteal"]
    assert answered["injections"][0]["seconds"] == 28  # 10 s/mL
    assert {"site": "deltoid", "reason": "over 2 mL, the most it takes"} in answered["refused_sites"]


def test_what_is_left_of_a_single_dose_vial_is_discarded_and_said() -> None:
    message = Answered(request("700 mg")).finding("discard-rest")["message"]
    assert "1.2 mL by sum" in message
    assert "1 mL that could be drawn up" in message


def test_a_forgotten_displacement_would_have_been_20_percent_short() -> None:
    gram = parse_quantity("1 g").quantity
    forgotten = Concentration(amount=gram, volume=millilitres("3.2"))  # 312.5 mg/mL
    drawn = forgotten.volume_of(parse_quantity("700 mg").quantity)
    assert drawn == Fraction("2.24")
    true = Concentration(amount=gram, volume=millilitres(4))
    assert true.amount_in(drawn).base == 560  # mg: 20 % short of 700
    with_4_ml = Concentration(amount=gram, volume=millilitres("4.8"))  # 4 mL added: 208 1/3 mg/mL
    assert with_4_ml.in_one_ml().base == Fraction(625, 3)
    assert with_4_ml.amount_in(Fraction("2.8")).base == Fraction(1750, 3)  # 583 1/3 mg: 16 2/3 % short


def test_with_1_g_ordered_two_vials_and_two_injections_are_offered() -> None:
    answered = Answered(request("1 g"))
    # 1000 / 250 = 4 mL, but only 3.8 mL can be drawn from one vial.
    assert answered["volume_ml"]["exact"] == "4"
    assert answered["containers"]["count"] == 2
    assert [one["volume_ml"] for one in answered["injections"]] == ["2", "2"]
    assert {(one["site"], one["side"]) for one in answered["injections"]} == {
        ("ventrogluteal", "left"),
        ("ventrogluteal", "right"),
    }


def test_powder_and_diluent_are_both_scanned_and_the_rest_is_written(clinic: Clinic) -> None:
    clinic.run("formulary", "add", clinic.file("zelquomycin.json", ZELQUOMYCIN))
    water = {"diluent": {"name": "water for injections", "gtin": "09501101530027", "volume": "5 mL"}}
    clinic.run("formulary", "add", clinic.file("water.json", water))
    clinic.run("patient", "add", "--family", "Thackeray-Voss", "--given", "Callum", "--born", "1991-07-19")
    clinic.run("patient", "note", "0001", "--allergy", "none known", "--weight", "81.4 kg")
    clinic.run("order", "add", "0001", clinic.file("order.json", request("700 mg")["order"]))
    for code in ("(01)09501101530010(17)270430(10)ZQ1", "(01)09501101530027(17)280131(10)W77"):
        clinic.run("stock", "receive", code, "--count", "5")
    plan = clinic.run("plan", "--order", "0001.1")["plan"]
    powder_only = clinic.run("given", plan, "--scan", "batch:ZQ1", "--given-by", "Ada", code=4)
    assert "diluent-not-scanned" in [found["code"] for found in powder_only["blocked"]]
    entry = clinic.run("given", plan, "--scan", "batch:ZQ1", "--scan", "batch:W77", "--given-by", "Ada")
    assert entry["body"]["waste_ml"] == "1.2"
    assert entry["body"]["waste"] == "300 mg"
    assert clinic.stock() == {"ZQ1": 4, "W77": 4}
