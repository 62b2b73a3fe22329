"""Killed, out of room or with a failing disk at any call: an entry is kept whole or not at all, and the error is told.

A tracer does something to one call of the system. Each try runs on a copy of its own, as writing.py says.
"""

import re
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import pytest

from drawup.record.check import check, check_pages
from drawup.record.store import Store

Writing = Callable[..., list[str]]
Injecting = Callable[..., dict[int, list[str]]]

MOST_WRITES = 55
"""More writes than one entry and closing the record make; the tests see to it that it is enough."""
MOST_SYNCS = 8


@pytest.fixture
def injecting(path: Path, store: Store, strace: str, writing: Writing) -> Injecting:
    """Write one entry on each of several copies of a record, with the N-th call hit in the N-th: what each said."""
    from_block = writing_one_entry(store)
    assert from_block == 3

    def run(call: str, what: str, *, last: int, onwards: bool = False) -> dict[int, list[str]]:
        when = f"{last}{'+' if onwards else ''}"
        inject = (strace, "-f", "-qq", "-o", str(path.with_name("trace")), "-e", f"trace={call}")
        lines = writing("each-call", path, call, last, under=(*inject, "-e", f"inject={call}:{what}:when={when}"))
        tries: dict[int, list[str]] = {number: [] for number in range(1, last + 1)}
        for line in lines:
            number, _, rest = line.partition(" ")
            tries[int(number)].append(rest)
        return tries

    return run


def writing_one_entry(store: Store) -> int:
    """One entry before the trial, so that the record is not empty; how many facts it then has."""
    from datetime import UTC, datetime

    now = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
    with store.writing() as writer:
        entry = writer.append("patient/7", "given", {"n": 1}, recorded_at=now, keys=("batch/B1",))
        writer.append("stock/B1", "used", {"n": 1}, recorded_at=now, keys=("batch/B1",))
        writer.append("audit", "given", {"n": 1}, recorded_at=now)
        writer.claim("planned/1", entry)
    store.close()
    return 3


def kept_whole(path: Path) -> bool:
    """True where the second entry is there, False where nothing of it is; anything between fails."""
    with Store.open(path) as store:
        report = check(store)
        assert report.whole, report.first_break
        assert check_pages(store) == ()
        assert report.facts in (3, 6), "a part of the entry"
        whole = report.facts == 6
        (documents,) = store.rows("SELECT count(*) FROM document")[0]
        assert documents == (1 if whole else 0)
        assert (store.claimed("planned/2") is not None) == whole
        assert len(store.find("batch/B1")) == (4 if whole else 2)
        return whole


def outcomes(path: Path, tries: dict[int, list[str]]) -> Counter[str]:
    """Look at every copy, and count what became of the entry."""
    counted: Counter[str] = Counter()
    for number, lines in tries.items():
        whole = kept_whole(path.with_name(f"{path.name}.{number}"))
        if "kept" in lines:
            assert whole, f"try {number} was told that it was kept: {lines}"
        counted["kept" if whole else "nothing"] += 1
    return counted


def ended(tries: dict[int, list[str]]) -> Counter[str]:
    return Counter(lines[-1] for lines in tries.values())


@pytest.mark.parametrize(("call", "last"), [("pwrite64", MOST_WRITES), ("fdatasync", MOST_SYNCS)])
def test_a_program_killed_at_each_call_in_turn_leaves_a_whole_entry_or_none(
    path: Path, injecting: Injecting, call: str, last: int
) -> None:
    tries = injecting(call, "signal=KILL", last=last)
    # Some were killed at their call, and those whose work had fewer calls than that came to their end.
    assert ended(tries).keys() == {"ended -9", "ended 0"}
    assert tries[last] == ["kept", "closed", "ended 0"]
    found = outcomes(path, tries)
    assert found["kept"]
    assert found["nothing"]


@pytest.mark.parametrize("onwards", [False, True], ids=["once", "from then on"])
def test_where_there_is_no_room_left_the_entry_is_refused_and_the_record_is_whole(
    path: Path, injecting: Injecting, onwards: bool
) -> None:
    tries = injecting("pwrite64", "error=ENOSPC", last=MOST_WRITES, onwards=onwards)
    assert ended(tries) == {"ended 0": MOST_WRITES}, "no traceback"
    refused = [line for lines in tries.values() for line in lines if line.startswith("refused")]
    assert refused
    assert all("There is no room left on the disk" in line for line in refused), set(refused)
    found = outcomes(path, tries)
    assert found["kept"]
    assert found["nothing"]


@pytest.mark.parametrize(("call", "last"), [("pwrite64", MOST_WRITES), ("fdatasync", MOST_SYNCS)])
def test_where_the_disk_fails_the_entry_is_refused_and_the_record_is_whole(
    path: Path, injecting: Injecting, call: str, last: int
) -> None:
    tries = injecting(call, "error=EIO", last=last)
    assert ended(tries) == {"ended 0": last}, "no traceback"
    refused = [line for lines in tries.values() for line in lines if line.startswith("refused")]
    assert refused
    assert all(re.search("The disk reported an error|or the disk failed", line) for line in refused), set(refused)
    outcomes(path, tries)
