"""What can go wrong with the record, each said in a sentence that tells what to do next.

The database's own errors never leave this room: ``translated`` turns them into ``RecordError``.
"""

import sqlite3
from pathlib import Path
from types import TracebackType

from drawup.record.fact import Claim


class RecordError(ValueError):
    """The record could not be read or written. Nothing was half written."""


class Claimed(RecordError):
    """The key is already taken by an earlier fact; ``claim`` says which."""

    def __init__(self, claim: Claim) -> None:
        super().__init__(
            f"{claim.key!r} is already claimed by number {claim.number} of {claim.stream!r}. "
            "Read that one first; if it truly happened twice, record it without the claim."
        )
        self.claim = claim

    def __reduce__(self) -> tuple[type["Claimed"], tuple[Claim]]:
        return (Claimed, (self.claim,))


_NOTHING_WRITTEN = "Nothing of this entry was kept."

# The result codes of the database, from its published list (sqlite.org/rescode.html), each with the sentence for the
# person at the screen. A code is looked for as it is, then as the kind that its last byte names.
_SENTENCES: dict[int, str] = {
    sqlite3.SQLITE_FULL: "There is no room left on the disk. Free some room and enter it again.",
    # Where the disk fails at the very end, the entry may have reached it all the same.
    sqlite3.SQLITE_IOERR: (
        "The disk reported an error. Look whether the entry is there before you enter it again, and move the record to "
        "another disk."
    ),
    sqlite3.SQLITE_IOERR_SHMSIZE: (
        "There is no room left on the disk beside the record, or the disk failed. Free some room and try again."
    ),
    sqlite3.SQLITE_READONLY: "The record may only be read. Ask for permission to write the file and its folder.",
    sqlite3.SQLITE_BUSY: "Another program has kept the record busy for too long. Wait for it and try again.",
    sqlite3.SQLITE_LOCKED: "The record is in use by this same program. Finish that first and try again.",
    sqlite3.SQLITE_NOTADB: "The file is not a record. Check the path, or restore the record from a backup.",
    sqlite3.SQLITE_CORRUPT: "The file is damaged. Keep it as it is, and restore the record from a backup.",
    sqlite3.SQLITE_CANTOPEN: "The file could not be opened. Check that it and its folder may be read and written.",
    sqlite3.SQLITE_PERM: "The file may not be opened. Ask for permission to read and write it.",
    sqlite3.SQLITE_AUTH: "The file may not be opened. Ask for permission to read and write it.",
    sqlite3.SQLITE_TOOBIG: "The entry is too large for the record. Make it shorter.",
    sqlite3.SQLITE_NOMEM: "There is not enough memory. Close other programs and try again.",
    sqlite3.SQLITE_PROTOCOL: "The record is locked in a way that cannot be waited for. Try again.",
}


def sentence(error: sqlite3.Error, *, path: Path, doing: str) -> str:
    """Say in one or two sentences what the database reported while ``doing`` something to the record at ``path``."""
    code = getattr(error, "sqlite_errorcode", None)
    name = getattr(error, "sqlite_errorname", None) or type(error).__name__
    if code is not None:
        known = _SENTENCES.get(code, _SENTENCES.get(code & 0xFF))
        if known is not None:
            return f"{doing} failed for the record {str(path)!r}: {known} ({name})"
        if code & 0xFF == sqlite3.SQLITE_CONSTRAINT:
            return f"{doing} was refused by the record {str(path)!r}: {error}. {_NOTHING_WRITTEN}"
    if isinstance(error, sqlite3.ProgrammingError) and "thread" in str(error):
        return f"The record {str(path)!r} was opened by another thread. Open it again in the thread that uses it."
    return f"{doing} failed for the record {str(path)!r}: {error} ({name}). {_NOTHING_WRITTEN}"


class translated:  # noqa: N801 - it stands in a with statement, where it reads as a verb.
    """Turn whatever the database or the file system raises inside the block into a ``RecordError``."""

    __slots__ = ("_doing", "_path")

    def __init__(self, path: Path, doing: str) -> None:
        self._path = path
        self._doing = doing

    def __enter__(self) -> None:
        return None

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if error is None or isinstance(error, RecordError):
            return
        # SQLAlchemy wraps the driver's errors. It is not imported here, to keep this module quick to import.
        original = getattr(error, "orig", error)
        if isinstance(original, sqlite3.Error):
            raise RecordError(sentence(original, path=self._path, doing=self._doing)) from error
        if isinstance(error, UnicodeError | OverflowError):
            # Half of a surrogate pair, or a number of more than 64 bits: no such thing can be in the record.
            raise RecordError(f"{self._doing} failed: what was asked for cannot be in a record ({error}).") from error
        if isinstance(error, OSError):
            reason = error.strerror or str(error)
            raise RecordError(f"{self._doing} failed for the record {str(self._path)!r}: {reason}.") from error
