"""With what: gauge, length and angle of the needle, by guideline or by a measured depth, and how hard it pushes.

Lengths are in mm, angles in degrees, viscosity in mPa.s, rates in mL/s, forces in N. What is not measured is taken from
the guideline table; what lies beyond it is proposed with a question, never passed over.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import lru_cache

from drawup.injection.finding import Finding, finding
from drawup.injection.guideline import Body, BoneRow, Bore, NeedleRow, NeedleTable, bone_row, row_for
from drawup.injection.notation import Notation, decimal_text
from drawup.injection.patient import Age
from drawup.injection.policy import Needle

__all__ = [
    "EASY_N",
    "MARGIN_MM",
    "MOST_N",
    "SHOWING_MM",
    "Body",
    "BoneRow",
    "Bore",
    "Flow",
    "NeedleChoice",
    "NeedleRow",
    "NeedleTable",
    "choose_needle",
    "needle_words",
    "pressure_pa",
    "push_newtons",
    "row_for",
    "share_at_bone",
    "tip_depth_mm",
]

# The only names in this module that may hold a binary float: a pressure, a force, a chance and a depth at an angle.
FLOAT_FUNCTIONS = ("pressure_pa", "push_newtons", "share_at_bone", "tip_depth_mm")

EASY_N = 20
"""Aim at this push in N or less (Watt RP et al., Int J Pharm 2019;554:376-386)."""
MOST_N = 40
"""A push in N over this is refused (the same)."""
MARGIN_MM = Fraction(5)
"""The tip counts as in muscle from here past the fascia (Poland GA et al., JAMA 1997;277:1709-11)."""
SHOWING_MM = Fraction(3)
"""What is left showing where bone is near: 2 to 3 mm in the same study."""
LENGTH_SLACK_MM = Fraction(1)
"""A needle sold in inches counts as the nearest length in mm (25.4 as 25, 37.5 as 38)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NeedleChoice:
    """The needle for one injection with its angle, and why; `others` says of each other needle why not.

    `seconds`: how long to take over the push. `force_n`: the push in N that the liquid alone needs, friction not
    counted; None where the viscosity is not known. `technique`: how to handle the skin with this needle.
    """

    needle: Needle | None
    angle_deg: int
    basis: str
    reasons: tuple[str, ...]
    others: tuple[tuple[Needle, str], ...]
    seconds: int | None
    force_n: float | None
    findings: tuple[Finding, ...]
    technique: tuple[str, ...]


def choose_needle(
    *,
    route: str,
    site: str,
    age: Age | None,
    sex: str,
    weight_kg: Fraction | None,
    bmi: Fraction | None,
    measured_mm: Fraction | None,
    drawer: tuple[Needle, ...],
    table: NeedleTable,
    least_gauge: int | None,
    viscosity_mpa_s: Fraction | None,
    ml_per_second: Fraction,
    barrel_bore_mm: Fraction | None,
    bleeding: bool,
    fixed: Needle | None,
    chosen: Needle | None,
    notation: Notation,
    volume_ml: Fraction,
    larger_arm: bool = False,
    born_at_weeks: int | None = None,
    bleeding_gauge: int = 23,
) -> NeedleChoice:
    """The needle for one injection of this volume (mL) at this site, its angle, time and push.

    `measured_mm` is the distance from skin to muscle at this site, measured by ultrasound; it beats the table.
    `least_gauge` is the label's limit: the bore may be no narrower, so a gauge number at most this. With a bleeding
    risk the needle is no wider than `bleeding_gauge`. A `fixed` needle is a given, and a `chosen` one stays: the answer
    is then the angle, the technique and what speaks against it.
    """
    into_muscle = route == "intramuscular"
    body = Body(age=age, sex=sex, weight_kg=weight_kg, bmi=bmi, born_at_weeks=born_at_weeks, larger_arm=larger_arm)
    row, missing = row_for(table, route, site, body)
    ask = _Ask(
        into_muscle=into_muscle,
        row=row,
        measured=measured_mm if into_muscle else None,
        least_gauge=least_gauge,
        widest_gauge=bleeding_gauge if bleeding else None,
        finer=bleeding or volume_ml <= 1,
        flow=Flow(viscosity_mpa_s=viscosity_mpa_s, ml_per_second=ml_per_second, barrel_bore_mm=barrel_bore_mm)
        if viscosity_mpa_s is not None and barrel_bore_mm is not None
        else None,
    )
    proposed, others = _from_drawer(drawer, ask, table)
    given = fixed if fixed is not None else chosen
    needle = given if given is not None else proposed
    if given is not None:
        others = () if fixed is not None else tuple(other for other in others if other[0] != given)
    angle = _angle(route, needle, row, body)
    force = push_newtons(needle, ask.flow, table.bores) if needle is not None and ask.flow is not None else None
    findings: list[Finding] = []
    if needle is None:
        findings.append(_none_fits(ask, table, site))
    elif given is not None:
        findings += _against(needle, ask, proposed, is_fixed=fixed is not None)
    else:
        findings += _about_proposed(needle, ask)
    near_bone = False
    if needle is not None:
        if force is not None and ask.flow is not None:
            findings += _push(needle, force, ask.flow, table.bores)
        bone = _bone(needle, site, age, table) if into_muscle else None
        if bone is not None:
            near_bone = True
            findings.append(bone)
    if missing and ask.measured is None and fixed is None:
        findings.append(finding("needle-by-guideline", table=row.issued_by if row else table.title, missing=missing))
    return NeedleChoice(
        needle=needle,
        angle_deg=angle,
        basis="guideline" if ask.measured is None else "measured",
        reasons=_reasons(ask, needle),
        others=others,
        seconds=-(-volume_ml // ml_per_second) if ml_per_second else None,
        force_n=force,
        findings=tuple(findings),
        technique=_skin(into_muscle, angle, _lifts_a_fold(needle, body), near_bone),
    )


# Which needle of the drawer.


@dataclass(frozen=True, slots=True, kw_only=True)
class Flow:
    """A liquid pressed through a needle: viscosity in mPa.s, rate in mL/s, inner diameter of the barrel in mm."""

    viscosity_mpa_s: Fraction
    ml_per_second: Fraction
    barrel_bore_mm: Fraction


@dataclass(frozen=True, slots=True, kw_only=True)
class _Ask:
    """What is asked of a needle. `measured`: mm to the muscle; `finer`: 25 G is preferred to 23 G."""

    into_muscle: bool
    row: NeedleRow | None
    measured: Fraction | None
    least_gauge: int | None
    widest_gauge: int | None
    finer: bool
    flow: Flow | None


@lru_cache(maxsize=4096)
def _from_drawer(
    drawer: tuple[Needle, ...], ask: _Ask, table: NeedleTable
) -> tuple[Needle | None, tuple[tuple[Needle, str], ...]]:
    """The needle that suits best, and of every other why not."""
    refused: list[tuple[Needle, str]] = []
    ranked: list[tuple[tuple[Fraction | int, ...], Needle]] = []
    for needle in dict.fromkeys(drawer):
        fault = _length_fault(needle, ask) or _label_fault(needle, ask)
        if fault:
            refused.append((needle, fault))
        else:
            ranked.append((_rank(needle, ask, table.bores), needle))
    if not ranked:
        return None, tuple(refused)
    ranked.sort(key=lambda one: one[0])
    best = ranked[0][1]
    return best, (*((needle, _why_second(needle, best, ask, table.bores)) for _, needle in ranked[1:]), *refused)


def _length_fault(needle: Needle, ask: _Ask) -> str:
    """Why this length ends in another layer; "" where it does not. Under the skin a shorter one is no fault."""
    if ask.measured is not None:
        return _short_of_muscle(needle, ask.measured)
    if ask.row is None:
        return "the guideline says nothing about this site at this age"
    low, high = ask.row.shortest_mm, ask.row.longest_mm
    if needle.length_mm > high + LENGTH_SLACK_MM:
        return f"longer than {_mm(high)}"
    if needle.length_mm < low - LENGTH_SLACK_MM and ask.into_muscle:
        return f"shorter than {_mm(low)}{', not likely to reach the muscle' if ask.row.beyond else ''}"
    return ""


def _short_of_muscle(needle: Needle, measured: Fraction) -> str:
    into = needle.length_mm - measured
    if into < 0:
        return f"{_mm(-into)} short of the fascia"
    return f"only {_mm(into)} into the muscle" if into < MARGIN_MM else ""


def _label_fault(needle: Needle, ask: _Ask) -> str:
    """A gauge number over the label's is a narrower bore."""
    if ask.least_gauge is not None and needle.gauge > ask.least_gauge:
        return f"narrower than {ask.least_gauge} G, which the label asks for at least"
    return ""


def _gauge_fault(needle: Needle, ask: _Ask) -> str:
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


def _rank(needle: Needle, ask: _Ask, bores: tuple[Bore, ...]) -> tuple[Fraction | int, ...]:
    """Least first: push over the limit, the length taken first, a gauge outside, a hard push, the gauge taken first.

    The layer is decided by the length, so it counts before the gauge. The gauge taken first is common practice, no
    source: 25 G for 1 mL or less or with a bleeding risk, else 23 G.
    """
    force = push_newtons(needle, ask.flow, bores) if ask.flow is not None else None
    over = int(force is not None and force > MOST_N)
    hard = int(force is not None and force > EASY_N)
    outside = 1 if _gauge_fault(needle, ask) else 0
    if ask.measured is not None:
        length = needle.length_mm
    elif ask.row is not None:
        length = abs(needle.length_mm - (ask.row.prefer_mm or ask.row.longest_mm))
    else:
        length = needle.length_mm
    return over, length, outside, hard, abs(needle.gauge - (25 if ask.finer else 23)), needle.gauge


def _why_second(needle: Needle, best: Needle, ask: _Ask, bores: tuple[Bore, ...]) -> str:
    """Why a needle that would do is not taken first."""
    fault = _gauge_fault(needle, ask)
    if fault:
        return fault
    if ask.flow is not None:
        force = push_newtons(needle, ask.flow, bores)
        if force is not None and force > EASY_N:
            return f"about {force:.0f} N of push"
    if needle.length_mm != best.length_mm:
        return f"would do, but {_mm(best.length_mm)} is taken first here"
    return f"would do, but {best.gauge} G is taken first for this volume"


# What must be said about the needle.


def needle_words(needle: Needle) -> str:
    """A needle for a person: "23 G 25 mm"."""
    return f"{needle.gauge} G {_mm(needle.length_mm)}"


@lru_cache(maxsize=1024)
def _mm(length: Fraction) -> str:
    return f"{decimal_text(length) or f'{length.numerator}/{length.denominator}'} mm"


def _wanted(ask: _Ask) -> str:
    """What to fetch: length and gauges."""
    if ask.measured is not None:
        length = f"at least {_mm(ask.measured + MARGIN_MM)}"
    elif ask.row is None:
        length = "a length that suits this site"
    else:
        low, high = ask.row.shortest_mm, ask.row.prefer_mm or ask.row.longest_mm
        length = _mm(high) if ask.row.prefer_mm or low == high else f"{_mm(low)} to {_mm(high)}"
    if ask.least_gauge is not None:
        return f"a needle of {length}, {ask.least_gauge} G or wider"
    if ask.row is None:
        return f"a needle of {length}"
    widest = max(ask.row.widest_gauge, ask.widest_gauge or 0)
    return f"a needle of {length}, {widest} to {ask.row.finest_gauge} G"


def _none_fits(ask: _Ask, table: NeedleTable, site: str) -> Finding:
    if ask.measured is not None:
        reason = f"skin to muscle was measured as {_mm(ask.measured)}, and {_mm(MARGIN_MM)} into it are needed"
    elif ask.row is None:
        reason = f"{table.title} says nothing about {site} at this age"
    else:
        reason = f"{site}, {ask.row.body}: {_mm(ask.row.prefer_mm or ask.row.longest_mm)} is needed"
    return finding("needle-none-fits", reason=reason, wanted=_wanted(ask))


def _about_proposed(needle: Needle, ask: _Ask) -> list[Finding]:
    found = []
    if ask.row is not None and ask.row.beyond and ask.measured is None:
        missing = f"{ask.row.body} are over the cut-off for a 37.5 mm needle, and no length was published for them"
        found.append(
            finding("needle-beyond-evidence", source=ask.row.source, needle=needle_words(needle), missing=missing)
        )
    fault = _gauge_fault(needle, ask)
    if fault:
        found.append(_outside(needle, fault, _wanted(ask), ask))
    return found


def _against(needle: Needle, ask: _Ask, proposed: Needle | None, *, is_fixed: bool) -> list[Finding]:
    """What speaks against a needle that is a given or was chosen by hand."""
    wanted = needle_words(proposed) if proposed is not None else _wanted(ask)
    words = needle_words(needle)
    length = _length_fault(needle, ask)
    label = _label_fault(needle, ask)
    faults = [label] if label and not is_fixed else []
    if length and ask.measured is not None:
        return [
            finding(
                "needle-falls-short",
                needle=words,
                short=length,
                margin=_mm(MARGIN_MM),
                distance=_mm(ask.measured),
                wanted=wanted,
            )
        ]
    found = []
    if length and ask.row is not None and ask.row.beyond and length.startswith("shorter"):
        reason = f"{ask.row.body} are over the published cut-off for 37.5 mm"
        found.append(finding("needle-likely-short", source=ask.row.source, needle=words, reason=reason, wanted=wanted))
    elif length and ask.row is not None and not is_fixed:
        faults.insert(0, length)
    gauge = "" if is_fixed else _gauge_fault(needle, ask)
    if gauge and not label:
        faults.append(gauge)
    if faults:
        found.append(_outside(needle, " and ".join(faults), wanted, ask))
    return found


def _outside(needle: Needle, reason: str, wanted: str, ask: _Ask) -> Finding:
    source = ask.row.source if ask.row is not None else ""
    return finding("needle-outside-guideline", source=source, needle=needle_words(needle), reason=reason, wanted=wanted)


def _push(needle: Needle, force: float, flow: Flow, bores: tuple[Bore, ...]) -> list[Finding]:
    if force <= EASY_N:
        return []
    code, limit = ("push-force-over", MOST_N) if force > MOST_N else ("push-force-hard", EASY_N)
    easy = [
        bore.gauge
        for bore in bores
        if (push_newtons(replace(needle, gauge=bore.gauge), flow, bores) or force) <= EASY_N
    ]
    wanted = f"a needle of {max(easy)} G or wider" if easy else "another pack or a slower push"
    return [
        finding(
            code,
            force=f"{force:.0f} N plus friction",
            needle=needle_words(needle),
            limit=f"{limit} N",
            wanted=wanted,
        )
    ]


@lru_cache(maxsize=1024)
def _bone(needle: Needle, site: str, age: Age | None, table: NeedleTable) -> Finding | None:
    """That the tip may touch bone, where skin to bone is published; None where it is not or is not likely."""
    row = bone_row(table, site, age)
    if row is None:
        return None
    if row.sd_mm is None:
        if needle.length_mm < row.mean_mm:
            return None
        return finding("bone-possible-infant", source=row.source, needle=needle_words(needle), mean=_mm(row.mean_mm))
    full = share_at_bone(needle.length_mm, row)
    shown = share_at_bone(needle.length_mm - SHOWING_MM, row)
    # Below one in ten the note would be read past.
    if full * 10 < 1:
        return None
    return finding("bone-possible", full=f"{full * 100:.0f}", shown=f"{shown * 100:.0f}")


# Angle, skin and reasons.

_THIN_BMI = Fraction("18.5")
_SHORT_MM = Fraction(8)
_ADULT_MONTHS = 18 * 12


def _is_slight(body: Body) -> bool:
    """A child, or an adult known to be thin."""
    return (body.age is not None and body.age.months < _ADULT_MONTHS) or (body.bmi is not None and body.bmi < _THIN_BMI)


def _angle(route: str, needle: Needle | None, row: NeedleRow | None, body: Body) -> int:
    """Into muscle by the row. Under the skin by length and body.

    Up to 8 mm straight; about 12 mm straight into a lifted fold, 45 degrees in a child or a thin adult (Open RN,
    Nursing Skills, chapter 18.5); from 16 mm as the row says.
    """
    angle = row.angle_deg if row is not None else 90
    if route == "intramuscular" or needle is None or needle.length_mm >= 16 - LENGTH_SLACK_MM:
        return angle
    return 90 if needle.length_mm <= _SHORT_MM or not _is_slight(body) else 45


def _lifts_a_fold(needle: Needle | None, body: Body) -> bool:
    return needle is None or needle.length_mm > _SHORT_MM or _is_slight(body)


@lru_cache(maxsize=64)
def _skin(into_muscle: bool, angle: int, lifts_a_fold: bool, near_bone: bool) -> tuple[str, ...]:
    """How to handle the skin with this needle."""
    if into_muscle:
        depth = "leave 3 mm of it showing" if near_bone else "all the way"
        return ("Stretch the skin flat.", f"Put the needle in at {angle} degrees, {depth}.")
    needle_in = f"Put the needle in at {angle} degrees, all the way."
    if lifts_a_fold:
        return ("Lift a fold of skin, and keep it lifted until the needle is out.", needle_in)
    return (needle_in,)


def _reasons(ask: _Ask, needle: Needle | None) -> tuple[str, ...]:
    if ask.measured is not None:
        if needle is None:
            return (f"skin to muscle measured as {_mm(ask.measured)}",)
        into = needle.length_mm - ask.measured
        reached = f"{_mm(into)} into it" if into >= 0 else f"{_mm(-into)} short of it"
        return (f"skin to muscle measured as {_mm(ask.measured)}: {_mm(needle.length_mm)} is {reached}",)
    return _row_reasons(ask.row) if ask.row is not None else ()


@lru_cache(maxsize=256)
def _row_reasons(row: NeedleRow) -> tuple[str, ...]:
    low, high = row.shortest_mm, row.longest_mm
    length = _mm(low) if low == high else f"{_mm(low)} to {_mm(high)}"
    says = f"{row.issued_by}: {row.body}, {length}, {row.widest_gauge} to {row.finest_gauge} G"
    return tuple(text for text in (says, row.note, row.source) if text)


# The flow part: these may use floats, because a pressure and a chance are no amounts.


def pressure_pa(viscosity_mpa_s: Fraction, ml_per_second: Fraction, length_mm: Fraction, bore_mm: Fraction) -> float:
    """The pressure in Pa that drives a liquid through a needle: 128 x viscosity x length x flow / (pi x bore^4).

    Hagen-Poiseuille; that it holds in needles: Pharm Res 2018;35:120.
    """
    # mPa.s x mm x mL/s over mm^4 is 10^-3 x 10^-3 x 10^-6 over 10^-12, so the factors cancel but for 128 and pi.
    return float(128 * viscosity_mpa_s * length_mm * ml_per_second / bore_mm**4) / math.pi


def push_newtons(needle: Needle, flow: Flow, bores: tuple[Bore, ...]) -> float | None:
    """The push in N on the plunger that the liquid alone needs; friction comes on top. None for an unknown gauge."""
    bore = next((row.inner_mm for row in bores if row.gauge == needle.gauge), None)
    if bore is None:
        return None
    pressure = pressure_pa(flow.viscosity_mpa_s, flow.ml_per_second, needle.length_mm, bore)
    return pressure * math.pi / 4 * float(flow.barrel_bore_mm**2) / 1_000_000


def share_at_bone(depth_mm: Fraction, row: BoneRow) -> float:
    """The share of people whose bone lies at this depth in mm or nearer, taken as normally distributed."""
    if row.sd_mm is None:
        raise ValueError(f"no spread was published for {row.people}: only the mean can be told")
    return 0.5 * math.erfc(-float((depth_mm - row.mean_mm) / row.sd_mm) / math.sqrt(2))


def tip_depth_mm(length_mm: Fraction, angle_deg: int) -> float:
    """How deep below the skin in mm the tip of a needle put in all the way at this angle lies."""
    return float(length_mm) * math.sin(math.radians(angle_deg))
