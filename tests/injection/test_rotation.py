"""The next right point: wear and fading by hand, rest, distance, turns, lumps, ties, steady uptake, looking back.

The policy's figures (10 mm spread, 14 days to half, 28 days of rest, 25 % for a mL or a wide needle, 10 mm round a
lump) are its own choices: common practice, no source. What follows from them is worked by hand beside each test.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from fractions import Fraction
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drawup.evidence.policies import load_policy
from drawup.evidence.tables import load_grids
from drawup.exchange.rotate import answer_rotate
from drawup.injection.patient import SkinMark
from drawup.injection.points import Place, Pointing, about_points
from drawup.injection.precautions import too_few_points
from drawup.injection.rotation import (
    LookBack,
    Picked,
    SkinState,
    Zone,
    look_back,
    next_points,
    open_spots,
    pick,
    side_in_turn,
    skin_state,
    wear_of,
    zones_of_the_week,
)
from drawup.injection.skin import PastInjection, SkinPlace, Spot, skin_map

NOW = datetime(2026, 3, 2, 9, tzinfo=UTC)
SKIN = skin_map(load_grids(), Fraction(1))
WEAR = wear_of(load_policy("uk"))
UNDER_THE_SKIN = ("abdominal fat", "thigh fat", "upper arm fat", "buttock fat")
SIDES = ("right", "left")
NONE_BLOCKED: frozenset[tuple[str, str]] = frozenset()
# exp(-d2/200) at 10, 14.1, 20 and 30 mm, d2 in mm2: e to the power -1/2, -1, -2 and -9/2, from any table of e.
AT_10_MM, AT_14_MM, AT_20_MM, AT_30_MM = 0.606531, 0.367879, 0.135335, 0.011109


def evenly(count: int, per_day: int) -> list[datetime]:
    """So many moments from now, spread evenly over the day."""
    return [NOW + timedelta(days=1) * number / per_day for number in range(count)]


def used(site: str, point: str, *, side: str = "right", days: float = 0, **more: Any) -> PastInjection:
    """One earlier injection, so many days ago."""
    place = SkinPlace(site=site, side=side, point=point)
    return PastInjection(place=place, at=NOW - timedelta(days=days), **more)


def used_at(site: str, x_mm: str, y_mm: str, *, side: str = "right", days: float = 0) -> PastInjection:
    """One earlier injection by its mm from the landmark."""
    x, y = (int(Fraction(one) * 10) for one in (x_mm, y_mm))
    return PastInjection(place=SkinPlace(site=site, side=side, x=x, y=y), at=NOW - timedelta(days=days))


def lump(site: str, point: str, *, side: str = "right", size: str | None = "20", gone: date | None = None) -> SkinMark:
    width = None if size is None else Fraction(size)
    return SkinMark(kind="lump", site=site, side=side, point=point, size_mm=width, gone=gone)


def state_of(*past: PastInjection, marks: Sequence[SkinMark] = (), wear: Any = WEAR) -> SkinState:
    return skin_state(SKIN, wear, past, marks, NOW)


def spot(site: str, point: str, side: str = "right") -> Spot:
    found = SKIN.spot(site, side, point)
    assert found is not None, f"{side} {site} has no {point}"
    return found


def worn(state: SkinState, site: str, point: str, side: str = "right") -> float:
    return state.burden[spot(site, point, side).cell]


def next_one(
    state: SkinState,
    *sites: str,
    sides: Sequence[str] | None = None,
    blocked: frozenset[tuple[str, str]] = NONE_BLOCKED,
    **more: Any,
) -> Picked:
    found = pick(state, sites, sides or side_in_turn(state), blocked=blocked, **more)
    assert found is not None
    return found


def name(picked: Picked) -> str:
    return f"{picked.spot.side} {picked.spot.site} {picked.spot.name}"


def said_of(state: SkinState, site: str, point: str, side: str = "right", **visit: Any) -> list[str]:
    """What is said against this point where the clinician chose it."""
    place = Place(site=site, side=side, point=point, volume_ml=Fraction(1), because="", spot=spot(site, point, side))
    return [one.code for one in about_points(Pointing(skin=state, chosen=point, **visit), (place,))]


# How an injection weighs on the skin round it.


@pytest.mark.parametrize(
    ("point", "share"),
    [
        ("C3", 1),
        ("C4", AT_10_MM),
        ("B3", AT_10_MM),
        ("D4", AT_14_MM),
        ("C5", AT_20_MM),
        ("F3", AT_30_MM),
        ("G3", 0.000335),  # 40 mm: e to the power -8
        ("G4", 0),  # 41.2 mm: beyond four spreads nothing is felt
    ],
)
def test_an_injection_weighs_less_the_further_away(point: str, share: float) -> None:
    assert worn(state_of(used("thigh fat", "C3")), "thigh fat", point) == pytest.approx(share, abs=1e-6)


def test_an_injection_weighs_nothing_on_the_other_leg() -> None:
    state = state_of(used("thigh fat", "C3"))
    assert not any(state.burden[one.cell] for one in SKIN.spots["thigh fat", "left"])


def test_two_injections_weigh_together() -> None:
    # C3 lies 10 mm from C2 and from C4.
    state = state_of(used("thigh fat", "C2"), used("thigh fat", "C4"))
    assert worn(state, "thigh fat", "C3") == pytest.approx(2 * AT_10_MM, abs=1e-6)


def test_an_injection_into_the_buttocks_muscle_wears_the_fat_over_and_beside_it() -> None:
    # The middle of both grids is the same place; D5 lies 10 mm beside it.
    state = state_of(used("dorsogluteal", "C3"))
    assert worn(state, "buttock fat", "D4") == pytest.approx(1)
    assert worn(state, "buttock fat", "D5") == pytest.approx(AT_10_MM, abs=1e-6)
    assert not state.rested(spot("buttock fat", "D4").cell)


def test_an_injection_into_the_deltoid_wears_the_nearest_fat_of_the_upper_arm() -> None:
    # 20 mm across and 20 mm down: 800 mm2, e to the power -4.
    state = state_of(used("deltoid", "E5"))
    assert worn(state, "upper arm fat", "A1") == pytest.approx(0.018316, abs=1e-6)
    assert worn(state_of(used("upper arm fat", "A1")), "deltoid", "E5") == pytest.approx(0.018316, abs=1e-6)


def test_a_place_between_the_points_weighs_on_those_round_it_by_its_distance() -> None:
    # 3 mm outward and 4 mm below G5, the middle of the thigh: 5 mm from it (25 mm2) and, of G6, 7 and 4 mm (65 mm2).
    state = state_of(used_at("thigh fat", "3", "4"))
    assert worn(state, "thigh fat", "G5") == pytest.approx(0.882497, abs=1e-6)  # e to the power -1/8
    assert worn(state, "thigh fat", "G6") == pytest.approx(0.722527, abs=1e-6)  # e to the power -65/200


@pytest.mark.parametrize(
    ("days", "left"), [(0, 1), (7, 0.707107), (14, 0.5), (28, 0.25), (42, 0.125), (209, 0.00003206655)]
)
def test_half_of_an_injection_is_left_after_14_days(days: int, left: float) -> None:
    # 2 to the power -days/14; 2 to the power -209/14 is 1 in 31,185 (15 half-lives would be 1 in 32,768).
    assert worn(state_of(used("deltoid", "C3", days=days)), "deltoid", "C3") == pytest.approx(left, rel=1e-3)


def test_from_15_half_lives_on_an_injection_weighs_nothing() -> None:
    # 15 x 14 = 210 days.
    assert not any(state_of(used("deltoid", "C3", days=210)).burden)
    assert any(state_of(used("deltoid", "C3", days=209.9)).burden)


@pytest.mark.parametrize(
    ("volume_ml", "gauge", "weight"),
    [
        (None, None, "1"),
        ("1", None, "1.25"),
        ("2", None, "1.5"),
        ("0.4", None, "1.1"),
        (None, 21, "1.25"),
        (None, 19, "1.25"),
        (None, 22, "1"),
        ("1", 21, "1.5625"),  # 1.25 x 1.25
        ("1", 25, "1.25"),
    ],
)
def test_a_ml_and_a_needle_of_21_g_or_wider_weigh_25_percent_more(
    volume_ml: str | None, gauge: int | None, weight: str
) -> None:
    volume = None if volume_ml is None else Fraction(volume_ml)
    state = state_of(used("deltoid", "C3", volume_ml=volume, gauge=gauge))
    assert worn(state, "deltoid", "C3") == pytest.approx(float(weight))


def test_a_lump_that_is_gone_is_spared_and_fades() -> None:
    # 20 mm wide: 1 within 10 mm of its middle, then the bell of the distance beyond. 14 days later half of it.
    today = state_of(marks=[lump("thigh fat", "G5", gone=NOW.date())])
    later = state_of(marks=[lump("thigh fat", "G5", gone=NOW.date() - timedelta(days=14))])
    for point, weight in (("G5", 1), ("G6", 1), ("G7", AT_10_MM), ("G8", AT_20_MM)):
        assert worn(today, "thigh fat", point) == pytest.approx(weight, abs=1e-6)
        assert worn(later, "thigh fat", point) == pytest.approx(weight / 2, abs=1e-6)


# Rest.


def test_a_point_is_refused_on_day_27_and_open_on_day_28() -> None:
    # Not more than once in four weeks: a needle maker's page citing Frid AH et al., Mayo Clin Proc 2016 (weak).
    on_27 = state_of(used("thigh fat", "G5", days=27), used("deltoid", "A1", side="left"))
    on_28 = state_of(used("thigh fat", "G5", days=28), used("deltoid", "A1", side="left"))
    assert said_of(on_27, "thigh fat", "G5") == ["point-not-rested"]
    assert said_of(on_28, "thigh fat", "G5") == []


def test_the_next_point_is_a_rested_one_though_a_resting_one_is_less_worn() -> None:
    # Every point of the deltoid was given 2 mL 28 days ago (1.5 x 1/4 = 0.375), but the corner A1 less, 27 days ago
    # (2 to the power -27/14 = 0.263). A corner has the fewest neighbours, so A1 is the least worn of all.
    others = [one.name for one in SKIN.spots["deltoid", "right"] if one.name != "A1"]
    state = state_of(
        *(used("deltoid", one, days=28, volume_ml=Fraction(2)) for one in others), used("deltoid", "A1", days=27)
    )
    assert worn(state, "deltoid", "A1") < min(worn(state, "deltoid", one) for one in others)
    chosen = next_one(state, "deltoid", sides=("right",))
    assert chosen.rested
    assert chosen.spot.name in {"A5", "E1", "E5"}


def test_a_rest_longer_than_wear_is_felt_is_kept_all_the_same() -> None:
    # Half after one day: 15 half-lives are 15 days, and the rest is 28.
    quick = replace(WEAR, half_life=1.0)
    assert not state_of(used("deltoid", "C3", days=20), wear=quick).rested(spot("deltoid", "C3").cell)
    assert state_of(used("deltoid", "C3", days=28), wear=quick).rested(spot("deltoid", "C3").cell)


def test_points_nearer_than_10_mm_to_a_place_between_them_rest_too() -> None:
    # 6 mm outward and 8 mm below the middle: G5 at 10 mm exactly, G6 at 8.9, H5 at 6.3, H6 at 4.5 mm.
    state = state_of(used_at("thigh fat", "6", "8", days=5))
    resting = {one.name for one in SKIN.spots["thigh fat", "right"] if not state.rested(one.cell)}
    assert resting == {"G6", "H5", "H6"}


def test_where_every_point_is_inside_its_rest_the_least_worn_is_taken_and_that_is_said() -> None:
    # Two deltoids have 25 points each: at two a day the 51st injection finds none rested.
    answer = rotate(route="intramuscular", sites=["deltoid"], next=51, per_day=2)
    assert [one["rested"] for one in answer["next"]] == [True] * 50 + [False]
    (found,) = [one for one in answer["findings"] if one["code"] == "points-inside-rest"]
    assert f"{answer['next'][50]['point']} at the {answer['next'][50]['side']} deltoid" in found["message"]
    assert "every point is inside its rest" in answer["next"][50]["because"]
    # 50 are open, and 2 x 28 = 56 would be needed.
    assert "points-too-few" in [one["code"] for one in answer["findings"]]
    enough = rotate(route="intramuscular", sites=["deltoid"], next=50, per_day=2)
    assert "points-inside-rest" not in [one["code"] for one in enough["findings"]]


def test_as_many_points_as_the_rest_needs_are_enough_and_one_fewer_is_not() -> None:
    """28 days of rest (the policy's own choice) at two injections a day: 2 x 28 = 56 points."""
    state = skin_state(SKIN, WEAR, (), (), NOW)
    assert too_few_points(state, 56, 2) == []
    assert [one.code for one in too_few_points(state, 55, 2)] == ["points-too-few"]


def test_of_points_that_all_rest_the_least_worn_is_taken() -> None:
    # All used yesterday but the last row, used 27 days ago: its two ends have the fewest neighbours and are equally
    # worn, so the first column decides.
    points = [one.name for one in SKIN.spots["deltoid", "right"]]
    past = [used("deltoid", one, days=27 if one[0] == "E" else 1) for one in points]
    chosen = next_one(state_of(*past, used("thigh fat", "A1")), "deltoid", sides=("right",))
    assert (chosen.spot.name, chosen.rested) == ("E1", False)


# Away from the last one.


@pytest.mark.parametrize(
    ("x_mm", "expected"), [("5", ["point-too-near"]), ("9.9", ["point-too-near"]), ("10", []), ("15", [])]
)
def test_half_a_centimetre_from_the_last_one_is_refused_and_1_cm_is_accepted(x_mm: str, expected: list[str]) -> None:
    # About 1 cm: Frid A, Hirsch L, Strauss K, Optimal Insulin Delivery, 2018. Given 28 days ago, so that it has rested.
    assert said_of(state_of(used_at("thigh fat", x_mm, "0", days=28)), "thigh fat", "G5") == expected


@pytest.mark.parametrize(("apart_mm", "taken"), [("5", False), ("9.9", False), ("10", True)])
def test_the_next_point_lies_at_least_1_cm_from_the_last_one(apart_mm: str, taken: bool) -> None:
    # All of the deltoid was given 2 mL 30 days ago but its last corner, E5, which is the least worn. The last one of
    # all, 28 days ago, went so far beyond it to the back.
    others = [one.name for one in SKIN.spots["deltoid", "right"] if one.name != "E5"]
    crowd = [used("deltoid", one, days=30, volume_ml=Fraction(2)) for one in others]
    last = used_at("deltoid", str(20 + Fraction(apart_mm)), "30", days=28)
    state = state_of(*crowd, replace(last, volume_ml=Fraction("0.1")))
    assert worn(state, "deltoid", "E5") < min(worn(state, "deltoid", one) for one in others)
    assert (next_one(state, "deltoid", sides=("right",)).spot.name == "E5") is taken


def test_only_the_very_last_one_counts_and_only_on_its_own_skin() -> None:
    older = used_at("thigh fat", "5", "0", days=28)
    assert said_of(state_of(older, used("deltoid", "A1", days=1)), "thigh fat", "G5") == []
    assert said_of(state_of(older), "thigh fat", "G5", side="left") == []


# Sides in turn, and what is ruled out.


def test_sides_take_turns_and_the_right_comes_first() -> None:
    found = next_points(
        SKIN, WEAR, past=(), marks=(), sites=UNDER_THE_SKIN, blocked=NONE_BLOCKED, moments=evenly(40, 4), per_day=4
    )
    sides = [one.spot.side for _, one in found if one is not None]
    assert sides == ["right", "left"] * 20


def test_the_side_used_last_waits_though_it_has_the_less_worn_points() -> None:
    # All of the left thigh was used 40 days ago; on the right one point, yesterday.
    left = [used("thigh fat", one.name, side="left", days=40) for one in SKIN.spots["thigh fat", "left"]]
    found = next_one(state_of(*left, used("thigh fat", "G5", days=1)), "thigh fat")
    assert found.spot.side == "left"
    assert found.burden > 0


def test_a_side_that_is_ruled_out_is_never_used() -> None:
    # Every point of the right side, 320, is inside its rest before the 400th injection at twenty a day: still no left.
    blocked = frozenset((site, "left") for site in UNDER_THE_SKIN)
    found = next_points(
        SKIN, WEAR, past=(), marks=(), sites=UNDER_THE_SKIN, blocked=blocked, moments=evenly(400, 20), per_day=20
    )
    picked = [one for _, one in found if one is not None]
    assert len(picked) == 400
    assert {one.spot.side for one in picked} == {"right"}
    assert [one.rested for one in picked].index(False) == 109 + 117 + 45 + 49


def test_where_everything_is_ruled_out_there_is_no_point() -> None:
    blocked = frozenset(("deltoid", side) for side in SIDES)
    assert pick(state_of(), ("deltoid",), SIDES, blocked=blocked) is None


def test_a_site_ruled_out_on_one_side_does_not_wear_out_what_is_left_there() -> None:
    # The last one went to the right belly, so the left would be next; but all of the left arm was used 30 days ago, and
    # the left belly is ruled out, while 154 - 1 points of the right were never used.
    past = [used("upper arm fat", one.name, side="left", days=30) for one in SKIN.spots["upper arm fat", "left"]]
    state = state_of(*past, used("abdominal fat", "A1", days=1))
    one_sided = frozenset({("abdominal fat", "left")})
    sites = ("abdominal fat", "upper arm fat")
    assert next_one(state, *sites, blocked=one_sided).spot.side == "right"
    # With the left belly open, or only arms, it is the left's turn, which then has its own sites like the right.
    assert next_one(state, *sites).spot.side == "left"
    assert next_one(state, "upper arm fat").spot.side == "left"


# Lumps.


@pytest.mark.parametrize(
    ("size", "shut"),
    [
        # Half its width and 10 mm more: nearer than 20 mm is shut, 20 mm is open.
        ("20", {"G5", "G6", "H6"}),
        # Nearer than 21 mm.
        ("22", {"G5", "G6", "H6", "G7"}),
        # Of unknown size, taken for 30 mm: nearer than 25 mm (H7 lies 22.4 mm away).
        (None, {"G5", "G6", "H6", "G7", "H7"}),
    ],
)
def test_a_lump_shuts_its_points_and_10_mm_round_it(size: str | None, shut: set[str]) -> None:
    state = state_of(marks=[lump("thigh fat", "G5", size=size)])
    for point in ("G5", "G6", "H6", "G7", "H7", "G8"):
        expected = ["point-shut"] if point in shut else []
        assert said_of(state, "thigh fat", point) == expected, point


def test_points_on_a_lump_open_again_when_it_is_gone() -> None:
    there, gone = lump("thigh fat", "G5"), lump("thigh fat", "G5", gone=NOW.date())
    assert said_of(state_of(marks=[there]), "thigh fat", "G5") == ["point-shut"]
    assert said_of(state_of(marks=[gone]), "thigh fat", "G5") == []
    # A circle of radius 20 mm, its edge left out: the middle, 4 at 10 mm and 4 at 14 mm.
    thighs = 2 * 117
    assert open_spots(state_of(marks=[there]), ("thigh fat",), NONE_BLOCKED) == thighs - 9
    assert open_spots(state_of(marks=[gone]), ("thigh fat",), NONE_BLOCKED) == thighs


def test_a_lump_in_the_fat_shuts_the_muscle_under_it() -> None:
    state = state_of(marks=[lump("buttock fat", "D4")])
    assert said_of(state, "dorsogluteal", "C3") == ["point-shut"]
    assert said_of(state, "dorsogluteal", "C3", side="left") == []


def test_a_lump_of_which_nobody_wrote_where_shuts_its_whole_side() -> None:
    for point in ("", "Z99"):
        state = state_of(marks=[lump("thigh fat", point)])
        assert said_of(state, "thigh fat", "A1") == ["point-shut"]
        assert said_of(state, "thigh fat", "A1", side="left") == []
        assert next_one(state, "thigh fat").spot.side == "left"


def test_no_point_on_a_lump_is_ever_taken_even_where_none_is_rested() -> None:
    # The middle of the deltoid lies on a lump of 20 mm: 25 - 9 = 16 points are open, and thirty are asked for.
    marks = [lump("deltoid", "C3")]
    blocked = frozenset({("deltoid", "left")})
    found = next_points(
        SKIN, WEAR, past=(), marks=marks, sites=("deltoid",), blocked=blocked, moments=evenly(30, 4), per_day=4
    )
    inner = {f"{row}{column}" for row in "BCD" for column in (2, 3, 4)}
    picked = [one for _, one in found if one is not None]
    assert [one.rested for one in picked] == [True] * 16 + [False] * 14
    assert not inner & {one.spot.name for one in picked}


# Ties.


def test_equal_burdens_are_decided_by_the_order_of_the_sites_then_side_row_and_column() -> None:
    assert name(next_one(state_of(), "abdominal fat", "thigh fat")) == "right abdominal fat A1"
    assert name(next_one(state_of(), "thigh fat", "abdominal fat")) == "right thigh fat A1"
    assert name(next_one(state_of(), "thigh fat", sides=("left",))) == "left thigh fat A1"


def test_the_first_points_of_a_thigh_by_hand() -> None:
    # A1, then on the right again the first that feels nothing of it: more than 40 mm along the first row, 50 mm: A6.
    found = next_points(
        SKIN, WEAR, past=(), marks=(), sites=("thigh fat",), blocked=NONE_BLOCKED, moments=evenly(4, 4), per_day=4
    )
    names = [name(one) for _, one in found if one is not None]
    assert names == ["right thigh fat A1", "left thigh fat A1", "right thigh fat A6", "left thigh fat A6"]


def test_of_four_corners_equally_far_from_one_injection_the_first_row_and_column_is_taken() -> None:
    # From the middle of a square of 5 by 5 points every corner lies 28.3 mm away.
    state = state_of(used("ventrogluteal", "C3", days=3))
    corners = [worn(state, "ventrogluteal", one) for one in ("A1", "A5", "E1", "E5")]
    assert corners == pytest.approx([0.018316 * 0.5 ** (3 / 14)] * 4, rel=1e-4)
    assert next_one(state, "ventrogluteal", sides=("right",)).spot.name == "A1"


def test_the_point_of_the_least_burden_is_taken_whatever_its_place_in_the_order() -> None:
    # Three corners and the middle of a square were used: the fourth corner, last in the order, lies furthest from all.
    state = state_of(*(used("ventrogluteal", one, days=30) for one in ("A1", "A5", "E1", "C3")), used("deltoid", "A1"))
    assert next_one(state, "ventrogluteal", sides=("right",)).spot.name == "E5"


# Two at one visit.


@pytest.mark.parametrize(
    ("apart_mm", "expected"), [("20", ["visit-too-near"]), ("24.9", ["visit-too-near"]), ("25", []), ("25.1", [])]
)
def test_two_injections_in_one_limb_2_cm_apart_are_refused_and_2_5_cm_are_accepted(
    apart_mm: str, expected: list[str]
) -> None:
    # UK Immunisation against infectious disease, chapter 11, and CDC: 2.5 cm.
    other = used_at("vastus lateralis", apart_mm, "0").place
    here = SKIN.frame_place(other)
    middle = SKIN.frame_place(SkinPlace(site="vastus lateralis", side="right", x=0, y=0))
    assert middle == ("right thigh", 0, 0)
    assert said_of(state_of(), "vastus lateralis", "G3", visit=(here,)) == expected
    assert said_of(state_of(), "vastus lateralis", "G3", side="left", visit=(here,)) == []


def test_a_point_2_5_cm_from_the_others_of_its_visit_is_taken() -> None:
    # A1 lies 20 mm to the front and 60 mm above the middle: 25 mm above it are 85 mm, 24.9 mm are 84.9 mm.
    for above, point in (("-85", "A1"), ("-84.9", "A2")):
        taken = [SKIN.frame_place(used_at("vastus lateralis", "-20", above).place)]
        assert next_one(state_of(), "vastus lateralis", sides=("right",), taken=taken).spot.name == point


def test_the_next_point_keeps_2_5_cm_from_the_others_of_its_visit() -> None:
    # From A1, on the grid: 20 and 20 mm are 28.3 mm away, 20 and 10 mm only 22.4 mm; along the first row 30 mm is A4.
    taken = [SKIN.frame_place(SkinPlace(site="vastus lateralis", side="right", point="A1"))]
    assert next_one(state_of(), "vastus lateralis", sides=("right",), taken=taken).spot.name == "A4"


# Steady uptake.


def steady(days: int, per_day: int = 2, past: Sequence[PastInjection] = ()) -> list[tuple[datetime, Picked]]:
    found = next_points(
        SKIN,
        WEAR,
        past=past,
        marks=(),
        sites=("abdominal fat", "thigh fat"),
        blocked=NONE_BLOCKED,
        moments=evenly(days * per_day, per_day),
        per_day=per_day,
        steady=True,
    )
    return [(at, one) for at, one in found if one is not None]


def test_the_same_region_is_used_at_the_same_time_of_day() -> None:
    found = steady(28)
    assert len(found) == 56
    assert {one.spot.site for _, one in found[::2]} == {"abdominal fat"}
    assert {one.spot.site for _, one in found[1::2]} == {"thigh fat"}


def test_the_region_of_a_time_of_day_is_the_one_that_was_used_then() -> None:
    # The evening before, the thigh at 21:00; the morning before, the belly at 08:20.
    evening = used("thigh fat", "G5", days=0.5)
    morning = used("abdominal fat", "A1", days=1 + 40 / 1440)
    assert [one.spot.site for _, one in steady(1, past=[evening, morning])] == ["abdominal fat", "thigh fat"]
    swapped = [used("abdominal fat", "A1", days=0.5), used("thigh fat", "G5", days=1 + 40 / 1440)]
    assert [one.spot.site for _, one in steady(1, past=swapped)] == ["thigh fat", "abdominal fat"]


def test_a_region_that_is_no_longer_among_the_sites_is_not_gone_back_to() -> None:
    past = [used("upper arm fat", "A1", days=1)]
    assert [one.spot.site for _, one in steady(1, past=past)] == ["abdominal fat", "thigh fat"]


def quarter(one: Spot) -> tuple[str, str]:
    return one.side, "upper" if one.y < 0 else "lower"


def test_one_zone_is_used_a_week_and_the_next_lies_beside_it_in_one_direction() -> None:
    # A zone a week: Frid AH et al., Mayo Clin Proc 2016 (from memory); weeks as in ISO 8601, from Monday. As a clock
    # runs for whoever looks down at the belly: upper right, upper left, lower left, lower right.
    found = steady(35)
    weeks: dict[int, set[tuple[str, str]]] = {}
    for at, one in found[::2]:
        weeks.setdefault(at.isocalendar().week, set()).add(quarter(one.spot))
    zones = [zone for week in sorted(weeks) for (zone,) in [weeks[week]]]
    assert len(zones) == 5  # NOW is a Monday: 35 days are five whole weeks
    clock = [("right", "upper"), ("left", "upper"), ("left", "lower"), ("right", "lower")]
    assert all(clock.index(after) == (clock.index(before) + 1) % 4 for before, after in pairwise(zones))


def test_a_week_of_zones_begins_on_monday() -> None:
    # 2 March 2026 is a Monday.
    monday, sunday, next_monday = date(2026, 3, 2), date(2026, 3, 8), date(2026, 3, 9)
    this_week = zones_of_the_week("thigh fat", monday, SIDES)
    assert zones_of_the_week("thigh fat", sunday, SIDES) == this_week
    assert zones_of_the_week("thigh fat", next_monday, SIDES) == (*this_week[1:], this_week[0])


def test_with_one_side_left_its_two_halves_take_weekly_turns() -> None:
    first = zones_of_the_week("thigh fat", date(2026, 3, 2), ("left",))
    second = zones_of_the_week("thigh fat", date(2026, 3, 9), ("left",))
    assert {one.side for one in first} == {"left"}
    assert [one.upper for one in first] == [one.upper for one in second][::-1]


def test_where_the_zone_is_used_up_the_next_one_is_taken_and_then_rest_outweighs_the_region() -> None:
    zones = tuple(Zone(site="deltoid", side="right", upper=upper) for upper in (True, False))
    # The upper zone of the deltoid is its first row, 10 mm above the landmark.
    upper = [used("deltoid", f"A{column}", days=2) for column in range(1, 6)]
    state = state_of(*upper)
    found = next_one(state, "deltoid", "ventrogluteal", zones=zones)
    assert (found.spot.site, found.spot.name[0] == "A", found.rested) == ("deltoid", False, True)
    every = [used("deltoid", one.name, days=2) for one in SKIN.spots["deltoid", "right"]]
    sites, arm = ("deltoid", "ventrogluteal"), frozenset({("deltoid", "left")})
    found = next_one(state_of(*every), *sites, zones=zones, blocked=arm)
    assert (found.spot.site, found.rested) == ("ventrogluteal", True)


# Looking back.


def looked(*past: PastInjection, sites: Sequence[str] = ("thigh fat",), marks: Sequence[SkinMark] = ()) -> LookBack:
    return look_back(SKIN, WEAR, past, marks, sites, frozenset({("deltoid", "left")}))


def test_looking_back_on_nothing() -> None:
    back = looked()
    assert (back.injections, back.unplaced, back.overused, back.too_near, back.median_mm) == (0, 0, 0, 0, None)
    assert back.neglected == (("thigh fat", "right"), ("thigh fat", "left"))


def test_looking_back_on_six_injections_by_hand() -> None:
    # Right thigh G5, then 4 mm beside it the next day (the same point again, too near), G8 (26 mm on), G5 on the 27th
    # day after the second (again) and, on the left, G5 once; one deltoid without a point.
    past = (
        used("thigh fat", "G5", days=60),
        used_at("thigh fat", "4", "0", days=59),
        used("thigh fat", "G8", days=50),
        used("thigh fat", "G5", days=32),
        used("thigh fat", "G5", side="left", days=2),
        PastInjection(place=SkinPlace(site="deltoid", side="right"), at=NOW - timedelta(days=1)),
    )
    # Whatever the order in which they were written.
    for order in (past, past[::-1]):
        back = looked(*order, sites=("deltoid", "thigh fat", "buttock fat"))
        assert (back.injections, back.unplaced) == (6, 1)
        assert back.overused == pytest.approx(2 / 5)
        assert back.too_near == pytest.approx(1 / 5)
        # 4, 26 and 30 mm; from the right thigh to the left there is no distance.
        assert back.median_mm == pytest.approx(26)
        # The left deltoid is ruled out, so nobody neglects it.
        assert back.neglected == (("buttock fat", "right"), ("buttock fat", "left"))
        assert back.by_place == (("deltoid", "right", 1), ("thigh fat", "left", 1), ("thigh fat", "right", 4))


def test_the_same_point_on_the_28th_day_is_not_inside_its_rest() -> None:
    assert looked(used("thigh fat", "G5", days=30), used("thigh fat", "G5", days=3)).overused == pytest.approx(1 / 2)
    assert looked(used("thigh fat", "G5", days=30), used("thigh fat", "G5", days=2)).overused == 0


def test_1_cm_from_the_one_before_is_not_too_near_and_9_9_mm_are() -> None:
    # Frid A, Hirsch L, Strauss K, Optimal Insulin Delivery, 2018.
    assert looked(used("thigh fat", "G5", days=2), used_at("thigh fat", "10", "0")).too_near == 0
    assert looked(used("thigh fat", "G5", days=2), used_at("thigh fat", "9.9", "0")).too_near == pytest.approx(1 / 2)


def test_the_middle_of_an_even_number_of_distances_lies_between_the_two_in_the_middle() -> None:
    # 10 mm and 30 mm.
    back = looked(*(used("thigh fat", point, days=days) for point, days in (("G5", 3), ("G6", 2), ("G9", 1))))
    assert back.median_mm == pytest.approx(20)


@pytest.mark.parametrize("side", SIDES)
def test_a_place_between_the_points_counts_as_the_nearest_one_on_either_side(side: str) -> None:
    # 24 mm outward of the navel is nearest to 20, 26 mm to 30.
    first = used_at("abdominal fat", "20", "60", side=side, days=2)
    assert looked(first, used_at("abdominal fat", "24", "60", side=side)).overused == pytest.approx(1 / 2)
    assert looked(first, used_at("abdominal fat", "26", "60", side=side)).overused == 0


def test_the_lumps_are_told_when_looking_back_those_that_are_gone_too() -> None:
    marks = [lump("thigh fat", "G5"), lump("thigh fat", "A1", gone=NOW.date())]
    assert looked(marks=marks).lumps == tuple(marks)


def rotate(**more: Any) -> dict[str, Any]:
    document = {"format": 1, "now": NOW.isoformat(), "patient": {"born": "1980-01-01"}, "route": "subcutaneous"}
    return answer_rotate({**document, "history": [], **more})


def test_the_public_answer_says_the_same_figures() -> None:
    # G9 to G6 to G5: 30 and 10 mm, none twice.
    history = [
        {"at": f"2026-02-2{day}T09:00:00+00:00", "site": "thigh fat", "side": "right", "point": point}
        for day, point in ((6, "G9"), (7, "G6"), (8, "G5"))
    ]
    answer = rotate(sites=["thigh fat"], history=history)
    back = answer["look_back"]
    assert (back["injections"], back["without_a_point"], back["median_distance_mm"]) == (3, 0, 20)
    assert (back["share_inside_rest"], back["share_too_near"]) == (0, 0)
    assert back["neglected"] == [{"site": "thigh fat", "side": "left"}]
    # The left's turn, where nothing was ever given.
    (following,) = answer["next"]
    assert (following["side"], following["point"], following["place_mm"]) == ("left", "A1", ["-40", "-60"])
    assert following["because"] == "not used lately, other skin than the last one, the least worn (0.00)"


# Mirrors, and whatever the history.

SITES = ("deltoid", "vastus lateralis", "dorsogluteal", *UNDER_THE_SKIN)
OTHER = {"right": "left", "left": "right"}


@st.composite
def places(draw: st.DrawFn) -> SkinPlace:
    site, side = draw(st.sampled_from(SITES)), draw(st.sampled_from(SIDES))
    if draw(st.booleans()):
        return SkinPlace(site=site, side=side, point=draw(st.sampled_from(SKIN.spots[site, side])).name)
    x, y = draw(st.integers(-1200, 1200)), draw(st.integers(-800, 800))
    return SkinPlace(site=site, side=side, x=x, y=y, scale=draw(st.sampled_from([None, Fraction(1, 2), Fraction(1)])))


# Hours apart, none at the same time: which of two is the last one would else depend on how they were written.
histories = st.lists(
    st.tuples(
        places(),
        st.integers(1, 6000),
        st.sampled_from([None, Fraction(1), Fraction("0.3")]),
        st.sampled_from([None, 21, 30]),
    ),
    min_size=1,
    max_size=30,
    unique_by=lambda one: one[1],
).map(
    lambda drawn: tuple(
        PastInjection(place=place, at=NOW - timedelta(hours=hours), volume_ml=volume, gauge=gauge)
        for place, hours, volume, gauge in drawn
    )
)
lumps = st.lists(
    st.builds(
        lambda place, size, days: SkinMark(
            kind="lump",
            site=place.site,
            side=place.side,
            point=place.point or "",
            size_mm=size,
            gone=None if days is None else NOW.date() - timedelta(days=days),
            x=place.x,
            y=place.y,
            scale=place.scale,
        ),
        places(),
        st.sampled_from([None, Fraction(15), Fraction(60)]),
        st.sampled_from([None, 0, 20]),
    ),
    max_size=3,
)
ruled_out = st.frozensets(st.tuples(st.sampled_from(SITES), st.sampled_from(SIDES)), max_size=4)


@settings(max_examples=60)
@given(past=histories, marks=lumps, blocked=ruled_out)
def test_a_mirrored_patient_gets_the_mirrored_answer(
    past: tuple[PastInjection, ...], marks: list[SkinMark], blocked: frozenset[tuple[str, str]]
) -> None:
    # There is a last injection, so it decides whose turn it is; a first one of all goes to the right by custom.
    mirrored = tuple(replace(one, place=replace(one.place, side=OTHER[one.side])) for one in past)
    mirrored_marks = [replace(one, side=OTHER[one.side]) for one in marks]
    mirrored_blocked = frozenset((site, OTHER[side]) for site, side in blocked)
    for sites in (UNDER_THE_SKIN, ("deltoid", "vastus lateralis")):
        asked: dict[str, Any] = {"sites": sites, "moments": evenly(4, 4), "per_day": 4}
        here = next_points(SKIN, WEAR, past=past, marks=marks, blocked=blocked, **asked)
        there = next_points(SKIN, WEAR, past=mirrored, marks=mirrored_marks, blocked=mirrored_blocked, **asked)
        for (_, one), (_, other) in zip(here, there, strict=True):
            assert (one is None) == (other is None)
            if one is not None and other is not None:
                assert (other.spot.site, other.spot.side, other.spot.name) == (
                    one.spot.site,
                    OTHER[one.spot.side],
                    one.spot.name,
                )
                assert (other.burden, other.rested, other.because) == (one.burden, one.rested, one.because)
    back, turned = (look_back(SKIN, WEAR, history, (), SITES, NONE_BLOCKED) for history in (past, mirrored))
    assert replace(turned, neglected=(), by_place=()) == replace(back, neglected=(), by_place=())
    assert {(site, OTHER[side], count) for site, side, count in turned.by_place} == set(back.by_place)


@settings(max_examples=60)
@given(past=histories, marks=lumps, blocked=ruled_out)
def test_whatever_went_before_the_next_point_is_open_and_said_to_be_rested_only_when_it_is(
    past: tuple[PastInjection, ...], marks: list[SkinMark], blocked: frozenset[tuple[str, str]]
) -> None:
    state = state_of(*past, marks=marks)
    found = pick(state, UNDER_THE_SKIN, side_in_turn(state), blocked=blocked)
    if found is None:
        assert open_spots(state, UNDER_THE_SKIN, blocked) == 0
        return
    here = (found.spot.frame, found.spot.frame_x, found.spot.frame_y)
    assert (found.spot.site, found.spot.side) not in blocked
    for mark in marks:
        middle = SKIN.frame_place(
            SkinPlace(site=mark.site, side=mark.side, point=mark.point or None, x=mark.x, y=mark.y, scale=mark.scale)
        )
        if mark.gone is None and middle is not None and middle[0] == here[0]:
            clear = (30 if mark.size_mm is None else mark.size_mm) / 2 + 10  # mm
            assert (middle[1] - here[1]) ** 2 + (middle[2] - here[2]) ** 2 >= (clear * 10) ** 2
    if found.rested:
        for one in past:
            place = SKIN.frame_place(one.place)
            if place is not None and place[0] == here[0] and NOW - one.at < timedelta(days=28):
                assert (place[1] - here[1]) ** 2 + (place[2] - here[2]) ** 2 >= 100 * 100


def test_every_place_of_a_divided_dose_counts_as_the_last_one() -> None:
    # Half into C3 of each arm: 10 mm from either is the least, so the nearer of the two decides.
    at = NOW - timedelta(days=29)
    halves = tuple(
        PastInjection(place=SkinPlace(site="deltoid", side=side, point="C3"), at=at) for side in ("right", "left")
    )
    state = skin_state(SKIN, WEAR, halves, (), NOW)
    for side in ("right", "left"):
        assert state.apart_from_last(SKIN.named["deltoid", side, "C3"]) == 0
        assert state.apart_from_last(SKIN.named["deltoid", side, "C4"]) == 100**2
