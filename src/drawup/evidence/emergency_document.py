"""The parts of docs/evidence.md for an emergency: adrenaline, observation and first steps, from their tables."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator

from drawup.evidence.emergency import (
    adrenaline_table_names,
    load_adrenaline_table,
    load_first_steps,
    load_observation,
    situation_names,
)
from drawup.injection.adrenaline import FACTS, AdrenalineTable, ObservationRow, band_dose
from drawup.injection.notation import render, render_concentration, render_ml

Table = Callable[[tuple[str, ...], Iterable[tuple[str, ...]]], str]

ADRENALINE_RULES = """\
Into the muscle of the front outer thigh, never this strength into a vein. The policy names the table in use
(`adrenaline_table`). The tables disagree; no figure of one is mixed into another. Ages as printed belong to their band,
"under" and "over" do not: where two bands meet at a birthday both are given, and in a gap of the print none is; the
clinician chooses. An age in whole years may be any day of that year. A table past its review date says so."""

OBSERVATION_RULES = """\
The longest row with a reason that holds. One dose without every condition of the 2 hours stands in no row: the 6 hours
are then taken, and that is said."""


def adrenaline_parts(table: Table) -> Iterator[str]:
    """The adrenaline tables and the observation after anaphylaxis."""
    yield ADRENALINE_RULES
    for key in adrenaline_table_names():
        one = load_adrenaline_table(key)
        yield f"### {one.title} (`{key}`)"
        yield "\n".join(f"- {line}" for line in _table_lines(one))
        if one.bands:
            yield _bands(table, one)
    yield "### Observation after anaphylaxis has resolved"
    yield OBSERVATION_RULES
    yield table(
        ("at least", "when", "source", "status"),
        [
            (f"{row.hours} hours", observation_words(row), f"{row.source}, {row.address}", row.status)
            for row in load_observation()
        ],
    )


def _table_lines(one: AdrenalineTable) -> Iterator[str]:
    review = f"{one.review:%Y-%m}" if one.review is not None else "not known"
    yield f"Edition: {one.edition}. Review date: {review}."
    strength = render_concentration(one.strength)
    yield f"{strength}; repeated every {one.repeat_minutes} minutes while there is no improvement."
    if one.per_kg is not None and one.at_most is not None:
        yield f"By weight: {render(one.per_kg)} per kg, at most {render(one.at_most)}."
    if one.note:
        yield one.note
    yield f"Source: {one.source}, {one.address} ({one.status})."


def _bands(table: Table, one: AdrenalineTable) -> str:
    rows = []
    for band in one.bands:
        doses = band_dose(one, band).doses
        rows.append(
            (
                band.name,
                band.about,
                " to ".join(render(dose.dose) for dose in doses),
                " to ".join(render_ml(dose.volume_ml) for dose in doses),
                band.note,
                f"{band.source}, {band.address}",
                band.status,
            )
        )
    return table(("age", "about", "dose", "volume", "note", "source", "status"), rows)


def observation_words(row: ObservationRow) -> str:
    """When a row of the observation table holds."""
    if row.all_of:
        return "all of: " + "; ".join(FACTS[fact] for fact in row.all_of)
    doses = "two doses" if row.doses == 2 else f"{row.doses} doses or more"
    return "any of: " + "; ".join((doses, *(FACTS[fact] for fact in row.any_of)))


def first_step_parts(table: Table) -> Iterator[str]:
    """What to do first, situation by situation."""
    yield "The lines stand in order; where advice differs each says whose it is. Label and local policy come first."
    for name in situation_names():
        one = load_first_steps(name)
        yield f"### {one.title} (`{name}`)"
        yield table(
            ("what to do", "whose advice", "source", "status"),
            [
                (step.words.replace("{adrenaline}", "adrenaline"), step.by, step.source, step.status)
                for step in one.steps
            ],
        )
