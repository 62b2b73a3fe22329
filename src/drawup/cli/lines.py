"""One request a line: read without ever holding more than one, and answered whatever the line holds."""

from __future__ import annotations

from collections.abc import Iterator
from typing import IO, Any

LONGEST_LINE = 1_000_000
"""Bytes of one line."""


def line_error(error: Exception) -> dict[str, Any]:
    """The answer to a line that cannot be answered. Not even a fault of ours keeps the other lines from theirs."""
    if isinstance(error, ValueError):
        return {"error": {"field": getattr(error, "field", ""), "message": getattr(error, "message", str(error))}}
    return {"error": {"field": "", "message": f"a fault in Drawup itself ({type(error).__name__}). Please report it"}}


def each_line(source: IO[bytes]) -> Iterator[bytes | None]:
    """Line by line without ever holding more than the longest that is taken; None for one that is longer."""
    while True:
        content = source.readline(LONGEST_LINE)
        if not content:
            return
        if len(content) == LONGEST_LINE and not content.endswith(b"\n"):
            while True:
                rest = source.readline(LONGEST_LINE)
                if not rest or rest.endswith(b"\n"):
                    break
            yield None
            continue
        yield content.rstrip(b"\r\n")
