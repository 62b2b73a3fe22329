"""Saoirse Blackwood-Ng: four scans, three caught, one right."""

from __future__ import annotations

import copy
from typing import Any

from tests.scenarios.conftest import Clinic

DEPOT: dict[str, Any] = {
    "name": "norvatide depot",
    "routes": ["intramuscular"],
    "presentations": [
        {"form": "suspension", "strength": "20 mg in 2 mL", "container": "vial", "gtin": "09501101531017"}
    ],
}
DAILY: dict[str, Any] = {
    "name": "norvatide daily",
    "routes": ["subcutaneous"],
    "presentations": [{"strength": "1 mg/mL", "volume": "2 mL", "container": "vial", "gtin": "09501101531024"}],
}
LOOK_ALIKE = "(01)09501101531024(17)270331(10)K7731"
ENDED = "(01)09501101531017(17)260200(10)D204"
QUARANTINED = "(01)09501101531017(17)261130(10)D219"
RIGHT = "(01)09501101531017(17)270430(10)D220"


def begin(clinic: Clinic) -> None:
    for name, entry in (("depot", DEPOT), ("daily", DAILY)):
        clinic.run("formulary", "add", clinic.file(f"{name}.json", copy.deepcopy(entry)))
    clinic.run("patient", "add", "--family", "Blackwood-Ng", "--given", "Saoirse", "--born", "1996-09-09")
    clinic.run("patient", "note", "0001", "--allergy", "none known")
    order = {
        "medicine": "norvatide depot",
        "route": "intramuscular",
        "dose": {"amount": "20 mg"},
        "start": "2026-02-02",
    }
    clinic.run("order", "add", "0001", clinic.file("order.json", order))
    for code in (LOOK_ALIKE, ENDED, QUARANTINED, RIGHT):
        clinic.run("stock", "receive", code, "--count", "2")
    clinic.run("stock", "change", "D219", "quarantined", "--reason", "refrigerator 9.6 degrees C for 3 h")


def stops(clinic: Clinic, code: str) -> dict[str, Any]:
    answered = clinic.run("plan", "--order", "0001.1", "--scan", code, code=3)
    (found,) = [found for found in answered["findings"] if found["severity"] == "stop"]
    return dict(found)


def test_three_wrong_vials_are_caught_and_the_fourth_goes(clinic: Clinic) -> None:
    begin(clinic)
    before = clinic.stock()

    alike = stops(clinic, LOOK_ALIKE)
    assert alike["code"] == "medicine-not-ordered"
    assert "Ordered: norvatide depot" in alike["message"]
    assert "In the hand: norvatide daily" in alike["message"]
    assert "the route: under the skin, not into muscle" in alike["message"]

    ended = stops(clinic, ENDED)
    assert ended["code"] == "batch-expired"
    assert "Batch D204 ended on 2026-02-28" in ended["message"]

    held = stops(clinic, QUARANTINED)
    assert held["code"] == "batch-quarantined"
    assert "refrigerator 9.6 degrees C for 3 h" in held["message"]

    right = clinic.run("plan", "--order", "0001.1", "--scan", RIGHT)
    assert [found for found in right["findings"] if found["severity"] == "stop"] == []

    # Three near misses counted, no stock moved, nothing in her entries.
    misses = clinic.run("chart", "--near-misses")
    assert misses["count"] == 3
    assert misses["by_code"] == {"batch-expired": 1, "batch-quarantined": 1, "medicine-not-ordered": 1}
    assert clinic.stock() == before
    assert clinic.run("chart", "0001")["entries"] == []

    clinic.run("given", right["plan"], "--scan", RIGHT, "--given-by", "Ada")
    assert clinic.stock() == {**before, "D220": before["D220"] - 1}


def test_only_a_named_person_releases_the_quarantine(clinic: Clinic) -> None:
    begin(clinic)
    clinic.run("stock", "change", "D219", "released", code=2)
    assert stops(clinic, QUARANTINED)["code"] == "batch-quarantined"
    clinic.run("stock", "change", "D219", "released", "--by", "Ines, pharmacist")
    clinic.run("plan", "--order", "0001.1", "--scan", QUARANTINED)


def test_an_unknown_code_is_not_in_the_formulary_which_is_not_to_say_wrong(clinic: Clinic) -> None:
    begin(clinic)
    found = stops(clinic, "(01)09501101530126(17)270430(10)X1")
    assert found["code"] == "not-in-formulary"
    assert "wrong" not in found["message"]


def test_a_wrong_vial_scanned_at_giving_is_caught_too(clinic: Clinic) -> None:
    begin(clinic)
    plan = clinic.run("plan", "--order", "0001.1")["plan"]
    refused = clinic.run("given", plan, "--scan", LOOK_ALIKE, "--given-by", "Ada", code=3)
    assert "medicine-not-ordered" in [found["code"] for found in refused["blocked"]]
    assert clinic.run("chart", "--near-misses")["count"] == 1
    assert clinic.run("chart", "0001")["entries"] == []
