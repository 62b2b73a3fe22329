"""What was caught, obeyed or overridden, counted without blame: which findings keep harm away, and which only ask.

Each is a fact of its own, apart from the patient's entries and from stock. The counts name codes and months, nobody.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from fractions import Fraction
from typing import Any
from zoneinfo import ZoneInfo

from drawup.injection.barrel import percent_text
from drawup.injection.finding import Finding, Severity
from drawup.record.fact import Fact
from drawup.record.store import Store, Writer
from drawup.service.state import Reading, setting

CAUGHT, OBEYED, OVERRIDDEN = "caught", "obeyed", "overridden"
OUTCOMES = (CAUGHT, OBEYED, OVERRIDDEN)
"""A scan caught it; a dose was not given because of it; it was answered with a reason, or given all the same."""

# Findings about the very container in the hand: caught before giving, they are near misses.
CONTAINER_CODES = frozenset(
    (
        "medicine-not-ordered",
        "pack-not-ordered",
        "not-in-formulary",
        "batch-expired",
        "batch-quarantined",
        "in-use-passed",
        "opened-without-date",
        "diluent-not-ordered",
    )
)

# Messages that name people, as they are counted here.
_NAMELESS: Mapping[str, str] = {
    "authority-not-for": "Who gives it is not among those whom the authority names.",
    "consent-ended": "The consent has ended.",
    "spoken-not-read-back": "A spoken order, and nobody wrote down that it was read back.",
    "dose-was-withheld": "The dose was not given before, for a reason of safety.",
}


def note_near_misses(
    writer: Writer,
    findings: Iterable[Finding],
    patient: str,
    order: str,
    *,
    now: datetime,
    by: str,
    dose_number: int | None = None,
    stopped_giving: bool = False,
) -> None:
    """Count what a scan caught; and where a dose was not given because of it (`stopped_giving`), all that stood there.

    A fact without blame, apart from the patient's entries and from stock.
    """
    for found in findings:
        scanned = found.code in CONTAINER_CODES and found.severity is Severity.STOP
        if scanned or (stopped_giving and found.blocks):
            _note(writer, CAUGHT if scanned else OBEYED, found, patient, order, dose_number, now, by)


def note_overridden(
    writer: Writer,
    findings: Iterable[Finding],
    remembered: Sequence[Mapping[str, str]],
    patient: str,
    order: str,
    *,
    now: datetime,
    by: str,
    dose_number: int,
) -> None:
    """Count what was answered afresh with a reason, or stood in the way of a dose that was given all the same."""
    known = {(one["code"], one["message"]) for one in remembered}
    for found in findings:
        answered = found.accepted is not None and (found.code, found.message) not in known
        if found.blocks or answered:
            _note(writer, OVERRIDDEN, found, patient, order, dose_number, now, by)


def note_blocked(
    store: Store, findings: Iterable[Finding], planned: Mapping[str, Any], *, now: datetime, by: str
) -> None:
    """Count what kept the dose of a kept plan from being given or drawn up; its transaction is undone already."""
    with store.writing() as writer:
        note_near_misses(
            writer,
            findings,
            planned["patient"],
            planned["order"],
            now=now,
            by=by,
            dose_number=planned["dose_number"],
            stopped_giving=True,
        )


def _note(
    writer: Writer,
    outcome: str,
    found: Finding,
    patient: str,
    order: str,
    dose_number: int | None,
    now: datetime,
    by: str,
) -> None:
    body: dict[str, Any] = {
        "code": found.code,
        "message": _NAMELESS.get(found.code, found.message),
        "patient": patient,
        "order": order,
        "by": by,
        "outcome": outcome,
    }
    if dose_number is not None:
        body["dose_number"] = dose_number
    writer.append("audit", "near miss", body, recorded_at=now, keys=["near miss"])


# --- counted ------------------------------------------------------------------------------------------------------

# A finding that is overridden more often than this, in at least so many cases, asks what nobody needs to be asked.
REPORTED_ABOVE = Fraction(9, 10)
REPORTED_FROM = 10
_LATEST = 20


def counted(reading: Reading) -> dict[str, Any]:
    """Near misses by code and by month, what share of each finding was overridden, and which are for the formulary.

    One code on one planned dose is one case: what was overridden in the end was not obeyed.
    """
    facts = _cases(reading.find("near miss"))
    missed = [fact for fact in facts if _outcome(fact) != OVERRIDDEN]
    every = Counter(fact.body["code"] for fact in facts)
    overridden = Counter(fact.body["code"] for fact in facts if _outcome(fact) == OVERRIDDEN)
    shares = {code: Fraction(overridden[code], every[code]) for code in overridden}
    return {
        "count": len(missed),
        "by_code": dict(sorted(Counter(fact.body["code"] for fact in missed).items())),
        "by_month": _by_month(facts, reading),
        "overridden": {
            code: {"overridden": overridden[code], "of": every[code], "share_overridden": percent_text(shares[code])}
            for code in sorted(overridden)
        },
        "reported": [code for code in sorted(shares) if shares[code] > REPORTED_ABOVE and every[code] >= REPORTED_FROM],
        "latest": [_latest(fact) for fact in missed[-_LATEST:]],
    }


def _outcome(fact: Fact) -> str:
    """An early fact has no outcome: only scans were counted then."""
    outcome: str = fact.body.get("outcome", CAUGHT)
    return outcome


def _case(fact: Fact) -> tuple[Any, ...]:
    """One code on one planned dose; of a container, the very one in the hand."""
    body = fact.body
    which = body["message"] if body["code"] in CONTAINER_CODES else ""
    return body["order"], body.get("dose_number"), body["code"], which


def _cases(facts: Iterable[Fact]) -> list[Fact]:
    """Each scan that caught something, and of what was obeyed or overridden each case once, as it ended."""
    every = list(facts)
    ended = {_case(fact) for fact in every if _outcome(fact) == OVERRIDDEN}
    found, seen = [], set()
    for fact in every:
        outcome, case = _outcome(fact), _case(fact)
        if (outcome != OVERRIDDEN and case in ended) or (outcome, case) in seen:
            continue
        if outcome != CAUGHT:
            seen.add((outcome, case))
        found.append(fact)
    return found


def _by_month(facts: Sequence[Fact], reading: Reading) -> dict[str, dict[str, dict[str, int]]]:
    """By the month of the place's calendar, by code, by outcome."""
    if not facts:
        return {}
    zone = ZoneInfo(setting(reading).zone)
    months: dict[str, dict[str, dict[str, int]]] = {}
    for fact in facts:
        codes = months.setdefault(fact.recorded_at.astimezone(zone).strftime("%Y-%m"), {})
        outcomes = codes.setdefault(fact.body["code"], dict.fromkeys(OUTCOMES, 0))
        outcomes[_outcome(fact)] += 1
    return {month: dict(sorted(codes.items())) for month, codes in sorted(months.items())}


def _latest(fact: Fact) -> dict[str, Any]:
    return {
        "at": fact.recorded_at.isoformat(),
        "outcome": _outcome(fact),
        **{key: fact.body[key] for key in ("code", "message", "patient", "order")},
        # An early fact still holds the names.
        **({"message": _NAMELESS[fact.body["code"]]} if fact.body["code"] in _NAMELESS else {}),
    }
