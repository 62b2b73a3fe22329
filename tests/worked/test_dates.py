"""Published dates, run through the real code: intervals, minimum ages, windows, and until when an opened vial is used.

DT-01 to DT-21 are the collected examples, each with its source beside it; the invented medicine only carries them.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from drawup.exchange.request import read_request
from drawup.injection.batch import usable_until
from drawup.injection.history import PastDose
from drawup.injection.lateness import outlook_of
from drawup.injection.order import Order
from drawup.injection.schedule import (
    NO_TIMING,
    Calendar,
    Interval,
    Schedule,
    SeriesDose,
    Timing,
    add_interval,
    day_missing,
    less_days,
)
from drawup.injection.series import series_so_far
from drawup.injection.timing import Due, Outlook, next_due

# US CDC, Calculating Dates quick guide (CDSi resource), rules CALCDT-1 to 5; a posted copy, its year not shown:
# https://www.scribd.com/document/629464967/calculating-dates-quick-guide
#
# The published rows that are tested elsewhere, of the collection from which the vials below are taken (54 rows):
#   33 timings of the open standard (27 official examples, 6 made of its invariants): tests/exchange/test_fhir_timing.py
#   12 rows of adrenaline by age, by weight and by age band, 3 of observing afterwards: tests/worked/test_adrenaline.py
# Here: 5 multi-dose vials and 1 vaccine vial. Left out: none. A vial's row gives a day; the hour of opening is ours.

UTC_CALENDAR = Calendar(zone=UTC, month_ends="rolls over", meal_times=(), window_minutes=60, grace_days=0)
FOUR_DAYS = Calendar(zone=UTC, month_ends="rolls over", meal_times=(), window_minutes=60, grace_days=4)


def interval(text: str) -> Interval:
    count, unit = text.split()
    return Interval(count=int(count), unit=unit.removesuffix("s"))


def day(text: str) -> date:
    return date.fromisoformat(text)


def dose(moment: str) -> PastDose:
    return PastDose(medicine="velorin", at=datetime.fromisoformat(moment).replace(tzinfo=UTC))


def next_dose(
    schedule: Schedule,
    *given: str,
    start: str,
    now: str,
    born: str | None = None,
    calendar: Calendar = UTC_CALENDAR,
    live: bool = False,
) -> Outlook:
    return next_due(
        Order(medicine="velorin", start=day(start), schedule=schedule),
        doses=tuple(dose(one) for one in given),
        label=NO_TIMING,
        calendar=calendar,
        now=datetime.fromisoformat(now).replace(tzinfo=UTC),
        born=day(born) if born is not None else None,
        live=live,
    )


def due(outlook: Outlook) -> Due:
    assert outlook.due is not None
    return outlook.due


def days_of(one: Due) -> tuple[str, str, str | None]:
    """The planned day, and the first and the last day on which it is given plainly."""
    last = one.last_day(UTC)
    return one.day.isoformat(), one.opens.date().isoformat(), None if last is None else last.isoformat()


# --- adding to a day (CDC, rules CALCDT-1 to 5)


@pytest.mark.parametrize("month_ends", ["rolls over", "clamps"])
@pytest.mark.parametrize(
    ("start", "added", "expected"),
    [
        ("2000-01-01", "3 years", "2003-01-01"),  # DT-01
        ("2001-02-01", "5 weeks", "2001-03-08"),  # DT-03, "8 Mar": a year of 365 days
        ("2000-02-01", "5 weeks", "2000-03-07"),  # DT-03, the note: in a leap year the same sum is 7 March
    ],
)
def test_the_guides_own_sums_hold_under_either_policy(start: str, added: str, expected: str, month_ends: str) -> None:
    assert add_interval(day(start), interval(added), month_ends) == day(expected)
    assert not day_missing(day(start), interval(added), month_ends)


def test_five_weeks_are_35_days_as_the_guide_says() -> None:
    assert add_interval(day("2001-02-01"), interval("35 days"), "rolls over") == day("2001-03-08")


# Rolling over is the guide's rule CALCDT-5; clamping is common practice, no source. Every day is worked by hand on the
# calendar: September, November, June and April have 30 days; 2024 and 2028 are leap years, 2026 and 2027 are not; 2000
# is one, for it divides by 400, and 2100 is none.
@pytest.mark.parametrize(
    ("start", "added", "rolls", "clamps"),
    [
        ("2026-07-31", "2 months", "2026-10-01", "2026-09-30"),
        ("2026-07-30", "2 months", "2026-09-30", "2026-09-30"),  # the day below is there
        ("2026-08-01", "2 months", "2026-10-01", "2026-10-01"),  # the day above is its own
        ("2026-01-28", "1 month", "2026-02-28", "2026-02-28"),
        ("2026-01-29", "1 month", "2026-03-01", "2026-02-28"),
        ("2026-01-31", "1 month", "2026-03-01", "2026-02-28"),
        ("2028-01-29", "1 month", "2028-02-29", "2028-02-29"),
        ("2028-01-30", "1 month", "2028-03-01", "2028-02-29"),
        ("2026-10-31", "4 months", "2027-03-01", "2027-02-28"),
        ("2026-10-31", "1 month", "2026-12-01", "2026-11-30"),
        ("2026-12-31", "2 months", "2027-03-01", "2027-02-28"),  # over the turn of the year
        ("2026-12-31", "1 month", "2027-01-31", "2027-01-31"),
        ("2025-12-31", "6 months", "2026-07-01", "2026-06-30"),
        ("2024-02-29", "1 year", "2025-03-01", "2025-02-28"),
        ("2024-02-29", "4 years", "2028-02-29", "2028-02-29"),
        ("2024-02-29", "12 months", "2025-03-01", "2025-02-28"),
        ("1996-02-29", "4 years", "2000-02-29", "2000-02-29"),
        ("2096-02-29", "4 years", "2100-03-01", "2100-02-28"),
    ],
)
def test_a_day_that_is_not_there_is_the_first_of_the_next_month_or_the_last_of_that_one(
    start: str, added: str, rolls: str, clamps: str
) -> None:
    assert add_interval(day(start), interval(added), "rolls over") == day(rolls)
    assert add_interval(day(start), interval(added), "clamps") == day(clamps)
    # Both policies agree where the day is there, and nothing is then said about it.
    assert day_missing(day(start), interval(added), "rolls over") == (rolls != clamps)


# --- minimum ages and intervals (CDC, the same guide)

BORN = "2008-08-06"
FROM_A_YEAR_OLD = (SeriesDose(least_age=interval("12 months")),)


def counts(
    steps: tuple[SeriesDose, ...],
    *days: str,
    born: str | None = None,
    calendar: Calendar = FOUR_DAYS,
    live: bool = False,
) -> list[bool]:
    """Whether each of the doses counts."""
    valid, _, refused = series_so_far(
        steps, [dose(one) for one in days], born=day(born) if born is not None else None, calendar=calendar, live=live
    )
    assert len(valid) + len(refused) == len(days)
    return [day(one) in valid for one in days]


@pytest.mark.parametrize(
    ("given", "valid"),
    [
        ("2009-06-07", False),  # DT-07: not valid
        ("2009-08-01", False),  # the day below
        ("2009-08-02", True),  # DT-05: earliest valid, 2009-08-06 less 4 days
        ("2009-08-03", True),
    ],
)
def test_a_dose_counts_from_four_days_before_the_minimum_age(given: str, valid: bool) -> None:
    assert counts(FROM_A_YEAR_OLD, given, born=BORN) == [valid]


def test_the_earliest_valid_day_is_told_and_the_dose_is_planned_for_the_birthday() -> None:
    # DT-05: 12 months after 2008-08-06 is 2009-08-06; less 4 days 2009-08-02.
    planned = due(
        next_dose(
            Schedule(series=FROM_A_YEAR_OLD), start="2008-08-06", now="2009-06-07T09:00", born=BORN, calendar=FOUR_DAYS
        )
    )
    assert planned.counts_from == day("2009-08-02")
    assert (planned.day, planned.opens.date()) == (day("2009-08-06"), day("2009-08-06"))
    assert less_days(planned.day, 4) == planned.counts_from


# US CDC, vaccine interval teaching item (28-day interval): https://www2.cdc.gov/vaccines/ed/covid19/moderna/40125.asp
# The day of dose 1 is day 0, so day 23 is 23 days later. Day 24, the first that counts, is 28 less the guide's 4 days.
@pytest.mark.parametrize(
    ("days_later", "valid"),
    [
        (22, False),
        (23, False),  # DT-09: day 23 or before is invalid
        (24, True),
        (28, True),
    ],
)
def test_a_second_dose_28_days_after_the_first_is_invalid_on_day_23_and_before(days_later: int, valid: bool) -> None:
    pair = (SeriesDose(), SeriesDose(after=interval("28 days"), least_after=interval("28 days")))
    second = (day("2025-01-06") + timedelta(days=days_later)).isoformat()
    assert counts(pair, "2025-01-06", second) == [True, valid]


# AndaVac (Spain), Hepatitis B minimum intervals, read 2026:
# https://andavac.es/faq-profesionales/cual-es-el-intervalo-minimo-entre-las-dosis-en-la-pauta-de-la-vacuna-frente-a-hepatitis-b
THREE_DOSES = (
    SeriesDose(),
    SeriesDose(after=interval("4 weeks"), least_after=interval("4 weeks")),
    SeriesDose(least_after=interval("8 weeks"), least_after_first=interval("16 weeks")),
)


def test_the_third_dose_waits_for_the_longer_of_two_minimum_intervals() -> None:
    # DT-11: 16 weeks after 2025-01-06 is 2025-04-28; 8 weeks after 2025-02-03 would be 2025-03-31.
    third = due(
        next_dose(Schedule(series=THREE_DOSES), "2025-01-06", "2025-02-03", start="2025-01-06", now="2025-02-10T09:00")
    )
    assert third.number == 3
    assert third.opens.date() == third.counts_from == day("2025-04-28")
    assert add_interval(day("2025-02-03"), interval("8 weeks"), "rolls over") == day("2025-03-31")
    assert third.because == "dose 3 of 3: 16 weeks after the first dose, 2025-01-06"


@pytest.mark.parametrize(("given", "valid"), [("2025-03-31", False), ("2025-04-27", False), ("2025-04-28", True)])
def test_a_third_dose_before_the_sixteenth_week_does_not_count(given: str, valid: bool) -> None:
    found = counts(THREE_DOSES, "2025-01-06", "2025-02-03", given, calendar=UTC_CALENDAR)
    assert found == [True, True, valid]


# --- depots, and hours


def test_every_13_weeks_from_2_weeks_before_to_4_weeks_after() -> None:
    # DT-13. Medecins Sans Frontieres, Essential Drugs, medroxyprogesterone injectable, dosage (read 2026):
    # https://medicalguidelines.msf.org/viewport/EssDr/english/medroxyprogesterone-injectable-16682904.html
    schedule = Schedule(every=interval("13 weeks"), timing=Timing(early=interval("2 weeks"), late=interval("4 weeks")))
    planned = due(next_dose(schedule, "2025-01-06", start="2025-01-06", now="2025-02-01T09:00"))
    assert days_of(planned) == ("2025-04-07", "2025-03-24", "2025-05-05")


def test_every_12_to_14_weeks_is_planned_for_the_twelfth_and_plain_until_the_fourteenth() -> None:
    # DT-15. Patient information that quotes the label, dose under the skin every 12 to 14 weeks (read 2026):
    # http://women.emedtv.com/depo-subq-provera-104/depo-subq-provera-104-dosage.html
    schedule = Schedule(every=interval("12 weeks"), timing=Timing(late=interval("2 weeks")))
    planned = due(next_dose(schedule, "2025-01-06", start="2025-01-06", now="2025-02-01T09:00"))
    assert days_of(planned) == ("2025-03-31", "2025-03-31", "2025-04-14")


def test_every_4_weeks_is_28_days_later() -> None:
    # DT-17. Medecins Sans Frontieres, Essential Drugs, benzathine benzylpenicillin injectable, dosage (read 2026):
    # https://medicalguidelines.msf.org/en/viewport/EssDr/english/benzathine-benzylpenicillin-injectable-16682488.html
    planned = due(
        next_dose(Schedule(every=interval("4 weeks")), "2025-01-06", start="2025-01-06", now="2025-01-10T09:00")
    )
    assert planned.day == day("2025-02-03")


def test_0_12_and_24_hours_from_the_first_moment() -> None:
    # DT-19. Medecins Sans Frontieres, Essential Drugs, artesunate injectable, dosage (read 2026):
    # https://medicalguidelines.msf.org/viewport/EssDr/english/artesunate-injectable-16682465.html
    first = datetime(2025, 1, 6, 20, 0, tzinfo=UTC)
    schedule = Schedule(every=interval("12 hours"), first=first, doses=3)
    given: list[str] = []
    for moment in ("2025-01-06T20:00", "2025-01-07T08:00", "2025-01-07T20:00"):
        planned = due(next_dose(schedule, *given, start="2025-01-06", now=moment))
        assert planned.planned == datetime.fromisoformat(moment).replace(tzinfo=UTC)
        given.append(moment)
    assert next_dose(schedule, *given, start="2025-01-06", now="2025-01-07T20:00").ended == "all 3 doses were given"


def test_the_same_hours_hold_where_they_are_counted_from_the_plan() -> None:
    # DT-19 again: a second dose that is late moves the third one only where the doses are counted from the date given.
    def third(counts_from: str) -> datetime:
        schedule = Schedule(
            every=interval("12 hours"),
            first=datetime(2025, 1, 6, 20, 0, tzinfo=UTC),
            doses=3,
            timing=Timing(counts_from=counts_from),
        )
        late = next_dose(schedule, "2025-01-06T20:00", "2025-01-07T10:30", start="2025-01-06", now="2025-01-07T10:30")
        return due(late).planned

    assert third("planned") == datetime(2025, 1, 7, 20, 0, tzinfo=UTC)
    assert third("given") == datetime(2025, 1, 7, 22, 30, tzinfo=UTC)


def test_the_same_windows_come_out_of_the_public_request() -> None:
    # DT-13 as a request: the label's window, the order's interval.
    request: dict[str, Any] = {
        "format": 1,
        "now": "2025-02-01T09:00:00+00:00",
        "patient": {},
        "order": {"medicine": "velorin", "start": "2025-01-06", "times": ["every 13 weeks"]},
        "medicine": {
            "name": "velorin",
            "presentations": [{"strength": "150 mg/mL"}],
            "timing": {"early": "2 weeks", "late": "4 weeks"},
        },
        "history": [{"medicine": "velorin", "at": "2025-01-06T09:00:00+00:00"}],
    }
    read = read_request(request)
    outlook = outlook_of(read.request, read.policy)
    assert outlook is not None
    assert days_of(due(outlook)) == ("2025-04-07", "2025-03-24", "2025-05-05")


# --- until when an opened vial is used

LONDON = ZoneInfo("Europe/London")
OPENED_AT = time(8, 0)
_DAY_MINUTES = 24 * 60


# CDC injection safety, multi-dose vials: 28 days from first entry unless the maker says otherwise, never past the
# label's expiry date (the sums of days are the collection's):
# https://medx.it.com/how-long-can-you-keep-a-multidose-vial-understanding-the-28-day-rule-and-more
# http://medbox.iiab.me/modules/en-cdc/www.cdc.gov/injectionsafety/providers/provider_faqs_multivials.html
@pytest.mark.parametrize(
    ("opened", "expires", "days", "discard_by"),
    [
        ("2026-02-01", "2027-01-31", 28, "2026-03-01"),
        ("2028-02-01", "2029-01-31", 28, "2028-02-29"),  # a leap year
        ("2026-01-15", "2026-01-31", 28, "2026-01-31"),  # the label ends first
        ("2026-12-20", "2027-12-31", 28, "2027-01-17"),  # over the turn of the year
        ("2026-02-01", "2027-01-31", 42, "2026-03-15"),  # the maker says 42
    ],
)
@pytest.mark.parametrize("zone", [UTC, LONDON])
def test_an_opened_multi_dose_vial_is_used_until_its_days_or_its_label_end(
    opened: str, expires: str, days: int, discard_by: str, zone: Any
) -> None:
    opening = datetime.combine(day(opened), OPENED_AT, tzinfo=zone)
    until = usable_until(expiry_date=day(expires), opened=opening, in_use_minutes=days * _DAY_MINUTES, zone_of=opening)
    assert until is not None
    assert until.date() == day(discard_by)
    # To the minute: so many days after the opening, or the last minute of the label's day.
    assert until.time() == (time(23, 59) if discard_by == expires else OPENED_AT)


@pytest.mark.parametrize(
    ("opened", "session_ends", "discard_at"),
    [
        # WHO Policy Statement, Multi-dose Vial Policy, revision 2014 (WHO/IVB/14.07); that the criteria for 28 days are
        # not met:
        # https://www.technet-21.org/en/knowledge-hub/main/5249-who-policy-on-the-use-of-opened-multi-dose-vaccine-vials-2014-revision
        # https://expydoc.com/doc/1702447
        ("2026-03-02T09:00", "2026-03-02T13:00", "2026-03-02T13:00"),
        # DT-21, the same policy: a freeze-dried vaccine, 6 hours or the end of the session.
        ("2025-01-06T09:30", "2025-01-06T14:00", "2025-01-06T14:00"),
        # Below, at and above: 6 hours after 09:30 is 15:30.
        ("2025-01-06T09:30", "2025-01-06T15:29", "2025-01-06T15:29"),
        ("2025-01-06T09:30", "2025-01-06T15:30", "2025-01-06T15:30"),
        ("2025-01-06T09:30", "2025-01-06T15:31", "2025-01-06T15:30"),
    ],
)
def test_a_vaccine_vial_is_used_for_six_hours_or_until_the_session_ends(
    opened: str, session_ends: str, discard_at: str
) -> None:
    opening, ends, expected = (
        datetime.fromisoformat(text).replace(tzinfo=UTC) for text in (opened, session_ends, discard_at)
    )
    until = usable_until(
        expiry_date=day("2027-12-31"), opened=opening, in_use_minutes=6 * 60, session_ends=ends, zone_of=opening
    )
    assert until == expected


def test_hours_in_use_are_real_hours_over_the_change_of_the_clock() -> None:
    # Opened at 20:00 on the evening before the clocks go forward (Europe/London, 2026-03-29 at 01:00 UTC): 12 hours
    # later it is 09:00 by the clock; in autumn (2026-10-25 at 01:00 UTC) 07:00. IANA time zone database, rule EU.
    for opened, ends, clock in (
        (datetime(2026, 3, 28, 20, 0, tzinfo=LONDON), datetime(2026, 3, 29, 8, 0, tzinfo=UTC), time(9)),
        (datetime(2026, 10, 24, 20, 0, tzinfo=LONDON), datetime(2026, 10, 25, 7, 0, tzinfo=UTC), time(7)),
    ):
        until = usable_until(expiry_date=None, opened=opened, in_use_minutes=12 * 60, zone_of=opened)
        assert until is not None
        assert until.astimezone(UTC) == ends
        assert until.time() == clock  # told by the clock of the place


def test_the_limit_is_told_by_the_clock_of_now_and_not_by_that_of_the_opening() -> None:
    # The same vial in autumn, its opening written with the summer's offset, looked at the morning after.
    opened, now = (
        datetime.fromisoformat("2026-10-24T20:00:00+01:00"),
        datetime.fromisoformat("2026-10-25T06:00:00+00:00"),
    )
    until = usable_until(expiry_date=None, opened=opened, in_use_minutes=12 * 60, zone_of=now)
    assert until is not None
    assert until.isoformat() == "2026-10-25T07:00:00+00:00"
