"""Text to exact amounts and back: the published rules of `notation_cases.toml`, refusals and notes word by word."""

from __future__ import annotations

import time
import tomllib
from collections.abc import Callable, Iterator
from dataclasses import asdict
from fractions import Fraction
from itertools import product
from pathlib import Path
from typing import Any

import pytest

from drawup.evidence.policies import load_policy
from drawup.exchange.reader import FieldError
from drawup.exchange.request import read_request
from drawup.injection import quantity as q
from drawup.injection.notation import (
    UK,
    Notation,
    NotationError,
    decimal_text,
    exact_text,
    parse_equivalence,
    parse_number,
    parse_quantity,
    parse_strength,
    render,
    render_concentration,
    render_ml,
    render_number,
    rounded_half_up,
)
from drawup.injection.quantity import Concentration, Quantity, Unit, convert

PUBLISHED = tomllib.loads(Path(__file__).with_name("notation_cases.toml").read_text(encoding="utf-8"))
US = load_policy("us").notation
EVERY_NOTATION = [
    Notation(micrograms=micrograms, units=units, thousands=thousands, step_down_small_masses=step_down)
    for micrograms, units, thousands, step_down in product(
        ("micrograms", "mcg"), ("units", "international units"), (",", " ", ""), (True, False)
    )
]


def cases(*runs: str) -> list[Any]:
    return [
        pytest.param(case, id=f"{number}-{case['read']}")
        for number, case in enumerate(PUBLISHED["case"])
        if case["run"] in runs
    ]


def notations(case: dict[str, Any]) -> Iterator[Notation]:
    """Every policy's notation to which a published row belongs."""
    keys = case.get("keys", {})
    for notation in EVERY_NOTATION:
        if all(asdict(notation)[key] == value for key, value in keys.items()):
            yield notation


def refusal(parse: Callable[..., object], *arguments: object, **choices: Any) -> str:
    with pytest.raises(NotationError) as caught:
        parse(*arguments, **choices)
    return str(caught.value)


def amount(value: str, unit: Unit) -> Quantity:
    return Quantity(value=Fraction(value), unit=unit)


# --- the published rules


def test_every_published_row_is_run_or_left_out_with_its_reason_and_names_its_source() -> None:
    run = {case["read"] for case in PUBLISHED["case"]}
    left_out = {case["read"] for case in PUBLISHED["left_out"]}
    assert (len(run), len(left_out)) == (26, 21)
    assert not run & left_out
    assert all(case["reason"] for case in PUBLISHED["left_out"])
    every = [*PUBLISHED["case"], *PUBLISHED["left_out"]]
    assert {case["source"] for case in every} == set(PUBLISHED["source"])
    assert all(source["address"].startswith("http") for source in PUBLISHED["source"].values())


@pytest.mark.parametrize("case", cases("noted"))
def test_a_published_unsafe_form_is_taken_shown_safely_and_noted(case: dict[str, Any]) -> None:
    for notation in notations(case):
        if notation.thousands != "," and "," in case["show"]:
            continue
        parsed = parse_quantity(case["read"], notation)
        assert render(parsed.quantity, notation) == case["show"]
        assert [note for note in parsed.notes if note.startswith(f'"{case["read"]}" is shown as {case["show"]}: ')]


@pytest.mark.parametrize("case", cases("refused"))
def test_a_published_ambiguous_form_is_refused_with_the_safe_form(case: dict[str, Any]) -> None:
    for notation in notations(case):
        message = refusal(parse_quantity, case["read"], notation)
        assert message.startswith(f'read "{case["read"]}": ')
        assert message.endswith(f"Write {case['show']}")


@pytest.mark.parametrize("case", cases("stepped"))
def test_a_published_step_down_of_the_unit_holds_under_the_policy_it_belongs_to(case: dict[str, Any]) -> None:
    for notation in notations(case):
        parsed = parse_quantity(case["read"], notation)
        assert parsed.notes == ()
        assert render(parsed.quantity, notation) == case["show"]


@pytest.mark.parametrize("case", cases("unchanged"))
def test_a_published_safe_form_is_taken_and_shown_unchanged(case: dict[str, Any]) -> None:
    for notation in notations(case):
        parsed = parse_quantity(case["read"], notation)
        assert parsed.notes == ()
        assert render(parsed.quantity, notation) == case["read"]


@pytest.mark.parametrize("case", cases("not an amount"))
def test_a_published_form_that_is_no_single_amount_is_refused(case: dict[str, Any]) -> None:
    for notation in notations(case):
        assert refusal(parse_quantity, case["read"], notation).startswith(f'read "{case["read"]}": ')


def test_the_two_published_rows_that_contradict_each_other_are_settled_by_one_policy_key() -> None:
    # BNF: below 1 mg in micrograms. ISMP: 0.5 mg is a safe form. The key is step_down_small_masses.
    half = parse_quantity("0.5 mg").quantity
    uk, us = load_policy("uk").notation, load_policy("us").notation
    assert (uk.step_down_small_masses, us.step_down_small_masses) == (True, False)
    assert (render(half, uk), render(half, us)) == ("500 micrograms", "0.5 mg")


# --- refused, word by word

REFUSED = [
    (".5 mg", 'read ".5 mg": no zero before the point. Write 500 micrograms'),
    (".5 mL", 'read ".5 mL": no zero before the point. Write 0.5 mL'),
    (".5", 'read ".5": no zero before the point. Write 0.5 with its unit'),
    (".5 U", 'read ".5 U": no zero before the point. Write 0.5 units'),
    ("1,5 mg", 'read "1,5 mg": a comma is not a decimal sign here and does not stand at thousands. '
               "Write 1.5 mg if a decimal is meant, or 15 mg if not"),
    ("1,50 mg", 'read "1,50 mg": a comma is not a decimal sign here and does not stand at thousands. '
                "Write 1.5 mg if a decimal is meant, or 150 mg if not"),
    ("0,5 mL", 'read "0,5 mL": a comma is not a decimal sign here. Write 0.5 mL'),
    ("1,5", 'read "1,5": a bare number. Write its unit, such as 1.5 mg'),
    ("5U", 'read "5U": U is misread as 0 or 4. Write 5 units'),
    ("5.0 U", 'read "5.0 U": U is misread as 0 or 4. Write 5 units'),
    ("1,5U", 'read "1,5U": U is misread as 0 or 4. Write 1.5 units'),
    ("10000U", 'read "10000U": U is misread as 0 or 4. Write 10,000 units'),
    ("10 MG", 'read "10 MG": MG is another unit in the open code system for units. Write 10 mg'),
    ("1.2 MU", 'read "1.2 MU": MU is read as units or as million units. Write units, or million units, in full'),
    ("5 mU", 'read "5 mU": mU is read as units or as thousandths of a unit. Write how many units are meant'),
    ("5K units", 'read "5K units": "K units" is not a unit that is taken. Known: ng, microgram, mg, g, kg, lb, oz, '
                 "units, million units, micromol, mmol, mEq, microlitre, mL, L, mm, cm, m, in, minutes, hours, days, "
                 "weeks, m2"),
    ("5K", 'read "5K": K is read as thousand or as potassium. Write the whole number and its unit'),
    ("5 gr", 'read "5 gr": gr is read as grain or as gram. Write how many mg or g are meant'),
    ("10 st", 'read "10 st": a stone is not taken. Write the weight in kg, g, lb or oz'),
    ("12", 'read "12": a bare number. Write its unit, such as 12 mg'),
    ("1 000 mg", 'read "1 000 mg": this policy does not part thousands with a space, so it could also be a decimal '
                 "sign or two numbers. Write 1,000 mg, or use a point for a decimal"),
    ("1,00 mg", 'read "1,00 mg": a comma is not a decimal sign here and does not stand at thousands. '
                "Write 1 mg if a decimal is meant, or 100 mg if not"),
    ("10,00,000 units", 'read "10,00,000 units": separators that do not stand at thousands. '
                        "Write the figures without them"),
    ("1.000 mg", 'read "1.000 mg": it could be 1 or 1000. Write 1 mg, or 1,000 mg'),
    ("1.500 units", 'read "1.500 units": it could be 1.5 or 1500. Write 1.5 units, or 1,500 units'),
    ("00.5 mg", 'read "00.5 mg": a zero before the first figure. Write 0.5 mg'),
    ("05 mg", 'read "05 mg": a zero before the first figure. Write 5 mg'),
    ("-5 mg", 'read "-5 mg": an amount has no sign. Write it without'),
    ("", 'read nothing, expected an amount with its unit such as "2.5 mg"'),
    ("100 lb", 'read "100 lb": lb is taken for a body weight only. Write mg, g or micrograms'),
    ("2%", 'read "2%": a percentage is a strength, not an amount. Write how many mg are meant'),
    ("12.5.6 mg", 'read "12.5.6 mg": not a number. Write figures such as 0.5, 12 or 1,200'),
]  # fmt: skip


@pytest.mark.parametrize(("text", "message"), REFUSED, ids=[text or "nothing" for text, _ in REFUSED])
def test_ambiguous_text_is_refused_and_the_safe_form_shown(text: str, message: str) -> None:
    assert refusal(parse_quantity, text) == message


@pytest.mark.parametrize(
    ("text", "thousands", "safe"),
    [
        ("1,000 mg", " ", "1 000 mg"),
        ("1,000 mg", "", "1000 mg"),
        ("1 000 mg", ",", "1,000 mg"),
        ("1\u00a0000 mg", ",", "1,000 mg"),
        ("1\u202f000.5 mg", ",", "1,000.5 mg"),
    ],
)
def test_a_thousands_separator_that_is_not_the_policys_is_refused(text: str, thousands: str, safe: str) -> None:
    message = refusal(parse_quantity, text, Notation(thousands=thousands))
    assert f"Write {safe}, or use a point for a decimal" in message


@pytest.mark.parametrize(
    ("text", "thousands"), [("1,000 mg", ","), ("1 000 mg", " "), ("1\u00a0000 mg", " "), ("1000 mg", "")]
)
def test_the_policys_own_thousands_separator_is_taken_without_a_note(text: str, thousands: str) -> None:
    parsed = parse_quantity(text, Notation(thousands=thousands))
    assert (parsed.quantity, parsed.notes) == (amount("1000", q.MILLIGRAM), ())


# --- taken, shown safely, and noted

NOTED = [
    ("10mg", "10 mg", ["a space between the number and the unit"]),
    ("1.0 mg", "1 mg", ["no zero after the last figure: 1.0 is misread as 10"]),
    ("2.50 mL", "2.5 mL", ["no zero after the last figure: 1.0 is misread as 10"]),
    ("250 mcg", "250 micrograms", ["mcg is misread"]),
    ("250 \u00b5g", "250 micrograms", ["\u00b5g is misread"]),
    ("250 \u03bcg", "250 micrograms", ["\u03bcg is misread"]),
    ("5000 IU", "5,000 units", ["IU is misread"]),
    ("10 mgs", "10 mg", ["mgs is misread"]),
    ("5 mg.", "5 mg", ["no full stop after a unit"]),
    ("10000 units", "10,000 units", ["part thousands: 10,000"]),
    ("0.50mcg", "500 nanograms", ["a space between the number and the unit", "mcg is misread",
                                  "no zero after the last figure: 1.0 is misread as 10"]),
]  # fmt: skip


@pytest.mark.parametrize(("text", "safe", "notes"), NOTED, ids=[text for text, _, _ in NOTED])
def test_unsafe_text_that_only_people_misread_is_taken_and_noted(text: str, safe: str, notes: list[str]) -> None:
    parsed = parse_quantity(text)
    assert render(parsed.quantity) == safe
    assert list(parsed.notes) == [f'"{text}" is shown as {safe}: {note}' for note in notes]


def test_both_code_points_of_the_micro_sign_are_the_same_unit() -> None:
    # U+00B5 is the micro sign, U+03BC the Greek letter that looks like it.
    assert parse_quantity("5 \u00b5g").quantity == parse_quantity("5 \u03bcg").quantity == amount("5", q.MICROGRAM)


def test_mcg_is_no_fault_where_the_policy_writes_it() -> None:
    assert parse_quantity("250 mcg", US).notes == ()
    assert render(parse_quantity("250 mcg", US).quantity, US) == "250 mcg"


def test_a_measured_weight_with_a_trailing_zero_is_no_fault() -> None:
    assert parse_quantity("70.0 kg", measured=True).notes == ()
    assert parse_quantity("62.500 kg", measured=True).quantity == amount("62.5", q.KILOGRAM)


def test_pounds_are_taken_for_a_body_weight() -> None:
    # 1 lb = 0.45359237 kg exactly: international yard and pound agreement, 1959.
    pounds = parse_quantity("100 lb", body_weight=True).quantity
    assert pounds.to(q.KILOGRAM).value == Fraction("45.359237")


# --- hostile text: refused, and quickly


@pytest.mark.parametrize(
    "text",
    ["1_000 mg", "1e3 mg", "1E3 mg", "0x10 mg", "\u0661\u0660 mg", "\uff11\uff10 mg", "\u00bd mg", "1/2 mg",
     "10 mg\n", "\n10 mg", "10 mg\r", "10\tmg", "10 mg\x00", "10 \u200bmg", "nan mg", "inf mg",
     "1e400000 mg", "+5 mg", "\u22125 mg",
     "9" * 1_000_000 + " mg", "x" * 1_000_000, "." * 1_000_000, "1," * 500_000 + "1 mg"],
    ids=lambda text: ascii(text)[:20],
)  # fmt: skip
def test_hostile_text_is_refused_quickly_in_one_short_line(text: str) -> None:
    start = time.perf_counter()
    for parse in (parse_quantity, parse_strength, parse_number):
        message = refusal(parse, text)
        assert len(message) < 500
        assert message.isprintable()
    assert time.perf_counter() - start < 1


@pytest.mark.parametrize("text", ["1_000", "1e3", "1e400000", "\u0661", "1\n", " 1", "0x1", "", "9" * 1_000_000])
def test_a_number_alone_is_read_as_strictly(text: str) -> None:
    assert len(refusal(parse_number, text)) < 500


def test_a_thousand_digits_are_a_slip_and_no_dose() -> None:
    assert refusal(parse_number, "1" * 13) == "a number of 13 digits: no dose, weight or volume is that long. Check it"


def test_a_hostile_weight_in_a_request_names_its_field() -> None:
    document = {"format": 1, "now": "2026-03-02T09:00:00+00:00", "patient": {"weight": "1e400000 kg"},
                "order": {"medicine": "velorin", "dose": {"amount": "1 mg"}},
                "medicine": {"name": "velorin", "presentations": [{"strength": "1 mg/mL"}]}}  # fmt: skip
    with pytest.raises(FieldError) as caught:
        read_request(document)
    assert caught.value.field == "patient.weight"


# --- strengths as the trade writes them


def strength_in_1_ml(text: str) -> Quantity:
    strength = parse_strength(text).strength
    assert isinstance(strength, Concentration)
    return strength.in_one_ml()


# % w/v is 1 g in 100 mL, a ratio 1 g in so many mL: common practice; published examples in tests/worked/strengths.toml.
@pytest.mark.parametrize(
    ("text", "value", "unit"),
    [
        ("50 mg/mL", "50", q.MILLIGRAM),
        ("50 mg in 2 mL", "25", q.MILLIGRAM),
        ("50 mg per mL", "50", q.MILLIGRAM),
        ("1%", "10", q.MILLIGRAM),
        ("0.5 % w/v", "5", q.MILLIGRAM),
        ("1 in 1000", "1", q.MILLIGRAM),
        ("1:1000", "1", q.MILLIGRAM),
        ("1 in 10,000", "0.1", q.MILLIGRAM),
        ("100 units/mL", "100", q.UNITS),
        ("1.2 million units in 4 mL", "0.3", q.MILLION_UNITS),
        ("10 mmol in 10 mL", "1", q.MILLIMOL),
        ("5 mg/L", "0.005", q.MILLIGRAM),
    ],
)
def test_a_strength_as_the_trade_writes_it(text: str, value: str, unit: Unit) -> None:
    assert strength_in_1_ml(text) == amount(value, unit)


def test_a_bare_amount_is_the_strength_of_a_powder() -> None:
    assert parse_strength("250 mg").strength == amount("250", q.MILLIGRAM)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("1% w/w", 'read "1% w/w": only % w/v is taken (1% is 1 g in 100 mL). Write the strength in mg/mL'),
        ("0 mg/mL", 'read "0 mg/mL": a strength of zero. Check the label'),
        ("50 mg/0 mL", 'read "50 mg/0 mL": a strength of zero. Check the label'),
        ("1 in 0", 'read "1 in 0": expected a ratio such as 1 in 1000'),
        ("1 in 1.5", 'read "1 in 1.5": expected a ratio such as 1 in 1000'),
        ("50 mg/", 'read "50 mg/": expected an amount in a volume, such as "50 mg/mL"'),
        ("/mL", 'read "/mL": expected an amount in a volume, such as "50 mg/mL"'),
        ("50 mg/kg", 'read "50 mg/kg": expected an amount in a volume, such as "50 mg/mL" or "50 mg in 2 mL"'),
        ("5 mL", 'read "5 mL": volume is no strength. Write such as "50 mg/mL"'),
        (
            "1 in 12,34",
            'read "12,34": a comma is not a decimal sign here and does not stand at thousands. '
            "Write 12.34 if a decimal is meant, or 1,234 if not",
        ),
    ],
)
def test_a_strength_that_cannot_be_trusted_is_refused(text: str, message: str) -> None:
    assert refusal(parse_strength, text) == message


def test_the_notes_of_a_strength_say_what_was_read() -> None:
    assert parse_strength("1.0%").notes == ('"1.0%": no zero after the last figure: 1.0 is misread as 10',)
    assert parse_strength("1:10000").notes == ('"1:10000": part thousands: 10,000',)
    assert parse_strength("100 IU/mL").notes == ('"100 IU" is shown as 100 units: IU is misread',)


# --- what a medicine declares


@pytest.mark.parametrize(
    ("statement", "given", "kind", "found"),
    [
        ("1.2 million units = 900 mg", "2.4 million units", (q.Dimension.MASS, ""), amount("1800", q.MILLIGRAM)),
        ("1 mmol = 74.55 mg", "149.1 mg", (q.Dimension.MOLES, ""), amount("2", q.MILLIMOL)),
        ("1 mmol = 2 mEq", "10 mEq", (q.Dimension.MOLES, ""), amount("5", q.MILLIMOL)),
    ],
)
def test_a_declared_equivalence_holds_both_ways(
    statement: str, given: str, kind: tuple[q.Dimension, str], found: Quantity
) -> None:
    pair = parse_equivalence(statement)
    there = convert(parse_quantity(given).quantity, kind, (pair,))
    assert there == found
    back = convert(there, parse_quantity(given).quantity.kind, (pair,))
    assert back.ratio(parse_quantity(given).quantity) == 1


@pytest.mark.parametrize(
    "text",
    ["50 mg", "50 mg = 60 mg", "x = 5 mg", "0 mg base = 5 mg salt", "=", "5 mg =", "1 mmol = 74,55 mg", "=" * 10**6],
)  # fmt: skip
def test_an_equivalence_that_says_nothing_is_refused(text: str) -> None:
    assert len(refusal(parse_equivalence, text)) < 500


@pytest.mark.parametrize(
    ("text", "unit", "form"),
    [("50 mg base", "mg", "base"), ("1.2 million units", "million units", ""), ("50 mg", "mg", "")],
)
def test_one_word_after_the_unit_is_a_form_where_what_declares_it_is_not_at_hand(
    text: str, unit: str, form: str
) -> None:
    read = parse_quantity(text, forms=None).quantity
    assert (read.unit.name, read.form) == (unit, form)


@pytest.mark.parametrize("text", ["50 mg free base", "50 tablets base", "50 mg base2", "1,5 mg base"])
def test_more_than_one_word_after_a_unit_is_still_refused(text: str) -> None:
    with pytest.raises(NotationError):
        parse_quantity(text, forms=None)


# --- shown to people, written for machines


@pytest.mark.parametrize(
    ("value", "shown"),
    [
        ("0.5", "0.5"), ("10", "10"), ("1000", "1,000"), ("1234567.25", "1,234,567.25"), ("100", "100"),
        ("10/3", "3.333 (exactly 10/3)"), ("1/3000000", "1/3000000"), ("0.00001", "0.00001"),
        ("1.7078251276599330638701731", "1.708 (to 3 places)"),
    ],
)  # fmt: skip
def test_a_number_is_shown_without_exponent_trailing_zero_or_hidden_rounding(value: str, shown: str) -> None:
    assert render_number(Fraction(value)) == shown


def test_the_unit_stands_beside_the_number_and_the_exact_fraction_behind() -> None:
    assert render(amount("10/3", q.MILLIGRAM)) == "3.333 mg (exactly 10/3)"
    assert render_ml(Fraction(10, 3)) == "3.333 mL (exactly 10/3)"


@pytest.mark.parametrize(
    ("value", "unit", "shown"),
    [
        ("1", q.MICROGRAM, "1 microgram"), ("2", q.MICROGRAM, "2 micrograms"), ("1", q.UNITS, "1 unit"),
        ("1.2", q.MILLION_UNITS, "1.2 million units"), ("1", q.MILLION_UNITS, "1 million units"),
        ("1", q.DAY, "1 day"), ("0.5", q.GRAM, "500 mg"), ("0.0005", q.MILLIGRAM, "500 nanograms"),
        ("0.5", q.KILOGRAM, "0.5 kg"), ("0.5", q.MILLILITRE, "0.5 mL"), ("0", q.MILLIGRAM, "0 mg"),
    ],
)  # fmt: skip
def test_an_amount_is_shown_with_its_unit_in_words(value: str, unit: Unit, shown: str) -> None:
    assert render(amount(value, unit)) == shown


def test_a_salt_is_named_behind_its_amount() -> None:
    assert render(Quantity(value=Fraction("70.52"), unit=q.MILLIGRAM, form="ester")) == "70.52 mg ester"


@pytest.mark.parametrize(
    ("strength", "shown"),
    [
        ("50 mg in 2 mL", "25 mg/mL"), ("1:10,000", "100 micrograms/mL"), ("100 units/mL", "100 units/mL"),
        ("1.2 million units in 4 mL", "300,000 units/mL"), ("1 unit/mL", "1 units/mL"),
    ],
)  # fmt: skip
def test_a_strength_is_shown_per_1_ml(strength: str, shown: str) -> None:
    parsed = parse_strength(strength).strength
    assert isinstance(parsed, Concentration)
    assert render_concentration(parsed) == shown


def test_a_machine_gets_a_finite_decimal_or_a_fraction() -> None:
    assert [exact_text(Fraction(text)) for text in ("2", "0.25", "2/3", "-1/8")] == ["2", "0.25", "2/3", "-0.125"]
    assert decimal_text(Fraction(1, 3)) is None


@pytest.mark.parametrize(
    ("value", "places", "rounded"), [("1.25", 1, "1.3"), ("1.24", 1, "1.2"), ("-1.25", 1, "-1.3"), ("2.5", 0, "3")]
)
def test_half_way_is_rounded_away_from_zero(value: str, places: int, rounded: str) -> None:
    assert rounded_half_up(Fraction(value), places) == Fraction(rounded)


def test_the_uk_notation_of_the_core_is_the_uk_presets() -> None:
    assert asdict(load_policy("uk").notation) == asdict(UK)
