"""The record that the tests of the command line are typed at."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from tests.cli.room import (
    Room,
    begin,
)


@pytest.fixture(scope="module")
def room(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Room]:
    """One record for all that is refused: it must be the same at the end."""
    made = begin(tmp_path_factory.mktemp("refused"))
    before = made.head()
    yield made
    assert made.head() == before
    assert made.does("check-record")["whole"] is True


@pytest.fixture
def own_room(room: Room, tmp_path: Path) -> Room:
    """A copy of the record for what is written."""
    for part in room.folder.glob("record.sqlite*"):
        shutil.copy(part, tmp_path / part.name)
    made = Room(tmp_path)
    made.plan = room.plan
    return made
