"""A record with something in it, to be typed at, and what every refusal must be. All in it is invented."""

from __future__ import annotations

import json
import signal
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from click.testing import CliRunner, Result
from tests.exchange.test_schema import PUBLIC

from drawup.cli.main import Desk, drawup
from drawup.record.store import Store

NOW = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
WHOLE = json.dumps(PUBLIC)
SECONDS = 20
"""More than any refusal takes on a slow machine; what takes longer hangs."""

VIAL = "(01)09501101531017(17)270430(10)D220"
MEDICINE: dict[str, Any] = {
    "name": "velorin",
    "presentations": [{"strength": "50 mg/mL", "volume": "2 mL", "container": "ampoule", "gtin": "09501101531017"}],
}
ORDER: dict[str, Any] = {
    "medicine": "velorin",
    "route": "intramuscular",
    "start": "2026-03-01",
    "dose": {"amount": "100 mg"},
}

LONG, RED, HALF = "x" * 3000, "\x1b[31m", "\udcff"
ADA = ("--given-by", "Ada Example")
BY = ("--by", "Ada Example")
WHY = ("--reason", "wrong arm", *BY)
NOTE = ("patient", "note", "0001")


@contextmanager
def within(seconds: int) -> Iterator[None]:
    """Fail what hangs, where the system has an alarm."""

    def late(*_: object) -> None:
        raise TimeoutError(f"not ended after {seconds} seconds")

    if not hasattr(signal, "SIGALRM"):
        yield
        return
    before = signal.signal(signal.SIGALRM, late)
    signal.alarm(seconds)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)


class Room:
    """A record with one medicine, two patients, an order, a batch and an entry, and a folder for files."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.record = folder / "record.sqlite"
        self.plan = ""

    def run(self, *arguments: str, given: bytes | None = None) -> Result:
        """One command, as typed."""
        desk = Desk(record=self.record, clock=lambda: NOW)
        with within(SECONDS):
            return CliRunner().invoke(drawup, ["--record", str(self.record), *arguments], obj=desk, input=given)

    def does(self, *arguments: str, code: int = 0) -> Any:
        """One command that must do what it is asked; its answer in JSON."""
        result = self.run(*arguments, "--json")
        assert result.exit_code == code, result.output
        return json.loads(result.output)

    def file(self, name: str, content: object) -> str:
        """A file of bytes, or of JSON."""
        path = self.folder / name
        path.write_bytes(content if isinstance(content, bytes) else json.dumps(content).encode())
        return str(path)

    def head(self) -> tuple[int, str]:
        """How many facts the record holds, and the hash of the last."""
        with Store.open(self.record, read_only=True) as store:
            return store.head()

    def refuses(self, *arguments: str, says: tuple[str, ...], code: int = 2, given: bytes | None = None) -> str:
        """One command that must be refused in words, with nothing written; what it said."""
        before = self.head()
        result = self.run(*arguments, given=given)
        check_told(result, code)
        for words in says:
            assert words in result.output
        assert self.head() == before
        return result.output


def check_told(result: Result, code: int) -> None:
    """A sentence of ordinary length that any terminal can show, and the exit code; no exception of any kind."""
    assert result.exception is None or isinstance(result.exception, SystemExit), repr(result.exception)
    assert result.exit_code == code, result.output
    assert "Traceback" not in result.output
    assert result.output.strip()
    assert len(result.output) < 3000
    assert all(line.isprintable() for line in result.output.split("\n"))


def begin(folder: Path) -> Room:
    room = Room(folder)
    room.does("policy", "use", "uk", "--zone", "Europe/London")
    room.does("formulary", "add", room.file("velorin.json", MEDICINE))
    room.does("patient", "add", "--family", "O'Brien-Example", "--given", "Séan", "--born", "1961-04-09")
    room.does("patient", "add", "--family", "Pike", "--given", "Wren", "--born", "2001-05-14")
    room.does("patient", "note", "0001", "--allergy", "none known", "--weight", "70 kg", "--avoid", "left arm")
    for patient in ("0001", "0002"):
        room.does("order", "add", patient, room.file("order.json", ORDER))
    room.does("stock", "receive", VIAL, "--count", "9")
    made = room.does("plan", "--order", "0001.1", "--scan", "batch:D220")
    room.plan = str(made["plan"])
    room.does("given", room.plan, "--scan", "batch:D220", "--given-by", "Ada Example")
    room.does("given", "--patient", "0001", "--medicine", "velorin", "--given-by", "Ada Example", "--amount", "5 mg")
    room.does("not-given", "0001.1", "--reason", "refused", "--could-decide", "yes", "--by", "Ada Example")
    room.does("inspect", "0001", "--place", "left deltoid", "--kind", "lump", "--by", "Ada Example")
    return room
