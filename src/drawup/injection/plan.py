"""The whole first part of the work in one call: order, patient, medicine, history, policy and tables to a plan.

A plan says everything that is decided before an injection is given, with its working, its sources and everything found
on the way, all at once and worst first. The same inputs give the same plan.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime
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
    units_per_ml,
    worst_case_error_ml,
    wrong_units_barrel,
)
from drawup.injection.batch import Container, check_container
from drawup.injection.dose import Dose, check_needs, work_out_dose
from drawup.injection.finding import Finding, Severity, finding, worst_first
from drawup.injection.medicine import Medicine
from drawup.injection.needle import NeedleChoice, NeedleTable, choose_needle
from drawup.injection.notation import render, render_ml, render_number
from drawup.injection.order import OpenOrder, Order, check_order, doses_per_day
from drawup.injection.patient import Age, Patient, Reading, centimetres, kilograms
from drawup.injection.policy import Barrel, Needle, Policy
from drawup.injection.precautions import check_allergies, check_bleeding, check_marks, check_medicine
from drawup.injection.preparation import Candidate, Refused, pack_text, prepare
from drawup.injection.quantity import Quantity
from drawup.injection.site import PastInjection, Place, Site, SiteChoice, SiteChosen, choose_sites
from drawup.injection.technique import technique
from drawup.injection.timing import COUNTED, PastDose, check_intervals

_ZERO = Fraction(0)
_NO_PLACE = 99


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Tables:
    """The published tables a plan is made with."""

    sites: tuple[Site, ...]
    needles: NeedleTable
    bores: tuple[tuple[Fraction, Fraction], ...]  # of barrels: capacity in mL, inner diameter in mm
    version: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """The clinician's own choices; None where the plan is to choose."""

    presentation: int | None = None
    barrel: Barrel | None = None
    site: str | None = None
    side: str | None = None
    point: str | None = None
    needle: Needle | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Accepted:
    """A reason given for a finding; with `message`, only for that very fact (remembered from an earlier dose)."""

    code: str
    reason: str
    message: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Request:
    """Everything one plan is made from. Left out is not the same as none: see each part."""

    now: datetime
    patient: Patient
    order: Order
    medicine: Medicine
    history: tuple[PastDose, ...] | None = None
    readings: tuple[Reading, ...] = ()
    containers: tuple[Container, ...] = ()
    open_orders: tuple[OpenOrder, ...] = ()
    choice: Choice = Choice()
    accepted: tuple[Accepted, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedInjection:
    """One of the injections of a plan: where, how much, with what."""

    place: Place
    drawn: Drawn | None
    needle: NeedleChoice
    steps: tuple[str, ...]

    @property
    def volume_ml(self) -> Fraction:
        """What is drawn up for it: the mark where a barrel is known, else the exact part."""
        return self.drawn.mark_ml if self.drawn is not None else self.place.volume_ml


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """Everything decided for one dose before it is given. None where it could not be decided; the findings say why."""

    dose: Dose
    candidate: Candidate | None
    refused: tuple[tuple[int, str], ...]
    mark_ml: Fraction | None
    drawn: Drawn | None
    injections: tuple[PlannedInjection, ...]
    refused_sites: tuple[tuple[str, str], ...]
    findings: tuple[Finding, ...]
    working: tuple[str, ...]
    sources: tuple[str, ...]
    containers: tuple[Container, ...] = ()

    @property
    def worst(self) -> Severity | None:
        """The worst severity that still stands in the way; None when nothing does."""
        return next((found.severity for found in self.findings if found.blocks), None)


def plan_injection(request: Request, *, policy: Policy, tables: Tables) -> Plan:
    """The plan for one dose, now."""
    order, patient, medicine, now = request.order, request.patient, request.medicine, request.now
    found = check_order(order, now)
    found += [finding("name-alike", other=other) for other in patient.alike]
    dose = work_out_dose(
        order=order, patient=patient, medicine=medicine, readings=request.readings, policy=policy, now=now
    )
    found += dose.findings
    prepared = _Prepared()
    if dose.amount is not None:
        prepared = _prepare(request, dose.amount, policy, tables, found)
    candidate = prepared.candidate
    presentation = candidate.presentation if candidate is not None else None
    found += check_allergies(patient, medicine, presentation)
    found += check_medicine(order, medicine, policy)
    found += check_bleeding(order, patient, request.readings, policy)
    if medicine.needs:
        found += check_needs(medicine, request.readings, policy.notation, now)
    found += check_intervals(
        dose=candidate.dose if candidate is not None else dose.amount,
        medicine=medicine,
        history=request.history,
        open_orders=request.open_orders,
        doses_per_day=doses_per_day(order),
        notation=policy.notation,
        now=now,
    )
    for container in request.containers:
        found += check_container(
            container, medicine=medicine, presentation=presentation, notation=policy.notation, now=now
        )
    findings = worst_first(found)
    if request.accepted:
        findings = tuple(accept(one, request.accepted) for one in findings)
    return Plan(
        dose=dose,
        candidate=candidate,
        refused=prepared.refused,
        mark_ml=prepared.mark_ml,
        drawn=prepared.injections[0].drawn if prepared.injections else prepared.drawn,
        injections=prepared.injections,
        refused_sites=prepared.refused_sites,
        findings=findings,
        working=dose.working + prepared.working,
        sources=_sources(dose, prepared, findings),
        containers=request.containers,
    )


def accept(found: Finding, accepted: tuple[Accepted, ...]) -> Finding:
    """The finding with the reason given for it, where one was and one may be."""
    if found.severity in (Severity.STOP, Severity.NOTE):
        return found
    for one in accepted:
        if one.code == found.code and (one.message is None or one.message == found.message):
            return replace(found, accepted=one.reason)
    return found


# --- from what and with what --------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class _Prepared:
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

    @property
    def rank(self) -> tuple[int | Fraction, ...]:
        """Readable first, then fewest containers, fewest injections, least waste."""
        candidate = self.candidate
        unreadable = 0 if self.whole is not None or candidate.device is not None or self._parts_readable() else 1
        # A pack for which no place was left comes last of its kind.
        injections = (len(self.sites.places) or _NO_PLACE) if self.sites is not None else 1
        waste = candidate.made_up.concentration.amount_in(candidate.left_ml or _ZERO).base
        return unreadable, candidate.count or 1, injections, waste

    def _parts_readable(self) -> bool:
        return self.sites is not None and len(self.sites.places) > 1


def _prepare(request: Request, dose: Quantity, policy: Policy, tables: Tables, found: list[Finding]) -> _Prepared:
    order, medicine = request.order, request.medicine
    candidates, refused = prepare(
        dose=dose,
        medicine=medicine,
        route=order.route,
        ordered_strength=order.strength,
        policy=policy,
        chosen=request.choice.presentation,
    )
    if not candidates:
        found += _no_pack(refused, medicine, policy)
        return _Prepared(refused=tuple((one.index, one.reason) for one in refused))
    options = [_option(request, candidate, policy, tables) for candidate in candidates]
    best = options[0] if len(options) == 1 else min(options, key=lambda option: option.rank)
    others = tuple((option.candidate.index, _why_not(option, best)) for option in options if option is not best)
    return _finish(request, best, tuple((one.index, one.reason) for one in refused) + others, policy, tables, found)


def _no_pack(refused: list[Refused], medicine: Medicine, policy: Policy) -> list[Finding]:
    own = [one.finding for one in refused if one.finding is not None]
    if own:
        return own
    notation = policy.notation
    reasons = "; ".join(f"{pack_text(medicine.presentations[one.index], notation)}: {one.reason}" for one in refused)
    return [finding("no-pack-fits", reasons=reasons or "the medicine has no packs")]


def _why_not(option: _Option, best: _Option) -> str:
    mine, theirs = option.rank, best.rank
    words = ("it cannot be read on a barrel at hand", "more containers", "more injections", "more left over")
    return next(
        (word for word, one, other in zip(words, mine, theirs, strict=True) if one > other),
        "the same, later in the list",
    )


def _option(request: Request, candidate: Candidate, policy: Policy, tables: Tables) -> _Option:
    if candidate.device is not None:
        return _Option(
            candidate=candidate, barrels=(), whole=None, sites=_sites(request, candidate, (), policy, tables)
        )
    chosen = request.choice.barrel
    barrels = barrels_for(request.medicine, candidate.made_up.concentration, policy) if chosen is None else (chosen,)
    if chosen is not None and _wrong_marks(request.medicine, candidate, chosen):
        barrels = ()
    whole = choose_barrel(candidate.volume_ml, barrels=barrels, policy=policy) if barrels else None
    return _Option(
        candidate=candidate, barrels=barrels, whole=whole, sites=_sites(request, candidate, barrels, policy, tables)
    )


def _wrong_marks(medicine: Medicine, candidate: Candidate, barrel: Barrel) -> bool:
    if medicine.units_barrel:
        return barrel.units_per_ml is None or barrel.units_per_ml != units_per_ml(candidate.made_up.concentration)
    return barrel.units_per_ml is not None


def _sites(
    request: Request, candidate: Candidate, barrels: tuple[Barrel, ...], policy: Policy, tables: Tables
) -> SiteChoice | None:
    order, patient, medicine, choice = request.order, request.patient, request.medicine, request.choice
    if order.route is None:
        return None
    age = patient.age(request.now.date())

    def interval_for(part: Fraction) -> Fraction | None:
        drawn = choose_barrel(part, barrels=barrels, policy=policy)
        if drawn is None:
            return None
        per_ml = drawn.barrel.units_per_ml
        return drawn.barrel.interval if per_ml is None else drawn.barrel.interval / per_ml

    return choose_sites(
        route=order.route,
        age=age,
        volume_ml=candidate.mark_ml if candidate.mark_ml is not None else candidate.volume_ml,
        interval_for=interval_for,
        sites=tables.sites,
        order=_site_order(policy, order.route, age),
        medicine_sites=medicine.sites,
        ordered_site=order.site,
        ruled_out=patient.ruled_out,
        label_limit_ml=medicine.volume_at_most_ml,
        recent=_recent(request.history),
        chosen=SiteChosen(site=choice.site, side=choice.side, point=choice.point),
        usual_injections=policy.injections_usual,
        most_injections=policy.injections_most,
        notation=policy.notation,
        divisible=candidate.device is None,
    )


def _site_order(policy: Policy, route: str, age: Age | None) -> tuple[str, ...]:
    """The policy's order of sites for this route and age; an unknown age is taken for an adult's."""
    for row in policy.site_order:
        if row.route == route and (row.below_days is None or (age is not None and age.days < row.below_days)):
            return row.sites
    return ()


def _recent(history: tuple[PastDose, ...] | None) -> tuple[PastInjection, ...]:
    """Where injections went, newest first, of whatever medicine: it is one skin."""
    if not history:
        return ()
    used = []
    for past in history:
        if past.kind not in COUNTED:
            continue
        if past.site is not None and past.side is not None:
            used.append(PastInjection(site=past.site, side=past.side, point=past.point, at=past.at))
        for site, side, point in past.also_at:
            used.append(PastInjection(site=site, side=side, point=point, at=past.at))
    used.sort(key=lambda past: past.at, reverse=True)
    return tuple(used)


def _finish(
    request: Request,
    option: _Option,
    refused: tuple[tuple[int, str], ...],
    policy: Policy,
    tables: Tables,
    found: list[Finding],
) -> _Prepared:
    """The chosen pack's barrels, needles and findings."""
    candidate, sites = option.candidate, option.sites
    found += candidate.findings
    lines = list(candidate.working)
    places = sites.places if sites is not None else ()
    if sites is not None:
        found += sites.findings
    parts = tuple(_draw(place.volume_ml, option, policy) for place in places)
    whole = option.whole
    if candidate.device is None and not (parts and all(part is not None for part in parts)) and whole is None:
        found.append(_unreadable(request, option, policy))
    injections = tuple(
        _inject(request, candidate, place, drawn, policy, tables) for place, drawn in zip(places, parts, strict=True)
    )
    for injection in injections:
        found += injection.needle.findings
        found += check_marks(request.patient, injection.place.site, injection.place.side, policy.notation)
    mark = _total_mark(candidate, whole, parts)
    lines += _mark_lines(candidate, injections, whole, policy)
    return _Prepared(
        candidate=candidate,
        refused=refused,
        drawn=whole,
        mark_ml=mark,
        injections=injections,
        refused_sites=sites.refused if sites is not None else (),
        working=tuple(lines),
        sources=_published(injections, request.patient.age(request.now.date()), tables),
    )


def _published(injections: tuple[PlannedInjection, ...], age: Age | None, tables: Tables) -> tuple[str, ...]:
    """Where the volume a site takes and the needle for it were published."""
    sources = []
    for injection in injections:
        limit = limit_at(_site(injection.place.site, tables), age)
        if limit is not None:
            sources.append(limit.source)
        sources += injection.needle.reasons[1:]
    return tuple(sources)


@lru_cache(maxsize=64)
def _site(name: str, tables: Tables) -> Site:
    return next(site for site in tables.sites if site.name == name)


def _draw(volume: Fraction, option: _Option, policy: Policy) -> Drawn | None:
    if option.candidate.device is not None or not option.barrels:
        return None
    if option.whole is not None and volume == option.candidate.volume_ml:
        return option.whole
    return choose_barrel(volume, barrels=option.barrels, policy=policy)


def _unreadable(request: Request, option: _Option, policy: Policy) -> Finding:
    candidate, chosen = option.candidate, request.choice.barrel
    if chosen is not None and _wrong_marks(request.medicine, candidate, chosen):
        return wrong_units_barrel(
            candidate.volume_ml,
            strength=candidate.made_up.concentration,
            dose=candidate.dose,
            policy=policy,
            barrel=chosen,
        )
    return explain_no_barrel(
        candidate.volume_ml,
        medicine=request.medicine,
        strength=candidate.made_up.concentration,
        dose=candidate.dose,
        barrels=option.barrels,
        policy=policy,
    )


def _total_mark(candidate: Candidate, whole: Drawn | None, parts: tuple[Drawn | None, ...]) -> Fraction | None:
    if candidate.mark_ml is not None:
        return candidate.mark_ml
    if parts and all(part is not None for part in parts):
        return sum((part.mark_ml for part in parts if part is not None), _ZERO)
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
            return [f"give the whole {use.kind}: {render_ml(mark, notation)}"]
        return [_difference_line(f"expel to the mark {render_ml(mark, notation)}", candidate.volume_ml, mark, policy)]
    drawn = [injection.drawn for injection in injections if injection.drawn is not None] or (
        [whole] if whole is not None else []
    )
    lines: list[str] = []
    exact = [injection.place.volume_ml for injection in injections] or [candidate.volume_ml]
    for one, volume in zip(drawn, exact, strict=False):
        mark = one.mark_ml
        lines += _draw_lines(one.barrel, mark.numerator, mark.denominator, volume.numerator, volume.denominator, policy)
    return lines


@lru_cache(maxsize=4096)
def _draw_lines(
    barrel: Barrel, numerator: int, denominator: int, exact_numerator: int, exact_denominator: int, policy: Policy
) -> tuple[str, ...]:
    """What to draw to, how far that is from the exact volume, and how far off the barrel itself may be."""
    mark, exact = Fraction(numerator, denominator), Fraction(exact_numerator, exact_denominator)
    shown = mark_text(Drawn(barrel=barrel, mark_ml=mark, difference=_ZERO), policy.notation)
    line = _difference_line(f"{_barrel_text(barrel, policy)}: draw to {shown}", exact, mark, policy)
    if barrel.units_per_ml is not None:
        return (line,)
    error = render_ml(worst_case_error_ml(mark, barrel.capacity), policy.notation)
    return line, f"the barrel itself may be off by {error} (ISO 7886-1, from memory)"


def _barrel_text(barrel: Barrel, policy: Policy) -> str:
    unit = "mL" if barrel.units_per_ml is None else "unit"
    capacity, interval = (
        render_number(barrel.capacity, policy.notation),
        render_number(barrel.interval, policy.notation),
    )
    marked = f" for {render_number(barrel.units_per_ml, policy.notation)} units/mL" if barrel.units_per_ml else ""
    return f"{capacity} {unit} barrel{marked}, marks every {interval}"


def _difference_line(start: str, exact: Fraction, mark: Fraction, policy: Policy) -> str:
    if exact == mark:
        return f"{start}, exact"
    sign = "+" if mark > exact else "-"
    share = percent_text(abs(mark - exact) / exact)
    return f"{start} (exact {render_ml(exact, policy.notation)}, {sign}{share})"


def _inject(
    request: Request, candidate: Candidate, place: Place, drawn: Drawn | None, policy: Policy, tables: Tables
) -> PlannedInjection:
    """One injection with its needle and its steps in the order of the hands."""
    choice = _needle(request, candidate, place, drawn, policy, tables)
    pack, label = candidate.presentation, request.medicine.technique
    device = pack.device
    steps = technique(
        route=request.order.route or "",
        site=place.site,
        choice=choice,
        policy=policy,
        label_draw_back=label.draw_back,
        z_track=label.z_track,
        filter_needle=label.filter_needle,
        from_ampoule=pack.container == "ampoule",
        oily=pack.form == "oil",
        drawn_up=candidate.device is None,
        fixed_needle=device is not None and device.fixed_needle is not None,
        keep_in_seconds=device.keep_in_seconds if device is not None else None,
        bleeding=request.patient.bleeding is not None,
        own_lines=label.lines,
        one_patient=device is not None and device.one_patient,
        watch_minutes=request.medicine.watch_minutes,
    )
    return PlannedInjection(place=place, drawn=drawn, needle=choice, steps=steps)


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
    weight = kilograms(patient.weight.quantity) if patient.weight is not None else None
    return choose_needle(
        route=request.order.route or "",
        site=place.site,
        age=patient.age(request.now.date()),
        sex=patient.sex,
        weight_kg=weight,
        bmi=_body_mass_index(patient, weight),
        measured_mm=next((mm for site, mm in patient.distance_mm if site == place.site), None),
        drawer=policy.needles,
        table=tables.needles,
        least_gauge=medicine.needle_at_least_gauge,
        viscosity_mpa_s=medicine.viscosity_mpa_s,
        ml_per_second=medicine.technique.ml_per_second or Fraction(1, policy.seconds_per_ml),
        barrel_bore_mm=_bore(drawn, tables),
        bleeding=patient.bleeding is not None,
        fixed=device.fixed_needle if device is not None else None,
        chosen=request.choice.needle,
        notation=policy.notation,
        volume_ml=drawn.mark_ml if drawn is not None else place.volume_ml,
        born_at_weeks=patient.born_at_weeks,
        bleeding_gauge=policy.bleeding_least_gauge,
    )


def _body_mass_index(patient: Patient, weight_kg: Fraction | None) -> Fraction | None:
    """kg/m2; None where weight or height is not known."""
    if weight_kg is None or patient.height is None:
        return None
    metres = centimetres(patient.height.quantity) / 100
    return weight_kg / (metres * metres) if metres else None


def _bore(drawn: Drawn | None, tables: Tables) -> Fraction | None:
    """The barrel's inner diameter in mm; None where no barrel in mL is known."""
    if drawn is None or drawn.barrel.units_per_ml is not None:
        return None
    return _bore_of(drawn.barrel, tables)


@lru_cache(maxsize=256)
def _bore_of(barrel: Barrel, tables: Tables) -> Fraction | None:
    return next((bore for capacity, bore in tables.bores if barrel.capacity <= capacity), None)


def _sources(dose: Dose, prepared: _Prepared, findings: tuple[Finding, ...]) -> tuple[str, ...]:
    every = (*dose.sources, *prepared.sources, *(found.source for found in findings))
    return tuple(dict.fromkeys(source for source in every if source))


def dose_text(plan: Plan, policy: Policy) -> str:
    """The dose for a person, or that there is none."""
    return render(plan.dose.amount, policy.notation) if plan.dose.amount is not None else "not decided"
