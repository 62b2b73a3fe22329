"""The published form of request and answer is the one the program takes and gives. All names are invented."""

from __future__ import annotations

import copy
import json
import re
from collections.abc import Callable, Iterator, Mapping
from importlib import resources
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
from jsonschema import Draft202012Validator  # type: ignore[import-untyped]
from tests.scenarios import test_01_powder as powder
from tests.scenarios import test_02_child_twin_part_dose as child
from tests.scenarios import test_03_oily_depot as depot
from tests.scenarios import test_04_anticoagulated as anticoagulated
from tests.scenarios import test_06_five_times_too_strong as units
from tests.scenarios import test_07_part_of_a_prefilled_syringe as syringe
from tests.scenarios import test_10_the_wrong_vial as vials
from tests.scenarios.conftest import Answered, Clinic

from drawup.evidence.tables import load_sites, load_tissue
from drawup.exchange import (
    authority_entry,
    fhir_timing,
    medicine_entry,
    order_entry,
    reach,
    request,
    rotate,
    schedule_entry,
    skin_entry,
    told_entry,
    visit,
)
from drawup.exchange.reach import answer_reach
from drawup.exchange.reader import FieldError
from drawup.exchange.request import read_request
from drawup.exchange.rotate import answer_rotate
from drawup.exchange.schema import load_schema
from drawup.exchange.visit import answer_visit, make_visit
from drawup.injection import medicine as medicine_words
from drawup.injection import order as order_words
from drawup.injection import patient as patient_words
from drawup.injection import schedule as schedule_words
from drawup.injection import timing as timing_words
from drawup.record.store import Store

SCHEMA = load_schema()
DEFINED: dict[str, Any] = SCHEMA["$defs"]

# The request of the public interface, as its description shows it.
PUBLIC: dict[str, Any] = {
    "format": 1,
    "now": "2026-03-02T09:00:00+00:00",
    "patient": {
        "sex": "female",
        "born": "1961-04-09",
        "weight": "62.5 kg",
        "height": "168 cm",
        "allergies": ["penicillins"],
        "avoid": [{"region": "left arm", "reason": "node surgery"}],
    },
    "order": {
        "medicine": "velorin",
        "route": "intramuscular",
        "dose": {"amount": "2.5 mg", "per": "kg", "at_most": "150 mg"},
    },
    "medicine": {
        "name": "velorin",
        "allergy_groups": [],
        "usual_dose": ["50 mg", "200 mg"],
        "presentations": [
            {
                "form": "powder",
                "strength": "250 mg",
                "container": "vial",
                "reconstitution": {"diluent": "water for injections", "add": "4.8 mL", "displacement": "0.2 mL"},
            }
        ],
    },
    "history": [
        {
            "medicine": "velorin",
            "amount": "150 mg",
            "at": "2026-02-27T08:10:00+00:00",
            "site": "vastus lateralis",
            "side": "left",
            "point": "B2",
            "kind": "given",
        }
    ],
}
TWO_STRENGTHS: list[dict[str, Any]] = [
    {"strength": "50 mg/mL", "volume": "1 mL"},
    {"strength": "20 mg/mL", "volume": "2 mL"},
]
UNITS_BARREL = {"units_per_ml": "500", "capacity_units": "250", "interval_units": "5"}
SEVERAL_DOSES: dict[str, Any] = {"strength": "100 mg/mL", "volume": "10 mL", "dose_kind": "multi", "label_doses": 6}


def changed(document: Mapping[str, Any], path: tuple[str | int, ...], value: object) -> dict[str, Any]:
    """The document with one place set to another value."""
    made = copy.deepcopy(dict(document))
    place: Any = made
    for key in path[:-1]:
        place = place[key]
    place[path[-1]] = value
    return made


def without(document: Mapping[str, Any], path: tuple[str | int, ...]) -> dict[str, Any]:
    """The document with one part left out."""
    made = copy.deepcopy(dict(document))
    place: Any = made
    for key in path[:-1]:
        place = place[key]
    del place[path[-1]]
    return made


def ordered(order: Mapping[str, Any], **others: Any) -> dict[str, Any]:
    """The public request with more in its order, and more beside it."""
    return {**PUBLIC, "order": {**PUBLIC["order"], "start": "2026-02-20", **order}, **others}


REQUESTS: dict[str, dict[str, Any]] = {
    "the public request": PUBLIC,
    "powder, 700 mg": powder.request("700 mg"),
    "powder, two vials": powder.request("1 g"),
    "child": child.request("17.3 kg"),
    "child, kg or lb": child.request("38.1 kg"),
    "depot": depot.request(),
    "depot, no needle": depot.request(needles=[]),
    "depot, needle chosen": depot.request(choose={"needle": {"gauge": 23, "length_mm": "50"}}),
    "anticoagulated": anticoagulated.request("2.6"),
    "anticoagulated, not measured": anticoagulated.request(None),
    "anticoagulated, not weighed": anticoagulated.request("2.6", weight=False),
    "units": units.request(),
    "units, strength ordered": units.request(strength="500 units/mL"),
    "units in the right barrel": units.request(strength="500 units/mL", barrels=[UNITS_BARREL]),
    "part of a prefilled syringe": syringe.request(),
    "two open orders": syringe.request(open_orders=[{"medicine": "eskeparin", "amount": "40 mg"}]),
    "strengths mixed": {
        **changed(PUBLIC, ("medicine", "presentations"), TWO_STRENGTHS),
        "order": {"medicine": "velorin", "route": "intramuscular", "dose": {"amount": "90 mg"}},
        "policy": {"mix_strengths": True},
    },
    "several doses in a vial": changed(PUBLIC, ("medicine", "presentations"), [SEVERAL_DOSES]),
    "a reason given": changed(
        without(PUBLIC, ("patient", "allergies")), ("accepted",), [{"code": "allergy-not-asked", "reason": "asleep"}]
    ),
    "beside another injection, off a lump, the larger arm": {
        **changed(
            PUBLIC,
            ("patient", "marks"),
            [{"kind": "lump", "site": "ventrogluteal", "side": "right", "place_mm": ["-10", "5.5"], "how": "seen"}],
        ),
        "same_visit": [{"site": "ventrogluteal", "side": "left", "place_mm": ["0", "0"]}],
        "choose": {"larger_arm": True},
    },
    "thick, from an ampoule": {
        **changed(PUBLIC, ("medicine", "presentations"), [{"strength": "50 mg/mL", "volume": "5 mL"}]),
        "medicine": {
            "name": "velorin",
            "presentations": [{"strength": "50 mg/mL", "volume": "5 mL", "container": "ampoule", "form": "oil"}],
            "viscosity_mpa_s": "40",
            "steady_uptake": False,
            "painful": True,
        },
    },
    "no pack fits": changed(PUBLIC, ("medicine", "presentations", 0, "routes"), ["subcutaneous"]),
    "every few days, late": ordered(
        {
            "schedule": {
                "every": "2 days",
                "early": "1 day",
                "late": "12 hours",
                "missed_after": "5 days",
                "if_late": {"do": "give"},
                "if_missed": {
                    "do": "test first",
                    "test": "INR",
                    "result": "in range",
                    "fresh": "1 day",
                    "words": "Not without.",
                },
            },
            "review": "2026-03-20",
            "tests": [{"what": "INR", "every": "1 month"}],
            "needs": [{"what": "INR", "fresh": "2 days"}],
            "copied_by": "Ada Example",
            "read_back_by": "Bea Example",
            "unclear": ["the second figure"],
        },
        zone="Europe/London",
        results=[{"what": "INR", "result": "in range", "at": "2026-03-01T09:00:00+00:00"}],
    ),
    "under a direction": ordered(
        {
            "schedule": {"once": True},
            "authority": {
                "kind": "group direction",
                "reference": "QD-7",
                "version": "2",
                "from": "2026-01-01",
                "until": "2026-12-31",
                "staff": ["Ada Example"],
                "include": ["over 18"],
                "exclude": ["unwell"],
                "delegable": True,
                "must_follow": "the prescriber's word",
                "within": "3 days",
            },
            "entered": "2026-03-01T08:00:00+00:00",
            "signed": "2026-03-01T09:00:00+00:00",
        },
        answers=[
            {
                "question": "unwell",
                "answer": "no",
                "at": "2026-03-02T08:50:00+00:00",
                "words": "was last week",
                "by": "Ada Example",
            }
        ],
        consents=[
            {
                "given_by": "Cai Example",
                "at": "2026-03-02T08:50:00+00:00",
                "medicine": "velorin",
                "relation": "self",
                "until": "2026-03-31",
            }
        ],
    ),
    "at meals, given on another order": ordered(
        {"schedule": {"at": ["12:00:00"], "meals": ["before supper"], "counts_from": "planned", "doses": 9}},
        history=[
            {
                "medicine": "velorin",
                "at": "2026-03-01T18:00:00+00:00",
                "planned": "2026-03-01T18:00:00+00:00",
                "live": False,
                "another_order": True,
            }
        ],
    ),
    "on weekdays, long over": ordered(
        {"schedule": {"on": ["Monday", "friday"]}, "start": "2026-01-05", "stop": "2026-01-31"}
    ),
    "hours from a first moment": ordered(
        {"schedule": {"every": "8 hours", "counts_from": "planned", "first": "2026-03-01T06:00:00+00:00"}}
    ),
    "in the short way": ordered({"times": ["every 4 weeks"]}),
    "when needed": ordered(
        {"schedule": {"when_needed": True, "least_interval": "4 hours", "at_most_doses": 4, "at_most": "600 mg"}}
    ),
    "in the open standard's form": ordered(
        {
            "schedule": {
                "repeat": {"frequency": 2, "period": 1, "periodUnit": "d", "timeOfDay": ["08:00:00", "20:00:00"]}
            }
        }
    ),
    "a series": ordered(
        {
            "schedule": {
                "series": [
                    {"age": "12 years", "least_age": "9 years"},
                    {
                        "after": "8 weeks",
                        "least_after": "4 weeks",
                        "after_first": "8 weeks",
                        "least_after_first": "4 weeks",
                    },
                ]
            }
        }
    ),
    "a ladder": ordered(
        {
            "schedule": {"every": "1 week"},
            "dose": {"steps": [{"for": "2 doses", "amount": "50 mg", "every": "3 days"}, {"amount": "100 mg"}]},
        }
    ),
    "a live vaccine that is asked about, agreed to and watched": {
        **ordered({"schedule": {"once": True}}),
        "medicine": {
            **PUBLIC["medicine"],
            "live": True,
            "ask": ["unwell", "recent live vaccine or immunoglobulin"],
            "consent": True,
            "timing": {"early": "1 day", "late": "2 days", "missed_after": "3 days", "if_late": {"do": "confirm"}},
            "watch": {
                "what": ["breathing rate"],
                "every": "15 minutes",
                "for": "2 hours",
                "limits": [{"what": "breathing rate", "below": "10", "above": "30", "unit": "breaths a minute"}],
                "then": "Call the prescriber.",
            },
        },
    },
}


# One needle at one site of one body, one skin, and two orders at one visit, with every key that each may hold.
REACH: dict[str, Any] = {
    "format": 1,
    "now": "2026-03-02T09:00:00+00:00",
    "patient": {"sex": "female", "born": "1961-04-09", "weight": "62.5 kg", "height": "168 cm"},
    "route": "intramuscular",
    "site": "deltoid",
    "needle": {"gauge": 23, "length_mm": "25"},
    "angle_deg": 90,
    "outside_mm": "2",
    "lifted_fold": False,
    "wrong_layer": "too shallow",
    "policy": "uk",
}
ROTATE: dict[str, Any] = {
    "format": 1,
    "now": "2026-03-02T09:00:00+00:00",
    "patient": {
        "sex": "female",
        "born": "1961-04-09",
        "avoid": [{"region": "abdomen", "side": "left", "reason": "scar", "layer": "fat"}],
        "marks": [
            {
                "kind": "lump",
                "site": "abdominal fat",
                "side": "right",
                "point": "D7",
                "place_mm": ["80", "-20"],
                "body_scale": "1",
                "grid": 1,
                "size_mm": "20",
                "seen": "2026-01-10",
                "gone": "2026-02-20",
                "how": "felt",
            }
        ],
    },
    "route": "subcutaneous",
    "sites": ["abdominal fat", "thigh fat"],
    "history": [
        {
            "medicine": "velorin",
            "amount": "5 mg",
            "ordered": "10 mg",
            "at": "2026-02-27T08:10:00+00:00",
            "kind": "part given",
            "site": "abdominal fat",
            "side": "right",
            "point": "B2",
            "place_mm": ["30", "-40"],
            "body_scale": "1",
            "grid": 1,
            "volume_ml": "0.1",
            "gauge": 30,
            "also_at": [{"site": "thigh fat", "side": "left", "point": "C3", "volume_ml": "0.1", "gauge": 30}],
        },
        {"at": "2026-02-28T08:10:00+00:00", "site": "abdominal fat", "side": "right", "point": "C4"},
    ],
    "next": 3,
    "per_day": 2,
    "steady_uptake": False,
    "map": True,
    "policy": "uk",
}
SECOND_ORDER: dict[str, Any] = {
    "order": {"medicine": "Tern vaccine", "route": "intramuscular", "dose": {"amount": "0.5 mL"}},
    "medicine": {
        "name": "Tern vaccine",
        "painful": True,
        "presentations": [{"strength": "10 mg/mL", "volume": "0.5 mL", "container": "prefilled syringe"}],
    },
}
VISIT: dict[str, Any] = {
    **{key: PUBLIC[key] for key in ("format", "now", "patient", "history")},
    "same_visit": [{"site": "deltoid", "side": "right", "point": "A1", "medicine": "given an hour ago"}],
    "visit": [{key: PUBLIC[key] for key in ("order", "medicine")}, SECOND_ORDER],
}


def visited(document: dict[str, Any]) -> dict[str, Any]:
    """The public answer to a request with `visit`."""
    return answer_visit(make_visit(document))


# Request and answer of each command besides the one plan: their definitions, a good request, what answers it.
OTHERS: tuple[tuple[str, dict[str, Any], Callable[[Any], dict[str, Any]]], ...] = (
    ("visit", VISIT, visited),
    ("visit", {**VISIT, "visit": [VISIT["visit"][0]]}, visited),
    ("reach", REACH, answer_reach),
    ("reach", {**REACH, "patient": {}}, answer_reach),
    ("reach", {**REACH, "patient": {**REACH["patient"], "weight": "11 kg"}}, answer_reach),
    ("reach", {**REACH, "patient": {**REACH["patient"], "distance_mm": {"deltoid": "14"}}}, answer_reach),
    ("reach", {**REACH, "route": "subcutaneous", "site": "thigh fat", "lifted_fold": True}, answer_reach),
    ("rotate", ROTATE, answer_rotate),
    ("rotate", {**ROTATE, "patient": {}, "history": None, "sites": None, "next": None}, answer_rotate),
    ("rotate", {**ROTATE, "patient": {"avoid": [{"region": "abdomen"}, {"region": "thigh"}]}}, answer_rotate),
)


def validator(name: str) -> Draft202012Validator:
    """What checks against one definition of the schema."""
    return Draft202012Validator({"$ref": f"#/$defs/{name}", "$defs": DEFINED})


def takes(document: object) -> bool:
    """Whether the schema takes a request."""
    return bool(validator("request").is_valid(document))


def test_the_schema_is_a_schema_of_its_draft() -> None:
    assert SCHEMA["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    Draft202012Validator.check_schema(SCHEMA)


def test_the_schema_ships_with_the_package() -> None:
    assert resources.files("drawup.exchange").joinpath("plan.schema.json").is_file()


@pytest.mark.parametrize("name", REQUESTS)
def test_a_good_request_and_its_answer_have_the_published_form(name: str) -> None:
    document = json.loads(json.dumps(REQUESTS[name]))
    validator("request").validate(document)
    answered = json.loads(json.dumps(Answered(document).json))
    validator("answer").validate(answered)
    Draft202012Validator(SCHEMA).validate(document)
    Draft202012Validator(SCHEMA).validate(answered)


@pytest.mark.parametrize(("name", "document", "answered"), OTHERS)
def test_the_other_requests_and_their_answers_have_the_published_form(
    name: str, document: dict[str, Any], answered: Callable[[Any], dict[str, Any]]
) -> None:
    document = json.loads(json.dumps(document))
    validator(f"{name}_request").validate(document)
    found = json.loads(json.dumps(answered(document)))
    validator(f"{name}_answer").validate(found)
    Draft202012Validator(SCHEMA).validate(document)
    Draft202012Validator(SCHEMA).validate(found)


def test_what_is_planned_from_the_record_has_the_published_form(tmp_path: Path) -> None:
    clinic = Clinic(tmp_path / "record.sqlite")
    clinic.run("policy", "use", "uk", "--zone", "Europe/London")
    vials.begin(clinic)
    answered = clinic.run("plan", "--order", "0001.1", "--scan", vials.QUARANTINED, code=3)
    validator("answer").validate(answered)
    with Store.open(clinic.record, read_only=True) as store:
        kept = store.kept(answered["plan"])
    assert kept is not None
    validator("request").validate(json.loads(kept)["request"])


def test_a_visit_and_a_rotation_from_the_record_have_the_published_form(tmp_path: Path) -> None:
    clinic = Clinic(tmp_path / "record.sqlite")
    clinic.run("policy", "use", "uk", "--zone", "Europe/London")
    vials.begin(clinic)
    daily = {"medicine": "norvatide daily", "route": "subcutaneous", "dose": {"amount": "0.1 mg"}}
    clinic.run("order", "add", "0001", clinic.file("daily.json", {**daily, "start": "2026-02-02"}))
    clinic.run(
        "inspect", "0001", "--place", "left abdominal fat", "--kind", "lump", "--mm", "65,-12.5", "--how", "felt"
    )
    # Nobody asked for earlier doses yet, so that each asks for a reason (4).
    answered = clinic.run("plan", "--order", "0001.1", "--order", "0001.2", code=4)
    validator("visit_answer").validate(answered)
    assert [one["order"] for one in answered["visit"]] == ["0001.2", "0001.1"]
    with Store.open(clinic.record, read_only=True) as store:
        for one in answered["visit"]:
            validator("request").validate(json.loads(store.kept(one["plan"]) or "")["request"])
    rotation = clinic.run("rotate", "--order", "0001.2", "--next", "2")
    validator("rotate_answer").validate(rotation)
    assert rotation["look_back"]["lumps"][0]["seen"] == "2026-03-02"


def test_an_error_has_the_published_form() -> None:
    with pytest.raises(FieldError) as caught:
        read_request(without(PUBLIC, ("now",)))
    validator("error").validate({"error": {"field": caught.value.field, "message": caught.value.message}})


# --- what is refused, is refused by both --------------------------------------------------------------------------

ELSEWHERE: tuple[tuple[tuple[str | int, ...], object], ...] = (
    (("patiant",), {}),
    (("patient", "wieght"), "70 kg"),
    (("patient", "avoid", 0, "regoin"), "left arm"),
    (("order", "doze"), "5 mg"),
    (("order", "dose", "amuont"), "5 mg"),
    (("medicine", "strenght"), "5 mg"),
    (("medicine", "presentations", 0, "volumes"), "5 mL"),
    (("medicine", "presentations", 0, "reconstitution", "added"), "5 mL"),
    (("history", 0, "dose"), "5 mg"),
    (("choose",), {"needles": []}),
    (("history", 0, "also_at"), [{"site": "deltoid", "at": "2026-02-27T08:10:00+00:00"}]),
    (("same_visit",), [{"site": "deltoid", "side": "left", "volume_ml": "1"}]),
    (("patient", "marks"), [{"kind": "lump", "site": "deltoid", "side": "left", "width": "1"}]),
    (("order", "schedule"), {"evry": "1 day"}),
    (("order", "schedule"), {"every": "1 day", "if_late": {"do": "give", "word": "x"}}),
    (("order", "schedule"), {"series": [{"at_age": "1 year"}]}),
    (("order", "schedule"), {"repeat": {"frequency": 1, "period": 1, "periodUnit": "d", "times": 2}}),
    (("order", "authority"), {"kind": "group direction", "ends": "2026-12-31"}),
    (("order", "tests"), [{"what": "INR", "every": "1 week", "due": "2026-03-05"}]),
    (("order", "dose"), {"steps": [{"amount": "5 mg", "until": "2026-03-05"}]}),
    (("medicine", "timing"), {"late_after": "1 day"}),
    (("medicine", "watch"), {"what": ["pulse"], "every": "15 minutes", "for": "2 hours", "until": "11:00"}),
    (("results",), [{"what": "INR", "value": "2.1", "at": "2026-03-01T09:00:00+00:00"}]),
    (("answers",), [{"question": "unwell", "answer": "no", "when": "2026-03-02T08:50:00+00:00"}]),
    (("consents",), [{"by": "Ada Example", "at": "2026-03-02T08:50:00+00:00"}]),
)
WRONG: tuple[tuple[tuple[str | int, ...], object], ...] = (
    (("format",), 2),
    (("format",), True),
    (("now",), "2026-03-02T09:00:00"),  # no offset
    (("now",), 1772442000),
    (("patient",), []),
    (("patient", "sex"), "f"),
    (("patient", "born"), "09/04/1961"),
    (("patient", "weight"), 62.5),
    (("patient", "weight"), "-62.5 kg"),
    (("patient", "weight"), ".5 kg"),
    (("patient", "allergies"), None),
    (("patient", "allergies"), "penicillins"),
    (("patient", "allergies"), [1]),
    (("patient", "avoid"), {"region": "left arm"}),
    (("patient", "pregnant"), "no"),
    (("order", "route"), "intravenous"),
    (("order", "dose", "amount"), 2.5),
    (("order", "dose", "per"), "stone"),
    (("order", "dose", "doses_per_day"), 0),
    (("order", "dose", "doses_per_day"), "3"),
    (("order", "prescriber"), "a\nb"),
    (("medicine", "name"), ""),
    (("medicine", "presentations"), []),
    (("medicine", "presentations", 0, "strength"), 250),
    (("medicine", "presentations", 0, "gtin"), "12345"),
    (("history",), "none"),
    (("history", 0, "kind"), "maybe"),
    (("needles",), [{"gauge": 23.5, "length_mm": "25"}]),
    (("barrels",), [{"capacity_ml": "-1", "interval_ml": "0.1"}]),
    (("policy",), "France"),
    (("patient", "avoid", 0, "layer"), "skin"),
    (("patient", "marks"), [{"kind": "lump", "site": "deltoid"}]),
    (("patient", "marks"), [{"kind": "lump", "site": "elbow", "side": "left"}]),
    (("patient", "marks"), [{"kind": "lump", "site": "deltoid", "side": "left", "how": "told"}]),
    (("patient", "marks"), [{"kind": "lump", "site": "deltoid", "side": "left", "gone": "yesterday"}]),
    (("history", 0, "place_mm"), ["1e3", "0"]),
    (("history", 0, "place_mm"), ["0", "0", "0"]),
    (("history", 0, "place_mm"), [0, 0]),
    (("history", 0, "grid"), 2),
    (("history", 0, "gauge"), 9),
    (("history", 0, "volume_ml"), "-1"),
    (("history", 0, "also_at"), [{"side": "left"}]),
    (("same_visit",), [{"site": "deltoid"}]),
    (("same_visit",), {"site": "deltoid", "side": "left"}),
    (("choose",), {"larger_arm": "yes"}),
    (("zone",), 1),
    (("results",), [{"what": "INR", "result": 2, "at": "2026-03-01T09:00:00+00:00"}]),
    (("results",), [{"what": "INR", "result": "in range"}]),
    (("answers",), [{"question": "unwell", "answer": False, "at": "2026-03-02T08:50:00+00:00"}]),
    (("answers",), [{"question": "unwell", "answer": "no", "at": "this morning"}]),
    (("consents",), [{"given_by": "", "at": "2026-03-02T08:50:00+00:00"}]),
    (("consents",), {"given_by": "Ada Example", "at": "2026-03-02T08:50:00+00:00"}),
    (("history", 0, "planned"), "2026-02-27"),
    (("history", 0, "live"), 1),
    (("history", 0, "another_order"), "0001.2"),
    (("medicine", "live"), "yes"),
    (("medicine", "ask"), ["feeling unwell"]),
    (("medicine", "consent"), "mother"),
    (("medicine", "timing"), "given"),
    (("medicine", "timing"), {"early": "soon"}),
    (("medicine", "watch"), {"what": [], "every": "15 minutes", "for": "2 hours"}),
    (("medicine", "watch"), {"what": ["pulse"], "for": "2 hours"}),
    (("order", "schedule"), "daily"),
    (("order", "schedule"), {"every": 4}),
    (("order", "schedule"), {"every": "four weeks"}),
    (("order", "schedule"), {"at": ["8:00"]}),
    (("order", "schedule"), {"at": ["08:00:30"]}),
    (("order", "schedule"), {"on": ["mondey"]}),
    (("order", "schedule"), {"on": ["MONDAY"]}),
    (("order", "schedule"), {"every": "1 day", "doses": 0}),
    (("order", "schedule"), {"every": "1 day", "doses": 2.5}),
    (("order", "schedule"), {"when_needed": True, "at_most_doses": "4"}),
    (("order", "schedule"), {"every": "1 day", "if_late": {"do": "hurry"}}),
    (("order", "schedule"), {"every": "1 day", "if_late": {}}),
    (("order", "schedule"), {"series": [{"after": "8 weeks later"}]}),
    (("order", "schedule"), {"repeat": {}}),
    (("order", "schedule"), {"repeat": {"period": "1", "periodUnit": "d"}}),
    (("order", "schedule"), {"repeat": {"frequency": 1, "period": 1, "periodUnit": "day"}}),
    (("order", "schedule"), {"repeat": {"when": ["C"]}}),
    (("order", "review"), "next week"),
    (("order", "tests"), [{"what": "INR"}]),
    (("order", "tests"), [{"what": "INR", "every": 7}]),
    (("order", "unclear"), "the dose"),
    (("order", "copied_by"), ["Ada Example"]),
    (("order", "entered"), "2026-03-01"),
    (("order", "authority"), "ward custom"),
    (("order", "authority"), {}),
    (("order", "authority"), {"kind": "custom"}),
    (("order", "authority"), {"kind": "group direction", "staff": "Ada Example"}),
    (("order", "dose", "steps"), {"amount": "5 mg"}),
    (("medicine", "steady_uptake"), "yes"),
    (("medicine", "painful"), 1),
)
NEEDED: tuple[tuple[str | int, ...], ...] = (
    ("format",),
    ("now",),
    ("patient",),
    ("order",),
    ("medicine",),
    ("order", "medicine"),
    ("medicine", "name"),
    ("medicine", "presentations"),
    ("medicine", "presentations", 0, "strength"),
    ("patient", "avoid", 0, "region"),
    ("history", 0, "medicine"),
    ("history", 0, "at"),
)


def refused_field(document: dict[str, Any]) -> str:
    """The field that the reader refuses."""
    with pytest.raises(FieldError) as caught:
        read_request(document)
    return caught.value.field


@pytest.mark.parametrize(("path", "value"), ELSEWHERE)
def test_an_unknown_key_is_refused_by_schema_and_reader(path: tuple[str | int, ...], value: object) -> None:
    document = changed(PUBLIC, path, value)
    assert not takes(document)
    assert refused_field(document).startswith(str(path[0]))


@pytest.mark.parametrize(("path", "value"), WRONG)
def test_a_wrong_type_or_word_is_refused_by_schema_and_reader(path: tuple[str | int, ...], value: object) -> None:
    document = changed(PUBLIC, path, value)
    assert not takes(document)
    assert refused_field(document).startswith(str(path[0]))


@pytest.mark.parametrize("path", NEEDED)
def test_a_missing_part_is_refused_by_schema_and_reader(path: tuple[str | int, ...]) -> None:
    document = without(PUBLIC, path)
    assert not takes(document)
    assert refused_field(document)
    # A part that is needed may not be null either.
    document = changed(PUBLIC, path, None)
    assert not takes(document)
    assert refused_field(document)


@pytest.mark.parametrize("document", [None, True, 1, "text", [], [PUBLIC]])
def test_what_is_no_object_is_refused_by_schema_and_reader(document: Any) -> None:
    assert not takes(document)
    with pytest.raises(FieldError):
        read_request(document)


# Of the other requests: one place changed, and the field that the reader then names.
ELSE_WRONG: tuple[tuple[str, dict[str, Any], tuple[str | int, ...], object, str], ...] = (
    ("reach", REACH, ("angle",), 90, "angle"),
    ("reach", REACH, ("format",), 2, "format"),
    ("reach", REACH, ("format",), True, "format"),
    ("reach", REACH, ("format",), None, "format"),
    ("reach", REACH, ("now",), None, "now"),
    ("reach", REACH, ("patient",), None, "patient"),
    ("reach", REACH, ("patient", "wieght"), "70 kg", "patient.wieght"),
    ("reach", REACH, ("route",), "intravenous", "route"),
    ("reach", REACH, ("route",), None, "route"),
    ("reach", REACH, ("site",), "elbow", "site"),
    ("reach", REACH, ("needle",), None, "needle"),
    ("reach", REACH, ("needle", "length_mm"), "long", "needle.length_mm"),
    ("reach", REACH, ("angle_deg",), 9, "angle_deg"),
    ("reach", REACH, ("angle_deg",), 91, "angle_deg"),
    ("reach", REACH, ("angle_deg",), "90", "angle_deg"),
    ("reach", REACH, ("outside_mm",), "-1", "outside_mm"),
    ("reach", REACH, ("lifted_fold",), "yes", "lifted_fold"),
    ("reach", REACH, ("wrong_layer",), "bone", "wrong_layer"),
    ("reach", REACH, ("policy",), "France", "policy"),
    ("rotate", ROTATE, ("days",), 7, "days"),
    ("rotate", ROTATE, ("format",), True, "format"),
    ("rotate", ROTATE, ("now",), "2026-03-02", "now"),
    ("rotate", ROTATE, ("patient",), [], "patient"),
    ("rotate", ROTATE, ("route",), None, "route"),
    ("rotate", ROTATE, ("sites",), ["elbow"], "sites[0]"),
    ("rotate", ROTATE, ("sites",), "abdominal fat", "sites"),
    ("rotate", ROTATE, ("history",), {}, "history"),
    ("rotate", ROTATE, ("history", 1, "dose"), "5 mg", "history[1].dose"),
    ("rotate", ROTATE, ("history", 1, "at"), None, "history[1].at"),
    ("rotate", ROTATE, ("history", 1, "site"), "elbow", "history[1].site"),
    ("rotate", ROTATE, ("history", 1, "amount"), 5, "history[1].amount"),
    ("rotate", ROTATE, ("history", 1, "kind"), "maybe", "history[1].kind"),
    ("rotate", ROTATE, ("next",), -1, "next"),
    ("rotate", ROTATE, ("next",), 2001, "next"),
    ("rotate", ROTATE, ("next",), "5", "next"),
    ("rotate", ROTATE, ("per_day",), 0, "per_day"),
    ("rotate", ROTATE, ("per_day",), 49, "per_day"),
    ("rotate", ROTATE, ("steady_uptake",), "yes", "steady_uptake"),
    ("rotate", ROTATE, ("map",), 1, "map"),
    ("visit", VISIT, ("visit",), [], "visit"),
    ("visit", VISIT, ("visit",), None, "visit"),
    ("visit", VISIT, ("visit",), VISIT["visit"] * 5, "visit"),
    ("visit", VISIT, ("visit", 1), "Tern vaccine", "visit[1]"),
    ("visit", VISIT, ("visit", 1, "history"), [], "visit[1].history"),
    ("visit", VISIT, ("visit", 1, "medicine"), None, "visit[1].medicine"),
    ("visit", VISIT, ("visit", 1, "order", "dose", "amount"), 5, "visit[1].order.dose.amount"),
    ("visit", VISIT, ("order",), PUBLIC["order"], "visit[0].order"),
    ("visit", VISIT, ("now",), None, "now"),
    ("visit", VISIT, ("patient", "weight"), 62.5, "patient.weight"),
)
ANSWERED: dict[str, Callable[[Any], dict[str, Any]]] = {name: answered for name, _, answered in OTHERS}


@pytest.mark.parametrize(("name", "document", "path", "value", "field"), ELSE_WRONG)
def test_what_is_wrong_in_another_request_is_refused_by_schema_and_reader(
    name: str, document: dict[str, Any], path: tuple[str | int, ...], value: object, field: str
) -> None:
    broken = changed(document, path, value)
    assert not validator(f"{name}_request").is_valid(broken)
    with pytest.raises(FieldError) as caught:
        ANSWERED[name](broken)
    assert caught.value.field == field


# --- the keys and words in the code are those of the schema -------------------------------------------------------

KEY_SETS: dict[str, tuple[ModuleType, str]] = {
    "request": (request, "_REQUEST_KEYS"),
    "patient": (request, "_PATIENT_KEYS"),
    "past_dose": (skin_entry, "_PAST_KEYS"),
    "past_injection": (skin_entry, "_PAST_KEYS"),
    "place": (skin_entry, "_PLACE_KEYS"),
    "visit_place": (skin_entry, "_VISIT_KEYS"),
    "visit_order": (visit, "_OWN_KEYS"),
    "reach_request": (reach, "_REACH_KEYS"),
    "rotate_request": (rotate, "_ROTATE_KEYS"),
    "container": (request, "_CONTAINER_KEYS"),
    "choice": (request, "_CHOICE_KEYS"),
    "measurement": (request, "_MEASURED_KEYS"),
    "allergy": (request, "_ALLERGY_KEYS"),
    "avoid": (request, "_AVOID_KEYS"),
    "mark": (skin_entry, "_MARK_KEYS"),
    "bleeding_risk": (request, "_BLEEDING_KEYS"),
    "reading": (request, "_READING_KEYS"),
    "accepted": (request, "_ACCEPTED_KEYS"),
    "open_order": (request, "_OPEN_KEYS"),
    "barrel": (request, "_BARREL_KEYS"),
    "order": (order_entry, "_ORDER_KEYS"),
    "dose": (order_entry, "_DOSE_KEYS"),
    "band": (order_entry, "_BAND_KEYS"),
    "medicine": (medicine_entry, "_MEDICINE_KEYS"),
    "presentation": (medicine_entry, "_PRESENTATION_KEYS"),
    "reconstitution": (medicine_entry, "_MIXING_KEYS"),
    "device": (medicine_entry, "_DEVICE_KEYS"),
    "needle": (medicine_entry, "_NEEDLE_KEYS"),
    "usual_dose": (medicine_entry, "_USUAL_KEYS"),
    "need": (medicine_entry, "_NEED_KEYS"),
    "technique": (medicine_entry, "_TECHNIQUE_KEYS"),
    "dose_step": (order_entry, "_STEP_KEYS"),
    "repeated_test": (order_entry, "_TEST_KEYS"),
    "timing": (schedule_entry, "_TIMING_KEYS"),
    "delay_rule": (schedule_entry, "_RULE_KEYS"),
    "series_dose": (schedule_entry, "_SERIES_KEYS"),
    "watch": (schedule_entry, "_WATCH_KEYS"),
    "watch_limit": (schedule_entry, "_LIMIT_KEYS"),
    "authority": (authority_entry, "AUTHORITY_KEYS"),
    "test_result": (told_entry, "_RESULT_KEYS"),
    "told": (told_entry, "_ANSWER_KEYS"),
    "consent": (told_entry, "_CONSENT_KEYS"),
}
# A schedule holds a timing too; of an open standard's form, what an order can say.
WHOLE_SETS = {(schedule_entry.__name__, "_SCHEDULE_KEYS")}
READERS = (
    request,
    order_entry,
    medicine_entry,
    skin_entry,
    reach,
    rotate,
    visit,
    schedule_entry,
    authority_entry,
    told_entry,
)


def properties(name: str) -> dict[str, Any]:
    """The properties of a definition, or of the object among its alternatives."""
    defined = DEFINED[name]
    found: dict[str, Any] = next(one for one in (defined, *defined.get("anyOf", ())) if "properties" in one)
    assert found["additionalProperties"] is False
    return dict(found["properties"])


@pytest.mark.parametrize("name", KEY_SETS)
def test_the_known_keys_of_the_code_are_the_properties_of_the_schema(name: str) -> None:
    module, keys = KEY_SETS[name]
    assert getattr(module, keys) == set(properties(name))


def test_every_set_of_known_keys_is_compared() -> None:
    found = {
        (module.__name__, name)
        for module in READERS
        for name, value in vars(module).items()
        if name.endswith("_KEYS") and isinstance(value, frozenset)
    }
    assert found == {(module.__name__, keys) for module, keys in KEY_SETS.values()} | WHOLE_SETS


def test_a_schedule_holds_its_own_keys_and_those_of_a_timing() -> None:
    own, timing = schedule_entry._SCHEDULE_KEYS, properties("timing")
    assert set(properties("schedule")) == own | set(timing)
    assert {key: properties("schedule")[key] for key in timing} == timing


# What the standard knows and an order says in another way: see the reader's own tests.
NOT_IN_AN_ORDER = {
    "boundsDuration",
    "boundsPeriod",
    "boundsRange",
    "duration",
    "durationMax",
    "durationUnit",
    "offset",
}


def test_the_open_standards_form_of_a_schedule_has_the_keys_of_the_standard_that_an_order_can_say() -> None:
    assert set(properties("repeat")) == fhir_timing._REPEAT_KEYS - NOT_IN_AN_ORDER | {"id", "extension"}
    for key in NOT_IN_AN_ORDER:
        document = changed(
            PUBLIC, ("order", "schedule"), {"repeat": {"frequency": 1, "period": 1, "periodUnit": "d", key: 1}}
        )
        assert not takes(document)
        assert refused_field(document).startswith("order.schedule.repeat.")


def test_every_reader_of_the_request_is_among_them() -> None:
    # The rest reads what is no part of the request: codes, pictures, other people's formats.
    others = {"asked", "answer", "fhir_element", "fhir_timing", "findings_document", "gs1", "photo", "reader", "schema"}
    private = {"_gs1_rules", "_photo_child", "ucum"}
    folder = Path(request.__file__).parent
    assert {path.stem for path in folder.glob("*.py")} - others - private - {"__init__"} == {
        module.__name__.rpartition(".")[2] for module in READERS
    }


def test_a_visit_shares_all_that_is_not_the_own_of_an_order() -> None:
    own, shared = properties("visit_order"), properties("visit_request")
    assert set(shared) == set(properties("request")) - set(own) | {"visit"}
    for key, part in {**shared, **own}.items():
        assert key == "visit" or part == properties("request")[key]


def test_the_sites_of_the_schema_are_those_of_the_table() -> None:
    names = [site.name for site in load_sites()]
    assert set(DEFINED["patient"]["properties"]["distance_mm"]["properties"]) == set(names)
    assert DEFINED["site_name"]["enum"] == names


def test_how_well_the_figures_are_supported_is_said_in_the_words_of_the_table() -> None:
    rows = {row.status for rows in load_tissue().distances.values() for row in rows}
    assert set(properties("reach_answer")["status"]["enum"]) == {*rows, "measured", None}


@pytest.mark.parametrize(
    ("name", "key", "words"),
    [
        ("patient", "sex", patient_words.SEXES),
        ("measurement", "how", patient_words.HOW),
        ("avoid", "side", patient_words.SIDES),
        ("order", "route", medicine_words.ROUTES),
        ("order", "weight_basis", order_words.WEIGHT_BASES),
        ("order", "area_formula", order_words.AREA_FORMULAS),
        ("dose", "per", order_words.BASES),
        ("presentation", "form", medicine_words.FORMS),
        ("presentation", "container", medicine_words.CONTAINERS),
        ("past_dose", "kind", request.PAST_KINDS),
        ("past_injection", "kind", request.PAST_KINDS),
        ("past_dose", "side", patient_words.SIDES),
        ("past_injection", "side", patient_words.SIDES),
        ("place", "side", patient_words.SIDES),
        ("timing", "counts_from", ("given", "planned")),
        ("repeat", "dayOfWeek", fhir_timing._DAYS),
        ("repeat", "when", tuple(fhir_timing._MEALS)),
        ("repeat", "periodUnit", tuple(fhir_timing._UNITS)),
    ],
)
def test_the_closed_lists_of_words_are_those_of_the_code(name: str, key: str, words: tuple[str, ...]) -> None:
    listed = properties(name)[key]
    assert listed["items"]["enum"] == list(words) if "items" in listed else listed["enum"] == [*words, None]


def test_the_other_closed_lists_of_words_are_those_of_the_code() -> None:
    assert DEFINED["authority_kind"]["enum"] == list(order_words.AUTHORITIES)
    assert DEFINED["question"]["enum"] == list(patient_words.QUESTIONS)
    days = schedule_words.WEEKDAYS
    assert DEFINED["weekday"]["enum"] == [*days, *(day.capitalize() for day in days)]
    assert properties("delay_rule")["do"]["enum"] == list(schedule_words.RULES)
    assert DEFINED["due"]["properties"]["state"]["enum"] == [*timing_words.STATES, "ended"]


def test_an_interval_of_the_schema_is_one_of_the_reader() -> None:
    told = DEFINED["interval"]["description"]
    for unit, most in schedule_entry._LONGEST.items():
        assert f"{most} {unit}s" in told
        assert schedule_entry.interval_of(f"{most} {unit}s", "every").count == most
        with pytest.raises(FieldError, match=f"at most {most} {unit}s"):
            schedule_entry.interval_of(f"{most + 1} {unit}s", "every")


PLACE = {"site": "deltoid", "side": "left"}


@pytest.mark.parametrize(
    ("name", "key", "answered", "document", "path"),
    [
        ("avoid", "layer", read_request, PUBLIC, ("patient", "avoid", 0, "layer")),
        ("mark", "how", read_request, PUBLIC, ("patient", "marks")),
        ("mark", "side", read_request, PUBLIC, ("patient", "marks")),
        ("visit_place", "side", read_request, PUBLIC, ("same_visit",)),
        ("medicine", "wrong_layer", read_request, PUBLIC, ("medicine", "wrong_layer")),
        ("reach_request", "wrong_layer", answer_reach, REACH, ("wrong_layer",)),
        ("reach_request", "route", answer_reach, REACH, ("route",)),
        ("rotate_request", "route", answer_rotate, ROTATE, ("route",)),
    ],
)
def test_the_closed_lists_of_words_are_those_that_the_reader_names(
    name: str, key: str, answered: Callable[[Any], Any], document: dict[str, Any], path: tuple[str | int, ...]
) -> None:
    # A list that is not in the sample is put there whole.
    value: Any = {
        "marks": [{"kind": "lump", **PLACE, key: "no such word"}],
        "same_visit": [{**PLACE, key: "no such word"}],
    }.get(str(path[-1]), "no such word")
    with pytest.raises(FieldError) as caught:
        answered(changed(document, path, value))
    expected = re.search(r"expected one of: (.*)", caught.value.message)
    assert expected is not None, caught.value.message
    assert [word for word in properties(name)[key]["enum"] if word] == expected[1].split(", ")


def keys_of(value: Any, schema: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """Each (description of an object, key) that a value holds, by the part of the schema it stands under."""
    schema = DEFINED[schema["$ref"].rpartition("/")[2]] if "$ref" in schema else schema
    for inner in (*schema.get("anyOf", ()), *schema.get("oneOf", ())):
        if Draft202012Validator({**inner, "$defs": DEFINED}).is_valid(value):
            yield from keys_of(value, inner)
    if isinstance(value, list) and "items" in schema:
        for one in value:
            yield from keys_of(one, schema["items"])
    if isinstance(value, dict):
        for key, one in value.items():
            if key in schema.get("properties", {}):
                yield schema["description"], key
                yield from keys_of(one, schema["properties"][key])


def every_key(schema: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """Each (description of an object, key) that the schema knows below a part of it."""
    schema = DEFINED[schema["$ref"].rpartition("/")[2]] if "$ref" in schema else schema
    for inner in (*schema.get("anyOf", ()), *schema.get("oneOf", ())):
        yield from every_key(inner)
    if "items" in schema:
        yield from every_key(schema["items"])
    for key, one in schema.get("properties", {}).items():
        yield schema["description"], key
        yield from every_key(one)


# These four come with a plan from the record, and the number with a visit.
NOT_IN_THESE_ANSWERS = {"plan", "patient", "order", "dose_number", "number"}


def test_the_schema_names_no_key_that_no_answer_has() -> None:
    answers = [json.loads(json.dumps(Answered(json.loads(json.dumps(one))).json)) for one in REQUESTS.values()]
    seen = {found for answered in answers for found in keys_of(answered, DEFINED["answer"])}
    unseen = set(every_key(DEFINED["answer"])) - seen
    assert {key for _, key in unseen} == NOT_IN_THESE_ANSWERS


@pytest.mark.parametrize("name", ["visit", "reach", "rotate"])
def test_the_schema_names_no_key_that_no_such_answer_has(name: str) -> None:
    answers = [json.loads(json.dumps(answered(one))) for kind, one, answered in OTHERS if kind == name]
    seen = {found for one in answers for found in keys_of(one, DEFINED[f"{name}_answer"])}
    known = set(every_key(DEFINED[f"{name}_answer"]))
    if name == "visit":
        # What a single plan may hold is looked at above; here it is what the visit adds.
        whole = DEFINED["visit_answer"]["description"]
        known = {(part, key) for part, key in known if part == whole} | {(DEFINED["answer"]["description"], "number")}
    assert known
    assert not known - seen


def without_words(schema: Any, path: str) -> Iterator[str]:
    """Each part below one of the schema, however deep, that does not say what it is."""
    if isinstance(schema, list):
        for one in schema:
            yield from without_words(one, path)
    if isinstance(schema, dict):
        for key, value in schema.get("properties", {}).items():
            if "description" not in value and "$ref" not in value:
                yield f"{path}.{key}"
        for key, value in schema.items():
            yield from without_words(value, f"{path}.{key}" if key != "properties" else path)


def test_every_part_of_the_schema_says_what_it_is() -> None:
    assert not {name for name in DEFINED if "description" not in DEFINED[name]}
    bare = {path for name in DEFINED for path in without_words(DEFINED[name], name)}
    # Each key of this one is the name of a site.
    assert {path.rpartition(".")[0] for path in bare} == {"patient.distance_mm"}
