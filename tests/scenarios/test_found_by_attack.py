"""What somebody found who tried to get past it: each way round, and that it is shut.

All people, places, medicines, directions and codes are invented; times and days are worked by hand.
"""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from tests.scenarios.conftest import Clinic

from drawup.cli.main import Desk, drawup
from drawup.exchange.reader import FieldError
from drawup.exchange.request import read_request
from drawup.injection.order import Order, check_order
from drawup.record.store import Store
from drawup.service.not_given import NOT_GIVEN_REASONS
from drawup.service.withheld import SAFETY_REASONS

CALVRANE: dict[str, Any] = {
    "name": "calvrane",
    "routes": ["intramuscular"],
    "ask": ["unwell"],
    "presentations": [{"strength": "50 mg/mL", "volume": "1 mL", "container": "ampoule", "gtin": "09501101530089"}],
}
AMPOULE = "(01)09501101530089(17)290430(10)CV1"
TERMS: dict[str, Any] = {
    "kind": "group direction",
    "reference": "QD-7",
    "version": "1",
    "until": "2026-03-31",
    "staff": ["Mairi Example"],
    "exclude": ["fever over 38"],
}
ALLOWED: dict[str, Any] = {"medicine": "calvrane", "route": "intramuscular", "dose": {"amount": "25 mg"}}
ORDER: dict[str, Any] = {**ALLOWED, "start": "2026-03-02", "prescriber": "Dr Ashdown"}
SPOKEN: dict[str, Any] = {**ORDER, "authority": "spoken order", "schedule": {"once": True}}
MAIRI = ("--by", "Mairi Example")
PETRA = ("--by", "Petra Example")


@pytest.fixture
def ward(clinic: Clinic) -> Clinic:
    """One patient, ampoules of calvrane, and the direction QD-7 in its first version."""
    clinic.run("formulary", "add", clinic.file("calvrane.json", CALVRANE))
    clinic.run("stock", "receive", AMPOULE, "--count", "9")
    clinic.run("patient", "add", "--family", "Quillon-Example", "--given", "Asa", "--born", "1974-05-03")
    clinic.run("patient", "note", "0001", "--allergy", "none known", "--no-earlier-doses")
    keep(clinic)
    return clinic


def keep(ward: Clinic, code: int = 0, **changes: Any) -> Any:
    entry = {**TERMS, "order": ALLOWED, **changes}
    return ward.run("authority", "add", ward.file("direction.json", entry), "--by", "Odile Example", code=code)


def enter(ward: Clinic, order: dict[str, Any], *more: str, code: int = 0) -> Any:
    return ward.run("order", "add", "0001", ward.file("order.json", order), *more, code=code)


def clear(ward: Clinic, order: str = "0001.1") -> None:
    ward.run("questions", order, "--all-clear", *MAIRI)


def at(ward: Clinic, hour: int, minute: int = 0, day: int = 2) -> None:
    """A time in March 2026; London is on Greenwich time until the 29th."""
    ward.now = datetime(2026, 3, day, hour, minute, tzinfo=UTC)


def message(answer: Any) -> str:
    return str(answer["error"]["message"])


def found(answer: Any, severity: str = "ask", key: str = "findings") -> dict[str, Any]:
    return {one["code"]: one for one in answer[key] if one["severity"] == severity}


def said(ward: Clinic, *arguments: str) -> str:
    """What a command shows to a person."""
    desk = Desk(record=ward.record, clock=lambda: ward.now)
    result = CliRunner().invoke(drawup, ["--record", str(ward.record), *arguments], obj=desk)
    assert result.exit_code == 0, result.output
    return result.output


# --- an authority is not typed away -------------------------------------------------------------------------------

TYPED = {**ORDER, "authority": TERMS, "schedule": {"once": True}}


def without(key: str) -> dict[str, Any]:
    return {name: value for name, value in TERMS.items() if name != key}


@pytest.mark.parametrize(
    ("order", "differs"),
    [
        ({"authority": without("exclude")}, "authority.exclude"),
        ({"authority": without("staff")}, "authority.staff"),
        ({"authority": {**TERMS, "until": "2027-03-31"}}, "authority.until"),
        ({"authority": {**TERMS, "kind": "prescription"}}, "authority.kind"),
        ({"authority": {"kind": "group direction", "reference": " qd-7"}}, "authority.reference"),
        ({"dose": {"amount": "50 mg"}}, "dose.amount"),
        ({"schedule": {"every": "1 week"}}, "schedule.every"),
        ({"times": ["08:00"], "schedule": None}, "times"),
        ({"when_needed": True, "schedule": None}, "when_needed"),
    ],
)  # fmt: skip
def test_an_order_that_names_a_kept_direction_and_is_not_what_it_allows_is_refused(
    ward: Clinic, order: dict[str, Any], differs: str
) -> None:
    typed = {key: one for key, one in {**TYPED, **order}.items() if one is not None}
    refused = message(enter(ward, typed, code=2))
    assert refused.startswith("QD-7 is kept here: accept the patient in a session under it: drawup session accept")
    assert differs in refused
    assert ward.run("order", "list", "--patient", "0001") == []


def test_typed_just_as_a_session_would_make_it_it_is_taken_and_asks_the_same(ward: Clinic) -> None:
    order = enter(ward, TYPED)["order"]
    assert found(ward.run("plan", "--order", order, code=4))["question-not-asked"]["message"] == (
        "Not asked today: fever over 38, unwell."
    )
    # It replaces nothing of its limits either: the same order, replaced by twice the dose.
    assert "dose.amount" in message(enter(ward, {**TYPED, "dose": {"amount": "50 mg"}}, "--replaces", order, code=2))


def test_typed_after_an_older_version_it_is_held_against_the_one_in_force(ward: Clinic) -> None:
    keep(ward, version="2", until="2026-03-15")
    assert "authority.until, authority.version" in message(enter(ward, TYPED, code=2))


def test_a_direction_that_is_not_kept_here_is_typed_as_it_is_written(ward: Clinic) -> None:
    assert enter(ward, {**TYPED, "authority": {**TERMS, "reference": "QD-8"}})["order"] == "0001.1"


def test_a_session_is_the_way_that_the_refusal_names(ward: Clinic) -> None:
    ward.run("session", "open", "--under", "QD-7", *MAIRI)
    assert ward.run("session", "accept", "0001", "0001", "--all-clear", *MAIRI)["order"] == "0001.1"


@pytest.mark.parametrize("kind", ["group direction", "standing order"])
def test_an_order_under_a_direction_without_number_or_limits_asks(ward: Clinic, kind: str) -> None:
    enter(ward, {**ORDER, "authority": kind})
    clear(ward)
    asked = found(ward.run("plan", "--order", "0001.1", code=4))
    assert list(asked) == ["authority-without-terms"]
    assert asked["authority-without-terms"]["message"] == (
        f"The order rests on a {kind}, and neither its number nor its limits are written down."
    )


# --- signed by whoever is at hand ---------------------------------------------------------------------------------


def sign(ward: Clinic, by: str, *more: str, code: int = 0) -> Any:
    return ward.run("order", "sign", "0001.1", "--by", by, *more, code=code)


@pytest.mark.parametrize("authority", [None, "prescription", {**TERMS, "reference": "QD-8"}])
def test_where_nothing_has_to_follow_there_is_nothing_to_sign(ward: Clinic, authority: Any) -> None:
    enter(ward, {**ORDER, **({} if authority is None else {"authority": authority})})
    assert "there is nothing to sign" in message(sign(ward, "Dr Ashdown", code=2))


@pytest.mark.parametrize("by", ["Dr Ashdown", "dr. ashdown", "Dr Ashdown, ward 3"])
def test_the_prescriber_signs_without_a_word(ward: Clinic, by: str) -> None:
    enter(ward, SPOKEN, "--read-back-by", "Petra Example")
    sign(ward, by)
    assert "signed" in ward.run("order", "list", "--patient", "0001")[0]


@pytest.mark.parametrize(
    ("by", "says"),
    [
        ("Ravi Example", "the order is by Dr Ashdown. Say why Ravi Example signs in their place: --words"),
        ("Petra Example", "Petra Example wrote this order down, and does not stand for it alone"),
        ("petra example (nurse)", "does not stand for it alone"),
        ("Bea Example", "Bea Example wrote this order down"),
        ("Owen Example", "Owen Example wrote this order down"),
    ],
)
def test_anybody_else_signs_only_with_words_that_are_kept(ward: Clinic, by: str, says: str) -> None:
    written = ("--read-back-by", "Petra Example", "--copied-by", "Bea Example", "--by", "Owen Example")
    enter(ward, SPOKEN, *written)
    assert says in message(sign(ward, by, code=2))
    assert "--words" in message(sign(ward, by, "--words", " ", code=2))
    assert "signed" not in ward.run("order", "list", "--patient", "0001")[0]
    sign(ward, by, "--words", "Dr Ashdown left; agreed with Dr Solvei by telephone")
    (held,) = ward.run("order", "list", "--patient", "0001")
    assert held["signed"]["words"] == "Dr Ashdown left; agreed with Dr Solvei by telephone"
    shown = said(ward, "chart", "0001")
    assert f"signed 2026-03-02 09:00 by {by}: Dr Ashdown left; agreed with Dr Solvei by telephone" in shown


def test_a_prescriber_who_read_their_own_order_back_says_why(ward: Clinic) -> None:
    enter(ward, SPOKEN, "--read-back-by", "Dr Ashdown", "--by", "Dr Ashdown")
    assert "does not stand for it alone" in message(sign(ward, "Dr Ashdown", code=2))


def test_whoever_accepted_the_patient_does_not_countersign_alone(ward: Clinic) -> None:
    follows: dict[str, Any] = {"must_follow": "a countersignature by a doctor", "within": "3 days"}
    keep(ward, kind="standing order", reference="QD-9", **follows)
    ward.run("session", "open", "--under", "QD-9", *MAIRI)
    ward.run("session", "accept", "0001", "0001", "--all-clear", *MAIRI)
    assert "Mairi Example wrote this order down" in message(sign(ward, "Mairi Example", code=2))
    sign(ward, "Dr Ashdown")


def test_a_spoken_order_of_nobody_asks_and_is_signed_with_words_alone(ward: Clinic) -> None:
    enter(ward, {key: one for key, one in SPOKEN.items() if key != "prescriber"}, "--read-back-by", "Petra Example")
    clear(ward)
    asked = found(ward.run("plan", "--order", "0001.1", code=4))
    assert list(asked) == ["spoken-nobody-named"]
    assert "nobody is written down whose order it is" in message(sign(ward, "Dr Ashdown", code=2))
    sign(ward, "Dr Ashdown", "--words", "mine; Petra left my name out")


# --- an answer that is changed ------------------------------------------------------------------------------------


@pytest.fixture
def session(ward: Clinic) -> Clinic:
    """A session is open, and the patient was turned away with a cold at nine."""
    ward.run("session", "open", "--under", "QD-7", *MAIRI)
    ward.run("session", "accept", "0001", "0001", "--answer", "unwell=yes: a cold", "--all-clear", *MAIRI, code=3)
    at(ward, 9, 20)
    return ward


def accept(ward: Clinic, *more: str, code: int = 0) -> Any:
    return ward.run("session", "accept", "0001", "0001", *more, *MAIRI, code=code)


REFUSED = (
    '"unwell" was answered yes (a cold) 2026-03-02 09:00, asked by Mairi Example. Both answers stay readable; say what '
    'has changed since: --answer "unwell=no: WORDS"'
)


@pytest.mark.parametrize("more", [("--all-clear",), ("--answer", "unwell=no", "--all-clear")])
def test_an_answer_of_today_that_spoke_against_it_is_not_overwritten_in_silence(
    session: Clinic, more: tuple[str, ...]
) -> None:
    assert REFUSED in message(accept(session, *more, code=2))
    assert session.run("order", "list", "--patient", "0001") == []
    assert [one["answer"] for one in session.run("chart", "0001")["answers"]] == ["no", "yes"]


def test_with_words_it_is_changed_and_both_stay_in_the_chart(session: Clinic) -> None:
    accept(session, "--answer", "unwell=no: hay fever, Dr Ashdown agrees", "--all-clear")
    shown = said(session, "chart", "0001")
    assert "  Answered    unwell: yes (a cold), 2026-03-02 09:00 by Mairi Example" in shown
    assert "  Answered    unwell: no (hay fever, Dr Ashdown agrees), 2026-03-02 09:20 by Mairi Example" in shown


def test_before_the_dose_of_an_order_it_is_the_same(session: Clinic) -> None:
    enter(session, ORDER)
    again = session.run("questions", "0001.1", "--all-clear", *PETRA, code=2)
    assert REFUSED in message(again)
    # Backdated to before it, it is the same day.
    again = session.run("questions", "0001.1", "--all-clear", "--at", "2026-03-02 08:00", *PETRA, code=2)
    assert REFUSED in message(again)
    session.run("questions", "0001.1", "--answer", "unwell=no: better", *PETRA)
    # What was taken back with words is clear from then on.
    session.run("questions", "0001.1", "--all-clear", *PETRA)


def test_that_somebody_is_worse_than_they_said_needs_no_words(ward: Clinic) -> None:
    enter(ward, ORDER)
    clear(ward)
    ward.run("questions", "0001.1", "--answer", "unwell=yes", *PETRA)
    assert "question-yes" in found(ward.run("plan", "--order", "0001.1", code=4), "confirm")
    # Nor that they are still so.
    ward.run("questions", "0001.1", "--answer", "unwell=yes", *PETRA)


def test_on_the_next_day_the_question_is_new(session: Clinic) -> None:
    at(session, 9, day=3)
    accept(session, "--all-clear")


# --- whether it helped, answered twice ----------------------------------------------------------------------------


def test_whether_it_helped_is_answered_again_with_words_and_both_stay(ward: Clinic) -> None:
    enter(ward, {**ORDER, "schedule": {"when_needed": True, "least_interval": "4 hours"}})
    clear(ward)
    plan = ward.run("plan", "--order", "0001.1")["plan"]
    entry = ward.run("given", plan, "--scan", AMPOULE, "--given-by", "Petra Example")["entry"]
    at(ward, 9, 30)
    ward.run("helped", entry, "no", *PETRA)
    at(ward, 9, 40)
    again = message(ward.run("helped", entry, "yes", *PETRA, code=2))
    assert 'was answered "no" 2026-03-02 09:30 by Petra Example' in again
    ward.run("helped", entry, "yes", "--words", "worked late", "--by", "Ravi Example")
    at(ward, 9, 50)
    ward.run("helped", entry, "partly", "--words", "only the leg", *PETRA)
    lines = [line.strip() for line in said(ward, "chart", "0001").splitlines() if "helped:" in line]
    assert lines == [
        "helped: no, 2026-03-02 09:30 by Petra Example",
        "helped: yes, 2026-03-02 09:40 by Ravi Example: worked late",
        "helped: partly, 2026-03-02 09:50 by Petra Example: only the leg",
    ]
    effect = ward.run("chart", "0001")["entries"][0]["effect"]
    assert (effect["helped"], [one["helped"] for one in effect["before"]]) == ("partly", ["no", "yes"])


# --- an older version over a newer one ----------------------------------------------------------------------------


def test_what_an_authority_changes_is_said_whichever_version_comes_last(ward: Clinic) -> None:
    newer: dict[str, Any] = {
        "version": "2",
        "exclude": ["fever over 38", "pregnant"],
        "order": {**ALLOWED, "dose": {"amount": "50 mg"}},
    }
    assert keep(ward, **newer)["changed"] == [
        "version: 1, now 2",
        "order.dose.amount: 25 mg, now 50 mg",
        "exclude 2: nothing, now pregnant",
    ]
    assert keep(ward)["changed"] == [
        "exclude 2: pregnant, now nothing",
        "version: 2, now 1",
        "order.dose.amount: 50 mg, now 25 mg",
    ]
    shown = said(ward, "authority", "add", ward.file("again.json", {**TERMS, "order": ALLOWED, **newer}), *MAIRI)
    assert "What changed against the version that was in force:\n      version: 1, now 2\n" in shown


def test_an_authority_that_changes_nothing_is_refused_and_ends_no_session(ward: Clinic) -> None:
    ward.run("session", "open", "--under", "QD-7", *MAIRI)
    assert "nothing is changed: the group direction QD-7, version 1 is kept so" in message(keep(ward, code=2))
    ward.run("session", "accept", "0001", "0001", "--all-clear", *MAIRI)


def test_the_first_version_of_an_authority_changes_nothing(ward: Clinic) -> None:
    assert keep(ward, reference="QD-9") == {"authority": "QD-9"}


# --- a dose that was withheld -------------------------------------------------------------------------------------


def not_given(ward: Clinic, reason: str, words: str = "platelets 8") -> Any:
    more = ("--could-decide", "yes") if reason == "refused" else ()
    return ward.run("not-given", "0001.1", "--reason", reason, "--words", words, *more, "--by", "Petra")


@pytest.fixture
def weekly(ward: Clinic) -> Clinic:
    """An order for a dose each week from Monday 2 March, whose questions of the day are answered."""
    enter(ward, {**ORDER, "schedule": {"every": "1 week", "late": "3 days"}})
    clear(ward)
    at(ward, 10, 10)
    return ward


def give(ward: Clinic, *more: str) -> Any:
    accepted = [word for word in more if word.startswith("dose-was-withheld=")]
    options = ["--accept", accepted[0]] if accepted else []
    plan = ward.run("plan", "--order", "0001.1", "--scan", AMPOULE, *options)["plan"]
    return ward.run("given", plan, "--scan", AMPOULE, "--given-by", "Petra Example", *options)


def test_a_dose_that_was_not_given_for_a_reason_of_safety_asks_until_one_is_given(weekly: Clinic) -> None:
    not_given(weekly, "contraindicated today")
    at(weekly, 14)
    asked = found(weekly.run("plan", "--order", "0001.1", code=4))
    assert list(asked) == ["dose-was-withheld"]
    one = asked["dose-was-withheld"]
    assert one["message"] == (
        "This dose was not given: contraindicated today (platelets 8), 2026-03-02 10:10, by Petra."
    )
    assert one["do"] == "Make sure that it no longer holds, and say so."
    assert "dose-was-withheld" in [one["code"] for one in weekly.run("due")["lines"][0]["findings"]]
    give(weekly, "dose-was-withheld=platelets 90 at noon, Dr Ashdown agrees")
    at(weekly, 9, day=9)
    clear(weekly)
    assert weekly.run("plan", "--order", "0001.1")["dose"]["amount"] == "25"


def test_a_dose_of_the_week_before_leaves_the_reason_of_this_week_standing(weekly: Clinic) -> None:
    give(weekly)
    at(weekly, 9, day=9)
    clear(weekly)
    not_given(weekly, "unwell")
    at(weekly, 14, day=9)
    plan = weekly.run("plan", "--order", "0001.1", code=4)
    assert "unwell (platelets 8), 2026-03-09 09:00" in found(plan)["dose-was-withheld"]["message"]


@pytest.mark.parametrize("reason", NOT_GIVEN_REASONS)
def test_reasons_of_safety_are_asked_about_and_reasons_of_the_day_are_not(weekly: Clinic, reason: str) -> None:
    safety = {"contraindicated today", "order unclear", "unwell", "reading outside limits", "given elsewhere"}
    assert set(SAFETY_REASONS) == safety
    not_given(weekly, reason)
    at(weekly, 14)
    plan = weekly.run("plan", "--order", "0001.1", code=4 if reason in safety else 0)
    assert ("dose-was-withheld" in found(plan)) is (reason in safety)


def test_refused_after_it_the_reason_of_safety_still_stands(weekly: Clinic) -> None:
    not_given(weekly, "unwell")
    at(weekly, 11)
    not_given(weekly, "refused")
    plan = weekly.run("plan", "--order", "0001.1", code=4)
    assert "unwell (platelets 8), 2026-03-02 10:10" in found(plan)["dose-was-withheld"]["message"]


def test_a_dose_that_was_given_elsewhere_is_written_down_as_reported_first(weekly: Clinic) -> None:
    not_given(weekly, "given elsewhere", words="")
    at(weekly, 14)
    one = found(weekly.run("plan", "--order", "0001.1", code=4))["dose-was-withheld"]
    assert one["message"] == "This dose was not given: given elsewhere, 2026-03-02 10:10, by Petra."
    assert "first write down what was given there: drawup given --reported" in one["do"]
    weekly.run(
        "given", "--patient", "0001", "--medicine", "calvrane", "--amount", "25 mg", "--reported",
        "--at", "2026-03-01 18:00", "--given-by", "the mainland clinic",
    )  # fmt: skip
    assert "dose-was-withheld" not in str(weekly.run("due", "--all")["lines"])


def test_a_not_given_that_was_a_mistake_says_nothing_any_more(weekly: Clinic) -> None:
    entry = not_given(weekly, "unwell")["entry"]
    weekly.run("correction", entry, "--void", "--reason", "another patient", *PETRA)
    assert weekly.run("plan", "--order", "0001.1")["dose"]["amount"] == "25"


def test_a_dose_that_was_given_before_it_and_is_written_down_after_it_does_not_ask(weekly: Clinic) -> None:
    plan = weekly.run("plan", "--order", "0001.1", "--at", "2026-03-02 09:30", "--scan", AMPOULE)["plan"]
    not_given(weekly, "unwell")
    given = ("given", plan, "--scan", AMPOULE, "--given-by", "Petra Example", "--at", "2026-03-02 09:30")
    entry = weekly.run(*given)
    assert "dose-was-withheld" not in str(entry["findings"])


def test_pages_of_words_do_not_make_the_order_unreadable(weekly: Clinic) -> None:
    weekly.run("not-given", "0001.1", "--reason", "unwell", "--words", "w" * 500, "--by", "P" * 500)
    one = found(weekly.run("plan", "--order", "0001.1", code=4))["dose-was-withheld"]
    # 250 of the words and 100 of the name, each cut off visibly.
    assert f"unwell ({'w' * 250}...), 2026-03-02 10:10, by {'P' * 100}..." in one["message"]


def test_why_a_dose_was_withheld_is_not_typed_into_an_order(ward: Clinic) -> None:
    refused = enter(ward, {**ORDER, "withheld": "nothing"}, code=2)
    assert refused["error"]["field"] == "order.withheld"


def test_a_request_says_why_a_dose_was_withheld_in_at_most_500_characters() -> None:
    document = {"format": 1, "now": "2026-03-02T09:00:00+00:00", "patient": {}, "medicine": CALVRANE}
    read = read_request({**document, "order": {**ORDER, "withheld": "x" * 500}})
    assert read.request.order.withheld == "x" * 500
    with pytest.raises(FieldError, match=r"withheld: a text of 501"):
        read_request({**document, "order": {**ORDER, "withheld": "x" * 501}})


def test_an_order_of_which_nothing_was_withheld_asks_nothing() -> None:
    now = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
    codes = [one.code for one in check_order(Order(medicine="calvrane"), now)]
    assert "dose-was-withheld" not in codes
    codes = [one.code for one in check_order(Order(medicine="calvrane", withheld="unwell"), now)]
    assert "dose-was-withheld" in codes


# --- a syringe that stands ----------------------------------------------------------------------------------------


@pytest.fixture
def drawn(ward: Clinic) -> str:
    """A dose that was drawn up at nine; its plan."""
    enter(ward, ORDER)
    clear(ward)
    plan: str = ward.run("plan", "--order", "0001.1", "--scan", AMPOULE)["plan"]
    ward.run("drawn-up", plan, "--scan", AMPOULE, *PETRA)
    return plan


def inject(ward: Clinic, plan: str, *more: str, code: int = 0) -> Any:
    return ward.run("given", plan, "--scan", AMPOULE, "--given-by", "Petra Example", *more, code=code)


def test_what_was_drawn_up_an_hour_ago_goes_in_without_a_question(ward: Clinic, drawn: str) -> None:
    at(ward, 10)
    assert inject(ward, drawn)["kind"] == "given"


def test_a_minute_later_it_is_asked_whether_it_is_still_good(ward: Clinic, drawn: str) -> None:
    at(ward, 10, 1)
    blocked = found(inject(ward, drawn, code=4), key="blocked")
    assert blocked["drawn-up-long-ago"]["message"] == (
        "Drawn up 2026-03-02 09:00, 61 minutes before giving; 60 minutes are usual here."
    )
    entry = inject(ward, drawn, "--accept", "drawn-up-long-ago=kept cool, labelled, seen by two")
    (kept,) = [one for one in entry["body"]["findings"] if one["code"] == "drawn-up-long-ago"]
    assert kept["accepted"] == "kept cool, labelled, seen by two"


def test_written_down_later_it_counts_when_it_was_given(ward: Clinic, drawn: str) -> None:
    at(ward, 11)
    assert inject(ward, drawn, "--at", "2026-03-02 09:30")["kind"] == "given"


def test_set_aside_and_drawn_up_again_it_is_fresh(ward: Clinic, drawn: str) -> None:
    at(ward, 12)
    ward.run("drawn-up", drawn, "--set-aside", "stood too long", *PETRA)
    ward.run("drawn-up", drawn, "--scan", AMPOULE, *PETRA)
    assert inject(ward, drawn)["kind"] == "given"


def test_how_long_a_syringe_may_stand_is_the_policys(ward: Clinic, drawn: str, tmp_path: Path) -> None:
    own = tmp_path / "own.toml"
    own.write_text(
        'format = 1\npreset = "own"\ntitle = "Invented"\ncountry = "GB"\nedition = "2026-03"\nstarts_from = "uk"\n'
        '[syringe_minutes]\nvalue = 180\nreason = "An invented ward."\nsource = "invented"\n',
        "utf-8",
    )
    ward.run("policy", "use", str(own), "--zone", "Europe/London")
    at(ward, 12)
    assert inject(ward, drawn)["kind"] == "given"


def test_a_plan_beside_a_syringe_of_the_same_medicine_says_where_that_one_is(ward: Clinic, drawn: str) -> None:
    enter(ward, {**ORDER, "start": "2026-03-01"})
    at(ward, 9, 10)
    clear(ward)
    beside = ward.run("plan", "--order", "0001.2", "--accept", "duplicate-order=both meant")
    assert found(beside, "note")["syringe-open"]["message"] == (
        "calvrane stands drawn up since 2026-03-02 09:00 for order 0001.1: neither given nor set aside."
    )
    shown = said(ward, "plan", "--order", "0001.2", "--accept", "duplicate-order=both meant")
    assert "[Good to know] calvrane stands drawn up since 2026-03-02 09:00 for order 0001.1" in shown
    inject(ward, drawn, "--accept", "duplicate-order=both meant")
    desk = Desk(record=ward.record, clock=lambda: ward.now)
    again = CliRunner().invoke(drawup, ["--record", str(ward.record), "plan", "--order", "0001.2"], obj=desk)
    assert "Plan " in again.output
    assert "stands drawn up" not in again.output


# --- near misses name nobody --------------------------------------------------------------------------------------


def test_near_misses_name_nobody(ward: Clinic) -> None:
    enter(ward, {**ORDER, "authority": {**TERMS, "reference": "QD-8"}})
    clear(ward)
    plan = ward.run("plan", "--order", "0001.1", "--scan", AMPOULE)["plan"]
    blocked = ward.run("given", plan, "--scan", AMPOULE, "--given-by", "Rhys Example", code=3)
    assert "Rhys Example is not among them: Mairi Example" in str(blocked)
    (missed,) = ward.run("chart", "--near-misses")["latest"]
    assert (missed["code"], missed["message"]) == (
        "authority-not-for",
        "Who gives it is not among those whom the authority names.",
    )
    shown = said(ward, "chart", "--near-misses")
    assert "Rhys" not in shown
    assert "Mairi" not in shown
    with Store.open(ward.record, read_only=True) as store:
        assert [fact.body["message"] for fact in store.find("near miss")] == [missed["message"]]


def test_a_near_miss_that_was_written_with_names_is_shown_without(ward: Clinic) -> None:
    body = {"code": "authority-not-for", "message": "Rhys Example is not among them", "patient": "0001"}
    with Store.open(ward.record) as store, store.writing() as writer:
        writer.append(
            "audit", "near miss", {**body, "order": "0001.1", "by": "Rhys Example"}, recorded_at=ward.now,
            keys=["near miss"],
        )  # fmt: skip
    assert "Rhys" not in said(ward, "chart", "--near-misses")


def test_a_withheld_dose_is_counted_without_the_name_of_who_withheld_it(weekly: Clinic) -> None:
    not_given(weekly, "unwell")
    plan = weekly.run("plan", "--order", "0001.1", "--scan", AMPOULE, code=4)["plan"]
    weekly.run("given", plan, "--scan", AMPOULE, "--given-by", "Ravi Example", code=4)
    shown = said(weekly, "chart", "--near-misses")
    assert "The dose was not given before, for a reason of safety." in shown
    assert "Petra" not in shown


# --- a zone of the machine ----------------------------------------------------------------------------------------

MACHINE = ["localtime", "Factory", "posixrules", "LOCALTIME", "right/Europe/London", "posix/Europe/London"]


@pytest.mark.parametrize("zone", MACHINE)
def test_a_time_zone_that_is_another_one_on_another_machine_is_none(ward: Clinic, zone: str) -> None:
    says = f'"{zone}" is not a time zone. Write such as Europe/London'
    assert says in message(ward.run("policy", "use", "uk", "--zone", zone, code=2))
    assert says in message(ward.run("patient", "note", "0001", "--zone", zone, code=2))
    asked = {"format": 1, "now": "2026-03-02T09:00:00+00:00", "zone": zone, "patient": {}, "order": ORDER}
    with pytest.raises(FieldError, match="no time zone"):
        read_request({**asked, "medicine": CALVRANE})


# --- one order that cannot be read --------------------------------------------------------------------------------


def test_a_place_is_handed_over_whatever_order_cannot_be_read(ward: Clinic, tmp_path: Path) -> None:
    ward.run("patient", "add", "--family", "Vale-Example", "--given", "Oona", "--born", "1988-03-01")
    ward.run("patient", "note", "0002", "--allergy", "none known", "--no-earlier-doses")
    enter(ward, {**SPOKEN, "schedule": {"meals": ["lunch"]}}, "--read-back-by", "Petra Example")
    ward.run("order", "add", "0002", ward.file("spoken.json", SPOKEN), "--read-back-by", "Petra Example")
    # A policy without lunch comes into force, and the order that names it can no longer be read.
    own = tmp_path / "own.toml"
    own.write_text(
        'format = 1\npreset = "own"\ntitle = "Invented"\ncountry = "GB"\nedition = "2026-03"\nstarts_from = "uk"\n'
        '[meal_times]\nvalue = [{ meal = "supper", at = "18:00" }]\nreason = "An invented ward."\n'
        'source = "invented"\n',
        "utf-8",
    )
    ward.run("policy", "use", str(own), "--zone", "Europe/London")
    unreadable, other = ward.run("handover", "--place", "")["waiting"]
    assert unreadable["order"] == "0001.1"
    assert "order 0001.1, calvrane, cannot be read, and something must follow it: " in unreadable["words"]
    assert "lunch" in unreadable["words"]
    assert "order 0002.1, calvrane: the prescriber's signature until 2026-03-03 09:00" in other["words"]
