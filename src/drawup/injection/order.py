"""What was prescribed or directed. An order is never edited, only replaced or stopped."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from fractions import Fraction

from drawup.injection.finding import Finding, finding
from drawup.injection.medicine import Need
from drawup.injection.quantity import Concentration, Quantity
from drawup.injection.schedule import DoseStep, Interval, Schedule

BASES = ("dose", "kg", "m2", "day", "kg/day", "m2/day")
WEIGHT_BASES = ("actual", "ideal", "adjusted")
AREA_FORMULAS = ("mosteller", "du bois")


@dataclass(frozen=True, slots=True, kw_only=True)
class Band:
    """One band of a banded dose: from (included) to below (not included), in kg or in the reading's own unit."""

    start: Fraction | None
    below: Fraction | None
    amount: Quantity


@dataclass(frozen=True, slots=True, kw_only=True)
class DoseRule:
    """How much was ordered: an amount per dose, kg, m2 or day; or bands, or steps; perhaps a range; perhaps capped.

    `at_most` is of the same kind as `amount`: per dose, or per day with a day basis.
    """

    amount: Quantity | None = None
    per: str = "dose"
    to: Quantity | None = None
    chosen: Quantity | None = None
    at_most: Quantity | None = None
    doses_per_day: int | None = None
    bands: tuple[Band, ...] = ()
    band_by: str = "weight"
    band_unit: str = "kg"
    steps: tuple[DoseStep, ...] = ()


AUTHORITIES = ("prescription", "group direction", "standing order", "spoken order", "emergency")


@dataclass(frozen=True, slots=True, kw_only=True)
class Authority:
    """What an order rests on, with its limits.

    `kind`: one of AUTHORITIES. `starts` and `ends`: the days between which it holds. `staff`: who may use it; empty
    where it names nobody. `include`: questions that must be answered yes; `exclude`: questions that must be answered
    no. `delegable`: whether the person named may let another give. `must_follow`: what must follow, within `within`.
    """

    kind: str
    reference: str = ""
    version: str = ""
    starts: date | None = None
    ends: date | None = None
    staff: tuple[str, ...] = ()
    include: tuple[str, ...] = ()
    exclude: tuple[str, ...] = ()
    delegable: bool = False
    must_follow: str = ""
    within: Interval | None = None

    @property
    def words(self) -> str:
        """ "group direction QD-7, version 2"."""
        version = f", version {self.version}" if self.version else ""
        return f"{self.kind} {self.reference}".rstrip() + version


@dataclass(frozen=True, slots=True, kw_only=True)
class RepeatedTest:
    """A test that must be repeated while the order runs: what, and how often."""

    what: str
    every: Interval


@dataclass(frozen=True, slots=True, kw_only=True)
class Order:
    """One order. None where it says nothing."""

    medicine: str
    route: str | None = None
    dose: DoseRule | None = None
    weight_basis: str = "actual"
    area_formula: str = "mosteller"
    start: date | None = None
    stop: date | None = None
    stopped: date | None = None
    times: tuple[str, ...] = ()
    when_needed: bool = False
    prescriber: str = ""
    strength: Concentration | Quantity | None = None
    authority: Authority | None = None
    site: str | None = None
    indication: str = ""
    schedule: Schedule | None = None
    review: date | None = None
    tests: tuple[RepeatedTest, ...] = ()
    needs: tuple[Need, ...] = ()
    unclear: tuple[str, ...] = ()
    copied_by: str = ""
    read_back_by: str = ""
    entered: datetime | None = None
    signed: datetime | None = None
    watch_outside: str = ""  # what lies outside its limits while somebody is watched after the dose before
    withheld: str = ""  # why its next dose was not given before, where that was for a reason of safety


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenOrder:
    """Another open order of the same patient, as far as maxima and doubles need it."""

    medicine: str
    amount: Quantity | None = None
    doses_per_day: int | None = None
    words: str = ""


def doses_per_day(order: Order) -> int:
    """How many doses a day the order comes to, as far as it says; one where it says nothing."""
    if order.dose is not None and order.dose.doses_per_day is not None:
        return order.dose.doses_per_day
    return times_a_day(order.schedule) if order.schedule is not None else max(1, len(order.times))


def times_a_day(schedule: Schedule) -> int:
    """How many doses a day a schedule comes to; one where it says nothing."""
    if schedule.when_needed:
        return schedule.most_doses or 1
    if schedule.every is not None and schedule.every.by_clock:
        return max(1, _DAY_MINUTES // schedule.every.minutes)
    return max(1, len(schedule.at) + len(schedule.meals))


_DAY_MINUTES = 1440

GIVEN_ELSEWHERE = "given elsewhere"
"""Why a dose was not given here that counts only once it is written down as reported."""


def check_order(order: Order, now: datetime) -> list[Finding]:
    """Whether the order holds now, and what it does not say."""
    found = []
    today = now.date()
    if order.start is not None and today < order.start:
        found.append(finding("order-not-started", start=order.start.isoformat(), today=today.isoformat()))
    if order.stopped is not None and today >= order.stopped:
        found.append(finding("order-stopped", stop=order.stopped.isoformat()))
    elif order.stop is not None and today > order.stop:
        found.append(finding("order-ended", stop=order.stop.isoformat(), today=today.isoformat()))
    if order.dose is None:
        found.append(finding("order-lacks-dose"))
    if order.route is None:
        found.append(finding("order-lacks-route"))
    if order.start is None:
        found.append(finding("order-lacks-date"))
    if order.unclear:
        found.append(finding("order-unclear", what="; ".join(order.unclear)))
    if order.watch_outside:
        found.append(finding("watch-outside", what=order.watch_outside))
    if order.withheld:
        elsewhere = order.withheld.startswith(GIVEN_ELSEWHERE)
        first = "; first write down what was given there: drawup given --reported" if elsewhere else ""
        found.append(finding("dose-was-withheld", withheld=order.withheld, first=first))
    return found
