"""When the next dose of an order is due, and why: from its schedule, from what was given so far, and from the calendar.

Refusals move nothing; what was given, given in part or reported does. Every moment inside is in UTC; days and times of
day are those of the place. The state of a dose (early, due, late, missed) is read off its moments, so that it can be
asked again at another time without working anything out anew.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta, tzinfo

from drawup.injection.history import COUNTED, PastDose, given_day
from drawup.injection.order import Order
from drawup.injection.schedule import (
    EVERY_DAY,
    MIDNIGHT,
    Calendar,
    DoseStep,
    Interval,
    Schedule,
    Slot,
    Timetable,
    Timing,
    add_interval,
    instant,
    less_days,
    month_end_words,
    step_at,
)
from drawup.injection.series import latest_of, least_days, meant_days, series_so_far, step_after
from drawup.injection.when_needed import allowed_from

STATES = ("early", "due", "late", "missed", "when needed")


@dataclass(frozen=True, slots=True, kw_only=True)
class Due:
    """The next planned dose. Moments in UTC; `closes` and `missed_from` are the first moments that are late, missed.

    `number`: which dose of the order it is; None where the order does not count them.
    `day`: the planned day at the place. `whole_days`: the schedule knows days only, so `planned` is the start of the
    day. `after`: the day of the dose after it, if this one is given as planned. `passed`: planned moments that went by
    since the last dose, the newest ones first, at most SHOWN_PASSED of `passed_count`. `counts_from`: the day from
    which a dose of a series counts, the policy's grace included.
    """

    planned: datetime
    day: date
    opens: datetime
    closes: datetime | None
    missed_from: datetime | None
    whole_days: bool
    because: str
    number: int | None = None
    after: date | None = None
    passed: tuple[datetime, ...] = ()
    passed_count: int = 0
    counts_from: date | None = None
    when_needed: bool = False

    def state(self, now: datetime) -> str:
        """One of STATES at a moment."""
        if now < self.opens:
            return "early"
        if self.when_needed:
            return "when needed"
        if self.closes is None or now < self.closes:
            return "due"
        return "missed" if self.missed_from is not None and now >= self.missed_from else "late"

    def last_day(self, zone: tzinfo) -> date | None:
        """The last day, or the day of the last moment, on which it is given plainly; None where there is no end."""
        return None if self.closes is None else (self.closes - _MOMENT).astimezone(zone).date()


SHOWN_PASSED = 5
_MOMENT = timedelta(microseconds=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlook:
    """What comes next on an order: the dose that is due, or in `ended` why there is none.

    `complete`: the order itself says that nothing more comes, though it has not ended.
    `holds_until`: the first moment at which another dose may come next by the clock alone; None where only a new fact
    can change it.
    """

    due: Due | None = None
    ended: str = ""
    complete: bool = False
    holds_until: datetime | None = None


def of_medicine(history: Sequence[PastDose], medicine: str) -> tuple[PastDose, ...]:
    """The doses of the very medicine that are in the body and move the order's clock, oldest first."""
    name = medicine.strip().casefold()
    found = [
        past
        for past in history
        if past.kind in COUNTED and not past.another_order and past.medicine.strip().casefold() == name
    ]
    found.sort(key=lambda past: past.at)
    return tuple(found)


def merged(first: Timing, then: Timing) -> Timing:
    """The order's own words about timing, and the label's where the order says nothing."""
    return Timing(
        counts_from=first.counts_from or then.counts_from,
        early=first.early or then.early,
        late=first.late or then.late,
        missed_after=first.missed_after or then.missed_after,
        if_late=first.if_late or then.if_late,
        if_missed=first.if_missed or then.if_missed,
    )


def next_due(
    order: Order,
    *,
    doses: tuple[PastDose, ...],
    label: Timing,
    calendar: Calendar,
    now: datetime,
    born: date | None = None,
    live: bool = False,
) -> Outlook:
    """What comes next on an order. `doses`: those in the body that count for it, oldest first (`of_medicine`).

    `label`: what the medicine's label says about timing. `live`: the medicine is a live vaccine.

    Raises ValueError where the schedule cannot be counted from what is known; the message says what is missing.
    """
    schedule = order.schedule
    if schedule is None:
        return Outlook(ended="the order says no times")
    if order.start is None and schedule.first is None and not schedule.when_needed:
        return Outlook(ended="the order has no start")
    sheet = _Sheet(order, schedule, merged(schedule.timing, label), calendar, doses, now, born, live)
    if order.stopped is not None and sheet.today >= order.stopped:
        return Outlook(ended=f"stopped on {order.stopped.isoformat()}")
    if schedule.when_needed:
        found = _when_needed(sheet)
    elif schedule.series:
        found = _series(sheet)
    elif schedule.once:
        found = _once(sheet)
    elif sheet.from_given:
        found = _from_given(sheet)
    else:
        found = _from_timetable(sheet)
    return _within_order(sheet, found)


@dataclass(slots=True)
class _Sheet:
    """One order with all that its next dose rests on."""

    order: Order
    schedule: Schedule
    timing: Timing
    calendar: Calendar
    doses: tuple[PastDose, ...]
    now: datetime
    born: date | None
    live: bool

    @property
    def zone(self) -> tzinfo:
        return self.calendar.zone

    @property
    def today(self) -> date:
        return self.day_of(self.now)

    @property
    def start(self) -> date:
        first = self.schedule.first
        if self.order.start is None:
            assert first is not None  # next_due has looked
            return self.day_of(first)
        return max(self.order.start, self.day_of(first)) if first is not None else self.order.start

    @property
    def from_given(self) -> bool:
        """Whether the next dose counts from the last one given: the order or the label says so, or its form does."""
        if self.schedule.every is None or len(self.clocks) > 1:
            return False
        said = self.timing.counts_from
        return said == "given" if said is not None else self.schedule.counts_from_given

    @property
    def clocks(self) -> tuple[time, ...]:
        """The clock times of a day: its own, and those of its meals by the policy."""
        if not self.schedule.meals:
            return self.schedule.at
        return tuple(sorted({*self.schedule.at, *(meal_time(one, self.calendar) for one in self.schedule.meals)}))

    @property
    def stop(self) -> date | None:
        """The last day of the order; the day before the one from which it is stopped."""
        stopped = self.order.stopped
        days = [day for day in (self.order.stop, None if stopped is None else less_days(stopped, 1)) if day is not None]
        return min(days, default=None)

    def day_of(self, moment: datetime) -> date:
        return moment.astimezone(self.zone).date()

    def day_for(self, past: PastDose) -> date:
        """The day that a dose was for: by the clock where it was given, or the day or moment that it was planned for.

        A planned day is written as its midnight, and stays that day where the place has changed since.
        """
        if past.planned is None:
            return given_day(past)
        return past.planned.date() if past.planned.time() == MIDNIGHT else self.day_of(past.planned)

    def counted(self) -> list[PastDose]:
        """The doses on or after the start of the order; each planned moment once."""
        since = [past for past in self.doses if self.day_for(past) >= self.start]
        return list({past.planned or past.at: past for past in since}.values())


def meal_time(words: str, calendar: Calendar) -> time:
    """The clock time of "before breakfast" by the policy. Raises ValueError for a meal that it does not know."""
    meal = words.rpartition(" ")[2]
    for name, clock in calendar.meal_times:
        if name == meal:
            return clock
    known = ", ".join(name for name, _ in calendar.meal_times)
    raise ValueError(f'read "{words}", expected a meal that the policy knows: {known}')


# --- the kinds of schedule ----------------------------------------------------------------------------------------


def _once(sheet: _Sheet) -> Outlook:
    given = next((past for past in reversed(sheet.doses) if sheet.day_for(past) >= sheet.start), None)
    if given is not None:
        return Outlook(ended=f"given on {given_day(given).isoformat()}, and ordered once", complete=True)
    first = sheet.schedule.first
    if first is not None:
        return Outlook(due=_windowed(sheet, first, sheet.start, f"ordered once, for {_clock(first, sheet.zone)}"))
    stop = sheet.stop
    due = _windowed(sheet, None, sheet.start, f"ordered once, from {sheet.start.isoformat()}")
    if stop is not None and sheet.timing.late is None:
        over = instant(stop + _ONE_DAY, MIDNIGHT, sheet.zone)
        due = replace(due, closes=over if due.missed_from is None else min(over, due.missed_from))
    return Outlook(due=due)


_ONE_DAY = timedelta(days=1)


def _from_given(sheet: _Sheet) -> Outlook:
    """The next dose counts from the last one given."""
    schedule, zone = sheet.schedule, sheet.zone
    number, done = _how_many(sheet)
    if done:
        return done
    every = _interval_now(sheet, number)
    last = sheet.doses[-1] if sheet.doses else None
    clock = sheet.clocks[0] if sheet.clocks else None
    if last is None:
        moment = schedule.first or (instant(sheet.start, clock, zone) if clock is not None else None)
        due = _windowed(sheet, moment, sheet.start, f"the first dose, from {sheet.start.isoformat()}", every=every)
        second = sheet.start if every.by_clock else _after_given(sheet, sheet.start, number)
        return Outlook(due=replace(due, number=number, after=second))
    because = f"{every.text} after {_when(last, every)}, when it was last given"
    if every.by_clock:
        # In UTC, so that no change of the clock comes in between.
        moment = last.at.astimezone(UTC) + timedelta(minutes=every.minutes)
        day = sheet.day_of(moment)
    else:
        before = given_day(last)
        day = add_interval(before, every, sheet.calendar.month_ends)
        because += month_end_words(before, every, sheet.calendar)
        moment = None if clock is None else instant(day, clock, zone)
    # A new order gives no dose before its start, but where there is a rule for late doses it makes none punctual.
    if day < sheet.start and sheet.timing.if_late is None and sheet.timing.if_missed is None:
        day, because = sheet.start, f"from the start of the order, {sheet.start.isoformat()}"
        moment = None if clock is None else instant(day, clock, zone)
    due = _windowed(sheet, moment, day, because, every=every)
    if not every.by_clock:
        # Two days may lie minutes apart: half the interval passes in real time.
        due = replace(due, opens=max(due.opens, last.at.astimezone(UTC) + every.about / 2))
    after = sheet.day_of(due.planned + every.about) if every.by_clock else _after_given(sheet, day, number)
    return Outlook(due=replace(due, number=number, after=after))


def _after_given(sheet: _Sheet, day: date, number: int | None) -> date | None:
    """The day of the dose after the next one; None where the next one is the last."""
    if number is not None and sheet.schedule.doses is not None and number >= sheet.schedule.doses:
        return None
    every = _interval_now(sheet, None if number is None else number + 1)
    return add_interval(day, every, sheet.calendar.month_ends)


def _interval_now(sheet: _Sheet, number: int | None) -> Interval:
    """The interval before the dose with this number: the step's own, where the order is a ladder with intervals."""
    every, steps = sheet.schedule.every, _steps(sheet)
    assert every is not None  # only intervals come here
    if number is None or not any(step.every for step in steps):
        return every
    counted = sheet.counted()
    first = given_day(counted[0]) if counted else sheet.today
    _, step = step_at(steps, given=number - 1, first=first, today=sheet.today, month_ends=sheet.calendar.month_ends)
    return step.every or every


def _how_many(sheet: _Sheet) -> tuple[int | None, Outlook | None]:
    """The number of the next dose where the order counts them, and the end where all of them were given."""
    most = sheet.schedule.doses
    if most is None and not _steps(sheet):
        return None, None
    given = len(sheet.counted())
    if most is not None and given >= most:
        return given + 1, Outlook(ended=all_given(most), complete=True)
    return given + 1, None


def all_given(count: int) -> str:
    """That an order of so many doses is through."""
    return "its one dose was given" if count == 1 else f"all {count} doses were given"


def _steps(sheet: _Sheet) -> tuple[DoseStep, ...]:
    return sheet.order.dose.steps if sheet.order.dose is not None else ()


def _from_timetable(sheet: _Sheet) -> Outlook:
    """The doses have fixed places; each dose fills the place nearest to it, or the one it was planned for."""
    table = _timetable(sheet)
    filled = -1
    if sheet.doses:
        # A dose further on fills a place further on, so the last filled place is that of the last moment.
        recent = sheet.doses[-_RECENT:]
        if _timed(table):
            filled = table.nearest(max(past.planned or past.at for past in recent))
        else:
            filled = table.nearest_day(max(sheet.day_for(past) for past in recent))
    number = None
    if sheet.schedule.doses is not None:
        number = _places_filled(sheet, table) + 1
        if number > sheet.schedule.doses:
            return Outlook(ended=all_given(sheet.schedule.doses), complete=True)
    standing = table.floor(sheet.now)
    if standing > filled and sheet.now >= _end_of(sheet, table, standing):
        standing += 1
    index = max(standing, filled + 1, 0)
    slot = table.slot(index)
    due = _of_slot(sheet, table, slot)
    if sheet.stop is not None and due.day > sheet.stop and index - 1 > filled:
        # The last place of the order went by: it stays the one that was missed.
        index -= 1
        due = _of_slot(sheet, table, table.slot(index))
    passed = range(index - 1, filled, -1)
    if sheet.doses:
        # After a late dose two places may lie hours apart: half the way between them passes in real time.
        half = (table.slot(index).moment - table.slot(index - 1).moment) / 2
        due = replace(due, opens=max(due.opens, sheet.doses[-1].at.astimezone(UTC) + half))
    return Outlook(
        due=replace(
            due,
            number=number,
            passed=tuple(table.slot(one).moment for one in passed[:SHOWN_PASSED]),
            passed_count=len(passed),
        ),
        holds_until=due.missed_from,
    )


# A dose written later lies at most so many doses back in the order of their moments.
_RECENT = 50


def _places_filled(sheet: _Sheet, table: Timetable) -> int:
    """How many different places the doses fill; one long before the first place fills none."""
    if not _timed(table):
        return len({table.nearest_day(sheet.day_for(past)) for past in sheet.doses} - {-1})
    here, ahead = table.slot(0).moment, table.slot(1).moment
    count, index, until = 0, -1, here - (ahead - here) / 2 - _MOMENT
    # Most doses fill the place after that of the dose before; only where one does not is its place looked for.
    for moment in sorted(past.planned or past.at for past in sheet.doses):
        if moment <= until:
            continue
        if index >= 0:
            here, ahead = ahead, table.slot(index + 2).moment
        index += 1
        if moment > here + (ahead - here) / 2:
            index = table.nearest(moment)
            here, ahead = table.slot(index).moment, table.slot(index + 1).moment
        until = here + (ahead - here) / 2
        count += 1
    return count


def _timed(table: Timetable) -> bool:
    return bool(table.times) or table.every.by_clock


def _timetable(sheet: _Sheet) -> Timetable:
    schedule = sheet.schedule
    every = schedule.every or EVERY_DAY
    first = schedule.first
    if every.by_clock and first is None:
        counted = sheet.counted()
        first = (counted[0].planned or counted[0].at) if counted else instant(sheet.start, MIDNIGHT, sheet.zone)
    table = Timetable(
        start=sheet.start,
        zone=sheet.zone,
        month_ends=sheet.calendar.month_ends,
        every=every,
        times=sheet.clocks,
        weekdays=schedule.on,
        first=None if first is None else first.astimezone(UTC),
    )
    skipped = 0
    entered = sheet.order.entered
    if entered is not None and entered > table.slot(0).moment and not sheet.counted():
        # What had closed before the order was written down was never asked of anybody.
        while (closes := _of_slot(sheet, table, table.slot(skipped)).closes) is not None and closes <= entered:
            skipped += 1
    while table.times and table.first is not None and table.slot(skipped).moment < table.first:
        skipped += 1
    return replace(table, skipped=skipped) if skipped else table


def _of_slot(sheet: _Sheet, table: Timetable, slot: Slot) -> Due:
    timed = _timed(table)
    following = table.slot(slot.index + 1)
    because = sheet.schedule.words
    if table.every != EVERY_DAY and not table.every.by_clock and not table.weekdays and slot.index:
        steps = (slot.index + table.skipped) // (len(table.times) or 1)
        step = Interval(count=table.every.count * steps, unit=table.every.unit)
        because += month_end_words(table.start, step, sheet.calendar)
    due = _windowed(
        sheet, slot.moment if timed else None, slot.day, because, gap=slot.moment - table.slot(slot.index - 1).moment
    )
    next_opens = _windowed(
        sheet, following.moment if timed else None, following.day, "", gap=following.moment - slot.moment
    ).opens
    missed = next_opens if due.missed_from is None else min(due.missed_from, next_opens)
    closes = missed if due.closes is None else min(due.closes, missed)
    return replace(due, closes=closes, missed_from=missed, after=following.day)


def _end_of(sheet: _Sheet, table: Timetable, index: int) -> datetime:
    missed = _of_slot(sheet, table, table.slot(index)).missed_from
    assert missed is not None  # a place of a timetable always ends at the next one
    return missed


def _series(sheet: _Sheet) -> Outlook:
    """The next dose of a series: by age and by the doses before; one given too early does not count."""
    steps, calendar = sheet.schedule.series, sheet.calendar
    valid, last, refused = series_so_far(steps, sheet.doses, born=sheet.born, calendar=calendar, live=sheet.live)
    if len(valid) >= len(steps):
        return Outlook(ended=f"{all_given(len(steps))} in the series", complete=True)
    step, first = step_after(steps, len(valid), last), valid[0] if valid else None
    start = (sheet.start, f"from the start of the order, {sheet.start.isoformat()}")
    least, _ = latest_of(least_days(step, first, last, sheet.born, calendar))
    earliest, why_earliest = latest_of([start, *least_days(step, first, last, sheet.born, calendar)])
    meant, why = latest_of(meant_days(step, first, last, sheet.born, calendar))
    assert earliest is not None  # the start is one of them
    if meant is None or meant < earliest:
        meant, why = earliest, why_earliest
    planned = meant
    because = f"dose {len(valid) + 1} of {len(steps)}: {why}"
    if sheet.born is None and any(one.age or one.least_age for one in steps):
        because += "; no birth date is known, so that no age was counted"
    if refused:
        because += f"; the dose of {refused[-1].isoformat()} was too early and does not count"
    after = None
    if len(valid) + 1 < len(steps):
        after, _ = latest_of(meant_days(steps[len(valid) + 1], first or planned, planned, sheet.born, calendar))
    due = replace(
        _windowed(sheet, None, planned, because),
        number=len(valid) + 1,
        opens=instant(earliest, MIDNIGHT, sheet.zone),
        after=after,
        counts_from=None if least is None else less_days(least, 0 if sheet.live else calendar.grace_days),
    )
    return Outlook(due=due if sheet.timing.late is not None else replace(due, closes=None))


def _when_needed(sheet: _Sheet) -> Outlook:
    """From when on another dose may be given: after the least interval, and within the most in any 24 hours."""
    _, done = _how_many(sheet)
    if done:
        return done
    allowed = allowed_from(sheet.schedule, sheet.doses, sheet.now, calendar=sheet.calendar)
    moment = allowed[0] if allowed is not None else sheet.now.astimezone(UTC)
    if sheet.order.start is not None:
        moment = max(moment, instant(sheet.order.start, MIDNIGHT, sheet.zone))
    if sheet.schedule.first is not None:
        moment = max(moment, sheet.schedule.first.astimezone(UTC))
    opens = moment if allowed is not None or moment > sheet.now else _LONG_AGO
    because = allowed[1] if allowed is not None else "when needed; nothing limits it now"
    due = Due(
        planned=moment,
        day=sheet.day_of(moment),
        opens=opens,
        closes=None,
        missed_from=None,
        whole_days=False,
        because=because,
        when_needed=True,
    )
    return Outlook(due=due, holds_until=None if opens == _LONG_AGO else moment)


_LONG_AGO = datetime(1900, 1, 1, tzinfo=UTC)


# --- windows and words --------------------------------------------------------------------------------------------


def _windowed(
    sheet: _Sheet,
    moment: datetime | None,
    day: date,
    because: str,
    *,
    every: Interval | None = None,
    gap: timedelta | None = None,
) -> Due:
    """A planned dose with its window: the order's or the label's, else the policy's; whole days without a time."""
    zone, timing = sheet.zone, sheet.timing
    gap = every.about if every is not None else gap
    usual = None if moment is None else Interval(count=sheet.calendar.window_minutes, unit="minute")
    early, late = timing.early or usual, timing.late or usual
    planned = instant(day, MIDNIGHT, zone) if moment is None else moment.astimezone(UTC)
    opens = _back(planned, day, early, zone)
    if gap is not None:
        # Never nearer to the dose before than to this one.
        opens = max(opens, planned - gap / 2)
    missed = None if timing.missed_after is None else _on(planned, day, timing.missed_after, zone, moment is None)
    closes = _on(planned, day, late, zone, moment is None)
    return Due(
        planned=planned,
        day=day,
        opens=opens,
        closes=closes if missed is None else min(closes, missed),
        missed_from=missed,
        whole_days=moment is None,
        because=because,
    )


def _back(planned: datetime, day: date, by: Interval | None, zone: tzinfo) -> datetime:
    if by is None:
        return planned
    if by.by_clock:
        return planned - timedelta(minutes=by.minutes)
    return instant(less_days(day, by.days or 0), MIDNIGHT, zone)


def _on(planned: datetime, day: date, by: Interval | None, zone: tzinfo, whole: bool) -> datetime:
    """The first moment past so much after the planned one; days end with the day."""
    if by is None or not by.by_clock:
        days = 0 if by is None else by.days or 0
        return instant(day + timedelta(days=days + 1), MIDNIGHT, zone)
    start = instant(day + _ONE_DAY, MIDNIGHT, zone) if whole else planned
    return start + timedelta(minutes=by.minutes) + (timedelta(0) if whole else _MOMENT)


def _within_order(sheet: _Sheet, found: Outlook) -> Outlook:
    """What comes next, never opened before the order starts, unless the order ends before it."""
    stop, due = sheet.stop, found.due
    if due is not None and not due.when_needed:
        begin = instant(sheet.start, MIDNIGHT, sheet.zone)
        found = replace(found, due=replace(due, opens=begin)) if due.opens < begin else found
        due = found.due
    if due is None or stop is None:
        return found
    ends = f"the order ends on {stop.isoformat()}"
    if sheet.today > stop:
        return Outlook(ended=f"ended on {stop.isoformat()}")
    if not due.when_needed and due.day > stop:
        over = instant(stop + _ONE_DAY, MIDNIGHT, sheet.zone)
        words = f"{ends}, before the next dose on {due.day.isoformat()}"
        return Outlook(ended=words, complete=True, holds_until=over)
    over = instant(stop + _ONE_DAY, MIDNIGHT, sheet.zone)
    return replace(found, holds_until=over if found.holds_until is None else min(found.holds_until, over))


def _when(past: PastDose, every: Interval) -> str:
    return past.at.strftime("%Y-%m-%d %H:%M") if every.by_clock else given_day(past).isoformat()


def _clock(moment: datetime, zone: tzinfo) -> str:
    return moment.astimezone(zone).strftime("%Y-%m-%d %H:%M")
