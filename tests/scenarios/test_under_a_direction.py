"""Many patients under one direction: who may, who is covered, what was asked, and what must follow.

The direction, the vaccine, the places and all people are invented.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pytest
from tests.scenarios.conftest import Clinic

PENDRY: dict[str, Any] = {
    "name": "pendry vaccine",
    "routes": ["intramuscular"],
    "ask": ["unwell", "earlier reaction"],
    "presentations": [{"strength": "60 micrograms/mL", "volume": "0.5 mL", "container": "prefilled syringe",
                       "gtin": "09501101530089"}],
}  # fmt: skip
DIRECTION: dict[str, Any] = {
    "kind": "group direction",
    "reference": "QD-7",
    "version": "1",
    "from": "2026-01-01",
    "until": "2026-03-31",
    "staff": ["Mairi Example, midwife", "Owen Example, nurse"],
    "include": ["adult who asked for it"],
    "exclude": ["fever over 38"],
    "order": {"medicine": "pendry vaccine", "route": "intramuscular", "dose": {"amount": "30 micrograms"}},
}
ASKED = {"adult who asked for it": "yes", "fever over 38": "no", "unwell": "no", "earlier reaction": "no"}


@pytest.fixture
def quay(clinic: Clinic) -> Clinic:
    """The direction QD-7 is kept, and four adults are registered."""
    clinic.run("formulary", "add", clinic.file("medicine.json", PENDRY))
    clinic.run("stock", "receive", "(01)09501101530089(17)290430(10)PV1", "--count", "60")
    clinic.run("authority", "add", clinic.file("direction.json", DIRECTION), "--by", "A. Pharmacist")
    for given in ("Asa", "Bea", "Col", "Dov"):
        register(clinic, given)
    return clinic


def register(clinic: Clinic, given: str, family: str = "Quillon") -> str:
    person = ("--family", f"{family}-{given}", "--given", given, "--born", "1974-05-03")
    number = str(clinic.run("patient", "add", *person)["patient"])
    clinic.run("patient", "note", number, "--allergy", "none known", "--no-earlier-doses")
    return number


def opened(clinic: Clinic, by: str = "Mairi Example", code: int = 0) -> Any:
    return clinic.run("session", "open", "--under", "QD-7", "--place", "Quay Practice", "--by", by, code=code)


def accept(clinic: Clinic, patient: str, *more: str, by: str = "Mairi Example", code: int = 0) -> Any:
    return clinic.run("session", "accept", "0001", patient, *more, "--by", by, code=code)


def message(answer: Any) -> str:
    return str(answer["error"]["message"])


def codes(plan: Any, severity: str) -> list[str]:
    return [one["code"] for one in plan["findings"] if one["severity"] == severity]


def test_a_direction_is_found_again_and_its_session_says_what_each_patient_is_asked(quay: Clinic) -> None:
    (kept,) = quay.run("authority", "list")
    assert (kept["authority"]["reference"], kept["order"]["dose"]) == ("QD-7", {"amount": "30 micrograms"})
    session = opened(quay)
    assert session["session"] == "0001"
    assert {one["question"]: one["needs"] for one in session["questions"]} == ASKED


def test_all_clear_makes_the_order_with_the_direction_in_it_and_the_day_needs_no_more_answers(quay: Clinic) -> None:
    opened(quay)
    order = accept(quay, "0001", "--all-clear")["order"]
    (held,) = quay.run("order", "list", "--patient", "0001")
    rule = held["order"]
    assert (held["id"], held["session"], held["by"]) == (order, "0001", "Mairi Example")
    assert rule["authority"] == {key: value for key, value in DIRECTION.items() if key != "order"}
    # One dose, on the day on which the patient was accepted.
    assert (rule["start"], rule["stop"], rule["schedule"]) == ("2026-03-02", "2026-03-02", {"once": True})
    plan = quay.run("plan", "--order", order)
    assert plan["dose"] == {"amount": "30", "unit": "microgram"}
    given = quay.run("given", plan["plan"], "--scan", "batch:PV1", "--given-by", "Owen Example")
    assert given["kind"] == "given"
    assert [one["state"] for one in quay.run("due", "--all")["lines"]] == ["ended"]
    quay.now = datetime(2026, 3, 3, 9, 0, tzinfo=UTC)
    assert "order-ended" in codes(quay.run("plan", "--order", order, code=3), "stop")


@pytest.mark.parametrize(
    ("answer", "says"),
    [
        ("fever over 38=yes: 38.4 at the door", "(38.4 at the door)"),
        ("adult who asked for it=no", "adult who asked for it"),
        ("earlier reaction=yes", "earlier reaction"),
    ],
)
def test_whom_the_direction_does_not_cover_gets_no_order_and_the_answers_are_kept(
    quay: Clinic, answer: str, says: str
) -> None:
    opened(quay)
    turned = accept(quay, "0001", "--answer", answer, "--all-clear", code=3)
    assert turned["order"] is None
    assert any(says in one for one in turned["why"])
    assert quay.run("order", "list", "--patient", "0001") == []
    (session,) = quay.run("session", "list")
    assert [one["patient"] for one in session["not_accepted"]] == ["0001"]
    assert session["accepted"] == []
    # The answers stand in the patient's record: with a prescription of the same day the question is not open.
    order = {
        **DIRECTION["order"],
        "start": "2026-03-02",
        "authority": {"kind": "prescription", "exclude": ["fever over 38"]},
    }
    quay.run("order", "add", "0001", quay.file("order.json", order))
    assert "question-not-asked" not in codes(quay.run("plan", "--order", "0001.1", code=_code_of(answer)), "ask")


def _code_of(answer: str) -> int:
    """An exclusion of the authority is a stop, a yes to the label's own question goes to the prescriber."""
    return {"fever": 3, "adult": 0, "earli": 4}[answer[:5]]


def test_asked_again_on_the_same_day_with_other_answers_a_patient_may_be_covered(quay: Clinic) -> None:
    opened(quay)
    accept(quay, "0001", "--answer", "fever over 38=yes", "--all-clear", code=3)
    quay.now = datetime(2026, 3, 2, 11, 0, tzinfo=UTC)
    order = accept(quay, "0001", "--answer", "fever over 38=no: 37.1 twice", "--all-clear")["order"]
    assert quay.run("plan", "--order", order)["dose"]["amount"] == "30"
    assert "was accepted in this session already: order 0001.1" in message(accept(quay, "0001", "--all-clear", code=2))


def test_every_question_is_answered_or_said_to_be_clear_and_no_other_is_taken(quay: Clinic) -> None:
    opened(quay)
    assert 'not answered: "adult who asked for it"' in message(accept(quay, "0001", code=2))
    told = ("--answer", "adult who asked for it=yes", "--answer", "unwell=no")
    assert 'not answered: "fever over 38"' in message(accept(quay, "0001", *told, code=2))
    assert "is not asked here" in message(accept(quay, "0001", "--answer", "left handed=no", "--all-clear", code=2))
    assert "expected QUESTION=yes" in message(accept(quay, "0001", "--answer", "unwell=maybe", code=2))
    assert quay.run("order", "list", "--patient", "0001") == []
    (session,) = quay.run("session", "list")
    assert (session["accepted"], session["not_accepted"]) == ([], [])


def test_somebody_whom_the_direction_does_not_name_neither_opens_nor_accepts_nor_gives(quay: Clinic) -> None:
    assert "Rhys Example is not among them" in message(opened(quay, by="Rhys Example", code=2))
    opened(quay, by="owen example")
    assert "is not among them" in message(accept(quay, "0001", "--all-clear", by="Rhys Example", code=2))
    order = accept(quay, "0001", "--all-clear", by="Mairi Example (midwife)")["order"]
    plan = quay.run("plan", "--order", order)["plan"]
    blocked = quay.run("given", plan, "--scan", "batch:PV1", "--given-by", "Rhys Example", code=3)["blocked"]
    assert [one["code"] for one in blocked if one["severity"] == "stop"] == ["authority-not-for"]
    assert "Rhys Example" in blocked[0]["message"]
    # What happened all the same can be written, and stands for review.
    entry = quay.run("given", plan, "--scan", "batch:PV1", "--given-by", "Rhys Example", "--anyway")
    assert "given-against-stop" in entry["body"]["review"]


def test_under_a_direction_that_may_be_delegated_another_may_accept_and_give(quay: Clinic) -> None:
    newer = {**DIRECTION, "version": "2", "delegable": True}
    quay.run("authority", "add", quay.file("direction.json", newer), "--by", "A. Pharmacist")
    opened(quay, by="Rhys Example")
    order = accept(quay, "0001", "--all-clear", by="Rhys Example")["order"]
    plan = quay.run("plan", "--order", order)["plan"]
    assert quay.run("given", plan, "--scan", "batch:PV1", "--given-by", "Rhys Example")["kind"] == "given"


def test_a_direction_holds_from_its_first_to_its_last_day(quay: Clinic) -> None:
    quay.now = datetime(2025, 12, 31, 23, 59, tzinfo=UTC)
    assert "holds from 2026-01-01" in message(opened(quay, code=2))
    quay.now = datetime(2026, 3, 31, 22, 59, tzinfo=UTC)
    opened(quay)
    order = accept(quay, "0001", "--all-clear")["order"]
    assert codes(quay.run("plan", "--order", order), "stop") == []
    # London has summer time: 23:00 UTC is midnight, and 1 April.
    quay.now = datetime(2026, 3, 31, 23, 0, tzinfo=UTC)
    assert "ended on 2026-03-31" in message(opened(quay, code=2))
    assert "ended on 2026-03-31" in message(accept(quay, "0002", "--all-clear", code=2))
    assert "authority-ended" in codes(quay.run("plan", "--order", order, code=3), "stop")


def test_a_newer_version_ends_the_sessions_under_the_one_before(quay: Clinic) -> None:
    opened(quay)
    accept(quay, "0001", "--all-clear")
    newer = {**DIRECTION, "version": "2", "exclude": ["fever over 38", "pregnant"]}
    quay.run("authority", "add", quay.file("direction.json", newer), "--by", "A. Pharmacist")
    assert "a newer version of the group direction QD-7, version 2" in message(
        accept(quay, "0002", "--all-clear", code=2)
    )
    second = opened(quay)
    assert second["session"] == "0002"
    assert "pregnant" in [one["question"] for one in second["questions"]]
    order = quay.run("session", "accept", "0002", "0002", "--all-clear", "--by", "Mairi Example")["order"]
    (held,) = quay.run("order", "list", "--patient", "0002")
    assert (held["id"], held["order"]["authority"]["version"]) == (order, "2")


def test_nobody_is_accepted_in_a_session_that_is_closed(quay: Clinic) -> None:
    opened(quay)
    accept(quay, "0001", "--all-clear")
    accept(quay, "0002", "--answer", "fever over 38=yes", "--all-clear", code=3)
    closed = quay.run("session", "close", "0001", "--by", "Mairi Example")
    assert (closed["accepted"], closed["not_accepted"]) == (1, 1)
    assert "is closed" in message(accept(quay, "0003", "--all-clear", code=2))
    assert "closed by Mairi Example already" in message(
        quay.run("session", "close", "0001", "--by", "Mairi Example", code=2)
    )
    assert "no session" in message(quay.run("session", "close", "0007", "--by", "Mairi Example", code=2))


def test_what_must_follow_is_asked_for_until_it_is_done(quay: Clinic) -> None:
    standing = {
        **DIRECTION,
        "kind": "standing order",
        "reference": "QD-9",
        "must_follow": "a countersignature by the doctor",
        "within": "3 days",
    }
    quay.run("authority", "add", quay.file("direction.json", standing), "--by", "A. Pharmacist")
    quay.run("session", "open", "--under", "QD-9", "--by", "Mairi Example")
    order = accept(quay, "0001", "--all-clear")["order"]
    plan = quay.run("plan", "--order", order)
    (note,) = [one for one in plan["findings"] if one["code"] == "signature-outstanding"]
    # Made on Monday 2 March: three days are until 5 March ends.
    assert "a countersignature by the doctor" in note["message"]
    assert "2026-03-06 00:00" in note["message"]
    late = quay.run("plan", "--order", order, "--at", "2026-03-06 00:01", code=3)
    assert "signature-late" in codes(late, "ask")
    quay.run("order", "sign", order, "--by", "Dr Ashdown")
    assert "signature-outstanding" not in codes(quay.run("plan", "--order", order), "note")


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"reference": " "}, "authority.reference"),
        ({"order": None}, "order"),
        ({"order": {**DIRECTION["order"], "authority": "prescription"}}, "order.authority"),
        ({"until": "2025-12-31"}, "authority.until"),
        ({"include": ["fever over 38"]}, "authority.exclude"),
        ({"must_follow": "a signature"}, "authority.within"),
        ({"order": {**DIRECTION["order"], "dose": {"amount": "30 drops"}}}, "order.dose.amount"),
        ({"colour": "blue"}, "authority.colour"),
    ],
)
def test_a_direction_that_could_not_be_used_is_refused_with_what_is_wrong(
    quay: Clinic, changes: dict[str, Any], field: str
) -> None:
    entry = {key: value for key, value in {**DIRECTION, **changes}.items() if value is not None}
    refused = quay.run("authority", "add", quay.file("direction.json", entry), "--by", "A. Pharmacist", code=2)
    assert refused["error"]["field"] == field
    assert len(quay.run("authority", "list")) == 1


def test_forty_patients_are_accepted_under_one_direction_with_one_command_each(quay: Clinic) -> None:
    patients = ["0001", "0002", "0003", "0004", *(register(quay, f"Lis{number}", "Walk") for number in range(36))]
    assert len(patients) == 40
    opened(quay)
    orders = [accept(quay, patient, "--all-clear")["order"] for patient in patients]
    assert orders == [f"{patient}.1" for patient in patients]
    closed = quay.run("session", "close", "0001", "--by", "Mairi Example")
    assert (closed["accepted"], closed["not_accepted"]) == (40, 0)
    due = quay.run("due")["lines"]
    assert sorted(one["order"] for one in due) == orders
    assert {one["state"] for one in due} == {"due"}
    assert [one for line in due for one in line["findings"] if one["severity"] != "note"] == []
