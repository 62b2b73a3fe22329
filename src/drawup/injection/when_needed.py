"""The limits of a when-needed order: so far apart, and so many or so much in any 24 hours."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

from drawup.injection.history import PastDose
from drawup.injection.quantity import Quantity
from drawup.injection.schedule import Calendar, Interval, Schedule, add_interval, instant

_ROLLING = timedelta(hours=24)


def allowed_from(
    schedule: Schedule,
    doses: Sequence[PastDose],
    now: datetime,
    amount: Quantity | None = None,
    *,
    calendar: Calendar,
) -> tuple[datetime, str] | None:
    """From when on a when-needed dose is allowed, and by which limit; None where nothing limits it now.

    `amount`: what is to be given, for a limit by amount.
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
    if schedule.most_amount is not None and amount is not None:
        fits = _amount_fits(schedule.most_amount, recent, amount)
        if fits is not None:
            found.append((fits, "at most so much in any 24 hours"))
    later = [one for one in found if one[0] > now]
    return max(later, key=lambda one: one[0]) if later else None


def _amount_fits(most: Quantity, recent: Sequence[PastDose], amount: Quantity) -> datetime | None:
    """When enough has left the last 24 hours for it to fit; None where it fits now, never, or cannot be told."""
    total = amount
    for past in recent:
        if past.amount is None or past.amount.kind != amount.kind:
            return None
        total = total + past.amount
    if amount.kind != most.kind or total <= most:
        return None
    for past in recent:
        assert past.amount is not None  # looked at above
        total = total - past.amount
        if total <= most:
            return past.at.astimezone(UTC) + _ROLLING
    return None


def _later(moment: datetime, interval: Interval, calendar: Calendar) -> datetime:
    """Real time later; or so many days of the calendar later, at the same time by the place's clock."""
    if interval.by_clock:
        return moment + timedelta(minutes=interval.minutes)
    there = moment.astimezone(calendar.zone)
    return instant(add_interval(there.date(), interval, calendar.month_ends), there.time(), calendar.zone)
