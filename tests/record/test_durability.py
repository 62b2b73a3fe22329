"""An entry is on the disk before anybody is told that it is kept: seen by tracing the calls to the system.

Killing the program proves nothing about that, since the system keeps what a killed program has written; so the order of
the calls is looked at, and the same look is shown to fail where the database is told not to wait for the disk.
"""

import re
from collections.abc import Callable
from pathlib import Path

import pytest

from drawup.record.store import Store

Writing = Callable[..., list[str]]

CALL = re.compile(r"(?P<call>\w+)\((?P<file>\d+<[^>]*>)(?:, \"(?P<written>[^\"]*))?")


def calls(strace: str, writing: Writing, path: Path, count: int, synchronous: str) -> list[tuple[str, str, str]]:
    """What the program called, in order: the call, the file it was on, and what it wrote."""
    trace = path.with_name("trace")
    under = (strace, "-y", "-s", "24", "-e", "trace=write,writev,pwrite64,pwritev,fsync,fdatasync", "-o", str(trace))
    lines = writing("blocks", path, count, synchronous, under=under)
    assert lines == [f"kept {number}" for number in range(1, count + 1)]
    matches = (CALL.match(line) for line in trace.read_text().splitlines())
    return [(found["call"], found["file"], found["written"] or "") for found in matches if found]


def entries(made: list[tuple[str, str, str]]) -> list[list[tuple[str, str]]]:
    """The calls on the record's files before each "kept": what was done for each entry before it was acknowledged."""
    parts: list[list[tuple[str, str]]] = [[]]
    for call, file, written in made:
        if written.startswith("kept "):
            parts.append([])
        elif ".record" in file:
            parts[-1].append((call, file.partition("<")[2].rstrip(">").rpartition("/")[2]))
    return parts[:-1]


def is_on_disk(done: list[tuple[str, str]]) -> bool:
    """Whether the log was written, and brought to the disk after the last time it was written."""
    written = [at for at, (call, file) in enumerate(done) if "write" in call and file.endswith("-wal")]
    synced = [at for at, (call, file) in enumerate(done) if "sync" in call and file.endswith("-wal")]
    return bool(written) and bool(synced) and synced[-1] > written[-1]


def test_each_entry_is_on_the_disk_before_it_is_acknowledged(
    path: Path, store: Store, strace: str, writing: Writing
) -> None:
    store.close()
    done = entries(calls(strace, writing, path, 10, "FULL"))
    assert len(done) == 10
    assert all(is_on_disk(one) for one in done)


@pytest.mark.parametrize("synchronous", ["OFF", "NORMAL"])
def test_the_same_look_fails_where_the_database_does_not_wait_for_the_disk(
    path: Path, store: Store, strace: str, writing: Writing, synchronous: str
) -> None:
    store.close()
    done = entries(calls(strace, writing, path, 3, synchronous))
    assert len(done) == 3
    assert not any(is_on_disk(one) for one in done)


def test_an_entry_of_several_facts_waits_for_the_disk_exactly_once(
    path: Path, store: Store, strace: str, writing: Writing
) -> None:
    store.close()
    # The first entry also writes the head of the log, which is brought to the disk by itself.
    for one in entries(calls(strace, writing, path, 11, "FULL"))[1:]:
        assert [file for call, file in one if "sync" in call] == ["clinic.record-wal"]


def test_a_look_at_calls_that_sync_too_early_or_another_file_fails() -> None:
    assert is_on_disk([("pwrite64", "r-wal"), ("fdatasync", "r-wal")])
    assert not is_on_disk([("fdatasync", "r-wal"), ("pwrite64", "r-wal")])
    assert not is_on_disk([("pwrite64", "r-wal"), ("fdatasync", "r")])
    assert not is_on_disk([])
