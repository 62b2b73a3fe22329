"""Orders as prescribers write them, through the record: from paper, spoken, as a range, by a scale, in steps, twice.

All people, medicines and labels are invented.
"""

from __future__ import annotations

import hashlib
from datetime import UTC, datetime
from typing import Any

import pytest
from tests.scenarios.conftest import Clinic

PAPER = b"\x89 a picture of a prescription, invented, that must not be kept in the record " * 40

ESKEPARIN: dict[str, Any] = {
    "name": "eskeparin",
    "routes": ["subcutaneous"],
    "same_group": ["low molecular heparins, invented"],
    "at_most_daily": "100 mg",
    "presentations": [{"strength": "100 mg/mL", "volume": "1 mL", "container": "ampoule", "gtin": "09501101530034"}],
}
CALVRANE: dict[str, Any] = {
    "name": "calvrane",
    "routes": ["intramuscular"],
    "presentations": [{"strength": "50 mg/mL", "volume": "1 mL", "container": "ampoule", "gtin": "09501101530089"}],
}


@pytest.fixture
def ward(clinic: Clinic) -> Clinic:
    """Isolde Farrant-Moss, 47 y; calvrane and eskeparin in the formulary and in stock."""
    for entry, code, batch in ((ESKEPARIN, "09501101530034", "EK1"), (CALVRANE, "09501101530089", "CV1")):
        clinic.run("formulary", "add", clinic.file("medicine.json", entry))
        clinic.run("stock", "receive", f"(01){code}(17)290430(10){batch}", "--count", "40")
    clinic.run("patient", "add", "--family", "Farrant-Moss", "--given", "Isolde", "--born", "1978-11-02")
    clinic.run("patient", "note", "0001", "--allergy", "none known", "--no-earlier-doses", "--weight", "74 kg")
    return clinic


def calvrane(**more: Any) -> dict[str, Any]:
    dose = {"dose": {"amount": "50 mg"}} if "dose" not in more else {}
    return {"medicine": "calvrane", "route": "intramuscular", "start": "2026-03-02", **dose, **more}


def eskeparin(amount: str, **more: Any) -> dict[str, Any]:
    dose = {"dose": {"amount": amount}}
    return {"medicine": "eskeparin", "route": "subcutaneous", "start": "2026-03-02", **dose, **more}


def add(clinic: Clinic, order: dict[str, Any], *more: str) -> dict[str, Any]:
    return dict(clinic.run("order", "add", "0001", clinic.file("order.json", order), *more))


def plan(clinic: Clinic, *more: str, order: str = "0001.1", code: int = 0) -> dict[str, Any]:
    return dict(clinic.run("plan", "--order", order, *more, code=code))


def found(answer: dict[str, Any], severity: str) -> dict[str, str]:
    """The messages of one severity by their codes."""
    return {one["code"]: one["message"] for one in answer["findings"] if one["severity"] == severity}


def give(clinic: Clinic, *more: str, order: str = "0001.1", accept: tuple[str, ...] = ()) -> dict[str, Any]:
    """The next dose is planned and given; the entry."""
    made = plan(clinic, *(part for one in accept for part in ("--accept", one)), order=order)
    return dict(clinic.run("given", made["plan"], "--scan", "batch:CV1", "--given-by", "Petra", *more))


def on(clinic: Clinic, day: str) -> None:
    clinic.now = datetime.fromisoformat(f"{day}T09:00").replace(tzinfo=UTC)


def line(clinic: Clinic, order: str = "0001.1") -> dict[str, Any]:
    """The order's line in the due list."""
    return next(one for one in clinic.run("due", "--all")["lines"] if one["order"] == order)


# --- from paper ---------------------------------------------------------------------------------------------------


def test_an_order_from_paper_says_who_copied_and_who_read_it_back_and_knows_its_picture_again(ward: Clinic) -> None:
    picture = ward.record.with_name("chart page 3.jpg")
    picture.write_bytes(PAPER)
    add(ward, calvrane(), "--copied-by", "Petra", "--read-back-by", "Nell", "--picture", str(picture), "--by", "Petra")
    (held,) = ward.run("order", "list", "--patient", "0001")
    assert (held["order"]["copied_by"], held["order"]["read_back_by"]) == ("Petra", "Nell")
    assert held["picture"] == {"name": "chart page 3.jpg", "sha256": hashlib.sha256(PAPER).hexdigest()}
    for path in ward.record.parent.glob("record.sqlite*"):
        assert b"that must not be kept" not in path.read_bytes()
    assert plan(ward)["dose"] == {"amount": "50", "unit": "mg"}


def test_what_cannot_be_read_is_asked_of_the_prescriber_and_the_order_entered_anew(ward: Clinic) -> None:
    add(ward, calvrane(schedule={"every": "1 week"}), "--unclear", "50 or 56 mg", "--unclear", "the day of the stop")
    stopped = plan(ward, code=4)
    assert found(stopped, "confirm") == {"order-unclear": "The order is unclear: 50 or 56 mg; the day of the stop."}
    assert "order-unclear" in [one["code"] for one in line(ward)["findings"]]
    clear = calvrane(dose={"amount": "56 mg"}, stop="2026-03-20", schedule={"every": "1 week"})
    answered = add(ward, clear, "--replaces", "0001.1")
    # What changed, a line each, as it stood and as it stands.
    assert answered["changed"] == [
        "dose.amount: 50 mg, now 56 mg",
        "unclear 1: 50 or 56 mg, now nothing",
        "unclear 2: the day of the stop, now nothing",
        "stop: nothing, now 2026-03-20",
    ]
    assert "findings" not in answered, "the one that it replaces is no second order"
    assert found(plan(ward, order="0001.2"), "confirm") == {}
    assert "order-stopped" in found(plan(ward, code=3), "stop")
    assert [one["order"] for one in ward.run("due", "--all")["lines"]] == ["0001.2"]
    ward.run("order", "add", "0001", ward.file("order.json", clear), "--replaces", "0001.1", code=2)


def test_a_stopped_order_says_from_when_on_and_cannot_be_planned_from_that_day(ward: Clinic) -> None:
    add(ward, calvrane(schedule={"every": "1 week"}))
    ward.run("order", "stop", "0001.1", "--on", "2026-03-09", "--reason", "the course is over", "--by", "Dr Ashdown")
    assert found(plan(ward), "stop") == {}
    on(ward, "2026-03-09")
    assert found(plan(ward, code=3), "stop") == {"order-stopped": "The order was stopped on 2026-03-09."}
    assert ward.run("due", "--all")["lines"] == []
    told = ward.run("order", "stop", "0001.1", "--on", "2026-03-10", "--reason", "again", code=2)
    assert "stopped from 2026-03-09 already" in told["error"]["message"]


# --- two at once --------------------------------------------------------------------------------------------------


def test_a_second_open_order_is_shown_beside_the_first_when_it_is_entered_and_both_count(ward: Clinic) -> None:
    assert "findings" not in add(ward, eskeparin("60 mg", schedule={"at": ["08:00"]}))
    # 60 mg and 40 mg a day are the 100 mg of the label; 60 and 41 are over it.
    answered = add(ward, eskeparin("40 mg", schedule={"at": ["20:00"]}))
    (double,) = answered["findings"]
    assert (double["code"], double["severity"]) == ("duplicate-order", "ask")
    assert double["message"].endswith("this one, 40 mg; eskeparin 60 mg (order 0001.1).")
    ward.run("order", "stop", "0001.2", "--on", "2026-03-02", "--reason", "entered anew")
    answered = add(ward, eskeparin("41 mg", schedule={"at": ["20:00"]}))
    codes = {one["code"]: one for one in answered["findings"]}
    assert codes["daily-maximum-orders"]["severity"] == "confirm"
    assert "101 mg a day" in codes["daily-maximum-orders"]["message"]
    assert "100 mg" in codes["daily-maximum-orders"]["message"]


@pytest.mark.parametrize(
    ("first", "total"),
    [
        # Twice 40 mg and once 30 mg; three times 30 mg (every 8 hours) and 30 mg; the upper end of a range counts.
        (eskeparin("40 mg", schedule={"at": ["08:00", "20:00"]}), "110 mg"),
        (eskeparin("30 mg", schedule={"every": "8 hours"}), "120 mg"),
        ({**eskeparin("40 mg"), "dose": {"amount": "40 mg", "to": "75 mg"}, "schedule": {"at": ["08:00"]}}, "105 mg"),
        (eskeparin("40 mg", schedule={"when_needed": True, "at_most_doses": 2}), "110 mg"),
    ],
)
def test_every_dose_of_the_other_order_counts_in_the_maximum_of_a_day(
    ward: Clinic, first: dict[str, Any], total: str
) -> None:
    add(ward, first)
    answered = add(ward, eskeparin("30 mg", schedule={"at": ["22:00"]}))
    codes = {one["code"]: one["message"] for one in answered["findings"]}
    assert f"{total} a day" in codes["daily-maximum-orders"]


def test_another_order_of_another_medicine_is_no_second_one(ward: Clinic) -> None:
    add(ward, eskeparin("60 mg", schedule={"at": ["08:00"]}))
    assert "findings" not in add(ward, calvrane(schedule={"every": "1 week"}))


# --- how much -----------------------------------------------------------------------------------------------------


def test_inside_a_range_the_giver_chooses_and_the_choice_and_its_reason_stay_in_the_record(ward: Clinic) -> None:
    add(ward, calvrane(dose={"amount": "25 mg", "to": "50 mg"}, schedule={"when_needed": True}))
    asked = plan(ward, code=4)
    assert found(asked, "ask") == {"dose-choice-needed": "The order is a range, 25 mg to 50 mg."}
    outside = plan(ward, "--dose", "60 mg", code=4)
    assert "dose-outside-range" in found(outside, "confirm")
    assert found(plan(ward, "--dose", "37.5 mg", code=4), "ask") == {
        "dose-choice-why": "37.5 mg was chosen, from 25 mg to 50 mg."
    }
    made = plan(ward, "--dose", "37.5 mg", "--accept", "dose-choice-why=pain 6 of 10 after the walk")
    # 37.5 mg of 50 mg/mL are 0.75 mL.
    assert (made["dose"], made["volume_ml"]["mark"]) == ({"amount": "37.5", "unit": "mg"}, "0.75")
    entry = ward.run("given", made["plan"], "--scan", "batch:CV1", "--given-by", "Petra")
    (why,) = [one for one in entry["body"]["findings"] if one["code"] == "dose-choice-why"]
    assert (entry["body"]["amount"], why["accepted"]) == ("37.5 mg", "pain 6 of 10 after the walk")


@pytest.mark.parametrize(
    ("reading", "units"),
    [("9.9", "4"), ("10", "6"), ("13.9", "6"), ("14", "8"), ("25", "8")],
)
def test_a_scale_gives_the_dose_of_the_band_that_the_reading_is_in(ward: Clinic, reading: str, units: str) -> None:
    entry = {
        **{"name": "dorsulin", "routes": ["subcutaneous"], "units_barrel": True},
        "presentations": [{"strength": "100 units/mL", "volume": "10 mL", "container": "vial", "dose_kind": "multi"}],
    }
    ward.run("formulary", "add", ward.file("medicine.json", entry))
    bands = [
        {"from": "4 mmol/L", "below": "10 mmol/L", "amount": "4 units"},
        {"from": "10 mmol/L", "below": "14 mmol/L", "amount": "6 units"},
        {"from": "14 mmol/L", "amount": "8 units"},
    ]
    order = {"medicine": "dorsulin", "route": "subcutaneous", "start": "2026-03-02", "strength": "100 units/mL"}
    add(ward, {**order, "dose": {"by": "glucose", "bands": bands}, "schedule": {"meals": ["before breakfast"]}})
    assert "reading-missing" in found(plan(ward, code=3), "stop")
    ward.run("patient", "note", "0001", "--reading", "glucose=3.9 mmol/L", "--at", "2026-03-02 08:40")
    assert "dose-no-band" in found(plan(ward, code=4), "confirm")
    ward.run("patient", "note", "0001", "--reading", f"glucose={reading} mmol/L", "--at", "2026-03-02 08:55")
    made = plan(ward)
    assert made["dose"] == {"amount": units, "unit": "units"}


def test_loading_doses_a_week_apart_then_maintenance_every_four_weeks(ward: Clinic) -> None:
    steps = [
        {"for": "2 doses", "amount": "75 mg", "every": "1 week"},
        {"amount": "50 mg", "every": "4 weeks"},
    ]
    add(ward, calvrane(dose={"steps": steps}, schedule={"every": "4 weeks", "late": "3 days"}))
    # 2 March and a week later 75 mg; four weeks after 9 March is 6 April, and so on, 50 mg.
    told = [("2026-03-02", "75"), ("2026-03-09", "75"), ("2026-04-06", "50"), ("2026-05-04", "50")]
    for number, (day, amount) in enumerate(told):
        assert line(ward)["due"]["day"] == day
        on(ward, day)
        assert plan(ward)["dose"] == {"amount": amount, "unit": "mg"}
        if amount == "75":
            made = plan(ward)
            ward.run("given", made["plan"], *("--scan", "batch:CV1") * 2, "--given-by", "Petra")
        else:
            give(ward)
        assert line(ward)["due"]["number"] == number + 2


def test_a_ladder_by_weeks_climbs_with_the_calendar_also_past_a_dose_that_was_not_given(ward: Clinic) -> None:
    steps = [
        {"for": "2 weeks", "amount": "12.5 mg"},
        {"for": "2 weeks", "amount": "25 mg"},
        {"amount": "50 mg"},
    ]
    add(ward, calvrane(dose={"steps": steps}, schedule={"on": ["monday"]}))
    # The first Monday is 2 March: 25 mg from the 16th, 50 mg from the 30th. On the 16th nobody came.
    for day, amount in (("2026-03-02", "12.5"), ("2026-03-09", "12.5"), ("2026-03-23", "25"), ("2026-03-30", "50")):
        on(ward, day)
        assert plan(ward)["dose"] == {"amount": amount, "unit": "mg"}
        give(ward)
    on(ward, "2026-04-06")
    assert plan(ward)["dose"] == {"amount": "50", "unit": "mg"}


def test_of_a_dose_that_was_given_in_part_the_rest_is_outstanding_and_the_prescriber_asked(ward: Clinic) -> None:
    add(ward, calvrane(schedule={"every": "1 week"}))
    entry = give(ward, "--part", "0.4 mL")
    # 0.4 mL of 50 mg/mL are 20 mg: 30 mg are outstanding.
    assert (entry["kind"], entry["body"]["amount"]) == ("part given", "20 mg")
    on(ward, "2026-03-09")
    stopped = plan(ward, code=4)
    assert "30 mg" in found(stopped, "confirm")["part-outstanding"]
    assert "30 mg" in next(one["message"] for one in line(ward)["findings"] if one["code"] == "part-outstanding")


# --- what comes first ---------------------------------------------------------------------------------------------


def test_a_reading_that_the_order_needs_is_asked_for_by_this_order_alone(ward: Clinic) -> None:
    needs = [{"what": "neutrophils", "fresh": "7 days", "withhold_below": "1.5"}]
    add(ward, calvrane(needs=needs, schedule={"every": "1 week"}))
    assert "reading-missing" in found(plan(ward, code=3), "stop")
    ward.run("patient", "note", "0001", "--reading", "neutrophils=1.4", "--at", "2026-03-01 10:00")
    assert "reading-outside" in found(plan(ward, code=3), "stop")
    ward.run("patient", "note", "0001", "--reading", "neutrophils=1.5", "--at", "2026-03-01 16:00")
    assert found(plan(ward), "stop") == {}
    add(ward, eskeparin("40 mg", schedule={"at": ["20:00"]}))
    assert found(plan(ward, "--at", "2026-03-02 20:00", order="0001.2"), "stop") == {}


def test_consent_and_the_questions_of_the_day_are_asked_only_where_the_medicine_asks_for_them(ward: Clinic) -> None:
    add(ward, calvrane(schedule={"every": "1 week"}))
    assert found(plan(ward), "ask") == {}
    assert ward.run("questions", "0001.1") == []
    refused = ward.run("questions", "0001.1", "--all-clear", "--by", "Petra", code=2)
    assert "nothing is asked on the day" in refused["error"]["message"]
    asking = {**CALVRANE, "consent": True, "ask": ["unwell", "pregnant"]}
    ward.run("formulary", "add", ward.file("medicine.json", asking))
    asked = found(plan(ward, code=4), "ask")
    assert sorted(asked) == ["consent-missing", "question-not-asked"]
    assert "unwell, pregnant" in asked["question-not-asked"]
    wanted = ward.run("questions", "0001.1")
    assert wanted == [
        {"question": "unwell", "needs": "no"},
        {"question": "pregnant", "needs": "no"},
    ]
    ward.run("patient", "note", "0001", "--consent-by", "Isolde Farrant-Moss", "--consent-until", "2026-03-09")
    half = ward.run("questions", "0001.1", "--answer", "unwell=no", "--by", "Petra", code=2)
    assert 'not answered: "pregnant"' in half["error"]["message"]
    ward.run("questions", "0001.1", "--answer", "unwell=yes: a cold", "--all-clear", "--by", "Petra")
    assert "(a cold)" in found(plan(ward, code=4), "confirm")["question-yes"]
    ward.run("questions", "0001.1", "--answer", "unwell=no: gone by noon", "--all-clear", "--by", "Petra")
    give(ward)
    # A week later the consent still holds, and the day has its own answers; a day later neither is there.
    on(ward, "2026-03-09")
    assert sorted(found(plan(ward, code=4), "ask")) == ["question-not-asked"]
    on(ward, "2026-03-10")
    assert sorted(found(plan(ward, code=4), "ask")) == ["consent-ended", "dose-late-no-rule", "question-not-asked"]


# --- spoken -------------------------------------------------------------------------------------------------------


def test_a_spoken_order_is_read_back_and_signed_within_a_day(ward: Clinic) -> None:
    spoken = calvrane(authority="spoken order", prescriber="Dr Ashdown", schedule={"every": "1 week", "late": "3 days"})
    add(ward, spoken)
    assert "spoken-not-read-back" in found(plan(ward, code=4), "ask")
    add(ward, spoken, "--read-back-by", "Petra", "--replaces", "0001.1")
    made = plan(ward, order="0001.2")
    # Entered at 09:00 on 2 March; the uk preset gives 24 hours.
    assert "the prescriber's signature" in found(made, "note")["signature-outstanding"]
    assert "2026-03-03 09:00" in found(made, "note")["signature-outstanding"]
    assert "signature-outstanding" in [one["code"] for one in line(ward, "0001.2")["findings"]]
    late = plan(ward, "--at", "2026-03-03 09:01", order="0001.2", code=4)
    assert "signature-late" in found(late, "ask")
    ward.now = datetime(2026, 3, 3, 9, 1, tzinfo=UTC)
    ward.run("order", "sign", "0001.2", "--by", "Dr Ashdown")
    signed = plan(ward, order="0001.2")
    assert not {"signature-late", "signature-outstanding"} & {*found(signed, "ask"), *found(signed, "note")}
    again = ward.run("order", "sign", "0001.2", "--by", "Dr Ashdown", code=2)
    assert "was signed by Dr Ashdown already" in again["error"]["message"]
