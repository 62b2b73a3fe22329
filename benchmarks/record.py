"""How quick the record is, each figure beside what it is measured against, in one run.

    python benchmarks/record.py                 everything, with 1,000,000 facts to find in
    python benchmarks/record.py --facts 100000  a smaller record to find in

a. One entry (3 facts, 1 document, 1 claim, 4 look-up keys) through the store, against the very same rows inserted by
   hand with sqlite3 into the same tables under the same settings. Target: at most 1.8 times, and one fdatasync an entry.
b. Facts checked a second, with columns and look-up keys compared. Target: at least 150,000.
c. One batch found by its key, against the raw indexed query. Target: at most 1.5 times.

The figures depend on the machine and its disk; the ratios less so. Nothing here passes or fails.
"""

import argparse
import os
import re
import shutil
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from drawup.record.check import check
from drawup.record.seal import seal
from drawup.record.statements import statements
from drawup.record.store import Store, Writer

BEGINNING = datetime(2026, 3, 2, 9, tzinfo=UTC)
TABLES = ("fact", "chain", "look_up", "document", "claim")


def given(number: int) -> dict[str, object]:
    """An entry of an invented injection, of the size that a real one has."""
    return {
        "at": "2026-03-02T09:00:00Z",
        "containers": [{"batch": f"B{number % 997}", "expiry_date": "2027-01-31", "gtin": "09501101530003"}],
        "dose": {"amount": "156.25", "unit": "mg"},
        "given_by": {"how": "stated", "name": "A. Nurse (invented)"},
        "medicine": "velorin",
        "note": "",
        "point": "B2",
        "route": "intramuscular",
        "side": "left",
        "site": "vastus lateralis",
        "volume_ml": {"exact": "3.125", "mark": "3.2"},
    }


def write_entry(store: Store, number: int) -> None:
    """One entry as the program writes it: the plan kept, the entry, the stock movement, the audit line, the claim."""
    now = BEGINNING + timedelta(seconds=number)
    with store.writing() as writer:
        digest = writer.keep(f'{{"plan":{number},"working":"{"2.5 mg/kg x 62.5 kg = 156.25 mg; " * 60}"}}'.encode())
        batch = f"batch/09501101530003/B{number % 997}"
        entry = writer.append(
            f"patient/{number % 400}", "given", {**given(number), "plan": digest}, recorded_at=now, keys=(batch, digest)
        )
        movement = {"batch": f"B{number % 997}", "containers": 1, "entry": entry.hash}
        writer.append(f"stock/09501101530003/B{number % 997}", "used", movement, recorded_at=now, keys=(batch,))
        writer.append("audit", "given", {"entry": entry.hash, "who": "stated"}, recorded_at=now, keys=(entry.stream,))
        writer.claim(f"planned/{digest}", entry)


def rows_by_entry(path: Path, entries: int) -> list[list[tuple[str, list[tuple[Any, ...]]]]]:
    """The rows of a record, as (table, rows) in the order of writing, for each entry of three facts."""
    connection = sqlite3.connect(path)
    gathered: list[dict[str, list[tuple[Any, ...]]]] = [{name: [] for name in TABLES} for _ in range(entries)]
    for name in TABLES:
        for row in connection.execute(f"SELECT * FROM {name}"):
            where = {"look_up": row[0], "claim": row[1], "document": row[0] * 3}.get(name, row[0])
            gathered[(where - 1) // 3][name].append(row)
    connection.close()
    return [[(name, rows[name]) for name in TABLES] for rows in gathered]


def by_hand(connection: sqlite3.Connection, rows: list[tuple[str, list[tuple[Any, ...]]]]) -> None:
    """The rows of one entry, worked out already, inserted in the only order the triggers accept."""
    tables = dict(rows)
    run = connection.execute
    run("BEGIN IMMEDIATE")
    for row in tables["document"]:
        run("INSERT INTO document VALUES (?, ?, ?)", row)
    for fact, link in zip(tables["fact"], tables["chain"], strict=True):
        run("INSERT INTO fact VALUES (?, ?, ?, ?, ?, ?, ?)", fact)
        run("INSERT INTO chain VALUES (?, ?, ?, ?, ?, ?)", link)
        for key in tables["look_up"]:
            if key[0] == fact[0]:
                run("INSERT INTO look_up VALUES (?, ?)", key)
    for row in tables["claim"]:
        run("INSERT INTO claim VALUES (?, ?)", row)
    run("COMMIT")


def raw_connection(path: Path) -> sqlite3.Connection:
    """A plain connection with the store's settings."""
    connection = sqlite3.connect(path, isolation_level=None)
    for setting in (
        "synchronous=2",
        "foreign_keys=1",
        "recursive_triggers=1",
        "trusted_schema=0",
        "cell_size_check=1",
        "wal_autocheckpoint=2000",
        "journal_size_limit=33554432",
        "cache_size=-16000",
    ):
        connection.execute(f"PRAGMA {setting}").fetchall()
    return connection


def seconds(call: Callable[[], object]) -> float:
    start = time.perf_counter()
    call()
    return time.perf_counter() - start


def measure_writing(folder: Path, entries: int) -> None:
    """a. The same rows three times: once to have them, once through the store, once by hand."""
    names: dict[str, Any] = {"now": BEGINNING, "name": "benchmark"}
    with Store.create(folder / "first", **names) as first:
        for number in range(entries):
            write_entry(first, number)
    rows = rows_by_entry(folder / "first", entries)
    Store.create(folder / "by_hand", **names).close()
    hand = raw_connection(folder / "by_hand")
    for label, synchronous in (("synchronous FULL", 2), ("without the disk (synchronous OFF)", 0)):
        for name in ("through", "by_hand"):
            if synchronous == 0:
                pass
        print_writing(folder, label, synchronous, rows, names)
    hand.close()


def print_writing(folder: Path, label: str, synchronous: int, rows: list[Any], names: dict[str, Any]) -> None:
    through_path, hand_path = folder / f"through{synchronous}", folder / f"hand{synchronous}"
    Store.create(hand_path, **names).close()
    through: list[float] = []
    hand: list[float] = []
    with Store.create(through_path, **names) as store:
        connection = raw_connection(hand_path)
        for one in (store._driver, connection):
            one.execute(f"PRAGMA synchronous={synchronous}")
        for number, entry in enumerate(rows):
            pair = [
                (through, lambda number=number: write_entry(store, number)),
                (hand, lambda entry=entry: by_hand(connection, entry)),
            ]
            for spent, call in pair if number % 2 else reversed(pair):
                spent.append(seconds(call))
        connection.close()
    a, b = statistics.median(through), statistics.median(hand)
    total = sum(through) / sum(hand)
    print(f"   {label:36} store {a * 1e6:6.0f} us   by hand {b * 1e6:6.0f} us   ratio {a / b:.2f} (of sums {total:.2f})")
