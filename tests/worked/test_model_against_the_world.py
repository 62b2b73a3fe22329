"""How the distances do on shares that they were not fitted to, good and bad, as readers are shown them.

Each figure of evidence/model_checks.toml is worked out anew on the adults of NHANES 2017-18; what was published, and
where, stands here a second time, so that neither can drift.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import date
from fractions import Fraction
from math import erf, exp, log, sqrt
from statistics import mean
from typing import Any

import pytest
from tests.worked.open_data import Adult, nhanes_adults

from drawup.evidence.tables import load_tissue, read_table
from drawup.injection.guideline import Body
from drawup.injection.patient import Age
from drawup.injection.tissue import Distance, DistanceRow, NoDistance, distance_at, share_nearer

TODAY = date(2026, 3, 2)
TISSUE = load_tissue()
ROWS: list[dict[str, Any]] = read_table("model_checks")["check"]
POUND = 0.45359237
# A tip counts as in muscle 5 mm past the fascia (Poland GA et al., JAMA 1997;277:1709-11).
INTO = 5


def as_body(person: Adult) -> Body:
    return Body(
        age=Age.between(date(TODAY.year - person.age_years, 1, 15), TODAY),
        sex=person.sex,
        weight_kg=Fraction(str(person.weight_kg)),
        bmi=Fraction(str(person.bmi)),
    )


def adults(sex: str = "", *, which: Callable[[Adult], bool] = lambda person: True) -> list[Adult]:
    return [person for person in nhanes_adults() if sex in ("", person.sex) and which(person)]


def by_the_code(site: str, people: Iterable[Adult], depth: float) -> float:
    """The share in % of those with a distance to whom the fascia lies nearer than this, through the code."""
    found = [distance_at(TISSUE, site, as_body(person)) for person in people]
    return 100 * mean(share_nearer(one, depth) for one in found if isinstance(one, Distance))


def row_of(site: str, sex: str) -> DistanceRow:
    return next(row for row in TISSUE.distances[site] if row.sex in ("", sex))


def normal_share(z: float) -> float:
    return (1 + erf(z / sqrt(2))) / 2


def by_the_row(site: str, people: Iterable[Adult], depth: float) -> float:
    """The same from a row's coefficients alone, also where the code gives no chance."""
    shares = []
    for person in people:
        row = row_of(site, person.sex)
        more = row.by_sex / 2 if person.sex == "female" else -row.by_sex / 2
        middle = log(row.median_mm) + row.slope * (person.bmi - row.at_bmi) + more
        shares.append(normal_share((log(depth) - middle) / row.spread))
    return 100 * mean(shares)


def among_23_women_and_5_men() -> float:
    women = by_the_code("vastus lateralis", adults("female"), 15.02)
    men = by_the_code("vastus lateralis", adults("male"), 15.02)
    return 100 - (23 * women + 5 * men) / 28


def among_thai_adults() -> float:
    row = row_of("deltoid", "female")
    wide = sqrt(row.spread**2 + (row.slope * 3.54) ** 2)
    middle = log(row.median_mm) + row.slope * (24.54 - row.at_bmi)
    women, men = (normal_share((log(12.7) - middle - half) / wide) for half in (row.by_sex / 2, -row.by_sex / 2))
    return 100 * (287 * women + 222 * men) / 509


def is_light(limit_lb: int) -> Callable[[Adult], bool]:
    return lambda person: person.weight_kg < limit_lb * POUND


def is_heavy(limit_lb: int) -> Callable[[Adult], bool]:
    return lambda person: person.weight_kg > limit_lb * POUND


# What each row of the table says, in its order: the figure worked out here in %, the published one, and where it
# stands.
WORLD: list[tuple[str, Callable[[], float], float, str]] = [
    (
        "deltoid, women under 200 lb",
        lambda: by_the_code("deltoid", adults("female", which=is_light(200)), 25.4 - INTO),
        85.3,
        "Sebro R, Sci Rep 2022",
    ),
    (
        "deltoid, men under 260 lb",
        lambda: by_the_code("deltoid", adults("male", which=is_light(260)), 25.4 - INTO),
        98.6,
        "Sebro R, Sci Rep 2022",
    ),
    (
        "deltoid, women over 200 lb",
        lambda: by_the_row("deltoid", adults("female", which=is_heavy(200)), 38.1 - INTO),
        76.7,
        "Sebro R, Sci Rep 2022",
    ),
    (
        "deltoid, men over 260 lb",
        lambda: by_the_row("deltoid", adults("male", which=is_heavy(260)), 38.1 - INTO),
        75.0,
        "Sebro R, Sci Rep 2022",
    ),
    (
        "deltoid, men of 59 to 118 kg",
        lambda: by_the_code("deltoid", adults("male", which=lambda man: 59 <= man.weight_kg <= 118), 16 - INTO),
        83,  # 16 mm too short in 17 %.
        "Poland GA et al., JAMA 1997;277:1709-11",
    ),
    ("deltoid, Thai adults", among_thai_adults, 100, "Front Immunol 2023, doi 10.3389/fimmu.2023.1302891"),
    (
        "vastus lateralis, women",
        lambda: 100 - by_the_code("vastus lateralis", adults("female"), 14.3),
        42,  # 21 of 50.
        "Ann Allergy Asthma Immunol 2005, doi 10.1016/S1081-1206(10)61130-1",
    ),
    (
        "vastus lateralis, men",
        lambda: 100 - by_the_code("vastus lateralis", adults("male"), 14.3),
        2,  # 1 of 50.
        "Ann Allergy Asthma Immunol 2005, doi 10.1016/S1081-1206(10)61130-1",
    ),
    ("vastus lateralis, 23 women and 5 men", among_23_women_and_5_men, 68, "Johnstone J et al., Allergy 2015"),
    (
        "ventrogluteal, all adults: further than 25 mm",
        lambda: 100 - by_the_row("ventrogluteal", adults(), 25),
        26,
        "Nisbet AC, BMJ 2006;332:637",
    ),
    (
        "ventrogluteal, all adults: further than 35 mm",
        lambda: 100 - by_the_row("ventrogluteal", adults(), 35),
        12,
        "Nisbet AC, BMJ 2006;332:637",
    ),
    (
        "ventrogluteal, women over a body-mass index of 30",
        lambda: 100 - by_the_row("ventrogluteal", adults("female", which=lambda woman: woman.bmi > 30), 33),
        71,
        "Am J Ther 2019;26(1):e72-e78",
    ),
    (
        "ventrogluteal, men over a body-mass index of 35",
        lambda: 100 - by_the_row("ventrogluteal", adults("male", which=lambda man: man.bmi > 35), 33),
        60,
        "Am J Ther 2019;26(1):e72-e78",
    ),
    (
        "one unit of body-mass index more",
        lambda: 100 * (exp(row_of("deltoid", "female").slope) - 1),
        3.8,  # exp(0.0369) - 1 = 0.0376.
        "Smith JW et al.",
    ),
]


def test_every_figure_that_is_shown_is_worked_out_here() -> None:
    assert len(ROWS) == len(WORLD)
    for row, (what, _, _, _) in zip(ROWS, WORLD, strict=True):
        assert row["what"].startswith(what), row["what"]


@pytest.mark.parametrize(("row", "world"), list(zip(ROWS, WORLD, strict=True)), ids=[row["what"] for row in ROWS])
def test_the_figure_shown_is_the_one_that_the_model_gives(
    row: dict[str, Any], world: tuple[str, Callable[[], float], float, str]
) -> None:
    _, worked_out, published, source = world
    assert float(row["model"]) == pytest.approx(worked_out(), abs=0.06)
    assert float(row["published"]) == published
    assert source in row["source"]
    assert row["status"] == "published"


@pytest.mark.parametrize("row", ROWS, ids=[row["what"] for row in ROWS])
def test_good_is_said_to_5_points_apart_and_off_beyond(row: dict[str, Any]) -> None:
    apart = abs(float(row["model"]) - float(row["published"]))
    assert row["verdict"].split()[0].strip(":;,") == ("good" if apart <= 5 else "off")


def test_the_figures_that_are_far_off_by_body_mass_or_weight_are_never_given_to_anybody() -> None:
    # 71 and 60 of 100 over the cut-offs where the row says 43 and 25; 77 and 75 of 100 where it says 82 and 96.
    beyond = [("ventrogluteal", one) for one in adults("female", which=lambda woman: woman.bmi >= 30)]
    beyond += [("ventrogluteal", one) for one in adults("male", which=lambda man: man.bmi >= 35)]
    beyond += [("deltoid", one) for one in adults("female", which=is_heavy(200))]
    beyond += [("deltoid", one) for one in adults("male", which=lambda man: man.weight_kg >= 118)]
    assert len(beyond) > 2000
    assert all(isinstance(distance_at(TISSUE, site, as_body(one)), NoDistance) for site, one in beyond)


def test_the_row_that_is_far_off_in_other_people_decides_nothing() -> None:
    # 68 of 100 of 28 British adults where it says 34.
    assert {row.status for row in TISSUE.distances["vastus lateralis"]} == {"distribution only"}


def test_where_the_deltoid_is_off_in_lean_people_it_is_too_careful() -> None:
    # Poland GA et al. 1997 (83 of 100 men) and 509 Thai shoulders (all): shorter needles reach than it says.
    errs = [row for row in ROWS if row["what"].startswith(("deltoid, men of 59", "deltoid, Thai"))]
    assert len(errs) == 2
    assert all(float(row["model"]) < float(row["published"]) for row in errs)


def test_the_slope_and_the_scatter_at_the_deltoid_are_near_the_skinfolds() -> None:
    # 532 women of Pima heritage (MASS, Venables and Ripley 2002): ln skinfold rises by 0.0369 a unit with 0.298 left
    # over, as test_open_data.py works out from their records.
    row = row_of("deltoid", "female")
    assert row.slope == pytest.approx(0.0369, abs=0.002)
    assert row.spread == pytest.approx(0.298, abs=0.06)
