"""Ottoline Farquhar-Wu: a part dose from a prefilled syringe, and a second open order of the same medicine."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

from tests.scenarios.conftest import NOW, Answered, Clinic

from drawup.injection.barrel import percent_text


def pack(volume: str, gtin: str) -> dict[str, Any]:
    device = {"kind": "prefilled", "marks": "0.025 mL", "fixed_needle": {"gauge": 27, "length_mm": "12.7"}}
    return {
        "strength": "100 mg/mL",
        "volume": volume,
        "container": "prefilled syringe",
        "gtin": gtin,
        "device": device,
    }


ESKEPARIN: dict[str, Any] = {
    "name": "eskeparin",
    "routes": ["subcutaneous"],
    "at_most_daily": "150 mg",
    "presentations": [
        pack("0.4 mL", "09501101530058"),
        pack("0.6 mL", "09501101530065"),
        pack("0.8 mL", "09501101530072"),
    ],
}
ORDER = {
    "medicine": "eskeparin",
    "route": "subcutaneous",
    "dose": {"amount": "1 mg", "per": "kg"},
    "times": ["08:00", "20:00"],
    "start": "2026-03-01",
}


def request(**changes: Any) -> dict[str, Any]:
    return {
        "format": 1,
        "now": NOW,
        "patient": {
            "sex": "female",
            "born": "1957-06-01",
            "weight": "74 kg",
            "height": "166 cm",
            "allergies": "none known",
        },
        "order": ORDER,
        "medicine": ESKEPARIN,
        "history": [],
        **changes,
    }


def test_the_80_mg_syringe_is_expelled_to_0_75_ml_which_is_1_35_percent_over() -> None:
    answered = Answered(request())
    assert answered["dose"] == {"amount": "74", "unit": "mg"}
    assert answered["presentation"] == 2
    assert answered["volume_ml"] == {"exact": "0.74", "mark": "0.75", "difference_percent": "1.35"}
    assert answered["device"]["expel_to"] == "0.75 mL"
    message = answered.finding("expel-part")["message"]
    assert message == "Expel 0.05 mL to the mark 0.75 mL, then give 75 mg."
    # The mark below: 0.725 mL = 72.5 mg, 1.5 mg short.
    assert percent_text(Fraction(15, 740)) == "2.03 %"


def test_two_syringes_are_never_combined() -> None:
    reasons = {one["presentation"]: one["reason"] for one in Answered(request())["refused"]}
    assert "never combined" in reasons[0]
    assert "never combined" in reasons[1]


def test_the_fixed_needle_is_a_given_so_the_answer_is_site_fold_and_angle() -> None:
    (injection,) = Answered(request())["injections"]
    assert injection["site"] == "abdominal fat"
    assert injection["needle"] == {"gauge": 27, "length_mm": "12.7"}
    assert injection["angle_deg"] in (45, 90)
    assert any("fold" in step for step in injection["technique"])
    # A body-mass index of 26.9: about 14 mm to the muscle at the belly. Straight in 12.7 mm reach it in a third; in a
    # fold, nearly three times the fat (Hofman PL et al., Diabet Med 2007;24(12):1400-5), hardly ever.
    assert injection["lifted_fold"] is True
    assert injection["basis"] == "model"
    assert injection["chance"]["too_deep"] < 0.01


def test_the_needle_stays_at_the_belly_though_other_skin_is_less_worn() -> None:
    # Three weeks twice a day all over the belly; the arm is unused, but even at 45 degrees the needle would end in its
    # muscle in more than one of ten, and a fold there is credited with nothing.
    spots = [(side, f"{row}{column}") for row in "ACEGIKM" for column in (2, 6, 9) for side in ("left", "right")]
    spots = [spot for spot in spots if spot[1] not in ("E2", "G2")]  # too near the navel
    used = [
        {
            "medicine": "eskeparin",
            "at": f"2026-02-{8 + number // 2:02d}T{8 + 12 * (number % 2):02d}:00:00+00:00",
            "site": "abdominal fat",
            "side": side,
            "point": point,
        }
        for number, (side, point) in enumerate(spots)
    ]
    belly_or_arm = {**ESKEPARIN, "sites": ["abdominal fat", "upper arm fat"]}
    (injection,) = Answered(request(history=used, medicine=belly_or_arm))["injections"]
    assert injection["site"] == "abdominal fat"
    assert injection["burden"] > 0


def test_a_second_open_order_is_asked_with_both_shown_and_both_counted() -> None:
    other = {"medicine": "eskeparin", "amount": "40 mg", "doses_per_day": 1, "words": "preventive"}
    answered = Answered(request(open_orders=[other]))
    message = answered.finding("duplicate-order")["message"]
    assert "74 mg" in message
    assert "eskeparin 40 mg" in message
    # Two doses of 74 mg a day and one of 40 mg are 188 mg, over 150 mg.
    found = answered.finding("daily-maximum-orders")
    assert "188 mg" in found["message"]


def test_the_waste_of_5_mg_is_written(clinic: Clinic) -> None:
    clinic.run("formulary", "add", clinic.file("eskeparin.json", {**ESKEPARIN, "at_most_daily": "200 mg"}))
    clinic.run("patient", "add", "--family", "Farquhar-Wu", "--given", "Ottoline", "--born", "1957-06-01")
    clinic.run("patient", "note", "0001", "--allergy", "none known", "--weight", "74 kg", "--height", "166 cm",
        "--no-earlier-doses",
    )  # fmt: skip
    clinic.run("order", "add", "0001", clinic.file("order.json", ORDER))
    preventive = {**ORDER, "dose": {"amount": "40 mg"}, "times": ["20:00"]}
    clinic.run("order", "add", "0001", clinic.file("preventive.json", preventive))
    clinic.run("stock", "receive", "(01)09501101530072(17)270430(10)EK8", "--count", "4")
    asked = clinic.run("plan", "--order", "0001.1", code=4)
    assert "duplicate-order" in [found["code"] for found in asked["findings"]]
    plan = clinic.run("plan", "--order", "0001.1", "--accept", "duplicate-order=prescriber asked, both hold")
    entry = clinic.run("given", plan["plan"], "--scan", "batch:EK8", "--given-by", "Ada", "--checked-by", "Bo")
    assert entry["body"]["amount"] == "75 mg"
    assert entry["body"]["ordered"] == "74 mg"
    assert entry["body"]["waste"] == "5 mg"
    assert clinic.stock() == {"EK8": 3}
