"""One skin: where each point of each site lies, for this body, and what lies near it.

A point is stored as whole tenths of a millimetre outward and downward from its site's landmark, with the scale of the
body and the version of the grid. Sites on the same skin share a frame, so that a point in muscle and one in the fat
above it weigh on each other. A point stays where it was when the body grows: it grows along.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction
from functools import lru_cache

from drawup.injection.patient import Age, Patient, centimetres

STEP = 100
"""Tenths of a mm from one point to the next (10 mm: Frid A, Hirsch L, Strauss K, Optimal Insulin Delivery, 2018)."""
ADULT_CM = 170
WHOLE = Fraction(1)
_STEPS_OF_SCALE = 20
_LEAST_SCALE = Fraction(1, 4)
_ADULT_MONTHS = 18 * 12
_LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Grid:
    """The rectangle of one site, in tenths of a mm from its landmark in an adult; the landmark itself in its frame.

    `shared`: both sides lie in one frame, outward from the middle. `clear`: no point nearer to the landmark than this.
    Compared by identity, for quick look-ups.
    """

    site: str
    frame: str
    landmark: tuple[int, int]
    across: tuple[int, int]
    down: tuple[int, int]
    outward: str
    inward: str
    from_here: str
    shared: bool = False
    clear: int = 0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Grids:
    """Every site's grid, with the heights in cm that a child of unknown height is taken for, by age in months."""

    version: int
    grids: tuple[Grid, ...]
    heights: tuple[tuple[int, int], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Spot:
    """One point of a grid: `x` and `y` are tenths of a mm from its landmark, `frame_x` and `frame_y` from its frame's.

    `cell` is the number of its patch of skin, which points of other sites may share.
    """

    site: str
    side: str
    name: str
    x: int
    y: int
    frame: str
    frame_x: int
    frame_y: int
    cell: int


@dataclass(frozen=True, slots=True, kw_only=True)
class SkinPlace:
    """A place as it was written: by the name of a point, or by tenths of a mm from the landmark, with the body's scale.

    Neither is known where only site and side were written down.
    """

    site: str
    side: str
    point: str | None = None
    x: int | None = None
    y: int | None = None
    scale: Fraction | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PastInjection:
    """One earlier injection on this skin; volume in mL and gauge where they are known."""

    place: SkinPlace
    at: datetime
    volume_ml: Fraction | None = None
    gauge: int | None = None

    @property
    def site(self) -> str:
        """The site's name."""
        return self.place.site

    @property
    def side(self) -> str:
        """left or right."""
        return self.place.side


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SkinMap:
    """Every point of one body; look-ups by name and by patch of skin. Compared by identity."""

    scale: Fraction
    version: int
    spots: dict[tuple[str, str], tuple[Spot, ...]]
    named: dict[tuple[str, str, str], Spot]
    cells: tuple[tuple[str, int, int], ...]
    in_frame: dict[str, tuple[int, ...]]
    numbers: dict[tuple[str, int, int], int]
    grids: dict[str, Grid]

    def spot(self, site: str, side: str, name: str) -> Spot | None:
        """A point by its name; None where this body's grid has none of that name."""
        return self.named.get((site, side, name))

    def names_of(self, site: str, side: str) -> str:
        """The points that one side of a site has, in words: the first to the last."""
        spots = self.spots.get((site, side), ())
        return f"{spots[0].name} to {spots[-1].name}" if spots else "none in a body of this size"

    def frame_place(self, place: SkinPlace) -> tuple[str, int, int] | None:
        """The frame and the tenths of a mm there of a place as it was written; None where only a site was."""
        if place.x is not None and place.y is not None:
            grid = self.grids.get(place.site)
            if grid is None:
                return None
            grown = WHOLE if place.scale in (None, self.scale) else self.scale / place.scale
            return _in_frame(grid, place.side, _whole(place.x * grown), _whole(place.y * grown), self.scale)
        spot = self.named.get((place.site, place.side, place.point or ""))
        return None if spot is None else (spot.frame, spot.frame_x, spot.frame_y)

    def cell_of(self, place: SkinPlace) -> int | None:
        """The patch that a place falls on exactly; None between the points or where the place is not known."""
        found = self.frame_place(place)
        return None if found is None else self.numbers.get(found)


def _whole(tenths: Fraction) -> int:
    """To the nearest whole tenth of a mm, halves up."""
    return (2 * tenths.numerator + tenths.denominator) // (2 * tenths.denominator)


def _in_frame(grid: Grid, side: str, x: int, y: int, scale: Fraction) -> tuple[str, int, int]:
    across, down = _landmark(grid, scale)
    frame_x = across + x
    if grid.shared:
        return grid.frame, frame_x if side == "right" else -frame_x, down + y
    return f"{side} {grid.frame}", frame_x, down + y


@lru_cache(maxsize=1024)
def _landmark(grid: Grid, scale: Fraction) -> tuple[int, int]:
    """The landmark in its frame, on whole steps: so that the points of sites on one skin fall together."""
    across, down = (_whole(Fraction(part) * scale / STEP) * STEP for part in grid.landmark)
    return across, down


def body_scale(grids: Grids, patient: Patient, age: Age | None) -> Fraction:
    """How large this body's rectangles are beside an adult's: by height, or where it is not known by age.

    Twentieths of an adult's; from 18 years, and at unknown age, 1.
    """
    if age is None or age.months >= _ADULT_MONTHS:
        return WHOLE
    if patient.height is not None:
        height = centimetres(patient.height.quantity)
    else:
        height = Fraction(next((cm for below, cm in grids.heights if age.months < below), ADULT_CM))
    scale = Fraction(_whole(height / ADULT_CM * _STEPS_OF_SCALE), _STEPS_OF_SCALE)
    return min(WHOLE, max(_LEAST_SCALE, scale))


@lru_cache(maxsize=64)
def skin_map(grids: Grids, scale: Fraction) -> SkinMap:
    """Every point of a body of this scale."""
    spots: dict[tuple[str, str], tuple[Spot, ...]] = {}
    named: dict[tuple[str, str, str], Spot] = {}
    numbers: dict[tuple[str, int, int], int] = {}
    for grid in grids.grids:
        for side in ("right", "left"):
            found = tuple(_spots_of(grid, side, scale, numbers))
            spots[grid.site, side] = found
            named.update({(spot.site, spot.side, spot.name): spot for spot in found})
    in_frame: dict[str, list[int]] = {}
    for (frame, _, _), number in numbers.items():
        in_frame.setdefault(frame, []).append(number)
    return SkinMap(
        scale=scale,
        version=grids.version,
        spots=spots,
        named=named,
        cells=tuple(numbers),
        in_frame={frame: tuple(cells) for frame, cells in in_frame.items()},
        numbers=numbers,
        grids={grid.site: grid for grid in grids.grids},
    )


def _spots_of(grid: Grid, side: str, scale: Fraction, numbers: dict[tuple[str, int, int], int]) -> list[Spot]:
    found = []
    rows, columns = _steps(grid.down, scale), _steps(grid.across, scale)
    for row, y in enumerate(rows):
        for column, x in enumerate(columns, start=1):
            if x * x + y * y < grid.clear * grid.clear:
                continue
            frame, frame_x, frame_y = _in_frame(grid, side, x, y, scale)
            cell = numbers.setdefault((frame, frame_x, frame_y), len(numbers))
            found.append(
                Spot(
                    site=grid.site,
                    side=side,
                    name=f"{_LETTERS[row]}{column}",
                    x=x,
                    y=y,
                    frame=frame,
                    frame_x=frame_x,
                    frame_y=frame_y,
                    cell=cell,
                )
            )
    return found


def _steps(between: tuple[int, int], scale: Fraction) -> tuple[int, ...]:
    """The whole steps from the landmark that lie in the scaled stretch."""
    low, high = (part * scale for part in between)
    first, last = -((-low) // STEP), high // STEP
    return tuple(step * STEP for step in range(first, last + 1))


def squared(one: tuple[str, int, int], other: tuple[str, int, int]) -> int | None:
    """The distance of two places, squared, in tenths of a mm; None where they lie on different skin."""
    if one[0] != other[0]:
        return None
    across, down = one[1] - other[1], one[2] - other[2]
    return across * across + down * down


def point_words(skin: SkinMap, spot: Spot) -> str:
    """Where a point lies, for a person: "20 mm outward and 30 mm below the navel"."""
    grid = skin.grids[spot.site]
    parts = []
    if spot.x:
        parts.append(f"{abs(spot.x) // 10} mm {grid.outward if spot.x > 0 else grid.inward}")
    if spot.y:
        parts.append(f"{abs(spot.y) // 10} mm {'below' if spot.y > 0 else 'above'}")
    if not parts:
        return f"at {grid.from_here}"
    joined = " and ".join(parts)
    return f"{joined} {'' if spot.y else 'of '}{grid.from_here}"
