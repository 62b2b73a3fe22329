"""A plan from the record: the public request is put together from the facts, answered, and kept by its content."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import count
from typing import Any
from zoneinfo import ZoneInfo

from drawup.evidence.tables import load_sites
from drawup.exchange.answer import answer
from drawup.exchange.gs1 import Scan, read_code
from drawup.exchange.reader import shown
from drawup.exchange.request import ReadRequest, read_request
from drawup.injection.anatomy import split_region
from drawup.injection.finding import Finding
from drawup.injection.order import doses_per_day
from drawup.injection.plan import Plan, plan_injection
from drawup.injection.skin import SkinPlace
from drawup.injection.visit import plan_visit
from drawup.record.store import Store, Writer
from drawup.service.errors import UseCaseError
from drawup.service.known import known_document, order_document, other_orders, zone_of
from drawup.service.near_misses import note_near_misses
from drawup.service.state import (
    Known,
    PatientState,
    Reading,
    Setting,
    StockState,
    all_stock,
    canonical,
    known_code,
    patient_state,
    setting,
    stock_state,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Scanned:
    """One container in the hand: what its code says, and what stock and formulary know of it."""

    scan: Scan
    stock: StockState | None
    known: Known | None


@dataclass(frozen=True, slots=True, kw_only=True)
class MadePlan:
    """A plan made from the record, and everything it was made from."""

    digest: str
    patient: str
    order: str
    dose_number: int
    document: Mapping[str, Any]
    read: ReadRequest
    plan: Plan
    answer: Mapping[str, Any]


def make_plan(
    store: Store,
    *,
    order: str,
    now: datetime,
    choose: Mapping[str, Any] | None = None,
    accepted: Sequence[Mapping[str, str]] = (),
    scans: Sequence[str] = (),
    chosen_dose: str | None = None,
    by: str = "",
) -> MadePlan:
    """The plan for the next dose of an order, kept in the record by its content.

    Where a scanned container stands in the way, the near miss is counted; nothing else is written.
    """
    with store.writing() as writer:
        current = setting(writer)
        state = patient_state(writer, order.partition(".")[0])
        number = next_dose_number(writer, state, order)
        document = request_document(
            writer,
            state,
            order,
            current,
            now=now,
            choose=choose,
            accepted=accepted,
            containers=[look_at(writer, text, now) for text in scans],
            chosen_dose=chosen_dose,
        )
        made = _keep_plan(writer, state, order, number, document, current)
        note_near_misses(writer, made.plan.findings, state.patient, order, now=now, by=by, dose_number=number)
    return made


def _keep_plan(
    writer: Writer, state: PatientState, order: str, number: int, document: Mapping[str, Any], current: Setting
) -> MadePlan:
    """A request put together from the record, planned, answered, and kept by its content."""
    read, plan, answered = answer_document(document, current)
    content = canonical(
        {
            "patient": state.patient,
            "order": order,
            "dose_number": number,
            "request": document,
            "answer": answered,
            "policy": current.digest,
        }
    )
    return MadePlan(
        digest=writer.keep(content),
        patient=state.patient,
        order=order,
        dose_number=number,
        document=document,
        read=read,
        plan=plan,
        answer=answered,
    )


def rotation_request(reading: Reading, order: str, *, now: datetime, count: int) -> dict[str, Any]:
    """The public rotate request for the next injections of an order, from the facts as they stand."""
    current = setting(reading)
    state = patient_state(reading, order.partition(".")[0])
    if order not in state.orders:
        raise UseCaseError(f'no order "{order}" for {state.name}. See drawup order list --patient {state.patient}')
    known = known_document(reading, state, state.orders[order]["order"], current, now=now)
    read = read_request(known, policy=current.policy, recorded=True).request
    route, medicine = read.order.route, read.medicine
    if route is None:
        raise UseCaseError(f"order {order} names no route, so no site can be chosen. Ask the prescriber")
    document = {
        "format": 1,
        "now": known["now"],
        "route": route,
        "patient": {key: value for key, value in known["patient"].items() if key != "alike"},
        "history": known.get("history", []),
        "next": count,
        "per_day": doses_per_day(read.order),
        "steady_uptake": medicine.steady_uptake,
    }
    schedule = read.order.schedule
    if schedule is not None and schedule.at and not schedule.meals:
        document["times"] = [one.strftime("%H:%M") for one in schedule.at]
    named, side = split_region(read.order.site or "")
    if any(one.name == named for one in load_sites()):
        document["sites"] = [named]
        if side is not None:
            other = "left" if side == "right" else "right"
            shut = {"region": named, "side": other, "reason": "the order names the other side"}
            document["patient"] = {**document["patient"], "avoid": [*document["patient"].get("avoid", []), shut]}
        return document
    sites = [one.name for one in load_sites() if one.route == route and one.name in medicine.sites]
    return {**document, "sites": sites} if sites else document


@dataclass(frozen=True, slots=True, kw_only=True)
class MadeVisit:
    """The plans of one visit in the order of giving, and what is said of them all."""

    plans: tuple[MadePlan, ...]
    findings: tuple[Finding, ...]


def make_visit(
    store: Store,
    *,
    orders: Sequence[str],
    now: datetime,
    accepted: Sequence[Mapping[str, str]] = (),
) -> MadeVisit:
    """One joint plan for the next doses of several orders of one patient: limbs and points apart, each plan kept."""
    patients = {order.partition(".")[0] for order in orders}
    if len(patients) != 1 or len(set(orders)) != len(orders):
        raise UseCaseError("one visit is of one patient, and names each order once")
    with store.writing() as writer:
        current = setting(writer)
        state = patient_state(writer, patients.pop())
        numbers = {order: next_dose_number(writer, state, order) for order in orders}
        documents = [request_document(writer, state, order, current, now=now, accepted=accepted) for order in orders]
        read = [read_request(document, policy=current.policy, recorded=True) for document in documents]
        visit = plan_visit(tuple(one.request for one in read), policy=read[0].policy, tables=read[0].tables)
        plans = []
        for number, request in zip(visit.numbers, visit.requests, strict=True):
            order, document = orders[number], documents[number]
            if request.same_visit:
                document = {**document, "same_visit": [_visit_place(place) for place in request.same_visit]}
            plans.append(_keep_plan(writer, state, order, numbers[order], document, current))
    return MadeVisit(plans=tuple(plans), findings=visit.findings)


def _visit_place(place: SkinPlace) -> dict[str, str]:
    there = {"site": place.site, "side": place.side}
    return {**there, "point": place.point} if place.point else there


def answer_document(document: Mapping[str, Any], current: Setting) -> tuple[ReadRequest, Plan, dict[str, Any]]:
    """A request put together from the record, read as anybody's would be, planned and answered."""
    read = read_request(document, policy=current.policy, recorded=True)
    plan = plan_injection(read.request, policy=read.policy, tables=read.tables)
    return read, plan, answer(plan, policy=read.policy, evidence_version=read.tables.version, notes=read.notes)


def next_dose_number(reading: Reading, state: PatientState, order: str) -> int:
    """The lowest number of a dose of this order that nobody has recorded as given."""
    if order not in state.orders:
        raise UseCaseError(f'no order "{order}" for {state.name}. See drawup order list --patient {state.patient}')
    taken = {
        entry.body["dose_number"]
        for entry in state.entries.values()
        if not entry.void and entry.kind in ("given", "part given") and entry.body.get("order") == order
    }
    number = next(free for free in count(1) if free not in taken)
    while reading.claimed(dose_key(order, number)) is not None:
        number += 1
    return number


def dose_key(order: str, number: int) -> str:
    """The claim on one planned dose."""
    return f"dose:{order}:{number}"


def request_document(
    reading: Reading,
    state: PatientState,
    order: str,
    current: Setting,
    *,
    now: datetime,
    choose: Mapping[str, Any] | None = None,
    accepted: Sequence[Mapping[str, str]] = (),
    containers: Sequence[Scanned] = (),
    chosen_dose: str | None = None,
) -> dict[str, Any]:
    """The public request for one dose, from the facts as they stand."""
    local = now.astimezone(zone_of(state, current))
    rule = order_document(state, order, local)
    if chosen_dose is not None:
        rule["dose"] = {**(rule.get("dose") or {}), "chosen": chosen_dose}
    document = {
        **known_document(reading, state, rule, current, now=now, order=order),
        "open_orders": other_orders(state, order, local, current.policy),
        "accepted": [*remembered(state, order), *map(dict, accepted)],
    }
    if choose:
        document["choose"] = dict(choose)
    if containers:
        document["container"] = [container_document(one, current) for one in containers]
    return document


# Findings about one dose and its moment: a reason for them is of that dose, and says nothing of the next.
_OF_ONE_DOSE = frozenset(
    (
        "dose-choice-why",
        "dose-early",
        "dose-late-no-rule",
        "dose-late-test",
        "dose-was-withheld",
        "drawn-up-long-ago",
        "given-recently",
        "plan-changed",
        "question-not-asked",
        "steps-without-doses",
        "times-not-counted",
    )
)


def remembered(state: PatientState, order: str) -> list[dict[str, str]]:
    """Reasons given earlier on this order; they hold for the very same fact and are not asked for again."""
    known: dict[tuple[str, str], str] = {}
    for entry in state.entries.values():
        if entry.void or entry.body.get("order") != order:
            continue
        for found in entry.body.get("findings", ()):
            if found.get("accepted") and found["severity"] == "ask" and found["code"] not in _OF_ONE_DOSE:
                known[(found["code"], found["message"])] = found["accepted"]
    return [{"code": code, "message": message, "reason": reason} for (code, message), reason in known.items()]


# --- the container in the hand ------------------------------------------------------------------------------------


def look_at(reading: Reading, text: str, now: datetime) -> Scanned:
    """A scanned or typed code, or "batch:QX118" for a batch in stock, with what the record knows of it."""
    if text.startswith("batch:"):
        stock = _stock_by_batch(reading, text.removeprefix("batch:"))
        expiry = datetime.fromisoformat(stock.expiry_date).date() if stock.expiry_date else None
        scan = Scan(
            accepted=True,
            carrier="batch in stock",
            gtin=stock.gtin,
            batch=stock.batch,
            expiry_date=expiry,
            serial=None,
            other=(),
            problems=(),
            raw=text,
        )
        return Scanned(scan=scan, stock=stock, known=known_code(reading, stock.gtin))
    if not text.isascii() and any("\ud800" <= one <= "\udfff" for one in text):
        raise UseCaseError(f'read "{shown(text)}": bytes that are no text. Scan the container again')
    scan = read_code(text, today=now.date())
    if not scan.accepted and any(one.batch.casefold() == text.strip().casefold() for one in all_stock(reading)):
        raise UseCaseError(
            f'read "{shown(text)}": that is a batch in stock. Scan the code, or write batch:{text.strip()}'
        )
    known = known_code(reading, scan.gtin) if scan.gtin else None
    if not scan.gtin or not scan.batch:
        return Scanned(scan=scan, stock=None, known=known)
    state = stock_state(reading, scan.gtin, scan.batch)
    return Scanned(scan=scan, stock=state if state.received else None, known=known)


def _stock_by_batch(reading: Reading, batch: str) -> StockState:
    found = [one for one in all_stock(reading) if one.batch.casefold() == batch.casefold()]
    if len(found) != 1:
        told = "is not in stock" if not found else f"stands for {len(found)} packs: scan the container instead"
        raise UseCaseError(f'batch "{shown(batch)}" {told}. See drawup stock list')
    return found[0]


def container_document(scanned: Scanned, current: Setting) -> dict[str, Any]:
    """One container of the public request."""
    scan, stock, known = scanned.scan, scanned.stock, scanned.known
    container: dict[str, Any] = {}
    if scan.carrier != "batch in stock":
        container["code"] = scan.raw
    if scan.gtin:
        container["gtin"] = scan.gtin
    if scan.batch:
        container["batch"] = scan.batch
    if scan.expiry_date:
        container["expiry_date"] = scan.expiry_date.isoformat()
    if stock is not None:
        if stock.opened:
            container["opened"] = datetime.fromisoformat(stock.opened).astimezone(ZoneInfo(current.zone)).isoformat()
        if stock.quarantined:
            container["quarantined"] = stock.quarantined
        if stock.expiry_date and "expiry_date" not in container:
            container["expiry_date"] = stock.expiry_date
    if known is not None and known.kind == "diluent":
        container |= {"role": "diluent", "name": known.name}
    elif known is not None:
        container["known_as"] = dict(known.entry)
    return container


_SHORTEST = 8


def plan_digest(reading: Reading, text: str) -> str:
    """The whole hash of a plan from its beginning, of at least eight figures. Raises UseCaseError."""
    wanted = text.strip().lower()
    if len(wanted) < _SHORTEST or not all(figure in "0123456789abcdef" for figure in wanted):
        raise UseCaseError(
            f'"{text[:70]}" is no plan: its hash has figures 0 to 9 and a to f; at least {_SHORTEST} are needed'
        )
    found = reading.digests(wanted)
    if len(found) != 1:
        told = "no plan in this record begins" if not found else f"{len(found)} plans begin"
        raise UseCaseError(f'{told} with "{text[:70]}". Make one: drawup plan --order ORDER')
    return found[0]


def kept_plan(reading: Reading, digest: str) -> dict[str, Any]:
    """A kept plan by its whole hash. Raises UseCaseError."""
    content = reading.kept(digest)
    document = json.loads(content) if content is not None and content.startswith(b"{") else {}
    if "dose_number" not in document:
        raise UseCaseError(f'"{digest[:12]}..." is a kept document, but not a plan')
    return dict(document)
