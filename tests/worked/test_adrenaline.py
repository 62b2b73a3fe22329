"""Adrenaline for anaphylaxis by the published tables: bands, edges, gaps, weight, the clock, and how long to observe.

Each case stands with its source. The doses under 6 years of the British table were read in a reproduction only.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from fractions import Fraction
from zoneinfo import ZoneInfo

import pytest

from drawup.evidence.emergency import (
    adrenaline_table_names,
    load_adrenaline_table,
    load_first_steps,
    load_observation,
    situation_names,
)
from drawup.evidence.policies import PRESETS, PolicyError, load_policy, override
from drawup.evidence.tables import EvidenceError
from drawup.injection.adrenaline import (
    AdrenalineAnswer,
    adrenaline_clock,
    adrenaline_dose,
    age_of,
    mark_for,
    observe_after,
    parse_age,
    unlikely_weight,
    worked_doses,
)
from drawup.injection.quantity import MICROGRAM

UK = "resuscitation council uk 2021"
HANDBOOK = "australian immunisation handbook"
BY_WEIGHT = "by weight"
TODAY = date(2026, 3, 2)

RCUK = (
    "Resuscitation Council UK, Emergency treatment of anaphylaxis, 2021, as reproduced: "
    "https://practicenurse.co.uk/index.php?p1=a-z&p2=resuscitation-cardiopulmonary-cpr"
)
YOUNG = (
    "the same table's younger bands, as reproduced: https://gpnotebook.com/en-GB/pages/paediatrics/"
    "use-of-adrenaline-in-anaphylactic-shock/adrenaline-in-children-with-anaphylaxis"
)
ASCIA = (
    "ASCIA table as printed in the Australian Immunisation Handbook (modified from ASCIA 2017): "
    "https://immunisationhandbook.health.gov.au/resources/handbook-tables/"
    "table-recognition-and-treatment-of-anaphylaxis"
)
OBSERVE = "Clin Med 2022;22:332-339, table 2: https://pmc.ncbi.nlm.nih.gov/articles/PMC9345203/table/T2"


def answer(key: str, age: str = "", kg: str = "", today: date = TODAY) -> AdrenalineAnswer:
    known = parse_age(age, today) if age else None
    weight = Fraction(kg) if kg else None
    return adrenaline_dose(load_adrenaline_table(key), age=known, weight_kg=weight, today=today)


def said(found: AdrenalineAnswer) -> list[tuple[str, list[Fraction], list[Fraction]]]:
    """Each band that holds: its name, its doses in micrograms, its volumes in mL."""
    return [
        (
            one.band.name,
            [dose.dose.to(MICROGRAM).value for dose in one.doses],
            [dose.volume_ml for dose in one.doses],
        )
        for one in found.bands
    ]


# --- the published cases


@pytest.mark.parametrize(
    ("key", "age", "micrograms", "volumes", "source"),
    [
        (UK, "adult", ["500"], ["0.5"], RCUK),
        (UK, "13 years", ["500"], ["0.5"], RCUK),
        (UK, "exactly 12 years", ["300"], ["0.3"], RCUK + " (6 to 12 includes 12; adult is over 12)"),
        (UK, "9 years", ["300"], ["0.3"], RCUK),
        (UK, "3 years", ["150"], ["0.15"], YOUNG),
        (UK, "4 months", ["100", "150"], ["0.1", "0.15"], YOUNG),
        (HANDBOOK, "8 months", ["50", "100"], ["0.05", "0.1"], ASCIA),
        (HANDBOOK, "1 year", ["100"], ["0.1"], ASCIA),
        (HANDBOOK, "2 years 6 months", ["150"], ["0.15"], ASCIA),
        (HANDBOOK, "5 years", ["200"], ["0.2"], ASCIA),
        (HANDBOOK, "8 years", ["300"], ["0.3"], ASCIA),
        (HANDBOOK, "11 years", ["400"], ["0.4"], ASCIA),
        (HANDBOOK, "adult", ["500"], ["0.5"], ASCIA),
    ],
)
def test_a_published_dose_by_age(key: str, age: str, micrograms: list[str], volumes: list[str], source: str) -> None:
    found = answer(key, age)
    assert len(found.bands) == 1, source
    ((_, doses, mls),) = said(found)
    assert doses == list(map(Fraction, micrograms)), source
    assert mls == list(map(Fraction, volumes)), source
    assert not found.gap
    assert found.table.repeat_minutes == 5


@pytest.mark.parametrize(
    ("name", "about", "volumes"),
    [
        ("under 1 year", "5 to 10 kg", ["0.05", "0.1"]),
        ("1 to 2 years", "10 kg", ["0.1"]),
        ("2 to 3 years", "15 kg", ["0.15"]),
        ("4 to 6 years", "20 kg", ["0.2"]),
        ("7 to 10 years", "30 kg", ["0.3"]),
        ("10 to 12 years", "40 kg", ["0.4"]),
        ("over 12 years, and adults", "over 50 kg", ["0.5"]),
    ],
)
def test_each_line_of_the_handbook_stands_as_printed(name: str, about: str, volumes: list[str]) -> None:
    table = load_adrenaline_table(HANDBOOK)
    (band,) = [one for one in table.bands if one.name == name]
    doses = [band.dose] if band.to_dose is None else [band.dose, band.to_dose]
    assert band.about == about, ASCIA
    assert [table.strength.volume_of(dose) for dose in doses] == list(map(Fraction, volumes)), ASCIA
    assert all(table.strength.volume_of(dose) <= Fraction("0.5") for dose in doses)


# By hand: 25 kg x 0.01 mg = 0.25 mg = 0.25 mL of 1 mg/mL; 90 kg x 0.01 mg = 0.9 mg, over 0.5 mg; 17.3 kg: 0.173 mg.
@pytest.mark.parametrize(
    ("kg", "mg", "ml", "capped"),
    [
        ("25", "0.25", "0.25", False),
        ("90", "0.5", "0.5", True),
        ("50", "0.5", "0.5", False),  # at the cap the weight alone gives it
        ("50.1", "0.5", "0.5", True),
        ("17.3", "0.173", "0.173", False),
        ("3.47", "0.0347", "0.0347", False),
    ],
)
def test_a_dose_by_weight_is_exact_and_never_over_the_cap(kg: str, mg: str, ml: str, capped: bool) -> None:
    for key in (BY_WEIGHT, HANDBOOK):
        found = answer(key, kg=kg).by_weight
        assert found is not None
        assert found.given.dose.to(MICROGRAM).value == Fraction(mg) * 1000, ASCIA
        assert (found.given.volume_ml, found.capped) == (Fraction(ml), capped), ASCIA


def test_a_table_by_age_alone_gives_nothing_by_weight() -> None:
    found = answer(UK, "3 years", "14")
    assert found.by_weight is None
    assert said(found) == said(answer(UK, "3 years"))


# --- edges


def names(found: AdrenalineAnswer) -> list[str]:
    return [one.band.name for one in found.bands]


@pytest.mark.parametrize(
    ("key", "age", "bands"),
    [
        (UK, "exactly 6 years", ["6 months to 6 years", "6 to 12 years"]),
        (UK, "6 years 1 month", ["6 to 12 years"]),
        (UK, "5 years 11 months", ["6 months to 6 years"]),
        (UK, "6 years", ["6 months to 6 years", "6 to 12 years"]),  # the birthday may be today
        (UK, "12 years", ["6 to 12 years", "over 12 years, and adults"]),
        (UK, "12 years 1 month", ["over 12 years, and adults"]),
        (UK, "exactly 6 months", ["6 months to 6 years"]),
        (UK, "5 months", ["under 6 months"]),
        (UK, "0 years", ["under 6 months", "6 months to 6 years"]),
        (HANDBOOK, "exactly 2 years", ["1 to 2 years", "2 to 3 years"]),
        (HANDBOOK, "10 years", ["7 to 10 years", "10 to 12 years"]),
        (HANDBOOK, "10 years 1 month", ["10 to 12 years"]),
        (HANDBOOK, "exactly 1 year", ["1 to 2 years"]),
        (HANDBOOK, "exactly 12 years", ["10 to 12 years"]),
    ],
)
def test_every_band_that_holds_at_an_edge_is_given(key: str, age: str, bands: list[str]) -> None:
    found = answer(key, age)
    assert names(found) == bands
    assert not found.gap


@pytest.mark.parametrize(
    ("born", "bands"),
    [
        ("2020-03-03", ["6 months to 6 years"]),  # six tomorrow
        ("2020-03-02", ["6 months to 6 years", "6 to 12 years"]),  # six today
        ("2020-03-01", ["6 to 12 years"]),  # six yesterday
        ("2014-03-02", ["6 to 12 years"]),
        ("2014-03-01", ["over 12 years, and adults"]),
        ("2025-09-03", ["under 6 months"]),
        ("2025-09-02", ["6 months to 6 years"]),
        ("2026-03-02", ["under 6 months"]),
    ],
)
def test_with_a_birth_date_the_edge_is_one_day(born: str, bands: list[str]) -> None:
    found = adrenaline_dose(
        load_adrenaline_table(UK), age=age_of(date.fromisoformat(born), TODAY), weight_kg=None, today=TODAY
    )
    assert names(found) == bands


def test_who_was_born_on_29_february_is_six_on_1_march() -> None:
    born = date(2020, 2, 29)
    table = load_adrenaline_table(UK)
    for today, count in ((date(2026, 2, 28), 1), (date(2026, 3, 1), 2), (date(2026, 3, 2), 1)):
        found = adrenaline_dose(table, age=age_of(born, today), weight_kg=None, today=today)
        assert len(found.bands) == count


# --- gaps


@pytest.mark.parametrize(
    ("age", "bands", "neighbours"),
    [
        ("3 years 6 months", [], ["2 to 3 years", "4 to 6 years"]),
        ("6 years 1 month", [], ["4 to 6 years", "7 to 10 years"]),
        ("exactly 3 years", ["2 to 3 years"], []),
        ("exactly 4 years", ["4 to 6 years"], []),
        ("3 years", ["2 to 3 years"], ["2 to 3 years", "4 to 6 years"]),  # a band on the birthday, none after it
        ("6 years", ["4 to 6 years"], ["4 to 6 years", "7 to 10 years"]),
    ],
)
def test_in_a_gap_no_band_is_given_and_the_neighbours_are_shown(
    age: str, bands: list[str], neighbours: list[str]
) -> None:
    found = answer(HANDBOOK, age)
    assert names(found) == bands
    assert [one.band.name for one in found.neighbours] == neighbours
    assert found.gap is bool(neighbours)


# "To 3 years" as whole years is until the fourth birthday: steps 73 to 95 of the gap; "to 6 years" 145 to 167.
@pytest.mark.parametrize(
    ("age", "bands"),
    [
        ("exactly 3 years", []),
        ("3 years", ["2 to 3 years"]),
        ("3 years 11 months", ["2 to 3 years"]),
        ("exactly 4 years", []),
        ("exactly 6 years", []),
        ("6 years", ["4 to 6 years"]),
        ("6 years 6 months", ["4 to 6 years"]),
        ("exactly 7 years", []),
        ("11 months", []),
        ("adult", []),
    ],
)
def test_in_a_gap_the_print_read_as_whole_years_is_given_apart(age: str, bands: list[str]) -> None:
    found = answer(HANDBOOK, age)
    assert [one.band.name for one in found.whole_years] == bands, "our reading, not the source's"
    assert not answer(UK, age).whole_years


def test_the_cap_is_the_most_for_an_adult_alone_and_only_without_a_weight() -> None:
    for age, known in (("adult", True), ("exactly 18 years", True), ("70 years", True), ("17 years 11 months", False)):
        most = answer(BY_WEIGHT, age).adult_most
        assert (most is not None) is known
        assert most is None or (most.dose.to(MICROGRAM).value, most.volume_ml) == (Fraction(500), Fraction("0.5")), (
            ASCIA
        )
    assert answer(BY_WEIGHT, "adult", "40").adult_most is None
    assert answer(BY_WEIGHT).adult_most is answer(HANDBOOK, "adult").adult_most is None


def test_the_weights_that_are_worked_end_where_the_cap_begins() -> None:
    # kg x 0.01 mL, at most 0.5 mL: 0.5 / 0.01 = 50 kg.
    found = worked_doses(load_adrenaline_table(BY_WEIGHT))
    assert [(one.weight_kg, one.given.volume_ml) for one in found] == [
        (Fraction(kg), Fraction(ml))
        for kg, ml in (
            ("5", "0.05"), ("10", "0.1"), ("15", "0.15"), ("20", "0.2"), ("25", "0.25"), ("30", "0.3"), ("40", "0.4"),
            ("50", "0.5"),
        )
    ]  # fmt: skip
    assert worked_doses(load_adrenaline_table(UK)) == ()


def test_in_a_gap_the_figure_by_weight_is_given_where_a_weight_is_known() -> None:
    found = answer(HANDBOOK, "3 years 6 months", "14.5")
    assert found.by_weight is not None
    assert found.by_weight.given.volume_ml == Fraction("0.145")
    assert answer(HANDBOOK, "3 years 6 months").by_weight is None


def test_the_british_table_has_no_gap_at_any_age() -> None:
    for months in range(0, 240):
        for age in (f"exactly {months} months", f"{months} months"):
            assert names(answer(UK, age)), age
            assert not answer(UK, age).gap


# --- what is missing, and what is old


def test_what_a_table_goes_by_and_nobody_named_is_missing() -> None:
    assert answer(UK).missing == "age"
    assert answer(UK, kg="14").missing == "age"
    assert answer(BY_WEIGHT, "3 years").missing == "weight"
    assert answer(UK, "3 years").missing == answer(BY_WEIGHT, kg="14").missing == ""


@pytest.mark.parametrize(
    ("today", "past"), [("2026-05-01", False), ("2026-05-31", False), ("2026-06-01", True), ("2027-01-01", True)]
)
def test_a_table_is_past_its_review_when_the_printed_month_has_gone(today: str, past: bool) -> None:
    # The title page prints May 2026: https://www.scribd.com/document/549952933
    assert answer(UK, "adult", today=date.fromisoformat(today)).past_review is past


def test_a_table_without_a_known_review_date_is_never_called_past_it() -> None:
    assert not answer(HANDBOOK, "adult", today=date(2099, 1, 1)).past_review


@pytest.mark.parametrize("kg", ["0", "-3"])
def test_a_weight_that_is_not_above_zero_is_refused(kg: str) -> None:
    with pytest.raises(ValueError, match="above 0 kg"):
        answer(BY_WEIGHT, kg=kg)


# --- ages as people say them


@pytest.mark.parametrize(
    ("text", "first", "last"),
    [
        ("3 years", 72, 95),
        ("exactly 6 years", 144, 144),
        ("6 years 5 months", 154, 155),
        ("4 months", 8, 9),
        ("adult", 432, None),
        ("0 days", 0, 0),
        ("10 days", 1, 1),
        ("  3   YEARS ", 72, 95),
        # 25 weeks and up to six days before 2 March 2026: born 2 to 8 September 2025, six months old today or not yet.
        ("25 weeks", 11, 12),
        ("26 weeks", 13, 13),
        # Short forms that can mean nothing else. Three years: 36 months completed, so steps 72 to 2 x 48 - 1 = 95.
        ("3 yrs", 72, 95),
        ("3y", 72, 95),
        ("3 yr", 72, 95),
        ("3Y", 72, 95),
        ("3years", 72, 95),
        ("18 mo", 36, 37),
        ("18mos", 36, 37),
        ("3y 6mo", 84, 85),
    ],
)
def test_an_age_is_the_days_that_it_may_be(text: str, first: int, last: int | None) -> None:
    known = parse_age(text, TODAY)
    assert (known.first, known.last) == (first, last)


@pytest.mark.parametrize(
    "text",
    ["", "3", "years", "three years", "-3 years", "3.5 years", "3 years 12 months", "3 months 2 months", "121 years",
     "99999 years", "99999 days", "٣ years", "exactly adult", "1" * 3000,
     "6 m", "6m", "3 y 6 m", "3m", "y", "18 min", "3 yo", "3 x"],
)  # fmt: skip
def test_what_is_no_age_is_refused_with_what_was_expected(text: str) -> None:
    with pytest.raises(ValueError, match="expected") as caught:
        parse_age(text, TODAY)
    assert len(str(caught.value)) < 250


def test_a_birth_date_ahead_or_beyond_any_age_is_refused() -> None:
    with pytest.raises(ValueError, match="check the birth date"):
        age_of(date(2026, 3, 3), TODAY)
    with pytest.raises(ValueError, match="expected at most 120"):
        age_of(date(1900, 1, 1), TODAY)


# --- the mark


@pytest.mark.parametrize(
    ("ml", "mark", "near"),
    [
        ("0.15", "0.15", True),
        ("0.3", "0.3", True),
        ("0.5", "0.5", True),
        ("0.173", "0.17", True),  # 0.003 of 0.173 is under 2 in 100
        ("0.0347", "0.03", False),  # 0.0047 of 0.0347 is over the tolerance of 5 in 100
        ("0.002", "0.01", False),  # never a mark of nothing
    ],
)
def test_the_mark_is_the_nearest_of_the_barrel_in_the_drawer(ml: str, mark: str, near: bool) -> None:
    # The barrel of 1 mL with marks of 0.01 mL, from the policy's drawer.
    drawn, within = mark_for(Fraction(ml), most_ml=Fraction("0.5"), policy=load_policy("uk"))
    assert drawn is not None
    assert (drawn.mark_ml, drawn.barrel.capacity_ml, within) == (Fraction(mark), Fraction(1), near)


def test_where_no_barrel_holds_the_volume_no_mark_is_named() -> None:
    small = override(load_policy("uk"), {"barrels": [{"capacity": "0.3 mL", "interval": "0.01 mL"}]})
    assert mark_for(Fraction("0.5"), most_ml=None, policy=small) == (None, False)


@pytest.mark.parametrize(("kg", "likely"), [("17.3", True), ("38.1", False), ("3", False)])
def test_a_weight_that_is_unlikely_at_the_age_is_said(kg: str, likely: bool) -> None:
    # A child of 4 years whose 17.3 kg were read as 38.1, in pounds; the limits themselves are from memory.
    found = unlikely_weight(Fraction(kg), parse_age("4 years", TODAY), load_policy("uk"))
    assert (found is None) is likely


# --- the clock

LONDON = ZoneInfo("Europe/London")


def at(text: str) -> datetime:
    return datetime.fromisoformat(f"2026-03-02T{text}").replace(tzinfo=LONDON)


def test_before_the_first_dose_there_is_no_clock() -> None:
    assert adrenaline_clock((), at("14:00"), 5) is None


@pytest.mark.parametrize(
    ("now", "since", "wait"),
    [("14:05", 0, 300), ("14:08:30", 3, 90), ("14:09:59", 4, 1), ("14:10", 5, 0), ("15:05", 60, 0)],
)
def test_the_next_dose_may_be_given_five_minutes_after_the_last(now: str, since: int, wait: int) -> None:
    clock = adrenaline_clock((at("14:05"),), at(now), 5)
    assert clock is not None
    assert (clock.next_at, clock.since_last, clock.wait) == (at("14:10"), since, wait)


def test_the_last_dose_counts_in_whatever_order_they_are_named() -> None:
    clock = adrenaline_clock((at("14:12"), at("14:00"), at("14:06")), at("14:15"), 5)
    assert clock is not None
    assert (len(clock.given), clock.last, clock.next_at) == (3, at("14:12"), at("14:17"))
    assert (clock.since_last, clock.since_first, clock.wait) == (3, 15, 120)


def test_a_dose_in_the_future_and_the_same_time_twice_are_refused() -> None:
    with pytest.raises(ValueError, match="in the future"):
        adrenaline_clock((at("14:06"),), at("14:05"), 5)
    with pytest.raises(ValueError, match="name each dose once"):
        adrenaline_clock((at("14:00"), at("14:00")), at("14:05"), 5)


def test_the_clock_is_right_on_the_night_on_which_the_clocks_go_forward() -> None:
    # London, 2026-03-29: 01:00 became 02:00 (Summer Time Order 2002, SI 2002/262). 00:58 to 02:01 is three minutes.
    given = datetime(2026, 3, 29, 0, 58, tzinfo=LONDON)
    clock = adrenaline_clock((given,), datetime(2026, 3, 29, 2, 1, tzinfo=LONDON), 5)
    assert clock is not None
    assert (clock.since_last, clock.wait) == (3, 120)
    assert clock.next_at.astimezone(UTC) - given.astimezone(UTC) == timedelta(minutes=5)
    assert f"{clock.next_at:%H:%M}" == "02:03"


# --- observation

FAST = {"quick_response", "resolved", "trained_with_injectors", "supervised"}


@pytest.mark.parametrize(
    ("doses", "facts", "hours"),
    [
        (3, set(), 12),  # the first three are the published cases
        (1, {"severe_asthma"}, 12),
        (1, {"late_at_night"}, 12),
        (1, FAST, 2),
        (2, set(), 6),
        (2, FAST, 6),
        (1, FAST | {"earlier_biphasic"}, 6),
        (4, FAST, 12),
        (1, FAST | {"slow_release"}, 12),
        (1, {"severe_breathing"}, 12),
        (1, {"cannot_respond"}, 12),
        (2, {"far_from_care", "earlier_biphasic"}, 12),
    ],
)
def test_the_hours_to_observe_are_those_of_the_longest_row_that_holds(doses: int, facts: set[str], hours: int) -> None:
    found = observe_after(load_observation(), doses, frozenset(facts))
    assert (found.hours, found.printed) == (hours, True), OBSERVE
    assert found.because


@pytest.mark.parametrize("left_out", sorted(FAST))
def test_one_dose_without_every_condition_of_two_hours_takes_the_next_row_and_says_so(left_out: str) -> None:
    found = observe_after(load_observation(), 1, frozenset(FAST - {left_out}))
    assert (found.hours, found.printed) == (6, False)
    assert len(found.because) == 1


def test_an_unknown_fact_and_no_dose_at_all_are_refused() -> None:
    with pytest.raises(ValueError, match="not known here"):
        observe_after(load_observation(), 1, frozenset({"tired"}))
    with pytest.raises(ValueError, match="at least one dose"):
        observe_after(load_observation(), 0, frozenset())


# --- the tables themselves


def test_every_table_and_band_names_its_source_and_address() -> None:
    assert set(adrenaline_table_names()) == {UK, HANDBOOK, BY_WEIGHT}
    for key in adrenaline_table_names():
        table = load_adrenaline_table(key)
        places = [(table.source, table.address), *((band.source, band.address) for band in table.bands)]
        places += [(row.source, row.address) for row in load_observation()]
        assert all(source and address.startswith("https://") for source, address in places)


def test_every_situation_has_steps_and_each_its_source() -> None:
    for name in situation_names():
        steps = load_first_steps(name).steps
        assert len(steps) >= 3
        assert all(step.source and len(step.words) <= 160 for step in steps)
        assert all(step.source == "common practice, no source" for step in steps if step.status == "common practice")


def test_where_the_world_health_organization_and_the_united_kingdom_differ_both_are_named() -> None:
    for name in ("needlestick", "splash"):
        assert {"WHO", "United Kingdom"} <= {step.by for step in load_first_steps(name).steps}


def test_each_preset_names_its_table_and_no_other_name_is_taken() -> None:
    tables = {name: load_policy(name).adrenaline_table for name in PRESETS}
    assert tables == {"uk": UK, "us": BY_WEIGHT, "au": HANDBOOK, "nz": HANDBOOK}
    with pytest.raises(PolicyError, match="expected one of"):
        override(load_policy("uk"), {"adrenaline_table": "fr"})


def test_an_unknown_table_or_situation_is_refused_with_the_known_ones() -> None:
    with pytest.raises(EvidenceError, match="expected one of resuscitation council uk 2021"):
        load_adrenaline_table("fr")
    with pytest.raises(EvidenceError, match="expected one of anaphylaxis"):
        load_first_steps("fire")
