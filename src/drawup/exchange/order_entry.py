"""An order as the public request writes it, read into an `Order`."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime, time
from fractions import Fraction
from itertools import pairwise

from drawup.exchange.authority_entry import read_authority
from drawup.exchange.medicine_entry import DOSES, forms_of, read_need, reading_value, strength_of
from drawup.exchange.reader import Fields, quantity_of, shown
from drawup.exchange.schedule_entry import interval_of, read_schedule, review_day
from drawup.injection.medicine import ROUTES, Medicine
from drawup.injection.notation import render_number
from drawup.injection.order import AREA_FORMULAS, BASES, WEIGHT_BASES, Band, DoseRule, Order, RepeatedTest
from drawup.injection.policy import Policy
from drawup.injection.quantity import KILOGRAM, Dimension
from drawup.injection.schedule import NO_TIMING, DoseStep, Schedule, calendar_of
from drawup.injection.timing import meal_time, next_due

_ORDER_KEYS = frozenset(
    [
        "medicine",
        "route",
        "dose",
        "weight_basis",
        "area_formula",
        "start",
        "stop",
        "stopped",
        "times",
        "when_needed",
        "prescriber",
        "strength",
        "authority",
        "site",
        "indication",
        "schedule",
        "review",
        "tests",
        "needs",
        "unclear",
        "copied_by",
        "read_back_by",
        "entered",
        "signed",
        "watch_outside",
        "withheld",
    ]
)
_DOSE_KEYS = frozenset(["amount", "per", "to", "chosen", "at_most", "doses_per_day", "bands", "by", "steps"])
_STEP_KEYS = frozenset(("for", "amount", "every"))
_TEST_KEYS = frozenset(("what", "every"))
_BAND_KEYS = frozenset(("from", "below", "amount"))


_KNOWN: dict[tuple[object, ...], tuple[Order, tuple[str, ...]]] = {}
_MOST_KNOWN = 4096
_LONGEST_KNOWN = 10_000  # characters: what is kept stays small


def read_order(parent: Fields, medicine: Medicine, policy: Policy) -> Order:
    """The request's order. Raises FieldError.

    An order comes again with each of its plans, so one that is written in just the same way is read once.
    """
    fields = parent.inside("order")
    if fields is None:
        parent.fail("order", "missing, expected an object with medicine, route and dose")
    try:
        content = fields.content
    except RecursionError:
        # Nested too deep to be an order: reading it part by part says where.
        return _read_order(fields, medicine, policy)
    if len(content) > _LONGEST_KNOWN:
        return _read_order(fields, medicine, policy)
    key = (fields.path, content, fields.notation, forms_of(medicine.equivalences), policy)
    known = _KNOWN.get(key)
    if known is None:
        before = len(fields.notes)
        known = _read_order(fields, medicine, policy), tuple(fields.notes[before:])
        if len(_KNOWN) >= _MOST_KNOWN:
            _KNOWN.clear()
        _KNOWN[key] = known
    else:
        fields.notes.extend(known[1])
    return known[0]


def _read_order(fields: Fields, medicine: Medicine, policy: Policy) -> Order:
    raw = fields.take("strength")
    strength = (
        strength_of(raw, fields.at("strength"), fields, forms_of(medicine.equivalences))[0] if raw is not None else None
    )
    start = fields.day("start")
    order = Order(
        medicine=fields.need_text("medicine"),
        route=fields.one_of("route", ROUTES),
        dose=_dose_rule(fields, medicine),
        weight_basis=fields.one_of("weight_basis", WEIGHT_BASES) or "actual",
        area_formula=fields.one_of("area_formula", AREA_FORMULAS) or "mosteller",
        start=start,
        stop=fields.day("stop"),
        stopped=fields.day("stopped"),
        times=fields.texts("times") or (),
        when_needed=bool(fields.truth("when_needed")),
        prescriber=fields.text("prescriber") or "",
        strength=strength,
        authority=read_authority(fields),
        site=fields.text("site"),
        indication=fields.text("indication") or "",
        schedule=read_schedule(fields, [meal for meal, _ in policy.meal_times]),
        review=review_day(fields, "review", start),
        tests=fields.items("tests", lambda value, path: _test(value, path, fields), most=20) or (),
        needs=fields.items("needs", lambda value, path: read_need(value, path, fields), most=20) or (),
        unclear=fields.names("unclear"),
        copied_by=fields.text("copied_by") or "",
        read_back_by=fields.text("read_back_by") or "",
        entered=fields.moment("entered"),
        signed=fields.moment("signed"),
        watch_outside=fields.text("watch_outside", longest=500) or "",
        withheld=fields.text("withheld", longest=500) or "",
    )
    if order.start is not None and order.stop is not None and order.stop < order.start:
        fields.fail("stop", f"read {order.stop.isoformat()}, before the start {order.start.isoformat()}")
    fields.close(_ORDER_KEYS)
    order = _with_ladder(order, fields)
    _check_ever_due(order, fields, policy)
    return order


def _with_ladder(order: Order, fields: Fields) -> Order:
    """A ladder needs intervals to climb by, and enough doses to get to its end.

    Steps with intervals of their own count from the dose given, whatever the label says of other orders.
    """
    schedule = order.schedule
    steps = order.dose.steps if order.dose is not None else ()
    if any(step.every for step in steps):
        if schedule is None or not schedule.counts_from_given:
            fields.fail("dose.steps", "steps with intervals of their own need a schedule that says every")
        if schedule.timing.counts_from == "planned":
            fields.fail(
                "schedule.counts_from",
                "read planned, and the steps of the dose have intervals of their own. Write given, or no intervals",
            )
        schedule = replace(schedule, timing=replace(schedule.timing, counts_from="given"))
        order = replace(order, schedule=schedule)
    if schedule is None or not steps:
        return order
    most = 1 if schedule.once else len(schedule.series) or schedule.doses
    before = sum(step.doses or 0 for step in steps)
    if most is not None and steps[0].doses is not None and before >= most:
        doses = f"{most} dose{'' if most == 1 else 's'}"
        fields.fail(
            "dose.steps", f"the last step begins after {before} doses, and the schedule has {doses}. Write fewer steps"
        )
    return order


def _check_ever_due(order: Order, fields: Fields, policy: Policy) -> None:
    """A schedule that can never fall due is a slip of the pen."""
    schedule = order.schedule
    if schedule is None:
        return
    _check_most(order, schedule, fields)
    _check_clocks(schedule, fields, policy)
    first, start = schedule.first, order.start
    if first is not None and start is not None and first.date() < start:
        fields.fail("schedule.first", f"read {first.isoformat()}, before the start {start.isoformat()}")
    start = start or (None if first is None else first.date())
    if start is None or order.stop is None or schedule.series or schedule.when_needed:
        return
    begin = datetime.combine(start, time(0), tzinfo=UTC)
    outlook = next_due(
        replace(order, stopped=None), doses=(), label=NO_TIMING, calendar=calendar_of(policy, UTC), now=begin
    )
    if outlook.due is None:
        fields.fail("schedule", f"can never fall due: {outlook.ended}")


def _check_most(order: Order, schedule: Schedule, fields: Fields) -> None:
    """A maximum of another kind than the dose could not be compared with what was given."""
    rule, most = order.dose, schedule.most_amount
    if most is None or rule is None:
        return
    first = rule.amount or (rule.bands[0] if rule.bands else rule.steps[0]).amount
    if first.kind != most.kind:
        fields.fail("schedule.at_most", f"{most.unit.name} beside a dose in {first.unit.name}. Write it in the dose's")


def _check_clocks(schedule: Schedule, fields: Fields, policy: Policy) -> None:
    """Two doses at one time of day would melt into one."""
    calendar = calendar_of(policy, UTC)
    clocks = [*schedule.at, *(meal_time(words, calendar) for words in schedule.meals)]
    if len(set(clocks)) < len(clocks):
        fields.fail("schedule.meals", "two doses fall at one time of day by the policy's meal times. Write it once")


def _test(value: object, path: str, parent: Fields) -> RepeatedTest:
    fields = Fields(value, path, parent.notation, parent.notes)
    what = fields.need_text("what")
    every = interval_of(fields.take("every"), fields.at("every"))
    if every.by_clock:
        fields.fail("every", f'read "{every.text}", expected days, weeks, months or years')
    fields.close(_TEST_KEYS)
    return RepeatedTest(what=what, every=every)


def _dose_rule(parent: Fields, medicine: Medicine) -> DoseRule | None:
    fields = parent.inside("dose")
    if fields is None:
        return None
    forms = forms_of(medicine.equivalences)
    per = fields.one_of("per", BASES) or "dose"
    by = fields.text("by") or "weight"
    bands = fields.items("bands", lambda value, path: _band(value, path, fields, by, forms), most=100) or ()
    amounts = {key: fields.quantity(key, *DOSES, forms=forms) for key in ("amount", "to", "chosen", "at_most")}
    times = fields.whole("doses_per_day", least=1, most=48)
    amount = amounts["amount"]
    steps = fields.items("steps", lambda value, path: _step(value, path, fields, forms), most=100) or ()
    if (amount is not None) + bool(bands) + bool(steps) != 1:
        wanted = "one of an amount, bands or steps" if amount or bands or steps else "such as 2.5 mg"
        fields.fail("amount", f"expected {wanted}" if bands or steps else f"missing, expected {wanted}")
    _check_steps(steps, fields)
    for key in ("to", "chosen", "at_most"):
        other, first = amounts[key], amount or (bands[0][0] if bands else steps[0]).amount
        if other is not None and other.kind != first.kind:
            fields.fail(key, f"{other.unit.name} beside {first.unit.name}: expected the same kind as the amount")
    if any(band.amount.kind != bands[0][0].amount.kind for band, _ in bands):
        fields.fail("bands", "the amounts of the bands are of different kinds")
    if (bands or steps) and amounts["to"] is not None:
        fields.fail("to", f"stands beside {'bands' if bands else 'steps'}, each of one amount. Leave it out")
    if amounts["chosen"] is not None and amounts["to"] is None:
        fields.fail("chosen", "a choice inside a range, and the order is none. Leave it out")
    if not bands and fields.take("by") is not None:
        fields.fail("by", "names what decides the band, and there are no bands. Leave it out")
    if amount is not None and amounts["to"] is not None and amounts["to"] < amount:
        fields.fail("to", "the range ends below its start")
    if per.endswith("day") and times is None:
        fields.fail("doses_per_day", f"missing: a dose per {per} is divided, so say into how many")
    if not per.endswith("day") and times is not None and per != "dose":
        fields.fail("doses_per_day", f"stands beside a dose per {per}, which is one dose. Leave it out")
    if per not in ("dose", "day") and amount is not None and amount.unit.dimension is Dimension.VOLUME and "m2" in per:
        fields.fail("amount", "a volume per m2 is not taken. Write an amount")
    fields.close(_DOSE_KEYS)
    unit = bands[0][1] if bands else "kg"
    if any(other != unit for _, other in bands):
        fields.fail("bands", "the bands are in different units")
    return DoseRule(
        amount=amount,
        per=per,
        to=amounts["to"],
        chosen=amounts["chosen"],
        at_most=amounts["at_most"],
        doses_per_day=times,
        bands=_checked_bands(tuple(band for band, _ in bands), unit, fields),
        band_by=by,
        band_unit=unit,
        steps=steps,
    )


_FOR = re.compile(r"([1-9][0-9]{0,3}) doses?", re.ASCII)
_LASTS = re.compile(r"[1-9][0-9]{0,3} (?:day|week|month|year)s?", re.ASCII)


def _step(value: object, path: str, parent: Fields, forms: tuple[str, ...]) -> DoseStep:
    fields = Fields(value, path, parent.notation, parent.notes)
    amount = fields.quantity("amount", *DOSES, forms=forms)
    if amount is None:
        fields.fail("amount", "missing: each step has an amount")
    lasts, every = fields.take("for"), fields.take("every")
    doses = _FOR.fullmatch(lasts) if isinstance(lasts, str) else None
    if lasts is not None and doses is None and not (isinstance(lasts, str) and _LASTS.fullmatch(lasts)):
        fields.fail("for", f'read "{shown(lasts)}", expected such as "2 doses" or "4 weeks"')
    step = DoseStep(
        amount=amount,
        doses=int(doses[1]) if doses else None,
        lasts=interval_of(lasts, fields.at("for")) if lasts is not None and doses is None else None,
        every=None if every is None else interval_of(every, fields.at("every")),
    )
    fields.close(_STEP_KEYS)
    return step


def _check_steps(steps: tuple[DoseStep, ...], fields: Fields) -> None:
    """Every step but the last has an end, all by doses or all by time, and all are of one kind of amount."""
    for index, step in enumerate(steps[:-1]):
        if step.doses is None and step.lasts is None:
            fields.fail(f"steps[{index}]", 'has no end, and steps come after it. Write for: "2 doses" or "4 weeks"')
    if steps and (steps[-1].doses is not None or steps[-1].lasts is not None):
        fields.fail(f"steps[{len(steps) - 1}]", "is the last step and goes on until the order ends. Leave its for out")
    if any(step.doses for step in steps) and any(step.lasts for step in steps):
        fields.fail("steps", "some go by doses and some by time. Write all in one way")
    if any(step.amount.kind != steps[0].amount.kind for step in steps):
        fields.fail("steps", "the amounts of the steps are of different kinds")


def _band(value: object, path: str, parent: Fields, by: str, forms: tuple[str, ...]) -> tuple[Band, str]:
    fields = Fields(value, path, parent.notation, parent.notes)
    amount = fields.quantity("amount", *DOSES, forms=forms)
    if amount is None:
        fields.fail("amount", "missing: each band has an amount")
    edges: list[Fraction | None] = []
    units = []
    for key in ("from", "below"):
        raw = fields.take(key)
        if raw is None:
            edges.append(None)
        elif by == "weight":
            quantity = quantity_of(
                raw, fields.at(key), fields, (Dimension.MASS,), measured=True, body_weight=True, zero=True
            )
            edges.append(quantity.to(KILOGRAM).value)
            units.append("kg")
        else:
            number, unit = reading_value(raw, fields.at(key), fields)
            edges.append(number)
            units.append(unit)
    if not units or len(set(units)) > 1:
        fields.fail("from", "a band has a from, a below or both, in one unit")
    fields.close(_BAND_KEYS)
    return Band(start=edges[0], below=edges[1], amount=amount), units[0]


def _checked_bands(bands: tuple[Band, ...], unit: str, fields: Fields) -> tuple[Band, ...]:
    """Bands in order, without overlap and without a gap."""
    if not bands:
        return ()
    ordered = sorted(bands, key=lambda band: (band.start is not None, band.start or 0))
    for band in ordered:
        if band.start is not None and band.below is not None and band.below <= band.start:
            fields.fail("bands", "a band ends at or below its start")
    for before, after in pairwise(ordered):
        if before.below is None or after.start is None or after.start < before.below:
            fields.fail("bands", "two bands overlap. Write each from where the one before is below")
        if after.start > before.below:
            low, high = render_number(before.below), render_number(after.start)
            fields.fail(
                "bands", f"a gap: nothing is ordered from {low} to {f'{high} {unit}'.strip()}. Write a band for it"
            )
    return tuple(ordered)
