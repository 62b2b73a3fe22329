"""Exact arithmetic against an independent library of units: pint, over fractions.

pint reads `unit` as a millionth of a nit, a measure of brightness, and `U` as an enzyme unit: so units of activity and
equivalents are defined here under names of their own.
"""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drawup.injection.quantity import ALL_UNITS, KILOGRAM, Concentration, Quantity, Unit

ORACLE: Any = pint.UnitRegistry(non_int_type=Fraction)
ORACLE.define("activity = [activity]")
ORACLE.define("million_activity = 1000000 * activity")
ORACLE.define("milliequivalent = [equivalents]")

NAMES = {
    "ng": "nanogram", "microgram": "microgram", "mg": "milligram", "g": "gram", "kg": "kilogram", "lb": "pound",
    "oz": "ounce", "units": "activity", "million units": "million_activity", "micromol": "micromole",
    "mmol": "millimole", "mEq": "milliequivalent", "microlitre": "microliter", "mL": "milliliter", "L": "liter",
    "mm": "millimeter", "cm": "centimeter", "m": "meter", "in": "inch", "minutes": "minute", "hours": "hour",
    "days": "day", "weeks": "week", "m2": "meter ** 2",
}  # fmt: skip

positive = st.fractions(min_value=Fraction(1, 10**6), max_value=10**6, max_denominator=10**6)
PAIRS = [(one, other) for one in ALL_UNITS for other in ALL_UNITS if one.dimension is other.dimension]
AMOUNTS = [unit for unit in ALL_UNITS if unit.dimension in ("mass", "units of activity", "amount of substance")]


def in_oracle(amount: Quantity) -> Any:
    return ORACLE.Quantity(amount.value, NAMES[amount.unit.name])


def test_every_unit_of_the_closed_list_has_its_counterpart() -> None:
    assert set(NAMES) == {unit.name for unit in ALL_UNITS}


@given(st.sampled_from(PAIRS), positive)
def test_a_conversion_agrees(pair: tuple[Unit, Unit], value: Fraction) -> None:
    one, other = pair
    theirs = ORACLE.Quantity(value, NAMES[one.name]).to(NAMES[other.name]).magnitude
    assert type(theirs) is Fraction or type(theirs) is int
    assert Quantity(value=value, unit=one).to(other).value == theirs


@given(st.sampled_from(PAIRS), positive, positive)
def test_sums_differences_and_comparisons_agree(pair: tuple[Unit, Unit], first: Fraction, second: Fraction) -> None:
    left, right = Quantity(value=first, unit=pair[0]), Quantity(value=second, unit=pair[1])
    assert (left + right).value == (in_oracle(left) + in_oracle(right)).magnitude
    assert (left - right).value == (in_oracle(left) - in_oracle(right)).magnitude
    assert (left < right) is bool(in_oracle(left) < in_oracle(right))
    assert left.ratio(right) == (in_oracle(left) / in_oracle(right)).to("dimensionless").magnitude


@given(
    st.sampled_from([(one, other) for one, other in PAIRS if one in AMOUNTS]),
    st.sampled_from([unit for unit in ALL_UNITS if unit.dimension == "volume"]),
    positive,
    positive,
    positive,
    positive,
)
def test_a_weight_based_volume_agrees(
    units: tuple[Unit, Unit], volume: Unit, per_kg: Fraction, weight: Fraction, amount: Fraction, content: Fraction
) -> None:
    dose = Quantity(value=per_kg, unit=units[0]).times(weight)
    strength = Concentration(amount=Quantity(value=amount, unit=units[1]), volume=Quantity(value=content, unit=volume))
    ordered = ORACLE.Quantity(per_kg, f"{NAMES[units[0].name]} / kilogram")
    held = ORACLE.Quantity(amount, NAMES[units[1].name]) / ORACLE.Quantity(content, NAMES[volume.name])
    theirs = (ordered * ORACLE.Quantity(weight, NAMES[KILOGRAM.name]) / held).to("milliliter").magnitude
    assert strength.volume_of(dose) == theirs


@given(st.sampled_from([(a, b) for a in ALL_UNITS for b in ALL_UNITS if a.dimension is not b.dimension]))
def test_what_does_not_convert_here_does_not_convert_there(pair: tuple[Unit, Unit]) -> None:
    with pytest.raises(pint.DimensionalityError):
        ORACLE.Quantity(Fraction(1), NAMES[pair[0].name]).to(NAMES[pair[1].name])
    with pytest.raises(ValueError, match="unless the medicine declares an equivalence"):
        Quantity(value=Fraction(1), unit=pair[0]).to(pair[1])
