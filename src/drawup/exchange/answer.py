"""The public answer to a plan request: the plan as exact, plain values."""

from __future__ import annotations

from datetime import datetime, tzinfo
from fractions import Fraction
from typing import Any

from drawup import __version__
from drawup.exchange.skin_entry import place_json
from drawup.injection.arrangement import PlannedInjection
from drawup.injection.barrel import mark_text, percent_text
from drawup.injection.finding import Finding, Severity, finding
from drawup.injection.flow import Push
from drawup.injection.needle import DrawingUp
from drawup.injection.notation import exact_text, render_concentration
from drawup.injection.plan import Plan
from drawup.injection.policy import Barrel, Needle, Policy
from drawup.injection.preparation import Candidate
from drawup.injection.tissue import Cells, Chance, Distance, quantile_mm

FORMAT = 1


def answer(plan: Plan, *, policy: Policy, evidence_version: str, notes: tuple[str, ...] = ()) -> dict[str, Any]:
    """The answer of the public interface (format 1); null where something was not decided.

    `notes` are what should be written differently in the request next time.
    """
    candidate = plan.candidate
    amount = plan.dose.amount
    return {
        "format": FORMAT,
        "dose": None
        if amount is None
        else {"amount": exact_text(amount.value), "unit": _unit(amount.unit.name, amount.form)},
        "presentation": None if candidate is None else candidate.index,
        "containers": _containers(candidate),
        "reconstitution": _reconstitution(candidate, policy),
        "volume_ml": _volume(plan),
        "barrel": None if plan.drawn is None else barrel_json(plan.drawn.barrel),
        "draw_to": None if plan.drawn is None or len(plan.injections) > 1 else mark_text(plan.drawn, policy.notation),
        "device": _device(candidate),
        "injections": [_injection(one, policy) for one in plan.injections],
        "refused": [{"presentation": index, "reason": reason} for index, reason in plan.refused],
        "refused_sites": [{"site": site, "reason": reason} for site, reason in plan.refused_sites],
        "due": due_json(plan),
        "findings": [finding_json(found) for found in plan.findings]
        + [finding_json(finding("notation", note=note)) for note in dict.fromkeys(notes)],
        "working": list(plan.working),
        "sources": list(plan.sources),
        "versions": {
            "evidence": evidence_version,
            "policy": f"{policy.preset} {policy.version}",
            "drawup": __version__,
        },
    }


def due_json(plan: Plan) -> dict[str, Any] | None:
    """When the dose is planned for, and its window; null where the order says no times, or nothing is known."""
    outlook = plan.outlook
    if outlook is None:
        return None
    due = outlook.due
    if due is None:
        return {"state": "ended", "because": outlook.ended}
    # A when-needed dose that nothing limits has been open for ever.
    opens = None if due.when_needed and due.opens.year < _OPEN_YEAR else due.opens
    moments = {"planned": due.planned, "opens": opens, "closes": due.closes, "missed_from": due.missed_from}
    return {
        "state": due.state(plan.now),
        "day": due.day.isoformat(),
        "whole_days": due.whole_days,
        **{key: _moment(one, plan.zone) for key, one in moments.items()},
        "number": due.number,
        "passed": due.passed_count,
        "after": None if due.after is None else due.after.isoformat(),
        "because": due.because,
    }


def _moment(moment: datetime | None, zone: tzinfo) -> str | None:
    """By the clock of the place; null where there is no such moment."""
    return None if moment is None else moment.astimezone(zone).isoformat(timespec="minutes")


_OPEN_YEAR = 1901


def exit_code(plan: Plan) -> int:
    """0: nothing stands in the way. 3: a stop. 4: something to confirm or to give a reason for."""
    worst = plan.worst
    return 0 if worst is None else (3 if worst is Severity.STOP else 4)


def _unit(name: str, form: str) -> str:
    return f"{name} {form}" if form else name


def _text(value: Fraction | None) -> str | None:
    return None if value is None else exact_text(value)


def _containers(candidate: Candidate | None) -> dict[str, Any] | None:
    if candidate is None or candidate.count is None:
        return None
    answer: dict[str, Any] = {"count": candidate.count, "left_over_ml": _text(candidate.left_ml)}
    if candidate.left_usable_ml != candidate.left_ml:
        answer["left_withdrawable_ml"] = _text(candidate.left_usable_ml)
    if candidate.yields is not None:
        answer["doses_in_each"] = candidate.yields[0]
    if candidate.mixed:
        answer["mixed"] = [
            {"presentation": index, "count": count, "volume_ml": exact_text(volume)}
            for index, count, volume in candidate.mixed
        ]
    return answer


def _reconstitution(candidate: Candidate | None, policy: Policy) -> dict[str, Any] | None:
    if candidate is None or candidate.presentation.reconstitution is None:
        return None
    made, mixing = candidate.made_up, candidate.presentation.reconstitution
    return {
        "diluent": mixing.diluent,
        "add_ml": _text(mixing.add_ml),
        "gives_ml": _text(made.total_ml),
        "concentration": render_concentration(made.concentration, policy.notation),
    }


def _volume(plan: Plan) -> dict[str, Any] | None:
    candidate = plan.candidate
    if candidate is None:
        return None
    exact, mark = candidate.volume_ml, plan.mark_ml
    difference = None if mark is None else _difference(mark, exact)
    return {"exact": exact_text(exact), "mark": _text(mark), "difference_percent": difference}


def _difference(mark: Fraction, exact: Fraction) -> str:
    return "0" if mark == exact else percent_number((mark - exact) / exact)


def percent_number(share: Fraction) -> str:
    """A signed share as a percentage of at most two places, without the sign for per cent."""
    number = percent_text(abs(share)).removesuffix(" %")
    return f"-{number}" if share < 0 and number != "0" else number


def barrel_json(barrel: Barrel) -> dict[str, str]:
    """A barrel with its marks, in mL or in the units it is marked for."""
    if barrel.units_per_ml is None:
        return {"capacity_ml": exact_text(barrel.capacity), "interval_ml": exact_text(barrel.interval)}
    return {
        "capacity_units": exact_text(barrel.capacity),
        "interval_units": exact_text(barrel.interval),
        "units_per_ml": exact_text(barrel.units_per_ml),
    }


def _device(candidate: Candidate | None) -> dict[str, Any] | None:
    if candidate is None or candidate.device is None:
        return None
    use = candidate.device
    return {
        "kind": use.kind,
        "dial": use.dial,
        "prime": use.prime,
        "expel_to": use.expel_to,
        "keep_in_seconds": use.keep_in_seconds,
    }


def _injection(one: PlannedInjection, policy: Policy) -> dict[str, Any]:
    choice, drawn = one.needle, one.drawn
    needle = choice.needle
    return {
        "site": one.place.site,
        "side": one.place.side,
        "point": one.place.point,
        "where": one.place.where or None,
        "place_mm": None if one.place.spot is None else place_json(one.place.spot.x, one.place.spot.y),
        "body_scale": None if one.place.spot is None else f"{float(one.scale):g}",
        "grid": None if one.place.spot is None else one.grid,
        "burden": None if one.place.burden is None else round(one.place.burden, 6),
        "volume_ml": exact_text(one.volume_ml),
        "because": one.place.because,
        "barrel": None if drawn is None else barrel_json(drawn.barrel),
        "draw_to": None if drawn is None else mark_text(drawn, policy.notation),
        "needle": None if needle is None else _needle(needle),
        "angle_deg": choice.angle_deg,
        "outside_mm": exact_text(choice.way.outside_mm),
        "lifted_fold": choice.way.lifted,
        "chance": None if choice.reach is None else chance_json(choice.reach.chance),
        "cells": None if choice.reach is None else cells_json(choice.reach.cells),
        "distance_mm": None if choice.distance is None else distance_json(choice.distance),
        "basis": choice.basis,
        "no_chance": choice.no_chance or None,
        "layer_working": list(choice.layer_working),
        "seconds": choice.seconds,
        "force_n": None if choice.force_n is None else round(choice.force_n, 1),
        "push_n": None if choice.push is None else _push(choice.push),
        "drawing_up": None if one.drawing_up is None else _drawing_up(one.drawing_up),
        "technique": list(one.steps),
        "needle_because": list(choice.reasons),
        "other_needles": [
            {**_needle(other), "reason": reason, "chance": None if reach is None else chance_json(reach.chance)}
            for (other, reason), reach in zip(choice.others, choice.others_reach, strict=True)
        ],
    }


def chance_json(chance: Chance) -> dict[str, float | None]:
    """The chance of the layer meant and of each miss."""
    return {"too_shallow": chance.too_shallow, "intended": chance.intended, "too_deep": chance.too_deep}


def cells_json(cells: Cells) -> dict[str, float | None]:
    """The chance of each of the five layers."""
    return {
        "skin": cells.skin,
        "fat": cells.fat,
        "shallow_muscle": cells.shallow_muscle,
        "muscle": cells.muscle,
        "bone": cells.bone,
    }


def distance_json(distance: Distance) -> dict[str, float]:
    """Skin to muscle in mm: the median, and what 5 and 95 of 100 such bodies do not pass."""
    return {
        "median": round(quantile_mm(distance, 0.5), 2),
        "p5": round(quantile_mm(distance, 0.05), 2),
        "p95": round(quantile_mm(distance, 0.95), 2),
    }


def _push(push: Push) -> dict[str, float | None]:
    return {
        "liquid": round(push.liquid_n, 1),
        "friction": round(push.friction_n, 1),
        "tissue": None if push.tissue_n is None else round(push.tissue_n, 1),
        "total": round(push.total_n, 1),
    }


def _drawing_up(needle: DrawingUp) -> dict[str, Any]:
    return {"kind": needle.kind, "gauge": needle.gauge, "change": needle.change, "because": needle.because}


def _needle(needle: Needle) -> dict[str, Any]:
    return {"gauge": needle.gauge, "length_mm": exact_text(needle.length_mm)}


def finding_json(found: Finding) -> dict[str, Any]:
    """One finding with the row of the table behind it."""
    rule = found.rule
    return {
        "severity": rule.severity.value,
        "code": found.code,
        "message": found.message,
        "why": rule.why,
        "do": found.do,
        "source": found.source,
        "cleared_by": rule.cleared_by,
        "accepted": found.accepted,
    }
