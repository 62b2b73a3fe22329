"""May I: what the order rests on, signatures, consent, and the questions of the day.

That consent comes before acting is the NMC Code, 4.2; that a spoken order is read back, the Joint Commission (from
memory). That an authority has its days, its people and its questions, and that what was allowed for the moment is
signed in time, is common practice, no source. Directions, people and medicines are invented; days are worked by hand.
"""

from __future__ import annotations

from typing import Any

import pytest

from drawup.exchange.request import ReadRequest, read_request
from drawup.injection.finding import CODES, Finding, Severity
from drawup.injection.order import Authority
from drawup.injection.permission import check_giver, check_permission, may_use, questions_for, signature_until
from drawup.injection.plan import plan_injection

NOW = "2026-03-02T09:00:00+00:00"
DIRECTION: dict[str, Any] = {"kind": "group direction", "reference": "QD-7", "version": "2"}


def asked(
    *,
    now: str = NOW,
    zone: str | None = "Europe/London",
    authority: dict[str, Any] | str | None = None,
    order: dict[str, Any] | None = None,
    medicine: dict[str, Any] | None = None,
    policy: dict[str, Any] | None = None,
    answers: list[dict[str, str]] | None = None,
    consents: list[dict[str, str]] | None = None,
) -> ReadRequest:
    return read_request(
        {
            "format": 1,
            "now": now,
            "policy": {"preset": "uk", **(policy or {})},
            "patient": {"allergies": "none known"},
            "order": {
                "medicine": "velorin",
                "route": "intramuscular",
                "dose": {"amount": "50 mg"},
                "start": "2026-02-23",
                **({} if authority is None else {"authority": authority}),
                **(order or {}),
            },
            "medicine": {"name": "velorin", "presentations": [{"strength": "50 mg/mL"}], **(medicine or {})},
            "history": [],
            "answers": answers or [],
            "consents": consents or [],
            **({} if zone is None else {"zone": zone}),
        }
    )


def found(**rest: Any) -> list[Finding]:
    read = asked(**rest)
    return check_permission(read.request, read.policy)


def codes(**rest: Any) -> list[str]:
    return [one.code for one in found(**rest)]


def only(**rest: Any) -> Finding:
    (one,) = found(**rest)
    return one


def told(question: str, answer: str, at: str = "2026-03-02T08:30:00+00:00", **more: str) -> dict[str, str]:
    return {"question": question, "answer": answer, "at": at, **more}


# --- nothing asked for


STANDING: dict[str, Any] = {"kind": "standing order", "reference": "ST-3"}


@pytest.mark.parametrize("authority", [None, "prescription", STANDING, "emergency", DIRECTION])
def test_where_nothing_is_asked_for_nothing_is_found(authority: dict[str, Any] | str | None) -> None:
    assert found(authority=authority) == []


# --- the days of an authority


@pytest.mark.parametrize(
    ("now", "expected"),
    [
        # Holds from 2 to 6 March, both of them.
        ("2026-03-01T23:59:00+00:00", ["authority-not-begun"]),
        ("2026-03-02T00:00:00+00:00", []),
        ("2026-03-06T23:59:00+00:00", []),
        ("2026-03-07T00:00:00+00:00", ["authority-ended"]),
    ],
)
def test_an_authority_holds_on_its_days_and_on_no_other(now: str, expected: list[str]) -> None:
    days = {**DIRECTION, "from": "2026-03-02", "until": "2026-03-06"}
    assert codes(now=now, authority=days) == expected


def test_before_and_after_its_days_it_is_a_stop_that_names_them() -> None:
    early = only(authority={**DIRECTION, "from": "2026-03-03"})
    assert early.severity is Severity.STOP
    assert early.message == "The group direction QD-7, version 2 holds from 2026-03-03; it is 2026-03-02."
    late = only(authority={**DIRECTION, "until": "2026-03-01"})
    assert late.severity is Severity.STOP
    assert late.message == "The group direction QD-7, version 2 ended on 2026-03-01; it is 2026-03-02."


def test_the_day_is_the_places_own() -> None:
    # 03:00 UTC on 2 March is 22:00 on 1 March in New York, and 16:00 on 2 March in Auckland.
    days = {**DIRECTION, "from": "2026-03-02", "until": "2026-03-02"}
    at = {"now": "2026-03-02T03:00:00+00:00", "authority": days}
    assert codes(zone="America/New_York", **at) == ["authority-not-begun"]
    assert codes(zone="Europe/London", **at) == []
    assert codes(zone="Pacific/Auckland", **at) == []
    assert codes(zone="Pacific/Auckland", now="2026-03-02T11:00:00+00:00", authority=days) == ["authority-ended"]


def test_without_a_zone_the_day_is_that_of_the_moments_own_offset() -> None:
    days = {**DIRECTION, "from": "2026-03-02"}
    assert codes(zone=None, now="2026-03-01T22:00:00-05:00", authority=days) == ["authority-not-begun"]
    assert codes(zone=None, now="2026-03-02T03:00:00+00:00", authority=days) == []


# --- who may use it


def givers(giver: str, **limits: Any) -> list[str]:
    read = asked(authority={**DIRECTION, **limits})
    return [one.code for one in check_giver(read.request.order, giver)]


@pytest.mark.parametrize(
    ("giver", "expected"),
    [
        ("Nell Quarrie", []),
        ("nell quarrie", []),
        ("Nell Quarrie, nurse", []),  # what stands after the name is no part of it
        ("Nell Quarrie (invented)", []),
        ("Petra Lund", []),
        ("Nell", ["authority-not-for"]),
        ("Nell Quarrie-Voss", ["authority-not-for"]),
        ("", ["authority-not-for"]),
    ],
)
def test_an_authority_is_for_those_whom_it_names(giver: str, expected: list[str]) -> None:
    assert givers(giver, staff=["Nell Quarrie", "Petra Lund, midwife"]) == expected


def test_one_that_names_nobody_or_may_be_delegated_is_for_everyone() -> None:
    assert givers("Ada Brill") == []
    assert givers("Ada Brill", staff=["Nell Quarrie"], delegable=True) == []
    assert check_giver(asked().request.order, "Ada Brill") == []  # no authority at all


def test_somebody_who_is_not_named_is_a_stop_with_the_names() -> None:
    (one,) = check_giver(asked(authority={**DIRECTION, "staff": ["Nell Quarrie"]}).request.order, "Ada Brill")
    assert one.severity is Severity.STOP
    assert one.message == (
        "The group direction QD-7, version 2 names who may use it, and Ada Brill is not among them: Nell Quarrie."
    )


def test_who_may_use_it_is_asked_without_the_delegating() -> None:
    authority = Authority(kind="group direction", staff=("Nell Quarrie, nurse",), delegable=True)
    assert may_use(authority, "Nell Quarrie")
    assert not may_use(authority, "Ada Brill")
    assert may_use(Authority(kind="prescription"), "Ada Brill")


# --- include and exclude


def test_a_question_that_includes_must_be_answered_yes() -> None:
    included = {**DIRECTION, "include": ["over 50"]}
    assert codes(authority=included, answers=[told("over 50", "yes")]) == []
    one = only(authority=included, answers=[told("over 50", "no", words="47")])
    assert (one.code, one.severity) == ("authority-not-included", Severity.STOP)
    assert one.message == ("The group direction QD-7, version 2 does not include this patient. over 50: no (47).")


def test_a_question_that_excludes_must_be_answered_no() -> None:
    excluded = {**DIRECTION, "exclude": ["fever"]}
    assert codes(authority=excluded, answers=[told("fever", "no")]) == []
    one = only(authority=excluded, answers=[told("fever", "yes", words="38.4 since noon")])
    assert (one.code, one.severity) == ("authority-excludes", Severity.STOP)
    assert one.message == ("The group direction QD-7, version 2 excludes this patient. fever: yes (38.4 since noon).")


def test_an_authoritys_questions_that_were_not_asked_are_asked_for_at_once() -> None:
    both = {**DIRECTION, "include": ["over 50"], "exclude": ["fever"]}
    one = only(authority=both)
    assert (one.code, one.severity) == ("question-not-asked", Severity.ASK)
    assert one.message == "Not asked today: over 50, fever."
    assert only(authority=both, answers=[told("over 50", "yes")]).message == "Not asked today: fever."


# --- the questions of the day


def test_the_medicines_own_questions_are_asked_and_a_yes_goes_to_the_prescriber() -> None:
    label = {"ask": ["unwell", "pregnant"]}
    assert only(medicine=label).message == "Not asked today: unwell, pregnant."
    assert codes(medicine=label, answers=[told("unwell", "no"), told("pregnant", "no")]) == []
    one = only(medicine=label, answers=[told("unwell", "yes", words="a cold"), told("pregnant", "no")])
    assert (one.code, one.severity) == ("question-yes", Severity.CONFIRM)
    assert one.message == "Answered yes today: unwell (a cold)."


def test_the_policys_questions_are_asked_before_the_medicines_and_groups_that_it_names() -> None:
    def asks(*names: str) -> tuple[str, ...]:
        rows = [{"medicines": list(names), "questions": ["immunity"]}]
        read = asked(policy={"ask_today": rows}, medicine={"same_group": ["tarns"]})
        assert [one.code for one in check_permission(read.request, read.policy)] == (
            ["question-not-asked"] if questions_for(read.request.medicine, read.policy) else []
        )
        return questions_for(read.request.medicine, read.policy)

    assert asks("velorin") == asks("tarns") == asks("calvrane", "tarns") == ("immunity",)
    assert asks("calvrane") == ()


def test_a_question_that_several_ask_is_asked_once_and_the_authority_speaks_first() -> None:
    rows = [{"medicines": ["velorin"], "questions": ["unwell", "bleeding"]}]
    rest: dict[str, Any] = {
        "authority": {**DIRECTION, "exclude": ["unwell"]},
        "medicine": {"ask": ["unwell"]},
        "policy": {"ask_today": rows},
    }
    assert only(**rest).message == "Not asked today: unwell, bleeding."
    answers = [told("unwell", "yes"), told("bleeding", "yes")]
    assert codes(**rest, answers=answers) == ["authority-excludes", "question-yes"]


@pytest.mark.parametrize(
    ("at", "valid"),
    [
        ("2026-03-01T23:59:00+00:00", False),
        ("2026-03-02T00:00:00+00:00", True),
        ("2026-03-02T09:00:00+00:00", True),
    ],
)
def test_an_answer_is_valid_on_its_own_day_only(at: str, valid: bool) -> None:
    found_ = codes(medicine={"ask": ["unwell"]}, answers=[told("unwell", "no", at)])
    assert found_ == ([] if valid else ["question-not-asked"])


def test_an_answers_day_is_the_places_own() -> None:
    # 03:00 UTC on 2 March is still 1 March in New York, as is 23:00 there at 04:00 UTC; from 05:00 UTC it is 2 March.
    label, answer = {"ask": ["unwell"]}, [told("unwell", "no", "2026-03-02T03:00:00+00:00")]
    assert codes(medicine=label, answers=answer, now="2026-03-02T04:00:00+00:00", zone="America/New_York") == []
    assert codes(medicine=label, answers=answer, now="2026-03-02T06:00:00+00:00", zone="America/New_York") == [
        "question-not-asked"
    ]
    assert codes(medicine=label, answers=answer, now="2026-03-02T06:00:00+00:00", zone="Europe/London") == []


def test_of_two_answers_of_the_day_the_later_one_holds() -> None:
    first, then = told("unwell", "no", "2026-03-02T08:00:00+00:00"), told("unwell", "yes", "2026-03-02T08:30:00+00:00")
    for answers in ([first, then], [then, first]):
        assert codes(medicine={"ask": ["unwell"]}, answers=answers) == ["question-yes"]


# --- consent


CONSENT = {"given_by": "Ambra Thistle", "at": "2026-02-23T08:00:00+00:00"}


def consents(*rows: dict[str, str], **rest: Any) -> list[str]:
    return codes(medicine={"consent": True, "same_group": ["tarns"]}, consents=list(rows), **rest)


def test_a_consent_that_is_needed_and_is_not_there_is_asked_for() -> None:
    one = only(medicine={"consent": True})
    assert (one.code, one.severity) == ("consent-missing", Severity.ASK)
    assert one.message == "No consent for velorin is written down."
    assert codes(consents=[]) == []  # neither the label nor the policy asks for it


def test_the_policy_may_ask_for_it_by_medicine_or_group() -> None:
    assert codes(policy={"consent_for": ["velorin"]}) == ["consent-missing"]
    assert codes(policy={"consent_for": ["tarns"]}, medicine={"same_group": ["tarns"]}) == ["consent-missing"]
    assert codes(policy={"consent_for": ["calvrane"]}) == []


@pytest.mark.parametrize(
    ("medicine", "expected"),
    [
        ("", []),  # to every one
        ("velorin", []),
        ("Velorin", []),
        ("tarns", []),  # the group
        ("calvrane", ["consent-missing"]),
    ],
)
def test_a_consent_to_another_medicine_is_none(medicine: str, expected: list[str]) -> None:
    assert consents({**CONSENT, "medicine": medicine}) == expected


@pytest.mark.parametrize(
    ("until", "expected"),
    [("2026-03-01", ["consent-ended"]), ("2026-03-02", []), ("2026-03-03", [])],
)
def test_a_consent_holds_until_its_last_day_ends(until: str, expected: list[str]) -> None:
    assert consents({**CONSENT, "until": until}) == expected


def test_a_consent_that_ended_is_told_with_who_gave_it_and_when() -> None:
    earlier = {"given_by": "her mother", "at": "2025-01-07T08:00:00+00:00", "until": "2025-12-31"}
    later = {**CONSENT, "at": "2026-01-07T08:00:00+00:00", "until": "2026-02-28"}
    one = only(medicine={"consent": True}, consents=[later, earlier])
    assert (one.message, one.severity) == ("The consent of Ambra Thistle ended on 2026-02-28.", Severity.ASK)


def test_one_consent_that_holds_is_enough_beside_one_that_ended() -> None:
    ended = {**CONSENT, "until": "2026-02-28"}
    assert consents(ended, CONSENT) == consents(CONSENT, ended) == []


def test_a_consent_of_later_than_now_is_none() -> None:
    assert consents({**CONSENT, "at": "2026-03-02T09:01:00+00:00"}) == ["consent-missing"]
    assert consents({**CONSENT, "at": "2026-03-02T09:00:00+00:00"}) == []


# --- spoken orders and signatures

READ_BACK = {"prescriber": "Dr Solvei", "read_back_by": "Nell Quarrie"}


def test_a_spoken_order_that_nobody_read_back_asks() -> None:
    one = only(authority="spoken order", order={"prescriber": "Dr Solvei"})
    assert (one.code, one.severity) == ("spoken-not-read-back", Severity.ASK)
    assert one.message == "A spoken order of Dr Solvei, and nobody wrote down that it was read back."
    assert "spoken-not-read-back" not in codes(authority="spoken order", order={"read_back_by": "Nell Quarrie"})
    assert codes(authority="prescription", order={"prescriber": "Dr Solvei"}) == []


@pytest.mark.parametrize(
    ("now", "expected"),
    [
        # Entered on 1 March at 10:00; the preset's 24 hours end on 2 March at 10:00.
        ("2026-03-01T10:00:00+00:00", "signature-outstanding"),
        ("2026-03-02T10:00:00+00:00", "signature-outstanding"),
        ("2026-03-02T10:01:00+00:00", "signature-late"),
    ],
)
def test_a_spoken_order_is_signed_within_the_policys_hours(now: str, expected: str) -> None:
    spoken = {**READ_BACK, "entered": "2026-03-01T10:00:00+00:00"}
    one = only(now=now, authority="spoken order", order=spoken)
    assert one.code == expected
    assert "the prescriber's signature" in one.message
    assert "by 2026-03-02 10:00" in one.message
    signed = {**spoken, "signed": "2026-03-01T12:00:00+00:00"}
    assert codes(now=now, authority="spoken order", order=signed) == []


def test_an_outstanding_signature_is_good_to_know_and_a_late_one_asks() -> None:
    spoken = {**READ_BACK, "entered": "2026-03-01T10:00:00+00:00"}
    outstanding = only(authority="spoken order", order=spoken)
    assert outstanding.severity is Severity.NOTE
    assert outstanding.message == "the prescriber's signature must follow by 2026-03-02 10:00."
    late = only(now="2026-03-02T10:30:00+00:00", authority="spoken order", order=spoken)
    assert late.severity is Severity.ASK
    assert late.message == "the prescriber's signature was to follow by 2026-03-02 10:00."


def test_the_hours_for_a_spoken_order_are_the_policys() -> None:
    spoken = {**READ_BACK, "entered": "2026-03-01T10:00:00+00:00"}
    assert codes(authority="spoken order", order=spoken, policy={"spoken_signature_hours": 12}) == ["signature-late"]


@pytest.mark.parametrize(
    ("now", "expected"),
    [
        # Within 2 days of 28 February, by the calendar: until 2 March ends.
        ("2026-03-02T23:59:00+00:00", "signature-outstanding"),
        ("2026-03-03T00:00:00+00:00", "signature-outstanding"),
        ("2026-03-03T00:01:00+00:00", "signature-late"),
    ],
)
def test_what_must_follow_within_days_has_until_the_end_of_the_last_of_them(now: str, expected: str) -> None:
    must = {"kind": "emergency", "must_follow": "a written order", "within": "2 days"}
    one = only(now=now, authority=must, order={"entered": "2026-02-28T22:15:00+00:00"})
    assert (one.code, "a written order" in one.message) == (expected, True)


def test_what_must_follow_within_hours_is_real_time_over_the_change_of_the_clock() -> None:
    # Entered on 28 March at 20:00, the evening before the clocks go forward in London (IANA time zone database, rule
    # EU): 12 hours later it is 09:00 there.
    must = {"kind": "standing order", "reference": "ST-3", "must_follow": "a countersignature", "within": "12 hours"}
    order = {"entered": "2026-03-28T20:00:00+00:00", "start": "2026-03-28"}
    one = only(now="2026-03-29T08:30:00+01:00", authority=must, order=order)
    assert (one.code, one.message) == (
        "signature-outstanding",
        "a countersignature must follow by 2026-03-29 09:00.",
    )
    assert codes(now="2026-03-29T09:01:00+01:00", authority=must, order=order) == ["signature-late"]


def test_what_must_follow_goes_before_the_spoken_orders_own_hours() -> None:
    must = {"kind": "spoken order", "must_follow": "a written order", "within": "3 days"}
    read = asked(authority=must, order={"entered": "2026-03-01T10:00:00+00:00", "read_back_by": "Nell Quarrie"})
    assert read.request.zone is not None
    follows = signature_until(read.request.order, read.policy, read.request.zone)
    assert follows is not None
    assert follows[0] == "a written order"


def test_an_order_of_which_nobody_knows_when_it_was_entered_has_no_such_time() -> None:
    assert codes(authority="spoken order", order=READ_BACK) == []


# --- an order that cannot be read, and the plan


def planned(**rest: Any) -> dict[str, Finding]:
    read = asked(**rest)
    plan = plan_injection(read.request, policy=read.policy, tables=read.tables)
    return {one.code: one for one in plan.findings}


def test_an_unclear_order_is_for_the_prescriber_with_what_cannot_be_read() -> None:
    one = planned(order={"unclear": ["the unit of the dose", "the day of the month"]})["order-unclear"]
    assert one.severity is Severity.CONFIRM
    assert one.message == "The order is unclear: the unit of the dose; the day of the month."
    assert "order-unclear" not in planned()


def test_the_plan_holds_what_permission_finds() -> None:
    found_ = planned(
        authority={**DIRECTION, "until": "2026-03-01", "exclude": ["fever"]},
        medicine={"consent": True},
        answers=[told("fever", "yes")],
    )
    assert {"authority-ended", "authority-excludes", "consent-missing"} <= set(found_)


@pytest.mark.parametrize(
    ("code", "severity"),
    [
        ("authority-not-begun", Severity.STOP),
        ("authority-ended", Severity.STOP),
        ("authority-not-for", Severity.STOP),
        ("authority-excludes", Severity.STOP),
        ("authority-not-included", Severity.STOP),
        ("test-needed", Severity.STOP),
        ("test-stale", Severity.STOP),
        ("order-unclear", Severity.CONFIRM),
        ("order-complete", Severity.CONFIRM),
        ("question-yes", Severity.CONFIRM),
    ],
)
def test_what_no_reason_lifts_is_lifted_by_none(code: str, severity: Severity) -> None:
    # A stop is cleared by nobody, a confirm by the prescriber: docs/findings.md.
    assert CODES[code].severity is severity


# --- today is the place's day, for the order's own days as well


@pytest.mark.parametrize(
    ("zone", "expected"),
    [("America/New_York", True), ("Europe/London", False), ("Pacific/Auckland", False)],
)
def test_an_order_begins_when_its_first_day_begins_at_the_place(zone: str, expected: bool) -> None:
    # 03:00 UTC on 2 March is still 1 March in New York.
    found_ = planned(now="2026-03-02T03:00:00+00:00", zone=zone, order={"start": "2026-03-02"})
    assert ("order-not-started" in found_) is expected


# --- what is not written down of what an order rests on


@pytest.mark.parametrize("prescriber", [None, "", " "])
def test_a_spoken_order_that_names_nobody_asks_whose_it_is(prescriber: str | None) -> None:
    spoken = {"read_back_by": "Nell Quarrie", "prescriber": prescriber}
    one = only(authority="spoken order", order=spoken)
    assert (one.code, one.severity) == ("spoken-nobody-named", Severity.ASK)
    assert one.message == "A spoken order, and nobody wrote down whose it is."
    assert codes(authority="spoken order", order={**spoken, "prescriber": "Dr Solvei"}) == []


@pytest.mark.parametrize("kind", ["group direction", "standing order"])
@pytest.mark.parametrize("as_object", [False, True])
def test_a_direction_of_which_nothing_is_written_down_asks(kind: str, as_object: bool) -> None:
    one = only(authority={"kind": kind} if as_object else kind)
    assert (one.code, one.severity) == ("authority-without-terms", Severity.ASK)
    assert one.message == f"The order rests on a {kind}, and neither its number nor its limits are written down."


def test_with_limits_and_without_its_number_a_direction_asks_for_the_number() -> None:
    one = only(authority={"kind": "group direction", "until": "2026-12-31"})
    assert one.message == "The order rests on a group direction, and its number is not written down."


@pytest.mark.parametrize("kind", ["prescription", "emergency"])
def test_what_needs_no_number_is_not_asked_for_one(kind: str) -> None:
    assert codes(authority=kind) == []


def test_a_direction_with_its_number_is_not_asked_for_more() -> None:
    assert codes(authority={"kind": "group direction", "reference": "QD-7"}) == []
    assert codes(authority={"kind": "group direction", "reference": " "}) == ["authority-without-terms"]
