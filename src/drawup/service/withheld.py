"""What was seen or said since the last dose and speaks against the next: withheld for safety, or watched outside."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from drawup.injection.order import GIVEN_ELSEWHERE
from drawup.service.state import Entry, PatientState

# What may still hold when the dose is tried again; the other reasons (away, asleep, nobody to check) speak of the day.
SAFETY_REASONS = ("contraindicated today", "order unclear", "unwell", "reading outside limits", GIVEN_ELSEWHERE)

_MOST_WORDS, _MOST_NAME = 250, 100


def withheld_words(state: PatientState, order: str, now: datetime) -> str:
    """Why the dose of an order that comes next was not given, when and by whom: "" where nothing of that kind stands.

    The last such entry counts for as long as no dose of the order is newer. A dose given elsewhere stands until it is
    written down as reported, or another is given.
    """
    withheld = [
        one
        for one in state.entries.values()
        if one.kind == "not given" and _is_of(one, order) and one.body["reason"] in _SAFETY and not one.void
    ]
    last = max((one for one in withheld if one.at <= now), key=_when, default=None)
    if last is None or any(_settles(one, last, order) for one in state.entries.values() if one.at <= now):
        return ""
    body = last.body
    words = f" ({_cut(body['words'], _MOST_WORDS)})" if body.get("words") else ""
    clock = last.at.astimezone(ZoneInfo(body["zone"])).strftime("%Y-%m-%d %H:%M")
    return f"{body['reason']}{words}, {clock}, by {_cut(body['by'], _MOST_NAME)}"


def outside_words(state: PatientState, medicine: str, now: datetime) -> str:
    """What lies outside its limits by the last figure of each, in a watch after this medicine that nobody has ended."""
    name = medicine.strip().casefold()
    found: list[str] = []
    for entry in state.entries.values():
        watching = state.watches.get(entry.number)
        if not entry.counts or entry.at > now or watching is None or watching.ended is not None:
            continue
        if entry.body["medicine"].strip().casefold() != name:
            continue
        found += outside_now(watching.looks)
    return _cut("; ".join(found), _MOST_WORDS)


def outside_now(looks: Sequence[Mapping[str, Any]]) -> list[str]:
    """What lies outside its limits by the last figure of each: "breathing rate 8, below 10"."""
    newest: dict[str, str] = {}
    for one in sorted(looks, key=lambda one: datetime.fromisoformat(one["at"])):
        for what, text in one["seen"].items():
            newest[what] = f"{what} {text}, {one['outside'][what]}" if what in one["outside"] else ""
    return [words for words in newest.values() if words]


_SAFETY = frozenset(SAFETY_REASONS)


def _is_of(entry: Entry, order: str) -> bool:
    return bool(entry.body.get("order") == order)


def _when(entry: Entry) -> tuple[datetime, int]:
    return entry.at, entry.number


def _settles(entry: Entry, last: Entry, order: str) -> bool:
    """Whether a dose leaves nothing to say of the one that was not given."""
    if not entry.counts:
        return False
    if _is_of(entry, order):
        return _when(entry) > _when(last)
    reported = entry.kind == "reported" and last.body["reason"] == GIVEN_ELSEWHERE
    return reported and entry.number > last.number and entry.body["medicine"] == last.body["medicine"]


def _cut(text: str, most: int) -> str:
    text = text.strip().rstrip(".")
    return text if len(text) <= most else text[:most] + "..."
