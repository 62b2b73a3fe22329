"""The values the record gives back: a fact, and a claim on a key."""

import json
from dataclasses import dataclass
from datetime import datetime
from typing import Any

# (position, stream, number, kind, recorded_at, text, hash): a row of the table of facts, as read.
Row = tuple[int, str, int, str, str, str, bytes]


class Fact:
    """One fact of the record, frozen. It keeps the row as read and works the rest out when asked.

    A trace reads thousands of facts and looks into few of them: so the text is not parsed until ``body`` is asked for.
    """

    __slots__ = ("_body", "_row")

    _row: Row
    _body: dict[str, Any] | None

    def __init__(self, row: Row) -> None:
        _set_row(self, row)

    def __setattr__(self, name: str, value: object) -> None:
        raise AttributeError(f"A fact cannot be changed (tried to set {name!r}). Append a correction instead.")

    def __delattr__(self, name: str) -> None:
        raise AttributeError(f"A fact cannot be changed (tried to delete {name!r}). Append a correction instead.")

    @property
    def position(self) -> int:
        """The running number over the whole record, from 1."""
        return self._row[0]

    @property
    def stream(self) -> str:
        """What it belongs to, such as ``patient/7``."""
        return self._row[1]

    @property
    def number(self) -> int:
        """The running number in its stream, from 1, without gaps."""
        return self._row[2]

    @property
    def kind(self) -> str:
        """What kind of fact it is, such as ``given``."""
        return self._row[3]

    @property
    def recorded_at(self) -> datetime:
        """When it was recorded, in UTC."""
        return datetime.fromisoformat(self._row[4])

    @property
    def text(self) -> str:
        """The very text that was hashed, see ``drawup.record.chain``."""
        return self._row[5]

    @property
    def hash(self) -> str:
        """The fact's hash, as 64 hexadecimal digits."""
        return self._row[6].hex()

    @property
    def body(self) -> dict[str, Any]:
        """What was recorded, parsed from ``text`` when first asked for. Treat it as read-only."""
        try:
            body = self._body
        except AttributeError:
            body = json.loads(self._row[5])[-1]
            _set_body(self, body)
        assert body is not None
        return body

    @property
    def keys(self) -> tuple[str, ...]:
        """The look-up keys it was appended with, in order."""
        return tuple(json.loads(self._row[5])[-2])

    def __eq__(self, other: object) -> bool:
        return self._row == other._row if isinstance(other, Fact) else NotImplemented

    def __hash__(self) -> int:
        return hash(self._row[6])

    def __repr__(self) -> str:
        return f"Fact({self.stream!r}, number={self.number}, kind={self.kind!r}, position={self.position})"

    def __reduce__(self) -> tuple[type["Fact"], tuple[Row]]:
        return (Fact, (self._row,))


# The slots' own descriptors: the only way in, and quicker than object.__setattr__.
_set_row = Fact.__dict__["_row"].__set__
_set_body = Fact.__dict__["_body"].__set__


@dataclass(frozen=True, slots=True, kw_only=True)
class Claim:
    """A key that is taken, and the fact that took it. A claim is a look-up, not a fact: it can be released."""

    key: str
    stream: str
    number: int
