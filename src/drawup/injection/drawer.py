"""Which needle of the drawer the guideline takes for a body, and what it says against another.

Lengths are in mm. A measured distance from skin to muscle beats the table.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache

from drawup.injection.finding import Finding, finding
from drawup.injection.flow import EASY_N, MOST_N, Flow, Resistance, push_newtons, push_of
from drawup.injection.guideline import Bore, NeedleRow, NeedleTable
from drawup.injection.notation import decimal_text
from drawup.injection.policy import Needle

MARGIN_MM = Fraction(5)
"""The tip counts as in muscle from here past the fascia (Poland GA et al., JAMA 1997;277:1709-11)."""
SHOWING_MM = Fraction(3)
"""What is left showing where bone is near: 2 to 3 mm in the same study."""
LENGTH_SLACK_MM = Fraction(1)
"""A needle sold in inches counts as the nearest length in mm (25.4 as 25, 37.5 as 38)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """What is asked of a needle. `measured`: mm to the muscle; `finer`: 25 G is preferred to 23 G."""

    into_muscle: bool
    row: NeedleRow | None
    measured: Fraction | None
    least_gauge: int | None
    widest_gauge: int | None
    finer: bool
    flow: Flow | None
    resistance: Resistance | None = None


@lru_cache(maxsize=4096)
def from_drawer(
    drawer: tuple[Needle, ...], ask: Wanted, table: NeedleTable
) -> tuple[Needle | None, tuple[tuple[Needle, str], ...]]:
    """The needle that suits best, and of every other why not."""
    refused: list[tuple[Needle, str]] = []
    ranked: list[tuple[tuple[Fraction | int, ...], Needle]] = []
    for needle in dict.fromkeys(drawer):
        fault = length_fault(needle, ask) or label_fault(needle, ask)
        if fault:
            refused.append((needle, fault))
        else:
            ranked.append((_rank(needle, ask, table.bores), needle))
    if not ranked:
        return None, tuple(refused)
    ranked.sort(key=lambda one: one[0])
    best = ranked[0][1]
    return best, (*((needle, _why_second(needle, best, ask, table.bores)) for _, needle in ranked[1:]), *refused)


def length_fault(needle: Needle, ask: Wanted) -> str:
    """Why this length ends in another layer; "" where it does not. Under the skin a shorter one is no fault."""
    if ask.measured is not None:
        return _short_of_muscle(needle, ask.measured)
    if ask.row is None:
        return "the guideline says nothing about this site at this age"
    low, high = ask.row.shortest_mm, ask.row.longest_mm
    if needle.length_mm > high + LENGTH_SLACK_MM:
        return f"longer than {mm(high)}"
    if needle.length_mm < low - LENGTH_SLACK_MM and ask.into_muscle:
        return f"shorter than {mm(low)}{', not likely to reach the muscle' if ask.row.beyond else ''}"
    return ""


def _short_of_muscle(needle: Needle, measured: Fraction) -> str:
    into = needle.length_mm - measured
    if into < 0:
        return f"{mm(-into)} short of the fascia"
    return f"only {mm(into)} into the muscle" if into < MARGIN_MM else ""


def label_fault(needle: Needle, ask: Wanted) -> str:
    """A gauge number over the label's is a narrower bore."""
    if ask.least_gauge is not None and needle.gauge > ask.least_gauge:
        return f"narrower than {ask.least_gauge} G, which the label asks for at least"
    return ""


def gauge_fault(needle: Needle, ask: Wanted) -> str:
    """Why this gauge is not what the guideline, or a bleeding risk, asks for."""
    if ask.widest_gauge is not None and needle.gauge < ask.widest_gauge:
        return f"wider than {ask.widest_gauge} G, with a bleeding risk"
    if ask.row is None:
        return ""
    widest, finest = ask.row.widest_gauge, ask.row.finest_gauge
    if ask.least_gauge is not None and ask.least_gauge < widest:
        widest = ask.least_gauge
    if needle.gauge < widest:
        return f"wider than {widest} G"
    return f"finer than {finest} G" if needle.gauge > finest and ask.into_muscle else ""


def _rank(needle: Needle, ask: Wanted, bores: tuple[Bore, ...]) -> tuple[Fraction | int, ...]:
    """Least first: push over the limit, the length taken first, a gauge outside, a hard push, the gauge taken first.

    The layer is decided by the length, so it counts before the gauge. The gauge taken first is common practice, no
    source: 25 G for 1 mL or less or with a bleeding risk, else 23 G.
    """
    force = whole_push(needle, ask, bores)
    over = int(force is not None and force > MOST_N)
    hard = int(force is not None and force > EASY_N)
    outside = 1 if gauge_fault(needle, ask) else 0
    if ask.measured is not None:
        length = needle.length_mm
    elif ask.row is not None:
        length = abs(needle.length_mm - (ask.row.prefer_mm or ask.row.longest_mm))
    else:
        length = needle.length_mm
    return over, length, outside, hard, abs(needle.gauge - (25 if ask.finer else 23)), needle.gauge


def whole_push(needle: Needle, ask: Wanted, bores: tuple[Bore, ...]) -> float | None:
    """The push in N with all that is known to resist; None without a viscosity or for an unknown gauge."""
    if ask.flow is None:
        return None
    if ask.resistance is None:
        return push_newtons(needle, ask.flow, bores)
    push = push_of(needle, ask.flow, bores, ask.resistance, into_muscle=ask.into_muscle)
    return None if push is None else push.total_n


def _why_second(needle: Needle, best: Needle, ask: Wanted, bores: tuple[Bore, ...]) -> str:
    """Why a needle that would do is not taken first."""
    fault = gauge_fault(needle, ask)
    if fault:
        return fault
    force = whole_push(needle, ask, bores)
    if force is not None and force > EASY_N:
        return f"about {force:.0f} N of push"
    if needle.length_mm != best.length_mm:
        return f"would do, but {mm(best.length_mm)} is taken first here"
    return f"would do, but {best.gauge} G is taken first for this volume"


# What must be said about the needle.


def needle_words(needle: Needle) -> str:
    """A needle for a person: "23 G 25 mm"."""
    return f"{needle.gauge} G {mm(needle.length_mm)}"


@lru_cache(maxsize=1024)
def mm(length: Fraction) -> str:
    """A length for a person: "25 mm"."""
    return f"{decimal_text(length) or f'{length.numerator}/{length.denominator}'} mm"


def wanted_words(ask: Wanted) -> str:
    """What to fetch: length and gauges."""
    if ask.measured is not None:
        length = f"at least {mm(ask.measured + MARGIN_MM)}"
    elif ask.row is None:
        length = "a length that suits this site"
    else:
        low, high = ask.row.shortest_mm, ask.row.prefer_mm or ask.row.longest_mm
        length = mm(high) if ask.row.prefer_mm or low == high else f"{mm(low)} to {mm(high)}"
    if ask.least_gauge is not None:
        return f"a needle of {length}, {ask.least_gauge} G or wider"
    if ask.row is None:
        return f"a needle of {length}"
    widest = max(ask.row.widest_gauge, ask.widest_gauge or 0)
    return f"a needle of {length}, {widest} to {ask.row.finest_gauge} G"


def none_fits(ask: Wanted, table: NeedleTable, site: str) -> Finding:
    """That nothing in the drawer suits, and what would."""
    if ask.measured is not None:
        reason = f"skin to muscle was measured as {mm(ask.measured)}, and {mm(MARGIN_MM)} into it are needed"
    elif ask.row is None:
        reason = f"{table.title} says nothing about {site} at this age"
    else:
        reason = f"{site}, {ask.row.body}: {mm(ask.row.prefer_mm or ask.row.longest_mm)} is needed"
    return finding("needle-none-fits", reason=reason, wanted=wanted_words(ask))


def about_proposed(needle: Needle, ask: Wanted) -> list[Finding]:
    """What must be said of a needle that the guideline takes."""
    found = []
    if ask.row is not None and ask.row.beyond and ask.measured is None:
        missing = f"{ask.row.body} are over the cut-off for a 37.5 mm needle, and no length was published for them"
        found.append(
            finding("needle-beyond-evidence", source=ask.row.source, needle=needle_words(needle), missing=missing)
        )
    fault = gauge_fault(needle, ask)
    if fault:
        found.append(_outside(needle, fault, wanted_words(ask), ask))
    return found


LONGER_WIDEST = 21
"""The widest gauge of a needle longer than the guideline's: as in the rows for very large adults."""


def against(
    needle: Needle, ask: Wanted, proposed: Needle | None, *, is_fixed: bool, longer_is_right: bool = False
) -> list[Finding]:
    """What speaks against a needle that is a given or was chosen by hand.

    `longer_is_right`: the figures for this body ask for a longer one than the guideline's.
    """
    wanted = needle_words(proposed) if proposed is not None else wanted_words(ask)
    words = needle_words(needle)
    length = length_fault(needle, ask)
    label = label_fault(needle, ask)
    faults = [label] if label and not is_fixed else []
    if length and ask.measured is not None:
        return [
            finding(
                "needle-falls-short",
                needle=words,
                short=length,
                margin=mm(MARGIN_MM),
                distance=mm(ask.measured),
                wanted=wanted,
            )
        ]
    found = []
    if length and ask.row is not None and ask.row.beyond and length.startswith("shorter"):
        reason = f"{ask.row.body} are over the published cut-off for 37.5 mm"
        found.append(finding("needle-likely-short", source=ask.row.source, needle=words, reason=reason, wanted=wanted))
    elif length and ask.row is not None and not is_fixed and not longer_is_right:
        faults.insert(0, length)
    wide_enough = longer_is_right and needle.gauge >= (ask.widest_gauge or LONGER_WIDEST)
    gauge = "" if is_fixed or wide_enough else gauge_fault(needle, ask)
    if gauge and not label:
        faults.append(gauge)
    if faults:
        found.append(_outside(needle, " and ".join(faults), wanted, ask))
    return found


def _outside(needle: Needle, reason: str, wanted: str, ask: Wanted) -> Finding:
    source = ask.row.source if ask.row is not None else ""
    return finding("needle-outside-guideline", source=source, needle=needle_words(needle), reason=reason, wanted=wanted)


def reasons_for(ask: Wanted, needle: Needle | None) -> tuple[str, ...]:
    """Why this needle: the measured distance, or the row with its source."""
    if ask.measured is not None:
        if needle is None:
            return (f"skin to muscle measured as {mm(ask.measured)}",)
        into = needle.length_mm - ask.measured
        reached = f"{mm(into)} into it" if into >= 0 else f"{mm(-into)} short of it"
        return (f"skin to muscle measured as {mm(ask.measured)}: {mm(needle.length_mm)} is {reached}",)
    return row_reasons(ask.row) if ask.row is not None else ()


@lru_cache(maxsize=256)
def row_reasons(row: NeedleRow) -> tuple[str, ...]:
    """A row in words, its note and its source."""
    low, high = row.shortest_mm, row.longest_mm
    length = mm(low) if low == high else f"{mm(low)} to {mm(high)}"
    says = f"{row.issued_by}: {row.body}, {length}, {row.widest_gauge} to {row.finest_gauge} G"
    return tuple(text for text in (says, row.note, row.source) if text)
