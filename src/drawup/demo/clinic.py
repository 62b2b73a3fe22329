"""The invented clinic: what it has and whom it looks after, read from this folder, and built through the service.

Nothing here is real: people.toml and medicines.toml say so, each place, number and pack says so in its name, and each
person's line in the record carries a note that says so. The clinic is built as it would have come about, one fact after
the other, by a clock that moves; so its record is one like any other.
"""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from drawup.record.store import Store
from drawup.service import planning, recording, registering


class ClinicBroken(ValueError):
    """The demo clinic could not be built as its files say: a fault of the demo, not of whoever ran it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Clinic:
    """A built clinic: its record, and the record's own names for its people, orders and entries.

    Orders are found by "person/order" (`ezra/velorin`), entries by the name that the history gave them.
    """

    record: Path
    patients: Mapping[str, str]
    orders: Mapping[str, str]
    entries: Mapping[str, str]
    routine: tuple[str, ...]


@cache
def people() -> Mapping[str, Any]:
    """people.toml: the service, its places, staff and patients with their orders."""
    return _read("people.toml")


@cache
def medicines() -> Mapping[str, Any]:
    """medicines.toml: the formulary, the diluents and the stock received."""
    return _read("medicines.toml")


def _read(name: str) -> Mapping[str, Any]:
    return tomllib.loads((files(__package__) / name).read_text("utf-8"))


def moment(text: str) -> datetime:
    """A time by the clinic's clock: "2026-03-02 09:00"."""
    return datetime.fromisoformat(text).replace(tzinfo=ZoneInfo(people()["zone"]))


def staff(key: str) -> str:
    """A member of staff as they sign."""
    name: str = people()["staff"][key]
    return name


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """Something that happened in the clinic at a time."""

    at: datetime
    do: Callable[[Making], object]


@dataclass(slots=True)
class Making:
    """The clinic while it is being built; `now` is what its clock shows."""

    store: Store
    now: datetime
    patients: dict[str, str] = field(default_factory=dict)
    orders: dict[str, str] = field(default_factory=dict)
    entries: dict[str, str] = field(default_factory=dict)

    def give(
        self,
        order: str,
        *scans: str,
        by: str,
        checked_by: str = "",
        reasons: Mapping[str, str] | None = None,
        part: str | None = None,
        note: str = "",
        called: str = "",
    ) -> None:
        """Plan a dose of an order and record it as given. `reasons` clears findings by their code."""
        accepted = [{"code": code, "reason": reason} for code, reason in (reasons or {}).items()]
        made = planning.make_plan(self.store, order=self.orders[order], now=self.now, accepted=accepted, scans=scans)
        people_at_work = recording.People(given_by=staff(by), checked_by=staff(checked_by) if checked_by else "")
        happened = recording.Happened(at=self.now, volume=part, note=note)
        entry = recording.given(
            self.store,
            plan=made.digest,
            scans=scans,
            people=people_at_work,
            happened=happened,
            now=self.now + timedelta(minutes=2),
        ).entry
        self.entries[called or f"{order} {self.now:%m-%d %H:%M}"] = entry

    def catch(self, order: str, scan: str, code: str) -> None:
        """Scan the wrong container while preparing: a near miss, and nothing else is written."""
        made = planning.make_plan(self.store, order=self.orders[order], now=self.now, scans=(scan,))
        if code not in {found.code for found in made.plan.findings}:
            raise ClinicBroken(f"{scan} for {order} was not caught as {code}")

    def read(self, person: str, what: str, value: str) -> None:
        """Enter a measurement."""
        body = {"what": what, "value": value, "at": self.now.isoformat()}
        registering.note_patient_fact(self.store, self.patients[person], "reading", body, now=self.now)

    def batch(self, pack: str, batch: str, kind: str, by: str, **body: Any) -> None:
        """Write down what happened to a batch."""
        registering.change_stock(self.store, gtin=pack, batch=batch, kind=kind, body=body, now=self.now, by=staff(by))


def build(record: Path, history: Iterable[Event]) -> Clinic:
    """Make the record of the demo clinic at `record`: what it has, whom it looks after, and what happened there.

    Raises RecordError where the file exists, ClinicBroken where the clinic's own files do not hold together.
    """
    events = sorted([*_formulary(), *_stock(), *_registrations(), *history], key=lambda event: event.at)
    with Store.create(record, now=moment("2026-01-05 08:00"), name=people()["record"]) as store:
        making = Making(store, moment("2026-01-05 08:00"))
        registering.use_policy(store, "uk", zone=people()["zone"], now=making.now, by=staff("pharmacist"))
        for event in events:
            making.now = event.at
            event.do(making)
    return Clinic(
        record=record,
        patients=making.patients,
        orders=making.orders,
        entries=making.entries,
        routine=tuple(name for name in making.orders if name not in _unusual()),
    )


def _unusual() -> frozenset[str]:
    """Orders that are there to show what can go wrong."""
    return frozenset(
        f"{person['key']}/{order['key']}"
        for person in people()["person"]
        for order in person["order"]
        if not order.get("routine", True)
    )


def _formulary() -> Iterable[Event]:
    at = moment("2026-01-05 08:10")
    entries = [*medicines()["medicine"], *({"diluent": diluent} for diluent in medicines()["diluent"])]
    return [Event(at=at + timedelta(seconds=40 * index), do=_add(entry)) for index, entry in enumerate(entries)]


def _add(entry: Mapping[str, Any]) -> Callable[[Making], object]:
    return lambda making: registering.add_to_formulary(making.store, entry, now=making.now, by=staff("pharmacist"))


def _stock() -> Iterable[Event]:
    return [
        Event(at=moment(batch["on"]), do=_receive(received["pack"], batch))
        for received in medicines()["received"]
        for batch in received["batches"]
    ]


def _receive(pack: str, batch: Mapping[str, Any]) -> Callable[[Making], object]:
    return lambda making: registering.receive_stock(
        making.store,
        gtin=pack,
        batch=batch["batch"],
        expiry_date=date.fromisoformat(batch["expiry"]),
        count=batch["count"],
        place=people()["places"][batch["place"]],
        now=making.now,
        by=staff("pharmacist"),
    )


def _registrations() -> Iterable[Event]:
    """Each person with what was known at once, each measurement and each order in its own time."""
    for person in people()["person"]:
        at = moment(person["registered"])
        yield Event(at=at, do=_register(person))
        for kind, body, when in _known(person, at):
            yield Event(at=max(when, at + timedelta(minutes=3)), do=_note(person["key"], kind, body))
        for order in person["order"]:
            yield Event(at=moment(order["entered"]), do=_enter(person["key"], order))
            if "stopped" in order:
                yield Event(at=moment(order["stopped"]["at"]), do=_stop(f"{person['key']}/{order['key']}", order))


def _register(person: Mapping[str, Any]) -> Callable[[Making], object]:
    second, _, value = person["second"].rpartition(" ")
    body = {key: person[key] for key in ("family", "given", "born", "sex")} | {
        "place": people()["places"][person["place"]],
        "note": people()["note"],
        "identifiers": [
            {"kind": "invented island number", "value": person["number"]},
            {"kind": f"invented {second}", "value": value},
        ],
    }

    def do(making: Making) -> None:
        patient = registering.register_patient(making.store, body, now=making.now, by=staff("mairi"))
        making.patients[person["key"]] = patient

    return do


def _known(person: Mapping[str, Any], at: datetime) -> Iterable[tuple[str, dict[str, Any], datetime]]:
    yield "allergies", {"allergies": person["allergies"]}, at
    yield "earlier doses", {"given": "none elsewhere", "at": at.isoformat()}, at
    for what in ("weight", "height"):
        if what in person:
            body = {"what": what, "how": "measured", **person[what]}
            yield "measured", body, moment(f"{person[what]['on']} 08:30")
    if "distance" in person:
        distance = {"what": "distance", "site": person["distance"]["site"], "value": person["distance"]["mm"]}
        yield "measured", distance, at
    for region in person.get("avoid", ()):
        yield "ruled out", {"side": None, **region}, at
    if "bleeding" in person:
        yield "bleeding risk", {"risk": person["bleeding"]}, at
    for reading in person.get("readings", ()):
        when = moment(reading["at"])
        yield "reading", {**reading, "at": when.isoformat()}, when
    if "consent" in person:
        yield "consent", {"text": person["consent"], "at": at.isoformat()}, at


def _note(person: str, kind: str, body: Mapping[str, Any]) -> Callable[[Making], object]:
    return lambda making: registering.note_patient_fact(
        making.store, making.patients[person], kind, body, now=making.now, by=staff("mairi")
    )


def _enter(person: str, order: Mapping[str, Any]) -> Callable[[Making], object]:
    rule = {"prescriber": staff("prescriber"), "authority": "prescription", **order["rule"]}

    def do(making: Making) -> None:
        identity = registering.enter_order(
            making.store, making.patients[person], rule, now=making.now, by=staff("prescriber")
        )
        making.orders[f"{person}/{order['key']}"] = identity

    return do


def _stop(name: str, order: Mapping[str, Any]) -> Callable[[Making], object]:
    stopped = order["stopped"]
    return lambda making: registering.stop_order(
        making.store,
        making.orders[name],
        on=stopped["on"],
        reason=stopped["reason"],
        now=making.now,
        by=staff("prescriber"),
    )
