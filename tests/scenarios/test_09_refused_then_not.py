"""Jory Pascoe-Ahearn: drawn up, refused, and given in the afternoon. The refusal moves no clock and wears no skin."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from tests.scenarios.conftest import Clinic

LORVEXINE: dict[str, Any] = {
    "name": "lorvexine",
    "routes": ["intramuscular"],
    "least_interval": "25 days",
    "presentations": [{"strength": "100 mg/mL", "volume": "2 mL", "container": "ampoule", "gtin": "09501101531017"}],
}
ORDER = {
    "medicine": "lorvexine",
    "route": "intramuscular",
    "dose": {"amount": "150 mg"},
    "schedule": {"every": "4 weeks", "early": "3 days", "late": "3 days"},
    "start": "2026-01-05",
    "prescriber": "Dr Ashdown-Kerr",
}
AMPOULE = "(01)09501101531017(17)270430(10)LX41"


def at(hour: int, minute: int) -> datetime:
    """A time on Monday 2026-03-02; London is on Greenwich time until the 29th."""
    return datetime(2026, 3, 2, hour, minute, tzinfo=UTC)


def begin(clinic: Clinic) -> None:
    clinic.now = at(10, 0)
    clinic.run("formulary", "add", clinic.file("lorvexine.json", LORVEXINE))
    clinic.run("patient", "add", "--family", "Pascoe-Ahearn", "--given", "Jory", "--born", "1986-10-17")
    clinic.run("patient", "note", "0001", "--allergy", "none known")
    clinic.run("order", "add", "0001", clinic.file("order.json", ORDER))
    clinic.run("stock", "receive", AMPOULE, "--count", "5")
    clinic.run(
        "given", "--patient", "0001", "--medicine", "lorvexine", "--amount", "150 mg", "--reported",
        "--given-by", "the mainland clinic", "--at", "2026-02-02 11:00", "--place", "right ventrogluteal A1",
    )  # fmt: skip


def line_of(clinic: Clinic) -> dict[str, Any]:
    """Jory's line in the list of what is due."""
    (line,) = clinic.run("due")["lines"]
    return dict(line)


def skin_of(clinic: Clinic) -> Any:
    """The next points with how worn each is, and what was counted on the skin."""
    found = clinic.run("rotate", "--order", "0001.1", "--next", "3", "--at", "2026-03-02 10:15")
    return found["next"], found["look_back"]


def refuse(clinic: Clinic, *scans: str) -> dict[str, Any]:
    clinic.now = at(10, 10)
    return dict(
        clinic.run(
            "not-given", "0001.1", "--reason", "refused", "--could-decide", "yes", "--told", "Dr Ashdown-Kerr",
            "--next-try", "2026-03-04 10:00", "--by", "Petra", *scans,
        )
    )  # fmt: skip


def test_refused_at_ten_and_agreed_at_half_past_four(clinic: Clinic) -> None:
    begin(clinic)
    # 2 February and 28 days is 2 March; 3 days each side: 27 February to 5 March.
    line = line_of(clinic)
    assert (line["state"], line["due"]["day"]) == ("due", "2026-03-02")
    assert line["due"]["opens"][:10] == "2026-02-27"

    # 150 mg of 100 mg/mL is 1.5 mL, of one ampoule of 2 mL.
    clinic.now = at(10, 5)
    plan = clinic.run("plan", "--order", "0001.1")
    assert plan["volume_ml"] == {"exact": "1.5", "mark": "1.5", "difference_percent": "0"}
    assert plan["containers"]["count"] == 1
    drawn = clinic.run("drawn-up", plan["plan"], "--scan", AMPOULE, "--by", "Petra")
    assert drawn["body"]["dose_number"] == 1
    assert clinic.stock() == {"LX41": 5}
    before = skin_of(clinic)
    assert [one["open"] for one in clinic.run("chart", "0001")["drawn_up"]] == [True]

    # Refused at 10:10: the ampoule that was drawn up is lost, whether or not it is scanned again.
    entry = refuse(clinic)
    assert clinic.stock() == {"LX41": 4}
    assert entry["body"]["could_decide"] == "yes"
    assert entry["body"]["told"] == "Dr Ashdown-Kerr"
    assert entry["body"]["next_try"] == "2026-03-04T10:00:00+00:00"
    assert "It moves no clock: the dose planned for 2026-03-02 is still due until 2026-03-05." in entry["lines"]
    assert "Next try: 2026-03-04 10:00." in entry["lines"]
    assert skin_of(clinic) == before
    assert line_of(clinic)["due"] == line["due"]
    assert [one["open"] for one in clinic.run("chart", "0001")["drawn_up"]] == [False]

    # At 16:30 he agrees: the same dose of the order, on the same day as planned.
    clinic.now = at(16, 30)
    again = clinic.run("plan", "--order", "0001.1", "--scan", AMPOULE)
    assert (again["due"]["day"], again["due"]["state"]) == ("2026-03-02", "due")
    assert not [one for one in again["findings"] if one["severity"] != "note"]
    given = clinic.run("given", again["plan"], "--scan", AMPOULE, "--given-by", "Petra")
    assert given["body"]["dose_number"] == entry["body"]["dose_number"] == 1
    # The planned moment is the beginning of its day; it closes when 5 March ends.
    assert given["body"]["planned"]["planned"] == "2026-03-02T00:00+00:00"
    assert given["body"]["planned"]["closes"] == "2026-03-06T00:00+00:00"
    assert clinic.stock() == {"LX41": 3}

    # 2 March and 28 days is 30 March.
    line = line_of(clinic)
    assert (line["state"], line["due"]["day"]) == ("early", "2026-03-30")
    assert [one["kind"] for one in clinic.run("chart", "0001")["entries"]] == ["reported", "not given", "given"]


def test_the_ampoule_scanned_at_the_refusal_is_wasted_once(clinic: Clinic) -> None:
    begin(clinic)
    clinic.now = at(10, 5)
    plan = clinic.run("plan", "--order", "0001.1")["plan"]
    clinic.run("drawn-up", plan, "--scan", AMPOULE, "--by", "Petra")
    refuse(clinic, "--scan", AMPOULE)
    assert clinic.stock() == {"LX41": 4}


def test_a_next_try_after_the_window_is_said_to_be_late(clinic: Clinic) -> None:
    begin(clinic)
    entry = clinic.run(
        "not-given", "0001.1", "--reason", "away", "--next-try", "2026-03-06 00:00", "--by", "Petra"
    )  # fmt: skip
    assert "Next try: 2026-03-06 00:00, when the dose will be late." in entry["lines"]
    entry = clinic.run("not-given", "0001.1", "--reason", "away", "--next-try", "2026-03-05 23:59", "--by", "Petra")
    assert "Next try: 2026-03-05 23:59." in entry["lines"]


def test_a_refusal_after_the_window_says_until_when_it_was_due(clinic: Clinic) -> None:
    begin(clinic)
    clinic.now = datetime(2026, 3, 6, 9, 0, tzinfo=UTC)
    entry = clinic.run("not-given", "0001.1", "--reason", "refused", "--could-decide", "no", "--by", "Petra")
    late = "It moves no clock: the dose planned for 2026-03-02 was due until 2026-03-05, and is late."
    assert late in entry["lines"]
    assert any("ask who decides for them" in one for one in entry["lines"])
