"""What a use case can refuse, each said in a sentence that tells what to do next.

UseCaseError
    Blocked        something found stands in the way of giving; nothing was written
    AlreadyGiven   the same planned dose is recorded as given
"""

from __future__ import annotations

from drawup.injection.finding import Finding, Severity


class UseCaseError(ValueError):
    """What was asked for cannot be done; nothing was written."""


class Blocked(UseCaseError):
    """Findings stand in the way of giving. Nothing was written but a near miss."""

    def __init__(self, findings: tuple[Finding, ...]) -> None:
        standing = [found for found in findings if found.blocks]
        super().__init__(
            f"{len(standing)} finding{'' if len(standing) == 1 else 's'} in the way: "
            + "; ".join(f"{found.code} ({found.message})" for found in standing)
        )
        self.findings = findings
        self.stopped = any(found.severity is Severity.STOP for found in standing)


class AlreadyGiven(UseCaseError):
    """The same planned dose is already recorded; `entry` is its name."""

    def __init__(self, message: str, entry: str) -> None:
        super().__init__(message)
        self.entry = entry
