"""A year of 500 invented patients and their orders: after every event the program says what the page of rules asks for.

2026, in London and New York with their clock changes; some move from one to the other. All patients, medicines and
orders are invented, by seed. What is expected comes from `due_oracle`, which was made from the page alone.
"""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, time, timedelta
from functools import cache
from itertools import combinations, islice
from typing import Any
from zoneinfo import ZoneInfo

import dateutil.rrule as rrule  # type: ignore[import-untyped]
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.properties.due_oracle import OPEN, Answer, Place, whats_next

from drawup.exchange.request import read_request
from drawup.injection.history import PastDose
from drawup.injection.order import Order
from drawup.injection.plan import plan_injection
from drawup.injection.schedule import Calendar, Interval, Schedule, SeriesDose, Timetable, Timing
from drawup.injection.timing import Outlook, next_due, of_medicine

LONDON, NEW_YORK = ZoneInfo("Europe/London"), ZoneInfo("America/New_York")
YEAR_BEGINS, DAYS = date(2026, 1, 1), 365
MEALS = (("breakfast", time(8)), ("lunch", time(12, 30)), ("supper", time(18)), ("bedtime", time(22)))
DAY, MINUTE = timedelta(days=1), timedelta(minutes=1)

KINDS = {
    "once": 3, "once at a moment": 2,
    "hours from given": 3, "days from given": 6, "weeks from given": 8, "months from given": 6,
    "days at a time from given": 3,
    "hours planned": 3, "days planned": 4, "weeks planned": 5, "months planned": 5, "days at times": 3,
    "times of day": 5, "meals": 3, "weekdays": 5, "weekdays at times": 4,
    "series": 5, "live series": 4, "when needed": 6,
}  # fmt: skip
"""Every kind of schedule, and how often it is drawn."""
INTENTS = {
    "on time": 50, "early": 7, "late": 10, "missed": 7, "refused": 6, "part given": 5, "doubled": 3, "elsewhere": 4,
    "another order": 4, "another medicine": 1, "without a plan": 8, "for the one before": 2,
}  # fmt: skip
"""What comes of a planned dose, and how often."""
DAILY = ("days from given", "days at a time from given", "days planned", "weekdays", "weekdays at times")
BUSY = ("hours from given", "hours planned", "times of day", "meals", "when needed", "days at times")


def every(count: int, unit: str) -> Interval:
    return Interval(count=count, unit=unit)


def pick(chance: random.Random, choices: dict[str, int]) -> str:
    return chance.choices(list(choices), list(choices.values()))[0]


# --- orders -------------------------------------------------------------------------------------------------------


def drawn_schedule(chance: random.Random, kind: str, start: date, zone: ZoneInfo) -> Schedule:
    """An invented schedule of a kind, without its timing."""
    first = datetime.combine(start, time(chance.randrange(24), chance.choice((0, 15, 30))), zone)
    times = tuple(sorted(chance.sample([time(hour, 15 * (hour % 3)) for hour in range(0, 24, 2)], 4)))
    weekdays = tuple(sorted(chance.sample(range(7), chance.randint(1, 4))))
    match kind:
        case "once":
            return Schedule()
        case "once at a moment":
            return Schedule(first=first)
        case "hours from given":
            return Schedule(every=every(chance.choice((4, 6, 8, 12, 24, 36, 48, 72)), "hour"))
        case "days from given":
            return Schedule(every=every(chance.choice((1, 2, 3, 5, 10)), "day"))
        case "weeks from given":
            return Schedule(every=every(chance.choice((1, 2, 4, 6, 12)), "week"))
        case "months from given":
            return Schedule(every=every(chance.choice((1, 2, 3)), "month"))
        case "days at a time from given":
            return Schedule(every=every(chance.choice((1, 2, 7)), "day"), at=times[:1])
        case "hours planned":
            return Schedule(
                every=every(chance.choice((6, 8, 12, 36, 60)), "hour"), first=chance.choice((first, first, None))
            )
        case "days planned":
            return Schedule(every=every(chance.choice((1, 2, 3, 9)), "day"))
        case "weeks planned":
            return Schedule(every=every(chance.choice((1, 2, 4)), "week"))
        case "months planned":
            return Schedule(every=every(chance.choice((1, 2, 3)), "month"))
        case "days at times":
            return Schedule(every=every(chance.choice((1, 2, 3)), "day"), at=times[: chance.randint(2, 3)])
        case "times of day":
            return Schedule(at=times[: chance.randint(1, 4)], first=first if chance.random() < 0.2 else None)
        case "meals":
            words = ("before breakfast", "with lunch", "supper", "bedtime")
            return Schedule(meals=tuple(chance.sample(words, chance.randint(1, 4))))
        case "weekdays":
            return Schedule(on=weekdays)
        case "weekdays at times":
            return Schedule(on=weekdays, at=times[: chance.randint(1, 2)])
        case "when needed":
            least = chance.choice((None, every(4, "hour"), every(90, "minute"), every(1, "day"), every(2, "week")))
            return Schedule(when_needed=True, least_interval=least, most_doses=chance.choice((None, 1, 2, 4)))
    return Schedule(series=drawn_series(chance))


def drawn_series(chance: random.Random) -> tuple[SeriesDose, ...]:
    ages = chance.choice(((None, None), (every(8, "week"), every(6, "week")), (every(12, "month"), every(1, "year"))))
    least, after = chance.choice(
        ((every(4, "week"), every(2, "month")), (every(28, "day"), None), (every(3, "week"), every(31, "day")))
    )
    doses = [SeriesDose(age=ages[0], least_age=ages[1])]
    for number in range(1, chance.randint(2, 4)):
        far = number > 1 and chance.random() < 0.6
        doses.append(
            SeriesDose(
                after=after,
                least_after=least,
                after_first=every(6, "month") if far else None,
                least_after_first=every(16, "week") if far else None,
                least_age=every(24, "week") if number == 2 and chance.random() < 0.5 else None,
            )
        )
    return tuple(doses)


def drawn_timing(chance: random.Random, kind: str, schedule: Schedule) -> tuple[Timing, Timing]:
    """Windows for a kind, each in the order's words or in the label's, as a reader of orders lets them pass."""
    counts_from = None
    if "planned" in kind:
        counts_from = "planned"
    elif "from given" in kind and (schedule.at or chance.random() < 0.3):
        counts_from = "given"
    units = ("minute", "hour") if kind in BUSY else ("hour", "day", "week")
    most = {"minute": 90, "hour": 3 if kind in BUSY else 30, "day": 6, "week": 2}

    def length() -> Interval | None:
        if chance.random() < 0.55:
            return None
        unit = chance.choice(units)
        return every(chance.randint(0, most[unit]), unit)

    early, late, missed_after = length(), length(), length()
    if early is not None and schedule.every is not None and early.about >= schedule.every.about:
        early = None
    if missed_after is not None and late is not None and missed_after.about < late.about:
        late, missed_after = missed_after, late
    if "series" in kind and late is None:
        missed_after = None
    whole = Timing(counts_from=counts_from, early=early, late=late, missed_after=missed_after)
    if kind == "when needed":
        whole = Timing()
    side = chance.random()
    if side < 0.4:
        return whole, Timing()
    if side < 0.7 and (schedule.first or "hours" not in kind):
        return Timing(counts_from=counts_from), whole
    return (
        Timing(counts_from=whole.counts_from, late=whole.late, missed_after=whole.missed_after),
        Timing(early=whole.early, late=every(0, "day") if whole.late else None, counts_from="given"),
    )


# --- patients -----------------------------------------------------------------------------------------------------


@dataclass(slots=True)
class Patient:
    """An invented patient: the order of the moment, and what is on record."""

    name: str
    chance: random.Random
    zones: tuple[tuple[date, ZoneInfo], ...]
    month_ends: str
    born: date
    now: datetime
    kinds: dict[str, int]
    order: Order = field(default_factory=lambda: Order(medicine="Inventine 10 mg/mL"))
    label: Timing = field(default_factory=Timing)
    kind: str = ""
    live: bool = False
    place: Place = field(init=False)
    history: tuple[PastDose, ...] = ()
    intent: str = ""
    acts_at: datetime | None = None
    ended: bool = False
    before: datetime | None = None

    def zone(self, day: date) -> ZoneInfo:
        return [zone for since, zone in self.zones if since <= day][-1]

    def lives_on(self, day: date) -> None:
        """Where the patient is on this day."""
        self.place = Place(self.zone(day), self.month_ends, MEALS, 60, 4)

    def takes_up(self, day: date, kind: str = "") -> None:
        """A new order, of the same medicine or of another, from this day on or soon after."""
        chance, zone = self.chance, self.zone(day)
        start = day + timedelta(days=chance.choice((0, 0, 0, 1, 3)))
        self.kind = kind or pick(chance, self.kinds)
        self.live = self.kind == "live series"
        if "months" in self.kind and chance.random() < 0.5:
            start = max(start, (start.replace(day=1) + timedelta(days=40)).replace(day=1) - DAY)
        schedule = drawn_schedule(chance, self.kind, start, zone)
        timing, self.label = drawn_timing(chance, self.kind, schedule)
        often = self.kind in BUSY + DAILY
        doses = stop = None
        limit = chance.random()
        if often and limit < 0.5:
            stop = start + timedelta(days=chance.randint(2, 10 if self.kind in BUSY else 30))
        elif not schedule.once and not schedule.series and (often or limit < 0.3):
            doses = chance.randint(2, 15 if often else 6)
        elif limit < 0.6:
            stop = start + timedelta(days=chance.randint(10, 150))
        stopped = start + timedelta(days=chance.randint(3, 60)) if chance.random() < 0.05 else None
        another = bool(self.order.schedule) and chance.random() < 0.5
        self.order = Order(
            medicine=f"Inventine {chance.randint(11, 99)} mg/mL" if another else self.order.medicine,
            start=None if schedule.first is not None and chance.random() < 0.3 else start,
            stop=stop,
            stopped=stopped,
            schedule=replace(schedule, timing=timing, doses=doses),
        )
        self.ended, self.acts_at = False, None

    def expects(self, now: datetime) -> Answer:
        return whats_next(self.order, self.history, self.label, self.place, now, born=self.born, live=self.live)


def drawn_patients(seed: int, count: int, *only: str) -> list[Patient]:
    """Invented patients; every fourth in New York, every sixth moves, and some of them move back."""
    chance = random.Random(seed)
    kinds = only or tuple(KINDS)
    patients = []
    for number in range(count):
        own = random.Random(chance.random())
        zones = [(YEAR_BEGINS, NEW_YORK if number % 4 == 3 else LONDON)]
        if number % 6 == 5:
            moves = YEAR_BEGINS + timedelta(days=own.randint(60, 300))
            zones.append((moves, LONDON if zones[0][1] is NEW_YORK else NEW_YORK))
            if own.random() < 0.4:
                zones.append((moves + timedelta(days=own.randint(3, 30)), zones[0][1]))
        patient = Patient(
            name=f"Invented patient {number + 1}",
            chance=own,
            zones=tuple(zones),
            month_ends=("rolls over", "clamps")[number % 2],
            born=date(2025, 3, 1) + timedelta(days=own.randrange(300)),
            now=datetime(2026, 1, 1, tzinfo=UTC),
            kinds={kind: KINDS[kind] for kind in kinds},
        )
        begins = YEAR_BEGINS + timedelta(days=own.randrange(20))
        patient.lives_on(begins)
        patient.takes_up(begins, kinds[number % len(kinds)])
        patients.append(patient)
    return patients


# --- a day in the life --------------------------------------------------------------------------------------------


def within(chance: random.Random, since: datetime, until: datetime) -> datetime:
    minutes = max(0, int((until - since) / MINUTE))
    return (since + timedelta(minutes=chance.randint(0, minutes))).replace(second=0, microsecond=0)


def draw_next(patient: Patient) -> None:
    """What will come of the dose that is next, and when."""
    chance, answer = patient.chance, patient.expects(patient.now)
    patient.ended, patient.acts_at = answer.ended, None
    if answer.ended:
        return
    intent = pick(chance, INTENTS)
    if answer.planned is None or answer.opens is None:  # when needed, and open
        patient.intent, patient.acts_at = intent, within(chance, patient.now + MINUTE, patient.now + 2 * DAY)
        return
    closes = answer.closes or answer.planned + timedelta(days=4)
    until = answer.missed_from or closes + timedelta(days=6)
    if intent == "early":
        moment = within(chance, max(patient.now, answer.opens - timedelta(days=3)), answer.opens)
    elif intent == "late":
        moment = within(chance, closes, until)
    elif intent == "missed":
        moment = within(chance, until, until + 3 * max(closes - answer.planned, timedelta(hours=3)))
    else:
        moment = within(chance, answer.opens, min(closes, answer.planned + DAY) - MINUTE)
    patient.intent, patient.acts_at = intent, max(moment, patient.now + MINUTE)


def events_of(patient: Patient, ends: datetime) -> Iterator[str]:
    """What happens to a patient until a moment: each event is named when it is on record, at the patient's `now`."""
    chance = patient.chance
    if patient.acts_at is None and not patient.ended:
        draw_next(patient)
    for _ in range(8):
        if patient.acts_at is None or patient.acts_at >= ends:
            return
        patient.now = max(patient.acts_at, patient.now)
        answer = patient.expects(patient.now)
        if answer.ended:
            patient.ended, patient.acts_at = True, None
            return
        yield from _acts(patient, answer)
        if chance.random() < 0.08 and patient.history:
            patient.now += timedelta(minutes=chance.randint(1, 90))
            yield _corrects(patient)
        draw_next(patient)


def _acts(patient: Patient, answer: Answer) -> Iterator[str]:
    chance, intent, zone = patient.chance, patient.intent, patient.place.zone
    planned = _written(answer.planned or patient.now, zone)
    dose = PastDose(
        medicine=patient.order.medicine,
        at=patient.now.astimezone(zone),
        planned=planned,
    )
    again = timedelta(minutes=chance.randint(2, 120))
    unplanned = replace(dose, planned=None)
    match intent:
        case "missed" if chance.random() < 0.7:
            dose = unplanned
        case "refused":
            dose = replace(dose, kind="not given")
        case "part given":
            dose = replace(dose, kind="part given")
        case "elsewhere":
            there = chance.choice((zone, LONDON, NEW_YORK))
            back = timedelta(minutes=chance.randint(0, 4000))
            dose = replace(unplanned, kind="reported", at=(patient.now - back).astimezone(there))
        case "another order":
            dose = replace(unplanned, another_order=True)
        case "another medicine":
            dose = replace(unplanned, medicine="Otherine 5 mg")
        case "without a plan":
            dose = unplanned
        case "for the one before" if patient.before is not None:
            dose = replace(dose, planned=patient.before)
    patient.history += (dose,)
    patient.before = planned
    yield intent
    if (intent == "part given" and chance.random() < 0.5) or intent == "doubled":
        patient.now += again
        second = dose if chance.random() < 0.6 else unplanned
        patient.history += (replace(second, kind="given", at=patient.now.astimezone(zone)),)
        yield "the rest" if intent == "part given" else "doubled"


def _written(moment: datetime, zone: ZoneInfo) -> datetime:
    """A planned moment as it is kept: by the clock of the place, with its offset."""
    return datetime.fromisoformat(moment.astimezone(zone).isoformat(timespec="minutes"))


def _corrects(patient: Patient) -> str:
    """One of the last entries is voided, or turns out not to have been given, or at another time."""
    chance, entries = patient.chance, list(patient.history)
    number = len(entries) - 1 - chance.randrange(min(4, len(entries)))
    old = entries[number]
    what = chance.choice(("time corrected", "time corrected", "voided", "not given after all"))
    if what == "voided":
        del entries[number]
    elif what == "not given after all":
        entries[number] = replace(old, kind="not given")
    else:
        moved = old.at + timedelta(minutes=chance.randint(-2000, 2000))
        entries[number] = replace(old, at=min(moved, patient.now.astimezone(old.at.tzinfo)))
    patient.history = tuple(entries)
    return what


# --- the year -----------------------------------------------------------------------------------------------------

Says = Callable[[Patient, datetime], Outlook]


def the_program(patient: Patient, now: datetime) -> Outlook:
    """What the program says comes next."""
    return asked(patient, now, patient.history, patient.place, patient.live)


def asked(patient: Patient, now: datetime, history: tuple[PastDose, ...], place: Place, live: bool) -> Outlook:
    return next_due(
        patient.order,
        doses=of_medicine(history, patient.order.medicine),
        label=patient.label,
        calendar=calendar_at(place),
        now=now,
        born=patient.born,
        live=live,
    )


@cache
def calendar_at(place: Place) -> Calendar:
    return Calendar(
        zone=place.zone,
        month_ends=place.month_ends,
        meal_times=place.meals,
        window_minutes=place.window_minutes,
        grace_days=place.grace_days,
    )


def as_answer(outlook: Outlook, now: datetime) -> Answer:
    due = outlook.due
    if due is None:
        return Answer(ended=True)
    if due.state(now) == "when needed":
        return OPEN
    return Answer(
        ended=False,
        planned=due.planned,
        opens=due.opens,
        closes=due.closes,
        missed_from=due.missed_from,
        state=due.state(now),
        passed_count=due.passed_count,
    )


@dataclass(slots=True)
class Year:
    """What was compared, what happened, and every difference."""

    patients: list[Patient]
    says: Says = the_program
    events: Counter[str] = field(default_factory=Counter)
    states: Counter[str] = field(default_factory=Counter)
    kinds: Counter[str] = field(default_factory=Counter)
    after_events: list[str] = field(default_factory=list)
    at_days_end: list[str] = field(default_factory=list)
    lists: int = 0

    def passes(self, days: int, *, until_it_differs: bool = False) -> Year:
        for number in range(days):
            self._day(YEAR_BEGINS + timedelta(days=number))
            if until_it_differs and (self.after_events or self.at_days_end):
                break
        return self

    def _day(self, day: date) -> None:
        list_at = datetime.combine(day, time(23, 59), LONDON).astimezone(UTC)
        for patient in self.patients:
            patient.lives_on(day)
            if patient.ended and patient.chance.random() < 0.05:
                patient.takes_up(day)
            for event in events_of(patient, list_at):
                self.events[event] += 1
                self.kinds[patient.kind] += 1
                self._compare(patient, patient.now, event, self.after_events)
            patient.now = max(patient.now, list_at)
        for patient in self.patients:
            self._compare(patient, patient.now, "end of the day", self.at_days_end)
        self.lists += 1

    def _compare(self, patient: Patient, now: datetime, event: str, differences: list[str]) -> None:
        expected, said = patient.expects(now), as_answer(self.says(patient, now), now)
        self.states[expected.state or "ended"] += 1
        if said != expected:
            differences.append(
                f"{patient.name}, {patient.kind}, {now} after {event}:\n"
                f"expected {expected}\nsaid     {said}\n{patient.order}\n{patient.label}\n{patient.place}\n"
                + "\n".join(str(past) for past in patient.history[-6:])
            )


@pytest.fixture(scope="module")
def year() -> Year:
    return Year(drawn_patients(2026, 500)).passes(DAYS)


def test_after_every_event_of_the_year_the_next_dose_is_the_one_that_the_page_asks_for(year: Year) -> None:
    assert sum(year.events.values()) > 15_000
    assert not year.after_events, year.after_events[0]


def test_at_the_end_of_every_day_the_whole_list_is_the_one_that_the_page_asks_for(year: Year) -> None:
    assert (len(year.patients), year.lists) == (500, DAYS)
    assert not year.at_days_end, year.at_days_end[0]


def test_every_kind_of_order_of_event_and_of_state_came_up_in_the_year(year: Year) -> None:
    corrections = {"time corrected", "voided", "not given after all"}
    assert {kind for kind, count in year.kinds.items() if count >= 50} == set(KINDS)
    assert {event for event, count in year.events.items() if count >= 100} == {*INTENTS, *corrections, "the rest"}
    assert set(year.states) == {"early", "due", "late", "missed", "when needed", "ended"}


# --- the comparison can fail --------------------------------------------------------------------------------------


def refusals_move_the_clock(patient: Patient, now: datetime) -> Outlook:
    history = tuple(replace(past, kind="given") for past in patient.history)
    return asked(patient, now, history, patient.place, patient.live)


def doubled_doses_fill_two_places(patient: Patient, now: datetime) -> Outlook:
    seen: set[datetime | None] = {None}
    history = []
    for past in patient.history:
        again = past.planned in seen and past.planned is not None
        seen.add(past.planned)
        history.append(replace(past, planned=past.planned + DAY) if again and past.planned else past)
    return asked(patient, now, tuple(history), patient.place, patient.live)


def the_clock_never_changes(patient: Patient, now: datetime) -> Outlook:
    winter = ZoneInfo("Etc/GMT" if patient.place.zone is LONDON else "Etc/GMT+5")
    return asked(patient, now, patient.history, patient.place._replace(zone=winter), patient.live)


def a_live_vaccine_has_grace(patient: Patient, now: datetime) -> Outlook:
    return asked(patient, now, patient.history, patient.place, False)


def other_orders_move_the_clock(patient: Patient, now: datetime) -> Outlook:
    history = tuple(replace(past, another_order=False) for past in patient.history)
    return asked(patient, now, history, patient.place, patient.live)


def months_end_the_other_way(patient: Patient, now: datetime) -> Outlook:
    other = "clamps" if patient.month_ends == "rolls over" else "rolls over"
    return asked(patient, now, patient.history, patient.place._replace(month_ends=other), patient.live)


@pytest.mark.parametrize(
    ("fault", "kinds"),
    [
        (refusals_move_the_clock, ()),
        (doubled_doses_fill_two_places, ("days planned", "times of day")),
        (the_clock_never_changes, ("days at times", "weeks from given")),
        (a_live_vaccine_has_grace, ("live series",)),
        (other_orders_move_the_clock, ()),
        (months_end_the_other_way, ("months planned", "months from given")),
    ],
)
def test_a_year_in_which_a_rule_is_broken_is_noticed(fault: Says, kinds: tuple[str, ...]) -> None:
    year = Year(drawn_patients(11, 60, *kinds), says=fault).passes(DAYS, until_it_differs=True)
    assert year.after_events or year.at_days_end


# --- worked by hand -----------------------------------------------------------------------------------------------


def patient_with(schedule: Schedule, *doses: PastDose, zone: ZoneInfo = LONDON, start: date) -> Patient:
    """An invented patient, born on 5 January 2026, with one order."""
    patient = drawn_patients(1, 1)[0]
    patient.zones, patient.month_ends, patient.born = ((YEAR_BEGINS, zone),), "rolls over", date(2026, 1, 5)
    patient.lives_on(start)
    patient.order, patient.label = Order(medicine="Inventine 10 mg/mL", start=start, schedule=schedule), Timing()
    patient.history = doses
    return patient


def dose_at(moment: str, *, planned: str | None = None) -> PastDose:
    return PastDose(
        medicine="Inventine 10 mg/mL",
        at=datetime.fromisoformat(moment),
        planned=None if planned is None else datetime.fromisoformat(planned),
    )


def both_say(patient: Patient, now: str) -> Answer:
    moment = datetime.fromisoformat(now)
    said = as_answer(the_program(patient, moment), moment)
    assert said == patient.expects(moment)
    return said


TENTH = date(2026, 3, 10)


def test_a_dose_of_an_earlier_order_does_not_fill_the_first_place_of_a_new_one() -> None:
    patient = patient_with(Schedule(at=(time(8),)), dose_at("2026-03-01T08:00Z"), start=TENTH)
    said = both_say(patient, "2026-03-10T07:30Z")
    assert (said.planned, said.state) == (datetime(2026, 3, 10, 8, tzinfo=UTC), "due")


def test_planned_hours_run_from_the_first_dose_of_the_order_not_of_an_earlier_one() -> None:
    schedule = Schedule(every=every(8, "hour"), timing=Timing(counts_from="planned"), doses=3)
    earlier = [dose_at(f"2026-03-0{day}T05:00Z") for day in range(1, 8)]
    patient = patient_with(schedule, *earlier, dose_at("2026-03-10T07:30Z"), start=TENTH)
    assert both_say(patient, "2026-03-10T09:00Z").planned == datetime(2026, 3, 10, 15, 30, tzinfo=UTC)


def test_no_place_lies_before_the_moment_from_which_an_order_runs() -> None:
    schedule = Schedule(at=(time(8), time(20)), first=datetime(2026, 3, 10, 20, tzinfo=UTC))
    assert both_say(patient_with(schedule, start=TENTH), "2026-03-10T06:00Z").planned == schedule.first


def test_a_day_that_was_taken_in_london_is_not_asked_for_again_in_new_york() -> None:
    schedule = Schedule(every=every(1, "day"), timing=Timing(counts_from="planned"))
    taken = dose_at("2026-06-10T07:00+01:00", planned="2026-06-10T00:00+01:00")
    patient = patient_with(schedule, taken, zone=NEW_YORK, start=TENTH)
    said = both_say(patient, "2026-06-10T18:00-04:00")
    assert said.planned == datetime(2026, 6, 11, 4, tzinfo=UTC)


def test_a_when_needed_order_ends_with_its_number_of_doses() -> None:
    doses = [dose_at("2026-03-10T08:00Z"), dose_at("2026-03-11T08:00Z")]
    schedule = Schedule(when_needed=True, doses=2)
    assert both_say(patient_with(schedule, *doses[:1], start=TENTH), "2026-03-12T08:00Z").state == "when needed"
    assert both_say(patient_with(schedule, *doses, start=TENTH), "2026-03-12T08:00Z").ended


def test_a_least_interval_of_a_month_is_a_month() -> None:
    schedule = Schedule(when_needed=True, least_interval=every(1, "month"))
    patient = patient_with(schedule, dose_at("2026-01-31T10:00Z"), start=date(2026, 1, 31))
    assert both_say(patient, "2026-02-10T10:00Z").opens == datetime(2026, 3, 1, 10, tzinfo=UTC)


def test_a_first_dose_that_came_too_early_is_repeated_as_far_from_it_as_the_second_would_be() -> None:
    # Five weeks old where six are the least (16 February): it does not count. Four weeks after it is 9 March.
    steps = (SeriesDose(least_age=every(6, "week")), SeriesDose(least_after=every(4, "week")))
    patient = patient_with(Schedule(series=steps), dose_at("2026-02-09T09:00Z"), start=date(2026, 2, 9))
    assert both_say(patient, "2026-02-20T09:00Z").opens == datetime(2026, 3, 9, tzinfo=UTC)


def test_a_dose_that_is_missed_is_not_due_any_more() -> None:
    timing = Timing(counts_from="given", missed_after=every(30, "minute"))
    schedule = Schedule(every=every(1, "week"), at=(time(8),), timing=timing)
    patient = patient_with(schedule, start=TENTH)
    assert [both_say(patient, f"2026-03-10T08:{minute}Z").state for minute in (29, 30, 31)] == ["due", "due", "missed"]


def test_a_dose_beyond_the_last_one_of_an_order_that_still_runs_is_said_to_be_beyond_it() -> None:
    # Every week, given yesterday, and the order ends in two days: nothing more is due, and a dose today is not ordered.
    request = {
        "format": 1,
        "now": "2026-03-02T09:00:00+00:00",
        "policy": "uk",
        "patient": {"sex": "female", "born": "1961-04-09", "allergies": []},
        "order": {
            "medicine": "inventine",
            "route": "intramuscular",
            "start": "2026-02-01",
            "stop": "2026-03-04",
            "dose": {"amount": "100 mg"},
            "schedule": {"every": "1 week"},
        },
        "medicine": {
            "name": "inventine",
            "allergy_groups": [],
            "presentations": [{"form": "solution", "strength": "50 mg/mL", "container": "vial", "volume": "4 mL"}],
        },
        "history": [{"medicine": "inventine", "at": "2026-03-01T08:00:00+00:00", "kind": "given", "amount": "100 mg"}],
    }
    read = read_request(request)
    plan = plan_injection(read.request, policy=read.policy, tables=read.tables)
    assert "order-complete" in {found.code for found in plan.findings}


# --- any order, any history, any place ----------------------------------------------------------------------------

ZONES = (
    "Europe/London", "America/New_York", "Australia/Lord_Howe", "Africa/Cairo", "America/Santiago", "Asia/Kathmandu",
    "Pacific/Auckland", "America/St_Johns", "UTC",
)  # fmt: skip
"""Clock changes by half an hour, at midnight, and on the other half of the year; and none."""


@st.composite
def histories(draw: st.DrawFn, start: date, zone: ZoneInfo) -> tuple[PastDose, ...]:
    """Invented doses from two months before the start to five months after it, some for a planned moment."""
    begins = datetime.combine(start, time(0), zone).astimezone(UTC)
    minutes = st.integers(-60 * 1440, 150 * 1440)
    doses = []
    for at in sorted(draw(st.lists(minutes, max_size=12))):
        moment = begins + at * MINUTE
        near = draw(st.sampled_from((None, None, 0, 15, -600, 1440)))
        planned = None if near is None else _written(moment + near * MINUTE, zone)
        if planned is not None and draw(st.booleans()):
            planned = _written(datetime.combine(planned.date(), time(0), zone), zone)
        kind = draw(st.sampled_from(("given", "given", "given", "part given", "not given", "reported")))
        another = draw(st.integers(0, 9)) == 0
        doses.append(
            PastDose(
                medicine="Inventine 10 mg/mL",
                at=_written(moment, zone),
                kind=kind,
                planned=planned,
                another_order=another,
            )
        )
    return tuple(doses)


@settings(max_examples=100)
@given(st.data())
def test_for_any_order_and_history_the_next_dose_is_the_one_that_the_page_asks_for(data: st.DataObject) -> None:
    zone = ZoneInfo(data.draw(st.sampled_from(ZONES)))
    start = data.draw(st.dates(date(2026, 1, 1), date(2026, 6, 30)))
    patient = drawn_patients(data.draw(st.integers(0, 10_000)), 1, data.draw(st.sampled_from(sorted(KINDS))))[0]
    patient.zones, patient.born = ((YEAR_BEGINS, zone),), start - timedelta(days=data.draw(st.integers(0, 500)))
    patient.lives_on(start)
    patient.takes_up(start, patient.kind)
    patient.history = data.draw(histories(start, zone))
    latest = max((past.at.astimezone(UTC) for past in patient.history), default=None)
    now = latest or datetime.combine(start, time(0), zone).astimezone(UTC)
    for minutes in data.draw(st.lists(st.integers(0, 20 * 1440), min_size=1, max_size=5)):
        now += minutes * MINUTE
        assert as_answer(the_program(patient, now), now) == patient.expects(now)


# --- the places of a timetable, beside those of another calendar ----------------------------------------------------


def table_from(start: date, interval: Interval, **rest: Any) -> Timetable:
    return Timetable(start=start, zone=UTC, month_ends="clamps", every=interval, **rest)


def midnight(day: date) -> datetime:
    return datetime.combine(day, time(0), UTC)


def agree(table: Timetable, rule: rrule.rrule) -> None:
    """The first hundred places of both, and where a moment between two of them is put."""
    expected = list(islice(rule, 101))
    assert [table.slot(number).moment for number in range(101)] == expected
    for number in range(0, 100, 9):
        between = expected[number] + (expected[number + 1] - expected[number]) * 2 / 3
        assert expected[table.floor(between)] == rule.before(between)
        assert table.floor(expected[number]) == number


@pytest.mark.parametrize("days", [1, 2, 3, 9, 28])
@pytest.mark.parametrize("clocks", [(), (time(8),), (time(6, 30), time(14), time(22, 15))])
def test_places_every_so_many_days_are_those_of_dateutil(days: int, clocks: tuple[time, ...]) -> None:
    start = date(2026, 2, 27)
    expected = rrule.rruleset()
    for clock in clocks or (time(0),):
        expected.rrule(rrule.rrule(rrule.DAILY, interval=days, dtstart=datetime.combine(start, clock, UTC)))
    agree(table_from(start, every(days, "day"), times=clocks), expected)


@pytest.mark.parametrize("weekdays", [days for count in (1, 2, 3, 7) for days in combinations(range(7), count)])
def test_places_on_weekdays_are_those_of_dateutil(weekdays: tuple[int, ...]) -> None:
    start = date(2026, 12, 30)
    expected = rrule.rrule(rrule.WEEKLY, byweekday=weekdays, dtstart=midnight(start))
    agree(table_from(start, every(1, "day"), weekdays=weekdays), expected)


@pytest.mark.parametrize("hours", [1, 6, 8, 36, 100])
def test_places_every_so_many_hours_are_those_of_dateutil(hours: int) -> None:
    first = datetime(2026, 3, 28, 19, 30, tzinfo=UTC)
    expected = rrule.rrule(rrule.HOURLY, interval=hours, dtstart=first)
    agree(table_from(first.date(), every(hours, "hour"), first=first), expected)


@pytest.mark.parametrize("months", [1, 2, 5, 12])
@pytest.mark.parametrize("day", [1, 15, 28])
def test_places_every_so_many_months_are_those_of_dateutil(months: int, day: int) -> None:
    start = date(2026, 11, day)
    expected = rrule.rrule(rrule.MONTHLY, interval=months, dtstart=midnight(start))
    agree(table_from(start, every(months, "month")), expected)
