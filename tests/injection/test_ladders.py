"""Orders whose dose climbs or falls in steps: by doses, by weeks, and loading before maintenance with its intervals.

Such ladders are common in practice, no source; these are invented. Amounts and days are worked by hand on the calendar.
"""

from __future__ import annotations

from typing import Any

import pytest

from drawup.exchange.reader import FieldError
from drawup.exchange.request import ReadRequest, read_request
from drawup.injection.dose import Dose, work_out_dose
from drawup.injection.lateness import outlook_of, so_far
from drawup.injection.notation import Notation, render
from drawup.injection.plan import plan_injection
from drawup.injection.timing import Due

BY_DOSES = [
    {"amount": "150 mg", "for": "2 doses"},
    {"amount": "100 mg", "for": "3 doses"},
    {"amount": "75 mg"},
]
BY_WEEKS = [
    {"amount": "2.5 mg", "for": "4 weeks"},
    {"amount": "5 mg", "for": "4 weeks"},
    {"amount": "7.5 mg"},
]
# 150 mg on day 1, 100 mg a week later, then 75 mg every 4 weeks.
LOADING = [
    {"amount": "150 mg", "for": "1 dose"},
    {"amount": "100 mg", "for": "1 dose", "every": "1 week"},
    {"amount": "75 mg"},
]


def asked(
    steps: list[dict[str, str]],
    *given: str | dict[str, Any],
    now: str = "2026-03-02T09:00:00+00:00",
    history: bool = True,
    dose: dict[str, Any] | None = None,
    patient: dict[str, Any] | None = None,
    **order: Any,
) -> ReadRequest:
    """A request for the next dose of a ladder; `given`: days, or lines of the history."""
    lines = [{"at": f"{one}T10:00:00+00:00"} if isinstance(one, str) else one for one in given]
    rows = [{"medicine": "velorin", **one} for one in lines]
    document: dict[str, Any] = {
        "format": 1,
        "now": now,
        "zone": "Europe/London",
        "policy": "uk",
        "patient": {"allergies": "none known", **(patient or {})},
        "order": {
            "medicine": "velorin",
            "route": "intramuscular",
            "dose": {"steps": steps, **(dose or {})},
            "start": "2026-01-05",
            "schedule": {"every": "4 weeks"},
            **order,
        },
        "medicine": {"name": "velorin", "presentations": [{"strength": "50 mg/mL", "volume": "2 mL"}]},
    }
    return read_request(document | ({"history": rows} if history else {}))


def dose_of(read: ReadRequest) -> Dose:
    request = read.request
    return work_out_dose(
        order=request.order,
        patient=request.patient,
        medicine=request.medicine,
        readings=request.readings,
        policy=read.policy,
        now=request.now,
        so_far=so_far(request),
    )


def amount(steps: list[dict[str, str]], *given: str | dict[str, Any], **rest: Any) -> str:
    found = dose_of(asked(steps, *given, **rest)).amount
    assert found is not None
    return render(found, Notation())


def due(steps: list[dict[str, str]], *given: str, now: str, **rest: Any) -> Due:
    read = asked(steps, *given, now=now, **rest)
    outlook = outlook_of(read.request, read.policy)
    assert outlook is not None
    assert outlook.due is not None, outlook.ended
    return outlook.due


# --- by doses

WEEKS = ["2026-01-05", "2026-01-12", "2026-01-19", "2026-01-26", "2026-02-02", "2026-02-09"]


@pytest.mark.parametrize(
    ("given", "expected"),
    # The first two 150 mg, the third to fifth 100 mg, from the sixth on 75 mg.
    [(0, "150 mg"), (1, "150 mg"), (2, "100 mg"), (4, "100 mg"), (5, "75 mg"), (6, "75 mg")],
)
def test_steps_by_doses_count_the_doses_that_were_given(given: int, expected: str) -> None:
    assert amount(BY_DOSES, *WEEKS[:given]) == expected


@pytest.mark.parametrize(
    ("kind", "expected"),
    [("given", "100 mg"), ("part given", "100 mg"), ("reported", "100 mg"), ("not given", "150 mg")],
)
def test_only_what_is_in_the_body_climbs_a_step(kind: str, expected: str) -> None:
    second = {"at": "2026-01-12T10:00:00+00:00", "kind": kind}
    assert amount(BY_DOSES, "2026-01-05", second) == expected


def test_what_was_given_before_the_order_or_on_another_open_one_climbs_no_step() -> None:
    assert amount(BY_DOSES, "2025-12-15", "2025-12-29", "2026-01-05") == "150 mg"
    other = {"at": "2026-01-12T10:00:00+00:00", "another_order": True}
    assert amount(BY_DOSES, "2026-01-05", other) == "150 mg"


def test_another_medicine_climbs_no_step() -> None:
    other = {"medicine": "calvrane", "at": "2026-01-12T10:00:00+00:00"}
    assert amount(BY_DOSES, "2026-01-05", other) == "150 mg"


def test_the_working_tells_the_step_and_what_it_rests_on() -> None:
    assert dose_of(asked(BY_DOSES, *WEEKS[:3])).working == (
        "step 2 of 3 (3 doses given, since 2026-01-05): 100 mg, for 3 doses",
        "ordered 100 mg",
    )
    assert dose_of(asked(BY_DOSES)).working[0] == "step 1 of 3 (0 doses given, none yet): 150 mg, for 2 doses"
    assert dose_of(asked(BY_DOSES, *WEEKS)).working[0] == (
        "step 3 of 3 (6 doses given, since 2026-01-05): 75 mg, from here on"
    )
    assert dose_of(asked(LOADING)).working[0].endswith("150 mg, for 1 dose")


# --- by time


@pytest.mark.parametrize(
    ("day", "expected"),
    [
        # From 5 January: 28 days end with 1 February, the next 28 with 1 March.
        ("2026-01-05", "2.5 mg"),
        ("2026-02-01", "2.5 mg"),
        ("2026-02-02", "5 mg"),
        ("2026-03-01", "5 mg"),
        ("2026-03-02", "7.5 mg"),
        ("2027-03-02", "7.5 mg"),
    ],
)
def test_steps_by_weeks_go_by_the_day_of_the_first_dose(day: str, expected: str) -> None:
    # However many were given, and whichever of them were left out.
    for given in (WEEKS[:1], [*WEEKS[:1], "2026-01-12"]):
        past = [one for one in given if one <= day]
        assert amount(BY_WEEKS, *past, now=f"{day}T11:00:00+00:00", schedule={"every": "1 week"}) == expected


def test_before_the_first_dose_the_steps_begin_today() -> None:
    # The order began 8 weeks ago, and nothing was given: the first step, whatever the day.
    assert amount(BY_WEEKS, now="2026-03-02T09:00:00+00:00") == "2.5 mg"


def test_steps_by_months_follow_the_policy_for_month_ends() -> None:
    # First on 31 January 2026: a month later is 1 March, rolling over.
    monthly = [{"amount": "2.5 mg", "for": "1 month"}, {"amount": "5 mg"}]
    rest: dict[str, Any] = {"start": "2026-01-31"}
    assert amount(monthly, "2026-01-31", now="2026-02-28T09:00:00+00:00", **rest) == "2.5 mg"
    assert amount(monthly, "2026-01-31", now="2026-03-01T09:00:00+00:00", **rest) == "5 mg"


def test_the_day_of_a_step_is_the_places_own() -> None:
    # 23:30 UTC on 28 June is 00:30 on 29 June in London, 4 weeks after 1 June: the second step.
    rest: dict[str, Any] = {"start": "2026-06-01", "schedule": {"every": "1 week"}}
    assert amount(BY_WEEKS, "2026-06-01", now="2026-06-28T22:30:00+00:00", **rest) == "2.5 mg"
    assert amount(BY_WEEKS, "2026-06-01", now="2026-06-28T23:30:00+00:00", **rest) == "5 mg"


# --- loading, then maintenance


@pytest.mark.parametrize(
    ("given", "expected", "planned"),
    [
        # 5 January, a week later 12 January, then 4 weeks: 9 February, 9 March.
        ([], "150 mg", "2026-01-05"),
        (["2026-01-05"], "100 mg", "2026-01-12"),
        (["2026-01-05", "2026-01-12"], "75 mg", "2026-02-09"),
        (["2026-01-05", "2026-01-12", "2026-02-09"], "75 mg", "2026-03-09"),
    ],
)
def test_loading_has_its_own_interval_and_maintenance_the_orders(given: list[str], expected: str, planned: str) -> None:
    now = f"{(given or ['2026-01-05'])[-1]}T11:00:00+00:00"
    assert amount(LOADING, *given, now=now) == expected
    assert due(LOADING, *given, now=now).day.isoformat() == planned


def test_a_late_loading_dose_moves_what_comes_after_it() -> None:
    # The second on 15 January, three days late: 4 weeks later is 12 February.
    one = due(LOADING, "2026-01-05", "2026-01-15", now="2026-01-16T09:00:00+00:00")
    assert (one.day.isoformat(), one.number) == ("2026-02-12", 3)
    assert one.because == "4 weeks after 2026-01-15, when it was last given"


def test_the_dose_after_the_next_is_told_by_its_own_interval() -> None:
    first = due(LOADING, now="2026-01-05T09:00:00+00:00")
    second = due(LOADING, "2026-01-05", now="2026-01-05T11:00:00+00:00")
    assert first.after is not None
    assert second.after is not None
    assert (first.after.isoformat(), second.after.isoformat()) == ("2026-01-12", "2026-02-09")


def test_the_interval_is_the_one_before_each_dose_of_its_step() -> None:
    # Three a week apart, then every 4 weeks by a step of its own, though the order says every 2 weeks.
    steps = [{"amount": "100 mg", "for": "3 doses", "every": "1 week"}, {"amount": "75 mg", "every": "4 weeks"}]
    given = ["2026-01-05", "2026-01-12", "2026-01-19"]
    expected = ["2026-01-12", "2026-01-19", "2026-02-16"]
    found = [
        due(steps, *given[: count + 1], now=f"{given[count]}T11:00:00+00:00", schedule={"every": "2 weeks"})
        for count in range(3)
    ]
    assert [one.day.isoformat() for one in found] == expected


# --- what a ladder needs


def test_where_earlier_doses_were_not_asked_about_the_step_is_not_guessed() -> None:
    dose = dose_of(asked(BY_DOSES, history=False))
    assert dose.amount is None
    assert [(one.code, one.severity.value) for one in dose.findings] == [("history-not-asked", "ask")]
    plan_of = asked(BY_DOSES, history=False)
    plan = plan_injection(plan_of.request, policy=plan_of.policy, tables=plan_of.tables)
    assert plan.dose.amount is None
    assert "history-not-asked" in [one.code for one in plan.findings]


def test_a_step_by_weight_is_worked_out_like_any_other_dose() -> None:
    # 2 mg/kg x 62.5 kg = 125 mg, then 1 mg/kg = 62.5 mg.
    steps = [{"amount": "2 mg", "for": "1 dose"}, {"amount": "1 mg"}]
    body = {"weight": "62.5 kg"}
    assert amount(steps, dose={"per": "kg"}, patient=body) == "125 mg"
    assert amount(steps, "2026-01-05", dose={"per": "kg"}, patient=body) == "62.5 mg"


def test_a_cap_holds_on_every_step() -> None:
    assert amount(BY_DOSES, dose={"at_most": "120 mg"}) == "120 mg"
    assert amount(BY_DOSES, *WEEKS[:2], dose={"at_most": "120 mg"}) == "100 mg"


def test_the_plan_draws_up_the_step_that_the_next_dose_is_in() -> None:
    read = asked(LOADING, "2026-01-05", now="2026-01-12T09:00:00+00:00")
    plan = plan_injection(read.request, policy=read.policy, tables=read.tables)
    # 100 mg of 50 mg/mL.
    assert plan.candidate is not None
    assert plan.candidate.volume_ml == 2
    assert plan.outlook is not None
    assert plan.outlook.due is not None
    assert plan.outlook.due.state(read.request.now) == "due"


@pytest.mark.parametrize(
    ("steps", "field"),
    [
        ([{"amount": "150 mg"}, {"amount": "75 mg"}], "order.dose.steps[0]"),  # no end, and steps come after it
        ([{"amount": "150 mg", "for": "2 doses"}], "order.dose.steps[0]"),  # the last one goes on
        (
            [{"amount": "150 mg", "for": "2 doses"}, {"amount": "100 mg", "for": "4 weeks"}, {"amount": "75 mg"}],
            "order.dose.steps",
        ),
        ([{"amount": "150 mg", "for": "12 hours"}, {"amount": "75 mg"}], "order.dose.steps[0].for"),
        ([{"amount": "150 mg", "for": "2 doses"}, {"amount": "75 units"}], "order.dose.steps"),
    ],
)
def test_a_ladder_that_cannot_be_climbed_is_refused(steps: list[dict[str, str]], field: str) -> None:
    with pytest.raises(FieldError) as caught:
        asked(steps)
    assert caught.value.field == field


def test_steps_with_intervals_of_their_own_need_an_order_that_says_every() -> None:
    with pytest.raises(FieldError, match="steps with intervals of their own need a schedule that says every"):
        asked(LOADING, schedule={"at": ["08:00"]})
