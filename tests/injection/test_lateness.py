"""What an early, late or missed dose asks for, and what ends before the dose after it.

The severities are those of docs/findings.md. That a late dose follows its own label, and that nothing is invented where
the label says nothing, is common practice, no source. Labels, orders and people are invented; days are worked by hand.
"""

from __future__ import annotations

from typing import Any

import pytest

from drawup.exchange.request import read_request
from drawup.injection.finding import Finding, Severity
from drawup.injection.lateness import check_timing, outlook_of
from drawup.injection.notation import parse_quantity
from drawup.injection.plan import plan_injection

# Every 12 weeks from 17 November 2025: due on 9 February 2026; with 2 weeks each side from 26 January to 23 February.
GIVEN = "2025-11-17T10:00:00+00:00"
DEPOT: dict[str, Any] = {"every": "12 weeks", "early": "2 weeks", "late": "2 weeks"}
TEST_FIRST = {"do": "test first", "test": "pregnancy test", "result": "negative", "words": "Seven days' other cover."}


def document(
    schedule: dict[str, Any],
    *past: str | dict[str, Any],
    now: str,
    zone: str = "Europe/London",
    label: dict[str, Any] | None = None,
    medicine: dict[str, Any] | None = None,
    order: dict[str, Any] | None = None,
    results: list[dict[str, str]] | None = None,
    policy: dict[str, Any] | None = None,
) -> dict[str, Any]:
    history = [{"medicine": "velorin", "at": one} if isinstance(one, str) else {"medicine": "velorin", **one}
               for one in past]  # fmt: skip
    return {
        "format": 1,
        "now": now,
        "zone": zone,
        "policy": {"preset": "uk", **(policy or {})},
        "patient": {"allergies": "none known"},
        "order": {
            "medicine": "velorin",
            "route": "intramuscular",
            "dose": {"amount": "50 mg"},
            "start": "2025-11-17",
            "schedule": schedule,
            **(order or {}),
        },
        "medicine": {
            "name": "velorin",
            "presentations": [{"strength": "50 mg/mL"}],
            **(medicine or {}),
            **({} if label is None else {"timing": label}),
        },
        "history": history,
        "results": results or [],
    }


def found(schedule: dict[str, Any], *past: str | dict[str, Any], now: str, **rest: Any) -> list[Finding]:
    """What the timing of the next dose finds at a moment, in the order in which it is said."""
    read = read_request(document(schedule, *past, now=now, **rest))
    request = read.request
    return check_timing(request, outlook_of(request, read.policy), parse_quantity("50 mg").quantity, read.policy)


def codes(schedule: dict[str, Any], *past: str | dict[str, Any], now: str, **rest: Any) -> list[str]:
    return [one.code for one in found(schedule, *past, now=now, **rest)]


def only(schedule: dict[str, Any], *past: str | dict[str, Any], now: str, **rest: Any) -> Finding:
    (one,) = found(schedule, *past, now=now, **rest)
    return one


def told(what: str, at: str, test: str = "pregnancy test") -> dict[str, str]:
    return {"what": test, "result": what, "at": at}


# --- early


@pytest.mark.parametrize(
    ("now", "expected"),
    [
        ("2026-01-25T23:59:00+00:00", ["dose-early"]),
        ("2026-01-26T00:00:00+00:00", []),
        ("2026-02-09T12:00:00+00:00", []),
        ("2026-02-23T23:59:00+00:00", []),
        ("2026-02-24T00:00:00+00:00", ["dose-late-no-rule"]),
    ],
)
def test_within_its_window_nothing_is_found_and_before_or_after_it_one_thing(now: str, expected: list[str]) -> None:
    assert codes(DEPOT, GIVEN, now=now) == expected


def test_an_early_dose_is_asked_about_with_the_day_from_which_it_may_be_given() -> None:
    one = only(DEPOT, GIVEN, now="2026-01-20T09:00:00+00:00")
    assert (one.code, one.severity) == ("dose-early", Severity.ASK)
    assert one.message == (
        "Planned for 2026-02-09, and may be given from 2026-01-26: 12 weeks after 2025-11-17, when it was last given."
    )


def test_an_early_dose_by_the_hour_is_told_by_the_places_clock() -> None:
    # 22:30 UTC in summer time is 23:30 in London; 12 hours after 22:40 UTC is 10:40 UTC, which is 11:40 there.
    one = only({"every": "12 hours"}, "2026-06-01T22:40:00+00:00", now="2026-06-02T06:00:00+00:00")
    assert one.code == "dose-early"
    assert one.message.startswith("Planned for 2026-06-02 11:40, and may be given from 2026-06-02 10:40: ")


# --- late, by each rule


def late_rule(**rule: Any) -> dict[str, Any]:
    return {**DEPOT, "if_late": rule}


LATE = "2026-03-02T09:00:00+00:00"  # day 105, 21 days after 9 February


def test_without_a_rule_a_late_dose_asks_what_the_label_says_and_nothing_is_invented() -> None:
    one = only(DEPOT, GIVEN, now=LATE)
    assert (one.code, one.severity) == ("dose-late-no-rule", Severity.ASK)
    # 9 to 28 February is 19 days, and two days of March.
    assert one.message == (
        "Planned for 2026-02-09, 21 days ago (late); given plainly until 2026-02-23. No rule for it is known here."
    )


@pytest.mark.parametrize(
    ("now", "days"), [("2026-02-24T00:00:00+00:00", "15 days"), ("2026-02-24T23:59:00+00:00", "15 days")]
)
def test_how_late_is_told_in_days_of_the_calendar(now: str, days: str) -> None:
    assert f"Planned for 2026-02-09, {days} ago" in only(DEPOT, GIVEN, now=now).message


def test_a_day_late_is_one_day() -> None:
    one = only({"every": "12 weeks"}, GIVEN, now="2026-02-10T09:00:00+00:00")
    assert "Planned for 2026-02-09, 1 day ago" in one.message


def test_a_rule_to_give_it_is_good_to_know() -> None:
    one = only(late_rule(do="give", words="Give it as soon as you can."), GIVEN, now=LATE)
    assert (one.code, one.severity) == ("dose-late-give", Severity.NOTE)
    assert one.message == "Planned for 2026-02-09, 21 days ago (late). Give it as soon as you can."


def test_a_rule_to_wait_is_for_the_prescriber() -> None:
    one = only(late_rule(do="wait", words="Leave it out."), GIVEN, now=LATE)
    assert (one.code, one.severity) == ("dose-late-wait", Severity.CONFIRM)
    assert one.message == "Planned for 2026-02-09, 21 days ago (late). Leave it out."
    assert one.do == "Wait for the next planned dose, or ask the prescriber."


def test_a_rule_to_confirm_is_for_the_prescriber() -> None:
    one = only(late_rule(do="confirm"), GIVEN, now=LATE)
    assert (one.code, one.severity) == ("dose-late-confirm", Severity.CONFIRM)
    assert one.message == "Planned for 2026-02-09, 21 days ago (late)."


def test_a_test_first_asks_and_stops_until_the_result_is_there() -> None:
    late, test = found({**DEPOT, "if_late": TEST_FIRST}, GIVEN, now=LATE)
    assert (late.code, late.severity) == ("dose-late-test", Severity.ASK)
    assert late.message == (
        "Planned for 2026-02-09, 21 days ago; given plainly until 2026-02-23. Seven days' other cover."
    )
    assert (test.code, test.severity) == ("test-needed", Severity.STOP)
    assert test.message == "Before this dose: pregnancy test. No result is written down; it must be negative."


def test_the_rule_of_a_window_does_not_speak_within_it() -> None:
    assert codes({**DEPOT, "if_late": TEST_FIRST}, GIVEN, now="2026-02-23T23:59:00+00:00") == []


@pytest.mark.parametrize(
    ("by_order", "by_label", "expected"),
    [
        (None, {"do": "give"}, "dose-late-give"),
        ({"do": "confirm"}, {"do": "give"}, "dose-late-confirm"),
        ({"do": "wait"}, None, "dose-late-wait"),
    ],
)
def test_the_orders_own_rule_goes_before_the_labels(
    by_order: dict[str, str] | None, by_label: dict[str, str] | None, expected: str
) -> None:
    schedule = {**DEPOT, **({} if by_order is None else {"if_late": by_order})}
    assert codes(schedule, GIVEN, now=LATE, label=None if by_label is None else {"if_late": by_label}) == [expected]


# --- late by the hour


def test_a_dose_with_a_time_that_is_late_is_good_to_know() -> None:
    # Common practice, no source: it is still the dose that is due.
    one = only({"at": ["08:00"]}, now="2026-03-02T09:01:00+00:00", order={"start": "2026-03-02"})
    assert (one.code, one.severity) == ("dose-late-by-hours", Severity.NOTE)
    assert one.message == "Planned for 2026-03-02 08:00, 61 minutes ago; given plainly until 2026-03-02 09:00."
    assert codes({"at": ["08:00"]}, now="2026-03-02T09:00:00+00:00", order={"start": "2026-03-02"}) == []


@pytest.mark.parametrize(
    ("now", "words"),
    [("2026-03-02T21:59:00+00:00", "119 minutes"), ("2026-03-02T22:30:00+00:00", "2 hours 30 minutes")],
)
def test_how_late_by_the_clock_is_told_in_minutes_and_hours(now: str, words: str) -> None:
    # 12 hours after 08:00 is 20:00.
    one = only({"every": "12 hours"}, "2026-03-02T08:00:00+00:00", now=now, order={"start": "2026-03-02"})
    assert f", {words} ago" in one.message


def test_a_dose_with_a_time_that_is_missed_asks() -> None:
    schedule = {"every": "12 hours", "missed_after": "4 hours"}
    one = only(schedule, "2026-03-02T08:00:00+00:00", now="2026-03-03T00:01:00+00:00", order={"start": "2026-03-02"})
    assert (one.code, "(missed)" in one.message) == ("dose-late-no-rule", True)


# --- missed


MISSED_AFTER = {**DEPOT, "missed_after": "4 weeks"}  # 9 February and 4 weeks: until 9 March ends


@pytest.mark.parametrize(
    ("now", "code"),
    [("2026-03-09T23:59:00+00:00", "dose-late-give"), ("2026-03-10T00:00:00+00:00", "dose-late-confirm")],
)
def test_a_missed_dose_has_a_rule_of_its_own(now: str, code: str) -> None:
    schedule = {**MISSED_AFTER, "if_late": {"do": "give"}, "if_missed": {"do": "confirm"}}
    assert codes(schedule, GIVEN, now=now) == [code]


@pytest.mark.parametrize(
    ("do", "code"),
    [
        ("give", "dose-late-give"),
        ("wait", "dose-late-wait"),
        ("confirm", "dose-late-confirm"),
        ("test first", "dose-late-test"),
    ],
)
def test_each_rule_speaks_of_a_missed_dose_as_missed(do: str, code: str) -> None:
    rule = TEST_FIRST if do == "test first" else {"do": do}
    first = found({**MISSED_AFTER, "if_missed": rule}, GIVEN, now="2026-03-10T09:00:00+00:00")[0]
    assert first.code == code
    # 9 February to 10 March: 19 days and 10.
    assert "29 days ago" in first.message
    assert do == "test first" or "(missed)" in first.message


def test_without_one_of_its_own_a_missed_dose_has_the_late_ones_rule() -> None:
    assert codes({**MISSED_AFTER, "if_late": {"do": "wait"}}, GIVEN, now="2026-03-10T09:00:00+00:00") == [
        "dose-late-wait"
    ]


def test_a_missed_dose_without_a_rule_asks_and_a_rule_for_a_missed_one_says_nothing_of_a_late_one() -> None:
    one = only(MISSED_AFTER, GIVEN, now="2026-03-10T09:00:00+00:00")
    assert (one.code, "(missed)" in one.message) == ("dose-late-no-rule", True)
    assert codes({**MISSED_AFTER, "if_missed": {"do": "give"}}, GIVEN, now=LATE) == ["dose-late-no-rule"]


def test_what_went_by_in_a_timetable_is_told_with_its_times() -> None:
    first, second = found(
        {"at": ["08:00", "20:00"]}, "2026-03-02T08:00:00+00:00", now="2026-03-03T21:30:00+00:00",
        order={"start": "2026-03-02"},
    )  # fmt: skip
    assert (first.code, first.severity) == ("doses-missed", Severity.NOTE)
    assert first.message == "Went by without a dose: 2026-03-03 08:00, 2026-03-02 20:00."
    assert first.do == "Tell the prescriber if it matters; give no double dose."
    assert second.code == "dose-late-by-hours"


def test_of_many_that_went_by_five_are_named_and_the_rest_counted() -> None:
    # From 3 to 11 March, at 08:00: nine.
    one = found({"at": ["08:00"]}, "2026-03-02T08:00:00+00:00", now="2026-03-12T08:00:00+00:00",
                order={"start": "2026-03-02"})[0]  # fmt: skip
    assert one.message == (
        "Went by without a dose: 2026-03-11 08:00, 2026-03-10 08:00, 2026-03-09 08:00, "
        "2026-03-08 08:00, 2026-03-07 08:00 and 4 before."
    )


# --- the test that comes first


def with_results(*results: dict[str, str], **rule: Any) -> list[str]:
    return codes({**DEPOT, "if_late": {**TEST_FIRST, **rule}}, GIVEN, now=LATE, results=list(results))


def test_the_right_result_lifts_the_stop_and_the_question_stays() -> None:
    assert with_results(told("negative", "2026-03-02T08:00:00+00:00")) == ["dose-late-test"]
    assert with_results(told("Negative", "2026-03-02T08:00:00+00:00")) == ["dose-late-test"]


def test_another_test_is_not_this_one() -> None:
    other = told("negative", "2026-03-02T08:00:00+00:00", test="urine culture")
    assert with_results(other) == ["dose-late-test", "test-needed"]


def test_the_wrong_result_is_for_the_prescriber() -> None:
    found_ = found({**DEPOT, "if_late": TEST_FIRST}, GIVEN, now=LATE,
                   results=[told("positive", "2026-03-02T08:00:00+00:00")])  # fmt: skip
    one = found_[1]
    assert (one.code, one.severity) == ("test-outside", Severity.CONFIRM)
    assert one.message == "pregnancy test of 2026-03-02 08:00 is positive; for this dose it must be negative."


def test_the_newest_result_decides() -> None:
    first, then = told("positive", "2026-03-02T07:00:00+00:00"), told("negative", "2026-03-02T08:00:00+00:00")
    assert with_results(first, then) == with_results(then, first) == ["dose-late-test"]
    turned = told("positive", "2026-03-02T08:30:00+00:00")
    assert with_results(then, turned) == ["dose-late-test", "test-outside"]


def test_a_result_of_later_than_now_is_none() -> None:
    assert with_results(told("negative", "2026-03-02T09:01:00+00:00")) == ["dose-late-test", "test-needed"]
    assert with_results(told("negative", "2026-03-02T09:00:00+00:00")) == ["dose-late-test"]


@pytest.mark.parametrize(
    ("fresh", "at", "stale"),
    [
        # Now is 2 March, 09:00. Hours are real time.
        ("24 hours", "2026-03-01T09:01:00+00:00", False),
        ("24 hours", "2026-03-01T09:00:00+00:00", False),
        ("24 hours", "2026-03-01T08:59:00+00:00", True),
        # Days are days of the calendar: three days ago is 27 February, from its first minute.
        ("3 days", "2026-02-28T00:00:00+00:00", False),
        ("3 days", "2026-02-27T00:00:00+00:00", False),
        ("3 days", "2026-02-26T23:59:00+00:00", True),
        ("1 week", "2026-02-23T00:00:00+00:00", False),
        ("1 week", "2026-02-22T23:59:00+00:00", True),
    ],
)
def test_a_result_may_be_too_old(fresh: str, at: str, stale: bool) -> None:
    found_ = found({**DEPOT, "if_late": {**TEST_FIRST, "fresh": fresh}}, GIVEN, now=LATE,
                   results=[told("negative", at)])  # fmt: skip
    assert [one.code for one in found_] == ["dose-late-test", *(["test-stale"] if stale else [])]
    if stale:
        assert found_[1].severity is Severity.STOP
        day, clock = at[:10], at[11:16]
        assert found_[1].message == f"pregnancy test negative is of {day} {clock}; it counts for {fresh}."


def test_a_rule_that_names_no_result_takes_any() -> None:
    rule = {"do": "test first", "test": "hormone level"}
    schedule = {**DEPOT, "if_late": rule}
    needed = found(schedule, GIVEN, now=LATE)[1]
    assert needed.message == "Before this dose: hormone level. No result is written down; it must be known."
    result = told("raised", "2026-03-02T08:00:00+00:00", test="hormone level")
    assert codes(schedule, GIVEN, now=LATE, results=[result]) == ["dose-late-test"]


# --- the order ends, a review, a test: two doses ahead, and overdue

# Every 4 weeks, last on 2 March 2026: due on 30 March, and the one after on 27 April.
MONTHLY = {"every": "4 weeks", "late": "1 week"}
LAST = "2026-03-02T10:00:00+00:00"
ON_THE_DAY = "2026-03-30T09:00:00+01:00"


def ahead(now: str = ON_THE_DAY, schedule: dict[str, Any] | None = None, **order: Any) -> list[Finding]:
    results = order.pop("results", None)
    return found(schedule or MONTHLY, LAST, now=now, order={"start": "2026-03-02", **order}, results=results)


@pytest.mark.parametrize(
    ("stop", "expected"),
    [("2026-03-30", ["order-ends-soon"]), ("2026-04-26", ["order-ends-soon"]), ("2026-04-27", []), ("2026-04-28", [])],
)
def test_an_order_that_ends_before_the_dose_after_this_one_is_said_now(stop: str, expected: list[str]) -> None:
    assert [one.code for one in ahead(stop=stop)] == expected


def test_the_end_of_an_order_is_told_with_the_dose_that_would_be_left_out() -> None:
    (one,) = ahead(stop="2026-04-20")
    assert one.message == "The order ends on 2026-04-20, before the dose after this one on 2026-04-27."
    assert one.severity is Severity.NOTE


def test_where_the_next_dose_is_the_last_no_end_is_told() -> None:
    assert ahead(schedule={**MONTHLY, "doses": 2}, stop="2026-04-20") == []


@pytest.mark.parametrize(
    ("review", "expected"),
    [
        ("2026-03-29", "review-overdue"),
        ("2026-03-30", "review-soon"),  # today
        ("2026-04-26", "review-soon"),
        ("2026-04-27", "review-soon"),
        ("2026-04-28", None),
    ],
)
def test_a_review_is_told_two_doses_ahead_and_asked_about_once_its_day_has_passed(
    review: str, expected: str | None
) -> None:
    codes_ = [one.code for one in ahead(review=review)]
    assert codes_ == ([] if expected is None else [expected])


def test_an_overdue_review_asks() -> None:
    (one,) = ahead(review="2026-03-20")
    assert (one.message, one.severity) == ("The order was to be reviewed by 2026-03-20.", Severity.ASK)


QUARTERLY = [{"what": "liver panel", "every": "3 months"}]


@pytest.mark.parametrize(
    ("done", "expected"),
    [
        # Three months after each: 29 March, 30 March (today), 26, 27 and 28 April.
        ("2025-12-29", "test-overdue"),
        ("2025-12-30", "test-soon"),
        ("2026-01-26", "test-soon"),
        ("2026-01-27", "test-soon"),
        ("2026-01-28", None),
    ],
)
def test_a_repeated_test_is_told_two_doses_ahead_and_asked_about_when_it_is_overdue(
    done: str, expected: str | None
) -> None:
    result = {"what": "Liver panel", "result": "as expected", "at": f"{done}T09:00:00+00:00"}
    found_ = ahead(tests=QUARTERLY, results=[result])
    assert [one.code for one in found_] == ([] if expected is None else [expected])


def test_an_overdue_test_and_one_that_was_never_done_ask() -> None:
    (never,) = ahead(tests=QUARTERLY)
    assert (never.code, never.severity) == ("test-never-done", Severity.ASK)
    assert never.message == "No result of liver panel is written down; the order asks for it every 3 months."
    result = {"what": "liver panel", "result": "as expected", "at": "2025-12-15T09:00:00+00:00"}
    (overdue,) = ahead(tests=QUARTERLY, results=[result])
    assert overdue.severity is Severity.ASK
    assert overdue.message == "liver panel was due again on 2026-03-15 (every 3 months)."


def test_the_last_of_several_results_counts() -> None:
    results = [
        {"what": "liver panel", "result": "as expected", "at": f"{on}T09:00:00+00:00"}
        for on in ("2026-02-20", "2025-11-02")
    ]
    assert ahead(tests=QUARTERLY, results=results) == []  # 20 May is after 27 April


def test_a_test_every_month_from_the_31st_follows_the_policy_for_month_ends() -> None:
    # One month after 31 January 2026 is 1 March, rolling over, or 28 February; on 1 March only the second has passed.
    result = {"what": "liver panel", "result": "as expected", "at": "2026-01-31T09:00:00+00:00"}
    for month_ends, expected in (("rolls over", ["test-soon"]), ("clamps", ["test-overdue"])):
        assert codes(
            {"every": "1 week", "late": "1 week"}, "2026-02-23T10:00:00+00:00", now="2026-03-01T09:00:00+00:00",
            order={"start": "2026-02-02", "tests": [{"what": "liver panel", "every": "1 month"}]},
            results=[result], policy={"month_ends": month_ends, "dose_window_minutes": 60},
        ) == ["dose-early", *expected], month_ends  # fmt: skip


@pytest.mark.parametrize("schedule", [{"when_needed": True}, None])
@pytest.mark.parametrize(
    ("review", "expected"), [("2026-03-01", ["review-overdue"]), ("2026-03-02", ["review-soon"]), ("2026-03-03", [])]
)
def test_a_review_is_asked_about_where_no_dose_is_planned_as_well(
    schedule: dict[str, Any] | None, review: str, expected: list[str]
) -> None:
    # An order for when it is needed, and one whose times cannot be counted by: today is all that there is to go by.
    told_ = {"start": "2026-02-02", "review": review}
    asked = document(schedule or {}, now=LATE, order=told_)
    if schedule is None:
        asked["order"] |= {"times": ["with the ward round"], "schedule": None}
    read = read_request(asked)
    found_ = check_timing(read.request, outlook_of(read.request, read.policy), None, read.policy)
    in_words = ["times-in-words"] if schedule is None else []
    assert [one.code for one in found_] == [*in_words, *expected]


# --- a series, and live vaccines

PAIR = {"series": [{}, {"after": "8 weeks", "least_after": "4 weeks"}]}
FIRST = "2026-03-02T10:00:00+00:00"  # 4 weeks later 30 March, 8 weeks 27 April


@pytest.mark.parametrize(
    ("now", "expected"),
    [
        ("2026-03-25T23:59:00+00:00", "series-too-early"),
        ("2026-03-26T00:00:00+00:00", "series-in-grace"),  # 4 days of grace
        ("2026-03-29T22:59:00+00:00", "series-in-grace"),
        ("2026-03-29T23:00:00+00:00", None),  # 30 March in summer time
    ],
)
def test_a_dose_of_a_series_is_too_early_then_within_the_grace_then_due(now: str, expected: str | None) -> None:
    # The grace: CDC, Calculating Dates quick guide (minimum ages and intervals less 4 days).
    found_ = codes(PAIR, FIRST, now=now, order={"start": "2026-03-02"}, policy={"grace_days": 4})
    assert found_ == ([] if expected is None else [expected])


def test_without_grace_and_for_a_live_vaccine_it_is_too_early_until_the_day() -> None:
    rest: dict[str, Any] = {"order": {"start": "2026-03-02"}}
    assert codes(PAIR, FIRST, now="2026-03-29T12:00:00+01:00", **rest) == ["series-too-early"]
    live = codes(
        PAIR, FIRST, now="2026-03-29T12:00:00+01:00", policy={"grace_days": 4}, medicine={"live": True}, **rest
    )
    assert live == ["series-too-early"]


def test_too_early_is_for_the_prescriber_and_the_grace_is_good_to_know() -> None:
    order = {"start": "2026-03-02"}
    early = only(PAIR, FIRST, now="2026-03-16T09:00:00+00:00", order=order, policy={"grace_days": 4})
    assert early.severity is Severity.CONFIRM
    assert early.message == (
        "Too early to count: planned for 2026-04-27, dose 2 of 2: 8 weeks after the dose before, 2026-03-02. "
        "It counts from 2026-03-26."
    )
    assert early.do == "Give it on 2026-03-30 or later, or ask the prescriber."
    grace = only(PAIR, FIRST, now="2026-03-27T09:00:00+00:00", order=order, policy={"grace_days": 4})
    assert (grace.severity, grace.do) == (Severity.NOTE, "Give it on 2026-03-30 or later where that is possible.")


@pytest.mark.parametrize(
    ("now", "expected"),
    [
        ("2026-03-02T18:00:00+00:00", []),  # the same day
        ("2026-03-03T09:00:00+00:00", ["live-too-soon"]),
        ("2026-03-29T12:00:00+01:00", ["live-too-soon"]),  # 27 days later
        ("2026-03-30T09:00:00+01:00", []),  # 28
    ],
)
def test_two_live_vaccines_are_given_on_one_day_or_28_days_apart(now: str, expected: list[str]) -> None:
    # CDC general best practice guidelines for immunization, four weeks (from memory); here it is the policy's own key.
    other = {"medicine": "tarnavax", "at": FIRST, "live": True}
    found_ = codes({"once": True, "late": "10 weeks"}, other, now=now, order={"start": "2026-03-02"},
                   medicine={"live": True})  # fmt: skip
    assert found_ == expected


def test_the_days_between_live_vaccines_are_the_policys_and_the_earliest_is_told() -> None:
    other = {"medicine": "tarnavax", "at": FIRST, "live": True}
    one = only({"once": True, "late": "10 weeks"}, other, now="2026-03-05T09:00:00+00:00",
               order={"start": "2026-03-02"}, medicine={"live": True}, policy={"live_interval_days": 14})  # fmt: skip
    assert one.severity is Severity.CONFIRM
    assert one.message == (
        "tarnavax, a live vaccine, was given on 2026-03-02: on the same day, or 14 days apart. From 2026-03-16."
    )


@pytest.mark.parametrize(("mine", "other"), [(False, True), (True, False), (False, False)])
def test_only_two_that_are_live_stand_in_each_others_way(mine: bool, other: bool) -> None:
    past = {"medicine": "tarnavax", "at": FIRST, "live": other}
    assert codes({"once": True, "late": "10 weeks"}, past, now="2026-03-05T09:00:00+00:00",
                 order={"start": "2026-03-02"}, medicine={"live": mine}) == []  # fmt: skip


def test_a_live_vaccine_that_was_refused_is_not_in_the_way() -> None:
    past = {"medicine": "tarnavax", "at": FIRST, "live": True, "kind": "not given"}
    assert codes({"once": True, "late": "10 weeks"}, past, now="2026-03-05T09:00:00+00:00",
                 order={"start": "2026-03-02"}, medicine={"live": True}) == []  # fmt: skip


# --- when needed


def test_a_when_needed_dose_too_soon_is_for_the_prescriber_with_the_time() -> None:
    order = {"start": "2026-03-02"}
    schedule = {"when_needed": True, "least_interval": "4 hours"}
    one = only(schedule, "2026-03-02T08:00:00+00:00", now="2026-03-02T11:59:00+00:00", order=order)
    assert (one.code, one.severity) == ("when-needed-too-soon", Severity.CONFIRM)
    assert one.message == ("The order allows another dose from 2026-03-02 12:00: at least 4 hours after the last dose.")
    assert codes(schedule, "2026-03-02T08:00:00+00:00", now="2026-03-02T12:00:00+00:00", order=order) == []


def test_so_many_in_any_24_hours() -> None:
    order = {"start": "2026-03-02"}
    schedule = {"when_needed": True, "at_most_doses": 2}
    given = ("2026-03-02T08:00:00+00:00", "2026-03-02T14:00:00+00:00")
    assert codes(schedule, given[0], now="2026-03-02T14:00:00+00:00", order=order) == []
    one = only(schedule, *given, now="2026-03-03T07:59:00+00:00", order=order)
    assert one.message == "The order allows another dose from 2026-03-03 08:00: at most 2 doses in any 24 hours."
    assert codes(schedule, *given, now="2026-03-03T08:00:00+00:00", order=order) == []


@pytest.mark.parametrize(
    ("before", "expected"),
    [
        # This dose is 50 mg; at most 200 mg in 24 hours.
        ("149 mg", []),
        ("150 mg", []),
        ("151 mg", ["when-needed-maximum"]),
    ],
)
def test_so_much_in_any_24_hours(before: str, expected: list[str]) -> None:
    past = {"at": "2026-03-02T08:00:00+00:00", "amount": before}
    schedule = {"when_needed": True, "at_most": "200 mg"}
    assert codes(schedule, past, now="2026-03-02T20:00:00+00:00", order={"start": "2026-03-02"}) == expected


def test_what_is_24_hours_old_has_left_the_maximum() -> None:
    past = {"at": "2026-03-02T08:00:00+00:00", "amount": "180 mg"}
    schedule = {"when_needed": True, "at_most": "200 mg"}
    order = {"start": "2026-03-02"}
    one = only(schedule, past, now="2026-03-03T07:59:00+00:00", order=order)
    assert (one.code, one.severity) == ("when-needed-maximum", Severity.CONFIRM)
    assert one.message == "With this dose 230 mg in 24 hours; the order allows 200 mg."
    assert codes(schedule, past, now="2026-03-03T08:00:00+00:00", order=order) == []


def test_an_earlier_dose_of_no_known_amount_cannot_be_counted() -> None:
    schedule = {"when_needed": True, "at_most": "200 mg"}
    one = only(schedule, "2026-03-02T08:00:00+00:00", now=LATE, order={"start": "2026-03-02"})
    assert (one.code, one.severity) == ("history-unclear", Severity.ASK)


# --- nothing more is due


def test_all_doses_given_is_for_the_prescriber() -> None:
    given = ("2026-03-02T10:00:00+00:00", "2026-03-09T10:00:00+00:00")
    one = only({"every": "1 week", "doses": 2}, *given, now="2026-03-16T10:00:00+00:00", order={"start": "2026-03-02"})
    assert (one.code, one.severity) == ("order-complete", Severity.CONFIRM)
    assert one.message == "Nothing more is due on this order: all 2 doses were given."


def test_a_dose_ordered_once_and_given_is_complete() -> None:
    assert codes({"once": True}, LAST, now="2026-03-02T11:00:00+00:00", order={"start": "2026-03-02"}) == [
        "order-complete"
    ]


# --- in the plan


def test_a_plan_says_it_once_by_the_orders_own_words() -> None:
    # Two hours after the last: early by the order, and given shortly before. The dose that was given is named. Once.
    read = read_request(
        document({"every": "12 hours"}, "2026-03-02T08:00:00+00:00", now="2026-03-02T10:00:00+00:00",
                 order={"start": "2026-03-02"})
    )  # fmt: skip
    plan = plan_injection(read.request, policy=read.policy, tables=read.tables)
    codes_ = [one.code for one in plan.findings]
    assert "given-recently" in codes_
    assert "dose-early" not in codes_
    assert plan.outlook is not None
    assert plan.outlook.due is not None
    assert plan.outlook.due.state(read.request.now) == "early"


def test_a_stop_for_a_test_stops_the_plan_and_a_reason_lifts_only_the_question() -> None:
    asked = document({**DEPOT, "if_late": TEST_FIRST}, GIVEN, now=LATE)
    asked["accepted"] = [
        {"code": "dose-late-test", "reason": "she was away"},
        {"code": "test-needed", "reason": "no time"},
    ]
    read = read_request(asked)
    plan = plan_injection(read.request, policy=read.policy, tables=read.tables)
    standing = {one.code: one.blocks for one in plan.findings if one.code in ("dose-late-test", "test-needed")}
    assert standing == {"dose-late-test": False, "test-needed": True}
    assert plan.worst is Severity.STOP
