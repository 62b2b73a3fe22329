"""docs/evidence.md is what the tables say."""

from pathlib import Path

from drawup.evidence.document import render_document
from drawup.evidence.tables import load_sites


def test_the_page_is_up_to_date() -> None:
    page = (Path(__file__).parents[2] / "docs" / "evidence.md").read_text("utf-8")
    assert page == render_document(), "run: python -m drawup.evidence.document > docs/evidence.md"


def test_the_page_names_every_site_and_every_source_of_its_limits() -> None:
    page = render_document()
    for site in load_sites():
        assert site.landmarks in page
        assert all(limit.source in page for limit in site.limits)


def test_the_headings_that_findings_point_to_stand_on_the_page() -> None:
    page = render_document()
    for heading in ("Sites", "Injection volumes", "Needle tables"):
        assert f"\n## {heading}\n" in page
