"""A plan from the record: the public request is put together from the facts, answered, and kept by its content."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction
from itertools import count
from typing import Any
from zoneinfo import ZoneInfo

from drawup.evidence.tables import load_sites
from drawup.exchange.answer import answer
from drawup.exchange.gs1 import Scan, read_code
from drawup.exchange.reader import shown
from drawup.exchange.request import ReadRequest, read_request
from drawup.injection.anatomy import split_region
from drawup.injection.finding import Finding, Severity
from drawup.injection.notation import Notation, NotationError, machine_text, parse_quantity
from drawup.injection.order import doses_per_day
from drawup.injection.plan import Plan, plan_injection
from drawup.injection.skin import SkinPlace
from drawup.injection.visit import plan_visit
from drawup.record.store import Store, Writer
from drawup.service.errors import UseCaseError
from drawup.service.state import (
    Known,
    PatientState,
    Reading,
    Setting,
    StockState,
    alike_key,
    all_stock,
    canonical,
    formulary_entry,
    known_code,
    patient_state,
    patient_stream,
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
        note_near_misses(writer, made.plan.findings, state.patient, order, now=now, by=by)
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


_CLOCK = re.compile(r"(?:[01][0-9]|2[0-3]):[0-5][0-9]", re.ASCII)


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
    if read.order.times and all(_CLOCK.fullmatch(one) for one in read.order.times):
        document["times"] = list(read.order.times)
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


# Findings about the very container in the hand: caught before giving, they are near misses.
CONTAINER_CODES = frozenset(
    (
        "medicine-not-ordered",
        "pack-not-ordered",
        "not-in-formulary",
        "batch-expired",
        "batch-quarantined",
        "in-use-passed",
        "opened-without-date",
        "diluent-not-ordered",
    )
)


def note_near_misses(
    writer: Writer, findings: Iterable[Finding], patient: str, order: str, *, now: datetime, by: str
) -> None:
    """Count what a scan caught: a fact without blame, apart from the patient's entries and from stock."""
    for found in findings:
        if found.code in CONTAINER_CODES and found.severity is Severity.STOP:
            body = {"code": found.code, "message": found.message, "patient": patient, "order": order, "by": by}
            writer.append("audit", "near miss", body, recorded_at=now, keys=["near miss"])


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
    held = state.orders[order]
    rule = dict(held["order"])
    local = now.astimezone(ZoneInfo(current.zone))
    if "stopped" in held:
        rule["stopped"] = held["stopped"]
    if "replaced_by" in held:
        rule["stopped"] = local.date().isoformat()
    if chosen_dose is not None:
        rule["dose"] = {**(rule.get("dose") or {}), "chosen": chosen_dose}
    document = {
        **known_document(reading, state, rule, current, now=now),
        "open_orders": _other_orders(state, order, local, current.policy.notation),
        "accepted": [*remembered(state, order), *map(dict, accepted)],
    }
    if choose:
        document["choose"] = dict(choose)
    if containers:
        document["container"] = [container_document(one, current) for one in containers]
    return document


def known_document(
    reading: Reading, state: PatientState, rule: Mapping[str, Any], current: Setting, *, now: datetime
) -> dict[str, Any]:
    """What is known of the patient at one moment, with an order and its medicine, as the public request writes it."""
    local = now.astimezone(ZoneInfo(current.zone))
    document: dict[str, Any] = {
        "format": 1,
        "now": local.isoformat(),
        "patient": {**patient_document(state, local.date().isoformat()), **_alike(reading, state)},
        "order": dict(rule),
        "medicine": dict(formulary_entry(reading, rule["medicine"])),
        "readings": [_only(one, "what", "value", "at") for one in state.readings if _moment(one["at"]) <= now],
    }
    history = list(_history(state, now))
    if history or state.asked_history:
        # A new patient's empty record is no statement that nothing was given elsewhere.
        document["history"] = history
    return document


def patient_document(state: PatientState, today: str) -> dict[str, Any]:
    """What is known of the patient on a day, as the public request writes it."""
    patient: dict[str, Any] = {"sex": state.person["sex"], "born": state.person["born"]}
    for key, measured in (("weight", state.weight), ("height", state.height)):
        if measured is not None:
            # An entry written later is planned for its own day: what was measured since counts as of that day.
            patient[key] = {**_only(measured, "value", "how"), "on": min(measured.get("on") or today, today)}
    if state.asked_allergies:
        patient["allergies"] = state.allergies
    if state.ruled_out:
        patient["avoid"] = [_only(one, "region", "side", "reason") for one in state.ruled_out]
    if state.bleeding is not None:
        patient["bleeding_risk"] = state.bleeding
    marks = marks_of(state, today)
    if marks:
        patient["marks"] = marks
    if state.pregnant is not None:
        patient["pregnant"] = state.pregnant
    if state.born_at_weeks is not None:
        patient["born_at_weeks"] = state.born_at_weeks
    if state.distances:
        patient["distance_mm"] = dict(state.distances)
    return patient


def _alike(reading: Reading, state: PatientState) -> dict[str, list[str]]:
    """Others of the same family name, twins among them."""
    others = []
    for fact in reading.find(alike_key(state.person["family"])):
        body = fact.body
        if fact.stream != patient_stream(state.patient):
            others.append(f"{body['family'].upper()}, {body['given']}, born {body['born']}")
    return {"alike": others} if others else {}


# What an inspection writes when nothing is there any more.
_NOTHING = ("nothing", "gone")
_MARK = ("kind", "site", "side", "point", "place_mm", "body_scale", "grid", "size_mm", "how")


def marks_of(state: PatientState, today: str) -> list[dict[str, Any]]:
    """Lumps and the like as last inspected at each place. What is gone stays, with its day: it fades from there on.

    What goes after `today` is still there on that day, and what was found since counts as of that day.
    """
    marks: dict[tuple[str, ...], dict[str, Any]] = {}
    for entry in sorted(state.entries.values(), key=lambda one: one.at):
        if entry.kind != "inspection" or entry.void:
            continue
        body, day = entry.body, entry.body["at"][:10]
        if body["kind"] not in _NOTHING:
            where = (*(body.get("place_mm") or (body.get("point") or "",)), body.get("body_scale") or "")
            place = (body["kind"], body["site"], body["side"], *where)
            known = marks.get(place, {})
            size = {"size_mm": known["size_mm"]} if known.get("size_mm") and "gone" not in known else {}
            marks[place] = {**size, **_only(body, *_MARK), "seen": min(day, today)}
        elif day <= today:
            for mark in marks.values():
                if "gone" not in mark and closes(body, mark):
                    mark["gone"] = day
    return list(marks.values())


def open_marks(state: PatientState, today: str) -> list[dict[str, Any]]:
    """The lumps and the like that were not written as gone."""
    return [mark for mark in marks_of(state, today) if "gone" not in mark]


_NEAR_MM = 10


def closes(body: Mapping[str, Any], mark: Mapping[str, Any]) -> bool:
    """Whether "gone" or "nothing" there is about this lump: at its point, on it or within a finger's width of it.

    "Gone" without a point means everything on that side of the site; "nothing" without one closes nothing.
    """
    if (body["site"], body["side"]) != (mark["site"], mark["side"]):
        return False
    if not body.get("point") and not body.get("place_mm"):
        return bool(body["kind"] == "gone")
    if body.get("point") and body.get("point") == mark.get("point"):
        return True
    here, there = body.get("place_mm"), mark.get("place_mm")
    if not here or not there:
        return not there
    across, down = (Fraction(one) - Fraction(other) for one, other in zip(here, there, strict=True))
    reach = Fraction(mark.get("size_mm") or 0) / 2 + _NEAR_MM
    return across * across + down * down <= reach * reach


def _only(body: Mapping[str, Any], *keys: str) -> dict[str, Any]:
    return {key: body[key] for key in keys if body.get(key) is not None}


def _moment(text: str) -> datetime:
    return datetime.fromisoformat(text)


def _history(state: PatientState, now: datetime) -> Iterable[dict[str, Any]]:
    """What was really given, here or elsewhere, as it stands after corrections."""
    for entry in state.entries.values():
        if not entry.counts or entry.at > now:
            continue
        body = entry.body
        past: dict[str, Any] = {"medicine": body["medicine"], "at": body["at"], "kind": entry.kind}
        if body.get("amount"):
            past["amount"] = body["amount"]
        if entry.kind == "part given" and body.get("ordered"):
            past["ordered"] = body["ordered"]
        places = [_past_place(place) for place in body.get("injections", ())]
        if places:
            past |= places[0]
        if len(places) > 1:
            past["also_at"] = places[1:]
        yield past


_WHERE = ("site", "side", "point", "place_mm", "body_scale", "grid", "volume_ml")


def _past_place(place: Mapping[str, Any]) -> dict[str, Any]:
    past = _only(place, *_WHERE)
    needle = place.get("needle")
    return {**past, "gauge": needle["gauge"]} if needle else past


def _other_orders(state: PatientState, order: str, now: datetime, notation: Notation) -> list[dict[str, Any]]:
    others = []
    for held in state.open_orders(now.date()):
        if held["id"] == order:
            continue
        rule = held["order"]
        dose = rule.get("dose") or {}
        other: dict[str, Any] = {"medicine": rule["medicine"], "words": f"order {held['id']}"}
        if dose.get("amount") and (dose.get("per") or "dose") == "dose":
            safe = _safely(dose["amount"], notation)
            if safe is not None:
                other["amount"] = safe
            else:
                other["words"] += f", {dose['amount']}"
        if dose.get("doses_per_day"):
            other["doses_per_day"] = dose["doses_per_day"]
        others.append(other)
    return others


def _safely(amount: str, notation: Notation) -> str | None:
    """An amount as it should be written: what is wrong with another order's notation is that order's to say.

    None where it can no longer be read: another policy, with another notation, came into force since.
    """
    try:
        return machine_text(parse_quantity(amount, notation, forms=None).quantity)
    except NotationError:
        return None


def remembered(state: PatientState, order: str) -> list[dict[str, str]]:
    """Reasons given earlier on this order; they hold for the very same fact and are not asked for again."""
    known: dict[tuple[str, str], str] = {}
    for entry in state.entries.values():
        if entry.void or entry.body.get("order") != order:
            continue
        for found in entry.body.get("findings", ()):
            if found.get("accepted") and found["severity"] == "ask":
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
            container["opened"] = _moment(stock.opened).astimezone(ZoneInfo(current.zone)).isoformat()
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
