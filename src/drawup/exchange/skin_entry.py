"""Places on the skin as the public requests write them: marks, earlier injections, others of the same visit."""

from __future__ import annotations

import re
from datetime import date, datetime
from fractions import Fraction
from itertools import pairwise
from typing import Any

from drawup.evidence.tables import load_sites
from drawup.exchange.reader import FieldError, Fields, shown
from drawup.injection.anatomy import by_name
from drawup.injection.history import PastDose
from drawup.injection.patient import SIDES, Patient, SkinMark
from drawup.injection.skin import PastInjection, SkinMap, SkinPlace, Spot

_WHERE_KEYS = ("site", "side", "point", "place_mm", "body_scale", "grid", "volume_ml", "gauge")
_PAST_KEYS = frozenset(
    ["medicine", "amount", "at", "kind", "also_at", "ordered", "planned", "live", "another_order", *_WHERE_KEYS]
)
_PLACE_KEYS = frozenset(_WHERE_KEYS)
_VISIT_KEYS = frozenset(["site", "side", "point", "place_mm", "medicine"])
_MARK_KEYS = frozenset(
    ["kind", "site", "side", "point", "place_mm", "body_scale", "grid", "size_mm", "seen", "gone", "how"]
)
_MILLIMETRES = re.compile(r"-?[0-9]{1,3}(?:\.[0-9])?", re.ASCII)
_FURTHEST = 3000  # tenths of a mm: further from its landmark no point of a site lies, and no lump that concerns it

LARGEST_MARK_MM = 300
"""mm: a lump or the like that is wider is a slip of the pen."""


def read_mark(fields: Fields, today: date) -> SkinMark:
    """A lump or the like: what, where, how wide, felt or seen, since when, and when it was gone. Raises FieldError.

    Neither day may lie ahead: a lump that is said to go some day is still there.
    """
    site, side = _site_and_side(fields)
    x, y = _place_mm(fields)
    mark = SkinMark(
        kind=fields.need_text("kind"),
        site=site,
        side=side,
        point=fields.text("point") or "",
        size_mm=fields.number("size_mm", above=0),
        seen=fields.day("seen"),
        gone=fields.day("gone"),
        how=fields.one_of("how", ("felt", "seen")) or "",
        x=x,
        y=y,
        scale=_scale(fields),
    )
    if mark.size_mm is not None and mark.size_mm > LARGEST_MARK_MM:
        fields.fail("size_mm", f'read "{shown(fields.take("size_mm"))}", expected at most {LARGEST_MARK_MM} mm')
    for key, day in (("seen", mark.seen), ("gone", mark.gone)):
        if day is not None and day > today:
            fields.fail(key, f"read {day.isoformat()}, after now ({today.isoformat()})")
    if mark.seen is not None and mark.gone is not None and mark.gone < mark.seen:
        fields.fail("gone", f"read {mark.gone.isoformat()}, before it was seen ({mark.seen.isoformat()})")
    fields.close(_MARK_KEYS)
    return mark


def read_same_visit(fields: Fields) -> SkinPlace:
    """Where another injection of the same visit goes or went. Raises FieldError."""
    site, side = _site_and_side(fields)
    x, y = _place_mm(fields)
    fields.text("medicine")
    fields.close(_VISIT_KEYS)
    return SkinPlace(site=site, side=side, point=fields.text("point"), x=x, y=y)


def read_places(fields: Fields, at: datetime) -> tuple[PastInjection, ...]:
    """Where an earlier dose went, several where it was divided. Raises FieldError."""
    fields.close(_PAST_KEYS)
    first = _past_place(fields, at)
    more = fields.items("also_at", lambda one, path: _also_at(one, path, fields, at), most=20) or ()
    return tuple(place for place in (first, *more) if place is not None)


def _also_at(value: object, path: str, parent: Fields, at: datetime) -> PastInjection | None:
    fields = Fields(value, path, parent.notation, parent.notes)
    fields.close(_PLACE_KEYS)
    fields.need_text("site")
    return _past_place(fields, at)


def _past_place(fields: Fields, at: datetime) -> PastInjection | None:
    """None where site and side are not both known; a point without them would be looked for in vain."""
    site, side = fields.text("site"), fields.one_of("side", SIDES)
    x, y = _place_mm(fields)
    point, scale = fields.text("point"), _scale(fields)
    for key, known in (("site", site), ("side", side)):
        if known is None and (point is not None or x is not None):
            fields.fail(key, "missing: a point lies on one side of a site, and both must stand there")
    volume, gauge = fields.number("volume_ml", above=0), fields.whole("gauge", least=10, most=34)
    if volume is not None and volume > 100:
        fields.fail("volume_ml", f'read "{shown(fields.take("volume_ml"))}", expected at most 100 mL')
    if site is None or side is None:
        return None
    place = SkinPlace(site=site, side=side, point=point, x=x, y=y, scale=scale)
    return PastInjection(place=place, at=at, volume_ml=volume, gauge=gauge)


def _site_and_side(fields: Fields) -> tuple[str, str]:
    """A place on the skin has both: a lump of which nobody said on which side would keep the wrong one out."""
    site = fields.need_text("site")
    if site not in by_name(load_sites()):
        fields.fail("site", f'read "{shown(site)}", expected one of: {", ".join(by_name(load_sites()))}')
    side = fields.one_of("side", SIDES)
    if side is None:
        fields.fail("side", "missing, expected left or right")
    return site, side


def read_place_mm(fields: Fields) -> list[str]:
    """mm outward and downward from the landmark, checked, as text. Raises FieldError."""
    x, y = _place_mm(fields)
    if x is None or y is None:
        fields.fail("place_mm", 'missing, expected two numbers such as ["-12.5", "30"]')
    return place_json(x, y)


def _place_mm(fields: Fields) -> tuple[int | None, int | None]:
    """mm outward and downward from the site's landmark, as whole tenths."""
    value = fields.take("place_mm")
    if value is None:
        return None, None
    if type(value) is not list or len(value) != 2:
        fields.fail("place_mm", f'read {shown(value)}, expected two numbers such as ["-12.5", "30"]')
    tenths = []
    for one in value:
        if type(one) is not str or not _MILLIMETRES.fullmatch(one):
            wanted = 'expected mm as a text with at most one decimal, such as "-12.5"'
            fields.fail("place_mm", f'read "{shown(one)}", {wanted}')
        whole, _, rest = one.lstrip("-").partition(".")
        size = int(whole) * 10 + int(rest or 0)
        tenths.append(-size if one.startswith("-") else size)
    if max(map(abs, tenths)) > _FURTHEST:
        fields.fail("place_mm", f"read {' and '.join(value)}, expected at most {_FURTHEST // 10} mm either way")
    return tenths[0], tenths[1]


def _scale(fields: Fields) -> Fraction | None:
    """The scale of the body that a place was written on: 1 is an adult's. There is one version of the grid so far."""
    fields.whole("grid", least=1, most=1)
    scale = fields.number("body_scale", above=0)
    if scale is not None and not Fraction(1, 5) <= scale <= 1:
        fields.fail("body_scale", f'read "{shown(fields.take("body_scale"))}", expected from 0.2 to 1 (an adult)')
    return scale


def check_history(history: tuple[PastDose, ...], patient: Patient) -> None:
    """One history is of one body: nothing before its birth, and no body that shrinks. Raises FieldError."""
    born = patient.born
    scaled: list[tuple[datetime, Fraction, int]] = []
    for index, past in enumerate(history):
        if born is not None and past.at.date() < born:
            message = f"read {past.at.isoformat()}, before the birth date ({born.isoformat()})"
            raise FieldError(f"history[{index}].at", message)
        scaled += [(past.at, one.place.scale, index) for one in past.places if one.place.scale is not None]
    scaled.sort()
    for (_, before, index), (_, after, _) in pairwise(scaled):
        if before > after:
            message = f"read {float(before)}, larger than on a later day: is this the history of two bodies?"
            raise FieldError(f"history[{index}].body_scale", message)


def spot_json(spot: Spot, skin: SkinMap) -> dict[str, Any]:
    """Where a point lies, as requests, answers and entries write it."""
    return {"place_mm": place_json(spot.x, spot.y), "body_scale": f"{float(skin.scale):g}", "grid": skin.version}


def place_json(x: int, y: int) -> list[str]:
    """Tenths of a mm as the requests write them: ["-12.5", "30"]."""
    return [_mm(x), _mm(y)]


def _mm(tenths: int) -> str:
    whole, rest = divmod(abs(tenths), 10)
    return f"{'-' if tenths < 0 else ''}{whole}{f'.{rest}' if rest else ''}"
