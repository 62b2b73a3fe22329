"""What a hostile reader found about the next dose: none is given twice, none is forgotten. Everybody is invented.

Each expected value is worked by hand from docs/decisions/0007.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pytest
from tests.scenarios.conftest import Clinic

MEDICINE: dict[str, Any] = {
    "name": "calvrane",
    "routes": ["intramuscular"],
    "presentations": [{"strength": "50 mg/mL", "volume": "1 mL", "container": "ampoule", "gtin": "09501101530089"}],
}
CODE = "(01)09501101530089(17)290430(10)QX1"
SCALE = {
    "by": "glucose",
    "bands": [
        {"from": "4 mmol/L", "below": "10 mmol/L", "amount": "5 mg"},
        {"from": "10 mmol/L", "amount": "20 mg"},
    ],
}


def order(**more: Any) -> dict[str, Any]:
    rule = {"medicine": "calvrane", "route": "intramuscular", "dose": {"amount": "50 mg"}, "start": "2026-03-02"}
    return {**rule, **more}


@pytest.fixture
def ward(clinic: Clinic) -> Clinic:
    """One patient, one medicine, ampoules enough."""
    clinic.run("formulary", "add", clinic.file("calvrane.json", MEDICINE))
    clinic.run("patient", "add", "--family", "Quillon", "--given", "Asa", "--born", "1970-05-01", "--place", "Ward")
    clinic.run("patient", "note", "0001", "--allergy", "none known", "--no-earlier-doses")
    clinic.run("stock", "receive", CODE, "--count", "50")
    return clinic


def at(ward: Clinic, text: str) -> None:
    ward.now = datetime.fromisoformat(text).replace(tzinfo=UTC)


def add(ward: Clinic, rule: dict[str, Any], *more: str) -> str:
    name: str = ward.run("order", "add", "0001", ward.file("order.json", rule), *more)["order"]
    return name


def planned(ward: Clinic, name: str = "0001.1", *more: str, code: int = 0) -> Any:
    return ward.run("plan", "--order", name, "--scan", CODE, *more, code=code)


def give(ward: Clinic, name: str = "0001.1", *more: str) -> str:
    plan = planned(ward, name)["plan"]
    entry: str = ward.run("given", plan, "--scan", CODE, "--given-by", "Petra", *more)["entry"]
    return entry


def codes(plan: Any) -> set[str]:
    return {one["code"] for one in plan["findings"]}


def line(ward: Clinic, name: str) -> Any:
    kept = ward.run("due", "--all")["lines"]
    assert kept == ward.run("due", "--all", "--afresh")["lines"]
    return next((one for one in kept if one["order"] == name), None)


def test_a_reading_put_right_at_the_same_time_decides_the_dose(ward: Clinic) -> None:
    add(ward, order(dose=SCALE))
    ward.run("patient", "note", "0001", "--reading", "glucose=14.2 mmol/L", "--at", "2026-03-02 08:55")
    ward.run("patient", "note", "0001", "--reading", "Glucose=4.2 mmol/L", "--at", "2026-03-02 08:55")
    assert planned(ward)["dose"]["amount"] == "5"


@pytest.mark.parametrize(
    ("schedule", "later"),
    [
        ({"every": "4 weeks", "counts_from": "planned"}, "2026-03-30 09:00"),
        ({"at": ["09:00", "21:00"]}, "2026-03-02 21:00"),
        ({"on": ["monday"]}, "2026-03-09 09:00"),
    ],
)
def test_a_plan_carried_over_to_a_later_dose_says_so_and_fills_the_place_of_the_day_it_is_given(
    ward: Clinic, schedule: dict[str, Any], later: str
) -> None:
    add(ward, order(schedule=schedule))
    plan = planned(ward)["plan"]
    at(ward, later)
    given = ("given", plan, "--scan", CODE, "--given-by", "Petra")
    (changed,) = [one for one in ward.run(*given, code=4)["blocked"] if one["code"] == "plan-changed"]
    assert later in changed["message"] or later[:10] in changed["message"]
    ward.run(*given, "--accept", "plan-changed=carried over from the morning")
    assert line(ward, "0001.1")["state"] == "early"


def test_a_dose_that_was_truly_given_twice_fills_one_place(ward: Clinic) -> None:
    add(ward, order(schedule={"at": ["09:00", "21:00"]}))
    plan = planned(ward)["plan"]
    given = ("given", plan, "--scan", CODE, "--given-by", "Petra")
    ward.run(*given)
    at(ward, "2026-03-02 09:10")
    ward.run(*given, "--twice", "--accept", "dose-early=the first ran out beside the needle")
    assert line(ward, "0001.1")["due"]["planned"].startswith("2026-03-02T21:00")


def test_an_order_that_is_to_stop_later_can_be_stopped_now(ward: Clinic) -> None:
    add(ward, order(schedule={"every": "1 day"}))
    ward.run("order", "stop", "0001.1", "--on", "2026-03-30", "--reason", "course ends")
    ward.run("order", "stop", "0001.1", "--on", "2026-03-02", "--reason", "reaction")
    assert "order-stopped" in codes(planned(ward, code=3))
    ward.run("order", "stop", "0001.1", "--on", "2026-03-09", "--reason", "again", code=2)


def test_a_dose_given_late_on_the_order_before_counts_for_the_new_one_at_its_own_time(ward: Clinic) -> None:
    add(ward, order(schedule={"on": ["monday"]}))
    at(ward, "2026-03-06 08:00")
    plan = planned(ward, code=4)["plan"]
    ward.run("given", plan, "--scan", CODE, "--given-by", "Petra", "--accept", "dose-late-no-rule=prescriber says give")
    at(ward, "2026-03-06 14:00")
    name = add(ward, order(start="2026-03-06", schedule={"on": ["friday"]}), "--replaces", "0001.1")
    assert line(ward, name)["due"]["day"] == "2026-03-13"


def test_an_order_that_is_through_is_no_second_order_and_holds_no_dose_back(ward: Clinic) -> None:
    add(ward, order(schedule={"once": True}))
    give(ward)
    at(ward, "2026-05-03 09:00")
    answered = ward.run("order", "add", "0001", ward.file("next.json", order(schedule={"every": "12 weeks"})))
    assert "findings" not in answered
    # 2026-03-02 and 12 weeks are 2026-05-25.
    assert line(ward, answered["order"])["due"]["day"] == "2026-05-25"


def test_the_order_before_goes_on_until_its_replacement_starts(ward: Clinic) -> None:
    add(ward, order(schedule={"every": "1 day"}))
    give(ward)
    name = add(ward, order(start="2026-03-05", schedule={"every": "1 day"}), "--replaces", "0001.1")
    at(ward, "2026-03-04 09:00")
    assert line(ward, "0001.1")["due"]["day"] == "2026-03-03"
    assert "duplicate-order" not in codes(planned(ward, code=4))
    at(ward, "2026-03-05 09:00")
    assert line(ward, "0001.1") is None
    assert line(ward, name)["due"]["day"] == "2026-03-05"


def test_times_that_cannot_be_counted_by_are_asked_about_once_a_dose_was_given(ward: Clinic) -> None:
    entered = ward.run("order", "add", "0001", ward.file("order.json", order(times=["weekly"])))
    assert [one["code"] for one in entered["findings"]] == ["times-in-words"]
    assert "times-not-counted" not in codes(planned(ward))
    give(ward)
    at(ward, "2026-03-03 09:00")
    found = planned(ward, code=4)
    assert "times-not-counted" in codes(found)


def test_a_daily_dose_late_at_night_is_not_due_again_after_midnight(ward: Clinic) -> None:
    add(ward, order(schedule={"every": "1 day"}))
    at(ward, "2026-03-02 23:50")
    give(ward)
    at(ward, "2026-03-03 03:55")
    # Half a day after 23:50 is 11:50.
    assert line(ward, "0001.1")["due"]["opens"] == "2026-03-03T11:50:00+00:00"
    assert "dose-early" in codes(planned(ward, code=4))


def test_a_renewed_order_does_not_wipe_the_label_s_rule_for_late_doses(ward: Clinic) -> None:
    rule = {"do": "test first", "test": "pregnancy test", "result": "negative"}
    label = {**MEDICINE, "timing": {"early": "2 weeks", "late": "2 weeks", "if_late": rule}}
    ward.run("formulary", "add", ward.file("label.json", label))
    elsewhere = ("--medicine", "calvrane", "--amount", "50 mg", "--at", "2025-11-17 10:00", "--given-by", "Petra")
    ward.run("given", "--patient", "0001", "--reported", *elsewhere)
    add(ward, order(schedule={"every": "12 weeks"}))
    found = planned(ward, code=3)
    # 2025-11-17 and 12 weeks are 2026-02-09; two weeks more are 2026-02-23.
    assert found["due"]["day"] == "2026-02-09"
    assert {"test-needed", "dose-late-test"} <= codes(found)


def test_steps_that_passed_without_a_dose_are_asked_about(ward: Clinic) -> None:
    steps = [{"for": "1 week", "amount": "25 mg"}, {"for": "1 week", "amount": "35 mg"}, {"amount": "50 mg"}]
    add(ward, order(dose={"steps": steps}, schedule={"every": "1 day"}))
    give(ward)
    at(ward, "2026-03-10 09:00")
    # The second step: the one after that of the last dose.
    assert "steps-without-doses" not in codes(planned(ward, code=4))
    at(ward, "2026-03-16 09:00")
    assert "steps-without-doses" in codes(planned(ward, code=4))


def test_a_series_that_no_age_can_reach_before_the_order_ends_is_refused(ward: Clinic) -> None:
    ward.run("patient", "add", "--family", "Brisa", "--given", "Noor", "--born", "2026-02-01")
    rule = order(schedule={"series": [{"age": "12 months", "least_age": "12 months"}]}, stop="2026-05-01")
    told = ward.run("order", "add", "0002", ward.file("series.json", rule), code=2)["error"]
    assert told["field"] == "order.schedule"
    assert "can never fall due" in told["message"]


def test_a_reading_that_grows_stale_within_the_day_is_seen_in_the_list(ward: Clinic) -> None:
    needs = [{"what": "glucose", "fresh": "2 hours", "withhold_below": "4 mmol/L"}]
    ward.run("formulary", "add", ward.file("needs.json", {**MEDICINE, "needs": needs}))
    add(ward, order(schedule={"every": "1 day"}))
    ward.run("patient", "note", "0001", "--reading", "glucose=6 mmol/L")
    assert line(ward, "0001.1")["findings"] == []
    at(ward, "2026-03-02 11:00")
    assert line(ward, "0001.1")["findings"] == []
    at(ward, "2026-03-02 11:01")
    assert [one["code"] for one in line(ward, "0001.1")["findings"]] == ["reading-stale"]


def test_what_had_closed_when_the_order_was_entered_did_not_go_by_without_a_dose(ward: Clinic) -> None:
    at(ward, "2026-03-02 18:08")
    add(ward, order(schedule={"at": ["08:00", "20:00"]}))
    found = line(ward, "0001.1")
    # 08:00 closed at 09:00; 20:00 opens at 19:00.
    assert found["due"]["planned"].startswith("2026-03-02T20:00")
    assert (found["state"], found["due"]["passed"]) == ("early", 0)


def test_the_next_dose_waits_while_the_one_before_is_watched_outside_its_limits(ward: Clinic) -> None:
    limits = [{"what": "breathing rate", "below": "10", "unit": "per minute"}]
    watch = {"what": ["breathing rate"], "every": "15 minutes", "for": "1 hour", "limits": limits}
    ward.run("formulary", "add", ward.file("watched.json", {**MEDICINE, "watch": watch}))
    add(ward, order(schedule={"when_needed": True}))
    entry = give(ward)
    at(ward, "2026-03-02 15:00")
    ward.run("watch", entry, "--seen", "breathing rate=8 per minute", "--by", "Ann")
    found = planned(ward, code=4)
    (outside,) = [one for one in found["findings"] if one["code"] == "watch-outside"]
    assert (outside["severity"], "breathing rate 8 per minute" in outside["message"]) == ("confirm", True)
    assert "watch-outside" in [one["code"] for one in line(ward, "0001.1")["findings"]]
    ward.run("watch", entry, "--seen", "breathing rate=14 per minute", "--by", "Ann")
    assert "watch-outside" not in codes(planned(ward))


def test_a_dose_given_minutes_ago_is_named_though_the_next_one_is_planned_for_tomorrow(ward: Clinic) -> None:
    add(ward, order(schedule={"at": ["09:00"]}))
    give(ward)
    at(ward, "2026-03-02 09:03")
    found = planned(ward, code=4)
    (recent,) = [one for one in found["findings"] if one["code"] == "given-recently"]
    assert "50 mg" in recent["message"]
    assert "2026-03-02 09:00" in recent["message"]


def test_where_nobody_asked_about_earlier_doses_a_timed_order_asks(ward: Clinic) -> None:
    ward.run("patient", "add", "--family", "Brisa", "--given", "Noor", "--born", "1980-02-01")
    ward.run("patient", "note", "0002", "--allergy", "none known")
    name = ward.run("order", "add", "0002", ward.file("o.json", order(schedule={"every": "4 weeks"})))["order"]
    assert "history-not-asked" in codes(planned(ward, name, code=4))


def test_after_a_late_dose_the_next_place_opens_when_half_the_way_has_passed(ward: Clinic) -> None:
    add(ward, order(schedule={"every": "4 weeks", "counts_from": "planned"}))
    at(ward, "2026-03-29 08:00")
    late = planned(ward, code=4)["plan"]
    ward.run("given", late, "--scan", CODE, "--given-by", "Petra", "--accept", "dose-late-no-rule=prescriber says give")
    at(ward, "2026-03-30 09:00")
    # Planned for 2026-03-30; two weeks after 2026-03-29 08:00 are 2026-04-12.
    assert "dose-early" in codes(planned(ward, code=4))
    assert line(ward, "0001.1")["due"]["opens"].startswith("2026-04-12")


def test_a_reason_for_one_dose_is_not_remembered_for_the_next(ward: Clinic) -> None:
    add(ward, order(times=["every 12 weeks or so"]))
    give(ward)
    at(ward, "2026-05-25 09:00")
    plan = planned(ward, "0001.1", code=4)["plan"]
    ward.run("given", plan, "--scan", CODE, "--given-by", "Petra", "--accept", "times-not-counted=12 weeks")
    at(ward, "2026-05-25 14:00")
    (asked,) = [one for one in planned(ward, code=4)["findings"] if one["code"] == "times-not-counted"]
    assert asked["accepted"] is None


def test_a_dose_whose_time_is_corrected_fills_the_place_of_its_true_time(ward: Clinic) -> None:
    add(ward, order(schedule={"at": ["09:00"]}))
    at(ward, "2026-03-03 09:00")
    entry = give(ward)
    ward.run("correction", entry, "--at", "2026-03-02 09:00", "--reason", "it was yesterday", "--by", "Petra")
    assert line(ward, "0001.1")["due"]["planned"].startswith("2026-03-03T09:00")


def test_an_old_dose_does_not_bring_back_what_closed_before_the_order_was_entered(ward: Clinic) -> None:
    elsewhere = ("--medicine", "calvrane", "--amount", "50 mg", "--at", "2025-11-17 10:00", "--given-by", "Petra")
    ward.run("given", "--patient", "0001", "--reported", *elsewhere)
    at(ward, "2026-03-03 01:00")
    add(ward, order(schedule={"at": ["08:00"]}))
    found = line(ward, "0001.1")
    assert (found["state"], found["due"]["planned"][:16]) == ("early", "2026-03-03T08:00")


def test_an_order_many_times_a_day_does_not_block_the_others(ward: Clinic) -> None:
    add(ward, order(schedule={"every": "1 day"}))
    add(ward, order(schedule={"every": "20 minutes"}))
    assert "duplicate-order" in codes(planned(ward, "0001.1", code=4))


def test_an_order_ends_with_the_first_replacement_that_starts(ward: Clinic) -> None:
    add(ward, order(schedule={"every": "1 day"}))
    give(ward)
    second = add(ward, order(start="2026-03-10", schedule={"every": "1 day"}), "--replaces", "0001.1")
    third = add(ward, order(start="2026-03-05", schedule={"every": "1 day"}), "--replaces", second)
    at(ward, "2026-03-05 09:00")
    assert line(ward, "0001.1") is None
    assert line(ward, third) is not None


def test_an_order_goes_on_where_its_replacement_is_stopped_before_it_starts(ward: Clinic) -> None:
    add(ward, order(schedule={"every": "1 day"}))
    give(ward)
    second = add(ward, order(start="2026-03-05", schedule={"every": "1 day"}), "--replaces", "0001.1")
    ward.run("order", "stop", second, "--on", "2026-03-02", "--reason", "entered by mistake")
    at(ward, "2026-03-05 09:00")
    assert line(ward, "0001.1")["due"]["day"] == "2026-03-03"


def test_a_dose_that_was_too_early_to_count_leaves_its_series_open(ward: Clinic) -> None:
    ward.run("patient", "add", "--family", "Brisa", "--given", "Noor", "--born", "2024-01-31")
    ward.run("patient", "note", "0002", "--allergy", "none known")
    for day in ("2024-10-01", "2025-03-01"):
        elsewhere = ("--medicine", "calvrane", "--amount", "50 mg", "--at", f"{day} 10:00", "--given-by", "Petra")
        ward.run("given", "--patient", "0002", "--reported", *elsewhere)
    steps = [{"least_age": "12 months"}, {"least_after": "28 days", "after": "28 days"}]
    ward.run("order", "add", "0002", ward.file("series.json", order(schedule={"series": steps})))
    second = ward.run("order", "add", "0002", ward.file("daily.json", order(schedule={"every": "1 day"})))
    assert [one["code"] for one in second["findings"]] == ["duplicate-order"]
