"""What really happened, kept for good: given, part given, not given, reported, inspected, corrected.

A finding blocks giving, never recording. What happened can always be written: against a stop, without a plan, twice,
days later from paper; it is marked, and stands on the list for review.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from fractions import Fraction
from typing import Any

from drawup.injection.batch import check_scanned
from drawup.injection.finding import Finding, finding, worst_first
from drawup.injection.notation import exact_text, machine_text, parse_quantity, render
from drawup.injection.permission import check_giver
from drawup.injection.plan import Plan, accept
from drawup.injection.request import Request
from drawup.injection.skin import SkinMap
from drawup.record.errors import Claimed
from drawup.record.fact import Claim
from drawup.record.store import Store, Writer
from drawup.service.after_giving import follows, planned_of, what_follows
from drawup.service.entries import (
    Recorded,
    check_places,
    check_time,
    check_words,
    clock_text,
    counted_containers,
    entry_keys,
    late_text,
    move_stock,
    short,
    used_containers,
    volume_of,
)
from drawup.service.errors import AlreadyGiven, Blocked, UseCaseError
from drawup.service.known import zone_of
from drawup.service.near_misses import note_blocked, note_overridden
from drawup.service.placing import placed, skin_of_patient
from drawup.service.planning import (
    Scanned,
    answer_document,
    dose_key,
    kept_plan,
    look_at,
    plan_digest,
    remembered,
    request_document,
)
from drawup.service.state import (
    PatientState,
    Setting,
    patient_state,
    patient_stream,
    setting,
)
from drawup.service.syringes import check_drawn_up


@dataclass(frozen=True, slots=True, kw_only=True)
class People:
    """Who prepared, gave and checked, as stated until people sign in."""

    given_by: str
    prepared_by: str = ""
    checked_by: str = ""

    def as_body(self) -> dict[str, str]:
        """As the entry keeps it."""
        body = {"given_by": self.given_by, "prepared_by": self.prepared_by or self.given_by, "identified": "stated"}
        return {**body, "checked_by": self.checked_by} if self.checked_by else body


@dataclass(frozen=True, slots=True, kw_only=True)
class Happened:
    """The clinician's word on how it went, where it was not as planned.

    `anyway`: it happened although something stood in the way. `twice`: the planned dose was truly given again.
    `volume`: how much was really given, where only a part was.
    """

    at: datetime
    anyway: bool = False
    twice: bool = False
    volume: str | None = None
    places: tuple[Mapping[str, str], ...] = ()
    note: str = ""


def given(
    store: Store,
    *,
    plan: str,
    scans: Sequence[str],
    people: People,
    happened: Happened,
    now: datetime,
    accepted: Sequence[Mapping[str, str]] = (),
) -> Recorded:
    """Record what was given by a plan. Every finding is run again inside the transaction, on the record as it is then.

    Raises Blocked where something stands in the way and it is not said that it happened anyway, AlreadyGiven where the
    same planned dose is recorded and it is not said that it truly happened twice.
    """
    _check_people(people)
    plan = plan_digest(store, plan)
    check_time(happened.at, now)
    check_words(note=happened.note)
    check_places(happened.places, anyway=happened.anyway)
    if happened.volume is not None:
        volume_of(happened.volume)
    try:
        with store.writing() as writer:
            return _give(writer, plan, scans, people, happened, now, accepted)
    except Blocked as blocked:
        note_blocked(store, blocked.findings, kept_plan(store, plan), now=now, by=people.given_by)
        raise


def _check_people(people: People) -> None:
    if not people.given_by.strip():
        raise UseCaseError("say who gave it: --given-by NAME")
    check_words(given_by=people.given_by, prepared_by=people.prepared_by, checked_by=people.checked_by)
    if people.checked_by and _one_name(people.checked_by) == _one_name(people.given_by):
        raise UseCaseError(f"{people.given_by} cannot be both giver and second checker. Name the other person")
    if people.checked_by and _one_name(people.checked_by) == _one_name(people.prepared_by):
        raise UseCaseError(f"{people.prepared_by} prepared it and cannot be the second checker. Name the other person")


def _one_name(text: str) -> str:
    """The name without what stands after it: "Nell Quarrie, nurse" is Nell Quarrie."""
    return re.split(r"[,(;]", text)[0].strip().casefold()


def _give(
    writer: Writer,
    digest: str,
    scans: Sequence[str],
    people: People,
    happened: Happened,
    now: datetime,
    accepted: Sequence[Mapping[str, str]],
) -> Recorded:
    kept = kept_plan(writer, digest)
    current = setting(writer)
    state, order, number = patient_state(writer, kept["patient"]), kept["order"], kept["dose_number"]
    claimed = _claim_of(writer, order, number, happened)
    really = [_whole_place(place, kept["answer"]) for place in happened.places]
    containers = [look_at(writer, text, happened.at) for text in scans]
    document = asked_again(
        writer, state, current, kept, at=happened.at, containers=containers, places=really, accepted=accepted
    )
    read, plan, answer = answer_document(document, current)
    _check_it_is_this(plan, happened)
    findings = _at_giving(plan, read.request, kept["answer"], answer, people)
    stood = check_drawn_up(state, order, number, current.policy, happened.at, zone_of(state, current))
    if stood:
        findings = worst_first([*findings, *(accept(found, read.request.accepted) for found in stood)])
    several = really if len(really) > 1 else [] if really else _shown_places(kept["answer"])
    if len(several) > 1:
        findings = worst_first([*findings, *_about_places(document, several, current)])
    if any(found.blocks for found in findings) and not (happened.anyway or happened.twice):
        raise Blocked(findings)
    skin = skin_of_patient(state, current, happened.at) if happened.places else None
    body = _entry_body(kept, digest, plan, answer, containers, people, happened, state, current, skin)
    # The place in the timetable that it fills is that of the moment of giving; a second one fills none of its own.
    planned = kept["answer"] if claimed is not None else answer
    body |= {**planned_of(planned), **follows(read.request.medicine, read.request.order, current.policy, happened.at)}
    kind, marks = _kind_and_marks(body, plan, findings, happened, now, current, claimed, state)
    body["findings"] = [short(found) for found in (*findings, *marks)]
    body["review"] = [found.code for found in marks]
    fact = writer.append(patient_stream(state.patient), kind, body, recorded_at=now, keys=entry_keys(body))
    if claimed is None:
        writer.claim(dose_key(order, number), fact)
    note_overridden(
        writer,
        findings,
        remembered(state, order),
        state.patient,
        order,
        now=now,
        by=people.given_by,
        dose_number=number,
    )
    move_stock(writer, used_containers(body), state.entry_id(fact.number), "used", now, happened.at)
    entry = state.entry_id(fact.number)
    return Recorded(entry=entry, fact=fact, findings=worst_first([*findings, *marks]), lines=what_follows(body, entry))


def asked_again(
    writer: Writer,
    state: PatientState,
    current: Setting,
    kept: Mapping[str, Any],
    *,
    at: datetime,
    containers: Sequence[Scanned],
    places: Sequence[Mapping[str, Any]] = (),
    accepted: Sequence[Mapping[str, str]] = (),
) -> dict[str, Any]:
    """What a kept plan was asked, on the record as it is now, with the containers in the hand.

    `places`: where it really went.
    """
    asked = kept["request"]
    choose = {**_shown_place(kept["answer"]), **(asked.get("choose") or {})}
    if len(places) == 1:
        # Where it really went is what the findings must answer; a point that nobody named is not the plan's.
        choose = {**{key: one for key, one in choose.items() if key != "point"}, **places[0]}
    document = request_document(
        writer,
        state,
        kept["order"],
        current,
        now=at,
        choose=choose,
        accepted=[*_fresh(asked), *accepted],
        containers=containers,
        chosen_dose=(asked["order"].get("dose") or {}).get("chosen"),
    )
    return {**document, "same_visit": asked["same_visit"]} if asked.get("same_visit") else document


def _shown_place(answer: Mapping[str, Any]) -> dict[str, Any]:
    """Where the plan said it goes: what was shown is what was done, and what the findings answer."""
    places = _shown_places(answer)
    return places[0] if len(places) == 1 else {}


def _shown_places(answer: Mapping[str, Any]) -> list[dict[str, Any]]:
    return [{key: one[key] for key in ("site", "side", "point") if one.get(key)} for one in answer["injections"]]


def _whole_place(place: Mapping[str, Any], answer: Mapping[str, Any]) -> dict[str, Any]:
    """A place as it was told; the point is the one shown only where site and side are the shown ones too."""
    told = {key: place[key] for key in ("site", "side", "point") if place.get(key)}
    same = [
        one
        for one in _shown_places(answer)
        if (one.get("site"), one.get("side")) == (told.get("site"), told.get("side"))
    ]
    return {**same[0], **told} if same and "point" not in told else told


# What a place of a divided dose is looked at for; volume and needle are the whole plan's to answer.
_OF_A_PLACE = frozenset(
    ("site-ruled-out", "site-not-for-route", "site-caution", "point-shut", "point-unknown", "point-not-rested")
)


def _about_places(document: Mapping[str, Any], places: Sequence[Mapping[str, Any]], current: Setting) -> list[Finding]:
    """What speaks against each place of a divided dose, one by one."""
    found = []
    asked = document.get("choose") or {}
    choose = {key: one for key, one in asked.items() if key not in ("site", "side", "point")}
    for place in places:
        _, plan, _ = answer_document({**document, "choose": {**choose, **place}}, current)
        found += [one for one in plan.findings if one.code in _OF_A_PLACE]
    return found


def _check_it_is_this(plan: Plan, happened: Happened) -> None:
    """A dose that this plan cannot have been is written down without it, so that the entry says what is true."""
    other = [found for found in plan.findings if found.code == "medicine-not-ordered"]
    if other and happened.anyway:
        raise UseCaseError(
            f"{other[0].message} If the scanned one is what went in, this plan is not what was given. Write down the "
            "truth without it: drawup given --patient PATIENT --medicine NAME --amount AMOUNT --scan CODE "
            "--given-by NAME"
        )
    if plan.candidate is None or plan.dose.amount is None:
        if happened.anyway:
            raise UseCaseError(
                "no dose can be worked out from this plan any more. Write down what was given without it: "
                "drawup given --patient PATIENT --medicine NAME --amount AMOUNT --given-by NAME"
            )
        raise Blocked(plan.findings)


def _fresh(request: Mapping[str, Any]) -> list[Mapping[str, str]]:
    """The reasons that were given for this very plan; remembered ones are looked up again."""
    return [one for one in request.get("accepted", ()) if "message" not in one]


def _at_giving(
    plan: Plan, request: Request, planned: Mapping[str, Any], answer: Mapping[str, Any], people: People
) -> tuple[Finding, ...]:
    """The plan's findings, and what only the moment of giving can show."""
    more = check_giver(request.order, people.given_by)
    if any(found.code == "second-check-needed" for found in plan.findings) and not people.checked_by:
        more.append(finding("second-check-missing", medicine=request.medicine.name))
    if plan.candidate is not None:
        more += check_scanned(plan.candidate, plan.containers)
    changed = [
        f"{words}: {_told(planned.get(key))}, now {_told(answer.get(key))}"
        for key, words in (("dose", "dose"), ("volume_ml", "volume"), ("presentation", "pack"))
        if planned.get(key) != answer.get(key)
    ]
    before, after = (planned_of(one).get("planned", {}).get("planned") for one in (planned, answer))
    if before != after and before is not None and after is not None:
        changed.append(f"planned for: {clock_text(before)}, now {clock_text(after)}")
    if changed:
        more.append(finding("plan-changed", changes="; ".join(changed)))
    return worst_first([*plan.findings, *(accept(found, request.accepted) for found in more)])


def _told(value: Any) -> str:
    if isinstance(value, Mapping):
        return " ".join(str(part) for part in value.values() if part is not None)
    return "none" if value is None else str(value)


def _claim_of(writer: Writer, order: str, number: int, happened: Happened) -> Claimed | None:
    """Whether the planned dose is taken already. Raises AlreadyGiven unless it truly happened twice."""
    claim = writer.claimed(dose_key(order, number))
    if claim is None:
        return None
    if happened.twice:
        return Claimed(claim)
    raise already_given(writer, claim)


def already_given(writer: Writer, claim: Claim) -> AlreadyGiven:
    """The refusal of a planned dose that is recorded, with who gave it and when."""
    fact = writer.fact(claim.stream, claim.number)
    body = fact.body if fact is not None else {}
    entry = f"{claim.stream.removeprefix('patient/')}-{claim.number}"
    return AlreadyGiven(
        f"this planned dose is already recorded: entry {entry}, {body.get('amount')} of {body.get('medicine')} "
        f"given by {body.get('given_by')} at {clock_text(body.get('at', ''))}. "
        "If it truly happened twice, say so: --twice",
        entry,
    )


def _entry_body(
    kept: Mapping[str, Any],
    digest: str,
    plan: Plan,
    answer: Mapping[str, Any],
    containers: list[Scanned],
    people: People,
    happened: Happened,
    state: PatientState,
    current: Setting,
    skin: SkinMap | None,
) -> dict[str, Any]:
    candidate, amount = plan.candidate, plan.dose.amount
    assert candidate is not None  # a plan without pack or dose never gets here
    assert amount is not None
    planned_ml = plan.mark_ml if plan.mark_ml is not None else candidate.volume_ml
    given_ml = volume_of(happened.volume) if happened.volume is not None else planned_ml
    if given_ml > planned_ml and not happened.anyway:
        raise UseCaseError(f"{happened.volume} is more than the plan's {exact_text(planned_ml)} mL. Make a new plan")
    strength = candidate.made_up.concentration
    given_amount = strength.amount_in(given_ml) if not candidate.mixed else candidate.dose.times(given_ml / planned_ml)
    ordered = candidate.dose
    single = candidate.presentation.dose_kind == "single"
    waste_ml = (candidate.left_ml or Fraction(0)) + planned_ml - given_ml if single else Fraction(0)
    planned = kept["answer"]["injections"]
    shown = planned if len(planned) == len(answer["injections"]) else answer["injections"]
    injections = [_injected(one, old) for one, old in zip(answer["injections"], shown, strict=True)]
    if skin is not None:
        injections = _really(happened, kept["answer"], injections, given_ml, skin)
    elif happened.volume is not None:
        injections = _done(injections, given_ml)
    body: dict[str, Any] = {
        "order": kept["order"],
        "dose_number": kept["dose_number"],
        "medicine": state.orders[kept["order"]]["order"]["medicine"],
        "route": state.orders[kept["order"]]["order"].get("route"),
        "ordered": machine_text(ordered),
        "amount": machine_text(given_amount),
        "volume_ml": exact_text(given_ml),
        "injections": injections,
        "containers": counted_containers(containers),
        "waste_ml": exact_text(waste_ml),
        "waste": machine_text(strength.amount_in(waste_ml)),
        "at": happened.at.isoformat(),
        "zone": zone_of(state, current).key,
        "plan": digest,
        **people.as_body(),
    }
    if happened.note:
        body["note"] = happened.note
    return body


_KEPT = ("site", "side", "point", "place_mm", "body_scale", "grid", "volume_ml", "needle")


def _injected(one: Mapping[str, Any], shown: Mapping[str, Any]) -> dict[str, Any]:
    """One injection as it was shown: its place is the plan's, whatever is least worn by now."""
    where = {key: shown.get(key) for key in ("site", "side", "point", "place_mm", "body_scale", "grid")}
    return {key: value for key, value in {**one, **where}.items() if key in _KEPT and value is not None}


def _really(
    happened: Happened,
    planned: Mapping[str, Any],
    injections: Sequence[Mapping[str, Any]],
    given_ml: Fraction,
    skin: SkinMap,
) -> list[dict[str, Any]]:
    """Where it really went: each place with its part of the volume, and no point that nobody named or was shown."""
    count = len(happened.places)
    volumes = [Fraction(one["volume_ml"]) for one in injections]
    parts = volumes if len(volumes) == count and sum(volumes) == given_ml else [given_ml / count] * count
    needle = injections[0].get("needle") if injections else None
    base: dict[str, Any] = {"needle": needle} if needle else {}
    return [
        placed({**base, **_whole_place(place, planned), "volume_ml": exact_text(part)}, skin, anyway=happened.anyway)
        for place, part in zip(happened.places, parts, strict=True)
    ]


def _done(injections: list[dict[str, Any]], given_ml: Fraction) -> list[dict[str, Any]]:
    """The injections that were reached before the volume given ran out."""
    done, left = [], given_ml
    for one in injections:
        if left <= 0:
            break
        volume = min(left, Fraction(one["volume_ml"]))
        done.append({**one, "volume_ml": exact_text(volume)})
        left -= volume
    return done


def _kind_and_marks(
    body: Mapping[str, Any],
    plan: Plan,
    findings: tuple[Finding, ...],
    happened: Happened,
    now: datetime,
    current: Setting,
    claimed: Claimed | None,
    state: PatientState,
) -> tuple[str, list[Finding]]:
    """The kind of entry, and what it must be reviewed for."""
    marks = []
    standing = [found.code for found in findings if found.blocks]
    if standing:
        marks.append(finding("given-against-stop", codes=", ".join(dict.fromkeys(standing))))
    late = now - happened.at
    if late > timedelta(minutes=current.policy.written_later_minutes):
        marks.append(finding("written-later", after=late_text(late)))
    if claimed is not None:
        marks.append(finding("given-twice", entry=state.entry_id(claimed.claim.number)))
    kind = "given"
    if happened.volume is not None and plan.mark_ml is not None and Fraction(body["volume_ml"]) < plan.mark_ml:
        kind = "part given"
        ordered = plan.candidate.dose if plan.candidate else None
        amount = parse_quantity(body["amount"], forms=None).quantity
        left = render(ordered - amount, current.policy.notation) if ordered is not None else "unknown"
        marks.append(finding("part-given", given=render(amount, current.policy.notation), left=left))
    return kind, marks
