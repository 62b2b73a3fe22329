"""Finding it again: one patient's chart, a batch to its patients, a patient to their batches, what wants review."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from drawup.exchange.reader import checked_text, shown
from drawup.record.fact import Fact
from drawup.service.errors import UseCaseError
from drawup.service.known import open_marks
from drawup.service.near_misses import counted
from drawup.service.state import Entry, PatientState, Reading, Watching, all_stock, patient_state
from drawup.service.syringes import open_syringes


def chart(reading: Reading, patient: str) -> dict[str, Any]:
    """Everything of one patient: who, what is known, orders, and every entry with its corrections, both readable."""
    state = patient_state(reading, patient)
    return {
        "patient": state.patient,
        "name": state.name,
        "person": {key: value for key, value in state.person.items() if key != "by"},
        "allergies": state.allergies if state.asked_allergies else "not asked",
        "weight": state.weight,
        "height": state.height,
        "ruled_out": state.ruled_out,
        "bleeding_risk": state.bleeding,
        "on_the_skin": open_marks(state, "9999-12-31"),
        "readings": state.readings,
        "consents": state.consents,
        "answers": sorted(state.answers, key=lambda one: datetime.fromisoformat(one["at"])),
        "orders": list(state.orders.values()),
        "contacts": sorted(state.contacts, key=lambda one: datetime.fromisoformat(one["at"])),
        "drawn_up": _drawn_up(state),
        "entries": [entry_json(state, entry) for entry in sorted(state.entries.values(), key=lambda one: one.at)],
    }


def entry_json(state: PatientState, entry: Entry) -> dict[str, Any]:
    """One entry as it stands, what was first written, and each correction with its reason."""
    watching = state.watches.get(entry.number) or Watching()
    return {
        "entry": state.entry_id(entry.number),
        "kind": entry.kind,
        "recorded_at": entry.recorded_at.isoformat(),
        "counts": entry.counts,
        "void": entry.void,
        "body": dict(entry.body),
        "first_written": dict(entry.original) if entry.corrections else None,
        "corrections": [_correction(fact) for fact in entry.corrections],
        "looks": sorted(watching.looks, key=lambda one: datetime.fromisoformat(one["at"])),
        "watch_ended": watching.ended,
        "effect": state.effects.get(entry.number),
    }


def _drawn_up(state: PatientState) -> list[dict[str, Any]]:
    """What was drawn up and what was set aside; `open` where it was neither used, written off nor set aside since."""
    standing = {one["number"] for one in open_syringes(state)}
    return [{**one, "open": one["number"] in standing} for one in state.drawn_up]


def _correction(fact: Fact) -> dict[str, Any]:
    body = fact.body
    kept: dict[str, Any] = {
        key: body[key] for key in ("reason", "by", "belongs_to", "replacement", "findings") if key in body
    }
    return {"recorded_at": fact.recorded_at.isoformat(), **kept}


def trace_batch(reading: Reading, batch: str, *, gtin: str | None = None) -> list[dict[str, Any]]:
    """Every patient who received this batch, as the entries stand now, in the order of the record.

    A batch number is only one maker's: name the pack (`gtin`) to tell two of the same number apart.
    """
    checked_text(batch, "batch", 200)
    if not batch.strip():
        raise UseCaseError("say which batch: --batch BATCH")
    if gtin is not None and not (gtin.isascii() and gtin.isdigit() and len(gtin) == 14):
        raise UseCaseError(f'read the code "{shown(gtin)}", expected the figures of a GTIN')
    states: dict[str, PatientState] = {}
    found, seen = [], set()
    for fact in reading.find(f"batch:{batch}"):
        patient = fact.stream.removeprefix("patient/")
        number = fact.body["corrects"] if fact.kind == "correction" else fact.number
        if (patient, number) in seen:
            continue
        seen.add((patient, number))
        state = states.get(patient) or states.setdefault(patient, patient_state(reading, patient))
        entry = state.entries[number]
        counts = [
            one for one in entry.body.get("containers", ()) if one["batch"] == batch and gtin in (None, one["gtin"])
        ]
        if not counts or entry.void:
            continue
        found.append(_traced(state, entry, sum(one["count"] for one in counts), counts[0]["gtin"]))
    return found


def unknown_batch(reading: Reading, batch: str) -> str:
    """What to look at where nobody received a batch: empty where it was in stock, so that nobody is the answer."""
    known = {one.batch for one in all_stock(reading)}
    if batch in known:
        return ""
    alike = sorted(one for one in known if one.casefold() == batch.strip().casefold())
    if alike:
        return f"No such batch was ever received here, but {', '.join(alike)} was: capitals and spaces count"
    return "No such batch was ever received here. Compare the number with the notice"


def _traced(state: PatientState, entry: Entry, count: int, gtin: str | None) -> dict[str, Any]:
    return {
        "patient": state.patient,
        "name": state.name,
        "born": state.person["born"],
        "entry": state.entry_id(entry.number),
        "kind": entry.kind,
        "medicine": entry.body["medicine"],
        "at": entry.body["at"],
        "containers": count,
        "gtin": gtin,
        "corrected": bool(entry.corrections),
    }


def trace_patient(reading: Reading, patient: str) -> list[dict[str, Any]]:
    """Every batch that went into this patient, as the entries stand now."""
    state = patient_state(reading, patient)
    return [
        {
            "entry": state.entry_id(entry.number),
            "kind": entry.kind,
            "medicine": entry.body["medicine"],
            "at": entry.body["at"],
            **{key: container[key] for key in ("gtin", "batch", "expiry_date", "count", "name")},
        }
        for entry in state.entries.values()
        if not entry.void
        for container in entry.body.get("containers", ())
    ]


def review(reading: Reading) -> list[dict[str, Any]]:
    """Entries that somebody should look at again: against a stop, without a plan, twice, written later, corrected."""
    found = []
    for fact in reading.find("review"):
        state = patient_state(reading, fact.stream.removeprefix("patient/"))
        entry = state.entries[fact.body["corrects"] if fact.kind == "correction" else fact.number]
        if not entry.void:
            why = [one["message"] for one in fact.body["findings"] if one["code"] in fact.body["review"]]
            found.append(
                {
                    "entry": state.entry_id(entry.number),
                    "name": state.name,
                    "medicine": entry.body.get("medicine", entry.kind),
                    "at": entry.body["at"],
                    "why": [f"Corrected: {one}" for one in why] if fact.kind == "correction" else why,
                }
            )
    return found


def near_misses(reading: Reading) -> dict[str, Any]:
    """What was caught, obeyed and overridden, counted by code and month, and what is for whoever keeps the formulary.

    Without blame: the counts name nobody.
    """
    return counted(reading)
