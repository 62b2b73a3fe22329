"""With what: gauge, length, angle and fold, by guideline, by the figures for this body, or by a measured depth.

Lengths are in mm, angles in degrees, viscosity in mPa.s, rates in mL/s, forces in N. The guideline proposes; the
figures may take a longer needle or warn. What lies beyond both is proposed with a question, never passed over.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from fractions import Fraction
from functools import lru_cache

from drawup.injection.drawer import (
    MARGIN_MM,
    SHOWING_MM,
    Wanted,
    about_proposed,
    against,
    from_drawer,
    mm,
    needle_words,
    none_fits,
    reasons_for,
)
from drawup.injection.finding import Finding, finding, worst_first
from drawup.injection.flow import EASY_N, MOST_N, Flow, Push, Resistance, push_band, push_newtons, push_of
from drawup.injection.guideline import Body, BoneRow, Bore, NeedleRow, NeedleTable, bone_row, counts_for, row_for
from drawup.injection.layer import (
    about_better,
    better_needle,
    figures_decide,
    lifts_a_fold,
    longer_is_right,
    others_weighed,
    suited_sites,
    swapped,
    too_large,
    too_unlikely,
    unlikely_body,
    ways_of,
)
from drawup.injection.notation import Notation
from drawup.injection.patient import Age
from drawup.injection.policy import Needle
from drawup.injection.reach import Aim, Reached, Way, best_way, layer_working, reached
from drawup.injection.tissue import (
    Distance,
    NoDistance,
    TissueTable,
    body_mass_unlikely,
    distance_at,
    hundredths_mm,
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
    "suited_sites",
]

# The only names in this module that may hold a binary float: a chance is no amount.
FLOAT_FUNCTIONS = ("share_at_bone",)


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
    aim: Aim | None = None

    @property
    def layer_working(self) -> tuple[str, ...]:
        """How the chance was come to; nothing where there is none."""
        if self.reach is None or self.distance is None or self.aim is None:
            return ()
        return layer_working(self.distance, self.reach, self.aim)

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
    ask = Wanted(
        into_muscle=aim.into_muscle,
        row=row,
        measured=measured_mm if aim.into_muscle else None,
        least_gauge=least_gauge,
        widest_gauge=bleeding_gauge if bleeding else None,
        finer=bleeding or volume_ml <= 1,
        flow=Flow(viscosity_mpa_s=viscosity_mpa_s, ml_per_second=ml_per_second, barrel_bore_mm=barrel_bore_mm)
        if viscosity_mpa_s is not None and barrel_bore_mm is not None
        else None,
        resistance=resistance,
    )
    proposed, others = from_drawer(drawer, ask, table)
    distance = distance_at(tissue, site, body, measured_mm)
    known = distance if isinstance(distance, Distance) else None
    findings: list[Finding] = []
    if known is not None and proposed is not None and figures_decide(known, body):
        better = better_needle(drawer, proposed, ask, known, body, aim, table)
        if better is not None:
            findings += about_better(better, proposed, ask, known, body, aim)
            others = swapped(others, proposed, better)
            proposed = better
    given = fixed if fixed is not None else chosen
    needle = given if given is not None else proposed
    if given is not None:
        findings = []
        others = () if fixed is not None else tuple(other for other in others if other[0] != given)
    if needle is None:
        findings.append(none_fits(ask, table, site))
    elif given is not None:
        right = longer_is_right(needle, distance, body, ask, aim)
        findings += against(needle, ask, proposed, is_fixed=fixed is not None, longer_is_right=right)
    elif not findings:
        findings += about_proposed(needle, ask)
    push = None
    bone = None
    if needle is not None:
        if ask.flow is not None:
            push = push_of(needle, ask.flow, table.bores, resistance, into_muscle=aim.into_muscle)
            if push is not None:
                findings += _push(needle, push, ask.flow, table.bores)
        bone = _bone(needle, site, body.age, body.bmi, table) if aim.into_muscle else None
    ways = ways_of(needle, row, body, into_muscle=aim.into_muscle, showing_mm=None if bone is None else bone.showing_mm)
    reach = None
    if needle is not None and isinstance(distance, NoDistance):
        findings += too_large(needle, distance, site, body, ask, aim, tissue)
    if known is not None and needle is not None:
        reach = best_way(known, needle, ways, aim)
        if reach.score < aim.least:
            findings += too_unlikely(
                needle,
                reach,
                known,
                aim,
                decides=fixed is None and figures_decide(known, body),
                ask=ask,
                fixed=fixed is not None,
            )
    way = reach.way if reach is not None else ways[0]
    if bone is not None:
        findings.append(_bone_finding(bone, way))
    if missing and ask.measured is None and fixed is None:
        findings.append(finding("needle-by-guideline", table=row.issued_by if row else table.title, missing=missing))
    if body_mass_unlikely(body.bmi):
        findings.append(unlikely_body(body))
    others, others_reach = others_weighed(others, known, body, ask, aim)
    return NeedleChoice(
        needle=needle,
        way=way,
        basis=_basis(known),
        reasons=reasons_for(ask, needle),
        others=others,
        seconds=-(-volume_ml // ml_per_second) if ml_per_second else None,
        push=push,
        findings=tuple(findings),
        technique=_skin(aim.into_muscle, way, lifts_a_fold(needle, body) if reach is None else way.lifted),
        distance=known,
        reach=reach,
        no_chance=distance.missing if isinstance(distance, NoDistance) else "",
        others_reach=others_reach,
        aim=aim,
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
    ask = Wanted(
        into_muscle=aim.into_muscle,
        row=row,
        measured=measured_mm if aim.into_muscle else None,
        least_gauge=None,
        widest_gauge=None,
        finer=True,
        flow=None,
    )
    # A measured distance is met, or not, by what is inside and how deep that is, so that nothing is lost by the slant.
    depth = hundredths_mm(tip_depth_mm(needle.length_mm, way.angle_deg, way.outside_mm))
    # The guideline means a needle put in all the way; 3 mm may show.
    reaching = depth if ask.measured is not None else min(needle.length_mm, depth + SHOWING_MM)
    inside = replace(needle, length_mm=reaching)
    found = distance_at(tissue, site, body, measured_mm)
    right = longer_is_right(needle, found, body, ask, aim)
    findings = against(inside, ask, None, is_fixed=False, longer_is_right=right)
    if aim.into_muscle:
        straight = hundredths_mm(tip_depth_mm(needle.length_mm, way.angle_deg))
        bone = _bone(replace(needle, length_mm=straight), site, body.age, body.bmi, table)
        findings += [_bone_finding(bone, Way(angle_deg=90, outside_mm=SHOWING_MM))] if bone is not None else []
    distance = found if isinstance(found, Distance) else None
    reach = None
    if isinstance(found, NoDistance):
        findings.append(finding("layer-by-guideline", missing=found.missing, table=row.issued_by if row else "none"))
        findings += too_large(needle, found, site, body, ask, aim, tissue)
    else:
        reach = reached(found, needle, way, aim)
        if found.unknown:
            findings.append(finding("layer-body-unknown", unknown=" and ".join(found.unknown)))
        if way.lifted and found.fold_times is None:
            findings.append(finding("fold-not-measured", site=site))
        elif way.lifted:
            findings.append(finding("fold-by-children", site=site, times=f"{found.fold_times:.2f}"))
        if reach.score < aim.least:
            findings += too_unlikely(needle, reach, found, aim, decides=figures_decide(found, body), ask=ask)
    if missing and distance is None:
        findings.append(finding("needle-by-guideline", table=row.issued_by if row else table.title, missing=missing))
    if body_mass_unlikely(body.bmi):
        findings.append(unlikely_body(body))
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


# What must be said of the push and of bone.


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


@dataclass(frozen=True, slots=True, kw_only=True)
class _Bone:
    """That the tip may touch bone: which finding says it with which words, and how much of the needle should show."""

    code: str
    words: tuple[tuple[str, str], ...]
    showing_mm: Fraction


@lru_cache(maxsize=1024)
def _bone(needle: Needle, site: str, age: Age | None, bmi: Fraction | None, table: NeedleTable) -> _Bone | None:
    """Bone near the tip, where skin to bone is published; None where it is not or is not likely."""
    row = bone_row(table, site, age)
    if row is None or not counts_for(row, bmi):
        return None
    if row.sd_mm is None:
        over = needle.length_mm - row.mean_mm
        if over < 0:
            return None
        showing = max(SHOWING_MM, Fraction(-(-over // 1)))
        words = {"needle": needle_words(needle), "over": mm(over), "mean": mm(row.mean_mm), "people": row.people}
        words |= {"showing": mm(showing), "source": row.source}
        return _Bone(code="bone-possible-infant", words=tuple(words.items()), showing_mm=showing)
    full = share_at_bone(needle.length_mm, row)
    shown = share_at_bone(needle.length_mm - SHOWING_MM, row)
    # Below one in ten the note would be read past.
    if full * 10 < 1:
        return None
    words = {"full": f"{full * 100:.0f}", "shown": f"{shown * 100:.0f}"}
    return _Bone(code="bone-possible", words=tuple(words.items()), showing_mm=SHOWING_MM)


def _bone_finding(bone: _Bone, way: Way) -> Finding:
    """What to do about it depends on whether the medicine can spare what would show."""
    do = "Leave 3 mm of the needle showing." if way.outside_mm else "Go in slowly, and draw back a little from bone."
    return finding(bone.code, do=do, **dict(bone.words))


# How to handle the skin.


@lru_cache(maxsize=64)
def _skin(into_muscle: bool, way: Way, lifts_a_fold: bool) -> tuple[str, ...]:
    """How to handle the skin with this needle."""
    if into_muscle:
        depth = f"leave {mm(way.outside_mm)} of it showing" if way.outside_mm else "all the way"
        return ("Stretch the skin flat.", f"Put the needle in at {way.angle_deg} degrees, {depth}.")
    needle_in = f"Put the needle in at {way.angle_deg} degrees, all the way."
    if lifts_a_fold:
        return ("Lift a fold of skin, and keep it lifted until the needle is out.", needle_in)
    return (needle_in,)


# The chance part: this may use a float, because a chance is no amount.


def share_at_bone(depth_mm: Fraction, row: BoneRow) -> float:
    """The share of people whose bone lies at this depth in mm or nearer, taken as normally distributed."""
    if row.sd_mm is None:
        raise ValueError(f"no spread was published for {row.people}: only the mean can be told")
    return phi(float((depth_mm - row.mean_mm) / row.sd_mm))
