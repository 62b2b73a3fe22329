"""From the order's rule to an exact amount, with every line of the working as it would be written on paper."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from decimal import Context, Decimal
from fractions import Fraction

from drawup.injection.finding import Finding, finding
from drawup.injection.medicine import Medicine, Need, UsualDose
from drawup.injection.notation import Notation, decimal_text, render, render_number, rounded_half_up
from drawup.injection.order import Band, DoseRule, Order
from drawup.injection.patient import Age, Measurement, Patient, Reading, centimetres, kilograms
from drawup.injection.policy import Policy
from drawup.injection.quantity import KILOGRAM, POUND, Dimension, DimensionMismatch, Quantity, convert
from drawup.injection.schedule import step_at

# Body surface has roots and powers: 28 digits, carried unrounded.
_CONTEXT = Context(prec=28)
_POUND_KG = POUND.factor / KILOGRAM.factor
_ADULT, _SHORTEST_CM, _TALLEST_CM = 18, 120, 220  # from memory; check locally
_TEN_POWERS = (10, 100, 1000)


@dataclass(frozen=True, slots=True, kw_only=True)
class Dose:
    """The dose worked out. `amount` is None where something needed is missing; the findings say what."""

    amount: Quantity | None
    working: tuple[str, ...]
    findings: tuple[Finding, ...]
    sources: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class SoFar:
    """How many doses of an order were given, and the days of the first and the last of them; None before it."""

    given: int
    first: date | None
    last: date | None = None


@dataclass(slots=True)
class _Sheet:
    """The sheet of paper on which one dose is worked out."""

    order: Order
    rule: DoseRule
    patient: Patient
    age: Age | None
    policy: Policy
    now: datetime
    lines: list[str]
    found: list[Finding]
    sources: list[str]

    @property
    def notation(self) -> Notation:
        return self.policy.notation


def work_out_dose(
    *,
    order: Order,
    patient: Patient,
    medicine: Medicine,
    readings: tuple[Reading, ...],
    policy: Policy,
    now: datetime,
    so_far: SoFar | None = None,
) -> Dose:
    """The exact amount of one dose. Nothing is rounded here. `so_far`: what a ladder goes by; None where not asked."""
    rule = order.dose
    if rule is None:
        return Dose(amount=None, working=(), findings=())
    today = now.date()
    sheet = _Sheet(order, rule, patient, patient.age(today), policy, now, [], [], [])
    if rule.steps:
        amount = _stepped(sheet, so_far)
    else:
        amount = _banded(sheet, known_by(readings, now)) if rule.bands else _chosen(sheet)
    if amount is not None:
        amount = _by_basis(sheet, amount)
    if amount is not None and amount.unit.dimension is not Dimension.VOLUME:
        sheet.found += check_usual(amount, order=order, patient=patient, medicine=medicine, policy=policy, now=now)
    return Dose(amount=amount, working=tuple(sheet.lines), findings=tuple(sheet.found), sources=tuple(sheet.sources))


def _chosen(sheet: _Sheet) -> Quantity | None:
    """The ordered amount, or the giver's choice inside a range."""
    rule, notation = sheet.rule, sheet.notation
    if rule.amount is None or rule.to is None:
        return rule.amount
    low, high = rule.amount, rule.to
    span = {"low": _per(low, rule.per, notation), "high": _per(high, rule.per, notation)}
    if rule.chosen is None:
        sheet.found.append(finding("dose-choice-needed", **span))
        sheet.lines.append(f"ordered {span['low']} to {span['high']}: choose")
        return None
    chosen = _per(rule.chosen, rule.per, notation)
    if not low <= rule.chosen <= high:
        sheet.found.append(finding("dose-outside-range", chosen=chosen, **span))
    elif low < high:
        sheet.found.append(finding("dose-choice-why", chosen=chosen, **span))
    sheet.lines.append(f"chosen {_per(rule.chosen, rule.per, notation)}, from {span['low']} to {span['high']}")
    return rule.chosen


def _stepped(sheet: _Sheet, so_far: SoFar | None) -> Quantity | None:
    """The amount of the step of the ladder that the next dose is in."""
    rule, today = sheet.rule, sheet.now.date()
    if so_far is None:
        sheet.found.append(finding("history-not-asked", because="The step of the order rests on them."))
        return None
    first = so_far.first or today
    month_ends = sheet.policy.month_ends
    number, step = step_at(rule.steps, given=so_far.given, first=first, today=today, month_ends=month_ends)
    if step.doses is not None:
        lasts = f", for {step.doses} dose{'' if step.doses == 1 else 's'}"
    else:
        lasts = f", for {step.lasts.text}" if step.lasts is not None else ", from here on"
    if so_far.last is not None and step.doses is None:
        then, _ = step_at(rule.steps, given=so_far.given, first=first, today=so_far.last, month_ends=month_ends)
        if number > then + 1:
            shown = {"passed": str(number - then - 1), "last": so_far.last.isoformat(), "number": str(number)}
            sheet.found.append(finding("steps-without-doses", **shown))
    since = f"since {first.isoformat()}" if so_far.given else "none yet"
    doses = f"{so_far.given} dose{'' if so_far.given == 1 else 's'} given, {since}"
    amount = _per(step.amount, rule.per, sheet.notation)
    sheet.lines.append(f"step {number} of {len(rule.steps)} ({doses}): {amount}{lasts}")
    return step.amount


def _banded(sheet: _Sheet, readings: tuple[Reading, ...]) -> Quantity | None:
    """The amount of the band in which the weight or the reading falls."""
    rule, notation = sheet.rule, sheet.notation
    if rule.band_by == "weight":
        value = _weight_kg(sheet)
        if value is None:
            return None
        shown = f"{render_number(value, notation)} kg"
    else:
        reading = latest(readings, rule.band_by)
        if reading is None:
            sheet.found.append(finding("reading-missing", what=rule.band_by))
            return None
        if reading.unit.casefold() != rule.band_unit.casefold():
            sheet.found.append(
                finding("reading-unit", what=rule.band_by, value=reading_text(reading, notation), unit=rule.band_unit)
            )
            return None
        value, shown = reading.value, reading_text(reading, notation)
        if sheet.now - reading.at > timedelta(minutes=sheet.policy.recent_minutes):
            at = reading.at.astimezone(sheet.now.tzinfo).strftime("%Y-%m-%d %H:%M")
            sheet.found.append(finding("reading-old", what=rule.band_by, value=shown, at=at))
    for band in rule.bands:
        if (band.start is None or value >= band.start) and (band.below is None or value < band.below):
            sheet.lines.append(f"{rule.band_by} {shown}: band {_band_text(band, rule.band_unit, notation)}")
            return band.amount
    sheet.found.append(finding("dose-no-band", what=rule.band_by, value=shown))
    return None


def _band_text(band: Band, unit: str, notation: Notation) -> str:
    words = []
    if band.start is not None:
        words.append(f"from {render_number(band.start, notation)}")
    if band.below is not None:
        words.append(f"below {render_number(band.below, notation)}")
    return f"{' '.join(words)} {unit}: {render(band.amount, notation)}"


def _by_basis(sheet: _Sheet, amount: Quantity) -> Quantity | None:
    """The amount of one dose: times kg or m2, capped, divided over the day."""
    rule, notation = sheet.rule, sheet.notation
    measure, daily = rule.per.partition("/")[0], rule.per.endswith("day")
    if measure == "kg":
        weight = _weight_kg(sheet)
        if weight is None:
            return None
        result = amount.times(weight)
        sheet.lines.append(
            f"{_per(amount, rule.per, notation)} x {render_number(weight, notation)} kg = {render(result, notation)}"
            + (" a day" if daily else "")
        )
    elif measure == "m2":
        area = _area_m2(sheet)
        if area is None:
            return None
        result = amount.times(area)
        sheet.lines.append(
            f"{_per(amount, rule.per, notation)} x {_shown_area(area)} m2 = {render(result, notation)}"
            + (" a day" if daily else "")
        )
    else:
        result = amount
        sheet.lines.append(f"ordered {render(amount, notation)}{' a day' if daily else ''}")
    result = _capped(sheet, result)
    if daily:
        times = rule.doses_per_day or 1
        total, result = result, result.times(Fraction(1, times))
        sheet.lines.append(f"{render(total, notation)} a day / {times} doses = {render(result, notation)} a dose")
    return result


def _capped(sheet: _Sheet, amount: Quantity) -> Quantity:
    cap = sheet.rule.at_most
    if cap is None:
        return amount
    notation = sheet.notation
    if amount > cap:
        daily = " a day" if sheet.rule.per.endswith("day") else ""
        shown = {"dose": f"{render(amount, notation)}{daily}", "cap": f"{render(cap, notation)}{daily}"}
        sheet.lines.append(f"at most {shown['cap']}")
        sheet.found.append(finding("dose-capped", **shown))
        return cap.to(amount.unit)
    sheet.lines.append(f"at most {render(cap, notation)}: not reached")
    return amount


def _per(amount: Quantity, per: str, notation: Notation) -> str:
    """An ordered amount with its basis: "2.5 mg/kg", "40 mg/kg/day"."""
    if per == "dose":
        return render(amount, notation)
    shown = render(amount, notation)
    return f"{shown} a day" if per == "day" else f"{shown}/{per}"


# --- the body ---------------------------------------------------------------------------------------------------


def _weight_kg(sheet: _Sheet) -> Fraction | None:
    """The weight in kg that the order's basis asks for, checked for age, origin and sense."""
    measured = sheet.patient.weight
    if measured is None:
        sheet.found.append(finding("weight-missing"))
        return None
    actual = kilograms(measured.quantity)
    if measured.quantity.unit is not KILOGRAM:
        sheet.lines.append(f"{render(measured.quantity, sheet.notation)} = {_shown_kg(actual)} kg")
    _check_measurement(sheet, measured, "weight")
    _check_plausible(sheet, measured, actual)
    basis = sheet.order.weight_basis
    return actual if basis == "actual" else _formula_weight(sheet, actual, basis)


def _formula_weight(sheet: _Sheet, actual: Fraction, basis: str) -> Fraction | None:
    """Ideal weight by Devine, or adjusted weight: ideal plus 0.4 of what is above it. Heights in inches over 60."""
    height = _height_cm(sheet, "ideal weight")
    if height is None:
        return None
    base = {"male": Fraction(50), "female": Fraction("45.5")}.get(sheet.patient.sex)
    if base is None:
        sheet.found.append(finding("sex-missing"))
        return None
    inches = height / Fraction("2.54")
    ideal = base + Fraction("2.3") * (inches - 60)
    sheet.sources.append("Devine BJ, Drug Intell Clin Pharm 1974;8:650 (from memory)")
    sheet.lines.append(
        f"ideal weight = {decimal_text(base)} kg + 2.3 kg x ({_shown(inches)} in - 60 in) = {_shown(ideal)} kg"
    )
    reasons = []
    if sheet.age is not None and sheet.age.years < 18:
        reasons.append(f"the patient is {sheet.age.text} old")
    if height <= 152:
        reasons.append(f"the patient is {render_number(height, sheet.notation)} cm tall")
    if actual < ideal:
        reasons.append(f"the actual weight {_shown_kg(actual)} kg is below the ideal weight")
    if reasons:
        sheet.found.append(finding("weight-basis-unfit", basis=basis.capitalize(), reason="; ".join(reasons)))
    if basis == "ideal":
        return ideal
    adjusted = ideal + Fraction("0.4") * (actual - ideal)
    sheet.lines.append(
        f"adjusted weight = {_shown(ideal)} kg + 0.4 x ({_shown_kg(actual)} kg - {_shown(ideal)} kg) "
        f"= {_shown(adjusted)} kg"
    )
    return adjusted


def _height_cm(sheet: _Sheet, needed: str) -> Fraction | None:
    measured = sheet.patient.height
    if measured is None:
        sheet.found.append(finding("height-missing", needed=needed))
        return None
    _check_measurement(sheet, measured, "height")
    height = centimetres(measured.quantity)
    if sheet.age is not None and sheet.age.years >= _ADULT and not _SHORTEST_CM <= height <= _TALLEST_CM:
        sheet.found.append(finding("height-unlikely", height=render(measured.quantity, sheet.notation)))
    if measured.quantity.unit.name != "cm":
        sheet.lines.append(f"{render(measured.quantity, sheet.notation)} = {render_number(height, sheet.notation)} cm")
    return height


def _area_m2(sheet: _Sheet) -> Fraction | None:
    """Body surface in m2: given, or by the order's formula from weight and height."""
    if sheet.patient.area is not None:
        sheet.lines.append(f"body surface {render(sheet.patient.area, sheet.notation)}, given")
        return sheet.patient.area.value
    weight = _weight_kg(sheet)
    height = _height_cm(sheet, "body surface")
    if weight is None or height is None:
        return None
    area = body_surface_m2(weight_kg=weight, height_cm=height, formula=sheet.order.area_formula)
    shown = f"{_shown_kg(weight)} kg, {render_number(height, sheet.notation)} cm"
    if sheet.order.area_formula == "du bois":
        sheet.lines.append(
            f"body surface (Du Bois) = 0.007184 x kg^0.425 x cm^0.725 ({shown}) = {_shown_area(area)} m2"
        )
        sheet.sources.append("Du Bois D, Du Bois EF, Arch Intern Med 1916;17:863-871 (from memory)")
    else:
        sheet.lines.append(
            f"body surface (Mosteller) = square root of (cm x kg / 3600) ({shown}) = {_shown_area(area)} m2"
        )
        sheet.sources.append("Mosteller RD, N Engl J Med 1987;317:1098 (from memory)")
    return area


def body_surface_m2(*, weight_kg: Fraction, height_cm: Fraction, formula: str) -> Fraction:
    """Body surface in m2 at 28 digits, unrounded. Formulas: "mosteller", "du bois"."""
    weight, height = _decimal(weight_kg), _decimal(height_cm)
    if formula == "du bois":
        power = _CONTEXT.multiply(_CONTEXT.power(weight, Decimal("0.425")), _CONTEXT.power(height, Decimal("0.725")))
        return Fraction(_CONTEXT.multiply(Decimal("0.007184"), power))
    return Fraction(_CONTEXT.sqrt(_CONTEXT.divide(_CONTEXT.multiply(height, weight), Decimal(3600))))


def _decimal(value: Fraction) -> Decimal:
    return _CONTEXT.divide(Decimal(value.numerator), Decimal(value.denominator))


def _shown(value: Fraction) -> str:
    return decimal_text(rounded_half_up(value, 2)) or ""


def _shown_kg(value: Fraction) -> str:
    return decimal_text(rounded_half_up(value, 3)) or ""


def _shown_area(value: Fraction) -> str:
    return decimal_text(rounded_half_up(value, 4)) or ""


# --- what to doubt ------------------------------------------------------------------------------------------------


def _check_measurement(sheet: _Sheet, measured: Measurement, what: str) -> None:
    shown = render(measured.quantity, sheet.notation)
    if measured.how != "measured":
        sheet.found.append(finding(f"{what}-guessed", **{what: shown, "how": measured.how}))
    if measured.on is None:
        return
    old = (sheet.now.date() - measured.on).days
    limit = _counts_days(sheet)
    if limit is not None and old > limit:
        sheet.found.append(
            finding(f"{what}-old", **{what: shown, "on": measured.on.isoformat(), "limit": _days(limit)})
        )


def _counts_days(sheet: _Sheet) -> int | None:
    """How many days a weight counts at this age; the adult's limit where the age is not known."""
    age = sheet.age
    for row in sheet.policy.weight_age:
        if row.below_days is None or (age is not None and age.days < row.below_days):
            return row.counts_days
    return None


def _days(days: int) -> str:
    return f"{days} day{'' if days == 1 else 's'}"


def _check_plausible(sheet: _Sheet, measured: Measurement, actual: Fraction) -> None:
    """A weight that makes no sense for the age; a mix-up of pounds and kilograms is named where it explains it."""
    age = sheet.age
    if age is None:
        return
    for row in sheet.policy.plausible_weight:
        if row.below_days is None or age.days < row.below_days:
            break
    else:
        return
    if row.low_kg <= actual <= row.high_kg:
        return
    shown = render(measured.quantity, sheet.notation)
    written = measured.quantity
    if written.unit is POUND and row.low_kg <= written.value <= row.high_kg:
        words = f"{decimal_text(written.value) or _shown_kg(written.value)} kg"
        sheet.found.append(finding("weight-kilograms", weight=shown, age=age.text, as_kilograms=words))
        return
    as_pounds = actual * _POUND_KG
    if written.unit is not POUND and row.low_kg <= as_pounds <= row.high_kg:
        number = decimal_text(actual) or _shown_kg(actual)
        words = f"{number} lb = {_shown(as_pounds)} kg"
        sheet.found.append(finding("weight-pounds", weight=shown, age=age.text, as_pounds=words))
        return
    low, high = decimal_text(row.low_kg) or "", decimal_text(row.high_kg) or ""
    sheet.found.append(finding("weight-unlikely", weight=shown, age=age.text, low=f"{low} kg", high=f"{high} kg"))


def check_usual(
    amount: Quantity, *, order: Order, patient: Patient, medicine: Medicine, policy: Policy, now: datetime
) -> list[Finding]:
    """Over the single maximum, or outside the usual range; a slip by a power of ten is named where it explains it.

    A dose ordered as a volume is looked at once the pack says what it holds.
    """
    notation = policy.notation
    found = []
    most = medicine.at_most_single
    if most is not None:
        compared = _comparable(amount, most, medicine)
        if compared is None:
            found.append(_not_compared(amount, most, medicine))
        elif compared > most:
            found.append(finding("single-maximum", dose=render(amount, notation), limit=render(most, notation)))
    usual = _usual_for(order, patient, medicine, now.date())
    if usual is None:
        return [*found, finding("usual-not-known", medicine=medicine.name)] if medicine.usual_doses else found
    compared = _comparable(amount, usual.low, medicine)
    if compared is None:
        return [*found, _not_compared(amount, usual.low, medicine)]
    if usual.low <= compared <= usual.high:
        return found
    span = {"low": render(usual.low, notation), "high": render(usual.high, notation)}
    above = compared > usual.high
    for factor in _TEN_POWERS:
        meant = amount.times(Fraction(1, factor)) if above else amount.times(factor)
        if meant.kind == usual.low.kind:
            meant = meant.to(usual.low.unit)
        shifted = compared.times(Fraction(1, factor)) if above else compared.times(factor)
        if usual.low <= shifted <= usual.high:
            found.append(
                finding(
                    "dose-power-of-ten",
                    dose=render(amount, notation),
                    side="above" if above else "below",
                    slip=render(meant, notation),
                    factor=str(factor),
                    **span,
                )
            )
            return found
    group = f" ({usual.indication})" if usual.indication else ""
    side = "above" if above else "below"
    found.append(finding("dose-outside-usual", dose=render(amount, notation), side=side, group=group, **span))
    return found


def _not_compared(amount: Quantity, limit: Quantity, medicine: Medicine) -> Finding:
    return finding("limit-not-compared", medicine=medicine.name, limit=limit.unit.name, dose=amount.unit.name)


def _comparable(amount: Quantity, limit: Quantity, medicine: Medicine) -> Quantity | None:
    if amount.kind == limit.kind:
        return amount
    try:
        return convert(amount, limit.kind, medicine.equivalences)
    except DimensionMismatch:
        return None


def _usual_for(order: Order, patient: Patient, medicine: Medicine, today: date) -> UsualDose | None:
    """The first usual range that fits this age, weight and indication."""
    if not medicine.usual_doses:
        return None
    age = patient.age(today)
    weight = kilograms(patient.weight.quantity) if patient.weight is not None else None
    for usual in medicine.usual_doses:
        if usual.indication and usual.indication != order.indication:
            continue
        if not _inside(age.days if age else None, usual.from_days, usual.below_days):
            continue
        if _inside(weight, usual.from_kg, usual.below_kg):
            return usual
    return None


def _inside(value: Fraction | int | None, start: Fraction | int | None, below: Fraction | int | None) -> bool:
    if start is None and below is None:
        return True
    if value is None:
        return False
    return (start is None or value >= start) and (below is None or value < below)


# --- readings -----------------------------------------------------------------------------------------------------


def known_by(readings: tuple[Reading, ...], now: datetime) -> tuple[Reading, ...]:
    """The readings that can have been taken by now; five minutes are allowed for clocks that differ."""
    return tuple(reading for reading in readings if reading.at <= now + timedelta(minutes=5))


def latest(readings: tuple[Reading, ...], what: str) -> Reading | None:
    """The newest reading of this kind; of two at the same time the one that was written down last."""
    name = what.casefold()
    of_kind = [reading for reading in readings if reading.what.casefold() == name]
    return max(reversed(of_kind), key=lambda reading: reading.at) if of_kind else None


def reading_text(reading: Reading, notation: Notation) -> str:
    """A reading for a person: "5.6 mmol/L", or the bare number of an INR."""
    number = render_number(reading.value, notation)
    return f"{number} {reading.unit}" if reading.unit else number


def check_needs(
    needs: tuple[Need, ...], readings: tuple[Reading, ...], notation: Notation, now: datetime
) -> list[Finding]:
    """Readings that must be known before a dose: missing, stale, in another unit, or outside the limits."""
    found = []
    for need in needs:
        reading = latest(known_by(readings, now), need.what)
        if reading is None:
            found.append(finding("reading-missing", what=need.what))
            continue
        shown = reading_text(reading, notation)
        if reading.unit.casefold() != need.unit.casefold():
            found.append(finding("reading-unit", what=need.what, value=shown, unit=need.unit))
            continue
        minutes = int((now - reading.at).total_seconds()) // 60
        if need.fresh_minutes is not None and minutes > need.fresh_minutes:
            age = _elapsed(minutes)
            found.append(finding("reading-stale", what=need.what, value=shown, age=age, fresh=need.fresh_text))
        low, high = need.withhold_below, need.withhold_above
        limit = ""
        if low is not None and reading.value < low:
            limit = f"below {render_number(low, notation)} {need.unit}".rstrip()
        elif high is not None and reading.value > high:
            limit = f"above {render_number(high, notation)} {need.unit}".rstrip()
        if limit:
            found.append(finding("reading-outside", what=need.what, value=shown, limit=limit, then=need.then))
    return found


def _elapsed(minutes: int) -> str:
    if minutes < 120:
        return f"{minutes} minute{'' if minutes == 1 else 's'}"
    if minutes < 2880:
        hours, rest = divmod(minutes, 60)
        return f"{hours} hours" + (f" {rest} minutes" if rest else "")
    days, rest = divmod(minutes, 1440)
    return f"{days} days" + (f" {rest // 60} hours" if rest >= 60 else "")


def elapsed_text(minutes: int) -> str:
    """A length of time in the largest whole unit that says enough: minutes, hours, days."""
    return _elapsed(minutes)
