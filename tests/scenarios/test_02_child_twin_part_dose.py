"""Wren Adeyemi-Pike: a child, a twin on the same list, a weight keyed in the wrong unit, and half a dose."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

from tests.scenarios.conftest import BARRELS, NOW, Answered, Clinic

from drawup.injection.barrel import percent_text, try_barrel
from drawup.injection.policy import Barrel

AMBRIVOX: dict[str, Any] = {
    "name": "ambrivox",
    "routes": ["intramuscular"],
    "presentations": [
        {"strength": "75 mg/mL", "volume": "2 mL", "container": "ampoule", "gtin": "09501101530034"},
    ],
}
ORDER = {
    "medicine": "ambrivox",
    "route": "intramuscular",
    "dose": {"amount": "7.5 mg", "per": "kg", "at_most": "250 mg"},
    "start": "2026-03-02",
}


def request(weight: str) -> dict[str, Any]:
    return {
        "format": 1,
        "now": NOW,
        "patient": {
            "sex": "female",
            "born": "2021-05-14",
            "weight": {"value": weight, "on": "2026-02-28", "how": "measured"},
            "allergies": "none known",
        },
        "order": ORDER,
        "medicine": AMBRIVOX,
        "history": [],
        "barrels": BARRELS,
    }


def test_129_75_mg_is_1_73_ml_in_two_exact_parts() -> None:
    answered = Answered(request("17.3 kg"))
    # 7.5 x 17.3 = 129.75 mg; / 75 = 1.73 mL; over 1 mL a site, so 0.87 + 0.86.
    assert answered["dose"] == {"amount": "129.75", "unit": "mg"}
    assert "at most 250 mg: not reached" in answered["working"]
    assert answered["volume_ml"] == {"exact": "1.73", "mark": "1.73", "difference_percent": "0"}
    parts = [(one["site"], one["side"], one["volume_ml"], one["needle"]["length_mm"]) for one in answered["injections"]]
    assert parts == [("vastus lateralis", "right", "0.87", "25"), ("vastus lateralis", "left", "0.86", "25")]
    assert {one["barrel"]["capacity_ml"] for one in answered["injections"]} == {"1"}
    assert answered.exit_code == 0


def test_one_2_ml_barrel_would_have_been_1_73_percent_short() -> None:
    drawn = try_barrel(Barrel(capacity=Fraction(2), interval=Fraction("0.1")), Fraction("1.73"), Fraction("0.1"))
    assert drawn is not None
    assert drawn.mark_ml == Fraction("1.7")
    assert drawn.mark_ml * 75 == Fraction("127.5")  # mg
    assert drawn.difference < 0
    assert percent_text(abs(drawn.difference)) == "1.73 %"


def test_a_weight_keyed_in_pounds_is_asked_and_the_cap_does_not_hide_it() -> None:
    answered = Answered(request("38.1 kg"))
    # 7.5 x 38.1 = 285.75 mg, capped to 250 mg = 10/3 mL; 38.1 lb = 17.28 kg fits 4 years.
    assert answered["dose"] == {"amount": "250", "unit": "mg"}
    assert answered["volume_ml"]["exact"] == "10/3"
    assert "285.75 mg" in answered.finding("dose-capped")["message"]
    assert "38.1 lb = 17.28 kg" in answered.finding("weight-pounds")["message"]
    assert "weight-pounds" in answered.codes("ask")
    assert answered.exit_code == 4


def test_she_pulls_away_after_the_first_and_the_rest_is_outstanding(clinic: Clinic) -> None:
    clinic.run("formulary", "add", clinic.file("ambrivox.json", AMBRIVOX))
    for given in ("Wren", "Rowan"):
        clinic.run(
            "patient", "add", "--family", "Adeyemi-Pike", "--given", given, "--born", "2021-05-14", "--sex", "female"
        )
    clinic.run("patient", "note", "0001", "--allergy", "none known", "--weight", "17.3 kg", "--on", "2026-02-28")
    clinic.run("order", "add", "0001", clinic.file("order.json", ORDER))
    clinic.run("stock", "receive", "(01)09501101530034(17)270430(10)AM5", "--count", "3")
    plan = clinic.run("plan", "--order", "0001.1")
    assert "name-alike" in [found["code"] for found in plan["findings"]]
    entry = clinic.run("given", plan["plan"], "--scan", "batch:AM5", "--given-by", "Ada", "--part", "0.87 mL")
    assert entry["kind"] == "part given"
    assert entry["body"]["amount"] == "65.25 mg"
    assert entry["body"]["ordered"] == "129.75 mg"
    assert [one["volume_ml"] for one in entry["body"]["injections"]] == ["0.87"]
    (part,) = [found for found in entry["findings"] if found["code"] == "part-given"]
    assert "64.5 mg of the dose is outstanding" in part["message"]
    assert part["do"] == "Ask the prescriber."
    # The rest is the prescriber's to decide: the next plan asks, and the list says so.
    stopped = clinic.run("plan", "--order", "0001.1", code=4)
    (rest,) = [found for found in stopped["findings"] if found["code"] == "part-outstanding"]
    assert rest["severity"] == "confirm"
    assert "65.25 mg" in rest["message"]
    assert "64.5 mg" in rest["message"]


def test_her_twin_is_on_the_same_list_and_each_is_marked_in_words(clinic: Clinic) -> None:
    clinic.run("formulary", "add", clinic.file("ambrivox.json", AMBRIVOX))
    clinic.run("stock", "receive", "(01)09501101530034(17)270430(10)AM5", "--count", "3")
    for number, given in enumerate(("Wren", "Rowan"), start=1):
        person = ("--family", "Adeyemi-Pike", "--given", given, "--born", "2021-05-14", "--place", "Kelp Ward")
        clinic.run("patient", "add", *person, "--sex", "female")
        noted = ("--allergy", "none known", "--no-earlier-doses", "--weight", "17.3 kg", "--on", "2026-02-28")
        clinic.run("patient", "note", f"{number:04d}", *noted)
        once = {**ORDER, "schedule": {"once": True}}
        clinic.run("order", "add", f"{number:04d}", clinic.file("order.json", once))
    lines = clinic.run("due", "--place", "Kelp Ward")["lines"]
    assert [(one["name"], one["born"], one["state"]) for one in lines] == [
        ("ADEYEMI-PIKE, Rowan", "2021-05-14", "due"),
        ("ADEYEMI-PIKE, Wren", "2021-05-14", "due"),
    ]
    assert {one["alike"] for one in lines} == {"another patient on this list has this family name and birth date"}
    plan = clinic.run("plan", "--order", "0001.1")["plan"]
    clinic.run("given", plan, "--scan", "batch:AM5", "--given-by", "Ada", "--part", "0.87 mL")
    # One dose was ordered and a part of it given: nothing more comes by itself, and Rowan's dose is still due.
    states = {one["name"]: one["state"] for one in clinic.run("due", "--all")["lines"]}
    assert states == {"ADEYEMI-PIKE, Rowan": "due", "ADEYEMI-PIKE, Wren": "ended"}
