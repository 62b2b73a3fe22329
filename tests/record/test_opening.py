"""A record is made whole, opened only where it is safe, and refused with a sentence that helps."""

import os
import shutil
import sqlite3
import threading
from collections.abc import Callable
from contextlib import closing
from datetime import datetime
from pathlib import Path

import pytest

from drawup.record import database, making
from drawup.record.check import check
from drawup.record.schema import OBJECTS, TRIGGERS
from drawup.record.store import RecordError, Store


def refusal(path: Path, *, read_only: bool = False) -> str:
    """What opening the record is refused with."""
    with pytest.raises(RecordError) as refused:
        Store.open(path, read_only=read_only)
    assert str(path) in str(refused.value), "the path is named"
    return str(refused.value)


def mode(path: Path) -> int:
    return path.stat().st_mode & 0o777


def test_a_new_record_and_its_log_are_readable_by_the_owner_only(
    tmp_path: Path, now: datetime, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Not even for the moment before opening would set it right.
    monkeypatch.setattr("drawup.record.store.tighten", lambda path: None)
    path = tmp_path / "deep" / "down" / "clinic.record"
    before = os.umask(0)
    try:
        with Store.create(path, now=now) as store, store.writing() as writer:
            writer.append("audit", "started", {}, recorded_at=now)
            modes = {part.name: mode(part) for part in path.parent.iterdir()}
    finally:
        os.umask(before)
    assert modes == {"clinic.record": 0o600, "clinic.record-wal": 0o600, "clinic.record-shm": 0o600}
    assert mode(path.parent) == 0o700


def test_a_record_that_others_may_read_is_closed_to_them_when_opened(filled: Path) -> None:
    filled.chmod(0o644)
    Store.open(filled).close()
    assert mode(filled) == 0o600


def test_nothing_is_left_beside_a_new_record(tmp_path: Path, now: datetime) -> None:
    Store.create(tmp_path / "clinic.record", now=now).close()
    assert [part.name for part in tmp_path.iterdir()] == ["clinic.record"]


def test_making_a_record_over_an_existing_file_is_refused(path: Path, now: datetime) -> None:
    path.write_text("a letter")
    with pytest.raises(RecordError, match="exists already"):
        Store.create(path, now=now)
    assert path.read_text() == "a letter"


def test_a_record_that_appears_while_another_is_made_is_not_overwritten(
    path: Path, now: datetime, monkeypatch: pytest.MonkeyPatch
) -> None:
    fill = making._fill

    def fill_late(draft: Path, name: str, created_at: str) -> None:
        fill(draft, name, created_at)
        path.write_text("somebody else's")

    monkeypatch.setattr(making, "_fill", fill_late)
    with pytest.raises(RecordError, match="exists already"):
        Store.create(path, now=now)
    assert path.read_text() == "somebody else's"
    assert [part.name for part in path.parent.iterdir()] == [path.name]


def test_a_record_is_made_where_files_cannot_have_a_second_name(
    path: Path, now: datetime, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object) -> None:
        raise OSError(95, "Operation not supported")

    monkeypatch.setattr(os, "link", refuse)
    Store.create(path, now=now).close()
    Store.open(path).close()
    assert [part.name for part in path.parent.iterdir()] == [path.name]


def test_a_missing_record_is_refused_and_not_made(path: Path) -> None:
    assert "There is no record at" in refusal(path)
    assert "There is no record at" in refusal(path.parent)
    assert not path.exists()


@pytest.mark.parametrize(
    ("content", "said"), [(b"", "is empty"), (b"a letter\n" * 1000, "not a record"), (b"\0" * 5000, "not a record")]
)
def test_a_file_that_is_no_record_is_refused_and_left_as_it_is(path: Path, content: bytes, said: str) -> None:
    path.write_bytes(content)
    assert said in refusal(path)
    assert said in refusal(path, read_only=True)
    assert path.read_bytes() == content


def test_another_programs_database_is_refused_and_left_as_it_is(path: Path) -> None:
    with closing(sqlite3.connect(path)) as other:
        other.execute("CREATE TABLE fact (position INTEGER PRIMARY KEY)")
    before = path.read_bytes()
    assert "is not a record" in refusal(path)
    with pytest.raises(RecordError, match="is not a record"):
        Store.migrate(path)
    assert path.read_bytes() == before


def read_everything(path: Path) -> None:
    with Store.open(path, read_only=True) as store:
        for stream in store.streams(""):
            list(store.facts(stream))
        store.find("batch/B0")
        store.rows("SELECT sum(length(content)) FROM document")
        store.rows("SELECT sum(length(hash)) FROM chain")
        store.rows("SELECT max(key) FROM claim")


def test_a_torn_record_is_refused_or_its_check_says_that_it_is_damaged(filled: Path) -> None:
    whole = filled.read_bytes()
    for size in (50, 100, 4096, 4097, len(whole) // 2, len(whole) - 4096):
        filled.write_bytes(whole[:size])
        with pytest.raises(RecordError, match=r"damaged|not a record|does not say"):
            read_everything(filled)


@pytest.mark.parametrize("name", TRIGGERS)
def test_a_record_without_one_of_its_triggers_is_refused(filled: Path, name: str) -> None:
    with closing(sqlite3.connect(filled)) as raw:
        raw.execute(f"DROP TRIGGER {name}")
    assert f"lacks the trigger {name!r}" in refusal(filled)


def test_a_record_with_another_trigger_under_the_same_name_is_refused(filled: Path) -> None:
    with closing(sqlite3.connect(filled)) as raw:
        raw.execute("DROP TRIGGER fact_no_update")
        raw.execute(TRIGGERS["fact_no_update"].replace("ON fact", "ON fact WHEN 1 = 0"))
    assert "has another trigger 'fact_no_update'" in refusal(filled)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ("CREATE TRIGGER more AFTER INSERT ON fact BEGIN DELETE FROM claim; END", "has a trigger 'more'"),
        ("CREATE UNIQUE INDEX more ON fact (hash)", "has an index 'more'"),
        ("CREATE TABLE more (a)", "has a table 'more'"),
        ("CREATE VIEW more AS SELECT * FROM fact", "has a view 'more'"),
        ("DROP INDEX look_up_key", "lacks the index 'look_up_key'"),
        ("ALTER TABLE claim ADD COLUMN more TEXT", "has another table 'claim'"),
    ],
)
def test_a_record_whose_tables_or_indexes_were_altered_is_refused(filled: Path, change: str, said: str) -> None:
    with closing(sqlite3.connect(filled)) as raw:
        raw.execute(change)
    assert said in refusal(filled)


def test_a_record_of_another_form_is_refused_with_what_to_do(filled: Path) -> None:
    with closing(sqlite3.connect(filled)) as raw, raw:
        raw.execute("UPDATE alembic_version SET version_num = '9999'")
    assert "has the form 9999" in refusal(filled)
    with pytest.raises(RecordError, match="Use the newer Drawup"):
        Store.migrate(filled)


def test_a_record_that_does_not_say_its_form_is_refused(filled: Path) -> None:
    with closing(sqlite3.connect(filled)) as raw, raw:
        raw.execute("DELETE FROM alembic_version")
    assert "does not say which form" in refusal(filled)


def test_migrating_a_record_of_todays_form_changes_nothing(filled: Path) -> None:
    before = filled.read_bytes()
    Store.migrate(filled)
    assert filled.read_bytes() == before


def add_a_form(folder: Path, monkeypatch: pytest.MonkeyPatch, *, step: str) -> None:
    """Let the form 0002, which has one table more, be today's, and ``step`` lead to it."""
    migrations = folder / "migrations"
    shutil.copytree(making.MIGRATIONS, migrations)
    (migrations / "versions" / "r0002_trial.py").write_text(
        f'from alembic import op\nrevision = "0002"\ndown_revision = "0001"\ndef upgrade():\n    {step}\n'
    )
    monkeypatch.setattr(making, "MIGRATIONS", migrations)
    monkeypatch.setattr(making, "REVISION", "0002")
    monkeypatch.setattr(database, "REVISION", "0002")
    for module in (database, making):
        monkeypatch.setattr(module, "OBJECTS", {**OBJECTS, "trial": "CREATE TABLE trial (a)"})


def test_a_record_of_the_form_before_is_refused_until_it_is_migrated(
    filled: Path, tmp_path: Path, now: datetime, monkeypatch: pytest.MonkeyPatch
) -> None:
    add_a_form(tmp_path, monkeypatch, step='op.execute("CREATE TABLE trial (a)")')
    assert "Migrate an older record" in refusal(filled)
    Store.migrate(filled)
    with Store.open(filled) as store, store.writing() as writer:
        assert writer.append("audit", "migrated", {}, recorded_at=now).position == 10
        assert check(store).whole


def test_a_step_that_fails_half_way_leaves_the_record_as_it_was(
    filled: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = filled.read_bytes()
    with monkeypatch.context() as patched:
        step = 'op.execute("CREATE TABLE trial (a)"); op.execute("DROP TABLE claim"); op.execute("no such statement")'
        add_a_form(tmp_path, patched, step=step)
        with pytest.raises(RecordError, match="Migrating failed"):
            Store.migrate(filled)
    with Store.open(filled) as store:
        assert check(store).whole
    assert filled.read_bytes() == before


def test_a_step_that_loses_a_trigger_is_not_kept(filled: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    before = filled.read_bytes()
    with monkeypatch.context() as patched:
        step = 'op.execute("CREATE TABLE trial (a)"); op.execute("DROP TRIGGER fact_no_delete")'
        add_a_form(tmp_path, patched, step=step)
        with pytest.raises(RecordError, match="lacks the trigger 'fact_no_delete'"):
            Store.migrate(filled)
    assert filled.read_bytes() == before


def test_migrating_what_is_not_there_is_refused(path: Path) -> None:
    with pytest.raises(RecordError, match="There is no record"):
        Store.migrate(path)


def test_the_settings_that_durability_rests_on_are_in_force(store: Store) -> None:
    settings = {
        "journal_mode": "wal",
        "synchronous": 2,
        "foreign_keys": 1,
        "recursive_triggers": 1,
        "trusted_schema": 0,
    }
    found = {name: store.rows(f"PRAGMA {name}")[0][0] for name in settings}
    assert found == settings
    assert store.rows("PRAGMA busy_timeout")[0][0] >= 5_000


def test_a_setting_that_does_not_read_back_as_asked_is_refused(filled: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # The size of a page cannot be changed any more: this setting is asked for and does not take.
    monkeypatch.setattr(database, "_SETTINGS", (*database._SETTINGS, ("page_size", 512)))
    assert "with page_size at 4096; it must be 512" in refusal(filled)


def test_a_record_left_in_another_journal_mode_is_set_right(filled: Path) -> None:
    with closing(sqlite3.connect(filled)) as raw:
        assert raw.execute("PRAGMA journal_mode=DELETE").fetchone() == ("delete",)
    with Store.open(filled) as store:
        assert store.rows("PRAGMA journal_mode") == [("wal",)]


def test_a_record_that_cannot_be_set_to_write_ahead_is_refused(filled: Path) -> None:
    with closing(sqlite3.connect(filled)) as raw:
        raw.execute("PRAGMA journal_mode=DELETE")
        raw.execute("BEGIN EXCLUSIVE")
        database_busy = pytest.MonkeyPatch()
        database_busy.setattr(database, "BUSY_MS", 50)
        try:
            assert "busy for too long" in refusal(filled)
        finally:
            database_busy.undo()


@pytest.mark.parametrize("kind", ["nfs4", "cifs", "9p", "fuse.sshfs"])
def test_a_network_share_is_refused(tmp_path: Path, kind: str) -> None:
    share = tmp_path / "the share"
    share.mkdir()
    mounts = tmp_path / "mounts"
    shown = str(share).replace(" ", "\\040")
    mounts.write_text(f"/dev/one / ext4 rw 0 0\nserver:/x {shown} {kind} rw 0 0\nbroken line\n")
    with pytest.raises(RecordError, match=f"network share .{kind}"):
        database.refuse_network_share(share / "sub" / "clinic.record", mounts=mounts)
    database.refuse_network_share(tmp_path / "clinic.record", mounts=mounts)


def test_where_mounts_cannot_be_listed_nothing_is_refused(tmp_path: Path) -> None:
    database.refuse_network_share(tmp_path / "clinic.record", mounts=tmp_path / "none")


def test_a_record_opened_for_reading_only_reads_and_refuses_to_write(filled: Path, now: datetime) -> None:
    with Store.open(filled, read_only=True) as store:
        assert len(store.find("batch/B0")) == 3
        with pytest.raises(RecordError, match="for reading only"), store.writing():
            pass
        with pytest.raises(RecordError, match="only be read"):
            store.rows("DELETE FROM claim")


def test_a_path_with_odd_characters_works(tmp_path: Path, now: datetime) -> None:
    path = tmp_path / "a ?b#c%20d&e" / "récord 1.record"
    with Store.create(path, now=now) as store, store.writing() as writer:
        writer.append("audit", "started", {}, recorded_at=now)
    with Store.open(path) as store:
        assert store.head()[0] == 1


def test_a_relative_path_works(tmp_path: Path, now: datetime, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    Store.create(Path("clinic.record"), now=now).close()
    assert (tmp_path / "clinic.record").is_file()


def test_a_copy_of_a_closed_record_is_a_record(filled: Path, tmp_path: Path) -> None:
    shutil.copy(filled, tmp_path / "copy")
    with Store.open(tmp_path / "copy") as store:
        assert store.head()[0] == 9


def test_a_record_in_a_place_that_is_no_folder_is_refused_in_a_sentence(path: Path, now: datetime) -> None:
    path.write_text("a letter")
    with pytest.raises(RecordError, match=r"Creating failed .* (Not a directory|File exists)"):
        Store.create(path / "clinic.record", now=now)


def test_each_new_record_has_a_name_of_its_own(tmp_path: Path, now: datetime) -> None:
    names = set()
    for number in range(2):
        with Store.create(tmp_path / str(number), now=now) as store:
            names.add(store.name)
    assert len(names) == 2


def test_a_store_used_by_another_thread_says_so(
    store: Store, in_a_thread: Callable[[Callable[[], object]], object]
) -> None:
    error = in_a_thread(lambda: store.find("k"))
    assert isinstance(error, RecordError)
    assert "another thread" in str(error)


@pytest.fixture
def in_a_thread() -> Callable[[Callable[[], object]], object]:
    """Call in another thread, and give back what was raised."""

    def run(call: Callable[[], object]) -> object:
        raised: list[BaseException] = []

        def catch() -> None:
            try:
                call()
            except BaseException as error:
                raised.append(error)

        thread = threading.Thread(target=catch)
        thread.start()
        thread.join()
        return raised[0] if raised else None

    return run
