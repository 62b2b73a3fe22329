"""The next right point: how worn the skin is by earlier injections, what rests, what is shut, and what is least worn.

Each past injection weighs on the skin round it (a bell in the distance) and fades (half of it is left after so many
days). Burdens have no unit: 1 is one small injection given just now at this very spot. Distances are tenths of a mm.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import lru_cache
from itertools import pairwise

from drawup.injection.patient import SkinMark
from drawup.injection.policy import Policy
from drawup.injection.skin import STEP, PastInjection, SkinMap, SkinPlace, Spot, squared

WIDE_GAUGE = 21
LONG_GONE = 15
"""After so many half-lives an injection weighs less than one in 30,000 and is left out."""
REACH = 4
"""Beyond so many spreads an injection weighs less than one in 2,900 and is left out."""
UNKNOWN_LUMP_MM = 30
"""A lump of unknown size is taken for one of this width (common practice, no source)."""
SAME = 1e-9
_SIDES = ("right", "left")


@dataclass(frozen=True, slots=True, kw_only=True)
class Wear:
    """How skin wears and rests, by policy. Distances in tenths of a mm, times in days."""

    spread: float
    half_life: float
    per_ml: float
    wide_needle: float
    after_lump: float
    rest_days: int
    apart: int
    visit_apart: int
    lump_margin: int


@lru_cache(maxsize=64)
def wear_of(policy: Policy) -> Wear:
    """The policy's choices as numbers to reckon with."""
    return Wear(
        spread=float(policy.wear_spread * 10),
        half_life=float(policy.wear_half_life_days),
        per_ml=float(policy.wear_per_ml),
        wide_needle=float(policy.wear_wide_needle),
        after_lump=float(policy.wear_after_lump),
        rest_days=policy.point_rest_days,
        apart=math.ceil(policy.point_apart * 10),
        visit_apart=math.ceil(policy.visit_apart * 10),
        lump_margin=math.ceil(policy.lump_margin * 10),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Picked:
    """The point chosen, how worn it is, and why; `rested` False: every point is inside its rest."""

    spot: Spot
    burden: float
    rested: bool
    because: str


@dataclass(slots=True, kw_only=True)
class SkinState:
    """One skin at one moment: what weighs on each patch, when it was last used, and which patches are shut.

    `shut` maps a patch to the lump that keeps it out; `shut_sites` are whole sides of a site with a lump of which
    nobody wrote where. `last` are the places of the newest injection, where they are known. `fallen` is what fell on
    the patches of each frame; the bells round it are drawn into `drawn` only where somebody looks.
    """

    skin: SkinMap
    wear: Wear
    now: datetime
    drawn: list[float]
    fallen: dict[str, dict[int, float]]
    used: dict[int, datetime]
    shut: dict[int, SkinMark]
    shut_sites: dict[tuple[str, str], SkinMark]
    last: tuple[tuple[str, int, int], ...]
    last_side: str | None
    unplaced: int
    unknown_points: set[str]

    @property
    def burden(self) -> list[float]:
        """How worn each patch is, over the whole skin."""
        for frame in tuple(self.fallen):
            self.draw(frame)
        return self.drawn

    def draw(self, frame: str) -> list[float]:
        """How worn each patch is, this frame for sure."""
        fallen = self.fallen.pop(frame, None)
        if fallen:
            near, drawn = _near(self.skin, self.wear.spread), self.drawn
            for cell, weight in fallen.items():
                for other, share in near[cell]:
                    drawn[other] += weight * share
        return self.drawn

    def rested(self, cell: int) -> bool:
        """Whether nothing was given here within the rest."""
        used = self.used.get(cell)
        return used is None or used <= self.now - timedelta(days=self.wear.rest_days)

    def mark_at(self, spot: Spot) -> SkinMark | None:
        """The lump or the like that keeps this point out; None where it is open."""
        return self.shut.get(spot.cell) or self.shut_sites.get((spot.site, spot.side))

    def apart_from_last(self, spot: Spot) -> int | None:
        """Squared distance from the injection before; None on other skin, or where there is none."""
        here = (spot.frame, spot.frame_x, spot.frame_y)
        apart: int | None = None
        for place in self.last:
            distance = squared(here, place)
            if distance is not None and (apart is None or distance < apart):
                apart = distance
        return apart


def skin_state(
    skin: SkinMap, wear: Wear, past: Sequence[PastInjection], marks: Sequence[SkinMark], now: datetime
) -> SkinState:
    """The skin as earlier injections and what was seen on it leave it at this moment."""
    state = SkinState(
        skin=skin,
        wear=wear,
        now=now,
        drawn=[0.0] * len(skin.cells),
        fallen={},
        used={},
        shut={},
        shut_sites={},
        last=(),
        last_side=None,
        unplaced=0,
        unknown_points=set(),
    )
    _weigh(state, past)
    for mark in marks:
        _weigh_mark(state, mark)
    return state


def _weigh(state: SkinState, past: Sequence[PastInjection]) -> None:
    """Gather what fell on each patch first: the bell round it is then drawn once a patch, not once an injection."""
    skin, now, wear = state.skin, state.now, state.wear
    # A point may have to rest for longer than its wear is felt.
    oldest = now - timedelta(days=max(LONG_GONE * wear.half_life, wear.rest_days))
    named, used, fade = skin.named, state.used, math.log(2) / (wear.half_life * 86_400)
    cells, by_frame = skin.cells, state.fallen
    last: PastInjection | None = None
    for one in past:
        at = one.at
        if last is None or at > last.at:
            last = one
        if at <= oldest:
            continue
        weight = math.exp(-fade * (now - at).total_seconds()) * _weight(one, wear)
        place = one.place
        if place.x is None:
            spot = named.get((place.site, place.side, place.point or ""))
            cell = None if spot is None else spot.cell
        else:
            cell = skin.cell_of(place)
        if cell is not None:
            fallen = by_frame.setdefault(cells[cell][0], {})
            fallen[cell] = fallen.get(cell, 0.0) + weight
            before = used.get(cell)
            if before is None or at > before:
                used[cell] = at
        else:
            _weigh_off_grid(state, one, weight)
    if last is not None:
        # A divided dose is one injection at several places.
        placed = (skin.frame_place(one.place) for one in past if one.at == last.at)
        state.last = tuple(place for place in placed if place is not None)
        state.last_side = last.side


def _weight(one: PastInjection, wear: Wear) -> float:
    if one.volume_ml is None and one.gauge is None:
        return 1.0
    weight = 1.0 if one.volume_ml is None else 1 + wear.per_ml * float(one.volume_ml)
    return weight * (1 + wear.wide_needle) if one.gauge is not None and one.gauge <= WIDE_GAUGE else weight


def _weigh_off_grid(state: SkinState, one: PastInjection, weight: float) -> None:
    """An injection between the points of today's grid: given when the body was smaller, or written in mm."""
    place = state.skin.frame_place(one.place)
    if place is None:
        state.unplaced += 1
        if one.place.point is not None:
            state.unknown_points.add(f"{one.place.point[:20]} at the {one.side} {one.site}")
        return
    for cell, distance in _cells_near(state.skin, place, REACH * state.wear.spread):
        state.drawn[cell] += weight * _bell(distance, state.wear.spread)
        if distance < STEP * STEP:
            before = state.used.get(cell)
            if before is None or one.at > before:
                state.used[cell] = one.at


def _weigh_mark(state: SkinState, mark: SkinMark) -> None:
    """A lump keeps its patches out until it is written as gone; then what is left of it fades."""
    place = state.skin.frame_place(mark_place(mark))
    if mark.gone is not None:
        if place is not None:
            days = max((state.now.date() - mark.gone).days, 0)
            weight = state.wear.after_lump * 0.5 ** (days / state.wear.half_life)
            radius = _radius(mark)
            for cell, distance in _cells_near(state.skin, place, REACH * state.wear.spread + radius):
                beyond = max(math.sqrt(distance) - radius, 0.0)
                state.drawn[cell] += weight * _bell(beyond * beyond, state.wear.spread)
        return
    if place is None:
        # Whose skin it shares is shut with it.
        own = {spot.cell for spot in state.skin.spots.get((mark.site, mark.side), ())}
        for (site, side), spots in state.skin.spots.items():
            if (site, side) == (mark.site, mark.side) or any(spot.cell in own for spot in spots):
                state.shut_sites[site, side] = mark
        return
    keep_off = _radius(mark) + state.wear.lump_margin
    for cell, distance in _cells_near(state.skin, place, keep_off):
        if distance < keep_off * keep_off:
            state.shut[cell] = mark


def on_mark(state: SkinState, mark: SkinMark, one: PastInjection) -> bool:
    """Whether an earlier injection went into what this lump keeps out; without a point, its whole side counts."""
    if (one.site, one.side) == (mark.site, mark.side) and one.place.point is None and one.place.x is None:
        return True
    here, there = state.skin.frame_place(one.place), state.skin.frame_place(mark_place(mark))
    if there is None:
        return (one.site, one.side) == (mark.site, mark.side)
    distance = None if here is None else squared(here, there)
    return distance is not None and distance < (_radius(mark) + state.wear.lump_margin) ** 2


def mark_place(mark: SkinMark) -> SkinPlace:
    """Where a lump or the like was seen, as a place on the skin."""
    return SkinPlace(site=mark.site, side=mark.side, point=mark.point or None, x=mark.x, y=mark.y, scale=mark.scale)


def _radius(mark: SkinMark) -> float:
    """Half the width of a lump in tenths of a mm; a bruise or the like weighs by its own size too."""
    return float((mark.size_mm if mark.size_mm is not None else UNKNOWN_LUMP_MM) * 5)


def _bell(distance: float, spread: float) -> float:
    """How much of an injection's weight is felt at this squared distance."""
    return math.exp(-distance / (2 * spread * spread))


def _cells_near(skin: SkinMap, place: tuple[str, int, int], most: float) -> list[tuple[int, int]]:
    """The patches within this distance of a place, with their squared distance."""
    frame, across, down = place
    found = []
    for cell in skin.in_frame.get(frame, ()):
        _, x, y = skin.cells[cell]
        distance = (x - across) * (x - across) + (y - down) * (y - down)
        if distance <= most * most:
            found.append((cell, distance))
    return found


@lru_cache(maxsize=64)
def _near(skin: SkinMap, spread: float) -> tuple[tuple[tuple[int, float], ...], ...]:
    """For each patch its neighbours with the share of a weight that they feel."""
    return tuple(
        tuple((other, _bell(distance, spread)) for other, distance in _cells_near(skin, place, REACH * spread))
        for place in skin.cells
    )


# The next point.


@dataclass(frozen=True, slots=True, kw_only=True)
class Zone:
    """The part of a site that is used this week, where a medicine asks for steady uptake."""

    site: str
    side: str
    upper: bool

    def holds(self, spot: Spot) -> bool:
        """Whether a point lies in it."""
        return (spot.site, spot.side) == (self.site, self.side) and (spot.y < 0) == self.upper


def pick(
    state: SkinState,
    sites: Sequence[str],
    sides: Sequence[str],
    *,
    blocked: frozenset[tuple[str, str]] = frozenset(),
    taken: Sequence[tuple[str, int, int]] = (),
    zones: Sequence[Zone] = (),
) -> Picked | None:
    """The next point on these sites: open, rested, away from the last one, on the side whose turn it is, least worn.

    `sides`: the one whose turn it is first. `taken`: places of the same visit, kept apart in one limb. Equal burdens
    are decided by the order of the sites, then side, row and column. Where a site is ruled out on one side alone, the
    least worn of both sides is taken, and the turn decides only between equals. `zones` come first; where nothing
    rested is left in them, rest outweighs the region. None where no point is open at all.
    """
    for zone in zones:
        found = _least_worn(state, (zone.site,), zone.side, blocked, taken, zone)
        if found is not None:
            return found
    in_turn = _alike(state, sites, sides, blocked)
    best: Picked | None = None
    for side in sides:
        found = _least_worn(state, sites, side, blocked, taken, None)
        if found is not None and in_turn:
            return found
        if found is not None and (best is None or found.burden < best.burden - SAME):
            best = found
    return best or _inside_rest(state, sites, sides, blocked, taken)


def _alike(state: SkinState, sites: Sequence[str], sides: Sequence[str], blocked: frozenset[tuple[str, str]]) -> bool:
    """Whether every side has the same sites open: strict turns would wear out a side that has fewer."""
    closed = [{site for site in sites if (site, side) in blocked or (site, side) in state.shut_sites} for side in sides]
    return all(one == closed[0] for one in closed)


def _least_worn(
    state: SkinState,
    sites: Sequence[str],
    side: str,
    blocked: frozenset[tuple[str, str]],
    taken: Sequence[tuple[str, int, int]],
    zone: Zone | None,
) -> Picked | None:
    best: Spot | None = None
    least = math.inf
    burden, wear = state.drawn, state.wear
    before = state.now - timedelta(days=wear.rest_days)
    apart = wear.apart * wear.apart
    used, shut = state.used, state.shut
    for site in sites:
        if (site, side) in blocked or (site, side) in state.shut_sites:
            continue
        spots = state.skin.spots.get((site, side), ())
        if spots:
            state.draw(spots[0].frame)
        for spot in spots:
            cell = spot.cell
            worn = burden[cell]
            if worn >= least - SAME or cell in shut:
                continue
            last_used = used.get(cell)
            if (last_used is not None and last_used > before) or (zone is not None and not zone.holds(spot)):
                continue
            distance = state.apart_from_last(spot)
            if (distance is not None and distance < apart) or (taken and not _clear_of(spot, taken, wear)):
                continue
            best, least = spot, worn
            if worn == 0:
                return Picked(spot=spot, burden=0.0, rested=True, because=_why(state, spot, 0.0))
    return None if best is None else Picked(spot=best, burden=least, rested=True, because=_why(state, best, least))


def _inside_rest(
    state: SkinState,
    sites: Sequence[str],
    sides: Sequence[str],
    blocked: frozenset[tuple[str, str]],
    taken: Sequence[tuple[str, int, int]],
) -> Picked | None:
    """Every open point is inside its rest: the least worn of those far enough from the last one, or of all."""
    apart = state.wear.apart * state.wear.apart
    for keeps_apart in (True, False):
        best: Spot | None = None
        for side in sides:
            for site in sites:
                if (site, side) in blocked or (site, side) in state.shut_sites:
                    continue
                for spot in state.skin.spots.get((site, side), ()):
                    if spot.cell in state.shut or (taken and not _clear_of(spot, taken, state.wear)):
                        continue
                    distance = state.apart_from_last(spot)
                    if keeps_apart and distance is not None and distance < apart:
                        continue
                    if best is None or state.burden[spot.cell] < state.burden[best.cell] - SAME:
                        best = spot
        if best is not None:
            worn, used = state.burden[best.cell], state.used.get(best.cell)
            if state.rested(best.cell):
                because = f"every rested point is too near the last one; the least worn ({worn:.2f})"
                return Picked(spot=best, burden=worn, rested=True, because=because)
            day = f"; used on {used.date().isoformat()}" if used is not None else ""
            because = f"every point is inside its rest{day}; the least worn ({worn:.2f})"
            return Picked(spot=best, burden=worn, rested=False, because=because)
    return None


def _clear_of(spot: Spot, taken: Sequence[tuple[str, int, int]], wear: Wear) -> bool:
    """Whether a point keeps apart from the other injections of one visit."""
    here = (spot.frame, spot.frame_x, spot.frame_y)
    least = wear.visit_apart * wear.visit_apart
    return all((distance := squared(here, other)) is None or distance >= least for other in taken)


def _why(state: SkinState, spot: Spot, worn: float) -> str:
    used = state.used.get(spot.cell)
    rest = "not used lately" if used is None else f"rested since {used.date().isoformat()}"
    if not state.last:
        return f"{rest}, the first in order" if worn == 0 else f"{rest}, the least worn ({worn:.2f})"
    distance = state.apart_from_last(spot)
    away = "other skin than the last one" if distance is None else f"{math.isqrt(distance) // 10} mm from the last one"
    return f"{rest}, {away}, the least worn ({worn:.2f})"


def zones_of_the_week(site: str, on: date, sides: Sequence[str]) -> tuple[Zone, ...]:
    """This week's zone of a site first, then those of the weeks to come: once round in one direction, four weeks long.

    Upper right, upper left, lower left, lower right, as a clock runs for whoever looks down at the belly; a week begins
    on Monday (common practice, no source, but for the zone a week: Frid AH et al., Mayo Clin Proc 2016, from memory).
    """
    round_trip = tuple(
        Zone(site=site, side=side, upper=upper)
        for side, upper in (("right", True), ("left", True), ("left", False), ("right", False))
        if side in sides
    )
    week = (on.toordinal() - 1) // 7
    start = week % len(round_trip) if round_trip else 0
    return (*round_trip[start:], *round_trip[:start])


def side_in_turn(state: SkinState) -> tuple[str, str]:
    """The side to use first: the other one than the last."""
    return ("left", "right") if state.last_side == "right" else ("right", "left")


# Many to come.


def next_points(
    skin: SkinMap,
    wear: Wear,
    *,
    past: Sequence[PastInjection],
    marks: Sequence[SkinMark],
    sites: Sequence[str],
    blocked: frozenset[tuple[str, str]],
    moments: Sequence[datetime],
    per_day: int,
    steady: bool = False,
) -> tuple[tuple[datetime, Picked | None], ...]:
    """The points of injections at these moments, each as if those before it had been given."""
    given = list(past)
    found: list[tuple[datetime, Picked | None]] = []
    for at in moments:
        state = skin_state(skin, wear, given, marks, at)
        open_sides = side_in_turn(state)
        zones: tuple[Zone, ...] = ()
        if steady and sites:
            site = steady_site(given, sites, at, per_day)
            zones = zones_of_the_week(site, at.date(), [side for side in _SIDES if (site, side) not in blocked])
        picked = pick(state, sites, open_sides, blocked=blocked, zones=zones)
        found.append((at, picked))
        if picked is not None:
            spot = picked.spot
            place = SkinPlace(site=spot.site, side=spot.side, point=spot.name)
            given.append(PastInjection(place=place, at=at))
    return tuple(found)


def steady_site(past: Sequence[PastInjection], sites: Sequence[str], at: datetime, per_day: int) -> str:
    """The region for this time of day: the one used last at about this time.

    Where none was, the first in order that no other time of the day has had within two days, or else the first of all.
    """
    window, day = 43_200 / max(per_day, 1), 86_400
    same: PastInjection | None = None
    others = set()
    for one in past:
        if one.site not in sites:
            continue
        ago = (at - one.at).total_seconds()
        off = ago % day
        if min(off, day - off) <= window:
            same = one if same is None or one.at > same.at else same
        elif ago <= 2 * day:
            others.add(one.site)
    if same is not None:
        return same.site
    return next((site for site in sites if site not in others), sites[0])


def open_spots(state: SkinState, sites: Sequence[str], blocked: frozenset[tuple[str, str]]) -> int:
    """How many patches of skin are open on these sites: not ruled out, not on a lump."""
    return len(
        {
            spot.cell
            for site in sites
            for side in _SIDES
            if (site, side) not in blocked and (site, side) not in state.shut_sites
            for spot in state.skin.spots.get((site, side), ())
            if spot.cell not in state.shut
        }
    )


# Looking back.


@dataclass(frozen=True, slots=True, kw_only=True)
class LookBack:
    """How a skin was used: shares of all placed injections, distances in mm, and what was passed over."""

    injections: int
    unplaced: int
    overused: float
    too_near: float
    median_mm: float | None
    neglected: tuple[tuple[str, str], ...]
    by_place: tuple[tuple[str, str, int], ...]
    lumps: tuple[SkinMark, ...]


def look_back(
    skin: SkinMap,
    wear: Wear,
    past: Sequence[PastInjection],
    marks: Sequence[SkinMark],
    sites: Sequence[str],
    blocked: frozenset[tuple[str, str]],
) -> LookBack:
    """What became of rest, distance and turn in the injections so far."""
    ordered = sorted(past, key=lambda one: one.at)
    places = [(one, place) for one in ordered if (place := skin.frame_place(one.place)) is not None]
    again = 0
    seen: dict[tuple[str, int, int], datetime] = {}
    rest = timedelta(days=wear.rest_days)
    for one, place in places:
        key = (place[0], _nearest_step(place[1]), _nearest_step(place[2]))
        before = seen.get(key)
        again += before is not None and one.at - before < rest
        seen[key] = one.at
    gaps = sorted(
        math.sqrt(distance) / 10
        for (_, first), (_, second) in pairwise(places)
        if (distance := squared(first, second)) is not None
    )
    counts: dict[tuple[str, str], int] = {}
    for one in ordered:
        counts[one.site, one.side] = counts.get((one.site, one.side), 0) + 1
    possible = [(site, side) for site in sites for side in _SIDES if (site, side) not in blocked]
    return LookBack(
        injections=len(ordered),
        unplaced=len(ordered) - len(places),
        overused=again / len(places) if places else 0.0,
        too_near=sum(gap * 10 < wear.apart for gap in gaps) / len(places) if places else 0.0,
        median_mm=(gaps[len(gaps) // 2] + gaps[(len(gaps) - 1) // 2]) / 2 if gaps else None,
        neglected=tuple(place for place in possible if place not in counts),
        by_place=tuple((site, side, number) for (site, side), number in sorted(counts.items())),
        lumps=tuple(marks),
    )


def _nearest_step(tenths: int) -> int:
    """The step that a place lies nearest to; halves away from the middle, so that both sides are counted alike."""
    steps = (abs(tenths) + STEP // 2) // STEP
    return steps if tenths >= 0 else -steps
