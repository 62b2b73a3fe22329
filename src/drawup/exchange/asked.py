"""What the requests about one body share: the policy, the moment, the route and the patient."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from drawup.evidence.policies import load_policy
from drawup.exchange.reader import FieldError, Fields, shown
from drawup.exchange.request import check_format, read_patient, read_policy
from drawup.injection.medicine import ROUTES
from drawup.injection.patient import Patient
from drawup.injection.policy import Policy


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """The shared part of a request, and its fields for the rest."""

    fields: Fields
    policy: Policy
    now: datetime
    route: str
    patient: Patient


def read_asked(document: Any, *, policy: Policy | None, expected: str) -> Asked:
    """The shared part of a reach or rotate request. `policy` counts unless it brings its own. Raises FieldError."""
    if type(document) is not dict:
        raise FieldError("", f"read {shown(document)}, expected an object with {expected}")
    chosen = read_policy(document.get("policy"), policy) or load_policy("uk")
    fields = Fields(document, "", chosen.notation, [])
    check_format(fields, needed=False)
    now = fields.moment("now")
    if now is None:
        fields.fail("now", "missing, expected a time such as 2026-03-02T09:00:00+00:00")
    route = fields.one_of("route", ROUTES)
    if route is None:
        fields.fail("route", f"missing, expected one of: {', '.join(ROUTES)}")
    inner = fields.inside("patient")
    if inner is None:
        fields.fail("patient", "missing, expected an object; an empty one is a body of which nothing is known")
    return Asked(fields=fields, policy=chosen, now=now, route=route, patient=read_patient(inner, now.date()))
