"""With what: gauge, length, angle and fold, by guideline, by the figures for this body, or by a measured depth.

Lengths are in mm, angles in degrees, viscosity in mPa.s, rates in mL/s, forces in N. The guideline proposes; the
figures may take a longer needle or warn. What lies beyond both is proposed with a question, never passed over.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from fractions import Fraction
from functools import lru_cache

from drawup.injection.finding import Finding, finding, worst_first
from drawup.injection.flow import EASY_N, MOST_N, Flow, Push, Resistance, push_band, push_newtons, push_of
from drawup.injection.guideline import Body, BoneRow, Bore, NeedleRow, NeedleTable, bone_row, counts_for, row_for
from drawup.injection.notation import Notation, decimal_text
from drawup.injection.patient import Age
from drawup.injection.policy import Needle
from drawup.injection.reach import Aim, Reached, Way, best_way, length_that_would, of_100, reached
from drawup.injection.tissue import (
    Distance,
    NoDistance,
    TissueTable,
    body_mass_unlikely,
    distance_at,
    phi,
    tip_depth_mm,
)

__all__ = [
    "MARGIN_MM",
    "SHOWING_MM",
    "Body",
    "BoneRow",
    "Bore",
    "Checked",
    "DrawingUp",
    "NeedleChoice",
    "NeedleRow",
    "NeedleTable",
    "check_needle",
    "choose_needle",
    "drawing_up_needle",
    "needle_words",
    "row_for",
    "share_at_bone",
]

# The only names in this module that may hold a binary float: a chance is no amount.
FLOAT_FUNCTIONS = ("share_at_bone",)

MARGIN_MM = Fraction(5)
"""The tip counts as in muscle from here past the fascia (Poland GA et al., JAMA 1997;277:1709-11)."""
SHOWING_MM = Fraction(3)
"""What is left showing where bone is near: 2 to 3 mm in the same study."""
LENGTH_SLACK_MM = Fraction(1)
"""A needle sold in inches counts as the nearest length in mm (25.4 as 25, 37.5 as 38)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NeedleChoice:
    """The needle for one injection with its angle, and why; `others` says of each other needle why not.

    `way` holds angle, fold and what stays outside; `reach` what the needle reaches that way, None where the figures end
    before this body (`no_chance` says where). `seconds`: how long to take over the push. `push`: None where the
    viscosity is not known. `technique`: how to handle the skin with this needle.
    """

    needle: Needle | None
    way: Way
    basis: str
    reasons: tuple[str, ...]
    others: tuple[tuple[Needle, str], ...]
    seconds: int | None
    push: Push | None
    findings: tuple[Finding, ...]
    technique: tuple[str, ...]
    distance: Distance | None = None
    reach: Reached | None = None
    no_chance: str = ""
    others_reach: tuple[Reached | None, ...] = ()

    @property
    def angle_deg(self) -> int:
        """The angle in degrees."""
        return self.way.angle_deg

    @property
    def force_n(self) -> float | None:
        """The push in N that the liquid alone needs."""
        return None if self.push is None else self.push.liquid_n


@dataclass(frozen=True, slots=True, kw_only=True)
class DrawingUp:
    """The needle to draw up with, apart from the one that goes in: its kind, its gauge, whether it is changed, why."""

    kind: str
    gauge: int
    change: bool
    because: str


def drawing_up_needle(*, label_filter: bool, from_ampoule: bool, oily: bool, gauge: int, change: bool) -> DrawingUp:
    """A filter needle where glass and oil, or the label, ask for one, else a wide blunt one; the change by policy."""
    if label_filter or (from_ampoule and oily):
        because = "an oily liquid from a glass ampoule, or the label, asks for a filter; it never goes into a patient"
        return DrawingUp(kind="filter", gauge=gauge, change=True, because=because)
    because = "wide draws up fast, blunt does not prick the hand; changed, the injection needle stays sharp and dry"
    return DrawingUp(kind="blunt", gauge=gauge, change=change, because=because)


def choose_needle(
    *,
    route: str,
    site: str,
    body: Body,
    measured_mm: Fraction | None,
    drawer: tuple[Needle, ...],
    table: NeedleTable,
    tissue: TissueTable,
    resistance: Resistance,
    aim: Aim,
    least_gauge: int | None,
    viscosity_mpa_s: Fraction | None,
    ml_per_second: Fraction,
    barrel_bore_mm: Fraction | None,
    bleeding: bool,
    fixed: Needle | None,
    chosen: Needle | None,
    notation: Notation,
    volume_ml: Fraction,
    bleeding_gauge: int = 23,
) -> NeedleChoice:
    """The needle for one injection of this volume (mL) at this site, its angle, fold, time and push.

    `measured_mm` is the distance from skin to muscle at this site, measured by ultrasound; it beats table and model.
    `least_gauge` is the label's limit: the bore may be no narrower, so a gauge number at most this. With a bleeding
    risk the needle is no wider than `bleeding_gauge`. A `fixed` needle is a given, and a `chosen` one stays: the answer
    is then the angle, the technique and what speaks against it. The guideline proposes; the model may take a longer
    needle or warn, and never a shorter one into muscle.
    """
    row, missing = row_for(table, route, site, body)
    ask = _Ask(
        into_muscle=aim.into_muscle,
        row=row,
        measured=measured_mm if aim.into_muscle else None,
        least_gauge=least_gauge,
        widest_gauge=bleeding_gauge if bleeding else None,
        finer=bleeding or volume_ml <= 1,
        flow=Flow(viscosity_mpa_s=viscosity_mpa_s, ml_per_second=ml_per_second, barrel_bore_mm=barrel_bore_mm)
        if viscosity_mpa_s is not None and barrel_bore_mm is not None
        else None,
    )
    proposed, others = _from_drawer(drawer, ask, table)
    distance = distance_at(tissue, site, body, measured_mm)
    known = distance if isinstance(distance, Distance) else None
    findings: list[Finding] = []
    if known is not None and proposed is not None and _model_decides(known, body):
        better = _by_chance(drawer, proposed, ask, known, body, aim, table)
        if better is not None:
            findings += _longer(better, proposed, known, aim, ask)
            others = _swapped(others, proposed, better)
            proposed = better
    given = fixed if fixed is not None else chosen
    needle = given if given is not None else proposed
    if given is not None:
        findings = []
        others = () if fixed is not None else tuple(other for other in others if other[0] != given)
    if needle is None:
        findings.append(_none_fits(ask, table, site))
    elif given is not None:
        findings += _against(needle, ask, proposed, is_fixed=fixed is not None)
    elif not findings:
        findings += _about_proposed(needle, ask)
    push = None
    bone = None
    if needle is not None:
        if ask.flow is not None:
            push = push_of(needle, ask.flow, table.bores, resistance, into_muscle=aim.into_muscle)
            if push is not None:
                findings += _push(needle, push, ask.flow, table.bores)
        bone = _bone(needle, site, body.age, body.bmi, table) if aim.into_muscle else None
        if bone is not None:
            findings.append(bone)
    ways = _ways(route, needle, row, body, near_bone=bone is not None)
    reach = None
    if known is not None and needle is not None:
        reach = best_way(known, needle, ways, aim)
        if reach.score < aim.least:
            findings += _too_unlikely(
                needle, reach, known, aim, decides=fixed is None and _model_decides(known, body), ask=ask
            )
    way = reach.way if reach is not None else ways[0]
    if missing and ask.measured is None and fixed is None:
        findings.append(finding("needle-by-guideline", table=row.issued_by if row else table.title, missing=missing))
    if body_mass_unlikely(body.bmi):
        findings.append(_unlikely(body))
    others, others_reach = _others_weighed(others, known, ways[0], aim)
    return NeedleChoice(
        needle=needle,
        way=way,
        basis=_basis(known),
        reasons=_reasons(ask, needle),
        others=others,
        seconds=-(-volume_ml // ml_per_second) if ml_per_second else None,
        push=push,
        findings=tuple(findings),
        technique=_skin(aim.into_muscle, way, _lifts_a_fold(needle, body) if reach is None else way.lifted),
        distance=known,
        reach=reach,
        no_chance=distance.missing if isinstance(distance, NoDistance) else "",
        others_reach=others_reach,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Checked:
    """What one needle reaches one way in one body, on what that rests, and what must be said of it."""

    distance: Distance | None
    reach: Reached | None
    basis: str
    no_chance: str
    findings: tuple[Finding, ...]


def check_needle(
    *,
    needle: Needle,
    way: Way,
    site: str,
    body: Body,
    measured_mm: Fraction | None,
    aim: Aim,
    table: NeedleTable,
    tissue: TissueTable,
) -> Checked:
    """One needle put in one way: the chance of each layer where the figures allow one, else the guideline's word."""
    route = "intramuscular" if aim.into_muscle else "subcutaneous"
    row, missing = row_for(table, route, site, body)
    ask = _Ask(
        into_muscle=aim.into_muscle,
        row=row,
        measured=measured_mm if aim.into_muscle else None,
        least_gauge=None,
        widest_gauge=None,
        finer=True,
        flow=None,
    )
    # A measured distance is met, or not, by what is inside and how deep that is, so that nothing is lost by the slant.
    depth = Fraction(tip_depth_mm(needle.length_mm, way.angle_deg, way.outside_mm)).limit_denominator(100)
    inside = replace(needle, length_mm=depth) if ask.measured is not None else needle
    findings = _against(inside, ask, None, is_fixed=False)
    if aim.into_muscle:
        bone = _bone(replace(needle, length_mm=depth), site, body.age, body.bmi, table)
        findings += [bone] if bone is not None else []
    found = distance_at(tissue, site, body, measured_mm)
    distance = found if isinstance(found, Distance) else None
    reach = None
    if isinstance(found, NoDistance):
        findings.append(finding("layer-by-guideline", missing=found.missing, table=row.issued_by if row else "none"))
    else:
        reach = reached(found, needle, way, aim)
        if found.unknown:
            findings.append(finding("layer-body-unknown", unknown=" and ".join(found.unknown)))
        if way.lifted and found.fold_times is None:
            findings.append(finding("fold-not-measured", site=site))
        elif way.lifted:
            findings.append(finding("fold-by-children", site=site, times=f"{found.fold_times:.2f}"))
        if reach.score < aim.least:
            findings += _too_unlikely(needle, reach, found, aim, decides=_model_decides(found, body), ask=ask)
    if missing and distance is None:
        findings.append(finding("needle-by-guideline", table=row.issued_by if row else table.title, missing=missing))
    if body_mass_unlikely(body.bmi):
        findings.append(_unlikely(body))
    return Checked(
        distance=distance,
        reach=reach,
        basis=_basis(distance),
        no_chance=found.missing if isinstance(found, NoDistance) else "",
        findings=worst_first(findings),
    )


def _basis(distance: Distance | None) -> str:
    if distance is None:
        return "guideline"
    return "model" if distance.measured_mm is None else "measured"


# Which needle of the drawer.


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


def _push(needle: Needle, push: Push, flow: Flow, bores: tuple[Bore, ...]) -> list[Finding]:
    """Easy, hard or over the limit, on the whole push; the way out looks at the liquid, which the bore decides."""
    beside = push.total_n - push.liquid_n
    words = f"{push.liquid_n:.0f} N for the liquid, {push.total_n:.0f} N with friction"
    band = push_band(push.total_n)
    if band == "note":
        return [finding("push-force-easy", force=words, needle=needle_words(needle), limit=f"{EASY_N} N")]
    code, limit = ("push-force-over", MOST_N) if band == "stop" else ("push-force-hard", EASY_N)
    easy = [
        bore.gauge
        for bore in bores
        if (push_newtons(replace(needle, gauge=bore.gauge), flow, bores) or push.liquid_n) + beside <= EASY_N
    ]
    wanted = f"a needle of {max(easy)} G or wider" if easy else "another pack or a slower push"
    return [finding(code, force=words, needle=needle_words(needle), limit=f"{limit} N", wanted=wanted)]


@lru_cache(maxsize=1024)
def _bone(needle: Needle, site: str, age: Age | None, bmi: Fraction | None, table: NeedleTable) -> Finding | None:
    """That the tip may touch bone, where skin to bone is published; None where it is not or is not likely."""
    row = bone_row(table, site, age)
    if row is None or not counts_for(row, bmi):
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


# Which layer, by the figures measured in people.

_LONGER_WIDEST = 21
"""The widest gauge of a needle longer than the guideline's: as in the rows for very large adults."""


def _model_decides(distance: Distance, body: Body) -> bool:
    """Whether the figures may change which needle is taken: well supported, and this body fully known."""
    return distance.status == "supported" and not distance.unknown and not body_mass_unlikely(body.bmi)


def _by_chance(
    drawer: tuple[Needle, ...],
    proposed: Needle,
    ask: _Ask,
    distance: Distance,
    body: Body,
    aim: Aim,
    table: NeedleTable,
) -> Needle | None:
    """Another needle of the drawer, where the guideline's is not good enough in this body and the other is.

    Into muscle only a longer one. Under the skin a shorter one where the medicine says that too deep is worse: for
    those 4 to 6 mm are the first choice of the experts (Frid AH et al., Mayo Clin Proc 2016;91(9):1231-55).
    """
    if not ask.into_muscle and aim.worse != "too deep":
        return None
    route = "intramuscular" if ask.into_muscle else "subcutaneous"

    def reach(needle: Needle) -> Reached:
        return best_way(distance, needle, _ways(route, needle, ask.row, body, near_bone=False), aim)

    if reach(proposed).score >= aim.least:
        return None
    good = []
    for needle in dict.fromkeys(drawer):
        away = needle.length_mm - proposed.length_mm
        if away == 0 or (away < 0) == ask.into_muscle or _label_fault(needle, ask) or _too_wide(needle, ask):
            continue
        force = push_newtons(needle, ask.flow, table.bores) if ask.flow is not None else None
        if (force is None or force <= MOST_N) and reach(needle).score >= aim.least:
            good.append(((abs(away), abs(needle.gauge - (25 if ask.finer else 23)), needle.gauge), needle))
    return min(good, key=lambda one: one[0])[1] if good else None


def _too_wide(needle: Needle, ask: _Ask) -> bool:
    return needle.gauge < (ask.widest_gauge or _LONGER_WIDEST)


def _longer(better: Needle, proposed: Needle, distance: Distance, aim: Aim, ask: _Ask) -> list[Finding]:
    """That the figures, and not the guideline, chose this length."""
    way = Way(angle_deg=90)
    old, new = reached(distance, proposed, way, aim), reached(distance, better, way, aim)
    in_range = ask.row is not None and better.length_mm <= ask.row.longest_mm + LENGTH_SLACK_MM
    if in_range:
        return _about_proposed(better, ask)
    code = "needle-longer-by-figures" if aim.into_muscle else "needle-shorter-by-figures"
    return [
        finding(
            code,
            needle=needle_words(better),
            guideline=_mm(proposed.length_mm),
            old=of_100(_missed(old, aim)),
            new=of_100(_missed(new, aim)),
        )
    ]


def _missed(reach: Reached, aim: Aim) -> float:
    """The chance of the miss that the length decides: too shallow into muscle, too deep under the skin."""
    return reach.chance.too_shallow if aim.into_muscle else (reach.chance.too_deep or 0)


def _swapped(
    others: tuple[tuple[Needle, str], ...], proposed: Needle, better: Needle
) -> tuple[tuple[Needle, str], ...]:
    """The guideline's needle joins the others where the figures chose another."""
    first = (proposed, "the guideline's length, less likely to end in the right layer")
    return (first, *(other for other in others if other[0] != better))


def _too_unlikely(
    needle: Needle, reach: Reached, distance: Distance, aim: Aim, *, decides: bool, ask: _Ask
) -> list[Finding]:
    """A chance below the one asked for, and the length that would do; nothing where a measurement says it already."""
    if distance.measured_mm is not None and ask.into_muscle:
        return []
    asks = decides and (aim.into_muscle or aim.worse == "too deep")
    straight = Way(angle_deg=90, outside_mm=reach.way.outside_mm)
    length = length_that_would(distance, straight, aim)
    if aim.into_muscle:
        wrong, wanted = "short of the muscle", f"a needle of {length} mm or the next longer one"
    else:
        wrong, wanted = "in the muscle", f"a needle of {length} mm or less, straight in"
    missed = _missed(reach, aim)
    # Of a body that is not known the width of the answer says nothing against the guideline's length into muscle.
    if missed * 100 < 1 or (aim.into_muscle and distance.unknown):
        return []
    as_a_whole = distance.unknown or distance.status == "distribution only"
    whom = "adults, this body not told apart" if as_a_whole else "bodies like this one"
    return [
        finding(
            "layer-chance-low" if asks else "layer-chance-note",
            needle=needle_words(needle),
            wrong=wrong,
            share=of_100(missed),
            whom=whom,
            wanted=wanted,
            source=distance.sources[0],
        )
    ]


def _others_weighed(
    others: tuple[tuple[Needle, str], ...], distance: Distance | None, way: Way, aim: Aim
) -> tuple[tuple[tuple[Needle, str], ...], tuple[Reached | None, ...]]:
    """The other needles with what each reaches, the likelier to end in the right layer first."""
    if distance is None:
        return others, (None,) * len(others)
    weighed = [(reached(distance, one[0], way, aim), one) for one in others]
    weighed.sort(key=lambda both: -both[0].score)
    return tuple(one for _, one in weighed), tuple(reach for reach, _ in weighed)


def _unlikely(body: Body) -> Finding:
    bmi = body.bmi
    assert bmi is not None
    return finding("body-mass-unlikely", bmi=f"{bmi.numerator // bmi.denominator}")


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


def _ways(route: str, needle: Needle | None, row: NeedleRow | None, body: Body, *, near_bone: bool) -> tuple[Way, ...]:
    """The ways this needle may go in: the guideline's own first, then from the most comfortable on."""
    angle = _angle(route, needle, row, body)
    if route == "intramuscular":
        return (Way(angle_deg=angle, outside_mm=SHOWING_MM if near_bone else Fraction(0)),)
    return _skin_ways(angle, _lifts_a_fold(needle, body))


@lru_cache(maxsize=16)
def _skin_ways(angle: int, lifted: bool) -> tuple[Way, ...]:
    first = Way(angle_deg=angle, lifted=lifted)
    # A fold that is lifted anyway is no discomfort; a slanted needle goes through more skin.
    more = (Way(angle_deg=90), Way(angle_deg=90, lifted=True), Way(angle_deg=45), Way(angle_deg=45, lifted=True))
    return (first, *(way for way in more if way != first))


@lru_cache(maxsize=64)
def _skin(into_muscle: bool, way: Way, lifts_a_fold: bool) -> tuple[str, ...]:
    """How to handle the skin with this needle."""
    if into_muscle:
        depth = f"leave {_mm(way.outside_mm)} of it showing" if way.outside_mm else "all the way"
        return ("Stretch the skin flat.", f"Put the needle in at {way.angle_deg} degrees, {depth}.")
    needle_in = f"Put the needle in at {way.angle_deg} degrees, all the way."
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


# The chance part: this may use a float, because a chance is no amount.


def share_at_bone(depth_mm: Fraction, row: BoneRow) -> float:
    """The share of people whose bone lies at this depth in mm or nearer, taken as normally distributed."""
    if row.sd_mm is None:
        raise ValueError(f"no spread was published for {row.people}: only the mean can be told")
    return phi(float((depth_mm - row.mean_mm) / row.sd_mm))
