"""The public rotate request and its answer: the next points of one skin, and how it was used so far."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import datetime, time, timedelta
from fractions import Fraction
from typing import Any

from drawup.evidence.tables import load_grids, load_sites
from drawup.exchange.answer import finding_json
from drawup.exchange.asked import read_asked
from drawup.exchange.medicine_entry import DOSES
from drawup.exchange.reader import FieldError, Fields, shown
from drawup.exchange.request import PAST_KINDS
from drawup.exchange.skin_entry import check_history, place_json, read_places
from drawup.injection.anatomy import by_name, region_words, sites_on, why_not
from drawup.injection.finding import Finding, finding, worst_first
from drawup.injection.history import COUNTED, PastDose
from drawup.injection.patient import Age, Patient, SkinMark
from drawup.injection.policy import Policy
from drawup.injection.precautions import check_history_places, too_few_points
from drawup.injection.rotation import (
    LookBack,
    Picked,
    SkinState,
    look_back,
    next_points,
    open_spots,
    skin_state,
    wear_of,
)
from drawup.injection.site import blocked_sides, site_order
from drawup.injection.skin import WHOLE, PastInjection, Spot, body_scale, point_words, skin_map

_ROTATE_KEYS = frozenset(
    [
        "format",
        "now",
        "patient",
        "route",
        "sites",
        "history",
        "next",
        "per_day",
        "times",
        "steady_uptake",
        "map",
        "policy",
    ]
)
MOST_NEXT = 2_000


def answer_rotate(document: Any, *, policy: Policy | None = None, recorded: bool = False) -> dict[str, Any]:
    """The answer to one rotate request. Raises FieldError.

    `recorded`: the history is a record's. A place in it that no skin has truly was written down, so that it is told as
    a finding, and a height measured again may have made the body smaller; in a request both are slips of the pen.
    """
    asked = read_asked(document, policy=policy, expected="route, patient and history")
    fields, chosen, now, route, patient = asked.fields, asked.policy, asked.now, asked.route, asked.patient
    age = patient.age(now.date())
    history = fields.items("history", lambda value, path: _past(value, path, fields, now, recorded), most=100_000) or ()
    if not recorded:
        check_history(history, patient)
    sites = _sites(fields, route, age) or site_order(chosen, route, age)
    count, per_day = fields.whole("next", least=0, most=MOST_NEXT), fields.whole("per_day", least=1, most=48)
    times = _times(fields)
    count, per_day = 1 if count is None else count, len(times) or per_day or 1
    steady, wants_map = fields.truth("steady_uptake") is True, fields.truth("map") is True
    fields.close(_ROTATE_KEYS)

    grids = load_grids()
    skin, wear = skin_map(grids, body_scale(grids, patient, age)), wear_of(chosen)
    blocked = blocked_sides(load_sites(), patient.ruled_out)
    past = [place for one in history if one.kind in COUNTED for place in one.places]
    state = skin_state(skin, wear, past, patient.marks, now)
    picked = next_points(
        skin,
        wear,
        past=past,
        marks=patient.marks,
        sites=sites,
        blocked=blocked,
        moments=_moments(now, count, per_day, times),
        per_day=per_day,
        steady=steady,
    )
    state.unknown_points.update(_nowhere(past))
    found = check_history_places(history, state)
    found += _about_body(patient, age)
    found += _about(picked, open_spots(state, sites, blocked), per_day, state)
    answer: dict[str, Any] = {
        "format": 1,
        "next": [_next(at, one, state) for at, one in picked if one is not None],
        "findings": [finding_json(one) for one in worst_first(found)],
        "look_back": _look_back(look_back(skin, wear, past, patient.marks, sites, blocked)),
        "body_scale": f"{float(skin.scale):g}",
        "grid": skin.version,
    }
    if wants_map:
        answer["map"] = [_spot(spot, state) for site in sites for side in _SIDES for spot in skin.spots[site, side]]
    return answer


# Every size of body that there is a map for, the largest first: points of a smaller one may have names of their own.
SCALES = tuple(Fraction(twentieths, 20) for twentieths in range(20, 4, -1))
_SIDES = ("right", "left")


_CLOCK = re.compile(r"(?P<hour>[01][0-9]|2[0-3]):(?P<minute>[0-5][0-9])", re.ASCII)


def _times(fields: Fields) -> tuple[time, ...]:
    """Times of the day at which it is given, by the clock of `now`; in their order."""
    found = []
    for index, text in enumerate(fields.texts("times") or ()):
        match = _CLOCK.fullmatch(text)
        if match is None:
            raise FieldError(f"times[{index}]", f'read "{shown(text)}", expected a time of day such as "08:00"')
        found.append(time(int(match["hour"]), int(match["minute"])))
    if len(set(found)) != len(found):
        fields.fail("times", "a time of day stands twice. Write each once")
    return tuple(sorted(found))


def _moments(now: datetime, count: int, per_day: int, times: tuple[time, ...]) -> list[datetime]:
    """When the next injections are: at the times of day from now on, or else evenly over the day from now."""
    if not times:
        return [now + timedelta(days=1) * number / per_day for number in range(count)]
    days = (now.date() + timedelta(days=day) for day in range(count // len(times) + 2))
    moments = (datetime.combine(day, one, tzinfo=now.tzinfo) for day in days for one in times)
    return [moment for moment in moments if moment >= now][:count]


def _sites(fields: Fields, route: str, age: Age | None) -> tuple[str, ...]:
    names = fields.texts("sites") or ()
    known = by_name(load_sites())
    for index, name in enumerate(names):
        site = known.get(name)
        if site is None:
            raise FieldError(f"sites[{index}]", f'read "{shown(name)}", expected one of: {", ".join(known)}')
        reason = why_not(site, route, age)
        if reason:
            raise FieldError(f"sites[{index}]", f'read "{name}": {reason}')
    return names


def _past(value: object, path: str, parent: Fields, now: datetime, recorded: bool) -> PastDose:
    """One earlier injection; its medicine and amount may be there, and are not needed."""
    fields = Fields(value, path, parent.notation, parent.notes)
    at = fields.moment("at")
    if at is None:
        fields.fail("at", "missing: an earlier injection has its time")
    if at > now:
        fields.fail("at", f"read {at.isoformat()}, after now ({now.isoformat()})")
    kind = fields.one_of("kind", PAST_KINDS) or "given"
    for key in ("amount", "ordered"):
        fields.quantity(key, *DOSES, forms=None)
    places = read_places(fields, at)
    if not recorded:
        _check_place(fields)
        fields.items("also_at", lambda one, where: _check_place(Fields(one, where, fields.notation, fields.notes)))
    return PastDose(medicine=fields.text("medicine") or "an injection", at=at, kind=kind, places=places)


def _check_place(fields: Fields) -> None:
    """Refuse a place that no skin has: what is placed nowhere would rest nowhere. Raises FieldError."""
    site, side, point = fields.take("site"), fields.take("side"), fields.take("point")
    if site is None:
        return
    grids = load_grids()
    largest = skin_map(grids, WHOLE)
    if site not in largest.grids:
        fields.fail("site", f'read "{shown(site)}", expected one of: {", ".join(largest.grids)}')
    if side is None:
        fields.fail("side", "missing, expected left or right")
    # A name is on some body's grid, or on nobody's.
    named = point is not None and fields.take("place_mm") is None
    if named and not any(skin_map(grids, scale).spot(site, side, point) for scale in SCALES):
        fields.fail("point", f'read "{shown(point)}", which is no point of the {side} {site}')


def _nowhere(past: Sequence[PastInjection]) -> set[str]:
    """Sites of a record that no table has: what went there weighs on nothing."""
    known = skin_map(load_grids(), WHOLE).grids
    return {f"the {one.side} {one.site}" for one in past if one.site not in known and one.place.point is None}


def _about_body(patient: Patient, age: Age | None) -> list[Finding]:
    """A region to keep clear that no table has, and a body taken for an adult's."""
    sites = load_sites()
    known = ", ".join(region_words(sites))
    found = [
        finding("region-unknown", region=row.region, reason=row.reason, known=known)
        for row in patient.ruled_out
        if not sites_on(sites, row.region)
    ]
    return found if age is not None else [*found, finding("age-not-known")]


def _about(
    picked: tuple[tuple[datetime, Picked | None], ...], spots: int, per_day: int, state: SkinState
) -> list[Finding]:
    """Too few points to rest each, and the first injection that had to go inside a rest or nowhere at all."""
    found = too_few_points(state, spots, per_day)
    if any(one is None for _, one in picked):
        found.append(finding("site-none-left", reasons="every point is ruled out or on a lump."))
    inside = next((one for _, one in picked if one is not None and not one.rested), None)
    if inside is not None:
        spot = inside.spot
        used = state.used.get(spot.cell)
        day = used.date().isoformat() if used is not None else "a day of this plan"
        where, days = f"{spot.side} {spot.site}", str(state.wear.rest_days)
        found.append(finding("points-inside-rest", point=spot.name, site=where, day=day, days=days))
    return found


def _next(at: datetime, one: Picked, state: SkinState) -> dict[str, Any]:
    spot = one.spot
    return {
        "at": at.isoformat(),
        "site": spot.site,
        "side": spot.side,
        "point": spot.name,
        "where": point_words(state.skin, spot),
        "place_mm": place_json(spot.x, spot.y),
        "burden": round(one.burden, 6),
        "rested": one.rested,
        "because": one.because,
    }


def _look_back(back: LookBack) -> dict[str, Any]:
    return {
        "injections": back.injections,
        "without_a_point": back.unplaced,
        "share_inside_rest": round(back.overused, 6),
        "share_too_near": round(back.too_near, 6),
        "median_distance_mm": None if back.median_mm is None else round(back.median_mm, 1),
        "neglected": [{"site": site, "side": side} for site, side in back.neglected],
        "by_place": [{"site": site, "side": side, "count": count} for site, side, count in back.by_place],
        "lumps": [_lump(mark) for mark in back.lumps],
    }


def _lump(mark: SkinMark) -> dict[str, Any]:
    return {
        "kind": mark.kind,
        "site": mark.site,
        "side": mark.side,
        "point": mark.point or None,
        "size_mm": None if mark.size_mm is None else f"{float(mark.size_mm):g}",
        "seen": None if mark.seen is None else mark.seen.isoformat(),
        "gone": None if mark.gone is None else mark.gone.isoformat(),
    }


def _spot(spot: Spot, state: SkinState) -> dict[str, Any]:
    """One point for a picture: where it is, how worn, whether it rests or is shut."""
    used = state.used.get(spot.cell)
    return {
        "site": spot.site,
        "side": spot.side,
        "point": spot.name,
        "place_mm": place_json(spot.x, spot.y),
        "burden": round(state.burden[spot.cell], 6),
        "last_used": None if used is None else used.date().isoformat(),
        "rested": state.rested(spot.cell),
        "shut": state.mark_at(spot) is not None,
    }
