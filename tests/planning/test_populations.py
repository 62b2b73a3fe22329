"""Many adults at once: the same chances as body by body, NaN where the figures end, and columns that must agree.

Expected chances were worked outside the code with statistics.NormalDist on the rows of evidence/tissue.toml.
"""

import math
import random
import sys
from dataclasses import replace
from fractions import Fraction
from functools import lru_cache
from itertools import product
from typing import Any

import pytest
from tests.worked.open_data import nhanes_adults

from drawup.evidence.tables import load_tissue
from drawup.injection.guideline import Body
from drawup.injection.patient import Age
from drawup.injection.policy import Needle
from drawup.injection.reach import Reached, Way, aim_of, reached
from drawup.injection.tissue import Distance, TissueTable, distance_at
from drawup.planning.populations import ReachOfMany, reach_of_many

TISSUE = load_tissue()
SITES = sorted(TISSUE.skins)
CELLS = ("skin", "fat", "shallow_muscle", "muscle", "bone")
CHANCES = (*CELLS, "too_shallow", "intended", "too_deep")

# One adult: sex, body-mass index, completed months, weight in kg (NaN: not known).
Adult = tuple[str, float, int, float]

STRAIGHT_25 = (Fraction(25), Way(angle_deg=90))
WAYS = [
    STRAIGHT_25,
    (Fraction(38), Way(angle_deg=90, outside_mm=Fraction(3))),
    (Fraction(8), Way(angle_deg=90, lifted=True)),
    (Fraction("12.7"), Way(angle_deg=45, lifted=True)),
    (Fraction(6), Way(angle_deg=90, lifted=True)),
    (Fraction(4), Way(angle_deg=90)),
    (Fraction(2), Way(angle_deg=90, outside_mm=Fraction(3))),
]

LIMITS_BMI = ("18.5", "20", "25", "30", "35", "45")
LIMITS_KG = ("90", "118")
LIMITS_MONTHS = (18 * 12, 65 * 12, 75 * 12, 86 * 12)


def into_muscle(site: str) -> bool:
    return not site.endswith("fat")


def many(adults: list[Adult], site: str, length_mm: Fraction, way: Way, **other: Any) -> ReachOfMany:
    given: dict[str, Any] = {
        "table": TISSUE,
        "site": site,
        "sexes": [adult[0] for adult in adults],
        "bmis": [adult[1] for adult in adults],
        "ages_months": [adult[2] for adult in adults],
        "weights_kg": [adult[3] for adult in adults],
        "length_mm": length_mm,
        "angle_deg": way.angle_deg,
        "outside_mm": way.outside_mm,
        "lifted": way.lifted,
        "into_muscle": into_muscle(site),
    }
    return reach_of_many(**{**given, **other})


@lru_cache(maxsize=16384)
def as_body(adult: Adult) -> Body:
    sex, bmi, months, kg = adult
    # A number as written, and not the binary one beside it, as it comes from a form.
    weight = None if math.isnan(kg) else Fraction(repr(kg))
    age = Age(days=months * 30 + 10, years=months // 12, months=months)
    return Body(age=age, sex=sex, weight_kg=weight, bmi=Fraction(repr(bmi)))


def one(table: TissueTable, adult: Adult, site: str, length_mm: Fraction, way: Way) -> Reached | None:
    distance = distance_at(table, site, as_body(adult))
    if not isinstance(distance, Distance):
        return None
    aim = aim_of(into_muscle=into_muscle(site), least=Fraction(95, 100), worse="", worse_times=1)
    return reached(distance, Needle(gauge=23, length_mm=length_mm), way, aim)


def chances(reach: Reached | None) -> list[float]:
    if reach is None:
        return [math.nan] * len(CHANCES)
    found = [getattr(reach.cells, name) for name in CELLS]
    found += [reach.chance.too_shallow, reach.chance.intended, reach.chance.too_deep]
    return [math.nan if chance is None else chance for chance in found]


def differences(
    adults: list[Adult], site: str, length_mm: Fraction, way: Way, table: TissueTable = TISSUE
) -> list[str]:
    """Where the answer for all at once is not the one body by body, to nine digits."""
    together = many(adults, site, length_mm, way, table=table)
    columns = [getattr(together, name).tolist() for name in CHANCES]
    faults = []
    for adult, known, *row in zip(adults, together.known.tolist(), *columns, strict=True):
        single = one(table, adult, site, length_mm, way)
        expected = pytest.approx(chances(single), rel=1e-9, abs=1e-12, nan_ok=True)
        if known != (single is not None) or row != expected:
            faults.append(f"{adult}: {known} {row}, alone {chances(single)}")
    return faults


@lru_cache
def survey() -> list[Adult]:
    return [(adult.sex, adult.bmi, adult.age_years * 12, adult.weight_kg) for adult in nhanes_adults()]


def round_about(limits: tuple[str, ...]) -> list[float]:
    """Each limit, and the numbers next to it on both sides."""
    exact = [float(limit) for limit in limits]
    return [number for limit in exact for number in (math.nextafter(limit, 0), limit, math.nextafter(limit, 999))]


@lru_cache
def at_the_limits() -> list[Adult]:
    """Bodies at, just below and just over every limit, and as many between them by a fixed seed."""
    chance, sexes = random.Random(1), ("female", "male")
    ages = [month for limit in LIMITS_MONTHS for month in (limit - 1, limit)]
    every = list(product(sexes, round_about(LIMITS_BMI), ages, [*round_about(LIMITS_KG), math.nan]))
    months = range(150, 1200)
    between = [
        (chance.choice(sexes), chance.uniform(12, 60), chance.choice(months), chance.uniform(35, 190))
        for _ in range(300)
    ]
    return [*chance.sample(every, 700), *between]


# The same answer as body by body.


@pytest.mark.parametrize("site", SITES)
def test_every_adult_of_a_survey_gets_the_chances_of_the_single_body(site: str) -> None:
    length_mm, way = STRAIGHT_25 if into_muscle(site) else (Fraction("12.7"), Way(angle_deg=45, lifted=True))
    assert differences(survey(), site, length_mm, way) == []


@pytest.mark.parametrize(("length_mm", "way"), WAYS)
@pytest.mark.parametrize("site", SITES)
def test_bodies_at_every_limit_get_the_chances_of_the_single_body(site: str, length_mm: Fraction, way: Way) -> None:
    assert differences(at_the_limits(), site, length_mm, way) == []


def test_a_table_with_rows_side_by_side_thin_skin_and_bones_that_overlap_is_read_as_for_the_single_body() -> None:
    # Today's table has none of these; a later one may.
    row, skin = TISSUE.distances["deltoid"][0], TISSUE.skins["deltoid"]
    table = replace(
        TISSUE,
        distances={"deltoid": (row, replace(row, median_mm=9.5, spread=0.4, to_bmi=Fraction(35)))},
        skins={"deltoid": replace(skin, mean_mm=1.1)},
        bones={"deltoid": tuple(replace(bone, ages=row.ages) for bone in TISSUE.bones["deltoid"])},
    )
    for length_mm in (Fraction(25), Fraction(2)):
        assert differences(at_the_limits(), "deltoid", length_mm, Way(angle_deg=90), table) == []


def test_the_bodies_at_the_limits_stand_at_every_limit_of_the_table() -> None:
    rows = [row for rows in TISSUE.distances.values() for row in rows]
    bones = [row for rows in TISSUE.bones.values() for row in rows]
    bmis = {limit for row in rows for limit in (row.from_bmi, row.to_bmi, row.below_bmi)} | {
        row.below_bmi for row in bones
    }
    spans = [row.ages for row in rows] + [row.ages for row in bones]
    months = {limit for ages in spans for limit in (ages.from_months, ages.below_months)}
    kg = {limit for row in rows for limit in (row.below_kg_female, row.below_kg_male)}
    assert bmis - {None} <= {Fraction(limit) for limit in LIMITS_BMI}
    assert months - {None, 0} <= set(LIMITS_MONTHS)
    assert kg - {None} == {Fraction(limit) for limit in LIMITS_KG}
    adults = at_the_limits()
    assert {float(limit) for limit in LIMITS_BMI} <= {bmi for _, bmi, _, _ in adults}
    assert set(LIMITS_MONTHS) <= {age for _, _, age, _ in adults}
    assert {float(limit) for limit in LIMITS_KG} <= {weight for _, _, _, weight in adults}


# Worked by hand.


def test_25_mm_in_a_woman_of_average_body_mass_end_in_the_deltoid_muscle_in_84_of_100() -> None:
    # ln distance has mean ln 13.17 + 0.343 / 2 and spread 0.2455: 0.9721 nearer than 25 mm, 0.8421 nearer than 20 mm.
    reach = many([("female", 29.1, 480, 70.0)], "deltoid", *STRAIGHT_25)
    assert reach.depth_mm == pytest.approx(25)
    assert reach.known.tolist() == [True]
    assert reach.fat[0] == pytest.approx(0.02793, abs=5e-6)
    assert reach.shallow_muscle[0] == pytest.approx(0.12995, abs=5e-6)
    assert reach.muscle[0] == reach.intended[0] == pytest.approx(0.84212, abs=5e-6)
    assert reach.too_shallow[0] == pytest.approx(0.15788, abs=5e-6)


def test_bone_is_a_chance_in_a_lean_elder_and_not_known_in_one_of_65_who_is_not_lean() -> None:
    # From 75 years 22.54, SD 3.85 mm to the bone (Nakayama 2022): 0.7386 nearer than 25 mm, the fascia in all but 2e-6.
    reach = many([("male", 20.1, 960, 58.0), ("male", 25.0, 780, 75.0)], "deltoid", *STRAIGHT_25)
    assert reach.bone[0] == reach.too_deep[0] == pytest.approx(0.73857, abs=5e-6)
    assert math.isnan(reach.bone[1])
    assert math.isnan(reach.too_deep[1])
    assert reach.known.all()


def test_a_lifted_fold_of_the_belly_keeps_8_mm_in_the_fat() -> None:
    # ln distance has mean ln 13.22 + 0.3195 / 2 and spread 0.3014: 0.014026 nearer than 8 mm. Lifted, 2.2 mm of skin
    # stay and 5.8 mm of fat count as 5.8 / 2.92: 0.000007.
    woman: list[Adult] = [("female", 30.0, 480, 80.0)]
    flat = many(woman, "abdominal fat", Fraction(8), Way(angle_deg=90))
    lifted = many(woman, "abdominal fat", Fraction(8), Way(angle_deg=90, lifted=True))
    assert flat.too_deep[0] == pytest.approx(0.014026, abs=5e-7)
    assert lifted.too_deep[0] == pytest.approx(0.000007, abs=5e-7)
    assert lifted.intended[0] == pytest.approx(0.999993, abs=5e-7)


def test_a_fold_on_the_thigh_counts_from_a_body_mass_index_of_20() -> None:
    # 12.7 mm at 45 degrees lie 8.980 mm deep. Below 20 flat: 0.42881; at 20, 1.22 times as thick: 0.25190.
    women: list[Adult] = [("female", 19.9, 480, 55.0), ("female", 20.0, 480, 55.0)]
    reach = many(women, "thigh fat", Fraction("12.7"), Way(angle_deg=45, lifted=True))
    assert reach.too_deep == pytest.approx([0.42881, 0.25190], abs=5e-6)


def test_men_and_women_have_their_own_thigh() -> None:
    # Medians 13.31 and 5.38 mm, spreads 0.46 and 0.64 of the logarithm: nearer than 20 mm in 0.81199 and 0.97990.
    adults: list[Adult] = [("female", 25.0, 480, 70.0), ("male", 25.0, 480, 70.0)]
    assert many(adults, "vastus lateralis", *STRAIGHT_25).muscle == pytest.approx([0.81199, 0.97990], abs=5e-6)


# Where the figures end.


@pytest.mark.parametrize(
    ("site", "adult", "known"),
    [
        ("deltoid", ("female", 25.0, 480, 89.9), True),
        ("deltoid", ("female", 25.0, 480, 90.0), False),
        ("deltoid", ("male", 25.0, 480, 90.0), True),
        ("deltoid", ("male", 25.0, 480, 118.0), False),
        ("deltoid", ("male", 25.0, 480, math.nan), True),
        ("deltoid", ("male", 18.5, 216, 60.0), True),
        ("deltoid", ("male", 18.4, 216, 60.0), False),
        ("deltoid", ("male", 18.5, 215, 60.0), False),
        ("thigh fat", ("male", 45.0, 1031, 140.0), True),
        ("thigh fat", ("male", 45.1, 1031, 140.0), False),
        ("thigh fat", ("male", 45.0, 1032, 140.0), False),
        ("thigh fat", ("male", math.nan, 480, 80.0), False),
        ("thigh fat", ("male", 25.0, math.nan, 80.0), False),
        ("ventrogluteal", ("female", 29.9, 480, 80.0), True),
        ("ventrogluteal", ("female", 30.0, 480, 80.0), False),
        ("ventrogluteal", ("male", 34.9, 480, 80.0), True),
        ("ventrogluteal", ("male", 35.0, 480, 80.0), False),
        ("rectus femoris", ("male", 25.0, 480, 80.0), False),
    ],
)
def test_outside_the_evidence_no_chance_is_a_number(site: str, adult: Adult, known: bool) -> None:
    reach = many([adult], site, *STRAIGHT_25)
    assert reach.known.tolist() == [known]
    assert [math.isnan(getattr(reach, name)[0]) for name in ("skin", "fat", "muscle", "intended")] == [not known] * 4
    if not known:
        assert all(math.isnan(getattr(reach, name)[0]) for name in CHANCES)


def test_the_cells_sum_to_one_in_everyone_inside_the_evidence_and_the_order_is_kept() -> None:
    adults = at_the_limits()
    reach = many(adults, "deltoid", *STRAIGHT_25)
    beside_bone = reach.skin + reach.fat + reach.shallow_muscle + reach.muscle
    with_bone = [total for total, bone in zip(beside_bone + reach.bone, reach.bone, strict=True) if bone == bone]
    assert with_bone == pytest.approx([1.0] * len(with_bone))
    assert 0 < len(with_bone) < len(adults)
    backwards = many(adults[::-1], "deltoid", *STRAIGHT_25)
    assert backwards.intended.tolist()[::-1] == pytest.approx(reach.intended.tolist(), nan_ok=True)


# Columns.


def test_every_column_is_as_long_as_the_population() -> None:
    reach = many([("female", 25.0, 480, 70.0)] * 7, "deltoid", *STRAIGHT_25)
    assert {getattr(reach, name).shape for name in ("known", *CHANCES)} == {(7,)}
    assert reach.known.dtype == bool
    assert {str(getattr(reach, name).dtype) for name in CHANCES} == {"float64"}


@pytest.mark.parametrize("site", SITES)
def test_nobody_is_an_empty_answer(site: str) -> None:
    reach = many([], site, *STRAIGHT_25)
    assert {getattr(reach, name).shape for name in ("known", *CHANCES)} == {(0,)}


@pytest.mark.parametrize("name", ["sexes", "bmis", "ages_months", "weights_kg"])
def test_columns_of_unequal_length_are_refused_with_each_length(name: str) -> None:
    adults: list[Adult] = [("female", 25.0, 480, 70.0)] * 3
    short: dict[str, Any] = {name: ["female", "male"] if name == "sexes" else [30, 31]}
    with pytest.raises(ValueError, match=rf"\b{name} 2\b.*one entry for each adult"):
        many(adults, "deltoid", *STRAIGHT_25, **short)


def test_one_number_for_everyone_is_refused() -> None:
    with pytest.raises(ValueError, match="bmis one"):
        many([("female", 25.0, 480, 70.0)], "deltoid", *STRAIGHT_25, bmis=25.0)


def test_a_sex_that_the_figures_do_not_tell_is_refused_by_its_place() -> None:
    adults: list[Adult] = [("female", 25.0, 480, 70.0), ("unknown", 25.0, 480, 70.0)]
    with pytest.raises(ValueError, match=r"sexes\[1\] is unknown, expected female or male"):
        many(adults, "deltoid", *STRAIGHT_25)


def test_a_site_that_nobody_measured_is_refused_with_the_ones_that_are() -> None:
    with pytest.raises(ValueError, match=r"'elbow', expected one of .*deltoid"):
        many([], "elbow", *STRAIGHT_25)


def test_without_numpy_the_message_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delitem(sys.modules, "drawup.planning.populations")
    monkeypatch.setitem(sys.modules, "numpy", None)
    with pytest.raises(ImportError, match=r"pip install 'drawup\[plan\]'"):
        import drawup.planning.populations  # noqa: F401
