"""What can be worked out again from the record, kept in a file beside it: a list need not be made from nothing.

Nothing in the file is the truth: it says up to which fact it was worked out, and by which link of the chain, and
whoever reads it brings it up to date from the record first. It may be deleted at any time; one that is damaged is not
read, and made anew.
"""

import os
import sqlite3
from collections.abc import Callable, Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from zlib import crc32

# `sum` holds a checksum of the row, and `lines` the number of lines: a flipped bit is no other day.
_TABLES = (
    "CREATE TABLE IF NOT EXISTS known (one INTEGER PRIMARY KEY CHECK (one = 1), form TEXT NOT NULL,"
    " record TEXT NOT NULL, position INTEGER NOT NULL, link TEXT NOT NULL, now TEXT NOT NULL, lines INTEGER NOT NULL,"
    " sum INTEGER NOT NULL) STRICT",
    "CREATE TABLE IF NOT EXISTS line (key TEXT PRIMARY KEY NOT NULL, text TEXT NOT NULL, sum INTEGER NOT NULL)"
    " STRICT, WITHOUT ROWID",
)
_KNOWN = "SELECT form, record, position, link, now, lines, sum FROM known"
# Damaged, no database, or with other tables: it is made anew. What is locked, full or read-only is left alone.
_DAMAGED = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_ERROR)
_WAIT_SECONDS = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """The last fact that the lines know, by its position and its link, and the time at which they were worked out."""

    position: int
    link: str
    now: str


class Beside:
    """Lines of text by their key, and the fact up to which they hold. Where the file cannot be used, nothing is kept.

    `keep`: whether what is worked out is written to the file, or only read from it.
    """

    def __init__(self, path: Path, *, keep: bool) -> None:
        self._path = path
        self._keep = keep
        self._driver = _opened(path, keep=keep)

    def read(self, form: str, record: str) -> tuple[Known, dict[str, str]] | None:
        """Every line by its key, and up to where they hold; None where they are of another form or record, or damaged.

        Both are of one moment, whoever writes meanwhile.
        """
        if self._driver is None:
            return None
        try:
            self._driver.execute("BEGIN")
            try:
                found = _read_known(self._driver, form, record)
                rows = self._driver.execute("SELECT key, text, sum FROM line").fetchall() if found else []
            finally:
                self._driver.execute("ROLLBACK")
        except (sqlite3.Error, UnicodeDecodeError):
            return None
        if found is None or len(rows) != found[1] or any(_sum(key, text) != sum for key, text, sum in rows):
            return None
        return found[0], {key: text for key, text, _ in rows}

    def keep(
        self,
        *,
        form: str,
        record: str,
        since: Known | None,
        known: Known,
        changed: Mapping[str, str],
        gone: Iterable[str],
        whole: Callable[[], Mapping[str, str]],
    ) -> None:
        """Keep what changed and drop what is gone, all of it or nothing. A file that refuses is left alone.

        `since`: what the lines were before, and so what the file must hold for the changes alone to be enough; where
        another process has written meanwhile, or nothing came before (None), the `whole` is written. A file that knows
        more already is left as it is.
        """
        if not self._keep:
            return
        with suppress(sqlite3.Error):
            for _ in range(2):
                if self._driver is None:
                    return
                try:
                    _write(self._driver, form, record, since, known, changed, gone, whole)
                    return
                except sqlite3.Error as error:
                    if not _is_damaged(error):
                        return
                self.close()
                _remove(self._path)
                self._driver = _opened(self._path, keep=True)

    def close(self) -> None:
        """Close the file."""
        if self._driver is not None:
            self._driver.close()
            self._driver = None


def beside(record: Path) -> Path:
    """The file beside a record: record.sqlite has record.sqlite-due."""
    return record.with_name(f"{record.name}-due")


def _sum(*values: object) -> int:
    return crc32("\n".join(map(str, values)).encode("utf-8", "surrogatepass"))


def _read_known(driver: sqlite3.Connection, form: str, record: str) -> tuple[Known, int] | None:
    """Up to where the lines hold and how many there are, for this form and record."""
    rows = driver.execute(_KNOWN).fetchall()
    if len(rows) != 1 or rows[0][:2] != (form, record) or _sum(*rows[0][:-1]) != rows[0][-1]:
        return None
    _, _, position, link, now, count, _ = rows[0]
    return Known(position=position, link=link, now=now), count


def _write(
    driver: sqlite3.Connection,
    form: str,
    record: str,
    since: Known | None,
    known: Known,
    changed: Mapping[str, str],
    gone: Iterable[str],
    whole: Callable[[], Mapping[str, str]],
) -> None:
    driver.execute("BEGIN IMMEDIATE")
    try:
        found = _read_known(driver, form, record)
        there = found[0] if found is not None and since is not None else None
        if there is not None and there.position > known.position:
            driver.execute("ROLLBACK")
            return
        now, lines = known.now, changed
        if there is None or since is None or (there.position, there.link) != (since.position, since.link):
            driver.execute("DELETE FROM line")
            lines = whole()
        else:
            # Another process may have worked some of the lines out a moment later.
            now = max(known.now, there.now, key=datetime.fromisoformat)
            driver.executemany("DELETE FROM line WHERE key = ?", [(key,) for key in gone])
        rows = [(key, text, _sum(key, text)) for key, text in lines.items()]
        driver.executemany("INSERT OR REPLACE INTO line VALUES (?, ?, ?)", rows)
        (count,) = driver.execute("SELECT count(*) FROM line").fetchone()
        row = (form, record, known.position, known.link, now, count)
        driver.execute("INSERT OR REPLACE INTO known VALUES (1, ?, ?, ?, ?, ?, ?, ?)", (*row, _sum(*row)))
        driver.execute("COMMIT")
    except BaseException:
        # After some errors the database has rolled back already; and what went wrong first is what counts.
        with suppress(sqlite3.Error):
            driver.execute("ROLLBACK")
        raise


def _is_damaged(error: sqlite3.Error) -> bool:
    return getattr(error, "sqlite_errorcode", 0) & 0xFF in _DAMAGED


def _remove(path: Path) -> None:
    for part in (path, path.with_name(f"{path.name}-journal")):
        with suppress(OSError):
            part.unlink()


def _opened(path: Path, *, keep: bool) -> sqlite3.Connection | None:
    """The file, readable by its owner only; made where it is not there and shall be kept. None where it cannot be."""
    for _ in range(2):
        try:
            if not path.exists():
                if not keep:
                    return None
                with suppress(FileExistsError):
                    os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_RDWR, 0o600))
            elif path.stat().st_mode & 0o077:
                path.chmod(0o600)
            driver = sqlite3.connect(path, isolation_level=None, timeout=_WAIT_SECONDS)
        except (sqlite3.Error, OSError):
            return None
        try:
            for table in _TABLES if keep else ():
                driver.execute(table)
        except sqlite3.Error as error:
            driver.close()
            if not _is_damaged(error):
                return None
            _remove(path)
        else:
            return driver
    return None
