"""The point of each injection: the clinician's own or the least worn, and what speaks against it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction

from drawup.injection.finding import Finding, finding
from drawup.injection.history import COUNTED, PastDose
from drawup.injection.medicine import Medicine
from drawup.injection.patient import SIDES
from drawup.injection.policy import Policy
from drawup.injection.request import Request, Tables
from drawup.injection.rotation import Picked, SkinState, Zone, pick, skin_state, steady_site, wear_of, zones_of_the_week
from drawup.injection.skin import PastInjection, Spot, body_scale, point_words, skin_map, squared

MOST_ON_ONE_SIDE = 2
"""Injections of one visit on one side of a site (two per thigh: Melbourne Vaccine Education Centre)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """One injection: where, how much in mL, and why there; how worn its point is, and its place in words."""

    site: str
    side: str
    point: str | None
    volume_ml: Fraction
    because: str
    spot: Spot | None = None
    where: str = ""
    burden: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Pointing:
    """What a point is chosen by: the skin, the places of the same visit in their frames, the clinician's own word.

    `beside` are the sites and sides of that visit, whether their point is known or not.
    """

    skin: SkinState
    visit: tuple[tuple[str, int, int], ...] = ()
    beside: tuple[tuple[str, str], ...] = ()
    chosen: str | None = None


def frame_of(spot: Spot) -> tuple[str, int, int]:
    """A point's place in its frame, in tenths of a mm."""
    return spot.frame, spot.frame_x, spot.frame_y


def picked_place(ask: Pointing, found: Picked, volume: Fraction, because: str) -> Place:
    """A place at the point that was picked."""
    spot = found.spot
    return Place(
        site=spot.site,
        side=spot.side,
        point=spot.name,
        volume_ml=volume,
        because=f"{because}; point {spot.name}: {found.because}",
        spot=spot,
        where=point_words(ask.skin.skin, spot),
        burden=found.burden,
    )


def pointed(
    ask: Pointing, site: str, sides: tuple[str, ...], volume: Fraction, because: str, given: Sequence[Place] = ()
) -> Place:
    """A place with its point: the clinician's own, or the least worn of the first side that has one open.

    `given` are the places of the same dose so far; where nothing is far enough from them, the nearest rule is dropped
    and `about_points` says so.
    """
    if ask.chosen is not None and not given:
        return _own_point(ask, site, sides[0], volume, because)
    taken = (*ask.visit, *(frame_of(place.spot) for place in given if place.spot is not None))
    found = pick(ask.skin, (site,), sides, taken=taken) or pick(ask.skin, (site,), sides)
    if found is None:
        return Place(site=site, side=sides[0], point=None, volume_ml=volume, because=because)
    return picked_place(ask, found, volume, because)


def _own_point(ask: Pointing, site: str, side: str, volume: Fraction, because: str) -> Place:
    spot = ask.skin.skin.spot(site, side, ask.chosen or "")
    return Place(
        site=site,
        side=side,
        point=ask.chosen,
        volume_ml=volume,
        because=f"{because}; point chosen by the clinician",
        spot=spot,
        where="" if spot is None else point_words(ask.skin.skin, spot),
        burden=None if spot is None else ask.skin.burden[spot.cell],
    )


# What must be said of the points.


def about_points(ask: Pointing, places: tuple[Place, ...]) -> list[Finding]:
    """What speaks against each point, and against two that lie too near each other."""
    found: list[Finding] = []
    others = list(ask.visit)
    least = ask.skin.wear.visit_apart**2
    for place in places:
        words = f"{place.side} {place.site}"
        chosen = ask.chosen is not None and place.point == ask.chosen
        spot = place.spot
        if spot is None:
            found += [_no_such_point(ask, place)] if chosen else _nothing_open(ask, place)
            continue
        found += _about_one(ask.skin, spot, words, chosen=chosen)
        here = sum(one == (place.site, place.side) for one in ask.beside)
        if here >= MOST_ON_ONE_SIDE:
            found.append(finding("visit-crowded", site=words, count=str(here), most=str(MOST_ON_ONE_SIDE)))
        if any((away := squared(frame_of(spot), other)) is not None and away < least for other in others):
            apart = f"{ask.skin.wear.visit_apart // 10} mm"
            why = "" if chosen else ", and no place further away is open"
            found.append(finding("visit-too-near", site=f"{words}, point {spot.name}", apart=apart, why=why))
        others.append(frame_of(spot))
    return found


def _nothing_open(ask: Pointing, place: Place) -> list[Finding]:
    """A side of a site that is shut as a whole, chosen or ordered all the same."""
    state = ask.skin
    spots = state.skin.spots.get((place.site, place.side), ())
    marks = [mark for spot in spots if (mark := state.mark_at(spot)) is not None]
    if not marks or len(marks) < len(spots):
        return []
    return [finding("point-shut", point="every point", site=f"{place.side} {place.site}", kind=marks[0].kind)]


def _no_such_point(ask: Pointing, place: Place) -> Finding:
    known = ask.skin.skin.names_of(place.site, place.side)
    return finding("point-unknown", point=str(place.point)[:20], site=f"{place.side} {place.site}", known=known)


def _about_one(state: SkinState, spot: Spot, words: str, *, chosen: bool) -> list[Finding]:
    """A shut point is never given into; one inside its rest is asked about where chosen, and said where not."""
    mark = state.mark_at(spot)
    if mark is not None:
        seen = f" of {mark.seen.isoformat()}" if mark.seen is not None else ""
        return [finding("point-shut", point=spot.name, site=words, kind=f"{mark.kind}{seen}")]
    used = state.used.get(spot.cell)
    if used is not None and not state.rested(spot.cell):
        code = "point-not-rested" if chosen else "points-inside-rest"
        day, days = used.date().isoformat(), str(state.wear.rest_days)
        return [finding(code, point=spot.name, site=words, day=day, days=days)]
    away = state.apart_from_last(spot)
    if away is not None and away < state.wear.apart**2:
        return [finding("point-too-near", point=spot.name, site=words, apart=f"{state.wear.apart // 10} mm")]
    return []


# What was used before.


def recent_of(history: tuple[PastDose, ...] | None) -> tuple[PastInjection, ...]:
    """Where injections went, newest first, of whatever medicine: it is one skin."""
    if not history:
        return ()
    used = [place for past in history if past.kind in COUNTED for place in past.places]
    used.sort(key=lambda past: past.at, reverse=True)
    return tuple(used)


def steady_zones(
    medicine: Medicine, history: tuple[PastDose, ...] | None, order: tuple[str, ...], now: datetime, per_day: int
) -> tuple[Zone, ...]:
    """This week's part of the region for this time of day, where the medicine asks for steady uptake; else none."""
    sites = medicine.sites or order
    if not medicine.steady_uptake or not sites:
        return ()
    own = [
        place
        for past in history or ()
        if past.kind in COUNTED and medicine.counts_with(past.medicine)
        for place in past.places
    ]
    site = steady_site(own or recent_of(history), sites, now, per_day)
    return zones_of_the_week(site, now.date(), SIDES)


def skin_of(request: Request, policy: Policy, tables: Tables) -> SkinState:
    """This patient's skin now, as earlier injections and what was seen on it leave it."""
    patient = request.patient
    scale = body_scale(tables.grids, patient, patient.age(request.now.date()))
    return skin_state(
        skin_map(tables.grids, scale), wear_of(policy), recent_of(request.history), patient.marks, request.now
    )
