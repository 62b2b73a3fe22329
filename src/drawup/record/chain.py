"""How facts are bound together by hashes (SHA-256, FIPS 180-4).

A fact's text is a JSON array ``[stream, number, kind, recorded_at, keys, body]`` in canonical form, and

    hash of a fact  = sha256(hash of the fact before it in its stream + text)      the first follows 32 zero bytes
    hash of a link  = sha256(hash of the link before it + hash of the fact + digests of the documents kept since)

so that the last link covers the number and the head of every stream, their order, and every document. The first link
follows the record's own beginning, which binds the chain to this one record.
"""

from collections.abc import Iterable
from datetime import UTC, datetime
from hashlib import sha256

from drawup.record.canonical import quoted, render_canonical
from drawup.record.errors import RecordError

NO_HASH = bytes(32)


def fact_hash(previous: bytes, text: str) -> bytes:
    """The hash of a fact with this text that follows the fact with the hash ``previous`` in its stream."""
    return sha256(previous + text.encode()).digest()


def link_hash(previous: bytes, fact: bytes, digests: Iterable[str] = ()) -> bytes:
    """The hash of a link of the record-wide chain; ``digests`` are those of the documents kept since the last link."""
    joined = previous + fact
    for digest in digests:
        joined += bytes.fromhex(digest)
    return sha256(joined).digest()


def beginning_hash(record: str, created_at: str) -> bytes:
    """What the first link follows: the record's own name and time of creation."""
    text = render_canonical({"created_at": created_at, "format": 1, "record": record})
    return sha256(text.encode()).digest()


def render_time(moment: datetime) -> str:
    """A moment as fixed-width UTC text, so that the order of the texts is the order of the moments.

    Raises RecordError for a moment without a zone.
    """
    if moment.tzinfo is None or moment.utcoffset() is None:
        raise RecordError(f"The time {moment.isoformat()} has no zone. Give it one, such as UTC.")
    return moment.astimezone(UTC).replace(tzinfo=None).isoformat(timespec="microseconds") + "Z"


def render_opening(stream: str, number: int, kind: str, recorded_at: str, keys: Iterable[str]) -> str:
    """The part of a fact's text that stands before the body; ``keys`` must be sorted."""
    listed = ",".join(map(quoted, keys))
    return f'[{quoted(stream)},{number},{quoted(kind)},"{recorded_at}",[{listed}],'
