"""Read the published tables that stand beside this file. A row without its source is refused.

Numbers stand as text in the tables, so that they stay exact. An age is written as a count of days, weeks, months or
years; months and years are completed ones, so that a limit falls on the birthday.
"""

from __future__ import annotations

import hashlib
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from pathlib import Path
from typing import Any

from drawup.injection.anatomy import AgeSpan, Site, VolumeLimit
from drawup.injection.needle import BoneRow, Bore, NeedleRow, NeedleTable

HERE = Path(__file__).parent
STATUSES = ("published", "common practice", "from memory")
TABLES = ("bone", "needle_bores", "needles", "sites", "syringes", "volumes")
_STEPS = {"day": (1, 0), "week": (7, 0), "month": (0, 1), "year": (0, 12)}


class EvidenceError(ValueError):
    """A table that cannot be used; the message names the file, the row and what was expected."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BarrelFacts:
    """What is known of barrels of one capacity in mL: bore in mm and largest dead space in mL, where a row says so."""

    capacity_ml: Fraction
    bore_mm: Fraction | None
    dead_space_ml: Fraction | None


@lru_cache(maxsize=16)
def read_table(name: str) -> Mapping[str, Any]:
    """One table as it stands in its file, every row checked for source and status. Raises EvidenceError."""
    return check_rows(tomllib.loads((HERE / f"{name}.toml").read_text("utf-8")), f"{name}.toml")


def check_rows(table: Mapping[str, Any], file: str) -> Mapping[str, Any]:
    """The table itself, once each of its rows has a source and a known status. Raises EvidenceError."""
    for key, rows in table.items():
        for number, row in enumerate(rows if isinstance(rows, list) else (), start=1):
            source = row.get("source")
            if not isinstance(source, str) or not source.strip():
                raise EvidenceError(f"{file}, {key} {number}: no source. Every row says where it comes from")
            if row.get("status") not in STATUSES:
                raise EvidenceError(
                    f'{file}, {key} {number}: read status "{row.get("status")}", expected one of {", ".join(STATUSES)}'
                )
    return table


def parse_age(text: str) -> tuple[int, int]:
    """ "28 days" to (28, 0), "18 months" to (0, 18), "5 years" to (0, 60): days and months. Raises EvidenceError."""
    count, _, unit = text.partition(" ")
    step = _STEPS.get(unit.removesuffix("s"))
    if step is None or not (count.isascii() and count.isdigit()) or len(count) > 5:
        raise EvidenceError(f'read the age "{text[:40]}", expected such as "28 days", "18 months" or "5 years"')
    return int(count) * step[0], int(count) * step[1]


def _span(row: Mapping[str, Any]) -> AgeSpan:
    from_days, from_months = parse_age(row["from"]) if "from" in row else (0, 0)
    below_days, below_months = parse_age(row["below"]) if "below" in row else (0, 0)
    return AgeSpan(
        from_days=from_days,
        from_months=from_months,
        below_days=below_days or None,
        below_months=below_months or None,
    )


def _maybe(row: Mapping[str, Any], key: str) -> Fraction | None:
    return Fraction(row[key]) if key in row else None


@lru_cache(maxsize=1)
def load_sites() -> tuple[Site, ...]:
    """Every site of both routes with its volume limits, in the order of the table."""
    limits: dict[str, list[VolumeLimit]] = {}
    for row in read_table("volumes")["limit"]:
        limit = VolumeLimit(
            ages=_span(row),
            soft_ml=Fraction(row["soft"]),
            hard_ml=Fraction(row["hard"]),
            source=row["source"],
            status=row["status"],
        )
        for name in row["sites"]:
            limits.setdefault(name, []).append(limit)
    return tuple(_site(row, tuple(limits[row["name"]])) for row in read_table("sites")["site"])


def _site(row: Mapping[str, Any], limits: tuple[VolumeLimit, ...]) -> Site:
    return Site(
        name=row["name"],
        route=row["route"],
        regions=tuple(row["regions"]),
        ages=_span(row),
        landmarks=row["landmarks"],
        limits=limits,
        source=row["source"],
        status=row["status"],
        per_side=row.get("per_side", 1),
        proposed=row.get("proposed", True),
        caution=row.get("caution", ""),
        codes=tuple(row.get("codes", {}).items()),
        note=row.get("note", ""),
    )


def needle_table_names() -> tuple[str, ...]:
    """The guidelines that `load_needle_table` knows."""
    return tuple(read_table("needles")["guideline"])


@lru_cache(maxsize=8)
def load_needle_table(name: str) -> NeedleTable:
    """One guideline's needle table by its name (uk, us, au, nz). Raises EvidenceError for an unknown name."""
    table = read_table("needles")
    guideline = table["guideline"].get(name)
    if guideline is None:
        raise EvidenceError(f'read the needle table "{name}", expected one of {", ".join(needle_table_names())}')
    return NeedleTable(
        name=name,
        title=guideline["title"],
        rows=tuple(_needle_row(row, guideline["title"]) for row in table["row"] if name in row["guidelines"]),
        bores=_bores(),
        bones=_bones(),
    )


def _needle_row(row: Mapping[str, Any], title: str) -> NeedleRow:
    widest, finest = row["gauges"]
    shortest, longest = row["lengths"]
    return NeedleRow(
        route=row.get("route", "intramuscular"),
        sites=tuple(row.get("sites", ())),
        body=row["body"],
        ages=_span(row),
        sex=row.get("sex", ""),
        over_kg=_maybe(row, "over_kg"),
        below_kg=_maybe(row, "below_kg"),
        from_bmi=_maybe(row, "from_bmi"),
        born_below_weeks=row.get("born_below_weeks"),
        very_large=row.get("very_large", False),
        weight_matters=row.get("weight_matters", False),
        beyond=row.get("beyond", False),
        widest_gauge=widest,
        finest_gauge=finest,
        shortest_mm=Fraction(shortest),
        longest_mm=Fraction(longest),
        prefer_mm=_maybe(row, "prefer"),
        angle_deg=row["angle"],
        note=row.get("note", ""),
        issued_by=row.get("issued_by", title),
        source=row["source"],
        status=row["status"],
    )


@lru_cache(maxsize=1)
def _bores() -> tuple[Bore, ...]:
    return tuple(
        Bore(gauge=gauge, inner_mm=Fraction(inner), outer_mm=Fraction(outer), source=row["source"])
        for row in read_table("needle_bores")["bore"]
        for gauge, inner, outer in zip(row["gauge"], row["inner"], row["outer"], strict=True)
    )


@lru_cache(maxsize=1)
def _bones() -> tuple[BoneRow, ...]:
    return tuple(
        BoneRow(
            site=row["site"],
            ages=_span(row),
            mean_mm=Fraction(row["mean"]),
            sd_mm=_maybe(row, "sd"),
            people=row["people"],
            source=row["source"],
        )
        for row in read_table("bone")["bone"]
    )


@lru_cache(maxsize=1)
def load_barrels() -> tuple[BarrelFacts, ...]:
    """What is known of barrels, by capacity. Bores are from memory; dead space limits are published."""
    table = read_table("syringes")
    bores = _column(table["bore"], "capacity", "bore")
    spaces = _column(table["dead_space"], "capacity", "at_most")
    return tuple(
        BarrelFacts(capacity_ml=capacity, bore_mm=bores.get(capacity), dead_space_ml=spaces.get(capacity))
        for capacity in sorted({*bores, *spaces})
    )


@lru_cache(maxsize=1)
def load_needle_dead_space() -> Mapping[int, Fraction]:
    """Measured dead space in mL of a needle by its gauge."""
    rows = read_table("syringes")["needle_dead_space"]
    return {int(gauge): volume for gauge, volume in _column(rows, "gauge", "measured").items()}


def _column(rows: list[Mapping[str, Any]], key: str, value: str) -> dict[Fraction, Fraction]:
    return {Fraction(one): Fraction(other) for row in rows for one, other in zip(row[key], row[value], strict=True)}


@lru_cache(maxsize=1)
def evidence_version() -> str:
    """A short fingerprint of every table's bytes, so that a plan can name what it rested on."""
    digest = hashlib.sha256()
    for name in TABLES:
        digest.update((HERE / f"{name}.toml").read_bytes())
    return digest.hexdigest()[:12]
