"""A planned dose that was not given: why, what follows from that, and until when it is still due."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from drawup.exchange.reader import shown
from drawup.exchange.request import read_request
from drawup.injection.lateness import closes_text, opens_text, outlook_of, planned_text
from drawup.injection.timing import Due
from drawup.record.store import Store, Writer
from drawup.service.entries import (
    Recorded,
    check_named,
    check_time,
    check_words,
    clock_text,
    counted_containers,
    entry_keys,
    move_stock,
    used_containers,
)
from drawup.service.errors import UseCaseError
from drawup.service.known import zone_of
from drawup.service.planning import look_at, next_dose_number, request_document
from drawup.service.state import PatientState, Setting, patient_state, patient_stream, setting
from drawup.service.syringes import open_syringes
from drawup.service.watching import check_later


@dataclass(frozen=True, slots=True, kw_only=True)
class Following:
    """What follows from one reason: words for the person, and what must be said in words with it.

    `do` may name the `order`, the `patient` and the `batch`. `words`: what --words must say; "" where nothing must.
    `tell`: who is to be told. All of it is common practice, from no source: local rule goes before it.
    """

    do: str
    tell: str = "the prescriber"
    words: str = ""


FOLLOWING: Mapping[str, Following] = {
    "refused": Following(do="Offer it again while it is due, and find out what speaks against it"),
    "away": Following(
        do="Find out where the person is; what comes of it: drawup contact {order} OUTCOME --by NAME", tell=""
    ),
    "asleep": Following(
        do="Try again when the person is awake; ask the prescriber whether to wake them for it", tell=""
    ),
    "unwell": Following(do="Look to the person first, by local rule; look again before the dose is tried again"),
    "reading outside limits": Following(
        do="Treat by local rule and measure again: drawup patient note {patient} --reading WHAT=VALUE"
    ),
    "contraindicated today": Following(
        do="The order is stopped or replaced, or tried again when what speaks against it has gone",
        words="what speaks against it today",
    ),
    "no checker": Following(
        do="Find somebody who checks it alone, or what local policy puts in their place", tell="whoever is in charge"
    ),
    "given elsewhere": Following(
        do="Write down what was given there, so that it counts: drawup given --patient {patient} --reported ...",
        tell="",
    ),
    "site unusable": Following(
        do="Write down what is wrong there, so that the next plan goes elsewhere: drawup inspect {patient} ... "
        "or drawup patient note {patient} --avoid REGION",
        tell="",
    ),
    "cold chain": Following(
        do="Put the batch in quarantine until somebody named has judged it: "
        "drawup stock change {batch} quarantined --reason WORDS",
        tell="whoever keeps the stock",
    ),
    "not in stock": Following(do="Get it in time: from another place, or ordered", tell="whoever keeps the stock"),
    "order unclear": Following(
        do="Nothing is given until it is clear; a clear order takes its place: "
        "drawup order add {patient} FILE --replaces {order}",
        words="what is unclear",
    ),
    "no access": Following(
        do="By local rule for nobody at the door; what comes of it: drawup contact {order} OUTCOME --by NAME",
        tell="whoever plans the round",
    ),
    "other": Following(do="Say to the next person what is to be done", tell="", words="why it was not given"),
}
"""The closed list of reasons, with what follows."""

NOT_GIVEN_REASONS = tuple(FOLLOWING)
REFUSED = "refused"
COULD_DECIDE = ("yes", "no")
_MARK = "(common practice; local rule goes first)"


def not_given(
    store: Store,
    *,
    order: str,
    reason: str,
    by: str,
    at: datetime,
    now: datetime,
    words: str = "",
    scans: Sequence[str] = (),
    could_decide: str = "",
    next_try: datetime | None = None,
    told: str = "",
) -> Recorded:
    """A planned dose was not given, and why. It frees nothing and moves no clock; containers drawn up are wasted.

    `could_decide`: "yes" or "no", whether who refused could decide; `told`: who was told; `next_try`: when next.
    """
    _check(reason, words, could_decide, next_try, at)
    check_named(by)
    check_words(words=words, told=told)
    check_time(at, now, happened="not given")
    with store.writing() as writer:
        state, current = patient_state(writer, order.partition(".")[0]), setting(writer)
        number = next_dose_number(writer, state, order)
        containers, drawn = _drawn(writer, state, order, number, scans, at)
        body: dict[str, Any] = {
            "order": order,
            "dose_number": number,
            "medicine": state.orders[order]["order"]["medicine"],
            "reason": reason,
            "words": words,
            "by": by,
            "at": at.isoformat(),
            "zone": current.zone,
            "containers": containers,
        }
        body |= {key: value for key, value in (("could_decide", could_decide), ("told", told)) if value}
        if next_try is not None:
            body["next_try"] = next_try.isoformat()
        fact = writer.append(patient_stream(state.patient), "not given", body, recorded_at=now, keys=entry_keys(body))
        move_stock(writer, used_containers(body), state.entry_id(fact.number), "wasted", now, at)
        due = _still_due(writer, state, order, current, at)
        zone = zone_of(state, current)
    lines = (*drawn, *_what_follows(body), *_until(due, zone, at), *_next_try(due, next_try, zone))
    return Recorded(entry=state.entry_id(fact.number), fact=fact, findings=(), lines=lines)


def _check(reason: str, words: str, could_decide: str, next_try: datetime | None, at: datetime) -> None:
    """Refuse what this reason lacks, and what means nothing with it."""
    if reason not in FOLLOWING:
        raise UseCaseError(f'read "{shown(reason)}", expected one of: {", ".join(NOT_GIVEN_REASONS)}')
    wanted = FOLLOWING[reason].words
    if wanted and not words.strip():
        raise UseCaseError(f"say in words {wanted}: --words")
    if could_decide and could_decide not in COULD_DECIDE:
        raise UseCaseError(f'read "{shown(could_decide)}", expected yes or no: whether the person could decide')
    if reason == REFUSED and not could_decide:
        raise UseCaseError("say whether the person could decide: --could-decide yes, or no")
    if reason != REFUSED and could_decide:
        raise UseCaseError(f'--could-decide: only with refused, and the reason is "{reason}". Leave it out')
    if next_try is not None:
        check_later(next_try, at)


def _drawn(
    writer: Writer, state: PatientState, order: str, number: int, scans: Sequence[str], at: datetime
) -> tuple[list[dict[str, Any]], tuple[str, ...]]:
    """The containers that are lost: those scanned, else those of the syringe that was drawn up for this very dose."""
    if scans:
        return counted_containers([look_at(writer, text, at) for text in scans]), ()
    for syringe in open_syringes(state):
        if (syringe["order"], syringe["dose_number"]) == (order, number) and syringe["containers"]:
            when = clock_text(syringe["at"])
            return syringe["containers"], (f"Written off: what was drawn up for it at {when} by {syringe['by']}.",)
    return [], ()


def _what_follows(body: Mapping[str, Any]) -> list[str]:
    follows = FOLLOWING[body["reason"]]
    batches = [one["batch"] for one in body["containers"] if one["batch"] and one["role"] != "diluent"]
    patient = body["order"].partition(".")[0]
    do = follows.do.format(order=body["order"], patient=patient, batch=batches[0] if batches else "BATCH")
    lines = [f"What follows {_MARK}: {do}."]
    if body.get("could_decide") == "no":
        lines.append(f"Who could not decide has not refused for good {_MARK}: ask who decides for them.")
    if body.get("told"):
        lines.append(f"Told: {body['told']}.")
    elif follows.tell:
        lines.append(f"Nobody is written down as told. Tell {follows.tell} {_MARK}.")
    return lines


def _still_due(writer: Writer, state: PatientState, order: str, current: Setting, at: datetime) -> Due | None:
    """The dose as it is due all the same; None where the order has no times, or can no longer be read."""
    try:
        document = request_document(writer, state, order, current, now=at)
        outlook = outlook_of(
            read_request(document, policy=current.policy, recorded=True).request, policy=current.policy
        )
    except ValueError:
        # What was not given can be written down whatever became of the order; a plan says what is wrong with it.
        return None
    return outlook.due if outlook is not None else None


def _until(due: Due | None, zone: ZoneInfo, at: datetime) -> list[str]:
    """It moves no clock: until when the same dose is due."""
    if due is None or due.when_needed:
        return []
    last, planned = closes_text(due, zone), planned_text(due, zone)
    if at < due.opens:
        opens = opens_text(due, zone)
        return [f"It is written for the dose planned for {planned}, which may not be given before {opens}. If another "
                "was meant, take it back: drawup correction ENTRY --void --reason WORDS --by NAME."]  # fmt: skip
    if not last:
        return [f"It moves no clock: the dose planned for {planned} is still due."]
    if due.closes is not None and at >= due.closes:
        return [f"It moves no clock: the dose planned for {planned} was due until {last}, and is late."]
    return [f"It moves no clock: the dose planned for {planned} is still due until {last}."]


def _next_try(due: Due | None, next_try: datetime | None, zone: ZoneInfo) -> list[str]:
    if next_try is None:
        return []
    tried = clock_text(next_try.astimezone(zone).isoformat())
    late = due is not None and not due.when_needed and due.closes is not None and next_try >= due.closes
    return [f"Next try: {tried}{', when the dose will be late' if late else ''}."]
