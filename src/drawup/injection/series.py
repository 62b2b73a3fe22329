"""A series of doses by age and by the doses before: which of those given count, and when the next one may be.

A dose that is given too early has to be given again, spaced from the one that was too early (CDC, Calculating Dates
quick guide; minimum ages and intervals).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date

from drawup.injection.history import PastDose, given_day
from drawup.injection.schedule import Calendar, Interval, SeriesDose, add_interval, less_days, month_end_words


def series_so_far(
    steps: tuple[SeriesDose, ...],
    doses: Sequence[PastDose],
    *,
    born: date | None,
    calendar: Calendar,
    live: bool,
) -> tuple[list[date], date | None, list[date]]:
    """The days of the doses that count, the day of the last dose whether it counts or not, and the days that do not.

    A dose counts up to the policy's grace days early; a live vaccine has no grace. The dose after one that does not
    count is spaced from that one.
    """
    valid: list[date] = []
    refused: list[date] = []
    last: date | None = None
    grace = 0 if live else calendar.grace_days
    for past in doses:
        day = given_day(past)
        if len(valid) < len(steps):
            step = step_after(steps, len(valid), last)
            earliest, _ = latest_of(least_days(step, valid[0] if valid else None, last, born, calendar))
            if earliest is not None and day < less_days(earliest, grace):
                refused.append(day)
            else:
                valid.append(day)
        last = day
    return valid, last, refused


def step_after(steps: tuple[SeriesDose, ...], number: int, last: date | None) -> SeriesDose:
    """The step that comes next after a dose on the day `last`.

    Where the very first dose came too early, the one that makes it good is spaced from it as the second one would be.
    """
    step = steps[number]
    if number or last is None or len(steps) == 1:
        return step
    return replace(step, least_after=steps[1].least_after or steps[1].after)


def least_days(
    step: SeriesDose, first: date | None, last: date | None, born: date | None, calendar: Calendar
) -> list[tuple[date, str]]:
    """The days before which a dose of this step does not count, each with its reason."""
    return _from_each(calendar, (step.least_age, born, "birth"), (step.least_after, last, "the dose before"),
                      (step.least_after_first, first, "the first dose"))  # fmt: skip


def meant_days(
    step: SeriesDose, first: date | None, last: date | None, born: date | None, calendar: Calendar
) -> list[tuple[date, str]]:
    """The days for which a dose of this step is meant, each with its reason."""
    return _from_each(calendar, (step.age, born, "birth"), (step.after, last, "the dose before"),
                      (step.after_first, first, "the first dose"))  # fmt: skip


def _from_each(calendar: Calendar, *rules: tuple[Interval | None, date | None, str]) -> list[tuple[date, str]]:
    return [
        (add_interval(day, interval, calendar.month_ends), f"{interval.text} after {what}, {day.isoformat()}"
         f"{month_end_words(day, interval, calendar)}")
        for interval, day, what in rules
        if interval is not None and day is not None
    ]  # fmt: skip


def latest_of(days: list[tuple[date, str]]) -> tuple[date | None, str]:
    """The latest of some days, with its reason; None where there is none."""
    return max(days, key=lambda one: one[0]) if days else (None, "")
