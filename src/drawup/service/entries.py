"""What every entry is made of: amounts as text, containers counted, stock moved, findings kept short."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from fractions import Fraction
from typing import Any

from drawup.evidence.tables import load_sites
from drawup.exchange.answer import finding_json
from drawup.exchange.reader import FieldError, checked_text, shown
from drawup.injection.finding import Finding
from drawup.injection.notation import NotationError, parse_quantity
from drawup.injection.quantity import Dimension
from drawup.record.fact import Fact
from drawup.record.store import Writer
from drawup.service.errors import UseCaseError
from drawup.service.planning import Scanned
from drawup.service.state import Entry, PatientState, Reading, append_stock, patient_state, stock_state


@dataclass(frozen=True, slots=True, kw_only=True)
class Recorded:
    """What was written: the entry's name, the fact, everything found at that moment, and what it led to in words."""

    entry: str
    fact: Fact
    findings: tuple[Finding, ...]
    lines: tuple[str, ...] = ()


_LONGEST_NUMBER = 16


def split_entry(entry: str) -> tuple[str, int]:
    """The patient and the number in an entry's name, "0001-12". Raises UseCaseError."""
    patient, _, number = entry.rpartition("-")
    if not (patient and number.isascii() and number.isdigit() and len(number) < _LONGEST_NUMBER):
        raise UseCaseError(f'"{shown(entry)}" is no entry: it is a patient and a number, such as 0001-12')
    return patient, int(number)


def find_entry(reading: Reading, entry: str) -> tuple[PatientState, Entry]:
    """A patient and one of their entries that still counts, by its name. Raises UseCaseError."""
    patient, number = split_entry(entry)
    state = patient_state(reading, patient)
    held = state.entries.get(number)
    if held is None:
        raise UseCaseError(f'no entry "{entry}". See drawup chart {patient}')
    if held.void:
        raise UseCaseError(f'entry "{entry}" no longer counts: it was corrected already')
    return state, held


def check_time(at: datetime, now: datetime, *, happened: str = "given") -> None:
    """Refuse what has not happened yet."""
    if at > now + timedelta(minutes=5):
        raise UseCaseError(f"{clock_text(at.isoformat())} lies in the future. State when it was {happened}")


def check_born(at: datetime, state: PatientState) -> None:
    """Refuse what lies before this patient's birth: it is another patient's, or a slip, and no plan would take it."""
    born = state.person["born"]
    if born and at.date().isoformat() < born:
        when = clock_text(at.isoformat())
        raise UseCaseError(f"{when} lies before the birth of {state.name} ({born}): check the time, and whose it is")


def check_words(**texts: str) -> None:
    """Refuse control characters, and pages of text, in what a person writes down. Raises FieldError."""
    for field, text in texts.items():
        checked_text(text, field, 500)


def check_places(places: Sequence[Mapping[str, str]], *, anyway: bool = False) -> None:
    """Refuse places that cannot be shown, and unless it truly was there, sites that no table has. Raises FieldError."""
    for place in places:
        check_words(**place)
        if "site" in place and not anyway:
            check_known_site(place["site"])


def check_known_site(site: str) -> None:
    """Refuse a site that no table has, where only a known one means something. Raises FieldError."""
    names = [known.name for known in load_sites()]
    if site not in names:
        raise FieldError("site", f'read "{shown(site)}", expected one of: {", ".join(names)}')


def check_named(by: str) -> None:
    """Refuse an entry that nobody stands for."""
    if not by.strip():
        raise UseCaseError("say who writes this: --by NAME")
    check_words(by=by)


def clock_text(text: str) -> str:
    """A time of the record as people write it: "2026-03-02 09:40"."""
    return text[:16].replace("T", " ")


def volume_of(text: str) -> Fraction:
    """A volume in mL as a person writes it. Raises UseCaseError."""
    if text.strip().replace(".", "", 1).isdigit():
        raise UseCaseError(f'read "{text}": a bare number. Write its unit, such as {text.strip()} mL')
    try:
        quantity = parse_quantity(text).quantity
    except NotationError as error:
        raise UseCaseError(str(error)) from None
    if quantity.unit.dimension is not Dimension.VOLUME or quantity.value == 0:
        raise UseCaseError(f'read "{text}", expected the volume given such as "0.87 mL"')
    return quantity.base


def counted_containers(containers: Sequence[Scanned]) -> list[dict[str, Any]]:
    """The scanned containers by code and batch, with how many of each; an opened multi-dose container counts once."""
    listed: dict[tuple[object, ...], dict[str, Any]] = {}
    for one in containers:
        scan, known = one.scan, one.known
        expiry = scan.expiry_date.isoformat() if scan.expiry_date else None
        container = {
            "gtin": scan.gtin,
            "batch": scan.batch,
            "expiry_date": expiry,
            "count": 0,
            "role": known.kind if known is not None else "unknown",
            "name": known.name if known is not None else None,
        }
        listed.setdefault((scan.gtin, scan.batch, expiry), container)["count"] += 1
    return list(listed.values())


def late_text(late: timedelta) -> str:
    minutes = int(late.total_seconds()) // 60
    if minutes < 120:
        return f"{minutes} minutes"
    return f"{minutes // 60} hours" if minutes < 2880 else f"{minutes // 1440} days"


def short(found: Finding) -> dict[str, Any]:
    full = finding_json(found)
    return {key: full[key] for key in ("code", "severity", "message", "accepted") if full[key] is not None}


def entry_keys(body: Mapping[str, Any]) -> list[str]:
    keys = [f"batch:{one['batch']}" for one in body.get("containers", ()) if one["batch"]]
    if body.get("order"):
        keys.append(f"given:{body['order']}")
    if body.get("review"):
        keys.append("review")
    return keys


def used_containers(body: Mapping[str, Any]) -> Counter[tuple[str, str]]:
    used: Counter[tuple[str, str]] = Counter()
    for one in body.get("containers", ()):
        if one["gtin"] and one["batch"]:
            used[(one["gtin"], one["batch"])] += one["count"]
    return used


def move_stock(
    writer: Writer, counts: Mapping[tuple[str, str], int], entry: str, kind: str, now: datetime, at: datetime
) -> None:
    """Take containers out of stock (or, with a negative count, put them back). An opened vial is taken out once."""
    for (gtin, batch), count in counts.items():
        if count == 0:
            continue
        state = stock_state(writer, gtin, batch)
        taken = 0 if state.opened and kind == "used" else count
        body = {"count": -taken, "entry": entry, "at": at.isoformat()}
        append_stock(writer, state, kind, body, now)
