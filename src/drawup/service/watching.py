"""What happens round an injection: drawn up, watched after, did it help, who was rung, and what of it is still open.

None of it moves stock but a syringe set aside: what was drawn up is used by `given` and lost by `not_given`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from fractions import Fraction
from typing import Any

from drawup.exchange.medicine_entry import reading_value
from drawup.exchange.reader import FieldError, Fields, checked_text, shown
from drawup.injection.notation import Notation
from drawup.record.store import Store, Writer
from drawup.service.after_giving import later
from drawup.service.entries import (
    Recorded,
    check_named,
    check_time,
    check_words,
    clock_text,
    counted_containers,
    find_entry,
    move_stock,
    used_containers,
)
from drawup.service.errors import Blocked, UseCaseError
from drawup.service.near_misses import note_blocked
from drawup.service.planning import answer_document, dose_key, kept_plan, look_at, plan_digest
from drawup.service.recording import already_given, asked_again
from drawup.service.state import (
    GIVEN_KINDS,
    Entry,
    PatientState,
    Reading,
    Watching,
    patient_state,
    patient_stream,
    setting,
)
from drawup.service.syringes import open_syringes
from drawup.service.withheld import outside_now

# --- drawn up -----------------------------------------------------------------------------------------------------


def drawn_up(
    store: Store,
    plan: str,
    *,
    scans: Sequence[str],
    by: str,
    at: datetime,
    now: datetime,
    anyway: bool = False,
) -> Recorded:
    """A dose was drawn up by a plan. Everything is looked at again with the containers in the hand; no stock moves yet.

    Raises Blocked where something stands in the way and it is not said that it was drawn up anyway, AlreadyGiven where
    the planned dose is recorded.
    """
    check_named(by)
    check_time(at, now, happened="drawn up")
    if not scans:
        raise UseCaseError("scan what it was drawn up from: --scan CODE, once for each container")
    digest = plan_digest(store, plan)
    try:
        with store.writing() as writer:
            return _draw_up(writer, digest, scans, by, at, now, anyway=anyway)
    except Blocked as blocked:
        note_blocked(store, blocked.findings, kept_plan(store, digest), now=now, by=by)
        raise


def _draw_up(
    writer: Writer, digest: str, scans: Sequence[str], by: str, at: datetime, now: datetime, *, anyway: bool
) -> Recorded:
    kept, current = kept_plan(writer, digest), setting(writer)
    state, order, number = patient_state(writer, kept["patient"]), kept["order"], kept["dose_number"]
    claim = writer.claimed(dose_key(order, number))
    if claim is not None:
        raise already_given(writer, claim)
    for syringe in open_syringes(state):
        if (syringe["order"], syringe["dose_number"]) == (order, number):
            raise UseCaseError(
                f"this dose was drawn up already, {clock_text(syringe['at'])} by {syringe['by']}. Give that one, or "
                "set it aside first: drawup drawn-up PLAN --set-aside WORDS --by NAME"
            )
    containers = [look_at(writer, text, at) for text in scans]
    document = asked_again(writer, state, current, kept, at=at, containers=containers)
    _, plan, _ = answer_document(document, current)
    standing = [found for found in plan.findings if found.blocks]
    if standing and not anyway:
        raise Blocked(plan.findings)
    body: dict[str, Any] = {
        "plan": digest,
        "order": order,
        "dose_number": number,
        "medicine": state.orders[order]["order"]["medicine"],
        "containers": counted_containers(containers),
        "at": at.isoformat(),
        "by": by,
        "zone": current.zone,
    }
    if standing:
        body["against"] = [found.code for found in standing]
    fact = writer.append(patient_stream(state.patient), "drawn up", body, recorded_at=now)
    lines = ["Label it, and give it or set it aside: it stands open until then. No stock moved."]
    if standing:
        lines.append(f"Drawn up although: {', '.join(body['against'])}.")
    return Recorded(entry=state.entry_id(fact.number), fact=fact, findings=plan.findings, lines=tuple(lines))


def set_aside(store: Store, plan: str, *, words: str, by: str, at: datetime, now: datetime) -> Recorded:
    """A syringe that was drawn up is thrown away ungiven: its containers are wasted, and the dose is still to give."""
    check_named(by)
    check_words(words=words)
    check_time(at, now, happened="set aside")
    if not words.strip():
        raise UseCaseError("say in words why it is set aside: --set-aside WORDS")
    digest = plan_digest(store, plan)
    with store.writing() as writer:
        kept, current = kept_plan(writer, digest), setting(writer)
        state = patient_state(writer, kept["patient"])
        syringe = next((one for one in open_syringes(state) if one["plan"] == digest), None)
        if syringe is None:
            raise UseCaseError(
                f"nothing stands drawn up by plan {digest[:12]}. See drawup chart {state.patient} for what does"
            )
        _not_before(at, syringe["at"], "it was drawn up")
        body = {**syringe, "set_aside": syringe["number"], "words": words, "by": by, "at": at.isoformat()}
        del body["number"]
        fact = writer.append(patient_stream(state.patient), "drawn up", {**body, "zone": current.zone}, recorded_at=now)
        move_stock(writer, used_containers(body), state.entry_id(fact.number), "wasted", now, at)
    lines = ("Set aside: its containers are written off.",)
    return Recorded(entry=state.entry_id(fact.number), fact=fact, findings=(), lines=lines)


# --- watched ------------------------------------------------------------------------------------------------------


def watched(
    store: Store,
    entry: str,
    *,
    seen: Mapping[str, str],
    by: str,
    at: datetime,
    now: datetime,
    words: str = "",
) -> Recorded:
    """What was seen of a patient who is watched after an injection; says what is outside its limits, and what to do."""
    check_named(by)
    check_words(words=words)
    if not seen and not words.strip():
        raise UseCaseError("nothing was seen: write --seen WHAT=VALUE, or --words")
    with store.writing() as writer:
        state, held, watch = _open_watch(writer, entry)
        body = _look(held, watch, seen, words, setting(writer).policy.notation)
        check_time(at, now, happened="seen")
        _not_before(at, held.body["at"], "it was given")
        body |= {"by": by, "at": at.isoformat(), "zone": setting(writer).zone}
        fact = writer.append(patient_stream(state.patient), "watched", body, recorded_at=now)
    told = Watching(looks=[*_watching(state, held).looks, body])
    return Recorded(
        entry=state.entry_id(held.number),
        fact=fact,
        findings=(),
        lines=(*_outside_lines(body, watch), *_next(held, told)),
    )


def end_watch(
    store: Store,
    entry: str,
    *,
    by: str,
    at: datetime,
    now: datetime,
    words: str = "",
    seen: Mapping[str, str] | None = None,
) -> Recorded:
    """Somebody signs that a watch is over. Before its time, or after a figure outside its limits, they say why.

    `seen`: the last look, written down with it.
    """
    check_named(by)
    check_words(words=words)
    with store.writing() as writer:
        current = setting(writer)
        state, held, watch = _open_watch(writer, entry)
        check_time(at, now, happened="ended")
        stream, looks = patient_stream(state.patient), _watching(state, held).looks
        common = {"by": by, "at": at.isoformat(), "zone": current.zone}
        last = _last(looks)
        _not_before(at, last["at"] if last else held.body["at"], "the last look" if last else "it was given")
        lines: list[str] = []
        if seen:
            look = {**_look(held, watch, seen, "", current.policy.notation), **common}
            writer.append(stream, "watched", look, recorded_at=now)
            lines += _outside_lines(look, watch)
            looks = [*looks, look]
        early = at < datetime.fromisoformat(watch["until"])
        if early and not words.strip():
            until = clock_text(watch["until"])
            raise UseCaseError(f"the watch lasts until {until}. To end it before, say why: --words")
        outside = outside_now(looks)
        if outside and not words.strip():
            raise UseCaseError(f"outside its limits when last seen: {'; '.join(outside)}. Say what was done: --words")
        body = {"entry": held.number, "words": words, "early": early, **common}
        fact = writer.append(stream, "watch ended", body, recorded_at=now)
    lines.append(f"The watch is over{', before its time' if early else ''}: signed by {by}.")
    return Recorded(entry=state.entry_id(held.number), fact=fact, findings=(), lines=tuple(lines))


def watch_of(reading: Reading, entry: str, now: datetime) -> dict[str, Any]:
    """One watch as it stands: what is watched, its limits, every look, and who ended it. Raises UseCaseError."""
    state, held = find_entry(reading, entry)
    watch, watching = _watch(state, held), _watching(state, held)
    told = _open(state, held, now) if watching.ended is None else {}
    return {
        "entry": state.entry_id(held.number),
        "patient": state.patient,
        "name": state.name,
        "medicine": held.body["medicine"],
        "given_at": held.body["at"],
        **watch,
        "looks": sorted(watching.looks, key=lambda one: datetime.fromisoformat(one["at"])),
        "ended": watching.ended,
        "next_look": told.get("next_look"),
        "overdue": bool(told.get("overdue")),
        "outside": told.get("outside", []),
    }


def open_watches(state: PatientState, now: datetime) -> list[dict[str, Any]]:
    """The watches of a patient that nobody has ended; those that nobody must sign end by themselves at their time.

    Each: entry, medicine, given_at, what, next_look, until, overdue, outside (what lies outside its limits by the last
    figure of each, in words), then. `overdue`: the next look is past, or the end is and nobody has signed.
    """
    found = []
    for held in state.entries.values():
        watch, given = held.body.get("watch"), held.counts and held.at <= now
        if not watch or not given or _watching(state, held).ended is not None:
            continue
        told = _open(state, held, now)
        if watch["signed"] or told["outside"] or now < datetime.fromisoformat(watch["until"]):
            found.append(told)
    return found


def _open(state: PatientState, held: Entry, now: datetime) -> dict[str, Any]:
    watch, watching = held.body["watch"], _watching(state, held)
    due = _next_look(held, watching)
    return {
        "entry": state.entry_id(held.number),
        "medicine": held.body["medicine"],
        "given_at": held.body["at"],
        "what": list(watch["what"]),
        "next_look": due,
        "until": watch["until"],
        "overdue": now > datetime.fromisoformat(due),
        "outside": outside_now(watching.looks),
        "then": watch["then"],
    }


def _next_look(held: Entry, watching: Watching) -> str:
    """When the next look is due: so long after the last one, or after giving; at the end at the latest."""
    watch, last = held.body["watch"], _last(watching.looks)
    until: str = watch["until"]
    if watch["every_minutes"] is None:
        return until
    since = datetime.fromisoformat(last["at"] if last else held.body["at"])
    due = later(since, timedelta(minutes=watch["every_minutes"]))
    return min(due, until, key=datetime.fromisoformat)


def _last(looks: Sequence[dict[str, Any]]) -> dict[str, Any] | None:
    return max(looks, key=lambda one: datetime.fromisoformat(one["at"]), default=None)


def _watching(state: PatientState, held: Entry) -> Watching:
    return state.watches.get(held.number) or Watching()


def _watch(state: PatientState, held: Entry) -> Mapping[str, Any]:
    watch: Mapping[str, Any] | None = held.body.get("watch")
    if not watch or held.kind not in GIVEN_KINDS:
        raise UseCaseError(
            f"nothing is watched after entry {state.entry_id(held.number)}. See drawup chart {state.patient}"
        )
    return watch


def _open_watch(writer: Writer, entry: str) -> tuple[PatientState, Entry, Mapping[str, Any]]:
    state, held = find_entry(writer, entry)
    watch, ended = _watch(state, held), _watching(state, held).ended
    if ended is not None:
        raise UseCaseError(
            f"the watch of entry {entry} was ended {clock_text(ended['at'])} by {ended['by']}. What is seen later is "
            "written as a reading: drawup patient note"
        )
    return state, held, watch


def _look(
    held: Entry,
    watch: Mapping[str, Any],
    seen: Mapping[str, str],
    words: str,
    notation: Notation,
) -> dict[str, Any]:
    """One look, each figure held against its limits."""
    outside: dict[str, str] = {}
    for what, text in seen.items():
        if what not in watch["what"]:
            known = ", ".join(watch["what"])
            raise FieldError("seen", f'read "{shown(what)}", expected one of what is watched: {known}')
        path = f"seen.{what}"
        if not checked_text(text, path, 200).strip():
            raise FieldError(path, "missing: what was seen")
        for limit in (one for one in watch["limits"] if one["what"] == what):
            why = _outside(text, path, limit, notation)
            if why:
                outside[what] = why
    return {"entry": held.number, "seen": dict(seen), "outside": outside, "words": words}


def _outside(text: str, path: str, limit: Mapping[str, Any], notation: Notation) -> str:
    """Which limit a figure lies outside of, "" for none. A figure in another unit is refused, never converted."""
    number, unit = reading_value(text, path, Fields({}, "", notation, []))
    if unit.casefold() != limit["unit"].casefold():
        wanted = f"in {limit['unit']}" if limit["unit"] else "as a bare figure, without a unit"
        raise FieldError(path, f'read "{shown(text)}", expected it {wanted}. Nothing is converted: read it again')
    below, above = limit["below"], limit["above"]
    if below is not None and number < Fraction(below):
        return f"below {below} {limit['unit']}".rstrip()
    if above is not None and number > Fraction(above):
        return f"above {above} {limit['unit']}".rstrip()
    return ""


def _outside_lines(body: Mapping[str, Any], watch: Mapping[str, Any]) -> list[str]:
    lines = [f"OUTSIDE ITS LIMITS: {what} {body['seen'][what]}, {why}." for what, why in body["outside"].items()]
    return [*lines, f"Now: {watch['then']}"] if lines else []


def _next(held: Entry, watching: Watching) -> list[str]:
    until, due = held.body["watch"]["until"], _next_look(held, watching)
    last = _last(watching.looks)
    if last is not None and datetime.fromisoformat(last["at"]) >= datetime.fromisoformat(until):
        return [f"The watch lasted until {clock_text(until)}. Sign its end: --end --by NAME"]
    if due == until:
        return [f"Watched until {clock_text(until)}."]
    return [f"Look again at {clock_text(due)}; watched until {clock_text(until)}."]


def _not_before(at: datetime, first: str, what: str) -> None:
    if at < datetime.fromisoformat(first):
        when = clock_text(at.isoformat())
        raise UseCaseError(f"{when} lies before {what}, {clock_text(first)}. Check the time: --at")


# --- did it help --------------------------------------------------------------------------------------------------

HELPED = ("yes", "partly", "no")


def helped(store: Store, entry: str, *, helped: str, by: str, at: datetime, now: datetime, words: str = "") -> Recorded:
    """Whether a when-needed dose helped, asked some time after it."""
    if helped not in HELPED:
        raise UseCaseError(f'read "{shown(helped)}", expected one of: {", ".join(HELPED)}')
    check_named(by)
    check_words(words=words)
    with store.writing() as writer:
        state, held = find_entry(writer, entry)
        if not held.body.get("effect_from") or held.kind not in GIVEN_KINDS:
            raise UseCaseError(f"entry {entry} is no dose that was given when needed: whether it helped is not asked")
        check_time(at, now, happened="asked")
        _not_before(at, held.body["at"], "it was given")
        said = state.effects.get(held.number)
        if said is not None and not words.strip():
            raise UseCaseError(
                f'whether entry {entry} helped was answered "{said["helped"]}" {clock_text(said["at"])} by '
                f"{said['by']}. Both stay readable; say what has changed since: --words"
            )
        body = {
            "entry": held.number,
            "helped": helped,
            "words": words,
            "by": by,
            "at": at.isoformat(),
            "zone": setting(writer).zone,
        }
        fact = writer.append(patient_stream(state.patient), "effect", body, recorded_at=now)
    lines = (
        () if helped == "yes" else ("Tell the prescriber (common practice); another dose has its limits: drawup plan.",)
    )
    return Recorded(entry=state.entry_id(held.number), fact=fact, findings=(), lines=lines)


def awaiting_effect(state: PatientState, now: datetime) -> list[dict[str, Any]]:
    """When-needed doses of which nobody has written whether they helped.

    Each: entry, medicine, given_at, ask_from, and `due`, whether that moment has come.
    """
    return [
        {
            "entry": state.entry_id(held.number),
            "medicine": held.body["medicine"],
            "given_at": held.body["at"],
            "ask_from": held.body["effect_from"],
            "due": now >= datetime.fromisoformat(held.body["effect_from"]),
        }
        for held in state.entries.values()
        if held.body.get("effect_from")
        and held.kind in GIVEN_KINDS
        and not held.void
        and held.number not in state.effects
    ]


# --- contact ------------------------------------------------------------------------------------------------------

OUTCOMES = ("rang", "no answer", "did not come", "left word", "came")


def contacted(
    store: Store,
    order: str,
    *,
    outcome: str,
    by: str,
    at: datetime,
    now: datetime,
    words: str = "",
    next_try: datetime | None = None,
) -> Recorded:
    """Somebody tried to reach a patient about an order: what came of it, when the next try is. It moves no clock."""
    if outcome not in OUTCOMES:
        raise UseCaseError(f'read "{shown(outcome)}", expected one of: {", ".join(OUTCOMES)}')
    check_named(by)
    check_words(words=words)
    check_time(at, now, happened="tried")
    if next_try is not None:
        check_later(next_try, at)
    with store.writing() as writer:
        state = patient_state(writer, order.partition(".")[0])
        if order not in state.orders:
            raise UseCaseError(
                f'no order "{shown(order)}" for {state.name}. See drawup order list --patient {state.patient}'
            )
        body = {
            "order": order,
            "outcome": outcome,
            "words": words,
            "by": by,
            "at": at.isoformat(),
            "zone": setting(writer).zone,
        }
        if next_try is not None:
            body["next_try"] = next_try.isoformat()
        fact = writer.append(patient_stream(state.patient), "contact", body, recorded_at=now)
    lines = () if next_try is None else (f"Next try: {clock_text(next_try.isoformat())}.",)
    return Recorded(entry=state.entry_id(fact.number), fact=fact, findings=(), lines=lines)


def check_later(next_try: datetime, at: datetime) -> None:
    """Refuse a next try that is not after this one."""
    if next_try <= at:
        tried = clock_text(next_try.isoformat())
        raise UseCaseError(
            f"the next try, {tried}, does not lie after {clock_text(at.isoformat())}. Write a later time"
        )
