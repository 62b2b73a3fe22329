"""The same value always has the same text, and a value without an exact text is refused."""

import json
from datetime import date
from decimal import Decimal
from enum import StrEnum
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drawup.record.canonical import render_canonical

plain = st.none() | st.booleans() | st.integers() | st.text(st.characters(exclude_categories=["Cs"]))
bodies = st.dictionaries(
    st.text(st.characters(exclude_categories=["Cs"])),
    st.recursive(plain, lambda parts: st.lists(parts) | st.dictionaries(st.text(max_size=5), parts), max_leaves=20),
)


def test_keys_are_sorted_and_nothing_is_spaced() -> None:
    assert render_canonical({"b": [1, None, True], "a": {"d": "2.5 mg", "c": ""}}) == (
        '{"a":{"c":"","d":"2.5 mg"},"b":[1,null,true]}'
    )


def test_characters_stand_as_themselves() -> None:
    assert render_canonical({"µ": "½ ≥ 日本"}) == '{"µ":"½ ≥ 日本"}'


def test_control_characters_quotes_and_backslashes_are_escaped() -> None:
    assert render_canonical({"a": 'x"\\\n\0\x1d'}) == '{"a":"x\\"\\\\\\n\\u0000\\u001d"}'


def test_a_tuple_is_written_as_a_list() -> None:
    assert render_canonical({"a": (1, 2)}) == render_canonical({"a": [1, 2]})


class Side(StrEnum):
    LEFT = "left"


def test_a_named_text_is_written_as_its_text() -> None:
    assert render_canonical({"side": Side.LEFT}) == '{"side":"left"}'


@given(bodies)
def test_reading_back_gives_the_same_value_and_the_same_text(body: dict[str, object]) -> None:
    text = render_canonical(body)
    assert json.loads(text) == body
    assert render_canonical(json.loads(text)) == text


@pytest.mark.parametrize(
    ("value", "named"),
    [
        (0.5, "body.a.b[1] is 0.5, a float"),
        (1e300, "a float"),
        (float("nan"), "body.a.b[1] is nan, a float"),
        (Fraction(1, 3), "body.a.b[1] is Fraction(1, 3), a Fraction"),
        (Decimal("0.5"), "body.a.b[1] is Decimal('0.5'), a Decimal"),
        (date(2026, 3, 2), "a date"),
        (b"bytes", "body.a.b[1] is b'bytes', a bytes"),
        ({1, 2}, "body.a.b[1] is {1, 2}, a set"),
        ({1: "one"}, "body.a.b[1] has the key 1, a int"),
        ({None: "one"}, "body.a.b[1] has the key None, a NoneType"),
        ({"c": {2: 1, "x": 2}}, "body.a.b[1].c has the key 2, a int"),
    ],
)
def test_what_has_no_exact_text_is_refused_and_its_place_named(value: object, named: str) -> None:
    with pytest.raises(TypeError) as refused:
        render_canonical({"a": {"b": ["fine", value]}})
    assert named in str(refused.value)


@pytest.mark.parametrize("body", [[1], "text", None, 3])
def test_a_body_that_is_no_mapping_is_refused(body: object) -> None:
    with pytest.raises(TypeError, match="A body is a mapping"):
        render_canonical(body)  # type: ignore[arg-type]


def test_half_of_a_surrogate_pair_is_refused() -> None:
    with pytest.raises(ValueError, match="a character that is no text"):
        render_canonical({"a": "x\ud800"})


def test_a_body_nested_a_hundred_thousand_deep_is_refused() -> None:
    body: dict[str, object] = {}
    for _ in range(100_000):
        body = {"a": body}
    with pytest.raises(ValueError, match="nested too deep"):
        render_canonical(body)


def test_a_body_that_contains_itself_is_refused() -> None:
    body: dict[str, object] = {}
    body["a"] = [body]
    with pytest.raises(ValueError, match="contains itself"):
        render_canonical(body)


def test_a_float_a_few_hundred_deep_is_refused_too() -> None:
    body: dict[str, object] = {"a": 0.5}
    for _ in range(400):
        body = {"a": [body]}
    with pytest.raises(TypeError, match=r"0\.5|deep inside"):
        render_canonical(body)
