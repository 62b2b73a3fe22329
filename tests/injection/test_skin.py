"""The points of one skin: how many, how far apart, shared by muscle and fat, left like right, and growing with a child.

Distances are tenths of a millimetre in the code and mm in these sentences. Expected values are worked by hand.
"""

from __future__ import annotations

from datetime import date
from fractions import Fraction
from typing import Any

import pytest

from drawup.evidence.tables import load_grids, load_sites
from drawup.exchange.rotate import answer_rotate
from drawup.injection.patient import Age, Measurement, Patient
from drawup.injection.quantity import CENTIMETRE, Quantity
from drawup.injection.skin import SkinMap, SkinPlace, Spot, body_scale, point_words, skin_map, squared

GRIDS = load_grids()
ADULT = skin_map(GRIDS, Fraction(1))
UNDER_THE_SKIN = ("abdominal fat", "thigh fat", "upper arm fat", "buttock fat")
SITES = tuple(site.name for site in load_sites())
SIDES = ("right", "left")
TODAY = date(2026, 3, 2)


def spot(site: str, name: str, side: str = "right", skin: SkinMap = ADULT) -> Spot:
    found = skin.spot(site, side, name)
    assert found is not None, f"{side} {site} has no {name}"
    return found


def at(one: Spot) -> tuple[str, int, int]:
    return one.frame, one.frame_x, one.frame_y


def mm(one: Spot) -> tuple[int, int]:
    return one.x // 10, one.y // 10


def nearest_squared(one: Spot, others: tuple[Spot, ...]) -> int:
    return min((one.x - other.x) ** 2 + (one.y - other.y) ** 2 for other in others if other is not one)


# How many, and how far apart.


@pytest.mark.parametrize("side", SIDES)
@pytest.mark.parametrize("site", SITES)
def test_every_site_of_an_adult_has_points_enough(site: str, side: str) -> None:
    # Four a day at rest for 28 days take 4 x 28 = 112 points, and lumps shut some more: 8 sides of 20 hold 160, 4 sides
    # of 36 hold 144, and the two halves of the belly, where that is all there is, 2 x 70 = 140.
    least = 70 if site == "abdominal fat" else 36 if site in UNDER_THE_SKIN else 20
    assert len(ADULT.spots[site, side]) >= least


@pytest.mark.parametrize("twentieths", [20, 17, 12, 10])
def test_neighbours_lie_exactly_10_mm_apart_in_a_body_of_any_size(twentieths: int) -> None:
    # About 1 cm from one to the next: Frid A, Hirsch L, Strauss K, Optimal Insulin Delivery, 2018.
    skin = skin_map(GRIDS, Fraction(twentieths, 20))
    for spots in skin.spots.values():
        assert {nearest_squared(one, spots) for one in spots} == {100 * 100}


def test_no_point_of_the_belly_lies_nearer_than_50_mm_to_the_navel() -> None:
    # Open RN, Nursing Skills, chapter 18.5. 30 mm outward and 40 mm below are exactly 50 mm (3-4-5) and may be used.
    places = [mm(one) for side in SIDES for one in ADULT.spots["abdominal fat", side]]
    assert min(x * x + y * y for x, y in places) == 50 * 50
    assert (30, 40) in places
    assert not {(20, 40), (30, 30), (40, 20)} & set(places)


def test_the_belly_of_a_child_keeps_the_same_50_mm() -> None:
    # At 0.6 of an adult 20 to 110 mm are 12 to 66 and -50 to 70 mm are -30 to 42: outward 20 to 60, down -30 to 40.
    # 60 and 50 mm outward: 8 rows each; 40 mm outward: 30 mm above, 30 and 40 mm below; 30 mm outward: 40 mm below.
    child = skin_map(GRIDS, Fraction(3, 5))
    assert len(child.spots["abdominal fat", "right"]) == 8 + 8 + 3 + 1
    assert all(x * x + y * y >= 2500 for x, y in map(mm, child.spots["abdominal fat", "left"]))


@pytest.mark.parametrize(
    ("site", "points"),
    [
        ("deltoid", 6),  # 12 mm either way and -6 to 18 mm: 3 columns, 2 rows
        ("upper arm fat", 15),  # 12 mm and 24 mm either way: 3 columns, 5 rows
        ("thigh fat", 35),  # 24 mm and 36 mm either way: 5 columns, 7 rows
        ("buttock fat", 9),  # 18 mm either way: 3 columns, 3 rows
    ],
)
def test_a_child_of_0_6_has_the_whole_centimetres_that_lie_in_its_smaller_rectangle(site: str, points: int) -> None:
    assert len(skin_map(GRIDS, Fraction(3, 5)).spots[site, "left"]) == points


def test_no_two_points_of_one_side_have_one_name_or_one_place() -> None:
    for spots in ADULT.spots.values():
        assert len({one.name for one in spots}) == len({(one.x, one.y) for one in spots}) == len(spots)


# Names and words.


@pytest.mark.parametrize(
    ("site", "name", "place", "words"),
    [
        ("abdominal fat", "A1", (20, -50), "20 mm outward and 50 mm above the navel"),
        # Beside the navel the first three columns, 20 to 40 mm outward, are kept clear.
        ("abdominal fat", "F4", (50, 0), "50 mm outward of the navel"),
        ("abdominal fat", "M10", (110, 70), "110 mm outward and 70 mm below the navel"),
        ("deltoid", "B3", (0, 0), "at a spot 50 mm below the bony tip of the shoulder"),
        ("dorsogluteal", "E3", (0, 20), "20 mm below the middle of the upper outer quarter of the buttock"),
    ],
)
def test_rows_are_lettered_from_the_top_and_columns_numbered_outward(
    site: str, name: str, place: tuple[int, int], words: str
) -> None:
    assert mm(spot(site, name)) == place
    assert point_words(ADULT, spot(site, name)) == words


def test_a_point_that_is_not_on_the_grid_is_none() -> None:
    assert ADULT.spot("abdominal fat", "right", "F3") is None
    assert ADULT.frame_place(SkinPlace(site="abdominal fat", side="right", point="F3")) is None
    assert ADULT.frame_place(SkinPlace(site="abdominal fat", side="right")) is None
    assert ADULT.frame_place(SkinPlace(site="the moon", side="right", x=0, y=0)) is None


# Left and right.


def test_the_left_side_has_the_names_and_places_of_the_right() -> None:
    for site in SITES:
        right, left = ADULT.spots[site, "right"], ADULT.spots[site, "left"]
        assert [(one.name, one.x, one.y) for one in left] == [(one.name, one.x, one.y) for one in right]
        assert {one.cell for one in left}.isdisjoint({one.cell for one in right})


def test_two_arms_are_two_skins_and_the_belly_is_one() -> None:
    left, right = (spot("deltoid", "C3", side) for side in ("left", "right"))
    assert squared(at(left), at(right)) is None
    # 20 mm to the left of the navel and 20 mm to the right: 40 mm.
    left, right = (spot("abdominal fat", "A1", side) for side in ("left", "right"))
    assert squared(at(left), at(right)) == 400 * 400
    assert (left.frame_x, left.frame_y) == (-right.frame_x, right.frame_y)


def test_distances_by_hand() -> None:
    # From A1 of the thigh 30 mm outward and 40 mm down is E4, 50 mm away; A2 is 10 mm away.
    first = at(spot("thigh fat", "A1"))
    assert squared(first, at(spot("thigh fat", "E4"))) == 500 * 500
    assert squared(first, at(spot("thigh fat", "A2"))) == 100 * 100
    assert squared(first, first) == 0


# One skin for muscle and fat.


def test_a_point_in_the_muscle_of_the_buttock_is_the_patch_of_the_fat_point_over_it() -> None:
    # Both landmarks are the same place: the middle of each grid, C3 of 5 x 5 and D4 of 7 x 7.
    assert spot("dorsogluteal", "C3").cell == spot("buttock fat", "D4").cell
    muscle = {one.cell for one in ADULT.spots["dorsogluteal", "right"]}
    assert muscle < {one.cell for one in ADULT.spots["buttock fat", "right"]}


def test_the_deltoid_ends_28_mm_from_where_the_fat_of_the_upper_arm_begins() -> None:
    # Deltoid E5: 20 mm back and 30 mm below a spot 50 mm below the tip. Fat A1: 20 mm outward and 40 mm above a spot
    # 60 mm further back and 140 mm below the tip. So 40 - 20 = 20 mm across and 100 - 80 = 20 mm down.
    assert squared(at(spot("deltoid", "E5")), at(spot("upper arm fat", "A1"))) == 200 * 200 + 200 * 200


def test_points_of_sites_on_one_skin_fall_together_in_a_body_of_any_size() -> None:
    for twentieths in range(5, 21):
        skin = skin_map(GRIDS, Fraction(twentieths, 20))
        assert all(x % 100 == 0 and y % 100 == 0 for _, x, y in skin.cells)


# Growing.


def in_mm_from_the_landmark(skin: SkinMap, site: str, place: SkinPlace) -> tuple[float, float]:
    middle = skin.frame_place(SkinPlace(site=site, side=place.side, x=0, y=0, scale=skin.scale))
    found = skin.frame_place(place)
    assert middle is not None
    assert found is not None
    assert found[0] == middle[0]
    return (found[1] - middle[1]) / 10, (found[2] - middle[2]) / 10


@pytest.mark.parametrize("side", SIDES)
@pytest.mark.parametrize("site", ["thigh fat", "rectus femoris", "upper arm fat"])
def test_a_place_grows_along_with_the_body(site: str, side: str) -> None:
    # From 0.5 to 0.6 of an adult everything is 6/5 as far: 20 mm are 24 mm, 30 mm are 36 mm.
    place = SkinPlace(site=site, side=side, x=200, y=-300, scale=Fraction(1, 2))
    assert in_mm_from_the_landmark(skin_map(GRIDS, Fraction(1, 2)), site, place) == (20, -30)
    assert in_mm_from_the_landmark(skin_map(GRIDS, Fraction(3, 5)), site, place) == (24, -36)
    assert skin_map(GRIDS, Fraction(3, 5)).cell_of(place) is None


def test_a_place_grows_to_the_nearest_whole_tenth() -> None:
    # 3.3 mm x 6/5 = 3.96 mm, shown as 4.0; -3.3 mm becomes -4.0.
    place = SkinPlace(site="thigh fat", side="left", x=33, y=-33, scale=Fraction(1, 2))
    assert in_mm_from_the_landmark(skin_map(GRIDS, Fraction(3, 5)), "thigh fat", place) == (4, -4)


def test_a_place_written_on_a_body_of_this_size_or_without_one_stays_where_it_was() -> None:
    for scale in (None, Fraction(1)):
        place = SkinPlace(site="thigh fat", side="left", x=125, y=-31, scale=scale)
        assert in_mm_from_the_landmark(ADULT, "thigh fat", place) == (12.5, -3.1)


def test_growing_on_the_left_of_the_navel_mirrors_growing_on_the_right() -> None:
    skin = skin_map(GRIDS, Fraction(3, 5))
    right, left = (
        skin.frame_place(SkinPlace(site="abdominal fat", side=side, x=333, y=417, scale=Fraction(1, 2)))
        for side in SIDES
    )
    # 33.3 mm x 6/5 = 39.96 mm and 41.7 mm x 6/5 = 50.04 mm.
    assert right == ("abdomen", 400, 500)
    assert left == ("abdomen", -400, 500)


# How large a body is.


def scale_of(height_cm: str, born: date | None) -> Fraction:
    height = Measurement(quantity=Quantity(value=Fraction(height_cm), unit=CENTIMETRE))
    age = None if born is None else Age.between(born, TODAY)
    return body_scale(GRIDS, Patient(born=born, height=height), age)


@pytest.mark.parametrize(
    ("height_cm", "scale"),
    [
        ("102", "0.6"),  # 102 / 170
        ("97", "0.55"),  # 97 / 170 = 0.5706, nearer to 11 twentieths than to 12
        ("85", "0.5"),
        ("30", "0.25"),  # a quarter is the least: a smaller rectangle would hold no point
        ("190", "1"),  # never larger than an adult's
    ],
)
def test_a_child_is_as_large_as_its_height_says_in_twentieths_of_170_cm(height_cm: str, scale: str) -> None:
    assert scale_of(height_cm, date(2020, 6, 1)) == Fraction(scale)


def test_from_the_18th_birthday_and_at_unknown_age_a_body_is_an_adults() -> None:
    # 150 / 170 = 0.882, 18 twentieths on the day before.
    assert scale_of("150", date(2008, 3, 3)) == Fraction("0.9")
    assert scale_of("150", date(2008, 3, 2)) == 1
    assert scale_of("150", None) == 1


# A child's grid through the public answer.


def rotate(patient: dict[str, Any], **more: Any) -> dict[str, Any]:
    document = {
        "format": 1,
        "now": "2026-03-02T09:00:00+00:00",
        "patient": patient,
        "route": "subcutaneous",
        "sites": ["abdominal fat"],
        "history": [],
        "per_day": 4,
        **more,
    }
    return answer_rotate(document)


def test_a_childs_grid_is_its_own_and_says_that_its_points_are_too_few() -> None:
    # 20 points on either half of the belly (counted above); 4 a day at rest for 28 days take 112.
    answer = rotate({"born": "2021-09-01", "height": "102 cm"}, map=True)
    assert answer["body_scale"] == "0.6"
    assert len(answer["map"]) == 40
    (found,) = [one for one in answer["findings"] if one["code"] == "points-too-few"]
    assert "40 points are open, and 112 are needed" in found["message"]


def test_the_same_belly_in_an_adult_is_enough() -> None:
    answer = rotate({"born": "1980-01-01", "height": "150 cm"})
    assert answer["body_scale"] == "1"
    assert answer["findings"] == []


def test_a_place_of_the_smaller_body_wears_the_points_round_where_it_is_now() -> None:
    # 20 mm outward and 30 mm above at 0.5 are 24 and 36 mm at 0.6: nearest is 20 outward and 40 above, 5.7 mm away
    # (16 + 16 = 32 mm2), but the rectangle ends at 36 mm. 20 and 30 above lie 7.2 mm away: 4 x 4 + 6 x 6 = 52 mm2.
    # exp(-52 / 200) = 0.771052; all within 10 mm rest.
    past: dict[str, Any] = {"at": "2026-03-02T09:00:00+00:00", "site": "thigh fat", "side": "right"}
    past |= {"place_mm": ["20", "-30"], "body_scale": "0.5"}
    child = {"born": "2021-09-01", "height": "102 cm"}
    answer = rotate(child, sites=["thigh fat"], map=True, history=[past])
    worn = {tuple(one["place_mm"]): (one["burden"], one["rested"]) for one in answer["map"] if one["side"] == "right"}
    assert worn["20", "-30"] == (0.771052, False)
    assert worn["10", "-30"][1] is True  # 14 mm across, 6 mm down
    assert answer["look_back"]["without_a_point"] == 0
