"""What a check reports: how much was walked, and the first break in words."""

from dataclasses import dataclass
from typing import Literal, NoReturn

What = Literal[
    "fact missing",
    "link missing",
    "number",
    "column",
    "text",
    "fact hash",
    "look-up key",
    "link",
    "link hash",
    "document",
    "claim",
    "not readable",
    "seal",
]
"""What is broken. A link is the row of the record-wide chain that belongs to a fact."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Break:
    """The first place where the record is not what it should be."""

    what: What
    expected: str
    found: str
    position: int | None = None
    stream: str | None = None
    number: int | None = None

    @property
    def sentence(self) -> str:
        """The break in words."""
        place = f"position {self.position} of the record" if self.position is not None else "the record"
        if self.stream is not None and self.number is not None:
            place = f"number {self.number} of {self.stream!r}, {place}"
        return f"Broken at {place} ({self.what}): expected {self.expected}; found {self.found}."


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckReport:
    """What was walked, and the first break or None."""

    facts: int
    streams: int
    documents: int
    hash: str
    """Of the last link that was walked and found right, as 64 hexadecimal digits."""
    sealed_facts: int | None
    """How many of the facts a seal was found to fit; None without a seal or where it does not fit."""
    first_break: Break | None

    @property
    def whole(self) -> bool:
        """Whether no break was found."""
        return self.first_break is None


class Broken(Exception):
    """Not an error: it carries the first break out of the walk, to where the report is written."""

    def __init__(self, found: Break) -> None:
        super().__init__(found.sentence)
        self.found = found


def broken(
    what: What,
    *,
    expected: str,
    found: str,
    position: int | None = None,
    stream: str | None = None,
    number: int | None = None,
) -> NoReturn:
    """End the walk at this break."""
    raise Broken(Break(what=what, expected=expected, found=found, position=position, stream=stream, number=number))
