"""One whole `given`, every finding run again inside the transaction, beside the very rows it writes inserted by hand.

    python benchmarks/given.py [how many]

The store alone is measured in record.py; here the state of the patient is read, the plan is made anew and compared,
and the entry, its stock movement and its claim are written. People, medicines and codes are invented.
"""

from __future__ import annotations

import sqlite3
import statistics
import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

from drawup.record.store import Store
from drawup.service.planning import make_plan
from drawup.service.recording import Happened, People, given
from drawup.service.registering import (
    add_to_formulary,
    enter_order,
    note_patient_fact,
    receive_stock,
    register_patient,
    use_policy,
)
from record import SETTINGS, TABLES

BEGIN = datetime(2026, 3, 2, 9, tzinfo=UTC)
GTIN = "09501101530089"
MEDICINE = {
    "name": "calvrane",
    "routes": ["intramuscular"],
    "presentations": [{"strength": "50 mg/mL", "volume": "1 mL", "container": "ampoule", "gtin": GTIN}],
}
ORDER = {"medicine": "calvrane", "route": "intramuscular", "dose": {"amount": "50 mg"}, "start": "2026-03-01"}
HISTORY = 10


def clinic(store: Store, patients: int) -> list[str]:
    """Patients with an order and a history each, and plenty of one batch; the names of their orders."""
    use_policy(store, "uk", zone="Europe/London", now=BEGIN)
    add_to_formulary(store, MEDICINE, now=BEGIN)
    expiry = datetime(2029, 1, 31, tzinfo=UTC).date()
    receive_stock(store, gtin=GTIN, batch="QX1", expiry_date=expiry, count=100_000, now=BEGIN)
    orders = []
    for index in range(patients):
        person = {"family": f"Invented{index}", "given": "Ada", "born": "1981-01-15"}
        patient = register_patient(store, person, now=BEGIN)
        note_patient_fact(store, patient, "allergies", {"allergies": "none known"}, now=BEGIN)
        orders.append(enter_order(store, patient, ORDER, now=BEGIN))
    return orders


def main(count: int) -> None:
    """Print the figures."""
    with tempfile.TemporaryDirectory(dir=".") as folder:
        path = Path(folder) / "record.sqlite"
        with Store.create(path, now=BEGIN, name="benchmark") as store:
            orders = clinic(store, count)
            spent: list[float] = []
            for turn in range(HISTORY + 1):
                now = BEGIN + timedelta(hours=6 * (turn + 1))
                for order in orders:
                    plan = make_plan(store, order=order, now=now).digest
                    who, how = People(given_by="Ada"), Happened(at=now)
                    start = time.perf_counter()
                    given(store, plan=plan, scans=["batch:QX1"], people=who, happened=how, now=now)
                    if turn == HISTORY:
                        spent.append(time.perf_counter() - start)
            settings = {name: store.rows(f"PRAGMA {name}")[0][0] for name in SETTINGS}
        by_hand = insert_by_hand(path, Path(folder) / "hand.sqlite", settings, count)
    whole, hand = statistics.median(spent) * 1e6, statistics.median(by_hand) * 1e6
    print(f"one given, whole, {HISTORY} entries of history   {whole:7.0f} us")
    print(f"its rows by hand with sqlite3          {hand:7.0f} us")
    print(f"given / by hand                        {whole / hand:7.2f}     (target at most 1.8)")


def insert_by_hand(path: Path, target: Path, settings: dict[str, object], count: int) -> list[float]:
    """The last `count` entries, each with its movement, chain rows, keys and claim, one transaction each."""
    source = sqlite3.connect(path)
    fields = {name: [row[1] for row in source.execute(f"PRAGMA table_info({name})")] for name in TABLES}
    with Store.create(target, now=BEGIN, name="by hand"):
        pass
    hand = sqlite3.connect(target, isolation_level=None)
    for name, value in settings.items():
        hand.execute(f"PRAGMA {name}={value}").fetchall()
    # Guards that compare with the rows before are dropped: only the writing itself is measured.
    for (name,) in hand.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
        hand.execute(f"DROP TRIGGER {name}")
    last = source.execute("SELECT max(position) FROM fact").fetchone()[0]
    spent = []
    for first in range(last - 2 * count + 1, last, 2):
        rows = {
            name: source.execute(f"SELECT * FROM {name} WHERE position IN (?, ?)", (first, first + 1)).fetchall()
            for name in ("fact", "chain", "look_up", "claim")
        }
        start = time.perf_counter()
        hand.execute("BEGIN IMMEDIATE")
        for name, found in rows.items():
            marks = ", ".join("?" * len(fields[name]))
            hand.executemany(f"INSERT INTO {name} VALUES ({marks})", found)
        hand.execute("COMMIT")
        spent.append(time.perf_counter() - start)
    hand.close()
    source.close()
    return spent


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
