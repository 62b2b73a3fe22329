"""Ambrose Kettlewell: a vaccine into muscle on an anticoagulant."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from tests.scenarios.conftest import NOW, Answered, Clinic

TERN: dict[str, Any] = {
    "name": "Tern vaccine",
    "routes": ["intramuscular"],
    "presentations": [
        {"strength": "30 micrograms in 0.5 mL", "container": "prefilled syringe", "gtin": "09501101530041"}
    ],
}
ORDER = {"medicine": "Tern vaccine", "route": "intramuscular", "dose": {"amount": "0.5 mL"}, "start": "2026-03-01"}


def request(inr: str | None, *, weight: bool = True) -> dict[str, Any]:
    patient = {
        "sex": "male",
        "born": "1943-02-01",
        "height": "170 cm",
        "allergies": "none known",
        "bleeding_risk": {"reason": "anticoagulant", "reading": "INR", "from": "2", "to": "3"},
    }
    if weight:
        patient["weight"] = "58 kg"
    readings = [] if inr is None else [{"what": "INR", "value": inr, "at": "2026-02-27T10:00:00+00:00"}]
    return {
        "format": 1,
        "now": NOW,
        "patient": patient,
        "order": ORDER,
        "medicine": TERN,
        "history": [],
        "readings": readings,
    }


def test_one_reason_is_asked_and_the_route_stays() -> None:
    answered = Answered(request("2.6"))
    assert answered.codes("ask") == ["bleeding-risk"]
    assert "INR 2.6 on 2026-02-27" in answered.finding("bleeding-risk")["message"]
    (injection,) = answered["injections"]
    assert injection["site"] == "deltoid"
    assert injection["needle"] == {"gauge": 25, "length_mm": "25"}


def test_no_drawing_back_press_two_minutes_without_rubbing_and_warn_of_a_bruise() -> None:
    steps = " ".join(Answered(request("2.6"))["injections"][0]["technique"]).lower()
    assert "do not draw back" in steps
    assert "2 minutes" in steps
    assert "without rubbing" in steps
    assert "bruise" in steps


def test_bone_may_be_touched_in_74_of_100_and_in_44_with_3_mm_showing() -> None:
    # Skin to bone 22.54 mm, SD 3.85 mm at 75 years and over (Nakayama 2022): 25 mm and 22 mm deep.
    message = Answered(request("2.6")).finding("bone-possible")["message"]
    assert "74 of 100" in message
    assert "44" in message
    assert "bone-possible" in Answered(request("2.6")).codes("note")


def test_an_inr_of_5_2_or_none_goes_to_the_prescriber() -> None:
    assert Answered(request("5.2")).codes("confirm") == ["bleeding-reading-outside"]
    assert Answered(request(None)).codes("confirm") == ["bleeding-reading-missing"]


def test_no_weight_on_file_gives_the_same_plan_without_demand() -> None:
    with_weight, without = Answered(request("2.6")), Answered(request("2.6", weight=False))
    for key in ("dose", "volume_ml"):
        assert without[key] == with_weight[key]
    # What the figures say is wider where the weight is not known; what the hands do is the same.
    figures = {"layer_working", "chance", "cells", "distance_mm", "other_needles"}
    hands = [
        {key: value for key, value in one["injections"][0].items() if key not in figures}
        for one in (with_weight, without)
    ]
    assert hands[0] == hands[1]
    assert without["injections"][0]["distance_mm"]["p95"] > with_weight["injections"][0]["distance_mm"]["p95"]
    assert without.codes("stop") == []
    assert without.codes("ask") == ["bleeding-risk"]


def test_the_reason_is_remembered_for_the_next_dose_of_the_order(clinic: Clinic) -> None:
    clinic.run("formulary", "add", clinic.file("tern.json", TERN))
    clinic.run(
        "patient", "add", "--family", "Kettlewell", "--given", "Ambrose", "--born", "1943-02-01", "--sex", "male"
    )
    clinic.run(
        "patient", "note", "0001", "--allergy", "none known",
        "--bleeding", "anticoagulant", "--watched-by", "INR=2-3",
        "--reading", "INR=2.6", "--at", "2026-02-27 10:00",
    )  # fmt: skip
    clinic.run("order", "add", "0001", clinic.file("order.json", ORDER))
    clinic.run("stock", "receive", "(01)09501101530041(17)270430(10)TV1", "--count", "5")
    plan = clinic.run("plan", "--order", "0001.1", "--accept", "bleeding-risk=weighed with the patient")["plan"]
    clinic.run("given", plan, "--scan", "batch:TV1", "--given-by", "Ada")
    clinic.now += timedelta(days=28)
    again = clinic.run("plan", "--order", "0001.1")  # exit code 0: not asked twice for the unchanged fact
    (found,) = [one for one in again["findings"] if one["code"] == "bleeding-risk"]
    assert found["accepted"] == "weighed with the patient"
