"""Marks and barrels, whatever the drawer holds."""

from __future__ import annotations

from fractions import Fraction

from hypothesis import given
from hypothesis import strategies as st

from drawup.evidence.policies import load_policy
from drawup.injection.barrel import choose_barrel, nearest_mark, try_barrel
from drawup.injection.policy import Barrel
from drawup.injection.preparation import doses_in_container

UK = load_policy("uk")
volumes = st.fractions(min_value=Fraction(1, 1000), max_value=20, max_denominator=10_000)
intervals = st.sampled_from(
    [Fraction(1, 100), Fraction(1, 40), Fraction(1, 20), Fraction(1, 10), Fraction(1, 5), Fraction(1, 2)]
)
barrels = st.builds(
    lambda marks, interval: Barrel(capacity=marks * interval, interval=interval), st.integers(1, 100), intervals
) | st.builds(
    lambda marks, interval, per_ml: Barrel(
        capacity=Fraction(marks * interval), interval=Fraction(interval), units_per_ml=Fraction(per_ml)
    ),
    st.integers(1, 100),
    st.sampled_from([1, 2, 5]),
    st.sampled_from([40, 100, 500]),
)


def capacity_ml(barrel: Barrel) -> Fraction:
    return barrel.capacity / (barrel.units_per_ml or 1)


def interval_ml(barrel: Barrel) -> Fraction:
    return barrel.interval / (barrel.units_per_ml or 1)


@given(volumes, intervals)
def test_the_nearest_mark_is_a_mark_and_at_most_half_an_interval_away(volume: Fraction, interval: Fraction) -> None:
    mark = nearest_mark(volume, interval)
    assert (mark / interval).denominator == 1
    assert abs(mark - volume) <= interval / 2
    # Half way goes up.
    assert mark - volume != -interval / 2


@given(volumes, st.lists(barrels, max_size=6))
def test_the_barrel_chosen_is_the_first_that_holds_the_volume_and_shows_it(
    volume: Fraction, drawer: list[Barrel]
) -> None:
    def serves(barrel: Barrel) -> bool:
        room = volume * (1 + UK.barrel_headroom) <= capacity_ml(barrel)
        mark = nearest_mark(volume, interval_ml(barrel))
        return room and mark > 0 and abs(mark - volume) <= volume * UK.mark_tolerance

    drawn = choose_barrel(volume, barrels=tuple(drawer), policy=UK)
    expected = next((barrel for barrel in drawer if serves(barrel)), None)
    assert (drawn.barrel if drawn is not None else None) == expected
    if drawn is not None:
        assert 0 < drawn.mark_ml <= capacity_ml(drawn.barrel)
        assert (drawn.mark / drawn.barrel.interval).denominator == 1
        assert volume * (1 + drawn.difference) == drawn.mark_ml


@given(
    barrels, st.fractions(min_value=Fraction(1, 2), max_value=Fraction(11, 10), max_denominator=100), st.integers(0, 50)
)
def test_the_room_asked_for_is_left_above_the_volume(barrel: Barrel, filled: Fraction, percent: int) -> None:
    volume, headroom = capacity_ml(barrel) * filled, Fraction(percent, 100)
    drawn = try_barrel(barrel, volume, headroom)
    assert (drawn is None) is (volume * (1 + headroom) > capacity_ml(barrel))


@given(
    fill=volumes,
    dose=volumes,
    dead_space=st.fractions(min_value=0, max_value=Fraction(1, 10), max_denominator=1000),
    label=st.none() | st.integers(1, 20),
    beyond=st.booleans(),
)
def test_a_vial_yields_every_whole_dose_it_holds_and_never_more_than_it_may(
    fill: Fraction, dose: Fraction, dead_space: Fraction, label: int | None, beyond: bool
) -> None:
    doses, left = doses_in_container(
        fill_ml=fill, dose_ml=dose, dead_space_ml=dead_space, label_doses=label, beyond_label=beyond
    )
    each = dose + dead_space
    assert doses * each + left == fill
    assert left >= 0
    limited = label is not None and not beyond
    assert left < each or (limited and doses == label)
    assert not limited or doses <= (label or 0)
