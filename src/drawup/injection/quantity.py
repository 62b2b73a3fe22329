"""Exact amounts: rational numbers with a unit from a closed list.

A number enters as text and stays a `Fraction` until the mark on a barrel. Masses, units of activity, moles and
equivalents never turn into each other unless the medicine itself declares an equivalence.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction


class DimensionMismatch(ValueError):
    """Two amounts of different kinds were added, compared or converted."""


class Dimension(StrEnum):
    """What kind of thing is measured. Each is its own world."""

    MASS = "mass"
    UNITS = "units of activity"
    MOLES = "amount of substance"
    EQUIVALENTS = "equivalents"
    VOLUME = "volume"
    LENGTH = "length"
    TIME = "time"
    AREA = "area"


DOSE_DIMENSIONS = (Dimension.MASS, Dimension.UNITS, Dimension.MOLES, Dimension.EQUIVALENTS, Dimension.VOLUME)
"""What a dose may be an amount of."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Unit:
    """One unit of the closed list; `factor` is how many base units of its dimension it is, exactly.

    Base units: mg, units, mmol, mEq, mL, mm, minutes, m2.
    """

    name: str
    dimension: Dimension
    factor: Fraction
    body_weight_only: bool = False
    is_base: bool = False


def _unit(name: str, dimension: Dimension, factor: str, *, body_weight_only: bool = False) -> Unit:
    exact = Fraction(factor)
    return Unit(name=name, dimension=dimension, factor=exact, body_weight_only=body_weight_only, is_base=exact == 1)


NANOGRAM = _unit("ng", Dimension.MASS, "1/1000000")
MICROGRAM = _unit("microgram", Dimension.MASS, "1/1000")
MILLIGRAM = _unit("mg", Dimension.MASS, "1")
GRAM = _unit("g", Dimension.MASS, "1000")
KILOGRAM = _unit("kg", Dimension.MASS, "1000000")
# International yard and pound agreement, 1959: 1 lb = 0.45359237 kg and 1 in = 2.54 cm, exactly; 16 oz = 1 lb.
POUND = _unit("lb", Dimension.MASS, "453592.37", body_weight_only=True)
OUNCE = _unit("oz", Dimension.MASS, "28349.523125", body_weight_only=True)
UNITS = _unit("units", Dimension.UNITS, "1")
MILLION_UNITS = _unit("million units", Dimension.UNITS, "1000000")
MICROMOL = _unit("micromol", Dimension.MOLES, "1/1000")
MILLIMOL = _unit("mmol", Dimension.MOLES, "1")
MILLIEQUIVALENT = _unit("mEq", Dimension.EQUIVALENTS, "1")
MICROLITRE = _unit("microlitre", Dimension.VOLUME, "1/1000")
MILLILITRE = _unit("mL", Dimension.VOLUME, "1")
LITRE = _unit("L", Dimension.VOLUME, "1000")
MILLIMETRE = _unit("mm", Dimension.LENGTH, "1")
CENTIMETRE = _unit("cm", Dimension.LENGTH, "10")
METRE = _unit("m", Dimension.LENGTH, "1000")
INCH = _unit("in", Dimension.LENGTH, "25.4")
MINUTE = _unit("minutes", Dimension.TIME, "1")
HOUR = _unit("hours", Dimension.TIME, "60")
DAY = _unit("days", Dimension.TIME, "1440")
WEEK = _unit("weeks", Dimension.TIME, "10080")
SQUARE_METRE = _unit("m2", Dimension.AREA, "1")

ALL_UNITS: tuple[Unit, ...] = (
    NANOGRAM,
    MICROGRAM,
    MILLIGRAM,
    GRAM,
    KILOGRAM,
    POUND,
    OUNCE,
    UNITS,
    MILLION_UNITS,
    MICROMOL,
    MILLIMOL,
    MILLIEQUIVALENT,
    MICROLITRE,
    MILLILITRE,
    LITRE,
    MILLIMETRE,
    CENTIMETRE,
    METRE,
    INCH,
    MINUTE,
    HOUR,
    DAY,
    WEEK,
    SQUARE_METRE,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """An exact amount: `value` counts `unit`; `form` tells a salt or ester from its base ("ester", "base").

    Amounts of another dimension, or of another form of the same substance, are not comparable and are not added:
    `DimensionMismatch`.
    """

    value: Fraction
    unit: Unit
    form: str = ""

    @property
    def base(self) -> Fraction:
        """The same amount counted in the base unit of its dimension."""
        return self.value if self.unit.is_base else self.value * self.unit.factor

    @property
    def kind(self) -> tuple[Dimension, str]:
        """What this may be added to and compared with."""
        return self.unit.dimension, self.form

    def to(self, unit: Unit) -> Quantity:
        """The same amount counted in another unit of the same dimension. Raises DimensionMismatch."""
        if unit is self.unit:
            return self
        if unit.dimension is not self.unit.dimension:
            raise DimensionMismatch(
                f"{self.unit.name} is {self.unit.dimension}, {unit.name} is {unit.dimension}: "
                "one does not turn into the other unless the medicine declares an equivalence"
            )
        return Quantity(value=self.base / unit.factor, unit=unit, form=self.form)

    def times(self, factor: Fraction | int) -> Quantity:
        """This amount multiplied by a pure number."""
        return Quantity(value=self.value * factor, unit=self.unit, form=self.form)

    def ratio(self, other: Quantity) -> Fraction:
        """How many times the other amount this is. Raises DimensionMismatch."""
        return self.base / self._same_kind(other)

    def __add__(self, other: Quantity) -> Quantity:
        return Quantity(value=(self.base + self._same_kind(other)) / self.unit.factor, unit=self.unit, form=self.form)

    def __sub__(self, other: Quantity) -> Quantity:
        return Quantity(value=(self.base - self._same_kind(other)) / self.unit.factor, unit=self.unit, form=self.form)

    def __lt__(self, other: Quantity) -> bool:
        return self.base < self._same_kind(other)

    def __le__(self, other: Quantity) -> bool:
        return self.base <= self._same_kind(other)

    def __gt__(self, other: Quantity) -> bool:
        return self.base > self._same_kind(other)

    def __ge__(self, other: Quantity) -> bool:
        return self.base >= self._same_kind(other)

    def _same_kind(self, other: Quantity) -> Fraction:
        if self.unit.dimension is not other.unit.dimension or self.form != other.form:
            mine = f"{self.unit.name} {self.form}".strip()
            theirs = f"{other.unit.name} {other.form}".strip()
            raise DimensionMismatch(
                f"{mine} cannot be added to or compared with {theirs}: "
                "the medicine declares no equivalence between them"
            )
        return other.base


def millilitres(value: Fraction | int | str) -> Quantity:
    """A volume in mL."""
    return Quantity(value=Fraction(value), unit=MILLILITRE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Concentration:
    """A concentration strength: so much in so much liquid, kept as it was written ("50 mg in 2 mL")."""

    amount: Quantity
    volume: Quantity

    def in_one_ml(self) -> Quantity:
        """The amount in 1 mL."""
        volume = self.volume.base
        return self.amount if volume == 1 else self.amount.times(1 / volume)

    def volume_of(self, dose: Quantity) -> Fraction:
        """The exact volume in mL that holds this dose. Raises DimensionMismatch."""
        return dose.ratio(self.amount) * self.volume.base

    def amount_in(self, volume_ml: Fraction) -> Quantity:
        """The amount in this many mL."""
        return self.amount.times(volume_ml / self.volume.base)

    def same_as(self, other: Concentration) -> bool:
        """Whether both hold the same amount in 1 mL."""
        mine, theirs = self.in_one_ml(), other.in_one_ml()
        return mine.kind == theirs.kind and mine.base == theirs.base


@dataclass(frozen=True, slots=True, kw_only=True)
class Equivalence:
    """One statement of the medicine's label: this amount is that amount ("1.2 million units = 900 mg")."""

    left: Quantity
    right: Quantity


def convert(amount: Quantity, kind: tuple[Dimension, str], equivalences: tuple[Equivalence, ...]) -> Quantity:
    """The amount as another kind, by what the medicine declares; steps may be chained (mEq to mmol to mg).

    Raises DimensionMismatch when no declared equivalence leads there.
    """
    seen = {amount.kind}
    frontier = [amount]
    while frontier:
        here = frontier.pop(0)
        if here.kind == kind:
            return here
        for pair in equivalences:
            for start, end in ((pair.left, pair.right), (pair.right, pair.left)):
                if start.kind == here.kind and end.kind not in seen:
                    seen.add(end.kind)
                    frontier.append(end.times(here.ratio(start)))
    wanted = f"{kind[0]} {kind[1]}".strip()
    raise DimensionMismatch(
        f"{amount.unit.name} {amount.form}".strip()
        + f" does not turn into {wanted}: the medicine declares no equivalence between them"
    )
