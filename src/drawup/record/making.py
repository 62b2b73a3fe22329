"""Makes the file of a new record, and brings an older one to today's form, step by step, with Alembic."""

import os
import shutil
import sqlite3
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any, NoReturn

from sqlalchemy import Engine

from drawup.record.database import demand_objects, engine_for, form_of, refuse_network_share
from drawup.record.errors import RecordError
from drawup.record.migrations import form_0001
from drawup.record.schema import APPLICATION_ID, OBJECTS, REVISION
from drawup.record.statements import statements

MIGRATIONS = Path(__file__).parent / "migrations"
FORMS: Mapping[str, Mapping[str, str]] = {form_0001.REVISION: form_0001.OBJECTS}
"""Every form a record has had, oldest first."""


def make_record(path: Path, *, name: str, created_at: str) -> None:
    """Make a new record. It is made whole in a folder beside its place and then given its name, never over a file."""
    if path.exists() or path.is_symlink():
        _refuse_existing(path)
    path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    refuse_network_share(path)
    workplace = Path(tempfile.mkdtemp(prefix=f".{path.name}.", dir=path.parent))
    try:
        draft = workplace / path.name
        os.close(os.open(draft, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
        _fill(draft, name, created_at)
        _put_in_place(draft, path)
    finally:
        shutil.rmtree(workplace, ignore_errors=True)


def bring_to_today(path: Path) -> None:
    """Bring a record to today's form. Raises RecordError for a file that is no record, or altered, or too new."""
    engine = engine_for(path)
    pooled = engine.raw_connection()
    try:
        driver: Any = pooled.driver_connection
        assert isinstance(driver, sqlite3.Connection)
        form = form_of(driver, path)
        if form not in FORMS:
            raise RecordError(
                f"The record {str(path)!r} has the form {form}, which this version of Drawup does not know "
                f"(it knows up to {REVISION}). Use the newer Drawup that made it."
            )
        demand_objects(driver, path, FORMS[form])
    finally:
        pooled.close()
    if form != REVISION:
        _upgrade(engine, path)


def _fill(draft: Path, name: str, created_at: str) -> None:
    """Write an empty record into an empty file."""
    engine = engine_for(draft)
    _upgrade(engine, draft)
    with engine.begin() as connection:
        connection.exec_driver_sql(f"PRAGMA application_id={APPLICATION_ID}")
        connection.exec_driver_sql(statements().begin_record, (1, name, created_at))
    pooled = engine.raw_connection()
    driver: Any = pooled.driver_connection
    # Kept in the file from now on; a file never written in another way needs no other log.
    driver.execute("PRAGMA journal_mode=WAL").fetchone()
    pooled.close()


def _upgrade(engine: Engine, path: Path) -> None:
    """Take every step that is missing, all in one transaction. Alembic is slow to import, and only needed here."""
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS).replace("%", "%%"))
    with engine.begin() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, "head")
        # A step that copies a table leaves its triggers behind: then none of the steps is kept.
        driver: Any = connection.connection.driver_connection
        demand_objects(driver, path, OBJECTS)


def _put_in_place(draft: Path, path: Path) -> None:
    """Give the finished file its name, never over another file, and see to it that the name is on the disk."""
    try:
        os.link(draft, path)
    except FileExistsError:
        _refuse_existing(path)
    except OSError:
        # Some file systems have no second names. The empty file keeps others off the name until it is replaced.
        os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
        draft.replace(path)
    if os.name == "posix":
        folder = os.open(path.parent, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)


def _refuse_existing(path: Path) -> NoReturn:
    raise RecordError(f"{str(path)!r} exists already. Open it, or choose another path for a new record.") from None
