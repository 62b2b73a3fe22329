"""The published tables: each row has its source, each site its limits at every age, and figures are as published."""

import tomllib
from datetime import date, timedelta
from fractions import Fraction

import pytest

from drawup.evidence.tables import (
    EvidenceError,
    check_rows,
    evidence_version,
    load_barrels,
    load_needle_dead_space,
    load_needle_table,
    load_sites,
    needle_table_names,
    parse_age,
)
from drawup.injection.needle import Body, row_for
from drawup.injection.patient import Age
from drawup.injection.site import Site, VolumeLimit

COUNTRIES = ("uk", "us", "au", "nz")
BORN = date(2000, 2, 29)
# A day of each kind of age, from the first day to old age.
AGES = [Age.between(BORN, BORN + timedelta(days=days)) for days in (0, 27, 28, 29, 60, 200, 364, 366, 550, 800, 1826)]
AGES += [Age.between(BORN, BORN + timedelta(days=int(years * 365.25) + 2)) for years in (5, 11, 12, 17, 18, 19, 40, 80)]


def site(name: str) -> Site:
    return next(one for one in load_sites() if one.name == name)


def limit(name: str, years: float) -> VolumeLimit:
    age = Age.between(BORN, BORN + timedelta(days=int(years * 365.25)))
    return next(one for one in site(name).limits if one.ages.covers(age))


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ('[[limit]]\nsoft = "1"\nstatus = "published"', "volumes.toml, limit 1: no source"),
        ('[[limit]]\nsource = " "\nstatus = "published"', "volumes.toml, limit 1: no source"),
        ('[[limit]]\nsource = "x"\nstatus = "sure"', 'volumes.toml, limit 1: read status "sure"'),
    ],
)
def test_a_row_without_source_or_known_status_is_refused_by_file_and_row(text: str, message: str) -> None:
    with pytest.raises(EvidenceError, match=message):
        check_rows(tomllib.loads(text), "volumes.toml")


@pytest.mark.parametrize(
    ("text", "expected"),
    [("28 days", (28, 0)), ("1 day", (1, 0)), ("6 weeks", (42, 0)), ("18 months", (0, 18)), ("5 years", (0, 60))],
)
def test_an_age_is_a_count_of_days_or_of_months(text: str, expected: tuple[int, int]) -> None:
    assert parse_age(text) == expected


@pytest.mark.parametrize("text", ["", "5", "years", "five years", "5 decades", "-1 days", "1.5 years", "٥ days"])
def test_an_age_written_otherwise_is_refused_with_an_example(text: str) -> None:
    with pytest.raises(EvidenceError, match="expected such as"):
        parse_age(text)


def test_the_sites_are_the_nine_that_bear_their_layer_in_the_name() -> None:
    muscle = {"deltoid", "vastus lateralis", "rectus femoris", "ventrogluteal", "dorsogluteal"}
    fat = {"upper arm fat", "abdominal fat", "thigh fat", "buttock fat"}
    assert {one.name for one in load_sites() if one.route == "intramuscular"} == muscle
    assert {one.name for one in load_sites() if one.route == "subcutaneous"} == fat


def test_every_site_has_a_limit_at_every_age_it_suits() -> None:
    lacking = [
        (one.name, age.text)
        for one in load_sites()
        for age in AGES
        if one.ages.covers(age) and not any(row.ages.covers(age) for row in one.limits)
    ]
    assert not lacking


def test_no_usual_limit_is_over_the_largest() -> None:
    assert all(row.soft_ml <= row.hard_ml for one in load_sites() for row in one.limits)


def test_every_country_has_a_needle_row_for_every_site_and_age_that_suit() -> None:
    lacking = [
        (country, one.name, age.text)
        for country in COUNTRIES
        for one in load_sites()
        for age in AGES
        if one.ages.covers(age) and row_for(load_needle_table(country), one.route, one.name, Body(age=age))[0] is None
    ]
    assert not lacking


def test_every_needle_row_names_known_sites_of_its_route() -> None:
    layers = {one.name: one.route for one in load_sites()}
    for name in needle_table_names():
        for row in load_needle_table(name).rows:
            assert all(layers[one] == row.route for one in row.sites), row.body


def test_every_needle_row_stands_in_order() -> None:
    for name in needle_table_names():
        for row in load_needle_table(name).rows:
            assert row.widest_gauge <= row.finest_gauge
            assert row.shortest_mm <= (row.prefer_mm or row.longest_mm) <= row.longest_mm


def test_an_unknown_needle_table_is_refused_with_the_known_ones() -> None:
    with pytest.raises(EvidenceError, match='read the needle table "fr", expected one of uk, us, au, nz'):
        load_needle_table("fr")


@pytest.mark.parametrize(
    ("name", "years", "soft", "hard", "source"),
    [
        ("ventrogluteal", 40, "3", "5", "Open RN 18.6, two versions: to 3 mL, to 5 mL"),
        ("vastus lateralis", 40, "3", "5", "Open RN 18.6, two versions: to 3 mL, to 5 mL"),
        ("vastus lateralis", 1, "0.5", "1", "Craven and Hirnle 2003: 0.5 mL under 18 months; nursekey.com: 1 mL"),
        ("vastus lateralis", 3, "1", "2", "Open RN 18.6: to 1 mL in young children; nursekey.com: toddlers 2 mL"),
        ("deltoid", 3, "0.5", "1", "Open RN 18.6: 0.5 to 1 mL in infants and young children"),
        ("abdominal fat", 40, "1.5", "3", "Usach 2019"),
        ("thigh fat", 40, "1", "1.5", "BCcampus 7.4; Usach 2019"),
    ],
)
def test_the_volume_limits_are_the_published_ones(name: str, years: int, soft: str, hard: str, source: str) -> None:
    row = limit(name, years)
    assert (row.soft_ml, row.hard_ml) == (Fraction(soft), Fraction(hard)), source
    assert row.status == "published"


def test_limits_without_a_source_say_that_they_are_common_practice() -> None:
    assert limit("deltoid", 40).status == "common practice"
    assert limit("ventrogluteal", 8).status == "common practice"
    assert limit("thigh fat", 8).status == "common practice"


@pytest.mark.parametrize(("age", "suits"), [("2026-03-02", True), ("2026-03-01", False)])
def test_an_age_limit_falls_on_the_birthday(age: str, suits: bool) -> None:
    # Born 2023-03-02: the third birthday is 2026-03-02, 1096 days later with the leap day of 2024.
    assert site("dorsogluteal").ages.covers(Age.between(date(2023, 3, 2), date.fromisoformat(age))) is suits


def test_sides_have_their_hl7_codes_where_there_are_any() -> None:
    # HL7 v3 ActSite; dorsogluteal and rectus femoris have none there.
    assert site("deltoid").codes == (("left", "LD"), ("right", "RD"))
    assert site("vastus lateralis").codes == (("left", "LVL"), ("right", "RVL"))
    assert site("ventrogluteal").codes == (("left", "LVG"), ("right", "RVG"))
    assert site("dorsogluteal").codes == ()


def test_the_dead_space_limits_are_the_published_ones() -> None:
    # Study of dead space against ISO 7886-1:2018 (abstract): 5 mL 0.075, 10 mL 0.10 mL; needles 21 and 23 G 0.05 mL.
    limits = {barrel.capacity_ml: barrel.dead_space_ml for barrel in load_barrels()}
    assert limits[Fraction(5)] == Fraction("0.075")
    assert limits[Fraction(10)] == Fraction("0.1")
    assert load_needle_dead_space() == {21: Fraction("0.05"), 23: Fraction("0.05")}


def test_the_version_names_the_tables_bytes() -> None:
    assert len(evidence_version()) == 12
    assert evidence_version() == evidence_version()
