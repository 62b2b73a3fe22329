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
    assert "goes by age, and none was named: --age" in output
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
        (("--given", "15:00"), "in the future"),
        (("--given", "2026-03-02 14:11"), "in the future"),
        (("--given", "25:00"), "expected a day and a time"),
        (("--given", "soon"), "or 14:05 for today"),
        (("--given", "14:00", "--given", "14:00"), "name each dose once"),
        (("--policy", "fr"), "Expected a preset"),
        (("--at", "noon"), "expected a day and a time"),
    ],
)
def test_what_cannot_be_read_is_refused_in_a_sentence(folder: Path, arguments: tuple[str, ...], says: str) -> None:
    result = typed(folder, "adrenaline", *arguments)
    check_told(result, 2)
    assert says in result.output
    refused = json.loads(typed(folder, "adrenaline", *arguments, "--json").output)
    assert says in refused["error"]["message"]
