"""A guideline's needle rows as values, and which of them is meant for this body at this site."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from fractions import Fraction
from functools import lru_cache

from drawup.injection.anatomy import AgeSpan
from drawup.injection.patient import Age, Patient, body_mass_index, kilograms


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NeedleRow:
    """One row of a guideline: for whom and where, which gauges, lengths in mm and angle in degrees, by whom issued.

    `over_kg` means heavier than, `below_kg` lighter than, `from_bmi` at or over, in kg and kg/m2. `very_large` rows
    also serve an arm measured as large. `weight_matters`: without a weight it is said that it was missing. `beyond`:
    the evidence ends here, and the length is a judgment.
    """

    route: str
    sites: tuple[str, ...]
    body: str
    ages: AgeSpan
    widest_gauge: int
    finest_gauge: int
    shortest_mm: Fraction
    longest_mm: Fraction
    angle_deg: int
    issued_by: str
    source: str
    status: str
    sex: str = ""
    over_kg: Fraction | None = None
    below_kg: Fraction | None = None
    from_bmi: Fraction | None = None
    born_below_weeks: int | None = None
    very_large: bool = False
    weight_matters: bool = False
    beyond: bool = False
    prefer_mm: Fraction | None = None
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bore:
    """Nominal inner and outer diameter in mm of a regular-wall needle of one gauge."""

    gauge: int
    inner_mm: Fraction
    outer_mm: Fraction
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class BoneRow:
    """Published skin-to-bone distance in mm at a site; `sd_mm` None where only the mean can be told.

    It says nothing about a body-mass index of `below_bmi` or more.
    """

    site: str
    ages: AgeSpan
    mean_mm: Fraction
    sd_mm: Fraction | None
    people: str
    source: str
    below_bmi: Fraction | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NeedleTable:
    """One guideline with its rows, most particular first, and the physical tables beside it."""

    name: str
    title: str
    rows: tuple[NeedleRow, ...]
    bores: tuple[Bore, ...]
    bones: tuple[BoneRow, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Body:
    """What is known of this body, for the rows of a guideline; None is not known."""

    age: Age | None = None
    sex: str = "unknown"
    weight_kg: Fraction | None = None
    bmi: Fraction | None = None
    born_at_weeks: int | None = None
    larger_arm: bool = False
    pregnant: bool = False


def body_of(patient: Patient, today: date, *, larger_arm: bool = False) -> Body:
    """What the rows and the layers ask of a body, as it is known today."""
    return Body(
        age=patient.age(today),
        sex=patient.sex,
        weight_kg=kilograms(patient.weight.quantity) if patient.weight is not None else None,
        bmi=body_mass_index(patient),
        born_at_weeks=patient.born_at_weeks,
        larger_arm=larger_arm,
        pregnant=patient.pregnant is True,
    )


_TALLEST_M = Fraction(22, 10)


def least_bmi(body: Body) -> Fraction | None:
    """The least body-mass index that a weight allows where the height is not known: nobody is taller than 2.2 m."""
    return None if body.weight_kg is None else body.weight_kg / (_TALLEST_M * _TALLEST_M)


def row_for(table: NeedleTable, route: str, site: str, body: Body) -> tuple[NeedleRow | None, str]:
    """The first row that applies, and what would have told whether an earlier one does ("" where nothing lacked)."""
    missing = ""
    for row in _rows_at(table, route, site, body.age):
        if row.sex and row.sex != body.sex and (body.sex != "unknown" or row.sex == "male"):
            continue
        fits, lacks = _body_fits(row, body)
        if fits:
            return row, missing
        missing = missing or lacks
    return None, missing


@lru_cache(maxsize=2048)
def _rows_at(table: NeedleTable, route: str, site: str, age: Age | None) -> tuple[NeedleRow, ...]:
    return tuple(
        row
        for row in table.rows
        if row.route == route and (not row.sites or site in row.sites) and row.ages.covers(age)
    )


def _body_fits(row: NeedleRow, body: Body) -> tuple[bool, str]:
    """Whether the row's own conditions hold, and what was missing to tell."""
    if row.born_below_weeks is not None:
        # Nobody writes down the weeks of a child born at term: left out is taken for term.
        return body.born_at_weeks is not None and body.born_at_weeks < row.born_below_weeks, ""
    if row.from_bmi is not None:
        least = least_bmi(body)
        if body.bmi is None and (least is None or least < row.from_bmi):
            return False, "no body-mass index is known"
        return (body.bmi if body.bmi is not None else row.from_bmi) >= row.from_bmi, ""
    if row.over_kg is None and row.below_kg is None:
        return True, ""
    if row.very_large and body.larger_arm:
        return True, ""
    weight = body.weight_kg
    if weight is None:
        return False, "no weight is known" if row.weight_matters else ""
    over = row.over_kg is None or weight > row.over_kg
    return over and (row.below_kg is None or weight < row.below_kg), ""


@lru_cache(maxsize=1024)
def bone_row(table: NeedleTable, site: str, age: Age | None) -> BoneRow | None:
    """What was published about skin to bone here at this age; None where nothing was."""
    if age is None:
        return None
    return next((row for row in table.bones if row.site == site and row.ages.covers(age)), None)


def counts_for(row: BoneRow, bmi: Fraction | None) -> bool:
    """Whether a row on bone holds for this body-mass index; an unknown one does not speak against it."""
    return row.below_bmi is None or bmi is None or bmi < row.below_bmi
