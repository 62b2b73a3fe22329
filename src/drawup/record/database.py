"""Opens the file of a record with the settings it depends on, and reads every one of them back.

Write-ahead logging with ``synchronous`` at FULL: a commit returns when the log is on the disk. ``recursive_triggers``
makes a REPLACE run the triggers that refuse removing a row. The driver begins nothing by itself
(``isolation_level=None``): each write begins with BEGIN IMMEDIATE, so that two writers wait for each other
instead of failing half way.
"""

import os
import sqlite3
from collections.abc import Mapping
from pathlib import Path
from typing import NoReturn
from urllib.parse import quote

from sqlalchemy import Engine, create_engine, event
from sqlalchemy.engine import Connection
from sqlalchemy.pool import NullPool

from drawup.record.errors import RecordError
from drawup.record.schema import APPLICATION_ID, OBJECTS, REVISION

BUSY_MS = 10_000
"""How long a write waits for another one to end, in milliseconds."""

LEAST_VERSION = (3, 38, 0)
"""Strict tables came with 3.37 (sqlite.org/stricttables.html), built-in JSON with 3.38 (sqlite.org/json1.html)."""

# name, value asked for and value read back. The last three matter on one system only, and read back everywhere.
_SETTINGS: tuple[tuple[str, int], ...] = (
    ("synchronous", 2),
    ("foreign_keys", 1),
    ("recursive_triggers", 1),
    ("busy_timeout", BUSY_MS),
    ("trusted_schema", 0),
    ("cell_size_check", 1),
    ("wal_autocheckpoint", 2_000),
    ("journal_size_limit", 32 * 1024 * 1024),
    ("cache_size", -16_000),
    ("fullfsync", 1),
    ("checkpoint_fullfsync", 1),
)

# Kinds of file system that are reached over a network; shared memory, which write-ahead logging needs, does not work
# across machines (sqlite.org/wal.html). The names are those the Linux kernel uses in its list of mounts.
NETWORK_KINDS = frozenset(
    {"nfs", "nfs4", "cifs", "smb2", "smb3", "smbfs", "ncpfs", "afs", "ceph", "glusterfs", "lustre", "gpfs", "9p"}
    | {"davfs", "fuse.sshfs", "fuse.glusterfs", "fuse.davfs2", "fuse.cephfs", "fuse.s3fs", "fuse.rclone"}
)


def refuse_network_share(path: Path, *, mounts: Path = Path("/proc/self/mounts")) -> None:
    """Raise RecordError where the folder of ``path`` is known to lie on another machine. Elsewhere than on Linux the
    kind of a folder cannot be asked for cheaply, and nothing is refused."""
    try:
        lines = mounts.read_text(encoding="utf-8", errors="replace").splitlines()
    except OSError:
        return
    folder = path.absolute().parent.resolve()
    nearest, kind = "", ""
    for line in lines:
        parts = line.split(" ")
        if len(parts) < 3:
            continue
        point = parts[1].replace("\\040", " ").replace("\\011", "\t").replace("\\134", "\\")
        if folder.is_relative_to(point) and len(point) >= len(nearest):
            nearest, kind = point, parts[2]
    if kind in NETWORK_KINDS:
        raise RecordError(
            f"The record {str(path)!r} would lie on a network share ({kind}, mounted at {nearest!r}), where it cannot "
            "be kept safely. Put it on a disk of this machine, and share the program instead of the file."
        )


def _driver_connection(path: Path, *, read_only: bool) -> sqlite3.Connection:
    mode = "ro" if read_only else "rw"
    address = f"file:{quote(str(path.absolute()))}?mode={mode}"
    return sqlite3.connect(address, uri=True, isolation_level=None, timeout=BUSY_MS / 1000)


def _begin_immediate(connection: Connection) -> None:
    connection.exec_driver_sql("BEGIN IMMEDIATE")


def engine_for(path: Path, *, read_only: bool = False) -> Engine:
    """An engine for the file at ``path``, which must exist. Every transaction it begins is BEGIN IMMEDIATE."""
    if sqlite3.sqlite_version_info < LEAST_VERSION:
        raise RecordError(
            f"This Python carries SQLite {sqlite3.sqlite_version}; the record needs 3.38 or later. "
            "Use a Python that carries a newer one."
        )
    engine = create_engine(
        "sqlite+pysqlite://", creator=lambda: _driver_connection(path, read_only=read_only), poolclass=NullPool
    )
    event.listen(engine, "begin", _begin_immediate)
    return engine


def apply_settings(driver: sqlite3.Connection, path: Path, *, read_only: bool) -> None:
    """Ask for every setting and read it back. Raises RecordError that names the first that is not as asked."""
    if not read_only:
        mode = driver.execute("PRAGMA journal_mode=WAL").fetchone()[0]
        _demand(path, "journal_mode", "wal", mode)
    for name, value in _SETTINGS:
        driver.execute(f"PRAGMA {name}={value}")
        _demand(path, name, value, driver.execute(f"PRAGMA {name}").fetchone()[0])
    if read_only:
        driver.execute("PRAGMA query_only=1")


def _demand(path: Path, name: str, expected: object, found: object) -> None:
    if found != expected:
        raise RecordError(
            f"The record {str(path)!r} was opened with {name} at {found!r}; it must be {expected!r} for an entry to be "
            "kept safely. Put the record on an ordinary disk of this machine, and check its folder's permissions."
        )


def demand_record(driver: sqlite3.Connection, path: Path) -> None:
    """Raise RecordError unless the file is a record of today's form, with every table, index and trigger as made."""
    form = form_of(driver, path)
    if form != REVISION:
        raise RecordError(
            f"The record {str(path)!r} has the form {form}, and this version of Drawup reads the form {REVISION}. "
            "Migrate an older record after making a backup; for a newer one, use the newer Drawup."
        )
    demand_objects(driver, path, OBJECTS)


def form_of(driver: sqlite3.Connection, path: Path) -> str:
    """The form of the record, such as ``0001``. Raises RecordError where the file is no record."""
    if driver.execute("PRAGMA application_id").fetchone()[0] != APPLICATION_ID:
        raise RecordError(f"The file {str(path)!r} is not a record. Check the path.")
    try:
        rows = driver.execute("SELECT version_num FROM alembic_version").fetchall()
    except sqlite3.OperationalError:
        rows = []
    if len(rows) != 1:
        raise RecordError(f"The record {str(path)!r} does not say which form it has. Restore it from a backup.")
    return str(rows[0][0])


def demand_objects(driver: sqlite3.Connection, path: Path, wanted: Mapping[str, str]) -> None:
    """Raise RecordError unless the tables, indexes and triggers are exactly the wanted ones."""
    found = dict(driver.execute("SELECT name, sql FROM sqlite_master WHERE sql IS NOT NULL").fetchall())
    found.pop("alembic_version", None)
    for name, text in wanted.items():
        if name not in found:
            _refuse_altered(path, f"lacks the {_described(text)} {name!r}")
        if found[name] != text:
            _refuse_altered(path, f"has another {_described(text)} {name!r} than it was made with")
    for name in found.keys() - wanted.keys():
        _refuse_altered(path, f"has {_ONE_OF[_described(found[name])]} {name!r}, which does not belong to it")


_ONE_OF = {"trigger": "a trigger", "index": "an index", "table": "a table", "view": "a view", "thing": "something"}


def _described(text: str) -> str:
    """The kind of thing a CREATE statement makes, such as "trigger"."""
    return next((word for word in _ONE_OF if f" {word} " in text[:25].lower()), "thing")


def _refuse_altered(path: Path, what: str) -> NoReturn:
    raise RecordError(
        f"The record {str(path)!r} {what}. Somebody has altered the file, and its facts could be changed. "
        "Keep it as it is for whoever looks into this, and restore the record from a backup."
    )


def tighten(path: Path) -> None:
    """Make the record readable by its owner only, its log and shared memory too."""
    if os.name != "posix":
        return
    for part in (path, path.with_name(path.name + "-wal"), path.with_name(path.name + "-shm")):
        try:
            mode = part.stat().st_mode & 0o777
            if mode & 0o077:
                part.chmod(0o600)
        except FileNotFoundError:
            continue
        except PermissionError:
            raise RecordError(
                f"Others may read the file {str(part)!r} (mode {mode:04o}), and it belongs to another user. "
                f"Ask its owner to run: chmod 600 {part}"
            ) from None
