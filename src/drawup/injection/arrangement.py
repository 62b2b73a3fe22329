"""From what, with what and where: pack, barrel, sites and needles, arranged together for one dose."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache

from drawup.injection.anatomy import limit_at
from drawup.injection.barrel import (
    Drawn,
    barrels_for,
    choose_barrel,
    explain_no_barrel,
    mark_text,
    percent_text,
    try_barrel,
    units_per_ml,
    worst_case_error_ml,
    wrong_units_barrel,
)
from drawup.injection.finding import Finding, finding
from drawup.injection.guideline import body_of
from drawup.injection.medicine import Medicine
from drawup.injection.needle import DrawingUp, NeedleChoice, choose_needle, drawing_up_needle, suited_sites
from drawup.injection.notation import render_ml, render_number
from drawup.injection.order import Order, doses_per_day
from drawup.injection.patient import Age
from drawup.injection.points import recent_of, skin_of, steady_zones
from drawup.injection.policy import Barrel, Policy
from drawup.injection.precautions import (
    check_enough_points,
    check_history_places,
    check_lump_move,
    check_marks,
    speaks_against,
)
from drawup.injection.preparation import Candidate, Refused, largest_volume, pack_text, prepare
from drawup.injection.quantity import Quantity
from drawup.injection.reach import Aim, aim_of
from drawup.injection.request import Request, Tables
from drawup.injection.rotation import SkinState
from drawup.injection.site import Place, Site, SiteChoice, SiteChosen, blocked_sides, choose_sites, site_order
from drawup.injection.technique import technique

_ZERO = Fraction(0)
_NO_PLACE = 99


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedInjection:
    """One of the injections of a plan: where, how much, with what."""

    place: Place
    drawn: Drawn | None
    needle: NeedleChoice
    steps: tuple[str, ...]
    drawing_up: DrawingUp | None = None
    scale: Fraction = Fraction(1)
    grid: int = 1

    @property
    def volume_ml(self) -> Fraction:
        """What is drawn up for it: the mark where a barrel is known, else the exact part."""
        return self.drawn.mark_ml if self.drawn is not None else self.place.volume_ml


@dataclass(frozen=True, slots=True, kw_only=True)
class Arranged:
    """What came of choosing pack, barrel, site and needle."""

    candidate: Candidate | None = None
    refused: tuple[tuple[int, str], ...] = ()
    drawn: Drawn | None = None
    mark_ml: Fraction | None = None
    injections: tuple[PlannedInjection, ...] = ()
    refused_sites: tuple[tuple[str, str], ...] = ()
    working: tuple[str, ...] = ()
    sources: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Option:
    """One pack with where it would go and what it would be drawn into."""

    candidate: Candidate
    barrels: tuple[Barrel, ...]
    whole: Drawn | None
    sites: SiteChoice | None
    allergic: bool = False

    @property
    def rank(self) -> tuple[int | Fraction, ...]:
        """No allergy, readable, then fewest containers, fewest injections, least waste."""
        candidate = self.candidate
        unreadable = 0 if self.whole is not None or candidate.device is not None or self._parts_readable() else 1
        # A pack for which no place was left comes last of its kind.
        injections = (len(self.sites.places) or _NO_PLACE) if self.sites is not None else 1
        waste = candidate.made_up.concentration.amount_in(candidate.left_ml or _ZERO).base
        return int(self.allergic), unreadable, candidate.count or 1, injections, waste

    def _parts_readable(self) -> bool:
        return self.sites is not None and len(self.sites.places) > 1


def arrange(request: Request, dose: Quantity, policy: Policy, tables: Tables, found: list[Finding]) -> Arranged:
    """Pack, barrel, sites and needles for a dose; what speaks against them is added to `found`."""
    order, medicine = request.order, request.medicine
    candidates, refused = prepare(
        dose=dose,
        medicine=medicine,
        route=order.route,
        ordered_strength=order.strength,
        policy=policy,
        chosen=request.choice.presentation,
        caps=_caps(order, medicine),
    )
    if not candidates:
        found += _no_pack(refused, medicine, policy)
        return Arranged(refused=tuple((one.index, one.reason) for one in refused))
    skin = skin_of(request, policy, tables)
    options = [_option(request, candidate, policy, tables, skin) for candidate in candidates]
    best = options[0] if len(options) == 1 else min(options, key=lambda option: option.rank)
    others = tuple((option.candidate.index, _why_not(option, best)) for option in options if option is not best)
    why_not = tuple((one.index, one.reason) for one in refused) + others
    return _finish(request, best, why_not, policy, tables, skin, found)


def _caps(order: Order, medicine: Medicine) -> tuple[Quantity, ...]:
    """What rounding to a mark may not go over: the order's cap of one dose, and the label's single maximum."""
    caps = []
    rule = order.dose
    if rule is not None and rule.at_most is not None:
        times = rule.doses_per_day if rule.per.endswith("day") else None
        caps.append(rule.at_most if times is None else rule.at_most.times(Fraction(1, times)))
    if medicine.at_most_single is not None:
        caps.append(medicine.at_most_single)
    return tuple(caps)


def _most_ml(request: Request, candidate: Candidate) -> Fraction | None:
    """What the caps and the containers allow in all; a dose that is over a cap already is answered by a finding."""
    made, count = candidate.made_up, candidate.count
    holds = made.usable_ml * count if made.usable_ml is not None and count is not None and not candidate.mixed else None
    most = largest_volume(made, holds=holds, caps=_caps(request.order, request.medicine), medicine=request.medicine)
    return most if most is None or most >= candidate.volume_ml else None


def _no_pack(refused: list[Refused], medicine: Medicine, policy: Policy) -> list[Finding]:
    own = [one.finding for one in refused if one.finding is not None]
    if own:
        return own
    notation = policy.notation
    reasons = "; ".join(f"{pack_text(medicine.presentations[one.index], notation)}: {one.reason}" for one in refused)
    return [finding("no-pack-fits", reasons=reasons or "the medicine has no packs")]


def _why_not(option: _Option, best: _Option) -> str:
    mine, theirs = option.rank, best.rank
    words = (
        "the patient is allergic to it",
        "it cannot be read on a barrel at hand",
        "more containers",
        "more injections",
        "more left over",
    )
    return next(
        (word for word, one, other in zip(words, mine, theirs, strict=True) if one > other),
        "the same, later in the list",
    )


def _option(request: Request, candidate: Candidate, policy: Policy, tables: Tables, skin: SkinState) -> _Option:
    if candidate.device is not None:
        return _Option(
            candidate=candidate,
            barrels=(),
            whole=None,
            sites=_sites(request, candidate, (), policy, tables, skin),
            allergic=_allergic(request, candidate),
        )
    chosen = request.choice.barrel
    barrels = barrels_for(request.medicine, candidate.made_up.concentration, policy) if chosen is None else (chosen,)
    if chosen is not None and _wrong_marks(request.medicine, candidate, chosen):
        barrels = ()
    whole = choose_barrel(candidate.volume_ml, barrels=barrels, policy=policy) if barrels else None
    if whole is not None and whole.mark_ml > candidate.volume_ml:
        most = _most_ml(request, candidate)
        whole = choose_barrel(candidate.volume_ml, barrels=barrels, policy=policy, most_ml=most)
    return _Option(
        candidate=candidate,
        barrels=barrels,
        whole=whole,
        sites=_sites(request, candidate, barrels, policy, tables, skin),
        allergic=_allergic(request, candidate),
    )


def _allergic(request: Request, candidate: Candidate) -> bool:
    """Whether this very pack, unlike another, holds what the patient reacts to."""
    allergies = request.patient.allergies or ()
    return any(speaks_against(one, request.medicine, candidate.presentation) for one in allergies)


def _wrong_marks(medicine: Medicine, candidate: Candidate, barrel: Barrel) -> bool:
    if medicine.units_barrel:
        return barrel.units_per_ml is None or barrel.units_per_ml != units_per_ml(candidate.made_up.concentration)
    return barrel.units_per_ml is not None


def _sites(
    request: Request,
    candidate: Candidate,
    barrels: tuple[Barrel, ...],
    policy: Policy,
    tables: Tables,
    skin: SkinState,
) -> SiteChoice | None:
    order, patient, medicine, choice = request.order, request.patient, request.medicine, request.choice
    if order.route is None:
        return None
    age = patient.age(request.now.date())
    recent = recent_of(request.history)
    names = site_order(policy, order.route, age)

    def interval_for(part: Fraction) -> Fraction | None:
        drawn = choose_barrel(part, barrels=barrels, policy=policy) or next(
            (held for one in barrels if (held := try_barrel(one, part, policy.barrel_headroom)) is not None), None
        )
        return None if drawn is None else drawn.barrel.interval_ml

    return choose_sites(
        route=order.route,
        age=age,
        volume_ml=candidate.mark_ml if candidate.mark_ml is not None else candidate.volume_ml,
        interval_for=interval_for,
        sites=tables.sites,
        order=names,
        medicine_sites=medicine.sites,
        ordered_site=order.site,
        ruled_out=patient.ruled_out,
        label_limit_ml=medicine.volume_at_most_ml,
        recent=recent,
        chosen=SiteChosen(site=choice.site, side=choice.side, point=choice.point),
        usual_injections=policy.injections_usual,
        most_injections=policy.injections_most,
        notation=policy.notation,
        divisible=candidate.device is None,
        skin=skin,
        same_visit=request.same_visit,
        zones=steady_zones(medicine, request.history, names, request.now, doses_per_day(order)),
        suited=_suited(request, candidate, names, policy, tables),
    )


def _suited(
    request: Request, candidate: Candidate, names: tuple[str, ...], policy: Policy, tables: Tables
) -> frozenset[str]:
    """Where the fixed needle of a device ends well under the skin; nothing where the needle can be chosen."""
    device = candidate.presentation.device
    if device is None or device.fixed_needle is None or request.order.route != "subcutaneous":
        return frozenset()
    sites = tuple(dict.fromkeys((*names, *request.medicine.sites)))
    body = body_of(request.patient, request.now.date())
    aim = _aim(policy, False, request.medicine.wrong_layer)
    return suited_sites(device.fixed_needle, sites, body, request.patient.distance_mm, aim, tables.tissue)


def _finish(
    request: Request,
    option: _Option,
    refused: tuple[tuple[int, str], ...],
    policy: Policy,
    tables: Tables,
    skin: SkinState,
    found: list[Finding],
) -> Arranged:
    """The chosen pack's barrels, needles and findings."""
    candidate, sites = option.candidate, option.sites
    found += candidate.findings
    lines = list(candidate.working)
    places = sites.places if sites is not None else ()
    parts = _draw_parts(request, option, places, policy, tables)
    whole = option.whole if len(places) <= 1 else None
    if candidate.device is None:
        found += _not_readable(request, option, places, parts, whole, policy)
    injections = tuple(
        _inject(request, candidate, place, drawn, policy, tables, skin)
        for place, drawn in zip(places, parts, strict=True)
    )
    if sites is not None:
        # The note on a divided volume names the marks, not the parts before rounding.
        found += [one for one in sites.findings if one.code != "divided"]
        if any(one.code == "divided" for one in sites.findings):
            found.append(_divided(candidate, injections, policy))
    for injection in injections:
        found += injection.needle.findings
        found += check_marks(request.patient, injection.place.site, injection.place.side, policy.notation)
    found += check_lump_move(request, skin, tuple(injection.place for injection in injections))
    found += check_history_places(request.history, skin)
    if request.order.times:
        names = request.medicine.sites or site_order(policy, "subcutaneous", request.patient.age(request.now.date()))
        found += check_enough_points(request, skin, names, blocked_sides(tables.sites, request.patient.ruled_out))
    mark = _total_mark(candidate, whole, parts)
    found += _what_stays(candidate, mark, policy)
    lines += _mark_lines(candidate, injections, whole, policy)
    return Arranged(
        candidate=candidate,
        refused=refused,
        drawn=whole,
        mark_ml=mark,
        injections=injections,
        refused_sites=sites.refused if sites is not None else (),
        working=tuple(lines),
        sources=_published(injections, request.patient.age(request.now.date()), tables),
    )


def _not_readable(
    request: Request,
    option: _Option,
    places: tuple[Place, ...],
    parts: tuple[Drawn | None, ...],
    whole: Drawn | None,
    policy: Policy,
) -> list[Finding]:
    """A stop for the volume, or for the first part of it, that no barrel at hand can show."""
    if len(places) <= 1:
        return [] if whole is not None else [_unreadable(request, option, option.candidate.volume_ml, policy)]
    missing = next((place for place, part in zip(places, parts, strict=True) if part is None), None)
    return [] if missing is None else [_unreadable(request, option, missing.volume_ml, policy)]


def _divided(candidate: Candidate, injections: tuple[PlannedInjection, ...], policy: Policy) -> Finding:
    parts = [f"{render_ml(one.volume_ml, policy.notation)} {one.place.side} {one.place.site}" for one in injections]
    words = " and ".join((", ".join(parts[:-1]), parts[-1])) if len(parts) > 1 else "".join(parts)
    return finding("divided", volume=render_ml(candidate.volume_ml, policy.notation), parts=words)


def _what_stays(candidate: Candidate, mark: Fraction | None, policy: Policy) -> list[Finding]:
    """What is left of a single-dose container once the mark is drawn."""
    if candidate.device is not None or candidate.mixed or candidate.presentation.dose_kind != "single":
        return []
    if candidate.left_ml is None or candidate.left_usable_ml is None:
        return []
    over = _ZERO if mark is None else mark - candidate.volume_ml
    left, usable = candidate.left_ml - over, candidate.left_usable_ml - over
    if left <= 0:
        return []
    rest = render_ml(left, policy.notation)
    if usable != left:
        rest += f" by sum, {render_ml(max(usable, _ZERO), policy.notation)} that could be drawn up,"
    return [finding("discard-rest", rest=rest, container=f"the {candidate.presentation.container}")]


def _published(injections: tuple[PlannedInjection, ...], age: Age | None, tables: Tables) -> tuple[str, ...]:
    """Where the volume a site takes and the needle for it were published."""
    sources = []
    for injection in injections:
        limit = limit_at(_site(injection.place.site, tables), age)
        if limit is not None:
            sources.append(limit.source)
        sources += injection.needle.reasons[1:]
        if injection.needle.distance is not None:
            sources += injection.needle.distance.sources
    return tuple(sources)


@lru_cache(maxsize=64)
def _site(name: str, tables: Tables) -> Site:
    return next(site for site in tables.sites if site.name == name)


def _draw_parts(
    request: Request, option: _Option, places: tuple[Place, ...], policy: Policy, tables: Tables
) -> tuple[Drawn | None, ...]:
    """A barrel and mark for each part; no mark goes over what its site takes, nor their sum over what may be drawn."""
    candidate = option.candidate
    if candidate.device is not None or not option.barrels:
        return tuple(None for _ in places)
    age = request.patient.age(request.now.date())
    parts: list[Drawn | None] = []
    for place in places:
        alone = len(places) == 1 and option.whole is not None
        drawn = option.whole if alone else choose_barrel(place.volume_ml, barrels=option.barrels, policy=policy)
        if drawn is not None and drawn.mark_ml > place.volume_ml:
            most = _most_at(place, request, age, tables)
            if place is places[-1]:
                left = _left_of(_most_ml(request, candidate), parts)
                most = left if most is None else (most if left is None else min(most, left))
            drawn = choose_barrel(place.volume_ml, barrels=option.barrels, policy=policy, most_ml=most)
        parts.append(drawn)
    return tuple(parts)


def _most_at(place: Place, request: Request, age: Age | None, tables: Tables) -> Fraction | None:
    """The most one injection there takes: the label's own limit, else the table's; none where it is over already."""
    label = request.medicine.volume_at_most_ml
    limit = limit_at(_site(place.site, tables), age)
    most = label if label is not None else (limit.hard_ml if limit is not None else None)
    return most if most is None or most >= place.volume_ml else None


def _left_of(most: Fraction | None, drawn: list[Drawn | None]) -> Fraction | None:
    return None if most is None else most - sum((one.mark_ml for one in drawn if one is not None), _ZERO)


def _unreadable(request: Request, option: _Option, volume: Fraction, policy: Policy) -> Finding:
    candidate, chosen = option.candidate, request.choice.barrel
    if chosen is not None and _wrong_marks(request.medicine, candidate, chosen):
        return wrong_units_barrel(
            volume,
            strength=candidate.made_up.concentration,
            dose=candidate.dose,
            policy=policy,
            barrel=chosen,
        )
    return explain_no_barrel(
        volume,
        medicine=request.medicine,
        strength=candidate.made_up.concentration,
        dose=candidate.dose,
        barrels=option.barrels,
        policy=policy,
    )


def _total_mark(candidate: Candidate, whole: Drawn | None, parts: tuple[Drawn | None, ...]) -> Fraction | None:
    if candidate.mark_ml is not None:
        return candidate.mark_ml
    if len(parts) > 1:
        marks = [part.mark_ml for part in parts if part is not None]
        return sum(marks, _ZERO) if len(marks) == len(parts) else None
    return whole.mark_ml if whole is not None else None


def _mark_lines(
    candidate: Candidate, injections: tuple[PlannedInjection, ...], whole: Drawn | None, policy: Policy
) -> list[str]:
    """The last lines of the working: the only rounding, shown."""
    notation = policy.notation
    if candidate.device is not None:
        use = candidate.device
        if use.dial is not None:
            prime = f", after priming with {use.prime}" if use.prime else ""
            return [f"dial {use.dial}{prime}"]
        mark = candidate.mark_ml if candidate.mark_ml is not None else candidate.volume_ml
        if use.expel_to is None:
            whole_device = f"give the whole {use.kind}, {render_ml(mark, notation)}"
            return [_difference_line(whole_device, candidate.volume_ml, mark, policy)]
        return [_difference_line(f"expel to the mark {render_ml(mark, notation)}", candidate.volume_ml, mark, policy)]
    drawn = [(one.drawn, one.place.volume_ml) for one in injections] or [(whole, candidate.volume_ml)]
    lines: list[str] = []
    for one, volume in drawn:
        if one is not None:
            mark = one.mark_ml
            lines += _draw_lines(
                one.barrel, mark.numerator, mark.denominator, volume.numerator, volume.denominator, policy
            )
    return lines


@lru_cache(maxsize=4096)
def _draw_lines(
    barrel: Barrel, numerator: int, denominator: int, exact_numerator: int, exact_denominator: int, policy: Policy
) -> tuple[str, ...]:
    """What to draw to, how far that is from the exact volume, and how far off the barrel itself may be."""
    mark, exact = Fraction(numerator, denominator), Fraction(exact_numerator, exact_denominator)
    shown = mark_text(Drawn(barrel=barrel, mark_ml=mark, difference=_ZERO), policy.notation)
    line = _difference_line(f"{barrel_text(barrel, policy)}: draw to {shown}", exact, mark, policy)
    if barrel.units_per_ml is not None:
        return (line,)
    error = render_ml(worst_case_error_ml(mark, barrel.capacity), policy.notation)
    return line, f"the barrel itself may be off by {error} (ISO 7886-1, from memory)"


def barrel_text(barrel: Barrel, policy: Policy) -> str:
    """A barrel in words: "5 mL barrel, marks every 0.2 mL"."""
    unit = "mL" if barrel.units_per_ml is None else "unit"
    marks = "mL" if barrel.units_per_ml is None else ("unit" if barrel.interval == 1 else "units")
    capacity, interval = (
        render_number(barrel.capacity, policy.notation),
        render_number(barrel.interval, policy.notation),
    )
    marked = f" for {render_number(barrel.units_per_ml, policy.notation)} units/mL" if barrel.units_per_ml else ""
    return f"{capacity} {unit} barrel{marked}, marks every {interval} {marks}"


def _difference_line(start: str, exact: Fraction, mark: Fraction, policy: Policy) -> str:
    if exact == mark:
        return f"{start}, exact"
    sign = "+" if mark > exact else "-"
    share = percent_text(abs(mark - exact) / exact)
    return f"{start} (exact {render_ml(exact, policy.notation)}, {sign}{share})"


def _inject(
    request: Request,
    candidate: Candidate,
    place: Place,
    drawn: Drawn | None,
    policy: Policy,
    tables: Tables,
    skin: SkinState,
) -> PlannedInjection:
    """One injection with its needle and its steps in the order of the hands."""
    choice = _needle(request, candidate, place, drawn, policy, tables)
    pack, label = candidate.presentation, request.medicine.technique
    device = pack.device
    # Barrels marked in units commonly come with their needle fixed to them (common practice, no source).
    drawn_up = candidate.device is None and (drawn is None or drawn.barrel.units_per_ml is None)
    drawing_up = None
    if drawn_up:
        drawing_up = drawing_up_needle(
            label_filter=label.filter_needle,
            from_ampoule=pack.container == "ampoule",
            oily=pack.form == "oil",
            gauge=policy.drawing_up_gauge,
            change=policy.change_needle,
        )
    steps = technique(
        route=request.order.route or "",
        site=place.site,
        choice=choice,
        policy=policy,
        label_draw_back=label.draw_back,
        z_track=label.z_track,
        drawing_up=drawing_up,
        powder=pack.reconstitution is not None,
        fixed_needle=device is not None and device.fixed_needle is not None,
        keep_in_seconds=device.keep_in_seconds if device is not None else None,
        bleeding=request.patient.bleeding is not None,
        own_lines=label.lines,
        one_patient=device is not None and device.one_patient,
        watch_minutes=request.medicine.watch_minutes,
    )
    return PlannedInjection(
        place=place,
        drawn=drawn,
        needle=choice,
        steps=steps,
        drawing_up=drawing_up,
        scale=skin.skin.scale,
        grid=skin.skin.version,
    )


def _needle(
    request: Request,
    candidate: Candidate,
    place: Place,
    drawn: Drawn | None,
    policy: Policy,
    tables: Tables,
) -> NeedleChoice:
    patient, medicine = request.patient, request.medicine
    device = candidate.presentation.device
    return choose_needle(
        route=request.order.route or "",
        site=place.site,
        body=body_of(patient, request.now.date(), larger_arm=request.choice.larger_arm),
        measured_mm=next((mm for site, mm in patient.distance_mm if site == place.site), None),
        drawer=policy.needles,
        table=tables.needles,
        tissue=tables.tissue,
        resistance=tables.resistance,
        aim=_aim(policy, request.order.route == "intramuscular", medicine.wrong_layer),
        least_gauge=medicine.needle_at_least_gauge,
        viscosity_mpa_s=medicine.viscosity_mpa_s,
        ml_per_second=medicine.technique.ml_per_second or Fraction(1, policy.seconds_per_ml),
        barrel_bore_mm=_bore(drawn, tables),
        bleeding=patient.bleeding is not None,
        fixed=device.fixed_needle if device is not None else None,
        chosen=request.choice.needle,
        notation=policy.notation,
        volume_ml=drawn.mark_ml if drawn is not None else place.volume_ml,
        bleeding_gauge=policy.bleeding_least_gauge,
    )


@lru_cache(maxsize=64)
def _aim(policy: Policy, into_muscle: bool, worse: str) -> Aim:
    """What this policy asks of an injection into this layer of a medicine for which this miss is the worse one."""
    least = policy.least_chance_muscle if into_muscle else policy.least_chance_skin
    return aim_of(into_muscle=into_muscle, least=least, worse=worse, worse_times=policy.worse_side_times)


def _bore(drawn: Drawn | None, tables: Tables) -> Fraction | None:
    """The barrel's inner diameter in mm; None where no barrel in mL is known."""
    if drawn is None or drawn.barrel.units_per_ml is not None:
        return None
    return _bore_of(drawn.barrel, tables)


@lru_cache(maxsize=256)
def _bore_of(barrel: Barrel, tables: Tables) -> Fraction | None:
    return next((bore for capacity, bore in tables.bores if barrel.capacity <= capacity), None)
