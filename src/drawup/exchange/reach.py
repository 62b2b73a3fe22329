"""The public reach request and its answer: one needle at one site of one body, and the layer its tip ends in."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

from drawup.evidence.tables import load_needle_table, load_sites, load_tissue
from drawup.exchange.answer import cells_json, chance_json, distance_json, finding_json
from drawup.exchange.asked import read_asked
from drawup.exchange.medicine_entry import needle_of
from drawup.exchange.reader import Fields, shown
from drawup.injection.anatomy import by_name
from drawup.injection.finding import finding, worst_first
from drawup.injection.guideline import body_of
from drawup.injection.needle import check_needle
from drawup.injection.policy import Policy
from drawup.injection.reach import Way, aim_of, layer_working

_REACH_KEYS = frozenset(
    [
        "format",
        "now",
        "patient",
        "route",
        "site",
        "needle",
        "angle_deg",
        "outside_mm",
        "lifted_fold",
        "wrong_layer",
        "policy",
    ]
)


def answer_reach(document: Any, *, policy: Policy | None = None) -> dict[str, Any]:
    """The answer to one reach request: chances as numbers, lengths as text. Raises FieldError."""
    asked = read_asked(document, policy=policy, expected="patient, route, site and needle")
    fields, chosen, now, route, patient = asked.fields, asked.policy, asked.now, asked.route, asked.patient
    site = _site(fields, route)
    needle = needle_of(fields.inside("needle"))
    if needle is None:
        fields.fail("needle", "missing, expected its gauge and its length in mm")
    way = Way(angle_deg=_angle(fields), lifted=fields.truth("lifted_fold") is True, outside_mm=_outside(fields, needle))
    worse = fields.one_of("wrong_layer", ("too shallow", "too deep")) or ""
    fields.close(_REACH_KEYS)
    into_muscle = route == "intramuscular"
    aim = aim_of(
        into_muscle=into_muscle,
        least=chosen.least_chance_muscle if into_muscle else chosen.least_chance_skin,
        worse=worse,
        worse_times=chosen.worse_side_times,
    )
    checked = check_needle(
        needle=needle,
        way=way,
        site=site,
        body=body_of(patient, now.date()),
        measured_mm=next((mm for name, mm in patient.distance_mm if name == site), None),
        aim=aim,
        table=load_needle_table(chosen.needle_table),
        tissue=load_tissue(),
    )
    reach, distance = checked.reach, checked.distance
    found = [*checked.findings] if patient.born is not None else [*checked.findings, finding("age-not-known")]
    return {
        "format": 1,
        "depth_mm": None if reach is None else round(reach.depth_mm, 2),
        "distance_mm": None if distance is None else distance_json(distance),
        "chance": None if reach is None else chance_json(reach.chance),
        "cells": None if reach is None else cells_json(reach.cells),
        "basis": checked.basis,
        "status": None if distance is None else distance.status,
        "missing": checked.no_chance or None,
        "working": [] if reach is None or distance is None else list(layer_working(distance, reach, aim)),
        "findings": [finding_json(one) for one in worst_first(found)],
        "sources": [] if distance is None else list(distance.sources),
    }


def _site(fields: Fields, route: str) -> str:
    name = fields.need_text("site")
    site = by_name(load_sites()).get(name)
    if site is None or site.route != route:
        known = ", ".join(one.name for one in load_sites() if one.route == route)
        fields.fail("site", f'read "{shown(name)}", expected a site of this route: {known}')
    return name


def _angle(fields: Fields) -> int:
    """Degrees, whole: under 10 a needle runs along the skin, over 90 there is none."""
    angle = fields.whole("angle_deg", least=10, most=90)
    return 90 if angle is None else angle


def _outside(fields: Fields, needle: Any) -> Fraction:
    outside = fields.number("outside_mm")
    if outside is None:
        return Fraction(0)
    if outside >= needle.length_mm:
        fields.fail("outside_mm", f'read "{shown(fields.take("outside_mm"))}", expected less than the needle is long')
    return outside
