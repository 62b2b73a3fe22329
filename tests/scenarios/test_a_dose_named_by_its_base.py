"""A medicine whose amounts name a base, beside one whose amounts do not. Everybody and everything here is invented."""

from __future__ import annotations

from typing import Any

import pytest
from tests.scenarios.conftest import Clinic

SALT: dict[str, Any] = {
    "name": "salvane",
    "routes": ["intramuscular"],
    "equivalences": ["50 mg base = 70.52 mg ester"],
    "at_most_daily": "120 mg base",
    "presentations": [
        {"strength": "50 mg base/mL", "volume": "1 mL", "container": "ampoule", "gtin": "09501101530089"}
    ],
}
PLAIN: dict[str, Any] = {
    "name": "otherine",
    "routes": ["intramuscular"],
    "presentations": [{"strength": "50 mg/mL", "volume": "1 mL", "container": "ampoule", "gtin": "09501101530096"}],
}


def order(medicine: str, amount: str) -> dict[str, Any]:
    dose = {"amount": amount, "doses_per_day": 2}
    return {"medicine": medicine, "route": "intramuscular", "dose": dose, "start": "2026-03-01"}


def found(answered: dict[str, Any], code: str) -> str:
    """The message of the one finding of this code."""
    (message,) = [one["message"] for one in answered["findings"] if one["code"] == code]
    return str(message)


@pytest.fixture
def ready(clinic: Clinic) -> Clinic:
    """Orders 1 and 2 of the one with a base, order 3 of the other, ten ampoules in stock."""
    clinic.run("formulary", "add", clinic.file("salt.json", SALT))
    clinic.run("formulary", "add", clinic.file("plain.json", PLAIN))
    clinic.run("patient", "add", "--family", "Dunmore-Sato", "--given", "Ezra", "--born", "1981-01-15")
    clinic.run("patient", "note", "0001", "--allergy", "none known", "--no-earlier-doses")
    for file in (order("salvane", "50 mg base"), order("salvane", "1.0 mg base"), order("otherine", "50 mg")):
        clinic.run("order", "add", "0001", clinic.file("order.json", file))
    clinic.run("stock", "receive", "(01)09501101530089(17)290430(10)SV1", "--count", "10")
    return clinic


def test_another_order_named_by_its_base_does_not_stand_in_the_way(ready: Clinic) -> None:
    assert ready.run("plan", "--order", "0001.3")["findings"] == []


def test_another_order_of_the_same_base_counts_in_the_day_and_is_shown_safely(ready: Clinic) -> None:
    ready.run("order", "add", "0001", ready.file("order.json", order("salvane", "10 mg base")))
    answered = ready.run("plan", "--order", "0001.1", code=4)
    # (50 + 1 + 10) mg twice a day
    assert "122 mg base a day" in found(answered, "daily-maximum-orders")
    assert "salvane 1 mg base, 2 a day (order 0001.2)" in found(answered, "duplicate-order")


def test_a_part_of_it_is_recorded_corrected_and_hinders_no_other_plan(ready: Clinic) -> None:
    plan = ready.run("plan", "--order", "0001.1", "--accept", "duplicate-order=both meant")["plan"]
    given = ("given", plan, "--scan", "batch:SV1", "--given-by", "Ann (invented)")
    entry = ready.run(*given, "--part", "0.5 mL")
    assert entry["body"]["amount"] == "25 mg base"
    changed = ("correction", entry["entry"], "--volume", "0.6 mL", "--reason", "misread", "--by", "Ann (invented)")
    ready.run(*changed)
    (held,) = ready.run("chart", "0001")["entries"]
    assert held["body"]["amount"] == "30 mg base"
    assert ready.run("plan", "--order", "0001.3")["findings"] == []


def test_what_was_given_elsewhere_is_written_with_its_base_and_counts(ready: Clinic) -> None:
    told = ("given", "--patient", "0001", "--medicine", "salvane", "--amount", "80 mg base", "--reported")
    ready.run(*told, "--given-by", "Bo (invented)", "--at", "2026-03-02 01:00")
    answered = ready.run("plan", "--order", "0001.1", code=4)
    assert "With 80 mg base in the 24 hours before, 50 mg base makes 130 mg base" in found(answered, "daily-maximum")
