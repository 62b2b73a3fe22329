"""Times by the clock of the place, names as people write them, and nothing by halves. Everything here is invented."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from tests.cli.room import (
    ADA,
    BY,
    MEDICINE,
    NOTE,
    ORDER,
    RED,
    WHY,
    Room,
    check_told,
)

from drawup.cli.main import Desk, drawup


@pytest.mark.parametrize(
    "time",
    [
        "2026-03-01",  # a day alone is no time of giving
        "09:40",
        "yesterday",
        "2026-13-01 09:40",
        "2026-03-01 25:00",
        "2026-W10-1T09:40",
        "20260301T0940",
        "0001-01-01 00:00",
        "9999-12-31 23:59-14:00",
        "2026-03-01 09:40+99:00",
        "",
        "9" * 3000,
        RED,
    ],
)
def test_what_is_no_time_is_refused_wherever_a_time_is_typed(room: Room, time: str) -> None:
    expected = "expected a day and a time"
    room.refuses("plan", "--order", "0001.1", "--at", time, says=(expected,))
    room.refuses("given", room.plan, *ADA, "--at", time, says=(expected,))
    room.refuses(
        "not-given", "0001.1", "--reason", "refused", "--could-decide", "yes", *BY, "--at", time, says=(expected,)
    )
    room.refuses("inspect", "0001", "--place", "left deltoid", "--kind", "lump", "--at", time, says=(expected,))
    room.refuses(*NOTE, "--reading", "INR=2.5", "--at", time, says=(expected,))


# In London the clocks went forward on 2026-03-29 at 01:00 and back on 2025-10-26 at 02:00 (Summer Time Order 2002,
# SI 2002/262: the last Sundays of March and October, 01:00 UTC).
def test_a_time_that_the_clock_skipped_is_refused(room: Room) -> None:
    room.refuses("plan", "--order", "0001.1", "--at", "2026-03-29 01:30", says=("forward", "2026-03-29 01:30"))


def test_a_time_that_the_clock_showed_twice_must_bring_its_offset(room: Room, own_room: Room) -> None:
    room.refuses(
        *("not-given", "0001.1", "--reason", "refused", "--could-decide", "yes", *BY, "--at", "2025-10-26 01:30"),
        says=("twice", "2025-10-26 01:30+01:00", "2025-10-26 01:30+00:00"),
    )
    for offset in ("+01:00", "+00:00"):
        entry = own_room.does(
            "not-given",
            "0001.1",
            "--reason",
            "refused",
            "--could-decide",
            "yes",
            *BY,
            "--at",
            f"2025-10-26 01:30{offset}",
        )
        assert entry["body"]["at"] == f"2025-10-26T01:30:00{offset}"


def test_a_time_without_offset_is_by_the_clock_of_the_place(own_room: Room) -> None:
    entry = own_room.does(
        "not-given", "0001.1", "--reason", "refused", "--could-decide", "yes", *BY, "--at", "2025-07-01 09:40"
    )
    assert entry["body"]["at"] == "2025-07-01T09:40:00+01:00"  # British Summer Time


def test_today_is_the_day_at_the_place_and_not_in_greenwich(tmp_path: Path) -> None:
    room = Room(tmp_path)
    # 2026-03-02 09:00 UTC is 22:00 in Auckland; three hours later it is 2026-03-03 there (New Zealand is at +13:00
    # until the first Sunday of April: Time Act 1974).
    room.does("policy", "use", "nz", "--zone", "Pacific/Auckland")
    desk = Desk(record=room.record, clock=lambda: datetime(2026, 3, 2, 12, 0, tzinfo=UTC))

    def run(*arguments: str) -> Any:
        result = CliRunner().invoke(drawup, ["--record", str(room.record), *arguments, "--json"], obj=desk)
        assert result.exit_code == 0, result.output
        return json.loads(result.output)

    run("patient", "add", "--family", "Pike", "--given", "Baby", "--born", "2026-03-03")
    run("patient", "note", "0001", "--weight", "3500 g", "--on", "2026-03-03")
    run("patient", "note", "0001", "--height", "50 cm")
    assert run("chart", "0001")["height"]["on"] == "2026-03-03"
    run("formulary", "add", room.file("velorin.json", MEDICINE))
    run("order", "add", "0001", room.file("order.json", ORDER))
    assert run("order", "stop", "0001.1", "--reason", "ended")["stopped"] == "2026-03-03"


def test_when_it_was_corrected_or_caught_is_shown_by_the_clock_of_the_place(own_room: Room) -> None:
    # 2026-07-01 08:50 UTC is 09:50 in London: British Summer Time.
    desk = Desk(record=own_room.record, clock=lambda: datetime(2026, 7, 1, 8, 50, tzinfo=UTC))

    def run(*arguments: str) -> str:
        return CliRunner().invoke(drawup, ["--record", str(own_room.record), *arguments], obj=desk).output

    run("stock", "change", "D220", "quarantined", "--reason", "warm")
    run("plan", "--order", "0001.1", "--scan", "batch:D220")
    run("correction", "0001-6", *WHY, "--volume", "1.5 mL")
    assert "corrected 2026-07-01 09:50 by Ada Example" in run("chart", "0001")
    assert "2026-07-01 09:50  patient 0001" in run("chart", "--near-misses")


def test_several_facts_are_noted_all_or_none(room: Room) -> None:
    before = room.does("chart", "0001")
    room.refuses(*NOTE, "--weight", "81.4 kg", "--consent", "spoken", "--height", "tall", says=("patient.height",))
    assert room.does("chart", "0001") == before


def test_a_region_is_used_again_however_it_was_written(own_room: Room) -> None:
    own_room.does(*NOTE, "--use-again", "arm", "--side", "left")
    assert own_room.does("chart", "0001")["ruled_out"] == []


def test_a_plan_is_found_by_its_first_figures_in_any_case(own_room: Room) -> None:
    plan = own_room.does("plan", "--order", "0002.1", "--accept", "allergy-not-asked=asleep")["plan"]
    typed = f" {plan[:12].upper()} "
    entry = own_room.does("given", typed, *ADA, "--scan", "batch:D220", "--accept", "allergy-not-asked=asleep")
    assert entry["body"]["plan"] == plan


def test_names_with_apostrophes_and_hyphens_are_kept(room: Room) -> None:
    assert room.does("chart", "0001")["name"] == "O'BRIEN-EXAMPLE, Séan"


def test_a_policy_that_cannot_be_used_begins_no_record(tmp_path: Path) -> None:
    room = Room(tmp_path)
    wrong = room.file("policy.toml", b"format = 2\n")
    attempts = (
        ("france", "--zone", "Europe/Paris"),
        (wrong, "--zone", "Europe/London"),
        ("uk", "--zone", "Mars"),
        ("uk", "--zone", "Europe/London", "--by", RED),
    )
    for attempt in attempts:
        check_told(room.run("policy", "use", *attempt), 2)
        assert not room.record.exists()


def test_a_recall_of_an_unknown_batch_says_so(room: Room) -> None:
    assert "No such batch was ever received" in room.run("trace", "--batch", "X999").output
    assert "D220 was" in room.run("trace", "--batch", "d220").output


def test_what_was_given_can_be_written_whatever_the_scan_says(own_room: Room) -> None:
    before = own_room.head()[0]
    free = ("given", *ADA, "--patient", "0001", "--medicine", "velorin", "--prepared-by", "Ben Example")
    for code in ("", RED, "(01)09501101531017(10)" + "D" * 300, "(01)09501101531018"):
        assert own_room.does(*free, "--scan", code)["body"]["prepared_by"] == "Ben Example"
    plan = own_room.does("plan", "--order", "0002.1", code=4)["plan"]
    entry = own_room.does("given", plan, *ADA, "--scan", "(01)09501101531017(10)" + "D" * 300, "--anyway")
    assert entry["body"]["containers"][0]["name"] == "velorin"
    assert own_room.head()[0] > before
    assert own_room.does("chart", "--review")
    assert own_room.does("check-record")["whole"] is True


def test_a_corrected_volume_is_that_of_the_injection_too(own_room: Room) -> None:
    body = own_room.does("correction", "0001-6", *WHY, "--volume", "1.5 mL")
    assert body["kind"] == "correction"
    (entry,) = [one for one in own_room.does("chart", "0001")["entries"] if one["entry"] == "0001-6"]
    assert entry["body"]["amount"] == "75 mg"  # 50 mg/mL x 1.5 mL
    assert [one["volume_ml"] for one in entry["body"]["injections"]] == ["1.5"]


def test_an_entry_of_any_kind_moved_to_another_patient_can_be_reviewed(own_room: Room) -> None:
    for entry in ("0001-6", "0001-7", "0001-8", "0001-9"):
        own_room.does("correction", entry, *WHY, "--belongs-to", "0002")
    assert len(own_room.does("chart", "--review")) == 4
    check_told(own_room.run("chart", "--review"), 0)
    check_told(own_room.run("chart", "0001"), 0)
    check_told(own_room.run("chart", "0002"), 0)
