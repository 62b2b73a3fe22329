"""Bastian Okafor-Rhys: 500 units/mL beside barrels marked for 100 units/mL."""

from __future__ import annotations

import copy
from typing import Any

from tests.scenarios.conftest import BARRELS, NOW, Answered

DORSULIN: dict[str, Any] = {
    "name": "dorsulin",
    "routes": ["subcutaneous"],
    "units_barrel": True,
    "second_check": True,
    "presentations": [
        {
            "strength": "500 units/mL",
            "volume": "20 mL",
            "container": "vial",
            "dose_kind": "multi",
            "in_use": "28 days",
        }
    ],
}


def request(medicine: dict[str, Any] = DORSULIN, *, strength: str | None = None, **changes: Any) -> dict[str, Any]:
    order = {
        "medicine": "dorsulin",
        "route": "subcutaneous",
        "dose": {"amount": "165 units"},
        "start": "2026-03-01",
    }
    if strength:
        order["strength"] = strength
    return {
        "format": 1,
        "now": NOW,
        "patient": {"sex": "male", "born": "1978-06-01", "weight": "138 kg", "allergies": "none known"},
        "order": order,
        "medicine": medicine,
        "history": [],
        "barrels": BARRELS,
        **changes,
    }


def test_an_order_without_strength_is_asked() -> None:
    assert "order-lacks-strength" in Answered(request()).codes("ask")
    assert "order-lacks-strength" not in Answered(request(strength="500 units/mL")).codes("ask")


def test_every_barrel_in_the_drawer_is_a_stop_and_none_is_drawn() -> None:
    answered = Answered(request())
    assert answered["volume_ml"]["exact"] == "0.33"  # 165 / 500
    assert answered["volume_ml"]["mark"] is None
    assert answered["barrel"] is None
    assert answered.codes("stop") == ["units-barrel-mismatch"]
    assert answered.exit_code == 3


def test_the_message_says_what_would_go_wrong_and_the_way_out() -> None:
    found = Answered(request()).finding("units-barrel-mismatch")
    for words in ("0.33 mL would stand at mark 33", "165 marks would be 1.65 mL = 825 units, 5 times the dose"):
        assert words in found["message"]
    assert '"33 units" copied on would be 0.066 mL, a fifth of the dose' in found["message"]
    assert "a barrel marked for 500 units/mL" in found["do"]
    assert "a pen dialled to 165" in found["do"]


def test_a_chosen_barrel_of_100_units_per_ml_or_in_ml_is_the_same_stop() -> None:
    for barrel in (BARRELS[5], BARRELS[0]):
        answered = Answered(request(choose={"barrel": barrel}))
        assert "units-barrel-mismatch" in answered.codes("stop")
        assert answered["barrel"] is None


def test_a_barrel_marked_for_500_units_per_ml_reads_165() -> None:
    right = {"units_per_ml": "500", "capacity_units": "250", "interval_units": "5"}
    answered = Answered(request(strength="500 units/mL", barrels=[*BARRELS, right]))
    assert answered["draw_to"] == "165 units"
    assert answered["volume_ml"] == {"exact": "0.33", "mark": "0.33", "difference_percent": "0"}
    assert answered.codes("stop") == []


def test_a_pen_is_dialled_to_165() -> None:
    medicine = copy.deepcopy(DORSULIN)
    pen = {"kind": "pen", "dial": "5 units", "most": "300 units", "prime": "5 units", "keep_in_seconds": 10}
    medicine["presentations"].append(
        {"strength": "500 units/mL", "volume": "3 mL", "container": "pen", "dose_kind": "multi", "device": pen}
    )
    answered = Answered(request(medicine, strength="500 units/mL"))
    assert answered["presentation"] == 1
    assert answered["device"]["dial"] == "165 units"
    assert answered["device"]["prime"] == "5 units"
    assert answered["device"]["keep_in_seconds"] == 10
    assert answered.codes("stop") == []


def test_a_second_check_is_announced() -> None:
    assert "second-check-needed" in Answered(request()).codes("note")


def test_drawing_from_a_pen_cartridge_is_a_stop() -> None:
    medicine = copy.deepcopy(DORSULIN)
    medicine["presentations"] = [{"strength": "500 units/mL", "volume": "3 mL", "container": "cartridge"}]
    answered = Answered(request(medicine))
    assert answered.codes("stop") == ["cartridge-drawing"]
    assert answered["barrel"] is None
