"""What one needle reaches in each of many adults at once: `injection/tissue.py` over whole columns.

Lengths are in mm, angles in degrees, weights in kg, body-mass index in kg/m2; chances lie in 0..1. One column entry is
one adult of known sex, body-mass index and age. The figures, and the bodies that they hold for, are those of the tissue
table, whose rows name their sources; the answers are those of `distance_at` and `reached` body by body, to nine digits.
Needs the extra `plan` (numpy).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from drawup.injection.anatomy import AgeSpan
from drawup.injection.reach import NOTHING_OUTSIDE
from drawup.injection.tissue import (
    LEAN_THIGH_BMI,
    MARGIN,
    BoneDepth,
    DistanceRow,
    TissueTable,
    lifted_fat_mm,
    tip_depth_mm,
)

try:
    import numpy as np
    import numpy.typing as npt
except ImportError as error:
    raise ImportError("many people at once need numpy: install it with `pip install 'drawup[plan]'`") from error

SEXES = ("female", "male")

_ROOT_2 = math.sqrt(2)
_SURE_Z = 9.0

Numbers = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ReachOfMany:
    """What one needle reaches one way in each of many adults: columns of equal length, in the order of the adults.

    `known`: inside the evidence; where it is False every chance is NaN. The five cells sum to 1. `bone` is NaN where
    nothing was published for this body, and then so is `too_deep` into muscle. `depth_mm`: how deep the tip lies.
    """

    depth_mm: float
    known: Flags
    skin: Numbers
    fat: Numbers
    shallow_muscle: Numbers
    muscle: Numbers
    bone: Numbers
    too_shallow: Numbers
    intended: Numbers
    too_deep: Numbers


def reach_of_many(
    *,
    table: TissueTable,
    site: str,
    sexes: Sequence[str] | npt.NDArray[np.str_],
    bmis: npt.ArrayLike,
    ages_months: npt.ArrayLike,
    weights_kg: npt.ArrayLike,
    length_mm: Fraction,
    angle_deg: int = 90,
    outside_mm: Fraction = NOTHING_OUTSIDE,
    lifted: bool = False,
    into_muscle: bool,
) -> ReachOfMany:
    """What a needle of this length reaches at this site in each adult, put in at this angle, in a lifted fold or not.

    One entry of each column is one adult: `sexes` "female" or "male", `bmis` in kg/m2, `ages_months` in completed
    months, `weights_kg` in kg. A NaN weight is not known and then no limit of weight counts, as for one body; a NaN
    body-mass index or age is outside the evidence. Nobody is taken to be pregnant. `outside_mm` of the needle stay
    outside. A limit is met by a number written like it: both count as the nearest binary float.

    Raises ValueError for columns of unequal length or more than one dimension, another sex, a site that the table does
    not know, and a row whose ages are counted in days.
    """
    if site not in table.skins:
        raise ValueError(f"nothing was measured at {site!r}, expected one of {', '.join(sorted(table.skins))}")
    column = _sex_column(sexes)
    bmi = np.asarray(bmis, dtype=np.float64)
    months = np.asarray(ages_months, dtype=np.float64)
    weight = np.asarray(weights_kg, dtype=np.float64)
    _check_shapes({"sexes": column, "bmis": bmi, "ages_months": months, "weights_kg": weight})
    depth = tip_depth_mm(length_mm, angle_deg, outside_mm)
    cells = np.full((5, len(bmi)), np.nan)
    for sex in SEXES:
        rows = [row for row in table.distances.get(site, ()) if row.sex in ("", sex)]
        if rows:
            inside = column == sex
            for row in rows:
                inside &= _covers(row.ages, months) & _within_bmi(row, bmi) & _within_weight(row, sex, weight)
            here = np.flatnonzero(inside)
            cells[:, here] = _cells(table, site, rows, sex, bmi[here], months[here], depth, lifted=lifted)
    skin, fat, shallow_muscle, muscle, bone = cells
    beyond_fascia = shallow_muscle + muscle + np.where(np.isnan(bone), 0.0, bone)
    return ReachOfMany(
        depth_mm=depth,
        known=~np.isnan(skin),
        skin=skin,
        fat=fat,
        shallow_muscle=shallow_muscle,
        muscle=muscle,
        bone=bone,
        too_shallow=skin + fat + shallow_muscle if into_muscle else skin,
        intended=muscle if into_muscle else fat,
        too_deep=bone if into_muscle else beyond_fascia,
    )


# Who is inside the evidence.


def _sex_column(sexes: Sequence[str] | npt.NDArray[np.str_]) -> npt.NDArray[np.str_]:
    column = np.asarray(sexes)
    if column.size == 0:
        column = column.astype(np.str_)
    strange = np.flatnonzero(~np.isin(column, SEXES))
    if len(strange):
        first = int(strange[0])
        raise ValueError(f"sexes[{first}] is {column.ravel()[first]!s}, expected female or male: leave such bodies out")
    return column


def _check_shapes(columns: dict[str, npt.NDArray[np.str_] | Numbers]) -> None:
    if len({column.shape for column in columns.values()}) > 1 or any(column.ndim != 1 for column in columns.values()):
        shapes = ", ".join(f"{name} {'x'.join(map(str, column.shape)) or 'one'}" for name, column in columns.items())
        raise ValueError(f"read entries in {shapes}: expected one entry for each adult in every column")


def _covers(ages: AgeSpan, months: Numbers) -> Flags:
    if ages.from_days or ages.below_days is not None:
        raise ValueError("the table counts these ages in days, and completed months cannot tell them: ask body by body")
    old_enough: Flags = months >= ages.from_months
    return old_enough if ages.below_months is None else old_enough & (months < ages.below_months)


def _within_bmi(row: DistanceRow, bmi: Numbers) -> Flags:
    inside: Flags = ~np.isnan(bmi)
    if row.from_bmi is not None:
        inside &= bmi >= float(row.from_bmi)
    if row.to_bmi is not None:
        inside &= bmi <= float(row.to_bmi)
    if row.below_bmi is not None:
        inside &= bmi < float(row.below_bmi)
    return inside


def _within_weight(row: DistanceRow, sex: str, weight: Numbers) -> Flags:
    limit = row.below_kg_male if sex == "male" else row.below_kg_female
    if limit is None:
        return np.ones(len(weight), dtype=np.bool_)
    inside: Flags = np.isnan(weight) | (weight < float(limit))
    return inside


# What the needle reaches in them.


def _cells(
    table: TissueTable,
    site: str,
    rows: list[DistanceRow],
    sex: str,
    bmi: Numbers,
    months: Numbers,
    depth: float,
    *,
    lifted: bool,
) -> Numbers:
    """Five rows, the cells from skin to bone, for adults of one sex who are all inside the evidence."""
    skin = table.skins[site]
    skin_mm = np.maximum(skin.mean_mm + skin.slope * (bmi - 30), 1.0)
    crossed = _phi((depth - skin_mm) / skin.sd_mm)
    past, deep = np.full_like(bmi, depth), np.full_like(bmi, depth - MARGIN)
    if lifted:
        times = _fold_times(table, site, bmi)
        past, deep = _unlifted(past, skin_mm, times), _unlifted(deep, skin_mm, times)
    fascia, muscle = _share_nearer(rows, sex, bmi, past), _share_nearer(rows, sex, bmi, deep)
    bone = _bone(table.bones.get(site, ()), bmi, months, depth)
    beside_bone = 1 - np.where(np.isnan(bone), 0.0, bone)
    return np.stack(
        (
            1 - crossed,
            crossed * (1 - fascia),
            crossed * (fascia - muscle) * beside_bone,
            crossed * muscle * beside_bone,
            crossed * fascia * bone,
        )
    )


def _phi(z: Numbers) -> Numbers:
    """The share of a normal distribution below each z."""
    # numpy has no error function, so Python's goes down the column. Nine spreads up the share is 1 to the last bit, and
    # many needles are that far past the skin.
    short = np.flatnonzero(z < _SURE_Z)
    share = np.ones_like(z)
    share[short] = np.fromiter(map(math.erfc, (z[short] / -_ROOT_2).tolist()), np.float64, len(short)) * 0.5
    return share


def _share_nearer(rows: list[DistanceRow], sex: str, bmi: Numbers, depth: Numbers) -> Numbers:
    """The chance that the fascia lies nearer than the depth, by the rows that hold for this sex in equal parts."""
    # No fascia is nearer than the skin: the logarithm of the least number leaves no chance of it.
    logarithm = np.log(np.maximum(depth, np.finfo(np.float64).tiny))
    share = np.zeros_like(bmi)
    for row in rows:
        half = row.by_sex / 2 if sex == "female" else -row.by_sex / 2
        mean = math.log(row.median_mm) + half + row.slope * (bmi - row.at_bmi)
        share += _phi((logarithm - mean) / row.spread) / len(rows)
    return share


def _fold_times(table: TissueTable, site: str, bmi: Numbers) -> Numbers:
    """How many times as thick a lifted fold makes the fat; 1 where nothing was measured, or on a lean thigh."""
    fold = table.folds.get(site)
    times = np.full_like(bmi, lifted_fat_mm(1.0, None if fold is None else fold.times))
    if fold is not None and fold.not_lean:
        times[bmi < float(LEAN_THIGH_BMI)] = 1.0
    return times


def _unlifted(depth: Numbers, skin_mm: Numbers, times: Numbers) -> Numbers:
    """How deep this depth in the fold would lie without it: only fat is lifted, not skin."""
    into_fat = depth - skin_mm
    return np.where(into_fat <= 0, depth, skin_mm + into_fat / times)


def _bone(rows: tuple[BoneDepth, ...], bmi: Numbers, months: Numbers, depth: float) -> Numbers:
    """The chance that bone lies nearer than the depth, by the first row that holds; NaN where none does."""
    bone = np.full_like(bmi, np.nan)
    for row in rows:
        mine = np.isnan(bone) & _covers(row.ages, months)
        if row.below_bmi is not None:
            mine &= bmi < float(row.below_bmi)
        bone[mine] = _phi(np.array([(depth - row.mean_mm) / row.sd_mm]))[0]
    return bone
