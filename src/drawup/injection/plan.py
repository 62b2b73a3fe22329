"""The whole first part of the work in one call: order, patient, medicine, history, policy and tables to a plan.

A plan says everything that is decided before an injection is given, with its working, its sources and everything found
on the way, all at once and worst first. The same inputs give the same plan.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, tzinfo
from fractions import Fraction

from drawup.injection.arrangement import Arranged, PlannedInjection, arrange
from drawup.injection.barrel import Drawn
from drawup.injection.batch import Container, check_container
from drawup.injection.dose import Dose, check_needs, check_usual, work_out_dose
from drawup.injection.finding import RANK, Finding, Severity, finding, worst_first
from drawup.injection.history import check_intervals
from drawup.injection.lateness import check_timing, outlook_of, so_far, zone_of
from drawup.injection.order import check_order, doses_per_day
from drawup.injection.permission import check_permission
from drawup.injection.policy import Policy
from drawup.injection.precautions import check_allergies, check_bleeding, check_medicine
from drawup.injection.preparation import Candidate
from drawup.injection.quantity import Dimension
from drawup.injection.request import Accepted, Request, Tables
from drawup.injection.timing import Outlook


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
    now: datetime
    zone: tzinfo
    containers: tuple[Container, ...] = ()
    outlook: Outlook | None = None

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
        order=order,
        patient=patient,
        medicine=medicine,
        readings=request.readings,
        policy=policy,
        now=now,
        so_far=so_far(request) if order.dose is not None and order.dose.steps else None,
    )
    found += dose.findings
    prepared = Arranged()
    if dose.amount is not None:
        prepared = arrange(request, dose.amount, policy, tables, found)
    candidate = prepared.candidate
    if candidate is not None and dose.amount is not None and dose.amount.unit.dimension is Dimension.VOLUME:
        found += check_usual(candidate.dose, order=order, patient=patient, medicine=medicine, policy=policy, now=now)
    presentation = candidate.presentation if candidate is not None else None
    found += check_allergies(patient, medicine, presentation)
    found += check_medicine(order, medicine, policy)
    found += check_bleeding(order, patient, request.readings, policy)
    needs = medicine.needs + order.needs
    if needs:
        found += check_needs(needs, request.readings, policy.notation, now)
    found += check_permission(request, policy)
    outlook = outlook_of(request, policy)
    found += check_timing(request, outlook, candidate.dose if candidate is not None else dose.amount, policy)
    found += check_intervals(
        dose=candidate.dose if candidate is not None else dose.amount,
        medicine=medicine,
        history=request.history,
        open_orders=request.open_orders,
        doses_per_day=doses_per_day(order),
        timed=order.schedule is not None and not order.schedule.once,
        recent_minutes=policy.recent_minutes,
        notation=policy.notation,
        now=now,
    )
    for container in request.containers:
        found += check_container(
            container, medicine=medicine, presentation=presentation, notation=policy.notation, now=now
        )
    findings = worst_first(_said_once(found))
    if request.accepted:
        answered = [accept(one, request.accepted) for one in findings]
        # What is still open stands before what was answered.
        findings = tuple(sorted(answered, key=lambda one: (RANK[one.severity], one.accepted is not None)))
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
        outlook=outlook,
        zone=zone_of(request),
        now=now,
    )


# What says the same in other words: the first of each pair is left out beside the second.
_SAME = (("dose-early", "given-recently"), ("given-recently", "order-complete"), ("dose-early", "too-soon"))


def _said_once(found: list[Finding]) -> list[Finding]:
    """One reason is asked for once: by the dose that was just given rather than by the plan for the next one."""
    codes = {one.code for one in found}
    left_out = {weaker for weaker, stronger in _SAME if stronger in codes}
    return [one for one in found if one.code not in left_out] if left_out & codes else found


def accept(found: Finding, accepted: tuple[Accepted, ...]) -> Finding:
    """The finding with the reason given for it, where one was and one may be."""
    if found.severity in (Severity.STOP, Severity.NOTE):
        return found
    for one in accepted:
        if one.code == found.code and (one.message is None or one.message == found.message):
            return replace(found, accepted=one.reason)
    return found


def _sources(dose: Dose, prepared: Arranged, findings: tuple[Finding, ...]) -> tuple[str, ...]:
    every = (*dose.sources, *prepared.sources, *(found.source for found in findings))
    return tuple(dict.fromkeys(source for source in every if source))
