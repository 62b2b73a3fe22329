"""Several injections at one visit: limbs and points planned together, kept apart, the most painful last."""

from __future__ import annotations

import math
from itertools import combinations
from typing import Any

from tests.scenarios.conftest import NOW, Clinic

from drawup.exchange.visit import answer_visit, make_visit, visit_exit_code

INFANT = {"sex": "male", "born": "2026-01-01", "weight": "5 kg", "allergies": "none known"}
ELDER = {"sex": "female", "born": "1948-05-05", "weight": "64 kg", "height": "160 cm", "allergies": "none known"}


def vaccine(name: str, volume: str = "0.5 mL", **more: Any) -> dict[str, Any]:
    pack = {"form": "suspension", "container": "vial", "strength": "10 micrograms/mL", "volume": "1 mL"}
    return {
        "order": {"medicine": name, "route": "intramuscular", "dose": {"amount": volume}, "start": "2026-03-01"},
        "medicine": {"name": name, "presentations": [pack], **more},
    }


def visit(patient: dict[str, Any], *asked: dict[str, Any], **more: Any) -> dict[str, Any]:
    document = {"format": 1, "now": NOW, "patient": patient, "history": [], "visit": list(asked), **more}
    return answer_visit(make_visit(document))


def places(answered: dict[str, Any]) -> list[tuple[str, str, float, float]]:
    """Site, side and mm from the landmark, in the order of giving."""
    return [
        (one["site"], one["side"], *map(float, one["place_mm"]))
        for plan in answered["visit"]
        for one in plan["injections"]
    ]


def test_three_vaccines_for_an_infant_go_into_both_thighs_and_two_in_one_lie_2_5_cm_apart() -> None:
    # Thighs only under 12 months, two in one allowed 2.5 cm apart: Melbourne Vaccine Education Centre.
    answered = visit(INFANT, vaccine("tarnivax"), vaccine("pellimar"), vaccine("orrispol"))
    where = places(answered)
    assert {site for site, *_ in where} == {"vastus lateralis"}
    assert sorted(side for _, side, *_ in where) in (["left", "left", "right"], ["left", "right", "right"])
    for (_, one_side, *one), (_, other_side, *other) in combinations(where, 2):
        assert one_side != other_side or math.dist(one, other) >= 25


def test_two_vaccines_for_an_elder_go_into_both_arms() -> None:
    answered = visit(ELDER, vaccine("tarnivax"), vaccine("pellimar"))
    assert {(site, side) for site, side, *_ in places(answered)} == {("deltoid", "left"), ("deltoid", "right")}


def test_with_one_arm_ruled_out_two_go_into_the_other_2_5_cm_apart() -> None:
    one_arm = {**ELDER, "avoid": [{"region": "left arm", "reason": "node surgery"}]}
    (first, second) = places(visit(one_arm, vaccine("tarnivax"), vaccine("pellimar")))
    assert first[:2] == second[:2] == ("deltoid", "right")
    assert math.dist(first[2:], second[2:]) >= 25


def test_the_painful_one_comes_last_and_of_the_others_the_larger_later() -> None:
    answered = visit(
        ELDER, vaccine("tarnivax", painful=True), vaccine("pellimar", "0.6 mL"), vaccine("orrispol", "0.4 mL")
    )
    assert [plan["number"] for plan in answered["visit"]] == [2, 1, 0]


def test_the_policy_may_name_the_painful_ones() -> None:
    names = {"value": ["tarnivax"]}
    answered = visit(ELDER, vaccine("tarnivax"), vaccine("pellimar"), policy={"painful_last": names["value"]})
    assert [plan["number"] for plan in answered["visit"]] == [1, 0]


def test_a_medicine_with_one_site_of_its_own_gets_it_though_it_is_asked_last() -> None:
    # The right arm is the only one left, and only the second may go nowhere else.
    patient = {**ELDER, "avoid": [{"region": "left arm", "reason": "fistula"}]}
    free, bound = vaccine("tarnivax", "1 mL"), vaccine("pellimar", "1 mL", sites=["deltoid"])
    answered = visit(patient, free, bound)
    by_number = {plan["number"]: plan["injections"][0]["site"] for plan in answered["visit"]}
    assert by_number[1] == "deltoid"


def test_where_no_place_is_far_enough_it_is_asked_about_and_never_silent() -> None:
    # A newborn's thigh in its middle third has points 10 mm apart over 20 mm only.
    newborn = {"sex": "female", "born": "2026-02-27", "weight": "3.2 kg", "allergies": "none known"}
    made = make_visit(
        {"format": 1, "now": NOW, "patient": newborn, "history": [], "visit": [vaccine(name) for name in "abc"]}
    )
    codes = [found.code for plan in made.visit.plans for found in plan.findings]
    assert codes.count("visit-too-near") == 1
    assert visit_exit_code(made) == 4


def test_the_places_are_told_in_the_order_of_giving() -> None:
    answered = visit(ELDER, vaccine("tarnivax", painful=True), vaccine("pellimar"))
    (found,) = answered["findings"]
    assert found["code"] == "visit-places"
    assert found["message"].index("pellimar") < found["message"].index("tarnivax")


def test_a_visit_planned_from_the_record_keeps_a_plan_for_each_order(clinic: Clinic) -> None:
    clinic.run("patient", "add", "--family", "Marr", "--given", "Ivo", "--born", "2026-01-01", "--sex", "male")
    clinic.run("patient", "note", "0001", "--allergy", "none known", "--weight", "5 kg", "--no-earlier-doses")
    for name in ("tarnivax", "pellimar", "orrispol"):
        asked = vaccine(name)
        clinic.run("formulary", "add", clinic.file("medicine.json", asked["medicine"]))
        clinic.run("order", "add", "0001", clinic.file("order.json", asked["order"]))
    planned = clinic.run("plan", "--order", "0001.1", "--order", "0001.2", "--order", "0001.3")["visit"]
    shown = {one["order"]: (one["injections"][0]["side"], one["injections"][0]["point"]) for one in planned}
    assert len(set(shown.values())) == 3
    for one in planned:
        accept = "container-not-scanned=no code on this invented vial"
        given = clinic.run("given", one["plan"], "--given-by", "Mairi", "--accept", accept)
        (place,) = given["body"]["injections"]
        # What was shown is what is written, whatever is least worn after the first of the three.
        assert (place["side"], place["point"]) == shown[one["order"]]


def test_one_visit_is_of_one_patient(clinic: Clinic) -> None:
    desk = clinic.run
    desk("patient", "add", "--family", "Marr", "--given", "Ivo", "--born", "2026-01-01", "--sex", "male")
    result = _refused(clinic, "plan", "--order", "0001.1", "--order", "0002.1")
    assert "one patient" in result


def _refused(clinic: Clinic, *arguments: str) -> str:
    from click.testing import CliRunner

    from drawup.cli.main import Desk, drawup

    desk = Desk(record=clinic.record, clock=lambda: clinic.now)
    result = CliRunner().invoke(drawup, ["--record", str(clinic.record), *arguments], obj=desk)
    assert result.exit_code == 2
    return result.output


def test_a_third_injection_on_one_side_is_asked_about() -> None:
    # Two per thigh: Melbourne Vaccine Education Centre. Two thighs take four.
    five = [vaccine(name) for name in ("tarnivax", "pellimar", "orrispol", "quillane", "sernix")]
    year_old = {**INFANT, "born": "2025-04-01", "weight": "9 kg", "avoid": []}
    codes = [[found["code"] for found in plan["findings"]] for plan in visit(year_old, *five)["visit"]]
    assert sum("visit-crowded" in one for one in codes) == 1
