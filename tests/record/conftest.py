"""What the tests of the record share: a record to write to, one to tamper with, child programs, and strace."""

import sqlite3
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, closing, contextmanager
from datetime import UTC, datetime
from pathlib import Path

import pytest

from drawup.record.schema import TRIGGERS
from drawup.record.store import Store

NOW = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
WRITING = Path(__file__).parent / "writing.py"

Tampering = Callable[[Path], AbstractContextManager[sqlite3.Connection]]


@pytest.fixture
def now() -> datetime:
    """An invented moment."""
    return NOW


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Where a record may be made; its folder is there."""
    return tmp_path / "clinic.record"


@pytest.fixture
def store(path: Path) -> Iterator[Store]:
    """A new, empty record."""
    with Store.create(path, now=NOW, name="invented clinic") as opened:
        yield opened


def fill(store: Store) -> None:
    """Three entries of invented people: positions 1 to 9 in 5 streams, 4 documents, 3 claims."""
    for number, patient in enumerate((1, 2, 1), start=1):
        with store.writing() as writer:
            plan = writer.keep(f"plan {number}".encode())
            keys = (f"batch/B{number}", "batch/B0", 'code/"A\\B" µg')
            body = {"dose": "2.5 mg", "plan": plan, "site": "deltoid"}
            entry = writer.append(f"patient/{patient}", "given", body, recorded_at=NOW, keys=keys)
            used = {"entry": entry.hash, "containers": 1}
            writer.append(f"stock/B{number % 2}", "used", used, recorded_at=NOW, keys=(f"batch/B{number}",))
            writer.append("audit", "given", {"who": "stated"}, recorded_at=NOW)
            writer.claim(f"planned/{number}", entry)
    with store.writing() as writer:
        writer.keep(b"a policy that no fact follows yet")


@pytest.fixture
def filled(path: Path) -> Path:
    """The path of a record of nine facts, closed. The facts, by position:

    1 patient/1 number 1, 2 stock/B1 number 1, 3 audit number 1,
    4 patient/2 number 1, 5 stock/B0 number 1, 6 audit number 2,
    7 patient/1 number 2, 8 stock/B1 number 2, 9 audit number 3.
    """
    with Store.create(path, now=NOW, name="invented clinic") as opened:
        fill(opened)
    return path


@pytest.fixture
def tampering() -> Tampering:
    """A connection past every guard: the triggers are dropped first and made again afterwards, as an intruder would."""

    @contextmanager
    def opened(path: Path) -> Iterator[sqlite3.Connection]:
        with closing(sqlite3.connect(path, isolation_level=None)) as connection:
            for name in TRIGGERS:
                connection.execute(f"DROP TRIGGER {name}")
            yield connection
            for text in TRIGGERS.values():
                connection.execute(text)

    return opened


@pytest.fixture
def dumped() -> Callable[[sqlite3.Connection], dict[str, list[str]]]:
    """Every row of every table as text, so that two moments can be compared."""

    def rows(connection: sqlite3.Connection) -> dict[str, list[str]]:
        names = [row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
        return {name: sorted(map(repr, connection.execute(f"SELECT * FROM {name}"))) for name in names}

    return rows


@pytest.fixture
def writing() -> Callable[..., list[str]]:
    """Run the program writing.py, which writes to a record in ways that may fail, and give the lines it printed."""

    def run(*arguments: object, under: tuple[str, ...] = ()) -> list[str]:
        command = [*under, sys.executable, str(WRITING), *map(str, arguments)]
        done = subprocess.run(command, capture_output=True, text=True, timeout=300)
        assert done.returncode == 0, done.stderr
        return done.stdout.splitlines()

    return run
