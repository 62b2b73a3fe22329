"""A body or a skin that cannot be: `reach` and `rotate` name the field, or say that nothing can be said.

All people, medicines and codes are invented. What a body-mass index comes to is worked out beside each case.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

import pytest
from tests.cli.room import ADA, BY, NOW, Room, check_told
from tests.cli.test_broken_files import NO_DOCUMENT, NO_OBJECT
from tests.exchange.test_schema import PUBLIC, REACH, VISIT, changed, without

from drawup.evidence.tables import load_sites

Path_ = tuple[str | int, ...]

# One injection into the belly fat, and two to come.
SKIN: dict[str, Any] = {
    "format": 1,
    "now": "2026-03-02T09:00:00+00:00",
    "patient": {"sex": "female", "born": "1961-04-09"},
    "route": "subcutaneous",
    "sites": ["abdominal fat"],
    "history": [
        {
            "medicine": "velorin",
            "at": "2026-02-27T08:10:00+00:00",
            "site": "abdominal fat",
            "side": "left",
            "point": "B2",
        }
    ],
    "next": 2,
    "per_day": 1,
    "policy": "uk",
}
SITES = [(site.name, site.route) for site in load_sites()]
AT = ("history", 0, "at")
MARK = {"kind": "lump", "site": "abdominal fat", "side": "left"}
ENDLESS = "1e400000"


def codes(answered: Mapping[str, Any]) -> list[str]:
    """The codes of what was found."""
    return [found["code"] for found in answered["findings"]]


def past(**keys: object) -> dict[str, Any]:
    """The skin with its one injection written otherwise; None takes a key away."""
    one = {key: value for key, value in {**SKIN["history"][0], **keys}.items() if value is not None}
    return {**SKIN, "history": [one]}


def marked(**keys: object) -> dict[str, Any]:
    """The skin with one lump; None takes a key away."""
    one = {key: value for key, value in {**MARK, **keys}.items() if value is not None}
    return changed(SKIN, ("patient", "marks"), [one])


def test_the_samples_are_good_ones(room: Room) -> None:
    assert room.does("reach", room.file("good.json", REACH))["chance"] is not None
    assert len(room.does("rotate", room.file("good.json", SKIN))["next"]) == 2
    room.does("rotate", room.file("good.json", marked(point="B2", size_mm="20", seen="2026-03-01")))


# --- a needle in a body -------------------------------------------------------------------------------------------

REACH_WRONG: tuple[tuple[Path_, object, str], ...] = (
    (("patient", "height"), "1.68 cm", 'patient.height: read "1.68 cm"'),
    (("patient", "height"), 168, "patient.height: "),
    (("patient", "weight"), "0 kg", "patient.weight: "),
    (("patient", "born"), "2026-03-03", "patient.born: "),
    (("patient", "distance_mm"), {"deltoid": "0"}, "patient.distance_mm.deltoid: "),
    (("patient", "distance_mm"), {"deltoid": "201"}, "patient.distance_mm.deltoid: "),
    (("patient", "distance_mm"), {"elbow": "12"}, "patient.distance_mm.elbow: "),
    (("patient", "distance_mm"), "12", "patient.distance_mm: "),
    (("patient",), None, "patient: missing"),
    (("route",), None, "route: missing"),
    (("route",), "intravenous", 'route: read "intravenous"'),
    (("site",), "elbow", 'site: read "elbow"'),
    (("site",), "left deltoid", 'site: read "left deltoid"'),
    (("site",), "thigh fat", 'site: read "thigh fat"'),  # a site of the other route
    (("site",), None, "site: missing"),
    (("needle",), None, "needle: missing"),
    (("needle",), [], "needle: "),
    (("needle", "length_mm"), "0", "needle.length_mm: "),
    (("needle", "length_mm"), "-25", "needle.length_mm: "),
    (("needle", "length_mm"), "500", "needle.length_mm: "),
    (("needle", "length_mm"), "25 mm", "needle.length_mm: "),
    (("needle", "length_mm"), "1 inch", "needle.length_mm: "),
    (("needle", "gauge"), 0, "needle.gauge: "),
    (("needle", "gauge"), "23", "needle.gauge: "),
    (("angle_deg",), 0, "angle_deg: "),
    (("angle_deg",), 9, "angle_deg: "),
    (("angle_deg",), 120, "angle_deg: "),
    (("angle_deg",), -45, "angle_deg: "),
    (("angle_deg",), "90", "angle_deg: "),
    (("angle_deg",), 45.5, "angle_deg: "),
    (("angle_deg",), True, "angle_deg: "),
    (("outside_mm",), "-1", "outside_mm: "),
    (("outside_mm",), -1, "outside_mm: "),
    (("outside_mm",), "25", "outside_mm: "),  # as much as the needle is long: nothing is inside
    (("outside_mm",), "30", "outside_mm: "),
    (("lifted_fold",), "yes", "lifted_fold: "),
    (("lifted_fold",), 1, "lifted_fold: "),
    (("wrong_layer",), "bone", "wrong_layer: "),
    (("now",), "2026-03-02T09:00:00", "now: "),
    (("format",), 2, "format: "),
    (("format",), True, "format: "),
    (("format",), None, "format: "),
    (("policy",), "france", "policy: "),
    (("angle",), 90, "angle: unknown key"),
)


@pytest.mark.parametrize(("path", "value", "says"), REACH_WRONG)
def test_a_needle_that_cannot_go_in_so_is_refused_by_its_field(
    room: Room, path: Path_, value: object, says: str
) -> None:
    file = room.file("reach.json", changed(REACH, path, value))
    room.refuses("reach", file, says=(f"drawup: {says}",))
    told = json.loads(room.refuses("reach", file, "--json", says=()))
    assert told["error"]["field"] == says.partition(":")[0]


# The sample's body is 168 cm tall, so that its square is 2.8224 m2.
@pytest.mark.parametrize("weight", ["11 kg", "430 kg"])  # 3.9 and 152.4 kg/m2
@pytest.mark.parametrize(("site", "route"), SITES)
def test_no_chance_is_given_for_a_body_that_hardly_lives(room: Room, site: str, route: str, weight: str) -> None:
    asked = {**REACH, "site": site, "route": route, "patient": {**REACH["patient"], "weight": weight}}
    answered = room.does("reach", room.file("reach.json", asked))
    assert "body-mass-unlikely" in codes(answered)
    assert [answered[key] for key in ("chance", "cells", "distance_mm", "depth_mm")] == [None] * 4
    assert answered["basis"] == "guideline"
    assert answered["missing"]
    assert "No chance can be given" in room.run("reach", room.file("reach.json", asked)).output


# At 160 cm the square is 2.56 m2: 25.6 kg are 10 kg/m2 and 256 kg are 100 kg/m2, the limits of the finding's table.
@pytest.mark.parametrize(
    ("weight", "unlikely"), [("25.5 kg", True), ("25.6 kg", False), ("256 kg", False), ("256.1 kg", True)]
)
def test_a_body_mass_index_is_unlikely_below_10_and_above_100_and_not_at_them(
    room: Room, weight: str, unlikely: bool
) -> None:
    asked = {**REACH, "patient": {**REACH["patient"], "weight": weight, "height": "160 cm"}}
    answered = room.does("reach", room.file("reach.json", asked))
    assert ("body-mass-unlikely" in codes(answered)) is unlikely
    assert answered["chance"] is None


def test_a_body_without_a_birth_date_is_said_to_be_taken_for_an_adult(room: Room) -> None:
    unborn = room.file("unborn.json", without(REACH, ("patient", "born")))
    assert "age-not-known" in codes(room.does("reach", unborn))
    assert "age-not-known" not in codes(room.does("reach", room.file("reach.json", REACH)))
    unborn = room.file("unborn.json", without(SKIN, ("patient", "born")))
    assert "age-not-known" in codes(room.does("rotate", unborn))
    assert "age-not-known" not in codes(room.does("rotate", room.file("skin.json", SKIN)))


# --- one skin -----------------------------------------------------------------------------------------------------

EARLIER = {**SKIN["history"][0], "at": "2020-01-01T08:00:00+00:00"}
SKIN_WRONG: tuple[tuple[dict[str, Any], str], ...] = (
    # what lies on no skin
    (past(point="Z9"), 'history[0].point: read "Z9"'),
    (past(point="b2"), 'history[0].point: read "b2"'),
    (past(point=""), "history[0].point: "),
    (past(site="deltoid", point="K8"), 'history[0].point: read "K8"'),
    (past(site="elbow"), 'history[0].site: read "elbow"'),
    (past(site="elbow", point=None), 'history[0].site: read "elbow"'),
    (past(side="l"), "history[0].side: "),
    (past(side=None), "history[0].side: missing"),
    (past(side=None, point=None), "history[0].side: missing"),
    (past(site=None), "history[0].site: missing"),
    (past(site=None, point=None, place_mm=["20", "-40"]), "history[0].site: missing"),
    (past(also_at=[{"site": "thigh fat", "side": "left", "point": "Z9"}]), "history[0].also_at[0].point: "),
    (past(also_at=[{"site": "elbow", "side": "left"}]), "history[0].also_at[0].site: "),
    (past(also_at=[{"side": "left"}]), "history[0].also_at[0].site: missing"),
    (past(also_at=[{"site": "thigh fat"}]), "history[0].also_at[0].side: missing"),
    (past(also_at=[{"site": "thigh fat", "side": "left"}] * 21), "history[0].also_at: a list of 21"),
    # times
    (past(at="2026-03-02T09:01:00+00:00"), "history[0].at: "),  # a minute after now
    (past(at="1961-04-08T23:59:00+00:00"), "history[0].at: "),  # a minute before the day of birth
    (past(at="0001-01-01T00:00:00+00:00"), "history[0].at: "),
    (past(at="2026-02-27"), "history[0].at: "),
    (past(at=None), "history[0].at: missing"),
    # a body that shrinks is another body
    (
        {**SKIN, "history": [{**EARLIER, "body_scale": "1"}, {**SKIN["history"][0], "body_scale": "0.9"}]},
        "history[0].body_scale: ",
    ),
    (
        {**SKIN, "history": [{**SKIN["history"][0], "body_scale": "0.9"}, {**EARLIER, "body_scale": "1"}]},
        "history[1].body_scale: ",
    ),
    (past(body_scale="0"), "history[0].body_scale: "),
    (past(body_scale="1.1"), "history[0].body_scale: "),
    (past(body_scale="-1"), "history[0].body_scale: "),
    (past(grid=2), "history[0].grid: "),
    (past(grid="1"), "history[0].grid: "),
    # how much, and through what
    (past(volume_ml="0"), "history[0].volume_ml: "),
    (past(volume_ml="101"), "history[0].volume_ml: "),
    (past(gauge=35), "history[0].gauge: "),
    (past(gauge="23"), "history[0].gauge: "),
    (past(amount="5U"), "history[0].amount: "),
    (past(amount=5), "history[0].amount: "),
    (past(ordered={}), "history[0].ordered: "),
    (past(kind="maybe"), "history[0].kind: "),
    (past(medicine=5), "history[0].medicine: "),
    (past(dose="5 mg"), "history[0].dose: unknown key"),
    (changed(SKIN, ("history",), {}), "history: "),
    (changed(SKIN, ("history",), [None]), "history[0]: "),
    # lumps
    (marked(side=None), "patient.marks[0].side: missing"),
    (marked(site=None), "patient.marks[0].site: missing"),
    (marked(site="elbow"), 'patient.marks[0].site: read "elbow"'),
    (marked(kind=None), "patient.marks[0].kind: missing"),
    (marked(size_mm="400"), "patient.marks[0].size_mm: "),
    (marked(size_mm="0"), "patient.marks[0].size_mm: "),
    (marked(size_mm="-3"), "patient.marks[0].size_mm: "),
    (marked(seen="2026-02-01", gone="2026-01-31"), "patient.marks[0].gone: "),
    (marked(gone="2026-03-03"), "patient.marks[0].gone: "),  # tomorrow: it is still there
    (marked(seen="2026-03-03"), "patient.marks[0].seen: "),
    (marked(how="told"), "patient.marks[0].how: "),
    (marked(body_scale="2"), "patient.marks[0].body_scale: "),
    (marked(width="3"), "patient.marks[0].width: unknown key"),
    # what is asked
    (changed(SKIN, ("next",), -1), "next: "),
    (changed(SKIN, ("next",), 100_000), "next: "),
    (changed(SKIN, ("next",), "5"), "next: "),
    (changed(SKIN, ("next",), 2.5), "next: "),
    (changed(SKIN, ("next",), True), "next: "),
    (changed(SKIN, ("per_day",), 0), "per_day: "),
    (changed(SKIN, ("per_day",), 49), "per_day: "),
    (changed(SKIN, ("per_day",), "2"), "per_day: "),
    (changed(SKIN, ("sites",), ["elbow"]), 'sites[0]: read "elbow"'),
    (changed(SKIN, ("sites",), ["deltoid"]), 'sites[0]: read "deltoid"'),  # a site of the other route
    (changed(SKIN, ("sites",), "abdominal fat"), "sites: "),
    (changed(SKIN, ("steady_uptake",), "yes"), "steady_uptake: "),
    (changed(SKIN, ("map",), 1), "map: "),
    (changed(SKIN, ("format",), True), "format: "),
    (changed(SKIN, ("route",), None), "route: missing"),
    (changed(SKIN, ("now",), None), "now: missing"),
    (changed(SKIN, ("patient",), None), "patient: missing"),
    (changed(SKIN, ("patient", "height"), "1.68 cm"), "patient.height: "),
    (changed(SKIN, ("policy",), {"wear_half_life_days": 0}), "policy.wear_half_life_days: "),
    (changed(SKIN, ("count",), 7), "count: unknown key"),
)


@pytest.mark.parametrize(("document", "says"), SKIN_WRONG)
def test_a_skin_that_cannot_be_is_refused_by_its_field(room: Room, document: dict[str, Any], says: str) -> None:
    file = room.file("skin.json", document)
    room.refuses("rotate", file, says=(f"drawup: {says}",))
    told = json.loads(room.refuses("rotate", file, "--json", says=()))
    assert told["error"]["field"] == says.partition(":")[0]


# Two numbers as text, mm with at most one decimal: nothing that a person or another program may mean by something else.
NO_PLACES: dict[str, Any] = {
    "a text": "-12.5, 30",
    "an exponent": ["1e3", "0"],
    "one number": ["20"],
    "three numbers": ["20", "30", "40"],
    "no number": [],
    "a minus sign that is none": ["\u221212.5", "30"],
    "a dash": ["\u201312.5", "30"],
    "a space that does not break": ["-12.5\u00a0", "30"],
    "a space": ["20 ", "30"],
    "Arabic figures": ["\u0661\u0662", "30"],
    "four figures": ["1234", "0"],
    "a third of a metre": ["333", "0"],
    "two decimals": ["12.55", "30"],
    "a comma": ["12,5", "30"],
    "a unit": ["12.5 mm", "30"],
    "a plus sign": ["+20", "30"],
    "two minus signs": ["--20", "30"],
    "a line end": ["20", "30\n"],
    "an empty text": ["", "30"],
    "numbers": [20, 30],
    "null": [None, None],
    "an object": {"x": "20", "y": "30"},
}


@pytest.mark.parametrize("name", NO_PLACES)
def test_a_place_in_mm_of_the_wrong_shape_is_refused(room: Room, name: str) -> None:
    value = NO_PLACES[name]
    for document, field in (
        (past(place_mm=value), "history[0].place_mm"),
        (past(also_at=[{"site": "thigh fat", "side": "left", "place_mm": value}]), "history[0].also_at[0].place_mm"),
        (marked(place_mm=value), "patient.marks[0].place_mm"),
    ):
        room.refuses("rotate", room.file("skin.json", document), says=(f"drawup: {field}: read",))
    asked = {**PUBLIC, "same_visit": [{"site": "deltoid", "side": "left", "place_mm": value}]}
    room.refuses("plan", room.file("request.json", asked), says=("drawup: same_visit[0].place_mm: read",))


def test_the_same_injection_twice_is_told_and_both_are_counted(room: Room) -> None:
    once = SKIN["history"][0]
    answered = room.does("rotate", room.file("skin.json", {**SKIN, "history": [once, once]}))
    assert codes(answered) == ["history-repeated"]
    assert answered["look_back"]["injections"] == 2
    assert "velorin on 2026-02-27" in answered["findings"][0]["message"]
    # Another moment, another point or another medicine is another injection.
    for other in ({"at": "2026-02-27T08:11:00+00:00"}, {"point": "C4"}, {"medicine": "calvrane"}):
        answered = room.does("rotate", room.file("skin.json", {**SKIN, "history": [once, {**once, **other}]}))
        assert codes(answered) == []


def test_the_same_injection_of_an_unnamed_medicine_is_told_in_a_whole_sentence(room: Room) -> None:
    once = without(SKIN, ("history", 0, "medicine"))["history"][0]
    answered = room.does("rotate", room.file("skin.json", {**SKIN, "history": [once, once]}))
    assert "place: an injection on 2026-02-27 08:10" in answered["findings"][0]["message"]


def test_a_region_to_keep_clear_that_is_misspelt_is_told_and_not_passed_over(room: Room) -> None:
    misspelt = changed(SKIN, ("patient", "avoid"), [{"region": "abdomne", "reason": "scar"}])
    answered = room.does("rotate", room.file("skin.json", misspelt))
    assert codes(answered) == ["region-unknown"]
    assert "abdomne" in answered["findings"][0]["message"]


def test_where_no_point_is_left_none_is_named(room: Room) -> None:
    ruled_out = room.file("skin.json", changed(SKIN, ("patient", "avoid"), [{"region": "abdomen", "reason": "scar"}]))
    answered = room.does("rotate", ruled_out, code=3)
    assert answered["next"] == []
    assert "site-none-left" in codes(answered)
    lumps = [{"kind": "lump", "site": "abdominal fat", "side": side} for side in ("left", "right")]
    answered = room.does("rotate", room.file("skin.json", changed(SKIN, ("patient", "marks"), lumps)), code=3)
    assert answered["next"] == []


# On a body of 0.8 (136 / 170 cm) the rows of the belly begin 40 mm above the navel, so that J is 50 mm below it: J1 is
# then 20 mm outward, 53.9 mm from the navel, and open. On an adult's it is 44.7 mm from it, and kept clear.
def test_a_point_that_only_a_smaller_body_has_is_no_slip_in_its_history(room: Room) -> None:
    child = changed(past(point="J1"), ("patient",), {"sex": "female", "born": "2016-03-02", "height": "136 cm"})
    answered = room.does("rotate", room.file("skin.json", child))
    assert answered["body_scale"] == "0.8"
    assert codes(answered) == []
    assert answered["look_back"]["without_a_point"] == 0
    # On the adult's skin it cannot be placed any more, and that is said.
    answered = room.does("rotate", room.file("skin.json", past(point="J1")))
    assert codes(answered) == ["history-point-unknown"]
    assert answered["look_back"]["without_a_point"] == 1


# --- a point on a plan --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("point", ["Z9", "b2", "", "A1 "])
def test_a_chosen_point_that_the_site_has_not_is_a_stop(room: Room, point: str) -> None:
    choice = {"site": "ventrogluteal", "side": "right", "point": point}
    answered = room.does("plan", room.file("request.json", {**PUBLIC, "choose": choice}), code=3)
    assert "point-unknown" in codes(answered)
    assert answered["injections"][0]["place_mm"] is None


def test_a_point_of_the_history_that_no_skin_has_is_told_on_a_plan(room: Room) -> None:
    answered = room.does("plan", room.file("request.json", changed(PUBLIC, ("history", 0, "point"), "Z9")))
    assert "history-point-unknown" in codes(answered)


PLAN_WRONG: tuple[tuple[Path_, object, str], ...] = (
    (("history", 0, "side"), None, "history[0].side: missing"),  # its point stands there without a side
    (("history", 0, "at"), "1961-04-08T23:59:00+00:00", "history[0].at: "),
    (("history", 0, "at"), "2026-03-02T09:01:00+00:00", "history[0].at: "),
    (("choose",), {"larger_arm": "yes"}, "choose.larger_arm: "),
    (("patient", "avoid", 0, "layer"), "skin", "patient.avoid[0].layer: "),
    (("patient", "marks"), [{"kind": "lump", "site": "deltoid"}], "patient.marks[0].side: missing"),
    (("patient", "marks"), [{**MARK, "gone": "2026-03-03"}], "patient.marks[0].gone: "),
    (("same_visit",), [{"site": "elbow", "side": "left"}], "same_visit[0].site: "),
    (("same_visit",), [{"site": "deltoid"}], "same_visit[0].side: missing"),
    (("same_visit",), [{"site": "deltoid", "side": "left"}] * 21, "same_visit: a list of 21"),
    (("medicine", "painful"), "very", "medicine.painful: "),
    (("medicine", "steady_uptake"), 1, "medicine.steady_uptake: "),
)


@pytest.mark.parametrize(("path", "value", "says"), PLAN_WRONG)
def test_a_plan_on_a_skin_that_cannot_be_is_refused_by_its_field(
    room: Room, path: Path_, value: object, says: str
) -> None:
    room.refuses("plan", room.file("request.json", changed(PUBLIC, path, value)), says=(f"drawup: {says}",))


VISIT_WRONG: tuple[tuple[Path_, object, str], ...] = (
    (("visit",), None, "visit: read null"),
    (("visit",), [], "visit: "),
    (("visit",), VISIT["visit"] * 5, "visit: "),  # ten at once
    (("visit",), {}, "visit: "),
    (("visit", 1), "Tern vaccine", "visit[1]: "),
    (("visit", 1, "order"), None, "visit[1].order: missing"),
    (("visit", 1, "medicine"), None, "visit[1].medicine: missing"),
    (("visit", 1, "order", "dose", "amount"), "-5 mg", "visit[1].order.dose.amount: "),
    (("visit", 1, "patient"), {}, "visit[1].patient: "),
    (("visit", 1, "visit"), [], "visit[1].visit: "),
    (("visit", 1, "choose"), {"larger_arm": 1}, "visit[1].choose.larger_arm: "),
    (("medicine",), PUBLIC["medicine"], "visit[0].medicine: "),  # it stands once, with its order
    (("patient", "weight"), "-5 kg", "patient.weight: "),
    (("now",), None, "now: missing"),
    (("format",), None, "format: missing"),
)


@pytest.mark.parametrize(("path", "value", "says"), VISIT_WRONG)
def test_a_visit_that_cannot_be_is_refused_by_its_field(room: Room, path: Path_, value: object, says: str) -> None:
    room.refuses("plan", room.file("visit.json", changed(VISIT, path, value)), says=(f"drawup: {says}",))


def test_one_medicine_twice_at_one_visit_is_a_double_and_counts_twice_in_its_maximum(room: Room) -> None:
    first = VISIT["visit"][0]
    # 150 mg each, so 300 mg together: at the maximum of a day, and 1 mg over it.
    for most, over in (("300 mg", False), ("299 mg", True)):
        medicine = {**first["medicine"], "at_most_daily": most}
        order = {"medicine": "velorin", "route": "intramuscular", "dose": {"amount": "150 mg"}}
        twice = changed(VISIT, ("visit",), [{"order": order, "medicine": medicine}] * 2)
        answered = room.does("plan", room.file("visit.json", twice), code=4)
        for one in answered["visit"]:
            assert "duplicate-order" in codes(one)
            assert ("daily-maximum-orders" in codes(one)) is over
    # Two medicines are none.
    answered = room.does("plan", room.file("visit.json", VISIT))
    assert not [one for one in answered["visit"] if "duplicate-order" in codes(one)]


# --- documents, and many lines ------------------------------------------------------------------------------------

ASKED = {"reach": REACH, "rotate": SKIN}


@pytest.mark.parametrize("command", ASKED)
@pytest.mark.parametrize("name", NO_DOCUMENT)
def test_what_is_no_document_is_refused_in_words(room: Room, command: str, name: str) -> None:
    content, says = NO_DOCUMENT[name]
    room.refuses(command, room.file("asked.json", content), says=(says,))
    room.refuses(command, "-", says=(says,), given=content)


@pytest.mark.parametrize("command", ASKED)
@pytest.mark.parametrize("name", NO_OBJECT)
def test_what_is_no_object_is_refused_in_words(room: Room, command: str, name: str) -> None:
    room.refuses(command, room.file("asked.json", NO_OBJECT[name]), says=("expected an object",))


@pytest.mark.parametrize("number", ["NaN", "Infinity", "-Infinity", ENDLESS, "9" * 5000, "[" * 900 + "]" * 900])
@pytest.mark.parametrize(
    ("command", "path"),
    [
        *(("reach", path) for path in (("needle", "length_mm"), ("needle", "gauge"), ("angle_deg",), ("outside_mm",))),
        *(("rotate", path) for path in (("next",), ("per_day",), AT, ("history", 0, "volume_ml"))),
        ("rotate", ("history", 0, "amount")),
        ("rotate", ("history", 0, "place_mm")),
    ],
)
def test_what_is_no_number_is_refused_by_the_field_it_stands_in(
    room: Room, command: str, path: Path_, number: str
) -> None:
    marked_place = json.dumps(changed(ASKED[command], path, "HERE"))
    field = "nested too deeply" if number.startswith("[") else str(path[-1])
    file = room.file("asked.json", marked_place.replace('"HERE"', number).encode())
    room.refuses(command, file, says=(field,))


@pytest.mark.parametrize(("command", "key"), [("reach", "needle"), ("rotate", "history")])
def test_a_key_that_stands_twice_is_refused(room: Room, command: str, key: str) -> None:
    text = json.dumps(ASKED[command])
    twice = text.replace(f'"{key}":', f'"{key}": null, "{key}":', 1)
    room.refuses(command, room.file("asked.json", twice.encode()), says=(f'"{key}" stands twice',))


@pytest.mark.parametrize("command", ASKED)
def test_every_line_is_answered_in_its_place_and_no_bad_one_stops_the_rest(room: Room, command: str) -> None:
    good = json.dumps(ASKED[command]).encode()
    broken = [content for content, _ in NO_DOCUMENT.values() if b"\n" not in content] + list(NO_OBJECT.values())
    if command == "reach":
        broken += [json.dumps(changed(REACH, path, value)).encode() for path, value, _ in REACH_WRONG]
    else:
        broken += [json.dumps(document).encode() for document, _ in SKIN_WRONG]
    given = b"".join(good + b"\n" + one + b"\n" for one in broken) + b'"' + b"a" * 3_000_000 + b'"\n' + good
    result = room.run(command, "--lines", "-", given=given)
    answers = [json.loads(line) for line in result.output.splitlines()]
    assert ["error" not in one for one in answers] == [True, False] * len(broken) + [False, True]
    assert all(one == answers[0] for one in answers if "error" not in one)
    assert "1,000,000 bytes" in answers[-2]["error"]["message"]
    assert "fault in Drawup" not in result.output
    assert result.exit_code == 1
    assert room.run(command, "--lines", room.file("many.jsonl", given)).output == result.output


@pytest.mark.parametrize("command", ASKED)
def test_no_line_at_all_is_no_fault_of_one(room: Room, command: str) -> None:
    result = room.run(command, "--lines", "-", given=b"")
    assert (result.exit_code, result.output) == (0, "")


def test_a_long_history_and_two_thousand_points_to_come_are_answered_in_time(room: Room) -> None:
    # Ten months of four a day.
    history = [
        {
            "at": f"2025-{month:02}-{day:02}T{hour:02}:00:00+00:00",
            "site": "abdominal fat",
            "side": ("left", "right")[hour % 2],
            "point": f"{'ABC'[day % 3]}{3 + day % 4}",
        }
        for month in range(3, 13)
        for day in range(1, 29)
        for hour in (7, 12, 18, 22)
    ]
    asked = {**SKIN, "history": history, "next": 2_000, "per_day": 4}
    assert len(room.does("rotate", room.file("long.json", asked))["next"]) == 2_000


# --- from the record ----------------------------------------------------------------------------------------------

TYPED: tuple[tuple[tuple[str, ...], str], ...] = (
    (("rotate",), "--order ORDER"),
    (("rotate", "{skin}", "--order", "0001.1"), "--order ORDER"),
    (("rotate", "{skin}", "--next", "3"), "--next: only with --order"),
    (("rotate", "{skin}", "--at", "2026-03-02 09:00"), "--at: only with --order"),
    (("rotate", "--order", "0001.1", "--lines"), "--lines: only with a file"),
    (("rotate", "--order", "0001.1", "--next", "0"), "--next"),
    (("rotate", "--order", "0001.1", "--next", "-1"), "--next"),
    (("rotate", "--order", "0001.1", "--next", "100000"), "--next"),
    (("rotate", "--order", "0001.1", "--next", "many"), "--next"),
    (("rotate", "--order", "0001.1", "--at", "noon"), '"noon"'),
    (("rotate", "--order", "0001.9"), '"0001.9"'),
    (("rotate", "--order", "9999.1"), '"9999"'),
    (("rotate", "--order", "\udcff"), "U+DCFF"),
    (("reach",), "FILE"),
    (("plan", "--order", "0001.1", "--order", "0002.1"), "one patient"),
    (("plan", "--order", "0001.1", "--order", "0001.1"), "once"),
    (("plan", "{skin}", "--larger-arm"), "--larger-arm: only with --order"),
    (("inspect", "0001", "--place", "left abdominal fat", "--kind", "lump", "--mm", "20"), "place_mm: "),
    (("inspect", "0001", "--place", "left abdominal fat", "--kind", "lump", "--mm", "20,30,40"), "place_mm: "),
    (("inspect", "0001", "--place", "left abdominal fat", "--kind", "lump", "--mm", "20,thirty"), "place_mm: "),
    (("inspect", "0001", "--place", "left abdominal fat", "--kind", "lump", "--mm", "1234,0"), "place_mm: "),
    (("inspect", "0001", "--place", "left abdominal fat", "--kind", "lump", "--mm", "\u221212.5,30"), "place_mm: "),
    (("inspect", "0001", "--place", "left abdominal fat", "--kind", "lump", "--mm", ""), "place_mm: "),
    (
        ("inspect", "0001", "--place", "left abdominal fat B2", "--kind", "lump", "--mm", "20,30"),
        "--mm: stands instead",
    ),
    (("inspect", "0001", "--place", "left abdominal fat", "--kind", "lump", "--how", "told"), "--how"),
    (("inspect", "0001", "--place", "left abdominal fat Z9", "--kind", "lump"), 'point: read "Z9"'),
    (("inspect", "0001", "--place", "left abdominal fat", "--kind", "lump", "--size", "400"), "size_mm: "),
)


@pytest.mark.parametrize(("arguments", "says"), TYPED)
def test_what_is_typed_wrong_of_a_skin_is_refused_by_name(room: Room, arguments: tuple[str, ...], says: str) -> None:
    skin = room.file("skin.json", SKIN)
    room.refuses(*(one.replace("{skin}", skin) for one in arguments), says=(says,))


def test_what_was_given_before_a_patient_was_born_is_refused_and_bars_no_later_plan(room: Room) -> None:
    # Séan was born on 1961-04-09, Wren on 2001-05-14.
    given = ("--medicine", "velorin", *ADA, "--reported")
    room.refuses("given", "--patient", "0001", *given, "--at", "1961-04-08 23:00", says=("1961-04-09",))
    late = ("--reason", "wrong year", *BY, "--at", "1961-04-08 23:00")
    room.refuses("correction", "0001-7", *late, says=("1961-04-09",))


def test_what_is_moved_to_a_patient_who_was_not_born_then_is_refused(own_room: Room) -> None:
    entry = own_room.does(
        "given", "--patient", "0001", "--medicine", "velorin", *ADA, "--reported", "--at", "1999-01-01 09:00"
    )["entry"]
    own_room.refuses("correction", entry, "--reason", "wrong chart", *BY, "--belongs-to", "0002", says=("2001-05-14",))


def test_a_point_that_was_truly_used_and_no_skin_has_is_told_and_bars_nothing(own_room: Room) -> None:
    truly = ("--scan", "batch:D220", *ADA, "--anyway", "--twice")
    own_room.does("given", own_room.plan, *truly, "--place", "right deltoid Z9")
    answered = own_room.does("rotate", "--order", "0001.1", "--next", "2")
    assert "history-point-unknown" in codes(answered)
    assert len(answered["next"]) == 2
    assert "Z9 at the right deltoid" in answered["findings"][0]["message"]
    # A site that no table has, reported from elsewhere, is no other.
    reported = (
        "--patient",
        "0002",
        "--medicine",
        "velorin",
        *ADA,
        "--reported",
        "--anyway",
        "--at",
        "2026-03-01 09:00",
    )
    own_room.does("given", *reported, "--place", "left elbow")
    answered = own_room.does("rotate", "--order", "0002.1", "--next", "2")
    assert "left elbow" in answered["findings"][0]["message"]
    assert len(answered["next"]) == 2
    # It was given a moment ago, so that the next dose wants a reason (4); but it is planned.
    assert "history-point-unknown" in codes(own_room.does("plan", "--order", "0001.1", code=4))


def test_a_child_whose_height_was_measured_again_as_less_can_still_be_planned_for(own_room: Room) -> None:
    patient = own_room.does("patient", "add", "--family", "Finch", "--given", "Ro", "--born", "2017-03-02")["patient"]
    under = {"medicine": "velorin", "route": "intramuscular", "start": "2026-01-01", "dose": {"amount": "10 mg"}}
    order = own_room.does("order", "add", patient, own_room.file("order.json", under))["order"]
    given = ("given", "--patient", patient, "--medicine", "velorin", *ADA, "--reported")
    own_room.does("patient", "note", patient, "--height", "153 cm", "--on", "2026-01-01")  # a slip: 135 was meant
    own_room.does(*given, "--place", "right vastus lateralis B2", "--at", "2026-01-05 09:00")
    own_room.does("patient", "note", patient, "--height", "135 cm", "--on", "2026-01-10")
    own_room.does(*given, "--place", "left vastus lateralis B2", "--at", "2026-01-15 09:00")
    result = own_room.run("plan", "--order", order)
    assert result.exit_code in (0, 3, 4), result.output
    assert own_room.does("rotate", "--order", order, "--next", "1")["look_back"]["without_a_point"] == 0


def test_a_lump_that_was_found_gone_later_is_still_there_in_a_plan_for_an_earlier_day(own_room: Room) -> None:
    looked = ("inspect", "0001", "--place", "right vastus lateralis", *BY)
    own_room.does(*looked, "--kind", "lump", "--at", "2026-02-20 09:00")
    own_room.does(*looked, "--kind", "gone", "--at", "2026-03-01 09:00")
    before = own_room.does("rotate", "--order", "0001.1", "--at", "2026-02-25 09:00")
    lumps = [(one["site"], one["gone"]) for one in before["look_back"]["lumps"]]
    # The lump of the room's own entry was found on 2 March; for an earlier day it counts as of that day.
    assert ("vastus lateralis", None) in lumps
    after = own_room.does("rotate", "--order", "0001.1")
    assert ("vastus lateralis", "2026-03-01") in [(one["site"], one["gone"]) for one in after["look_back"]["lumps"]]
    assert NOW.date().isoformat() == "2026-03-02"


def test_reach_and_rotate_write_nothing_and_need_no_record(room: Room) -> None:
    before = room.head()
    for command, document in ASKED.items():
        result = room.run("--record", str(room.folder / "none.sqlite"), command, room.file("asked.json", document))
        check_told(result, 0)
    assert room.head() == before
    assert not (room.folder / "none.sqlite").exists()
