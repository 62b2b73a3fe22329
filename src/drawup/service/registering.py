"""What must be known before anything is given: the policy, the formulary, patients, orders and stock."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime, time
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

from drawup.evidence.policies import policy_text
from drawup.evidence.tables import load_sites
from drawup.exchange.gs1 import check_digit_holds
from drawup.exchange.reader import FieldError, Fields, checked_text, day_of, listed_zone, moment_of, shown
from drawup.exchange.request import read_request
from drawup.injection.anatomy import region_words, sites_on
from drawup.injection.finding import Finding
from drawup.injection.quantity import Dimension
from drawup.injection.request import Request
from drawup.injection.schedule import MIDNIGHT, calendar_of, instant
from drawup.injection.timing import next_due
from drawup.record.fact import Fact
from drawup.record.store import Store, Writer
from drawup.service.entries import check_named, check_time, check_words
from drawup.service.errors import UseCaseError
from drawup.service.planning import answer_document, request_document
from drawup.service.resting_on import check_kept_authority, check_signer
from drawup.service.state import (
    PatientState,
    Setting,
    alike_key,
    append_stock,
    formulary_entry,
    known_code,
    medicine_of,
    patient_state,
    patient_stream,
    region_of,
    setting,
    stock_state,
)


def use_policy(store: Store, name_or_path: str, *, zone: str, now: datetime, by: str = "") -> Fact:
    """Put a policy in force, by the name of a preset or by a file; its very content is kept."""
    check_zone(zone)
    check_words(by=by)
    name, text = policy_text(name_or_path)
    with store.writing() as writer:
        digest = writer.keep(text.encode("utf-8"))
        body = {"name": name, "digest": digest, "zone": zone, "by": by}
        return writer.append("audit", "policy", body, recorded_at=now, keys=["policy"])


def check_zone(zone: str) -> None:
    """Raise UseCaseError for what is no time zone of the published list, or another one on another machine."""
    try:
        listed_zone(zone)
    except (KeyError, ValueError, OSError):
        raise UseCaseError(f'"{shown(zone)}" is not a time zone. Write such as Europe/London') from None


def add_to_formulary(store: Store, entry: Mapping[str, Any], *, now: datetime, by: str = "") -> Fact:
    """Add or replace a medicine (the public request's `medicine`) or a diluent ({"diluent": {...}})."""
    if "diluent" in entry and "presentations" not in entry:
        return _add_diluent(store, entry["diluent"], now=now, by=by)
    check_words(by=by)
    with store.writing() as writer:
        medicine = medicine_of(entry, setting(writer).policy)
        _check_name("medicine.name", medicine.name)
        for index, pack in enumerate(medicine.presentations):
            if pack.gtin is not None:
                _check_gtin(f"medicine.presentations[{index}].gtin", pack.gtin)
        keys = [f"medicine:{medicine.name}", "medicines"]
        for pack in medicine.presentations:
            if pack.gtin is None:
                continue
            known = known_code(writer, pack.gtin)
            if known is not None and known.name != medicine.name:
                raise UseCaseError(f"the code {pack.gtin} already stands for {known.name}. Check both labels")
            keys.append(f"gtin:{pack.gtin}")
        body = {"medicine": plain(entry), "by": by}
        return writer.append("formulary", "medicine", body, recorded_at=now, keys=keys)


_LONGEST_NAME = 150


def _check_name(field: str, name: str) -> None:
    """What things are looked up by is written in one way only. Raises FieldError."""
    if name != name.strip():
        raise FieldError(field, f'read "{shown(name)}", with a space at its start or end. Write it without')
    checked_text(name, field, _LONGEST_NAME)


def _check_gtin(field: str, gtin: str) -> None:
    if not check_digit_holds(gtin):
        raise FieldError(
            field, f'read "{shown(gtin)}": its last figure does not fit the others. Compare it with the pack'
        )


def plain(entry: Mapping[str, Any]) -> Any:
    """The entry as it is kept: exact numbers and TOML dates as text to the last figure, and nothing that is null."""

    def walk(value: Any) -> Any:
        if isinstance(value, Decimal):
            return format(value, "f")
        if isinstance(value, date | time):
            return value.isoformat()
        if isinstance(value, Mapping):
            return {key: walk(one) for key, one in value.items() if one is not None}
        return [walk(one) for one in value] if isinstance(value, list) else value

    return walk(entry)


_DILUENT_KEYS = frozenset(("name", "gtin", "container", "volume"))


def _add_diluent(store: Store, entry: Any, *, now: datetime, by: str) -> Fact:
    check_words(by=by)
    with store.writing() as writer:
        fields = Fields(entry, "diluent", setting(writer).policy.notation, [])
        name, gtin = fields.need_text("name"), fields.need_text("gtin")
        fields.text("container")
        fields.quantity("volume", Dimension.VOLUME)
        fields.close(_DILUENT_KEYS)
        _check_name("diluent.name", name)
        if not (gtin.isascii() and gtin.isdigit() and len(gtin) in (8, 12, 13, 14)):
            fields.fail("gtin", f'read "{shown(gtin)}", expected 8, 12, 13 or 14 figures')
        padded = gtin.rjust(14, "0")
        _check_gtin("diluent.gtin", padded)
        known = known_code(writer, padded)
        if known is not None and known.name != name:
            raise UseCaseError(f"the code {padded} already stands for {known.name}. Check both labels")
        body = {"diluent": plain(entry), "by": by}
        return writer.append("formulary", "diluent", body, recorded_at=now, keys=[f"gtin:{padded}", "diluents"])


# --- patients -----------------------------------------------------------------------------------------------------

_PERSON_KEYS = frozenset(["family", "given", "born", "sex", "identifiers", "place", "note"])


def register_patient(store: Store, person: Mapping[str, Any], *, now: datetime, by: str = "") -> str:
    """Register a patient and return the record's own name for them. At least two identifiers: name and birth date."""
    check_words(by=by)
    current = setting(store)
    today = now.astimezone(ZoneInfo(current.zone)).date()
    fields = Fields(dict(person), "patient", current.policy.notation, [])
    family, given = fields.need_text("family").strip(), fields.need_text("given").strip()
    checked_text(family, "patient.family", _LONGEST_NAME)
    born = fields.day("born")
    if born is None:
        fields.fail("born", "missing: name and birth date tell one patient from another")
    if born > today:
        fields.fail("born", f"read {born.isoformat()}, after today")
    if born.year < today.year - 130:
        fields.fail("born", f"read {born.isoformat()}, more than 130 years ago")
    body = {"family": family, "given": given, "born": born.isoformat()}
    body["sex"] = fields.one_of("sex", ("female", "male", "unknown")) or "unknown"
    for key in ("place", "note"):
        text = fields.text(key)
        if text:
            body[key] = text
    identifiers = fields.items("identifiers", lambda value, path: _identifier(value, path, fields)) or ()
    fields.close(_PERSON_KEYS)
    with store.writing() as writer:
        patient = f"{len(writer.streams('patient/')) + 1:04d}"
        for kind, value in identifiers:
            if writer.find(f"identifier:{kind}:{value}"):
                raise UseCaseError(f"{kind} {value} belongs to another patient already. Look at both")
        keys = [f"identifier:{kind}:{value}" for kind, value in identifiers]
        whole = {**body, "identifiers": [{"kind": kind, "value": value} for kind, value in identifiers], "by": by}
        writer.append(
            patient_stream(patient), "registered", whole, recorded_at=now, keys=[*keys, "patients", alike_key(family)]
        )
    return patient


def _identifier(value: object, path: str, parent: Fields) -> tuple[str, str]:
    fields = Fields(value, path, parent.notation, parent.notes)
    kind, number = fields.need_text("kind").strip(), fields.need_text("value").strip()
    fields.close(frozenset(("kind", "value")))
    return checked_text(kind, fields.at("kind"), 50), checked_text(number, fields.at("value"), 100)


def note_patient_fact(
    store: Store, patient: str, kind: str, body: Mapping[str, Any], *, now: datetime, by: str = ""
) -> Fact:
    """Keep one fact about a patient: allergies, measured, ruled out, ruled in, bleeding risk, reading, consent."""
    return note_patient_facts(store, patient, [(kind, body)], now=now, by=by)[0]


def note_patient_facts(
    store: Store, patient: str, facts: Sequence[tuple[str, Mapping[str, Any]]], *, now: datetime, by: str = ""
) -> list[Fact]:
    """Keep several facts about a patient, all of them or none.

    Each is read back through the public request before it is kept, so that what cannot be planned with is refused
    while the person who knows is still there.
    """
    check_words(by=by)
    with store.writing() as writer:
        state = patient_state(writer, patient)
        for kind, body in facts:
            _check_patient_fact(state, kind, body, writer, now)
        stream = patient_stream(state.patient)
        return [writer.append(stream, kind, {**body, "by": by}, recorded_at=now) for kind, body in facts]


def _check_patient_fact(state: PatientState, kind: str, body: Mapping[str, Any], writer: Writer, now: datetime) -> None:
    patient: dict[str, Any] = {"born": state.person["born"], "sex": state.person["sex"]}
    current = setting(writer)
    document: dict[str, Any] = {
        "format": 1,
        "now": now.astimezone(ZoneInfo(current.zone)).isoformat(),
        "patient": patient,
        "order": {"medicine": "any"},
        "medicine": {"name": "any", "presentations": [{"strength": "1 mg/mL"}]},
    }
    match kind:
        case "allergies":
            if body["allergies"] == "none known" and isinstance(state.allergies, list):
                raise UseCaseError(
                    "allergies are written down for this patient. Take each one back first, with the reason: "
                    "--not-allergic TO --reason WORDS"
                )
            patient["allergies"] = body["allergies"]
        case "allergy taken back":
            known = state.allergies if isinstance(state.allergies, list) else []
            names = [one if isinstance(one, str) else one["to"] for one in known]
            if body["to"].casefold() not in [name.casefold() for name in names]:
                raise UseCaseError(f'no allergy to "{body["to"]}" is written down: {", ".join(names) or "none"}')
            if not body.get("reason", "").strip():
                raise UseCaseError("say why the allergy is taken back: --reason WORDS")
            return
        case "measured" if body["what"] in ("weight", "height"):
            patient[body["what"]] = {key: body[key] for key in ("value", "on", "how") if key in body}
        case "measured":
            patient["distance_mm"] = {body["site"]: body["value"]}
        case "ruled out" | "ruled in":
            patient["avoid"] = [{key: body[key] for key in ("region", "side", "reason") if body.get(key)}]
        case "bleeding risk":
            patient["bleeding_risk"] = body["risk"]
        case "reading":
            check_time(moment_of(body["at"], "readings[0].at"), now, happened="read")
            document["readings"] = [{key: body[key] for key in ("what", "value", "at")}]
        case "earlier doses":
            return
        case "pregnancy":
            patient["pregnant"] = body["pregnant"]
        case "birth":
            patient["born_at_weeks"] = body["weeks"]
        case "result":
            check_time(moment_of(body["at"], "results[0].at"), now, happened="tested")
            document["results"] = [{key: body[key] for key in ("what", "result", "at")}]
        case "zone":
            check_zone(body["zone"])
            return
        case "consent":
            checked_text(body.get("text", ""), "consent", 500)
            if "given_by" in body:
                consent = ("given_by", "at", "medicine", "relation", "until")
                document["consents"] = [{key: body[key] for key in consent if key in body}]
        case _:
            raise UseCaseError(f'"{kind}" is not a fact about a patient')
    read_request(document, policy=current.policy)
    if kind in ("ruled out", "ruled in"):
        _check_region(state, kind, body)


def _check_region(state: PatientState, kind: str, body: Mapping[str, Any]) -> None:
    """A region that rules nothing out, or in, would be a caution that nobody is given."""
    sites = load_sites()
    if not sites_on(sites, body["region"]):
        known = ", ".join(region_words(sites))
        raise FieldError("region", f'read "{shown(body["region"])}", expected, with or without a side: {known}')
    if kind == "ruled in" and region_of(body) not in map(region_of, state.ruled_out):
        listed = ", ".join(f"{one.get('side') or ''} {one['region']}".strip() for one in state.ruled_out)
        raise FieldError("region", f'"{shown(body["region"])}" is not ruled out. Ruled out: {listed or "nothing"}')


# --- orders -------------------------------------------------------------------------------------------------------


def enter_order(
    store: Store,
    patient: str,
    order: Mapping[str, Any],
    *,
    now: datetime,
    by: str = "",
    replaces: str | None = None,
    picture: Mapping[str, str] | None = None,
) -> str:
    """Keep an order (the public request's `order`); returns its name. Orders are replaced or stopped, never edited.

    `picture`: name and SHA-256 of a picture of the paper; the picture itself stays outside.
    """
    check_words(by=by)
    with store.writing() as writer:
        return put_order(
            writer, patient_state(writer, patient), order, now=now, by=by, replaces=replaces, picture=picture
        )


def put_order(
    writer: Writer,
    state: PatientState,
    order: Mapping[str, Any],
    *,
    now: datetime,
    by: str,
    replaces: str | None = None,
    picture: Mapping[str, str] | None = None,
    session: str | None = None,
) -> str:
    """Keep an order in a transaction that is open; returns its name."""
    current = setting(writer)
    name = order.get("medicine")
    if not isinstance(name, str) or not name.strip():
        raise FieldError("order.medicine", "missing, expected the name of a medicine of the formulary")
    for key in ("entered", "signed", "stopped", "watch_outside", "withheld"):
        if key in order:
            raise FieldError(f"order.{key}", "is what became of an order, written down by itself. Leave it out")
    document = {
        "format": 1,
        "now": now.astimezone(ZoneInfo(current.zone)).isoformat(),
        "patient": {"born": state.person["born"]},
        "order": dict(order),
        "medicine": dict(formulary_entry(writer, name)),
    }
    _check_series_falls_due(read_request(document, policy=current.policy).request, current)
    if session is None:
        check_kept_authority(writer, state.patient, plain(order))
    if replaces is not None and (replaces not in state.orders or "replaced_by" in state.orders[replaces]):
        raise UseCaseError(f'"{shown(replaces)}" is not an order of {state.name} that can be replaced')
    identity = f"{state.patient}.{len(state.orders) + 1}"
    body: dict[str, Any] = {"id": identity, "order": plain(order), "by": by}
    for key, value in (("replaces", replaces), ("picture", picture), ("session", session)):
        if value is not None:
            body[key] = value
    writer.append(patient_stream(state.patient), "order", body, recorded_at=now, keys=[f"order:{identity}"])
    return identity


def _check_series_falls_due(request: Request, current: Setting) -> None:
    """A series by age that can never fall due for this patient before the order ends is a slip of the pen."""
    order = request.order
    if order.schedule is None or not order.schedule.series or order.start is None:
        return
    zone = ZoneInfo(current.zone)
    outlook = next_due(
        order,
        doses=(),
        label=request.medicine.timing,
        calendar=calendar_of(current.policy, zone),
        now=instant(order.start, MIDNIGHT, zone),
        born=request.patient.born,
    )
    if outlook.due is None:
        raise FieldError("order.schedule", f"can never fall due for this patient: {outlook.ended}")


# What whoever enters an order can still put right.
_AT_ENTRY = frozenset(
    (
        "duplicate-order",
        "daily-maximum-orders",
        "order-unclear",
        "times-in-words",
        "times-not-counted",
        "spoken-not-read-back",
        "spoken-nobody-named",
        "authority-without-terms",
    )
)


def found_at_entry(store: Store, order: str, *, now: datetime) -> list[Finding]:
    """What is found about a new order: others of the same medicine or group with both counted, and what it lacks."""
    state, current = patient_state(store, order.partition(".")[0]), setting(store)
    document = request_document(store, state, order, current, now=now)
    _, plan, _ = answer_document(document, current)
    return [one for one in plan.findings if one.code in _AT_ENTRY]


def sign_order(store: Store, order: str, *, by: str, at: datetime, now: datetime, words: str = "") -> Fact:
    """What had to follow an order was done: the signature, or whatever its authority asks for.

    `words`: why somebody else signs than the prescriber, or who wrote the order down.
    """
    check_named(by)
    check_words(words=words)
    check_time(at, now, happened="signed")
    with store.writing() as writer:
        state = patient_state(writer, order.partition(".")[0])
        if order not in state.orders:
            raise UseCaseError(f'no order "{shown(order)}". See drawup order list --patient {state.patient}')
        held = state.orders[order]
        if "signed" in held:
            raise UseCaseError(f'order "{order}" was signed by {held["signed"]["by"]} already')
        check_signer(held, by, words)
        body = {"id": order, "by": by, "at": at.isoformat(), **({"words": words} if words.strip() else {})}
        return writer.append(patient_stream(state.patient), "order signed", body, recorded_at=now)


def stop_order(store: Store, order: str, *, on: str, reason: str, now: datetime, by: str = "") -> Fact:
    """Stop an order from a day on."""
    day_of(on, "on")
    check_words(reason=reason, by=by)
    if not reason.strip():
        raise UseCaseError("say why it is stopped: --reason WORDS")
    patient = order.partition(".")[0]
    with store.writing() as writer:
        state = patient_state(writer, patient)
        if order not in state.orders:
            raise UseCaseError(f'no order "{order}". See drawup order list --patient {patient}')
        before = state.orders[order].get("stopped")
        if before is not None and on >= before:
            raise UseCaseError(f'order "{order}" is stopped from {before} already')
        body = {"id": order, "on": on, "reason": reason, "by": by}
        return writer.append(patient_stream(state.patient), "order stopped", body, recorded_at=now)


# --- stock --------------------------------------------------------------------------------------------------------


_MOST_CONTAINERS = 100_000


def check_count(count: int) -> None:
    """Raise UseCaseError for a number of containers that nobody can have."""
    if not 1 <= count <= _MOST_CONTAINERS:
        raise UseCaseError(f"read {shown(count)} containers, expected from 1 to {_MOST_CONTAINERS:,}")


def receive_stock(
    store: Store,
    *,
    gtin: str,
    batch: str,
    expiry_date: date,
    count: int,
    now: datetime,
    place: str = "",
    by: str = "",
) -> Fact:
    """So many unopened containers of one batch came in."""
    check_count(count)
    check_words(place=place, by=by)
    _check_name("batch", batch)
    with store.writing() as writer:
        if known_code(writer, gtin) is None:
            raise UseCaseError(f"the code {gtin} is not in the formulary. Add the pack first: drawup formulary add")
        state = stock_state(writer, gtin, batch)
        if state.expiry_date is not None and state.expiry_date != expiry_date.isoformat():
            raise UseCaseError(
                f"batch {batch} was received with expiry date {state.expiry_date}, now {expiry_date.isoformat()}. "
                "Look at both labels"
            )
        body = {"count": count, "expiry_date": expiry_date.isoformat(), "place": place, "by": by}
        return append_stock(writer, state, "received", body, now)


def change_stock(
    store: Store, *, gtin: str, batch: str, kind: str, body: Mapping[str, Any], now: datetime, by: str = ""
) -> Fact:
    """One movement of a batch: moved, opened, discarded, wasted, quarantined, released."""
    check_words(by=by, **{key: body[key] for key in ("reason", "place") if key in body})
    with store.writing() as writer:
        state = stock_state(writer, gtin, batch)
        if not state.received:
            raise UseCaseError(f"no batch {batch} of {gtin} was received. See drawup stock list")
        if kind == "opened" and state.balance < 1:
            raise UseCaseError(f"no unopened container of batch {batch} is left to open")
        if kind == "wasted":
            check_count(-body.get("count", 0))
        if kind == "opened":
            check_time(moment_of(body["at"], "at"), now)
        if kind == "wasted" and -body.get("count", 0) > state.balance:
            raise UseCaseError(
                f"batch {batch} has {state.balance} unopened containers. Receive them first, or count again"
            )
        if kind == "released" and not by.strip():
            raise UseCaseError("only a named person may release a batch from quarantine. Say who: --by")
        return append_stock(writer, state, kind, {**body, "by": by}, now)
