"""Ezra Dunmore-Sato: a wrong batch and a wrong arm corrected by addition, and an entry that was another patient's."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from tests.scenarios.conftest import Clinic

CALVRANE: dict[str, Any] = {
    "name": "calvrane",
    "routes": ["intramuscular"],
    "sites": ["deltoid"],
    "presentations": [{"strength": "50 mg/mL", "volume": "1 mL", "container": "ampoule", "gtin": "09501101530089"}],
}
ORDER = {"medicine": "calvrane", "route": "intramuscular", "dose": {"amount": "75 mg"}, "start": "2026-03-01"}
SOFT = "site-volume-soft=divided dose refused by the patient"


def given_on_monday(clinic: Clinic, **medicine: Any) -> str:
    """Petra records 75 mg into the left deltoid from two ampoules of QX118; the entry's name."""
    clinic.now = datetime(2026, 3, 2, 9, 40, tzinfo=UTC)
    clinic.run("formulary", "add", clinic.file("calvrane.json", {**CALVRANE, **medicine}))
    for family, given in (("Dunmore-Sato", "Ezra"), ("Olander-Bly", "Iris")):
        clinic.run("patient", "add", "--family", family, "--given", given, "--born", "1981-01-15")
        number = "0001" if given == "Ezra" else "0002"
        clinic.run("patient", "note", number, "--allergy", "none known")
        clinic.run("order", "add", number, clinic.file("order.json", ORDER))
    for batch, count in (("QX118", "12"), ("QX121", "5")):
        clinic.run("stock", "receive", f"(01)09501101530089(17)270430(10){batch}", "--count", count)
    plan = clinic.run("plan", "--order", "0001.1", "--site", "deltoid", "--side", "left", "--accept", SOFT)
    assert plan["volume_ml"] == {"exact": "1.5", "mark": "1.5", "difference_percent": "0"}
    assert plan["containers"] == {"count": 2, "left_over_ml": "0.5"}
    entry = clinic.run("given", plan["plan"], "--scan", "batch:QX118", "--scan", "batch:QX118", "--given-by", "Petra")
    assert entry["body"]["waste"] == "25 mg"
    assert clinic.stock() == {"QX118": 10, "QX121": 5}
    return str(entry["entry"])


def test_over_the_soft_limit_of_the_deltoid_is_asked(clinic: Clinic) -> None:
    entry = given_on_monday(clinic)
    (found,) = [one for one in clinic.run("chart", "0001")["entries"] if one["entry"] == entry]
    soft = [one for one in found["body"]["findings"] if one["code"] == "site-volume-soft"]
    assert soft[0]["accepted"] == "divided dose refused by the patient"


def test_the_correction_moves_batch_stock_trace_and_side_and_both_stay_readable(clinic: Clinic) -> None:
    entry = given_on_monday(clinic)
    clinic.now = datetime(2026, 3, 3, 8, 15, tzinfo=UTC)
    next_before = clinic.run("plan", "--order", "0001.1", "--site", "deltoid", "--accept", SOFT)["injections"][0][
        "side"
    ]
    clinic.run(
        "correction", entry, "--reason", "the second ampoule was QX121 and the arm was the right one", "--by", "Petra",
        "--place", "right deltoid", "--scan", "batch:QX118", "--scan", "batch:QX121",
    )  # fmt: skip
    assert clinic.stock() == {"QX118": 11, "QX121": 4}

    (held,) = clinic.run("chart", "0001")["entries"]
    assert held["first_written"]["injections"][0]["side"] == "left"
    assert held["first_written"]["containers"][0]["count"] == 2
    assert held["body"]["injections"][0]["side"] == "right"
    assert held["corrections"][0]["reason"].startswith("the second ampoule was QX121")

    for batch in ("QX118", "QX121"):
        (traced,) = clinic.run("trace", "--batch", batch)
        assert traced["name"] == "DUNMORE-SATO, Ezra"
        assert traced["containers"] == 1
        assert traced["corrected"] is True

    # The left arm was thought used, so the right was next; now the right was used, so the left is.
    next_after = clinic.run("plan", "--order", "0001.1", "--site", "deltoid", "--accept", SOFT)["injections"][0]["side"]
    assert (next_before, next_after) == ("right", "left")
    # The wear lies on the right arm, at the same point: mirrored.
    skin = clinic.run("rotate", "--order", "0001.1", "--next", "1")["look_back"]
    assert skin["by_place"] == [{"site": "deltoid", "side": "right", "count": 1}]
    first, now = held["first_written"]["injections"][0], held["body"]["injections"][0]
    assert (now["point"], now["place_mm"]) == (first["point"], first["place_mm"])


def test_an_entry_of_another_patient_frees_the_dose_and_stands_in_the_other_record(clinic: Clinic) -> None:
    entry = given_on_monday(clinic)
    clinic.now = datetime(2026, 3, 3, 8, 15, tzinfo=UTC)
    moved = clinic.run("correction", entry, "--reason", "it was given to Iris", "--by", "Petra", "--belongs-to", "0002")
    (ezra,) = clinic.run("chart", "0001")["entries"]
    assert ezra["void"] is True
    assert ezra["corrections"][0]["belongs_to"] == "0002"
    (iris,) = clinic.run("chart", "0002")["entries"]
    assert iris["entry"] == moved["entry"]
    assert iris["body"]["moved_from"] == entry
    assert "written-later" in iris["body"]["review"]
    assert clinic.run("plan", "--order", "0001.1", "--site", "deltoid", "--accept", SOFT)["dose_number"] == 1
    assert [one["patient"] for one in clinic.run("trace", "--batch", "QX118")] == ["0002"]
    assert clinic.stock() == {"QX118": 10, "QX121": 5}


def test_a_late_correction_of_a_controlled_medicine_is_a_finding(clinic: Clinic) -> None:
    entry = given_on_monday(clinic, controlled=True)
    what = ("--reason", "right arm", "--by", "Petra", "--place", "right deltoid")
    clinic.now = datetime(2026, 3, 5, 8, 15, tzinfo=UTC)
    late = clinic.run("correction", entry, *what, code=4)
    assert [found["code"] for found in late["blocked"]] == ["controlled-correction-late"]
    clinic.run("correction", entry, *what, "--accept", "controlled-correction-late=back from leave, register told")


def test_the_day_after_is_not_late(clinic: Clinic) -> None:
    entry = given_on_monday(clinic, controlled=True)
    clinic.now = datetime(2026, 3, 3, 23, 0, tzinfo=UTC)
    clinic.run("correction", entry, "--reason", "right arm", "--by", "Petra", "--place", "right deltoid")


def test_a_patient_may_be_named_without_leading_zeros_and_it_is_one_record(clinic: Clinic) -> None:
    given_on_monday(clinic)
    clinic.run("patient", "note", "1", "--weight", "77 kg")
    assert clinic.run("chart", "1")["weight"]["value"] == "77 kg"
    assert clinic.run("chart", "1")["patient"] == "0001"
    assert [one["patient"] for one in clinic.run("patient", "list")] == ["0001", "0002"]
    moved = clinic.run("correction", "0001-4", "--reason", "hers", "--by", "Petra", "--belongs-to", "2")
    assert moved["entry"].startswith("0002-")
