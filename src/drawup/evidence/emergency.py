"""Read the tables for an emergency: adrenaline, how long to observe, and what to do first when something goes wrong."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from fractions import Fraction
from functools import lru_cache
from typing import Any

from drawup.evidence.tables import EvidenceError, parse_age, read_table
from drawup.injection.adrenaline import FACTS, AdrenalineBand, AdrenalineTable, Observation, ObservationRow
from drawup.injection.notation import parse_quantity, parse_strength
from drawup.injection.quantity import Concentration, Quantity


@dataclass(frozen=True, slots=True, kw_only=True)
class FirstStep:
    """One line of what to do first. `by` names whose advice it is where advice differs; "" stands for all."""

    words: str
    by: str
    source: str
    status: str

    def text(self, adrenaline_word: str) -> str:
        """The line as it is said, with whose advice it is."""
        return f"{self.by}: {self.filled(adrenaline_word)}" if self.by else self.filled(adrenaline_word)

    def filled(self, adrenaline_word: str) -> str:
        """The words with the policy's own word for adrenaline."""
        return self.words.replace("{adrenaline}", adrenaline_word)


@dataclass(frozen=True, slots=True, kw_only=True)
class Situation:
    """Something that went wrong, and what to do first, in order."""

    name: str
    title: str
    steps: tuple[FirstStep, ...]


def adrenaline_table_names() -> tuple[str, ...]:
    """The tables that `load_adrenaline_table` knows."""
    return tuple(row["key"] for row in read_table("adrenaline")["table"])


@lru_cache(maxsize=8)
def load_adrenaline_table(key: str) -> AdrenalineTable:
    """One published adrenaline table by its key. Raises EvidenceError for an unknown one, or a row without source."""
    table = read_table("adrenaline")
    row = next((row for row in table["table"] if row["key"] == key), None)
    if row is None:
        raise EvidenceError(f'read the adrenaline table "{key}", expected one of {", ".join(adrenaline_table_names())}')
    strength = parse_strength(row["strength"]).strength
    if not isinstance(strength, Concentration):
        raise EvidenceError(
            f'adrenaline.toml, {key}: read the strength "{row["strength"]}", expected such as "1 mg/mL"'
        )
    return AdrenalineTable(
        key=key,
        title=row["title"],
        edition=row["edition"],
        review=date.fromisoformat(f"{row['review']}-01") if "review" in row else None,
        strength=strength,
        repeat_minutes=row["repeat_minutes"],
        goes_by=row["goes_by"],
        bands=tuple(_band(band, strength) for band in table["band"] if band["table"] == key),
        per_kg=_amount(row, "per_kg"),
        at_most=_amount(row, "at_most"),
        note=row.get("note", ""),
        source=row["source"],
        address=row["address"],
        status=row["status"],
    )


def _band(row: Mapping[str, Any], strength: Concentration) -> AdrenalineBand:
    dose = _amount(row, "dose") or _held(row, "volume", strength)
    if dose is None:
        raise EvidenceError(f"adrenaline.toml, {row['name']}: neither a dose nor a volume")
    return AdrenalineBand(
        name=row["name"],
        first=_step(row["from"]) if "from" in row else _step(row["over"]) + 1 if "over" in row else 0,
        last=_step(row["to"]) if "to" in row else _step(row["under"]) - 1 if "under" in row else None,
        dose=dose,
        to_dose=_amount(row, "to_dose") or _held(row, "to_volume", strength),
        about=row.get("about", ""),
        note=row.get("note", ""),
        source=row["source"],
        address=row["address"],
        status=row["status"],
    )


def _step(age: str) -> int:
    """The step of life at which a count of months or years is completed (see KnownAge)."""
    days, months = parse_age(age)
    if days:
        raise EvidenceError(f'read the age "{age}", expected months or years in this table')
    return 2 * months


def _amount(row: Mapping[str, Any], key: str) -> Quantity | None:
    return parse_quantity(row[key]).quantity if key in row else None


def _held(row: Mapping[str, Any], key: str, strength: Concentration) -> Quantity | None:
    """The amount that a printed volume holds, in micrograms as tables of doses print it."""
    volume = _amount(row, key)
    if volume is None:
        return None
    micrograms = parse_quantity("1 microgram").quantity
    held: Fraction = strength.amount_in(volume.base).ratio(micrograms)
    return micrograms.times(held)


@lru_cache(maxsize=1)
def load_observation() -> tuple[ObservationRow, ...]:
    """How long to observe after anaphylaxis has resolved. Raises EvidenceError for a fact that nothing is known of."""
    rows = tuple(
        ObservationRow(
            hours=row["hours"],
            doses=row["doses"],
            any_of=tuple(row.get("any", ())),
            all_of=tuple(row.get("all", ())),
            source=row["source"],
            address=row["address"],
            status=row["status"],
        )
        for row in read_table("adrenaline")["observation"]
    )
    unknown = [fact for row in rows for fact in (*row.any_of, *row.all_of) if fact not in FACTS]
    if unknown:
        raise EvidenceError(f'adrenaline.toml, observation: "{unknown[0]}" is not known, expected {", ".join(FACTS)}')
    return rows


def situation_names() -> tuple[str, ...]:
    """Everything that `load_first_steps` knows what to do about."""
    return tuple(read_table("first_steps")["situation"])


@lru_cache(maxsize=16)
def load_first_steps(name: str) -> Situation:
    """What to do first, in order. Raises EvidenceError for an unknown name."""
    table = read_table("first_steps")
    if name not in table["situation"]:
        raise EvidenceError(f'read "{name}", expected one of {", ".join(situation_names())}')
    return Situation(
        name=name,
        title=table["situation"][name]["title"],
        steps=tuple(
            FirstStep(words=row["words"], by=row.get("by", ""), source=row["source"], status=row["status"])
            for row in table["step"]
            if row["for"] == name
        ),
    )


# For a machine.


def steps_json(situation: Situation, adrenaline_word: str) -> list[dict[str, str]]:
    """The steps in order, each with its source."""
    return [
        {"words": step.filled(adrenaline_word), "by": step.by, "source": step.source, "status": step.status}
        for step in situation.steps
    ]


def observation_json(observation: Observation) -> dict[str, Any]:
    """How long to observe, why, and whether a row of the table says so."""
    return {
        "at_least_hours": observation.hours,
        "because": list(observation.because),
        "stands_in_the_table": observation.printed,
        "source": observation.row.source,
        "address": observation.row.address,
    }
