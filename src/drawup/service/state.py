"""What the facts of a stream come to: a patient, a batch of stock, the formulary, the policy in force.

Nothing here is stored. Each view is worked out from the facts whenever it is asked for, so it cannot drift from them.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, field
from datetime import date, datetime
from difflib import get_close_matches
from typing import Any, Protocol

from drawup.evidence.policies import parse_policy
from drawup.exchange.medicine_entry import read_medicine
from drawup.exchange.reader import Fields, shown
from drawup.injection.anatomy import split_region
from drawup.injection.medicine import Medicine
from drawup.injection.policy import Policy
from drawup.record.fact import Claim, Fact
from drawup.record.store import Writer
from drawup.service.errors import UseCaseError

GIVEN_KINDS = ("given", "part given", "reported")
ENTRY_KINDS = (*GIVEN_KINDS, "not given", "inspection")


class Reading(Protocol):
    """What a store and a writer can both be asked."""

    def facts(self, stream: str, *, after: int = 0) -> Iterable[Fact]: ...

    def fact(self, stream: str, number: int) -> Fact | None: ...

    def last(self, stream: str) -> Fact | None: ...

    def find(self, key: str) -> tuple[Fact, ...]: ...

    def streams(self, prefix: str) -> tuple[str, ...]: ...

    def kept(self, digest: str) -> bytes | None: ...

    def digests(self, beginning: str) -> tuple[str, ...]: ...

    def claimed(self, key: str) -> Claim | None: ...

    def position(self) -> tuple[int, str]: ...

    def streams_since(self, position: int) -> tuple[tuple[str, str], ...]: ...

    def link_at(self, position: int) -> str | None: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One line of a patient's record. `body` is what holds now: the replacement where it was corrected.

    `original` is what was first written; `corrections` are the facts that changed it, oldest first; `void` says that it
    no longer counts (it never happened here, or belongs to another patient).
    """

    number: int
    kind: str
    body: Mapping[str, Any]
    original: Mapping[str, Any]
    recorded_at: datetime
    corrections: tuple[Fact, ...] = ()
    void: bool = False

    @property
    def counts(self) -> bool:
        """Whether it is a dose in the body."""
        return self.kind in GIVEN_KINDS and not self.void

    @property
    def at(self) -> datetime:
        """When it happened."""
        return datetime.fromisoformat(self.body["at"])


@dataclass(slots=True)
class Watching:
    """What was seen since an injection that is watched after, and who ended the watch; None while it goes on."""

    looks: list[dict[str, Any]] = field(default_factory=list)
    ended: dict[str, Any] | None = None


@dataclass(slots=True)
class PatientState:
    """One patient as the facts stand."""

    patient: str
    person: dict[str, Any] = field(default_factory=dict)
    allergies: Any = None
    asked_allergies: bool = False
    weight: dict[str, Any] | None = None
    height: dict[str, Any] | None = None
    distances: dict[str, str] = field(default_factory=dict)
    ruled_out: list[dict[str, Any]] = field(default_factory=list)
    bleeding: dict[str, Any] | None = None
    asked_history: bool = False
    pregnant: bool | None = None
    born_at_weeks: int | None = None
    readings: list[dict[str, Any]] = field(default_factory=list)
    consents: list[dict[str, Any]] = field(default_factory=list)
    results: list[dict[str, Any]] = field(default_factory=list)
    answers: list[dict[str, Any]] = field(default_factory=list)
    contacts: list[dict[str, Any]] = field(default_factory=list)
    drawn_up: list[dict[str, Any]] = field(default_factory=list)
    watches: dict[int, Watching] = field(default_factory=dict)
    effects: dict[int, dict[str, Any]] = field(default_factory=dict)
    zone: str | None = None
    orders: dict[str, dict[str, Any]] = field(default_factory=dict)
    entries: dict[int, Entry] = field(default_factory=dict)

    @property
    def name(self) -> str:
        """FAMILY name, given name."""
        return f"{self.person.get('family', '').upper()}, {self.person.get('given', '')}"

    def entry_id(self, number: int) -> str:
        """The name of an entry: patient and running number."""
        return f"{self.patient}-{number}"

    def open_orders(self, on: date) -> list[dict[str, Any]]:
        """Orders that are neither stopped, replaced nor past their end."""
        day = on.isoformat()
        return [
            order
            for order in self.orders.values()
            if order.get("stopped", "9999") > day
            and order.get("replaced_from", "9999") > day
            and (order["order"].get("stop") or "9999") >= day
        ]


_DIGITS = 4


def patient_stream(patient: str) -> str:
    """The stream of a patient's facts."""
    return f"patient/{patient}"


def alike_key(family: str) -> str:
    """The look-up key under which namesakes find each other."""
    return f"family:{family.casefold()}"


def patient_state(reading: Reading, patient: str) -> PatientState:
    """The patient as the facts stand; 1 is read as 0001. Raises UseCaseError where there is none."""
    if patient.isascii() and patient.isdigit() and len(patient) < _DIGITS:
        patient = patient.zfill(_DIGITS)
    state = PatientState(patient=patient)
    # A name that no stream can have, such as bytes of the command line that are no text, is nobody's.
    for fact in reading.facts(patient_stream(patient)) if patient.isprintable() else ():
        _fold(state, fact)
    if not state.person:
        raise UseCaseError(f'no patient "{shown(patient)}" in this record. See drawup patient list')
    return state


def _fold(state: PatientState, fact: Fact) -> None:
    body = fact.body
    match fact.kind:
        case "registered":
            state.person = {**state.person, **body}
        case "allergies":
            state.allergies, state.asked_allergies = _with_allergies(state.allergies, body["allergies"]), True
        case "allergy taken back":
            kept = [one for one in state.allergies or () if _allergy_to(one) != body["to"].casefold()]
            state.allergies = kept or "none known"
        case "measured":
            if body["what"] == "weight":
                state.weight = body
            elif body["what"] == "height":
                state.height = body
            else:
                state.distances[body["site"]] = body["value"]
        case "ruled out":
            state.ruled_out.append(body)
        case "ruled in":
            state.ruled_out = [one for one in state.ruled_out if region_of(one) != region_of(body)]
        case "bleeding risk":
            state.bleeding = body["risk"]
        case "reading":
            state.readings.append(body)
        case "consent":
            state.consents.append(body)
        case "earlier doses":
            state.asked_history = True
        case "pregnancy":
            state.pregnant = body["pregnant"]
        case "birth":
            state.born_at_weeks = body["weeks"]
        case "result":
            state.results.append(body)
        case "answers":
            state.answers += [{**one, "at": body["at"], "by": body["by"]} for one in body["answers"]]
        case "zone":
            state.zone = body["zone"]
        case "contact":
            state.contacts.append(body)
        case "drawn up":
            state.drawn_up.append({**body, "number": fact.number})
        case "watched":
            state.watches.setdefault(body["entry"], Watching()).looks.append(body)
        case "watch ended":
            state.watches.setdefault(body["entry"], Watching()).ended = body
        case "effect":
            # What was said before stays readable beside what holds now.
            before = state.effects.get(body["entry"])
            state.effects[body["entry"]] = body if before is None else {**body, "before": _said_before(before)}
        case "order signed":
            state.orders[body["id"]]["signed"] = body
        case "order":
            state.orders[body["id"]] = {**body, "entered": fact.recorded_at.isoformat()}
            if "replaces" in body:
                # Until the new order starts the old one goes on, so that no day is left without either.
                held = state.orders[body["replaces"]]
                held["replaced_by"] = body["id"]
                held["replaced_from"] = start = body["order"].get("start") or ""
                # One that was to take its place later, and now never starts, ends what came before it no later.
                while "replaces" in held:
                    held = state.orders[held["replaces"]]
                    held["replaced_from"] = min(held.get("replaced_from", start), start)
        case "order stopped":
            stopped = state.orders[body["id"]]
            stopped["stopped"] = body["on"]
            before = state.orders.get(stopped.get("replaces", ""))
            if before is not None and body["on"] < (stopped["order"].get("start") or ""):
                # It never started, so that the one before it goes on.
                before.pop("replaced_by", None)
                before.pop("replaced_from", None)
        case "correction":
            _correct(state, fact)
        case kind if kind in ENTRY_KINDS:
            state.entries[fact.number] = Entry(
                number=fact.number, kind=kind, body=body, original=body, recorded_at=fact.recorded_at
            )


def _said_before(effect: Mapping[str, Any]) -> list[dict[str, Any]]:
    return [*effect.get("before", ()), {key: value for key, value in effect.items() if key != "before"}]


def region_of(body: Mapping[str, Any]) -> tuple[str, str | None]:
    """A region that is ruled out or in, and its side, however it was written: "left arm", or "arm" with the side."""
    word, side = split_region(body["region"])
    return word, body.get("side") or side


def _with_allergies(known: Any, more: Any) -> Any:
    """Allergies add up; one that was written before is replaced by what is known of it now."""
    if not isinstance(known, list) or not isinstance(more, list):
        return more
    told = {_allergy_to(one) for one in more}
    return [*(one for one in known if _allergy_to(one) not in told), *more]


def _allergy_to(one: Any) -> str:
    return str(one if isinstance(one, str) else one["to"]).casefold()


def _correct(state: PatientState, fact: Fact) -> None:
    body = fact.body
    entry = state.entries[body["corrects"]]
    replacement = body.get("replacement")
    state.entries[entry.number] = Entry(
        number=entry.number,
        kind=body.get("kind", entry.kind),
        body=replacement if replacement is not None else entry.body,
        original=entry.original,
        recorded_at=entry.recorded_at,
        corrections=(*entry.corrections, fact),
        void=replacement is None,
    )


# --- stock --------------------------------------------------------------------------------------------------------


@dataclass(slots=True)
class StockState:
    """One batch of one pack as the facts stand; `balance` counts unopened containers."""

    gtin: str
    batch: str
    expiry_date: str | None = None
    balance: int = 0
    opened: str | None = None
    quarantined: str | None = None
    place: str = ""
    received: bool = False


def stock_stream(gtin: str, batch: str) -> str:
    """The stream of one batch."""
    return f"stock/{gtin}/{batch}"


def stock_state(reading: Reading, gtin: str, batch: str) -> StockState:
    """One batch as the facts stand: each movement carries what it led to, so that only the last is read."""
    last = reading.last(stock_stream(gtin, batch))
    if last is None:
        return StockState(gtin=gtin, batch=batch)
    return StockState(gtin=gtin, batch=batch, **last.body["after"])


def append_stock(writer: Writer, state: StockState, kind: str, body: Mapping[str, Any], now: datetime) -> Fact:
    """One movement of a batch, with the state it leads to; `count` is what it adds to the unopened containers."""
    state.balance += body.get("count", 0)
    match kind:
        case "received":
            state.received = True
            state.expiry_date = body.get("expiry_date") or state.expiry_date
            state.place = body.get("place") or state.place
        case "moved":
            state.place = body["place"]
        case "opened":
            state.opened = body["at"]
        case "discarded":
            state.opened = None
        case "quarantined":
            state.quarantined = body["reason"]
        case "released":
            state.quarantined = None
    after = {key: value for key, value in asdict(state).items() if key not in ("gtin", "batch")}
    stream = stock_stream(state.gtin, state.batch)
    return writer.append(stream, kind, {**body, "after": after}, recorded_at=now, keys=[f"stock:{state.batch}"])


def all_stock(reading: Reading) -> list[StockState]:
    """Every batch that stock facts name, in the order of their names."""
    found = []
    for stream in reading.streams("stock/"):
        _, gtin, batch = stream.split("/", 2)
        found.append(stock_state(reading, gtin, batch))
    return found


# --- formulary and policy -----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """What the formulary says a code stands for: a medicine's pack, or a diluent."""

    kind: str
    name: str
    entry: Mapping[str, Any]


def formulary_entry(reading: Reading, name: str) -> Mapping[str, Any]:
    """The formulary's entry for a medicine, in the form of the public request. Raises UseCaseError."""
    facts = reading.find(f"medicine:{name}") if name.isprintable() else ()
    if not facts:
        raise UseCaseError(f'"{shown(name)}" is not in the formulary. See drawup formulary list')
    entry: Mapping[str, Any] = facts[-1].body["medicine"]
    return entry


def medicine_names(reading: Reading) -> list[str]:
    """The medicines of the formulary, in the order of their names."""
    return sorted({fact.body["medicine"]["name"] for fact in reading.find("medicines")})


def known_medicine(reading: Reading, name: str, *, anyway: bool = False) -> str:
    """The medicine's name as the formulary writes it. Raises UseCaseError for an unknown one, unless `anyway`."""
    names = medicine_names(reading)
    same = [one for one in names if one.casefold() == name.strip().casefold()]
    if same or anyway:
        return same[0] if same else name.strip()
    near = get_close_matches(name.casefold(), [one.casefold() for one in names], n=1)
    hint = next((f" Did you mean {one}?" for one in names if near and one.casefold() == near[0]), "")
    raise UseCaseError(
        f'"{name}" is not in the formulary.{hint} If it truly is another medicine, say so: --anyway. It will stand '
        "on the list for review"
    )


def known_code(reading: Reading, gtin: str) -> Known | None:
    """What a GTIN stands for in the formulary as it is now; None where it is not there."""
    for fact in reversed(reading.find(f"gtin:{gtin}")):
        if fact.kind == "diluent":
            return Known(kind="diluent", name=fact.body["diluent"]["name"], entry=fact.body["diluent"])
        name = fact.body["medicine"]["name"]
        entry = formulary_entry(reading, name)
        if any(_padded(pack.get("gtin")) == gtin for pack in entry["presentations"]):
            return Known(kind="medicine", name=name, entry=entry)
    return None


def _padded(gtin: str | None) -> str | None:
    return None if gtin is None else gtin.rjust(14, "0")


def medicine_of(entry: Mapping[str, Any], policy: Policy) -> Medicine:
    """A formulary entry as the core's value."""
    return read_medicine(Fields(dict(entry), "medicine", policy.notation, []))


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """The policy in force, and the place's time zone."""

    policy: Policy
    zone: str
    digest: str


def setting(reading: Reading) -> Setting:
    """The policy in force. Raises UseCaseError where none was chosen yet: it is never silently assumed."""
    body = _policy_chosen(reading)
    return Setting(policy=kept_policy(reading, body), zone=body["zone"], digest=body["digest"])


def policy_in_force(reading: Reading) -> tuple[str, str]:
    """The name and the very text of the policy in force. Raises UseCaseError where none was chosen yet."""
    body = _policy_chosen(reading)
    return body["name"], _kept_text(reading, body)


def kept_policy(reading: Reading, body: Mapping[str, Any]) -> Policy:
    """The policy whose very content was kept."""
    return parse_policy(_kept_text(reading, body), name=body["name"])


def _policy_chosen(reading: Reading) -> Mapping[str, Any]:
    facts = reading.find("policy")
    if not facts:
        raise UseCaseError(
            "this record has no policy yet. Choose a country: drawup policy use uk --zone Europe/London "
            "(or us, au, nz, or a file of your own)"
        )
    return facts[-1].body


def _kept_text(reading: Reading, body: Mapping[str, Any]) -> str:
    content = reading.kept(body["digest"])
    if content is None:
        raise UseCaseError("the policy in force is not in the record any more: run drawup check-record")
    return content.decode("utf-8")


def canonical(document: object) -> bytes:
    """A document as bytes that are the same for the same content."""
    return json.dumps(document, sort_keys=True, ensure_ascii=False, separators=(",", ":")).encode("utf-8")
