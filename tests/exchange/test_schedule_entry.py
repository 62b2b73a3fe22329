"""When a dose is due, by the order and by the label: read exactly, or refused by name.

A refusal names the field, what was read, what was expected, and what to do; nothing that was written is left aside in
silence. All names and medicines are invented.
"""

from __future__ import annotations

import copy
import json
import tomllib
from collections.abc import Mapping
from datetime import UTC, datetime, time
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.exchange.test_schema import PUBLIC, validator
from tests.properties.test_bad_requests import attempted, check_told

from drawup.evidence.policies import load_policy
from drawup.exchange import fhir_timing
from drawup.exchange.answer import answer
from drawup.exchange.reader import FieldError
from drawup.exchange.request import ReadRequest, read_request
from drawup.exchange.schedule_entry import FHIR_MEALS, schedule_words
from drawup.injection.finding import Severity
from drawup.injection.order import Order
from drawup.injection.plan import Plan, plan_injection
from drawup.injection.schedule import Interval, Schedule
from drawup.record.store import Store
from drawup.service.planning import make_plan
from drawup.service.registering import add_to_formulary, enter_order, register_patient, use_policy
from drawup.service.state import patient_state

NOW = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
MEALS = [meal for meal, _ in load_policy("uk").meal_times]
AT = "2026-03-02T08:50:00+00:00"
WATCH = {"what": ["breathing rate"], "every": "15 minutes", "for": "2 hours"}


def document(order: Mapping[str, Any], **others: Any) -> dict[str, Any]:
    """The public request from 2 March, with more in its order; `others` beside it, `medicine` within the medicine."""
    made = {**copy.deepcopy(PUBLIC), **{key: one for key, one in others.items() if key != "medicine"}}
    made["order"] = {**made["order"], "start": "2026-03-02", **order}
    made["medicine"] = {**made["medicine"], **others.get("medicine", {})}
    return made


def read(order: Mapping[str, Any], **others: Any) -> ReadRequest:
    """The request as it is read."""
    return read_request(document(order, **others))


def read_order(order: Mapping[str, Any], **others: Any) -> Order:
    """The order as it is read."""
    return read(order, **others).request.order


def planned(order: Mapping[str, Any], **others: Any) -> Plan:
    """The plan of a request."""
    found = read(order, **others)
    return plan_injection(found.request, policy=found.policy, tables=found.tables)


def refused(order: Mapping[str, Any], **others: Any) -> FieldError:
    """The refusal of a request."""
    with pytest.raises(FieldError) as caught:
        read(order, **others)
    assert "\n" not in caught.value.message
    assert len(caught.value.message) < 400
    return caught.value


def every(count: int, unit: str) -> Interval:
    """An interval."""
    return Interval(count=count, unit=unit)


# --- what is refused: a schedule, the field, and the words that say what is wrong and what to do ----------------------

S = "order.schedule"
AS_PLANNED = {"every": "6 hours", "counts_from": "planned"}
SCHEDULES: dict[str, tuple[dict[str, Any], str, tuple[str, ...]]] = {
    "an object that says nothing": ({}, f"{S}.once", ("says no times", "Write once = true, every, at")),
    "only how late": ({"late": "2 days"}, f"{S}.once", ("says no times",)),
    "once is false": ({"once": False}, f"{S}.once", ("says no times",)),
    "an unknown key": ({"evry": "4 weeks"}, f"{S}.evry", ('unknown key "evry"', "Known: ", "every")),
    "an interval of nothing": ({"every": "0 days"}, f"{S}.every", ('"0 days"', "nothing", "Write how far apart")),
    "an interval without a unit": ({"every": "4"}, f"{S}.every", ('"4"', "expected such as", "28 days")),
    "an interval in words": ({"every": "four weeks"}, f"{S}.every", ('"four weeks"', "expected such as")),
    "an interval below nothing": ({"every": "-4 weeks"}, f"{S}.every", ('"-4 weeks"',)),
    "an interval with a point": ({"every": "1.5 days"}, f"{S}.every", ('"1.5 days"',)),
    "an interval of centuries": ({"every": "151 years"}, f"{S}.every", ('"151 years"', "at most 150 years")),
    "an interval in other figures": ({"every": "\u0664 weeks"}, f"{S}.every", ("expected such as",)),
    "two kinds at once": ({"once": True, "every": "4 weeks"}, f"{S}.once", ("stands beside every", "Write one")),
    "when needed, and a time": ({"when_needed": True, "at": ["08:00"]}, f"{S}.when_needed", ("stands beside at",)),
    "a series and weekdays": ({"series": [{}], "on": ["monday"]}, f"{S}.series", ("stands beside on", "Write one")),
    "hours and times of day": ({"every": "6 hours", "at": ["08:00"]}, f"{S}.every", ("real hours beside at",)),
    "weekdays and an interval": ({"every": "2 weeks", "on": ["monday"]}, f"{S}.on", ("weekdays beside an interval",)),
    "hours of a plan that begins at no moment": (AS_PLANNED, f"{S}.first", ("missing", "the moment of the first dose")),
    "as early as the dose before": ({"every": "7 days", "early": "1 week"}, f"{S}.early", ("not shorter", "7 days")),
    "earlier than the day before": ({"at": ["08:00"], "early": "1 day"}, f"{S}.early", ("not shorter", "1 day")),
    "earlier than the weekday before": (
        {"on": ["monday", "wednesday", "friday"], "early": "2 days"}, f"{S}.early", ("not shorter", "2 days")
    ),
    "missed before it is late": (
        {"every": "4 weeks", "late": "3 days", "missed_after": "2 days"},
        f"{S}.missed_after", ("2 days", "before the window ends (3 days)", "Write a longer time"),
    ),
    "a rule for a missed dose that is never missed": (
        {"every": "4 weeks", "if_missed": {"do": "wait"}}, f"{S}.if_missed", ("missed_after", "does not say when")
    ),
    "late by months": ({"every": "1 year", "late": "1 month"}, f"{S}.late", ("1 month", "days or weeks")),
    "a rule without a word": ({"every": "1 day", "if_late": {}}, f"{S}.if_late.do", ("missing", "test first")),
    "a test that no rule asks for": (
        {"every": "1 day", "if_late": {"do": "give", "test": "INR"}}, f"{S}.if_late.test", ("says test first",)
    ),
    "a rule to test nothing": (
        {"every": "1 day", "if_late": {"do": "test first"}}, f"{S}.if_late.test", ("missing: which test",)
    ),
    "an unknown meal": ({"meals": ["before tea"]}, f"{S}.meals[0]", ('"before tea"', "breakfast, lunch, supper")),
    "a meal in a sentence": ({"meals": ["an hour before breakfast"]}, f"{S}.meals[0]", ("before, with or after",)),
    "two doses at one meal": (
        {"meals": ["before breakfast", "after breakfast"]}, f"{S}.meals", ("two doses at one meal", "times of day")
    ),
    "one meal twice": ({"meals": ["bedtime", "bedtime"]}, f"{S}.meals", ("stands twice",)),
    "a weekday misspelt": ({"on": ["mondey"]}, f"{S}.on[0]", ('"mondey"', "monday, tuesday")),
    "a weekday cut short": ({"on": ["monday", "tue"]}, f"{S}.on[1]", ('"tue"',)),
    "a weekday twice": ({"on": ["monday", "Monday"]}, f"{S}.on", ("stands twice", "Write each once")),
    "a time of day twice": ({"at": ["08:00", "08:00:00"]}, f"{S}.at", ("stands twice",)),
    "a time of day that is none": ({"at": ["24:00"]}, f"{S}.at[0]", ('"24:00"', "08:00")),
    "a time of day cut short": ({"at": ["8:00"]}, f"{S}.at[0]", ('"8:00"',)),
    "a time of day to the second": ({"at": ["08:00:30"]}, f"{S}.at[0]", ('"08:00:30"',)),
    "no list of times": ({"at": "08:00"}, f"{S}.at", ("expected a list",)),
    "more times than a day holds": ({"at": ["08:00"] * 49}, f"{S}.at", ("at most 48",)),
    "a first moment without its offset": (
        {"every": "1 day", "first": "2026-03-02T08:00:00"}, f"{S}.first", ("no offset from UTC", "Write such as")
    ),
    "a first moment before the start": (
        {"every": "1 day", "first": "2026-03-01T08:00:00+00:00"}, f"{S}.first", ("before the start 2026-03-02",)
    ),
    "no doses at all": ({"every": "1 day", "doses": 0}, f"{S}.doses", ("from 1 to 10000",)),
    "half a dose": ({"every": "1 day", "doses": Decimal("1.5")}, f"{S}.doses", ("a whole number",)),
    "once, five times": ({"once": True, "doses": 5}, f"{S}.doses", ("says how many by itself", "Leave it out")),
    "a series of so many": ({"series": [{}], "doses": 2}, f"{S}.doses", ("says how many by itself",)),
    "a least interval of a dose that is planned": (
        {"every": "1 day", "least_interval": "4 hours"}, f"{S}.least_interval", ("when_needed, which is not there",)
    ),
    "a most of a dose that is planned": (
        {"at": ["08:00"], "at_most_doses": 4}, f"{S}.at_most_doses", ("when_needed, which is not there",)
    ),
    "a most amount of a dose that is planned": (
        {"once": True, "at_most": "40 mg"}, f"{S}.at_most", ("when_needed, which is not there",)
    ),
    "a when-needed dose that is late": (
        {"when_needed": True, "late": "1 hour"}, f"{S}.late", ("is not planned", "Leave it out")
    ),
    "fixed places counted from the date given": (
        {"on": ["monday"], "counts_from": "given"}, f"{S}.counts_from", ("fixed places", "Write every")
    ),
    "several times counted from the date given": (
        {"every": "2 days", "at": ["08:00", "20:00"], "counts_from": "given"}, f"{S}.counts_from", ("fixed places",)
    ),
    "counted from nowhere": ({"every": "1 day", "counts_from": "start"}, f"{S}.counts_from", ("given, planned",)),
    "the open standard's form and our own": (
        {"repeat": {"frequency": 1, "period": 1, "periodUnit": "d"}, "every": "1 day"},
        f"{S}.every", ("stands beside repeat", "Write one of the two"),
    ),
    "the open standard's form, twice a week": (
        {"repeat": {"frequency": 2, "period": 1, "periodUnit": "wk"}},
        f"{S}.repeat.frequency", ("does not say which days", "Write dayOfWeek"),
    ),
    "the open standard's form, at an unknown meal": (
        {"repeat": {"when": ["MORN"]}}, f"{S}.repeat.when", ('"MORN"', "Write timeOfDay")
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", SCHEDULES)
def test_a_schedule_that_says_nothing_or_two_things_is_refused_by_name(name: str) -> None:
    schedule, field, words = SCHEDULES[name]
    error = refused({"schedule": schedule})
    assert error.field == field
    for one in words:
        assert one in error.message


SERIES: dict[str, tuple[list[dict[str, Any]], str, str]] = {
    "the third dose at a younger age": (
        [{"age": "2 months"}, {"after": "8 weeks"}, {"age": "1 month"}], f"{S}.series[2]", "out of order"
    ),
    "the second dose before the age of the first": (
        [{"least_age": "9 months"}, {"age": "6 months"}], f"{S}.series[1]", "out of order"
    ),
    "nearer to the first than the one before": (
        [{}, {"after_first": "6 months"}, {"after_first": "1 month"}], f"{S}.series[2]", "out of order"
    ),
    "a dose that comes at no time": ([{}, {}], f"{S}.series[1]", "neither how long after the dose before"),
    "a first dose after another": ([{"after": "4 weeks"}], f"{S}.series[0]", "has no dose before it"),
    "least longer than meant": ([{}, {"after": "4 weeks", "least_after": "8 weeks"}],
                                f"{S}.series[1].least_after", "8 weeks, longer than after, 4 weeks"),
    "an age by the clock": ([{"age": "12 hours"}], f"{S}.series[0].age", "days, weeks, months or years"),
    "after nothing": ([{}, {"after": "0 weeks"}], f"{S}.series[1].after", "an interval of nothing"),
    "an unknown key": ([{"at_age": "1 year"}], f"{S}.series[0].at_age", "unknown key"),
    "no object": (["8 weeks"], f"{S}.series[0]", "expected an object"),  # type: ignore[list-item]
    "more doses than any": ([{"age": "1 year"}] * 21, f"{S}.series", "at most 20"),
}  # fmt: skip


@pytest.mark.parametrize("name", SERIES)
def test_a_series_out_of_order_is_refused_at_the_dose_that_is_out_of_order(name: str) -> None:
    series, field, words = SERIES[name]
    error = refused({"schedule": {"series": series}})
    assert (error.field, words in error.message) == (field, True), error


def test_a_series_in_order_is_read_as_it_is_written() -> None:
    series = [{"least_age": "0 days"}, {"age": "8 weeks", "least_after": "4 weeks"}, {"age": "1 year"}]
    schedule = read_order({"schedule": {"series": series}}).schedule
    assert schedule is not None
    assert [dose.age for dose in schedule.series] == [None, every(8, "week"), every(1, "year")]
    assert schedule.series[0].least_age == every(0, "day")


# --- the order around it ----------------------------------------------------------------------------------------------

NEVER: dict[str, dict[str, Any]] = {
    "a weekday that does not come": {"schedule": {"on": ["sunday"]}, "start": "2026-03-02", "stop": "2026-03-07"},
    "a first dose after the last day": {
        "schedule": {"every": "1 day", "first": "2026-03-09T08:00:00+00:00"}, "stop": "2026-03-08"
    },
    "one dose after the last day": {
        "schedule": {"once": True, "first": "2026-03-09T08:00:00+00:00"}, "stop": "2026-03-08"
    },
    "a first dose after the last day, and no start": {
        "schedule": {"once": True, "first": "2026-03-09T08:00:00+00:00"}, "start": None, "stop": "2026-03-08"
    },
    "a weekday of the open standard's form": {"schedule": {"repeat": {"dayOfWeek": ["sun"]}}, "stop": "2026-03-07"},
    "a weekday in the short way": {"times": ["Sundays"], "stop": "2026-03-07"},
}  # fmt: skip


@pytest.mark.parametrize("name", NEVER)
def test_a_schedule_that_can_never_fall_due_is_refused(name: str) -> None:
    error = refused(NEVER[name])
    assert error.field == S
    assert "can never fall due" in error.message
    assert NEVER[name]["stop"] in error.message


def test_a_schedule_that_falls_due_on_its_very_last_day_is_taken() -> None:
    order = read_order({"schedule": {"on": ["sunday"]}, "stop": "2026-03-08"})
    assert order.schedule == Schedule(on=(6,))


ORDERS: dict[str, tuple[dict[str, Any], str, tuple[str, ...]]] = {
    "an end before its start": (
        {"stop": "2026-03-01"}, "order.stop", ("2026-03-01", "before the start 2026-03-02")
    ),
    "a review before its start": ({"review": "2026-03-01"}, "order.review", ("before the start",)),
    "a start in another age": ({"start": "9999-12-31"}, "order.start", ("from 1800 to 2200",)),
    "a start before all counting": ({"start": "0001-01-01"}, "order.start", ("from 1800 to 2200",)),
    "times beside a schedule": (
        {"times": ["08:00"], "schedule": {"every": "1 day"}}, "order.times", ("beside schedule", "one of the two")
    ),
    "when needed beside a schedule": (
        {"when_needed": True, "schedule": {"every": "1 day"}}, "order.when_needed", ("beside a schedule",)
    ),
    "when needed beside times": (
        {"when_needed": True, "times": ["every 4 hours"]}, "order.when_needed", ("every 4 hours", "least_interval")
    ),
    "an interval of nothing in words": ({"times": ["every 0 weeks"]}, "order.times[0]", ("an interval of nothing",)),
    "an interval of ages in words": ({"times": ["every 9999 years"]}, "order.times[0]", ("at most 150 years",)),
    "a test by the hour": (
        {"tests": [{"what": "INR", "every": "12 hours"}]}, "order.tests[0].every", ("12 hours", "days, weeks")
    ),
    "a test never repeated": ({"tests": [{"what": "INR"}]}, "order.tests[0].every", ("expected such as",)),
    "unclear in what": ({"unclear": [" "]}, "order.unclear", ("is empty", "leave it out")),
    "unclear in one word": ({"unclear": "the dose"}, "order.unclear", ("expected a list",)),
}  # fmt: skip


@pytest.mark.parametrize("name", ORDERS)
def test_an_order_that_contradicts_itself_is_refused_by_name(name: str) -> None:
    order, field, words = ORDERS[name]
    error = refused(order)
    assert error.field == field
    for one in words:
        assert one in error.message


LADDERS: dict[str, tuple[list[dict[str, Any]], dict[str, Any], str, str]] = {
    "a step that never ends": (
        [{"amount": "25 mg"}, {"amount": "50 mg"}], {"every": "1 day"}, "order.dose.steps[0]", "has no end"
    ),
    "a last step that ends": (
        [{"for": "2 doses", "amount": "25 mg"}], {"every": "1 day"}, "order.dose.steps[0]", "Leave its for out"
    ),
    "some by doses and some by time": (
        [{"for": "2 doses", "amount": "25 mg"}, {"for": "4 weeks", "amount": "50 mg"}, {"amount": "75 mg"}],
        {"every": "1 day"}, "order.dose.steps", "Write all in one way",
    ),
    "a step of no doses": (
        [{"for": "0 doses", "amount": "25 mg"}, {"amount": "50 mg"}], {"every": "1 day"},
        "order.dose.steps[0].for", '"2 doses" or "4 weeks"',
    ),
    "a step by the hour": (
        [{"for": "12 hours", "amount": "25 mg"}, {"amount": "50 mg"}], {"every": "1 day"},
        "order.dose.steps[0].for", '"2 doses" or "4 weeks"',
    ),
    "a step of a number": (
        [{"for": 2, "amount": "25 mg"}, {"amount": "50 mg"}], {"every": "1 day"}, "order.dose.steps[0].for", '"2"'
    ),
    "a step of nothing": ([{"for": "2 doses"}, {"amount": "50 mg"}], {"every": "1 day"},
                          "order.dose.steps[0].amount", "missing"),
    "units after milligrams": (
        [{"for": "2 doses", "amount": "25 mg"}, {"amount": "50 units"}], {"every": "1 day"},
        "order.dose.steps", "different kinds",
    ),
    "intervals that nothing counts by": (
        [{"for": "2 doses", "amount": "25 mg", "every": "1 day"}, {"amount": "50 mg"}], {"at": ["08:00"]},
        "order.dose.steps", "need a schedule that says every",
    ),
    "intervals beside a plan": (
        [{"for": "2 doses", "amount": "25 mg", "every": "1 day"}, {"amount": "50 mg"}],
        {"every": "1 week", "counts_from": "planned"}, f"{S}.counts_from", "Write given",
    ),
    "a step that is never reached": (
        [{"for": "5 doses", "amount": "25 mg"}, {"amount": "50 mg"}], {"every": "1 day", "doses": 5},
        "order.dose.steps", "begins after 5 doses, and the schedule has 5 doses",
    ),
    "a ladder of one dose": (
        [{"for": "1 dose", "amount": "25 mg"}, {"amount": "50 mg"}], {"once": True},
        "order.dose.steps", "and the schedule has 1 dose.",
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", LADDERS)
def test_a_ladder_that_cannot_be_climbed_is_refused_at_its_step(name: str) -> None:
    steps, schedule, field, words = LADDERS[name]
    error = refused({"dose": {"steps": steps}, "schedule": schedule})
    assert (error.field, words in error.message) == (field, True), error


def test_a_ladder_with_intervals_counts_from_the_dose_given_whatever_the_label_says_of_other_orders() -> None:
    steps = [{"for": "2 doses", "amount": "25 mg", "every": "1 day"}, {"amount": "50 mg", "every": "4 weeks"}]
    order = read_order(
        {"dose": {"steps": steps}, "schedule": {"every": "4 weeks"}}, medicine={"timing": {"counts_from": "planned"}}
    )
    assert order.schedule is not None
    assert order.schedule.timing.counts_from == "given"


def test_an_amount_beside_steps_is_two_answers() -> None:
    error = refused({"dose": {"amount": "25 mg", "steps": [{"amount": "50 mg"}]}})
    assert error.field == "order.dose.amount"
    assert "one of an amount, bands or steps" in error.message


# --- a scale by a reading ---------------------------------------------------------------------------------------------


def scale(*bands: tuple[str | None, str | None, str]) -> dict[str, Any]:
    """A dose by a glucose reading."""
    rows = [{"from": low, "below": high, "amount": amount} for low, high, amount in bands]
    return {"dose": {"bands": rows, "by": "glucose"}, "schedule": {"at": ["08:00"]}}


SCALE = scale((None, "8 mmol/L", "50 mg"), ("8 mmol/L", "12.5 mmol/L", "75 mg"), ("12.5 mmol/L", None, "100 mg"))
SCALES: dict[str, tuple[dict[str, Any], str, tuple[str, ...]]] = {
    "a gap": (scale((None, "8 mmol/L", "50 mg"), ("8.5 mmol/L", None, "75 mg")), "order.dose.bands",
              ("a gap", "from 8 to 8.5 mmol/L", "Write a band for it")),
    "an overlap": (scale((None, "8 mmol/L", "50 mg"), ("7.9 mmol/L", None, "75 mg")), "order.dose.bands",
                   ("two bands overlap", "below")),
    "two bands from the same figure": (scale(("8 mmol/L", "9 mmol/L", "50 mg"), ("8 mmol/L", None, "75 mg")),
                                       "order.dose.bands", ("two bands overlap",)),
    "a band that ends before it begins": (scale(("8 mmol/L", "7 mmol/L", "50 mg")), "order.dose.bands",
                                          ("at or below its start",)),
    "two units in one scale": (scale((None, "8 mmol/L", "50 mg"), ("144 mg/dL", None, "75 mg")), "order.dose.bands",
                               ("different units",)),
    "two units in one band": (scale(("4 mmol/L", "144 mg/dL", "50 mg")), "order.dose.bands[0].from", ("in one unit",)),
    "a band without an edge": (scale((None, None, "50 mg")), "order.dose.bands[0].from", ("a from, a below or both",)),
    "a band of words": (scale((None, "high", "50 mg")), "order.dose.bands[0].below", ('"high"', "5.6 mmol/L")),
}  # fmt: skip


@pytest.mark.parametrize("name", SCALES)
def test_a_scale_with_a_hole_or_two_answers_is_refused(name: str) -> None:
    order, field, words = SCALES[name]
    error = refused(order)
    assert error.field == field
    for one in words:
        assert one in error.message


def glucose(value: str) -> dict[str, Any]:
    """A reading of a quarter of an hour ago."""
    return {"readings": [{"what": "glucose", "value": value, "at": "2026-03-02T08:45:00+00:00"}]}


@pytest.mark.parametrize(
    ("value", "amount"), [("7.9 mmol/L", 50), ("8 mmol/L", 75), ("12.4 mmol/L", 75), ("12.5 mmol/L", 100)]
)
def test_each_edge_of_a_scale_belongs_to_the_band_above_it(value: str, amount: int) -> None:
    plan = planned(SCALE, **glucose(value))
    assert plan.dose.amount is not None
    assert plan.dose.amount.value == amount


def test_a_reading_in_another_unit_stops_and_is_never_converted() -> None:
    # 144 mg/dL is 8 mmol/L for glucose (180.16 g/mol); for another substance it is not, so that nobody converts.
    plan = planned(SCALE, **glucose("144 mg/dL"))
    assert plan.dose.amount is None
    assert plan.worst is Severity.STOP
    stops = [one for one in plan.findings if one.code == "reading-unit"]
    assert [one.severity for one in stops] == [Severity.STOP]
    assert "144 mg/dL" in stops[0].message
    assert "mmol/L" in stops[0].message


def test_a_need_in_another_unit_stops_too() -> None:
    needs = [{"what": "glucose", "fresh": "1 hour", "withhold_below": "4 mmol/L"}]
    plan = planned({"needs": needs}, **glucose("144 mg/dL"))
    assert [one.severity for one in plan.findings if one.code == "reading-unit"] == [Severity.STOP]


# --- the short way ----------------------------------------------------------------------------------------------------

SHORT: tuple[tuple[list[str], Schedule | None], ...] = (
    (["08:00"], Schedule(at=(time(8),))),
    (["20:00", "08:00"], Schedule(at=(time(8), time(20)))),
    (["before breakfast"], Schedule(meals=("before breakfast",))),
    ([" Before Breakfast "], Schedule(meals=("before breakfast",))),
    (["breakfast", "bedtime"], Schedule(meals=("breakfast", "bedtime"))),
    (["08:00", "before supper"], Schedule(at=(time(8),), meals=("before supper",))),
    (["every 4 weeks"], Schedule(every=every(4, "week"))),
    (["Every 1 day"], Schedule(every=every(1, "day"))),
    (["every 12 hours"], Schedule(every=every(12, "hour"))),
    (["every 3 months"], Schedule(every=every(3, "month"))),
    (["Mondays"], Schedule(on=(0,))),
    (["friday", "Monday"], Schedule(on=(0, 4))),
    (["once"], Schedule()),
    (["Once"], Schedule()),
    # What cannot be counted by stays words.
    ([], None),
    (["twice a day"], None),
    (["every morning"], None),
    (["every fourth week"], None),
    (["4 weeks"], None),
    (["every 4 weeks", "every 2 days"], None),
    (["mondey"], None),
    (["Mondays", "08:00"], None),
    (["once", "08:00"], None),
    (["before tea"], None),
    (["before breakfast", "after breakfast"], None),
    (["when the pain comes"], None),
    ([""], None),
)


@pytest.mark.parametrize(("times", "expected"), SHORT)
def test_the_short_way_to_say_when_is_read_or_stays_words(times: list[str], expected: Schedule | None) -> None:
    order = read_order({"times": times})
    assert order.schedule == expected
    assert order.times == tuple(times)


@pytest.mark.parametrize("words", ["8:00", "8.00", "08.00", "25:00"])
def test_a_slip_in_a_time_of_day_is_refused_and_does_not_become_words(words: str) -> None:
    with pytest.raises(FieldError, match="08:00"):
        read_order({"times": ["20:00", words]})


def test_a_time_that_stands_twice_is_refused() -> None:
    with pytest.raises(FieldError, match="stands twice"):
        read_order({"times": ["08:00", "08:00"]})


def test_an_order_in_words_is_planned_and_said_to_have_no_times_that_can_be_counted_by() -> None:
    assert planned({"times": ["twice a day"]}).outlook is None
    assert schedule_words({"times": ["twice a day", "after meals"]}) == "twice a day and after meals"


def test_when_needed_with_words_is_when_needed_and_keeps_its_words() -> None:
    order = read_order({"when_needed": True, "times": ["when the pain comes"]})
    assert order.schedule == Schedule(when_needed=True)
    assert order.times == ("when the pain comes",)


@pytest.mark.parametrize(
    ("schedule", "words"),
    [
        ({"every": "4 weeks", "doses": 5}, "every 4 weeks, 5 doses"),
        ({"on": ["thursday", "Monday"], "at": ["08:00"]}, "on Mondays and Thursdays at 08:00"),
        ({"meals": ["before breakfast"]}, "every day before breakfast"),
        ({"repeat": {"dayOfWeek": ["mon"], "when": ["ACM"]}}, "on Mondays before breakfast"),
        ({"when_needed": True, "least_interval": "4 hours"}, "when needed, at least 4 hours apart"),
        ({"once": True}, "once"),
    ],
)
def test_a_schedule_is_said_in_words_as_it_stands_in_the_record(schedule: dict[str, Any], words: str) -> None:
    assert schedule_words({"schedule": schedule}) == words


def test_the_meals_of_the_open_standard_are_those_that_words_are_made_for() -> None:
    assert {words.rpartition(" ")[2] for words in fhir_timing._MEALS.values()} == set(FHIR_MEALS)
    assert set(FHIR_MEALS) <= set(MEALS)


def due_of(order: Mapping[str, Any]) -> dict[str, Any]:
    """What the public answer says of when."""
    found = read(order, history=[])
    plan = plan_injection(found.request, policy=found.policy, tables=found.tables)
    due = answer(plan, policy=found.policy, evidence_version="1")["due"]
    validator("due").validate(json.loads(json.dumps(due)))
    return dict(due)


def test_the_answer_says_that_nothing_limits_a_when_needed_dose_and_hides_no_moment_of_any_other() -> None:
    assert due_of({"schedule": {"when_needed": True}})["opens"] is None
    waits = {"schedule": {"when_needed": True}, "start": "2026-03-03"}
    assert due_of(waits)["opens"] == "2026-03-03T00:00+00:00"
    assert due_of({"schedule": {"once": True}, "start": "1900-01-01"})["planned"] == "1900-01-01T00:00+00:00"


# --- nothing is lost on the way to the record -------------------------------------------------------------------------

IN_TOML = """
medicine = "velorin"
route = "intramuscular"
dose = { amount = "100 mg" }
start = 2026-03-02
review = 2026-03-09
schedule = { every = "2 days", at = [08:00:00], first = 2026-03-02T08:00:00Z }
"""


def test_an_order_in_toml_with_dates_and_times_of_its_own_can_be_planned_from_the_record(tmp_path: Any) -> None:
    with Store.create(tmp_path / "record.sqlite", now=NOW) as store:
        use_policy(store, "uk", zone="Europe/London", now=NOW)
        add_to_formulary(store, PUBLIC["medicine"], now=NOW)
        register_patient(store, {"family": "Pike", "given": "Wren", "born": "1961-04-09"}, now=NOW)
        identity = enter_order(store, "0001", tomllib.loads(IN_TOML), now=NOW)
        rule = patient_state(store, "0001").orders[identity]["order"]
        assert rule["schedule"] == {"every": "2 days", "at": ["08:00:00"], "first": "2026-03-02T08:00:00+00:00"}
        assert schedule_words(rule) == "every 2 days at 08:00"
        assert make_plan(store, order=identity, now=NOW).answer["format"] == 1


def test_the_seconds_of_a_time_in_toml_are_refused_and_not_dropped() -> None:
    schedule = tomllib.loads("schedule = { at = [08:00:30] }")["schedule"]
    error = refused({"schedule": schedule})
    assert error.field == f"{S}.at[0]"
    assert "08:00:30" in error.message


def test_true_is_not_taken_for_one_though_the_same_line_was_read_before() -> None:
    line = {"medicine": "velorin", "at": "2026-02-20T08:00:00+00:00", "live": True, "grid": 1}
    assert read({}, history=[line]).request.history is not None
    assert refused({}, history=[{**line, "live": 1}]).field == "history[0].live"
    assert refused({}, history=[{**line, "grid": True}]).field == "history[0].grid"


def test_null_is_the_same_as_leaving_out() -> None:
    bare = {"every": "4 weeks"}
    keys = validator("schedule").schema["$defs"]["schedule"]["properties"]
    whole = read_order({"schedule": {**dict.fromkeys(keys), **bare}})
    assert whole.schedule == read_order({"schedule": bare}).schedule


# --- any value in any of the new places -------------------------------------------------------------------------------

WHOLE: dict[str, Any] = {
    "order": {
        "schedule": {
            "once": None,
            "every": "4 weeks",
            "at": None,
            "meals": None,
            "on": None,
            "first": "2026-03-02T08:00:00+00:00",
            "doses": 9,
            "series": None,
            "when_needed": None,
            "least_interval": None,
            "at_most_doses": None,
            "at_most": None,
            "repeat": None,
            "counts_from": "given",
            "early": "1 day",
            "late": "2 days",
            "missed_after": "1 week",
            "if_late": {"do": "give", "test": None, "result": None, "fresh": None, "words": "Give it."},
            "if_missed": {"do": "test first", "test": "INR", "result": "in range", "fresh": "1 day", "words": "x"},
        },
        "authority": {
            "kind": "group direction",
            "reference": "QD-7",
            "version": "2",
            "from": "2026-01-01",
            "until": "2026-12-31",
            "staff": ["Ada Example"],
            "include": ["over 18"],
            "exclude": ["unwell"],
            "delegable": True,
            "must_follow": "a signature",
            "within": "3 days",
        },
        "review": "2026-04-02",
        "tests": [{"what": "INR", "every": "1 month"}],
        "needs": [{"what": "INR", "fresh": "1 day"}],
        "unclear": ["the figure"],
        "copied_by": "Ada Example",
        "read_back_by": "Bea Example",
        "entered": AT,
        "signed": AT,
        "dose": {"steps": [{"for": "2 doses", "amount": "50 mg", "every": "1 week"}, {"amount": "75 mg"}]},
    },
    "medicine": {
        "timing": {"counts_from": "given", "early": "1 day", "late": "1 day", "missed_after": None, "if_late": None},
        "watch": {**WATCH, "limits": [{"what": "breathing rate", "below": "10", "unit": "a minute"}], "then": "Call."},
        "ask": ["unwell"],
        "live": False,
        "consent": True,
    },
    "zone": "Europe/London",
    "results": [{"what": "INR", "result": "in range", "at": AT}],
    "answers": [{"question": "unwell", "answer": "no", "at": AT, "words": "x", "by": "Ada Example"}],
    "consents": [
        {"given_by": "Ada Example", "at": AT, "medicine": "velorin", "relation": "self", "until": "2026-12-31"}
    ],
}
OTHER_SCHEDULES: tuple[dict[str, Any], ...] = (
    {"on": ["monday"], "at": ["08:00"], "meals": ["bedtime"]},
    {"series": [{"age": "8 weeks"}, {"after": "4 weeks", "least_after": "4 weeks"}]},
    {"when_needed": True, "least_interval": "4 hours", "at_most_doses": 4, "at_most": "600 mg"},
    {"repeat": {"frequency": 1, "period": 1, "periodUnit": "d", "timeOfDay": ["08:00:00"], "count": 9}},
    {"every": "6 hours", "first": "2026-03-02T08:00:00+00:00", "counts_from": "planned"},
)
Place = tuple[str | int, ...]


def places(value: Any, path: Place = ()) -> list[Place]:
    """Every place below a value."""
    pairs = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    found = [(*path, key) for key, _ in pairs]
    return found + [below for key, one in list(pairs) for below in places(one, (*path, key))]


def put(value: Any, path: Place, new: Any) -> None:
    """Change one place of a value."""
    for key in path[:-1]:
        value = value[key]
    value[path[-1]] = new


plain = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-(10**30), 10**30),
    st.decimals(),
    st.text(max_size=20),
    st.sampled_from(
        (
            *("0 days", "4000 days", "150 years", "1 minute", "9999-12-31", "0001-01-01", "2200-12-31", "1800-01-01"),
            *("2200-12-31T23:59:59-14:00", "1900-01-01T00:00:00+14:00", "08:00", "monday", "bedtime", "2 doses"),
        )
    ),
)
anything = st.recursive(
    plain, lambda one: st.lists(one, max_size=4) | st.dictionaries(st.text(max_size=8), one, max_size=4), max_leaves=12
)


@settings(max_examples=1500)
@given(st.data())
def test_any_value_in_any_of_the_new_places_is_read_or_refused_by_a_field(data: st.DataObject) -> None:
    parts = copy.deepcopy(WHOLE)
    if data.draw(st.booleans()):
        parts["order"] |= {
            "schedule": copy.deepcopy(data.draw(st.sampled_from(OTHER_SCHEDULES))),
            "dose": {"amount": "5 mg"},
        }
    path = data.draw(st.sampled_from(places(parts)))
    put(parts, path, data.draw(anything))
    order, medicine = parts.pop("order"), parts.pop("medicine")
    if not isinstance(order, dict) or not isinstance(medicine, dict):
        return
    whole = document(order, medicine=medicine, **parts)
    found = attempted(whole)
    if isinstance(found, FieldError):
        check_told(found)
        assert found.field.split(".")[0].split("[")[0] in {*WHOLE, "order", "medicine"}
    else:
        validator("request").validate(whole)


@pytest.mark.parametrize(
    "value", [True, False, 0, -1, 10**29, Decimal("NaN"), Decimal("1e99"), [], {}, [[[[]]]], "x" * 999]
)
def test_absurd_numbers_and_kinds_of_value_are_refused_in_each_place_of_a_schedule(value: Any) -> None:
    texts = ("every", "first", "counts_from", "early", "late", "missed_after", "if_late", "if_missed", "doses")
    for key in texts:
        schedule = {"every": "4 weeks", "late": "1 day", "missed_after": "2 days", key: value}
        error = refused({"schedule": schedule})
        assert error.field.startswith(f"{S}.{key}"), (key, value)


def test_a_very_deep_or_long_schedule_is_refused_in_time() -> None:
    deep: Any = "08:00"
    for _ in range(5000):
        deep = [deep]
    assert refused({"schedule": {"at": deep}}).field == f"{S}.at[0]"
    assert refused({"schedule": {"at": ["08:00"] * 100_000}}).field == f"{S}.at"
    assert refused({"times": ["08:00"] * 201}).field == "order.times"


def test_the_examples_of_this_page_are_good_ones() -> None:
    for schedule in (WHOLE["order"]["schedule"], *OTHER_SCHEDULES):
        order = {**WHOLE["order"], "schedule": schedule}
        if schedule is not WHOLE["order"]["schedule"]:
            order["dose"] = {"amount": "5 mg"}
        others = {key: one for key, one in WHOLE.items() if key != "order"}
        assert read_order(order, **others).schedule is not None
        validator("request").validate(json.loads(json.dumps(document(order, **others))))
