"""A FHIR R4 Timing, read exactly, put into plain words, and turned into a `Schedule` where that is exact.

Read: `repeat`, `code` and `event`, whole or not at all. What breaks an invariant of the standard (tim-1 to tim-10), or
could mean two things, is refused with the path. Codes such as those for "twice a day" are read and never shown.

Source: HL7 FHIR R4 4.0.1, StructureDefinition Timing, ValueSet event-timing, CodeSystem v3-GTSAbbreviation,
github.com/google/fhir (snapshot 74fce9530cd7), spec/hl7.fhir.core/4.0.1/package. No conformance is claimed.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, time
from fractions import Fraction

from drawup.exchange.fhir_element import Element, element_of, listed, moment_text, one_of, seen, text_of
from drawup.exchange.reader import FieldError
from drawup.exchange.schedule_entry import interval_of
from drawup.injection.notation import render_number
from drawup.injection.schedule import WEEKDAYS, Interval, Schedule, Timing

_UNITS = {"s": "second", "min": "minute", "h": "hour", "d": "day", "wk": "week", "mo": "month", "a": "year"}
# In days, exactly. Months and years are not of one length.
_IN_DAYS = {
    "s": Fraction(1, 86_400),
    "min": Fraction(1, 1440),
    "h": Fraction(1, 24),
    "d": Fraction(1),
    "wk": Fraction(7),
}
_DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")

# Each event of the day: in words, and in words after so many minutes. A meal itself takes no minutes (tim-9).
_WHEN: dict[str, tuple[str, str]] = {
    "MORN": ("in the morning", "after the usual time in the morning"),
    "MORN.early": ("in the early morning", "after the usual time in the early morning"),
    "MORN.late": ("in the late morning", "after the usual time in the late morning"),
    "NOON": ("around noon", "after noon"),
    "AFT": ("in the afternoon", "after the usual time in the afternoon"),
    "AFT.early": ("in the early afternoon", "after the usual time in the early afternoon"),
    "AFT.late": ("in the late afternoon", "after the usual time in the late afternoon"),
    "EVE": ("in the evening", "after the usual time in the evening"),
    "EVE.early": ("in the early evening", "after the usual time in the early evening"),
    "EVE.late": ("in the late evening", "after the usual time in the late evening"),
    "NIGHT": ("at night", "after the usual time at night"),
    "PHS": ("after falling asleep", "after falling asleep"),
    "HS": ("at bedtime", "before bedtime"),
    "WAKE": ("on waking", "after waking"),
    "C": ("with each meal", ""),
    "CM": ("with breakfast", ""),
    "CD": ("with lunch", ""),
    "CV": ("with supper", ""),
    "AC": ("before each meal", "before each meal"),
    "ACM": ("before breakfast", "before breakfast"),
    "ACD": ("before lunch", "before lunch"),
    "ACV": ("before supper", "before supper"),
    "PC": ("after each meal", "after each meal"),
    "PCM": ("after breakfast", "after breakfast"),
    "PCD": ("after lunch", "after lunch"),
    "PCV": ("after supper", "after supper"),
}
# The events that an order may name as a meal, in an order's words.
_MEALS = {code: _WHEN[code][0] for code in ("CM", "CD", "CV", "ACM", "ACD", "ACV", "PCM", "PCD", "PCV")}
_MEALS["HS"] = "bedtime"

_GTS = "http://terminology.hl7.org/CodeSystem/v3-GTSAbbreviation"
_UCUM = "http://unitsofmeasure.org"
# Each code: in words, and how many doses in which time. They are given at times that each place chooses.
_CODES: dict[str, tuple[str, tuple[int, int, str] | None]] = {
    "QD": ("1 dose a day", (1, 1, "d")),
    "BID": ("2 doses a day", (2, 1, "d")),
    "TID": ("3 doses a day", (3, 1, "d")),
    "QID": ("4 doses a day", (4, 1, "d")),
    "QOD": ("1 dose every 2 days", (1, 2, "d")),
    "WK": ("1 dose a week", (1, 1, "wk")),
    "MO": ("1 dose a month", (1, 1, "mo")),
    "Q1H": ("1 dose an hour", (1, 1, "h")),
    "Q2H": ("1 dose every 2 hours", (1, 2, "h")),
    "Q3H": ("1 dose every 3 hours", (1, 3, "h")),
    "Q4H": ("1 dose every 4 hours", (1, 4, "h")),
    "Q6H": ("1 dose every 6 hours", (1, 6, "h")),
    "Q8H": ("1 dose every 8 hours", (1, 8, "h")),
    "AM": ("every day in the morning", None),
    "PM": ("every day in the afternoon", None),
    "BED": ("every day at bedtime", None),
    "JB": ("on Mondays to Fridays that are no holidays", None),
    "JE": ("on Saturdays and Sundays that are no holidays", None),
}

_TIMING_KEYS = frozenset(["repeat", "code", "event"])
_REPEAT_KEYS = frozenset(
    ["boundsDuration", "boundsPeriod", "boundsRange", "count", "countMax", "duration", "durationMax", "durationUnit",
     "frequency", "frequencyMax", "period", "periodMax", "periodUnit", "dayOfWeek", "timeOfDay", "when", "offset"]
)  # fmt: skip
_MOST_EVENTS = 1000
_MOST_DOSES = 10_000
_CLOCK = re.compile(r"([01][0-9]|2[0-3]):[0-5][0-9]:[0-5][0-9](\.0{1,9})?", re.ASCII)


@dataclass(frozen=True, slots=True, kw_only=True)
class FhirTiming:
    """A FHIR R4 Timing as it was sent. None or empty where it says nothing.

    Units are codes: s min h d wk mo a. `bounds_start`, `bounds_end` and `events` are dates or moments in the standard's
    own writing. `offset` is in minutes from each `when`. `code` is one of the standard's abbreviations, for reading and
    never for showing; `code_words` is what the sender calls a timing that has no such code.
    """

    frequency: int | None = None
    frequency_max: int | None = None
    period: Fraction | None = None
    period_max: Fraction | None = None
    period_unit: str = ""
    count: int | None = None
    count_max: int | None = None
    bounds_start: str = ""
    bounds_end: str = ""
    bounds_duration: Fraction | None = None
    bounds_duration_max: Fraction | None = None
    bounds_duration_unit: str = ""
    duration: Fraction | None = None
    duration_max: Fraction | None = None
    duration_unit: str = ""
    day_of_week: tuple[str, ...] = ()
    time_of_day: tuple[time, ...] = ()
    when: tuple[str, ...] = ()
    offset: int | None = None
    events: tuple[str, ...] = ()
    code: str = ""
    code_words: str = ""

    @property
    def doses_per(self) -> tuple[int, Fraction, str] | None:
        """How many doses in how long: 3, 1, "d". Of a range the lower figure; None where it has no period.

        Without a frequency it is one per period: so the standard reads it.
        """
        return None if self.period is None else (self.frequency or 1, self.period, self.period_unit)

    @property
    def interval_range(self) -> tuple[Fraction, Fraction, str] | None:
        """The least and the longest period, where it is a range."""
        if self.period is None or self.period_max is None:
            return None
        return self.period, self.period_max, self.period_unit

    @property
    def mean_doses_per_day(self) -> Fraction | None:
        """Doses a day, exactly, on the days that it falls on (`day_of_week` is not worked in).

        From the frequency and the period; without them from the times of day, or from the code. None for a range, for
        months and years, which are not of one length, and where the code says something else than the rest.
        """
        if self.period_max not in (None, self.period) or self.frequency_max not in (None, self.frequency):
            return None
        mean = _mean(self.doses_per)
        if self.period is None and self.frequency is None and self.time_of_day:
            mean = Fraction(len(self.time_of_day))
        rate = _CODES[self.code][1] if self.code else None
        coded = None if rate is None else _mean(_per(*rate))
        if mean is None and self.period is None and self.frequency is None and not self.when and not self.day_of_week:
            return coded
        return None if coded is not None and coded != mean else mean


def _per(number: int, period: int, unit: str) -> tuple[int, Fraction, str]:
    return number, Fraction(period), unit


def _mean(doses_per: tuple[int, Fraction, str] | None) -> Fraction | None:
    if doses_per is None or doses_per[2] not in _IN_DAYS:
        return None
    number, period, unit = doses_per
    return number / (period * _IN_DAYS[unit])


# --- reading ------------------------------------------------------------------------------------------------------


def read_timing(value: object, path: str) -> FhirTiming:
    """A FHIR R4 Timing: {"repeat": {...}, "code": {...}, "event": [...]}. Raises FieldError."""
    element = element_of(value, path, _TIMING_KEYS)
    repeat = element.inside("repeat", _REPEAT_KEYS)
    code, code_words = _read_code(element)
    events = element.texts("event", moment_text, most=_MOST_EVENTS)
    return _read_repeat(repeat or Element("", {}), events=events, code=code, code_words=code_words)


def _read_repeat(repeat: Element, *, events: tuple[str, ...] = (), code: str = "", code_words: str = "") -> FhirTiming:
    start, end = _bounds_period(repeat)
    low, high, unit = _bounds_length(repeat)
    timing = FhirTiming(
        frequency=repeat.whole("frequency", least=1),
        frequency_max=repeat.whole("frequencyMax", least=1),
        period=repeat.number("period", "tim-5"),
        period_max=repeat.number("periodMax"),
        period_unit=repeat.one_of("periodUnit", _UNITS),
        count=repeat.whole("count", least=1),
        count_max=repeat.whole("countMax", least=1),
        bounds_start=start,
        bounds_end=end,
        bounds_duration=low,
        bounds_duration_max=high,
        bounds_duration_unit=unit,
        duration=repeat.number("duration", "tim-4"),
        duration_max=repeat.number("durationMax"),
        duration_unit=repeat.one_of("durationUnit", _UNITS),
        day_of_week=repeat.texts("dayOfWeek", one_of(_DAYS, "a day"), most=7),
        time_of_day=tuple(time.fromisoformat(one) for one in repeat.texts("timeOfDay", _clock, most=48)),
        when=repeat.texts("when", one_of(_WHEN, "a code for a time of the day"), most=len(_WHEN)),
        offset=repeat.whole("offset", least=0),
        events=events,
        code=code,
        code_words=code_words,
    )
    _check_ranges(timing, repeat)
    _check_times(timing, repeat)
    return timing


def _check_ranges(timing: FhirTiming, repeat: Element) -> None:
    """tim-1, tim-2, tim-6, tim-7, tim-8, and what has no meaning though no invariant names it."""
    for key, length, unit, invariant in (
        ("duration", timing.duration, timing.duration_unit, "tim-1"),
        ("period", timing.period, timing.period_unit, "tim-2"),
    ):
        if length is not None and not unit:
            repeat.fail(f"{key}Unit", f"missing: a {key} needs its unit ({invariant}), one of {listed(_UNITS)}")
        if length is None and unit and not repeat.has(f"{key}Max"):
            repeat.fail(f"{key}Unit", f"stands without a {key}. Write both, or neither")
    for key, low, high, invariant in (
        ("period", timing.period, timing.period_max, " (tim-6)"),
        ("duration", timing.duration, timing.duration_max, " (tim-7)"),
        ("count", timing.count, timing.count_max, " (tim-8)"),
        ("frequency", timing.frequency, timing.frequency_max, ""),
    ):
        if high is not None and low is None:
            repeat.fail(f"{key}Max", f"stands without {key}, from which the range starts{invariant}. Write both")
        if high is not None and low is not None and high < low:
            repeat.fail(f"{key}Max", f"is less than {key}. Write the lower figure first")
    if timing.period == 0:
        repeat.fail("period", "read a period of 0, which says not how far apart. Write such as 1 with periodUnit d")


def _check_times(timing: FhirTiming, repeat: Element) -> None:
    """tim-9 and tim-10."""
    if timing.time_of_day and timing.when:
        repeat.fail("when", "stands beside timeOfDay (tim-10). Write one of the two")
    if timing.offset is None:
        return
    if not timing.when:
        repeat.fail("offset", "says minutes from an event, and there is no when (tim-9). Write which event")
    at_meals = [code for code in timing.when if not _WHEN[code][1]]
    if at_meals:
        repeat.fail("offset", f"stands beside {at_meals[0]}, the meal itself (tim-9). Write before or after which meal")


def _clock(value: object, path: str) -> str:
    if type(value) is time and value.tzinfo is None and not value.microsecond:
        return value.isoformat()
    if not isinstance(value, str) or not _CLOCK.fullmatch(value):
        raise FieldError(path, f'read "{seen(value)}", expected a time of day with its seconds, such as "08:00:00"')
    return value[:8]


def _bounds_period(repeat: Element) -> tuple[str, str]:
    there = [key for key in ("boundsPeriod", "boundsDuration", "boundsRange") if repeat.has(key)]
    if len(there) > 1:
        repeat.fail(there[1], f"stands beside {there[0]}. Write one of the two")
    bounds = repeat.inside("boundsPeriod", frozenset(["start", "end"]))
    if bounds is None:
        return "", ""
    start, end = (
        moment_text(bounds.values[key], bounds.at(key)) if bounds.has(key) else "" for key in ("start", "end")
    )
    if start and end and _ends_before(start, end):
        bounds.fail("end", f"read {end}, before the start, {start}. Write the later one last")
    return start, end


def _ends_before(start: str, end: str) -> bool:
    if "T" in start and "T" in end:
        return datetime.fromisoformat(end) < datetime.fromisoformat(start)
    shorter = min(len(start), len(end), 10)
    return end[:shorter] < start[:shorter]


def _bounds_length(repeat: Element) -> tuple[Fraction | None, Fraction | None, str]:
    """boundsDuration or boundsRange: the length, the longest length of a range, and the unit."""
    if repeat.has("boundsDuration"):
        length, unit = _length(repeat, "boundsDuration")
        return length, None, unit
    limits = repeat.inside("boundsRange", frozenset(["low", "high"]))
    if limits is None:
        return None, None, ""
    for key in ("low", "high"):
        if not limits.has(key):
            limits.fail(key, "missing: a range needs both ends here. For one length write boundsDuration")
    low, unit = _length(limits, "low")
    high, other = _length(limits, "high")
    if unit != other or high < low:
        limits.fail("high", "is not in the unit of low, or less than it. Write both in one unit, the lower first")
    return low, high, unit


def _length(parent: Element, key: str) -> tuple[Fraction, str]:
    length = parent.inside(key, frozenset(["value", "comparator", "unit", "system", "code"]))
    assert length is not None  # the caller has looked
    if length.has("comparator"):
        length.fail("comparator", "makes the length open. Write the length itself")
    value, unit = length.number("value"), length.one_of("code", _UNITS)
    if not value:
        length.fail("value", "missing or 0, expected a length of time")
    if not unit or length.values.get("system") != _UCUM:
        length.fail("code", f"missing its unit or system. Write system {_UCUM} and one of {listed(_UNITS)}")
    return value, unit


def _read_code(timing: Element) -> tuple[str, str]:
    """The standard's abbreviation, and what the sender calls the timing in other words."""
    concept = timing.inside("code", frozenset(["coding", "text"]))
    if concept is None:
        return "", ""
    codings = concept.values["coding"] if concept.has("coding") else []
    if type(codings) is not list or len(codings) > 20:
        concept.fail("coding", f'read "{seen(codings)}", expected a list of at most 20')
    known = frozenset(["system", "version", "code", "display", "userSelected"])
    found: set[str] = set()
    words = [text_of(concept.values["text"], concept.at("text"))] if concept.has("text") else []
    for index, value in enumerate(codings):
        coding = element_of(value, f"{concept.at('coding')}[{index}]", known)
        texts = {key: text_of(coding.values[key], coding.at(key))
                 for key in ("system", "code", "display") if coding.has(key)}  # fmt: skip
        if texts.get("system") == _GTS:
            found.add(one_of(_CODES, "a code for a timing")(texts.get("code"), coding.at("code")))
        else:
            words += [texts.get("display") or texts.get("code") or ""]
    first = next((one.strip() for one in words if one.strip()), "")
    if first in _CODES:
        # The abbreviation stands as words: it is the same one.
        found.add(first)
        first = ""
    if len(found) > 1:
        concept.fail("coding", "two codes that say two timings. Write one")
    if not found and not first:
        concept.fail("text", "missing: neither a code nor words for the timing")
    return next(iter(found), ""), first


# --- in words -----------------------------------------------------------------------------------------------------


def render_timing(timing: FhirTiming) -> str:
    """The timing in plain words, without an abbreviation: "4 doses a day on Mondays".

    Where a code says something else than the rest, both are said.
    """
    count = _counted(timing.count, timing.count_max, "dose") if timing.count is not None else ""
    times = _days_and_times(timing)
    if timing.time_of_day or timing.when:
        daily = timing.period is None and timing.frequency is None and not timing.day_of_week
        times = f"every day {times}" if daily else times
    between = " " if timing.offset is None else ", "
    parts = [count, between.join(part for part in (_rate(timing, bool(count)), times) if part)]
    if timing.duration is not None:
        parts.append(f"each lasting {_length_words(timing.duration, timing.duration_max, timing.duration_unit)}")
    parts.append(_bounds_words(timing))
    if timing.events:
        more = len(timing.events) - 3
        first = _joined([_plain_moment(one) for one in timing.events[:3]])
        parts.append(f"planned for {first}" + (f" and {more} more" if more > 0 else ""))
    said = ", ".join(part for part in parts if part)
    coded = _code_words(timing)
    return f"{said}; the code beside it says {coded}" if said and coded else said or coded


def _rate(timing: FhirTiming, counted: bool) -> str:
    """ "1 dose every 4 to 6 hours"; after a count "one every 3 weeks"."""
    number, most = timing.frequency or 1, timing.frequency_max
    if timing.period is None:
        return f"{_counted(number, most, 'dose')} in a time that is not said" if timing.frequency is not None else ""
    doses = _counted(number, most, "dose")
    if counted:
        doses = "one" if number == 1 and most is None else doses.rpartition(" ")[0]
    unit = _UNITS[timing.period_unit]
    if timing.period == 1 and timing.period_max is None:
        return f"{doses} {'an' if unit == 'hour' else 'a'} {unit}"
    several = "every" if number == 1 and most is None else "in every"
    return f"{doses} {several} {_length_words(timing.period, timing.period_max, timing.period_unit)}"


def _days_and_times(timing: FhirTiming) -> str:
    days = _joined([f"{WEEKDAYS[index].capitalize()}s" for index, one in enumerate(_DAYS) if one in timing.day_of_week])
    clocks = _joined([one.strftime("%H:%M:%S" if one.second else "%H:%M") for one in sorted(timing.time_of_day)])
    if timing.offset is None:
        events = [_WHEN[code][0] for code in timing.when]
    else:
        events = [f"{_counted(timing.offset, None, 'minute')} {_WHEN[code][1]}" for code in timing.when]
    parts = (f"on {days}" if days else "", f"at {clocks}" if clocks else "", _joined(events))
    return " ".join(part for part in parts if part)


def _bounds_words(timing: FhirTiming) -> str:
    if timing.bounds_duration is not None:
        length = _length_words(timing.bounds_duration, timing.bounds_duration_max, timing.bounds_duration_unit)
        return f"for {length}"
    start, end = _plain_moment(timing.bounds_start), _plain_moment(timing.bounds_end)
    if not start:
        return f"until {end}" if end else ""
    return f"from {start} to {end}" if end else f"from {start}"


def _code_words(timing: FhirTiming) -> str:
    """What the code says, unless the rest says just that, and the sender's own words for it."""
    words, rate = _CODES[timing.code] if timing.code else ("", None)
    exact = timing.frequency_max is None and timing.period_max is None
    if rate is not None and exact and _per(*rate) == timing.doses_per:
        words = ""
    elif words and timing.code not in ("JB", "JE"):
        words += " at the place's own times"
    quoted = f'in the sender\'s words "{timing.code_words}"' if timing.code_words else ""
    return ", ".join(part for part in (words, quoted) if part)


def _plain_moment(text: str) -> str:
    return text.replace("T", " ").replace("Z", "+00:00")


def _length_words(low: Fraction, high: Fraction | None, unit: str) -> str:
    return _counted(low, high, _UNITS[unit])


def _counted(low: Fraction | int, high: Fraction | int | None, word: str) -> str:
    last = low if high is None else high
    figures = render_number(Fraction(low))
    if last != low:
        figures += f" to {render_number(Fraction(last))}"
    return f"{figures} {word}{'' if last == 1 else 's'}"


def _joined(words: Sequence[str]) -> str:
    return " and ".join(part for part in (", ".join(words[:-1]), *words[-1:]) if part)


# --- as a schedule ------------------------------------------------------------------------------------------------


def schedule_of_repeat(value: object, path: str, timing: Timing) -> Schedule:
    """The schedule that a `repeat` says, where a schedule can say just that. Raises FieldError with the next step.

    `timing`: how the doses follow each other, which a repeat does not say.
    """
    repeat = element_of(value, path, _REPEAT_KEYS)
    for key in ("boundsPeriod", "boundsDuration", "boundsRange"):
        if repeat.has(key):
            repeat.fail(key, "is the order's own start and stop. Write order.start and order.stop")
    read = _read_repeat(repeat)
    _refuse_open(read, repeat)
    if read.count is not None and read.count > _MOST_DOSES:
        repeat.fail("count", f"read {read.count}, expected at most {_MOST_DOSES} doses")
    if read.time_of_day or read.when:
        return _with_times(read, repeat, timing)
    if read.day_of_week:
        _check_days(read, repeat, 1)
        return Schedule(on=_weekdays(read), doses=read.count, timing=timing)
    if read.period is None:
        if read.count == 1 and read.frequency in (None, 1):
            return Schedule(timing=timing)
        key = "count" if read.frequency is None else "frequency"
        repeat.fail(key, "says how many doses and not how far apart. Write period and periodUnit")
    every = _interval(read, repeat)
    if every.by_clock and timing.counts_from == "planned":
        step = "Write schedule.every and schedule.first"
        repeat.fail("period", f"hours counted from the plan need a first moment, which repeat does not say. {step}")
    return Schedule(every=every, doses=read.count, timing=timing)


def _refuse_open(read: FhirTiming, repeat: Element) -> None:
    """What leaves a choice, or says more than a schedule of injections can hold."""
    for key, high, low, step in (
        ("periodMax", read.period_max, read.period, "Write one period, or when_needed with least_interval"),
        ("frequencyMax", read.frequency_max, read.frequency, "Write one frequency, or when_needed with at_most_doses"),
        ("countMax", read.count_max, read.count, "Write one count"),
    ):
        if high is not None and high != low:
            repeat.fail(key, f"makes it a range, and the next dose then has no time of its own. {step}")
    if read.duration is not None:
        repeat.fail("duration", "says how long each one lasts, and an injection is given at one moment. Leave it out")
    if read.offset is not None:
        repeat.fail("offset", "minutes from an event cannot be planned. Write timeOfDay, or when alone")
    for code in read.when:
        if code not in _MEALS:
            step = f"Write timeOfDay, or one of: {listed(_MEALS)}"
            repeat.fail("when", f'read "{code}", {_WHEN[code][0]}: this place has no set time for it. {step}')
    for clock in read.time_of_day:
        if clock.second:
            repeat.fail("timeOfDay", f"read {clock.isoformat()}, expected whole minutes. Write such as 08:00:00")


def _with_times(read: FhirTiming, repeat: Element, timing: Timing) -> Schedule:
    """Times of day or meals: each day, on some weekdays, or one of them every so many days."""
    times = len(read.time_of_day) or len(read.when)
    meals = [_MEALS[code].rpartition(" ")[2] for code in read.when]
    if len(set(meals)) < len(meals):
        repeat.fail("when", "two at one meal, which has one time. Write timeOfDay for each dose")
    daily = read.period == 1 and read.period_unit == "d"
    every = None
    if read.day_of_week:
        _check_days(read, repeat, times)
    elif read.period is None:
        if read.frequency not in (None, times):
            repeat.fail(
                "frequency",
                f"read {read.frequency}, and {_counted(times, None, 'time')} of day. Write one time for each dose",
            )
    elif read.period_unit in ("s", "min", "h"):
        repeat.fail("periodUnit", "hours beside times of day are two answers. Write periodUnit d, or no times")
    elif (read.frequency or 1) != times or (times > 1 and not daily):
        repeat.fail(
            "frequency",
            f"read {_rate(read, False)}, and {_counted(times, None, 'time')} of day. Write one time for each dose",
        )
    elif not daily:
        every = _interval(read, repeat)
        if every.by_clock:
            repeat.fail("period", "part of a day beside a time of day. Write a whole number")
    return Schedule(
        every=every,
        at=tuple(sorted(read.time_of_day)),
        meals=tuple(_MEALS[code] for code in read.when),
        on=_weekdays(read),
        doses=read.count,
        timing=timing,
    )


def _weekdays(read: FhirTiming) -> tuple[int, ...]:
    return tuple(sorted(_DAYS.index(one) for one in read.day_of_week))


def _check_days(read: FhirTiming, repeat: Element, times: int) -> None:
    """Weekdays with a frequency that says the same: so many a day, or so many in all the days of a week."""
    said = read.doses_per
    if said is None:
        agrees = read.frequency in (None, times)
    else:
        agrees = said in (_per(times, 1, "d"), _per(times * len(read.day_of_week), 1, "wk"))
    if not agrees:
        each = f"{_counted(len(read.day_of_week), None, 'day')} of the week with {_counted(times, None, 'time')} each"
        step = "Write timeOfDay for each dose of a day, and no other period than 1 d or 1 wk"
        repeat.fail("dayOfWeek", f"read {_rate(read, False)} on {each}. {step}")


def _interval(read: FhirTiming, repeat: Element) -> Interval:
    """One dose every so long. Several in a day or less are spread evenly, where that gives whole hours."""
    assert read.period is not None  # the caller has looked
    number, unit = read.frequency or 1, read.period_unit
    key = "frequency" if number > 1 else "period"
    if number == 1 and unit != "s" and read.period.denominator == 1:
        return interval_of(Interval(count=int(read.period), unit=_UNITS[unit]).text, repeat.at("period"))
    if unit not in ("s", "min", "h", "d") or (number > 1 and read.period * _IN_DAYS[unit] > 1):
        step = "Write dayOfWeek, or frequency 1 with a whole period"
        repeat.fail(key, f"read {_rate(read, False)}, which does not say which days. {step}")
    minutes = read.period * _IN_DAYS[unit] * 1440 / number
    if minutes.denominator != 1 or (unit == "d" and minutes % 60):
        step = "Write timeOfDay for each dose, or a whole period"
        repeat.fail(key, f"read {_rate(read, False)}, which gives no even hours. {step}")
    size, name = (1, "minute") if minutes % 60 else (60, "hour")
    return interval_of(Interval(count=int(minutes / size), unit=name).text, repeat.at("period"))
