"""Delphine Okoro-Lindqvist: units twice a day, a glucose that decides, and a lump that is to be left alone."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

from tests.scenarios.conftest import BARRELS, NOW, Answered, Clinic

from drawup.exchange.rotate import answer_rotate

GTIN = "09501101530010"
DORSULIN: dict[str, Any] = {
    "name": "dorsulin",
    "routes": ["subcutaneous"],
    "units_barrel": True,
    "wrong_layer": "too deep",
    "usual_dose": ["4 units", "100 units"],
    "needs": [
        {
            "what": "glucose",
            "fresh": "1 hour",
            "withhold_below": "4 mmol/L",
            "then": "Treat the low glucose, and measure again after 15 minutes.",
        }
    ],
    "presentations": [
        {
            "strength": "100 units/mL",
            "volume": "10 mL",
            "container": "vial",
            "dose_kind": "multi",
            "in_use": "28 days",
            "gtin": GTIN,
        }
    ],
}
LUMP = {
    "kind": "lump",
    "how": "felt",
    "site": "abdominal fat",
    "side": "right",
    "point": "K5",
    "size_mm": "25",
    "seen": "2026-02-16",
}
# What she did before: always the same spot.
IN_THE_LUMP = {
    "medicine": "dorsulin",
    "amount": "18 units",
    "at": "2026-03-01T18:00:00+00:00",
    "site": "abdominal fat",
    "side": "right",
    "point": "K5",
}


def request(glucose: str = "5.6", units: str = "33 units", **changes: Any) -> dict[str, Any]:
    return {
        "format": 1,
        "now": NOW,
        "patient": {"sex": "female", "born": "1964-08-02", "allergies": "none known", "marks": [LUMP]},
        "order": {
            "medicine": "dorsulin",
            "route": "subcutaneous",
            "dose": {"amount": units},
            "strength": "100 units/mL",
            "start": "2026-02-10",
        },
        "medicine": DORSULIN,
        "history": [IN_THE_LUMP],
        "readings": [{"what": "glucose", "value": f"{glucose} mmol/L", "at": "2026-03-02T08:50:00+00:00"}],
        "barrels": BARRELS,
        **changes,
    }


def accepted(**changes: Any) -> Answered:
    reason = {"code": "lump-move", "reason": "Dr Solvei told, glucose also at midday for a week"}
    return Answered(request(accepted=[reason], **changes))


def test_a_glucose_of_3_4_is_a_stop_with_what_to_do_and_5_6_goes() -> None:
    low = accepted(glucose="3.4")
    assert low.exit_code == 3
    assert "15 minutes" in low.finding("reading-outside")["do"]
    assert accepted().exit_code == 0


def test_33_units_are_0_33_ml_and_stand_at_33_on_the_barrel_of_50() -> None:
    answered = accepted()
    assert answered["volume_ml"] == {"exact": "0.33", "mark": "0.33", "difference_percent": "0"}
    assert answered["barrel"]["capacity_units"] == "50"
    assert answered["draw_to"] == "33 units"


def test_the_barrel_of_100_by_2_cannot_show_33() -> None:
    # Its marks are 32 and 34: 1/33 = 3.03 % off; a smaller barrel shows it exactly.
    large = {"units_per_ml": "100", "capacity_units": "100", "interval_units": "2"}
    answered = accepted(choose={"barrel": large})
    assert answered["volume_ml"]["mark"] in ("0.32", "0.34")
    assert answered["volume_ml"]["difference_percent"] in ("-3.03", "3.03")
    assert accepted()["barrel"]["interval_units"] == "1"


def test_18_units_for_supper_go_into_the_barrel_of_30() -> None:
    answered = accepted(units="18 units")
    assert answered["barrel"]["capacity_units"] == "30"
    assert answered["draw_to"] == "18 units"


def test_points_on_the_lump_stay_shut_though_she_asks() -> None:
    on_it = {"site": "abdominal fat", "side": "right", "point": "K5"}
    answered = accepted(choose=on_it)
    assert answered.exit_code == 3
    assert "felt that the lump is gone" in answered.finding("point-shut")["do"]
    # 25 mm across and 10 mm clear of its edge: 22.5 mm from its middle. 20 mm away is shut, 30 mm is open.
    assert "point-shut" in accepted(choose={**on_it, "point": "K7"}).codes("stop")
    assert "point-shut" not in accepted(choose={**on_it, "point": "K8"}).codes("stop")


def test_the_first_move_off_the_lump_asks_one_reason() -> None:
    answered = Answered(request())
    assert answered.codes("ask") == ["lump-move"]
    found = answered.finding("lump-move")
    # 165 / 131 = 1.2595... (Famulla S et al., Diabetes Care 2016).
    assert "1.26 times" in found["message"]
    assert "prescriber" in found["do"]
    assert "readings" in found["do"]


def test_nobody_is_asked_where_the_lump_was_left_alone() -> None:
    elsewhere = {**IN_THE_LUMP, "side": "left"}
    assert Answered(request(history=[elsewhere])).codes("ask") == []


def test_the_reason_is_remembered_for_the_next_dose_of_the_order(clinic: Clinic) -> None:
    clinic.run("formulary", "add", clinic.file("dorsulin.json", DORSULIN))
    clinic.run("patient", "add", "--family", "Okoro", "--given", "Delphine", "--born", "1964-08-02", "--sex", "female")
    clinic.run("patient", "note", "0001", "--allergy", "none known", "--reading", "glucose=5.6 mmol/L")
    order = {**request()["order"], "times": ["before breakfast"]}
    clinic.run("order", "add", "0001", clinic.file("order.json", order))
    clinic.run("stock", "receive", f"(01){GTIN}(17)270430(10)DS1", "--count", "2")
    clinic.run("stock", "change", "DS1", "opened", "--at", "2026-03-01 08:00", "--by", "Ravi")
    told = ("--medicine", "dorsulin", "--amount", "18 units", "--place", "right abdominal fat K5")
    clinic.run("given", "--patient", "0001", *told, "--at", "2026-03-01 18:00", "--reported", "--given-by", "herself")
    clinic.run("inspect", "0001", "--place", "right abdominal fat K5", "--kind", "lump", "--size", "25", "--by", "Ravi")
    first = clinic.run("plan", "--order", "0001.1", code=4)
    assert [one["code"] for one in first["findings"] if one["severity"] == "ask"] == ["lump-move"]
    plan = clinic.run("plan", "--order", "0001.1", "--accept", "lump-move=Dr Solvei told")["plan"]
    clinic.run("given", plan, "--scan", "batch:DS1", "--given-by", "Ravi")
    clinic.now += timedelta(days=1)
    clinic.run("patient", "note", "0001", "--reading", "glucose=6.1 mmol/L")
    again = clinic.run("plan", "--order", "0001.1")
    (found,) = [one for one in again["findings"] if one["code"] == "lump-move"]
    assert found["accepted"] == "Dr Solvei told"
    # Gone is written by whoever felt for it: its points open, and nobody is asked any more.
    clinic.run("inspect", "0001", "--place", "right abdominal fat K5", "--kind", "gone", "--by", "Ravi")
    gone = clinic.run("plan", "--order", "0001.1")
    assert "lump-move" not in [one["code"] for one in gone["findings"]]


def test_33_units_before_breakfast_and_18_before_supper_are_two_orders_on_one_list(clinic: Clinic) -> None:
    """The meals are those of the uk preset: breakfast 08:00, supper 18:00, each an hour before and after."""
    clinic.now = datetime(2026, 3, 2, 7, 30, tzinfo=UTC)
    clinic.run("formulary", "add", clinic.file("dorsulin.json", DORSULIN))
    clinic.run("patient", "add", "--family", "Okoro", "--given", "Delphine", "--born", "1964-08-02", "--sex", "female")
    clinic.run("patient", "note", "0001", "--allergy", "none known", "--no-earlier-doses")
    for units, meal in (("33 units", "before breakfast"), ("18 units", "before supper")):
        order = {**request(units=units)["order"], "start": "2026-03-02", "schedule": {"meals": [meal]}}
        clinic.run("order", "add", "0001", clinic.file("order.json", order))
    clinic.run("stock", "receive", f"(01){GTIN}(17)270430(10)DS1", "--count", "2")
    clinic.run("stock", "change", "DS1", "opened", "--at", "2026-03-01 08:00", "--by", "Ravi")

    def lines() -> dict[str, tuple[str, str, list[str]]]:
        return {
            one["order"]: (one["state"], one["due"]["planned"][:16], [found["code"] for found in one["findings"]])
            for one in clinic.run("due")["lines"]
        }

    def glucose(time: str, value: str) -> None:
        hour, minute = map(int, time.split(":"))
        clinic.now = datetime(2026, 3, 2, hour, minute, tzinfo=UTC)
        clinic.run("patient", "note", "0001", "--reading", f"glucose={value} mmol/L")

    listed = lines()
    assert listed["0001.1"][:2] == ("due", "2026-03-02T08:00")
    assert "reading-missing" in listed["0001.1"][2]
    assert listed["0001.2"][:2] == ("early", "2026-03-02T18:00")
    # Before supper a reading will be taken then; it is only named.
    assert "reading-missing" not in listed["0001.2"][2]
    assert "reading-needed" in listed["0001.2"][2]
    glucose("07:40", "3.4")
    low = clinic.run("plan", "--order", "0001.1", code=3)
    (stop,) = [one for one in low["findings"] if one["code"] == "reading-outside"]
    assert "measure again after 15 minutes" in stop["do"]
    assert "reading-outside" in lines()["0001.1"][2]
    clinic.run("not-given", "0001.1", "--reason", "reading outside limits", "--by", "Ravi")
    # Not given moves nothing: breakfast is still due, and in 15 minutes the reading lets it go.
    glucose("07:55", "5.6")
    assert lines()["0001.1"][:2] == ("due", "2026-03-02T08:00")
    asked = clinic.run("plan", "--order", "0001.1", code=4)["findings"]
    assert {one["code"] for one in asked if one["severity"] == "ask"} == {"duplicate-order", "dose-was-withheld"}
    regimen = ("--accept", "duplicate-order=breakfast and supper are one regimen")
    reasons = (*regimen, "--accept", "dose-was-withheld=5.6 mmol/L at 07:55")
    made = clinic.run("plan", "--order", "0001.1", *reasons)
    assert (made["dose"]["amount"], made["draw_to"]) == ("33", "33 units")
    clinic.run("given", made["plan"], "--scan", "batch:DS1", "--given-by", "Ravi", *reasons)
    listed = lines()
    assert listed["0001.1"][:2] == ("early", "2026-03-03T08:00")
    # The morning's dose is no dose of the supper's order.
    assert listed["0001.2"][:2] == ("early", "2026-03-02T18:00")
    glucose("17:00", "7.2")
    assert lines()["0001.2"][:2] == ("due", "2026-03-02T18:00")
    supper = clinic.run("plan", "--order", "0001.2", *reasons)
    assert (supper["dose"]["amount"], supper["barrel"]["capacity_units"]) == ("18", "30")
    clinic.run("given", supper["plan"], "--scan", "batch:DS1", "--given-by", "Ravi", *reasons)
    assert lines()["0001.2"][:2] == ("early", "2026-03-03T18:00")


def test_two_a_day_for_28_days_are_56_points_and_none_is_used_twice() -> None:
    rotation = answer_rotate(
        {
            "now": NOW,
            "route": "subcutaneous",
            "patient": {"sex": "female", "born": "1964-08-02", "marks": [LUMP]},
            "history": [IN_THE_LUMP],
            "sites": ["abdominal fat"],
            "next": 56,
            "per_day": 2,
        }
    )
    points = {(one["side"], one["point"]) for one in rotation["next"]}
    assert len(points) == 56
    assert not points & {("right", name) for name in ("J4", "J5", "J6", "K3", "K4", "K5", "K6", "K7", "L5")}
    assert rotation["findings"] == []


def test_the_vials_last_usable_moment_is_28_days_from_its_opening() -> None:
    vial = {"gtin": GTIN, "batch": "DS1", "expiry_date": "2027-04-30", "opened": "2026-02-10T08:00:00+00:00"}
    message = accepted(container=vial).finding("last-usable-moment")["message"]
    assert "2026-03-10 08:00" in message
