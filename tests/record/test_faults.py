"""Killed, out of room or with a failing disk at any call: an entry is kept whole or not at all, and the error is told.

A tracer does something to one call of the system. Each try runs on a copy of its own, as writing.py says.
"""

import os
import random
import re
import signal
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest

from drawup.record.check import check, check_pages
from drawup.record.store import Store

Writing = Callable[..., list[str]]
Tries = dict[int, list[str]]
Injecting = Callable[..., Tries]

NOW = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
MOST_WRITES = 55
"""More writes than one entry and closing the record make; the tests see to it that it is enough."""
MOST_SYNCS = 8


@pytest.fixture
def one_entry(path: Path, store: Store) -> Path:
    """The path of a closed record that holds one entry: three facts and a claim."""
    with store.writing() as writer:
        entry = writer.append("patient/7", "given", {"n": 1}, recorded_at=NOW, keys=("batch/B1",))
        writer.append("stock/B1", "used", {"n": 1}, recorded_at=NOW, keys=("batch/B1",))
        writer.append("audit", "given", {"n": 1}, recorded_at=NOW)
        writer.claim("planned/1", entry)
    store.close()
    return path


@pytest.fixture
def injecting(strace: str, writing: Writing) -> Injecting:
    """Do some work on each of several copies of a record, with the N-th call hit in the N-th: what each said."""

    def run(path: Path, call: str, what: str, *, last: int, onwards: bool = False, work: str = "entry") -> Tries:
        inject = f"inject={call}:{what}:when={last}{'+' if onwards else ''}"
        under = (strace, "-f", "-qq", "-o", str(path.with_name("trace")), "-e", f"trace={call}", "-e", inject)
        tries: Tries = {number: [] for number in range(1, last + 1)}
        for line in writing("each-call", path, call, last, work, under=under):
            number, _, rest = line.partition(" ")
            tries[int(number)].append(rest)
        return tries

    return run


def entries_kept(path: Path) -> int:
    """How many entries were written after the first. A part of one, or anything that is not whole, fails."""
    with Store.open(path) as store:
        report = check(store)
        assert report.whole, report.first_break
        assert check_pages(store) == ()
        kept, part = divmod(report.facts - 3, 3)
        assert part == 0, "a part of an entry"
        assert store.rows("SELECT count(*) FROM document") == [(kept,)]
        assert len(store.find("batch/B1")) == 2 + 2 * kept
        for number in range(2, 6):
            assert (store.claimed(f"planned/{number}") is not None) == (number < kept + 2)
        return kept


def look_at_each(path: Path, tries: Tries) -> Counter[int]:
    """Look at every copy: whatever was acknowledged is there. How many copies have how many entries."""
    counted: Counter[int] = Counter()
    for number, lines in tries.items():
        kept = entries_kept(path.with_suffix(f".{number}"))
        assert kept >= lines.count("kept"), f"try {number} was told more: {lines}"
        counted[kept] += 1
    return counted


def ended(tries: Tries) -> Counter[str]:
    return Counter(lines[-1] for lines in tries.values())


def refusals(tries: Tries) -> list[str]:
    return [line for lines in tries.values() for line in lines if line.startswith("refused")]


@pytest.mark.parametrize(("call", "last"), [("pwrite64", MOST_WRITES), ("fdatasync", MOST_SYNCS)])
def test_a_program_killed_at_each_call_in_turn_leaves_a_whole_entry_or_none(
    one_entry: Path, injecting: Injecting, call: str, last: int
) -> None:
    tries = injecting(one_entry, call, "signal=KILL", last=last)
    # Some were killed at their call, and those whose work had fewer calls than that came to their end.
    assert ended(tries).keys() == {"ended -9", "ended 0"}
    assert tries[last] == ["kept", "closed", "ended 0"]
    assert look_at_each(one_entry, tries).keys() == {0, 1}


@pytest.mark.parametrize("onwards", [False, True], ids=["once", "from then on"])
def test_where_there_is_no_room_left_the_entry_is_refused_and_the_record_is_whole(
    one_entry: Path, injecting: Injecting, onwards: bool
) -> None:
    tries = injecting(one_entry, "pwrite64", "error=ENOSPC", last=MOST_WRITES, onwards=onwards)
    assert ended(tries) == {"ended 0": MOST_WRITES}, "no traceback"
    assert refusals(tries)
    assert all("There is no room left on the disk" in line for line in refusals(tries)), set(refusals(tries))
    found = look_at_each(one_entry, tries)
    assert found.keys() == {0, 1}
    assert found[0] == len(refusals(tries)), "what was refused is not there"


@pytest.mark.parametrize(("call", "last"), [("pwrite64", MOST_WRITES), ("fdatasync", MOST_SYNCS)])
def test_where_the_disk_fails_the_entry_is_refused_and_the_record_is_whole(
    one_entry: Path, injecting: Injecting, call: str, last: int
) -> None:
    tries = injecting(one_entry, call, "error=EIO", last=last)
    assert ended(tries) == {"ended 0": last}, "no traceback"
    assert refusals(tries)
    assert all(re.search("The disk reported an error|or the disk failed", line) for line in refusals(tries))
    look_at_each(one_entry, tries)


@pytest.mark.faults
@pytest.mark.parametrize(("call", "last"), [("pwrite64", 260), ("fdatasync", 24)])
@pytest.mark.parametrize("what", ["signal=KILL", "error=EIO", "error=ENOSPC"])
def test_a_fault_at_each_call_also_while_the_log_is_written_back_leaves_whole_entries(
    one_entry: Path, injecting: Injecting, call: str, last: int, what: str
) -> None:
    tries = injecting(one_entry, call, what, last=last, work="write-back")
    assert tries[last] == ["kept", "kept", "kept", "closed", "ended 0"], "enough calls"
    assert look_at_each(one_entry, tries).keys() == {0, 1, 2, 3}


@pytest.mark.faults
@pytest.mark.parametrize(("call", "last"), [("pwrite64", 220), ("fdatasync", 30), ("fsync", 4)])
@pytest.mark.parametrize("what", ["signal=KILL", "error=EIO", "error=ENOSPC"])
def test_a_record_is_made_whole_or_not_at_all_whatever_call_fails(
    path: Path, injecting: Injecting, call: str, last: int, what: str
) -> None:
    tries = injecting(path, call, what, last=last, work="make")
    assert tries[last] == ["made", "ended 0"], "enough calls"
    for number, lines in tries.items():
        own = path.with_suffix(f".{number}")
        if own.exists():
            with Store.open(own) as store:
                assert check(store).whole
        else:
            assert "made" not in lines
        if what != "signal=KILL":
            assert lines[-1] == "ended 0", f"no traceback: {lines}"


@pytest.mark.faults
def test_a_program_killed_a_hundred_times_at_any_moment_loses_nothing_it_acknowledged(path: Path, store: Store) -> None:
    store.close()
    chosen, acknowledged = random.Random(7), 0
    program = Path(__file__).parent / "writing.py"
    for _ in range(100):
        command = [sys.executable, str(program), "more-blocks", str(path)]
        running = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        assert running.stdout is not None
        assert running.stdout.readline() == "started\n"
        time.sleep(chosen.uniform(0, 0.2))
        os.kill(running.pid, signal.SIGKILL)
        lines = running.communicate()[0].splitlines()
        acknowledged = max([acknowledged, *(int(line.split()[1]) for line in lines if re.fullmatch(r"kept \d+", line))])
        with Store.open(path) as again:
            kept = len(list(again.facts("patient/7")))
            assert kept >= acknowledged
            assert check(again).whole
    assert acknowledged > 100


@pytest.mark.faults
def test_a_crowd_of_which_some_are_killed_leaves_whole_entries(path: Path, store: Store) -> None:
    store.close()
    chosen = random.Random(7)
    program = Path(__file__).parent / "writing.py"
    for _ in range(10):
        running = [
            subprocess.Popen([sys.executable, str(program), "crowd", str(path), "1", "3"], stdout=subprocess.DEVNULL)
            for _ in range(4)
        ]
        time.sleep(chosen.uniform(1, 3))
        for one in running[:2]:
            one.kill()
        for one in running:
            one.wait()
        with Store.open(path) as again:
            report = check(again)
            assert report.whole, report.first_break
            assert report.facts % 2 == 0, "entries are of two facts"
