"""`drawup adrenaline`, `needlestick` and `mishap` as typed: without a record, with one, and what cannot be read."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from tests.cli.room import LONG, RED, Room, check_told, within

from drawup.cli.main import Desk, drawup

NOW = datetime(2026, 3, 2, 14, 10, tzinfo=UTC)


def typed(folder: Path, *arguments: str, now: datetime = NOW) -> Result:
    """One command where there is no record."""
    desk = Desk(record=folder / "none.sqlite", clock=lambda: now)
    with within(20):
        return CliRunner().invoke(drawup, ["--record", str(desk.record), *arguments], obj=desk)


def answered(folder: Path, *arguments: str, now: datetime = NOW) -> Any:
    result = typed(folder, *arguments, "--json", now=now)
    assert result.exit_code == 0, result.output
    return json.loads(result.output)


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A folder without a record, on a machine whose own clock is in UTC, where its zone can be set."""
    set_zone = getattr(time, "tzset", lambda: None)
    with monkeypatch.context() as machine:
        machine.setenv("TZ", "UTC")
        set_zone()
        yield tmp_path
    set_zone()


# --- what is shown


def test_without_a_record_the_british_preset_is_used_and_said(folder: Path) -> None:
    result = typed(folder, "adrenaline", "--age", "3 years")
    assert result.exit_code == 0
    assert "there is no record yet" in result.output
    assert "policy uk" in result.output
    assert "150 micrograms = 0.15 mL: draw to 0.15 mL in a 1 mL barrel" in result.output
    assert not list(folder.iterdir())


def test_the_page_at_the_bedside_holds_dose_clock_steps_table_observation_source_and_caution(folder: Path) -> None:
    output = typed(folder, "adrenaline", "--age", "8 years", "--given", "14:05", "--given", "13:59").output
    for words in (
        "Adrenaline 1 mg/mL into muscle, front outer thigh",
        "300 micrograms = 0.3 mL",
        "2 doses, the last at 14:05, 5 minutes ago; 11 minutes since the first",
        "may be given now, if it is no better (since 14:10)",
        "Lay the person flat with the legs raised",
        "over 12 years, and adults: 500 micrograms = 0.5 mL",
        "12 hours: any of: 3 doses or more",
        "https://www.scribd.com/document/549952933",
        "2026-05",
        "does not replace the prescriber",
    ):
        assert words in output
    assert output.isprintable() or "\n" in output


def test_a_table_past_its_review_date_says_so_plainly(folder: Path) -> None:
    late = datetime(2026, 6, 1, 9, 0, tzinfo=UTC)
    assert "PAST" not in typed(folder, "adrenaline", "--age", "adult").output
    result = typed(folder, "adrenaline", "--age", "adult", now=late)
    assert (result.exit_code, "PAST THAT DATE" in result.output) == (0, True)
    assert answered(folder, "adrenaline", now=late)["table"]["past_review"] is True


def test_at_the_sixth_birthday_both_bands_are_named_and_the_choice_is_yours(folder: Path) -> None:
    output = typed(folder, "adrenaline", "--born", "2020-03-02").output
    assert "You choose" in output
    assert "150 micrograms = 0.15 mL" in output
    assert "300 micrograms = 0.3 mL" in output
    found = answered(folder, "adrenaline", "--age", "exactly 6 years")["bands"]
    assert [one["doses"][0]["volume_ml"] for one in found] == ["0.15", "0.3"]


def test_in_a_gap_the_neighbours_and_the_dose_by_weight_are_shown(folder: Path) -> None:
    found = answered(folder, "adrenaline", "--policy", "au", "--age", "3 years 6 months", "--weight", "14.3 kg")
    assert (found["bands"], found["gap"]) == ([], True)
    assert [one["doses"][0]["volume_ml"] for one in found["neighbours"]] == ["0.15", "0.2"]
    # 14.3 kg x 0.01 mL/kg; the nearest mark of 0.01 mL.
    assert (found["by_weight"]["volume_ml"], found["by_weight"]["mark_ml"]) == ("0.143", "0.14")
    assert "no band at this age" in typed(folder, "adrenaline", "--policy", "au", "--age", "3 years 6 months").output


def test_the_words_and_the_unit_are_those_of_the_policy(folder: Path) -> None:
    american = typed(folder, "adrenaline", "--policy", "us", "--weight", "25 kg").output
    assert american.startswith("Epinephrine 1 mg/mL")
    assert "0.25 mg = 0.25 mL" in american
    assert "adrenaline" not in american.lower().replace("drawup adrenaline", "")
    own = folder / "own.toml"
    own.write_text(
        'format = 1\nstarts_from = "uk"\n'
        '[notation.micrograms]\nvalue = "mcg"\nreason = "invented"\nsource = "invented"\n',
        "utf-8",
    )
    assert "500 mcg = 0.5 mL" in typed(folder, "adrenaline", "--policy", str(own), "--age", "adult").output


def test_a_weight_in_pounds_is_turned_into_kg_and_an_unlikely_one_is_questioned(folder: Path) -> None:
    # 38.1 lb x 0.45359237 kg = 17.281869297 kg (international pound, 1959).
    found = answered(folder, "adrenaline", "--policy", "us", "--weight", "38.1 lb", "--age", "4 years")["by_weight"]
    assert (found["weight_kg"], found["unlikely_at_this_age"]) == ("17.281869297", False)
    assert "kg or lb" in typed(folder, "adrenaline", "--policy", "us", "--weight", "38.1 kg", "--age", "4 years").output


def test_with_nothing_named_the_whole_table_is_shown_and_what_is_missing(folder: Path) -> None:
    output = typed(folder, "adrenaline").output
    assert "goes by age, and none is known: --age" in output
    assert "6 months to 6 years: 150 micrograms = 0.15 mL" in output
    assert "goes by weight" in typed(folder, "adrenaline", "--policy", "us", "--age", "3 years").output


def test_a_time_of_day_is_the_last_one_that_has_passed_over_midnight_too(folder: Path) -> None:
    night = datetime(2026, 3, 2, 0, 2, tzinfo=UTC)
    clock = answered(folder, "adrenaline", "--given", "23:58", now=night)["clock"]
    assert clock["given"] == ["2026-03-01T23:58:00+00:00"]
    assert (clock["next_at"], clock["wait_seconds"]) == ("2026-03-02T00:03:00+00:00", 60)


def test_after_one_dose_the_longer_row_is_taken_and_said_to_be_our_reading(folder: Path) -> None:
    observe = answered(folder, "adrenaline", "--given", "14:00")["observe"]
    assert (observe["at_least_hours"], observe["stands_in_the_table"]) == (6, False)
    three = answered(folder, "adrenaline", "--given", "14:00", "--given", "14:04", "--given", "14:09")["observe"]
    assert (three["at_least_hours"], three["stands_in_the_table"]) == (12, True)


# --- with a record


def test_with_a_record_its_policy_and_the_clock_of_its_place_are_used(tmp_path: Path) -> None:
    room = Room(tmp_path)
    room.does("policy", "use", "au", "--zone", "Australia/Sydney")
    desk = Desk(record=room.record, clock=lambda: NOW)
    # 14:10 UTC is 01:10 in Sydney on 3 March (summer time, +11:00, until April).
    arguments = ["--record", str(room.record), "adrenaline", "--age", "5 years", "--given", "01:08", "--json"]
    found = json.loads(CliRunner().invoke(drawup, arguments, obj=desk).output)
    assert found["table"]["key"] == "australian immunisation handbook"
    assert found["clock"]["given"] == ["2026-03-03T01:08:00+11:00"]
    assert found["policy"]["because"] == "the record's policy"


def test_nothing_is_written_to_the_record(room: Room) -> None:
    before = room.head()
    room.does("adrenaline", "--age", "adult", "--given", "08:58")
    room.does("needlestick")
    room.does("mishap", "faint")
    assert room.head() == before


def test_a_record_that_cannot_be_read_does_not_stand_in_the_way(folder: Path) -> None:
    (folder / "none.sqlite").write_bytes(b"this is no record")
    result = typed(folder, "adrenaline", "--age", "adult")
    assert result.exit_code == 0, result.output
    assert "could not be read" in result.output
    assert "500 micrograms = 0.5 mL" in result.output


# --- needlestick and the others


def test_a_needlestick_names_whose_advice_differs(folder: Path) -> None:
    output = typed(folder, "needlestick").output
    assert "WHO: Wash with soap and water." in output
    assert "United Kingdom: Wash with soap under running water" in output
    assert "does not replace" in output
    assert len(answered(folder, "needlestick")["steps"]) >= 6


@pytest.mark.parametrize(
    ("words", "name"),
    [
        (("blood", "drawn", "back"), "blood drawn back"),
        (("blood drawn back",), "blood drawn back"),
        (("Blood-drawn-back",), "blood drawn back"),
        (("bone",), "bone touched"),
        (("bleeding",), "bleeding"),
        (("leak",), "leak"),
        (("faint",), "faint"),
        (("splash",), "splash"),
    ],
)
def test_a_mishap_is_found_by_its_words_or_their_beginning(folder: Path, words: tuple[str, ...], name: str) -> None:
    found = answered(folder, "mishap", *words)
    assert found["what"] == name
    assert all(step["source"] and step["status"] for step in found["steps"])
    assert all(step["words"] in typed(folder, "mishap", *words).output for step in found["steps"])


@pytest.mark.parametrize("words", [(), ("fire",), ("bl",), ("",), ("anaphylaxis",), (LONG,), (RED,)])
def test_an_unknown_mishap_is_refused_with_the_known_ones(folder: Path, words: tuple[str, ...]) -> None:
    result = typed(folder, "mishap", *words)
    check_told(result, 2)
    assert "expected one of: blood drawn back, bleeding, bone touched, leak, faint, splash" in result.output


# --- what cannot be read


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("--weight", "-3 kg"), "an amount has no sign"),
        (("--weight", "0 kg"), "expected from 0.2 to 700 kg"),
        (("--weight", "7000 kg"), "expected from 0.2 to 700 kg"),
        (("--weight", "14"), "Write its unit, such as 14 kg"),
        (("--weight", "14 mL"), "expected a weight"),
        (("--weight", LONG), "characters"),
        (("--age", "300 years"), "at most 120 years"),
        (("--age", "-2 years"), "expected such as"),
        (("--age", "old"), "expected such as"),
        (("--age", ""), "expected such as"),
        (("--age", LONG), "expected such as"),
        (("--age", RED), "expected such as"),
        (("--age", "3 years", "--born", "2023-03-02"), "not both"),
        (("--born", "2026-03-03"), "check the birth date"),
        (("--born", "1890-01-01"), "at most 120"),
        (("--born", "2023-02-30"), "expected a day"),
        (("--born", "2 March"), "expected a day"),
        (("--given", "25:00"), "expected a day and a time"),
        (("--given", "soon"), "or 14:05 for today"),
        (("--policy", "fr"), "Expected a preset"),
        (("--at", "noon"), "expected a day and a time"),
        (("--age", "3"), 'read the age "3"'),
        (("--age", "6 m"), 'read the age "6 m"'),
        (("--age", "3", "years"), 'read "years", which belongs to no option'),
        (("--wieght", "14 kg"), 'read "--wieght 14 kg", which belongs to no option'),
        (("--age", "3\nyears\nx"), "expected such as"),
        (("--policy", LONG), "xxx"),
        (("--given", "14:00") * 51, "expected at most 50"),
    ],
)
def test_what_cannot_be_read_is_said_first_and_the_table_and_the_steps_follow(
    folder: Path, arguments: tuple[str, ...], says: str
) -> None:
    result = typed(folder, "adrenaline", *arguments)
    check_whole(result)
    lines = result.output.split("\n")
    told = lines[: lines.index("")]
    assert all(one.startswith("  Not used    ") and len(one) < 450 for one in told)
    assert says in "\n".join(told)
    document = json.loads(typed(folder, "adrenaline", *arguments, "--json").output)
    assert says in document["error"]["message"]
    assert [one["doses"][0]["volume_ml"] for one in document["table"]["bands"]] == ["0.1", "0.15", "0.3", "0.5"]
    assert len(document["first_steps"]) == 11


BANDS = (
    "under 6 months: 100 micrograms to 150 micrograms = 0.1 mL to 0.15 mL",
    "6 months to 6 years: 150 micrograms = 0.15 mL",
    "6 to 12 years: 300 micrograms = 0.3 mL",
    "over 12 years, and adults: 500 micrograms = 0.5 mL",
)


def check_whole(result: Result) -> None:
    """Exit code 2, and all the same every band of the British table, the first steps and the caution."""
    assert result.exception is None or isinstance(result.exception, SystemExit), repr(result.exception)
    assert result.exit_code == 2
    assert "Traceback" not in result.output
    assert all(line.isprintable() for line in result.output.split("\n"))
    for words in (*BANDS, "Call for help", "Lay the person flat", "Write down when it began", "does not replace"):
        assert words in result.output


@pytest.mark.parametrize("last", ["--age", "--weight", "--given", "--json=1"])
def test_an_option_with_nothing_after_it_still_shows_the_table(folder: Path, last: str) -> None:
    check_whole(typed(folder, "adrenaline", "--policy", "uk", last))
    named = answered_not(folder, "--policy", "au", "--json", last)
    assert ("error" in named, len(named["first_steps"])) == (True, 11)


def answered_not(folder: Path, *arguments: str) -> Any:
    result = typed(folder, "adrenaline", *arguments)
    assert result.exit_code == 2, result.output
    return json.loads(result.output)


def test_what_can_be_read_is_used_beside_what_cannot(folder: Path) -> None:
    found = answered_not(folder, "--age", "8 years", "--weight", "25", "--json")
    assert [one["doses"][0]["volume_ml"] for one in found["bands"]] == ["0.3"]
    # 25 kg x 0.01 mg = 0.25 mg = 0.25 mL of 1 mg/mL.
    found = answered_not(folder, "--policy", "us", "--age", "8", "--weight", "25 kg", "--json")
    assert found["by_weight"]["volume_ml"] == "0.25"
    found = answered_not(folder, "--policy", "us", "--age", "8", "--json")
    assert (found["by_weight"], found["adult_without_weight_at_most"]) == (None, None)


def test_without_a_dose_the_whole_table_stands_before_the_first_steps(folder: Path) -> None:
    output = typed(folder, "adrenaline", "--age", "3").output
    assert output.index("The whole table") < output.index("Call for help")
    output = typed(folder, "adrenaline", "--age", "3y").output
    assert output.index("Call for help") < output.index("The whole table")


def test_another_policy_than_the_one_that_was_named_is_said(folder: Path) -> None:
    output = typed(folder, "adrenaline", "--policy", "fr", "--age", "adult").output
    assert "policy uk, because there is no record yet; the one that was named could not be used" in output
    assert typed(folder, "adrenaline", "--policy", "US", "--weight", "25 kg").exit_code == 0


# --- an adult without a weight, where the table goes by weight


def test_by_weight_an_adult_without_one_is_shown_the_cap_as_the_most(folder: Path) -> None:
    # The cap as printed: 0.5 mL of 1 mg/mL, which is 0.5 mg. 0.5 mg / 0.01 mg per kg = 50 kg.
    result = typed(folder, "adrenaline", "--policy", "us", "--age", "adult")
    assert result.exit_code == 0
    for words in (
        "At most     0.5 mg = 0.5 mL: draw to 0.5 mL in a 1 mL barrel  [an adult without a weight]",
        "the most that this table gives anybody, not worked from a weight: under 50 kg it would be less",
        "(0.01 mL/kg of 1 mg/mL, at most 0.5 mL), https://immunisationhandbook.health.gov.au",
        "goes by weight, and none is known: --weight",
    ):
        assert words in result.output
    most = answered(folder, "adrenaline", "--policy", "us", "--age", "18 years")["adult_without_weight_at_most"]
    assert (most["dose"], most["volume_ml"], most["mark_ml"]) == ("0.5 mg", "0.5", "0.5")
    named = answered(folder, "adrenaline", "--policy", "us", "--age", "adult", "--weight", "40 kg")
    assert (named["adult_without_weight_at_most"], named["by_weight"]["volume_ml"]) == (None, "0.4")


@pytest.mark.parametrize("age", [("--age", "3 years"), ("--age", "17 years"), ("--born", "2008-03-03"), ()])
def test_by_weight_nothing_is_guessed_for_a_child_and_the_rule_is_shown(folder: Path, age: tuple[str, ...]) -> None:
    # 2008-03-03: eighteen tomorrow.
    result = typed(folder, "adrenaline", "--policy", "us", *age)
    assert result.exit_code == 0
    assert "a weight is needed: nothing is guessed for a child" in result.output
    assert "At most" not in result.output
    # By hand, each weight x 0.01 mg of 1 mg/mL.
    for words in (
        "by weight: 0.01 mg for each kg, at most 0.5 mg = 0.5 mL",
        " 5 kg: 0.05 mg = 0.05 mL",
        " 15 kg: 0.15 mg = 0.15 mL",
        " 40 kg: 0.4 mg = 0.4 mL",
        " 50 kg and over: 0.5 mg = 0.5 mL",
        "Lay the person flat",
    ):
        assert words in result.output


# --- a clock that is ahead


@pytest.mark.parametrize("given", ["14:11", "14:15", "2026-03-02 14:12", "2026-03-02T14:15:00+00:00"])
def test_up_to_five_minutes_ahead_is_taken_as_now(folder: Path, given: str) -> None:
    clock = answered(folder, "adrenaline", "--age", "adult", "--given", given)["clock"]
    assert clock["given"] == ["2026-03-02T14:10:00+00:00"]
    assert (clock["next_at"], clock["wait_seconds"]) == ("2026-03-02T14:15:00+00:00", 300)
    assert len(clock["taken_as_now"]) == 1
    assert "taken as now" in typed(folder, "adrenaline", "--given", given).output


def test_a_clock_ahead_over_midnight_is_taken_as_now(folder: Path) -> None:
    night = datetime(2026, 3, 1, 23, 58, tzinfo=UTC)
    clock = answered(folder, "adrenaline", "--given", "00:02", now=night)["clock"]
    assert clock["given"] == ["2026-03-01T23:58:00+00:00"]


@pytest.mark.parametrize("given", ["14:16", "15:00", "2026-03-02 14:16", "2027-03-02 14:10"])
def test_further_ahead_the_whole_answer_is_given_and_the_problem_said_after_it(folder: Path, given: str) -> None:
    result = typed(folder, "adrenaline", "--age", "8 years", "--given", given)
    check_whole(result)
    assert result.output.startswith("Adrenaline 1 mg/mL")
    assert "300 micrograms = 0.3 mL: draw to 0.3 mL" in result.output
    assert "no dose counted" in result.output
    assert "no dose yet" not in result.output
    last = result.output.rstrip("\n").split("\n")[-1]
    assert last.startswith("  Not used    --given: read ")
    assert "in the future" in last
    found = answered_not(folder, "--age", "8 years", "--given", given, "--given", "14:08", "--json")
    assert "in the future" in found["error"]["message"]
    assert found["clock"]["given"] == ["2026-03-02T14:08:00+00:00"]
    output = typed(folder, "adrenaline", "--given", given, "--given", "14:08").output
    assert "1 dose, the last at 14:08, 2 minutes ago" in output
    assert "not everything that was typed is counted" in output


def test_the_same_time_twice_counts_once_and_is_said_after_the_answer(folder: Path) -> None:
    result = typed(folder, "adrenaline", "--given", "14:00", "--given", "14:00")
    check_whole(result)
    assert "1 dose, the last at 14:00" in result.output
    assert "name each dose once" in result.output.rstrip("\n").split("\n")[-1]


# --- a weight where the table goes by age


def test_a_weight_is_said_not_to_be_used_where_the_table_goes_by_age(folder: Path) -> None:
    result = typed(folder, "adrenaline", "--age", "4 years", "--weight", "17.3 kg")
    assert result.exit_code == 0
    assert "17.3 kg: this table goes by age, the weight is not used" in result.output
    assert "unlikely" not in result.output
    # 17.3 kg written as pounds would be 38.1: 17.3 / 0.45359237 = 38.14.
    assert (
        "38.1 kg is unlikely at this age"
        in typed(folder, "adrenaline", "--age", "4 years", "--weight", "38.1 kg").output
    )
    found = answered(folder, "adrenaline", "--age", "4 years", "--weight", "38.1 kg")
    assert found["weight"] == {"weight_kg": "38.1", "unlikely_at_this_age": True, "used": False}
    assert found["by_weight"] is None


# --- between the printed bands


@pytest.mark.parametrize(
    ("age", "neighbours", "reading"),
    [
        ("3 years", ["0.15", "0.2"], "2 to 3 years, about 15 kg: 150 micrograms = 0.15 mL"),
        ("3 years 6 months", ["0.15", "0.2"], "2 to 3 years, about 15 kg: 150 micrograms = 0.15 mL"),
        ("6 years 6 months", ["0.2", "0.3"], "4 to 6 years, about 20 kg: 200 micrograms = 0.2 mL"),
    ],
)
def test_between_printed_bands_our_reading_is_given_as_ours(
    folder: Path, age: str, neighbours: list[str], reading: str
) -> None:
    output = typed(folder, "adrenaline", "--policy", "au", "--age", age).output
    assert "the table has no band " in output
    assert f"Our reading if the printed ages are whole years: {reading}" in output
    assert "the table does not print this; you choose" in output
    found = answered(folder, "adrenaline", "--policy", "au", "--age", age)
    assert [one["doses"][0]["volume_ml"] for one in found["neighbours"]] == neighbours
    assert len(found["our_reading"]["printed_ages_as_whole_years"]) == 1
    assert "Our reading" not in typed(folder, "adrenaline", "--policy", "au", "--age", "5 years").output


# --- a record that is in the way


def test_a_record_that_may_not_be_looked_at_does_not_stand_in_the_way(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refused(*_: object, **__: object) -> bool:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "exists", refused)
    result = typed(folder, "adrenaline", "--age", "adult")
    assert (result.exit_code, "500 micrograms = 0.5 mL" in result.output) == (0, True)
