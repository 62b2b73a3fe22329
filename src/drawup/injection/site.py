"""Where an injection goes: sites with their layer in the name, how much each takes, and how a volume is divided."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import lru_cache

from drawup.injection.anatomy import (
    AgeSpan,
    Site,
    VolumeLimit,
    by_name,
    expanded,
    far_enough,
    limit_at,
    names_on_same_region,
    region_words,
    sites_on,
    split_region,
    why_not,
    with_limits,
)
from drawup.injection.finding import Finding, finding
from drawup.injection.notation import Notation, render_ml
from drawup.injection.patient import Age, RuledOut
from drawup.injection.points import Place, Pointing, about_points, picked_place, pointed
from drawup.injection.policy import Policy
from drawup.injection.rotation import SkinState, Zone, pick
from drawup.injection.skin import PastInjection, SkinPlace

__all__ = [
    "NOTHING_CHOSEN",
    "AgeSpan",
    "PastInjection",
    "Place",
    "Site",
    "SiteChoice",
    "SiteChosen",
    "VolumeLimit",
    "blocked_sides",
    "choose_sites",
    "divide_volume",
    "far_enough",
    "region_words",
    "site_order",
    "split_region",
    "volume_words",
    "with_limits",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteChosen:
    """What the clinician chose by hand; None is left to be worked out."""

    site: str | None = None
    side: str | None = None
    point: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteChoice:
    """Where the volume goes, what was refused with its reason, and what the clinician must see."""

    places: tuple[Place, ...]
    refused: tuple[tuple[str, str], ...]
    findings: tuple[Finding, ...]


NOTHING_CHOSEN = SiteChosen()
_MOST_TRIED = 12
_Slot = tuple[Site, str]
_Part = tuple[Site, str, Fraction]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Open:
    """A site with its open sides, the side to use first in front, and the limit that counts for it now."""

    site: Site
    table: VolumeLimit
    limit: Fraction
    sides: tuple[str, ...]


def choose_sites(
    *,
    route: str,
    age: Age | None,
    volume_ml: Fraction,
    interval_for: Callable[[Fraction], Fraction | None],
    sites: tuple[Site, ...],
    order: tuple[str, ...],
    medicine_sites: tuple[str, ...],
    ordered_site: str | None,
    ruled_out: tuple[RuledOut, ...],
    label_limit_ml: Fraction | None,
    recent: tuple[PastInjection, ...],
    chosen: SiteChosen,
    usual_injections: int,
    most_injections: int,
    notation: Notation,
    divisible: bool,
    skin: SkinState,
    same_visit: tuple[SkinPlace, ...] = (),
    zones: tuple[Zone, ...] = (),
    suited: frozenset[str] = frozenset(),
) -> SiteChoice:
    """Where this volume goes, in the fewest injections that the usual limits allow.

    The first site of `order` that takes the whole is proposed; where none does, the volume is divided, first over two
    sides of one site. `interval_for(part)` is the scale interval in mL of the barrel that such a part would be drawn
    in. `recent` is newest first. Into muscle the order of sites decides, under the skin the least worn point of all
    sites that take the volume. `same_visit` are places of other injections of this visit; `zones` hold this week's part
    of a region, where the medicine asks for steady uptake; `suited` the sites where a fixed needle ends well, taken
    before the others. A clinician's own choice stays, and the findings answer it.
    """
    ordered, ordered_side = split_region(ordered_site) if ordered_site else (None, None)
    if ordered_side is not None and chosen.side is None:
        chosen = replace(chosen, side=ordered_side)
    visit = tuple(place for one in same_visit if (place := skin.skin.frame_place(one)) is not None)
    case = _Case(
        route=route,
        age=age,
        volume=volume_ml,
        interval_for=interval_for,
        sites=sites,
        order=order,
        medicine_sites=medicine_sites,
        ordered=ordered,
        blocked=_blocked(sites, ruled_out) if ruled_out else {},
        label=label_limit_ml,
        recent=recent,
        chosen=chosen,
        usual=usual_injections,
        most=most_injections,
        notation=notation,
        divisible=divisible,
        ask=Pointing(
            skin=skin, visit=visit, beside=tuple((one.site, one.side) for one in same_visit), chosen=chosen.point
        ),
        same_visit=same_visit,
        zones=zones,
        suited=suited,
    )
    findings = [_region_unknown(row, sites) for row in ruled_out if not sites_on(sites, row.region)]
    if age is None:
        findings.append(finding("age-not-known"))
    if chosen.site is None and ordered is None:
        return _propose(case, findings)
    if chosen.site is not None and _may_be_divided(case, chosen.site):
        return _propose(replace(case, ordered=chosen.site), findings)
    if chosen.site is None and ordered is not None and _can_be_proposed(case, ordered):
        return _propose(case, findings)
    return _answer(case, chosen.site or ordered or "", findings)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Case:
    """The arguments of `choose_sites`, handed on as one."""

    route: str
    age: Age | None
    volume: Fraction
    interval_for: Callable[[Fraction], Fraction | None]
    sites: tuple[Site, ...]
    order: tuple[str, ...]
    medicine_sites: tuple[str, ...]
    ordered: str | None
    blocked: dict[tuple[str, str], str]
    label: Fraction | None
    recent: tuple[PastInjection, ...]
    chosen: SiteChosen
    usual: int
    most: int
    notation: Notation
    divisible: bool
    ask: Pointing
    same_visit: tuple[SkinPlace, ...]
    zones: tuple[Zone, ...]
    suited: frozenset[str]


# What is ruled out.


def blocked_sides(sites: tuple[Site, ...], ruled_out: tuple[RuledOut, ...]) -> frozenset[tuple[str, str]]:
    """Each site and side that is ruled out for this patient."""
    return frozenset(_blocked(sites, ruled_out))


def site_order(policy: Policy, route: str, age: Age | None) -> tuple[str, ...]:
    """The policy's order of sites for this route and age; an unknown age is taken for an adult's."""
    for row in policy.site_order:
        if row.route == route and (row.below_days is None or (age is not None and age.days < row.below_days)):
            return row.sites
    return ()


@lru_cache(maxsize=1024)
def _blocked(sites: tuple[Site, ...], ruled_out: tuple[RuledOut, ...]) -> dict[tuple[str, str], str]:
    """Each site and side that is ruled out, with the region and the reason."""
    blocked: dict[tuple[str, str], str] = {}
    for row in ruled_out:
        word, side = split_region(row.region)
        side = row.side or side
        for site in sites_on(sites, row.region):
            if row.layer and row.layer != ("muscle" if site.route == "intramuscular" else "fat"):
                continue
            for one in site.sides:
                if side in (None, one):
                    region = f"{side} {word}" if side else word
                    blocked.setdefault((site.name, one), f"{region}, {row.reason}")
    return blocked


def _region_unknown(row: RuledOut, sites: tuple[Site, ...]) -> Finding:
    return finding("region-unknown", region=row.region, reason=row.reason, known=", ".join(region_words(sites)))


def _open_sides(case: _Case, site: Site) -> tuple[str, ...]:
    """The sides that are not ruled out, the longest rested first; the right first where both have rested alike."""
    sides = [
        side
        for side in ("right", "left")
        if side in site.sides and (site.name, side) not in case.blocked and case.chosen.side in (None, side)
    ]
    if case.recent and len(sides) > 1 and _used_last(case, site) == sides[0]:
        sides.reverse()
    if case.ask.skin.shut or case.ask.skin.shut_sites:
        sides.sort(key=lambda side: _marked(case, site, side))
        sides = [side for side in sides if _has_open_point(case, site, side)]
    if case.same_visit:
        near = names_on_same_region(case.sites, site)
        sides.sort(key=lambda side: sum(one.side == side and one.site in near for one in case.same_visit))
    return tuple(sides)


def _marked(case: _Case, site: Site, side: str) -> bool:
    """Whether a lump or the like keeps a part of this side out: then the other side comes first."""
    shut = case.ask.skin.shut
    spots = case.ask.skin.skin.spots.get((site.name, side), ())
    return (site.name, side) in case.ask.skin.shut_sites or any(spot.cell in shut for spot in spots)


def _has_open_point(case: _Case, site: Site, side: str) -> bool:
    spots = case.ask.skin.skin.spots.get((site.name, side), ())
    if (site.name, side) in case.ask.skin.shut_sites:
        return False
    return not spots or any(spot.cell not in case.ask.skin.shut for spot in spots)


def _used_last(case: _Case, site: Site) -> str | None:
    """The side used last at this site, or else on the region that it lies on (one skin for both routes)."""
    for past in case.recent:
        if past.site == site.name:
            return past.side
    near = names_on_same_region(case.sites, site)
    return next((past.side for past in case.recent if past.site in near), None)


# Which sites the route, the age, the order and the medicine allow.


@lru_cache(maxsize=4096)
def _candidates(
    sites: tuple[Site, ...],
    route: str,
    age: Age | None,
    order: tuple[str, ...],
    medicine_sites: tuple[str, ...],
    ordered: str | None,
) -> tuple[tuple[tuple[Site, VolumeLimit], ...], tuple[tuple[str, str], ...]]:
    """The sites that may be proposed, in order, and those refused for age or route with the reason."""
    named, allowed = by_name(sites), expanded(sites, medicine_sites)
    names = (ordered,) if ordered else (*order, *(name for name in allowed if name not in order))
    taken: list[tuple[Site, VolumeLimit]] = []
    refused: list[tuple[str, str]] = []
    for name in names:
        site = named.get(name)
        if site is None or (allowed and name not in allowed and not ordered):
            continue
        limit = limit_at(site, age)
        reason = why_not(site, route, age)
        if not reason and site.caution and not ordered:
            reason = f"never proposed, {site.caution}; only by the clinician's own choice"
        if reason or limit is None:
            refused.append((name, reason or "no volume is known for this age"))
        else:
            taken.append((site, limit))
    return tuple(taken), tuple(refused)


# The clinician's own choice, or an order's site that would not be proposed.


def _can_be_proposed(case: _Case, name: str) -> bool:
    site = by_name(case.sites).get(name)
    return site is not None and not site.caution and not why_not(site, case.route, case.age)


def _may_be_divided(case: _Case, name: str) -> bool:
    """Chosen without a side, too much for one place, and no other site allowed: then both its sides are used."""
    if not case.divisible or case.chosen.side is not None or not _can_be_proposed(case, name):
        return False
    if case.ordered != name and expanded(case.sites, case.medicine_sites) != (name,):
        return False
    limit = limit_at(by_name(case.sites)[name], case.age)
    return limit is not None and case.volume > (limit.soft_ml if case.label is None else case.label)


def _answer(case: _Case, name: str, findings: list[Finding]) -> SiteChoice:
    """The chosen site as it is, with every finding that speaks against it."""
    site = by_name(case.sites).get(name)
    if site is None:
        known = ", ".join(other.name for other in case.sites if other.route == case.route)
        findings.append(finding("site-not-for-route", site=name, reason="no such site is known", sites=known))
        return SiteChoice(places=(), refused=(), findings=tuple(findings))
    side = case.chosen.side or next(iter(_open_sides(case, site)), "right")
    findings.extend(_against(case, site, side))
    limit = limit_at(site, case.age)
    if limit is not None:
        findings.extend(_over(case, site, side, limit, case.volume))
    because = "chosen by the clinician" if case.chosen.site else "named in the order"
    place = pointed(case.ask, name, (side,), case.volume, because)
    return SiteChoice(places=(place,), refused=(), findings=(*findings, *about_points(case.ask, (place,))))


def _against(case: _Case, site: Site, side: str) -> list[Finding]:
    """What speaks against this site and side, whatever the volume."""
    found = []
    words = f"{side} {site.name}"
    allowed = expanded(case.sites, case.medicine_sites)
    reason = why_not(site, case.route, case.age)
    if not reason and allowed and site.name not in allowed:
        reason = f"the medicine's label names {', '.join(allowed)}"
    if not reason and case.ordered and case.ordered != site.name:
        reason = f"the order names {case.ordered}"
    if reason:
        taken, _ = _candidates(case.sites, case.route, case.age, case.order, case.medicine_sites, case.ordered)
        others = ", ".join(other.name for other, _ in taken) or "none is left, ask the prescriber"
        found.append(finding("site-not-for-route", site=words, reason=reason, sites=others))
    if (site.name, side) in case.blocked:
        found.append(finding("site-ruled-out", site=words, reason=case.blocked[site.name, side]))
    if site.caution and not reason:
        found.append(finding("site-caution", site=words, caution=site.caution, source=site.source))
    return found


def _over(case: _Case, site: Site, side: str, limit: VolumeLimit, volume: Fraction) -> list[Finding]:
    """What this volume means at this site; the label's own limit counts before the table's."""
    soft, hard = (case.label, case.label) if case.label is not None else (limit.soft_ml, limit.hard_ml)
    found = []
    source = "the product's label, as entered in the formulary" if case.label is not None else limit.source
    if volume > soft:
        code, at_most = ("site-volume-hard", hard) if volume > hard else ("site-volume-soft", soft)
        shown, most = volume_words(volume, case.notation), volume_words(at_most, case.notation)
        found.append(finding(code, volume=shown, site=f"{side} {site.name}", limit=most, source=source))
    if case.label is not None and (volume > case.label) != (volume > limit.soft_ml):
        found.append(_label_note(case, limit.soft_ml))
    return found


def _label_note(case: _Case, table_ml: Fraction) -> Finding:
    label = case.label if case.label is not None else table_ml
    limit, table = volume_words(label, case.notation), volume_words(table_ml, case.notation)
    return finding("label-volume-limit", limit=limit, table=table)


# The proposal.


def _propose(case: _Case, findings: list[Finding]) -> SiteChoice:
    taken, not_for_them = _candidates(case.sites, case.route, case.age, case.order, case.medicine_sites, case.ordered)
    refused = list(not_for_them)
    open_sites: list[_Open] = []
    fitting: list[_Open] = []
    for site, limit in taken:
        sides = _open_sides(case, site)
        if case.blocked:
            _note_blocked(case, site, refused)
        if sides:
            usual = limit.soft_ml
            if case.label is not None and case.label < usual:
                usual = case.label
            if case.volume <= usual:
                fitting.append(_Open(site=site, table=limit, limit=usual, sides=sides))
                if case.route == "intramuscular":
                    break
                continue
            open_sites.append(_Open(site=site, table=limit, limit=usual, sides=sides))
            refused.append((site.name, _over_words(case, limit, usual)))
    if fitting:
        place = _least_worn(case, fitting)
        return SiteChoice(
            places=(place,), refused=tuple(refused), findings=(*findings, *about_points(case.ask, (place,)))
        )
    if not open_sites:
        findings.append(_none_left(case, refused))
        return SiteChoice(places=(), refused=tuple(refused), findings=tuple(findings))
    parts, more = _divide(case, open_sites)
    findings.extend(more)
    places = _places(case, parts, open_sites)
    return SiteChoice(places=places, refused=tuple(refused), findings=(*findings, *about_points(case.ask, places)))


def _note_blocked(case: _Case, site: Site, refused: list[tuple[str, str]]) -> None:
    reasons = {side: case.blocked[site.name, side] for side in site.sides if (site.name, side) in case.blocked}
    if len(reasons) == len(site.sides) and len(set(reasons.values())) == 1:
        refused.append((site.name, reasons[site.sides[0]]))
    else:
        refused.extend((f"{side} {site.name}", reason) for side, reason in reasons.items())


def _over_words(case: _Case, limit: VolumeLimit, usual: Fraction) -> str:
    if case.label is not None and usual == case.label:
        return f"over {volume_words(usual, case.notation)}, the label's limit"
    if case.volume > limit.hard_ml:
        return f"over {volume_words(limit.hard_ml, case.notation)}, the most it takes"
    return f"over {volume_words(usual, case.notation)}, its usual limit"


def _none_left(case: _Case, refused: list[tuple[str, str]]) -> Finding:
    reasons = "; ".join(f"{words}: {reason}" for words, reason in refused)
    if not reasons:
        reasons = f"the policy and the medicine name no common site for the {case.route} route"
    return finding("site-none-left", reasons=reasons + ".")


def _least_worn(case: _Case, fitting: list[_Open]) -> Place:
    """The least worn point of all the sites that take the volume; into muscle there is only one such site."""
    fitting = [one for one in fitting if one.site.name in case.suited] or fitting
    first = fitting[0]
    if (len(fitting) > 1 or case.zones) and case.chosen.point is None:
        named = {one.site.name: one for one in fitting}
        closed = frozenset((one.site.name, side) for one in fitting for side in one.site.sides if side not in one.sides)
        last = next((past.side for past in case.recent if past.site in named), None)
        sides = [side for side in ("right", "left") if case.chosen.side in (None, side)]
        sides.sort(key=lambda side: side == last)
        zones = tuple(zone for zone in case.zones if zone.site in named)
        found = pick(case.ask.skin, tuple(named), sides, blocked=closed, taken=case.ask.visit, zones=zones)
        if found is not None:
            one = named[found.spot.site]
            because = _because(case, one.site, found.spot.side, case.volume, one.limit)
            return picked_place(case.ask, found, case.volume, because)
    because = _because(case, first.site, first.sides[0], case.volume, first.limit)
    return pointed(case.ask, first.site.name, first.sides, case.volume, because)


def _because(case: _Case, site: Site, side: str, volume: Fraction, usual: Fraction) -> str:
    because = f"takes {volume_words(volume, case.notation)} (usual limit {volume_words(usual, case.notation)})"
    if case.recent and case.chosen.side is None:
        last = _used_last(case, site)
        if last is not None and last != side:
            because += f"; {last} side used last"
    return because


def _places(case: _Case, parts: list[_Part], open_sites: list[_Open]) -> tuple[Place, ...]:
    limits = {one.site.name: one.limit for one in open_sites}
    places: list[Place] = []
    for site, side, volume in parts:
        again = any((place.site, place.side) == (site.name, side) for place in places)
        because = _because(case, site, side, volume, limits[site.name])
        because += "; at least 2.5 cm from the one before" if again else ""
        places.append(pointed(case.ask, site.name, (side,), volume, because, places))
    return tuple(places)


def _divide(case: _Case, open_sites: list[_Open]) -> tuple[list[_Part], list[Finding]]:
    """The whole in the fewest parts that the usual limits take; where that cannot be, what comes nearest to it."""
    parts = by_table = _arrange(case, open_sites)
    if case.label is not None:
        by_table = _arrange(case, [replace(one, limit=one.table.soft_ml) for one in open_sites])
        by_label = _arrange(case, _by_label(open_sites, case.label))
        if by_label is not None and (parts is None or len(by_label) < len(parts)):
            parts = by_label
    if case.label is None and (parts is None or len(parts) > case.most):
        # Over the usual limits anyway: as many parts as are allowed, so that each goes over by as little as can be.
        wider = [replace(one, limit=one.table.hard_ml) for one in open_sites]
        parts = _arrange(case, wider, range(case.most, 1, -1)) or parts
    largest = max(open_sites, key=lambda one: one.table.hard_ml)
    if parts is None:
        if case.divisible and case.volume > largest.table.hard_ml * case.most:
            return [], [_many(case, "too-many-injections", -(-case.volume // largest.limit))]
        parts = [(largest.site, largest.sides[0], case.volume)]
    tables = {one.site.name: one.table for one in open_sites}
    found: list[Finding] = []
    if case.label is not None and len(parts) != len(by_table or ()):
        found.append(_label_note(case, _table_that_differs(case, open_sites, tables[parts[0][0].name])))
    for site, side, volume in parts:
        found.extend(over for over in _over(case, site, side, tables[site.name], volume) if over not in found)
    if len(parts) > 1:
        found.append(_divided(case, parts))
        if len(parts) > case.most:
            found.append(_many(case, "too-many-injections", len(parts)))
        elif len(parts) > case.usual:
            found.append(_many(case, "many-injections", len(parts)))
    return parts, found


def _table_that_differs(case: _Case, open_sites: list[_Open], else_this: VolumeLimit) -> Fraction:
    """The table's limit that the label overrules: of the first site that the table alone would have taken."""
    taken = (one.table.soft_ml for one in open_sites if case.volume <= one.table.soft_ml)
    return next(taken, else_this.soft_ml)


def _many(case: _Case, code: str, count: int) -> Finding:
    most = case.most if code == "too-many-injections" else case.usual
    return finding(code, volume=volume_words(case.volume, case.notation), count=str(count), most=str(most))


def _divided(case: _Case, parts: list[_Part]) -> Finding:
    words = [f"{volume_words(volume, case.notation)} {side} {site.name}" for site, side, volume in parts]
    return finding(
        "divided", volume=volume_words(case.volume, case.notation), parts=f"{', '.join(words[:-1])} and {words[-1]}"
    )


def _by_label(open_sites: list[_Open], label: Fraction) -> list[_Open]:
    """A label that allows more than the table is taken at the sites that take most, never at a small muscle."""
    most = max(one.table.hard_ml for one in open_sites)
    return [replace(one, limit=label) for one in open_sites if one.table.hard_ml == most]


def _arrange(case: _Case, open_sites: list[_Open], counts: range | None = None) -> list[_Part] | None:
    """The fewest parts within the limits (or the first of `counts` that fits), and where they go; else None."""
    if not open_sites:
        return None
    for one in open_sites if counts is None or not case.divisible else ():
        if one.limit >= case.volume:
            return [(one.site, one.sides[0], case.volume)]
    fewest = -(-case.volume // max(one.limit for one in open_sites))
    for count in (counts or range(max(2, fewest), _MOST_TRIED + 1)) if case.divisible else ():
        parts = divide_volume(case.volume, count, case.interval_for)
        slots = _slots(open_sites, parts[0], count)
        if slots is not None:
            return [(site, side, part) for (site, side), part in zip(slots, parts, strict=True)]
        uneven = _fill(case, open_sites, count)
        if uneven is not None:
            return uneven
    # One injection over the usual limit, where no more than one place is open.
    whole = [one for one in open_sites if one.limit >= case.volume] if counts is not None else []
    return [(whole[0].site, whole[0].sides[0], case.volume)] if whole else None


def _slots(open_sites: list[_Open], largest: Fraction, count: int) -> list[_Slot] | None:
    """Two sides of one site first, then different sites, then one side twice where a site allows it."""
    wide = [one for one in open_sites if one.limit >= largest]
    for one in wide:
        if len(one.sides) >= count:
            return [(one.site, side) for side in one.sides[:count]]
    apart = [(one.site, side) for one in wide for side in one.sides]
    if len(apart) >= count:
        return apart[:count]
    deepest = max((one.site.per_side for one in wide), default=0)
    for one_more in range(1, deepest):
        apart += [(one.site, side) for one in wide if one.site.per_side > one_more for side in one.sides]
    return apart[:count] if len(apart) >= count else None


def _fill(case: _Case, open_sites: list[_Open], count: int) -> list[_Part] | None:
    """Unequal parts: the largest sites to their limit, the rest in the last; only where equal parts do not fit."""
    slots = sorted(((one, side) for one in open_sites for side in one.sides), key=lambda slot: -slot[0].limit)
    if len(slots) < count or sum(one.limit for one, _ in slots[:count]) < case.volume:
        return None
    left, parts = case.volume, []
    for one, side in slots[:count]:
        part = min(left, one.limit)
        left -= part
        parts.append((one.site, side, part))
    return parts if all(part > 0 for _, _, part in parts) else None


def divide_volume(
    volume_ml: Fraction, count: int, interval_for: Callable[[Fraction], Fraction | None]
) -> tuple[Fraction, ...]:
    """So many parts in mL, equal to one scale interval, the larger first; they sum to the volume exactly.

    What is left over the last whole interval stays in one part, so that only one mark has to be rounded.
    """
    even = volume_ml / count
    interval = interval_for(even)
    if interval is None:
        return (even,) * count
    marks = volume_ml // interval
    rest = volume_ml - marks * interval
    few, more = divmod(marks, count)
    parts = [interval * (few + 1 if place < more else few) for place in range(count)]
    parts[-1] += rest
    return tuple(sorted(parts, reverse=True))


@lru_cache(maxsize=4096)
def volume_words(volume_ml: Fraction, notation: Notation) -> str:
    """A volume for a person: "0.87 mL"."""
    return render_ml(volume_ml, notation)
