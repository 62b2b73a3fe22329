"""The limits of a when-needed order: so far apart, and so many in any 24 hours."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

from drawup.injection.history import PastDose
from drawup.injection.schedule import Calendar, Interval, Schedule, add_interval, instant

_ROLLING = timedelta(hours=24)


def allowed_from(
    schedule: Schedule,
    doses: Sequence[PastDose],
    now: datetime,
    *,
    calendar: Calendar,
) -> tuple[datetime, str] | None:
    """From when on a when-needed dose is allowed by its interval and number, and by which; None where it is now.

    The most in any 24 hours depends on the dose, and is looked at where that is known.
    """
    found: list[tuple[datetime, str]] = []
    if not doses:
        return None
    last = doses[-1].at.astimezone(UTC)
    if schedule.least_interval is not None:
        moment = _later(last, schedule.least_interval, calendar)
        found.append((moment, f"at least {schedule.least_interval.text} after the last dose"))
    recent = [past for past in doses if past.at > now - _ROLLING]
    if schedule.most_doses is not None and len(recent) >= schedule.most_doses:
        leaves = recent[-schedule.most_doses].at.astimezone(UTC) + _ROLLING
        found.append((leaves, f"at most {schedule.most_doses} doses in any 24 hours"))
    later = [one for one in found if one[0] > now]
    return max(later, key=lambda one: one[0]) if later else None


def _later(moment: datetime, interval: Interval, calendar: Calendar) -> datetime:
    """Real time later; or so many days of the calendar later, at the same time by the place's clock."""
    if interval.by_clock:
        return moment + timedelta(minutes=interval.minutes)
    there = moment.astimezone(calendar.zone)
    return instant(add_interval(there.date(), interval, calendar.month_ends), there.time(), calendar.zone)
