"""The due list through the record: who, what, when, and what stands in the way, the same as worked out afresh.

A list that was kept is compared with one worked out from nothing after every kind of fact, and at every moment at which
the clock alone changes it; how many plans it cost is counted. All people, medicines and places are invented. The uk
preset: a dose with a time of day may be given 60 minutes before and after it; breakfast is at 08:00, supper at 18:00.
"""

from __future__ import annotations

import json
import os
import random
import shutil
import sqlite3
import stat
import subprocess
import sys
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from tests.scenarios.conftest import Clinic

from drawup.cli.main import Desk, drawup
from drawup.injection.plan import plan_injection
from drawup.record.store import Store
from drawup.service.due import DueBook, due_list

SERNOVALATE: dict[str, Any] = {
    "name": "sernovalate",
    "routes": ["intramuscular"],
    "presentations": [{"strength": "100 mg/mL", "volume": "1 mL", "container": "ampoule", "gtin": "09501101530089"}],
}
CALVRANE: dict[str, Any] = {
    "name": "calvrane",
    "routes": ["intramuscular"],
    "presentations": [{"strength": "50 mg/mL", "volume": "1 mL", "container": "ampoule", "gtin": "09501101530034"}],
}


def order_of(medicine: str, amount: str, **more: Any) -> dict[str, Any]:
    return {
        "medicine": medicine,
        "route": "intramuscular",
        "dose": {"amount": amount},
        "start": "2026-03-02",
        **more,
    }


DEPOT = order_of("sernovalate", "100 mg", schedule={"every": "4 weeks"})
WEEKLY = order_of("calvrane", "50 mg", schedule={"every": "1 week"})


class Ward(Clinic):
    """A clinic with one list that is kept open, and a count of the plans that it cost."""

    planned = 0
    book: DueBook
    store: Store

    def open(self) -> None:
        self.store = Store.open(self.record, read_only=True)
        self.book = DueBook(self.store)

    def shut(self) -> None:
        self.book.close()
        self.store.close()

    def patient(
        self, family: str, given: str, *orders: dict[str, Any], born: str = "1974-05-03", place: str = ""
    ) -> str:
        """A patient without allergies, and their orders."""
        more = ("--place", place) if place else ()
        number = str(self.run("patient", "add", "--family", family, "--given", given, "--born", born, *more)["patient"])
        self.run("patient", "note", number, "--allergy", "none known", "--no-earlier-doses")
        for order in orders:
            self.run("order", "add", number, self.file("order.json", order))
        return number

    def lines(self, book: DueBook) -> dict[str, dict[str, Any]]:
        """Every line of a list by its order."""
        return {one["order"]: one for one in due_list(book, self.store, now=self.now, everything=True)}

    def afresh(self) -> dict[str, dict[str, Any]]:
        return self.lines(DueBook(self.store, keep=False, afresh=True))

    def due(self, plans: int | None = None) -> dict[str, dict[str, Any]]:
        """The list that was kept open, the one read from the file, and one worked out afresh: line by line the same.

        `plans`: how many plans the first of them may cost.
        """
        before = self.planned
        found = self.lines(self.book)
        cost = self.planned - before
        from_file = DueBook(self.store)
        assert self.lines(from_file) == found
        assert self.planned - before == cost, "reading the file costs no plan"
        from_file.close()
        wanted = self.afresh()
        assert list(found) == list(wanted)
        for order, line in wanted.items():
            assert found[order] == line
        if plans is not None:
            assert cost == plans
        return found

    def give(self, order: str, batch: str = "SV1", *more: str) -> str:
        """The next dose of an order is given; the name of the entry."""
        plan = self.run("plan", "--order", order)["plan"]
        return str(self.run("given", plan, "--scan", f"batch:{batch}", "--given-by", "Petra", *more)["entry"])

    def text(self, *arguments: str) -> str:
        """What a command prints for a person."""
        desk = Desk(record=self.record, clock=lambda: self.now)
        done = CliRunner().invoke(drawup, ["--record", str(self.record), *arguments], obj=desk)
        assert done.exit_code == 0, done.output
        return done.output

    def at(self, text: str) -> None:
        """It is now so late in UTC."""
        self.now = datetime.fromisoformat(text).replace(tzinfo=UTC)


@pytest.fixture
def ward(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Ward]:
    """The medicines are in the formulary and in stock; nobody is registered. 2026-03-02 09:00 in London."""
    made = Ward(tmp_path / "record.sqlite")
    made.run("policy", "use", "uk", "--zone", "Europe/London")
    for entry, code, batch in ((SERNOVALATE, "09501101530089", "SV1"), (CALVRANE, "09501101530034", "CV1")):
        made.run("formulary", "add", made.file("medicine.json", entry))
        made.run("stock", "receive", f"(01){code}(17)290430(10){batch}", "--count", "20")

    def counted(*arguments: Any, **named: Any) -> Any:
        made.planned += 1
        return plan_injection(*arguments, **named)

    monkeypatch.setattr("drawup.service.due.plan_injection", counted)
    made.open()
    yield made
    made.shut()
    made.close()


@pytest.fixture
def three(ward: Ward) -> Ward:
    """Quillon has a depot and a weekly order, Brisa a depot, Tarn a weekly one: 0001.1, 0001.2, 0002.1, 0003.1."""
    ward.patient("Quillon", "Asa", DEPOT, WEEKLY)
    ward.patient("Brisa", "Noor", DEPOT)
    ward.patient("Tarn", "Ivo", WEEKLY)
    ward.due(4)
    return ward


def planned(line: dict[str, Any]) -> str:
    """State and planned day of a line."""
    return f"{line['state']} {line['due']['day']}"


# --- what a line says ---------------------------------------------------------------------------------------------


def test_a_line_says_who_what_in_which_window_and_what_stands_in_the_way(ward: Ward) -> None:
    ward.run(
        "patient",
        "add",
        *("--family", "Quillon", "--given", "Asa", "--born", "1974-05-03", "--place", "Northshore Round"),
        *("--identifier", "ward number=77"),
    )
    ward.run(
        "order", "add", "0001", ward.file("order.json", {**DEPOT, "schedule": {"every": "4 weeks", "late": "3 days"}})
    )
    line = ward.due(1)["0001.1"]
    assert (line["name"], line["born"], line["identifiers"]) == ("QUILLON, Asa", "1974-05-03", ["ward number 77"])
    assert (line["place"], line["medicine"], line["dose"]) == ("Northshore Round", "sernovalate", "100 mg")
    # From the first moment of 2 March, and, 3 days late still being plain, until 5 March ends.
    assert line["due"]["opens"] == "2026-03-02T00:00:00+00:00"
    assert line["due"]["closes"] == "2026-03-06T00:00:00+00:00"
    assert line["state"] == "due"
    assert "allergy-not-asked" in [one["code"] for one in line["findings"]]
    words = ward.text("due")
    assert "DUE NOW" in words
    assert "planned 2026-03-02, until 2026-03-05" in words
    assert "Your reason needed: " in words


def test_the_list_is_by_urgency_then_time_and_can_be_asked_by_place_and_hours(ward: Ward) -> None:
    ward.at("2026-03-02 06:00")
    ward.patient("Late", "Ana", order_of("calvrane", "50 mg", schedule={"at": ["06:30"]}), place="Kelp Ward")
    ward.at("2026-03-02 09:00")
    ward.patient("Now", "Bea", order_of("calvrane", "50 mg", schedule={"at": ["09:30"]}), place="Kelp Ward")
    ward.patient("Soon", "Col", order_of("calvrane", "50 mg", schedule={"at": ["14:00"]}), place="Dune House")
    ward.patient("Evening", "Dov", order_of("calvrane", "50 mg", schedule={"at": ["21:00"]}), place="Dune House")
    ward.patient("Done", "Eli", order_of("calvrane", "50 mg", schedule={"once": True}), place="Kelp Ward")
    ward.give("0005.1", "CV1")

    def names(*more: str) -> list[str]:
        return [f"{one['family']} {one['state']}" for one in ward.run("due", *more)["lines"]]

    # 06:30 with 60 minutes after it ended at 07:30; 14:00 opens at 13:00, 21:00 at 20:00: 4 and 11 hours from 09:00.
    assert names() == ["Late late", "Now due", "Soon early", "Evening early"]
    assert names("--hours", "3") == ["Late late", "Now due"]
    assert names("--hours", "4") == ["Late late", "Now due", "Soon early"]
    assert names("--place", "kelp") == ["Late late", "Now due"]
    assert names("--place", "Dune House", "--hours", "0") == []
    assert names("--all") == ["Late late", "Now due", "Soon early", "Evening early", "Done ended"]
    assert ward.text("due", "--place", "Dune House", "--hours", "0") == "Nothing is due.\n"
    ward.due()


def test_name_alikes_and_twins_are_marked_in_words_where_they_stand_on_one_list(ward: Ward) -> None:
    ward.patient("Adeyemi-Pike", "Wren", DEPOT, born="2001-05-14", place="Kelp Ward")
    ward.patient("Adeyemi-Pike", "Rowan", DEPOT, born="2001-05-14", place="Dune House")
    ward.patient("adeyemi-pike", "Solveig", DEPOT, born="1960-01-30", place="Kelp Ward")
    ward.patient("Tarn", "Ivo", WEEKLY, place="Kelp Ward")
    marks = {order: line["alike"] for order, line in ward.due().items()}
    assert marks["0001.1"] == marks["0002.1"] == "another patient on this list has this family name and birth date"
    assert marks["0003.1"] == "another patient on this list has this family name"
    assert marks["0004.1"] == ""
    assert "Take care: another patient on this list has this family name and birth date." in ward.text("due")
    # In Dune House only Rowan is on the list.
    assert [one["alike"] for one in ward.run("due", "--place", "Dune House")["lines"]] == [""]


def test_an_order_whose_times_are_words_is_listed_and_that_is_said(ward: Ward) -> None:
    ward.patient("Quillon", "Asa", order_of("calvrane", "50 mg", times=["as the wound nurse says"]))
    ward.patient("Tarn", "Ivo", {key: value for key, value in WEEKLY.items() if key != "start"})
    found = ward.due(2)
    assert [(line["state"], line["ended"]) for line in found.values()] == [
        ("unknown", "the order says no times"),
        ("unknown", "the order has no start"),
    ]
    words = ward.text("due")
    assert "NO TIMES THAT CAN BE COUNTED BY" in words
    assert "The order says no times." in words


def test_an_order_that_can_no_longer_be_read_stays_on_the_list_until_it_can(ward: Ward) -> None:
    ward.patient(
        "Quillon", "Asa", order_of("calvrane", "50 mg", schedule={"meals": ["before supper"]}, stop="2026-03-04")
    )
    ward.patient("Tarn", "Ivo", WEEKLY)
    ward.due(2)
    own = ward.record.parent / "own.toml"
    own.write_text(
        'format = 1\npreset = "own"\ntitle = "Own"\nstarts_from = "uk"\n[meal_times]\n'
        'value = [{ meal = "breakfast", at = "08:00" }]\nreason = "No supper here."\nsource = "invented"\n',
        "utf-8",
    )
    ward.run("policy", "use", str(own), "--zone", "Europe/London")
    line = ward.due(1)["0001.1"]
    assert line["state"] == "unknown"
    (found,) = line["findings"]
    assert (found["code"], found["severity"]) == ("order-unreadable", "stop")
    assert "supper" in found["message"]
    assert "Do not give: the order cannot be read" in ward.text("due")
    ward.run("policy", "use", "uk", "--zone", "Europe/London")
    assert ward.due(2)["0001.1"]["state"] == "early"
    ward.run("policy", "use", str(own), "--zone", "Europe/London")
    ward.due()
    # It still ends by the clock: 4 March was its last day.
    ward.at("2026-03-05 00:00")
    assert list(ward.due()) == ["0002.1"]


# --- after every kind of fact -------------------------------------------------------------------------------------


def _given(ward: Ward) -> None:
    ward.give("0001.1")


def _part_given(ward: Ward) -> None:
    ward.give("0001.1", "SV1", "--part", "0.4 mL")


def _not_given(ward: Ward) -> None:
    ward.run("not-given", "0001.1", "--reason", "away", "--by", "Petra")


def _reported(ward: Ward) -> None:
    told = ("--medicine", "sernovalate", "--amount", "100 mg", "--at", "2026-02-16 10:00")
    ward.run("given", "--patient", "0001", *told, "--reported", "--given-by", "the day clinic")


def _without_a_plan(ward: Ward) -> None:
    told = ("--medicine", "calvrane", "--amount", "50 mg", "--scan", "batch:CV1")
    ward.run("given", "--patient", "0002", *told, "--given-by", "Petra")


def _replaced(ward: Ward) -> None:
    changed = {**DEPOT, "dose": {"amount": "75 mg"}}
    ward.run("order", "add", "0001", ward.file("order.json", changed), "--replaces", "0001.1")


def _another_order(ward: Ward) -> None:
    ward.run("order", "add", "0002", ward.file("order.json", WEEKLY))


def _stopped(ward: Ward) -> None:
    ward.run("order", "stop", "0001.1", "--on", "2026-03-02", "--reason", "moved away")


def _stopped_later(ward: Ward) -> None:
    ward.run("order", "stop", "0001.1", "--on", "2026-03-20", "--reason", "moves away")


def _noted(*words: str) -> Callable[[Ward], None]:
    return lambda ward: ward.run("patient", "note", "0001", *words)


def _formulary(ward: Ward) -> None:
    ward.run("formulary", "add", ward.file("medicine.json", {**SERNOVALATE, "least_interval": "3 weeks"}))


def _formulary_of_nobody(ward: Ward) -> None:
    entry = {**SERNOVALATE, "name": "norvatide", "presentations": [{"strength": "5 mg/mL"}]}
    ward.run("formulary", "add", ward.file("medicine.json", entry))


def _formulary_live(ward: Ward) -> None:
    entry = {**SERNOVALATE, "name": "terenvax", "presentations": [{"strength": "5 mg/mL"}], "live": True}
    ward.run("formulary", "add", ward.file("medicine.json", entry))


def _policy(ward: Ward) -> None:
    ward.run("policy", "use", "nz", "--zone", "Pacific/Auckland")


def _registered(ward: Ward) -> None:
    ward.patient("Quillon", "Una")


def _stock(ward: Ward) -> None:
    ward.run("stock", "receive", "(01)09501101530089(17)290430(10)SV2", "--count", "4")


def _inspected(ward: Ward) -> None:
    ward.run("inspect", "0003", "--place", "left deltoid", "--kind", "bruise", "--by", "Petra")


def _planned_only(ward: Ward) -> None:
    ward.run("plan", "--order", "0001.1")


FACTS: list[tuple[str, Callable[[Ward], None], int]] = [
    ("given", _given, 2),
    ("part given", _part_given, 2),
    ("not given", _not_given, 2),
    ("reported from elsewhere", _reported, 2),
    ("given without a plan", _without_a_plan, 1),
    ("an order replaced", _replaced, 2),
    ("another order", _another_order, 2),
    ("an order stopped", _stopped, 1),
    ("an order stopped from a later day on", _stopped_later, 2),
    ("a weight", _noted("--weight", "81.4 kg"), 2),
    ("an allergy", _noted("--allergy", "calvrane", "--allergy-severity", "serious"), 2),
    ("a reading", _noted("--reading", "glucose=5.6 mmol/L"), 2),
    ("a consent", _noted("--consent-by", "Asa Quillon"), 2),
    ("another zone", _noted("--zone", "America/New_York"), 2),
    ("the formulary: two have the medicine", _formulary, 3),
    ("the formulary: nobody has the medicine", _formulary_of_nobody, 0),
    ("the formulary: a live vaccine", _formulary_live, 4),
    ("the policy", _policy, 4),
    ("a namesake registered", _registered, 0),
    ("stock received", _stock, 0),
    ("an inspection", _inspected, 1),
    ("a plan made, nothing given", _planned_only, 0),
]


@pytest.mark.parametrize(("act", "plans"), [one[1:] for one in FACTS], ids=[one[0] for one in FACTS])
def test_after_a_fact_the_list_is_as_worked_out_afresh_and_only_the_touched_patient_costs_plans(
    three: Ward, act: Callable[[Ward], None], plans: int
) -> None:
    three.due(0)
    act(three)
    three.due(plans)
    three.due(0)


def test_given_on_2_march_the_next_is_30_march_and_each_correction_moves_it(three: Ward) -> None:
    assert planned(three.due()["0001.1"]) == "due 2026-03-02"
    entry = three.give("0001.1")
    # 28 days after 2 March.
    assert planned(three.due(2)["0001.1"]) == "early 2026-03-30"
    three.run("correction", entry, "--reason", "it was on Sunday", "--at", "2026-03-01 21:15", "--by", "Petra")
    assert planned(three.due(2)["0001.1"]) == "early 2026-03-29"
    three.run("correction", entry, "--reason", "nothing was given", "--void", "--by", "Petra")
    assert planned(three.due(2)["0001.1"]) == "due 2026-03-02"


def test_an_entry_moved_to_another_patient_moves_both_their_lines(three: Ward) -> None:
    entry = three.give("0001.1")
    three.due()
    three.run("correction", entry, "--reason", "it was Noor Brisa", "--belongs-to", "0002", "--by", "Petra")
    found = three.due(3)
    assert planned(found["0001.1"]) == "due 2026-03-02"
    assert planned(found["0002.1"]) == "early 2026-03-30"


def test_not_given_moves_nothing_and_part_given_moves_the_clock(three: Ward) -> None:
    _not_given(three)
    assert planned(three.due(2)["0001.1"]) == "due 2026-03-02"
    _part_given(three)
    line = three.due(2)["0001.1"]
    assert planned(line) == "early 2026-03-30"
    assert "part-outstanding" in [one["code"] for one in line["findings"]]


def test_a_list_of_two_hundred_costs_two_hundred_plans_once_and_none_again(ward: Ward) -> None:
    for number in range(200):
        ward.patient(f"Person{number}", "Lis", DEPOT)
    ward.due(200)
    ward.due(0)
    ward.give("0117.1")
    ward.due(1)
    # Twelve hours on it is the same day, and the same list.
    ward.now += timedelta(hours=12)
    ward.due(0)


# --- the clock alone ----------------------------------------------------------------------------------------------


def test_the_clock_alone_renews_what_it_must_and_nothing_else(ward: Ward) -> None:
    twice = order_of("calvrane", "50 mg", schedule={"at": ["08:00", "20:00"]}, stop="2026-03-04")
    ward.patient("Quillon", "Asa", twice)
    ward.patient("Brisa", "Noor", DEPOT)
    ward.give("0002.1")
    # 08:00 may be given from 07:00 to 09:00, and is missed when 20:00 opens, at 19:00. The depot comes on 30 March.
    told = [
        ("2026-03-02 08:59", "due", "2026-03-02T08:00", None),
        ("2026-03-02 09:00", "due", "2026-03-02T08:00", None),
        ("2026-03-02 09:01", "late", "2026-03-02T08:00", 1),
        ("2026-03-02 18:59", "late", "2026-03-02T08:00", 0),
        ("2026-03-02 19:00", "due", "2026-03-02T20:00", 1),
        ("2026-03-02 21:00", "due", "2026-03-02T20:00", 0),
        ("2026-03-02 21:01", "late", "2026-03-02T20:00", 1),
        ("2026-03-02 23:59", "late", "2026-03-02T20:00", 0),
        ("2026-03-03 00:00", "late", "2026-03-02T20:00", 1),
        ("2026-03-03 06:59", "late", "2026-03-02T20:00", 0),
        ("2026-03-03 07:00", "due", "2026-03-03T08:00", 1),
        ("2026-03-04 23:30", "late", "2026-03-04T20:00", 1),
    ]
    for now, state, moment, plans in told:
        ward.at(now)
        line = ward.due(plans)["0001.1"]
        assert (line["state"], line["due"]["planned"][:16]) == (state, moment), now
    # 4 March was its last day.
    ward.at("2026-03-05 00:00")
    assert list(ward.due(0)) == ["0002.1"]
    ward.at("2026-03-29 23:30")
    # What was worked out for the moment at which it opens holds when it has opened.
    assert planned(ward.due(0)["0002.1"]) == "due 2026-03-30"


def test_the_places_that_went_by_are_counted_as_the_clock_goes_on(ward: Ward) -> None:
    ward.patient("Quillon", "Asa", order_of("calvrane", "50 mg", schedule={"at": ["08:00", "20:00"]}))
    ward.due()
    # On 9 March at 08:30 the 08:00 is due; 14 places of seven days went by.
    ward.at("2026-03-09 08:30")
    line = ward.due(1)["0001.1"]
    assert (line["state"], line["due"]["passed"]) == ("due", 14)
    assert "doses-missed" in [one["code"] for one in line["findings"]]


def test_an_order_stopped_from_a_later_day_on_leaves_the_list_on_that_day(three: Ward) -> None:
    three.give("0002.1")
    three.run("order", "stop", "0002.1", "--on", "2026-03-20", "--reason", "moves away")
    # The next dose, on 30 March, comes after the end: that is said as long as the order is open.
    line = three.due()["0002.1"]
    assert (line["state"], line["ended"]) == (
        "ended",
        "the order ends on 2026-03-19, before the next dose on 2026-03-30",
    )
    assert "0002.1" in [one["order"] for one in three.run("due")["lines"]]
    three.at("2026-03-19 23:59")
    assert "0002.1" in three.due()
    three.at("2026-03-20 00:00")
    assert "0002.1" not in three.due()


def test_a_reading_that_is_needed_is_only_named_before_the_dose_opens_and_missing_once_it_is_open(ward: Ward) -> None:
    needs = [{"what": "glucose", "fresh": "1 hour", "withhold_below": "4 mmol/L"}]
    ward.run("formulary", "add", ward.file("medicine.json", {**CALVRANE, "needs": needs}))
    ward.patient("Quillon", "Asa", order_of("calvrane", "50 mg", schedule={"at": ["14:00"]}))

    def said() -> list[tuple[str, str]]:
        found = ward.due()["0001.1"]["findings"]
        return [(one["code"], one["severity"]) for one in found if one["code"].startswith("reading")]

    assert said() == [("reading-needed", "note")]
    ward.at("2026-03-02 13:00")
    assert said() == [("reading-missing", "stop")]
    ward.run("patient", "note", "0001", "--reading", "glucose=5.6 mmol/L")
    assert said() == []


def test_what_stands_in_the_way_of_an_open_dose_is_looked_at_again_on_each_new_day(ward: Ward) -> None:
    ward.run("formulary", "add", ward.file("medicine.json", {**CALVRANE, "consent": True}))
    ward.patient("Quillon", "Asa", order_of("calvrane", "50 mg", schedule={"every": "1 week", "late": "10 days"}))
    ward.run("patient", "note", "0001", "--consent-by", "Asa Quillon", "--consent-until", "2026-03-03")

    def codes() -> list[str]:
        return [one["code"] for one in ward.due()["0001.1"]["findings"]]

    ward.at("2026-03-03 23:59")
    assert "consent-ended" not in codes()
    ward.at("2026-03-04 00:00")
    assert "consent-ended" in codes()
    assert ward.due()["0001.1"]["state"] == "due"


def test_a_clock_that_was_set_back_brings_back_the_list_of_that_time(ward: Ward) -> None:
    ward.patient("Quillon", "Asa", order_of("calvrane", "50 mg", schedule={"at": ["08:00", "20:00"]}))
    ward.at("2026-03-02 08:30")
    before = ward.due()
    ward.at("2026-03-02 19:30")
    assert ward.due()["0001.1"]["due"]["planned"] == "2026-03-02T20:00:00+00:00"
    ward.at("2026-03-02 08:30")
    assert ward.due() == before
    # Asked for at another time, the list is worked out for that time and the kept one stays.
    line = ward.run("due", "--at", "2026-03-02 21:30")["lines"][0]
    assert (line["state"], line["due"]["planned"]) == ("late", "2026-03-02T20:00:00+00:00")
    assert ward.due(0) == before


@pytest.mark.parametrize(
    ("start", "schedule", "now", "moment"),
    [
        # London leaves out 01:00 to 02:00 on 29 March 2026 and shows it twice on 25 October 2026.
        ("2026-03-29", {"at": ["08:00"]}, "2026-03-29 07:30", "2026-03-29T07:00:00+00:00"),
        ("2026-03-29", {"at": ["01:30"]}, "2026-03-29 01:10", "2026-03-29T01:30:00+00:00"),
        ("2026-10-25", {"at": ["01:30"]}, "2026-10-25 00:10", "2026-10-25T00:30:00+00:00"),
        ("2026-10-25", {"at": ["08:00"]}, "2026-10-25 07:30", "2026-10-25T08:00:00+00:00"),
    ],
)
def test_where_the_clocks_change_a_time_of_day_is_what_the_places_clock_shows(
    ward: Ward, start: str, schedule: dict[str, Any], now: str, moment: str
) -> None:
    ward.patient("Quillon", "Asa", {**order_of("calvrane", "50 mg", schedule=schedule), "start": start})
    ward.at(now)
    line = ward.due()["0001.1"]
    assert line["state"] == "due"
    assert datetime.fromisoformat(line["due"]["planned"]) == datetime.fromisoformat(moment)


def test_24_hours_and_a_day_part_where_the_clocks_go_forward(ward: Ward) -> None:
    for schedule in ({"every": "24 hours"}, {"every": "1 day"}):
        ward.patient(f"Every{schedule['every'][:2].strip()}", "Asa", order_of("calvrane", "50 mg", schedule=schedule))
    ward.at("2026-03-28 09:00")
    for order in ("0001.1", "0002.1"):
        ward.run("plan", "--order", order, code=4)
        accept = ("--accept", "dose-late-no-rule=decided", "--accept", "dose-late-by-hours=decided")
        plan = ward.run("plan", "--order", order, *accept)["plan"]
        ward.run("given", plan, "--scan", "batch:CV1", "--given-by", "Petra")
    found = ward.due()
    # 24 hours after 09:00 winter time is 10:00 summer time; a day later is the whole of 29 March, of 23 hours.
    assert found["0001.1"]["due"]["planned"] == "2026-03-29T09:00:00+00:00"
    assert found["0002.1"]["due"]["opens"] == "2026-03-29T00:00:00+00:00"
    assert found["0002.1"]["due"]["closes"] == "2026-03-29T23:00:00+00:00"


def test_a_patient_who_is_looked_after_in_another_zone_is_due_by_the_clock_there(ward: Ward) -> None:
    ward.patient("Quillon", "Asa", order_of("calvrane", "50 mg", schedule={"at": ["08:00"]}, stop="2026-03-03"))
    ward.run("patient", "note", "0001", "--zone", "America/New_York")
    # 08:00 in New York is 13:00 UTC in winter. At 12:30 in London it has opened at 12:00.
    assert ward.due()["0001.1"]["due"]["planned"] == "2026-03-02T13:00:00+00:00"
    ward.at("2026-03-02 12:00")
    assert ward.due()["0001.1"]["state"] == "due"
    assert "planned 2026-03-02 08:00" in ward.text("due")
    # 3 March ends there at 05:00 UTC on 4 March.
    ward.at("2026-03-04 04:59")
    assert list(ward.due()) == ["0001.1"]
    ward.at("2026-03-04 05:00")
    assert list(ward.due()) == []


# --- the file beside the record -----------------------------------------------------------------------------------


def beside_of(ward: Ward) -> Path:
    return ward.record.with_name("record.sqlite-due")


def test_the_file_beside_is_readable_by_its_owner_only(three: Ward) -> None:
    path = beside_of(three)
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    path.chmod(0o644)
    three.run("due")
    assert stat.S_IMODE(path.stat().st_mode) == 0o600


def test_a_deleted_file_is_made_anew(three: Ward) -> None:
    three.shut()
    beside_of(three).unlink()
    three.open()
    three.due(4)
    three.shut()
    three.open()
    three.due(0)


@pytest.mark.parametrize("seed", range(12))
def test_a_damaged_file_is_never_believed_and_is_made_anew(three: Ward, seed: int) -> None:
    path, chance = beside_of(three), random.Random(seed)
    three.give("0001.1")
    wanted = three.due()
    three.shut()
    whole = path.read_bytes()
    # Everything, a part, or single bits: in the last case a day of a line may be another and still look like one.
    if seed % 3 == 0:
        path.write_bytes(chance.randbytes(len(whole)))
    elif seed % 3 == 1:
        start = chance.randrange(100, len(whole) - 2000)
        path.write_bytes(whole[:start] + chance.randbytes(2000) + whole[start + 2000 :])
    else:
        flipped = bytearray(whole)
        for _ in range(40):
            flipped[chance.randrange(len(whole))] ^= 1 << chance.randrange(8)
        path.write_bytes(flipped)
    three.open()
    assert three.due() == wanted
    three.shut()
    three.open()
    three.due(0)


def test_another_day_written_into_a_line_by_hand_is_not_believed(three: Ward) -> None:
    wanted = three.due()
    three.shut()
    with sqlite3.connect(beside_of(three)) as driver:
        driver.execute("UPDATE line SET text = replace(text, '2026-03-02', '2026-04-02')")
    driver.close()
    three.open()
    assert three.due() == wanted


def test_a_line_taken_out_of_the_file_is_missed(three: Ward) -> None:
    three.shut()
    with sqlite3.connect(beside_of(three)) as driver:
        driver.execute("DELETE FROM line WHERE key = '0002.1'")
    driver.close()
    three.open()
    assert "0002.1" in three.due()


def copied(source: Path, target: Path) -> None:
    """A record put in the place of another one, its log written back first."""
    for path in (source, target):
        if path.exists():
            Store.open(path).close()
    shutil.copy(source, target)


def test_the_file_of_another_record_is_not_read(three: Ward, tmp_path: Path) -> None:
    other = Ward(tmp_path / "other.sqlite")
    three.shut()
    other.run("policy", "use", "uk", "--zone", "Europe/London")
    other.run("formulary", "add", other.file("medicine.json", CALVRANE))
    other.open()
    for family in ("Somebody", "Else", "Entirely"):
        other.patient(family, "Kay", WEEKLY)
    assert len(other.due()) == 3
    other.shut()
    shutil.copy(beside_of(three), other.record.with_name("other.sqlite-due"))
    other.open()
    assert [line["family"] for line in other.due().values()] == ["Else", "Entirely", "Somebody"]
    other.shut()
    three.open()


def test_an_older_copy_of_the_record_beside_a_newer_list_is_seen_by_its_chain(three: Ward) -> None:
    three.shut()
    copy = three.record.with_name("copy.sqlite")
    copied(three.record, copy)
    three.open()
    three.give("0001.1")
    three.give("0002.1")
    assert planned(three.due()["0002.1"]) == "early 2026-03-30"
    three.shut()
    copied(copy, three.record)
    three.open()
    assert planned(three.due()["0002.1"]) == "due 2026-03-02"
    # Now a list that knows more facts than there are, and one that knows as many, but others.
    three.give("0001.1")
    three.due()
    kept, (known, _) = beside_of(three).read_bytes(), three.store.position()
    three.shut()
    copied(copy, three.record)
    three.open()
    three.give("0003.1", "CV1")
    assert three.store.position()[0] == known
    three.shut()
    beside_of(three).write_bytes(kept)
    three.open()
    found = three.due()
    assert planned(found["0001.1"]) == "due 2026-03-02"
    assert planned(found["0003.1"]) == "early 2026-03-09"


def test_a_folder_that_may_not_be_written_to_costs_time_but_no_line(
    three: Ward, monkeypatch: pytest.MonkeyPatch
) -> None:
    three.shut()
    beside_of(three).unlink()

    def refused(*_: object) -> int:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("drawup.record.beside.os.open", refused)
    three.open()
    assert len(three.lines(three.book)) == 4
    assert three.lines(three.book) == three.afresh()
    assert not beside_of(three).exists()


def test_a_file_that_may_only_be_read_is_read_and_left_as_it_is(three: Ward, monkeypatch: pytest.MonkeyPatch) -> None:
    three.shut()
    path, connect = beside_of(three), sqlite3.connect

    def only_reading(name: Any, **more: Any) -> sqlite3.Connection:
        found: sqlite3.Connection = (
            connect(f"file:{name}?mode=ro", uri=True, **more) if name == path else connect(name, **more)
        )
        return found

    monkeypatch.setattr("drawup.record.beside.sqlite3.connect", only_reading)
    before, three.planned = path.read_bytes(), 0
    three.open()
    assert len(three.lines(three.book)) == 4
    assert three.planned == 0, "it was read"
    three.give("0001.1")
    assert three.lines(three.book) == three.afresh()
    assert path.read_bytes() == before


def test_a_folder_that_has_the_files_name_costs_no_line(three: Ward) -> None:
    three.shut()
    beside_of(three).unlink()
    beside_of(three).mkdir()
    three.open()
    assert len(three.lines(three.book)) == 4
    three.shut()
    beside_of(three).rmdir()
    three.open()


def test_a_list_for_another_time_makes_no_file(three: Ward) -> None:
    three.shut()
    beside_of(three).unlink()
    three.run("due", "--at", "2026-03-09 09:00")
    assert not beside_of(three).exists()
    three.open()


def test_two_lists_kept_open_at_once_never_lose_what_the_other_wrote(three: Ward) -> None:
    # Both know the record as it is; each is then brought up to date in turn, and once one comes late.
    second = DueBook(three.store)
    three.lines(second)
    three.give("0001.1")
    three.lines(three.book)
    three.give("0002.1")
    three.lines(second)
    three.give("0003.1", "CV1")
    three.due()
    three.run("order", "stop", "0003.1", "--on", "2026-03-02", "--reason", "ended")
    three.lines(second)
    _noted("--weight", "70 kg")(three)
    found = three.due()
    assert list(found) == ["0001.2", "0002.1", "0001.1"]
    second.close()


def test_a_file_that_was_locked_for_a_while_is_caught_up_in_the_whole(
    three: Ward, monkeypatch: pytest.MonkeyPatch
) -> None:
    three.shut()
    monkeypatch.setattr("drawup.record.beside._WAIT_SECONDS", 0)
    three.open()
    three.due(0)
    blocker = sqlite3.connect(beside_of(three), isolation_level=None)
    blocker.execute("BEGIN IMMEDIATE")
    three.give("0001.1")
    assert planned(three.lines(three.book)["0001.1"]) == "early 2026-03-30"
    blocker.execute("ROLLBACK")
    blocker.close()
    # What could not be kept then is kept with the next fact, which touches somebody else.
    three.give("0002.1")
    found = three.due(1)
    assert planned(found["0001.1"]) == planned(found["0002.1"]) == "early 2026-03-30"


def test_several_processes_work_the_list_out_at_once_and_all_of_them_say_the_same(three: Ward) -> None:
    for number in range(20):
        three.patient(f"Person{number}", "Lis", DEPOT)
    three.shut()
    beside_of(three).unlink()
    command = [sys.executable, "-m", "drawup", "--record", str(three.record), "due", "--all", "--json"]
    both = [subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=os.environ) for _ in range(4)]
    answers = [(process.communicate(timeout=60)[0], process.returncode) for process in both]
    assert [code for _, code in answers] == [0, 0, 0, 0]
    lists = [json.loads(text)["lines"] for text, _ in answers]
    assert len(lists[0]) == 24
    assert all(one == lists[0] for one in lists)
    # What they left behind is what the next one reads, by the same true clock.
    again = subprocess.run(command, capture_output=True, text=True, timeout=60, check=True)
    afresh = subprocess.run([*command, "--afresh"], capture_output=True, text=True, timeout=60, check=True)
    assert json.loads(again.stdout)["lines"] == json.loads(afresh.stdout)["lines"] == lists[0]
    three.open()
