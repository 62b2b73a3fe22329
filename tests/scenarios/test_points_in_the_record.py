"""A point that was used is found again: in the entry, on the grown body, after a correction, and never by guessing."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pytest
from click.testing import CliRunner
from tests.scenarios.conftest import Clinic

from drawup.cli.main import Desk, drawup

GTIN = "09501101530096"
HOLLISPRANE: dict[str, Any] = {
    "name": "hollisprane",
    "routes": ["subcutaneous"],
    "presentations": [{"strength": "10 mg/mL", "volume": "1 mL", "container": "ampoule", "gtin": GTIN}],
}
ORDER = {"medicine": "hollisprane", "route": "subcutaneous", "dose": {"amount": "4 mg"}, "start": "2026-03-01"}


@pytest.fixture
def corin(clinic: Clinic) -> Clinic:
    """A boy of four years and 102 cm with a weekly medicine under the skin: 102/170 is 0.6 of an adult."""
    clinic.run("formulary", "add", clinic.file("hollisprane.json", HOLLISPRANE))
    clinic.run("patient", "add", "--family", "Hale", "--given", "Corin", "--born", "2021-09-01", "--sex", "male")
    clinic.run("patient", "note", "0001", "--allergy", "none known", "--height", "102 cm", "--no-earlier-doses")
    clinic.run("order", "add", "0001", clinic.file("order.json", ORDER))
    clinic.run("stock", "receive", f"(01){GTIN}(17)270430(10)HP1", "--count", "9")
    return clinic


def refused(clinic: Clinic, *arguments: str) -> str:
    desk = Desk(record=clinic.record, clock=lambda: clinic.now)
    result = CliRunner().invoke(drawup, ["--record", str(clinic.record), *arguments], obj=desk)
    assert result.exit_code == 2, result.output
    return result.output


def test_an_entry_says_the_point_its_place_in_mm_and_the_scale_of_the_body(corin: Clinic) -> None:
    plan = corin.run("plan", "--order", "0001.1")
    (shown,) = plan["injections"]
    entry = corin.run("given", plan["plan"], "--scan", "batch:HP1", "--given-by", "Mairi")
    (place,) = entry["body"]["injections"]
    for key in ("site", "side", "point", "place_mm", "body_scale", "grid"):
        assert place[key] == shown[key]
    assert place["body_scale"] == "0.6"


def test_the_place_grows_with_the_child(corin: Clinic) -> None:
    corin.run(
        "given", "--patient", "0001", "--medicine", "hollisprane", "--amount", "4 mg", "--given-by", "Mairi",
        "--place", "right thigh fat A1", "--at", "2026-03-01 09:00",
    )  # fmt: skip
    (entry,) = corin.run("chart", "0001")["entries"]
    (before,) = entry["body"]["injections"]
    # 0.6 of 40 mm inward and 60 mm above are 24 and 36 mm: the outermost whole steps are 20 and 30 mm.
    assert before["place_mm"] == ["-20", "-30"]
    corin.now = datetime(2027, 3, 1, 9, tzinfo=UTC)
    corin.run("patient", "note", "0001", "--height", "136 cm")
    skin = corin.run("rotate", "--order", "0001.1", "--next", "1")
    # 136/170 is 0.8: the place is now 26.7 mm inward and 40 mm above, between two points of the new grid.
    assert skin["body_scale"] == "0.8"
    assert skin["look_back"]["without_a_point"] == 0


def test_a_point_that_the_site_has_not_is_refused_with_those_it_has(corin: Clinic) -> None:
    said = refused(
        corin, "given", "--patient", "0001", "--medicine", "hollisprane", "--given-by", "Mairi",
        "--place", "right thigh fat Z9", "--at", "2026-03-01 09:00",
    )  # fmt: skip
    assert "A1 to" in said
    said = refused(corin, "inspect", "0001", "--place", "left thigh fat Z9", "--kind", "lump", "--by", "Mairi")
    assert "point" in said


def test_a_lump_may_be_placed_in_mm_and_keeps_its_points_out(corin: Clinic) -> None:
    corin.run("inspect", "0001", "--place", "right thigh fat", "--mm", "0,-5.5", "--size", "12", "--how", "felt",
              "--kind", "lump", "--by", "Mairi")  # fmt: skip
    plan = corin.run("plan", "--order", "0001.1", "--side", "right")
    (place,) = plan["injections"]
    across, down = map(float, place["place_mm"])
    assert place["site"] != "thigh fat" or (across**2 + (down + 5.5) ** 2) ** 0.5 >= 6 + 10


def test_a_point_given_into_since_the_plan_was_made_is_asked_about(corin: Clinic) -> None:
    plan = corin.run("plan", "--order", "0001.1")
    (shown,) = plan["injections"]
    words = f"{shown['side']} {shown['site']} {shown['point']}"
    corin.run(
        "given", "--patient", "0001", "--medicine", "other (invented)", "--anyway", "--given-by", "Petra",
        "--place", words, "--at", "2026-03-02 08:58",
    )  # fmt: skip
    desk = Desk(record=corin.record, clock=lambda: corin.now)
    result = CliRunner().invoke(
        drawup,
        ["--record", str(corin.record), "given", plan["plan"], "--scan", "batch:HP1", "--given-by", "Mairi"],
        obj=desk,
    )
    assert result.exit_code == 4
    assert "point-not-rested" in result.output


def test_a_medicine_and_a_point_not_known_here_can_be_written_all_the_same(corin: Clinic) -> None:
    unknown = (
        "given",
        "--patient",
        "0001",
        "--medicine",
        "brellomar",
        "--given-by",
        "Petra",
        "--at",
        "2026-03-02 08:58",
    )
    assert "--anyway" in refused(corin, *unknown)
    entry = corin.run(*unknown, "--place", "right thigh fat Z9", "--anyway")
    assert entry["body"]["medicine"] == "brellomar"
    assert entry["body"]["injections"][0]["point"] == "Z9"
    # It weighs nowhere, and that is said.
    found = corin.run("plan", "--order", "0001.1")["findings"]
    assert "history-point-unknown" in [one["code"] for one in found]


def test_gone_is_written_where_the_lump_was_felt_whatever_its_point_is_called(corin: Clinic) -> None:
    at = ("--place", "right thigh fat")
    seen = corin.run("inspect", "0001", *at, "--mm", "10,10", "--kind", "lump", "--size", "12", "--by", "Mairi")
    assert seen["entry"]
    # 16 mm away: 6 mm of its own and a finger's width of 10 mm.
    corin.run("inspect", "0001", *at, "--mm", "10,-6", "--kind", "gone", "--by", "Mairi")
    assert corin.run("chart", "0001")["on_the_skin"] == []


def test_gone_where_nothing_is_open_is_refused_and_says_what_is(corin: Clinic) -> None:
    corin.run("inspect", "0001", "--place", "right thigh fat A1", "--kind", "lump", "--by", "Mairi")
    said = refused(corin, "inspect", "0001", "--place", "left thigh fat A1", "--kind", "gone", "--by", "Mairi")
    assert "right thigh fat A1" in said
    # "Nothing" on a whole side closes nothing; at the lump's own point it does.
    corin.run("inspect", "0001", "--place", "right thigh fat", "--kind", "nothing", "--by", "Mairi")
    assert len(corin.run("chart", "0001")["on_the_skin"]) == 1
    corin.run("inspect", "0001", "--place", "right thigh fat A1", "--kind", "nothing", "--by", "Mairi")
    assert corin.run("chart", "0001")["on_the_skin"] == []


def test_a_misspelt_kind_is_refused_with_the_words_there_are(corin: Clinic) -> None:
    said = refused(corin, "inspect", "0001", "--place", "right thigh fat A1", "--kind", "lmup", "--by", "Mairi")
    assert "lump, bruise" in said


def test_who_prepared_it_cannot_be_the_second_checker(corin: Clinic) -> None:
    plan = corin.run("plan", "--order", "0001.1")["plan"]
    people = ("--given-by", "Mairi", "--prepared-by", "Ann", "--checked-by", "ann, nurse")
    assert "prepared it" in refused(corin, "given", plan, "--scan", "batch:HP1", *people)


def test_the_next_points_of_an_order_come_at_its_times_of_day(corin: Clinic) -> None:
    corin.run("order", "add", "0001", corin.file("twice.json", {**ORDER, "times": ["08:00", "18:00"]}))
    found = corin.run("rotate", "--order", "0001.2", "--next", "3")["next"]
    # It is Monday 2026-03-02 09:00: the evening of today, then tomorrow's two.
    assert [one["at"][:16] for one in found] == ["2026-03-02T18:00", "2026-03-03T08:00", "2026-03-03T18:00"]


def test_a_side_that_is_shut_as_a_whole_is_a_stop_where_it_is_chosen(corin: Clinic) -> None:
    corin.run("inspect", "0001", "--place", "right thigh fat", "--kind", "lump", "--by", "Mairi")
    plan = corin.run("plan", "--order", "0001.1", "--site", "thigh fat", "--side", "right", code=3)
    assert "point-shut" in [found["code"] for found in plan["findings"]]
    # The muscle under it shares its skin.
    muscle = {**ORDER, "route": "intramuscular"}
    entry = {**HOLLISPRANE, "name": "hollisprane deep", "routes": ["intramuscular"]}
    corin.run(
        "formulary", "add", corin.file("deep.json", {**entry, "presentations": [_pack_of(entry, "09501101530102")]})
    )
    corin.run("order", "add", "0001", corin.file("deep-order.json", {**muscle, "medicine": "hollisprane deep"}))
    deep = corin.run("plan", "--order", "0001.2", "--site", "vastus lateralis", "--side", "right", code=3)
    assert "point-shut" in [found["code"] for found in deep["findings"]]


def _pack_of(entry: dict[str, Any], gtin: str) -> dict[str, Any]:
    return {**entry["presentations"][0], "gtin": gtin}


def test_a_place_told_without_a_point_gets_none_unless_it_is_the_one_shown(corin: Clinic) -> None:
    plan = corin.run("plan", "--order", "0001.1")
    (shown,) = plan["injections"]
    other = "left" if shown["side"] == "right" else "right"
    entry = corin.run(
        "given", plan["plan"], "--scan", "batch:HP1", "--given-by", "Mairi", "--place", f"{other} {shown['site']}"
    )
    (place,) = entry["body"]["injections"]
    assert place["side"] == other
    assert "point" not in place


def test_each_of_several_places_is_looked_at_and_gets_its_part_of_the_volume(corin: Clinic) -> None:
    corin.run("patient", "note", "0001", "--avoid", "leg", "--side", "left", "--reason", "plaster cast")
    plan = corin.run("plan", "--order", "0001.1")["plan"]
    places = ("--place", "left thigh fat A1", "--place", "left thigh fat A4")
    desk = Desk(record=corin.record, clock=lambda: corin.now)
    given = ["--record", str(corin.record), "given", plan, "--scan", "batch:HP1", "--given-by", "Mairi", *places]
    result = CliRunner().invoke(drawup, given, obj=desk)
    assert result.exit_code == 3
    assert "plaster cast" in result.output
    entry = corin.run("given", plan, "--scan", "batch:HP1", "--given-by", "Mairi", *places, "--anyway")
    # 4 mg of 10 mg/mL are 0.4 mL.
    assert [one["volume_ml"] for one in entry["body"]["injections"]] == ["0.2", "0.2"]


def test_a_divided_dose_is_recorded_where_the_plan_showed_it(corin: Clinic) -> None:
    corin.run("order", "add", "0001", corin.file("large.json", {**ORDER, "dose": {"amount": "8 mg"}}))
    plan = corin.run("plan", "--order", "0001.2", "--accept", "duplicate-order=both hold")
    shown = [(one["site"], one["side"], one["point"]) for one in plan["injections"]]
    assert len(shown) == 2
    # Since then another order went into the first of them.
    words = f"{shown[0][1]} {shown[0][0]} {shown[0][2]}"
    corin.run("given", "--patient", "0001", "--medicine", "brellomar", "--anyway", "--given-by", "Petra",
              "--place", words, "--at", "2026-03-02 08:58")  # fmt: skip
    given = ("given", plan["plan"], "--scan", "batch:HP1", "--given-by", "Mairi")
    desk = Desk(record=corin.record, clock=lambda: corin.now)
    asked = CliRunner().invoke(drawup, ["--record", str(corin.record), *given], obj=desk)
    assert asked.exit_code == 4
    assert "point-not-rested" in asked.output
    entry = corin.run(*given, "--accept", "point-not-rested=planned before", "--accept", "duplicate-order=both hold")
    where = [(one["site"], one["side"], one["point"]) for one in entry["body"]["injections"]]
    assert where == shown


def test_a_lump_seen_again_or_with_something_else_keeps_its_size(corin: Clinic) -> None:
    at = ("--place", "right thigh fat A1", "--by", "Mairi")
    corin.run("inspect", "0001", *at, "--kind", "lump", "--size", "20", "--at", "2026-03-01 09:00")
    corin.run("inspect", "0001", *at, "--kind", "lump", "--at", "2026-03-02 08:00")
    corin.run("inspect", "0001", *at, "--kind", "redness", "--size", "5", "--at", "2026-03-02 08:10")
    marks = {one["kind"]: one["size_mm"] for one in corin.run("chart", "0001")["on_the_skin"]}
    assert marks == {"lump": "20", "redness": "5"}


def test_the_next_points_keep_to_the_site_and_side_that_the_order_names(corin: Clinic) -> None:
    corin.run("order", "add", "0001", corin.file("named.json", {**ORDER, "site": "left thigh fat"}))
    found = corin.run("rotate", "--order", "0001.2", "--next", "4")["next"]
    assert {(one["site"], one["side"]) for one in found} == {("thigh fat", "left")}
