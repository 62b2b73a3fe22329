"""Where an injection goes: proposal, division, rotation of sides, what is ruled out, and the clinician's own choice."""

from collections.abc import Callable
from datetime import UTC, date, datetime
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drawup.evidence.policies import load_policy
from drawup.evidence.tables import load_grids, load_sites
from drawup.injection.patient import Age, RuledOut
from drawup.injection.policy import SiteLimit
from drawup.injection.rotation import skin_state, wear_of
from drawup.injection.site import (
    NOTHING_CHOSEN,
    SiteChoice,
    SiteChosen,
    choose_sites,
    divide_volume,
    far_enough,
    with_limits,
)
from drawup.injection.skin import PastInjection, SkinPlace, skin_map

TODAY = date(2026, 3, 2)
ADULT, CHILD_OF_4, INFANT = "1980-01-01", "2021-05-14", "2025-12-01"
POLICY = load_policy("uk")
BARRELS = [(Fraction(1), Fraction("0.01")), (Fraction(2), Fraction("0.1")), (Fraction(5), Fraction("0.2"))]
UNDER_5_YEARS = SiteLimit(
    route="intramuscular", site="", from_days=0, below_days=1826, soft_ml=Fraction(1), hard_ml=Fraction(2)
)


def interval_for(part: Fraction) -> Fraction | None:
    """The scale interval of the smallest of three barrels that holds the part."""
    return next((interval for capacity, interval in BARRELS if part <= capacity), None)


def policy_order(route: str, age: Age | None) -> tuple[str, ...]:
    for row in POLICY.site_order:
        if row.route == route and (row.below_days is None or (age is not None and age.days < row.below_days)):
            return row.sites
    return ()


def sites_for(volume: str, *, born: str | None = ADULT, route: str = "intramuscular", **other: Any) -> SiteChoice:
    age = Age.between(date.fromisoformat(born), TODAY) if born is not None else None
    given: dict[str, Any] = {
        "route": route,
        "age": age,
        "volume_ml": Fraction(volume),
        "interval_for": interval_for,
        "sites": load_sites(),
        "order": policy_order(route, age),
        "medicine_sites": (),
        "ordered_site": None,
        "ruled_out": (),
        "label_limit_ml": None,
        "recent": (),
        "chosen": NOTHING_CHOSEN,
        "usual_injections": 2,
        "most_injections": 4,
        "notation": POLICY.notation,
        "divisible": True,
    }
    if "skin" not in other:
        skin, now = skin_map(load_grids(), Fraction(1)), datetime(2026, 3, 2, 9, tzinfo=UTC)
        given["skin"] = skin_state(skin, wear_of(POLICY), other.get("recent", ()), (), now)
    return choose_sites(**{**given, **other})


def words(choice: SiteChoice) -> list[str]:
    return [f"{float(place.volume_ml):g} {place.side} {place.site}" for place in choice.places]


def codes(choice: SiteChoice) -> list[str]:
    return [found.code for found in choice.findings]


def out(*regions: str) -> tuple[RuledOut, ...]:
    return tuple(RuledOut(region=region, reason="node surgery") for region in regions)


def used(*site_sides: tuple[str, str]) -> tuple[PastInjection, ...]:
    """Earlier injections, newest first."""
    return tuple(
        PastInjection(place=SkinPlace(site=site, side=side), at=datetime(2026, 2, 28 - ago, tzinfo=UTC))
        for ago, (site, side) in enumerate(site_sides)
    )


# The proposal.


def test_a_small_volume_goes_to_the_deltoid() -> None:
    assert words(sites_for("0.5")) == ["0.5 right deltoid"]


def test_exactly_the_usual_limit_is_taken_and_nothing_is_refused() -> None:
    choice = sites_for("1")
    assert words(choice) == ["1 right deltoid"]
    assert choice.refused == ()


def test_2_8_ml_in_an_adult_is_one_ventrogluteal_injection_and_the_deltoid_is_refused_over_2_ml() -> None:
    # Scenario 1; deltoid at most 2 mL (encyclopaedia article, weak), ventrogluteal usual 3 mL (Open RN 18.6).
    choice = sites_for("2.8")
    assert words(choice) == ["2.8 right ventrogluteal"]
    assert ("deltoid", "over 2 mL, the most it takes") in choice.refused
    assert codes(choice) == []


def test_4_ml_in_an_adult_are_two_injections_on_two_sides_of_one_site() -> None:
    # Scenario 1 with 1 g ordered: over the usual 3 mL of the larger muscles (Open RN 18.6), so two.
    choice = sites_for("4")
    assert words(choice) == ["2 right ventrogluteal", "2 left ventrogluteal"]
    assert codes(choice) == ["divided"]


def test_1_73_ml_in_a_child_of_4_years_are_0_87_and_0_86_ml_right_then_left_vastus_lateralis() -> None:
    # Scenario 2: over 1 mL under 5 years (Open RN 18.6); 173 marks of 0.01 mL = 87 + 86.
    assert words(sites_for("1.73", born=CHILD_OF_4)) == ["0.87 right vastus lateralis", "0.86 left vastus lateralis"]


def test_a_policy_limit_replaces_the_published_one_from_its_age_on() -> None:
    sites = with_limits(load_sites(), (UNDER_5_YEARS,))
    assert words(sites_for("1", born=CHILD_OF_4, sites=sites)) == ["1 right deltoid"]
    assert words(sites_for("1", born=CHILD_OF_4)) == ["1 right vastus lateralis"]


def test_an_infant_gets_the_vastus_lateralis_only() -> None:
    # CDC (1 to 12 months: anterolateral thigh; deltoid and dorsogluteal refused).
    assert words(sites_for("0.5", born="2025-09-02")) == ["0.5 right vastus lateralis"]
    left_over = sites_for("0.5", born="2025-09-02", ruled_out=out("legs"))
    assert left_over.places == ()
    assert codes(left_over) == ["site-none-left"]


def test_an_infant_with_one_leg_left_gets_two_injections_in_one_thigh_2_5_cm_apart() -> None:
    # Melbourne Vaccine Education Centre: two in one thigh allowed, 2.5 cm apart. Usual 0.5 mL (Craven and Hirnle).
    choice = sites_for("1", born=INFANT, ruled_out=out("left leg"))
    assert words(choice) == ["0.5 right vastus lateralis", "0.5 right vastus lateralis"]
    assert "2.5 cm" in choice.places[1].because


def test_two_injections_in_one_limb_lie_2_5_cm_apart_or_more() -> None:
    # UK Immunisation against infectious disease, chapter 11; CDC.
    assert not far_enough(Fraction(20))
    assert far_enough(Fraction(25))


def test_2_ml_under_the_skin_are_over_the_usual_1_5_ml_and_are_divided() -> None:
    # Usach 2019: about 1.5 mL usual.
    choice = sites_for("2", route="subcutaneous")
    assert words(choice) == ["1 right abdominal fat", "1 left abdominal fat"]


def test_2_ml_under_the_skin_in_one_place_of_the_abdomen_are_a_question_and_not_a_stop() -> None:
    # Usach 2019, Berteau 2015: to 3 mL tolerated in the abdomen.
    chosen = SiteChosen(site="abdominal fat", side="left")
    assert codes(sites_for("2", route="subcutaneous", chosen=chosen)) == ["site-volume-soft"]
    assert codes(sites_for("3.1", route="subcutaneous", chosen=chosen)) == ["site-volume-hard"]


def test_under_12_months_under_the_skin_is_the_thigh_only() -> None:
    # CDC: under 12 months thigh fat, from 12 months thigh or upper arm fat.
    assert words(sites_for("0.5", route="subcutaneous", born="2025-07-02")) == ["0.5 right thigh fat"]
    chosen = SiteChosen(site="upper arm fat")
    refused = sites_for("0.5", route="subcutaneous", born="2025-07-02", chosen=chosen)
    assert codes(refused) == ["site-not-for-route"]
    assert codes(sites_for("0.5", route="subcutaneous", born="2023-02-02", chosen=chosen)) == []


def test_the_other_routes_layer_is_never_proposed() -> None:
    nothing = sites_for("0.5", ruled_out=out("arms", "legs", "buttocks"))
    assert nothing.places == ()
    assert codes(nothing) == ["site-none-left"]
    assert "abdominal fat" not in nothing.findings[0].message


def test_a_patient_of_unknown_age_is_taken_for_an_adult_and_that_is_said() -> None:
    choice = sites_for("2.8", born=None)
    assert words(choice) == ["2.8 right ventrogluteal"]
    assert codes(choice) == ["age-not-known"]


# Sides in turn.


def test_the_right_side_comes_first_unless_it_was_used_last() -> None:
    assert words(sites_for("0.5", recent=used(("deltoid", "right"), ("deltoid", "left")))) == ["0.5 left deltoid"]
    assert words(sites_for("0.5", recent=used(("deltoid", "left"), ("deltoid", "right")))) == ["0.5 right deltoid"]


def test_why_a_side_is_proposed_says_which_was_used_last() -> None:
    assert "right side used last" in sites_for("0.5", recent=used(("deltoid", "right"))).places[0].because


def test_an_injection_into_the_fat_of_the_same_arm_counts_for_the_deltoid() -> None:
    assert words(sites_for("0.5", recent=used(("upper arm fat", "right")))) == ["0.5 left deltoid"]
    assert words(sites_for("0.5", recent=used(("thigh fat", "right")))) == ["0.5 right deltoid"]


# Ruled out.


@pytest.mark.parametrize("route", ["intramuscular", "subcutaneous"])
@pytest.mark.parametrize(
    ("region", "names"),
    [
        ("left arm", {"deltoid", "upper arm fat"}),
        ("left leg", {"vastus lateralis", "rectus femoris", "thigh fat"}),
        ("left hip", {"ventrogluteal", "dorsogluteal", "buttock fat"}),
        ("left buttock", {"ventrogluteal", "dorsogluteal", "buttock fat"}),
        ("left abdomen", {"abdominal fat"}),
        ("left side", {site.name for site in load_sites()}),
    ],
)
def test_a_region_rules_out_every_site_on_it_for_both_routes(region: str, names: set[str], route: str) -> None:
    for site in load_sites():
        if site.route == route:
            chosen = SiteChosen(site=site.name, side="left")
            found = codes(sites_for("0.1", route=route, ruled_out=out(region), chosen=chosen))
            assert ("site-ruled-out" in found) == (site.name in names), site.name
            other = SiteChosen(site=site.name, side="right")
            assert "site-ruled-out" not in codes(sites_for("0.1", route=route, ruled_out=out(region), chosen=other))


def test_a_region_without_a_side_means_both() -> None:
    for one in ("arm", "arms", "both arms", "Arms"):
        assert words(sites_for("0.5", ruled_out=out(one))) == ["0.5 right ventrogluteal"]


def test_the_side_may_stand_beside_the_region() -> None:
    ruled_out = (RuledOut(region="arm", reason="fistula", side="right"),)
    choice = sites_for("0.5", ruled_out=ruled_out)
    assert words(choice) == ["0.5 left deltoid"]
    assert ("right deltoid", "right arm, fistula") in choice.refused


def test_a_site_by_name_is_ruled_out_alone() -> None:
    ruled_out = out("right deltoid")
    assert words(sites_for("0.5", ruled_out=ruled_out)) == ["0.5 left deltoid"]
    fat = SiteChosen(site="upper arm fat", side="right")
    assert codes(sites_for("0.5", route="subcutaneous", ruled_out=ruled_out, chosen=fat)) == []


def test_a_region_that_is_not_known_is_asked_about_and_never_passed_over() -> None:
    choice = sites_for("0.5", ruled_out=out("left breast"))
    assert codes(choice) == ["region-unknown"]
    assert "left breast" in choice.findings[0].message


def test_nothing_left_is_a_stop_with_every_reason() -> None:
    choice = sites_for("0.5", ruled_out=out("arms", "legs", "left buttock"), chosen=SiteChosen(side="left"))
    assert codes(choice) == ["site-none-left"]
    for name in ("deltoid", "vastus lateralis", "ventrogluteal"):
        assert name in choice.findings[0].message


# Dorsogluteal.


def test_the_dorsogluteal_site_is_never_proposed() -> None:
    assert sites_for("2", medicine_sites=("dorsogluteal",)).places == ()
    assert words(sites_for("2", medicine_sites=("dorsogluteal", "ventrogluteal"))) == ["2 right ventrogluteal"]


def test_the_dorsogluteal_site_is_answered_with_its_caution_when_chosen_or_ordered() -> None:
    chosen = sites_for("2", chosen=SiteChosen(site="dorsogluteal"))
    assert words(chosen) == ["2 right dorsogluteal"]
    assert codes(chosen) == ["site-caution"]
    assert "sciatic nerve" in chosen.findings[0].message
    assert codes(sites_for("2", ordered_site="left dorsogluteal")) == ["site-caution"]


def test_the_dorsogluteal_site_is_refused_until_the_day_before_the_third_birthday() -> None:
    # Craven and Hirnle 2003: not under 3 years.
    chosen = SiteChosen(site="dorsogluteal")
    assert codes(sites_for("0.5", born="2023-03-03", chosen=chosen)) == ["site-not-for-route"]
    assert codes(sites_for("0.5", born="2023-03-02", chosen=chosen)) == ["site-caution"]


# The clinician's own choice.


def test_1_5_ml_in_a_chosen_deltoid_stays_there_and_is_asked_about() -> None:
    # Scenario 12: over the usual 1 mL, a question.
    choice = sites_for("1.5", chosen=SiteChosen(site="deltoid", side="left", point="B2"))
    assert words(choice) == ["1.5 left deltoid"]
    assert choice.places[0].point == "B2"
    assert codes(choice) == ["site-volume-soft"]


@pytest.mark.parametrize(
    ("volume", "expected"),
    [("1", []), ("1.01", ["site-volume-soft"]), ("2", ["site-volume-soft"]), ("2.01", ["site-volume-hard"])],
)
def test_the_chosen_deltoid_at_and_over_its_two_limits(volume: str, expected: list[str]) -> None:
    assert codes(sites_for(volume, chosen=SiteChosen(site="deltoid"))) == expected


def test_the_other_routes_site_and_an_unknown_one_are_refused_when_chosen() -> None:
    assert codes(sites_for("0.5", chosen=SiteChosen(site="thigh fat"))) == ["site-not-for-route"]
    assert codes(sites_for("0.5", chosen=SiteChosen(site="nose"))) == ["site-not-for-route"]


def test_a_site_that_the_label_does_not_name_is_refused_when_chosen() -> None:
    choice = sites_for("0.5", medicine_sites=("ventrogluteal",), chosen=SiteChosen(site="deltoid"))
    assert codes(choice) == ["site-not-for-route"]
    assert "ventrogluteal" in choice.findings[0].message


def test_a_site_other_than_the_ordered_one_is_refused_when_chosen() -> None:
    choice = sites_for("0.5", ordered_site="ventrogluteal", chosen=SiteChosen(site="deltoid"))
    assert codes(choice) == ["site-not-for-route"]
    assert "the order names ventrogluteal" in choice.findings[0].message


def test_a_chosen_side_alone_keeps_every_part_on_it() -> None:
    assert words(sites_for("4", chosen=SiteChosen(side="left"))) == ["2 left ventrogluteal", "2 left vastus lateralis"]


def test_an_ordered_side_is_kept() -> None:
    assert words(sites_for("0.5", ordered_site="left deltoid")) == ["0.5 left deltoid"]


def test_only_one_site_allowed_is_divided_over_its_two_sides() -> None:
    for other in ({"medicine_sites": ("deltoid",)}, {"ordered_site": "deltoid"}):
        assert words(sites_for("1.5", **other)) == ["0.75 right deltoid", "0.75 left deltoid"]


def test_only_one_place_open_over_its_usual_limit_is_a_question() -> None:
    choice = sites_for("1.5", medicine_sites=("deltoid",), ruled_out=out("left arm"))
    assert words(choice) == ["1.5 right deltoid"]
    assert codes(choice) == ["site-volume-soft"]


def test_a_prefilled_device_is_never_divided() -> None:
    choice = sites_for("4", divisible=False)
    assert words(choice) == ["4 right ventrogluteal"]
    assert codes(choice) == ["site-volume-soft"]
    assert codes(sites_for("5.1", divisible=False)) == ["site-volume-hard"]


def test_a_label_may_name_a_region_for_its_sites() -> None:
    assert words(sites_for("2", medicine_sites=("buttock",))) == ["2 right ventrogluteal"]


def test_a_site_that_only_the_label_names_is_proposed() -> None:
    assert words(sites_for("2", medicine_sites=("rectus femoris",))) == ["2 right rectus femoris"]


# How many.


def test_three_injections_need_a_reason_and_the_plan_shows_them() -> None:
    choice = sites_for("8")
    assert [place.volume_ml for place in choice.places] == [Fraction("2.8"), Fraction("2.6"), Fraction("2.6")]
    assert codes(choice) == ["divided", "many-injections"]


def test_more_than_four_injections_are_a_stop() -> None:
    choice = sites_for("40")
    assert choice.places == ()
    assert codes(choice) == ["too-many-injections"]
    assert "14 injections" in choice.findings[0].message  # 40 mL / 3 mL = 13.3


def test_rather_than_a_fifth_injection_four_go_a_little_over_the_usual_limit() -> None:
    # 14 mL: 5 x 3 mL would be needed, 4 x 3.5 mL stay under the largest 5 mL (Open RN 18.6, two versions).
    choice = sites_for("14")
    assert len(choice.places) == 4
    assert max(place.volume_ml for place in choice.places) < Fraction("3.7")
    assert set(codes(choice)) == {"site-volume-soft", "divided", "many-injections"}


# The label's own volume.


def test_a_label_that_allows_less_divides_earlier_and_is_named() -> None:
    choice = sites_for("1.6", label_limit_ml=Fraction(1), medicine_sites=("ventrogluteal",))
    assert words(choice) == ["0.8 right ventrogluteal", "0.8 left ventrogluteal"]
    assert codes(choice) == ["label-volume-limit", "divided"]
    assert "1 mL" in choice.findings[0].message
    assert "3 mL" in choice.findings[0].message


def test_a_label_that_allows_more_is_taken_at_the_largest_muscle_and_is_named() -> None:
    choice = sites_for("4", label_limit_ml=Fraction(5))
    assert words(choice) == ["4 right ventrogluteal"]
    assert codes(choice) == ["label-volume-limit"]


def test_a_label_that_makes_no_difference_is_not_named() -> None:
    assert codes(sites_for("0.5", label_limit_ml=Fraction(5))) == []


def test_a_labels_limit_counts_for_a_chosen_site_too() -> None:
    chosen = SiteChosen(site="deltoid", side="left")
    assert codes(sites_for("1.5", label_limit_ml=Fraction(2), chosen=chosen)) == ["label-volume-limit"]
    assert "site-volume-hard" in codes(sites_for("0.8", label_limit_ml=Fraction("0.5"), chosen=chosen))


# Division.


def test_what_is_left_over_the_last_whole_interval_stays_in_one_part() -> None:
    # 10/3 mL by 0.1 mL: 33 marks and 1/30 mL; 17 marks + 16 marks and the rest.
    parts = divide_volume(Fraction(10, 3), 2, lambda _: Fraction("0.1"))
    assert parts == (Fraction("1.7"), Fraction("1.6") + Fraction(1, 30))


def test_without_a_barrel_the_parts_are_equal() -> None:
    assert divide_volume(Fraction(5), 2, lambda _: None) == (Fraction("2.5"), Fraction("2.5"))


@given(
    marks=st.integers(min_value=1, max_value=2000),
    count=st.integers(min_value=2, max_value=6),
    interval=st.sampled_from([Fraction("0.01"), Fraction("0.1"), Fraction("0.2"), Fraction("0.5")]),
)
def test_parts_of_whole_marks_are_whole_marks_and_sum_to_the_volume(marks: int, count: int, interval: Fraction) -> None:
    parts = divide_volume(marks * interval, count, lambda _: interval)
    assert sum(parts) == marks * interval
    assert all((part / interval).denominator == 1 for part in parts)
    assert max(parts) - min(parts) <= interval
    assert list(parts) == sorted(parts, reverse=True)


@given(
    hundredths=st.integers(min_value=1, max_value=3000),
    route=st.sampled_from(["intramuscular", "subcutaneous"]),
    born=st.sampled_from([ADULT, CHILD_OF_4, INFANT, "2016-06-06", "2025-01-15"]),
    regions=st.lists(st.sampled_from(["left arm", "right leg", "hips", "abdomen", "left side"]), max_size=3),
)
def test_whatever_is_asked_the_parts_sum_to_the_volume_or_a_stop_says_why(
    hundredths: int, route: str, born: str, regions: list[str]
) -> None:
    volume = Fraction(hundredths, 100)
    choice = sites_for(str(volume), route=route, born=born, ruled_out=out(*regions))
    stops = {"site-none-left", "too-many-injections"} & set(codes(choice))
    assert bool(choice.places) != bool(stops) or "too-many-injections" in stops
    if choice.places:
        assert sum(place.volume_ml for place in choice.places) == volume
    layers = {site.name: site for site in load_sites()}
    age = Age.between(date.fromisoformat(born), TODAY)
    over = {"site-volume-soft", "site-volume-hard"} & set(codes(choice))
    for place in choice.places:
        site = layers[place.site]
        limit = next(limit for limit in site.limits if limit.ages.covers(age))
        assert site.route == route
        assert site.ages.covers(age)
        assert place.volume_ml <= limit.soft_ml or over
        assert place.volume_ml <= limit.hard_ml or "site-volume-hard" in over


def test_the_division_asks_for_the_interval_of_the_part_and_not_of_the_whole() -> None:
    asked: list[Fraction] = []

    def asking(part: Fraction) -> Fraction | None:
        asked.append(part)
        return interval_for(part)

    wanted: Callable[[Fraction], Fraction | None] = asking
    sites_for("1.73", born=CHILD_OF_4, interval_for=wanted)
    assert asked == [Fraction("0.865")]
