"""Published figures on layers, run through the real code: skin, fat, muscle, bone, fold, angle and push.

The expected value of each test is printed in the publication named beside it, or worked from it by the arithmetic shown
there. A share of people may miss by the points stated: it comes from a distribution fitted to a few printed figures.
"""

from __future__ import annotations

from datetime import date
from fractions import Fraction
from math import exp, log
from statistics import mean

import pytest
from tests.worked.open_data import Adult, nhanes_adults

from drawup.evidence.policies import load_policy
from drawup.evidence.tables import load_barrels, load_needle_dead_space, load_needle_table, load_tissue
from drawup.exchange.request import read_request
from drawup.injection.flow import Flow, pressure_pa, push_band, push_newtons
from drawup.injection.guideline import Body
from drawup.injection.needle import Checked, check_needle, share_at_bone
from drawup.injection.patient import Age
from drawup.injection.plan import plan_injection
from drawup.injection.policy import Needle
from drawup.injection.reach import Way, aim_of
from drawup.injection.tissue import (
    Distance,
    cells_at,
    chance_of,
    distance_at,
    lifted_fat_mm,
    quantile_mm,
    share_nearer,
    tip_depth_mm,
)

TODAY = date(2026, 3, 2)
TISSUE = load_tissue()
UK = load_needle_table("uk")
FAT_SITES = ("upper arm fat", "thigh fat", "abdominal fat", "buttock fat")
STRAIGHT = Way(angle_deg=90)
SLANTED = Way(angle_deg=45)


def aged(years: int) -> Age:
    return Age.between(date(TODAY.year - years, 1, 15), TODAY)


# An adult of whom nothing else is known stands for all the adults measured.
ANY_ADULT = Body(age=aged(50))


def distance(site: str, body: Body) -> Distance:
    found = distance_at(TISSUE, site, body)
    assert isinstance(found, Distance), found
    return found


def adult(sex: str, bmi: int) -> Body:
    return Body(age=aged(50), sex=sex, bmi=Fraction(bmi))


def as_body(person: Adult) -> Body:
    return Body(
        age=aged(person.age_years),
        sex=person.sex,
        weight_kg=Fraction(str(person.weight_kg)),
        bmi=Fraction(str(person.bmi)),
    )


def distances_of(site: str, people: list[Adult]) -> list[Distance]:
    """The distances of all for whom the figures hold."""
    found = [distance_at(TISSUE, site, as_body(person)) for person in people]
    return [one for one in found if isinstance(one, Distance)]


def too_deep(known: Distance, length: int) -> float:
    """The chance that a needle of this length, straight in without a fold, ends in muscle."""
    chance = chance_of(cells_at(known, tip_depth_mm(Fraction(length), 90)), into_muscle=False)
    assert chance.too_deep is not None
    return chance.too_deep


def mean_mm(known: Distance) -> float:
    """The mean of a distance: of 400 bodies that stand evenly spread over all that it allows."""
    return mean(quantile_mm(known, (step + 0.5) / 400) for step in range(400))


def checked(site: str, body: Body, gauge: int, length: str, way: Way = STRAIGHT) -> Checked:
    into_muscle = not site.endswith("fat")
    policy = load_policy("uk")
    least = policy.least_chance_muscle if into_muscle else policy.least_chance_skin
    return check_needle(
        needle=Needle(gauge=gauge, length_mm=Fraction(length)),
        way=way,
        site=site,
        body=body,
        measured_mm=None,
        aim=aim_of(into_muscle=into_muscle, least=least, worse="", worse_times=2),
        table=UK,
        tissue=TISSUE,
    )


def codes(found: Checked) -> list[str]:
    return [one.code for one in found.findings]


# Under the skin.


@pytest.mark.parametrize(("site", "per_100", "within"), [("thigh fat", 25, 4), ("abdominal fat", 9.7, 2)])
def test_8_mm_straight_in_end_in_muscle_in_as_many_adults_as_were_counted(
    site: str, per_100: float, within: float
) -> None:
    # Hirsch L et al., Diabetes Technol Ther 2014, abstract: 8 mm at 90 degrees, no fold: thigh 25 %, abdomen 9.7 %.
    assert too_deep(distance(site, ANY_ADULT), 8) * 100 == pytest.approx(per_100, abs=within)
    known = distances_of(site, list(nhanes_adults()))
    assert len(known) > 5000
    assert mean(too_deep(one, 8) for one in known) * 100 == pytest.approx(per_100, abs=within)


@pytest.mark.parametrize(("site", "low", "high"), [("thigh fat", 10.3, 11.6), ("buttock fat", 15.9, 18.1)])
def test_half_of_all_adults_lie_within_the_published_median(site: str, low: float, high: float) -> None:
    # Hirsch L et al., Diabetes Technol Ther 2014, abstract: median 10.9 (95 % confidence 10.3 to 11.6) mm at the thigh
    # and 16.9 (15.9 to 18.1) mm at the buttock, 341 adults.
    assert low < quantile_mm(distance(site, ANY_ADULT), 0.5) < high


def test_women_have_5_1_mm_more_fat_than_men_of_the_same_body_mass_index() -> None:
    # Gibney MA et al., Curr Med Res Opin 2010;26(6):1519-30, abstract: four sites of 388 adults.
    more = [
        mean_mm(distance(site, adult("female", 30))) - mean_mm(distance(site, adult("male", 30))) for site in FAT_SITES
    ]
    assert mean(more) == pytest.approx(5.1, abs=1)


def test_10_units_of_body_mass_index_more_are_4_mm_of_fat() -> None:
    # The same: 10 kg/m2 are 4 mm of fat and 0.2 mm of skin.
    more_fat, more_skin = [], []
    for site in FAT_SITES:
        for sex in ("female", "male"):
            light, heavy = distance(site, adult(sex, 25)), distance(site, adult(sex, 35))
            more_fat.append((mean_mm(heavy) - heavy.skin_mm) - (mean_mm(light) - light.skin_mm))
            more_skin.append(heavy.skin_mm - light.skin_mm)
    assert mean(more_fat) == pytest.approx(4, abs=1.5)
    assert more_skin == pytest.approx([0.2] * 8)


@pytest.mark.parametrize(
    ("site", "expected"),
    [("upper arm fat", 2.2), ("thigh fat", 1.9), ("abdominal fat", 2.2), ("buttock fat", 2.4)],
)
def test_the_skin_is_as_thick_as_published(site: str, expected: float) -> None:
    # Gibney MA et al. 2010, abstract: means of arm, thigh, abdomen and buttock.
    assert TISSUE.skins[site].mean_mm == expected
    assert distance(site, adult("female", 30)).skin_mm == expected


@pytest.mark.parametrize(("site", "expected"), [("abdominal fat", 14.6), ("thigh fat", 6.1)])
def test_5_mm_of_fat_are_as_thick_in_a_fold_as_was_measured(site: str, expected: float) -> None:
    # Hofman PL et al., Diabet Med 2007;24(12):1400-5, abstract: 192 % and 22 % more in 72 children, so 5 x 2.92
    # and 5 x 1.22.
    times = distance(site, adult("male", 25)).fold_times
    assert lifted_fat_mm(5, times) == pytest.approx(expected)


def test_a_fold_of_a_very_lean_thigh_brings_nothing() -> None:
    # The same: in very lean thighs it fell. Nor is anything counted on where nobody measured it, at arm and buttock.
    lean = distance("thigh fat", adult("male", 19))
    assert cells_at(lean, 8, lifted=True) == cells_at(lean, 8)
    assert cells_at(distance("thigh fat", Body(age=aged(50))), 8, lifted=True) == cells_at(
        distance("thigh fat", Body(age=aged(50))), 8
    )
    for site in ("upper arm fat", "buttock fat"):
        known = distance(site, adult("female", 30))
        assert cells_at(known, 8, lifted=True) == cells_at(known, 8), site


def test_6_mm_at_45_degrees_count_as_4_mm_straight_in() -> None:
    # Frid A, Hirsch L, Strauss K, Optimal Insulin Delivery, 2018: 6 x sin 45 = 4.24 mm.
    assert tip_depth_mm(Fraction(6), 45) == pytest.approx(4.24, abs=0.005)
    slanted = checked("abdominal fat", adult("female", 25), 31, "6", SLANTED)
    straight = checked("abdominal fat", adult("female", 25), 32, "4")
    assert slanted.reach is not None
    assert straight.reach is not None
    assert slanted.reach.chance.intended == pytest.approx(straight.reach.chance.intended, abs=0.01)


# Into muscle.


def test_25_mm_reach_the_deltoid_muscle_in_85_of_100_women_under_200_lb() -> None:
    # Sebro R, Sci Rep 2022, doi 10.1038/s41598-022-05020-5, abstract: 85.3 % by 1 in, here on NHANES 2017-18.
    light = [person for person in nhanes_adults() if person.sex == "female" and person.weight_kg < 200 * 0.45359237]
    known = distances_of("deltoid", light)
    assert len(known) > 2000
    # 25.4 mm less the 5 mm that the tip must be in muscle; bone is another matter.
    assert mean(share_nearer(one, 25.4 - 5) for one in known) * 100 == pytest.approx(85.3, abs=5)


@pytest.mark.parametrize("bmi", [20, 25, 30, 40])
def test_women_have_1_41_times_the_distance_of_men_at_the_deltoid(bmi: int) -> None:
    # Poland GA et al., JAMA 1997;277:1709-11, as summarised at reliasmedia.com/articles/36463: 11.7 mm in women, 8.3 mm
    # in men of the same body-mass index; 11.7 / 8.3 = 1.41.
    women, men = distance("deltoid", adult("female", bmi)), distance("deltoid", adult("male", bmi))
    for share in (0.1, 0.5, 0.9):
        assert quantile_mm(women, share) / quantile_mm(men, share) == pytest.approx(1.41, abs=0.05)


def test_14_3_mm_do_not_reach_the_thigh_muscle_of_42_of_100_women() -> None:
    # Ann Allergy Asthma Immunol 2005, doi 10.1016/S1081-1206(10)61130-1, abstract: 21 of 50 women, computed tomography.
    women = distance("vastus lateralis", Body(age=aged(50), sex="female"))
    assert (1 - share_nearer(women, 14.3)) * 100 == pytest.approx(42, abs=8)


@pytest.mark.parametrize(("further", "dorsogluteal"), [(35, 43), (25, 72)])
def test_the_dorsogluteal_site_is_as_deep_as_published_and_the_ventrogluteal_one_less(
    further: int, dorsogluteal: int
) -> None:
    # Nisbet AC, BMJ 2006;332:637, abstract: of 100 adults 43 and 72 at the dorsogluteal site, 12 and 26 at the
    # ventrogluteal.
    behind = 1 - share_nearer(distance("dorsogluteal", ANY_ADULT), further)
    beside = 1 - share_nearer(distance("ventrogluteal", ANY_ADULT), further)
    assert behind * 100 == pytest.approx(dorsogluteal, abs=3)
    assert beside < behind


def test_the_ventrogluteal_distance_of_a_population_is_the_smaller_one_in_either_sex() -> None:
    # The same. It says nothing of the overweight alone, and nor does this.
    for sex in ("female", "male", "unknown"):
        body = Body(age=aged(50), sex=sex)
        assert quantile_mm(distance("ventrogluteal", body), 0.5) < quantile_mm(distance("dorsogluteal", body), 0.5)


def test_38_mm_are_warned_of_at_the_ventrogluteal_site_of_a_woman_of_bmi_32_and_not_of_such_a_man() -> None:
    # Am J Ther 2019;26(1):e72-e78, abstract: 37.5 mm to a body-mass index of 30 in women and of 35 in men.
    woman = checked("ventrogluteal", adult("female", 32), 21, "38")
    assert "needle-likely-short" in codes(woman)
    assert (woman.basis, woman.reach) == ("guideline", None)
    man = checked("ventrogluteal", adult("male", 32), 21, "38")
    assert codes(man) == []
    assert man.basis == "model"


# Bone.


@pytest.mark.parametrize("born", ["2026-01-01", "2025-11-01", "2025-09-01"])
def test_16_mm_straight_and_25_mm_at_45_degrees_stay_short_of_an_infants_bone(born: str) -> None:
    # Cook IF, Murtagh J, Aust Fam Physician 2002;31(3):295-7, abstract: both taken from 2 to 18 months, of which 2, 4
    # and 6 have a mean to bone here; 25 x sin 45 = 17.7 mm.
    infant = Body(age=Age.between(date.fromisoformat(born), TODAY))
    assert tip_depth_mm(Fraction(25), 45) == pytest.approx(17.7, abs=0.05)
    for length, way in (("16", STRAIGHT), ("25", SLANTED)):
        assert "bone-possible-infant" not in codes(checked("vastus lateralis", infant, 25, length, way)), length
    assert "bone-possible-infant" in codes(checked("vastus lateralis", infant, 25, "25"))


def test_25_mm_straight_into_the_thigh_of_an_infant_of_2_months_are_warned_of_with_19_1_mm_to_bone() -> None:
    # The same: 8.6 mm of fat and 10.5 mm of muscle on average, 19.1 together.
    found = checked("vastus lateralis", Body(age=Age.between(date(2026, 1, 1), TODAY)), 25, "25").findings
    assert ["19.1 mm" in one.message for one in found if one.code == "bone-possible-infant"] == [True]


def test_25_mm_go_past_the_bone_of_every_infant_under_12_weeks() -> None:
    # Kumar P et al., J Trop Pediatr 2019;66:114-120, abstract: 17.04 (SD 2.66) mm in 300 infants; 25 mm over-penetrate
    # in 100 %. (25 - 17.04) / 2.66 = 2.99 standard deviations.
    row = next(row for row in UK.bones if row.mean_mm == Fraction("17.04"))
    assert row.ages.covers(Age.between(date(2026, 1, 1), TODAY))
    assert share_at_bone(Fraction(25), row) * 100 == pytest.approx(100, abs=0.5)


# Push and time.


def test_2_ml_into_muscle_take_20_seconds_in_a_whole_plan() -> None:
    # Open RN, Nursing Skills, chapter 18.6: 10 seconds for each mL.
    read = read_request(
        {
            "format": 1,
            "now": "2026-03-02T09:00:00+00:00",
            "policy": {"preset": "uk"},
            "patient": {"born": "1980-01-01", "sex": "female", "allergies": "none known"},
            "order": {
                "medicine": "velorin",
                "route": "intramuscular",
                "start": "2026-03-01",
                "dose": {"amount": "100 mg"},
            },
            "medicine": {
                "name": "velorin",
                "presentations": [{"container": "ampoule", "strength": "50 mg/mL", "volume": "2 mL"}],
            },
            "history": [],
        }
    )
    plan = plan_injection(read.request, policy=read.policy, tables=read.tables)
    assert [injection.needle.seconds for injection in plan.injections] == [20]


@pytest.mark.parametrize(
    ("newtons", "band"),
    [(15, "note"), (20, "note"), (20.01, "ask"), (30, "ask"), (40, "ask"), (40.01, "stop"), (45, "stop")],
)
def test_a_push_is_accepted_to_20_n_and_refused_over_40(newtons: float, band: str) -> None:
    # Watt RP et al., Int J Pharm 2019;554:376-386, abstract: aim at 20 N or less, 40 N at most.
    assert push_band(newtons) == band


@pytest.mark.parametrize(
    ("gauge", "length", "viscosity", "kilopascals"),
    [
        # Hagen-Poiseuille, 128 x viscosity x length x flow / (pi x bore^4), at 0.1 mL/s, by hand: 128 x 0.05 x 0.0381 x
        # 1e-7 / (pi x 0.000514^4) = 111.2 kPa; 128 x 0.001 x 0.025 x 1e-7 / (pi x 0.00026^4) = 22.3 kPa.
        (21, "38.1", 50, 111.2),
        (25, "25", 1, 22.3),
    ],
)
def test_the_pressure_in_a_needle_follows_from_the_bore_of_its_gauge(
    gauge: int, length: str, viscosity: int, kilopascals: float
) -> None:
    bore = next(row.inner_mm for row in UK.bores if row.gauge == gauge)
    pascals = pressure_pa(Fraction(viscosity), Fraction("0.1"), Fraction(length), bore)
    assert pascals / 1000 == pytest.approx(kilopascals, abs=0.05)


def test_23_g_takes_5_41_times_the_push_of_21_g_through_any_barrel() -> None:
    # (0.514 / 0.337)^4 = 5.41: the fourth power of the bores' ratio.
    for bore in ("4.8", "8.7", "14.5"):
        flow = Flow(viscosity_mpa_s=Fraction(30), ml_per_second=Fraction("0.1"), barrel_bore_mm=Fraction(bore))
        thin = push_newtons(Needle(gauge=23, length_mm=Fraction(38)), flow, UK.bores)
        wide = push_newtons(Needle(gauge=21, length_mm=Fraction(38)), flow, UK.bores)
        assert thin is not None
        assert wide is not None
        assert thin / wide == pytest.approx(5.41, abs=0.005)


def test_outer_diameters_and_dead_spaces_are_the_published_ones() -> None:
    # Needle gauge comparison chart, en.wikipedia.org/wiki/Needle_gauge_comparison_chart: 27, 25, 23 and 21 G.
    outer = {bore.gauge: float(bore.outer_mm) for bore in UK.bores}
    assert [outer[gauge] for gauge in (27, 25, 23, 21)] == [0.413, 0.514, 0.641, 0.819]
    # Variation in syringes and needles dead space compared to the ISO 7886-1:2018 standards, abstract: barrels of 5 and
    # 10 mL at most 0.075 and 0.10 mL, needles of 21 and 23 G 0.05 mL.
    spaces = {int(barrel.capacity_ml): barrel.dead_space_ml for barrel in load_barrels()}
    assert (spaces[5], spaces[10]) == (Fraction("0.075"), Fraction("0.10"))
    assert load_needle_dead_space() == {21: Fraction("0.05"), 23: Fraction("0.05")}


# One number worked from nothing but the row, so that the model itself is not its own witness.


def test_a_share_is_the_one_that_pencil_and_table_give() -> None:
    # Deltoid row, woman of body-mass index 33: ln 13.17 + 0.0361 x (33 - 29.1) + 0.343 / 2 = 2.8902, so a median of
    # 18.0 mm; (ln 20 - 2.8902) / 0.2455 = 0.430, and a normal table gives 0.6664 at 0.430.
    assert log(13.17) + 0.0361 * 3.9 + 0.1715 == pytest.approx(2.8902, abs=0.0001)
    woman = distance("deltoid", adult("female", 33))
    assert quantile_mm(woman, 0.5) == pytest.approx(exp(2.8902), abs=0.002)
    assert share_nearer(woman, 20) == pytest.approx(0.6664, abs=0.0005)
