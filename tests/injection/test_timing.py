"""When the next dose of an order is due: every kind of schedule, its window, and what moves its clock.

The rules are those of docs/decisions/0007-when.md; days and hours are worked by hand on the calendar. What the clocks
of a place do is as the IANA time zone database has it: Europe/London by its rule EU (2026-03-29 forward and 2026-10-25
back, at 01:00 UTC), America/New_York by its rule US (2026-03-08 forward at 07:00 UTC, 2026-11-01 back at 06:00 UTC).
Orders, medicines and policies' own windows are invented; where a rule has no published source it is common practice.
"""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from drawup.exchange.request import read_request
from drawup.injection.lateness import outlook_of
from drawup.injection.plan import plan_injection
from drawup.injection.timing import Due, Outlook

Past = str | dict[str, Any]


def outlook(
    schedule: dict[str, Any],
    *past: Past,
    now: str,
    zone: str = "Europe/London",
    start: str | None = "2026-03-02",
    policy: dict[str, Any] | None = None,
    label: dict[str, Any] | None = None,
    medicine: dict[str, Any] | None = None,
    born: str | None = None,
    **order: Any,
) -> Outlook:
    """What comes next at a moment, of a public request. `past`: doses of velorin as moments, or as lines of history."""
    history = [{"medicine": "velorin", "at": one} if isinstance(one, str) else {"medicine": "velorin", **one}
               for one in past]  # fmt: skip
    read = read_request(
        {
            "format": 1,
            "now": now,
            "zone": zone,
            "policy": {"preset": "uk", **(policy or {})},
            "patient": {} if born is None else {"born": born},
            "order": {"medicine": "velorin", "schedule": schedule, **order}
            | ({} if start is None else {"start": start}),
            "medicine": {
                "name": "velorin",
                "presentations": [{"strength": "50 mg/mL"}],
                **(medicine or {}),
                **({} if label is None else {"timing": label}),
            },
            "history": history,
        }
    )
    found = outlook_of(read.request, read.policy)
    assert found is not None
    return found


def due(schedule: dict[str, Any], *past: Past, now: str, **rest: Any) -> Due:
    found = outlook(schedule, *past, now=now, **rest)
    assert found.due is not None, found.ended
    return found.due


def ended(schedule: dict[str, Any], *past: Past, now: str, **rest: Any) -> str:
    found = outlook(schedule, *past, now=now, **rest)
    assert found.due is None
    return found.ended


def utc(moment: datetime | None) -> str | None:
    """A moment in UTC to the minute; the last microsecond of a window that ends with its minute is left out."""
    return None if moment is None else moment.astimezone(UTC).strftime("%Y-%m-%d %H:%M")


def window(one: Due, zone: str = "Europe/London") -> tuple[str, str, str | None]:
    """The planned day, and the first and the last day on which it is given plainly, by the place's calendar."""
    last = one.last_day(ZoneInfo(zone))
    return (
        one.day.isoformat(),
        one.opens.astimezone(ZoneInfo(zone)).date().isoformat(),
        None if last is None else last.isoformat(),
    )


def state(one: Due, moment: str) -> str:
    return one.state(datetime.fromisoformat(moment))


MORNING = "2026-03-02T09:00:00+00:00"


# --- what is not known, and what is not said


def test_an_order_without_times_has_nothing_that_comes_next() -> None:
    read = read_request(
        {
            "format": 1,
            "now": MORNING,
            "patient": {},
            "order": {"medicine": "velorin", "start": "2026-03-02", "times": ["with the ward round"]},
            "medicine": {"name": "velorin", "presentations": [{"strength": "50 mg/mL"}]},
            "history": [],
        }
    )
    assert outlook_of(read.request, read.policy) is None


def test_where_earlier_doses_were_not_asked_about_the_first_dose_is_counted_and_they_are_asked_for() -> None:
    read = read_request(
        {
            "format": 1,
            "now": MORNING,
            "patient": {},
            "order": {"medicine": "velorin", "start": "2026-03-02", "times": ["every 4 weeks"]},
            "medicine": {"name": "velorin", "presentations": [{"strength": "50 mg/mL"}]},
        }
    )
    found = outlook_of(read.request, read.policy)
    assert found is not None
    assert found.due is not None
    assert found.due.day == date(2026, 3, 2)
    plan = plan_injection(read.request, policy=read.policy, tables=read.tables)
    (asked,) = [one for one in plan.findings if one.code == "history-not-asked"]
    assert asked.do == "Ask when it was last given, here or elsewhere."


def test_a_baby_too_young_is_told_so_though_nobody_asked_about_earlier_doses() -> None:
    read = read_request(
        {
            "format": 1,
            "now": MORNING,
            "patient": {"born": "2026-02-15"},
            "order": {
                "medicine": "velorin",
                "start": "2026-03-02",
                "schedule": {"series": [{"least_age": "6 weeks"}]},
            },
            "medicine": {"name": "velorin", "presentations": [{"strength": "50 mg/mL"}]},
        }
    )
    plan = plan_injection(read.request, policy=read.policy, tables=read.tables)
    assert "series-too-early" in [one.code for one in plan.findings]


def test_without_a_start_nothing_can_be_counted_from() -> None:
    assert ended({"every": "4 weeks"}, now=MORNING, start=None) == "the order has no start"


# --- once


def test_a_dose_ordered_once_is_for_the_first_day_of_the_order() -> None:
    one = due({"once": True}, now=MORNING)
    assert window(one) == ("2026-03-02", "2026-03-02", "2026-03-02")
    assert one.because == "ordered once, from 2026-03-02"
    assert [state(one, f"2026-03-0{on}T12:00:00+00:00") for on in (1, 2, 3)] == ["early", "due", "late"]


def test_a_dose_ordered_once_stays_due_until_the_orders_last_day_ends() -> None:
    one = due({"once": True}, now=MORNING, stop="2026-03-06")
    assert window(one) == ("2026-03-02", "2026-03-02", "2026-03-06")
    # The order's own words go before it.
    assert window(due({"once": True, "late": "1 day"}, now=MORNING, stop="2026-03-06"))[2] == "2026-03-03"


def test_a_dose_ordered_once_for_a_moment_has_the_policys_window_round_it() -> None:
    one = due({"once": True, "first": "2026-03-02T14:00:00+00:00"}, now=MORNING)
    assert [utc(moment) for moment in (one.opens, one.planned, one.closes)] == [
        "2026-03-02 13:00", "2026-03-02 14:00", "2026-03-02 15:00",
    ]  # fmt: skip


@pytest.mark.parametrize("given", ["2026-03-02T10:00:00+00:00", "2026-03-03T10:00:00+00:00"])
def test_a_dose_ordered_once_is_given_once(given: str) -> None:
    words = ended({"once": True}, given, now="2026-03-04T09:00:00+00:00")
    assert words == f"given on {given[:10]}, and ordered once"


def test_a_dose_given_before_the_order_began_does_not_fill_it() -> None:
    assert due({"once": True}, "2026-03-01T10:00:00+00:00", now=MORNING).day.isoformat() == "2026-03-02"


# --- every so long, from the date given


def test_before_any_dose_it_is_planned_for_the_start() -> None:
    one = due({"every": "4 weeks"}, now=MORNING)
    assert window(one) == ("2026-03-02", "2026-03-02", "2026-03-02")
    assert one.because == "the first dose, from 2026-03-02"
    assert one.after is not None
    assert one.after.isoformat() == "2026-03-30"


def test_days_and_weeks_are_counted_from_the_day_of_the_last_dose_whatever_its_hour() -> None:
    for at in ("00:05", "12:00", "23:55"):
        one = due({"every": "4 weeks"}, f"2026-03-02T{at}:00+00:00", now="2026-03-10T09:00:00+00:00")
        assert window(one) == ("2026-03-30", "2026-03-30", "2026-03-30")
        assert one.because == "4 weeks after 2026-03-02, when it was last given"


@pytest.mark.parametrize(
    ("moment", "expected"),
    [
        # The whole of 30 March at the place, which is in summer time: from 23:00 UTC the evening before.
        ("2026-03-29T22:59:00+00:00", "early"),
        ("2026-03-29T23:00:00+00:00", "due"),
        ("2026-03-30T22:59:00+00:00", "due"),
        ("2026-03-30T23:00:00+00:00", "late"),
    ],
)
def test_a_planned_day_begins_and_ends_at_the_places_midnight(moment: str, expected: str) -> None:
    assert state(due({"every": "4 weeks"}, "2026-03-02T10:00:00+00:00", now="2026-03-10T09:00:00+00:00"), moment) == (
        expected
    )


def test_hours_are_counted_from_the_moment_of_the_last_dose() -> None:
    one = due({"every": "12 hours"}, "2026-03-02T08:40:00+00:00", now=MORNING)
    assert [utc(moment) for moment in (one.opens, one.planned, one.closes)] == [
        "2026-03-02 19:40", "2026-03-02 20:40", "2026-03-02 21:40",
    ]  # fmt: skip
    assert one.because == "12 hours after 2026-03-02 08:40, when it was last given"


def test_months_from_the_last_dose_follow_the_policy_for_month_ends_and_say_so() -> None:
    def from_the_31st(month_ends: str) -> tuple[str, str]:
        one = due(
            {"every": "1 month"}, "2026-01-31T10:00:00+00:00", now=MORNING, start="2026-01-31",
            policy={"month_ends": month_ends},
        )  # fmt: skip
        return one.day.isoformat(), one.because

    # 2026 is no leap year: after 28 February comes 1 March.
    assert from_the_31st("rolls over") == (
        "2026-03-01",
        "1 month after 2026-01-31, when it was last given (there is no day 31 in that month: by the policy it goes "
        "over into the next month)",
    )
    assert from_the_31st("clamps") == (
        "2026-02-28",
        "1 month after 2026-01-31, when it was last given (there is no day 31 in that month: by the policy it is the "
        "last of its month)",
    )


def test_two_months_after_31_july_are_1_october_or_30_september() -> None:
    # Rolling over: CDC, Calculating Dates quick guide, rule CALCDT-5.
    for month_ends, expected in (("rolls over", "2026-10-01"), ("clamps", "2026-09-30")):
        one = due(
            {"every": "2 months"}, "2026-07-31T10:00:00+00:00", now="2026-08-03T09:00:00+00:00", start="2026-07-31",
            policy={"month_ends": month_ends},
        )  # fmt: skip
        assert one.day.isoformat() == expected


def test_a_time_of_day_may_stand_beside_the_interval_and_the_clock_shows_it() -> None:
    one = due({"every": "4 weeks", "at": ["09:00"], "counts_from": "given"}, "2026-03-04T16:00:00+00:00",
              now="2026-03-10T09:00:00+00:00")  # fmt: skip
    # 28 days after 4 March is 1 April, in summer time: 09:00 there is 08:00 UTC.
    assert utc(one.planned) == "2026-04-01 08:00"


def test_the_interval_alone_counts_from_the_date_given_and_a_time_of_day_beside_it_from_the_plan() -> None:
    late = ("2026-03-02T09:00:00+00:00", "2026-03-18T09:00:00+00:00")  # the second two days late
    now = "2026-03-19T09:00:00+00:00"
    assert due({"every": "2 weeks"}, *late, now=now).day.isoformat() == "2026-04-01"
    assert due({"every": "2 weeks", "at": ["09:00"]}, *late, now=now).day.isoformat() == "2026-03-30"


def test_the_label_may_say_from_what_it_counts_and_the_order_goes_before_it() -> None:
    late = ("2026-03-02T09:00:00+00:00", "2026-03-18T09:00:00+00:00")
    now = "2026-03-19T09:00:00+00:00"
    planned = {"counts_from": "planned"}
    assert due({"every": "2 weeks"}, *late, now=now, label=planned).day.isoformat() == "2026-03-30"
    one = due({"every": "2 weeks", "counts_from": "given"}, *late, now=now, label=planned)
    assert one.day.isoformat() == "2026-04-01"


def test_a_late_dose_is_never_replaced_by_a_later_one() -> None:
    one = due({"every": "1 week"}, "2026-03-02T09:00:00+00:00", now="2026-04-20T09:00:00+00:00")
    assert (one.day.isoformat(), one.passed_count) == ("2026-03-09", 0)
    assert state(one, "2026-04-20T09:00:00+00:00") == "late"


# --- the changes of the clock


@pytest.mark.parametrize(
    ("zone", "given", "planned"),
    [
        # 20:00 by the clock, and 12 real hours later: 09:00 in spring, 07:00 in autumn.
        ("Europe/London", "2026-03-28T20:00:00+00:00", "2026-03-29 08:00"),
        ("Europe/London", "2026-10-24T20:00:00+01:00", "2026-10-25 07:00"),
        ("America/New_York", "2026-03-07T20:00:00-05:00", "2026-03-08 13:00"),
        ("America/New_York", "2026-10-31T20:00:00-04:00", "2026-11-01 12:00"),
    ],
)
def test_twelve_hours_are_twelve_real_hours_over_a_change_of_the_clock(zone: str, given: str, planned: str) -> None:
    one = due({"every": "12 hours"}, given, now=given, zone=zone, start=given[:10])
    assert utc(one.planned) == planned


@pytest.mark.parametrize(
    ("zone", "given", "planned"),
    [
        # 08:00 on the day after, by the clock that was changed in the night: 23 or 25 hours later.
        ("Europe/London", "2026-03-28T08:00:00+00:00", "2026-03-29 07:00"),
        ("Europe/London", "2026-10-24T08:00:00+01:00", "2026-10-25 08:00"),
        ("America/New_York", "2026-03-07T08:00:00-05:00", "2026-03-08 12:00"),
        ("America/New_York", "2026-10-31T08:00:00-04:00", "2026-11-01 13:00"),
    ],
)
def test_a_time_of_day_is_what_the_clock_shows_over_a_change(zone: str, given: str, planned: str) -> None:
    one = due({"at": ["08:00"]}, given, now=given, zone=zone, start=given[:10])
    assert utc(one.planned) == planned


@pytest.mark.parametrize(
    ("zone", "given", "hours", "begins", "ends"),
    [
        ("Europe/London", "2026-03-28T09:00:00+00:00", 23, "2026-03-29 00:00", "2026-03-29 23:00"),
        ("Europe/London", "2026-10-24T09:00:00+01:00", 25, "2026-10-24 23:00", "2026-10-26 00:00"),
        ("America/New_York", "2026-03-07T09:00:00-05:00", 23, "2026-03-08 05:00", "2026-03-09 04:00"),
        ("America/New_York", "2026-10-31T09:00:00-04:00", 25, "2026-11-01 04:00", "2026-11-02 05:00"),
    ],
)
def test_one_day_is_the_next_day_and_24_hours_are_24_hours(
    zone: str, given: str, hours: int, begins: str, ends: str
) -> None:
    one = due({"every": "1 day"}, given, now=given, zone=zone, start=given[:10])
    assert (utc(one.opens), utc(one.closes)) == (begins, ends)
    assert one.closes is not None
    assert (one.closes - one.opens).total_seconds() == hours * 3600
    by_clock = due({"every": "24 hours"}, given, now=given, zone=zone, start=given[:10])
    assert (by_clock.planned - datetime.fromisoformat(given)).total_seconds() == 24 * 3600


@pytest.mark.parametrize(
    ("zone", "on", "clock", "planned"),
    [
        # A time that the clock leaves out: as long after midnight as it would have been.
        ("Europe/London", "2026-03-29", "01:30", "2026-03-29 01:30"),  # 02:30 by the clock
        ("America/New_York", "2026-03-08", "02:30", "2026-03-08 07:30"),  # 03:30 by the clock
        # A time that it shows twice: the first of the two.
        ("Europe/London", "2026-10-25", "01:30", "2026-10-25 00:30"),
        ("America/New_York", "2026-11-01", "01:30", "2026-11-01 05:30"),
    ],
)
def test_a_time_that_is_left_out_or_stands_twice_is_one_moment(zone: str, on: str, clock: str, planned: str) -> None:
    one = due({"at": [clock]}, now=f"{on}T00:30:00+00:00", zone=zone, start=on)
    assert utc(one.planned) == planned


def test_the_second_of_two_equal_times_fills_the_same_place() -> None:
    # Given at 01:30 UTC, the second 01:30 of the clock, an hour late: next is the day after, in winter time.
    one = due({"at": ["01:30"]}, "2026-10-25T01:30:00+00:00", now="2026-10-25T02:00:00+00:00", start="2026-10-25")
    assert utc(one.planned) == "2026-10-26 01:30"


# --- a patient who goes elsewhere


def test_hours_are_the_same_wherever_they_end() -> None:
    given = "2026-03-02T08:00:00+00:00"
    moments = {
        utc(due({"every": "12 hours"}, given, now=given, zone=zone).planned)
        for zone in ("Europe/London", "America/New_York", "Pacific/Auckland")
    }
    assert moments == {"2026-03-02 20:00"}


def test_a_time_of_day_is_that_of_the_place_where_the_patient_is_now() -> None:
    # The last one in London at 08:00; from then on in New York, where 08:00 in winter time is 13:00 UTC.
    given = "2026-03-02T08:00:00+00:00"
    assert utc(due({"at": ["08:00"]}, given, now=given, zone="America/New_York").planned) == "2026-03-03 13:00"


def test_the_day_of_a_dose_is_the_day_where_it_was_given() -> None:
    # Auckland is 13 hours ahead in March: 3 March 08:00 there is 2 March 19:00 in London.
    one = due({"every": "4 weeks"}, "2026-03-03T08:00:00+13:00", now="2026-03-10T09:00:00+00:00")
    assert one.day.isoformat() == "2026-03-31"
    there = due({"every": "4 weeks"}, "2026-03-02T19:00:00+00:00", now="2026-03-10T09:00:00+00:00")
    assert there.day.isoformat() == "2026-03-30"


def test_a_dose_that_was_planned_for_a_day_stays_that_days_elsewhere() -> None:
    # Planned for 3 March in Auckland, whose midnight is still 2 March in London: it fills 3 March, and next is the 4th.
    past = {"at": "2026-03-03T18:10:00+13:00", "planned": "2026-03-03T00:00:00+13:00"}
    one = due({"every": "1 day", "counts_from": "planned"}, past, now="2026-03-03T09:00:00+00:00", start="2026-03-01")
    assert (one.day.isoformat(), one.passed_count) == ("2026-03-04", 0)


# --- what counts


def test_a_refusal_does_not_move_the_clock() -> None:
    # Common practice, and the story of scenario 9: refused, still due.
    refused = {"at": "2026-03-02T10:10:00+00:00", "kind": "not given"}
    one = due({"every": "4 weeks"}, "2026-02-02T10:00:00+00:00", refused, now="2026-03-02T11:00:00+00:00",
              start="2026-02-02")  # fmt: skip
    assert one.day.isoformat() == "2026-03-02"
    assert state(one, "2026-03-02T16:30:00+00:00") == "due"


@pytest.mark.parametrize("kind", ["given", "part given", "reported"])
def test_what_is_in_the_body_moves_it(kind: str) -> None:
    past = {"at": "2026-03-02T10:10:00+00:00", "kind": kind}
    one = due({"every": "4 weeks"}, "2026-02-02T10:00:00+00:00", past, now="2026-03-02T11:00:00+00:00",
              start="2026-02-02")  # fmt: skip
    assert one.day.isoformat() == "2026-03-30"


def test_a_dose_on_another_open_order_of_the_same_medicine_moves_no_clock_but_that_ones() -> None:
    past = {"at": "2026-03-16T10:00:00+00:00", "another_order": True}
    one = due({"every": "4 weeks"}, "2026-03-02T10:00:00+00:00", past, now="2026-03-17T09:00:00+00:00")
    assert one.day.isoformat() == "2026-03-30"


def test_another_medicine_moves_nothing_and_the_same_one_in_other_letters_does() -> None:
    for name, expected in (("velorin depot", "2026-03-30"), (" VELORIN ", "2026-04-13")):
        past = {"medicine": name, "at": "2026-03-16T10:00:00+00:00"}
        one = due({"every": "4 weeks"}, "2026-03-02T10:00:00+00:00", past, now="2026-03-17T09:00:00+00:00")
        assert one.day.isoformat() == expected, name


def test_a_dose_that_was_written_later_counts_from_when_it_was() -> None:
    # The lines of a history stand in any order.
    one = due({"every": "4 weeks"}, "2026-03-30T10:00:00+01:00", "2026-03-02T10:00:00+00:00",
              now="2026-03-31T09:00:00+00:00")  # fmt: skip
    assert one.day.isoformat() == "2026-04-27"


# --- the start, a number of doses, the last day, a stop


def test_a_dose_before_the_start_counts_for_the_clock_and_not_for_the_number() -> None:
    one = due({"every": "4 weeks", "doses": 3}, "2026-02-16T10:00:00+00:00", now=MORNING)
    assert (one.day.isoformat(), one.number) == ("2026-03-16", 1)


def test_nothing_is_planned_before_the_start() -> None:
    one = due({"every": "4 weeks"}, "2026-01-05T10:00:00+00:00", now="2026-02-20T09:00:00+00:00")
    assert (one.day.isoformat(), one.because) == ("2026-03-02", "from the start of the order, 2026-03-02")


def test_a_number_of_doses_ends_the_order_when_so_many_have_counted() -> None:
    schedule = {"every": "1 week", "doses": 3}
    given = ["2026-03-02T10:00:00+00:00", "2026-03-09T10:00:00+00:00", "2026-03-16T10:00:00+00:00"]
    now = "2026-03-16T11:00:00+00:00"
    assert due(schedule, *given[:2], now=now).number == 3
    assert due(schedule, *given[:2], now=now).after is None  # the last one has none after it
    assert ended(schedule, *given, now=now) == "all 3 doses were given"


def test_a_dose_given_twice_for_one_planned_moment_fills_one_of_the_number() -> None:
    planned = "2026-03-02T00:00:00+00:00"
    twice = ({"at": "2026-03-02T10:00:00+00:00", "planned": planned},
             {"at": "2026-03-02T10:05:00+00:00", "planned": planned})  # fmt: skip
    one = due({"every": "1 week", "doses": 2}, *twice, now="2026-03-03T09:00:00+00:00")
    assert (one.number, one.day.isoformat()) == (2, "2026-03-09")
    # In a timetable each place counts once, whatever was written with it.
    in_places = due({"at": ["08:00"], "doses": 2}, "2026-03-02T08:00:00+00:00", "2026-03-02T08:05:00+00:00",
                    now="2026-03-02T09:00:00+00:00")  # fmt: skip
    assert (in_places.number, utc(in_places.planned)) == (2, "2026-03-03 08:00")


@pytest.mark.parametrize(
    ("stop", "words"),
    [
        ("2026-03-31", None),
        ("2026-03-30", None),  # the planned day itself
        ("2026-03-29", "the order ends on 2026-03-29, before the next dose on 2026-03-30"),
    ],
)
def test_a_dose_planned_for_after_the_last_day_is_not_due(stop: str, words: str | None) -> None:
    found = outlook({"every": "4 weeks"}, "2026-03-02T10:00:00+00:00", now="2026-03-10T09:00:00+00:00", stop=stop)
    assert (found.ended or None) == words


@pytest.mark.parametrize(
    ("now", "words"), [("2026-03-06T22:00:00+00:00", ""), ("2026-03-07T00:00:00+00:00", "ended on 2026-03-06")]
)
def test_after_the_last_day_nothing_is_due(now: str, words: str) -> None:
    assert outlook({"at": ["08:00"]}, now=now, stop="2026-03-06").ended == words


@pytest.mark.parametrize(
    ("now", "words"),
    [
        # Stopped from 6 March on: the last day is the 5th.
        ("2026-03-05T07:30:00+00:00", ""),
        ("2026-03-06T07:30:00+00:00", "stopped on 2026-03-06"),
    ],
)
def test_an_order_that_is_stopped_is_due_until_the_day_before(now: str, words: str) -> None:
    assert outlook({"at": ["08:00"]}, now=now, stopped="2026-03-06").ended == words


@pytest.mark.parametrize(("stop", "stopped"), [("2026-03-31", "2026-03-06"), ("2026-03-05", "2026-03-31")])
def test_the_earlier_of_the_last_day_and_a_stop_ends_an_order(stop: str, stopped: str) -> None:
    words = ended({"every": "1 week"}, "2026-02-27T10:00:00+00:00", now=MORNING, start="2026-02-27", stop=stop,
                  stopped=stopped)  # fmt: skip
    assert words == "the order ends on 2026-03-05, before the next dose on 2026-03-06"


def test_a_dose_on_the_day_from_which_it_is_stopped_is_not_due() -> None:
    words = ended({"every": "1 week"}, "2026-02-27T10:00:00+00:00", now=MORNING, start="2026-02-27",
                  stopped="2026-03-06")  # fmt: skip
    assert words == "the order ends on 2026-03-05, before the next dose on 2026-03-06"


# --- windows


def test_the_policys_window_is_round_a_time_of_day_and_its_last_minute_is_still_due() -> None:
    one = due({"at": ["08:00"]}, now=MORNING, policy={"dose_window_minutes": 30})
    expected = {"07:29": "early", "07:30": "due", "08:00": "due", "08:30": "due", "08:31": "late"}
    assert {clock: state(one, f"2026-03-02T{clock}:00+00:00") for clock in expected} == expected


def test_the_label_goes_before_the_policy_and_the_order_before_both() -> None:
    label = {"early": "2 hours", "late": "3 hours"}
    by_label = due({"at": ["12:00"]}, now=MORNING, label=label)
    assert (utc(by_label.opens), utc(by_label.closes)) == ("2026-03-02 10:00", "2026-03-02 15:00")
    by_order = due({"at": ["12:00"], "early": "15 minutes"}, now=MORNING, label=label)
    assert (utc(by_order.opens), utc(by_order.closes)) == ("2026-03-02 11:45", "2026-03-02 15:00")


def test_a_window_of_days_is_whole_days_on_both_sides() -> None:
    one = due({"every": "4 weeks", "early": "3 days", "late": "3 days"}, "2026-02-02T10:00:00+00:00", now=MORNING,
              start="2026-02-02")  # fmt: skip
    assert window(one) == ("2026-03-02", "2026-02-27", "2026-03-05")
    expected = {
        "2026-02-26T23:59": "early", "2026-02-27T00:00": "due", "2026-03-05T23:59": "due", "2026-03-06T00:00": "late",
    }  # fmt: skip
    assert {at: state(one, f"{at}:00+00:00") for at in expected} == expected


def test_a_window_of_weeks_over_the_change_of_the_clock_still_begins_and_ends_at_midnight() -> None:
    # Planned for 6 April 2026, in summer time; ten days earlier it is still winter time.
    one = due({"every": "4 weeks", "early": "10 days", "late": "1 week"}, "2026-03-09T10:00:00+00:00",
              now="2026-03-10T09:00:00+00:00", start="2026-03-09")  # fmt: skip
    assert (utc(one.opens), utc(one.closes)) == ("2026-03-27 00:00", "2026-04-13 23:00")


def test_hours_in_a_schedule_of_days_count_from_the_beginning_and_from_the_end_of_the_day() -> None:
    one = due({"every": "4 weeks", "early": "6 hours", "late": "6 hours"}, "2026-02-02T10:00:00+00:00", now=MORNING,
              start="2026-02-02")  # fmt: skip
    assert (utc(one.opens), utc(one.closes)) == ("2026-03-01 18:00", "2026-03-03 06:00")


def test_a_dose_never_opens_nearer_to_the_dose_before_than_to_itself() -> None:
    # 08:00 and 09:30: the middle is 08:45, later than an hour before 09:30.
    second = due({"at": ["08:00", "09:30"]}, "2026-03-02T08:00:00+00:00", now="2026-03-02T08:10:00+00:00")
    assert (utc(second.opens), utc(second.planned)) == ("2026-03-02 08:45", "2026-03-02 09:30")
    # Every 14 days from the date given: not more than 7 days early, whatever the window says.
    depot = due({"every": "14 days", "early": "10 days"}, "2026-03-02T10:00:00+00:00", now="2026-03-03T09:00:00+00:00")
    assert window(depot)[:2] == ("2026-03-16", "2026-03-09")
    # Every 40 minutes, with the policy's 60: not before the middle.
    often = due({"every": "40 minutes"}, "2026-03-02T09:00:00+00:00", now=MORNING)
    assert (utc(often.opens), utc(often.planned)) == ("2026-03-02 09:20", "2026-03-02 09:40")


def test_missed_comes_after_late_and_never_before_its_time() -> None:
    one = due({"every": "4 weeks", "late": "3 days", "missed_after": "2 weeks"}, "2026-02-02T10:00:00+00:00",
              now=MORNING, start="2026-02-02")  # fmt: skip
    # Planned for 2 March: plain until 5 March, late until 16 March ends, missed from then on.
    expected = {
        "2026-03-05T23:59": "due", "2026-03-06T00:00": "late", "2026-03-16T23:59": "late", "2026-03-17T00:00": "missed",
    }  # fmt: skip
    assert {at: state(one, f"{at}:00+00:00") for at in expected} == expected


def test_missed_in_hours_counts_from_the_planned_moment_and_its_last_minute_is_late() -> None:
    one = due({"every": "12 hours", "missed_after": "4 hours"}, "2026-03-02T08:00:00+00:00", now=MORNING)
    expected = {"21:00": "due", "21:01": "late", "23:59": "late"}
    assert {clock: state(one, f"2026-03-02T{clock}:00+00:00") for clock in expected} == expected
    assert state(one, "2026-03-03T00:00:00+00:00") == "late"
    assert state(one, "2026-03-03T00:01:00+00:00") == "missed"


# --- a timetable


def test_a_timetable_stays_where_it_is_when_a_dose_was_late() -> None:
    one = due({"every": "2 weeks", "counts_from": "planned"}, "2026-03-04T09:00:00+00:00",
              now="2026-03-05T09:00:00+00:00")  # fmt: skip
    assert (one.day.isoformat(), one.because) == ("2026-03-16", "every 2 weeks")


@pytest.mark.parametrize(
    ("given", "next_one"),
    [
        ("2026-03-09", "2026-03-16"),  # as near to 2 as to 16 March: it fills the earlier
        ("2026-03-10", "2026-03-30"),  # nearer to 16 March: that one is filled
        ("2026-02-23", "2026-03-16"),  # half the way before the first place: it fills that one
        ("2026-02-22", "2026-03-02"),  # further before it: it fills none
    ],
)
def test_a_dose_fills_the_place_nearest_to_its_day(given: str, next_one: str) -> None:
    one = due({"every": "2 weeks", "counts_from": "planned"}, f"{given}T09:00:00+00:00",
              now="2026-03-10T10:00:00+00:00")  # fmt: skip
    # Where nothing was filled on 10 March the first place is still open, and late.
    assert one.day.isoformat() == next_one


def test_a_dose_fills_the_place_that_it_was_planned_for_where_that_is_written() -> None:
    late = {"at": "2026-03-10T09:00:00+00:00", "planned": "2026-03-02T00:00:00+00:00"}
    one = due({"every": "2 weeks", "counts_from": "planned"}, late, now="2026-03-10T10:00:00+00:00")
    assert one.day.isoformat() == "2026-03-16"


def test_hours_from_the_plan_begin_with_the_first_moment() -> None:
    schedule = {"every": "8 hours", "counts_from": "planned", "first": "2026-03-02T06:00:00+00:00"}
    one = due(schedule, "2026-03-02T07:30:00+00:00", now=MORNING)
    assert utc(one.planned) == "2026-03-02 14:00"  # 06:00 and 8 hours, though it was given at 07:30


def test_weekdays_come_as_they_stand_in_the_week() -> None:
    # 2 March 2026 is a Monday.
    schedule = {"on": ["monday", "thursday"], "at": ["09:00"]}
    one = due(schedule, "2026-03-02T09:00:00+00:00", now="2026-03-02T10:00:00+00:00")
    assert (utc(one.planned), one.because) == ("2026-03-05 09:00", "on Mondays and Thursdays at 09:00")
    assert one.after is not None
    assert one.after.isoformat() == "2026-03-09"


def test_months_of_a_timetable_are_counted_from_its_first_day_and_the_month_end_is_named() -> None:
    schedule = {"every": "1 month", "counts_from": "planned"}
    for month_ends, day, words in (
        ("rolls over", "2026-05-01", "goes over into the next month"),
        ("clamps", "2026-04-30", "is the last of its month"),
    ):
        # The fourth place after 31 January: three months on is 30 April, which has no 31.
        one = due(schedule, "2026-03-31T09:00:00+01:00", now="2026-04-01T09:00:00+01:00", start="2026-01-31",
                  policy={"month_ends": month_ends})  # fmt: skip
        assert one.day.isoformat() == day
        assert one.because == f"every 1 month (there is no day 31 in that month: by the policy it {words})"


def test_what_went_by_since_the_last_dose_is_counted_and_the_newest_come_first() -> None:
    # 08:00 and 20:00; the last on 2 March at 08:00; now 4 March at 08:30. 20:00 on the 2nd, both of the 3rd.
    one = due({"at": ["08:00", "20:00"]}, "2026-03-02T08:00:00+00:00", now="2026-03-04T08:30:00+00:00")
    assert utc(one.planned) == "2026-03-04 08:00"
    assert one.passed_count == 3
    assert [utc(moment) for moment in one.passed] == ["2026-03-03 20:00", "2026-03-03 08:00", "2026-03-02 20:00"]


def test_only_the_newest_five_of_many_are_shown_and_all_are_counted() -> None:
    one = due({"at": ["08:00"]}, "2026-03-02T08:00:00+00:00", now="2026-03-12T08:30:00+00:00")
    # From the 3rd to the 11th.
    assert (one.passed_count, len(one.passed)) == (9, 5)
    assert utc(one.passed[0]) == "2026-03-11 08:00"


def test_a_place_is_missed_at_the_latest_when_the_next_one_opens() -> None:
    # Daily at 08:00, an hour round it: the next one opens at 07:00.
    asked = {now: utc(due({"at": ["08:00"]}, now=f"2026-03-03T{now}:00+00:00").planned) for now in ("06:59", "07:00")}
    assert asked == {"06:59": "2026-03-02 08:00", "07:00": "2026-03-03 08:00"}


def test_no_place_stays_due_when_the_next_one_opens() -> None:
    one = due({"at": ["08:00", "09:30"], "late": "4 hours"}, now="2026-03-02T08:10:00+00:00")
    assert utc(one.closes) == utc(one.missed_from) == "2026-03-02 08:45"


def test_the_last_place_of_an_order_stays_and_is_missed() -> None:
    # Ends on 2 March. The place of 3 March would open 12 hours early, at 20:00, and lies after the last day.
    schedule = {"at": ["08:00"], "early": "12 hours"}
    one = due(schedule, now="2026-03-02T21:00:00+00:00", stop="2026-03-02")
    assert utc(one.planned) == "2026-03-02 08:00"
    assert state(one, "2026-03-02T21:00:00+00:00") == "missed"
    # Given for that place, it is over: what comes next lies after the last day.
    late = {"at": "2026-03-02T21:30:00+00:00", "planned": "2026-03-02T08:00:00+00:00"}
    given = ended(schedule, late, now="2026-03-02T22:00:00+00:00", stop="2026-03-02")
    assert given == "the order ends on 2026-03-02, before the next dose on 2026-03-03"


def test_what_comes_next_holds_until_the_clock_alone_changes_it() -> None:
    by_timetable = outlook({"at": ["08:00"]}, now=MORNING)
    assert utc(by_timetable.holds_until) == "2026-03-03 07:00"  # when the next one opens
    assert outlook({"every": "4 weeks"}, now=MORNING).holds_until is None
    until_the_end = outlook({"every": "4 weeks"}, now=MORNING, stop="2026-03-05")
    assert utc(until_the_end.holds_until) == "2026-03-06 00:00"


# --- meals


def test_meals_are_the_policys_times_of_day() -> None:
    schedule = {"meals": ["before breakfast", "before supper"]}
    breakfast = due(schedule, now="2026-03-02T07:30:00+00:00")
    assert utc(breakfast.planned) == "2026-03-02 08:00"  # the uk preset's own
    supper = due(schedule, "2026-03-02T08:00:00+00:00", now=MORNING)
    assert utc(supper.planned) == "2026-03-02 18:00"
    later = {"meal_times": [{"meal": "breakfast", "at": "09:30"}, {"meal": "supper", "at": "20:15"}]}
    assert utc(due(schedule, now="2026-03-02T07:30:00+00:00", policy=later).planned) == "2026-03-02 09:30"
    assert utc(due(schedule, "2026-03-02T09:30:00+00:00", now="2026-03-02T10:00:00+00:00", policy=later).planned) == (
        "2026-03-02 20:15"
    )


# --- series (the invented vaccine; the rule of days too early and of spacing again from such a dose: CDC, Calculating
# Dates quick guide, minimum ages and intervals)

PAIR = {"series": [{}, {"after": "8 weeks", "least_after": "4 weeks"}]}
BY_AGE = {"series": [{"age": "12 months", "least_age": "12 months"},
                     {"age": "4 years", "least_age": "15 months", "least_after": "4 weeks"}]}  # fmt: skip


def test_a_series_opens_on_the_least_day_and_is_planned_for_the_meant_one() -> None:
    one = due(PAIR, "2026-03-02T10:00:00+00:00", now="2026-03-10T09:00:00+00:00")
    # 4 weeks after 2 March is 30 March, 8 weeks is 27 April; it has no end.
    assert window(one) == ("2026-04-27", "2026-03-30", None)
    assert (one.number, one.because) == (2, "dose 2 of 2: 8 weeks after the dose before, 2026-03-02")
    assert state(one, "2027-03-02T10:00:00+00:00") == "due"


def test_a_series_with_an_end_of_its_own_is_late_after_it() -> None:
    one = due({**PAIR, "late": "2 weeks"}, "2026-03-02T10:00:00+00:00", now="2026-03-10T09:00:00+00:00")
    assert window(one)[2] == "2026-05-11"


@pytest.mark.parametrize(
    ("given", "grace", "live", "number"),
    [
        # 4 weeks after 2 March is 30 March; with 4 days of grace it counts from the 26th.
        ("2026-03-30", 0, False, None),
        ("2026-03-29", 0, False, 2),
        ("2026-03-26", 4, False, None),
        ("2026-03-25", 4, False, 2),
        # A live vaccine has no grace.
        ("2026-03-29", 4, True, 2),
        ("2026-03-30", 4, True, None),
    ],
)
def test_a_dose_of_a_series_counts_from_the_least_day_less_the_grace(
    given: str, grace: int, live: bool, number: int | None
) -> None:
    found = outlook(
        PAIR, "2026-03-02T10:00:00+00:00", f"{given}T10:00:00+00:00", now="2026-03-30T11:00:00+00:00",
        policy={"grace_days": grace}, medicine={"live": live},
    )  # fmt: skip
    if number is None:
        assert found.ended == "all 2 doses were given in the series"
    else:
        assert found.due is not None
        assert found.due.number == number


def test_a_dose_that_came_too_early_is_given_again_spaced_from_it() -> None:
    one = due(PAIR, "2026-03-02T10:00:00+00:00", "2026-03-16T10:00:00+00:00", now="2026-03-17T09:00:00+00:00")
    # 4 weeks after 16 March is 13 April, 8 weeks 11 May.
    assert window(one) == ("2026-05-11", "2026-04-13", None)
    assert one.because == (
        "dose 2 of 2: 8 weeks after the dose before, 2026-03-16; the dose of 2026-03-16 was too early and does not "
        "count"
    )


def test_the_grace_is_told_beside_the_day_without_it() -> None:
    one = due(PAIR, "2026-03-02T10:00:00+00:00", now="2026-03-10T09:00:00+00:00", policy={"grace_days": 4})
    assert one.counts_from is not None
    assert (one.opens.astimezone(ZoneInfo("Europe/London")).date().isoformat(), one.counts_from.isoformat()) == (
        "2026-03-30",
        "2026-03-26",
    )


def test_a_series_by_age_waits_for_the_age_and_for_the_dose_before() -> None:
    # Born 2 June 2024. 12 months old on 2 June 2025, 15 months on 2 September 2025, 4 years on 2 June 2028.
    first = due(BY_AGE, now=MORNING, born="2024-06-02", start="2024-06-02")
    assert window(first)[:2] == ("2025-06-02", "2025-06-02")
    second = due(BY_AGE, "2026-03-02T08:00:00+00:00", now=MORNING, born="2024-06-02", start="2024-06-02")
    # 15 months are past, so it opens 4 weeks after the first: 30 March 2026.
    assert window(second)[:2] == ("2028-06-02", "2026-03-30")
    assert second.because == "dose 2 of 2: 4 years after birth, 2024-06-02"


def test_a_series_never_opens_before_the_order_starts() -> None:
    one = due(PAIR, "2026-03-02T10:00:00+00:00", now="2026-03-10T09:00:00+00:00", start="2026-06-01")
    assert window(one) == ("2026-06-01", "2026-06-01", None)
    assert one.because == "dose 2 of 2: from the start of the order, 2026-06-01"


def test_months_of_a_series_follow_the_policy_for_month_ends_and_say_so() -> None:
    # The published rule: CDC, Calculating Dates quick guide, rule CALCDT-5.
    series = {"series": [{}, {"after": "6 months"}]}
    for month_ends, day in (("rolls over", "2026-10-01"), ("clamps", "2026-09-30")):
        one = due(series, "2026-03-31T10:00:00+01:00", now="2026-04-01T09:00:00+01:00", start="2026-03-31",
                  policy={"month_ends": month_ends})  # fmt: skip
        assert one.day.isoformat() == day
        assert "there is no day 31 in that month" in one.because


# --- when needed


@pytest.mark.parametrize(
    ("now", "expected"),
    [
        ("2026-03-02T11:59:00+00:00", "early"),
        ("2026-03-02T12:00:00+00:00", "when needed"),
        ("2026-03-12T12:00:00+00:00", "when needed"),  # never late
    ],
)
def test_a_when_needed_dose_is_open_after_the_least_interval(now: str, expected: str) -> None:
    one = due({"when_needed": True, "least_interval": "4 hours"}, "2026-03-02T08:00:00+00:00", now=now)
    assert state(one, now) == expected
    if expected == "early":
        assert (utc(one.opens), one.because) == ("2026-03-02 12:00", "at least 4 hours after the last dose")


def test_before_any_dose_nothing_limits_a_when_needed_one_but_the_start() -> None:
    one = due({"when_needed": True, "least_interval": "4 hours"}, now=MORNING)
    assert (state(one, MORNING), one.because) == ("when needed", "when needed; nothing limits it now")
    waits = due({"when_needed": True}, now="2026-03-01T09:00:00+00:00")
    assert utc(waits.opens) == "2026-03-02 00:00"


@pytest.mark.parametrize(
    ("now", "opens"),
    [
        # Three doses in the 24 hours before: another when the first of them leaves them, at 08:00 the next day.
        ("2026-03-02T20:30:00+00:00", "2026-03-03 08:00"),
        ("2026-03-03T07:59:00+00:00", "2026-03-03 08:00"),
        ("2026-03-03T08:00:00+00:00", None),
    ],
)
def test_so_many_in_any_24_hours_roll_on_and_do_not_begin_at_midnight(now: str, opens: str | None) -> None:
    given = ("2026-03-02T08:00:00+00:00", "2026-03-02T12:00:00+00:00", "2026-03-02T16:00:00+00:00")
    one = due({"when_needed": True, "at_most_doses": 3}, *given, now=now)
    assert (utc(one.opens) if state(one, now) == "early" else None) == opens


def test_24_hours_are_real_hours_over_the_change_of_the_clock() -> None:
    # Given at 08:00 the day before the clocks go forward: 24 hours later it is 09:00.
    now = "2026-03-28T20:00:00+00:00"
    one = due({"when_needed": True, "at_most_doses": 1}, "2026-03-28T08:00:00+00:00", now=now)
    assert one.opens.astimezone(ZoneInfo("Europe/London")).strftime("%Y-%m-%d %H:%M") == "2026-03-29 09:00"


def test_the_later_of_two_limits_holds() -> None:
    given = ("2026-03-02T08:00:00+00:00", "2026-03-02T20:00:00+00:00")
    schedule = {"when_needed": True, "least_interval": "14 hours", "at_most_doses": 2}
    one = due(schedule, *given, now="2026-03-02T21:00:00+00:00")
    # 14 hours after 20:00 is 10:00; the first of two leaves the 24 hours at 08:00.
    assert (utc(one.opens), one.because) == ("2026-03-03 10:00", "at least 14 hours after the last dose")


def test_a_least_interval_of_days_ends_at_the_same_time_by_the_clock() -> None:
    now = "2026-03-28T10:00:00+00:00"
    one = due({"when_needed": True, "least_interval": "1 day"}, "2026-03-28T09:00:00+00:00", now=now)
    assert utc(one.opens) == "2026-03-29 08:00"  # 09:00 in summer time


def test_a_when_needed_order_for_so_many_doses_ends_with_them() -> None:
    given = ("2026-03-02T08:00:00+00:00", "2026-03-02T16:00:00+00:00")
    assert ended({"when_needed": True, "doses": 2}, *given, now="2026-03-02T17:00:00+00:00") == "all 2 doses were given"


def test_a_refusal_starts_no_interval_of_a_when_needed_order() -> None:
    refused = {"at": "2026-03-02T08:00:00+00:00", "kind": "not given"}
    one = due({"when_needed": True, "least_interval": "4 hours"}, refused, now=MORNING)
    assert state(one, MORNING) == "when needed"
