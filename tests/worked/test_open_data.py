"""The open measurements are the ones that we mean: how many people, how large, and how skinfold goes with BMI.

The expected means and the line were worked once outside, with pandas and numpy.polyfit on the same packages.
"""

from __future__ import annotations

from math import log, sqrt
from statistics import mean, stdev

import pytest
from tests.worked.open_data import nhanes_adults, pima_women


def sums_of_squares(xs: list[float], ys: list[float]) -> tuple[float, float, float]:
    """About the means: of x, of y, and of their product."""
    x_mean, y_mean = mean(xs), mean(ys)
    return (
        sum((x - x_mean) ** 2 for x in xs),
        sum((y - y_mean) ** 2 for y in ys),
        sum((x - x_mean) * (y - y_mean) for x, y in zip(xs, ys, strict=True)),
    )


@pytest.mark.parametrize(
    ("sex", "count", "bmi", "spread"), [("female", 2811, 30.13, 8.14), ("male", 2623, 29.22, 6.57)]
)
def test_as_many_adults_of_each_sex_are_there_with_the_bmi_of_the_survey(
    sex: str, count: int, bmi: float, spread: float
) -> None:
    bmis = [adult.bmi for adult in nhanes_adults() if adult.sex == sex]
    assert len(bmis) == count
    assert mean(bmis) == pytest.approx(bmi, abs=0.005)
    assert stdev(bmis) == pytest.approx(spread, abs=0.005)


def test_every_adult_is_18_or_more_and_nobody_is_older_than_the_survey_tells() -> None:
    ages = {adult.age_years for adult in nhanes_adults()}
    assert ages == set(range(18, 81))


def test_each_bmi_follows_from_the_weight_and_height_beside_it() -> None:
    # The survey gives BMI to one decimal place.
    for adult in nhanes_adults():
        assert adult.bmi == pytest.approx(adult.weight_kg / (adult.height_cm / 100) ** 2, abs=0.0501), adult


def test_532_women_have_a_bmi_and_a_skinfold() -> None:
    assert len(pima_women()) == 532


def test_the_logarithm_of_the_skinfold_rises_with_bmi_along_the_known_line() -> None:
    bmis = [bmi for bmi, _ in pima_women()]
    of_bmi, of_logarithm, of_both = sums_of_squares(bmis, [log(skinfold_mm) for _, skinfold_mm in pima_women()])
    slope = of_both / of_bmi
    left_over = of_logarithm - slope * of_both
    assert slope == pytest.approx(0.0369, abs=0.0002)
    assert sqrt(left_over / (len(bmis) - 2)) == pytest.approx(0.298, abs=0.002)


def test_skinfold_and_bmi_go_together_but_not_closely() -> None:
    bmis, skinfolds = (list(column) for column in zip(*pima_women(), strict=True))
    of_bmi, of_skinfold, of_both = sums_of_squares(bmis, skinfolds)
    assert of_both / sqrt(of_bmi * of_skinfold) == pytest.approx(0.65, abs=0.01)
