"""Correcting an entry by addition: both stay readable; the slot, the stock and the burden follow what is true."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction
from typing import Any
from zoneinfo import ZoneInfo

from drawup.exchange.reader import shown
from drawup.injection.finding import Finding, finding
from drawup.injection.notation import exact_text, machine_text, parse_quantity, render_ml
from drawup.injection.plan import accept
from drawup.injection.preparation import make_up
from drawup.injection.request import Accepted
from drawup.record.fact import Fact
from drawup.record.store import Store, Writer
from drawup.service.after_giving import moved_in_time
from drawup.service.entries import (
    Recorded,
    check_born,
    check_known_site,
    check_named,
    check_places,
    check_time,
    check_words,
    counted_containers,
    entry_keys,
    find_entry,
    late_text,
    move_stock,
    short,
    split_entry,
    used_containers,
    volume_of,
)
from drawup.service.errors import Blocked, UseCaseError
from drawup.service.placing import moved, skin_of_patient
from drawup.service.planning import dose_key, look_at
from drawup.service.state import (
    GIVEN_KINDS,
    Entry,
    PatientState,
    Setting,
    formulary_entry,
    medicine_of,
    patient_state,
    patient_stream,
    setting,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """What was wrong with an entry: other places, other containers, another volume, or none of it happened here.

    `belongs_to`: it was another patient's. `void`: it did not happen at all.
    """

    places: tuple[Mapping[str, str], ...] = ()
    scans: tuple[str, ...] = ()
    volume: str | None = None
    at: datetime | None = None
    belongs_to: str | None = None
    void: bool = False


def correct(
    store: Store,
    *,
    entry: str,
    change: Change,
    reason: str,
    by: str,
    now: datetime,
    accepted: Sequence[Mapping[str, str]] = (),
) -> Recorded:
    """Correct an entry by addition: both stay readable; the slot, the stock and the burden follow what is true."""
    if not reason.strip():
        raise UseCaseError("a correction needs its reason: --reason WORDS")
    check_named(by)
    check_words(reason=reason)
    check_places(change.places)
    if change.at is not None:
        check_time(change.at, now)
    patient, _ = split_entry(entry)
    if change.belongs_to is not None and change.belongs_to.zfill(len(patient)) == patient:
        raise UseCaseError(f"the entry stands in the record of patient {shown(patient)} already. Name the other one")
    with store.writing() as writer:
        state, held = find_entry(writer, entry)
        findings = _late_correction(writer, held, now, accepted)
        if any(found.blocks for found in findings):
            raise Blocked(tuple(findings))
        gone = change.void or change.belongs_to is not None
        replacement = None if gone else _replacement(writer, state, held, change, setting(writer))
        findings += _speaks_against(writer, replacement, change)
        body: dict[str, Any] = {
            "corrects": held.number,
            "reason": reason,
            "by": by,
            "replacement": replacement,
            "findings": [short(found) for found in findings],
            "review": [found.code for found in findings if found.code in _REVIEWED],
        }
        if change.belongs_to is not None:
            other = patient_state(writer, change.belongs_to)
            check_born(held.at, other)
            body["belongs_to"] = other.patient
        batches = {one["batch"] for one in (replacement or held.body).get("containers", ()) if one["batch"]}
        keys = [f"batch:{batch}" for batch in sorted(batches)] + (["review"] if body["review"] else [])
        fact = writer.append(patient_stream(state.patient), "correction", body, recorded_at=now, keys=keys)
        _settle(writer, state, held, replacement, fact, now)
        if change.belongs_to is not None:
            return _into_other(writer, state, held, body["belongs_to"], fact, by, now, findings)
    return Recorded(entry=entry, fact=fact, findings=tuple(findings))


def _late_correction(
    writer: Writer, held: Entry, now: datetime, accepted: Sequence[Mapping[str, str]]
) -> list[Finding]:
    """A controlled medicine's entry is corrected on the day or the day after; later wants a reason of its own."""
    zone = ZoneInfo(setting(writer).zone)
    day, today = held.at.astimezone(zone).date(), now.astimezone(zone).date()
    days = (today - day).days
    try:
        controlled = bool(formulary_entry(writer, held.body.get("medicine", "")).get("controlled"))
    except UseCaseError:
        controlled = False
    if not controlled or days <= 1:
        return []
    late = finding("controlled-correction-late", day=day.isoformat(), today=today.isoformat())
    given = tuple(Accepted(code=one["code"], reason=one["reason"]) for one in accepted)
    return [accept(late, given)]


_REVIEWED = frozenset(("batch-expired", "batch-quarantined", "not-in-formulary", "more-than-held"))


def _speaks_against(writer: Writer, replacement: Mapping[str, Any] | None, change: Change) -> list[Finding]:
    """What a reviewer should see in what the entry says now; nothing of it stops the writing."""
    if replacement is None or not (change.scans or change.volume or change.at):
        return []
    found = []
    day = replacement["at"][:10]
    for one in replacement.get("containers", ()):
        if one["expiry_date"] and one["expiry_date"] < day:
            found.append(finding("batch-expired", batch=one["batch"] or "", expiry=one["expiry_date"], today=day))
        if one["role"] == "unknown" and one["gtin"]:
            found.append(finding("not-in-formulary", gtin=one["gtin"]))
    held = _held_ml(writer, replacement)
    if held is not None and replacement.get("volume_ml") and Fraction(replacement["volume_ml"]) > held:
        volumes = {"volume": f"{replacement['volume_ml']} mL", "held": render_ml(held)}
        found.append(finding("more-than-held", **volumes))
    return found


def _held_ml(writer: Writer, body: Mapping[str, Any]) -> Fraction | None:
    """What the medicine's containers hold by their labels, in mL; None where a label does not say."""
    total = Fraction(0)
    policy = setting(writer).policy
    for one in body.get("containers", ()):
        if one["role"] != "medicine":
            continue
        packs = medicine_of(formulary_entry(writer, one["name"]), policy).presentations
        pack = next((pack for pack in packs if pack.gtin == one["gtin"]), None)
        made = make_up(pack, policy.notation) if pack is not None else ""
        if isinstance(made, str) or made.total_ml is None:
            return None
        total += made.total_ml * one["count"]
    return total or None


# What each kind of entry has that could be wrong; the time can be wrong in all.
_DOSE = ("places", "scans", "volume")
_CORRECTABLE = {"not given": ("scans",), "inspection": ("places",), "reported": ("places", "volume")}


def _check_change(held: Entry, change: Change) -> None:
    for part in _DOSE:
        if getattr(change, part) and part not in _CORRECTABLE.get(held.kind, _DOSE):
            raise UseCaseError(f'an entry "{held.kind}" has no {part} that could be wrong')
    if len(change.places) > 1 and held.kind == "inspection":
        raise UseCaseError("an inspection is of one place. Name one --place")
    if change.places and held.kind == "inspection":
        check_known_site(change.places[0]["site"])
    if change.volume is not None and not (held.body.get("volume_ml") and held.body.get("amount")):
        raise UseCaseError("this entry says no volume. Write it anew, and correct this one with --void")


def _replacement(writer: Writer, state: PatientState, held: Entry, change: Change, current: Setting) -> dict[str, Any]:
    _check_change(held, change)
    skin = skin_of_patient(state, current, change.at or held.at) if change.places else None
    body = dict(held.body)
    at = change.at or held.at
    if change.at is not None:
        check_born(change.at, state)
        body = {**moved_in_time(body, held.at, change.at), "at": change.at.isoformat()}
    if skin is not None and held.kind == "inspection":
        body = moved(body, change.places[0], skin)
    elif skin is not None:
        before = list(body.get("injections", ())) or [{}]
        body["injections"] = [
            moved(before[min(index, len(before) - 1)], place, skin) for index, place in enumerate(change.places)
        ]
    if change.scans:
        body["containers"] = counted_containers([look_at(writer, text, at) for text in change.scans])
    if change.volume is not None:
        volume, before_ml = volume_of(change.volume), Fraction(body["volume_ml"])
        amount = parse_quantity(body["amount"], forms=None).quantity
        body["volume_ml"] = exact_text(volume)
        body["amount"] = machine_text(amount.times(volume / before_ml))
        if len(body.get("injections", ())) == 1:
            body["injections"] = [{**body["injections"][0], "volume_ml": exact_text(volume)}]
    if body == dict(held.body):
        raise UseCaseError("nothing is changed by this correction. Say what was wrong")
    return body


def _settle(
    writer: Writer,
    state: PatientState,
    held: Entry,
    replacement: Mapping[str, Any] | None,
    fact: Fact,
    now: datetime,
) -> None:
    """Free the slot where the dose was not given here, and set the stock right."""
    if replacement is None and held.body.get("order") and held.kind in ("given", "part given"):
        key = dose_key(held.body["order"], held.body["dose_number"])
        claim = writer.claimed(key)
        if claim is not None and claim.number == held.number:
            writer.release(key)
    before, after = used_containers(held.body), used_containers(replacement or {})
    difference = {key: after[key] - before[key] for key in before | after}
    move_stock(writer, difference, state.entry_id(fact.number), "corrected", now, held.at)


def _on_this_body(writer: Writer, body: dict[str, Any], other: str, at: datetime) -> None:
    """The mm from the landmark were really on the other patient: their scale is that body's."""
    if not any(place.get("place_mm") for place in (body, *body.get("injections", ()))):
        return
    scale = f"{float(skin_of_patient(patient_state(writer, other), setting(writer), at).scale):g}"
    if body.get("place_mm"):
        body["body_scale"] = scale
    if body.get("injections"):
        body["injections"] = [
            {**place, "body_scale": scale} if place.get("place_mm") else place for place in body["injections"]
        ]


def _into_other(
    writer: Writer,
    state: PatientState,
    held: Entry,
    other: str,
    correction: Fact,
    by: str,
    now: datetime,
    findings: list[Finding],
) -> Recorded:
    """The same facts in the record where they belong, written later, each linked to the other."""
    marks = [finding("written-later", after=late_text(now - held.at))]
    if held.kind in GIVEN_KINDS:
        marks.insert(0, finding("given-without-plan"))
    body = {
        key: value
        for key, value in held.body.items()
        if key not in ("order", "dose_number", "planned", "findings", "review", "plan")
    }
    body |= {
        "plan": None,
        "moved_from": state.entry_id(held.number),
        "written_by": by,
        "findings": [short(found) for found in marks],
        "review": [found.code for found in marks],
    }
    _on_this_body(writer, body, other, held.at)
    fact = writer.append(patient_stream(other), held.kind, body, recorded_at=now, keys=entry_keys(body))
    link = {"corrects": held.number, "entry": f"{other}-{fact.number}", "correction": correction.number, "by": by}
    writer.append(patient_stream(state.patient), "moved to", link, recorded_at=now)
    move_stock(writer, used_containers(body), f"{other}-{fact.number}", "used", now, held.at)
    return Recorded(entry=f"{other}-{fact.number}", fact=fact, findings=(*findings, *marks))
