"""Tamsin Oyelaran-Bright: a depot three weeks past its day. The label's rule is asked, the test comes first.

Worked by hand: 12 weeks after Monday 2025-11-17 (day 84) is Monday 2026-02-09; 10 weeks (day 70) is 2026-01-26, 14
weeks (day 98) is 2026-02-23. Monday 2026-03-02 is day 105: 21 days past due, 7 past the last plain day. Given then, 12
weeks later is 2026-05-25, from 2026-05-11 to 2026-06-08. The label is invented, as are its weeks.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pytest
from click.testing import CliRunner
from tests.scenarios.conftest import BARRELS, Answered, Clinic

from drawup.cli.main import drawup

RULE = "Later than 14 weeks only after a pregnancy test, and with 7 days' other cover."
MARNOVERA: dict[str, Any] = {
    "name": "marnovera",
    "routes": ["intramuscular"],
    "sites": ["deltoid"],
    "presentations": [
        {
            "form": "suspension",
            "strength": "150 mg/mL",
            "volume": "1 mL",
            "container": "ampoule",
            "gtin": "09501101530058",
        }
    ],
    "timing": {
        "early": "2 weeks",
        "late": "2 weeks",
        "if_late": {
            "do": "test first",
            "test": "pregnancy test",
            "result": "negative",
            "fresh": "1 day",
            "words": RULE,
        },
    },
}
ORDER: dict[str, Any] = {
    "medicine": "marnovera",
    "route": "intramuscular",
    "dose": {"amount": "150 mg"},
    "schedule": {"every": "12 weeks"},
    "start": "2025-11-17",
    "prescriber": "Dr Ashdown-Kerr",
}
LAST = "2025-11-17T10:00:00+00:00"
NEGATIVE = {"what": "pregnancy test", "result": "negative", "at": "2026-03-02T08:50:00+00:00"}
REASON = "pregnancy test negative; other cover for 7 days agreed"


def request(now: str, **more: Any) -> dict[str, Any]:
    return {
        "format": 1,
        "now": now,
        "zone": "Europe/London",
        "policy": "uk",
        "patient": {
            "sex": "female",
            "born": "1999-09-08",
            "weight": "61 kg",
            "height": "167 cm",
            "allergies": "none known",
        },
        "order": ORDER,
        "medicine": MARNOVERA,
        "history": [{"medicine": "marnovera", "at": LAST, "amount": "150 mg", "site": "deltoid", "side": "left"}],
        "barrels": BARRELS,
        **more,
    }


# --- by the public request


@pytest.mark.parametrize(
    ("now", "state", "asks"),
    [
        ("2026-01-25T12:00:00+00:00", "early", ["dose-early"]),
        ("2026-01-26T00:00:00+00:00", "due", []),  # the earliest
        ("2026-02-09T12:00:00+00:00", "due", []),
        ("2026-02-23T23:59:00+00:00", "due", []),  # the last plain day
        ("2026-02-24T00:00:00+00:00", "late", ["dose-late-test"]),
        ("2026-03-02T09:00:00+00:00", "late", ["dose-late-test"]),
    ],
)
def test_from_10_to_14_weeks_it_is_given_without_more_and_then_the_label_is_asked(
    now: str, state: str, asks: list[str]
) -> None:
    answered = Answered(request(now))
    assert (answered["due"]["state"], answered.codes("ask")) == (state, asks)
    assert answered.codes("stop") == (["test-needed"] if state == "late" else [])
    assert answered.exit_code == {"early": 4, "due": 0, "late": 3}[state]


def test_the_window_is_told_with_why() -> None:
    due = Answered(request("2026-03-02T09:00:00+00:00"))["due"]
    assert due["day"] == "2026-02-09"
    assert due["opens"] == "2026-01-26T00:00+00:00"
    assert due["closes"] == "2026-02-24T00:00+00:00"  # the first moment past 23 February
    assert due["because"] == "12 weeks after 2025-11-17, when it was last given"
    assert due["after"] == "2026-05-04"  # 12 weeks after 9 February, had it been given then


def test_on_day_105_the_labels_own_words_are_asked_and_the_test_is_needed() -> None:
    answered = Answered(request("2026-03-02T09:00:00+00:00"))
    asked, stop = answered.finding("dose-late-test"), answered.finding("test-needed")
    assert asked["severity"] == "ask"
    assert asked["message"] == f"Planned for 2026-02-09, 21 days ago; given plainly until 2026-02-23. {RULE}"
    assert stop["severity"] == "stop"
    assert stop["message"] == "Before this dose: pregnancy test. No result is written down; it must be negative."


@pytest.mark.parametrize(
    ("results", "codes", "code"),
    [
        ([], ["test-needed", "dose-late-test"], 3),
        ([{**NEGATIVE, "result": "positive"}], ["test-outside", "dose-late-test"], 4),
        ([{**NEGATIVE, "at": "2026-02-28T23:59:00+00:00"}], ["test-stale", "dose-late-test"], 3),
        ([{**NEGATIVE, "at": "2026-03-01T08:00:00+00:00"}], ["dose-late-test"], 4),
        ([NEGATIVE], ["dose-late-test"], 4),
    ],
)
def test_only_the_right_and_fresh_result_lifts_the_stop(
    results: list[dict[str, str]], codes: list[str], code: int
) -> None:
    answered = Answered(request("2026-03-02T09:00:00+00:00", results=results))
    assert [one["code"] for one in answered["findings"] if one["severity"] != "note"] == codes
    assert answered.exit_code == code


def test_with_the_result_and_the_reason_nothing_stands_in_the_way() -> None:
    accepted = [{"code": "dose-late-test", "reason": REASON}]
    answered = Answered(request("2026-03-02T09:00:00+00:00", results=[NEGATIVE], accepted=accepted))
    assert answered.exit_code == 0
    assert answered.finding("dose-late-test")["accepted"] == REASON
    # A reason alone does not lift the stop.
    assert Answered(request("2026-03-02T09:00:00+00:00", accepted=accepted)).exit_code == 3


def test_given_on_day_105_the_next_is_counted_from_then() -> None:
    given = {"medicine": "marnovera", "at": "2026-03-02T09:20:00+00:00", "amount": "150 mg"}
    due = Answered(request("2026-03-10T09:00:00+00:00", history=[given]))["due"]
    # In London it is summer time by then.
    assert (due["day"], due["opens"], due["closes"]) == (
        "2026-05-25",
        "2026-05-11T00:00+01:00",
        "2026-06-09T00:00+01:00",
    )


# --- through the record

AMPOULE = "(01)09501101530058(17)270430(10)MV7"


def begin(clinic: Clinic) -> None:
    clinic.run("formulary", "add", clinic.file("marnovera.json", MARNOVERA))
    clinic.run(
        "patient", "add", "--family", "Oyelaran-Bright", "--given", "Tamsin", "--born", "1999-09-08", "--sex", "female"
    )
    clinic.run("patient", "note", "0001", "--allergy", "none known")
    clinic.run("order", "add", "0001", clinic.file("order.json", ORDER))
    clinic.run("stock", "receive", AMPOULE, "--count", "4")
    clinic.run(
        "given", "--patient", "0001", "--medicine", "marnovera", "--amount", "150 mg", "--reported",
        "--given-by", "the mainland clinic", "--at", "2025-11-17 10:00", "--place", "left deltoid",
    )  # fmt: skip


def codes_of(plan: dict[str, Any], *severities: str) -> list[str]:
    return [one["code"] for one in plan["findings"] if one["severity"] in severities]


def line_of(clinic: Clinic, *arguments: str) -> dict[str, Any]:
    (line,) = clinic.run("due", *arguments)["lines"]
    return dict(line)


def test_the_list_shows_her_late_with_what_stands_in_the_way(clinic: Clinic) -> None:
    begin(clinic)
    line = line_of(clinic)
    assert (line["state"], line["due"]["day"]) == ("late", "2026-02-09")
    assert {"dose-late-test", "test-needed"} <= {one["code"] for one in line["findings"]}
    clinic.run("patient", "note", "0001", "--result", "pregnancy test=negative", "--by", "Petra")
    tested = {one["code"] for one in line_of(clinic)["findings"]}
    assert "dose-late-test" in tested
    assert "test-needed" not in tested


def test_tested_given_and_the_next_one_planned(clinic: Clinic) -> None:
    begin(clinic)
    place = ("--site", "deltoid", "--side", "right")
    why = ("--accept", f"dose-late-test={REASON}")

    # Without the test no reason helps: the plan is stopped, and so is the giving by it.
    stopped = clinic.run("plan", "--order", "0001.1", *place, *why, code=3)
    assert codes_of(stopped, "stop") == ["test-needed"]
    refused = clinic.run("given", stopped["plan"], "--scan", AMPOULE, "--given-by", "Petra", code=3)
    assert "test-needed" in [one["code"] for one in refused["blocked"]]
    assert clinic.stock() == {"MV7": 4}

    # A result that is not the one that the label asks for is for the prescriber.
    clinic.now = datetime(2026, 3, 2, 9, 5, tzinfo=UTC)
    clinic.run("patient", "note", "0001", "--result", "pregnancy test=not readable", "--by", "Petra")
    unclear = clinic.run("plan", "--order", "0001.1", *place, *why, code=4)
    assert codes_of(unclear, "stop", "confirm") == ["test-outside"]

    # The next one is.
    clinic.now = datetime(2026, 3, 2, 9, 15, tzinfo=UTC)
    clinic.run("patient", "note", "0001", "--result", "pregnancy test=negative", "--by", "Petra")
    asked = clinic.run("plan", "--order", "0001.1", *place, code=4)
    assert codes_of(asked, "stop", "confirm", "ask") == ["dose-late-test"]
    (late,) = [one for one in asked["findings"] if one["code"] == "dose-late-test"]
    assert RULE in late["message"]
    plan = clinic.run("plan", "--order", "0001.1", *place, *why)
    # 150 mg of 150 mg/mL.
    assert (plan["volume_ml"]["exact"], plan["due"]["state"]) == ("1", "late")

    clinic.now = datetime(2026, 3, 2, 9, 25, tzinfo=UTC)
    entry = clinic.run("given", plan["plan"], "--scan", AMPOULE, "--given-by", "Petra", "--at", "2026-03-02 09:20")
    assert clinic.stock() == {"MV7": 3}

    # Planned, actual and reason are kept in the entry, and stay readable in the chart.
    kept = [one["body"] for one in clinic.run("chart", "0001")["entries"] if one["entry"] == entry["entry"]]
    for body in (entry["body"], *kept):
        planned = body["planned"]
        assert datetime.fromisoformat(planned["planned"]) == datetime(2026, 2, 9, tzinfo=UTC)
        assert datetime.fromisoformat(planned["opens"]) == datetime(2026, 1, 26, tzinfo=UTC)
        assert datetime.fromisoformat(planned["closes"]) == datetime(2026, 2, 24, tzinfo=UTC)
        assert planned["state"] == "late"
        assert datetime.fromisoformat(body["at"]) == datetime(2026, 3, 2, 9, 20, tzinfo=UTC)
        reasons = [one["accepted"] for one in body["findings"] if one["code"] == "dose-late-test"]
        assert reasons == [REASON]
    assert len(kept) == 1
    printed = CliRunner().invoke(drawup, ["--record", str(clinic.record), "chart", "0001"]).output
    assert f"planned for 2026-02-09, late: {REASON}" in printed

    # 12 weeks after the day on which it was given, not after the one for which it was planned.
    line = line_of(clinic)
    assert (line["state"], line["due"]["day"]) == ("early", "2026-05-25")
    # 11 May begins and 8 June ends in summer time, an hour before midnight UTC.
    assert datetime.fromisoformat(line["due"]["opens"]) == datetime(2026, 5, 10, 23, 0, tzinfo=UTC)
    assert datetime.fromisoformat(line["due"]["closes"]) == datetime(2026, 6, 8, 23, 0, tzinfo=UTC)
    for at, state in (
        ("2026-05-10 23:59", "early"),
        ("2026-05-11 00:00", "due"),
        ("2026-06-08 23:59", "due"),
        ("2026-06-09 00:00", "late"),
    ):
        assert line_of(clinic, "--at", at)["state"] == state, at


def test_a_result_of_three_weeks_ago_is_too_old_for_the_day_on_which_it_is_needed(clinic: Clinic) -> None:
    begin(clinic)
    clinic.run("patient", "note", "0001", "--result", "pregnancy test=negative", "--at", "2026-02-09 09:00")
    stopped = clinic.run("plan", "--order", "0001.1", "--site", "deltoid", "--side", "right", code=3)
    assert codes_of(stopped, "stop") == ["test-stale"]
