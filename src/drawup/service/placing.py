"""Where on the skin an entry was: a point by its name becomes mm from the landmark, so that it stays where it was."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from drawup.evidence.tables import load_grids
from drawup.exchange.reader import FieldError, Fields, shown
from drawup.exchange.request import read_patient
from drawup.exchange.skin_entry import spot_json
from drawup.injection.patient import Patient
from drawup.injection.rotation import skin_state, wear_of
from drawup.injection.skin import SkinMap, body_scale, skin_map
from drawup.service.known import patient_document
from drawup.service.state import PatientState, Setting

PLACED = ("place_mm", "body_scale", "grid")
"""What a place of an entry holds beside site, side and point."""


def skin_of_patient(state: PatientState, current: Setting, at: datetime) -> SkinMap:
    """The points of this body on that day."""
    return _body_and_skin(state, current, at, marks=False)[1]


def points_shut(state: PatientState, current: Setting, at: datetime, site: str, side: str) -> int:
    """How many points of one side of a site are shut by what is open on the skin."""
    patient, skin = _body_and_skin(state, current, at, marks=True)
    worn = skin_state(skin, wear_of(current.policy), (), patient.marks, at)
    return sum(worn.mark_at(spot) is not None for spot in skin.spots.get((site, side), ()))


def _body_and_skin(state: PatientState, current: Setting, at: datetime, *, marks: bool) -> tuple[Patient, SkinMap]:
    """The patient of that day and the points of the body; the map alone needs nothing of what is on the skin."""
    today = at.astimezone(ZoneInfo(current.zone)).date()
    document = patient_document(state, today.isoformat())
    if not marks:
        document = {**document, "marks": []}
    patient = read_patient(Fields(document, "patient", current.policy.notation, []), today)
    grids = load_grids()
    return patient, skin_map(grids, body_scale(grids, patient, patient.age(today)))


def placed(place: Mapping[str, Any], skin: SkinMap, *, anyway: bool = False) -> dict[str, Any]:
    """A place with its mm from the landmark. A point that the site has not is refused, unless it truly was there.

    Raises FieldError.
    """
    point = place.get("point")
    if not point or place.get("place_mm"):
        return dict(place)
    site, side = place.get("site") or "", place.get("side") or ""
    spot = skin.spot(site, side, point)
    if spot is not None:
        return {**place, **spot_json(spot, skin)}
    if anyway:
        return dict(place)
    known = skin.names_of(site, side)
    raise FieldError("point", f'read "{shown(point)}", expected one of the points of the {side} {site}: {known}')


def placed_mark(mark: Mapping[str, Any], skin: SkinMap) -> dict[str, Any]:
    """A lump or the like with its mm from the landmark and the body's scale; without either its whole side is meant."""
    if mark.get("place_mm"):
        return {**mark, "body_scale": f"{float(skin.scale):g}", "grid": skin.version}
    return placed(mark, skin)


def moved(
    before: Mapping[str, Any], place: Mapping[str, Any], skin: SkinMap, *, anyway: bool = False
) -> dict[str, Any]:
    """A place as a correction leaves it: on the other side the same point, at another site none unless it is named."""
    kept = dict(before)
    if "point" in place or place.get("site") != before.get("site"):
        for key in ("point", *PLACED):
            kept.pop(key, None)
    return placed({**kept, **place}, skin, anyway=anyway)
