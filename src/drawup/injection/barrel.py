"""What can really be read: the barrel, its nearest mark, and how far off either may be."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache

from drawup.injection.finding import Finding, finding
from drawup.injection.medicine import Medicine
from drawup.injection.notation import (
    Notation,
    decimal_text,
    exact_text,
    render,
    render_concentration,
    render_ml,
    render_number,
)
from drawup.injection.policy import Barrel, Policy
from drawup.injection.quantity import UNITS, Concentration, Dimension, Quantity

_ONE = Fraction(1)
_HALF = Fraction(1, 2)


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawn:
    """A barrel and the mark to draw to. `difference` is (mark - exact) / exact, signed."""

    barrel: Barrel
    mark_ml: Fraction
    difference: Fraction

    @property
    def mark(self) -> Fraction:
        """The mark as the barrel shows it: mL, or units in a units barrel."""
        per_ml = self.barrel.units_per_ml
        return self.mark_ml if per_ml is None else self.mark_ml * per_ml


def nearest_mark(volume: Fraction, interval: Fraction) -> Fraction:
    """The mark nearest to a volume; half way goes up."""
    marks = volume / interval
    return interval * ((2 * marks.numerator + marks.denominator) // (2 * marks.denominator))


def mark_below(most: Fraction, interval: Fraction) -> Fraction:
    """The highest mark that is not over a volume."""
    return interval * (most / interval).__floor__()


def try_barrel(barrel: Barrel, volume: Fraction, headroom: Fraction, most_ml: Fraction | None = None) -> Drawn | None:
    """The nearest mark on this barrel that is not over `most_ml`; None where it does not hold the volume with room."""
    if volume * (_ONE + headroom) > barrel.capacity_ml:
        return None
    interval = barrel.interval_ml
    mark = nearest_mark(volume, interval)
    if most_ml is not None and mark > most_ml:
        mark = mark_below(most_ml, interval)
    difference = Fraction(0) if mark == volume else (mark - volume) / volume
    return Drawn(barrel=barrel, mark_ml=mark, difference=difference)


def choose_barrel(
    volume: Fraction, *, barrels: tuple[Barrel, ...], policy: Policy, most_ml: Fraction | None = None
) -> Drawn | None:
    """The smallest barrel that holds the volume with headroom and whose nearest mark is within the tolerance.

    `most_ml` is what a cap, a container or a site allows: rounding to a mark never goes over it.
    """
    drawn = _choose_barrel(volume.numerator, volume.denominator, barrels, policy)
    if drawn is None or most_ml is None or drawn.mark_ml <= most_ml:
        return drawn
    return _first_fitting(volume, barrels, policy, most_ml)


# The same few volumes come again and again; the key is whole numbers, which are quicker to look up than fractions.
@lru_cache(maxsize=4096)
def _choose_barrel(numerator: int, denominator: int, barrels: tuple[Barrel, ...], policy: Policy) -> Drawn | None:
    return _first_fitting(Fraction(numerator, denominator), barrels, policy, None)


def _first_fitting(
    volume: Fraction, barrels: tuple[Barrel, ...], policy: Policy, most_ml: Fraction | None
) -> Drawn | None:
    tolerance, headroom = policy.mark_tolerance, policy.barrel_headroom
    for barrel in barrels:
        drawn = try_barrel(barrel, volume, headroom, most_ml)
        if drawn is not None and drawn.mark_ml > 0 and abs(drawn.difference) <= tolerance:
            return drawn
    return None


def barrels_for(medicine: Medicine, concentration: Concentration, policy: Policy) -> tuple[Barrel, ...]:
    """The drawer's barrels in which this medicine may be measured, smallest first.

    A medicine read in units is measured only in a barrel marked for its own strength; every other in mL.
    """
    if not medicine.units_barrel:
        return _in_millilitres(policy)
    per_ml = units_per_ml(concentration)
    return tuple(
        barrel for barrel in policy.barrels if barrel.units_per_ml is not None and barrel.units_per_ml == per_ml
    )


@lru_cache(maxsize=64)
def _in_millilitres(policy: Policy) -> tuple[Barrel, ...]:
    return tuple(barrel for barrel in policy.barrels if barrel.units_per_ml is None)


def units_per_ml(concentration: Concentration) -> Fraction | None:
    """Units in 1 mL; None where the strength is not in units."""
    amount = concentration.in_one_ml()
    return amount.base if amount.unit.dimension is Dimension.UNITS else None


def explain_no_barrel(
    volume: Fraction,
    *,
    medicine: Medicine,
    strength: Concentration,
    dose: Quantity,
    barrels: tuple[Barrel, ...],
    policy: Policy,
) -> Finding:
    """Why no barrel of the drawer will do: wrong marks, too small to read, or too large to hold."""
    notation = policy.notation
    if medicine.units_barrel and not barrels:
        return wrong_units_barrel(volume, strength=strength, dose=dose, policy=policy, barrel=None)
    held = [drawn for barrel in barrels if (drawn := try_barrel(barrel, volume, policy.barrel_headroom)) is not None]
    if not held:
        return finding("no-barrel-holds", volume=render_ml(volume, notation))
    nearest = min(held, key=lambda drawn: abs(drawn.difference))
    return finding(
        "too-small-to-read",
        volume=render_ml(volume, notation),
        tolerance=percent_text(policy.mark_tolerance),
        nearest=mark_text(nearest, notation),
        difference=percent_text(abs(nearest.difference)),
        way_out="Ask the pharmacist for a weaker strength of the same medicine, or for the dose made up.",
    )


def wrong_units_barrel(
    volume: Fraction, *, strength: Concentration, dose: Quantity, policy: Policy, barrel: Barrel | None
) -> Finding:
    """What goes wrong when a medicine read in units is drawn into a barrel marked for something else."""
    notation = policy.notation
    own = units_per_ml(strength) or _ONE
    shown_strength = render_concentration(strength, notation)
    dose = dose.to(UNITS) if dose.unit.dimension is Dimension.UNITS else dose
    if barrel is None:
        marked = [one for one in policy.barrels if one.units_per_ml is not None]
        barrel = marked[0] if marked else None
    wrong_per_ml = barrel.units_per_ml if barrel is not None else None
    if dose.unit.dimension is not Dimension.UNITS:
        return finding("barrel-in-units", dose=render(dose, notation), volume=render_ml(volume, notation))
    if wrong_per_ml is None:
        named, wrong_mark = "A barrel marked in mL", f"{render_ml(volume, notation)}, with no units to read"
        wrong = f"{render(dose, notation)} could be read nowhere"
    else:
        marks = volume * wrong_per_ml
        slipped = dose.value / wrong_per_ml
        copied = marks / own
        named = f"A barrel marked for {render_number(wrong_per_ml, notation)} units/mL, or in mL,"
        wrong_mark = f"mark {render_number(marks, notation)}"
        wrong = (
            f"{render_number(dose.value, notation)} marks would be {render_ml(slipped, notation)} = "
            f"{render_number(slipped * own, notation)} units, "
            f"{render_number(slipped / volume, notation)} times the dose; "
            f'"{render_number(marks, notation)} units" copied on would be {render_ml(copied, notation)}, '
            f"{_share_text(copied / volume)} of the dose"
        )
    return finding(
        "units-barrel-mismatch",
        barrel=named,
        volume=render_ml(volume, notation),
        wrong_mark=wrong_mark,
        wrong_dose=wrong,
        strength=shown_strength,
        dial=render_number(dose.value, notation),
    )


def _share_text(share: Fraction) -> str:
    words = {Fraction(1, 2): "half", Fraction(1, 3): "a third", Fraction(1, 4): "a quarter", Fraction(1, 5): "a fifth"}
    return words.get(share, exact_text(share))


def mark_text(drawn: Drawn, notation: Notation) -> str:
    """The mark as it stands on the barrel: "1.5 mL", "33 units"."""
    unit = "mL" if drawn.barrel.units_per_ml is None else ("unit" if drawn.mark == 1 else "units")
    return f"{render_number(drawn.mark, notation)} {unit}"


def percent_text(share: Fraction) -> str:
    """A share as a percentage with at most two places: "5 %", "1.73 %"."""
    hundredths = share * 10000
    whole = (2 * hundredths.numerator + hundredths.denominator) // (2 * hundredths.denominator)
    return f"{decimal_text(Fraction(whole, 100))} %"


def worst_case_error_ml(volume: Fraction, capacity: Fraction) -> Fraction:
    """The most by which a barrel of this capacity may be wrong at this volume, in mL.

    ISO 7886-1, table 1, from memory: below 5 mL capacity, under half of it 1.5 % of capacity + 2 % of the volume, from
    half up 5 % of the volume; from 5 mL capacity 1.5 % + 1 %, and 4 %.
    """
    small = capacity < 5
    if volume < capacity * _HALF:
        return capacity * Fraction(15, 1000) + volume * (Fraction(2, 100) if small else Fraction(1, 100))
    return volume * (Fraction(5, 100) if small else Fraction(4, 100))
