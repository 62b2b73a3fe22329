"""Rounding to a mark never goes over a cap, a container or what a site takes; and what else holds of a whole plan."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

from drawup.exchange.answer import answer, exit_code
from drawup.exchange.request import read_request
from drawup.injection.plan import plan_injection

FIVE = {"capacity_ml": "5", "interval_ml": "0.2"}
TEN = {"capacity_ml": "10", "interval_ml": "0.5"}


def planned(dose: dict[str, Any], pack: dict[str, Any], **changes: Any) -> dict[str, Any]:
    """The answer to a request about an invented medicine."""
    document = {
        "format": 1,
        "now": "2026-03-02T09:00:00+00:00",
        "patient": {"sex": "male", "born": "1991-07-19", "weight": "80 kg", "allergies": "none known"},
        "order": {"medicine": "velorin", "route": "intramuscular", "dose": dose, "start": "2026-03-01"},
        "medicine": {"name": "velorin", "presentations": [pack], **changes.pop("medicine", {})},
        "history": [],
        **changes,
    }
    read = read_request(document)
    plan = plan_injection(read.request, policy=read.policy, tables=read.tables)
    return {**answer(plan, policy=read.policy, evidence_version="tests"), "exit_code": exit_code(plan)}


def test_a_mark_is_not_rounded_up_past_the_orders_cap() -> None:
    # 4 mg/kg x 80 kg = 320 mg, at most 250 mg = 3 1/3 mL of 75 mg/mL. The nearest mark, 3.4 mL, would be 255 mg.
    found = planned(
        {"amount": "4 mg", "per": "kg", "at_most": "250 mg"},
        {"strength": "75 mg/mL", "volume": "10 mL"},
        barrels=[FIVE],
        choose={"site": "ventrogluteal"},
    )
    assert sum(Fraction(one["volume_ml"]) for one in found["injections"]) * 75 <= 250


def test_a_mark_is_not_rounded_up_past_the_labels_single_maximum() -> None:
    # 249 mg = 2.49 mL of 100 mg/mL; in a barrel by 0.2 the nearest mark 2.4 holds; with a maximum of 249 mg and
    # 2.51 mL asked the mark above, 2.6 mL = 260 mg, does not.
    found = planned(
        {"amount": "251 mg"},
        {"strength": "100 mg/mL", "volume": "10 mL"},
        medicine={"at_most_single": "255 mg"},
        barrels=[FIVE],
    )
    assert Fraction(found["volume_ml"]["mark"]) * 100 <= 255


def test_a_mark_is_not_rounded_up_past_what_the_container_holds() -> None:
    # 196 mg of 50 mg/mL is 3.92 mL of a 3.95 mL vial; the nearest mark is 4 mL, more than the vial has.
    found = planned(
        {"amount": "196 mg"},
        {"strength": "50 mg/mL", "volume": "3.95 mL"},
        medicine={"volume_at_most": "5 mL"},
        barrels=[FIVE],
    )
    assert found["containers"]["count"] == 1
    assert found["volume_ml"]["mark"] == "3.8"


def test_a_mark_is_not_rounded_up_past_the_labels_volume_at_one_site() -> None:
    # 4.8 mL is allowed at one site; in 10 mL barrels by 0.5 the nearest mark to 4.8 is 5.0.
    found = planned(
        {"amount": "240 mg"},
        {"strength": "50 mg/mL", "volume": "10 mL"},
        medicine={"volume_at_most": "4.8 mL", "sites": ["ventrogluteal"]},
        barrels=[TEN],
    )
    assert all(Fraction(one["volume_ml"]) <= Fraction("4.8") for one in found["injections"])


def test_a_prefilled_syringe_is_not_expelled_to_a_mark_past_the_cap() -> None:
    # 1 mg/kg x 74 kg with at most 74 mg: 0.75 mL would be 75 mg; the mark below, 0.725 mL = 72.5 mg, is 2.03 % short.
    device = {"kind": "prefilled", "marks": "0.025 mL"}
    found = planned(
        {"amount": "74 mg", "at_most": "74 mg"},
        {"strength": "100 mg/mL", "volume": "0.8 mL", "container": "prefilled syringe", "device": device},
    )
    assert found["volume_ml"] == {"exact": "0.74", "mark": "0.725", "difference_percent": "-2.03"}


def test_a_dose_ordered_as_a_volume_is_held_against_the_usual_range_and_the_maximum() -> None:
    # 5 mL of 50 mg/mL is 250 mg.
    found = planned(
        {"amount": "5 mL"},
        {"strength": "50 mg/mL", "volume": "10 mL"},
        medicine={"usual_dose": ["10 mg", "50 mg"], "at_most_single": "100 mg"},
    )
    codes = [one["code"] for one in found["findings"]]
    assert "single-maximum" in codes
    assert "dose-power-of-ten" in codes  # 25 mg would fit
    assert found["exit_code"] == 4


def test_a_barrel_in_units_is_refused_for_a_medicine_in_mg_without_talk_of_units() -> None:
    found = planned(
        {"amount": "15 mg"},
        {"strength": "50 mg/mL", "volume": "1 mL"},
        choose={"barrel": {"units_per_ml": "100", "capacity_units": "100", "interval_units": "2"}},
    )
    assert "barrel-in-units" in [one["code"] for one in found["findings"]]
    assert found["exit_code"] == 3


def test_a_whole_prefilled_syringe_above_the_dose_shows_by_how_much() -> None:
    # 0.63 mL asked, marks 0.02 mL apart on 0.64 mL: the whole syringe, +1.59 %.
    device = {"kind": "prefilled", "marks": "0.02 mL"}
    found = planned(
        {"amount": "63 mg"},
        {"strength": "100 mg/mL", "volume": "0.64 mL", "container": "prefilled syringe", "device": device},
    )
    assert any("+1.59 %" in line for line in found["working"])
