"""A check walks the whole record and names the first break in words, whatever was tampered with.

Each case tampers past every guard with a plain connection, with the triggers dropped and made again.
"""

import sqlite3
from collections.abc import Callable
from contextlib import AbstractContextManager, closing
from datetime import datetime
from hashlib import sha256
from pathlib import Path

import pytest

from drawup.record.check import check, check_pages
from drawup.record.report import Break, CheckReport
from drawup.record.store import Store

Tampering = Callable[[Path], AbstractContextManager[sqlite3.Connection]]

SWAP_TEXTS = """
    UPDATE fact SET text = (SELECT text FROM fact AS other WHERE other.position = 9 - fact.position)
    WHERE position IN (3, 6)
"""


def checked(path: Path) -> CheckReport:
    with Store.open(path) as store:
        return check(store)


def first_break(path: Path) -> Break:
    found = checked(path).first_break
    assert found is not None, "nothing was found"
    return found


def test_a_record_as_it_was_written_is_whole(filled: Path) -> None:
    report = checked(filled)
    assert report.whole
    assert report.first_break is None
    # As conftest's fill writes them; the fourth document is not followed by a fact yet.
    assert (report.facts, report.streams, report.documents) == (9, 5, 3)
    with Store.open(filled) as store:
        assert (report.facts, report.hash) == store.head()


def test_an_empty_record_is_whole(store: Store) -> None:
    assert check(store).whole
    assert check(store).facts == 0


def test_a_record_of_several_slices_is_whole_with_any_keys(store: Store, now: datetime) -> None:
    with store.writing() as writer:
        for number in range(2_500):
            if number % 100 == 0:
                writer.keep(str(number).encode())
            keys = [f"{letter}{number}" for letter in "zyxµ\"\\/'日🙂aA9"] if number % 50 == 0 else []
            writer.append(f"patient/{number % 7}", "given", {"n": number}, recorded_at=now, keys=keys)
    seen: list[tuple[int, int]] = []
    report = check(store, progress=lambda done, total: seen.append((done, total)))
    assert report.whole, report.first_break
    assert report.facts == 2_500
    assert report.documents == 25
    assert seen == [(1_000, 2_500), (2_000, 2_500), (2_500, 2_500)]


# what was done; the statements; what the break is called; where it is; what its sentence says.
CASES: list[tuple[str, str, str, tuple[int | None, str | None, int | None], str]] = [
    (
        "a body changed",
        "UPDATE fact SET text = replace(text, '2.5 mg', '25 mg') WHERE position = 4",
        "text",
        (4, "patient/2", 1),
        "expected a text with the hash",
    ),
    (
        "a body changed, and the hash with it",
        "UPDATE fact SET text = replace(text, '2.5 mg', '25 mg'), hash = @hash WHERE position = 4",
        "link",
        (4, "patient/2", 1),
        "expected fact hash",
    ),
    (
        "a body changed, and every hash of that fact with it",
        "UPDATE fact SET text = replace(text, '2.5 mg', '25 mg'), hash = @hash WHERE position = 4;"
        "UPDATE chain SET fact_hash = @hash WHERE position = 4",
        "link hash",
        (4, "patient/2", 1),
        "found",
    ),
    (
        "a text that is none",
        "UPDATE fact SET text = 'x' WHERE position = 4",
        "text",
        (4, "patient/2", 1),
        "a JSON array of six parts",
    ),
    (
        "a hash changed",
        "UPDATE fact SET hash = zeroblob(32) WHERE position = 5",
        "fact hash",
        (5, "stock/B0", 1),
        "found 0000",
    ),
    (
        "the kind changed",
        "UPDATE fact SET kind = 'wasted' WHERE position = 2",
        "column",
        (2, "stock/B1", 1),
        "expected kind 'used', as in the hashed text; found 'wasted'",
    ),
    (
        "the time changed",
        "UPDATE fact SET recorded_at = '2026-03-01T09:00:00.000000Z' WHERE position = 7",
        "column",
        (7, "patient/1", 2),
        "expected recorded_at '2026-03-02T09:00:00.000000Z'",
    ),
    (
        "the stream changed",
        "UPDATE fact SET stream = 'patient/2' WHERE position = 7",
        "column",
        (7, "patient/2", 2),
        "expected stream 'patient/1', as in the hashed text; found 'patient/2'",
    ),
    (
        "the stream changed in both tables",
        "UPDATE fact SET stream = 'patient/9' WHERE position = 1;"
        "UPDATE chain SET stream = 'patient/9' WHERE position = 1",
        "column",
        (1, "patient/9", 1),
        "expected stream 'patient/1'",
    ),
    (
        "the number changed",
        "UPDATE fact SET number = 3 WHERE position = 7",
        "column",
        (7, "patient/1", 3),
        "expected number 2, as in the hashed text; found 3",
    ),
    (
        "a look-up key changed",
        "UPDATE look_up SET key = 'batch/B9' WHERE position = 4 AND key = 'batch/B2'",
        "look-up key",
        (4, "patient/2", 1),
        "batch/B9",
    ),
    (
        "a look-up key removed",
        "DELETE FROM look_up WHERE position = 4 AND key = 'batch/B2'",
        "look-up key",
        (4, "patient/2", 1),
        "expected ['batch/B0', 'batch/B2'",
    ),
    (
        "a look-up key added",
        "INSERT INTO look_up VALUES (3, 'batch/B9')",
        "look-up key",
        (3, "audit", 1),
        "expected [], as in the hashed text; found ['batch/B9']",
    ),
    (
        "a look-up key of no fact, after the last",
        "INSERT INTO look_up VALUES (10, 'batch/B9')",
        "look-up key",
        (10, None, None),
        "found none for 'batch/B9'",
    ),
    (
        "a look-up key of no fact, before the first",
        "INSERT INTO look_up VALUES (0, 'batch/B9')",
        "look-up key",
        (0, None, None),
        "found none for 'batch/B9'",
    ),
    (
        "the last fact of the record deleted",
        "DELETE FROM fact WHERE position = 9",
        "fact missing",
        (9, "audit", 3),
        "found the end of the record",
    ),
    (
        "the last fact of a stream deleted",
        "DELETE FROM fact WHERE position = 7",
        "fact missing",
        (7, "patient/1", 2),
        "found number 2 of 'stock/B1' at position 8",
    ),
    (
        "the last fact of a stream deleted with its link",
        "DELETE FROM fact WHERE position = 7; DELETE FROM chain WHERE position = 7",
        "fact missing",
        (7, None, None),
        "expected a fact and its link; found number 2 of 'stock/B1' at position 8",
    ),
    (
        "a whole stream deleted",
        "DELETE FROM fact WHERE stream = 'patient/1'",
        "fact missing",
        (1, "patient/1", 1),
        "found number 1 of 'stock/B1' at position 2",
    ),
    (
        "a whole stream deleted from every table",
        "DELETE FROM claim WHERE position IN (1, 7); DELETE FROM look_up WHERE position IN (1, 7);"
        "DELETE FROM chain WHERE stream = 'patient/1'; DELETE FROM fact WHERE stream = 'patient/1'",
        "fact missing",
        (1, None, None),
        "found number 1 of 'stock/B1' at position 2",
    ),
    (
        "a whole stream deleted, and what follows moved up",
        "DELETE FROM look_up; DELETE FROM claim; DELETE FROM fact WHERE position = 1;"
        "DELETE FROM chain WHERE position = 1;"
        "UPDATE fact SET position = position - 1; UPDATE chain SET position = position - 1",
        "look-up key",
        (1, "stock/B1", 1),
        "found []",
    ),
    (
        "a fact deleted, and what follows moved up with its keys",
        "DELETE FROM claim; DELETE FROM look_up WHERE position = 3; DELETE FROM fact WHERE position = 3;"
        "DELETE FROM chain WHERE position = 3; UPDATE fact SET position = position - 1 WHERE position > 3;"
        "UPDATE chain SET position = position - 1 WHERE position > 3;"
        "UPDATE look_up SET position = position - 1 WHERE position > 3",
        "link hash",
        (3, "patient/2", 1),
        "documents 2 to 2",
    ),
    (
        "everything moved one position on",
        "UPDATE fact SET position = -1 - position; UPDATE fact SET position = -position;"
        "UPDATE chain SET position = -1 - position; UPDATE chain SET position = -position;"
        "UPDATE look_up SET position = -1 - position; UPDATE look_up SET position = -position;"
        "UPDATE claim SET position = position + 1",
        "fact missing",
        (1, None, None),
        "found number 1 of 'patient/1' at position 2",
    ),
    (
        "everything deleted but the links",
        "DELETE FROM claim; DELETE FROM look_up; DELETE FROM fact",
        "fact missing",
        (1, "patient/1", 1),
        "found the end of the record",
    ),
    (
        "a fact inserted at the end without a link",
        "INSERT INTO fact VALUES (10, 'audit', 4, 'given', '2026-03-02T09:00:00.000000Z', "
        '\'["audit",4,"given","2026-03-02T09:00:00.000000Z",[],{}]\', @next)',
        "link missing",
        (10, "audit", 4),
        "found none",
    ),
    (
        "a fact inserted at the end with a made-up hash",
        "INSERT INTO fact VALUES (10, 'audit', 4, 'given', 'T', '[\"audit\",4,\"given\",\"T\",[],{}]', zeroblob(32));"
        "INSERT INTO chain VALUES (10, 'audit', 4, zeroblob(32), 4, zeroblob(32))",
        "text",
        (10, "audit", 4),
        "with the hash 0000",
    ),
    (
        "a fact inserted before the first",
        "INSERT INTO fact SELECT 0, 'audit', 0, kind, recorded_at, text, hash FROM fact WHERE position = 3",
        "fact missing",
        (1, "patient/1", 1),
        "found number 0 of 'audit' at position 0",
    ),
    ("two texts swapped", SWAP_TEXTS, "text", (3, "audit", 1), "it was changed"),
    (
        "two facts swapped",
        "UPDATE fact SET position = -position WHERE position IN (3, 6);"
        "UPDATE fact SET position = CASE position WHEN -3 THEN 6 ELSE 3 END WHERE position < 0",
        "number",
        (3, "audit", 2),
        "expected number 1 of 'audit' next; found number 2",
    ),
    (
        "two facts of different streams swapped with their links",
        "UPDATE fact SET position = -position WHERE position IN (2, 3);"
        "UPDATE fact SET position = CASE position WHEN -2 THEN 3 ELSE 2 END WHERE position < 0;"
        "UPDATE chain SET position = -position WHERE position IN (2, 3);"
        "UPDATE chain SET position = CASE position WHEN -2 THEN 3 ELSE 2 END WHERE position < 0;"
        "UPDATE look_up SET position = 3 WHERE position = 2",
        "link hash",
        (2, "audit", 1),
        "found",
    ),
    (
        "a link's hash changed",
        "UPDATE chain SET hash = zeroblob(32) WHERE position = 6",
        "link hash",
        (6, "audit", 2),
        "found 0000",
    ),
    (
        "a link's stream changed",
        "UPDATE chain SET stream = 'patient/9' WHERE position = 6",
        "link",
        (6, "audit", 2),
        "expected stream 'audit', as of its fact; found 'patient/9'",
    ),
    (
        "a link's number changed",
        "UPDATE chain SET number = 5 WHERE position = 6",
        "link",
        (6, "audit", 2),
        "expected number 2, as of its fact; found 5",
    ),
    (
        "a link's count of documents changed",
        "UPDATE chain SET documents = 1 WHERE position = 6",
        "link",
        (6, "audit", 2),
        "expected at least 2 documents kept; found 1",
    ),
    ("a link deleted", "DELETE FROM chain WHERE position = 6", "link missing", (6, "audit", 2), "found none"),
    ("the last link deleted", "DELETE FROM chain WHERE position = 9", "link missing", (9, "audit", 3), "found none"),
    (
        "a document changed",
        "UPDATE document SET content = x'00' WHERE number = 2",
        "document",
        (None, None, None),
        "document 2 to have the digest",
    ),
    (
        "a document changed, and its digest with it",
        f"UPDATE document SET content = x'00', digest = '{sha256(bytes(1)).hexdigest()}' WHERE number = 2",
        "link hash",
        (4, "patient/2", 1),
        "or one of the documents 2 to 2 was changed",
    ),
    (
        "a document's digest changed",
        "UPDATE document SET digest = 'not even a digest' WHERE number = 2",
        "document",
        (None, None, None),
        "document 2 to have the digest not even a digest",
    ),
    (
        "a document deleted",
        "DELETE FROM document WHERE number = 2",
        "document",
        (4, "patient/2", 1),
        "expected document 2, kept before this fact; found none",
    ),
    (
        "a document that no fact follows changed",
        "UPDATE document SET content = x'00' WHERE number = 4",
        "document",
        (None, None, None),
        "document 4",
    ),
    (
        "a claim of no fact",
        "UPDATE claim SET position = 12 WHERE key = 'planned/2'",
        "claim",
        (12, None, None),
        "expected the fact that claimed 'planned/2'; found none",
    ),
    (
        "the record's name changed",
        "UPDATE record SET name = 'another'",
        "link hash",
        (1, "patient/1", 1),
        "expected",
    ),
    (
        "a column that is no text",
        "UPDATE fact SET kind = CAST(x'ff' AS TEXT) WHERE position = 6",
        "not readable",
        (6, None, None),
        "UTF-8",
    ),
]


@pytest.mark.parametrize(
    ("statements", "what", "where", "said"), [case[1:] for case in CASES], ids=[c[0] for c in CASES]
)
def test_tampering_is_named(
    filled: Path,
    tampering: Tampering,
    statements: str,
    what: str,
    where: tuple[int | None, str | None, int | None],
    said: str,
) -> None:
    with tampering(filled) as raw:
        text = raw.execute("SELECT text FROM fact WHERE position = 4").fetchone()[0]
        audit = raw.execute("SELECT hash FROM fact WHERE position = 9").fetchone()[0]
        added = b'["audit",4,"given","2026-03-02T09:00:00.000000Z",[],{}]'
        worked_out = {
            "@hash": sha256(bytes(32) + text.replace("2.5 mg", "25 mg").encode()).hexdigest(),
            "@next": sha256(audit + added).hexdigest(),
        }
        for name, value in worked_out.items():
            statements = statements.replace(name, f"x'{value}'")
        raw.executescript(statements)
    found = first_break(filled)
    assert (found.what, (found.position, found.stream, found.number)) == (what, where), found.sentence
    assert said in found.sentence


def test_a_number_left_out_is_named_also_where_every_hash_was_worked_out_anew(
    filled: Path, tampering: Tampering
) -> None:
    with tampering(filled) as raw:
        before, link = raw.execute(
            "SELECT fact.hash, chain.hash FROM fact, chain WHERE fact.position = 6 AND chain.position = 8"
        ).fetchone()
        text = '["audit",4,"given","2026-03-02T09:00:00.000000Z",[],{"who":"stated"}]'
        hashed = sha256(before + text.encode()).digest()
        raw.execute("UPDATE fact SET number = 4, text = ?, hash = ? WHERE position = 9", (text, hashed))
        linked = sha256(link + hashed).digest()
        raw.execute("UPDATE chain SET number = 4, fact_hash = ?, hash = ? WHERE position = 9", (hashed, linked))
    found = first_break(filled)
    assert (found.what, found.position, found.number) == ("number", 9, 4)
    assert "expected number 3 of 'audit' next; found number 4 in its text" in found.sentence


def test_every_kind_of_break_is_tried() -> None:
    from typing import get_args

    from drawup.record.report import What

    tried = {case[2] for case in CASES}
    assert set(get_args(What)) - tried == {"seal"}, "seals are tried in test_seal.py"


def test_a_value_of_another_type_written_past_strict_tables_is_named(filled: Path, tampering: Tampering) -> None:
    with tampering(filled) as raw:
        raw.execute("PRAGMA writable_schema=1")
        raw.execute("UPDATE sqlite_master SET sql = replace(sql, ') STRICT', ')') WHERE name = 'fact'")
    with tampering(filled) as raw:
        raw.execute("UPDATE fact SET hash = 'text' WHERE position = 6")
        raw.execute("PRAGMA writable_schema=1")
        raw.execute("UPDATE sqlite_master SET sql = sql || ' STRICT' WHERE name = 'fact'")
    found = first_break(filled)
    assert (found.what, found.position) == ("column", 6)
    assert "expected hash to be bytes; found 'text'" in found.sentence


def test_facts_before_the_break_are_counted(filled: Path, tampering: Tampering) -> None:
    with tampering(filled) as raw:
        raw.execute("UPDATE fact SET kind = 'wasted' WHERE position = 6")
    report = checked(filled)
    assert not report.whole
    assert report.facts == 5


def test_a_break_in_a_later_slice_is_named(store: Store, path: Path, now: datetime, tampering: Tampering) -> None:
    with store.writing() as writer:
        for number in range(3_100):
            writer.append(f"patient/{number % 3}", "given", {"n": number}, recorded_at=now)
    store.close()
    with tampering(path) as raw:
        raw.execute("UPDATE fact SET text = replace(text, '3000', '3001') WHERE position = 3001")
    found = first_break(path)
    # Position 3001 is the 1,001st of patient/0: 0, 3, 6 ... 3,000.
    assert (found.what, found.position, found.stream, found.number) == ("text", 3_001, "patient/0", 1_001)


def test_facts_appended_while_it_is_checked_are_left_for_the_next_check(
    path: Path, store: Store, now: datetime
) -> None:
    def append(count: int) -> None:
        with store.writing() as writer:
            writer.keep(f"plan {store.head()}".encode())
            for _ in range(count):
                entry = writer.append("patient/1", "given", {}, recorded_at=now, keys=["k"])
            writer.claim(f"planned/{entry.number}", entry)

    append(2_500)
    with Store.open(path) as reader:
        report = check(reader, progress=lambda done, total: append(10))
        assert report.whole, report.first_break
        assert report.facts == 2_500
        assert check(reader).facts == 2_530


def test_the_log_can_be_written_back_while_the_record_is_checked(path: Path, store: Store, now: datetime) -> None:
    with store.writing() as writer:
        for _ in range(2_500):
            writer.append("patient/1", "given", {}, recorded_at=now)
    answers = []

    def write_back(done: int, total: int) -> None:
        with store.writing() as writer:
            writer.append("patient/1", "given", {}, recorded_at=now)
        answers.append(store.rows("PRAGMA wal_checkpoint(TRUNCATE)")[0])

    with Store.open(path) as reader:
        assert check(reader, progress=write_back).whole
    # busy, pages in the log, pages written back: a reader in the middle of its transaction would make it busy.
    assert answers == [(0, 0, 0)] * 3


def test_the_pages_of_a_good_record_are_good(filled: Path) -> None:
    with Store.open(filled) as store:
        assert check_pages(store) == ()


def test_an_index_that_lost_an_entry_is_found_in_the_pages(filled: Path) -> None:
    with closing(sqlite3.connect(filled)) as raw:
        page, size = raw.execute(
            "SELECT rootpage, (SELECT page_size FROM pragma_page_size) FROM sqlite_master WHERE name = 'fact_in_stream'"
        ).fetchone()
    content = bytearray(filled.read_bytes())
    # The number of cells stands at bytes 3 and 4 of a page (sqlite.org/fileformat2.html, section 1.6): one fewer.
    start = (page - 1) * size + 3
    assert int.from_bytes(content[start : start + 2]) == 9
    content[start : start + 2] = (8).to_bytes(2)
    filled.write_bytes(content)
    with Store.open(filled) as store:
        assert check(store).whole, "the tables themselves are right"
        assert any("fact_in_stream" in line for line in check_pages(store))
