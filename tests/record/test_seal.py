"""A seal kept outside the machine finds what the record alone cannot: newest facts gone, every hash worked out anew."""

import sqlite3
from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import replace
from datetime import UTC, datetime
from hashlib import sha256
from pathlib import Path

import pytest

from drawup.record.check import check
from drawup.record.report import Break
from drawup.record.seal import Seal, parse_seal, render_seal, seal
from drawup.record.store import RecordError, Store

Tampering = Callable[[Path], AbstractContextManager[sqlite3.Connection]]


@pytest.fixture
def taken(filled: Path, now: datetime) -> Seal:
    """The seal of the filled record."""
    with Store.open(filled) as store:
        return seal(store, now=now)


def broken_seal(path: Path, taken: Seal) -> Break:
    with Store.open(path) as store:
        report = check(store, seal=taken)
    assert report.first_break is not None
    assert report.first_break.what == "seal"
    return report.first_break


def test_a_seal_names_the_record_its_head_and_what_it_held(filled: Path, taken: Seal, now: datetime) -> None:
    with Store.open(filled) as store:
        position, hashed = store.head()
    # As conftest's fill writes them.
    assert taken == Seal(
        record="invented clinic",
        position=9,
        hash=hashed,
        taken_at=now,
        counts=(("audit", 3), ("patient", 3), ("stock", 3)),
    )
    assert position == 9


def test_a_record_fits_its_seal_also_when_it_has_grown(filled: Path, taken: Seal, now: datetime) -> None:
    with Store.open(filled) as store:
        assert check(store, seal=taken).sealed_facts == 9
        with store.writing() as writer:
            writer.append("patient/9", "given", {}, recorded_at=now)
        report = check(store, seal=taken)
        assert report.whole
        assert (report.sealed_facts, report.facts) == (9, 10)


def test_every_earlier_seal_still_fits(store: Store, now: datetime) -> None:
    seals = [seal(store, now=now)]
    for number in range(1, 6):
        with store.writing() as writer:
            writer.keep(str(number).encode())
            writer.append(f"patient/{number % 2}", "given", {}, recorded_at=now)
        seals.append(seal(store, now=now))
    for earlier in seals:
        assert check(store, seal=earlier).sealed_facts == earlier.position


def test_newest_facts_removed_from_every_table_are_seen_with_the_seal_only(
    filled: Path, taken: Seal, tampering: Tampering
) -> None:
    with tampering(filled) as raw:
        for table in ("claim", "look_up", "chain", "fact"):
            raw.execute(f"DELETE FROM {table} WHERE position > 6")
    with Store.open(filled) as store:
        assert check(store).whole
    assert "expected the 9 facts it was taken of; found 6: the newest are gone" in broken_seal(filled, taken).sentence


def test_a_record_with_every_hash_worked_out_anew_is_seen_with_the_seal_only(
    filled: Path, taken: Seal, tampering: Tampering
) -> None:
    with Store.open(filled) as store:
        link = store.beginning
    with tampering(filled) as raw:
        raw.execute("UPDATE fact SET text = replace(text, '2.5 mg', '25 mg')")
        heads: dict[str, bytes] = {}
        digests = dict(raw.execute("SELECT number, digest FROM document"))
        linked = 0
        for position, stream, text, documents in raw.execute(
            "SELECT position, fact.stream, text, documents FROM fact JOIN chain USING (position) ORDER BY position"
        ).fetchall():
            heads[stream] = sha256(heads.get(stream, bytes(32)) + text.encode()).digest()
            fresh = b"".join(bytes.fromhex(digests[number]) for number in range(linked + 1, documents + 1))
            link, linked = sha256(link + heads[stream] + fresh).digest(), documents
            raw.execute("UPDATE fact SET hash = ? WHERE position = ?", (heads[stream], position))
            raw.execute("UPDATE chain SET fact_hash = ?, hash = ? WHERE position = ?", (heads[stream], link, position))
    with Store.open(filled) as store:
        assert check(store).whole
    assert broken_seal(filled, taken).position == 9


def test_the_seal_of_another_record_does_not_fit(filled: Path, taken: Seal) -> None:
    found = broken_seal(filled, replace(taken, record="another clinic"))
    assert "expected the record 'another clinic'; found the record 'invented clinic'" in found.sentence


def test_a_seal_with_other_counts_does_not_fit(filled: Path, taken: Seal) -> None:
    found = broken_seal(filled, replace(taken, counts=(("patient", 9),)))
    assert "expected the sealed counts (('patient', 9),)" in found.sentence


def test_a_break_before_the_seal_is_named_before_the_seal(filled: Path, taken: Seal, tampering: Tampering) -> None:
    with tampering(filled) as raw:
        raw.execute("UPDATE fact SET kind = 'wasted' WHERE position = 2")
    with Store.open(filled) as store:
        report = check(store, seal=taken)
    assert report.first_break is not None
    assert report.first_break.what == "column"
    assert report.sealed_facts is None


def test_a_printed_seal_reads_back_as_it_was(taken: Seal) -> None:
    assert parse_seal(render_seal(taken)) == taken


def test_a_printed_seal_looks_like_this() -> None:
    value = Seal(
        record="invented clinic",
        position=2,
        hash="0123456789abcdef" * 4,
        taken_at=datetime(2026, 3, 2, 9, tzinfo=UTC),
        counts=(("audit", 1), ("patient", 1)),
    )
    assert render_seal(value) == (
        "record    invented clinic\n"
        "taken at  2026-03-02T09:00:00.000000Z\n"
        "facts     2\n"
        "of these  audit 1\n"
        "of these  patient 1\n"
        "seal      0123 4567 89ab cdef 0123 4567 89ab cdef\n"
        "          0123 4567 89ab cdef 0123 4567 89ab cdef\n"
    )


def test_a_seal_typed_by_hand_reads_back_whatever_its_spaces(taken: Seal) -> None:
    typed = "\n\n".join(" ".join(line.split()) for line in render_seal(taken).splitlines())
    assert parse_seal(typed.replace("\n", "\r\n")) == taken


def test_a_name_that_looks_like_a_line_reads_back_as_it_was(taken: Seal) -> None:
    odd = replace(taken, record="facts of these seal", counts=(("taken at", 1),))
    assert parse_seal(render_seal(odd)) == odd


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("facts     9", "facts     nine", "must be a whole number, not 'nine'"),
        ("facts     9\n", "", "lacks the line 'facts'"),
        ("of these  audit 3", "of these  audit", "must be like 'of these  patient 12'"),
        ("2026-03-02T09:00:00.000000Z", "yesterday", "is no time: 'yesterday'"),
        ("2026-03-02T09:00:00.000000Z", "2026-03-02T09:00:00", "is no time"),
        ("seal      ", "seal      x", "must have 64 digits"),
        ("seal      ", "seal      00", "has 66 characters"),
    ],
)
def test_a_seal_that_cannot_be_read_says_which_line(taken: Seal, old: str, new: str, said: str) -> None:
    text = render_seal(taken)
    assert old in text
    with pytest.raises(RecordError) as refused:
        parse_seal(text.replace(old, new))
    assert said in str(refused.value)


def test_a_seal_taken_at_a_time_without_a_zone_is_refused(store: Store) -> None:
    with pytest.raises(ValueError, match="has no zone"):
        seal(store, now=datetime(2026, 3, 2))
