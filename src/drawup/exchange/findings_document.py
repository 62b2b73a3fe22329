"""Writes docs/findings.md from the table of findings: python -m drawup.exchange.findings_document > docs/findings.md"""

from __future__ import annotations

import sys

from drawup.injection.finding import CODES, ON_SCREEN, RANK, Rule, Severity

_HEAD = """\
# What Drawup finds

This page is written from the program's own table; each code has one severity, wherever it is found. A finding blocks
preparing and giving, never recording: what really happened can always be written down.

| severity | the screen says | who may clear it |
|---|---|---|
"""


def findings_document() -> str:
    """The page, worst first."""
    rules = sorted(CODES.values(), key=lambda rule: RANK[rule.severity])
    lines = [_HEAD.rstrip("\n")]
    for severity in Severity:
        who = next(rule.cleared_by for rule in rules if rule.severity is severity)
        lines.append(f"| `{severity.value}` | {ON_SCREEN[severity]} | {who} |")
    for severity in Severity:
        lines += ["", f"## {ON_SCREEN[severity]} (`{severity.value}`)"]
        for rule in rules:
            if rule.severity is severity:
                lines += ["", *_rule(rule)]
    return "\n".join(lines) + "\n"


def _rule(rule: Rule) -> list[str]:
    return [
        f"### `{rule.code}`",
        "",
        f"- **Says:** {rule.message}",
        f"- **Why:** {rule.why}",
        f"- **Do:** {rule.do}",
        f"- **Source:** {rule.source}",
    ]


if __name__ == "__main__":
    sys.stdout.write(findings_document())
