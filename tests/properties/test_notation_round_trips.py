"""What is shown can be read back, and is the same amount: parse and render are inverse under every policy."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drawup.evidence.policies import load_policy
from drawup.injection.notation import (
    Notation,
    NotationError,
    decimal_text,
    exact_text,
    parse_number,
    parse_quantity,
    parse_strength,
    render,
    render_concentration,
    render_number,
    rounded_half_up,
)
from drawup.injection.quantity import ALL_UNITS, Concentration, Dimension, Quantity, Unit

NOTATIONS = [
    pytest.param(load_policy("uk").notation, id="uk"),
    pytest.param(load_policy("us").notation, id="us"),
    pytest.param(Notation(thousands=" ", units="international units"), id="spaces and international units"),
    pytest.param(Notation(thousands="", step_down_small_masses=False), id="no separator"),
]

# What people type: up to a million, down to a millionth.
decimals = st.builds(Fraction, st.integers(0, 10**12), st.just(10**6)) | st.builds(
    lambda number, places: Fraction(number, 10**places), st.integers(0, 10**6), st.integers(0, 4)
)
AMOUNTS = [
    unit
    for unit in ALL_UNITS
    if unit.dimension in (Dimension.MASS, Dimension.UNITS, Dimension.MOLES, Dimension.EQUIVALENTS)
    and not unit.body_weight_only
]
VOLUMES = [unit for unit in ALL_UNITS if unit.dimension is Dimension.VOLUME]


@pytest.mark.parametrize("notation", NOTATIONS)
@given(value=decimals, unit=st.sampled_from(ALL_UNITS))
def test_an_amount_that_is_shown_reads_back_as_the_same_amount_without_a_note(
    notation: Notation, value: Fraction, unit: Unit
) -> None:
    amount = Quantity(value=value, unit=unit)
    shown = render(amount, notation)
    parsed = parse_quantity(shown, notation, body_weight=True)
    assert parsed.quantity.base == amount.base
    assert parsed.quantity.unit.dimension is unit.dimension
    assert parsed.notes == ()
    assert render(parsed.quantity, notation) == shown


@pytest.mark.parametrize("notation", NOTATIONS)
@given(value=decimals)
def test_a_number_that_is_shown_is_safely_written(notation: Notation, value: Fraction) -> None:
    shown = render_number(value, notation)
    assert shown[0].isdigit()
    assert "e" not in shown.lower()
    assert not ("." in shown and shown.endswith("0"))
    assert parse_number(shown, notation) == (value, "")


@pytest.mark.parametrize("notation", NOTATIONS)
@given(
    amount=decimals.filter(bool),
    unit=st.sampled_from(AMOUNTS),
    content=st.sampled_from([Fraction(1), Fraction(2), Fraction(5), Fraction(1, 2), Fraction(10)]),
    volume=st.sampled_from(VOLUMES[:2]),
)
def test_a_strength_that_is_shown_reads_back_as_the_same_strength(
    notation: Notation, amount: Fraction, unit: Unit, content: Fraction, volume: Unit
) -> None:
    strength = Concentration(amount=Quantity(value=amount, unit=unit), volume=Quantity(value=content, unit=volume))
    parsed = parse_strength(render_concentration(strength, notation), notation)
    assert isinstance(parsed.strength, Concentration)
    assert parsed.strength.same_as(strength)
    assert parsed.notes == ()


@given(st.fractions())
def test_a_number_for_a_machine_reads_back_exactly(value: Fraction) -> None:
    assert Fraction(exact_text(value)) == value
    decimal = decimal_text(value)
    assert decimal is None or Fraction(decimal) == value


@given(st.fractions(max_denominator=10**9), st.integers(0, 9))
def test_rounding_moves_by_half_a_place_at_most(value: Fraction, places: int) -> None:
    rounded = rounded_half_up(value, places)
    assert abs(rounded - value) <= Fraction(1, 2 * 10**places)
    assert (rounded * 10**places).denominator == 1


@pytest.mark.parametrize("notation", NOTATIONS)
@given(text=st.text(max_size=30) | st.from_regex(r"[0-9., ]{1,12} ?(mg|mL|U|units|mcg|IU|%)?", fullmatch=True))
def test_any_text_is_an_amount_or_a_refusal_in_one_line(notation: Notation, text: str) -> None:
    try:
        parsed = parse_quantity(text, notation)
    except NotationError as error:
        said = str(error)
    else:
        said = " ".join(parsed.notes)
        assert parsed.quantity.value >= 0
    assert said.isprintable() or said == ""
    assert len(said) < 500
