"""Policy files: presets, a file of one's own, a request's overrides, and messages that say where and what."""

from dataclasses import asdict
from datetime import date
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest

from drawup.evidence.policies import (
    PRESETS,
    PolicyError,
    check_policy,
    choices,
    known_keys,
    load_policy,
    override,
)
from drawup.injection.patient import Age
from drawup.injection.policy import Barrel, Needle, Policy, SiteLimit

OWN = """\
format = 1
title = "Invented island health service"
starts_from = "uk"

[mark_tolerance]
value = "3 %"
reason = "Our pharmacist asks for it."
source = "invented"
"""


@pytest.fixture
def own(tmp_path: Path) -> Path:
    path = tmp_path / "own.toml"
    path.write_text(OWN, "utf-8")
    return path


def written(path: Path, text: str) -> Path:
    path.write_text(text, "utf-8")
    return path


def plausible(policy: Policy, born: str, kg: str) -> bool:
    age = Age.between(date.fromisoformat(born), date(2026, 3, 2))
    row = next(row for row in policy.plausible_weight if row.below_days is None or age.days < row.below_days)
    return row.low_kg <= Fraction(kg) <= row.high_kg


@pytest.mark.parametrize("name", PRESETS)
def test_every_preset_holds_every_key_with_its_reason_and_source(name: str) -> None:
    policy = load_policy(name)
    assert policy.preset == name
    found = {one.key: one for one in choices(name)}
    assert set(found) == set(known_keys())
    assert all(one.reason and one.source for one in found.values())


def test_the_uk_preset_holds_the_default_drawer() -> None:
    # The design's default drawer.
    policy = load_policy("uk")
    in_ml = [(1, "0.01"), (2, "0.1"), (3, "0.1"), (5, "0.2"), (10, "0.5")]
    in_units = [(30, 1), (50, 1), (100, 2)]
    assert [asdict(barrel) for barrel in policy.barrels] == [
        asdict(barrel)
        for barrel in (
            *(Barrel(capacity=Fraction(capacity), interval=Fraction(interval)) for capacity, interval in in_ml),
            *(
                Barrel(capacity=Fraction(capacity), interval=Fraction(interval), units_per_ml=Fraction(100))
                for capacity, interval in in_units
            ),
        )
    ]
    lengths = [(25, 16), (25, 25), (23, 25), (21, 38), (21, 50)]
    assert policy.needles == tuple(Needle(gauge=gauge, length_mm=Fraction(mm)) for gauge, mm in lengths)
    assert (policy.mark_tolerance, policy.barrel_headroom) == (Fraction(5, 100), Fraction(10, 100))
    assert (policy.injections_usual, policy.injections_most, policy.most_containers) == (2, 4, 3)


def test_spelling_differs_by_country() -> None:
    british, american = load_policy("uk"), load_policy("us")
    assert (british.notation.micrograms, british.notation.step_down_small_masses) == ("micrograms", True)
    assert (american.notation.micrograms, american.notation.step_down_small_masses) == ("mcg", False)
    assert (british.batch_word, american.batch_word) == ("Batch", "Lot")
    assert (british.adrenaline_word, american.adrenaline_word) == ("adrenaline", "epinephrine")
    assert load_policy("au").notation.micrograms == load_policy("nz").notation.micrograms == "micrograms"


@pytest.mark.parametrize("name", PRESETS)
def test_each_preset_uses_its_own_needle_table(name: str) -> None:
    assert load_policy(name).needle_table == name


def test_a_weight_of_38_1_kg_is_unlikely_at_4_years_and_9_months_and_17_3_kg_is_likely() -> None:
    # Scenario 2: 38.1 was pounds. The limits themselves are from memory.
    assert not plausible(load_policy("uk"), "2021-05-14", "38.1")
    assert plausible(load_policy("uk"), "2021-05-14", "17.3")


def test_a_weight_counts_2_days_in_a_newborn_and_92_in_an_adult() -> None:
    # Common practice, check locally.
    rows = [(row.below_days, row.counts_days) for row in load_policy("uk").weight_age]
    assert rows == [(28, 2), (365, 7), (6574, 28), (None, 92)]


def test_infants_get_the_thigh_only_and_the_dorsogluteal_site_stands_in_no_order() -> None:
    for name in PRESETS:
        rows = load_policy(name).site_order
        assert rows[0].sites == ("vastus lateralis",)
        assert not [row for row in rows if "dorsogluteal" in row.sites or "rectus femoris" in row.sites]


# A file of one's own.


def test_a_file_of_ones_own_changes_only_what_it_says(own: Path) -> None:
    policy = load_policy(own)
    assert policy.mark_tolerance == Fraction(3, 100)
    assert policy.title == "Invented island health service"
    assert policy.barrels == load_policy("uk").barrels
    assert check_policy(own) == ()
    assert asdict(load_policy(str(own))) == asdict(policy)


def test_the_version_follows_the_content_of_the_file(own: Path) -> None:
    before = load_policy(own).version
    assert before == load_policy(own).version
    written(own, OWN.replace("3 %", "4 %"))
    assert load_policy(own).version != before
    assert len({load_policy(name).version for name in PRESETS}) == len(PRESETS)


def test_a_choice_says_in_which_file_it_stands(own: Path) -> None:
    found = {one.key: one.stated_in for one in choices(own)}
    assert found["mark_tolerance"] == "own.toml"
    assert found["barrel_headroom"] == "uk.toml"


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ("[mark_tolerance]", "[mark_tolerence]", "own.toml, line 5, mark_tolerence: not a key of a policy"),
        ('"3 %"', "0.03", "line 5, mark_tolerance: read 0.03, expected a percentage from 0 to 25 as text"),
        ('"3 %"', '"30 %"', 'read "30 %", expected a percentage from 0 to 25'),
        ('reason = "Our pharmacist asks for it."\n', "", "mark_tolerance: reason missing"),
        ('source = "invented"\n', "", "mark_tolerance: source missing"),
        ('source = "invented"', 'source = " "', "mark_tolerance: source missing"),
        ('source = "invented"', 'source = "invented"\nnote = "x"', '"note" is not known here'),
        ("[mark_tolerance]\nvalue", "mark_tolerance = 3\n[x]\nvalue", "mark_tolerance: expected a table"),
        ("format = 1", "format = 2", "format: read 2, expected 1"),
        ('"uk"', '"fr"', "starts_from: read 'fr', expected one of uk, us, au, nz"),
        ("format = 1", "format = = 1", "not readable as TOML"),
        ("format = 1", "format = 1\nformat = 1", "not readable as TOML"),
        ("format = 1", f"format = {'9' * 5000}", "not readable as TOML"),
        ("format = 1", f"x = {'[' * 5000}", "own.toml"),
        ('starts_from = "uk"', "", "notation.micrograms, "),
    ],
)
def test_a_fault_is_named_by_file_line_and_key_with_what_was_expected(
    own: Path, old: str, new: str, expected: str
) -> None:
    assert old in OWN
    written(own, OWN.replace(old, new))
    problems = check_policy(own)
    assert expected in "\n".join(problems)
    with pytest.raises(PolicyError):
        load_policy(own)


def test_every_fault_is_told_at_once(own: Path) -> None:
    more = '\n[most_containers]\nvalue = 0\nreason = "x"\nsource = "y"\n\n[gloves]\nvalue = ""\n'
    written(own, OWN.replace("3 %", "99 %") + more)
    problems = "\n".join(check_policy(own))
    for key in ("mark_tolerance", "most_containers", "gloves"):
        assert key in problems


@pytest.mark.parametrize("content", [b"\xff\xfe\x00", b"\x00" * 10, b"a" * 1_000_001])
def test_a_file_that_is_no_text_is_refused_in_plain_words(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "own.toml"
    path.write_bytes(content)
    assert len(check_policy(path)) == 1


@pytest.mark.parametrize("name", ["", "fr", "nowhere/own.toml", "UK"])
def test_what_is_neither_a_preset_nor_a_file_is_refused_with_the_presets(name: str) -> None:
    with pytest.raises(PolicyError, match=r"a preset \(uk, us, au, nz\)"):
        load_policy(name)


def test_a_whole_file_needs_no_preset(tmp_path: Path) -> None:
    british = (Path(__file__).parents[2] / "src" / "drawup" / "evidence" / "policy" / "uk.toml").read_text("utf-8")
    path = written(tmp_path / "whole.toml", british)
    assert asdict(load_policy(path)) == asdict(load_policy("uk"))


# A request's own choices.


def test_a_request_may_name_a_preset() -> None:
    assert override(load_policy("uk"), {"preset": "us"}) == load_policy("us")
    assert override(load_policy("uk"), {}) == load_policy("uk")


def test_a_request_may_replace_single_choices() -> None:
    mapping: dict[str, Any] = {"preset": "au", "mark_tolerance": "3 %", "notation": {"thousands": " "}}
    policy = override(load_policy("uk"), mapping)
    assert policy.mark_tolerance == Fraction(3, 100)
    assert policy.notation.thousands == " "
    assert policy.needle_table == "au"
    assert policy.version.startswith(load_policy("au").version + "+")
    assert policy is override(load_policy("uk"), dict(reversed(mapping.items())))


def test_a_request_may_set_volume_limits_for_all_sites_of_a_route_or_for_one() -> None:
    # Scenario 2: under 5 years 1 mL a site.
    rows = [
        {"route": "intramuscular", "below": "5 years", "soft": "1 mL", "hard": "2 mL"},
        {"site": "abdominal fat", "soft": "2 mL", "hard": "3 mL"},
    ]
    limits = override(load_policy("uk"), {"site_limits": rows}).site_limits
    assert limits == (
        SiteLimit(
            route="intramuscular", site="", from_days=0, below_days=1826, soft_ml=Fraction(1), hard_ml=Fraction(2)
        ),
        SiteLimit(
            route="subcutaneous",
            site="abdominal fat",
            from_days=0,
            below_days=None,
            soft_ml=Fraction(2),
            hard_ml=Fraction(3),
        ),
    )


@pytest.mark.parametrize(
    ("mapping", "key", "expected"),
    [
        ({"x": 1}, "x", "policy.x: not a key of a policy"),
        ({"preset": "fr"}, "preset", 'policy.preset: read "fr", expected one of uk, us, au, nz'),
        ({"preset": 3}, "preset", "policy.preset: read"),
        ({"preset": []}, "preset", "policy.preset: read"),
        ({"injections_most": 1}, "injections_most", "expected at least injections_usual, 2"),
        ({"injections_most": True}, "injections_most", "expected a whole number from 1 to 8"),
        ({"change_needle": "yes"}, "change_needle", "expected true or false"),
        ({"needle_table": "fr"}, "needle_table", "expected one of 'uk'"),
        ({"notation": {"micrograms": "ug"}}, "notation.micrograms", "expected one of 'micrograms', 'mcg'"),
        ({"notation": 3}, "notation", "not a key of a policy"),
        ({"barrels": []}, "barrels", "expected at least one"),
        ({"barrels": [{"capacity": "1 mL"}]}, "barrels", '"interval" is missing'),
        ({"barrels": [{"capacity": "1 mL", "interval": "2 mL"}]}, "barrels", "larger than the capacity"),
        ({"barrels": [{"capacity": "1 mL", "interval": "0 mL"}]}, "barrels", "expected such as"),
        ({"barrels": [{"capacity": "30 units", "interval": "1 mL", "strength": "100 units/mL"}]}, "barrels", "units"),
        ({"needles": [{"gauge": 25, "length": "25"}]}, "needles", "a bare number"),
        ({"needles": [{"gauge": 99, "length": "25 mm"}]}, "needles", "from 10 to 34"),
        ({"needles": 3}, "needles", "expected a list"),
        ({"draw_back_sites": ["nose"]}, "draw_back_sites", 'read the site "nose"'),
        ({"site_order": []}, "site_order", "the last row must hold for everyone older"),
        ({"site_limits": [{"soft": "1 mL", "hard": "2 mL"}]}, "site_limits", 'names either a "site", or a "route"'),
        ({"site_limits": [{"site": "deltoid", "soft": "2 mL", "hard": "1 mL"}]}, "site_limits", "may not be over"),
        ({"weight_age": [{"below": "1 year", "counts": "2 days"}]}, "weight_age", "the last row must hold"),
        (
            {"weight_age": [{"below": "5 years", "counts": "2 days"}, {"below": "1 year", "counts": "1 day"},
                            {"counts": "9 days"}]},
            "weight_age",
            "must stand by age",
        ),
        ({"plausible_weight": [{"from": "9 kg", "to": "3 kg"}]}, "plausible_weight", "must be lighter"),
        ({"seconds_per_ml": 10**400}, "seconds_per_ml", "a very large number"),
    ],
)  # fmt: skip
def test_a_fault_in_a_request_names_the_key_and_what_was_expected(
    mapping: dict[str, Any], key: str, expected: str
) -> None:
    with pytest.raises(PolicyError) as caught:
        override(load_policy("uk"), mapping)
    assert expected in str(caught.value)
    assert caught.value.key == key


def test_a_site_of_the_other_route_is_refused_in_an_order() -> None:
    rows = [
        {"route": "intramuscular", "sites": ["thigh fat"]},
        {"route": "subcutaneous", "sites": ["thigh fat"]},
    ]
    with pytest.raises(PolicyError, match="thigh fat is a site for the subcutaneous route"):
        override(load_policy("uk"), {"site_order": rows})
