"""No published value without its source: every row of every table under evidence/, and every policy key."""

import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest

# What a policy file says about itself; everything else in it is a choice, with a reason and a source.
POLICY_HEADER = {"format", "name", "title", "country", "preset", "edition", "starts_from"}
# An array of this name is the list of the sources themselves.
BIBLIOGRAPHY = {"source", "sources"}


def is_stated(value: Any) -> bool:
    texts = value if isinstance(value, list) else [value]
    return bool(texts) and all(isinstance(text, str) and text.strip() for text in texts)


def rows(table: Mapping[str, Any], place: str = "") -> Iterator[tuple[str, Mapping[str, Any]]]:
    """Each outermost table in an array, with where it stands. What is inside such a row rests on the row's source."""
    for key, value in table.items():
        here = f"{place}{key}"
        if isinstance(value, dict):
            yield from rows(value, f"{here}.")
        elif isinstance(value, list) and key not in BIBLIOGRAPHY:
            yield from ((f"{here}[{i}]", row) for i, row in enumerate(value) if isinstance(row, dict))


def rows_without_source(table: Mapping[str, Any]) -> list[str]:
    return [place for place, row in rows(table) if not is_stated(row.get("source"))]


def has_grounds(value: Any) -> bool:
    """Whether a choice says both why it is so and where it comes from; a list of tables does when each of them does."""
    if isinstance(value, list):
        return bool(value) and all(has_grounds(row) for row in value)
    return isinstance(value, dict) and is_stated(value.get("reason")) and is_stated(value.get("source"))


def choices_without_grounds(table: Mapping[str, Any], place: str = "") -> list[str]:
    """Each policy key without its grounds: a table that holds no further table, or a value that stands by itself."""
    faults = []
    for key, value in table.items():
        here = f"{place}{key}"
        if has_grounds(value) or (place == "" and key in POLICY_HEADER | BIBLIOGRAPHY):
            continue
        if isinstance(value, dict) and any(isinstance(inner, dict) for inner in value.values()):
            faults += choices_without_grounds(value, f"{here}.")
        else:
            faults.append(here)
    return faults


def evidence_files(root: Path) -> list[Path]:
    return sorted((root / "src" / "drawup" / "evidence").rglob("*.toml"))


def test_every_row_of_evidence_has_a_source(root: Path) -> None:
    faults = [
        f"{path.name}: {place}"
        for path in evidence_files(root)
        if "policy" not in path.parts
        for place in rows_without_source(tomllib.loads(path.read_text("utf-8")))
    ]
    assert not faults


def test_every_policy_key_has_a_reason_and_a_source(root: Path) -> None:
    faults = [
        f"{path.name}: {place}"
        for path in evidence_files(root)
        if "policy" in path.parts
        for place in choices_without_grounds(tomllib.loads(path.read_text("utf-8")))
    ]
    assert not faults


@pytest.mark.parametrize(
    ("text", "place"),
    [
        ('[[row]]\nsite = "deltoid"', "row[0]"),
        ('[[row]]\nsource = "a"\n[[row]]\nsource = " "', "row[1]"),
        ('[adults]\n[[adults.site]]\nmax_volume = "2 mL"', "adults.site[0]"),
        ('row = [{site = "deltoid", source = []}]', "row[0]"),
    ],
)
def test_a_row_without_a_source_would_be_found(text: str, place: str) -> None:
    assert rows_without_source(tomllib.loads(text)) == [place]


@pytest.mark.parametrize(
    ("text", "place"),
    [
        ('[mark.tolerance]\nvalue = "5 %"\nreason = "x"', "mark.tolerance"),
        ('[mark.tolerance]\nvalue = "5 %"\nsource = "x"', "mark.tolerance"),
        ('name = "uk"\nheadroom = "10 %"', "headroom"),
        ('[mark]\nlines = 2\n[mark.tolerance]\nreason = "x"\nsource = "y"', "mark.lines"),
        ('[[weight_age]]\ndays = 2\nreason = "x"\nsource = "y"\n[[weight_age]]\ndays = 7', "weight_age"),
    ],
)
def test_a_policy_key_without_grounds_would_be_found(text: str, place: str) -> None:
    assert choices_without_grounds(tomllib.loads(text)) == [place]


def test_a_policy_key_with_its_grounds_is_taken() -> None:
    text = 'name = "uk"\n[mark.tolerance]\nvalue = "5 %"\nreason = "x"\nsource = "y"\n[[sources]]\nkey = "y"'
    text += '\n[[weight_age]]\ndays = 2\nreason = "x"\nsource = "y"'
    assert choices_without_grounds(tomllib.loads(text)) == []
