"""Several injections at one visit: one joint plan of limbs and points, kept apart, the most painful last."""

from __future__ import annotations

from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import permutations

from drawup.injection.finding import Finding, finding
from drawup.injection.medicine import Medicine
from drawup.injection.plan import Plan, plan_injection
from drawup.injection.policy import Policy
from drawup.injection.request import Request, Tables
from drawup.injection.skin import SkinPlace

MOST_TRIED = 4
"""Up to so many injections every order of choosing is tried; more are placed in the order in which they were asked."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Visit:
    """The plans in the order of giving; `numbers` are their places in what was asked. `findings` are about them all.

    `requests` are what each plan was made from, the places of those chosen before it among them: alone, each makes its
    plan again.
    """

    plans: tuple[Plan, ...]
    requests: tuple[Request, ...]
    numbers: tuple[int, ...]
    findings: tuple[Finding, ...]


def plan_visit(requests: tuple[Request, ...], *, policy: Policy, tables: Tables) -> Visit:
    """One plan for each request, of the same patient at the same moment, their places apart.

    Which is placed first decides what is left for the others, so every order is tried: fewest without a place, then
    fewest too near each other, then fewest limbs shared. They are given by pain: what the medicine or the policy calls
    painful last, then the larger volume later.
    """
    orders = permutations(range(len(requests))) if len(requests) <= MOST_TRIED else [tuple(range(len(requests)))]
    best: tuple[tuple[int, int, int], dict[int, tuple[Request, Plan]]] | None = None
    for order in orders:
        placed = _placed(requests, order, policy, tables)
        score = _score([plan for _, plan in placed.values()])
        if best is None or score < best[0]:
            best = score, placed
    made = {} if best is None else best[1]
    giving = sorted(made, key=lambda number: (*_pain(requests[number].medicine, made[number][1], policy), number))
    plans = tuple(made[number][1] for number in giving)
    asked = tuple(made[number][0] for number in giving)
    found = [_kept_apart(asked, plans)] if len(giving) > 1 else []
    return Visit(plans=plans, requests=asked, numbers=tuple(giving), findings=tuple(found))


def _placed(
    requests: tuple[Request, ...], order: tuple[int, ...], policy: Policy, tables: Tables
) -> dict[int, tuple[Request, Plan]]:
    """Each request planned round the places of those before it."""
    taken: tuple[SkinPlace, ...] = ()
    made: dict[int, tuple[Request, Plan]] = {}
    for number in order:
        request = replace(requests[number], same_visit=requests[number].same_visit + taken)
        plan = plan_injection(request, policy=policy, tables=tables)
        made[number] = request, plan
        taken += tuple(
            SkinPlace(site=one.place.site, side=one.place.side, point=one.place.point) for one in plan.injections
        )
    return made


def _score(plans: list[Plan]) -> tuple[int, int, int]:
    """Plans without a place, places too near each other or too many on one side, limbs used more than once."""
    found = [one.code for plan in plans for one in plan.findings]
    limbs = [
        (one.place.side, one.place.spot.frame if one.place.spot is not None else one.place.site)
        for plan in plans
        for one in plan.injections
    ]
    unplaced = sum(not plan.injections for plan in plans)
    crowded = found.count("visit-too-near") + found.count("visit-crowded")
    return unplaced, crowded, len(limbs) - len(set(limbs))


def _pain(medicine: Medicine, plan: Plan, policy: Policy) -> tuple[bool, Fraction]:
    names = {medicine.name, *medicine.same_group, *medicine.allergy_groups}
    painful = medicine.painful or bool(names.intersection(policy.painful_last))
    volume = sum((one.volume_ml for one in plan.injections), Fraction(0))
    return painful, volume


def _kept_apart(requests: tuple[Request, ...], plans: tuple[Plan, ...]) -> Finding:
    """Which medicine goes where, so that a reaction can be told."""
    words = []
    for request, plan in zip(requests, plans, strict=True):
        for one in plan.injections:
            point = f" {one.place.point}" if one.place.point else ""
            words.append(f"{request.medicine.name} {one.place.side} {one.place.site}{point}")
    return finding("visit-places", places="; ".join(words))
