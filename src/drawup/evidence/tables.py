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
from drawup.injection.flow import Resistance
from drawup.injection.needle import BoneRow, Bore, NeedleRow, NeedleTable
from drawup.injection.skin import Grid, Grids
from drawup.injection.tissue import BoneDepth, DistanceRow, Fold, Skin, TissueTable

HERE = Path(__file__).parent
STATUSES = ("published", "common practice", "from memory", "supported", "weak", "distribution only")
TABLES = ("bone", "grids", "model_checks", "needle_bores", "needles", "push", "sites", "syringes", "tissue", "volumes")
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


def span_of(row: Mapping[str, Any]) -> AgeSpan:
    """The ages a row holds for."""
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
            ages=span_of(row),
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
        ages=span_of(row),
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
        ages=span_of(row),
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
            ages=span_of(row),
            mean_mm=Fraction(row["mean"]),
            sd_mm=_maybe(row, "sd"),
            people=row["people"],
            source=row["source"],
            below_bmi=_maybe(row, "below_bmi"),
        )
        for row in read_table("bone")["bone"]
    )


@lru_cache(maxsize=1)
def load_tissue() -> TissueTable:
    """The measured layers: skin to muscle, skin, lifted folds and skin to bone, by site."""
    table = read_table("tissue")
    distances: dict[str, list[DistanceRow]] = {}
    for row in table["distance"]:
        distances.setdefault(row["site"], []).append(_distance_row(row))
    bones: dict[str, list[BoneDepth]] = {}
    for bone in _bones():
        if bone.sd_mm is not None and bone.below_bmi is not None:
            depth = BoneDepth(
                site=bone.site,
                ages=bone.ages,
                mean_mm=float(bone.mean_mm),
                sd_mm=float(bone.sd_mm),
                below_bmi=bone.below_bmi,
                source=bone.source,
            )
            bones.setdefault(bone.site, []).append(depth)
    return TissueTable(
        distances={site: tuple(rows) for site, rows in distances.items()},
        skins={site: _skin(row, site) for row in table["skin"] for site in row["sites"]},
        folds={row["site"]: _fold(row) for row in table["fold"]},
        bones={site: tuple(rows) for site, rows in bones.items()},
    )


@lru_cache(maxsize=1)
def load_grids() -> Grids:
    """The points of every site, and the heights a child of unknown height is taken for."""
    table = read_table("grids")
    heights = table["height"][0]
    months = [days // 30 + count for days, count in map(parse_age, heights["below"])]
    return Grids(
        version=table["version"],
        grids=tuple(_grid(row) for row in table["grid"]),
        heights=tuple(zip(months, map(int, heights["cm"]), strict=True)),
    )


def _grid(row: Mapping[str, Any]) -> Grid:
    landmark, across, down = (tuple(_tenths(part) for part in row[key]) for key in ("landmark", "across", "down"))
    return Grid(
        site=row["site"],
        frame=row["frame"],
        landmark=(landmark[0], landmark[1]),
        across=(across[0], across[1]),
        down=(down[0], down[1]),
        outward=row["outward"],
        inward=row["inward"],
        from_here=row["from_here"],
        shared=row.get("shared", False),
        clear=_tenths(row.get("clear_round_landmark", "0")),
    )


def _tenths(millimetres: str) -> int:
    return int(Fraction(millimetres) * 10)


@lru_cache(maxsize=1)
def load_resistance() -> Resistance:
    """What resists a push beside the liquid."""
    table = read_table("push")
    friction, tissue = table["friction"][0], table["tissue"][0]
    return Resistance(
        friction_n=_number(friction, "newtons"),
        skin_pa=_number(tissue, "pascals"),
        friction_source=friction["source"],
        skin_source=tissue["source"],
    )


def _number(row: Mapping[str, Any], key: str) -> float:
    """A coefficient of the model: the only numbers of the tables that are no exact amounts."""
    return float(row.get(key, "0"))


def _distance_row(row: Mapping[str, Any]) -> DistanceRow:
    return DistanceRow(
        site=row["site"],
        sex=row.get("sex", ""),
        median_mm=_number(row, "median"),
        spread=_number(row, "spread"),
        slope=_number(row, "slope"),
        at_bmi=_number(row, "at_bmi"),
        bmi_sd=_number(row, "bmi_sd"),
        by_sex=_number(row, "by_sex"),
        ages=span_of(row),
        from_bmi=_maybe(row, "from_bmi"),
        to_bmi=_maybe(row, "to_bmi"),
        below_bmi=_maybe(row, "below_bmi"),
        below_kg_female=_maybe(row, "below_kg_female"),
        below_kg_male=_maybe(row, "below_kg_male"),
        people=row["people"],
        status=row["status"],
        source=row["source"],
    )


def _skin(row: Mapping[str, Any], site: str) -> Skin:
    mean, sd, slope = (_number(row, key) for key in ("mean", "sd", "slope"))
    return Skin(site=site, mean_mm=mean, sd_mm=sd, slope=slope, source=row["source"])


def _fold(row: Mapping[str, Any]) -> Fold:
    return Fold(
        site=row["site"],
        times=_number(row, "times"),
        not_lean=row.get("not_lean", False),
        people=row["people"],
        source=row["source"],
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
