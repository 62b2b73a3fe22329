"""Marguerite Oduya-Flint: an oily depot into a large body, by guideline and by a measured distance."""

from __future__ import annotations

from typing import Any

import pytest
from tests.scenarios.conftest import BARRELS, NOW, Answered

SERNOVALATE: dict[str, Any] = {
    "name": "sernovalate",
    "routes": ["intramuscular"],
    "sites": ["ventrogluteal", "dorsogluteal"],
    "viscosity_mpa_s": "50",
    "wrong_layer": "too shallow",
    "technique": {"filter_needle": True, "z_track": True, "ml_per_second": "0.1"},
    "presentations": [{"form": "oil", "strength": "200 mg/mL", "volume": "1 mL", "container": "ampoule"}],
}


def request(**changes: Any) -> dict[str, Any]:
    patient = {"sex": "female", "born": "1973-06-01", "weight": "104 kg", "height": "162 cm", "allergies": "none known"}
    return {
        "format": 1,
        "now": NOW,
        "patient": {**patient, **changes.pop("patient", {})},
        "order": {
            "medicine": "sernovalate",
            "route": "intramuscular",
            "dose": {"amount": "400 mg"},
            "start": "2026-01-05",
        },
        "medicine": SERNOVALATE,
        "history": [],
        "barrels": BARRELS,
        **changes,
    }


def needle(answered: Answered) -> tuple[int, str]:
    chosen = answered["injections"][0]["needle"]
    return chosen["gauge"], chosen["length_mm"]


def test_two_ampoules_make_2_ml_with_nothing_left() -> None:
    answered = Answered(request())
    assert answered["containers"] == {"count": 2, "left_over_ml": "0"}
    assert answered["volume_ml"]["mark"] == "2"
    steps = " ".join(answered["injections"][0]["technique"]).lower()
    assert "filter needle" in steps
    assert "change" in steps


def test_beyond_the_published_cut_off_50_mm_is_proposed_and_asked() -> None:
    answered = Answered(request())
    # 104 / 1.62^2 = 39.6 kg/m2; the cut-off for a 37.5 mm needle is 30 in women.
    assert needle(answered) == (21, "50")
    assert answered["injections"][0]["basis"] == "guideline"
    assert answered.codes("ask") == ["needle-beyond-evidence"]
    others = {(one["gauge"], one["length_mm"]): one["reason"] for one in answered["injections"][0]["other_needles"]}
    assert (21, "38") in others


def test_a_measured_distance_of_41_mm_refuses_38_mm_and_lets_50_mm_go() -> None:
    measured = {"distance_mm": {"ventrogluteal": "41"}}
    answered = Answered(request(patient=measured))
    assert needle(answered) == (21, "50")  # 9 mm into muscle, 5 needed
    assert answered["injections"][0]["basis"] == "measured"
    assert answered.exit_code == 0
    short = Answered(request(patient=measured, choose={"needle": {"gauge": 21, "length_mm": "38"}}))
    assert "3 mm short" in short.finding("needle-falls-short")["message"]
    assert short.exit_code == 3


def test_21_g_needs_about_8_7_newtons_and_23_g_about_47_is_a_stop() -> None:
    # Hagen-Poiseuille: 128 x 0.05 Pa s x 0.05 m x 1e-7 m3/s / (pi x (0.514e-3 m)^4) = 145.9 kPa, on a bore of 8.7 mm
    # 8.7 N; 23 G of 0.337 mm: (0.514 / 0.337)^4 = 5.41 times as much.
    assert Answered(request())["injections"][0]["force_n"] == pytest.approx(8.7, abs=0.05)
    thin = Answered(request(choose={"needle": {"gauge": 23, "length_mm": "50"}}))
    assert "about 47 N" in thin.finding("push-force-over")["message"]
    assert thin.exit_code == 3


def test_without_a_50_mm_needle_it_is_a_stop_and_fat_is_never_the_way_out() -> None:
    drawer = [(25, "16"), (25, "25"), (23, "25"), (21, "38")]
    answered = Answered(request(needles=[{"gauge": gauge, "length_mm": length} for gauge, length in drawer]))
    found = answered.finding("needle-none-fits")
    assert found["severity"] == "stop"
    assert "50 mm" in found["do"]
    assert "not the way out" in found["do"]
    assert {one["site"] for one in answered["injections"]} <= {"ventrogluteal"}
