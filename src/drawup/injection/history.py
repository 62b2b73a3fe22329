"""What was given before, and what that means now: intervals and rolling maxima."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta

from drawup.injection.dose import elapsed_text
from drawup.injection.finding import Finding, finding
from drawup.injection.medicine import Medicine
from drawup.injection.notation import Notation, render
from drawup.injection.order import OpenOrder
from drawup.injection.quantity import DimensionMismatch, Quantity, convert
from drawup.injection.skin import PastInjection

# What counts as a dose in the body: given here, in part, or reported from elsewhere.
COUNTED = ("given", "part given", "reported")


@dataclass(frozen=True, slots=True, kw_only=True)
class PastDose:
    """One line of the patient's history. `kind`: given, part given, not given, reported.

    `ordered`: what was asked, where only a part was given. `places`: where it went, several where it was divided.
    `planned`: the planned moment that it was for, where one is known. `another_order`: it was given on another order
    that is still open, and moves no clock but that one's. `live`: whether it was a live vaccine.
    """

    medicine: str
    at: datetime
    kind: str = "given"
    amount: Quantity | None = None
    places: tuple[PastInjection, ...] = ()
    ordered: Quantity | None = None
    planned: datetime | None = None
    live: bool = False
    another_order: bool = False


def given_day(past: PastDose) -> date:
    """The day of a past dose by the clock of the place where it was given, as it was written with it."""
    return past.at.date()


_DAY = timedelta(hours=24)
_DAY_MINUTES = 1440


def check_intervals(
    *,
    dose: Quantity | None,
    medicine: Medicine,
    history: tuple[PastDose, ...] | None,
    open_orders: tuple[OpenOrder, ...],
    doses_per_day: int,
    timed: bool,
    recent_minutes: int,
    notation: Notation,
    now: datetime,
) -> list[Finding]:
    """Too soon, over the daily or group maximum over all open orders, doubled orders, or never asked.

    `timed`: the order says when its doses are due, so that when the next one is rests on the earlier ones.
    """
    found = _check_open_orders(dose, doses_per_day, medicine, open_orders, notation)
    depends = medicine.least_interval_minutes is not None or medicine.at_most_daily is not None
    if history is None:
        if depends or timed:
            rests = ["when it is due"] if timed else []
            rests += ["the interval and the maximum in 24 hours"] if depends else []
            because = " and ".join(rests)
            because = f"{because[:1].upper()}{because[1:]} {'rest' if depends else 'rests'} on them."
            found.append(finding("history-not-asked", because=because))
        else:
            found.append(finding("history-not-asked-note"))
        return found
    counted = [
        past for past in history if past.kind in COUNTED and medicine.counts_with(past.medicine) and past.at <= now
    ]
    last = max(counted, key=lambda past: past.at, default=None)
    if last is not None:
        found += _since(last, medicine, min(recent_minutes, _DAY_MINUTES // doses_per_day // 2), notation, now)
    if medicine.at_most_daily is not None and dose is not None:
        found += _over_daily(dose, medicine, medicine.at_most_daily, counted, notation, now)
    return found


def _since(last: PastDose, medicine: Medicine, recent: int, notation: Notation, now: datetime) -> list[Finding]:
    """What the last dose means now: only a part of it given, too soon after it, or shortly before."""
    found = []
    if last.kind == "part given":
        found.append(_outstanding(last, notation, now))
    if medicine.least_interval_minutes is not None:
        return found + _too_soon(medicine.least_interval_minutes, last.at, now)
    return found + _recently(last, recent, notation, now)


def _outstanding(last: PastDose, notation: Notation, now: datetime) -> Finding:
    """A part of the dose before was given: whether the rest is due is the prescriber's to decide."""
    given = render(last.amount, notation) if last.amount is not None else "a part"
    left = "the rest"
    if last.ordered is not None and last.amount is not None and last.ordered.kind == last.amount.kind:
        left = render(last.ordered - last.amount, notation)
    return finding("part-outstanding", given=given, last=_moment(last.at, now), left=left)


def _recently(last: PastDose, minutes: int, notation: Notation, now: datetime) -> list[Finding]:
    """Given shortly before, and the formulary says no interval that would explain it."""
    if now - last.at >= timedelta(minutes=minutes):
        return []
    amount = f"{render(last.amount, notation)} of " if last.amount is not None else ""
    return [finding("given-recently", what=f"{amount}{last.medicine}", last=_moment(last.at, now))]


def _too_soon(least_minutes: int, last: datetime, now: datetime) -> list[Finding]:
    earliest = last.astimezone(now.tzinfo) + timedelta(minutes=least_minutes)
    # An interval of weeks is counted by the calendar: 28 days after a Monday is a Monday, at any time of the day.
    whole_days = least_minutes % _DAY_MINUTES == 0 and least_minutes >= 7 * _DAY_MINUTES
    if now >= earliest or (whole_days and now.date() >= earliest.date()):
        return []
    return [
        finding(
            "too-soon",
            since=elapsed_text(int((now - last).total_seconds()) // 60),
            last=_moment(last, now),
            interval=elapsed_text(least_minutes),
            earliest=_moment(earliest, now),
        )
    ]


def _moment(moment: datetime, now: datetime) -> str:
    return moment.astimezone(now.tzinfo).strftime("%Y-%m-%d %H:%M")


def _over_daily(
    dose: Quantity,
    medicine: Medicine,
    limit: Quantity,
    counted: list[PastDose],
    notation: Notation,
    now: datetime,
) -> list[Finding]:
    recent = sorted((past for past in counted if past.at > now - _DAY), key=lambda past: past.at)
    amounts = []
    for past in recent:
        amount = _as_kind(past.amount, limit, medicine)
        if amount is None:
            return [finding("history-unclear", dose=f"{past.medicine} on {_moment(past.at, now)}")]
        amounts.append(amount)
    own = _as_kind(dose, limit, medicine)
    if own is None:
        return []
    given = limit.times(0)
    for amount in amounts:
        given = given + amount
    if given + own <= limit:
        return []
    return [
        finding(
            "daily-maximum",
            given=render(given, notation),
            dose=render(own, notation),
            total=render(given + own, notation),
            limit=render(limit, notation),
            earliest=_earliest(recent, amounts, own, limit, now),
        )
    ]


def _earliest(recent: list[PastDose], amounts: list[Quantity], own: Quantity, limit: Quantity, now: datetime) -> str:
    """When enough of the earlier doses have left the 24 hours, where that ever happens."""
    left = limit.times(0)
    for amount in amounts:
        left = left + amount
    for past, amount in zip(recent, amounts, strict=True):
        left = left - amount
        if left + own <= limit:
            return f"It fits again from {_moment(past.at + _DAY, now)}."
    return "The dose alone is over it."


def _as_kind(amount: Quantity | None, limit: Quantity, medicine: Medicine) -> Quantity | None:
    if amount is None:
        return None
    try:
        return convert(amount, limit.kind, medicine.equivalences)
    except DimensionMismatch:
        return None


def _check_open_orders(
    dose: Quantity | None,
    doses_per_day: int,
    medicine: Medicine,
    open_orders: tuple[OpenOrder, ...],
    notation: Notation,
) -> list[Finding]:
    """Another open order of the same medicine or group: both shown, both counted in the maximum of a day."""
    same = [order for order in open_orders if medicine.counts_with(order.medicine)]
    found = []
    if same:
        shown = "; ".join(_order_words(order, notation) for order in same)
        own = f"this one, {render(dose, notation)}" if dose is not None else "this one"
        found.append(finding("duplicate-order", orders=f"{own}; {shown}"))
    elif doses_per_day == 1:
        return []
    limit = medicine.at_most_daily
    if limit is None or dose is None:
        return found
    own_dose = _as_kind(dose, limit, medicine)
    total = None if own_dose is None else own_dose.times(doses_per_day)
    for order in same:
        amount = _as_kind(order.amount, limit, medicine)
        if total is None or amount is None:
            return found
        total = total + amount.times(order.doses_per_day or 1)
    if total is not None and total > limit:
        found.append(finding("daily-maximum-orders", total=render(total, notation), limit=render(limit, notation)))
    return found


def _order_words(order: OpenOrder, notation: Notation) -> str:
    amount = f" {render(order.amount, notation)}" if order.amount is not None else ""
    words = f" ({order.words})" if order.words else ""
    times = f", {order.doses_per_day} a day" if order.doses_per_day else ""
    return f"{order.medicine}{amount}{times}{words}"
