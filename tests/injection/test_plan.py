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


ADULT = {"sex": "male", "born": "1991-07-19", "weight": "80 kg"}
VIAL = {"strength": "50 mg/mL", "volume": "10 mL", "dose_kind": "multi"}


def codes(found: dict[str, Any], severity: str = "") -> list[str]:
    return [one["code"] for one in found["findings"] if severity in ("", one["severity"])]


def test_the_daily_maximum_holds_with_an_empty_history_too() -> None:
    found = planned({"amount": "75 mg"}, VIAL, medicine={"at_most_daily": "60 mg"})
    assert "daily-maximum" in codes(found, "confirm")


def test_a_part_that_no_barrel_can_show_is_never_a_go() -> None:
    # 1.9 mL over two deltoids is 0.95 mL each: too much for a 1 mL barrel with room to spare, and 5.26 % off any mark
    # of a 2 mL barrel by 0.1. So it is parted 1 + 0.9.
    found = planned({"amount": "95 mg"}, VIAL, choose={"site": "deltoid"}, medicine={"sites": ["deltoid"]})
    for one in found["injections"]:
        assert (one["barrel"] is None) == (one["draw_to"] is None)
    if any(one["barrel"] is None for one in found["injections"]):
        assert found["exit_code"] == 3
        assert found["volume_ml"]["mark"] is None
    else:
        assert sum(Fraction(one["volume_ml"]) for one in found["injections"]) == Fraction("1.9")
    assert not any("+100 %" in line for line in found["working"])


def test_names_are_the_same_whatever_their_capitals() -> None:
    past = {"medicine": "Velorin ", "amount": "75 mg", "at": "2026-03-02T07:30:00+00:00"}
    found = planned({"amount": "75 mg"}, VIAL, medicine={"least_interval": "6 hours"}, history=[past])
    assert "too-soon" in codes(found)


def test_an_allergy_is_found_in_the_singular_in_brackets_and_in_the_diluent() -> None:
    for word in ("penicillin", "  Penicillins ", "penicillin allergy", "penicillins (rash)"):
        found = planned(
            {"amount": "75 mg"},
            VIAL,
            medicine={"allergy_groups": ["penicillins"]},
            patient={**ADULT, "allergies": [word]},
        )
        assert "allergy-serious" in codes(found, "stop"), word
    powder = {
        "form": "powder",
        "strength": "1 g",
        "reconstitution": {"diluent": "lidocaine 1%", "add": "3.2 mL", "displacement": "0.8 mL"},
    }
    found = planned({"amount": "500 mg"}, powder, patient={**ADULT, "allergies": ["lidocaine"]})
    assert "allergy-serious" in codes(found, "stop")


def test_an_opened_single_dose_container_is_a_stop_and_an_open_vial_without_limit_is_asked() -> None:
    opened = {"batch": "B1", "expiry_date": "2027-03-01", "opened": "2026-02-20T08:00:00+00:00"}
    single = {"strength": "50 mg/mL", "volume": "2 mL"}
    assert "single-dose-opened" in codes(planned({"amount": "75 mg"}, single, container=opened), "stop")
    assert "in-use-not-known" in codes(planned({"amount": "75 mg"}, VIAL, container=opened), "ask")


def test_a_container_opened_after_now_cannot_be_right() -> None:
    opened = {"batch": "B1", "expiry_date": "2027-03-01", "opened": "2026-03-02T10:00:00+00:00"}
    assert "container-code-unclear" in codes(planned({"amount": "75 mg"}, VIAL, container=opened), "stop")


def test_a_limit_that_cannot_be_compared_is_said() -> None:
    found = planned(
        {"amount": "2.4 million units"},
        {"strength": "1.2 million units in 4 mL"},
        medicine={"at_most_single": "900 mg"},
    )
    assert "limit-not-compared" in codes(found, "ask")


def test_label_figures_that_lie_far_apart_are_asked_about_not_noted() -> None:
    powder = {
        "form": "powder",
        "strength": "1 g",
        "reconstitution": {
            "diluent": "water for injections",
            "add": "3.2 mL",
            "displacement": "0.8 mL",
            "gives": "500 mg/mL",
        },
    }
    assert "label-figures-far" in codes(planned({"amount": "700 mg"}, powder), "ask")


def test_the_rest_that_is_discarded_is_what_stays_behind_the_mark() -> None:
    # 1.875 mL of 2 mL: drawn to 1.9, so 0.1 mL stays, not 0.125.
    found = planned(
        {"amount": "93.75 mg"},
        {"strength": "50 mg/mL", "volume": "2 mL"},
        choose={"site": "ventrogluteal"},
    )
    (rest,) = [one for one in found["findings"] if one["code"] == "discard-rest"]
    assert rest["message"].startswith("0.1 mL stays")


def test_a_cap_on_a_daily_dose_says_a_day() -> None:
    found = planned({"amount": "600 mg", "per": "day", "doses_per_day": 4, "at_most": "400 mg"}, VIAL)
    (capped,) = [one for one in found["findings"] if one["code"] == "dose-capped"]
    assert capped["message"] == "600 mg a day by the rule, but the order says at most 400 mg a day."
    assert found["dose"] == {"amount": "100", "unit": "mg"}


def test_a_pack_with_an_allergen_comes_after_one_without() -> None:
    packs: list[dict[str, Any]] = [
        {"strength": "50 mg/mL", "volume": "2 mL", "excipients": ["soya oil"]},
        {"strength": "50 mg/mL", "volume": "2 mL"},
    ]
    found = planned(
        {"amount": "75 mg"},
        packs[0],
        medicine={"presentations": packs},
        patient={**ADULT, "allergies": ["soya oil"]},
    )
    assert found["presentation"] == 1
    assert "allergy-serious" not in codes(found)


def test_the_side_without_a_lump_is_taken_first() -> None:
    lump = {"kind": "lump", "site": "deltoid", "side": "right", "size_mm": "25", "seen": "2026-02-16"}
    found = planned({"amount": "25 mg"}, VIAL, patient={**ADULT, "allergies": "none known", "marks": [lump]})
    assert (found["injections"][0]["site"], found["injections"][0]["side"]) == ("deltoid", "left")


def test_weeks_are_counted_by_the_calendar_and_hours_by_the_minute() -> None:
    four_weeks = {"medicine": "velorin", "amount": "75 mg", "at": "2026-02-02T09:30:00+00:00"}
    found = planned({"amount": "75 mg"}, VIAL, medicine={"least_interval": "28 days"}, history=[four_weeks])
    assert "too-soon" not in codes(found)
    almost = {"medicine": "velorin", "amount": "75 mg", "at": "2026-03-02T03:01:00+00:00"}
    found = planned({"amount": "75 mg"}, VIAL, medicine={"least_interval": "6 hours"}, history=[almost])
    (soon,) = [one for one in found["findings"] if one["code"] == "too-soon"]
    assert "5 hours 59 minutes ago" in soon["message"]


def test_a_dose_shortly_after_another_is_asked_about_where_no_interval_is_known() -> None:
    past = {"medicine": "velorin", "amount": "75 mg", "at": "2026-03-02T08:20:00+00:00"}
    assert "given-recently" in codes(planned({"amount": "75 mg"}, VIAL, history=[past]), "ask")


def test_what_is_outstanding_of_a_part_dose_is_the_prescribers_to_decide() -> None:
    part = {
        "medicine": "velorin",
        "amount": "25 mg",
        "ordered": "75 mg",
        "kind": "part given",
        "at": "2026-03-01T09:00:00+00:00",
    }
    found = planned({"amount": "75 mg"}, VIAL, history=[part])
    (outstanding,) = [one for one in found["findings"] if one["code"] == "part-outstanding"]
    assert "50 mg is outstanding" in outstanding["message"]
    assert outstanding["severity"] == "confirm"
