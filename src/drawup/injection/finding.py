"""What a clinician must see before giving: one closed table of codes, and the findings made from it.

A finding blocks preparing and giving, never recording. Its severity belongs to its code, so that the same fact is never
a stop in one place and a note in another. The rows stand in finding_stops.py, finding_asks.py and finding_notes.py;
docs/findings.md is written from them.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from drawup.injection.finding_asks import ASKS
from drawup.injection.finding_notes import NOTES
from drawup.injection.finding_row import Row
from drawup.injection.finding_stops import CONFIRMS, STOPS


class Severity(StrEnum):
    """How much a finding asks of the giver."""

    STOP = "stop"
    CONFIRM = "confirm"
    ASK = "ask"
    NOTE = "note"


RANK = {Severity.STOP: 0, Severity.CONFIRM: 1, Severity.ASK: 2, Severity.NOTE: 3}

ON_SCREEN = {
    Severity.STOP: "Do not give",
    Severity.CONFIRM: "Prescriber must confirm",
    Severity.ASK: "Your reason needed",
    Severity.NOTE: "Good to know",
}

CLEARED_BY = {
    Severity.STOP: "nobody: change what it rests on",
    Severity.CONFIRM: "a prescriber, or the giver noting who confirmed, how and when",
    Severity.ASK: "the giver, with a reason",
    Severity.NOTE: "needs nothing",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """One row of the table. `message` and `do` are templates filled with the facts of the case."""

    code: str
    severity: Severity
    message: str
    why: str
    do: str
    source: str

    @property
    def cleared_by(self) -> str:
        """Who may clear a finding of this code."""
        return CLEARED_BY[self.severity]


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One thing found. `accepted` holds the reason given for it, where one was."""

    code: str
    message: str
    do: str
    source: str
    accepted: str | None = None

    @property
    def rule(self) -> Rule:
        """The row of the table this was made from."""
        return CODES[self.code]

    @property
    def severity(self) -> Severity:
        """How much it asks of the giver."""
        return CODES[self.code].severity

    @property
    def blocks(self) -> bool:
        """Whether it stands in the way of preparing and giving."""
        rule = CODES[self.code]
        if rule.severity is Severity.STOP:
            return True
        return rule.severity is not Severity.NOTE and self.accepted is None


def finding(code: str, *, source: str = "", **facts: str) -> Finding:
    """A finding of this code about these facts; `source` replaces the table's where the case has its own."""
    rule = CODES[code]
    return Finding(
        code=code,
        message=rule.message.format_map(facts),
        do=rule.do.format_map(facts),
        source=source or rule.source,
    )


def worst_first(findings: list[Finding]) -> tuple[Finding, ...]:
    """All findings once, worst first; the order in which they were found decides among equals."""
    once = dict.fromkeys(findings)
    return tuple(sorted(once, key=lambda found: RANK[found.severity]))


def _rules(severity: Severity, rows: tuple[Row, ...]) -> dict[str, Rule]:
    return {
        code: Rule(code=code, severity=severity, message=message, why=why, do=do, source=source)
        for code, message, why, do, source in rows
    }


CODES: dict[str, Rule] = {
    **_rules(Severity.STOP, STOPS),
    **_rules(Severity.CONFIRM, CONFIRMS),
    **_rules(Severity.ASK, ASKS),
    **_rules(Severity.NOTE, NOTES),
}
