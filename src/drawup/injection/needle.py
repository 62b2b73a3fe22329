"""With what: gauge, length, angle and fold, by guideline, by the figures for this body, or by a measured depth.

Lengths are in mm, angles in degrees, viscosity in mPa.s, rates in mL/s, forces in N. The guideline proposes; the
figures may take a longer needle or warn. What lies beyond both is proposed with a question, never passed over.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from fractions import Fraction
from functools import lru_cache

from drawup.injection.drawer import (
    LENGTH_SLACK_MM,
    MARGIN_MM,
    SHOWING_MM,
    Wanted,
    about_proposed,
    against,
    from_drawer,
    label_fault,
    mm,
    needle_words,
    none_fits,
    reasons_for,
)
from drawup.injection.finding import Finding, finding, worst_first
from drawup.injection.flow import EASY_N, MOST_N, Flow, Push, Resistance, push_band, push_newtons, push_of
from drawup.injection.guideline import Body, BoneRow, Bore, NeedleRow, NeedleTable, bone_row, counts_for, row_for
from drawup.injection.notation import Notation
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
    )
    proposed, others = from_drawer(drawer, ask, table)
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
        findings.append(none_fits(ask, table, site))
    elif given is not None:
        findings += against(needle, ask, proposed, is_fixed=fixed is not None)
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
        reasons=reasons_for(ask, needle),
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
    depth = Fraction(tip_depth_mm(needle.length_mm, way.angle_deg, way.outside_mm)).limit_denominator(100)
    inside = replace(needle, length_mm=depth) if ask.measured is not None else needle
    findings = against(inside, ask, None, is_fixed=False)
    if aim.into_muscle:
        straight = Fraction(tip_depth_mm(needle.length_mm, way.angle_deg)).limit_denominator(100)
        bone = _bone(replace(needle, length_mm=straight), site, body.age, body.bmi, table)
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


@lru_cache(maxsize=1024)
def suited_sites(needle: Needle, sites: tuple[str, ...], body: Body, aim: Aim, tissue: TissueTable) -> frozenset[str]:
    """The sites under the skin where this fixed needle ends well in this body, some way or other."""
    suited = set()
    for site in sites:
        distance = distance_at(tissue, site, body) if site in tissue.skins else None
        if isinstance(distance, Distance):
            ways = _ways("subcutaneous", needle, None, body, near_bone=False)
            if best_way(distance, needle, ways, aim).score >= aim.least:
                suited.add(site)
    return frozenset(suited)


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


@lru_cache(maxsize=1024)
def _bone(needle: Needle, site: str, age: Age | None, bmi: Fraction | None, table: NeedleTable) -> Finding | None:
    """That the tip may touch bone, where skin to bone is published; None where it is not or is not likely."""
    row = bone_row(table, site, age)
    if row is None or not counts_for(row, bmi):
        return None
    if row.sd_mm is None:
        if needle.length_mm < row.mean_mm:
            return None
        return finding("bone-possible-infant", source=row.source, needle=needle_words(needle), mean=mm(row.mean_mm))
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
    ask: Wanted,
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
        if away == 0 or (away < 0) == ask.into_muscle or label_fault(needle, ask) or _too_wide(needle, ask):
            continue
        force = push_newtons(needle, ask.flow, table.bores) if ask.flow is not None else None
        if (force is None or force <= MOST_N) and reach(needle).score >= aim.least:
            good.append(((abs(away), abs(needle.gauge - (25 if ask.finer else 23)), needle.gauge), needle))
    return min(good, key=lambda one: one[0])[1] if good else None


def _too_wide(needle: Needle, ask: Wanted) -> bool:
    return needle.gauge < (ask.widest_gauge or _LONGER_WIDEST)


def _longer(better: Needle, proposed: Needle, distance: Distance, aim: Aim, ask: Wanted) -> list[Finding]:
    """That the figures, and not the guideline, chose this length."""
    way = Way(angle_deg=90)
    old, new = reached(distance, proposed, way, aim), reached(distance, better, way, aim)
    in_range = ask.row is not None and better.length_mm <= ask.row.longest_mm + LENGTH_SLACK_MM
    if in_range:
        return about_proposed(better, ask)
    code = "needle-longer-by-figures" if aim.into_muscle else "needle-shorter-by-figures"
    return [
        finding(
            code,
            needle=needle_words(better),
            guideline=mm(proposed.length_mm),
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
    needle: Needle, reach: Reached, distance: Distance, aim: Aim, *, decides: bool, ask: Wanted
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
