"""Finds out what does not fit where a check stopped, and says it in words: what was expected and what was found.

Slow and careful, unlike the walk: it runs once, at the first break. Where a column and the hashed text differ, the
hashes tell which of the two was changed.
"""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from hashlib import sha256
from typing import Any, NoReturn

from drawup.record.chain import NO_HASH, link_hash
from drawup.record.report import Break, Broken, broken
from drawup.record.statements import statements
from drawup.record.store import Store

# position, stream, number, kind, recorded_at, text as bytes, hash, look-up keys as JSON, link agrees, documents, hash
# of the link. Without a link the last three are missing, and only "link agrees" is looked at before that is known.
FactRow = tuple[int, str, int, str, str, bytes, bytes, str, int | None, int, bytes]


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where the walk stopped, and everything it knew to be right before it."""

    store: Store
    position: int
    """Of the fact that should come next."""
    heads: Mapping[str, tuple[int, bytes]]
    link: bytes
    documents: int
    digests: Mapping[int, str]
    """Of the documents kept since, by number, worked out from their content."""
    wrong_document: Break | None


def explain(place: Place, row: FactRow | None) -> NoReturn:
    """Name the break at ``place``, where ``row`` was read, or nothing was."""
    if row is None or row[0] != place.position:
        _explain_gap(place, row)
    position, stream, number, kind, recorded_at, text, hashed, keys, _agrees, documents, _linked = row
    demand_types(row)
    here: dict[str, Any] = {"position": position, "stream": stream, "number": number}
    link = _link_at(place, position)
    written = _parsed(text)
    _explain_text(place, here, text, hashed, written, link)
    assert written is not None
    for name, column, hashed_value in zip(
        ("stream", "number", "kind", "recorded_at"), (stream, number, kind, recorded_at), written, strict=False
    ):
        if column != hashed_value:
            broken("column", expected=f"{name} {hashed_value!r}, as in the hashed text", found=repr(column), **here)
    listed = json.loads(keys)
    if listed != written[4]:
        broken("look-up key", expected=f"{written[4]!r}, as in the hashed text", found=repr(listed), **here)
    if link is None:
        broken("link missing", expected="its link in the record-wide chain", found="none", **here)
    for name, wanted, found in zip(("stream", "number", "fact hash"), (stream, number, hashed), link, strict=False):
        if wanted != found:
            broken("link", expected=f"{name} {_shown(wanted)}, as of its fact", found=_shown(found), **here)
    _explain_link_hash(place, here, hashed, documents or 0, link[4])


def _explain_gap(place: Place, row: FactRow | None) -> NoReturn:
    """The next position is not there; its link may still say what it was."""
    link = _link_at(place, place.position)
    after = "the end of the record" if row is None else f"number {row[2]} of {row[1]!r} at position {row[0]}"
    if link is not None:
        stream, number = link[0], link[1]
        broken(
            "fact missing",
            expected="the fact that its link in the record-wide chain names",
            found=after,
            position=place.position,
            stream=stream,
            number=number,
        )
    broken("fact missing", expected="a fact and its link", found=after, position=place.position)


def _explain_text(
    place: Place,
    here: dict[str, Any],
    text: bytes,
    hashed: bytes,
    written: list[Any] | None,
    link: tuple[Any, ...] | None,
) -> None:
    """Return where the text is the very text that was hashed and follows the fact before it; else name the break."""
    if written is None:
        broken("text", expected="a JSON array of six parts", found=_shown(text[:60]), **here)
    number, previous = place.heads.get(written[0], (0, NO_HASH))
    worked_out = sha256(previous + text).digest()
    linked = link[2] if link is not None else None
    if worked_out == hashed and written[1] == number + 1:
        return
    if worked_out == linked != hashed:
        broken("fact hash", expected=worked_out.hex(), found=hashed.hex(), **here)
    if written[1] != number + 1 and here["number"] != number + 1:
        wanted = f"number {number + 1} of {written[0]!r} next"
        broken("number", expected=wanted, found=f"number {written[1]} in its text", **here)
    broken(
        "text",
        expected=f"a text with the hash {hashed.hex()}",
        found=f"one with the hash {worked_out.hex()}: it was changed, or the fact before it was",
        **here,
    )


def _explain_link_hash(place: Place, here: dict[str, Any], hashed: bytes, documents: int, linked: bytes) -> NoReturn:
    if documents < place.documents:
        broken("link", expected=f"at least {place.documents} documents kept", found=str(documents), **here)
    for number in range(place.documents + 1, documents + 1):
        if number not in place.digests:
            broken("document", expected=f"document {number}, kept before this fact", found="none", **here)
    if place.wrong_document is not None:
        raise Broken(place.wrong_document)
    fresh = [place.digests[number] for number in range(place.documents + 1, documents + 1)]
    worked_out = link_hash(place.link, hashed, fresh)
    found = linked.hex()
    if fresh:
        found += f" (or one of the documents {place.documents + 1} to {documents} was changed)"
    broken("link hash", expected=worked_out.hex(), found=found, **here)


def _link_at(place: Place, position: int) -> tuple[Any, ...] | None:
    """(stream, number, fact hash, documents, hash) of the link at ``position``, or None."""
    rows = place.store.rows(statements().link_at, (position,))
    return rows[0] if rows else None


def _parsed(text: bytes) -> list[Any] | None:
    """The six parts of a fact's text, or None where it is none."""
    try:
        parts = json.loads(text)
    except (ValueError, RecursionError):
        return None
    if (
        not isinstance(parts, list)
        or len(parts) != 6
        or not isinstance(parts[0], str)
        or not isinstance(parts[4], list)
    ):
        return None
    return parts


def demand_types(row: FactRow) -> None:
    """Strict tables see to the types of columns; a file altered byte by byte is seen to here."""
    kinds = (int, str, int, str, str, bytes, bytes)
    for name, kind, value in zip(
        ("position", "stream", "number", "kind", "recorded_at", "text", "hash"), kinds, row, strict=False
    ):
        if not isinstance(value, kind):
            broken("column", expected=f"{name} to be {kind.__name__}", found=repr(value), position=row[0])


def _shown(value: object) -> str:
    return value.hex() if isinstance(value, bytes) and len(value) == 32 else repr(value)
