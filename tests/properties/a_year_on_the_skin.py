"""A year of injections on one skin: by the shipped choice of points, and by three habits to compare it with.

Four a day, one in twenty missed, a lump of 20 mm each month that is gone after 60 days; all by seed. How worn the skin
is, is reckoned here a second time, from the places of the points alone: a bell in the distance, halved with time.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from fractions import Fraction

from drawup.evidence.tables import load_grids
from drawup.injection.patient import SkinMark
from drawup.injection.rotation import Picked, Wear, pick, side_in_turn, skin_state
from drawup.injection.skin import Grid, Grids, PastInjection, SkinMap, SkinPlace, Spot, skin_map

START = datetime(2026, 1, 1, tzinfo=UTC)
HOURS = (8, 12, 18, 22)
DAYS = 365
COUNTED_FROM = START + timedelta(days=90)
LUMP_STAYS = timedelta(days=60)
LUMP_MM = 20
SIDES = ("right", "left")

Habit = Callable[["Year", random.Random], Iterator[Spot]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Body:
    """A skin, the sites that are used, and the sides of them that are ruled out."""

    skin: SkinMap
    sites: tuple[str, ...]
    ruled_out: frozenset[tuple[str, str]]

    @property
    def spots(self) -> list[Spot]:
        """Every point that is not ruled out, site after site and side after side."""
        return [
            spot
            for site in self.sites
            for side in SIDES
            if (site, side) not in self.ruled_out
            for spot in self.skin.spots[site, side]
        ]


@dataclass(frozen=True, slots=True, kw_only=True)
class Lump:
    """Where a lump came, and when."""

    spot: Spot
    came: datetime

    def there(self, now: datetime) -> bool:
        """Whether it is felt at this moment."""
        return self.came <= now < self.came + LUMP_STAYS

    def shuts(self, spot: Spot) -> bool:
        """Whether a point lies nearer than 10 mm to its edge."""
        return spot.frame == self.spot.frame and millimetres(spot, self.spot) < LUMP_MM / 2 + 10

    def mark(self, now: datetime) -> SkinMark:
        """As it is written down."""
        gone = self.came + LUMP_STAYS
        return SkinMark(
            kind="lump",
            site=self.spot.site,
            side=self.spot.side,
            point=self.spot.name,
            size_mm=Fraction(LUMP_MM),
            seen=self.came.date(),
            gone=gone.date() if gone <= now else None,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Year:
    """What happens to a body in a year: the times of its injections, and its lumps."""

    body: Body
    times: tuple[datetime, ...]
    lumps: tuple[Lump, ...]

    def shut(self, spot: Spot, now: datetime) -> bool:
        """Whether a point lies on a lump or too near to one."""
        return any(lump.there(now) and lump.shuts(spot) for lump in self.lumps)


def millimetres(one: Spot, other: Spot) -> float:
    """How far two points of one skin lie apart."""
    return math.hypot(one.frame_x - other.frame_x, one.frame_y - other.frame_y) / 10


def adult(*sites: str, without: tuple[str, ...]) -> Body:
    """An adult's body with these sites, without some sides of them ("left abdominal fat")."""
    ruled_out = frozenset((site, side) for site in sites for side in SIDES if f"{side} {site}" in without)
    return Body(skin=skin_map(load_grids(), Fraction(1)), sites=sites, ruled_out=ruled_out)


def even_body() -> Body:
    """Four invented sites of 6 by 4 points on either side, one side of one ruled out: 7 x 24 = 168 points."""
    sites = ("first", "second", "third", "fourth")
    grids = tuple(
        Grid(
            site=site,
            frame=site,
            landmark=(0, 0),
            across=(0, 500),
            down=(0, 300),
            outward="outward",
            inward="inward",
            from_here="the landmark",
        )
        for site in sites
    )
    skin = skin_map(Grids(version=1, grids=grids, heights=()), Fraction(1))
    return Body(skin=skin, sites=sites, ruled_out=frozenset({("third", "left")}))


def year_of(body: Body, seed: int) -> Year:
    """One year, decided by the seed alone: one dose in twenty is missed, a lump comes somewhere each thirty days."""
    chance = random.Random(seed)
    asked = (START + timedelta(days=day, hours=hour) for day in range(DAYS) for hour in HOURS)
    times = tuple(at for at in asked if chance.random() >= 0.05)
    spots = body.spots
    lumps = tuple(Lump(spot=chance.choice(spots), came=START + timedelta(days=day)) for day in range(15, DAYS, 30))
    return Year(body=body, times=times, lumps=lumps)


def by_choice(year: Year, wear: Wear) -> list[Picked]:
    """The points as they are really chosen."""
    body = year.body
    past: list[PastInjection] = []
    found: list[Picked] = []
    for now in year.times:
        marks = [lump.mark(now) for lump in year.lumps if lump.came <= now]
        state = skin_state(body.skin, wear, past, marks, now)
        picked = pick(state, body.sites, side_in_turn(state), blocked=body.ruled_out)
        assert picked is not None
        found.append(picked)
        spot = picked.spot
        past.append(PastInjection(place=SkinPlace(site=spot.site, side=spot.side, point=spot.name), at=now))
    return found


# Three habits. Each takes every point that is open, and passes over those on a lump.


def at_random(year: Year, chance: random.Random) -> Iterator[Spot]:
    """Any open point."""
    spots = year.body.spots
    for now in year.times:
        yield chance.choice([spot for spot in spots if not year.shut(spot, now)])


def point_after_point(year: Year, chance: random.Random) -> Iterator[Spot]:
    """One point after the other, side after side and site after site."""
    spots, number = year.body.spots, 0
    for now in year.times:
        while year.shut(spots[number % len(spots)], now):
            number += 1
        yield spots[number % len(spots)]
        number += 1


def site_after_site(year: Year, chance: random.Random) -> Iterator[Spot]:
    """One point at each side of each site in turn: down the right side of the body, up the left."""
    body = year.body
    round_trip = [(site, "right") for site in body.sites] + [(site, "left") for site in reversed(body.sites)]
    rows = [body.skin.spots[part] for part in round_trip if part not in body.ruled_out]
    turns = [0] * len(rows)
    for number, now in enumerate(year.times):
        row = number % len(rows)
        spots = rows[row]
        while year.shut(spots[turns[row] % len(spots)], now):
            turns[row] += 1
        yield spots[turns[row] % len(spots)]
        turns[row] += 1


HABITS: dict[str, Habit] = {
    "at random": at_random,
    "point after point": point_after_point,
    "site after site": site_after_site,
}


# How worn the skin is.


def worst_burden(year: Year, spots: list[Spot], *, spread_mm: float, half_life_days: float) -> float:
    """The highest burden that any patch of this skin had after an injection, from the 90th day on."""
    cells = year.body.skin.cells
    weights: dict[int, list[tuple[int, float]]] = {}
    # Reckoned as if nothing faded and each later injection weighed more, then divided by what the last one weighs.
    burdens = [0.0] * len(cells)
    worst = 0.0
    for now, spot in zip(year.times, spots, strict=True):
        if spot.cell not in weights:
            weights[spot.cell] = [
                (cell, math.exp(-((x - spot.frame_x) ** 2 + (y - spot.frame_y) ** 2) / (2 * (10 * spread_mm) ** 2)))
                for cell, (frame, x, y) in enumerate(cells)
                if frame == spot.frame
            ]
        grown = 2 ** ((now - START) / timedelta(days=half_life_days))
        for cell, weight in weights[spot.cell]:
            burdens[cell] += weight * grown
        if now >= COUNTED_FROM:
            # Only where something was added can there be a new worst.
            worst = max(worst, max(burdens[cell] for cell, _ in weights[spot.cell]) / grown)
    return worst


def habit_burden(year: Year, habit: str, seed: int, *, spread_mm: float, half_life_days: float) -> float:
    """The worst burden of one habit."""
    spots = list(HABITS[habit](year, random.Random(seed)))
    return worst_burden(year, spots, spread_mm=spread_mm, half_life_days=half_life_days)
