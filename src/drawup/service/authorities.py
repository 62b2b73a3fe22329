"""What orders rest on besides a prescription: directions with their limits, and the session held under one.

A clinic under one direction needs no forty orders: a session is opened under the direction, and each patient who is
accepted gets an order from it, with what was asked and answered.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from drawup.exchange.authority_entry import AUTHORITY_KEYS, authority_of
from drawup.exchange.reader import FieldError, Fields, shown
from drawup.exchange.request import read_request
from drawup.injection.finding import Severity
from drawup.injection.lateness import opens_text, outlook_of
from drawup.injection.order import Authority
from drawup.injection.permission import check_answers, may_use, questions_for
from drawup.record.fact import Fact
from drawup.record.store import Store, Writer
from drawup.service.entries import check_named, check_time, check_words
from drawup.service.errors import UseCaseError
from drawup.service.known import zone_of
from drawup.service.planning import request_document
from drawup.service.registering import plain, put_order
from drawup.service.resting_on import made_once, order_changes
from drawup.service.state import (
    PatientState,
    Reading,
    formulary_entry,
    medicine_of,
    patient_state,
    patient_stream,
    setting,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Added:
    """An authority that was added: its name, and what it changed of the version before; None where it is the first."""

    reference: str
    changed: tuple[str, ...] | None


def add_authority(store: Store, entry: Mapping[str, Any], *, now: datetime, by: str) -> Added:
    """Keep an authority with the order that it allows.

    `entry`: the keys of an authority, and `order` as the public request writes it, without authority. What is added
    takes the place of the version of the same reference that is in force, also where it is an older one: what changes
    is said. Sessions under the one before end with it.
    """
    check_named(by)
    with store.writing() as writer:
        current = setting(writer)
        terms = {key: value for key, value in entry.items() if key != "order"}
        authority = authority_of(Fields(terms, "authority", current.policy.notation, []))
        if not authority.reference.strip():
            raise FieldError("authority.reference", "missing: it is found again by its number or name")
        rule = entry.get("order")
        if not isinstance(rule, Mapping) or not isinstance(rule.get("medicine"), str):
            raise FieldError("order", "missing, expected the order that it allows, with medicine, route and dose")
        if "authority" in rule:
            raise FieldError("order.authority", "is the authority itself. Leave it out")
        document = {
            "format": 1,
            "now": now.astimezone(ZoneInfo(current.zone)).isoformat(),
            "patient": {},
            "order": dict(rule),
            "medicine": dict(formulary_entry(writer, rule["medicine"])),
        }
        read_request(document, policy=current.policy)
        body = {"authority": plain(terms), "order": plain(rule), "by": by}
        keys = [f"authority:{authority.reference}", "authorities"]
        before = writer.find(keys[0])
        changed = None if not before else tuple(order_changes(_one_rule(before[-1].body), _one_rule(body)))
        if changed == ():
            raise UseCaseError(f"nothing is changed: the {authority.words} is kept so already")
        writer.append("authority", "authority", body, recorded_at=now, keys=keys)
    return Added(reference=authority.reference, changed=changed)


def _one_rule(body: Mapping[str, Any]) -> Mapping[str, Any]:
    return {**body["authority"], "order": body["order"]}


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptAuthority:
    """An authority as it is kept, and the order that it allows."""

    authority: Authority
    terms: Mapping[str, Any]
    order: Mapping[str, Any]
    number: int


def kept_authority(reading: Reading, reference: str) -> KeptAuthority:
    """The newest version of an authority by its reference. Raises UseCaseError."""
    facts = reading.find(f"authority:{reference}") if reference.isprintable() and reference else ()
    if not facts:
        known = ", ".join(sorted({fact.body["authority"]["reference"] for fact in reading.find("authorities")}))
        raise UseCaseError(f'no authority "{shown(reference)}". Known: {known or "none"}. See drawup authority list')
    body = facts[-1].body
    terms = Fields(dict(body["authority"]), "authority", setting(reading).policy.notation, [])
    return KeptAuthority(
        authority=authority_of(terms), terms=body["authority"], order=body["order"], number=facts[-1].number
    )


def authorities(reading: Reading) -> list[dict[str, Any]]:
    """Every authority in its newest version, by its reference."""
    newest = {fact.body["authority"]["reference"]: fact.body for fact in reading.find("authorities")}
    return [{"authority": body["authority"], "order": body["order"]} for _, body in sorted(newest.items())]


# --- sessions -----------------------------------------------------------------------------------------------------


def session_stream(session: str) -> str:
    """The stream of a session's facts."""
    return f"session/{session}"


@dataclass(slots=True)
class SessionState:
    """A session as the facts stand: under which authority, where, by whom, who was accepted and who was not."""

    session: str
    opened: Mapping[str, Any]
    accepted: list[Mapping[str, Any]]
    turned_away: list[Mapping[str, Any]]
    closed: Mapping[str, Any] | None = None


def session_state(reading: Reading, session: str) -> SessionState:
    """A session by its number. Raises UseCaseError."""
    facts = list(reading.facts(session_stream(session))) if session.isprintable() and session else []
    if not facts:
        raise UseCaseError(f'no session "{shown(session)}" in this record. See drawup session list')
    state = SessionState(session, facts[0].body, [], [])
    for fact in facts[1:]:
        match fact.kind:
            case "accepted":
                state.accepted.append(fact.body)
            case "not accepted":
                state.turned_away.append(fact.body)
            case "closed":
                state.closed = fact.body
    return state


def sessions(reading: Reading) -> list[SessionState]:
    """Every session, in the order of their numbers."""
    return [session_state(reading, name.partition("/")[2]) for name in reading.streams("session/")]


_DIGITS = 4


def open_session(store: Store, reference: str, *, place: str, by: str, now: datetime) -> str:
    """Open a session under an authority at a place; returns its number. Only those whom it names may."""
    check_named(by)
    check_words(place=place)
    with store.writing() as writer:
        kept = kept_authority(writer, reference)
        _check_in_force(writer, kept.authority, by, now)
        session = f"{len(writer.streams('session/')) + 1:0{_DIGITS}d}"
        body = {"authority": reference, "version": kept.number, "place": place, "by": by, "at": now.isoformat()}
        writer.append(session_stream(session), "opened", body, recorded_at=now, keys=["sessions"])
    return session


def close_session(store: Store, session: str, *, by: str, now: datetime) -> SessionState:
    """Close a session; nobody is accepted in it any more."""
    check_named(by)
    with store.writing() as writer:
        state = session_state(writer, session)
        if state.closed is not None:
            raise UseCaseError(f"session {session} was closed by {state.closed['by']} already")
        body = {"by": by, "at": now.isoformat()}
        writer.append(session_stream(session), "closed", body, recorded_at=now)
        return session_state(writer, session)


def _check_in_force(reading: Reading, authority: Authority, by: str, now: datetime) -> None:
    today = now.astimezone(ZoneInfo(setting(reading).zone)).date()
    if authority.starts is not None and today < authority.starts:
        raise UseCaseError(f"the {authority.words} holds from {authority.starts.isoformat()}; it is {today}")
    if authority.ends is not None and today > authority.ends:
        raise UseCaseError(
            f"the {authority.words} ended on {authority.ends.isoformat()}; it is {today}. Ask for the version in force"
        )
    if not may_use(authority, by) and not authority.delegable:
        raise UseCaseError(
            f"the {authority.words} names who may use it, and {by} is not among them: {', '.join(authority.staff)}"
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Accepted:
    """What became of a patient in a session: the order made, or why none was."""

    order: str | None
    why: tuple[str, ...] = ()
    not_before: str = ""


def session_questions(reading: Reading, session: str) -> tuple[tuple[str, str], ...]:
    """What is asked of each patient, each with the answer that it needs: "yes" or "no"."""
    kept = kept_authority(reading, session_state(reading, session).opened["authority"])
    return _questions(reading, kept)


def _questions(reading: Reading, kept: KeptAuthority) -> tuple[tuple[str, str], ...]:
    policy = setting(reading).policy
    medicine = medicine_of(formulary_entry(reading, kept.order["medicine"]), policy)
    include, exclude = kept.authority.include, kept.authority.exclude
    others = (one for one in questions_for(medicine, policy) if one not in (*include, *exclude))
    return (*((one, "yes") for one in include), *((one, "no") for one in (*exclude, *others)))


def accept_patient(
    store: Store,
    session: str,
    patient: str,
    *,
    answers: Mapping[str, tuple[str, str]],
    all_clear: bool,
    by: str,
    now: datetime,
) -> Accepted:
    """Ask a patient what the authority asks, and make their order where nothing speaks against it.

    `answers`: question to ("yes" or "no", words). `all_clear`: every other question was answered as it needs to be. The
    answers are kept either way; a patient whom the authority excludes gets no order, and that is kept as well.
    """
    check_named(by)
    with store.writing() as writer:
        held = session_state(writer, session)
        if held.closed is not None:
            raise UseCaseError(f"session {session} is closed. Open another: drawup session open")
        kept = kept_authority(writer, held.opened["authority"])
        if kept.number != held.opened["version"]:
            raise UseCaseError(f"a newer version of the {kept.authority.words} is in force. Open a session under it")
        _check_in_force(writer, kept.authority, by, now)
        state = patient_state(writer, patient)
        done = [one for one in held.accepted if one["patient"] == state.patient]
        if done:
            raise UseCaseError(f"{state.name} was accepted in this session already: order {done[0]['order']}")
        wanted = _questions(writer, kept)
        told = _told(wanted, answers, all_clear=all_clear)
        _check_changed(state, wanted, told, at=now, zone=zone_of(state, setting(writer)))
        note_answers(writer, state, told, at=now, by=by, now=now)
        why = _against(writer, state.patient, kept, now)
        body: dict[str, Any] = {"patient": state.patient, "by": by, "at": now.isoformat()}
        if why:
            writer.append(session_stream(session), "not accepted", {**body, "why": list(why)}, recorded_at=now)
            return Accepted(order=None, why=why)
        order = _make_order(writer, patient_state(writer, state.patient), kept, session, by, now)
        writer.append(session_stream(session), "accepted", {**body, "order": order}, recorded_at=now)
        not_before = _not_before(writer, patient_state(writer, state.patient), order, now)
    return Accepted(order=order, not_before=not_before)


def _not_before(writer: Writer, state: PatientState, order: str, now: datetime) -> str:
    """From when on the first dose may be given, where that is not now: a series by age, or a dose given elsewhere."""
    current = setting(writer)
    document = request_document(writer, state, order, current, now=now)
    outlook = outlook_of(read_request(document, policy=current.policy, recorded=True).request, current.policy)
    due = outlook.due if outlook is not None else None
    if due is None or due.state(now) != "early":
        return ""
    return f"{opens_text(due, zone_of(state, current))}: {due.because}"


def _told(
    wanted: Sequence[tuple[str, str]], answers: Mapping[str, tuple[str, str]], *, all_clear: bool
) -> list[dict[str, str]]:
    """Every question with its answer. Raises UseCaseError for one that is not asked, or was left open."""
    known = [question for question, _ in wanted]
    for question in answers:
        if question not in known:
            raise UseCaseError(f'"{shown(question)}" is not asked here. Asked: {", ".join(known) or "nothing"}')
    told = []
    for question, needed in wanted:
        if question not in answers and not all_clear:
            raise UseCaseError(
                f'not answered: "{question}". Answer each: --answer "{question}={needed}", or all as they need to be: '
                "--all-clear"
            )
        answer, words = answers.get(question, (needed, ""))
        if answer not in ("yes", "no"):
            raise UseCaseError(f'read "{shown(answer)}" for "{question}", expected yes or no')
        told.append({"question": question, "answer": answer, **({"words": words} if words else {})})
    return told


def _check_changed(
    state: PatientState,
    wanted: Sequence[tuple[str, str]],
    told: Sequence[Mapping[str, str]],
    *,
    at: datetime,
    zone: ZoneInfo,
) -> None:
    """An answer of the same day that spoke against it is taken back with words alone. A worse one needs none."""
    today = at.astimezone(zone).date()
    needs = dict(wanted)
    said: dict[str, Mapping[str, Any]] = {}
    for one in sorted(state.answers, key=lambda one: datetime.fromisoformat(one["at"])):
        if datetime.fromisoformat(one["at"]).astimezone(zone).date() == today:
            said[one["question"]] = one
    for new in told:
        question, needed = new["question"], needs[new["question"]]
        before = said.get(question)
        if before is None or before["answer"] == needed or new["answer"] != needed or new.get("words", "").strip():
            continue
        words = f" ({before['words']})" if before.get("words") else ""
        clock = datetime.fromisoformat(before["at"]).astimezone(zone).strftime("%Y-%m-%d %H:%M")
        asked = before["by"] or "nobody named"
        raise UseCaseError(
            f'"{question}" was answered {before["answer"]}{words} {clock}, asked by {asked}. Both answers stay '
            f'readable; say what has changed since: --answer "{question}={needed}: WORDS"'
        )


def note_answers(
    writer: Writer, state: PatientState, told: Sequence[Mapping[str, str]], *, at: datetime, by: str, now: datetime
) -> Fact | None:
    """Keep what was answered to the questions of the day, as one fact."""
    check_time(at, now, happened="asked")
    for one in told:
        check_words(question=one["question"], words=one.get("words", ""))
    if not told:
        return None
    body = {"answers": [dict(one) for one in told], "at": at.isoformat(), "by": by}
    return writer.append(patient_stream(state.patient), "answers", body, recorded_at=now)


def _against(writer: Writer, patient: str, kept: KeptAuthority, now: datetime) -> tuple[str, ...]:
    """What speaks against accepting the patient: an exclusion stops, and so does a yes that a prescriber must weigh."""
    current = setting(writer)
    state = patient_state(writer, patient)
    zone = zone_of(state, current)
    medicine = medicine_of(formulary_entry(writer, kept.order["medicine"]), current.policy)
    document = {
        "format": 1,
        "now": now.astimezone(zone).isoformat(),
        "patient": {},
        "order": {"medicine": medicine.name},
        "medicine": dict(formulary_entry(writer, medicine.name)),
        "answers": [
            {key: one[key] for key in ("question", "answer", "words", "at", "by") if key in one}
            for one in state.answers
        ],
    }
    answers = read_request(document, policy=current.policy, recorded=True).request.answers
    found = check_answers(kept.authority, medicine, answers, current.policy, now.astimezone(zone).date(), zone)
    return tuple(one.message for one in found if one.severity in (Severity.STOP, Severity.CONFIRM))


def _make_order(writer: Writer, state: PatientState, kept: KeptAuthority, session: str, by: str, now: datetime) -> str:
    today = now.astimezone(zone_of(state, setting(writer))).date().isoformat()
    rule = {"start": today, **made_once(kept.order), "authority": dict(kept.terms)}
    if "schedule" not in kept.order and "schedule" in rule:
        rule["stop"] = today
    return put_order(writer, state, rule, now=now, by=by, session=session)


def answer_questions(
    store: Store,
    order: str,
    *,
    answers: Mapping[str, tuple[str, str]],
    all_clear: bool,
    by: str,
    at: datetime,
    now: datetime,
) -> list[dict[str, str]]:
    """Keep the answers to the questions of the day for an order's next dose; returns them."""
    check_named(by)
    with store.writing() as writer:
        state = patient_state(writer, order.partition(".")[0])
        wanted = order_questions(writer, state, order)
        if not wanted:
            raise UseCaseError("nothing is asked on the day before this medicine, by its label, authority or policy")
        told = _told(wanted, answers, all_clear=all_clear)
        _check_changed(state, wanted, told, at=at, zone=zone_of(state, setting(writer)))
        note_answers(writer, state, told, at=at, by=by, now=now)
    return told


def order_questions(reading: Reading, state: PatientState, order: str) -> tuple[tuple[str, str], ...]:
    """The questions of the day for an order, each with the answer that it needs."""
    if order not in state.orders:
        raise UseCaseError(f'no order "{shown(order)}" for {state.name}. See drawup order list')
    rule = state.orders[order]["order"]
    terms = rule.get("authority")
    known = {key: terms[key] for key in AUTHORITY_KEYS if key in terms} if isinstance(terms, Mapping) else {}
    known = known or {"kind": "prescription"}
    authority = authority_of(Fields(known, "authority", setting(reading).policy.notation, []))
    return _questions(reading, KeptAuthority(authority=authority, terms=known, order=rule, number=0))
