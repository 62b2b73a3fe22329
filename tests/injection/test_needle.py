"""Needle, angle, push and technique: published guideline rows, a measured depth, and where the evidence ends."""

from datetime import date
from fractions import Fraction
from typing import Any

import pytest

from drawup.evidence.policies import load_policy
from drawup.evidence.tables import load_needle_table, load_resistance, load_tissue
from drawup.injection.flow import Flow, pressure_pa, push_newtons
from drawup.injection.guideline import Body
from drawup.injection.needle import (
    FLOAT_FUNCTIONS,
    DrawingUp,
    NeedleChoice,
    choose_needle,
    drawing_up_needle,
    needle_words,
    row_for,
)
from drawup.injection.patient import Age
from drawup.injection.policy import Needle
from drawup.injection.reach import aim_of
from drawup.injection.technique import draws_back, technique
from drawup.injection.tissue import tip_depth_mm

TODAY = date(2026, 3, 2)
POLICY = load_policy("uk")
BORES = load_needle_table("uk").bores


def needle(gauge: int, length: str) -> Needle:
    return Needle(gauge=gauge, length_mm=Fraction(length))


def aged(born: str) -> Age:
    return Age.between(date.fromisoformat(born), TODAY)


def chosen_for(site: str, *, born: str | None = "1980-01-01", table: str = "uk", **other: Any) -> NeedleChoice:
    route = "subcutaneous" if site.endswith("fat") else "intramuscular"
    known: dict[str, Any] = {"sex": "female", "weight_kg": Fraction("62.5"), "bmi": Fraction(22)}
    for key in ("sex", "weight_kg", "bmi", "born_at_weeks", "larger_arm", "pregnant"):
        if key in other:
            known[key] = other.pop(key)
    into_muscle = route == "intramuscular"
    least = POLICY.least_chance_muscle if into_muscle else POLICY.least_chance_skin
    aim = aim_of(into_muscle=into_muscle, least=least, worse=other.pop("worse", ""), worse_times=2)
    given: dict[str, Any] = {
        "route": route,
        "site": site,
        "body": Body(age=aged(born) if born is not None else None, **known),
        "measured_mm": None,
        "tissue": load_tissue(),
        "resistance": load_resistance(),
        "aim": aim,
        "drawer": POLICY.needles,
        "table": load_needle_table(table),
        "least_gauge": None,
        "viscosity_mpa_s": None,
        "ml_per_second": Fraction(1, 10),
        "barrel_bore_mm": Fraction("8.7"),
        "bleeding": False,
        "fixed": None,
        "chosen": None,
        "notation": POLICY.notation,
        "volume_ml": Fraction(2),
    }
    return choose_needle(**{**given, **other})


def codes(choice: NeedleChoice) -> list[str]:
    return [found.code for found in choice.findings]


def why_not(choice: NeedleChoice, other: Needle) -> str:
    return dict(choice.others)[other]


def taken(choice: NeedleChoice) -> str:
    return needle_words(choice.needle) if choice.needle is not None else "none"


# Guideline rows, as published.

AIH = "Australian Immunisation Handbook, table of 5 June 2018"
CDC = "CDC general best practice, as reproduced on immunize.org and in Vaccine 2022;40:9-10"
STUDY = "Poland GA et al., JAMA 1997;277:1709-11, as summarised at reliasmedia.com/articles/36463"
ROWS = [
    # table, site, born, sex, kg, weeks; shortest and longest mm, widest and finest gauge, angle; source
    ("au", "deltoid", "1980-01-01", "female", 62, None, (25, 25, 22, 25, 90), AIH),
    ("au", "vastus lateralis", "2026-01-15", "male", 4, 34, (16, 16, 23, 25, 90), AIH),
    ("au", "vastus lateralis", "2025-12-15", "male", 4, 34, (25, 25, 22, 25, 90), AIH),
    ("au", "deltoid", "1980-01-01", "female", 95, None, (38, 38, 22, 25, 90), AIH),
    ("au", "abdominal fat", "1980-01-01", "female", 62, None, (16, 16, 25, 27, 45), AIH),
    ("us", "deltoid", "1980-01-01", "female", 95, None, (38, 38, 22, 25, 90), CDC),
    ("us", "deltoid", "1980-01-01", "male", 95, None, (25, 38, 22, 25, 90), CDC),
    ("us", "deltoid", "1980-01-01", "male", 125, None, (38, 38, 22, 25, 90), CDC),
    ("us", "deltoid", "1980-01-01", "female", 65, None, (25, 25, 22, 25, 90), CDC),
    ("us", "deltoid", "1980-01-01", "female", 50, None, (16, 25, 22, 25, 90), CDC),
    ("us", "vastus lateralis", "2025-09-02", "male", 8, None, (25, 25, 22, 25, 90), CDC),
    ("us", "vastus lateralis", "2026-02-16", "male", 4, None, (16, 16, 22, 25, 90), CDC),
    ("us", "deltoid", "2021-01-15", "male", 18, None, (16, 25, 22, 25, 90), CDC),
    ("us", "vastus lateralis", "2021-01-15", "male", 18, None, (25, 32, 22, 25, 90), CDC),
    ("us", "thigh fat", "2025-07-02", "male", 8, None, (16, 16, 23, 25, 45), CDC),
    ("us", "upper arm fat", "2023-02-02", "male", 14, None, (16, 16, 23, 25, 45), CDC),
    (
        "uk",
        "vastus lateralis",
        "2025-12-01",
        "male",
        6,
        None,
        (25, 25, 23, 25, 90),
        "Cochrane CD010720.pub3, appendix 1",
    ),
    ("uk", "deltoid", "1980-01-01", "male", 80, None, (25, 25, 23, 25, 90), "Cochrane CD010720.pub3, appendix 1"),
    ("deltoid 1997", "deltoid", "1980-01-01", "female", 55, None, (16, 16, 22, 25, 90), STUDY),
    ("deltoid 1997", "deltoid", "1980-01-01", "female", 75, None, (25, 25, 22, 25, 90), STUDY),
    ("deltoid 1997", "deltoid", "1980-01-01", "female", 95, None, (38, 38, 22, 25, 90), STUDY),
]


@pytest.mark.parametrize(("table", "site", "born", "sex", "kg", "weeks", "expected", "source"), ROWS)
def test_the_guidelines_row_is_the_published_one(
    table: str,
    site: str,
    born: str,
    sex: str,
    kg: int,
    weeks: int | None,
    expected: tuple[Fraction | int, ...],
    source: str,
) -> None:
    body = Body(age=aged(born), sex=sex, weight_kg=Fraction(kg), born_at_weeks=weeks)
    route = "subcutaneous" if site.endswith("fat") else "intramuscular"
    row, missing = row_for(load_needle_table(table), route, site, body)
    assert row is not None, source
    found = row.shortest_mm, row.longest_mm, row.widest_gauge, row.finest_gauge, row.angle_deg
    assert found == expected, source
    assert missing == ""


def test_16_mm_at_the_deltoid_below_60_kg_comes_with_its_condition() -> None:
    # CDC handout p3085: only with the skin stretched, not bunched, at 90 degrees.
    row, _ = row_for(
        load_needle_table("us"), "intramuscular", "deltoid", Body(age=aged("1980-01-01"), weight_kg=Fraction(50))
    )
    assert row is not None
    assert "stretched" in row.note


def test_the_published_outer_diameters_are_kept() -> None:
    # Needle gauge comparison chart: 27, 25, 23, 21 G.
    outer = {bore.gauge: bore.outer_mm for bore in BORES}
    assert [outer[gauge] for gauge in (27, 25, 23, 21)] == [
        Fraction("0.413"),
        Fraction("0.514"),
        Fraction("0.641"),
        Fraction("0.819"),
    ]


# The choice.


def test_3_ml_at_the_thigh_of_a_woman_of_62_5_kg_get_23_g_25_mm_straight_in_over_30_seconds() -> None:
    # The design's own example; 25 mm by UK JCVI; 3 mL at 10 seconds per mL (Open RN 18.6).
    choice = chosen_for("vastus lateralis", volume_ml=Fraction(3))
    assert taken(choice) == "23 G 25 mm"
    assert (choice.angle_deg, choice.seconds, choice.basis) == (90, 30, "model")
    # 14.8 (SD 7.2) mm to the muscle in women (computed tomography, 2005), so 20 mm or less in about 80 of 100.
    assert choice.reach is not None
    assert choice.reach.chance.intended == pytest.approx(0.81, abs=0.02)
    assert choice.force_n is None
    assert codes(choice) == []


def test_1_ml_or_less_gets_the_finer_needle() -> None:
    assert taken(chosen_for("deltoid", volume_ml=Fraction(1))) == "25 G 25 mm"
    assert taken(chosen_for("deltoid", volume_ml=Fraction("1.01"))) == "23 G 25 mm"


def test_2_ml_into_muscle_take_at_least_20_seconds() -> None:
    # Open RN 18.6: 10 seconds per mL.
    assert chosen_for("ventrogluteal", volume_ml=Fraction(2)).seconds == 20
    assert chosen_for("vastus lateralis", volume_ml=Fraction("0.87")).seconds == 9


def test_every_other_needle_says_why_not() -> None:
    choice = chosen_for("deltoid", volume_ml=Fraction("0.5"))
    assert set(dict(choice.others)) == set(POLICY.needles) - {choice.needle}
    assert why_not(choice, needle(25, "16")) == "shorter than 25 mm"
    assert why_not(choice, needle(21, "50")) == "longer than 25 mm"
    assert why_not(choice, needle(23, "25")) == "would do, but 25 G is taken first for this volume"


def test_a_needle_sold_in_inches_counts_as_the_nearest_length() -> None:
    assert taken(chosen_for("deltoid", drawer=(needle(23, "25.4"),))) == "23 G 25.4 mm"


def test_a_drawer_without_the_length_is_a_stop_that_names_it() -> None:
    choice = chosen_for("deltoid", drawer=(needle(25, "16"), needle(21, "38")))
    assert choice.needle is None
    assert codes(choice) == ["needle-none-fits"]
    assert "25 mm" in choice.findings[0].message
    assert "23 to 25 G" in choice.findings[0].do


def test_an_empty_drawer_is_a_stop() -> None:
    assert codes(chosen_for("deltoid", drawer=())) == ["needle-none-fits"]


def test_a_length_that_fits_in_another_gauge_is_proposed_with_a_question() -> None:
    choice = chosen_for("deltoid", drawer=(needle(21, "25"),))
    assert taken(choice) == "21 G 25 mm"
    assert codes(choice) == ["needle-outside-guideline"]


def test_the_labels_gauge_is_a_limit_to_how_narrow_the_bore_may_be() -> None:
    drawer = (needle(25, "25"), needle(23, "25"), needle(21, "25"))
    choice = chosen_for("deltoid", drawer=drawer, least_gauge=21)
    assert taken(choice) == "21 G 25 mm"
    assert codes(choice) == []
    assert "narrower than 21 G" in why_not(choice, needle(23, "25"))
    assert "21 G or wider" in chosen_for("deltoid", least_gauge=21).findings[0].do


def test_a_woman_over_90_kg_gets_38_mm_and_a_man_of_95_kg_25_mm_at_the_deltoid() -> None:
    # Weights: Ireland NIAC 2016 (Cochrane CD010720.pub3, appendix 1) and CDC.
    assert taken(chosen_for("deltoid", weight_kg=Fraction(95))) == "21 G 38 mm"
    assert taken(chosen_for("deltoid", weight_kg=Fraction(95), sex="male")) == "23 G 25 mm"
    assert taken(chosen_for("deltoid", weight_kg=Fraction(125), sex="male")) == "21 G 38 mm"


def test_an_unknown_sex_is_taken_for_the_deeper_body() -> None:
    assert taken(chosen_for("deltoid", weight_kg=Fraction(95), sex="unknown")) == "21 G 38 mm"


def test_an_arm_measured_as_large_gets_38_mm_without_a_weight() -> None:
    assert taken(chosen_for("deltoid", weight_kg=None, larger_arm=True)) == "21 G 38 mm"


def test_a_missing_weight_is_never_demanded_and_said_only_where_it_would_have_chosen_the_row() -> None:
    # A note asks nobody to weigh: it says what to do for an arm that looks large.
    assert codes(chosen_for("deltoid", weight_kg=None, bmi=None)) == ["arm-size-not-known"]
    american = chosen_for("deltoid", table="us", weight_kg=None, bmi=None)
    assert taken(american) == "23 G 25 mm"
    assert codes(american) == ["arm-size-not-known", "needle-by-guideline"]


def test_a_preterm_baby_gets_16_mm() -> None:
    choice = chosen_for("vastus lateralis", born="2026-02-01", born_at_weeks=34, weight_kg=Fraction(3))
    assert taken(choice) == "25 G 16 mm"


# Ventrogluteal and the published cut-off.

LARGE_WOMAN: dict[str, Any] = {
    "born": "1973-05-05",
    "weight_kg": Fraction(104),
    "bmi": Fraction("39.6"),
    "viscosity_mpa_s": Fraction(50),
}


def test_38_mm_come_first_at_the_ventrogluteal_site_of_an_adult() -> None:
    # Am J Ther 2019: over 20 mm to the muscle in 106 of 224 women, so that 25 mm is short in many.
    assert taken(chosen_for("ventrogluteal")) == "21 G 38 mm"


def test_a_woman_of_bmi_39_6_gets_50_mm_beyond_the_evidence_with_a_question() -> None:
    # Scenario 3; Am J Ther 2019: 37.5 mm to BMI 30 in women.
    choice = chosen_for("ventrogluteal", **LARGE_WOMAN)
    assert taken(choice) == "21 G 50 mm"
    assert choice.basis == "guideline"
    assert codes(choice) == ["needle-beyond-evidence", "push-force-easy"]
    assert "not likely to reach" in why_not(choice, needle(21, "38"))


@pytest.mark.parametrize(
    ("sex", "bmi", "expected"),
    [
        ("female", 32, ["needle-likely-short"]),
        ("female", 29, []),
        ("male", 32, []),
        ("male", 36, ["needle-likely-short"]),
        ("unknown", 32, ["needle-likely-short"]),
    ],
)
def test_38_mm_chosen_over_the_published_cut_off_are_not_likely_to_reach(
    sex: str, bmi: int, expected: list[str]
) -> None:
    # Am J Ther 2019: upper BMI for 37.5 mm 30 in women, 35 in men.
    choice = chosen_for("ventrogluteal", sex=sex, bmi=Fraction(bmi), chosen=needle(21, "38"))
    assert codes(choice) == expected


def test_without_a_50_mm_needle_it_is_a_stop_that_names_it() -> None:
    choice = chosen_for("ventrogluteal", **LARGE_WOMAN, drawer=POLICY.needles[:4])
    assert codes(choice) == ["needle-none-fits"]
    assert "50 mm" in choice.findings[0].do


def test_an_unknown_body_mass_index_is_said_at_the_ventrogluteal_site() -> None:
    assert codes(chosen_for("ventrogluteal", bmi=None)) == ["needle-by-guideline"]


# A measured depth.


def test_with_41_mm_measured_38_mm_fall_3_mm_short_and_50_mm_end_9_mm_in_the_muscle() -> None:
    # Scenario 3: 41 - 38 = 3; 50 - 41 = 9, at least 5 wanted (Poland 1997).
    choice = chosen_for("ventrogluteal", **LARGE_WOMAN, measured_mm=Fraction(41))
    assert taken(choice) == "21 G 50 mm"
    assert choice.basis == "measured"
    assert codes(choice) == ["push-force-easy"]
    assert why_not(choice, needle(21, "38")) == "3 mm short of the fascia"
    assert "9 mm into it" in choice.reasons[0]


def test_a_chosen_needle_that_falls_short_of_the_measured_depth_is_a_stop() -> None:
    choice = chosen_for("ventrogluteal", **LARGE_WOMAN, measured_mm=Fraction(41), chosen=needle(21, "38"))
    assert codes(choice) == ["needle-falls-short", "push-force-easy"]
    assert "3 mm short of the fascia" in choice.findings[0].message


@pytest.mark.parametrize(("measured", "expected"), [("20", "23 G 25 mm"), ("20.1", "21 G 38 mm")])
def test_exactly_5_mm_into_the_muscle_are_enough(measured: str, expected: str) -> None:
    assert taken(chosen_for("deltoid", measured_mm=Fraction(measured))) == expected


def test_a_measured_depth_that_no_needle_reaches_is_a_stop_that_names_the_length() -> None:
    choice = chosen_for("ventrogluteal", measured_mm=Fraction(48))
    assert codes(choice) == ["needle-none-fits"]
    assert "at least 53 mm" in choice.findings[0].do


# Push.


def test_the_pressure_through_21_g_38_1_mm_is_111_kpa() -> None:
    # Hagen-Poiseuille by hand: 128 x 0.05 x 0.0381 x 1e-7 / (pi x 0.000514^4) = 111,200 Pa.
    pressure = pressure_pa(Fraction(50), Fraction("0.1"), Fraction("38.1"), Fraction("0.514"))
    assert pressure == pytest.approx(111_200, rel=0.001)


def test_the_pressure_through_25_g_25_mm_of_water_is_22_3_kpa() -> None:
    pressure = pressure_pa(Fraction(1), Fraction("0.1"), Fraction(25), Fraction("0.260"))
    assert pressure == pytest.approx(22_300, rel=0.002)


def test_23_g_takes_5_41_times_the_push_of_21_g() -> None:
    # (0.514 / 0.337)^4 = 5.41.
    flow = Flow(viscosity_mpa_s=Fraction(50), ml_per_second=Fraction("0.1"), barrel_bore_mm=Fraction("8.7"))
    thin, wide = push_newtons(needle(23, "50"), flow, BORES), push_newtons(needle(21, "50"), flow, BORES)
    assert thin is not None
    assert wide is not None
    assert thin / wide == pytest.approx(5.41, abs=0.005)


def test_oil_of_50_mpa_s_through_21_g_50_mm_takes_8_7_n() -> None:
    # Scenario 3: 145.9 kPa x 59.4 mm2 = 8.7 N in a barrel of 8.7 mm bore (the bore is from memory, given here).
    assert chosen_for("ventrogluteal", **LARGE_WOMAN).force_n == pytest.approx(8.7, abs=0.05)


def test_the_same_oil_through_23_g_takes_47_n_and_is_a_stop_that_says_which_gauge() -> None:
    choice = chosen_for("ventrogluteal", **LARGE_WOMAN, drawer=(needle(23, "50"),))
    assert choice.force_n == pytest.approx(47, abs=0.5)
    assert codes(choice) == ["needle-beyond-evidence", "push-force-over"]
    assert "21 G or wider" in choice.findings[1].do


def test_a_wider_needle_is_taken_when_the_finer_one_cannot_be_pressed() -> None:
    drawer = (needle(23, "50"), needle(21, "50"))
    choice = chosen_for("ventrogluteal", **LARGE_WOMAN, drawer=drawer)
    assert taken(choice) == "21 G 50 mm"
    assert why_not(choice, needle(23, "50")) == "about 50 N of push"  # 47 N, and 3 N of friction


@pytest.mark.parametrize(
    ("viscosity", "newtons", "expected"),
    [("86.5", 15, ["push-force-easy"]), ("172.9", 30, ["push-force-hard"]), ("259.4", 45, ["push-force-over"])],
)
def test_15_n_are_accepted_30_n_warned_of_and_45_n_refused(viscosity: str, newtons: int, expected: list[str]) -> None:
    # Watt 2019: aim at 20 N or less, at most 40 N. The viscosity is turned to give the push: 8.675 N at 50 mPa.s for
    # the liquid; friction adds 3 N (common practice, no source).
    given = {**LARGE_WOMAN, "viscosity_mpa_s": Fraction(viscosity), "measured_mm": Fraction(41)}
    choice = chosen_for("ventrogluteal", **given)
    assert choice.force_n == pytest.approx(newtons, abs=0.05)
    assert codes(choice) == expected


def test_without_a_viscosity_no_push_is_told() -> None:
    assert chosen_for("ventrogluteal", viscosity_mpa_s=None).force_n is None


# Bone.


def test_at_83_years_25_mm_may_touch_bone_in_74_of_100_and_in_44_with_3_mm_showing() -> None:
    # Scenario 4; Nakayama 2022, 75 years and over: 22.54, SD 3.85 mm. z = 0.639 and -0.140: 0.739 and 0.444.
    choice = chosen_for("deltoid", born="1942-09-09", sex="male", weight_kg=Fraction(58), bleeding=True)
    assert codes(choice) == ["bone-possible"]
    assert "in 74 of 100" in choice.findings[0].message
    assert "in 44" in choice.findings[0].message
    assert "leave 3 mm of it showing" in choice.technique[1]


def test_from_65_to_74_years_the_other_row_counts_and_below_none() -> None:
    # Nakayama 2022, 65 to 74 years: 25.41, SD 4.24 mm. z = -0.097 and -0.804: 0.461 and 0.211.
    choice = chosen_for("deltoid", born="1956-09-09")
    assert "in 46 of 100" in choice.findings[0].message
    assert "in 21" in choice.findings[0].message
    assert codes(chosen_for("deltoid", born="1961-03-03")) == []


def test_in_an_infant_of_2_months_25_mm_straight_in_is_warned_of_bone() -> None:
    # Cook and Murtagh 2002, 2 months: 8.6 + 10.5 = 19.1 mm to the bone on average.
    choice = chosen_for("vastus lateralis", born="2026-01-01", weight_kg=None, bmi=None, volume_ml=Fraction("0.5"))
    assert taken(choice) == "25 G 25 mm"
    assert codes(choice) == ["bone-possible-infant"]
    assert "19.1 mm" in choice.findings[0].message


def test_16_mm_straight_and_25_mm_at_45_degrees_stay_short_of_an_infants_bone() -> None:
    # Cook and Murtagh 2002: both accepted from 2 to 18 months; 25 x sin 45 = 17.7 mm.
    assert tip_depth_mm(Fraction(25), 45) == pytest.approx(17.7, abs=0.05)
    assert tip_depth_mm(Fraction(16), 90) == pytest.approx(16)
    mean = load_needle_table("uk").bones[2].mean_mm
    assert mean == Fraction("19.1")
    assert tip_depth_mm(Fraction(25), 45) < mean < tip_depth_mm(Fraction(25), 90)
    short = chosen_for("vastus lateralis", born="2026-01-01", chosen=needle(25, "16"))
    assert "bone-possible-infant" not in codes(short)


# Bleeding.


def test_a_bleeding_risk_gets_the_finer_needle_and_asks_about_a_wide_one() -> None:
    # Scenario 4; 23 G or finer is common practice.
    assert taken(chosen_for("deltoid", bleeding=True, volume_ml=Fraction(2))) == "25 G 25 mm"
    assert codes(chosen_for("ventrogluteal", bleeding=True)) == ["needle-outside-guideline"]
    assert taken(chosen_for("ventrogluteal", bleeding=True)) == "21 G 38 mm"


def test_no_weight_on_file_changes_nothing_for_a_fixed_dose() -> None:
    # Scenario 4.
    given: dict[str, Any] = {"born": "1942-09-09", "sex": "male", "bleeding": True, "volume_ml": Fraction("0.5")}
    with_weight = chosen_for("deltoid", **given, weight_kg=Fraction(58), bmi=Fraction("20.1"))
    without = chosen_for("deltoid", **given, weight_kg=None, bmi=None)
    assert with_weight.findings == without.findings
    assert with_weight.technique == without.technique
    assert taken(with_weight) == taken(without)
    assert taken(without) == "25 G 25 mm"


# Under the skin, and fixed needles.


def test_16_mm_under_the_skin_go_in_at_45_degrees_into_a_lifted_fold() -> None:
    # Australian Immunisation Handbook 2018.
    choice = chosen_for("abdominal fat", volume_ml=Fraction("0.33"), table="au")
    assert taken(choice) == "25 G 16 mm"
    assert choice.angle_deg == 45
    assert "Lift a fold" in choice.technique[0]


@pytest.mark.parametrize(
    ("born", "bmi", "angle"), [("1958-01-01", 27, 90), ("1958-01-01", 17, 45), ("2016-01-01", 16, 45)]
)
def test_a_fixed_needle_of_12_7_mm_goes_straight_into_a_fold_or_at_45_degrees_in_the_slight(
    born: str, bmi: int, angle: int
) -> None:
    # Open RN 18.5: 90 degrees in a normal or obese adult, 45 in a thin one.
    choice = chosen_for("abdominal fat", born=born, bmi=Fraction(bmi), fixed=needle(29, "12.7"))
    assert choice.needle == needle(29, "12.7")
    assert choice.angle_deg == angle
    assert "Lift a fold" in choice.technique[0]
    assert codes(choice) == []
    assert choice.others == ()


def test_a_short_needle_of_an_adult_goes_straight_in_without_a_fold() -> None:
    choice = chosen_for("abdominal fat", fixed=needle(32, "4"))
    assert choice.angle_deg == 90
    assert choice.technique == ("Put the needle in at 90 degrees, all the way.",)


def test_a_fixed_needle_is_a_given_of_the_device_and_its_label() -> None:
    # What it reaches is said, and asks for nothing: the maker chose it. Where it misses more often than not, it is
    # asked about all the same: 16 mm at a deltoid with 12 mm to the muscle in the middle, or 6 mm in anybody.
    assert codes(chosen_for("deltoid", fixed=needle(25, "18"))) == ["layer-chance-note"]
    assert codes(chosen_for("deltoid", fixed=needle(25, "16"))) == ["layer-chance-low"]
    assert codes(chosen_for("deltoid", fixed=needle(25, "6"), weight_kg=None, bmi=None)) == ["layer-chance-low"]


def test_a_weight_that_no_height_can_make_lean_counts_as_a_body_mass_index() -> None:
    # 150 kg at 2.2 m are 31 kg/m2: over the cut-off of 30 for women, whatever the height (Am J Ther 2019).
    heavy = chosen_for("ventrogluteal", weight_kg=Fraction(150), bmi=None)
    assert taken(heavy) == "21 G 50 mm"
    assert codes(heavy) == ["needle-beyond-evidence"]
    assert heavy.reach is None
    # 140 kg at 2.2 m are 28.9 kg/m2: nothing is known.
    assert chosen_for("ventrogluteal", weight_kg=Fraction(140), bmi=None).reach is not None


def test_a_chosen_needle_into_muscle_outside_the_row_is_asked_about_with_both_reasons() -> None:
    choice = chosen_for("deltoid", chosen=needle(21, "38"))
    assert codes(choice) == ["needle-outside-guideline"]
    assert "longer than 25 mm and wider than 23 G" in choice.findings[0].message


def test_a_long_needle_under_the_skin_is_asked_about() -> None:
    assert codes(chosen_for("thigh fat", chosen=needle(25, "25"))) == ["needle-outside-guideline", "layer-chance-note"]


# Technique.


def test_drawing_back_goes_by_the_label_then_by_the_site_then_by_the_route() -> None:
    assert draws_back("intramuscular", "deltoid", True, POLICY)
    assert not draws_back("intramuscular", "dorsogluteal", False, POLICY)
    assert draws_back("intramuscular", "dorsogluteal", None, POLICY)
    assert not draws_back("intramuscular", "deltoid", None, POLICY)
    assert not draws_back("subcutaneous", "abdominal fat", None, POLICY)


def steps(site: str, **other: Any) -> str:
    choice = chosen_for(site)
    route = "subcutaneous" if site.endswith("fat") else "intramuscular"
    return "\n".join(technique(route=route, site=site, choice=choice, policy=POLICY, **other))


def drawn(**other: Any) -> DrawingUp:
    given = {"label_filter": False, "from_ampoule": False, "oily": False, "gauge": 18, "change": True}
    return drawing_up_needle(**{**given, **other})


def test_oil_from_an_ampoule_is_drawn_through_a_filter_needle_that_is_then_changed() -> None:
    # Scenario 3.
    assert "filter needle, then change it" in steps("ventrogluteal", drawing_up=drawn(from_ampoule=True, oily=True))
    assert drawn(from_ampoule=True).kind == drawn(oily=True).kind == "blunt"
    assert drawn(label_filter=True).kind == "filter"
    assert "never goes into a patient" in drawn(label_filter=True).because


def test_the_needle_to_draw_up_with_is_wide_and_is_changed_by_policy() -> None:
    # Common practice, no source.
    assert "wide blunt needle (18 G), then change it" in steps("deltoid", drawing_up=drawn())
    assert "change it" not in steps("deltoid", drawing_up=drawn(change=False))
    assert drawn(change=False, label_filter=True).change


def test_a_z_track_replaces_the_flat_stretch_into_muscle_only() -> None:
    said = steps("ventrogluteal", z_track=True)
    assert "to one side" in said
    assert "Stretch" not in said
    assert "to one side" not in steps("abdominal fat", z_track=True)


def test_a_bleeding_risk_is_pressed_for_2_minutes_without_rubbing_and_warned_of_a_bruise() -> None:
    # Scenario 4.
    said = steps("deltoid", bleeding=True)
    assert "2 minutes without rubbing" in said
    assert "bruise" in said


def test_a_device_is_kept_in_as_long_as_its_label_says() -> None:
    said = steps("thigh fat", fixed_needle=True, keep_in_seconds=10)
    assert "keep the needle in for 10 seconds" in said
    assert "Draw up" not in said


def test_every_way_starts_with_clean_hands_and_ends_in_the_sharps_box() -> None:
    for site in ("deltoid", "dorsogluteal", "abdominal fat"):
        lines = steps(site).splitlines()
        assert lines[0] == "Clean your hands."
        assert "sharps box" in lines[-1]
        assert all(line.endswith(".") for line in lines)


def test_the_names_that_may_hold_a_float_are_the_ones_listed() -> None:
    assert set(FLOAT_FUNCTIONS) == {"share_at_bone"}
