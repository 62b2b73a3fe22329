"""What an order rests on, what was told, and what a label asks for: read exactly, or refused by name.

All names and medicines are invented.
"""

from __future__ import annotations

from typing import Any

import pytest
from tests.exchange.test_schedule_entry import AT, WATCH, every, read, refused

from drawup.injection.medicine import Watch

A = "order.authority"
AUTHORITIES: dict[str, tuple[Any, str, tuple[str, ...]]] = {
    "an unknown word": ("ward custom", A, ('"ward custom"', "prescription, group direction", "or an object")),
    "no kind": ({"reference": "QD-7"}, f"{A}.kind", ("missing", "group direction")),
    "an unknown kind": ({"kind": "custom"}, f"{A}.kind", ('"custom"', "standing order")),
    "until before from": (
        {"kind": "group direction", "from": "2026-03-02", "until": "2026-03-01"},
        f"{A}.until", ("2026-03-01", "before from, 2026-03-02"),
    ),
    "must follow at no time": (
        {"kind": "standing order", "must_follow": "a signature"}, f"{A}.within", ("belong together",)
    ),
    "within a time of nothing": (
        {"kind": "standing order", "within": "3 days"}, f"{A}.within", ("belong together", "must_follow and within")
    ),
    "within no time": (
        {"kind": "standing order", "must_follow": "a signature", "within": "0 hours"},
        f"{A}.within", ("an interval of nothing",),
    ),
    "a question that includes and excludes": (
        {"kind": "group direction", "include": ["over 18", "well"], "exclude": ["Over 18"]},
        f"{A}.exclude", ('"Over 18"', "both includes and excludes", "Write it once"),
    ),
    "a question twice": (
        {"kind": "group direction", "exclude": ["unwell", "Unwell"]}, f"{A}.exclude", ("stands twice",)
    ),
    "a question of no words": ({"kind": "group direction", "include": [""]}, f"{A}.include", ("is empty",)),
    "staff of no name": ({"kind": "group direction", "staff": ["Ada Example", " "]}, f"{A}.staff", ("is empty",)),
    "an unknown key": ({"kind": "group direction", "ends": "2026-12-31"}, f"{A}.ends", ('unknown key "ends"', "until")),
    "no object": (["prescription"], A, ("expected an object",)),
}  # fmt: skip


@pytest.mark.parametrize("name", AUTHORITIES)
def test_an_authority_that_cannot_hold_is_refused_by_name(name: str) -> None:
    authority, field, words = AUTHORITIES[name]
    error = refused({"authority": authority})
    assert error.field == field
    for one in words:
        assert one in error.message


TOLD: dict[str, tuple[dict[str, Any], str, tuple[str, ...]]] = {
    "an answer of another word": (
        {"answers": [{"question": "unwell", "answer": "maybe", "at": AT}]}, "answers[0].answer", ("no, yes",)
    ),
    "an answer in true or false": (
        {"answers": [{"question": "unwell", "answer": True, "at": AT}]}, "answers[0].answer", ("no, yes",)
    ),
    "no answer": ({"answers": [{"question": "unwell", "at": AT}]}, "answers[0].answer", ("expected no or yes",)),
    "an answer at no time": (
        {"answers": [{"question": "unwell", "answer": "no"}]}, "answers[0].at", ("counts from its time",)
    ),
    "an answer to nothing": ({"answers": [{"answer": "no", "at": AT}]}, "answers[0].question", ("missing",)),
    "a result at no time": ({"results": [{"what": "INR", "result": "high"}]}, "results[0].at", ("counts from",)),
    "a result of a number": ({"results": [{"what": "INR", "result": 2, "at": AT}]}, "results[0].result", ("a text",)),
    "a consent by nobody": ({"consents": [{"at": AT}]}, "consents[0].given_by", ("missing",)),
    "a consent that ended before it was given": (
        {"consents": [{"given_by": "Ada Example", "at": AT, "until": "2026-03-01"}]},
        "consents[0].until", ("2026-03-01", "before it was given"),
    ),
    "no zone": ({"zone": "Europe"}, "zone", ('"Europe"', "no time zone", "Europe/London")),
    "a zone outside the list": ({"zone": "../localtime"}, "zone", ("no time zone",)),
    "an unknown key": (
        {"answers": [{"question": "unwell", "answer": "no", "at": AT, "who": "x"}]}, "answers[0].who", ("by",)
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", TOLD)
def test_what_was_told_is_refused_where_it_says_nothing_that_counts(name: str) -> None:
    others, field, words = TOLD[name]
    error = refused({}, **others)
    assert error.field == field
    for one in words:
        assert one in error.message


MEDICINES: dict[str, tuple[dict[str, Any], str, tuple[str, ...]]] = {
    "a question that is not on the list": (
        {"ask": ["unwell", "tired"]}, "medicine.ask[1]", ('"tired"', "recent live vaccine")
    ),
    "live by a word": ({"live": "yes"}, "medicine.live", ("true or false",)),
    "a label that is late before it is early": (
        {"timing": {"late": "1 week", "missed_after": "1 day"}}, "medicine.timing.missed_after", ("longer time",)
    ),
    "a label with a schedule": ({"timing": {"every": "4 weeks"}}, "medicine.timing.every", ("unknown key",)),
    "watching nothing": ({"watch": {**WATCH, "what": []}}, "medicine.watch.what", ("missing",)),
    "watching one thing twice": (
        {"watch": {**WATCH, "what": ["pulse", "Pulse"]}}, "medicine.watch.what", ("stands twice",)
    ),
    "watching less often than at all": (
        {"watch": {**WATCH, "every": "3 hours"}}, "medicine.watch.every", ("longer than the whole watch",)
    ),
    "watching for ever": ({"watch": {**WATCH, "for": None}}, "medicine.watch.for", ("missing",)),
    "watching by the month": ({"watch": {**WATCH, "for": "1 month"}}, "medicine.watch.for", ("2 hours",)),
    "a limit of what is not watched": (
        {"watch": {**WATCH, "limits": [{"what": "pulse", "below": "40"}]}},
        "medicine.watch.limits[0].what", ('"pulse"', "breathing rate"),
    ),
    "a limit without a figure": (
        {"watch": {**WATCH, "limits": [{"what": "breathing rate"}]}},
        "medicine.watch.limits[0].below", ("a below, an above or both",),
    ),
    "limits that leave nothing": (
        {"watch": {**WATCH, "limits": [{"what": "breathing rate", "below": "30", "above": "10"}]}},
        "medicine.watch.limits[0].above", ("every figure would be outside",),
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", MEDICINES)
def test_what_a_label_says_of_timing_asking_and_watching_is_refused_where_it_contradicts_itself(name: str) -> None:
    medicine, field, words = MEDICINES[name]
    error = refused({}, medicine=medicine)
    assert error.field == field
    for one in words:
        assert one in error.message


def test_a_watch_is_read_as_it_is_written() -> None:
    watch = read({}, medicine={"watch": WATCH}).request.medicine.watch
    assert watch == Watch(what=("breathing rate",), every=every(15, "minute"), lasts=every(2, "hour"))
