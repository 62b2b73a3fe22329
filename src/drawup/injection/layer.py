"""What the figures measured in people say of the needles: another one, a warning, and how each of the rest would do.

The guideline proposes. Into muscle the figures may only lengthen; under the skin they choose angle and fold, and a
shorter needle only where the medicine says that too deep is the worse miss, or where the distance was measured.
"""

from __future__ import annotations

from fractions import Fraction
from functools import lru_cache

from drawup.injection.drawer import (
    LENGTH_SLACK_MM,
    LONGER_WIDEST,
    Wanted,
    about_proposed,
    gauge_fault,
    label_fault,
    mm,
    needle_words,
    whole_push,
)
from drawup.injection.finding import Finding, finding
from drawup.injection.flow import MOST_N
from drawup.injection.guideline import Body, NeedleRow, NeedleTable
from drawup.injection.policy import Needle
from drawup.injection.reach import Aim, Reached, Way, best_way, length_that_would, of_100
from drawup.injection.tissue import Distance, NoDistance, TissueTable, body_mass_unlikely, distance_at

_THIN_BMI = Fraction("18.5")
_SHORT_MM = Fraction(8)
_ADULT_MONTHS = 18 * 12

# The ways a needle may go in.


def ways_of(
    needle: Needle | None,
    row: NeedleRow | None,
    body: Body,
    *,
    into_muscle: bool,
    showing_mm: Fraction | None = None,
) -> tuple[Way, ...]:
    """The ways this needle may go in: the guideline's own first, then from the most comfortable on.

    `showing_mm` stays outside where bone is near; None where it is not.
    """
    angle = _angle(needle, row, body, into_muscle=into_muscle)
    if not into_muscle:
        return _skin_ways(angle, lifts_a_fold(needle, body))
    if showing_mm is None:
        return _muscle_way(angle)
    # Bone is pain: some stays outside where the muscle can spare it, and all goes in where it cannot.
    return Way(angle_deg=angle, outside_mm=showing_mm), Way(angle_deg=angle)


@lru_cache(maxsize=16)
def _muscle_way(angle: int) -> tuple[Way, ...]:
    return (Way(angle_deg=angle),)


@lru_cache(maxsize=16)
def _skin_ways(angle: int, lifted: bool) -> tuple[Way, ...]:
    first = Way(angle_deg=angle, lifted=lifted)
    # A fold that is lifted anyway is no discomfort; a slanted needle goes through more skin.
    more = (Way(angle_deg=90), Way(angle_deg=90, lifted=True), Way(angle_deg=45), Way(angle_deg=45, lifted=True))
    return (first, *(way for way in more if way != first))


def _angle(needle: Needle | None, row: NeedleRow | None, body: Body, *, into_muscle: bool) -> int:
    """Into muscle by the row. Under the skin by length and body.

    Up to 8 mm straight; about 12 mm straight into a lifted fold, 45 degrees in a child or a thin adult (Open RN,
    Nursing Skills, chapter 18.5); from 16 mm as the row says.
    """
    angle = row.angle_deg if row is not None else 90
    if into_muscle or needle is None or needle.length_mm >= 16 - LENGTH_SLACK_MM:
        return angle
    return 90 if needle.length_mm <= _SHORT_MM or not _is_slight(body) else 45


def lifts_a_fold(needle: Needle | None, body: Body) -> bool:
    """Whether the skin is lifted by the guideline's way: for all but short needles, and for the slight."""
    return needle is None or needle.length_mm > _SHORT_MM or _is_slight(body)


def _is_slight(body: Body) -> bool:
    """A child, or an adult known to be thin."""
    return (body.age is not None and body.age.months < _ADULT_MONTHS) or (body.bmi is not None and body.bmi < _THIN_BMI)


# Another needle.


def figures_decide(distance: Distance, body: Body) -> bool:
    """Whether the figures may change which needle is taken: well supported or measured, and this body fully known."""
    if distance.measured_mm is not None:
        return True
    return distance.status == "supported" and not distance.unknown and not body_mass_unlikely(body.bmi)


def better_needle(
    drawer: tuple[Needle, ...],
    proposed: Needle,
    ask: Wanted,
    distance: Distance,
    body: Body,
    aim: Aim,
    table: NeedleTable,
) -> Needle | None:
    """Another needle of the drawer, where the guideline's is not good enough in this body and the other is.

    Into muscle only a longer one; a measured distance is met there by the table's own rule. Under the skin a shorter
    one, where too deep is the worse miss: for those 4 to 6 mm are the first choice of the experts (Frid AH et al., Mayo
    Clin Proc 2016;91(9):1231-55).
    """
    measured = distance.measured_mm is not None
    if measured if ask.into_muscle else not measured and aim.worse != "too deep":
        return None
    if _best(distance, proposed, ask, body, aim).score >= aim.least:
        return None
    best: Needle | None = None
    nearest: tuple[Fraction | int, ...] = ()
    for needle in drawer:
        away = needle.length_mm - proposed.length_mm
        if away == 0 or (away < 0) == ask.into_muscle or label_fault(needle, ask) or _too_wide(needle, ask):
            continue
        order = (abs(away), abs(needle.gauge - (25 if ask.finer else 23)), needle.gauge)
        if best is not None and nearest <= order:
            continue
        if _best(distance, needle, ask, body, aim).score >= aim.least:
            force = whole_push(needle, ask, table.bores)
            if force is None or force <= MOST_N:
                best, nearest = needle, order
    return best


def _best(distance: Distance, needle: Needle, ask: Wanted, body: Body, aim: Aim) -> Reached:
    """What a needle reaches by the best of its own ways."""
    return best_way(distance, needle, ways_of(needle, ask.row, body, into_muscle=ask.into_muscle), aim)


def _too_wide(needle: Needle, ask: Wanted) -> bool:
    return needle.gauge < (ask.widest_gauge or LONGER_WIDEST)


def about_better(
    better: Needle, proposed: Needle, ask: Wanted, distance: Distance, body: Body, aim: Aim
) -> list[Finding]:
    """That the figures, and not the guideline, chose this length; nothing where the guideline allows it too."""
    if ask.into_muscle and ask.row is not None and better.length_mm <= ask.row.longest_mm + LENGTH_SLACK_MM:
        return about_proposed(better, ask)
    old, new = _best(distance, proposed, ask, body, aim), _best(distance, better, ask, body, aim)
    return [
        finding(
            "needle-longer-by-figures" if aim.into_muscle else "needle-shorter-by-figures",
            needle=needle_words(better),
            guideline=mm(proposed.length_mm),
            old=of_100(_missed(old, aim)),
            new=of_100(_missed(new, aim)),
            gauge=_gauge_words(better, ask),
        )
    ]


def _gauge_words(better: Needle, ask: Wanted) -> str:
    """Where its gauge is not the guideline's either."""
    fault = gauge_fault(better, ask)
    return f"; it is {fault}" if fault else ""


def _missed(reach: Reached, aim: Aim) -> float:
    """The chance of the miss that the length decides: too shallow into muscle, too deep under the skin."""
    return reach.chance.too_shallow if aim.into_muscle else (reach.chance.too_deep or 0)


def longer_is_right(needle: Needle, distance: Distance | NoDistance, body: Body, ask: Wanted, aim: Aim) -> bool:
    """Whether the figures ask for a longer needle than the guideline's, so that a longer one is nothing against it."""
    if isinstance(distance, NoDistance) or not ask.into_muscle or ask.row is None or not figures_decide(distance, body):
        return False
    longest = Needle(gauge=needle.gauge, length_mm=ask.row.longest_mm)
    return needle.length_mm > longest.length_mm and _best(distance, longest, ask, body, aim).score < aim.least


def swapped(others: tuple[tuple[Needle, str], ...], proposed: Needle, better: Needle) -> tuple[tuple[Needle, str], ...]:
    """The guideline's needle joins the others, and what would have done beside it is told by the new one."""
    first = (proposed, "the guideline's length, less likely to end in the right layer")
    rest = (
        (needle, f"would do, but {mm(better.length_mm)} is taken here" if reason.startswith("would do") else reason)
        for needle, reason in others
        if needle != better
    )
    return (first, *rest)


def others_weighed(
    others: tuple[tuple[Needle, str], ...], distance: Distance | None, body: Body, ask: Wanted, aim: Aim
) -> tuple[tuple[tuple[Needle, str], ...], tuple[Reached | None, ...]]:
    """The other needles with what each reaches by its own best way, the likelier to end in the right layer first."""
    if distance is None:
        return others, (None,) * len(others)
    weighed = [(_best(distance, one[0], ask, body, aim), one) for one in others]
    weighed.sort(key=lambda both: -both[0].score)
    return tuple(one for _, one in weighed), tuple(reach for reach, _ in weighed)


# What must be said.


def too_unlikely(
    needle: Needle,
    reach: Reached,
    distance: Distance,
    aim: Aim,
    *,
    decides: bool,
    ask: Wanted,
    fixed: bool = False,
) -> list[Finding]:
    """A chance below the one asked for, and the length that would do; nothing where a measurement says it already."""
    if distance.measured_mm is not None and ask.into_muscle:
        return []
    missed = _missed(reach, aim)
    # Of a body that is not known the width of the answer says nothing against the guideline's length into muscle.
    if missed * 100 < 1:
        return []
    if aim.into_muscle and distance.unknown and not fixed:
        if distance.body.bmi is not None:
            return []
        may_be_larger = ask.row is not None and distance.site == "deltoid" and not distance.body.larger_arm
        share = of_100(missed)
        return [finding("arm-size-not-known", needle=needle_words(needle), share=share)] if may_be_larger else []
    as_a_whole = distance.unknown or distance.status == "distribution only"
    worse = aim.into_muscle or aim.worse == "too deep" or distance.measured_mm is not None
    # The maker chose a fixed needle; one that misses more often than not is asked about all the same.
    asks = (decides and worse) or (fixed and missed * 2 > 1)
    return [
        finding(
            "layer-chance-low" if asks else "layer-chance-note",
            needle=needle_words(needle),
            wrong="less than 5 mm into the muscle, or short of it," if aim.into_muscle else "in the muscle",
            share=of_100(missed),
            whom="adults, this body not told apart" if as_a_whole else "bodies like this one",
            wanted=_length_wanted(distance, reach, aim),
            source=distance.sources[0],
        )
    ]


def _length_wanted(distance: Distance, reach: Reached, aim: Aim) -> str:
    length = length_that_would(distance, Way(angle_deg=90, outside_mm=reach.way.outside_mm), aim)
    if not aim.into_muscle:
        return f"a needle of {length} mm or less, straight in"
    if distance.bone_mm is not None and length > distance.bone_mm:
        return "no longer needle, as bone is near, but the distance by ultrasound"
    return f"a needle of {length} mm or the next longer one"


def too_large(
    needle: Needle, beyond: NoDistance, site: str, body: Body, ask: Wanted, aim: Aim, tissue: TissueTable
) -> list[Finding]:
    """Where a body is too large for the figures, and the needle would not do in the largest that they hold for."""
    if not aim.into_muscle or beyond.largest is None or body_mass_unlikely(body.bmi):
        return []
    distance = distance_at(tissue, site, beyond.largest)
    if isinstance(distance, NoDistance) or not figures_decide(distance, beyond.largest):
        return []
    reach = _best(distance, needle, ask, beyond.largest, aim)
    if reach.score >= aim.least:
        return []
    return [
        finding(
            "layer-beyond-figures",
            needle=needle_words(needle),
            share=of_100(_missed(reach, aim)),
            missing=beyond.missing,
            wanted=_length_wanted(distance, reach, aim),
        )
    ]


def unlikely_body(body: Body) -> Finding:
    """That weight and height make no living body."""
    bmi = body.bmi
    assert bmi is not None
    return finding("body-mass-unlikely", bmi=f"{bmi.numerator // bmi.denominator}")


@lru_cache(maxsize=1024)
def suited_sites(
    needle: Needle,
    sites: tuple[str, ...],
    body: Body,
    measured: tuple[tuple[str, Fraction], ...],
    aim: Aim,
    tissue: TissueTable,
) -> frozenset[str]:
    """The sites under the skin where this fixed needle ends well in this body, some way or other."""
    known = dict(measured)
    suited = set()
    for site in sites:
        distance = distance_at(tissue, site, body, known.get(site)) if site in tissue.skins else None
        if isinstance(distance, Distance):
            ways = ways_of(needle, None, body, into_muscle=False)
            if best_way(distance, needle, ways, aim).score >= aim.least:
                suited.add(site)
    return frozenset(suited)
