"""Programs that write to a record in ways that may be killed, refused or raced; the tests run them as processes.

    writing.py blocks RECORD COUNT SYNCHRONOUS        COUNT blocks of writing, "kept N" after each
    writing.py more-blocks RECORD                     the same until it is killed
    writing.py each-call RECORD CALL LAST WORK        for N from 1: a copy RECORD.N, and WORK by a process of its own
    writing.py claims RECORD PROCESSES KEYS           processes that claim the same keys at once
    writing.py crowd RECORD PROCESSES SECONDS         processes that append as quickly as they can

``each-call`` is for a tracer that does something to the LAST-th call of the system call CALL in each process: the
process of N first makes LAST - N calls on a scratch file, so that it is the N-th one of its own work that is hit.
WORK is "entry": one entry on the copy; "write-back": three, each with the log written back to the file; "make": a new
record RECORD.N.
"""

import importlib
import os
import shutil
import sys
import time
from collections.abc import Callable
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

from drawup.record.store import Claimed, RecordError, Store

NOW = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)


def say(line: str) -> None:
    """One line in one write, so that lines of several processes do not mix."""
    os.write(1, f"{line}\n".encode())


def write_block(store: Store, number: int) -> None:
    """One entry: a document, three facts with keys, a claim."""
    with store.writing() as writer:
        plan = writer.keep(f"plan {number} {'of some length ' * 400}".encode())
        entry = writer.append(
            "patient/7", "given", {"n": number, "plan": plan}, recorded_at=NOW, keys=("batch/B1", plan)
        )
        writer.append("stock/B1", "used", {"n": number}, recorded_at=NOW, keys=("batch/B1",))
        writer.append("audit", "given", {"n": number}, recorded_at=NOW)
        writer.claim(f"planned/{number}", entry)


def blocks(path: Path, count: int, synchronous: str) -> None:
    """``synchronous`` other than FULL is what no record may run with: it shows that a test would notice."""
    with Store.open(path) as store:
        store.rows(f"PRAGMA synchronous={synchronous}")
        for number in range(1, count + 1):
            write_block(store, number)
            say(f"kept {number}")


def more_blocks(path: Path) -> None:
    """Blocks without end, numbered on from those that are there."""
    with Store.open(path) as store:
        number = sum(1 for _ in store.facts("patient/7"))
        say("started")
        while True:
            number += 1
            write_block(store, number)
            say(f"kept {number}")


def in_child(work: Callable[[], None]) -> int:
    """Run ``work`` in a process of its own, and give its number."""
    child = os.fork()
    if child == 0:
        code = 1
        try:
            work()
            code = 0
        finally:
            os._exit(code)
    return child


def waited(child: int) -> int:
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


def call_before(scratch: Path, call: str, times: int) -> None:
    """Make a system call on a file that does not matter, so often that the tracer's count is where it should be."""
    with scratch.open("wb", buffering=0) as file:
        for _ in range(times):
            if call == "pwrite64":
                os.pwrite(file.fileno(), b"x", 0)
            else:
                {"fdatasync": os.fdatasync, "fsync": os.fsync}[call](file.fileno())


def write_and_close(path: Path, *, entries: int, written_back: bool) -> None:
    """Closing writes the log back to the file: that must not harm an entry either."""
    store = Store.open(path)
    if written_back:
        store.rows("PRAGMA wal_autocheckpoint=1")
    for number in range(2, 2 + entries):
        write_block(store, number)
        say(f"{path.suffix[1:]} kept")
    store.close()
    say(f"{path.suffix[1:]} closed")


def each_call(path: Path, call: str, last: int, work: str) -> None:
    """Says, for each N, "N kept", "N refused SENTENCE", and how its process ended: "N ended STATUS"."""
    scratch = path.with_name("scratch")
    if work == "make":
        # Slow to import: once here instead of in each process.
        importlib.import_module("alembic.command")

    def at(number: int) -> None:
        own = path.with_suffix(f".{number}")
        if work != "make":
            shutil.copy(path, own)
        call_before(scratch, call, last - number)
        try:
            if work == "make":
                Store.create(own, now=NOW).close()
                say(f"{number} made")
            else:
                back = work == "write-back"
                write_and_close(own, entries=3 if back else 1, written_back=back)
        except RecordError as error:
            say(f"{number} refused {error}")

    for number in range(1, last + 1):
        say(f"{number} ended {waited(in_child(partial(at, number)))}")


def claims(path: Path, processes: int, keys: int) -> None:
    """Says, for each process and key, "got KEY STREAM NUMBER" or "taken KEY STREAM NUMBER", of the fact that has it."""
    waiting, starting = os.pipe()

    def work(who: int) -> None:
        os.close(starting)
        os.read(waiting, 1)
        with Store.open(path) as store:
            for key in range(keys):
                try:
                    with store.writing() as writer:
                        entry = writer.append(f"patient/{who}", "given", {"who": who}, recorded_at=NOW)
                        writer.claim(f"planned/{key}", entry)
                    say(f"got {key} {entry.stream} {entry.number}")
                except Claimed as error:
                    say(f"taken {key} {error.claim.stream} {error.claim.number}")

    children = [in_child(partial(work, who)) for who in range(processes)]
    os.close(starting)
    for child in children:
        say(f"ended {waited(child)}")


def crowd(path: Path, processes: int, seconds: float) -> None:
    """Says, for each process, "wrote WHO COUNT": how many entries it was told were kept."""

    def work(who: int) -> None:
        count, until = 0, time.monotonic() + seconds
        with Store.open(path) as store:
            while time.monotonic() < until:
                with store.writing() as writer:
                    writer.append(f"patient/{who}", "given", {"n": count}, recorded_at=NOW, keys=(f"by/{who}",))
                    writer.append("audit", "given", {"who": who}, recorded_at=NOW)
                count += 1
        say(f"wrote {who} {count}")

    children = [in_child(partial(work, who)) for who in range(processes)]
    for child in children:
        say(f"ended {waited(child)}")


def main(program: str, path: str, *arguments: str) -> None:
    if program == "blocks":
        blocks(Path(path), int(arguments[0]), arguments[1])
    elif program == "more-blocks":
        more_blocks(Path(path))
    elif program == "each-call":
        each_call(Path(path), arguments[0], int(arguments[1]), arguments[2])
    elif program == "claims":
        claims(Path(path), int(arguments[0]), int(arguments[1]))
    elif program == "crowd":
        crowd(Path(path), int(arguments[0]), float(arguments[1]))


if __name__ == "__main__":
    main(*sys.argv[1:])
