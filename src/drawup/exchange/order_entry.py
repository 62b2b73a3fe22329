"""An order as the public request writes it, read into an `Order`."""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise

from drawup.exchange.medicine_entry import DOSES, forms_of, reading_value, strength_of
from drawup.exchange.reader import Fields, quantity_of
from drawup.injection.medicine import ROUTES, Medicine
from drawup.injection.order import AREA_FORMULAS, BASES, WEIGHT_BASES, Band, DoseRule, Order
from drawup.injection.quantity import KILOGRAM, Dimension

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
    ]
)
_DOSE_KEYS = frozenset(["amount", "per", "to", "chosen", "at_most", "doses_per_day", "bands", "by"])
_BAND_KEYS = frozenset(("from", "below", "amount"))


def read_order(parent: Fields, medicine: Medicine) -> Order:
    """The request's order. Raises FieldError."""
    fields = parent.inside("order")
    if fields is None:
        parent.fail("order", "missing, expected an object with medicine, route and dose")
    raw = fields.take("strength")
    strength = (
        strength_of(raw, fields.at("strength"), fields, forms_of(medicine.equivalences))[0] if raw is not None else None
    )
    order = Order(
        medicine=fields.need_text("medicine"),
        route=fields.one_of("route", ROUTES),
        dose=_dose_rule(fields, medicine),
        weight_basis=fields.one_of("weight_basis", WEIGHT_BASES) or "actual",
        area_formula=fields.one_of("area_formula", AREA_FORMULAS) or "mosteller",
        start=fields.day("start"),
        stop=fields.day("stop"),
        stopped=fields.day("stopped"),
        times=fields.texts("times") or (),
        when_needed=bool(fields.truth("when_needed")),
        prescriber=fields.text("prescriber") or "",
        strength=strength,
        authority=fields.text("authority") or "",
        site=fields.text("site"),
        indication=fields.text("indication") or "",
    )
    if order.start is not None and order.stop is not None and order.stop < order.start:
        fields.fail("stop", f"read {order.stop.isoformat()}, before the start {order.start.isoformat()}")
    fields.close(_ORDER_KEYS)
    return order


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
    if (amount is None) == (not bands):
        fields.fail("amount", "expected either an amount or bands" if bands else "missing, expected such as 2.5 mg")
    for key in ("to", "chosen", "at_most"):
        other, first = amounts[key], amount or bands[0][0].amount
        if other is not None and other.kind != first.kind:
            fields.fail(key, f"{other.unit.name} beside {first.unit.name}: expected the same kind as the amount")
    if any(band.amount.kind != bands[0][0].amount.kind for band, _ in bands):
        fields.fail("bands", "the amounts of the bands are of different kinds")
    if bands and amounts["to"] is not None:
        fields.fail("to", "stands beside bands, each of which is one amount. Leave it out")
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
        bands=_checked_bands(tuple(band for band, _ in bands), fields),
        band_by=by,
        band_unit=unit,
    )


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


def _checked_bands(bands: tuple[Band, ...], fields: Fields) -> tuple[Band, ...]:
    """Bands in order, without overlap."""
    if not bands:
        return ()
    ordered = sorted(bands, key=lambda band: (band.start is not None, band.start or 0))
    for band in ordered:
        if band.start is not None and band.below is not None and band.below <= band.start:
            fields.fail("bands", "a band ends at or below its start")
    for before, after in pairwise(ordered):
        if before.below is None or after.start is None or after.start < before.below:
            fields.fail("bands", "two bands overlap")
    return tuple(ordered)
