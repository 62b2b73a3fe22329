"""When the next dose is due, worked a second time from docs/decisions/0007-when.md alone: plain, slow and obvious.

A timetable is written out place by place, every dose is laid on its place, and then one looks. Nothing here is shared
with the program but the values in which an order and a history are written down.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator, Sequence
from datetime import UTC, date, datetime, time, timedelta
from functools import cache
from typing import NamedTuple
from zoneinfo import ZoneInfo

from drawup.injection.history import PastDose
from drawup.injection.order import Order
from drawup.injection.schedule import Interval, Schedule, SeriesDose, Timing

ONE_DAY = timedelta(days=1)
JUST_AFTER = timedelta(microseconds=1)
"""The moment with which a window ends is still within it."""
UNTIL = date(2027, 3, 1)
"""How far a timetable is written out, and two places more."""


class Place(NamedTuple):
    """Where the order runs: its zone, and what its policy says."""

    zone: ZoneInfo
    month_ends: str
    meals: tuple[tuple[str, time], ...]
    window_minutes: int
    grace_days: int


class Answer(NamedTuple):
    """What the page asks for at a moment: nothing more, or a dose with its four moments in UTC."""

    ended: bool
    planned: datetime | None = None
    opens: datetime | None = None
    closes: datetime | None = None
    missed_from: datetime | None = None
    state: str = ""
    passed_count: int = 0


class Window(NamedTuple):
    """The four moments of one planned dose."""

    planned: datetime
    opens: datetime
    closes: datetime | None
    missed_from: datetime | None


ENDED = Answer(ended=True)
OPEN = Answer(ended=False, state="when needed")
"""May be given whenever it is needed: planned for no moment."""


def whats_next(
    order: Order,
    history: Sequence[PastDose],
    label: Timing,
    place: Place,
    now: datetime,
    *,
    born: date | None = None,
    live: bool = False,
) -> Answer:
    """What comes next on an order whose schedule and start are known."""
    schedule = order.schedule
    assert schedule is not None
    last_days = [day for day in (order.stop, order.stopped and order.stopped - ONE_DAY) if day is not None]
    last_day = min(last_days, default=None)
    if last_day is not None and now.astimezone(place.zone).date() > last_day:
        return ENDED
    timing = _order_then_label(schedule.timing, label)
    starts = [order.start] if order.start is not None else []
    if schedule.first is not None:
        starts.append(schedule.first.astimezone(place.zone).date())
    start = max(starts)
    own = sorted((past for past in history if _counts(past, order.medicine)), key=lambda past: past.at)
    found: Window | None
    passed = 0
    if schedule.when_needed:
        found = _when_needed(schedule, start, own, place)
    elif schedule.series:
        found = _series(schedule.series, timing, start, own, place, born, live)
    elif not (schedule.every or schedule.at or schedule.meals or schedule.on):
        found = _once(schedule, timing, start, last_day, own, place)
    elif _from_the_date_given(schedule, timing):
        found = _from_given(schedule, timing, start, own, place)
    else:
        found, passed = _from_timetable(schedule, timing, start, last_day, own, place, now)
    if found is None:
        return ENDED
    if schedule.when_needed and now >= found.opens:
        return OPEN
    if last_day is not None and found.planned.astimezone(place.zone).date() > last_day and not schedule.when_needed:
        return ENDED
    found = found._replace(opens=max(found.opens, begins(start, place.zone)))
    return Answer(False, *found, _state(found, now), passed)


def _counts(past: PastDose, medicine: str) -> bool:
    """In the body, of the very medicine, and not given on another order that is still open."""
    return past.kind in ("given", "part given", "reported") and past.medicine == medicine and not past.another_order


def _state(window: Window, now: datetime) -> str:
    if now < window.opens:
        return "early"
    if window.missed_from is not None and now >= window.missed_from:
        return "missed"
    if window.closes is not None and now >= window.closes:
        return "late"
    return "due"


def _order_then_label(order: Timing, label: Timing) -> Timing:
    return Timing(
        counts_from=order.counts_from if order.counts_from is not None else label.counts_from,
        early=order.early if order.early is not None else label.early,
        late=order.late if order.late is not None else label.late,
        missed_after=order.missed_after if order.missed_after is not None else label.missed_after,
    )


def _from_the_date_given(schedule: Schedule, timing: Timing) -> bool:
    """`every` alone counts from the date given unless said otherwise; beside one time of day, where it is said."""
    if schedule.every is None or schedule.on or len(schedule.at) + len(schedule.meals) > 1:
        return False
    if timing.counts_from is not None:
        return timing.counts_from == "given"
    return not (schedule.at or schedule.meals)


# --- time ---------------------------------------------------------------------------------------------------------


@cache
def by_the_clock(day: date, clock: time, zone: ZoneInfo) -> datetime:
    """The moment at which the place's clock shows a time; the first of two, and a skipped one counted from midnight."""
    shown = datetime.combine(day, clock, zone).astimezone(UTC)
    if shown.astimezone(zone).time() == clock or clock == time(0):
        return shown
    return by_the_clock(day, time(0), zone) + timedelta(hours=clock.hour, minutes=clock.minute)


def begins(day: date, zone: ZoneInfo) -> datetime:
    """The beginning of a day at the place."""
    return by_the_clock(day, time(0), zone)


def later(day: date, interval: Interval, times: int, month_ends: str) -> date:
    """A day so many intervals of the calendar later."""
    count = interval.count * times
    if interval.unit == "day":
        return day + timedelta(days=count)
    if interval.unit == "week":
        return day + timedelta(weeks=count)
    months = day.year * 12 + day.month - 1 + count * (12 if interval.unit == "year" else 1)
    year, month = months // 12, months % 12 + 1
    try:
        return date(year, month, day.day)
    except ValueError:  # there is no such day in that month
        next_month = date(year + month // 12, month % 12 + 1, 1)
        return next_month if month_ends == "rolls over" else next_month - ONE_DAY


def _in_hours(interval: Interval) -> bool:
    return interval.unit in ("minute", "hour")


def _real(interval: Interval) -> timedelta:
    return timedelta(hours=interval.count) if interval.unit == "hour" else timedelta(minutes=interval.count)


def _days(interval: Interval) -> int:
    """Days of an interval of days or weeks; months and years by their usual length."""
    return interval.count * {"day": 1, "week": 7, "month": 30, "year": 365}[interval.unit]


def _day_of(past: PastDose, zone: ZoneInfo) -> date:
    """The day that the clock showed where it was given, or that it was planned for."""
    if past.planned is None:
        return past.at.date()
    if past.planned.time() == time(0):  # a whole day, as its own clock showed it
        return past.planned.date()
    return past.planned.astimezone(zone).date()


# --- the window ---------------------------------------------------------------------------------------------------


def _window(
    planned: datetime, timing: Timing, place: Place, *, in_days: bool, not_before: datetime | None = None
) -> Window:
    day = planned.astimezone(place.zone).date()
    end_of_day = begins(day + ONE_DAY, place.zone)
    from_here, to_here = (begins(day, place.zone), end_of_day) if in_days else (planned, planned)

    if timing.early is None:
        opens = from_here if in_days else planned - timedelta(minutes=place.window_minutes)
    elif _in_hours(timing.early):
        opens = from_here - _real(timing.early)
    else:
        opens = begins(day - timedelta(days=_days(timing.early)), place.zone)
    if not_before is not None:
        opens = max(opens, not_before)

    if timing.late is None:
        closes = end_of_day if in_days else planned + timedelta(minutes=place.window_minutes) + JUST_AFTER
    elif _in_hours(timing.late):
        closes = to_here + _real(timing.late) + (timedelta(0) if in_days else JUST_AFTER)
    else:
        closes = begins(day + timedelta(days=_days(timing.late)) + ONE_DAY, place.zone)

    missed_from = None
    if timing.missed_after is not None and _in_hours(timing.missed_after):
        missed_from = to_here + _real(timing.missed_after) + (timedelta(0) if in_days else JUST_AFTER)
    elif timing.missed_after is not None:
        missed_from = begins(day + timedelta(days=_days(timing.missed_after)) + ONE_DAY, place.zone)
    if missed_from is not None:
        closes = min(closes, missed_from)
    return Window(planned, opens, closes, missed_from)


# --- once, and from the date given --------------------------------------------------------------------------------


def _once(
    schedule: Schedule, timing: Timing, start: date, stop: date | None, own: Sequence[PastDose], place: Place
) -> Window | None:
    in_days = schedule.first is None
    planned = begins(start, place.zone) if schedule.first is None else schedule.first.astimezone(UTC)
    day = planned.astimezone(place.zone).date()
    for past in own:
        if _day_of(past, place.zone) >= day:
            return None
    window = _window(planned, timing, place, in_days=in_days)
    if in_days and timing.late is None and stop is not None:
        over = begins(stop + ONE_DAY, place.zone)
        window = window._replace(closes=over if window.missed_from is None else min(over, window.missed_from))
    return window


def _from_given(
    schedule: Schedule, timing: Timing, start: date, own: Sequence[PastDose], place: Place
) -> Window | None:
    every = schedule.every
    assert every is not None
    if schedule.doses is not None and _how_many_since(start, own, place.zone) >= schedule.doses:
        return None
    clocks = _clocks(schedule, place)
    in_days = not (_in_hours(every) or clocks)
    clock = clocks[0] if clocks else time(0)
    half = _real(every) / 2 if _in_hours(every) else timedelta(days=_days(every)) / 2
    if not own:
        planned = by_the_clock(start, clock, place.zone)
        in_days = not clocks  # the first day is no moment yet, though hours be counted from there
        if schedule.first is not None:
            planned, in_days = schedule.first.astimezone(UTC), False
        return _window(planned, timing, place, in_days=in_days, not_before=planned - half)
    last = own[-1]
    if _in_hours(every):
        planned = last.at.astimezone(UTC) + _real(every)
        if planned < begins(start, place.zone):
            planned, in_days = begins(start, place.zone), True
    else:
        day = max(later(last.at.date(), every, 1, place.month_ends), start)
        planned = by_the_clock(day, clock, place.zone)
    waited = last.at.astimezone(UTC) + half
    return _window(planned, timing, place, in_days=in_days, not_before=max(planned - half, waited))


def _how_many_since(start: date, own: Sequence[PastDose], zone: ZoneInfo) -> int:
    """How many have counted since the start, each planned moment once."""
    return len({past.planned or past.at for past in own if _day_of(past, zone) >= start})


# --- a timetable --------------------------------------------------------------------------------------------------


class Table:
    """A timetable, written out: the moment and the day of every place, and the window of each."""

    def __init__(
        self, before: datetime, places: list[tuple[datetime, date]], in_days: bool, timing: Timing, place: Place
    ) -> None:
        self.before = before
        self.moments = [moment for moment, _ in places]
        self.days = [day for _, day in places]
        self.in_days, self.timing, self.place = in_days, timing, place
        self.windows: dict[int, Window] = {}

    def opening(self, number: int) -> Window:
        """The window of a place by its own words, opening no sooner than in the middle after the place before."""
        here = self.moments[number]
        gap = here - (self.before if number == 0 else self.moments[number - 1])
        return _window(here, self.timing, self.place, in_days=self.in_days, not_before=here - gap / 2)

    def window(self, number: int) -> Window:
        """The window of a place, missed at the latest when the next one opens."""
        if number not in self.windows:
            own, next_opens = self.opening(number), self.opening(number + 1).opens
            missed_from = next_opens if own.missed_from is None else min(own.missed_from, next_opens)
            assert own.closes is not None
            self.windows[number] = own._replace(closes=min(own.closes, missed_from), missed_from=missed_from)
        return self.windows[number]

    def filled(self, own: Sequence[PastDose]) -> set[int]:
        """Every place that a dose fills."""
        if self.in_days:
            return {
                n for n in (self._nearest(self.days, _day_of(past, self.place.zone)) for past in own) if n is not None
            }
        moments = [(past.planned or past.at).astimezone(UTC) for past in own]
        return {n for n in (self._nearest(self.moments, moment) for moment in moments) if n is not None}

    @staticmethod
    def _nearest(places: list[date] | list[datetime], where: date) -> int | None:
        """The place nearest to a dose, the earlier of two; none where it lies too far before the first."""
        if where < places[0]:
            return 0 if (places[0] - where) * 2 <= places[1] - places[0] else None
        after = bisect_left(places, where)
        if places[after] == where:
            return after
        return after - 1 if where - places[after - 1] <= places[after] - where else after


def _clocks(schedule: Schedule, place: Place) -> tuple[time, ...]:
    meals = dict(place.meals)
    return tuple(sorted({*schedule.at, *(meals[words.split(" ")[-1]] for words in schedule.meals)}))


@cache
def _table(schedule: Schedule, timing: Timing, start: date, from_moment: datetime | None, place: Place) -> Table:
    in_days = not (schedule.every is not None and _in_hours(schedule.every)) and not _clocks(schedule, place)
    before, places, beyond = None, [], 0
    for moment, day in _places(schedule, start, from_moment, place):
        too_soon = schedule.first is not None and not in_days and moment < schedule.first
        if day < start or too_soon or (from_moment is not None and moment < from_moment):
            before = moment
            continue
        places.append((moment, day))
        beyond += day > UNTIL
        if beyond == 3:
            break
    assert before is not None
    return Table(before, places, in_days, timing, place)


def _places(
    schedule: Schedule, start: date, from_moment: datetime | None, place: Place
) -> Iterator[tuple[datetime, date]]:
    """Every place from the start on, and before it one or more as if the timetable had run before."""
    every = schedule.every
    if every is not None and _in_hours(every):
        moment = begins(start, place.zone) if from_moment is None else from_moment.astimezone(UTC)
        moment -= _real(every)
        while True:
            yield moment, moment.astimezone(place.zone).date()
            moment += _real(every)
    clocks = _clocks(schedule, place) or (time(0),)
    number = -1 if every is not None else -7
    while True:
        day = start + timedelta(days=number) if every is None else later(start, every, number, place.month_ends)
        number += 1
        if schedule.on and day.weekday() not in schedule.on:
            continue
        for clock in clocks:
            yield by_the_clock(day, clock, place.zone), day


def _from_timetable(
    schedule: Schedule,
    timing: Timing,
    start: date,
    stop: date | None,
    own: Sequence[PastDose],
    place: Place,
    now: datetime,
) -> tuple[Window | None, int]:
    from_moment = schedule.first
    if from_moment is None and schedule.every is not None and _in_hours(schedule.every):
        since = [past for past in own if _day_of(past, place.zone) >= start]
        from_moment = (since[0].planned or since[0].at) if since else None
    table = _table(schedule, timing, start, from_moment, place)
    filled = table.filled(own)
    if schedule.doses is not None and len(filled) >= schedule.doses:
        return None, 0
    last_filled = max(filled, default=-1)
    number = last_filled + 1
    while True:
        window = table.window(number)
        assert window.missed_from is not None
        if now < window.missed_from:
            break
        number += 1
    if stop is not None and table.days[number] > stop:
        # The last unfilled place within the order stays: it is missed.
        while number > last_filled and table.days[number] > stop:
            number -= 1
        if number == last_filled:
            return None, 0
    window = table.window(number)
    if own:
        # Half the way from the place before must have passed since the last dose was really given.
        before = table.moments[number - 1] if number else table.before
        half = (table.moments[number] - before) / 2
        window = window._replace(opens=max(window.opens, own[-1].at.astimezone(UTC) + half))
    return window, number - last_filled - 1


# --- a series, and when needed ------------------------------------------------------------------------------------


def _series(
    series: Sequence[SeriesDose],
    timing: Timing,
    start: date,
    own: Sequence[PastDose],
    place: Place,
    born: date | None,
    live: bool,
) -> Window | None:
    grace = timedelta(days=0 if live else place.grace_days)
    number, first, before = 0, None, None
    for past in own:
        if number == len(series):
            break
        day = past.at.date()
        least = _least(series, number, born, before, first, place)
        before = day
        if least is not None and day < least - grace:
            continue
        if first is None:
            first = day
        number += 1
    if number == len(series):
        return None
    step = series[number]
    least = _least(series, number, born, before, first, place)
    meant = _latest(born, step.age, before, step.after, first, step.after_first, place)
    opens = start if least is None else max(start, least)
    day = opens if meant is None else max(opens, meant)
    window = _window(begins(day, place.zone), timing, place, in_days=True)
    window = window._replace(opens=begins(opens, place.zone))
    return window if timing.late is not None else window._replace(closes=None)


def _least(
    series: Sequence[SeriesDose],
    number: int,
    born: date | None,
    before: date | None,
    first: date | None,
    place: Place,
) -> date | None:
    """The day before which a dose does not count; a first one that is repeated is spaced as the second would be."""
    step = series[number]
    after = step.least_after
    if number == 0 and len(series) > 1:
        after = series[1].least_after or series[1].after
    return _latest(born, step.least_age, before, after, first, step.least_after_first, place)


def _latest(
    born: date | None,
    age: Interval | None,
    before: date | None,
    after: Interval | None,
    first: date | None,
    after_first: Interval | None,
    place: Place,
) -> date | None:
    days = []
    for since, interval in ((born, age), (before, after), (first, after_first)):
        if since is not None and interval is not None:
            days.append(later(since, interval, 1, place.month_ends))
    return max(days, default=None)


def _when_needed(schedule: Schedule, start: date, own: Sequence[PastDose], place: Place) -> Window | None:
    if schedule.doses is not None and _how_many_since(start, own, place.zone) >= schedule.doses:
        return None
    opens = begins(start, place.zone) if schedule.first is None else schedule.first.astimezone(UTC)
    if own:
        last = own[-1]
        least = schedule.least_interval
        if least is None:
            opens = max(opens, last.at.astimezone(UTC))
        elif _in_hours(least):
            opens = max(opens, last.at.astimezone(UTC) + _real(least))
        else:
            there = last.at.astimezone(place.zone)
            day = later(there.date(), least, 1, place.month_ends)
            opens = max(opens, by_the_clock(day, there.time(), place.zone))
    if schedule.most_doses is not None:
        ways_out = [opens, *(past.at.astimezone(UTC) + ONE_DAY for past in own)]
        opens = min(
            moment
            for moment in ways_out
            if moment >= opens and sum(moment - ONE_DAY < past.at <= moment for past in own) < schedule.most_doses
        )
    return Window(opens, opens, None, None)
