"""How quick the record is, each figure beside what it is measured against, in one run.

    python benchmarks/record.py                   with 1,000,000 facts to find in (takes minutes, and a gigabyte)
    python benchmarks/record.py --facts 100000    with a smaller record to find in

a. One entry (a document, three facts with four look-up keys, a claim) through the store, against the very same rows,
   worked out beforehand, inserted by hand with sqlite3 into the same tables under the same settings, by turns.
   Aimed at: 1.8 times at most, and the disk waited for once an entry.
b. Facts checked a second, with columns and look-up keys compared. Aimed at: 150,000 at least.
c. A batch found by its key, against the raw indexed query. Aimed at: 1.5 times at most.

The figures depend on the machine and its disk; the ratios less so. Nothing here passes or fails.
"""

import argparse
import os
import random
import re
import shutil
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Any

from drawup.record.check import check
from drawup.record.statements import statements
from drawup.record.store import Store

BEGINNING = datetime(2026, 3, 2, 9, tzinfo=UTC)
NAME = "benchmark"
TABLES = ("document", "fact", "chain", "look_up", "claim")
SETTINGS = ("synchronous", "foreign_keys", "recursive_triggers", "trusted_schema", "cell_size_check", "cache_size",
            "wal_autocheckpoint", "journal_size_limit")  # fmt: skip
FACTS_CHECKED = 300_000
PATIENTS = 20_000
FACTS_PER_BATCH = 100

Rows = dict[str, list[tuple[Any, ...]]]


def given(number: int) -> dict[str, object]:
    """The body of an entry of an invented injection, of the size that a real one has."""
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
    """One entry as the program writes it: the plan kept, the entry, the movement of stock, the line of audit."""
    now = BEGINNING + timedelta(seconds=number)
    batch = f"batch/09501101530003/B{number % 997}"
    with store.writing() as writer:
        digest = writer.keep(f'{{"plan":{number},"working":"{"2.5 mg/kg x 62.5 kg = 156.25 mg; " * 60}"}}'.encode())
        body = {**given(number), "plan": digest}
        entry = writer.append(f"patient/{number % 400}", "given", body, recorded_at=now, keys=(batch, digest))
        moved = {"batch": f"B{number % 997}", "containers": 1, "entry": entry.hash}
        writer.append(f"stock/09501101530003/B{number % 997}", "used", moved, recorded_at=now, keys=(batch,))
        writer.append("audit", "given", {"entry": entry.hash, "who": "stated"}, recorded_at=now, keys=(entry.stream,))
        writer.claim(f"planned/{digest}", entry)


def rows_by_entry(path: Path, entries: int) -> list[Rows]:
    """The rows of a record of such entries, by entry and by table."""
    gathered: list[Rows] = [{name: [] for name in TABLES} for _ in range(entries)]
    connection = sqlite3.connect(path)
    for name in TABLES:
        for row in connection.execute(f"SELECT * FROM {name}"):
            entry = row[0] - 1 if name == "document" else (row[1 if name == "claim" else 0] - 1) // 3
            gathered[entry][name].append(row)
    connection.close()
    return gathered


def insert_by_hand(connection: sqlite3.Connection, rows: Rows) -> None:
    """The rows of one entry, in the only order that the triggers accept."""
    run = connection.execute
    run("BEGIN IMMEDIATE")
    for row in rows["document"]:
        run("INSERT INTO document VALUES (?, ?, ?)", row)
    for fact, link in zip(rows["fact"], rows["chain"], strict=True):
        run("INSERT INTO fact VALUES (?, ?, ?, ?, ?, ?, ?)", fact)
        run("INSERT INTO chain VALUES (?, ?, ?, ?, ?, ?)", link)
        for key in rows["look_up"]:
            if key[0] == fact[0]:
                run("INSERT INTO look_up VALUES (?, ?)", key)
    for row in rows["claim"]:
        run("INSERT INTO claim VALUES (?, ?)", row)
    run("COMMIT")


def plain_connection(path: Path, store: Store) -> sqlite3.Connection:
    """A connection of sqlite3 alone, with the settings that the store has at this moment."""
    connection = sqlite3.connect(path, isolation_level=None)
    for name in SETTINGS:
        connection.execute(f"PRAGMA {name}={store.rows(f'PRAGMA {name}')[0][0]}").fetchall()
    return connection


def seconds(call: Callable[[], object]) -> float:
    start = time.perf_counter()
    call()
    return time.perf_counter() - start


def by_turns(calls: Sequence[tuple[Callable[[], object], Callable[[], object]]]) -> tuple[float, float, float]:
    """Medians in seconds of the first and of the second calls, and the ratio of their sums."""
    first: list[float] = []
    second: list[float] = []
    for number, (one, other) in enumerate(calls):
        pair = [(first, one), (second, other)]
        for spent, call in pair if number % 2 else reversed(pair):
            spent.append(seconds(call))
    return statistics.median(first), statistics.median(second), sum(first) / sum(second)


def measure_writing(folder: Path, entries: int) -> None:
    with Store.create(folder / "first", now=BEGINNING, name=NAME) as store:
        for number in range(entries):
            write_entry(store, number)
    rows = rows_by_entry(folder / "first", entries)
    print(f"a. One entry of 3 facts, 1 document, 4 look-up keys, 1 claim ({entries} entries each way)")
    for label, synchronous in (("waiting for the disk", 2), ("not waiting (for comparison)", 0)):
        paths = folder / f"store{synchronous}", folder / f"hand{synchronous}"
        Store.create(paths[1], now=BEGINNING, name=NAME).close()
        with Store.create(paths[0], now=BEGINNING, name=NAME) as store:
            store.rows(f"PRAGMA synchronous={synchronous}")
            hand = plain_connection(paths[1], store)
            calls = [
                (partial(write_entry, store, number), partial(insert_by_hand, hand, entry))
                for number, entry in enumerate(rows)
            ]
            through, by_hand, of_sums = by_turns(calls)
            hand.close()
        shown = f"through the store {through * 1e6:5.0f} us, by hand {by_hand * 1e6:5.0f} us"
        print(f"   {label:29} {shown}: {through / by_hand:.2f} times ({of_sums:.2f} of the sums; at most 1.8)")


def measure_syncs(folder: Path) -> None:
    """Count the waits for the disk of 50 entries, in a process of its own under strace."""
    strace = shutil.which("strace")
    if strace is None:
        print("   waits for the disk            not counted: strace is missing")
        return
    path, trace = folder / "synced", folder / "trace"
    Store.create(path, now=BEGINNING, name=NAME).close()
    command = [strace, "-y", "-o", str(trace), "-e", "trace=fdatasync,fsync,write", sys.executable, __file__]
    done = subprocess.run([*command, "--entries-at", str(path)], capture_output=True)
    if done.returncode != 0:
        print("   waits for the disk            not counted: strace may not trace here")
        return
    # The first entry also makes the log, and closing the record waits for both files.
    parts = re.split(r"entry \d+\\n", trace.read_text())[2:-1]
    counts = [len(re.findall(r"sync\(", part)) for part in parts]
    print(f"   waits for the disk            {statistics.mean(counts):.2f} an entry, of {len(counts)} (exactly 1)")


def write_entries_for_tracing(path: Path) -> None:
    with Store.open(path) as store:
        for number in range(50):
            write_entry(store, number)
            os.write(1, f"entry {number}\n".encode())


def fill(store: Store, facts: int) -> None:
    """Facts with two keys each, a document for every hundredth, in large blocks."""
    for start in range(0, facts, 10_000):
        with store.writing() as writer:
            for number in range(start, min(start + 10_000, facts)):
                if number % 100 == 0:
                    writer.keep(f"plan {number} ".encode() * 200)
                patient = f"patient/{number % PATIENTS}"
                keys = (f"batch/{number % max(1, facts // FACTS_PER_BATCH)}", f"day/{number // 1_000}")
                writer.append(patient, "given", given(number), recorded_at=BEGINNING, keys=keys)


def measure_checking(store: Store, facts: int) -> None:
    best = 0.0
    for _ in range(3):
        start = time.perf_counter()
        report = check(store)
        best = max(best, report.facts / (time.perf_counter() - start))
        assert report.whole, report.first_break
    print(f"b. Checking {facts:,} facts with columns and keys compared: {best:,.0f} facts a second (at least 150,000)")


def measure_finding(store: Store, path: Path, facts: int, tries: int) -> None:
    connection = plain_connection(path, store)
    query = statements().find
    chosen = random.Random(7)
    keys = [f"batch/{chosen.randrange(max(1, facts // FACTS_PER_BATCH))}" for _ in range(tries)]
    found = len(store.find(keys[0]))

    def by_query(key: str) -> list[Any]:
        return connection.execute(query, (key,)).fetchall()

    calls = [(partial(store.find, key), partial(by_query, key)) for key in keys]
    through, raw, of_sums = by_turns(calls)
    connection.close()
    print(
        f"c. A batch of {found} facts found in {facts:,}: find {through * 1e6:.0f} us, raw query {raw * 1e6:.0f} us: "
        f"{through / raw:.2f} times ({of_sums:.2f} of the sums; at most 1.5)"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--facts", type=int, default=1_000_000, help="facts in the record to find in")
    parser.add_argument("--entries", type=int, default=1_000, help="entries written each way")
    parser.add_argument("--folder", type=Path, help="where to make the records; the system's own place otherwise")
    parser.add_argument("--entries-at", type=Path, help=argparse.SUPPRESS)
    chosen = parser.parse_args()
    if chosen.entries_at is not None:
        write_entries_for_tracing(chosen.entries_at)
        return
    with tempfile.TemporaryDirectory(prefix="record-benchmark-", dir=chosen.folder) as name:
        folder = Path(name)
        measure_writing(folder, chosen.entries)
        measure_syncs(folder)
        with Store.create(folder / "checked", now=BEGINNING, name=NAME) as store:
            fill(store, min(FACTS_CHECKED, chosen.facts))
            measure_checking(store, min(FACTS_CHECKED, chosen.facts))
        with Store.create(folder / "found", now=BEGINNING, name=NAME) as store:
            fill(store, chosen.facts)
            measure_finding(store, folder / "found", chosen.facts, 2_000)


if __name__ == "__main__":
    main()
