"""The public request for several injections at one visit: what is shared stands once, each order in a list."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from drawup.exchange.answer import answer, exit_code, finding_json
from drawup.exchange.reader import FieldError, shown
from drawup.exchange.request import ReadRequest, read_request
from drawup.injection.finding import Severity
from drawup.injection.order import OpenOrder
from drawup.injection.policy import Policy
from drawup.injection.request import Request
from drawup.injection.visit import Visit, plan_visit

_OWN_KEYS = frozenset(["order", "medicine", "choose", "container", "accepted", "open_orders"])
_MOST_AT_ONCE = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class MadeVisit:
    """The requests as read, in the order asked, and the joint plan."""

    read: tuple[ReadRequest, ...]
    visit: Visit


def is_visit(document: Any) -> bool:
    """Whether a request asks for several injections at one visit."""
    return type(document) is dict and "visit" in document


def make_visit(document: dict[str, Any], *, policy: Policy | None = None) -> MadeVisit:
    """The joint plan of a request with `visit`. Raises FieldError."""
    listed = document["visit"]
    if type(listed) is not list or not 1 <= len(listed) <= _MOST_AT_ONCE:
        raise FieldError("visit", f"read {shown(listed)}, expected a list of 1 to {_MOST_AT_ONCE} orders")
    shared = {key: value for key, value in document.items() if key != "visit"}
    read: list[ReadRequest] = []
    for index, one in enumerate(listed):
        path = f"visit[{index}]"
        if type(one) is not dict:
            raise FieldError(path, f"read {shown(one)}, expected an object with order and medicine")
        strange = sorted(set(one) - _OWN_KEYS) or sorted(_OWN_KEYS.intersection(shared))
        if strange:
            known = ", ".join(sorted(_OWN_KEYS))
            raise FieldError(f"{path}.{shown(strange[0])}", f"expected each order to hold only {known}, once")
        try:
            read.append(read_request({**shared, **one}, policy=policy))
        except FieldError as error:
            own = error.field.split(".")[0].split("[")[0] in _OWN_KEYS
            raise FieldError(f"{path}.{error.field}" if own else error.field, error.message) from None
    first = read[0]
    requests = tuple(one.request for one in read)
    asked = tuple(_beside_the_others(requests, number) for number in range(len(requests)))
    return MadeVisit(read=tuple(read), visit=plan_visit(asked, policy=first.policy, tables=first.tables))


def _beside_the_others(requests: tuple[Request, ...], number: int) -> Request:
    """One request that knows the other orders of the visit as open ones: two of one medicine are a double too."""
    own = requests[number]
    others = [
        _as_open_order(other, f"order {place + 1} of this visit")
        for place, other in enumerate(requests)
        if place != number
    ]
    listed = {(one.medicine, one.amount) for one in own.open_orders}
    missing = tuple(one for one in others if (one.medicine, one.amount) not in listed)
    return replace(own, open_orders=own.open_orders + missing)


def _as_open_order(request: Request, words: str) -> OpenOrder:
    rule = request.order.dose
    plain = rule is not None and rule.per == "dose"
    return OpenOrder(
        medicine=request.medicine.name,
        amount=rule.amount if rule is not None and plain else None,
        doses_per_day=None if rule is None else rule.doses_per_day,
        words=words,
    )


def answer_visit(made: MadeVisit) -> dict[str, Any]:
    """The answers in the order of giving, each with its number in what was asked."""
    answers = []
    for number, plan in zip(made.visit.numbers, made.visit.plans, strict=True):
        read = made.read[number]
        answers.append(
            {
                "number": number,
                **answer(plan, policy=read.policy, evidence_version=read.tables.version, notes=read.notes),
            }
        )
    return {"format": 1, "visit": answers, "findings": [finding_json(one) for one in made.visit.findings]}


def visit_exit_code(made: MadeVisit) -> int:
    """The worst of its plans: 3 a stop, 4 something to confirm or to give a reason for, else 0."""
    codes = [exit_code(plan) for plan in made.visit.plans]
    worst = {plan.worst for plan in made.visit.plans}
    return 3 if Severity.STOP in worst else max(codes, default=0)
