"""Write docs/evidence.md from the tables themselves, so that what people read is what the program uses.

`python -m drawup.evidence.document > docs/evidence.md` writes it anew.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator
from fractions import Fraction
from typing import Any

from drawup.evidence.emergency_document import adrenaline_parts, first_step_parts
from drawup.evidence.layers_document import layer_parts, point_parts, push_parts
from drawup.evidence.policies import PRESETS, choices, load_policy
from drawup.evidence.tables import load_needle_table, load_sites, needle_table_names, read_table, span_of
from drawup.injection.anatomy import AgeSpan, Site, region_words
from drawup.injection.flow import EASY_N, MOST_N
from drawup.injection.guideline import NeedleRow
from drawup.injection.needle import MARGIN_MM
from drawup.injection.notation import exact_text

INTRODUCTION = """\
# Evidence

This page is written from the tables in `src/drawup/evidence/`; change those, never this page. Every row names its
source and its status: **published** (read in the source or in a publication that reports it), **common practice**
(taught, no source found) or **from memory** (check it before you rely on it). Where a guideline and the product's label
differ, the label comes first; where this page and your own policy differ, your policy comes first.

None of this replaces training, the prescriber, the pharmacist, the label or local policy."""

NEEDLE_RULES = f"""\
Within a guideline the first row that applies is used. Of the needles in the drawer, the length decides first, because
it decides the layer; needles sold in inches count as the nearest mm. Then come the guideline's gauges, the push, and
last a preference that is common practice, no source: 25 G for 1 mL or less or with a bleeding risk, 23 G for more.

- A distance from skin to muscle measured by ultrasound beats the table: the tip must end at least
  {exact_text(MARGIN_MM)} mm past the fascia (Poland GA et al., JAMA 1997;277:1709-11).
- A label's gauge limit means a bore no narrower than that gauge: a gauge number at most that.
- With a bleeding risk no needle wider than the policy's gauge is proposed without a question.
- A row for women also serves a patient of unknown sex; one of unknown age is taken for an adult, and that is said.
- An unknown weight is never demanded. It is said where a weight would have chosen another row.
- What holds exactly at a bound in kg is not settled by the sources.
- Under the skin: up to 8 mm straight in; about 12 mm straight into a lifted fold, or at 45 degrees in a child or a thin
  adult (Open RN, Nursing Skills, chapter 18.5); 16 mm as the row says. A shorter needle than the row's is no fault."""

PUSH_RULES = f"""\
The push on the plunger is worked out from the liquid by Hagen-Poiseuille: pressure = 128 x viscosity x needle length
x flow / (pi x bore to the fourth power); push = pressure x area of the barrel. Friction comes on top, and under the
skin the pressure of the tissue; the bands count the whole. Up to {EASY_N} N is easy, to {MOST_N} N hard, over
{MOST_N} N refused (Watt RP et al., Int J Pharm 2019;554:376-386). Without a viscosity nothing is said."""

VOLUME_RULES = """\
The usual limit is where division starts; over the largest no injection is proposed. These are conventions, not
measurements (Mathaes R et al., J Pharm Sci 2016;105:2255-9). A policy may set its own (`site_limits`), and a label's
own limit beats both. A divided volume goes to two sides of one site first, then to different sites, then to one side
twice where the table of sites allows it, at least 2.5 cm apart (UK Immunisation against infectious disease,
chapter 11)."""


def render_document() -> str:
    """The whole page as text."""
    parts = [
        INTRODUCTION,
        "## Sites",
        _site_rules(),
        *_sites(),
        "## Injection volumes",
        VOLUME_RULES,
        _volumes(),
        "## Needle tables",
        NEEDLE_RULES,
        *_guidelines(),
        "## From skin to muscle",
        *layer_parts(_table, _ages, span_of),
        "## Bone",
        _bone(),
        "## Points of the skin",
        *point_parts(_table),
        "## Push",
        PUSH_RULES,
        _bores(),
        *push_parts(_table),
        "## Barrels and dead space",
        _syringes(),
        "## Adrenaline",
        *adrenaline_parts(_table),
        "## First steps",
        *first_step_parts(_table),
        "## Policy presets",
        *_policies(),
    ]
    return "\n\n".join(parts) + "\n"


def _table(head: tuple[str, ...], rows: Iterable[tuple[str, ...]]) -> str:
    lines = [head, tuple("---" for _ in head), *rows]
    return "\n".join("| " + " | ".join(cell.replace("|", "/") or "-" for cell in line) + " |" for line in lines)


def _ages(span: AgeSpan) -> str:
    first = _age(span.from_days, span.from_months)
    last = _age(span.below_days or 0, span.below_months or 0)
    if not first and not last:
        return "all ages"
    if not last:
        return f"from {first}"
    return f"from {first} to below {last}" if first else f"below {last}"


def _age(days: int, months: int) -> str:
    if months and months % 12 == 0 and months > 12:
        return f"{months // 12} years"
    if months:
        return f"{months} months"
    return f"{days} days" if days else ""


def _number(value: Fraction | None) -> str:
    return exact_text(value) if value is not None else "-"


def _site_rules() -> str:
    words = ", ".join(region_words(load_sites())[len(load_sites()) :])
    return (
        "A region rules out every site on it, for both routes: `left arm` rules out the left deltoid and the fat of "
        "the left upper arm. `leg` means the thigh; the gluteal sites lie on `buttock` and `hip`. `left side` rules "
        f"out everything on the left. Without a side both are meant. Words that are known beside the sites: {words}."
    )


def _sites() -> Iterator[str]:
    for site in load_sites():
        yield f"### {site.name[0].upper()}{site.name[1:]}"
        yield "\n".join(f"- {line}" for line in _site_lines(site))


def _site_lines(site: Site) -> Iterator[str]:
    yield f"Route: {site.route}; {_ages(site.ages)}; lies on: {', '.join(site.regions)}."
    yield f"Where: {site.landmarks}"
    if site.caution:
        yield f"Caution: {site.caution}."
    if not site.proposed:
        yield "Never proposed by itself."
    if site.per_side > 1:
        yield f"One side takes {site.per_side} injections at one visit, at least 2.5 cm apart."
    if site.note:
        yield site.note
    codes = ", ".join(f"{side} {code}" for side, code in site.codes)
    yield f"HL7 v3 ActSite codes: {codes or 'none'}."
    yield f"Source: {site.source} ({site.status})."


def _volumes() -> str:
    rows = [
        (site.name, _ages(limit.ages), _number(limit.soft_ml), _number(limit.hard_ml), limit.source, limit.status)
        for site in load_sites()
        for limit in site.limits
    ]
    return _table(("site", "age", "usual limit (mL)", "largest (mL)", "source", "status"), rows)


def _guidelines() -> Iterator[str]:
    for name in needle_table_names():
        table = load_needle_table(name)
        yield f"### {table.title} (`{name}`)"
        yield _table(
            ("who", "age", "site", "gauge", "length (mm)", "angle", "source", "status"),
            [_needle_cells(row) for row in table.rows],
        )


def _needle_cells(row: NeedleRow) -> tuple[str, ...]:
    length = _number(row.shortest_mm)
    if row.longest_mm != row.shortest_mm:
        length += f" to {_number(row.longest_mm)}"
    if row.prefer_mm is not None:
        length += f", {_number(row.prefer_mm)} first"
    return (
        f"{row.body}. {row.note}" if row.note else row.body,
        _ages(row.ages),
        ", ".join(row.sites) or row.route,
        f"{row.widest_gauge} to {row.finest_gauge}",
        length,
        str(row.angle_deg),
        row.source,
        row.status,
    )


def _bone() -> str:
    rows = [
        (row["site"], row["people"], row["mean"], row.get("sd", "-"), row["source"], row["status"])
        for row in read_table("bone")["bone"]
    ]
    return (
        "Where skin to bone is published, a note says how often the tip of the needle may touch bone (taken as "
        "normally distributed, and never above this body's fascia), or that the needle is as long as the mean. The "
        "figures of the elders count below a body-mass index of 25; what it was in them was not read, and that they "
        "were lean is from memory.\n\n"
        + _table(("site", "people", "mean (mm)", "standard deviation (mm)", "source", "status"), rows)
    )


def _bores() -> str:
    (row,) = read_table("needle_bores")["bore"]
    rows = [
        (str(gauge), outer, inner) for gauge, outer, inner in zip(row["gauge"], row["outer"], row["inner"], strict=True)
    ]
    head = ("gauge", "outer diameter (mm)", "inner diameter (mm)")
    return f"{_table(head, rows)}\n\nSource: {row['source']} ({row['status']})."


def _syringes() -> str:
    table = read_table("syringes")
    return "\n\n".join(
        (
            _columns(table["bore"], "capacity", "bore", "barrel (mL)", "bore (mm)"),
            _columns(table["dead_space"], "capacity", "at_most", "barrel (mL)", "dead space at most (mL)"),
            _columns(table["needle_dead_space"], "gauge", "measured", "needle (gauge)", "dead space measured (mL)"),
        )
    )


def _columns(rows: list[dict[str, Any]], key: str, value: str, *head: str) -> str:
    cells = [
        (str(one), str(other), row["source"], row["status"])
        for row in rows
        for one, other in zip(row[key], row[value], strict=True)
    ]
    return _table((*head, "source", "status"), cells)


def _policies() -> Iterator[str]:
    yield (
        "A policy is one TOML file. It starts from a preset (`starts_from`) and holds what differs, each key with its "
        "`value`, `reason` and `source`. Ages in a policy count a year as 365.25 days, rounded down, so that a "
        "birthday is always past its limit."
    )
    for name in PRESETS:
        yield f"### {load_policy(name).title} (`{name}`)"
        stated = [one for one in choices(name) if one.stated_in == f"{name}.toml"]
        yield _table(
            ("key", "value", "reason", "source"),
            [(f"`{one.key}`", _value(one.value), one.reason, one.source) for one in stated],
        )


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, dict):
        return ", ".join(f"{key} {_value(one)}" for key, one in value.items())
    if isinstance(value, list):
        return "; ".join(_value(one) for one in value) if value else "none"
    return str(value)


def main() -> None:
    """Print the page."""
    sys.stdout.write(render_document())


if __name__ == "__main__":
    main()
