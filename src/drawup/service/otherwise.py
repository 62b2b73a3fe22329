"""What was written down otherwise than by a plan: given without one, reported from elsewhere, inspected."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any

from drawup.exchange.reader import Fields, moment_of, shown
from drawup.exchange.skin_entry import LARGEST_MARK_MM, read_place_mm
from drawup.injection.finding import Finding, finding
from drawup.injection.medicine import Medicine
from drawup.injection.notation import exact_text, machine_text
from drawup.record.store import Store, Writer
from drawup.service.after_giving import follows
from drawup.service.entries import (
    Recorded,
    check_born,
    check_known_site,
    check_places,
    check_time,
    check_words,
    counted_containers,
    entry_keys,
    late_text,
    move_stock,
    short,
    used_containers,
)
from drawup.service.errors import UseCaseError
from drawup.service.known import closes, known_document, open_marks, zone_of
from drawup.service.placing import placed, placed_mark, points_shut, skin_of_patient
from drawup.service.planning import (
    Scanned,
    answer_document,
    container_document,
    look_at,
)
from drawup.service.state import (
    PatientState,
    Setting,
    formulary_entry,
    known_medicine,
    medicine_of,
    patient_state,
    patient_stream,
    setting,
)

_FREE_KEYS = frozenset(
    [
        "medicine",
        "amount",
        "volume_ml",
        "route",
        "injections",
        "containers",
        "at",
        "given_by",
        "prepared_by",
        "checked_by",
        "note",
    ]
)


# What is looked at where there is no plan: all that speaks against this medicine, this amount and this container.
_LOOKED_AT = frozenset(
    (
        "allergy-serious",
        "allergy-mild",
        "allergy-unconfirmed",
        "intolerance",
        "medicine-not-ordered",
        "not-in-formulary",
        "batch-expired",
        "batch-quarantined",
        "in-use-passed",
        "opened-without-date",
        "single-maximum",
        "daily-maximum",
        "too-soon",
        "given-recently",
        "dose-power-of-ten",
        "dose-outside-usual",
        "reading-outside",
    )
)


def given_without_plan(
    store: Store,
    patient: str,
    body: Mapping[str, Any],
    *,
    scans: Sequence[str] = (),
    now: datetime,
    anyway: bool = False,
) -> Recorded:
    """What was given without a plan, from paper or in an emergency. Always taken; always on the list for review.

    `anyway`: the medicine or the site is truly not one that is known here.
    """
    with store.writing() as writer:
        state, current = patient_state(writer, patient), setting(writer)
        clean = _checked_free(body, state, current, writer, anyway=anyway)
        at = datetime.fromisoformat(clean["at"])
        check_time(at, now)
        containers = [look_at(writer, text, at) for text in scans]
        clean["containers"] = counted_containers(containers)
        marks = [finding("given-without-plan")]
        found = _looked_at(writer, state, current, clean, containers, at)
        if found:
            marks.append(finding("given-against-stop", codes=", ".join(one.code for one in found)))
        if now - at > timedelta(minutes=current.policy.written_later_minutes):
            marks.append(finding("written-later", after=late_text(now - at)))
        clean |= {"zone": zone_of(state, current).key, "plan": None, "identified": "stated"}
        clean |= follows(_medicine(writer, clean["medicine"], current), None, current.policy, at)
        clean["findings"] = [short(one) for one in (*found, *marks)]
        clean["review"] = [one.code for one in (*found, *marks)]
        fact = writer.append(patient_stream(state.patient), "given", clean, recorded_at=now, keys=entry_keys(clean))
        move_stock(writer, used_containers(clean), state.entry_id(fact.number), "used", now, at)
    return Recorded(entry=state.entry_id(fact.number), fact=fact, findings=(*found, *marks))


def _medicine(writer: Writer, name: str, current: Setting) -> Medicine | None:
    """The medicine as the formulary has it; None for one that it does not know, or can no longer read."""
    try:
        return medicine_of(formulary_entry(writer, name), current.policy)
    except ValueError:
        return None


def _looked_at(
    writer: Writer,
    state: PatientState,
    current: Setting,
    clean: Mapping[str, Any],
    containers: Sequence[Scanned],
    at: datetime,
) -> list[Finding]:
    """What would have stood in the way, had somebody asked; nothing of it stops the writing."""
    rule: dict[str, Any] = {"medicine": clean["medicine"], "start": at.date().isoformat()}
    if clean.get("amount"):
        rule["dose"] = {"amount": clean["amount"]}
    try:
        document = known_document(writer, state, rule, current, now=at)
        if containers:
            document["container"] = [container_document(one, current) for one in containers]
        _, plan, _ = answer_document(document, current)
    except ValueError:
        # A medicine or an amount that the formulary does not know: there is nothing to compare with.
        return [finding("medicine-not-known", medicine=clean["medicine"])]
    return [one for one in plan.findings if one.code in _LOOKED_AT]


def _checked_free(
    body: Mapping[str, Any], state: PatientState, current: Setting, writer: Writer, *, anyway: bool = False
) -> dict[str, Any]:
    fields = Fields(dict(body), "", current.policy.notation, [])
    clean: dict[str, Any] = {"medicine": known_medicine(writer, fields.need_text("medicine"), anyway=anyway)}
    amount = fields.quantity("amount", forms=None)
    if amount is not None:
        clean["amount"] = machine_text(amount)
    for key in ("volume_ml", "route", "given_by", "prepared_by", "checked_by", "note"):
        text = fields.text(key, longest=500)
        if text:
            clean[key] = text
    places = fields.items("injections", lambda value, path: _place(value, path, fields))
    check_places([{key: text for key, text in place.items() if text} for place in places or ()], anyway=anyway)
    at = fields.take("at")
    when = moment_of(at, "at")
    check_born(when, state)
    clean["at"] = when.isoformat()
    skin = skin_of_patient(state, current, when) if places else None
    clean["injections"] = [placed(place, skin, anyway=anyway) if skin else place for place in places or ()]
    fields.take("containers")
    fields.close(_FREE_KEYS)
    return clean


def _place(value: object, path: str, parent: Fields) -> dict[str, Any]:
    fields = Fields(value, path, parent.notation, parent.notes)
    place: dict[str, Any] = {"site": fields.text("site"), "side": fields.one_of("side", ("left", "right"))}
    place["point"] = fields.text("point")
    fields.close(frozenset(("site", "side", "point")))
    return place


def reported(
    store: Store, patient: str, body: Mapping[str, Any], *, by: str, now: datetime, anyway: bool = False
) -> Recorded:
    """A dose given elsewhere, as somebody reports it: it counts for intervals and maxima, not for stock."""
    check_words(by=by)
    with store.writing() as writer:
        state, current = patient_state(writer, patient), setting(writer)
        clean = {
            **_checked_free(body, state, current, writer, anyway=anyway),
            "by": by,
            "zone": zone_of(state, current).key,
            "containers": [],
        }
        check_time(datetime.fromisoformat(clean["at"]), now)
        fact = writer.append(patient_stream(state.patient), "reported", clean, recorded_at=now)
    return Recorded(entry=state.entry_id(fact.number), fact=fact, findings=())


def inspected(store: Store, patient: str, body: Mapping[str, str], *, by: str, at: datetime, now: datetime) -> Recorded:
    """What was seen or felt on the skin: a lump, a bruise, nothing; where, how large, and since when."""
    check_words(by=by)
    with store.writing() as writer:
        state, current = patient_state(writer, patient), setting(writer)
        fields = Fields(dict(body), "", current.policy.notation, [])
        clean: dict[str, Any] = {"site": fields.need_text("site"), "side": fields.one_of("side", ("left", "right"))}
        check_known_site(clean["site"])
        clean["kind"] = _kind_of(fields)
        how = fields.one_of("how", ("felt", "seen"))
        if how is not None:
            clean["how"] = how
        where = fields.take("place_mm")
        if where is not None:
            clean["place_mm"] = read_place_mm(fields)
        for key in ("point", "words"):
            text = fields.text(key, longest=500)
            if text:
                clean[key] = text
        size = fields.number("size_mm", above=0)
        if size is not None and size > LARGEST_MARK_MM:
            fields.fail("size_mm", f'read "{exact_text(size)}", expected at most {LARGEST_MARK_MM} mm')
        if size is not None:
            clean["size_mm"] = exact_text(size)
        fields.close(frozenset(["site", "side", "kind", "point", "place_mm", "how", "words", "size_mm"]))
        check_time(at, now)
        clean = placed_mark(clean, skin_of_patient(state, current, at))
        before = open_marks(state, at.isoformat()[:10])
        if clean["kind"] == "gone" and not any(closes(clean, mark) for mark in before):
            known = "; ".join(_mark_words(mark) for mark in before) or "nothing is open anywhere"
            raise UseCaseError(f"nothing is open there that could be gone. Open: {known}")
        clean |= {"by": by, "at": at.isoformat(), "zone": current.zone}
        fact = writer.append(patient_stream(state.patient), "inspection", clean, recorded_at=now)
        lines = _what_it_led_to(writer, state.patient, current, clean, before, at)
    return Recorded(entry=state.entry_id(fact.number), fact=fact, findings=(), lines=lines)


# What may be seen or felt on the skin; "other" wants words.
INSPECTED_KINDS = (
    "lump",
    "bruise",
    "redness",
    "swelling",
    "hardness",
    "dent",
    "rash",
    "scar",
    "wound",
    "mole",
    "pain",
    "nothing",
    "gone",
    "other",
)


def _kind_of(fields: Fields) -> str:
    kind = fields.need_text("kind").strip().casefold()
    if kind not in INSPECTED_KINDS:
        fields.fail("kind", f'read "{shown(kind)}", expected one of: {", ".join(INSPECTED_KINDS)}')
    if kind == "other" and not (fields.take("words") or "").strip():
        fields.fail("words", "missing: say in words what was seen or felt")
    return kind


def _mark_words(mark: Mapping[str, Any]) -> str:
    size = f" of {mark['size_mm']} mm" if mark.get("size_mm") else ""
    where = mark.get("point") or (f"{mark['place_mm'][0]} mm, {mark['place_mm'][1]} mm" if mark.get("place_mm") else "")
    return " ".join(part for part in (f"{mark['kind']}{size}, {mark['side']} {mark['site']}", where) if part)


def _what_it_led_to(
    writer: Writer,
    patient: str,
    current: Setting,
    clean: Mapping[str, Any],
    before: Sequence[Mapping[str, Any]],
    at: datetime,
) -> tuple[str, ...]:
    """How many points are shut by it, or which lumps are closed and which are left."""
    state = patient_state(writer, patient)
    left = open_marks(state, at.isoformat()[:10])
    if clean["kind"] in ("gone", "nothing"):
        closed = [mark for mark in before if closes(clean, mark)]
        lines = [f"closed: {_mark_words(mark)}" for mark in closed]
        return (*lines, *(f"still open: {_mark_words(mark)}" for mark in left))
    shut = points_shut(state, current, at, clean["site"], clean["side"])
    points = "point is" if shut == 1 else "points are"
    return (f"{_mark_words(clean)}: {shut} {points} shut on that side of the site until it is written as gone",)
