"""The published form of request and answer is the one the program takes and gives. All names are invented."""

from __future__ import annotations

import copy
import json
from collections.abc import Iterator, Mapping
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

from drawup.evidence.tables import load_sites
from drawup.exchange import medicine_entry, order_entry, request
from drawup.exchange.reader import FieldError
from drawup.exchange.request import read_request
from drawup.exchange.schema import load_schema
from drawup.injection import medicine as medicine_words
from drawup.injection import order as order_words
from drawup.injection import patient as patient_words
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
    "no pack fits": changed(PUBLIC, ("medicine", "presentations", 0, "routes"), ["subcutaneous"]),
}


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


# --- the keys and words in the code are those of the schema -------------------------------------------------------

KEY_SETS: dict[str, tuple[ModuleType, str]] = {
    "request": (request, "_REQUEST_KEYS"),
    "patient": (request, "_PATIENT_KEYS"),
    "past_dose": (request, "_PAST_KEYS"),
    "place": (request, "_PLACE_KEYS"),
    "container": (request, "_CONTAINER_KEYS"),
    "choice": (request, "_CHOICE_KEYS"),
    "measurement": (request, "_MEASURED_KEYS"),
    "allergy": (request, "_ALLERGY_KEYS"),
    "avoid": (request, "_AVOID_KEYS"),
    "mark": (request, "_MARK_KEYS"),
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
}


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
        for module in (request, order_entry, medicine_entry)
        for name, value in vars(module).items()
        if name.endswith("_KEYS") and isinstance(value, frozenset)
    }
    assert found == {(module.__name__, keys) for module, keys in KEY_SETS.values()}


def test_the_sites_of_the_schema_are_those_of_the_table() -> None:
    assert set(DEFINED["patient"]["properties"]["distance_mm"]["properties"]) == {site.name for site in load_sites()}


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
    ],
)
def test_the_closed_lists_of_words_are_those_of_the_code(name: str, key: str, words: tuple[str, ...]) -> None:
    assert properties(name)[key]["enum"] == [*words, None]


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


# Not given yet: the chance of each layer comes with the body model. The last four come with a plan from the record.
NOT_IN_THESE_ANSWERS = {"too_shallow", "intended", "too_deep", "plan", "patient", "order", "dose_number"}


def test_the_schema_names_no_key_that_no_answer_has() -> None:
    answers = [json.loads(json.dumps(Answered(json.loads(json.dumps(one))).json)) for one in REQUESTS.values()]
    seen = {found for answered in answers for found in keys_of(answered, DEFINED["answer"])}
    unseen = set(every_key(DEFINED["answer"])) - seen
    assert {key for _, key in unseen} == NOT_IN_THESE_ANSWERS


def test_every_part_of_the_schema_says_what_it_is() -> None:
    bare = {
        f"{name}.{key}"
        for name in DEFINED
        for one in (DEFINED[name], *DEFINED[name].get("anyOf", ()))
        for key, value in one.get("properties", {}).items()
        if "description" not in value and "$ref" not in value
    }
    assert not {name for name in DEFINED if "description" not in DEFINED[name]}
    assert not {name for name in bare if not name.startswith("patient.distance_mm")}
