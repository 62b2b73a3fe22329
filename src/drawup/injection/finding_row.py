"""What one row of the table of findings is made of, and the sources that many rows share."""

from __future__ import annotations

# code, message, why, what to do, source: message and what to do are templates filled with the facts of the case.
Row = tuple[str, str, str, str, str]

COMMON_PRACTICE = "common practice, no source"
LABEL = "the product's label, as entered in the formulary"
