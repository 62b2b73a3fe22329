"""When an order asks for its doses, as values, and the calendar that such orders are counted by.

Hours and minutes are real time. Days, weeks, months and years are counted on the calendar of the place, and a time of
day is what the place's clock shows: so an interval of 24 hours and one of 1 day part where the clocks change.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from functools import lru_cache

from drawup.injection.policy import Policy
from drawup.injection.quantity import Quantity

HOURS, CALENDAR = ("minute", "hour"), ("day", "week", "month", "year")
WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
MONTH_ENDS = ("rolls over", "clamps")
# What a late or missed dose asks for, by the order's or the label's own rule.
RULES = ("give", "wait", "test first", "confirm")


@dataclass(frozen=True, slots=True, kw_only=True)
class Interval:
    """A length of time as an order writes it: a whole number of one unit of HOURS or CALENDAR."""

    count: int
    unit: str

    @property
    def text(self) -> str:
        """ "4 weeks", "1 day"."""
        return f"{self.count} {self.unit}{'' if self.count == 1 else 's'}"

    @property
    def by_clock(self) -> bool:
        """Whether it is real time; else it is counted in days of the calendar."""
        return self.unit in HOURS

    @property
    def minutes(self) -> int:
        """Real minutes of an interval by the clock."""
        return self.count * (60 if self.unit == "hour" else 1)

    @property
    def days(self) -> int | None:
        """Days of an interval of days or weeks; None for months and years, which differ in length."""
        return {"day": self.count, "week": self.count * 7}.get(self.unit)

    @property
    def about(self) -> timedelta:
        """Its usual length: to tell short from long only."""
        if self.by_clock:
            return timedelta(minutes=self.minutes)
        return timedelta(days=self.count * {"day": 1, "week": 7, "month": 30, "year": 365}[self.unit])


@dataclass(frozen=True, slots=True, kw_only=True)
class DelayRule:
    """What a dose asks for that is late, or missed: one of RULES, the test that comes first, and the label's words.

    `result`: what the test must show. `fresh`: how old it may be.
    """

    do: str
    test: str = ""
    result: str = ""
    fresh: Interval | None = None
    words: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Timing:
    """How doses of a medicine follow each other, as its label or the order says; None where it says nothing.

    `counts_from`: "given" (the date of the last dose) or "planned". `early`, `late`: how far round the planned moment a
    dose may be given plainly. `missed_after`: how long after the planned moment it is missed.
    """

    counts_from: str | None = None
    early: Interval | None = None
    late: Interval | None = None
    missed_after: Interval | None = None
    if_late: DelayRule | None = None
    if_missed: DelayRule | None = None


NO_TIMING = Timing()


@dataclass(frozen=True, slots=True, kw_only=True)
class SeriesDose:
    """One dose of a series: when it is meant to be, and before which it does not count.

    `after` and `least_after` count from the dose before, `after_first` and `least_after_first` from the first one,
    `age` and `least_age` from birth.
    """

    age: Interval | None = None
    least_age: Interval | None = None
    after: Interval | None = None
    least_after: Interval | None = None
    after_first: Interval | None = None
    least_after_first: Interval | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Schedule:
    """When the doses of an order are to be given. Exactly one of these:

    once (nothing else said); `every` an interval, perhaps `at` times of the day or meals; `at` times or `meals` each
    day, or `on` some weekdays; a `series`; `when_needed`, with what it allows.

    `first`: the moment of the first dose, where the day is not enough. `doses`: how many there are in all.
    """

    every: Interval | None = None
    at: tuple[time, ...] = ()
    meals: tuple[str, ...] = ()
    on: tuple[int, ...] = ()
    first: datetime | None = None
    doses: int | None = None
    series: tuple[SeriesDose, ...] = ()
    when_needed: bool = False
    least_interval: Interval | None = None
    most_doses: int | None = None
    most_amount: Quantity | None = None
    timing: Timing = NO_TIMING

    @property
    def once(self) -> bool:
        """Whether it is one dose only."""
        return not (self.every or self.at or self.meals or self.on or self.series or self.when_needed)

    @property
    def counts_from_given(self) -> bool:
        """Whether the next dose is counted from the last one given, unless the medicine says otherwise."""
        return self.every is not None and not (self.at or self.meals or self.on)

    @property
    def words(self) -> str:
        """The schedule in plain words: "every 4 weeks, 5 doses"."""
        parts = [self._when()]
        if self.doses is not None and not self.once:
            parts.append(f"{self.doses} dose{'' if self.doses == 1 else 's'}")
        return ", ".join(part for part in parts if part)

    def _when(self) -> str:
        if self.once:
            return "once"
        if self.series:
            return f"a series of {len(self.series)}"
        if self.when_needed:
            least = f", at least {self.least_interval.text} apart" if self.least_interval else ""
            most = f", at most {self.most_doses} in 24 hours" if self.most_doses else ""
            return f"when needed{least}{most}"
        days = " and ".join(f"{WEEKDAYS[day].capitalize()}s" for day in self.on)
        every = "every day" if self.every in (None, EVERY_DAY) and not days else ""
        if self.every is not None and self.every != EVERY_DAY:
            every = f"every {self.every.text}"
        times = " and ".join(one.strftime("%H:%M") for one in self.at)
        when = " and ".join([*self.meals, *([f"at {times}"] if times else [])])
        return " ".join(part for part in (every, f"on {days}" if days else "", when) if part)


EVERY_DAY = Interval(count=1, unit="day")


@dataclass(frozen=True, slots=True, kw_only=True)
class DoseStep:
    """One step of a ladder: an amount for so many doses or for so long, perhaps with an interval of its own.

    The last step has no end. `every` is the interval before each dose of the step.
    """

    amount: Quantity
    doses: int | None = None
    lasts: Interval | None = None
    every: Interval | None = None


# --- the calendar -------------------------------------------------------------------------------------------------


@lru_cache(maxsize=4096)
def add_interval(day: date, interval: Interval, month_ends: str) -> date:
    """A day plus an interval of the calendar.

    Where months or years end on a day that does not exist, it is the first of the next month ("rolls over") or the
    last of that month ("clamps"). Raises ValueError for an interval by the clock, or past the year 9999.
    """
    if interval.days is not None:
        return day + timedelta(days=interval.days)
    if interval.by_clock:
        raise ValueError(f"{interval.text} is real time, and cannot be added to a day")
    months = day.year * 12 + day.month - 1 + interval.count * (12 if interval.unit == "year" else 1)
    year, month = divmod(months, 12)
    try:
        return date(year, month + 1, day.day)
    except ValueError:
        after = date(year + (month == 11), (month + 1) % 12 + 1, 1)
        return after if month_ends == "rolls over" else after - timedelta(days=1)


def day_missing(day: date, interval: Interval, month_ends: str) -> bool:
    """Whether a day plus so many months fell on a day that does not exist, so that the rule decided."""
    return interval.days is None and not interval.by_clock and add_interval(day, interval, month_ends).day != day.day


def less_days(day: date, days: int) -> date:
    """A day less so many days."""
    return day - timedelta(days=days)


def instant(day: date, clock: time, zone: tzinfo) -> datetime:
    """The moment, in UTC, at which the place's clock shows this time on this day.

    A time that the clock skips is as long after midnight as it would have been: an hour later by the clock. A time that
    it shows twice is the first of the two.
    """
    return datetime.combine(day, clock, tzinfo=zone).astimezone(UTC)


@dataclass(frozen=True, slots=True, kw_only=True)
class Calendar:
    """How a place counts: its time zone, its policy for month ends, its meal times, and how wide a window is.

    `window_minutes`: how far round a time of day a dose may be given where nothing else is said. `grace_days`: how many
    days too early a dose of a series still counts.
    """

    zone: tzinfo
    month_ends: str
    meal_times: tuple[tuple[str, time], ...]
    window_minutes: int
    grace_days: int


def calendar_of(policy: Policy, zone: tzinfo) -> Calendar:
    """The calendar of a place by its policy."""
    return Calendar(
        zone=zone,
        month_ends=policy.month_ends,
        meal_times=policy.meal_times,
        window_minutes=policy.dose_window_minutes,
        grace_days=policy.grace_days,
    )


def month_end_words(day: date, interval: Interval, calendar: Calendar) -> str:
    """What the policy decided where so many months end on a day that does not exist; "" where it had not to."""
    if not day_missing(day, interval, calendar.month_ends):
        return ""
    does = "goes over into the next month" if calendar.month_ends == "rolls over" else "is the last of its month"
    return f" (there is no day {day.day} in that month: by the policy it {does})"


MIDNIGHT = time(0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Slot:
    """One planned dose of a fixed timetable: its running number, its moment in UTC, and its day at the place."""

    index: int
    moment: datetime
    day: date


@dataclass(frozen=True, slots=True, kw_only=True)
class Timetable:
    """The planned doses of a schedule that does not move: from a day on, or from a moment for real hours.

    `times` are the clock times of each day of the timetable; empty where it knows days only. `skipped`: how many of its
    places lie before the moment from which it starts.
    """

    start: date
    zone: tzinfo
    month_ends: str
    every: Interval = EVERY_DAY
    times: tuple[time, ...] = ()
    weekdays: tuple[int, ...] = ()
    first: datetime | None = None
    skipped: int = 0

    def slot(self, index: int) -> Slot:
        """The planned dose with this number, counted from 0."""
        if self.every.by_clock:
            assert self.first is not None  # hours are counted from a moment
            moment = self.first + timedelta(minutes=self.every.minutes * index)
            return Slot(index=index, moment=moment, day=moment.astimezone(self.zone).date())
        clocks = self.times or (MIDNIGHT,)
        number, part = divmod(index + self.skipped, len(clocks))
        day = self._day(number)
        return Slot(index=index, moment=instant(day, clocks[part], self.zone), day=day)

    def floor(self, moment: datetime) -> int:
        """The number of the last planned dose that is not after the moment; below 0 before the first."""
        if self.every.by_clock:
            assert self.first is not None
            return (moment - self.first) // timedelta(minutes=self.every.minutes)
        count = len(self.times) or 1
        index = self._number(moment.astimezone(self.zone).date()) * count + count - 1 - self.skipped
        while index >= 0 and self.slot(index).moment > moment:
            index -= 1
        return index

    def nearest(self, moment: datetime) -> int:
        """The number of the planned dose nearest to the moment, the earlier of two; below 0 for one long before all."""
        before = self.floor(moment)
        if before < 0:
            first = self.slot(0).moment
            return 0 if first - moment <= (self.slot(1).moment - first) / 2 else -1
        after = self.slot(before + 1).moment
        return before if moment - self.slot(before).moment <= after - moment else before + 1

    def nearest_day(self, day: date) -> int:
        """The same in a timetable of days: by the day, whatever the time."""
        before = self._number(day)
        if before < 0:
            first = self.slot(0).day
            return 0 if (first - day) * 2 <= self.slot(1).day - first else -1
        after = self.slot(before + 1).day
        return before if day - self.slot(before).day <= after - day else before + 1

    def _day(self, number: int) -> date:
        if self.weekdays:
            weeks, part = divmod(number + self._passed(), len(self.weekdays))
            return self._monday() + timedelta(days=weeks * 7 + self.weekdays[part])
        days = self.every.days
        if days is not None:
            return self.start + timedelta(days=days * number)
        step = Interval(count=self.every.count * number, unit=self.every.unit)
        return add_interval(self.start, step, self.month_ends)

    def _number(self, day: date) -> int:
        """The number of the last day of the timetable that is not after the day; below 0 before the first."""
        if self.weekdays:
            weeks, weekday = divmod((day - self._monday()).days, 7)
            part = sum(1 for one in self.weekdays if one <= weekday)
            return weeks * len(self.weekdays) + part - 1 - self._passed()
        days = self.every.days
        if days is not None:
            return (day - self.start).days // days
        months = (day.year - self.start.year) * 12 + day.month - self.start.month
        number = months // (self.every.count * (12 if self.every.unit == "year" else 1))
        # A day that rolled over into the next month, or was not reached yet, is one off.
        while number >= 0 and self._day(number) > day:
            number -= 1
        return number

    def _monday(self) -> date:
        return self.start - timedelta(days=self.start.weekday())

    def _passed(self) -> int:
        """How many of the weekdays lie before the start in its own week."""
        return sum(1 for one in self.weekdays if one < self.start.weekday())


def step_at(
    steps: tuple[DoseStep, ...], *, given: int, first: date, today: date, month_ends: str
) -> tuple[int, DoseStep]:
    """The step of a ladder in which the next dose is, and its number from 1.

    `given`: how many doses were given so far; `first`: the day of the first of them, or today.
    """
    doses_before, ends = 0, first
    for number, step in enumerate(steps, start=1):
        if step.doses is not None:
            doses_before += step.doses
            if given < doses_before:
                return number, step
        elif step.lasts is not None:
            ends = add_interval(ends, step.lasts, month_ends)
            if today < ends:
                return number, step
        else:
            return number, step
    return len(steps), steps[-1]
