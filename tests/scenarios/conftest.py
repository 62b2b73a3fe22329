"""The acceptance stories, played end to end. All people, medicines and labels in them are invented."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from drawup.cli.main import Desk, drawup
from drawup.exchange.answer import answer, exit_code
from drawup.exchange.request import read_request
from drawup.injection.plan import plan_injection

NOW = "2026-03-02T09:00:00+00:00"

# The drawer of the stories; the needles are those of the default policy.
BARRELS = [
    {"capacity_ml": "1", "interval_ml": "0.01"},
    {"capacity_ml": "2", "interval_ml": "0.1"},
    {"capacity_ml": "3", "interval_ml": "0.1"},
    {"capacity_ml": "5", "interval_ml": "0.2"},
    {"units_per_ml": "100", "capacity_units": "30", "interval_units": "1"},
    {"units_per_ml": "100", "capacity_units": "50", "interval_units": "1"},
    {"units_per_ml": "100", "capacity_units": "100", "interval_units": "2"},
]


class Answered:
    """The public answer to a request, with the exit code the command line would give."""

    def __init__(self, document: dict[str, Any]) -> None:
        read = read_request(json.loads(json.dumps(document)))
        plan = plan_injection(read.request, policy=read.policy, tables=read.tables)
        self.json = answer(plan, policy=read.policy, evidence_version=read.tables.version, notes=read.notes)
        self.exit_code = exit_code(plan)

    def __getitem__(self, key: str) -> Any:
        return self.json[key]

    def codes(self, severity: str) -> list[str]:
        """The codes of one severity, in order."""
        return [found["code"] for found in self.json["findings"] if found["severity"] == severity]

    def finding(self, code: str) -> dict[str, Any]:
        """The one finding of this code."""
        (found,) = [found for found in self.json["findings"] if found["code"] == code]
        return dict(found)


class Clinic:
    """A record driven through the real commands, by a clock that the story sets."""

    def __init__(self, record: Path) -> None:
        self.record = record
        self.now = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)

    def run(self, *arguments: str, code: int = 0) -> Any:
        """One command with --json; its answer. The exit code must be the one expected."""
        desk = Desk(record=self.record, clock=lambda: self.now)
        result = CliRunner().invoke(drawup, ["--record", str(self.record), *arguments, "--json"], obj=desk)
        assert result.exit_code == code, result.output
        return json.loads(result.output)

    def file(self, name: str, content: object) -> str:
        """A file beside the record."""
        path = self.record.parent / name
        path.write_text(json.dumps(content), "utf-8")
        return str(path)

    def stock(self) -> dict[str, int]:
        """Balance by batch."""
        return {one["batch"]: one["balance"] for one in self.run("stock", "list")}

    def close(self) -> None:
        """What every story ends with: the chain holds."""
        assert self.run("check-record")["whole"] is True


@pytest.fixture
def ask() -> Callable[[dict[str, Any]], Answered]:
    """Answer a request as the public interface does."""
    return Answered


@pytest.fixture
def clinic(tmp_path: Path) -> Iterator[Clinic]:
    """A new record under the uk policy in Europe/London, checked at the end."""
    made = Clinic(tmp_path / "record.sqlite")
    made.run("policy", "use", "uk", "--zone", "Europe/London")
    yield made
    made.close()
