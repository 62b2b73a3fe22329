"""Forty booked for Pendry vaccine from shared vials: how long an opened vial may be used, and who had which.

Of the story's numbers those of packing are not here yet: that a vial of 5.7 mL yields 9 doses with 0.084 mL lost each
time, 11 with low-loss equipment and 10 by its label, how many vials are opened, the fifth that would be opened for one
person, and two vaccinators at one vial's last dose. Nor does the record know yet when a session ends: that limit is
told with the container. Here each vial is a batch of its own. All people, places and medicines are invented.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from tests.scenarios.conftest import Answered, Clinic

GTIN = "09501101530027"
PENDRY: dict[str, Any] = {
    "name": "pendry vaccine",
    "routes": ["intramuscular"],
    "sites": ["deltoid"],
    "ask": ["unwell"],
    "presentations": [
        {
            "strength": "60 micrograms/mL",
            "volume": "5.7 mL",
            "container": "vial",
            "dose_kind": "multi",
            "label_doses": 10,
            "in_use": "6 hours",
            "gtin": GTIN,
        }
    ],
}
# 0.5 mL of 60 micrograms/mL.
ORDER: dict[str, Any] = {
    "medicine": "pendry vaccine",
    "route": "intramuscular",
    "dose": {"amount": "30 micrograms"},
}
SESSION_ENDS = "2026-03-02T15:30:00+00:00"


@pytest.fixture
def at_the_door(ask: Callable[[dict[str, Any]], Answered]) -> Callable[..., Answered]:
    """A plan for a walk-in at a time, from a vial that was opened at a time, in a session until 15:30."""

    def answered(time: str, opened: str, *, ends: str | None = SESSION_ENDS) -> Answered:
        vial = {"gtin": GTIN, "batch": "PV1", "expiry_date": "2027-04-30", "opened": f"2026-03-02T{opened}:00+00:00"}
        return ask(
            {
                "format": 1,
                "now": f"2026-03-02T{time}:00+00:00",
                "patient": {"sex": "female", "born": "1974-05-03", "allergies": "none known"},
                "order": {**ORDER, "start": "2026-03-02"},
                "medicine": {key: value for key, value in PENDRY.items() if key != "ask"},
                "history": [],
                "container": {**vial, "session_ends": ends} if ends else vial,
            }
        )

    return answered


def test_the_vial_opened_at_09_05_ends_six_hours_later_and_that_is_before_the_session(
    at_the_door: Callable[..., Answered],
) -> None:
    answered = at_the_door("09:10", "09:05")
    assert answered["volume_ml"]["mark"] == "0.5"
    assert "2026-03-02 15:05" in answered.finding("last-usable-moment")["message"]
    assert at_the_door("15:05", "09:05").exit_code == 0
    assert at_the_door("15:06", "09:05").codes("stop") == ["in-use-passed"]


def test_the_vial_opened_at_14_20_ends_with_the_session_and_a_walk_in_at_15_31_is_stopped(
    at_the_door: Callable[..., Answered],
) -> None:
    assert "2026-03-02 15:30" in at_the_door("14:30", "14:20").finding("last-usable-moment")["message"]
    assert at_the_door("15:30", "14:20").exit_code == 0
    walk_in = at_the_door("15:31", "14:20")
    assert walk_in.codes("stop") == ["in-use-passed"]
    assert "2026-03-02 15:30" in walk_in.finding("in-use-passed")["message"]
    assert walk_in.exit_code == 3
    # Without a session it is six hours: 20:20.
    assert "2026-03-02 20:20" in at_the_door("15:31", "14:20", ends=None).finding("last-usable-moment")["message"]


VIALS = {"PVA": "09:05", "PVB": "10:40", "PVC": "12:30", "PVD": "14:20"}


def test_forty_are_booked_thirty_seven_come_and_each_vial_finds_its_people(clinic: Clinic) -> None:
    clinic.run("formulary", "add", clinic.file("pendry.json", PENDRY))
    for batch in VIALS:
        clinic.run("stock", "receive", f"(01){GTIN}(17)270430(10){batch}", "--count", "1")
    direction = {"kind": "group direction", "reference": "PGD-3", "staff": ["Mairi Example"], "order": ORDER}
    clinic.run("authority", "add", clinic.file("direction.json", direction), "--by", "A. Pharmacist")
    for number in range(40):
        person = ("--family", f"Walk{number}", "--given", "Lis", "--born", "1974-05-03", "--place", "Lantern Clinic")
        patient = clinic.run("patient", "add", *person)["patient"]
        clinic.run("patient", "note", patient, "--allergy", "none known", "--no-earlier-doses")
    clinic.run("session", "open", "--under", "PGD-3", "--place", "Lantern Clinic", "--by", "Mairi Example")
    had: dict[str, list[str]] = {batch: [] for batch in VIALS}
    for number in range(37):
        batch = list(VIALS)[number // 10]
        opened = datetime.fromisoformat(f"2026-03-02T{VIALS[batch]}").replace(tzinfo=UTC)
        clinic.now = opened + timedelta(minutes=6 * (number % 10))
        if number % 10 == 0:
            clinic.run("stock", "change", batch, "opened", "--by", "Mairi Example")
        patient = f"{number + 1:04d}"
        order = clinic.run("session", "accept", "0001", patient, "--all-clear", "--by", "Mairi Example")["order"]
        plan = clinic.run("plan", "--order", order, "--scan", f"batch:{batch}")["plan"]
        clinic.run("given", plan, "--scan", f"batch:{batch}", "--given-by", "Mairi Example")
        had[batch].append(patient)
    closed = clinic.run("session", "close", "0001", "--by", "Mairi Example")
    assert (closed["accepted"], closed["not_accepted"]) == (37, 0)
    # Ten from each of three vials and seven from the last: four vials, each taken out of stock once.
    assert clinic.stock() == {"PVA": 0, "PVB": 0, "PVC": 0, "PVD": 0}
    traced = {batch: [one["patient"] for one in clinic.run("trace", "--batch", batch)] for batch in VIALS}
    assert traced == had
    assert [len(people) for people in traced.values()] == [10, 10, 10, 7]
    assert len({patient for people in traced.values() for patient in people}) == 37
    # The three who did not come have no order: nothing of theirs is due or left over.
    assert clinic.run("due")["lines"] == []
    # Long after the six hours the first vial is shut, whatever is left in it.
    clinic.now = datetime(2026, 3, 2, 15, 6, tzinfo=UTC)
    clinic.run("session", "open", "--under", "PGD-3", "--place", "Lantern Clinic", "--by", "Mairi Example")
    order = clinic.run("session", "accept", "0002", "0038", "--all-clear", "--by", "Mairi Example")["order"]
    late = clinic.run("plan", "--order", order, "--scan", "batch:PVA", code=3)
    (stop,) = [one for one in late["findings"] if one["severity"] == "stop"]
    assert (stop["code"], "2026-03-02 15:05" in stop["message"]) == ("in-use-passed", True)
    assert clinic.run("plan", "--order", order, "--scan", "batch:PVD")["volume_ml"]["mark"] == "0.5"
