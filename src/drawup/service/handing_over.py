"""What the next person must know of a place: being watched, half done, waiting for somebody, late, next."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from drawup.exchange.request import read_request
from drawup.injection.permission import signature_until
from drawup.record.store import Store
from drawup.service.due import DueBook, due_list, follows_something, last_contact
from drawup.service.entries import clock_text
from drawup.service.known import zone_of
from drawup.service.planning import request_document
from drawup.service.state import PatientState, Reading, Setting, patient_state, setting
from drawup.service.syringes import open_syringes
from drawup.service.watching import awaiting_effect, open_watches


def handed_over(store: Store, *, now: datetime, place: str, ahead: timedelta, keep: bool = True) -> dict[str, Any]:
    """What is handed over of a place at a moment. `ahead`: how far the next doses are looked at."""
    book = DueBook(store, keep=keep)
    try:
        lines = due_list(book, store, now=now, place=place, until=now + ahead)
        states = [patient_state(store, patient) for patient in book.patients_with_something_open(store, now, place)]
    finally:
        book.close()
    current = setting(store)
    return {
        "now": now.isoformat(),
        "place": place,
        "watched": sorted((one for state in states for one in _watched(state, current, now)), key=_worst_first),
        "half_done": [one for state in states for one in _half_done(state, current, now)],
        "waiting": [one for state in states for one in _waiting(store, state, current, now)],
        "late": [line for line in lines if line["state"] in ("missed", "late")],
        "next": [line for line in lines if line["state"] in ("due", "early")],
    }


def _worst_first(one: Mapping[str, Any]) -> tuple[bool, bool, datetime]:
    """Who is outside the limits before who is overdue, then by the next look."""
    return not one["outside"], not one["overdue"], datetime.fromisoformat(one["next_look"])


def _about(state: PatientState, words: str, **more: Any) -> dict[str, Any]:
    known = {"patient": state.patient, "name": state.name, "born": state.person["born"]}
    return {**known, **more, "words": words}


def _watched(state: PatientState, current: Setting, now: datetime) -> Iterable[dict[str, Any]]:
    zone = zone_of(state, current)
    for one in open_watches(state, now):
        outside = f" OUTSIDE ITS LIMITS: {'; '.join(one['outside'])}. {one['then']}" if one["outside"] else ""
        overdue = ", overdue" if one["overdue"] else ""
        yield _about(
            state,
            f"{one['medicine']} given {_clock(one['given_at'], zone)}: {', '.join(one['what'])}; next look "
            f"{_clock(one['next_look'], zone)}{overdue}, until {_clock(one['until'], zone)}.{outside}",
            **one,
        )


def _half_done(state: PatientState, current: Setting, now: datetime) -> Iterable[dict[str, Any]]:
    zone = zone_of(state, current)
    for one in open_syringes(state):
        minutes = int((now - datetime.fromisoformat(one["at"])).total_seconds()) // 60
        medicine = state.orders[one["order"]]["order"]["medicine"]
        yield _about(
            state,
            f"{medicine} drawn up {_clock(one['at'], zone)} by {one['by']}, {minutes} minutes ago, and neither given "
            f"nor set aside (plan {one['plan'][:12]})",
            order=one["order"],
            plan=one["plan"],
        )
    for entry in _given_in_part(state):
        body = entry.body
        yield _about(
            state,
            f"{body['medicine']}: {body['amount']} of {body.get('ordered', 'the dose')} given "
            f"{_clock(body['at'], zone)}; whether the rest is given is the prescriber's to decide",
            entry=state.entry_id(entry.number),
            order=body.get("order"),
        )
    for one in awaiting_effect(state, now):
        when = "now" if one["due"] else f"from {_clock(one['ask_from'], zone)}"
        yield _about(
            state,
            f"{one['medicine']} given {_clock(one['given_at'], zone)}, when needed: ask {when} whether it helped",
            **one,
        )


def _given_in_part(state: PatientState) -> Iterable[Any]:
    """The doses given in part that are still the last of their order."""
    newest: dict[str, Any] = {}
    for entry in sorted(state.entries.values(), key=lambda one: one.at):
        if entry.counts and entry.body.get("order"):
            newest[entry.body["order"]] = entry
    return [entry for entry in newest.values() if entry.kind == "part given"]


def _waiting(reading: Reading, state: PatientState, current: Setting, now: datetime) -> Iterable[dict[str, Any]]:
    zone = zone_of(state, current)
    for held in state.orders.values():
        gone = "stopped" in held or "replaced_by" in held
        used = any(entry.counts and entry.body.get("order") == held["id"] for entry in state.entries.values())
        if follows_something(held) and (used or not gone):
            yield from _unsigned(reading, state, current, held, now, zone)
    for held in state.open_orders(now.astimezone(zone).date()):
        one = last_contact(state, held["id"])
        if one is not None and one.get("next_try"):
            words = f" ({one['words']})" if one.get("words") else ""
            yield _about(
                state,
                f"order {held['id']}: {one['outcome']}{words} {_clock(one['at'], zone)}, by {one['by']}; next try "
                f"{_clock(one['next_try'], zone)}",
                order=held["id"],
                next_try=one["next_try"],
            )


def _unsigned(
    reading: Reading, state: PatientState, current: Setting, held: Mapping[str, Any], now: datetime, zone: ZoneInfo
) -> Iterable[dict[str, Any]]:
    """What must still follow an order, and until when."""
    try:
        document = request_document(reading, state, held["id"], current, now=now)
        order = read_request(document, policy=current.policy, recorded=True).request.order
    except ValueError as error:
        # One order that can no longer be read keeps nothing else of the place from being handed over.
        what = f"order {held['id']}, {held['order']['medicine']}, cannot be read, and something must follow it: {error}"
        yield _about(state, what, order=held["id"], unreadable=True)
        return
    follows = signature_until(order, current.policy, zone)
    if follows is not None:
        what, until = follows
        late = "LATE: " if now > until else ""
        words = f"{late}order {held['id']}, {order.medicine}: {what} until {_clock(until.isoformat(), zone)}"
        yield _about(state, words, order=held["id"], until=until.isoformat())


def _clock(text: str, zone: ZoneInfo) -> str:
    return clock_text(datetime.fromisoformat(text).astimezone(zone).isoformat())
