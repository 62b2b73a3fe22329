"""`given` in the whole: one durable write, whole or not at all, and never the same planned dose twice unknowingly.

The processes here are real; people, medicines and codes are invented.
"""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from tests.scenarios.conftest import Clinic

MEDICINE: dict[str, Any] = {
    "name": "calvrane",
    "routes": ["intramuscular"],
    "presentations": [{"strength": "50 mg/mL", "volume": "1 mL", "container": "ampoule", "gtin": "09501101530089"}],
}
ORDER = {"medicine": "calvrane", "route": "intramuscular", "dose": {"amount": "50 mg"}, "start": "2026-03-01"}
COMMAND = [sys.executable, "-m", "drawup"]


@pytest.fixture
def ready(clinic: Clinic) -> Clinic:
    """A patient with an order, and ten ampoules in stock."""
    clinic.run("formulary", "add", clinic.file("calvrane.json", MEDICINE))
    clinic.run("patient", "add", "--family", "Dunmore-Sato", "--given", "Ezra", "--born", "1981-01-15")
    clinic.run("patient", "note", "0001", "--allergy", "none known")
    clinic.run("order", "add", "0001", clinic.file("order.json", ORDER))
    clinic.run("stock", "receive", "(01)09501101530089(17)290430(10)QX1", "--count", "10")
    return clinic


def give(clinic: Clinic, plan: str, who: str, *, under: tuple[str, ...] = ()) -> subprocess.CompletedProcess[str]:
    """`drawup given` in a process of its own, by its own clock."""
    command = [*under, *COMMAND, "--record", str(clinic.record)]
    given = ["given", plan, "--scan", "batch:QX1", "--given-by", who, "--at", "2026-03-02 09:00", "--json"]
    return subprocess.run([*command, *given], capture_output=True, text=True, timeout=60)


def plan_of(clinic: Clinic) -> str:
    return str(clinic.run("plan", "--order", "0001.1")["plan"])


def test_two_people_give_the_same_planned_dose_at_once_and_one_is_told_who_did(ready: Clinic) -> None:
    plan = plan_of(ready)
    command = [
        *COMMAND,
        "--record",
        str(ready.record),
        "given",
        plan,
        "--scan",
        "batch:QX1",
        "--at",
        "2026-03-02 09:00",
    ]
    both = [
        subprocess.Popen([*command, "--given-by", who, "--json"], stdout=subprocess.PIPE, text=True)
        for who in ("Ada", "Bo", "Cy")
    ]
    answers = [(process.communicate(timeout=60)[0], process.returncode) for process in both]
    assert sorted(code for _, code in answers) == [0, 5, 5]
    winner = next(json.loads(text) for text, code in answers if code == 0)["body"]["given_by"]
    for text, code in answers:
        if code == 5:
            message = json.loads(text)["error"]["message"]
            assert f"given by {winner}" in message
            assert "2026-03-02 09:00" in message
    assert len(ready.run("chart", "0001")["entries"]) == 1
    assert ready.stock() == {"QX1": 9}


def test_what_truly_happened_twice_can_be_written_and_stands_for_review(ready: Clinic) -> None:
    plan = plan_of(ready)
    at = ("--at", "2026-03-02 09:00")
    ready.run("given", plan, "--scan", "batch:QX1", "--given-by", "Ada", *at)
    ready.run("given", plan, "--scan", "batch:QX1", "--given-by", "Bo", *at, code=5)
    entry = ready.run("given", plan, "--scan", "batch:QX1", "--given-by", "Bo", *at, "--twice")
    assert "given-twice" in entry["body"]["review"]
    assert [one["entry"] for one in ready.run("chart", "--review")] == [entry["entry"]]
    assert ready.stock() == {"QX1": 8}


# Gives the two planned doses named on its command line through one open record, and says so after each.
TWO_GIVEN = """
import sys
from datetime import UTC, datetime
from pathlib import Path
from drawup.record.store import Store
from drawup.service.recording import Happened, People, given

record, synchronous, *plans = sys.argv[1:]
now = datetime(2026, 3, 2, 9, tzinfo=UTC)
with Store.open(Path(record)) as store:
    if synchronous == "OFF":
        store._driver.execute("PRAGMA synchronous=OFF")
    for plan in plans:
        given(store, plan=plan, scans=["batch:QX1"], people=People(given_by="Ada"), happened=Happened(at=now), now=now)
        sys.stdout.write("given\\n")
        sys.stdout.flush()
"""


def syncs_before_each_answer(ready: Clinic, strace: str, folder: Path, synchronous: str) -> list[int]:
    """How many times the log was made durable before each of two answers was written out."""
    ready.run("order", "add", "0001", ready.file("second.json", {**ORDER, "dose": {"amount": "25 mg"}}))
    # Both plans are made before either is given, so that they show the same point.
    reasons = ("duplicate-order=both hold", "given-recently=both are meant now", "point-not-rested=both are meant here")
    accept = [part for reason in reasons for part in ("--accept", reason)]
    plans = [ready.run("plan", "--order", order, *accept)["plan"] for order in ("0001.1", "0001.2")]
    trace = folder / "trace"
    program = [sys.executable, "-c", TWO_GIVEN, str(ready.record), synchronous, *plans]
    watch = (strace, "-f", "-y", "-e", "trace=fdatasync,fsync,write", "-o", str(trace))
    done = subprocess.run([*watch, *program], capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stderr
    counts = [0]
    for line in trace.read_text("utf-8", "replace").splitlines():
        if re.search(r"f(data)?sync\(\d+<[^>]*-wal>", line):
            counts[-1] += 1
        elif re.search(r"write\(1<", line):
            counts.append(0)
    return counts[:2]


def test_one_given_is_durable_by_exactly_one_fdatasync_before_the_answer(
    ready: Clinic, strace: str, tmp_path: Path
) -> None:
    first, second = syncs_before_each_answer(ready, strace, tmp_path, "FULL")
    assert first >= 1  # a new log makes its own head durable first
    assert second == 1


def test_that_check_is_red_when_the_database_does_not_wait_for_the_disk(
    ready: Clinic, strace: str, tmp_path: Path
) -> None:
    assert syncs_before_each_answer(ready, strace, tmp_path, "OFF") == [0, 0]


def test_killed_at_every_write_in_turn_leaves_one_whole_entry_or_none(ready: Clinic, strace: str) -> None:
    plan = plan_of(ready)
    outcomes = set()
    for number in range(1, 40):
        inject = f"inject=pwrite64:signal=KILL:when={number}"
        done = give(ready, plan, "Ada", under=(strace, "-f", "-o", "/dev/null", "-e", "trace=pwrite64", "-e", inject))
        entries = ready.run("chart", "0001")["entries"]
        left = ready.stock()["QX1"]
        assert (len(entries), left) in {(0, 10), (1, 9)}, f"torn at write {number}"
        ready.close()
        outcomes.add(len(entries))
        if done.returncode == 0 or entries:
            break
    assert outcomes == {0, 1}


@pytest.mark.parametrize("error", ["ENOSPC", "EIO"])
def test_no_space_and_a_broken_disk_are_told_and_nothing_is_half_written(
    ready: Clinic, strace: str, error: str
) -> None:
    plan = plan_of(ready)
    inject = f"inject=pwrite64:error={error}"
    done = give(ready, plan, "Ada", under=(strace, "-f", "-o", "/dev/null", "-e", "trace=pwrite64", "-e", inject))
    assert done.returncode == 2
    message = json.loads(done.stdout)["error"]["message"]
    assert ("room" if error == "ENOSPC" else "disk") in message
    assert "Traceback" not in done.stderr
    assert ready.run("chart", "0001")["entries"] == []
    assert ready.stock() == {"QX1": 10}
