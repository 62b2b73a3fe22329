"""The record store: append a fact, find it again, and never change it.

    with Store.open(path) as store:
        with store.writing() as writer:
            fact = writer.append("patient/7", "given", {"dose": "2.5 mg"}, recorded_at=now, keys=("batch/X1",))
        for fact in store.find("batch/X1"): ...

A store belongs to the thread that opened it. Everything appended in one ``writing()`` block is kept together or not at
all, and is on the disk when the block ends.
"""

import sqlite3
import uuid
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from datetime import datetime
from hashlib import sha256
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from drawup.record.canonical import render_canonical
from drawup.record.chain import NO_HASH, beginning_hash, fact_hash, link_hash, render_opening, render_time
from drawup.record.database import apply_settings, demand_record, engine_for, refuse_network_share, tighten
from drawup.record.errors import Claimed, RecordError, translated
from drawup.record.fact import Claim, Fact
from drawup.record.making import bring_to_today, make_record
from drawup.record.statements import statements

__all__ = ["Claim", "Claimed", "Fact", "RecordError", "Store", "Writer"]

LONGEST_NAME = 200
"""Characters in a stream, a kind or a key."""

MOST_SIZE = 4 * 1024 * 1024
"""Characters of one body, or bytes of one document."""

_PAGE = 500
_AFTER_ALL = "\U0010ffff"


def _demand_name(what: str, name: object) -> None:
    """Raise RecordError unless ``name`` can stand in the record: printable text of 1 to 200 characters."""
    if not isinstance(name, str):
        raise TypeError(f"{what} must be text; this is {name!r}, a {type(name).__name__}.")
    if not (0 < len(name) <= LONGEST_NAME and name.isprintable() and name == name.strip()):
        shown = name if len(name) <= LONGEST_NAME else name[:40] + "..."
        raise RecordError(
            f"{what} {shown!r} cannot be used: it must be 1 to {LONGEST_NAME} printable characters without spaces at "
            "either end."
        )


def _demand_file(path: Path) -> None:
    if not path.is_file():
        raise RecordError(f"There is no record at {str(path)!r}. Check the path, or create a new record there.")
    if path.stat().st_size == 0:
        raise RecordError(
            f"The file {str(path)!r} is empty, not a record. Check the path, or restore it from a backup."
        )


def _demand_size(what: str, size: int) -> None:
    if size > MOST_SIZE:
        raise RecordError(f"{what} has a size of {size}; at most {MOST_SIZE} can be kept. Make it shorter.")


class _Reading:
    """What can be read from an open record, by the store and by a writer alike."""

    def __init__(self, path: Path, driver: sqlite3.Connection) -> None:
        self.path = path
        self._driver = driver

    def rows(self, statement: str, parameters: tuple[object, ...] = ()) -> list[Any]:
        """All rows of one of ``drawup.record.statements``. For the rest of this room only."""
        with translated(self.path, "Reading"):
            return self._driver.execute(statement, parameters).fetchall()

    def facts(self, stream: str, *, after: int = 0) -> Iterator[Fact]:
        """The facts of a stream in order, from the one after number ``after``. Read page by page."""
        while True:
            rows = self.rows(statements().facts, (stream, after, _PAGE))
            for row in rows:
                yield Fact(row)
            if len(rows) < _PAGE:
                return
            after = rows[-1][2]

    def fact(self, stream: str, number: int) -> Fact | None:
        """One fact, or None where the stream has no such number."""
        rows = self.rows(statements().fact, (stream, number))
        return Fact(rows[0]) if rows else None

    def last(self, stream: str) -> Fact | None:
        """The newest fact of a stream, or None where it has none."""
        rows = self.rows(statements().last, (stream,))
        return Fact(rows[0]) if rows else None

    def find(self, key: str) -> tuple[Fact, ...]:
        """The facts appended with this look-up key, in the order of the record."""
        return tuple(map(Fact, self.rows(statements().find, (key,))))

    def streams(self, prefix: str) -> tuple[str, ...]:
        """The names of the streams that begin with ``prefix``, sorted."""
        rows = self.rows(statements().streams, (prefix, prefix + _AFTER_ALL))
        return tuple(row[0] for row in rows)

    def position(self) -> tuple[int, str]:
        """The position of the last fact and the hash of its link in hexadecimal digits; 0 and "" before the first."""
        rows = self.rows(statements().head)
        return (rows[0][0], rows[0][1].hex()) if rows else (0, "")

    def link_at(self, position: int) -> str | None:
        """The hash of the link at a position in hexadecimal digits; "" at 0, None where there is no such position."""
        rows = self.rows(statements().link_at, (position,))
        return rows[0][4].hex() if rows else "" if position == 0 else None

    def streams_since(self, position: int) -> tuple[tuple[str, str], ...]:
        """Stream and kind of every fact after a position, in the order of the record."""
        return tuple((stream, kind) for stream, kind in self.rows(statements().streams_since, (position,)))

    def kept(self, digest: str) -> bytes | None:
        """The document with this SHA-256 digest, or None."""
        rows = self.rows(statements().kept, (digest,))
        return rows[0][0] if rows else None

    def digests(self, beginning: str) -> tuple[str, ...]:
        """The digests of kept documents that begin so."""
        rows = self.rows(statements().digests_from, (beginning, beginning + _AFTER_ALL))
        return tuple(row[0] for row in rows)

    def claimed(self, key: str) -> Claim | None:
        """Who has claimed this key, or None."""
        rows = self.rows(statements().claimed, (key,))
        if not rows:
            return None
        name, stream, number = rows[0]
        return Claim(key=name, stream=stream, number=number)


def stream_kind(stream: str) -> str:
    """What a stream is of: the part of its name before the first slash."""
    return stream.partition("/")[0]


class Writer(_Reading):
    """One transaction of an open record. Its reading methods see what it has written so far."""

    def __init__(self, path: Path, driver: sqlite3.Connection, beginning: bytes) -> None:
        super().__init__(path, driver)
        self._beginning = beginning
        self._head: tuple[int, bytes, int] | None = None
        self._heads: dict[str, tuple[int, bytes]] = {}
        self._documents: int | None = None
        self._ended = False
        self._halfway = False

    def end(self) -> None:
        """Called when the ``writing()`` block ends: nothing can be written through this writer any more."""
        self._ended = True

    def demand_whole(self) -> None:
        """Raise RecordError where something was written by half, and the error then caught inside the block."""
        if self._halfway:
            raise RecordError("An earlier step of this entry failed, so nothing of it is kept. Enter it again.")

    def append(
        self, stream: str, kind: str, body: Mapping[str, object], *, recorded_at: datetime, keys: Iterable[str] = ()
    ) -> Fact:
        """Append a fact to a stream.

        ``recorded_at`` needs a zone and is kept in UTC. ``keys`` are what ``find`` finds it by. Raises TypeError for a
        body that has no exact JSON form, RecordError for a name that cannot be used.
        """
        self._demand_open()
        _demand_name("The stream", stream)
        _demand_name("The kind", kind)
        listed = sorted(set(keys))
        for key in listed:
            _demand_name("The key", key)
        moment = render_time(recorded_at)
        rendered = render_canonical(body)
        _demand_size("The body", len(rendered))
        prepared = statements()
        with translated(self.path, "Appending"):
            number, previous = self._head_of(stream)
            position, link, documents = self._head or self._read_head()
            number, position = number + 1, position + 1
            text = render_opening(stream, number, kind, moment, listed) + rendered + "]"
            hashed = fact_hash(previous, text)
            kept = self._count_documents()
            digests = self._digests_after(documents) if kept > documents else ()
            linked = link_hash(link, hashed, digests)
            row = (position, stream, number, kind, moment, text, hashed)
            self._halfway = True
            self._driver.execute(prepared.append, row)
            self._driver.execute(prepared.link, (position, stream, number, hashed, kept, linked))
            for key in listed:
                self._driver.execute(prepared.look_up, (position, key))
        self._halfway = False
        self._head = (position, linked, kept)
        self._heads[stream] = (number, hashed)
        return Fact(row)

    def keep(self, content: bytes) -> str:
        """Keep a document by its content, once, and return its SHA-256 digest as 64 hexadecimal digits."""
        self._demand_open()
        _demand_size("The document", len(content))
        digest = sha256(content).hexdigest()
        with translated(self.path, "Keeping a document"):
            count, known = self._driver.execute(statements().documents_with, (digest,)).fetchone()
            if not known:
                self._driver.execute(statements().keep, (count + 1, digest, content))
                self._documents = count + 1
        return digest

    def claim(self, key: str, fact: Fact) -> None:
        """Take a key for a fact. Raises Claimed, which names the fact that has it, where it is taken."""
        _demand_name("The key", key)
        self._demand_open()
        with translated(self.path, "Claiming"):
            try:
                done = self._driver.execute(statements().claim, (key, fact.position, bytes.fromhex(fact.hash)))
            except sqlite3.IntegrityError:
                taken = self.claimed(key)
                if taken is None:
                    raise
                raise Claimed(taken) from None
        if done.rowcount != 1:
            raise RecordError(f"{fact!r} is not in this record. Claim {key!r} for a fact that is.")

    def release(self, key: str) -> None:
        """Free a key, since the fact that claimed it has been corrected. Freeing a free key does nothing."""
        self._demand_open()
        with translated(self.path, "Releasing a claim"):
            self._driver.execute(statements().release, (key,))

    def _demand_open(self) -> None:
        if self._ended:
            raise RecordError("This writer's block has ended. Begin another one to write more.")
        if not self._driver.in_transaction:
            # After some errors the database rolls back by itself; what came next would then be kept on its own.
            self._halfway = True
        self.demand_whole()

    def _read_head(self) -> tuple[int, bytes, int]:
        found = self._driver.execute(statements().head).fetchone()
        return found if found is not None else (0, self._beginning, 0)

    def _head_of(self, stream: str) -> tuple[int, bytes]:
        known = self._heads.get(stream)
        if known is not None:
            return known
        found = self._driver.execute(statements().head_of_stream, (stream,)).fetchone()
        return found if found is not None else (0, NO_HASH)

    def _count_documents(self) -> int:
        if self._documents is None:
            self._documents = self._driver.execute(statements().documents).fetchone()[0]
        return self._documents

    def _digests_after(self, number: int) -> list[str]:
        return [row[0] for row in self._driver.execute(statements().digests_after, (number,))]


class Store(_Reading):
    """One open record. Use it as a context manager, or close it. Made by ``create`` and ``open``."""

    def __init__(self, path: Path, *, read_only: bool) -> None:
        pooled = engine_for(path, read_only=read_only).raw_connection()
        driver = pooled.driver_connection
        assert isinstance(driver, sqlite3.Connection)
        try:
            demand_record(driver, path)
            apply_settings(driver, path, read_only=read_only)
            name, created_at = driver.execute(statements().record).fetchone()
        except BaseException:
            pooled.close()
            raise
        super().__init__(path, driver)
        self._pooled = pooled
        self._read_only = read_only
        self._writing = False
        self.name: str = name
        self.created_at: str = created_at
        self.beginning = beginning_hash(name, created_at)

    def head(self) -> tuple[int, str]:
        """The position of the last fact and the hash of its link, as 64 hexadecimal digits."""
        position, link = self.position()
        return position, link or self.beginning.hex()

    def counts(self, *, up_to: int) -> tuple[tuple[str, int], ...]:
        """How many facts each kind of stream holds up to a position, sorted by kind."""
        counted: Counter[str] = Counter()
        for stream, count in self.rows(statements().count_streams, (up_to,)):
            counted[stream_kind(stream)] += count
        return tuple(sorted(counted.items()))

    @staticmethod
    def create(path: Path, *, now: datetime, name: str | None = None) -> "Store":
        """Make a new record and open it. ``name`` identifies this one record; left out, a random one is given.

        Raises RecordError where the file exists or lies on a network share. The file appears whole or not at all.
        """
        created_at = render_time(now)
        named = str(uuid.uuid4()) if name is None else name
        _demand_name("The record's name", named)
        with translated(path, "Creating"):
            make_record(path, name=named, created_at=created_at)
        return Store.open(path)

    @staticmethod
    def open(path: Path, *, read_only: bool = False) -> "Store":
        """Open an existing record. Raises RecordError, with what to do, where it cannot be used safely."""
        with translated(path, "Opening"):
            _demand_file(path)
            if not read_only:
                refuse_network_share(path)
                tighten(path)
            return Store(path, read_only=read_only)

    @staticmethod
    def migrate(path: Path) -> None:
        """Bring the record at ``path`` to today's form, in one transaction. Make a backup first.

        Raises RecordError for a file that is no record, was altered, or is of a form this version does not know.
        """
        with translated(path, "Migrating"):
            _demand_file(path)
            refuse_network_share(path)
            bring_to_today(path)
        Store.open(path).close()

    @contextmanager
    def writing(self) -> Iterator[Writer]:
        """Begin a transaction; keep all of it at the end of the block, or nothing where the block raises."""
        if self._read_only:
            raise RecordError(f"The record {str(self.path)!r} was opened for reading only. Open it for writing.")
        if self._writing:
            raise RecordError("This record is being written already. Use the writer that is open.")
        with translated(self.path, "Beginning to write"):
            self._driver.execute("BEGIN IMMEDIATE")
        self._writing = True
        writer = Writer(self.path, self._driver, self.beginning)
        try:
            yield writer
            writer.demand_whole()
            with translated(self.path, "Keeping the entry"):
                self._driver.execute("COMMIT")
        except BaseException:
            self._roll_back()
            raise
        finally:
            writer.end()
            self._writing = False

    def _roll_back(self) -> None:
        # After some errors the database has rolled back already; and what went wrong first is what must be told.
        with suppress(sqlite3.Error):
            if self._driver.in_transaction:
                self._driver.execute("ROLLBACK")

    def close(self) -> None:
        """Close the record. Closing twice does nothing."""
        with translated(self.path, "Closing"):
            self._pooled.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()
