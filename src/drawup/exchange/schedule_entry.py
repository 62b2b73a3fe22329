"""When doses are to be given, as the public request writes it, read into a `Schedule` and a `Timing`.

`times` is the short way: ["08:00", "20:00"], ["before breakfast"], ["every 4 weeks"], ["Mondays"]. `schedule` is the
whole one. Words that cannot be counted by stay words; the plan then says nothing about when.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from datetime import date, time
from itertools import pairwise
from typing import Any

from drawup.exchange.reader import FieldError, Fields, checked_text, shown
from drawup.injection.medicine import Watch, WatchLimit
from drawup.injection.notation import Notation
from drawup.injection.quantity import DOSE_DIMENSIONS
from drawup.injection.schedule import (
    RULES,
    WEEKDAYS,
    DelayRule,
    Interval,
    Schedule,
    SeriesDose,
    Timing,
)

_SCHEDULE_KEYS = frozenset(
    [
        "once",
        "every",
        "at",
        "meals",
        "on",
        "first",
        "doses",
        "series",
        "when_needed",
        "least_interval",
        "at_most_doses",
        "at_most",
        "repeat",
    ]
)
_TIMING_KEYS = frozenset(["counts_from", "early", "late", "missed_after", "if_late", "if_missed"])
_RULE_KEYS = frozenset(["do", "test", "result", "fresh", "words"])
_SERIES_KEYS = frozenset(["age", "least_age", "after", "least_after", "after_first", "least_after_first"])
_WATCH_KEYS = frozenset(["what", "every", "for", "limits", "then"])
_LIMIT_KEYS = frozenset(["what", "below", "above", "unit"])

_INTERVAL = re.compile(r"(0|[1-9][0-9]{0,3}) (minute|hour|day|week|month|year)s?", re.ASCII)
_CLOCK = re.compile(r"(?:[01][0-9]|2[0-3]):[0-5][0-9]", re.ASCII)
# A time of day in TOML is kept with its seconds.
_CLOCK_READ = re.compile(_CLOCK.pattern + "(?::00)?", re.ASCII)
_MEAL = re.compile(r"(?:(?:before|with|after|at) )?[a-z]+", re.ASCII)
# The meals that a timing in the open standard's form may name.
FHIR_MEALS = ("breakfast", "lunch", "supper", "bedtime")
_LONGEST = {"minute": 1440, "hour": 1000, "day": 4000, "week": 520, "month": 240, "year": 150}


def interval_of(value: object, path: str, *, zero: bool = False) -> Interval:
    """A length of time such as "4 weeks". Raises FieldError."""
    match = _INTERVAL.fullmatch(value) if isinstance(value, str) else None
    if match is None:
        raise FieldError(path, f'read "{shown(value)}", expected such as "12 hours", "28 days" or "2 months"')
    interval = Interval(count=int(match[1]), unit=match[2])
    if interval.count == 0 and not zero:
        raise FieldError(path, f'read "{shown(value)}": an interval of nothing. Write how far apart')
    if interval.count > _LONGEST[interval.unit]:
        raise FieldError(path, f'read "{shown(value)}", expected at most {_LONGEST[interval.unit]} {interval.unit}s')
    return interval


def _interval(fields: Fields, key: str, *, zero: bool = False) -> Interval | None:
    value = fields.take(key)
    return None if value is None else interval_of(value, fields.at(key), zero=zero)


def read_timing(fields: Fields) -> Timing:
    """How doses follow each other; the keys of _TIMING_KEYS, which the caller closes. Raises FieldError."""
    timing = Timing(
        counts_from=fields.one_of("counts_from", ("given", "planned")),
        early=_window(fields, "early"),
        late=_window(fields, "late"),
        missed_after=_window(fields, "missed_after"),
        if_late=_rule(fields, "if_late"),
        if_missed=_rule(fields, "if_missed"),
    )
    late, missed = timing.late, timing.missed_after
    if missed is not None and late is not None and missed.about < late.about:
        fields.fail("missed_after", f"read {missed.text}, before the window ends ({late.text}). Write a longer time")
    if timing.if_missed is not None and missed is None:
        fields.fail("if_missed", "says what a missed dose asks for, and missed_after does not say when it is one")
    return timing


def _window(fields: Fields, key: str) -> Interval | None:
    interval = _interval(fields, key, zero=True)
    if interval is not None and interval.unit in ("month", "year"):
        fields.fail(key, f'read "{interval.text}", expected minutes, hours, days or weeks')
    return interval


def _rule(fields: Fields, key: str) -> DelayRule | None:
    inner = fields.inside(key)
    if inner is None:
        return None
    do = inner.one_of("do", RULES)
    if do is None:
        inner.fail("do", f"missing, expected one of: {', '.join(RULES)}")
    rule = DelayRule(
        do=do,
        test=inner.text("test") or "",
        result=inner.text("result") or "",
        fresh=_interval(inner, "fresh"),
        words=inner.text("words", longest=400) or "",
    )
    if (do == "test first") != bool(rule.test):
        inner.fail("test", "names the test of a rule that says test first" if rule.test else "missing: which test")
    inner.close(_RULE_KEYS)
    return rule


def read_label_timing(fields: Fields | None) -> Timing:
    """What a medicine's label says about timing. Raises FieldError."""
    if fields is None:
        return Timing()
    timing = read_timing(fields)
    fields.close(_TIMING_KEYS)
    return timing


# --- the schedule of an order -------------------------------------------------------------------------------------


def read_schedule(order: Fields, meals: Sequence[str]) -> Schedule | None:
    """The order's schedule, written whole or as `times`; None where it says nothing that can be counted by.

    `meals`: the meals that the policy has a time for. Raises FieldError.
    """
    times, when_needed = order.texts("times") or (), bool(order.truth("when_needed"))
    fields = order.inside("schedule")
    if fields is None:
        return _from_times(order, times, meals, when_needed)
    if times:
        order.fail("times", "stands beside schedule, which says when. Write one of the two")
    schedule = _whole(fields, meals) if fields.take("repeat") is None else _repeated(fields, meals)
    if when_needed and not schedule.when_needed:
        order.fail("when_needed", "stands beside a schedule that has its own times. Write one of the two")
    return schedule


def _repeated(fields: Fields, meals: Sequence[str]) -> Schedule:
    """A schedule in the open standard's form: the `repeat` of a FHIR R4 Timing."""
    from drawup.exchange.fhir_timing import schedule_of_repeat

    fields.close(_SCHEDULE_KEYS | _TIMING_KEYS)
    for key in _SCHEDULE_KEYS - {"repeat"}:
        if fields.take(key) is not None:
            fields.fail(key, "stands beside repeat, which says when. Write one of the two")
    schedule = schedule_of_repeat(fields.take("repeat"), fields.at("repeat"), read_timing(fields))
    for words in schedule.meals:
        meal_words(words, fields.at("repeat.when"), meals)
    _check_timing(schedule, fields)
    return schedule


def _whole(fields: Fields, meals: Sequence[str]) -> Schedule:
    fields.close(_SCHEDULE_KEYS | _TIMING_KEYS)
    every = _interval(fields, "every")
    at = fields.items("at", _clock, most=48) or ()
    named = fields.items("meals", lambda value, path: meal_words(value, path, meals), most=10) or ()
    on = fields.items("on", _weekday, most=7) or ()
    series = fields.items("series", lambda value, path: _series_dose(value, path, fields), most=20) or ()
    schedule = Schedule(
        every=every,
        at=tuple(sorted(at)),
        meals=named,
        on=tuple(sorted(on)),
        first=fields.moment("first"),
        doses=fields.whole("doses", least=1, most=10_000),
        series=series,
        when_needed=bool(fields.truth("when_needed")),
        least_interval=_interval(fields, "least_interval"),
        most_doses=fields.whole("at_most_doses", least=1, most=100),
        most_amount=fields.quantity("at_most", *DOSE_DIMENSIONS, forms=None),
        timing=read_timing(fields),
    )
    _check_kind(schedule, fields)
    _check_series(schedule.series, fields)
    _check_timing(schedule, fields)
    for key, values in (("at", at), ("meals", named), ("on", on)):
        if len(set(values)) < len(values):
            fields.fail(key, "one of them stands twice. Write each once")
    if len({_meal(words) for words in named}) < len(named):
        fields.fail("meals", "two doses at one meal. Write each meal once, or times of day")
    return schedule


def _meal(words: str) -> str:
    return words.rpartition(" ")[2]


def _check_kind(schedule: Schedule, fields: Fields) -> None:
    """One kind of schedule at a time, and nothing beside it that would do nothing."""
    by_clock = schedule.every is not None and schedule.every.by_clock
    said = {
        "once": fields.truth("once") is True,
        "every": schedule.every is not None,
        "at": bool(schedule.at),
        "meals": bool(schedule.meals),
        "on": bool(schedule.on),
        "series": bool(schedule.series),
        "when_needed": schedule.when_needed,
    }
    present = [key for key, is_there in said.items() if is_there]
    alone = [key for key in present if key in ("once", "series", "when_needed")]
    if not present:
        fields.fail("once", "says no times. Write once = true, every, at, meals, on, series or when_needed")
    if alone and len(present) > 1:
        fields.fail(alone[0], f"stands beside {', '.join(key for key in present if key != alone[0])}. Write one")
    if by_clock and len(present) > 1:
        fields.fail("every", f"real hours beside {', '.join(present[1:])}. Write one of the two")
    if said["on"] and said["every"]:
        fields.fail("on", "weekdays beside an interval. Write one of the two")
    if not schedule.when_needed:
        for key in ("least_interval", "at_most_doses", "at_most"):
            if fields.take(key) is not None:
                fields.fail(key, "is a limit of when_needed, which is not there")
    if schedule.doses is not None and (said["once"] or said["series"]):
        fields.fail("doses", "stands beside a schedule that says how many by itself. Leave it out")
    if by_clock and schedule.timing.counts_from == "planned" and schedule.first is None:
        fields.fail("first", "missing: hours counted from the plan need the moment of the first dose")


def _check_timing(schedule: Schedule, fields: Fields) -> None:
    """A window that reaches back to the dose before, and words about a dose that has no window."""
    early, apart = schedule.timing.early, _apart(schedule)
    if early is not None and apart is not None and early.about >= apart.about:
        fields.fail("early", f"read {early.text}, not shorter than every {apart.text}. Write a shorter time")
    if schedule.when_needed:
        for key in _TIMING_KEYS:
            if fields.take(key) is not None:
                fields.fail(key, "is about a planned dose, and a when-needed one is not planned. Leave it out")
    several = schedule.on or len(schedule.at) + len(schedule.meals) > 1
    if schedule.timing.counts_from == "given" and (schedule.every is None or several):
        fields.fail("counts_from", "read given, and the doses have fixed places. Write every, with one time at most")


def _apart(schedule: Schedule) -> Interval | None:
    """How far apart doses lie, as far as the schedule itself says."""
    if schedule.every is not None or not (schedule.at or schedule.meals or schedule.on):
        return schedule.every
    if not schedule.on:
        return Interval(count=1, unit="day")
    days = [*schedule.on, schedule.on[0] + 7]
    return Interval(count=min(after - before for before, after in pairwise(days)), unit="day")


def _clock(value: object, path: str) -> time:
    text = value.isoformat() if type(value) is time else value
    if not isinstance(text, str) or not _CLOCK_READ.fullmatch(text):
        raise FieldError(path, f'read "{shown(value)}", expected a time of day such as "08:00"')
    return time.fromisoformat(text)


def _weekday(value: object, path: str) -> int:
    for number, day in enumerate(WEEKDAYS):
        if value in (day, day.capitalize()):
            return number
    raise FieldError(path, f'read "{shown(value)}", expected one of: {", ".join(WEEKDAYS)}')


def meal_words(value: object, path: str, meals: Sequence[str]) -> str:
    """A meal as an order names it: "before breakfast", "bedtime". Raises FieldError."""
    words = checked_text(value, path, 60).strip().casefold()
    if not _MEAL.fullmatch(words) or _meal(words) not in meals:
        raise FieldError(path, f'read "{shown(value)}", expected before, with or after one of: {", ".join(meals)}')
    return words


def _series_dose(value: object, path: str, parent: Fields) -> SeriesDose:
    fields = Fields(value, path, parent.notation, parent.notes)
    found = {key: _interval(fields, key, zero=key.endswith("age")) for key in _SERIES_KEYS}
    fields.close(_SERIES_KEYS)
    for least in ("least_age", "least_after", "least_after_first"):
        meant, shortest = found[least.removeprefix("least_")], found[least]
        if meant is not None and shortest is not None and shortest.about > meant.about:
            fields.fail(least, f"read {shortest.text}, longer than {least.removeprefix('least_')}, {meant.text}")
    for key, interval in found.items():
        if interval is not None and interval.by_clock:
            fields.fail(key, f'read "{interval.text}", expected days, weeks, months or years')
    return SeriesDose(**found)


def _check_series(series: tuple[SeriesDose, ...], fields: Fields) -> None:
    """A series out of order: a later dose that is meant to come before an earlier one."""
    for index, step in enumerate(series):
        since = step.after or step.least_after or step.after_first or step.least_after_first
        if index == 0 and since is not None:
            fields.fail("series[0]", "the first dose of a series has no dose before it. Write its age, or nothing")
        if index > 0 and since is None and step.age is None and step.least_age is None:
            fields.fail(f"series[{index}]", "says neither how long after the dose before nor at what age")
    for meant in ("age", "after_first"):
        for key, other in ((meant, meant), (f"least_{meant}", f"least_{meant}"), (meant, f"least_{meant}")):
            latest: Interval | None = None
            for index, step in enumerate(series):
                two: Interval | None = getattr(step, key)
                if two is not None and latest is not None and two.about < latest.about:
                    step_text = f"{key} {two.text} comes before {latest.text} of a dose before it"
                    fields.fail(f"series[{index}]", f"out of order: {step_text}. Write the doses as they follow")
                one: Interval | None = getattr(step, other)
                latest = one if latest is None or (one is not None and one.about > latest.about) else latest


# --- in words -----------------------------------------------------------------------------------------------------


def _from_times(order: Fields, times: Sequence[str], meals: Sequence[str], when_needed: bool) -> Schedule | None:
    """What `times` and `when_needed` come to. Raises FieldError where they are two answers."""
    if len(times) == 1 and times[0].strip().casefold().startswith("every "):
        interval = times[0].strip().casefold().removeprefix("every ")
        if _INTERVAL.fullmatch(interval):
            interval_of(interval, f"{order.at('times')}[0]")
    _check_times(times, order)
    counted = _from_words(times, meals) if times else None
    if when_needed and counted is not None:
        instead = "Write one of the two, or schedule with when_needed and least_interval"
        order.fail("when_needed", f"stands beside times that say when: {counted.words}. {instead}")
    return Schedule(when_needed=True) if when_needed else counted


_NEARLY = re.compile(r"[0-9]{1,2}[:.][0-9]{2}", re.ASCII)


def _check_times(times: Sequence[str], order: Fields) -> None:
    """A slip in a time of day, or a time that stands twice, would otherwise stay words that nothing is counted by."""
    plain = [one.strip().casefold() for one in times]
    for index, words in enumerate(plain):
        if _NEARLY.fullmatch(words) and not _CLOCK.fullmatch(words):
            raise FieldError(f"{order.at('times')}[{index}]", f'read "{shown(words)}", expected such as "08:00"')
    if len(set(plain)) < len(plain):
        order.fail("times", "one of them stands twice. Write each once")


def _from_words(times: Sequence[str], meals: Sequence[str]) -> Schedule | None:
    """The short way: clock times and meals, weekdays, or one interval; None where a word says something else."""
    plain = [one.strip().casefold() for one in times]
    if all(_CLOCK.fullmatch(one) or _is_meal(one, meals) for one in plain) and len(set(plain)) == len(plain):
        clocks = [time.fromisoformat(one) for one in plain if _CLOCK.fullmatch(one)]
        named = tuple(one for one in plain if not _CLOCK.fullmatch(one))
        if len({_meal(words) for words in named}) < len(named):
            return None
        return Schedule(at=tuple(sorted(clocks)), meals=named)
    days = [one.removesuffix("s") for one in plain]
    if all(day in WEEKDAYS for day in days) and len(set(days)) == len(days):
        return Schedule(on=tuple(sorted(WEEKDAYS.index(day) for day in days)))
    match = _INTERVAL.fullmatch(plain[0].removeprefix("every ")) if len(plain) == 1 else None
    if match is None or not plain[0].startswith("every "):
        return Schedule() if plain == ["once"] else None
    return Schedule(every=Interval(count=int(match[1]), unit=match[2]))


def _is_meal(words: str, meals: Sequence[str]) -> bool:
    return bool(_MEAL.fullmatch(words)) and _meal(words) in meals


def schedule_words(rule: Mapping[str, Any]) -> str:
    """When the doses of an order are to be given, in plain words; what cannot be counted by stands as written."""
    known = rule.get("schedule")
    if known is None:
        return "when needed" if rule.get("when_needed") else " and ".join(rule.get("times") or ())
    meals = [words.rpartition(" ")[2] for words in known.get("meals") or FHIR_MEALS]
    fields = Fields({"schedule": known}, "", Notation(), [])
    schedule = read_schedule(fields, meals)
    return "" if schedule is None else schedule.words


# --- watching -----------------------------------------------------------------------------------------------------


def read_watch(fields: Fields | None) -> Watch | None:
    """What is watched after the injection, how often and how long. Raises FieldError."""
    if fields is None:
        return None
    what = fields.names("what")
    every, lasts = _interval(fields, "every"), _interval(fields, "for")
    if not what:
        fields.fail("what", 'missing, expected a list such as ["breathing rate"]')
    for key, interval in (("every", every), ("for", lasts)):
        if interval is None or not (interval.by_clock or interval.unit == "day"):
            fields.fail(key, 'missing, expected such as "15 minutes" or "2 hours"')
    assert every is not None and lasts is not None  # refused above  # noqa: PT018
    if every.about > lasts.about:
        fields.fail("every", f"read {every.text}, longer than the whole watch of {lasts.text}")
    watch = Watch(
        what=what,
        every=every,
        lasts=lasts,
        limits=fields.items("limits", lambda value, path: _limit(value, path, fields, what), most=20) or (),
        then=fields.text("then", longest=400) or "Tell the prescriber.",
    )
    fields.close(_WATCH_KEYS)
    return watch


def _limit(value: object, path: str, parent: Fields, known: Sequence[str]) -> WatchLimit:
    fields = Fields(value, path, parent.notation, parent.notes)
    what = fields.need_text("what")
    if what not in known:
        fields.fail("what", f'read "{shown(what)}", expected one of what is watched: {", ".join(known)}')
    below, above = fields.number("below"), fields.number("above")
    if below is None and above is None:
        fields.fail("below", "a limit has a below, an above or both")
    if below is not None and above is not None and above < below:
        fields.fail("above", "lies under below, so that every figure would be outside")
    limit = WatchLimit(what=what, below=below, above=above, unit=fields.text("unit") or "")
    fields.close(_LIMIT_KEYS)
    return limit


def review_day(fields: Fields, key: str, start: date | None) -> date | None:
    """A day of the order that may not lie before its start. Raises FieldError."""
    day = fields.day(key)
    if day is not None and start is not None and day < start:
        fields.fail(key, f"read {day.isoformat()}, before the start {start.isoformat()}")
    return day
