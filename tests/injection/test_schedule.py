"""The calendar that orders are counted by, and the timetables, steps and words of a schedule, as plain values.

Days and hours are worked by hand on the calendar. What the clocks of a place do is as the IANA time zone database has
it: Europe/London by its rule EU (2026-03-29 forward and 2026-10-25 back, both at 01:00 UTC), America/New_York by its
rule US (2026-03-08 forward at 02:00 EST, which is 07:00 UTC; 2026-11-01 back at 02:00 EDT, which is 06:00 UTC).
"""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest

from drawup.evidence.policies import load_policy, override
from drawup.injection.notation import parse_quantity
from drawup.injection.schedule import (
    EVERY_DAY,
    WEEKDAYS,
    DoseStep,
    Interval,
    Schedule,
    Timetable,
    add_interval,
    calendar_of,
    instant,
    month_end_words,
    step_at,
)

LONDON, NEW_YORK = ZoneInfo("Europe/London"), ZoneInfo("America/New_York")
MONDAY, THURSDAY = WEEKDAYS.index("monday"), WEEKDAYS.index("thursday")


def interval(text: str) -> Interval:
    count, unit = text.split()
    return Interval(count=int(count), unit=unit.removesuffix("s"))


def utc(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


def day(text: str) -> date:
    return date.fromisoformat(text)


# --- intervals


@pytest.mark.parametrize(
    ("text", "by_clock", "days"),
    [
        ("30 minutes", True, None),
        ("12 hours", True, None),
        ("1 day", False, 1),
        ("4 weeks", False, 28),
        ("2 months", False, None),
        ("1 year", False, None),
    ],
)
def test_minutes_and_hours_are_real_time_and_the_rest_is_the_calendar(
    text: str, by_clock: bool, days: int | None
) -> None:
    found = interval(text)
    assert (found.by_clock, found.days, found.text) == (by_clock, days, text)


@pytest.mark.parametrize(("text", "minutes"), [("1 minute", 1), ("90 minutes", 90), ("1 hour", 60), ("12 hours", 720)])
def test_real_time_is_told_in_minutes(text: str, minutes: int) -> None:
    assert interval(text).minutes == minutes


def test_hours_cannot_be_added_to_a_day() -> None:
    with pytest.raises(ValueError, match="24 hours is real time, and cannot be added to a day"):
        add_interval(day("2026-03-02"), interval("24 hours"), "rolls over")


@pytest.mark.parametrize(
    ("month_ends", "words"),
    [
        ("rolls over", " (there is no day 31 in that month: by the policy it goes over into the next month)"),
        ("clamps", " (there is no day 31 in that month: by the policy it is the last of its month)"),
    ],
)
def test_a_month_that_is_too_short_is_said_and_what_the_policy_makes_of_it(month_ends: str, words: str) -> None:
    assert load_policy("uk").month_ends == "rolls over"  # the preset's own, after the published vaccine rule
    changed = calendar_of(override(load_policy("uk"), {"month_ends": month_ends}), LONDON)
    assert month_end_words(day("2026-07-31"), interval("2 months"), changed) == words
    assert month_end_words(day("2026-07-30"), interval("2 months"), changed) == ""
    assert month_end_words(day("2026-07-31"), interval("8 weeks"), changed) == ""


# --- what the clock shows


@pytest.mark.parametrize(
    ("zone", "on", "clock", "moment"),
    [
        # Plain days, either side of the year.
        (LONDON, "2026-03-28", "08:00", "2026-03-28T08:00"),
        (LONDON, "2026-07-01", "08:00", "2026-07-01T07:00"),
        (NEW_YORK, "2026-03-07", "08:00", "2026-03-07T13:00"),
        (NEW_YORK, "2026-07-01", "08:00", "2026-07-01T12:00"),
        # London, forward: 00:59 is followed by 02:00.
        (LONDON, "2026-03-29", "00:59", "2026-03-29T00:59"),
        (LONDON, "2026-03-29", "01:00", "2026-03-29T01:00"),
        (LONDON, "2026-03-29", "01:30", "2026-03-29T01:30"),  # left out: it is then 02:30
        (LONDON, "2026-03-29", "02:00", "2026-03-29T01:00"),
        (LONDON, "2026-03-29", "08:00", "2026-03-29T07:00"),
        # London, back: the hour from 01:00 stands twice.
        (LONDON, "2026-10-25", "00:30", "2026-10-24T23:30"),
        (LONDON, "2026-10-25", "01:00", "2026-10-25T00:00"),
        (LONDON, "2026-10-25", "01:30", "2026-10-25T00:30"),  # the first of the two; the second is 01:30 UTC
        (LONDON, "2026-10-25", "02:00", "2026-10-25T02:00"),
        # New York, forward: 01:59 is followed by 03:00.
        (NEW_YORK, "2026-03-08", "01:59", "2026-03-08T06:59"),
        (NEW_YORK, "2026-03-08", "02:30", "2026-03-08T07:30"),  # left out: it is then 03:30
        (NEW_YORK, "2026-03-08", "03:00", "2026-03-08T07:00"),
        # New York, back: the hour from 01:00 stands twice.
        (NEW_YORK, "2026-11-01", "01:30", "2026-11-01T05:30"),  # the first of the two; the second is 06:30 UTC
        (NEW_YORK, "2026-11-01", "02:00", "2026-11-01T07:00"),
    ],
)
def test_a_time_of_day_is_what_the_places_clock_shows(zone: ZoneInfo, on: str, clock: str, moment: str) -> None:
    assert instant(day(on), time.fromisoformat(clock), zone) == utc(moment)


def test_a_time_that_is_left_out_is_shown_an_hour_later() -> None:
    in_london = instant(day("2026-03-29"), time(1, 30), LONDON).astimezone(LONDON)
    in_new_york = instant(day("2026-03-08"), time(2, 30), NEW_YORK).astimezone(NEW_YORK)
    assert (in_london.time(), in_new_york.time()) == (time(2, 30), time(3, 30))


@pytest.mark.parametrize(
    ("zone", "on", "hours"),
    [
        (LONDON, "2026-03-28", 24),
        (LONDON, "2026-03-29", 23),
        (LONDON, "2026-10-25", 25),
        (NEW_YORK, "2026-03-08", 23),
        (NEW_YORK, "2026-11-01", 25),
    ],
)
def test_a_day_is_as_long_as_its_clock_makes_it(zone: ZoneInfo, on: str, hours: int) -> None:
    begins, ends = (instant(day(on) + timedelta(days=more), time(0), zone) for more in (0, 1))
    assert ends - begins == timedelta(hours=hours)


# --- timetables


def table(start: str, every: Interval = EVERY_DAY, *times: str, on: tuple[int, ...] = ()) -> Timetable:
    return Timetable(
        start=day(start),
        zone=LONDON,
        month_ends="rolls over",
        every=every,
        times=tuple(time.fromisoformat(one) for one in times),
        weekdays=on,
    )


def moments(found: Timetable, count: int) -> list[str]:
    return [found.slot(index).moment.strftime("%Y-%m-%d %H:%M") for index in range(count)]


def days(found: Timetable, count: int) -> list[str]:
    return [found.slot(index).day.isoformat() for index in range(count)]


def test_times_of_day_come_each_day_and_move_with_the_clock() -> None:
    # 08:00 and 20:00 in London are 08:00 and 20:00 UTC until the clocks go forward, then an hour earlier in UTC.
    found = table("2026-03-28", EVERY_DAY, "08:00", "20:00")
    assert moments(found, 4) == ["2026-03-28 08:00", "2026-03-28 20:00", "2026-03-29 07:00", "2026-03-29 19:00"]


def test_times_of_day_on_every_second_day() -> None:
    found = table("2026-03-02", interval("2 days"), "08:00", "20:00")
    assert moments(found, 3) == ["2026-03-02 08:00", "2026-03-02 20:00", "2026-03-04 08:00"]


def test_hours_are_counted_in_real_time_from_the_first_moment() -> None:
    found = Timetable(
        start=day("2026-10-24"),
        zone=LONDON,
        month_ends="rolls over",
        every=interval("12 hours"),
        first=utc("2026-10-24T19:00"),
    )
    assert moments(found, 3) == ["2026-10-24 19:00", "2026-10-25 07:00", "2026-10-25 19:00"]
    # By the clock in London: 20:00 in summer time, then 07:00 and 19:00.
    assert [found.slot(index).moment.astimezone(LONDON).hour for index in range(3)] == [20, 7, 19]
    assert (found.floor(utc("2026-10-24T18:59")), found.floor(utc("2026-10-25T06:59"))) == (-1, 0)
    assert found.floor(utc("2026-10-25T07:00")) == 1


def test_weekdays_begin_with_the_first_of_them_on_or_after_the_start() -> None:
    # 2026-03-02 is a Monday, 2026-03-04 a Wednesday, 2026-03-05 and 2026-03-12 Thursdays.
    assert days(table("2026-03-04", on=(MONDAY, THURSDAY)), 4) == [
        "2026-03-05", "2026-03-09", "2026-03-12", "2026-03-16",
    ]  # fmt: skip
    assert days(table("2026-03-02", on=(MONDAY, THURSDAY)), 2) == ["2026-03-02", "2026-03-05"]
    assert days(table("2026-03-06", on=(MONDAY, THURSDAY)), 2) == ["2026-03-09", "2026-03-12"]


def test_months_are_counted_from_the_first_day_and_never_from_one_that_was_moved() -> None:
    # From 31 January: February has no such day, April and June have none.
    rolls = table("2026-01-31", interval("1 month"))
    assert days(rolls, 6) == ["2026-01-31", "2026-03-01", "2026-03-31", "2026-05-01", "2026-05-31", "2026-07-01"]
    clamps = Timetable(start=day("2026-01-31"), zone=LONDON, month_ends="clamps", every=interval("1 month"))
    assert days(clamps, 6) == ["2026-01-31", "2026-02-28", "2026-03-31", "2026-04-30", "2026-05-31", "2026-06-30"]


def test_a_year_after_29_february_is_there_again_only_in_a_leap_year() -> None:
    rolls = table("2024-02-29", interval("1 year"))
    assert days(rolls, 5) == ["2024-02-29", "2025-03-01", "2026-03-01", "2027-03-01", "2028-02-29"]


@pytest.mark.parametrize(
    ("moment", "index"),
    [
        ("2026-03-02T07:59", -1),
        ("2026-03-02T08:00", 0),
        ("2026-03-02T19:59", 0),
        ("2026-03-02T20:00", 1),
        ("2026-03-03T07:59", 1),
        ("2026-03-03T08:00", 2),
    ],
)
def test_the_last_place_that_is_not_after_a_moment(moment: str, index: int) -> None:
    assert table("2026-03-02", EVERY_DAY, "08:00", "20:00").floor(utc(moment)) == index


@pytest.mark.parametrize(
    ("moment", "index"),
    [
        # The second place lies 12 hours after the first, so half the way before it is 02:00.
        ("2026-03-02T01:59", -1),
        ("2026-03-02T02:00", 0),
        ("2026-03-02T13:59", 0),
        ("2026-03-02T14:00", 0),  # as near to 08:00 as to 20:00: the earlier of two
        ("2026-03-02T14:01", 1),
        ("2026-03-03T02:00", 1),
        ("2026-03-03T02:01", 2),
    ],
)
def test_a_dose_fills_the_place_nearest_to_it(moment: str, index: int) -> None:
    assert table("2026-03-02", EVERY_DAY, "08:00", "20:00").nearest(utc(moment)) == index


@pytest.mark.parametrize(
    ("on", "index"),
    [
        ("2026-02-22", -1),  # 8 days before the first of places 14 days apart
        ("2026-02-23", 0),  # 7 days: half the way
        ("2026-03-09", 0),  # as near to 2 as to 16 March: the earlier
        ("2026-03-10", 1),
        ("2026-03-23", 1),
        ("2026-03-24", 2),
    ],
)
def test_in_a_timetable_of_days_the_day_decides(on: str, index: int) -> None:
    assert table("2026-03-02", interval("2 weeks")).nearest_day(day(on)) == index


# --- the steps of a ladder


def steps(*rows: tuple[str, str | None]) -> tuple[DoseStep, ...]:
    """Steps as (amount, for): "2 doses", "4 weeks", or None for the last."""
    return tuple(
        DoseStep(
            amount=parse_quantity(amount).quantity,
            doses=int(lasts.split()[0]) if lasts is not None and lasts.endswith(("dose", "doses")) else None,
            lasts=interval(lasts) if lasts is not None and not lasts.endswith(("dose", "doses")) else None,
        )
        for amount, lasts in rows
    )


@pytest.mark.parametrize(("given", "number"), [(0, 1), (1, 1), (2, 2), (4, 2), (5, 3), (50, 3)])
def test_steps_by_doses_go_by_how_many_were_given(given: int, number: int) -> None:
    # 2 doses, then 3, then for ever: the first two of the order, the third to fifth, the sixth and on.
    ladder = steps(("150 mg", "2 doses"), ("100 mg", "3 doses"), ("75 mg", None))
    found, step = step_at(
        ladder, given=given, first=day("2026-01-05"), today=day("2026-03-02"), month_ends="rolls over"
    )
    assert (found, step) == (number, ladder[number - 1])


@pytest.mark.parametrize(
    ("today", "number"),
    [
        ("2026-01-05", 1),
        ("2026-02-01", 1),  # day 27 of the first 28
        ("2026-02-02", 2),
        ("2026-03-01", 2),  # 4 weeks end with 1 February, the month after them with 1 March
        ("2026-03-02", 3),
    ],
)
def test_steps_by_time_go_by_the_day_of_the_first_dose(today: str, number: int) -> None:
    ladder = steps(("2.5 mg", "4 weeks"), ("5 mg", "1 month"), ("10 mg", None))
    found, _ = step_at(ladder, given=1, first=day("2026-01-05"), today=day(today), month_ends="rolls over")
    assert found == number


# --- in words


@pytest.mark.parametrize(
    ("schedule", "words"),
    [
        (Schedule(), "once"),
        (Schedule(every=interval("4 weeks"), doses=5), "every 4 weeks, 5 doses"),
        (Schedule(every=interval("1 day")), "every day"),
        (Schedule(at=(time(8), time(20))), "every day at 08:00 and 20:00"),
        (Schedule(meals=("before breakfast", "before supper")), "every day before breakfast and before supper"),
        (Schedule(on=(MONDAY, THURSDAY)), "on Mondays and Thursdays"),
        (Schedule(on=(MONDAY,), at=(time(9),), doses=1), "on Mondays at 09:00, 1 dose"),
        (Schedule(when_needed=True), "when needed"),
        (
            Schedule(when_needed=True, least_interval=interval("4 hours"), most_doses=3),
            "when needed, at least 4 hours apart, at most 3 in 24 hours",
        ),
    ],
)
def test_a_schedule_is_told_in_plain_words(schedule: Schedule, words: str) -> None:
    assert schedule.words == words
