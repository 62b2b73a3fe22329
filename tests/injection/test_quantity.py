"""Exact amounts: what adds to what, what turns into what, and what never does."""

from __future__ import annotations

from fractions import Fraction
from itertools import combinations, permutations

import pytest

from drawup.injection import quantity as q
from drawup.injection.quantity import (
    ALL_UNITS,
    Concentration,
    Dimension,
    DimensionMismatch,
    Equivalence,
    Quantity,
    Unit,
    convert,
    millilitres,
)


def amount(value: str, unit: Unit, form: str = "") -> Quantity:
    return Quantity(value=Fraction(value), unit=unit, form=form)


# --- the closed list

# Decimal multiples: the SI prefixes, BIPM SI brochure, 9th ed. 2019, table 7 (from memory; also ucum-essence.xml,
# https://github.com/ucum-org/ucum). Pound, ounce and inch: international yard and pound agreement, 1959, exact.
SIZES = [
    (q.GRAM, "1000", q.MILLIGRAM), (q.MILLIGRAM, "1000", q.MICROGRAM), (q.MICROGRAM, "1000", q.NANOGRAM),
    (q.KILOGRAM, "1000", q.GRAM), (q.POUND, "0.45359237", q.KILOGRAM), (q.OUNCE, "28.349523125", q.GRAM),
    (q.POUND, "16", q.OUNCE), (q.MILLION_UNITS, "1000000", q.UNITS), (q.MILLIMOL, "1000", q.MICROMOL),
    (q.LITRE, "1000", q.MILLILITRE), (q.MILLILITRE, "1000", q.MICROLITRE), (q.INCH, "2.54", q.CENTIMETRE),
    (q.METRE, "100", q.CENTIMETRE), (q.CENTIMETRE, "10", q.MILLIMETRE), (q.HOUR, "60", q.MINUTE),
    (q.DAY, "24", q.HOUR), (q.WEEK, "7", q.DAY),
]  # fmt: skip


@pytest.mark.parametrize(("one", "is_so_many", "of"), SIZES, ids=[f"{a.name} in {b.name}" for a, _, b in SIZES])
def test_one_unit_is_so_many_of_another_exactly(one: Unit, is_so_many: str, of: Unit) -> None:
    assert amount("1", one).to(of).value == Fraction(is_so_many)
    assert amount(is_so_many, of).to(one).value == 1


def test_the_list_of_units_is_closed_and_each_name_stands_once() -> None:
    assert [unit.name for unit in ALL_UNITS] == [
        "ng", "microgram", "mg", "g", "kg", "lb", "oz", "units", "million units", "micromol", "mmol", "mEq",
        "microlitre", "mL", "L", "mm", "cm", "m", "in", "minutes", "hours", "days", "weeks", "m2",
    ]  # fmt: skip


def test_only_pounds_and_ounces_are_kept_to_body_weights() -> None:
    assert [unit.name for unit in ALL_UNITS if unit.body_weight_only] == ["lb", "oz"]


# --- what never turns into what


def one_unit_of_each_kind() -> list[Unit]:
    return list({unit.dimension: unit for unit in ALL_UNITS}.values())


@pytest.mark.parametrize(("one", "other"), list(permutations(one_unit_of_each_kind(), 2)), ids=lambda unit: unit.name)
def test_no_kind_of_amount_turns_into_another_by_itself(one: Unit, other: Unit) -> None:
    with pytest.raises(DimensionMismatch, match="unless the medicine declares an equivalence"):
        amount("1", one).to(other)


@pytest.mark.parametrize(("one", "other"), list(combinations(one_unit_of_each_kind(), 2)), ids=lambda unit: unit.name)
def test_amounts_of_two_kinds_are_neither_added_nor_compared(one: Unit, other: Unit) -> None:
    left, right = amount("1", one), amount("1", other)
    for together in (
        lambda: left + right,
        lambda: left - right,
        lambda: left < right,
        lambda: left <= right,
        lambda: left > right,
        lambda: left >= right,
        lambda: left.ratio(right),
    ):
        with pytest.raises(DimensionMismatch):
            together()


def test_a_salt_is_not_added_to_its_base() -> None:
    with pytest.raises(DimensionMismatch) as caught:
        amount("50", q.MILLIGRAM, "base") + amount("70.52", q.MILLIGRAM, "ester")
    assert str(caught.value) == (
        "mg base cannot be added to or compared with mg ester: the medicine declares no equivalence between them"
    )


def test_the_refusal_names_both_units_and_the_way_out() -> None:
    with pytest.raises(DimensionMismatch) as caught:
        amount("1", q.UNITS).to(q.MILLIGRAM)
    assert str(caught.value) == (
        "units is units of activity, mg is mass: one does not turn into the other unless the medicine declares an "
        "equivalence"
    )


# --- sums


def test_a_sum_is_counted_in_the_first_unit() -> None:
    # 0.5 g + 250 mg = 0.75 g, by hand.
    assert amount("0.5", q.GRAM) + amount("250", q.MILLIGRAM) == amount("0.75", q.GRAM)
    assert amount("1", q.MILLIGRAM) - amount("250", q.MICROGRAM) == amount("0.75", q.MILLIGRAM)


def test_a_third_three_times_is_a_whole() -> None:
    third = amount("1", q.MILLIGRAM).times(Fraction(1, 3))
    assert third + third + third == amount("1", q.MILLIGRAM)


def test_comparing_looks_at_the_amount_and_not_at_the_unit() -> None:
    assert amount("999", q.MICROGRAM) < amount("1", q.MILLIGRAM) <= amount("1000", q.MICROGRAM)
    assert amount("1001", q.MICROGRAM) > amount("1", q.MILLIGRAM) >= amount("1000", q.MICROGRAM)


def test_a_ratio_is_a_pure_number() -> None:
    assert amount("1.2", q.MILLION_UNITS).ratio(amount("300000", q.UNITS)) == 4


# --- strengths


def test_a_concentration_keeps_what_was_written_and_answers_both_ways() -> None:
    # 50 mg in 2 mL: 25 mg in 1 mL; 40 mg are in 1.6 mL; 0.3 mL hold 7.5 mg. By hand.
    strength = Concentration(amount=amount("50", q.MILLIGRAM), volume=millilitres(2))
    assert strength.in_one_ml() == amount("25", q.MILLIGRAM)
    assert strength.volume_of(amount("40", q.MILLIGRAM)) == Fraction("1.6")
    assert strength.amount_in(Fraction("0.3")) == amount("7.5", q.MILLIGRAM)
    assert strength.volume_of(amount("1", q.GRAM)) == 40


def test_a_strength_per_litre_answers_in_ml() -> None:
    # 5 g in 1 L: 5 mg in 1 mL; 20 mg are in 4 mL; 2 mL hold 10 mg. By hand.
    strength = Concentration(amount=amount("5", q.GRAM), volume=Quantity(value=Fraction(1), unit=q.LITRE))
    assert strength.in_one_ml().to(q.MILLIGRAM) == amount("5", q.MILLIGRAM)
    assert strength.volume_of(amount("20", q.MILLIGRAM)) == 4
    assert strength.amount_in(Fraction(2)).to(q.MILLIGRAM) == amount("10", q.MILLIGRAM)


def test_two_strengths_are_the_same_when_1_ml_holds_the_same() -> None:
    one = Concentration(amount=amount("50", q.MILLIGRAM), volume=millilitres(2))
    same = Concentration(amount=amount("25", q.GRAM), volume=Quantity(value=Fraction(1), unit=q.LITRE))
    units = Concentration(amount=amount("25", q.UNITS), volume=millilitres(1))
    assert one.same_as(same)
    assert not one.same_as(units)


def test_the_volume_of_another_kind_of_amount_is_refused() -> None:
    strength = Concentration(amount=amount("100", q.UNITS), volume=millilitres(1))
    with pytest.raises(DimensionMismatch):
        strength.volume_of(amount("5", q.MILLIGRAM))


# --- what the medicine declares


def test_equivalences_are_chained_from_equivalents_to_moles_to_mass() -> None:
    # Valence 2 and 100 mg to the mmol, both invented: 4 mEq = 2 mmol = 200 mg.
    valence = Equivalence(left=amount("1", q.MILLIMOL), right=amount("2", q.MILLIEQUIVALENT))
    molar = Equivalence(left=amount("100", q.MILLIGRAM), right=amount("1", q.MILLIMOL))
    found = convert(amount("4", q.MILLIEQUIVALENT), (Dimension.MASS, ""), (molar, valence))
    assert found.to(q.MILLIGRAM) == amount("200", q.MILLIGRAM)


def test_an_amount_that_is_already_of_the_kind_stays_as_it_is() -> None:
    given = amount("5", q.MILLIGRAM)
    assert convert(given, (Dimension.MASS, ""), ()) is given


def test_without_a_declared_equivalence_nothing_is_converted() -> None:
    pair = Equivalence(left=amount("1", q.MILLIMOL), right=amount("74.55", q.MILLIGRAM))
    with pytest.raises(DimensionMismatch) as caught:
        convert(amount("5", q.UNITS), (Dimension.MASS, ""), (pair,))
    assert str(caught.value) == "units does not turn into mass: the medicine declares no equivalence between them"


def test_a_circle_of_equivalences_ends() -> None:
    circle = (
        Equivalence(left=amount("1", q.MILLIMOL), right=amount("2", q.MILLIEQUIVALENT)),
        Equivalence(left=amount("2", q.MILLIEQUIVALENT), right=amount("1", q.MILLIMOL)),
    )
    with pytest.raises(DimensionMismatch):
        convert(amount("1", q.MILLIMOL), (Dimension.UNITS, ""), circle)


def test_the_order_of_a_salt_and_its_base_decides_nothing() -> None:
    # 50 mg base = 70.52 mg ester; source: label text, Haloperidol decanoate, Description,
    # http://www.druglib.com/druginfo/haldol/description_pharmacology/
    base, ester = amount("50", q.MILLIGRAM, "base"), amount("70.52", q.MILLIGRAM, "ester")
    for pair in (Equivalence(left=base, right=ester), Equivalence(left=ester, right=base)):
        assert convert(amount("100", q.MILLIGRAM, "base"), ester.kind, (pair,)) == amount(
            "141.04", q.MILLIGRAM, "ester"
        )
