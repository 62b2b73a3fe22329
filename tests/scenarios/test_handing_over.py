"""What the next person must know of a place. All people, places and medicines are invented; times worked by hand."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pytest
from tests.scenarios.conftest import Clinic

# An invented medicine that is watched after: every 15 minutes for 2 hours, breathing at least 10 a minute.
WATCHED: dict[str, Any] = {
    "name": "quellamor",
    "routes": ["subcutaneous"],
    "presentations": [{"strength": "10 mg/mL", "volume": "1 mL", "container": "ampoule", "gtin": "09501101530089"}],
    "watch": {
        "what": ["breathing rate"],
        "every": "15 minutes",
        "for": "2 hours",
        "limits": [{"what": "breathing rate", "below": "10", "unit": "a minute"}],
        "then": "Tell the prescriber at once.",
    },
}
CODE = "(01)09501101530089(17)290430(10)QM7"
WHEN_NEEDED: dict[str, Any] = {
    "medicine": "quellamor",
    "route": "subcutaneous",
    "dose": {"amount": "2.5 mg"},
    "start": "2026-03-01",
    "schedule": {"when_needed": True, "least_interval": "4 hours", "at_most_doses": 4},
}


@pytest.fixture
def ward(clinic: Clinic) -> Clinic:
    """One patient on Kelp Ward with a when-needed order, and the ampoules for it."""
    clinic.run("formulary", "add", clinic.file("quellamor.json", WATCHED))
    person = ("--family", "Wetherby-Aziz", "--given", "Lachlan", "--born", "1951-01-30", "--place", "Kelp Ward")
    clinic.run("patient", "add", *person)
    clinic.run("patient", "note", "0001", "--allergy", "none known", "--no-earlier-doses")
    clinic.run("order", "add", "0001", clinic.file("order.json", WHEN_NEEDED))
    clinic.run("stock", "receive", CODE, "--count", "5")
    return clinic


def at(clinic: Clinic, hour: int, minute: int) -> None:
    clinic.now = datetime(2026, 3, 2, hour, minute, tzinfo=UTC)


def give(clinic: Clinic, *more: str) -> str:
    plan = clinic.run("plan", "--order", "0001.1", "--scan", CODE)["plan"]
    entry: str = clinic.run("given", plan, "--scan", CODE, "--given-by", "Petra", *more)["entry"]
    return entry


def handed_over(clinic: Clinic, place: str = "Kelp Ward") -> Any:
    return clinic.run("handover", "--place", place)


def test_nothing_is_handed_over_of_a_place_where_nothing_happened(ward: Clinic) -> None:
    found = handed_over(ward)
    assert [found[key] for key in ("watched", "half_done", "waiting", "late", "next")] == [[], [], [], [], []]


def test_who_is_watched_is_handed_over_with_the_next_look_and_the_end(ward: Clinic) -> None:
    give(ward)
    at(ward, 9, 5)
    (watched,) = handed_over(ward)["watched"]
    # Given at 09:00: the first look 15 minutes later, the end 2 hours later.
    assert "next look 2026-03-02 09:15, until 2026-03-02 11:00" in watched["words"]
    assert not watched["overdue"]
    at(ward, 9, 16)
    assert handed_over(ward)["watched"][0]["overdue"]


def test_a_figure_outside_its_limits_is_handed_over_with_what_to_do(ward: Clinic) -> None:
    entry = give(ward)
    at(ward, 9, 15)
    ward.run("watch", entry, "--seen", "breathing rate=9 a minute", "--by", "Ann")
    (watched,) = handed_over(ward)["watched"]
    assert "OUTSIDE ITS LIMITS" in watched["words"]
    assert "Tell the prescriber at once." in watched["words"]


def test_a_watch_that_somebody_signed_as_ended_is_not_handed_over(ward: Clinic) -> None:
    entry = give(ward)
    at(ward, 11, 0)
    ward.run("watch", entry, "--end", "--by", "Ann")
    assert handed_over(ward)["watched"] == []


def test_whether_a_when_needed_dose_helped_is_half_done_until_somebody_says(ward: Clinic) -> None:
    entry = give(ward)
    # The policy asks after 30 minutes.
    assert "ask from 2026-03-02 09:30 whether it helped" in handed_over(ward)["half_done"][0]["words"]
    at(ward, 9, 30)
    assert "ask now whether it helped" in handed_over(ward)["half_done"][0]["words"]
    ward.run("helped", entry, "yes", "--by", "Ann")
    assert handed_over(ward)["half_done"] == []


def test_a_syringe_that_was_set_down_is_half_done_until_it_is_given(ward: Clinic) -> None:
    plan = ward.run("plan", "--order", "0001.1", "--scan", CODE)["plan"]
    ward.run("drawn-up", plan, "--scan", CODE, "--by", "Petra")
    at(ward, 9, 25)
    (syringe,) = handed_over(ward)["half_done"]
    assert "drawn up 2026-03-02 09:00 by Petra, 25 minutes ago" in syringe["words"]
    ward.run("given", plan, "--scan", CODE, "--given-by", "Petra")
    assert "drawn up" not in str(handed_over(ward)["half_done"])


def test_a_signature_that_must_follow_a_spoken_order_waits_also_when_the_dose_was_given(ward: Clinic) -> None:
    spoken = {
        **WHEN_NEEDED,
        "schedule": {"once": True},
        "authority": "spoken order",
        "prescriber": "Dr Solvei (invented)",
        "read_back_by": "Petra",
    }
    ward.run("order", "add", "0001", ward.file("spoken.json", spoken))
    (waiting,) = handed_over(ward)["waiting"]
    # Entered at 09:00; the policy's 24 hours.
    assert "the prescriber's signature until 2026-03-03 09:00" in waiting["words"]
    ward.now = datetime(2026, 3, 3, 9, 1, tzinfo=UTC)
    assert handed_over(ward)["waiting"][0]["words"].startswith("LATE: ")
    ward.run("order", "sign", "0001.2", "--by", "Dr Solvei (invented)")
    assert handed_over(ward)["waiting"] == []


def test_a_next_try_at_the_door_waits_for_somebody(ward: Clinic) -> None:
    ward.run("contact", "0001.1", "no answer", "--by", "Petra", "--next-try", "2026-03-02 14:00")
    (waiting,) = handed_over(ward)["waiting"]
    assert "no answer 2026-03-02 09:00, by Petra; next try 2026-03-02 14:00" in waiting["words"]


def test_another_place_is_not_handed_over(ward: Clinic) -> None:
    give(ward)
    person = ("--family", "Vale", "--given", "Oona", "--born", "1988-03-01", "--place", "Lantern Clinic")
    ward.run("patient", "add", *person)
    found = handed_over(ward, "Lantern Clinic")
    assert [found[key] for key in ("watched", "half_done", "waiting", "late", "next")] == [[], [], [], [], []]


def test_a_refused_dose_waits_with_its_next_try_until_it_is_given(ward: Clinic) -> None:
    more = ("--could-decide", "yes", "--by", "Petra", "--next-try", "2026-03-02 14:00")
    ward.run("not-given", "0001.1", "--reason", "refused", *more)
    (waiting,) = handed_over(ward)["waiting"]
    assert "not given: refused 2026-03-02 09:00, by Petra; next try 2026-03-02 14:00" in waiting["words"]
    at(ward, 14, 0)
    give(ward)
    assert handed_over(ward)["waiting"] == []
