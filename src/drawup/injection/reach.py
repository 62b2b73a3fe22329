"""What a needle reaches in one body, way by way: angle, fold, how much stays outside, and how each way is weighed.

Lengths are in mm, angles in degrees; chances and scores lie in 0..1. Which way of missing is worse is the medicine's to
say; bone is pain, and counts only where too deep is the worse way.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction

from drawup.injection.policy import Needle
from drawup.injection.tissue import (
    MARGIN,
    Cells,
    Chance,
    Distance,
    DistanceRow,
    cells_at,
    chance_of,
    phi,
    quantile_mm,
    tip_depth_mm,
)

NOTHING_OUTSIDE = Fraction(0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """How a needle goes in: the angle, whether the skin is lifted into a fold, and the mm that stay outside."""

    angle_deg: int
    lifted: bool = False
    outside_mm: Fraction = NOTHING_OUTSIDE


@dataclass(frozen=True, slots=True, kw_only=True)
class Aim:
    """What is asked of an injection: the layer, the least chance of it, and which miss is worse and by how much."""

    into_muscle: bool
    least: float
    worse: str = ""
    worse_times: float = 2.0

    @property
    def weights(self) -> tuple[float, float]:
        """How much too shallow and too deep count."""
        shallow = self.worse_times if self.worse == "too shallow" else 1.0
        if self.worse == "too deep":
            return shallow, self.worse_times
        return shallow, 0.0 if self.into_muscle else 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Reached:
    """What one needle reaches one way: depth of the tip, the layers' chances, and the score they come to."""

    way: Way
    depth_mm: float
    cells: Cells
    chance: Chance
    score: float


def aim_of(*, into_muscle: bool, least: Fraction, worse: str, worse_times: int) -> Aim:
    """An aim from a policy's exact numbers."""
    return Aim(into_muscle=into_muscle, least=float(least), worse=worse, worse_times=float(worse_times))


def reached(distance: Distance, needle: Needle, way: Way, aim: Aim) -> Reached:
    """What this needle reaches this way."""
    depth = tip_depth_mm(needle.length_mm, way.angle_deg, way.outside_mm)
    cells = cells_at(distance, depth, lifted=way.lifted)
    chance = chance_of(cells, into_muscle=aim.into_muscle)
    shallow, deep = aim.weights
    score = 1 - shallow * chance.too_shallow - deep * (chance.too_deep or 0.0)
    return Reached(way=way, depth_mm=depth, cells=cells, chance=chance, score=score)


def best_way(distance: Distance, needle: Needle, ways: tuple[Way, ...], aim: Aim) -> Reached:
    """The first way that is good enough, or else the one that comes nearest; ways stand most comfortable first."""
    best: Reached | None = None
    for way in ways:
        found = reached(distance, needle, way, aim)
        if found.score >= aim.least:
            return found
        if best is None or found.score > best.score:
            best = found
    assert best is not None, "there is always a way"
    return best


def length_that_would(distance: Distance, way: Way, aim: Aim) -> int:
    """The length in whole mm that would be good enough this way: the least into muscle, the most under the skin."""
    shallow, deep = aim.weights
    sine = math.sin(math.radians(way.angle_deg))
    if aim.into_muscle:
        depth = quantile_mm(distance, 1 - (1 - aim.least) / shallow) + MARGIN
        return math.ceil(depth / sine + float(way.outside_mm))
    # Strictly nearer than the fascia: one that just touches it is too long.
    return math.ceil(quantile_mm(distance, (1 - aim.least) / deep) / sine) - 1


def _short(value: float, places: int) -> str:
    """A number of the working without zeros at its end."""
    text = f"{value:.{places}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def _mm(depth: float) -> str:
    return f"{_short(depth, 1)} mm"


def _row_words(row: DistanceRow, distance: Distance) -> str:
    """The sum behind the middle of a row: "ln 13.17 + 0.0361 x (32.8 - 29.1) + 0.1715"."""
    words = f"ln {row.median_mm:g}"
    if row.slope and distance.body.bmi is not None:
        words += f" + {row.slope:g} x ({_short(float(distance.body.bmi), 1)} - {row.at_bmi:g})"
    if row.by_sex and distance.body.sex != "unknown":
        words += f" {'+' if distance.body.sex == 'female' else '-'} {row.by_sex / 2:g}"
    return words


def layer_working(distance: Distance, reach: Reached, aim: Aim) -> tuple[str, ...]:
    """How the chance was come to, line by line, so that it can be done again with a table of logarithms."""
    way, depth = reach.way, reach.depth_mm
    lines = [f"the tip lies {_mm(depth)} deep: what is inside times the sine of {way.angle_deg} degrees"]
    if way.outside_mm:
        lines[0] = f"with {float(way.outside_mm):g} mm left outside {lines[0]}"
    wanted = depth - MARGIN if aim.into_muscle else depth
    if way.lifted and distance.fold_times is not None and distance.fold_times != 1:
        wanted = distance.skin_mm + (wanted - distance.skin_mm) / distance.fold_times
        times = f"{distance.fold_times:g} times the fat, a figure from children"
        lines.append(f"a lifted fold counts as {times}: as {_mm(wanted)} without it")
    if distance.measured_mm is not None:
        lines.append(f"skin to muscle was measured as {distance.measured_mm:g} mm")
        return tuple(lines)
    for row, (weight, mean, spread) in zip(distance.rows, distance.parts, strict=True):
        share = "" if len(distance.parts) == 1 else f", {weight:g} of the answer"
        lines.append(
            f"skin to muscle at the {distance.site}{share}: {_row_words(row, distance)} = "
            f"{_short(mean, 3)}, so {_mm(math.exp(mean))} in the middle; spread {_short(spread, 4)}"
        )
        if wanted > 0:
            z = (math.log(wanted) - mean) / spread
            what = f"{MARGIN:g} mm into muscle" if aim.into_muscle else "as far as the muscle"
            over = f"(ln {_short(wanted, 1)} - {_short(mean, 3)}) / {_short(spread, 4)} = {_short(z, 2)} spreads"
            lines.append(f"{what}: {over}, reached in {of_100(phi(z))}")
    if distance.bone_mm is not None and distance.bone_sd_mm is not None:
        z = (depth - distance.bone_mm) / distance.bone_sd_mm
        over = f"({_short(depth, 1)} - {distance.bone_mm:g}) / {distance.bone_sd_mm:g} = {_short(z, 2)}"
        lines.append(f"bone at {distance.bone_mm:g} mm: {over} standard deviations, nearer in {of_100(phi(z))}")
    return tuple(lines)


def of_100(share: float) -> str:
    """A chance for a person: "under 1 of 100", "about 67 of 100", "over 99 of 100"."""
    if share < 0.01:
        return "under 1 of 100"
    return "over 99 of 100" if share > 0.99 else f"about {share * 100:.0f} of 100"
