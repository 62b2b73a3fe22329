"""What holds for every body, needle and way: a chance is one, longer is deeper, and outside the figures is none.

Bodies and needles are invented, by the thousand.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from datetime import date
from fractions import Fraction
from math import erf, log, sqrt
from statistics import NormalDist

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from drawup.evidence.tables import load_tissue
from drawup.injection.guideline import Body
from drawup.injection.patient import Age
from drawup.injection.policy import Needle
from drawup.injection.reach import Way, aim_of, best_way, reached
from drawup.injection.tissue import (
    Cells,
    Distance,
    DistanceRow,
    NoDistance,
    cells_at,
    chance_of,
    depth_needed,
    distance_at,
    quantile_mm,
    share_nearer,
    tip_depth_mm,
)

TODAY = date(2026, 3, 2)
TISSUE = load_tissue()
SITES = sorted(TISSUE.distances)
ROWS = [row for site in SITES for row in TISSUE.distances[site]]
# What rounding in the last places of a binary number may turn round.
LAST_PLACE = 1e-12


def aged(years: int, months: int = 0) -> Age:
    total = TODAY.year * 12 + TODAY.month - 1 - years * 12 - months
    return Age.between(date(total // 12, total % 12 + 1, 1), TODAY)


def tenths(least: int, most: int) -> st.SearchStrategy[Fraction]:
    return st.integers(least, most).map(lambda number: Fraction(number, 10))


# Anybody at all: of any age, in or out of the range of the figures.
everybody = st.builds(
    Body,
    age=st.none() | st.builds(aged, st.integers(0, 105), st.integers(0, 11)),
    sex=st.sampled_from(["female", "male", "unknown"]),
    weight_kg=st.none() | tenths(20, 2500),
    bmi=st.none() | tenths(100, 700),
    pregnant=st.booleans(),
)
# Adults for whom most rows hold.
grown = st.builds(
    Body,
    age=st.none() | st.builds(aged, st.integers(18, 84)),
    sex=st.sampled_from(["female", "male", "unknown"]),
    weight_kg=st.none() | tenths(400, 899),
    bmi=st.none() | tenths(185, 450),
)
# Lean elders, in whom skin to bone was measured at the deltoid.
elders = st.builds(
    Body, age=st.builds(aged, st.integers(65, 85)), sex=st.sampled_from(["female", "male"]), bmi=tenths(185, 249)
)
lengths = tenths(20, 700)
ways = st.builds(Way, angle_deg=st.sampled_from([10, 30, 45, 60, 90]), lifted=st.booleans(), outside_mm=tenths(0, 100))


@st.composite
def distances(draw: st.DrawFn) -> Distance:
    """One body at one site, measured there or not, with bone known now and then."""
    measured = draw(st.none() | tenths(5, 800))
    site, body = draw(
        st.tuples(st.sampled_from(SITES), everybody if measured else grown) | st.tuples(st.just("deltoid"), elders)
    )
    found = distance_at(TISSUE, site, body, measured)
    assume(isinstance(found, Distance))
    assert isinstance(found, Distance)
    return found


def cells_of(known: Distance, length: Fraction, way: Way) -> Cells:
    return cells_at(known, tip_depth_mm(length, way.angle_deg, way.outside_mm), lifted=way.lifted)


def parts(cells: Cells) -> tuple[float, ...]:
    return cells.skin, cells.fat, cells.shallow_muscle, cells.muscle, cells.bone or 0.0


def at_most(one: float | None, other: float | None) -> bool:
    return (one or 0.0) <= (other or 0.0) + LAST_PLACE


# Chances.


@given(distances(), lengths, ways)
def test_every_chance_lies_between_0_and_1_and_the_cells_sum_to_1(known: Distance, length: Fraction, way: Way) -> None:
    cells = cells_of(known, length, way)
    assert all(-LAST_PLACE <= share <= 1 + LAST_PLACE for share in parts(cells))
    assert sum(parts(cells)) == pytest.approx(1, abs=LAST_PLACE)
    assert (cells.bone is None) == (known.bone_mm is None)


@given(distances(), lengths, ways, st.booleans())
def test_too_shallow_intended_and_too_deep_sum_to_1(
    known: Distance, length: Fraction, way: Way, into_muscle: bool
) -> None:
    chance = chance_of(cells_of(known, length, way), into_muscle=into_muscle)
    assert chance.too_shallow + chance.intended + (chance.too_deep or 0) == pytest.approx(1, abs=LAST_PLACE)
    # Into muscle too deep is bone, and not told where bone was not measured; under the skin it is always told.
    assert (chance.too_deep is None) == (into_muscle and known.bone_mm is None)


@given(distances(), lengths, lengths, ways, st.booleans())
def test_a_longer_needle_is_never_likelier_too_shallow_nor_less_likely_too_deep(
    known: Distance, one: Fraction, other: Fraction, way: Way, into_muscle: bool
) -> None:
    shorter, longer = (
        chance_of(cells_of(known, length, way), into_muscle=into_muscle) for length in sorted((one, other))
    )
    assert at_most(longer.too_shallow, shorter.too_shallow)
    assert at_most(shorter.too_deep, longer.too_deep)


@given(distances(), lengths, ways, st.booleans())
def test_a_slanted_needle_reaches_no_deeper_than_a_straight_one(
    known: Distance, length: Fraction, way: Way, into_muscle: bool
) -> None:
    straight = Way(angle_deg=90, lifted=way.lifted, outside_mm=way.outside_mm)
    assert tip_depth_mm(length, way.angle_deg, way.outside_mm) <= tip_depth_mm(length, 90, way.outside_mm)
    slanted, upright = (chance_of(cells_of(known, length, one), into_muscle=into_muscle) for one in (way, straight))
    assert at_most(upright.too_shallow, slanted.too_shallow)
    assert at_most(slanted.too_deep, upright.too_deep)


@given(lengths, st.integers(1, 90), tenths(0, 800), tenths(0, 800))
def test_the_more_is_left_outside_the_less_deep_is_the_tip(
    length: Fraction, angle: int, one: Fraction, other: Fraction
) -> None:
    less, more = sorted((one, other))
    assert 0 <= tip_depth_mm(length, angle, more) <= tip_depth_mm(length, angle, less) <= length


@given(distances(), lengths, ways)
def test_a_lifted_fold_never_brings_the_muscle_nearer(known: Distance, length: Fraction, way: Way) -> None:
    depth = tip_depth_mm(length, way.angle_deg, way.outside_mm)
    flat, folded = (chance_of(cells_at(known, depth, lifted=lifted), into_muscle=False) for lifted in (False, True))
    assert at_most(folded.too_deep, flat.too_deep)


@given(distances(), st.sampled_from([0.5, 0.8, 0.9, 0.95]))
def test_the_depth_needed_reaches_5_mm_past_the_fascia_in_as_many_as_asked(known: Distance, chance: float) -> None:
    # 5 mm into muscle: Poland GA et al., JAMA 1997;277:1709-11.
    assert share_nearer(known, depth_needed(known, chance) - 5 + 1e-6) >= chance - 1e-6


@given(distances(), lengths, st.lists(ways, min_size=1, max_size=5), st.booleans())
def test_the_best_way_is_the_first_that_is_good_enough_or_else_the_likeliest(
    known: Distance, length: Fraction, offered: list[Way], into_muscle: bool
) -> None:
    needle = Needle(gauge=25, length_mm=length)
    aim = aim_of(into_muscle=into_muscle, least=Fraction(8, 10), worse="", worse_times=2)
    scores = [reached(known, needle, way, aim).score for way in offered]
    best = best_way(known, needle, tuple(offered), aim)
    first = next((score for score in scores if score >= 0.8), max(scores))
    assert best.score == first
    assert best.way == offered[scores.index(first)]


# Bodies.


@given(st.sampled_from(SITES), grown, tenths(185, 450), tenths(185, 450), st.sampled_from([0.05, 0.5, 0.95]))
def test_more_body_mass_never_makes_the_distance_smaller(
    site: str, body: Body, one: Fraction, other: Fraction, share: float
) -> None:
    light, heavy = (
        distance_at(TISSUE, site, Body(age=body.age, sex=body.sex, bmi=bmi)) for bmi in sorted((one, other))
    )
    assume(isinstance(light, Distance) and isinstance(heavy, Distance))
    assert isinstance(light, Distance)
    assert isinstance(heavy, Distance)
    assert quantile_mm(light, share) <= quantile_mm(heavy, share) + 1e-9
    assert light.skin_mm <= heavy.skin_mm


@given(st.sampled_from(SITES), grown, st.sampled_from([0.05, 0.5, 0.95]))
def test_a_woman_is_never_taken_for_less_deep_than_a_man_of_her_body_mass(site: str, body: Body, share: float) -> None:
    # Not so at the ventrogluteal site, where women and men have slopes of their own, which cross.
    assume(site != "ventrogluteal")
    woman, man = (distance_at(TISSUE, site, Body(age=body.age, sex=sex, bmi=body.bmi)) for sex in ("female", "male"))
    assume(isinstance(woman, Distance) and isinstance(man, Distance))
    assert isinstance(woman, Distance)
    assert isinstance(man, Distance)
    # The rows of the thigh muscle differ in spread too, so their far ends may cross.
    if site != "vastus lateralis" or share == 0.5:
        assert quantile_mm(woman, share) >= quantile_mm(man, share) - 1e-9


@given(st.sampled_from(sorted(TISSUE.skins)), everybody, tenths(5, 800), lengths)
def test_a_measured_distance_overrides_the_model_in_anybody(
    site: str, body: Body, measured: Fraction, length: Fraction
) -> None:
    known = distance_at(TISSUE, site, body, measured)
    assert isinstance(known, Distance)
    assert (known.status, known.unknown, known.parts) == ("measured", (), ())
    assert [quantile_mm(known, share) for share in (0.05, 0.5, 0.95)] == [float(measured)] * 3
    assert share_nearer(known, float(length)) == (1 if length >= measured else 0)
    chance = chance_of(cells_at(known, float(length)), into_muscle=False)
    assert chance.too_deep == pytest.approx(1 if length >= measured else 0, abs=LAST_PLACE)


# What is not known of a body.


def test_an_unknown_weight_lies_as_wide_as_the_people_measured() -> None:
    # The law of total probability: the share over people whose body-mass index is spread as in the row's people, worked
    # here at 1,001 of them, from the row's coefficients alone.
    for row in ROWS:
        unknown = distance_at(TISSUE, row.site, Body(age=aged(50), sex=row.sex or "female"))
        assert isinstance(unknown, Distance)
        half = row.by_sex / 2
        for depth in (5, 10, 20, 40):
            shares = []
            for step in range(1001):
                units = row.bmi_sd * NormalDist().inv_cdf((step + 0.5) / 1001) if row.bmi_sd else 0.0
                z = (log(depth) - log(row.median_mm) - row.slope * units - half) / row.spread
                shares.append((1 + erf(z / sqrt(2))) / 2)
            assert share_nearer(unknown, depth) == pytest.approx(sum(shares) / 1001, abs=0.001), (row.site, depth)


@pytest.mark.parametrize("site", SITES)
def test_an_unknown_weight_has_the_median_of_the_middle_body_and_is_no_narrower(site: str) -> None:
    for row in TISSUE.distances[site]:
        sex = row.sex or "female"
        middle = Fraction(str(row.at_bmi)) if row.slope else None
        if row.below_bmi is not None and middle is not None and middle >= row.below_bmi:
            continue  # The middle body of the women measured there lies past the cut-off itself.
        unknown = distance_at(TISSUE, site, Body(age=aged(50), sex=sex))
        known = distance_at(TISSUE, site, Body(age=aged(50), sex=sex, bmi=middle))
        assert isinstance(unknown, Distance)
        assert isinstance(known, Distance)
        assert quantile_mm(unknown, 0.5) == pytest.approx(quantile_mm(known, 0.5))
        assert quantile_mm(unknown, 0.05) <= quantile_mm(known, 0.05) + 1e-9
        assert quantile_mm(unknown, 0.95) >= quantile_mm(known, 0.95) - 1e-9
        # Where body-mass index tells something, not knowing it must show; where it does not, nothing is lost.
        wider = quantile_mm(unknown, 0.95) > quantile_mm(known, 0.95) * 1.05
        assert wider == bool(row.slope)


@given(st.sampled_from(SITES), grown, st.sampled_from([0.05, 0.5, 0.95]))
def test_an_unknown_sex_lies_between_a_womans_and_a_mans_and_covers_both_medians(
    site: str, body: Body, share: float
) -> None:
    woman, man, unknown = (
        distance_at(TISSUE, site, Body(age=body.age, sex=sex, bmi=body.bmi)) for sex in ("female", "male", "unknown")
    )
    assume(all(isinstance(one, Distance) for one in (woman, man, unknown)))
    assert isinstance(woman, Distance)
    assert isinstance(man, Distance)
    assert isinstance(unknown, Distance)
    least, most = sorted((quantile_mm(woman, share), quantile_mm(man, share)))
    assert least - 1e-9 <= quantile_mm(unknown, share) <= most + 1e-9
    for known in (woman, man):
        assert quantile_mm(unknown, 0.05) <= quantile_mm(known, 0.5) <= quantile_mm(unknown, 0.95)


@given(st.sampled_from(SITES), grown)
def test_what_was_not_known_and_would_narrow_the_answer_is_named(site: str, body: Body) -> None:
    known = distance_at(TISSUE, site, body)
    assume(isinstance(known, Distance))
    assert isinstance(known, Distance)
    # The thigh muscle's figures know no body-mass index, those of the dorsogluteal site neither that nor the sex.
    narrows = body.bmi is None and site not in ("vastus lateralis", "dorsogluteal")
    assert ("sex" in known.unknown) == (body.sex == "unknown" and site != "dorsogluteal")
    assert ("height" in known.unknown) == (narrows and body.weight_kg is not None)
    assert ("weight" in known.unknown) == (narrows and body.weight_kg is None)


# Where the figures end: 200 bodies outside each row.


def number(chance: random.Random, least: float, most: float) -> Fraction:
    return Fraction(round(chance.uniform(least, most) * 10), 10)


def inside(row: DistanceRow, chance: random.Random) -> Body:
    """A body that the row is for. Sex is the row's own, so that no other row answers for it."""
    low, high = float(row.from_bmi or 0), float(row.to_bmi or (row.below_bmi or 0) - Fraction(1, 10))
    sex = row.sex or chance.choice(("female", "male", "unknown"))
    limit = row.below_kg_male if sex == "male" else row.below_kg_female
    # Nobody is taller than 2.2 m, so that a weight alone may say that a body is too large for the row.
    heaviest = float(limit - Fraction(1, 10)) if limit is not None else min(150.0, high * 2.2**2 - 1)
    return Body(
        age=aged(chance.randint(18, 85)),
        sex=sex,
        weight_kg=chance.choice((None, number(chance, 40, heaviest))),
        bmi=chance.choice((None, number(chance, low, high))),
    )


def with_age(row: DistanceRow, chance: random.Random) -> tuple[Body, str]:
    good = inside(row, chance)
    age = aged(
        *chance.choice(
            ((chance.randint(0, 17), chance.randint(0, 11)), (17, 11), (86, 0), (chance.randint(86, 110), 0))
        )
    )
    return Body(age=age, sex=good.sex, weight_kg=good.weight_kg, bmi=good.bmi), "not at this age"


def with_body_mass(row: DistanceRow, chance: random.Random) -> tuple[Body, str]:
    good = inside(row, chance)
    least = row.below_bmi if row.below_bmi is not None else (row.to_bmi or 0) + Fraction(1, 10)
    bmi = chance.choice((Fraction(184, 10), number(chance, 10, 18.4), least, number(chance, float(least), 90)))
    return Body(age=good.age, sex=good.sex, weight_kg=good.weight_kg, bmi=bmi), "body-mass index"


def with_weight(row: DistanceRow, chance: random.Random) -> tuple[Body, str]:
    good = inside(row, chance)
    limit = row.below_kg_male if good.sex == "male" else row.below_kg_female
    assert limit is not None
    kg = chance.choice((limit + Fraction(1, 10), number(chance, float(limit), 300)))
    return Body(age=good.age, sex=good.sex, weight_kg=kg, bmi=good.bmi), "kg"


def pregnant(row: DistanceRow, chance: random.Random) -> tuple[Body, str]:
    good = inside(row, chance)
    return Body(age=good.age, sex=good.sex, weight_kg=good.weight_kg, bmi=good.bmi, pregnant=True), "pregnancy"


Outside = Callable[[DistanceRow, random.Random], tuple[Body, str]]


def row_name(row: DistanceRow) -> str:
    return f"{row.site} {row.sex}".strip()


@pytest.mark.parametrize("row", ROWS, ids=row_name)
def test_200_bodies_outside_a_row_get_no_chance_and_a_sentence_that_says_why(row: DistanceRow) -> None:
    chance = random.Random(f"outside {row_name(row)}")
    kinds: list[Outside] = [with_age, with_body_mass, pregnant]
    if row.below_kg_female is not None:
        kinds.append(with_weight)
    seen = set()
    for count in range(200):
        body, word = kinds[count % len(kinds)](row, chance)
        found = distance_at(TISSUE, row.site, body)
        assert isinstance(found, NoDistance), body
        assert word in found.missing, (body, found.missing)
        assert len(found.missing.split()) >= 5
        seen.add(found.missing)
    assert len(seen) >= len(kinds)


@pytest.mark.parametrize("row", ROWS, ids=row_name)
def test_200_bodies_inside_a_row_get_a_chance(row: DistanceRow) -> None:
    chance = random.Random(f"inside {row_name(row)}")
    for _ in range(200):
        body = inside(row, chance)
        found = distance_at(TISSUE, row.site, body)
        assert isinstance(found, Distance), (body, found)
        assert 0 < share_nearer(found, 15) < 1
        assert found.status == row.status


@given(st.sampled_from(SITES), everybody)
def test_a_child_or_a_pregnant_woman_never_gets_a_chance_that_nobody_measured(site: str, body: Body) -> None:
    child = body.age is not None and body.age.years < 18
    assume(child or body.pregnant)
    assert isinstance(distance_at(TISSUE, site, body), NoDistance)


@given(everybody)
def test_a_site_that_nobody_measured_never_gets_a_chance(body: Body) -> None:
    found = distance_at(TISSUE, "rectus femoris", body)
    assert isinstance(found, NoDistance)
    assert "rectus femoris" in found.missing
