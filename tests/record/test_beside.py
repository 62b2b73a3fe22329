"""The file beside a record holds what can be worked out again: it is believed whole or not at all, never waited for.

The lines and the record here are invented.
"""

import os
import sqlite3
import stat
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path

import pytest

import drawup.record.beside as beside_module
from drawup.record.beside import Beside, Known, beside

FORM, RECORD = "1", "invented clinic"


def at(position: int, now: str = "2026-03-02T09:00:00+00:00") -> Known:
    """So many facts, the last of them with an invented link."""
    return Known(position=position, link=f"{position:064x}", now=now)


def keep(
    file: Beside,
    known: Known,
    whole: Mapping[str, str],
    *,
    since: Known | None = None,
    changed: Mapping[str, str] | None = None,
    gone: Iterable[str] = (),
) -> None:
    file.keep(
        form=FORM,
        record=RECORD,
        since=since,
        known=known,
        changed=whole if changed is None else changed,
        gone=gone,
        whole=lambda: whole,
    )


def never() -> Mapping[str, str]:
    raise AssertionError("the changes were enough")


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Where the file may be made."""
    return tmp_path / "clinic.record-due"


@pytest.fixture
def file(path: Path) -> Beside:
    """A file with two lines, as of fact 5."""
    made = Beside(path, keep=True)
    keep(made, at(5), {"0001.1": "due on Monday", "0002.1": "due on Tuesday"})
    return made


def lines(path: Path, form: str = FORM, record: str = RECORD) -> tuple[int, dict[str, str]] | None:
    """What another process reads: the position and the lines."""
    reader = Beside(path, keep=False)
    found = reader.read(form, record)
    reader.close()
    return None if found is None else (found[0].position, found[1])


def test_the_file_lies_beside_its_record_and_only_its_owner_reads_it(path: Path, file: Beside) -> None:
    assert beside(path.with_name("clinic.record")) == path
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    path.chmod(0o664)
    Beside(path, keep=True).close()
    assert stat.S_IMODE(path.stat().st_mode) == 0o600


def test_what_was_kept_is_read_with_the_fact_up_to_which_it_holds(path: Path, file: Beside) -> None:
    assert file.read(FORM, RECORD) == (at(5), {"0001.1": "due on Monday", "0002.1": "due on Tuesday"})
    assert lines(path) == (5, {"0001.1": "due on Monday", "0002.1": "due on Tuesday"})


def test_another_form_and_another_record_are_not_read(path: Path, file: Beside) -> None:
    assert lines(path, form="2") is None
    assert lines(path, record="another clinic") is None


def test_changes_are_enough_where_the_file_holds_what_they_follow(path: Path, file: Beside) -> None:
    file.keep(
        form=FORM,
        record=RECORD,
        since=at(5),
        known=at(7),
        changed={"0002.1": "due on Friday", "0003.1": "late"},
        gone=["0001.1"],
        whole=never,
    )
    assert lines(path) == (7, {"0002.1": "due on Friday", "0003.1": "late"})


def test_where_the_file_holds_less_than_the_changes_follow_the_whole_is_written(path: Path, file: Beside) -> None:
    # What was worked out at fact 6 never reached the file, as where it was locked.
    keep(file, at(7), {"0001.1": "given", "0002.1": "late"}, since=at(6), changed={"0002.1": "late"})
    assert lines(path) == (7, {"0001.1": "given", "0002.1": "late"})


def test_a_file_that_knows_more_is_left_as_it_is(path: Path, file: Beside) -> None:
    other = Beside(path, keep=True)
    keep(other, at(9), {"0001.1": "given"}, since=at(5), changed={"0001.1": "given"}, gone=["0002.1"])
    keep(file, at(7), {"0001.1": "late"}, since=at(5), changed={"0001.1": "late"})
    assert lines(path) == (9, {"0001.1": "given"})


def test_a_file_of_the_same_length_but_another_past_is_written_in_the_whole(path: Path, file: Beside) -> None:
    other_past = Known(position=5, link="f" * 64, now=at(5).now)
    keep(file, at(6), {"0001.1": "late"}, since=other_past, changed={})
    assert lines(path) == (6, {"0001.1": "late"})


def test_lines_worked_out_anew_take_the_place_of_all_others_also_of_newer_ones(path: Path, file: Beside) -> None:
    keep(file, at(3), {"0009.1": "late"})
    assert lines(path) == (3, {"0009.1": "late"})


def test_the_later_of_two_moments_stands_where_two_processes_worked_at_one_fact(path: Path, file: Beside) -> None:
    keep(file, at(5, "2026-03-02T10:00:00+00:00"), {}, since=at(5), changed={"0001.1": "late"})
    keep(file, at(5, "2026-03-02T09:30:00+00:00"), {}, since=at(5), changed={"0002.1": "late"})
    found = file.read(FORM, RECORD)
    assert found is not None
    assert found[0].now == "2026-03-02T10:00:00+00:00"


@pytest.mark.parametrize(
    "change",
    [
        "UPDATE line SET text = 'due on Sunday' WHERE key = '0001.1'",
        "UPDATE line SET key = '0008.1' WHERE key = '0001.1'",
        "DELETE FROM line WHERE key = '0001.1'",
        "INSERT INTO line VALUES ('0003.1', 'late', 0)",
        "UPDATE known SET position = 6",
        "UPDATE known SET now = '2026-03-02T08:00:00+00:00'",
        "DELETE FROM known",
        "DROP TABLE line",
    ],
)
def test_a_file_that_was_changed_by_another_hand_is_not_read_and_then_made_anew(
    path: Path, file: Beside, change: str
) -> None:
    file.close()
    with sqlite3.connect(path) as driver:
        driver.execute(change)
    driver.close()
    assert lines(path) is None
    again = Beside(path, keep=True)
    keep(again, at(5), {"0001.1": "due on Monday"})
    assert lines(path) == (5, {"0001.1": "due on Monday"})


@pytest.mark.parametrize("content", [b"", b"no database at all", bytes(range(256)) * 64])
def test_a_file_that_is_no_database_is_made_anew(path: Path, content: bytes) -> None:
    path.write_bytes(content)
    assert lines(path) is None
    assert path.read_bytes() == content, "whoever only reads changes nothing"
    file = Beside(path, keep=True)
    keep(file, at(5), {"0001.1": "late"})
    assert lines(path) == (5, {"0001.1": "late"})
    assert stat.S_IMODE(path.stat().st_mode) == 0o600


def test_a_file_with_tables_of_another_version_is_made_anew(path: Path) -> None:
    with sqlite3.connect(path) as driver:
        driver.execute("CREATE TABLE known (one INTEGER PRIMARY KEY, form TEXT, record TEXT)")
        driver.execute("CREATE TABLE line (key TEXT PRIMARY KEY, words TEXT)")
    driver.close()
    file = Beside(path, keep=True)
    assert file.read(FORM, RECORD) is None
    keep(file, at(5), {"0001.1": "late"})
    assert lines(path) == (5, {"0001.1": "late"})


def test_a_file_damaged_while_it_is_open_is_made_anew_in_the_whole(path: Path, file: Beside) -> None:
    whole = {f"{number:04d}.1": "due on Monday" * 40 for number in range(200)}
    keep(file, at(6), whole)
    content = bytearray(path.read_bytes())
    content[4096:] = os.urandom(len(content) - 4096)
    path.write_bytes(content)
    keep(file, at(7), whole, since=at(6), changed={"0007.1": "late"})
    keep(file, at(8), whole, since=at(7), changed={"0008.1": "late"})
    found = lines(path)
    assert found is None or found == (8, whole)
    again = Beside(path, keep=True)
    keep(again, at(8), whole)
    assert lines(path) == (8, whole)


def test_whoever_only_reads_makes_no_file_and_writes_none(path: Path) -> None:
    assert lines(path) is None
    assert not path.exists()
    reader = Beside(path, keep=False)
    keep(reader, at(5), {"0001.1": "late"})
    assert not path.exists()


def test_a_file_that_is_locked_is_left_alone_and_nobody_waits_for_long(
    path: Path, file: Beside, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(beside_module, "_WAIT_SECONDS", 0)
    blocker = sqlite3.connect(path, isolation_level=None)
    blocker.execute("BEGIN EXCLUSIVE")
    other = Beside(path, keep=True)
    assert other.read(FORM, RECORD) is None
    keep(other, at(6), {"0001.1": "late"})
    blocker.execute("ROLLBACK")
    blocker.close()
    assert lines(path) == (5, {"0001.1": "due on Monday", "0002.1": "due on Tuesday"})


@pytest.mark.parametrize("make", [Path.mkdir, lambda path: path.symlink_to(path.with_name("nowhere") / "deep")])
def test_what_is_no_file_is_never_used_and_never_removed(path: Path, make: Callable[[Path], None]) -> None:
    make(path)
    file = Beside(path, keep=True)
    keep(file, at(5), {"0001.1": "late"})
    assert file.read(FORM, RECORD) is None
    file.close()
    assert path.is_symlink() or path.is_dir()
