"""docs/findings.md is the table of findings, not a memory of it."""

from pathlib import Path

from drawup.exchange.findings_document import findings_document


def test_the_findings_page_is_written_from_the_table(root: Path) -> None:
    assert (root / "docs" / "findings.md").read_text("utf-8") == findings_document(), (
        "write it anew: python -m drawup.exchange.findings_document > docs/findings.md"
    )
