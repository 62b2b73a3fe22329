"""The demo clinic, built once for all tests here, and its walk, taken once as a person would take it."""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from click.testing import CliRunner

from drawup.cli.main import drawup
from drawup.demo.clinic import Clinic, build
from drawup.demo.history import history
from drawup.record.store import Store


@dataclass(frozen=True, slots=True, kw_only=True)
class Walked:
    """What `drawup demo --keep` left behind: its exit code, what it printed, and its record."""

    exit_code: int
    printed: str
    record: Path


@pytest.fixture(scope="session")
def walked(tmp_path_factory: pytest.TempPathFactory) -> Walked:
    record = tmp_path_factory.mktemp("walk") / "demo.sqlite"
    result = CliRunner().invoke(drawup, ["demo", "--keep", str(record)])
    return Walked(exit_code=result.exit_code, printed=result.output, record=record)


@pytest.fixture(scope="session")
def clinic(tmp_path_factory: pytest.TempPathFactory) -> Clinic:
    return build(tmp_path_factory.mktemp("clinic") / "clinic.sqlite", history())


@pytest.fixture
def store(clinic: Clinic) -> Iterator[Store]:
    with Store.open(clinic.record) as opened:
        yield opened
