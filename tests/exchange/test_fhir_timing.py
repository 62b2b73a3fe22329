"""FHIR timings: the published cases of `fhir_timing_cases.toml`, the invariants, plain words, and schedules of them."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Callable
from datetime import time
from decimal import Decimal
from fractions import Fraction
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drawup.exchange.fhir_timing import FhirTiming, read_timing, render_timing, schedule_of_repeat
from drawup.exchange.reader import FieldError, read_json
from drawup.injection.notation import rounded_half_up
from drawup.injection.schedule import EVERY_DAY, NO_TIMING, Interval, Schedule, Timing

PUBLISHED = tomllib.loads(
    Path(__file__).with_name("fhir_timing_cases.toml").read_text(encoding="utf-8"), parse_float=Decimal
)
ABBREVIATIONS = "http://terminology.hl7.org/CodeSystem/v3-GTSAbbreviation"
UCUM = "http://unitsofmeasure.org"

# What a case says beside the timing itself.
CHECKED = {"doses_per", "interval_range", "mean_doses_per_day", "boundsPeriod", "count", "duration", "durationUnit",
           "when", "offset", "dayOfWeek", "timeOfDay", "code", "invariant"}  # fmt: skip


def cases(*runs: str) -> list[Any]:
    return [
        pytest.param(case, id=f"{case['number']}-{case.get('file', case['run'])}")
        for case in PUBLISHED["case"]
        if case["run"] in runs
    ]


def read_repeat(**repeat: object) -> FhirTiming:
    return read_timing({"repeat": repeat}, "timing")


def words_of(**repeat: object) -> str:
    return render_timing(read_repeat(**repeat))


def words_of_code(*codes: str, text: str = "", **repeat: object) -> str:
    code: dict[str, object] = {"coding": [{"system": ABBREVIATIONS, "code": one, "display": one} for one in codes]}
    timing: dict[str, object] = {"code": code | ({"text": text} if text else {})}
    return render_timing(read_timing(timing | ({"repeat": repeat} if repeat else {}), "timing"))


def refusal(value: object) -> str:
    with pytest.raises(FieldError) as caught:
        read_timing(value, "timing")
    assert len(str(caught.value)) < 500
    assert str(caught.value).isprintable()
    return str(caught.value)


def schedule(**repeat: object) -> Schedule:
    return schedule_of_repeat(repeat, "order.schedule.repeat", NO_TIMING)


def no_schedule(**repeat: object) -> str:
    with pytest.raises(FieldError) as caught:
        schedule(**repeat)
    return str(caught.value)


def every(count: int, unit: str) -> Interval:
    return Interval(count=count, unit=unit)


# --- the published cases


def test_every_part_of_a_published_case_is_checked_or_left_out_with_its_reason_and_names_its_source() -> None:
    published, left_out = PUBLISHED["case"], PUBLISHED["left_out"]
    assert len(cases("read", "valid", "refused")) == len(published) == 33
    assert [case["number"] for case in published] == list(range(1, 34))
    # 27 of the official examples, and 6 made from the invariants, of which each says only that it is valid or not.
    assert [case["source"] for case in published] == ["examples"] * 27 + ["definition"] * 6
    # Counted in the published cases: 89 parts, of which 11 are left out, and 6 say whether the case is valid.
    said = [key for case in published for key in case if key in CHECKED]
    assert len(said) + len([case for case in published if case["run"] != "read"]) + len(left_out) == 89
    assert {part["part"] for part in left_out} == {"as_needed", "text_and_structure_disagree"}
    assert len(left_out) == 11
    assert all(part["reason"] for part in left_out)
    assert all(PUBLISHED["source"][case["source"]]["address"].startswith("https://") for case in published)
    assert all(case["file"].endswith(".json") for case in [*published[:27], *left_out])


@pytest.mark.parametrize("case", cases("read"))
def test_a_published_timing_is_read_as_it_says(case: dict[str, Any]) -> None:
    read = read_timing(case["timing"], "timing")
    if "doses_per" in case:
        assert read.doses_per == tuple(case["doses_per"])
    assert read.interval_range == (tuple(case["interval_range"]) if "interval_range" in case else None)
    assert {"start": read.bounds_start, "end": read.bounds_end} == case.get("boundsPeriod", {"start": "", "end": ""})
    assert read.count == case.get("count")
    assert (read.duration, read.duration_unit) == (case.get("duration"), case.get("durationUnit", ""))
    assert list(read.when) == case.get("when", [])
    assert read.offset == case.get("offset")
    assert list(read.day_of_week) == case.get("dayOfWeek", [])
    assert [one.isoformat() for one in read.time_of_day] == case.get("timeOfDay", [])
    assert read.code == case.get("code", "")


@pytest.mark.parametrize("case", cases("read"))
def test_the_mean_of_a_published_timing_is_exact(case: dict[str, Any]) -> None:
    mean = read_timing(case["timing"], "timing").mean_doses_per_day
    if "mean_doses_per_day" in case:
        assert mean == Fraction(case["mean_doses_per_day"])
        assert rounded_half_up(mean, 4) == Fraction(case["published"])
    elif "doses_per" in case:
        assert mean is None  # a range has none


@pytest.mark.parametrize("case", cases("read", "valid"))
def test_a_published_timing_is_put_into_plain_words(case: dict[str, Any]) -> None:
    assert render_timing(read_timing(case["timing"], "timing")) == case["words"]


@pytest.mark.parametrize("case", cases("refused"))
def test_a_timing_that_breaks_an_invariant_is_refused_by_its_name(case: dict[str, Any]) -> None:
    message = refusal(case["timing"])
    assert message.startswith("timing.repeat.")
    assert f"({case['invariant']})" in message


# StructureDefinition-Timing.json of HL7 FHIR R4 4.0.1: the invariants that no published case breaks.
@pytest.mark.parametrize(
    ("repeat", "invariant"),
    [
        ({"duration": 30}, "tim-1"),
        ({"frequency": 1, "period": 6}, "tim-2"),
        ({"duration": -1, "durationUnit": "h"}, "tim-4"),
        ({"durationMax": 2, "durationUnit": "h"}, "tim-7"),
        ({"periodMax": 6, "periodUnit": "h"}, "tim-6"),
        ({"countMax": 3}, "tim-8"),
        ({"offset": 30}, "tim-9"),
        ({"offset": 30, "when": ["ACM", "CV"]}, "tim-9"),
        ({"offset": 30, "timeOfDay": ["08:00:00"]}, "tim-9"),
    ],
)
def test_each_invariant_is_named_where_it_is_broken(repeat: dict[str, object], invariant: str) -> None:
    assert f"({invariant})" in refusal({"repeat": repeat})


# --- what is read


def test_ids_and_extensions_are_left_aside() -> None:
    beside = {"id": "a", "extension": [{"url": "https://example.org/x", "valueString": "x"}]}
    repeat = {"frequency": 2, "period": 1, "periodUnit": "d", "_period": beside, **beside}
    assert read_timing({"repeat": repeat, **beside}, "timing") == read_repeat(frequency=2, period=1, periodUnit="d")


def test_an_extension_that_may_change_the_meaning_is_refused() -> None:
    message = refusal({"repeat": {"count": 1}, "modifierExtension": [{"url": "https://example.org/not"}]})
    assert message.startswith("timing.modifierExtension: may change the meaning")


def test_no_frequency_is_one_a_period() -> None:
    # StructureDefinition-Timing.json, frequency, meaningWhenMissing.
    assert read_repeat(period=2, periodUnit="d").doses_per == (1, Fraction(2), "d")


@pytest.mark.parametrize(("unit", "mean"), [("mo", None), ("a", None), ("wk", Fraction(1, 7)), ("s", Fraction(86_400))])
def test_months_and_years_have_no_mean_since_they_are_not_of_one_length(unit: str, mean: Fraction | None) -> None:
    assert read_repeat(frequency=1, period=1, periodUnit=unit).mean_doses_per_day == mean


@pytest.mark.parametrize("most", [{"periodMax": 6}, {"frequencyMax": 3}])
def test_a_range_has_no_mean(most: dict[str, int]) -> None:
    assert read_repeat(frequency=2, period=4, periodUnit="h", **most).mean_doses_per_day is None


def test_a_range_that_is_none_has_a_mean() -> None:
    assert read_repeat(frequency=1, period=4, periodMax=4, periodUnit="h").mean_doses_per_day == 6


def test_a_number_of_json_stays_exact() -> None:
    document = read_json('{"repeat": {"frequency": 1, "period": 0.1, "periodUnit": "d"}}')
    assert read_timing(document, "timing").mean_doses_per_day == 10


@pytest.mark.parametrize(
    ("bounds", "words"),
    [
        ({"boundsPeriod": {"start": "2026-03-02"}}, "from 2026-03-02"),
        ({"boundsPeriod": {"end": "2026"}}, "until 2026"),
        ({"boundsPeriod": {"start": "2026-02-28T23:00:00Z", "end": "2026-03-01"}},
         "from 2026-02-28 23:00:00+00:00 to 2026-03-01"),
        ({"boundsDuration": {"value": 10, "system": UCUM, "code": "d"}}, "for 10 days"),
        ({"boundsRange": {"low": {"value": 5, "system": UCUM, "code": "d"},
                          "high": {"value": 7, "unit": "days", "system": UCUM, "code": "d"}}}, "for 5 to 7 days"),
    ],
)  # fmt: skip
def test_a_timing_has_its_bounds(bounds: dict[str, object], words: str) -> None:
    assert words_of(frequency=2, period=1, periodUnit="d", **bounds) == f"2 doses a day, {words}"


@pytest.mark.parametrize(
    "bounds",
    [
        {"boundsPeriod": {"start": "2026-03-02", "end": "2026-03-01"}},
        {"boundsPeriod": {"start": "2026-03-02T10:00:00+02:00", "end": "2026-03-02T08:59:00+01:00"}},
        {"boundsPeriod": {"start": "2026-02-29"}},
        {"boundsPeriod": {"start": "2026-03-02T10:00"}},
        {"boundsPeriod": {"start": "02/03/2026"}},
        {"boundsPeriod": {}},
        {"boundsPeriod": {"start": "2026"}, "boundsDuration": {"value": 1, "system": UCUM, "code": "d"}},
        {"boundsDuration": {"value": 1, "code": "d"}},
        {"boundsDuration": {"value": 1, "system": UCUM, "code": "days"}},
        {"boundsDuration": {"value": 0, "system": UCUM, "code": "d"}},
        {"boundsDuration": {"value": 1, "comparator": "<", "system": UCUM, "code": "d"}},
        {"boundsRange": {"low": {"value": 1, "system": UCUM, "code": "d"}}},
        {"boundsRange": {"low": {"value": 2, "system": UCUM, "code": "d"},
                         "high": {"value": 1, "system": UCUM, "code": "d"}}},
        {"boundsRange": {"low": {"value": 1, "system": UCUM, "code": "d"},
                         "high": {"value": 1, "system": UCUM, "code": "wk"}}},
    ],
)  # fmt: skip
def test_bounds_that_cannot_be_are_refused(bounds: dict[str, object]) -> None:
    assert refusal({"repeat": bounds}).startswith("timing.repeat.bounds")


def test_bounds_are_compared_as_moments_and_not_as_the_clocks_that_show_them() -> None:
    later_by_half_an_hour = {"start": "2026-03-02T10:00:00+02:00", "end": "2026-03-02T09:30:00+01:00"}
    assert read_repeat(boundsPeriod=later_by_half_an_hour).bounds_end == later_by_half_an_hour["end"]


def test_bounds_at_the_ends_of_the_calendar_are_compared() -> None:
    ends = {"start": "0001-01-01T00:00:00+14:00", "end": "9999-12-31T23:59:59-12:00"}
    assert read_repeat(boundsPeriod=ends).bounds_end == ends["end"]


# --- in words


@pytest.mark.parametrize(
    ("repeat", "words"),
    [
        ({"frequency": 2, "frequencyMax": 3, "period": 1, "periodUnit": "d"}, "2 to 3 doses a day"),
        ({"frequency": 3, "period": 2, "periodUnit": "wk"}, "3 doses in every 2 weeks"),
        ({"frequency": 1, "period": Decimal("0.5"), "periodUnit": "h"}, "1 dose every 0.5 hours"),
        ({"frequency": 1, "period": 1, "periodUnit": "h"}, "1 dose an hour"),
        ({"count": 1}, "1 dose"),
        ({"count": 28, "frequency": 4, "period": 1, "periodUnit": "d"}, "28 doses, 4 a day"),
        ({"count": 6, "countMax": 8, "frequency": 1, "period": 1, "periodUnit": "wk"}, "6 to 8 doses, one a week"),
        ({"dayOfWeek": ["fri", "mon", "wed"], "timeOfDay": ["20:00:00", "08:00:00"]},
         "on Mondays, Wednesdays and Fridays at 08:00 and 20:00"),
        ({"when": ["ACM", "ACV"]}, "every day before breakfast and before supper"),
        ({"when": ["HS"], "offset": 30}, "every day 30 minutes before bedtime"),
        ({"when": ["MORN"], "offset": 1}, "every day 1 minute after the usual time in the morning"),
        ({"frequency": 2}, "2 doses in a time that is not said"),
        ({"duration": 1, "durationMax": Decimal("1.5"), "durationUnit": "h", "count": 2},
         "2 doses, each lasting 1 to 1.5 hours"),
    ],
)  # fmt: skip
def test_a_timing_is_said_in_full_words(repeat: dict[str, object], words: str) -> None:
    assert words_of(**repeat) == words


# What each code means: CodeSystem-v3-GTSAbbreviation.json of HL7 FHIR R4 4.0.1.
CODES = {
    "AM": "every day in the morning", "PM": "every day in the afternoon", "BED": "every day at bedtime",
    "QD": "1 dose a day", "BID": "2 doses a day", "TID": "3 doses a day", "QID": "4 doses a day",
    "QOD": "1 dose every 2 days", "Q1H": "1 dose an hour", "Q2H": "1 dose every 2 hours", "Q3H": "1 dose every 3 hours",
    "Q4H": "1 dose every 4 hours", "Q6H": "1 dose every 6 hours", "Q8H": "1 dose every 8 hours", "WK": "1 dose a week",
    "MO": "1 dose a month",
}  # fmt: skip


@pytest.mark.parametrize("code", CODES)
def test_a_code_is_shown_by_its_meaning_and_never_as_a_code(code: str) -> None:
    assert words_of_code(code) == f"{CODES[code]} at the place's own times"
    assert render_timing(read_timing({"code": {"text": code}}, "timing")) == words_of_code(code)


def test_a_code_for_working_days_is_shown_by_its_meaning() -> None:
    assert words_of_code("JB") == "on Mondays to Fridays that are no holidays"


def test_a_code_that_says_the_same_as_the_rest_is_said_once() -> None:
    assert words_of_code("BID", frequency=2, period=1, periodUnit="d") == "2 doses a day"


def test_a_code_that_says_something_else_than_the_rest_is_shown_beside_it() -> None:
    words = words_of_code("BID", frequency=1, period=2, periodUnit="d")
    assert words == "1 dose every 2 days; the code beside it says 2 doses a day at the place's own times"


def test_there_is_no_mean_where_the_code_and_the_rest_differ() -> None:
    coding = {"coding": [{"system": ABBREVIATIONS, "code": "QD"}]}
    once_in_two_days = {"frequency": 1, "period": 2, "periodUnit": "d"}
    assert read_timing({"code": coding}, "timing").mean_doses_per_day == 1
    assert read_timing({"code": coding, "repeat": once_in_two_days}, "timing").mean_doses_per_day is None


def test_the_senders_words_are_shown_as_such() -> None:
    local = {"coding": [{"system": "https://example.org/times", "code": "7", "display": "With the ward round"}]}
    assert render_timing(read_timing({"code": local}, "timing")) == 'in the sender\'s words "With the ward round"'
    assert words_of_code("QD", text="once, in the morning").endswith('in the sender\'s words "once, in the morning"')


@pytest.mark.parametrize(
    "code",
    [
        {"coding": [{"system": ABBREVIATIONS, "code": "BID"}, {"system": ABBREVIATIONS, "code": "QID"}]},
        {"coding": [{"system": ABBREVIATIONS, "code": "QD"}], "text": "QID"},
        {"coding": [{"system": ABBREVIATIONS, "code": "bid"}]},
        {"coding": [{"system": ABBREVIATIONS, "code": "JHCHREAS"}]},
        {"coding": [{"system": ABBREVIATIONS}]},
        {"coding": [{}]},
        {"coding": []},
        {"coding": "QD"},
        {"text": " "},
        {},
    ],
)
def test_a_code_that_says_nothing_or_two_things_is_refused(code: dict[str, object]) -> None:
    assert refusal({"code": code}).startswith("timing.code")


def test_many_moments_are_counted_and_the_first_are_shown() -> None:
    events = [f"2026-03-{day:02}" for day in range(1, 8)]
    words = render_timing(read_timing({"event": events}, "timing"))
    assert words == "planned for 2026-03-01, 2026-03-02 and 2026-03-03 and 4 more"


# --- as a schedule


@pytest.mark.parametrize(
    ("repeat", "made"),
    [
        ({"frequency": 1, "period": 1, "periodUnit": "d"}, Schedule(every=EVERY_DAY)),
        ({"period": 4, "periodUnit": "wk"}, Schedule(every=every(4, "week"))),
        ({"frequency": 1, "period": 3, "periodUnit": "mo"}, Schedule(every=every(3, "month"))),
        ({"frequency": 1, "period": 1, "periodUnit": "a"}, Schedule(every=every(1, "year"))),
        ({"frequency": 1, "period": 24, "periodUnit": "h"}, Schedule(every=every(24, "hour"))),
        ({"frequency": 1, "period": 90, "periodUnit": "min"}, Schedule(every=every(90, "minute"))),
        ({"frequency": 1, "period": 7200, "periodUnit": "s"}, Schedule(every=every(2, "hour"))),
        ({"frequency": 1, "period": Decimal("1.5"), "periodUnit": "h"}, Schedule(every=every(90, "minute"))),
        ({"frequency": 1, "period": Decimal("0.5"), "periodUnit": "d"}, Schedule(every=every(12, "hour"))),
        ({"frequency": 3, "period": 1, "periodUnit": "d"}, Schedule(every=every(8, "hour"))),
        ({"frequency": 2, "period": 24, "periodUnit": "h"}, Schedule(every=every(12, "hour"))),
        ({"frequency": 2, "period": 1, "periodUnit": "h"}, Schedule(every=every(30, "minute"))),
        ({"count": 16, "frequency": 1, "period": 3, "periodUnit": "wk"}, Schedule(every=every(3, "week"), doses=16)),
        ({"frequency": 1, "period": 4, "periodMax": 4, "periodUnit": "h"}, Schedule(every=every(4, "hour"))),
        ({"count": 1}, Schedule()),
        ({"count": 1, "frequency": 1}, Schedule()),
        ({"timeOfDay": ["09:00:00"]}, Schedule(at=(time(9),))),
        ({"timeOfDay": ["20:00:00", "08:00:00"], "frequency": 2, "period": 1, "periodUnit": "d"},
         Schedule(at=(time(8), time(20)))),
        ({"when": ["ACM", "ACV"], "frequency": 2, "period": 1, "periodUnit": "d", "count": 10},
         Schedule(meals=("before breakfast", "before supper"), doses=10)),
        ({"when": ["CM", "PCD", "HS"]}, Schedule(meals=("with breakfast", "after lunch", "bedtime"))),
        ({"frequency": 1, "period": 2, "periodUnit": "wk", "timeOfDay": ["08:30:00"]},
         Schedule(every=every(2, "week"), at=(time(8, 30),))),
        ({"dayOfWeek": ["thu", "mon"]}, Schedule(on=(0, 3))),
        ({"dayOfWeek": ["mon"], "frequency": 1, "period": 1, "periodUnit": "wk"}, Schedule(on=(0,))),
        ({"dayOfWeek": ["mon", "wed", "fri"], "frequency": 3, "period": 1, "periodUnit": "wk"}, Schedule(on=(0, 2, 4))),
        ({"dayOfWeek": ["mon"], "frequency": 2, "period": 1, "periodUnit": "d", "timeOfDay": ["08:00:00", "20:00:00"]},
         Schedule(on=(0,), at=(time(8), time(20)))),
        ({"dayOfWeek": ["sun"], "when": ["HS"]}, Schedule(on=(6,), meals=("bedtime",))),
    ],
)  # fmt: skip
def test_a_repeat_that_a_schedule_can_say_just_so_is_one(repeat: dict[str, object], made: Schedule) -> None:
    assert schedule(**repeat) == made


def test_how_doses_follow_each_other_is_kept_beside_a_repeat() -> None:
    timing = Timing(counts_from="given", late=every(2, "day"))
    made = schedule_of_repeat({"period": 4, "periodUnit": "wk"}, "repeat", timing)
    assert made == Schedule(every=every(4, "week"), timing=timing)


@pytest.mark.parametrize(
    ("repeat", "key", "says"),
    [
        ({"frequency": 1, "period": 4, "periodMax": 6, "periodUnit": "h"}, "periodMax", "with least_interval"),
        ({"frequency": 1, "frequencyMax": 2, "period": 1, "periodUnit": "d"}, "frequencyMax", "Write one frequency"),
        ({"count": 2, "countMax": 3, "period": 1, "periodUnit": "d"}, "countMax", "Write one count"),
        ({"when": ["ACM"], "offset": 10}, "offset", "Write timeOfDay, or when alone"),
        ({"duration": 30, "durationUnit": "min", "period": 1, "periodUnit": "d"}, "duration", "Leave it out"),
        ({"boundsPeriod": {"start": "2026-03-02"}, "period": 1, "periodUnit": "d"}, "boundsPeriod", "order.start"),
        ({"boundsDuration": {}}, "boundsDuration", "order.stop"),
        ({"frequency": 3, "period": 1, "periodUnit": "wk"}, "frequency", "does not say which days. Write dayOfWeek"),
        ({"frequency": 3, "period": 2, "periodUnit": "d"}, "frequency", "does not say which days"),
        ({"frequency": 5, "period": 1, "periodUnit": "d"}, "frequency", "gives no even hours. Write timeOfDay"),
        ({"frequency": 16, "period": 1, "periodUnit": "d"}, "frequency", "gives no even hours"),
        ({"frequency": 1, "period": Decimal("1.5"), "periodUnit": "wk"}, "period", "whole period"),
        ({"frequency": 1, "period": 90, "periodUnit": "s"}, "period", "gives no even hours"),
        ({"frequency": 1, "period": 5000, "periodUnit": "d"}, "period", "at most 4000 days"),
        ({"when": ["MORN"]}, "when", "in the morning: this place has no set time for it. Write timeOfDay"),
        ({"when": ["AC"]}, "when", "before each meal"),
        ({"when": ["ACM", "CM"]}, "when", "two at one meal"),
        ({"timeOfDay": ["08:00:30"]}, "timeOfDay", "whole minutes"),
        ({"timeOfDay": ["08:00:00"], "frequency": 2, "period": 1, "periodUnit": "d"}, "frequency", "and 1 time of"),
        ({"timeOfDay": ["08:00:00"], "frequency": 2}, "frequency", "Write one time for each dose"),
        ({"timeOfDay": ["08:00:00"], "period": 24, "periodUnit": "h"}, "periodUnit", "Write periodUnit d"),
        ({"timeOfDay": ["08:00:00"], "period": Decimal("0.5"), "periodUnit": "d"}, "period", "Write a whole number"),
        ({"timeOfDay": ["08:00:00", "20:00:00"], "period": 2, "periodUnit": "d"}, "frequency", "2 times"),
        ({"dayOfWeek": ["mon"], "frequency": 4, "period": 1, "periodUnit": "d"}, "dayOfWeek", "Write timeOfDay"),
        ({"dayOfWeek": ["mon"], "frequency": 1, "period": 2, "periodUnit": "wk"}, "dayOfWeek", "no other period"),
        ({"dayOfWeek": ["mon", "thu"], "frequency": 1, "period": 1, "periodUnit": "wk"}, "dayOfWeek", "1 dose a week"),
        ({"count": 3}, "count", "not how far apart. Write period"),
        ({"frequency": 2}, "frequency", "not how far apart"),
        ({"count": 10_001, "period": 1, "periodUnit": "d"}, "count", "at most 10000"),
        ({"every": "4 weeks"}, "every", "unknown key"),
        ({"period": -1, "periodUnit": "d"}, "period", "(tim-5)"),
    ],
)  # fmt: skip
def test_a_repeat_that_would_need_a_guess_is_refused_with_the_next_step(
    repeat: dict[str, object], key: str, says: str
) -> None:
    message = no_schedule(**repeat)
    assert message.startswith(f"order.schedule.repeat.{key}: ")
    assert says in message


def test_hours_counted_from_the_plan_are_refused_without_their_first_moment() -> None:
    with pytest.raises(FieldError, match="need a first moment, which repeat does not say"):
        schedule_of_repeat({"period": 8, "periodUnit": "h"}, "repeat", Timing(counts_from="planned"))


# --- what is no timing

NESTED: Any = []
for _ in range(200):
    NESTED = [NESTED]

RUBBISH: list[Any] = [
    None, True, False, 0, -1, 1.5, "", "1", "d", [], {}, [1], {"a": 1}, [[]], [None], NESTED, {"": NESTED}, 10**5000,
    -(10**5000), [10**5000], Decimal("NaN"), Decimal("sNaN"), Decimal("Infinity"), Decimal("1E+999999"),
    Decimal("1E-999999"), Decimal("-0.5"), "\x00", "\ud800", "x" * 100_000, "٣", time(8), time(8, 0, 0, 1),
]  # fmt: skip
KEYS = ["frequency", "frequencyMax", "period", "periodMax", "periodUnit", "count", "countMax", "duration",
        "durationMax", "durationUnit", "dayOfWeek", "timeOfDay", "when", "offset", "boundsPeriod", "boundsDuration",
        "boundsRange"]  # fmt: skip


def words_or_refusal(read: Callable[[], FhirTiming | Schedule]) -> str:
    """What comes of it, in words: any exception but FieldError fails the test."""
    try:
        found = read()
    except FieldError as error:
        return str(error)
    return render_timing(found) if isinstance(found, FhirTiming) else found.words


@pytest.mark.parametrize("key", KEYS)
def test_rubbish_in_a_repeat_is_refused_in_words_and_never_crashes(key: str) -> None:
    for wrong in RUBBISH:
        for value in (wrong, [wrong], {"start": wrong}, {"value": wrong, "code": "d", "system": UCUM}):
            for beside in ({}, {"period": 1, "periodUnit": "d"}):
                repeat = {"frequency": 1, **beside, key: value}
                assert 0 < len(words_or_refusal(partial(read_repeat, **repeat))) < 500
                assert 0 < len(words_or_refusal(partial(schedule, **repeat))) < 500


@pytest.mark.parametrize("wrong", RUBBISH[2:], ids=lambda wrong: ascii(type(wrong)))
def test_rubbish_for_a_timing_or_a_part_of_it_never_crashes(wrong: object) -> None:
    for value in (wrong, {"repeat": wrong}, {"code": wrong}, {"code": {"text": wrong}}, {"code": {"coding": [wrong]}},
                  {"event": wrong}, {"event": [wrong]}, {"code": {"coding": [{"code": wrong}]}}):  # fmt: skip
        assert 0 < len(words_or_refusal(partial(read_timing, value, "timing"))) < 500


@pytest.mark.parametrize(
    ("text", "path"),
    [
        ('{"repeat": {"frequency": "3", "period": 1, "periodUnit": "d"}}', "timing.repeat.frequency"),
        ('{"repeat": {"frequency": 3, "period": "1", "periodUnit": "d"}}', "timing.repeat.period"),
        ('{"repeat": {"frequency": true, "period": 1, "periodUnit": "d"}}', "timing.repeat.frequency"),
        ('{"repeat": {"frequency": 1.0, "period": 1, "periodUnit": "d"}}', "timing.repeat.frequency"),
        ('{"repeat": {"frequency": 0, "period": 1, "periodUnit": "d"}}', "timing.repeat.frequency"),
        ('{"repeat": {"frequency": 2147483648, "period": 1, "periodUnit": "d"}}', "timing.repeat.frequency"),
        ('{"repeat": {"frequency": 1, "period": NaN, "periodUnit": "d"}}', "timing.repeat.period"),
        ('{"repeat": {"frequency": 1, "period": Infinity, "periodUnit": "d"}}', "timing.repeat.period"),
        ('{"repeat": {"frequency": 1, "period": 1e400, "periodUnit": "d"}}', "timing.repeat.period"),
        ('{"repeat": {"frequency": 1, "period": 0, "periodUnit": "d"}}', "timing.repeat.period"),
        ('{"repeat": {"frequency": 1, "period": 1, "periodUnit": "day"}}', "timing.repeat.periodUnit"),
        ('{"repeat": {"frequency": 1, "period": 6, "periodMax": 4, "periodUnit": "h"}}', "timing.repeat.periodMax"),
        ('{"repeat": {"frequencyMax": 4, "period": 6, "periodUnit": "h"}}', "timing.repeat.frequencyMax"),
        ('{"repeat": {"periodUnit": "h"}}', "timing.repeat.periodUnit"),
        ('{"repeat": {"when": ["IC"]}}', "timing.repeat.when[0]"),
        ('{"repeat": {"when": ["acm"]}}', "timing.repeat.when[0]"),
        ('{"repeat": {"when": []}}', "timing.repeat.when"),
        ('{"repeat": {"dayOfWeek": ["Mon"]}}', "timing.repeat.dayOfWeek[0]"),
        ('{"repeat": {"dayOfWeek": ["mon", "mon"]}}', "timing.repeat.dayOfWeek"),
        ('{"repeat": {"timeOfDay": ["09:00"]}}', "timing.repeat.timeOfDay[0]"),
        ('{"repeat": {"timeOfDay": ["24:00:00"]}}', "timing.repeat.timeOfDay[0]"),
        ('{"repeat": {"offset": -30, "when": ["ACM"]}}', "timing.repeat.offset"),
        ('{"repeat": {"frequency": 1, "periodunit": "d"}}', "timing.repeat.periodunit"),
        ('{"repeat": {"frequency": 1, "_other": {}}}', "timing.repeat._other"),
        ('{"repeat": {"id": "a"}}', "timing.repeat"),
        ('{"event": ["2026-03-02 09:00"]}', "timing.event[0]"),
        ('{"when": ["ACM"]}', "timing.when"),
        ('{"id": "a"}', "timing"),
    ],
)
def test_a_field_that_cannot_be_read_is_named_by_its_path(text: str, path: str) -> None:
    with pytest.raises(FieldError) as caught:
        read_timing(read_json(text), "timing")
    assert caught.value.field == path
    assert caught.value.message


# --- whatever is sent

DAYS_IN = {
    "s": Fraction(1, 86_400),
    "min": Fraction(1, 1440),
    "h": Fraction(1, 24),
    "d": Fraction(1),
    "wk": Fraction(7),
}
VALUES = {
    "frequency": st.integers(-1, 30), "frequencyMax": st.integers(0, 30),
    "period": st.one_of(st.integers(-1, 400), st.decimals(-1, 100, places=2)), "periodMax": st.integers(0, 400),
    "periodUnit": st.sampled_from(["s", "min", "h", "d", "wk", "mo", "a", "day"]), "count": st.integers(0, 20),
    "countMax": st.integers(0, 20), "duration": st.integers(-1, 60), "durationUnit": st.sampled_from(["min", "h", "x"]),
    "dayOfWeek": st.lists(st.sampled_from(["mon", "thu", "sun", "Mon"]), max_size=3),
    "timeOfDay": st.lists(st.sampled_from(["08:00:00", "20:30:00", "8:00"]), max_size=3),
    "when": st.lists(st.sampled_from(["ACM", "CV", "HS", "MORN", "NOON", "IC"]), max_size=3),
    "offset": st.integers(-1, 90),
    "boundsPeriod": st.fixed_dictionaries({"start": st.sampled_from(["2026-03-02", "2026-02-30", 1])}),
}  # fmt: skip
RATE = st.fixed_dictionaries(
    {"frequency": st.integers(1, 30), "period": st.integers(1, 60), "periodUnit": st.sampled_from(list(DAYS_IN))}
)
PARTS = st.fixed_dictionaries({}, optional=VALUES)


@given(st.one_of(PARTS, RATE, st.builds(lambda rate, parts: parts | rate, RATE, PARTS)))
def test_any_repeat_is_refused_or_its_mean_is_the_frequency_over_the_period_in_days(repeat: dict[str, Any]) -> None:
    try:
        read = read_repeat(**repeat)
    except FieldError:
        return
    assert render_timing(read)
    mean = read.mean_doses_per_day
    ranges = any(repeat.get(f"{key}Max", repeat.get(key)) != repeat.get(key) for key in ("frequency", "period"))
    if "period" not in repeat:
        daily = len(repeat.get("timeOfDay", ())) if "frequency" not in repeat else 0
        assert mean == (daily or None)
    elif ranges or repeat["periodUnit"] not in DAYS_IN:
        assert mean is None
    else:
        period_in_days = Fraction(repeat["period"]) * DAYS_IN[repeat["periodUnit"]]
        assert mean is not None
        assert mean * period_in_days == repeat.get("frequency", 1)


@given(st.one_of(RATE, st.builds(lambda rate, parts: parts | rate, RATE, PARTS), PARTS))
def test_a_schedule_of_any_repeat_gives_as_many_doses_in_a_week_as_the_repeat(repeat: dict[str, Any]) -> None:
    try:
        made = schedule(**repeat)
    except FieldError:
        return
    assert made.doses == (None if made.once else repeat.get("count"))
    assert made.once or (made.every or made.at or made.meals or made.on)
    mean = read_repeat(**repeat).mean_doses_per_day
    if made.once or mean is None or (made.every is not None and made.every.unit in ("month", "year")):
        return
    a_day = Fraction(len(made.at) + len(made.meals) or 1)
    if made.every is not None:
        week = 7 * a_day / Fraction(made.every.days or Fraction(made.every.minutes, 1440))
    else:
        week = a_day * (len(made.on) or 7)
    on_days = made.on and repeat.get("periodUnit") in ("d", None)
    assert week == mean * (len(made.on) if on_days else 7)


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.text(max_size=6) | st.floats(allow_nan=False, allow_infinity=False),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from([*KEYS, "repeat", "code", "x"]), inner),
    max_leaves=12,
)


@given(JSON)
def test_any_json_is_a_timing_or_a_refusal(value: object) -> None:
    document = read_json(json.dumps(value))
    for one in (document, {"repeat": document}, {"code": document}):
        assert words_or_refusal(partial(read_timing, one, "timing"))
