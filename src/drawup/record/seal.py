"""The seal: a few lines to print and keep outside the machine, against which the record can be checked later.

Whoever can write the file can also work out every hash anew, or remove the newest facts. What is on paper in a drawer
does not change with it: a record that no longer fits its seal has been rewritten, or restored from a backup older
than the seal.
"""

import re
from dataclasses import dataclass
from datetime import datetime

from drawup.record.chain import render_time
from drawup.record.errors import RecordError
from drawup.record.store import Store

_HEX = re.compile(r"[0-9a-f]{64}")
_COUNT = re.compile(r"(\S.*) ([0-9]{1,18})", re.ASCII)


@dataclass(frozen=True, slots=True, kw_only=True)
class Seal:
    """The head of a record at one moment."""

    record: str
    """The record's own name."""
    position: int
    """How many facts the record held."""
    hash: str
    """The hash of the last link of the record-wide chain, as 64 hexadecimal digits."""
    taken_at: datetime
    counts: tuple[tuple[str, int], ...]
    """How many facts each kind of stream held, such as ("patient", 120), sorted."""


def seal(store: Store, *, now: datetime) -> Seal:
    """The seal of the record as it is now. ``now`` needs a zone."""
    render_time(now)
    position, hashed = store.head()
    return Seal(record=store.name, position=position, hash=hashed, taken_at=now, counts=store.counts(up_to=position))


def render_seal(value: Seal) -> str:
    """The seal as lines to print: the hash in groups of four, so that it can be compared by eye."""
    groups = [value.hash[start : start + 4] for start in range(0, 64, 4)]
    lines = [
        f"record    {value.record}",
        f"taken at  {render_time(value.taken_at)}",
        f"facts     {value.position}",
        *(f"of these  {kind} {count}" for kind, count in value.counts),
        f"seal      {' '.join(groups[:8])}",
        f"          {' '.join(groups[8:])}",
    ]
    return "\n".join(lines) + "\n"


def parse_seal(text: str) -> Seal:
    """Read back what ``render_seal`` wrote; spaces do not matter. Raises RecordError that names the line."""
    found: dict[str, str] = {}
    counts: list[tuple[str, int]] = []
    for line in text.splitlines():
        word = next((known for known in _WORDS if line.strip().lower().startswith(known)), None)
        rest = line.strip()[len(word) if word else 0 :].strip()
        if word == "of these":
            match = _COUNT.fullmatch(rest)
            if match is None:
                raise RecordError(f"The line {line!r} of the seal must be like 'of these  patient 12'.")
            counts.append((match[1], int(match[2])))
        elif word is not None:
            found[word] = rest
        elif rest:
            found["seal"] = found.get("seal", "") + rest
    missing = [word for word in _WORDS if word != "of these" and word not in found]
    if missing:
        raise RecordError(f"The seal lacks the line {missing[0]!r}. Type it as it was printed.")
    return _assembled(found, tuple(sorted(counts)))


_WORDS = ("record", "taken at", "facts", "of these", "seal")


def _assembled(found: dict[str, str], counts: tuple[tuple[str, int], ...]) -> Seal:
    hashed = "".join(found["seal"].lower().split())
    if _HEX.fullmatch(hashed) is None:
        raise RecordError(f"The seal must have 64 digits 0-9 and a-f; {found['seal']!r} has {len(hashed)} characters.")
    if re.fullmatch(r"[0-9]{1,18}", found["facts"], re.ASCII) is None:
        raise RecordError(f"The line 'facts' of the seal must be a whole number, not {found['facts']!r}.")
    try:
        taken_at = datetime.fromisoformat(found["taken at"])
        render_time(taken_at)
    except ValueError:
        raise RecordError(f"The line 'taken at' of the seal is no time: {found['taken at']!r}.") from None
    return Seal(record=found["record"], position=int(found["facts"]), hash=hashed, taken_at=taken_at, counts=counts)
