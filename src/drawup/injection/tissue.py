"""Which layer the tip of a needle ends in: the distance from skin to muscle as a chance, from published measurements.

Lengths are in mm, angles in degrees, body-mass index in kg/m2. The distance is log-normal by site, sex and body-mass
index; skin thickness and skin to bone are normal. Every coefficient comes from a row that says for which bodies it may
be used: outside that range there is no chance, and `NoDistance` says in words what is missing. An unknown weight,
height or sex is no such end: the answer is then as wide as the people measured were.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from fractions import Fraction

from drawup.injection.anatomy import AgeSpan
from drawup.injection.guideline import Body, least_bmi

__all__ = [
    "LEAN_THIGH_BMI",
    "MARGIN",
    "BoneDepth",
    "Cells",
    "Chance",
    "Distance",
    "DistanceRow",
    "Fold",
    "NoDistance",
    "Skin",
    "TissueTable",
    "body_mass_unlikely",
    "cells_at",
    "chance_of",
    "depth_needed",
    "distance_at",
    "hundredths_mm",
    "lifted_fat_mm",
    "phi",
    "quantile_mm",
    "share_nearer",
    "tip_depth_mm",
]

MARGIN = 5.0
"""mm past the fascia from which the tip counts as in muscle (Poland GA et al., JAMA 1997;277:1709-11)."""

_ROOT_2 = math.sqrt(2)
_HAIR = 1e-9
_LOWEST_BMI, _HIGHEST_BMI = Fraction(10), Fraction(100)
LEAN_THIGH_BMI = Fraction(20)
"""Below this body-mass index nothing is counted on from a fold on the thigh (the fold rows of tissue.toml)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DistanceRow:
    """Skin to muscle at one site, in mm: ln distance = ln median + slope x (BMI - at_bmi) + by_sex x (half each way).

    `spread` is the standard deviation of ln distance that remains; `bmi_sd` is how much the people measured differed in
    body-mass index, so that an unknown one can be answered. `sex` "" holds for both, told apart by `by_sex`. A row
    without a slope knows only its people as a whole. `below_kg_*`: heavier people were not measured well enough.
    """

    site: str
    sex: str
    median_mm: float
    spread: float
    slope: float
    at_bmi: float
    bmi_sd: float
    by_sex: float
    ages: AgeSpan
    from_bmi: Fraction | None
    to_bmi: Fraction | None
    below_bmi: Fraction | None
    below_kg_female: Fraction | None
    below_kg_male: Fraction | None
    people: str
    status: str
    source: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Skin:
    """Thickness of the skin at one site in mm, with its slope for each unit of body-mass index away from 30."""

    site: str
    mean_mm: float
    sd_mm: float
    slope: float
    source: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fold:
    """How many times as thick the fat of a site is in a lifted fold."""

    site: str
    times: float
    not_lean: bool
    people: str
    source: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BoneDepth:
    """Skin to bone in mm at one site and age, for a body-mass index below `below_bmi` or unknown."""

    site: str
    ages: AgeSpan
    mean_mm: float
    sd_mm: float
    below_bmi: Fraction | None
    source: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TissueTable:
    """Everything measured about layers, each look-up by site."""

    distances: dict[str, tuple[DistanceRow, ...]]
    skins: dict[str, Skin]
    folds: dict[str, Fold]
    bones: dict[str, tuple[BoneDepth, ...]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Distance:
    """Skin to muscle of one body at one site: `parts` are (weight, mean of ln mm, spread of ln mm), or `measured_mm`.

    `unknown` names what was not known of the body and is therefore covered by the width of the answer; `rows` and
    `body` are what it was worked out from.
    """

    site: str
    body: Body
    rows: tuple[DistanceRow, ...]
    parts: tuple[tuple[float, float, float], ...]
    measured_mm: float | None
    skin_mm: float
    skin_sd_mm: float
    bone_mm: float | None
    bone_sd_mm: float | None
    fold_times: float | None
    unknown: tuple[str, ...]
    status: str
    sources: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class NoDistance:
    """The figures end before this body: `missing` is one sentence that says where.

    `largest` is the nearest body that they still hold for, where this one is too large for them.
    """

    missing: str
    largest: Body | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Cells:
    """The chance of each layer for the tip; they sum to 1. `bone` None: not known, and the rest is "up to bone"."""

    skin: float
    fat: float
    shallow_muscle: float
    muscle: float
    bone: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Chance:
    """The chance of ending too shallow, in the layer meant, or too deep (None where nothing tells)."""

    too_shallow: float
    intended: float
    too_deep: float | None


# How far it is to the muscle of this body.


def distance_at(
    table: TissueTable, site: str, body: Body, measured_mm: Fraction | None = None
) -> Distance | NoDistance:
    """The distance from skin to muscle of this body at this site. A measured one beats the model."""
    skin = table.skins[site]
    bmi = body.bmi
    skin_mm = skin.mean_mm if bmi is None else max(skin.mean_mm + skin.slope * (float(bmi) - 30), 1.0)
    bone = _bone_of(table, site, body)
    fold = table.folds.get(site)
    times = None
    if fold is not None:
        # A fold on a lean thigh brings nothing; where the body is not known, nothing is counted on.
        times = 1.0 if fold.not_lean and (bmi is None or bmi < LEAN_THIGH_BMI) else fold.times
    sources = (skin.source,) if bone is None else (skin.source, bone.source)
    parts: tuple[tuple[float, float, float], ...] = ()
    status = "measured"
    unknown: tuple[str, ...] = ()
    mine: list[DistanceRow] = []
    if measured_mm is None:
        rows = table.distances.get(site, ())
        missing = _outside(site, rows, body)
        if missing:
            return NoDistance(missing=missing, largest=_largest(site, rows, body))
        mine = [row for row in rows if body.sex == "unknown" or row.sex in ("", body.sex)]
        parts = tuple((1 / len(mine), *_moments(row, body)) for row in mine)
        status, unknown = mine[0].status, _unknown(mine, body)
        sources = (mine[0].source, *sources)
    return Distance(
        site=site,
        body=body,
        rows=tuple(mine),
        parts=parts,
        measured_mm=None if measured_mm is None else float(measured_mm),
        skin_mm=skin_mm,
        skin_sd_mm=skin.sd_mm,
        bone_mm=None if bone is None else bone.mean_mm,
        bone_sd_mm=None if bone is None else bone.sd_mm,
        fold_times=times,
        unknown=unknown,
        status=status,
        sources=sources,
    )


def _unknown(rows: list[DistanceRow], body: Body) -> tuple[str, ...]:
    """What is not known of this body and would narrow the answer."""
    found = []
    if body.sex == "unknown" and (len(rows) > 1 or rows[0].by_sex):
        found.append("sex")
    if body.bmi is None and any(row.slope for row in rows):
        found.append("height" if body.weight_kg is not None else "weight")
    return tuple(found)


def _moments(row: DistanceRow, body: Body) -> tuple[float, float]:
    """Mean and spread of ln distance. What is not known of the body widens it to the spread of the people measured."""
    mean, variance = math.log(row.median_mm), row.spread * row.spread
    if body.bmi is not None:
        mean += row.slope * (float(body.bmi) - row.at_bmi)
    else:
        variance += (row.slope * row.bmi_sd) ** 2
    if body.sex == "unknown":
        variance += (row.by_sex / 2) ** 2
    else:
        mean += row.by_sex / 2 if body.sex == "female" else -row.by_sex / 2
    return mean, math.sqrt(variance)


def _bone_of(table: TissueTable, site: str, body: Body) -> BoneDepth | None:
    for row in table.bones.get(site, ()):
        if body.age is None or not row.ages.covers(body.age):
            continue
        if row.below_bmi is None or body.bmi is None or body.bmi < row.below_bmi:
            return row
    return None


def _outside(site: str, rows: tuple[DistanceRow, ...], body: Body) -> str:
    """Where the rows end before this body, in one sentence; "" where they do not."""
    if not rows:
        return f"no distance from skin to muscle was published for the {site}"
    if body.pregnant:
        return "nobody measured the distance in pregnancy"
    if body.larger_arm and site == "deltoid":
        return "an arm that looks large is outside the figures"
    for row in rows:
        if row.sex and body.sex not in (row.sex, "unknown"):
            continue
        # An unknown age is taken for an adult's, as in every table, and that is said elsewhere.
        if body.age is not None and not row.ages.covers(body.age):
            return f"the distance was measured in {row.people}, not at this age"
        reason = _beyond_bmi(row, body) or _beyond_weight(row, body)
        if reason:
            return reason
    return ""


def _largest(site: str, rows: tuple[DistanceRow, ...], body: Body) -> Body | None:
    """This body made just small enough for the rows; None where it is not its size that is beyond them."""
    highest = min((row.to_bmi for row in rows if row.to_bmi is not None), default=None)
    bmi = body.bmi
    if bmi is not None and highest is not None and bmi > highest:
        bmi = highest
    smaller = replace(body, bmi=bmi, weight_kg=None, pregnant=False)
    return None if smaller == body or body.bmi is None or _outside(site, rows, smaller) else smaller


def _beyond_bmi(row: DistanceRow, body: Body) -> str:
    bmi = body.bmi if body.bmi is not None else least_bmi(body)
    if bmi is None:
        return ""
    low, high, below = row.from_bmi, row.to_bmi, row.below_bmi
    # Without a height the weight alone may say enough: nobody is taller than 2.2 m.
    by_weight = "" if body.bmi is not None else f"at least {_plain(bmi)} by its {_plain(body.weight_kg)} kg alone"
    this = by_weight or _plain(bmi)
    if (low is not None and body.bmi is not None and bmi < low) or (high is not None and bmi > high):
        last = f"to {_plain(high)}" if high is not None else f"to below {_plain(below)}"
        return f"the figures hold for a body-mass index of {_plain(low)} {last}, this one is {this}"
    if below is not None and bmi >= below:
        whom = {"female": "women", "male": "men"}.get(row.sex, "people")
        return (
            f"the figures for {whom} hold below a body-mass index of {_plain(below)}, and at {this} longer "
            "needles than 37.5 mm were not studied"
        )
    return ""


def _beyond_weight(row: DistanceRow, body: Body) -> str:
    limit = row.below_kg_male if body.sex == "male" else row.below_kg_female
    if limit is None or body.weight_kg is None or body.weight_kg < limit:
        return ""
    whom = {"female": "women", "male": "men"}.get(body.sex, "people of unknown sex")
    return f"from {_plain(limit)} kg on the figures for {whom} do not hold at the {row.site}"


def _plain(number: Fraction | None) -> str:
    return "any" if number is None else f"{float(number):.2f}".rstrip("0").removesuffix(".")


def body_mass_unlikely(bmi: Fraction | None) -> bool:
    """Whether no living body has this body-mass index: a slip in weight or height."""
    return bmi is not None and not _LOWEST_BMI <= bmi <= _HIGHEST_BMI


# What a needle reaches.


def phi(z: float) -> float:
    """The share of a normal distribution below z standard deviations."""
    return 0.5 * math.erfc(-z / _ROOT_2)


def tip_depth_mm(length_mm: Fraction, angle_deg: int, outside_mm: Fraction = Fraction(0)) -> float:
    """How deep below the skin in mm the tip lies: what is inside, times the sine of the angle."""
    inside = length_mm - outside_mm if outside_mm else length_mm
    return max(float(inside), 0.0) * math.sin(math.radians(angle_deg))


def hundredths_mm(depth_mm: float) -> Fraction:
    """A depth in whole hundredths of a mm, never deeper than it is."""
    return Fraction(math.floor(depth_mm * 100 + _HAIR * 100), 100)


def lifted_fat_mm(fat_mm: float, times: float | None) -> float:
    """The thickness in mm of fat in a lifted fold; where no figure is known (None) nothing is counted on."""
    return fat_mm * (1.0 if times is None else times)


def share_nearer(distance: Distance, depth_mm: float) -> float:
    """The chance that the fascia lies nearer than this depth in mm."""
    if distance.measured_mm is not None:
        # A hair's breadth for what a sine leaves behind, so that exactly 5 mm into muscle are 5 mm.
        return 1.0 if distance.measured_mm <= depth_mm + _HAIR else 0.0
    if depth_mm <= 0:
        return 0.0
    logarithm, share = math.log(depth_mm), 0.0
    for weight, mean, spread in distance.parts:
        share += weight * phi((logarithm - mean) / spread)
    return share


def cells_at(distance: Distance, depth_mm: float, *, lifted: bool = False) -> Cells:
    """The chance of each of the five cells for a tip at this depth in mm, the fat in a lifted fold or not."""
    crossed = phi((depth_mm - distance.skin_mm) / distance.skin_sd_mm)
    if distance.measured_mm is not None and depth_mm + _HAIR >= distance.measured_mm:
        crossed = 1.0
    past, deep = depth_mm, depth_mm - MARGIN
    if lifted and distance.fold_times is not None and distance.fold_times != 1:
        past, deep = _unlifted(distance, past), _unlifted(distance, deep)
    fascia, muscle = share_nearer(distance, past), share_nearer(distance, deep)
    bone = 0.0
    if distance.bone_mm is not None and distance.bone_sd_mm is not None:
        # Bone lies at the distance measured for it, but never above this body's fascia: the muscle between is the rest.
        bone = phi((depth_mm - distance.bone_mm) / distance.bone_sd_mm)
    return Cells(
        skin=1 - crossed,
        fat=crossed * (1 - fascia),
        shallow_muscle=crossed * (fascia - muscle) * (1 - bone),
        muscle=crossed * muscle * (1 - bone),
        bone=None if distance.bone_mm is None else crossed * fascia * bone,
    )


def _unlifted(distance: Distance, depth_mm: float) -> float:
    """How deep this depth in the fold would lie without it: only fat is lifted, not skin."""
    into_fat = depth_mm - distance.skin_mm
    return depth_mm if into_fat <= 0 else distance.skin_mm + into_fat / lifted_fat_mm(1.0, distance.fold_times)


def chance_of(cells: Cells, *, into_muscle: bool) -> Chance:
    """What the cells mean for a route."""
    if into_muscle:
        return Chance(
            too_shallow=cells.skin + cells.fat + cells.shallow_muscle, intended=cells.muscle, too_deep=cells.bone
        )
    return Chance(
        too_shallow=cells.skin,
        intended=cells.fat,
        too_deep=cells.shallow_muscle + cells.muscle + (cells.bone or 0.0),
    )


def quantile_mm(distance: Distance, share: float) -> float:
    """The distance in mm that this share of such bodies does not pass."""
    if distance.measured_mm is not None:
        return distance.measured_mm
    means = [mean for _, mean, _ in distance.parts]
    widest = max(spread for _, _, spread in distance.parts)
    low, high = min(means) - 9 * widest, max(means) + 9 * widest
    if len(distance.parts) == 1:
        return math.exp(means[0] + widest * _z_of(share))
    for _ in range(60):
        middle = (low + high) / 2
        if share_nearer(distance, math.exp(middle)) < share:
            low = middle
        else:
            high = middle
    return math.exp((low + high) / 2)


_Z = {0.05: -1.6448536269514722, 0.5: 0.0, 0.95: 1.6448536269514722}


def _z_of(share: float) -> float:
    known = _Z.get(share)
    if known is not None:
        return known
    low, high = -9.0, 9.0
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if phi(middle) < share else (low, middle)
    return (low + high) / 2


def depth_needed(distance: Distance, chance: float) -> float:
    """The depth in mm at which the tip is far enough into muscle with this chance, bone not counted."""
    return quantile_mm(distance, chance) + MARGIN
