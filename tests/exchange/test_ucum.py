"""UCUM codes: the published cases of `ucum_cases.toml`, the closed table both ways, what is never taken silently."""

from __future__ import annotations

import tomllib
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drawup.exchange.ucum import UcumError, UcumUnit, read_ucum, render_ucum, ucum_from_unit, unit_from_ucum
from drawup.injection import quantity as q
from drawup.injection.notation import parse_equivalence, rounded_half_up
from drawup.injection.quantity import ALL_UNITS, DimensionMismatch, Quantity, Unit, convert

PUBLISHED = tomllib.loads(Path(__file__).with_name("ucum_cases.toml").read_text(encoding="utf-8"))


def cases(*runs: str) -> list[Any]:
    return [
        pytest.param(case, id=f"{number}-{case['code']}")
        for number, case in enumerate(PUBLISHED["case"])
        if case["run"] in runs
    ]


def refusal(code: str) -> str:
    with pytest.raises(UcumError) as caught:
        read_ucum(code)
    return str(caught.value)


# --- the published cases


def test_every_published_case_is_run_or_left_out_with_its_reason_and_names_its_source() -> None:
    run = cases("taken", "refused", "not taken", "convert", "no conversion", "charge")
    left_out = PUBLISHED["left_out"]
    assert len(run) == len(PUBLISHED["case"]) == 75
    assert len(left_out) == 23
    assert all(case["reason"] for case in left_out)
    every = [*PUBLISHED["case"], *left_out]
    assert all(PUBLISHED["source"][case["source"]]["address"].startswith("https://") for case in every)


@pytest.mark.parametrize("case", cases("taken"))
def test_a_published_code_that_an_injection_needs_is_read(case: dict[str, Any]) -> None:
    read = read_ucum(case["code"])
    assert [read.unit.name, *(one.name for one in read.per)] == case["units"]


@pytest.mark.parametrize("case", cases("refused", "not taken"))
def test_a_published_code_that_is_none_or_means_something_else_is_refused(case: dict[str, Any]) -> None:
    message = refusal(case["code"])
    assert message.startswith(f'read "{case["code"]}": ')
    if "meant" in case:
        assert f"Write {case['meant']}" in message


@pytest.mark.parametrize("case", cases("convert"))
def test_a_published_conversion_is_exact(case: dict[str, Any]) -> None:
    found = Fraction(case["value"]) * read_ucum(case["code"]).in_one(read_ucum(case["into"]))
    assert found == Fraction(case["exact"])
    if "published" in case:
        assert rounded_half_up(found, case["places"]) == Fraction(case["published"])


@pytest.mark.parametrize("case", cases("no conversion"))
def test_a_published_pair_that_does_not_convert_is_refused(case: dict[str, Any]) -> None:
    with pytest.raises((UcumError, DimensionMismatch)):
        read_ucum(case["code"]).in_one(read_ucum(case["into"]))


@pytest.mark.parametrize("case", cases("charge"))
def test_equivalents_come_from_moles_by_the_charge_that_the_medicine_declares(case: dict[str, Any]) -> None:
    moles, equivalents = read_ucum(case["code"]), read_ucum(case["into"])
    with pytest.raises(DimensionMismatch):
        moles.in_one(equivalents)
    charge = parse_equivalence(f"1 mmol = {case['charge']} mEq")
    given_amount = Quantity(value=Fraction(case["value"]), unit=moles.unit)
    found = convert(given_amount, (equivalents.unit.dimension, ""), (charge,)).to(equivalents.unit)
    assert (moles.per, found.value) == (equivalents.per, Fraction(case["exact"]))


# --- the closed table


def test_every_unit_of_the_closed_list_has_one_code() -> None:
    assert len({ucum_from_unit(unit) for unit in ALL_UNITS}) == len(ALL_UNITS)


@pytest.mark.parametrize("unit", ALL_UNITS, ids=lambda unit: unit.name)
def test_a_unit_comes_back_from_its_code(unit: Unit) -> None:
    assert unit_from_ucum(ucum_from_unit(unit)) is unit


# Codes from ucum-essence.xml, https://github.com/ucum-org/ucum (snapshot d060c6d3dfe3).
@pytest.mark.parametrize(
    ("unit", "code"),
    [
        (q.MICROGRAM, "ug"), (q.UNITS, "[iU]"), (q.MILLION_UNITS, "M[iU]"), (q.MILLIEQUIVALENT, "meq"),
        (q.POUND, "[lb_av]"), (q.OUNCE, "[oz_av]"), (q.INCH, "[in_i]"), (q.SQUARE_METRE, "m2"), (q.WEEK, "wk"),
        (q.MICROLITRE, "uL"), (q.MINUTE, "min"),
    ],
)  # fmt: skip
def test_a_unit_is_written_with_its_code(unit: Unit, code: str) -> None:
    assert ucum_from_unit(unit) == code


@pytest.mark.parametrize(
    ("code", "written"), [("ml", "mL"), ("l", "L"), ("[IU]/ml", "[iU]/mL"), ("ug/kg", "ug/kg"), ("mg/kg/d", "mg/kg/d")]
)
def test_a_code_with_two_spellings_is_written_in_one(code: str, written: str) -> None:
    assert render_ucum(read_ucum(code)) == written


@pytest.mark.parametrize(
    ("code", "unit", "per"),
    [
        ("mg/mL", q.MILLIGRAM, (q.MILLILITRE,)),
        ("[iU]/mL", q.UNITS, (q.MILLILITRE,)),
        ("mg/kg", q.MILLIGRAM, (q.KILOGRAM,)),
        ("ug/kg", q.MICROGRAM, (q.KILOGRAM,)),
        ("mg/m2", q.MILLIGRAM, (q.SQUARE_METRE,)),
        ("mg/kg/d", q.MILLIGRAM, (q.KILOGRAM, q.DAY)),
        ("mmol/L", q.MILLIMOL, (q.LITRE,)),
        ("mL/kg", q.MILLILITRE, (q.KILOGRAM,)),
    ],
)
def test_an_amount_per_something_is_read_part_by_part(code: str, unit: Unit, per: tuple[Unit, ...]) -> None:
    assert read_ucum(code) == UcumUnit(unit=unit, per=per)


def test_a_pound_is_the_pound_of_1959() -> None:
    # 1 lb = 0.45359237 kg and 1 in = 2.54 cm exactly: international yard and pound agreement, 1959.
    assert read_ucum("[lb_av]").in_one(read_ucum("kg")) == Fraction("0.45359237")
    assert read_ucum("[in_i]").in_one(read_ucum("cm")) == Fraction("2.54")
    assert read_ucum("[lb_av]").in_one(read_ucum("[oz_av]")) == 16


# --- never taken silently

# What each is in UCUM: ucum-essence.xml, https://github.com/ucum-org/ucum (snapshot d060c6d3dfe3).
SILENT = [
    ("MG", 'read "MG": it is a million gauss. Write mg'),
    ("U", 'read "U": it is the enzyme unit, a micromole a minute, and not the unit of insulin or heparin. Write [iU]'),
    ("%", 'read "%": it is a hundredth of anything, with no volume in it. Write mg/mL (1 g in 100 mL is 10 mg/mL)'),
    ("mcg", 'read "mcg": it is no code. Write ug'),
    ("IU", 'read "IU": it stands in square brackets. Write [iU]'),
    ("cc", 'read "cc": it is no code. Write mL'),
    ("units", 'read "units": it is no code. Write [iU]'),
    ("mEq", 'read "mEq": the code is in small letters. Write meq'),
    ("\u00b5g", 'read "\u00b5g": a code has plain letters only, and micro is u. Write ug'),
    ("\u03bcg/mL", 'read "\u03bcg/mL": a code has plain letters only, and micro is u. Write ug/mL'),
    ("U/mL", 'read "U/mL": "U" is not taken: it is the enzyme unit, a micromole a minute, and not the unit of '
             "insulin or heparin. Write [iU]"),
    ("mg/cc", 'read "mg/cc": "cc" is not taken: it is no code. Write mL'),
]  # fmt: skip


@pytest.mark.parametrize(("code", "message"), SILENT, ids=[code for code, _ in SILENT])
def test_a_code_that_a_ward_means_otherwise_is_refused_with_what_was_meant(code: str, message: str) -> None:
    assert refusal(code) == message


@pytest.mark.parametrize("code", [code for code, _ in SILENT])
def test_a_refused_code_is_no_unit_either(code: str) -> None:
    with pytest.raises(UcumError):
        unit_from_ucum(code)


@pytest.mark.parametrize(
    "code",
    ["", " ", "mg ", " mg", "mg/", "/mL", "/", "mg//mL", "mg.kg", "mg/mL/L", "mg/kg/kg", "mg/mL/kg/d", "kg/m", "m/s",
     "mg/mg", "10.mg", "2mg", "mg2", "mg/12h", "mg/(12.h)", "{mg}", "{dose}", "mg{", "mg}", "mg{a}{b}", "mg{a}/mL",
     "m\u00b2", "mg\n", "mg\x00", "\u0661mg", "mg/mL{\u00b5}", "x" * 1_000_000, "{" * 1_000_000, "mg/" * 300_000],
    ids=lambda code: ascii(code)[:16],
)  # fmt: skip
def test_what_is_no_code_of_the_list_is_refused_in_one_short_line(code: str) -> None:
    message = refusal(code)
    assert len(message) < 300
    assert message.isprintable()


def test_a_note_at_the_end_is_kept_as_written() -> None:
    assert read_ucum("mg{base}") == UcumUnit(unit=q.MILLIGRAM, note="base")
    assert render_ucum(read_ucum("mg/mL{as_ester}")) == "mg/mL{as_ester}"


def test_a_note_is_never_lost_where_only_a_unit_fits() -> None:
    with pytest.raises(UcumError, match='the note "base" would be lost here'):
        unit_from_ucum("mg{base}")


def test_amounts_with_different_notes_do_not_convert() -> None:
    with pytest.raises(DimensionMismatch, match='"base" and "ester" may be different substances'):
        read_ucum("mg{base}").in_one(read_ucum("mg{ester}"))


def test_an_amount_per_something_is_no_single_unit() -> None:
    with pytest.raises(UcumError, match="expected one unit without a slash, such as mg"):
        unit_from_ucum("mg/mL")


@given(st.text(max_size=80))
def test_any_text_is_a_code_or_a_refusal(text: str) -> None:
    try:
        read = read_ucum(text)
    except UcumError:
        assert len(refusal(text)) < 400
    else:
        assert read_ucum(render_ucum(read)) == read


@given(st.sampled_from([unit for unit in ALL_UNITS if unit.dimension is q.Dimension.MASS]), st.integers(1, 10**9))
def test_a_mass_keeps_its_size_through_any_two_codes(unit: Unit, number: int) -> None:
    amount = Quantity(value=Fraction(number, 1000), unit=unit)
    for other in (q.MICROGRAM, q.GRAM, q.POUND):
        factor = read_ucum(ucum_from_unit(unit)).in_one(read_ucum(ucum_from_unit(other)))
        assert amount.value * factor == amount.to(other).value
