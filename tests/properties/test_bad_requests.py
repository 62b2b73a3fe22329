"""Whatever one place of a good request is changed to, the answer is an answer, or an error that names a field of it.

The requests are invented. What a change may be is drawn at random: any JSON value, and texts that have broken such
programs before.
"""

from __future__ import annotations

import copy
import json
import re
from collections.abc import Callable, Iterator, Mapping
from datetime import UTC, datetime
from decimal import Decimal
from pathlib import Path
from typing import Any, TypeVar

import pytest
from click.testing import CliRunner
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from tests.exchange.test_schema import ANSWERED, DEFINED, OTHERS, PUBLIC, REQUESTS, every_key, keys_of, validator

from drawup.cli.main import Desk, drawup
from drawup.evidence.tables import load_sites
from drawup.exchange.answer import answer
from drawup.exchange.reader import FieldError, read_document
from drawup.exchange.request import read_request
from drawup.injection.plan import plan_injection
from drawup.record.store import Store
from drawup.service.planning import make_plan
from drawup.service.registering import add_to_formulary, enter_order, note_patient_fact, register_patient, use_policy

NOW = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
T = TypeVar("T")
Path_ = tuple[str | int, ...]

# Everything at once that a request may hold, so that every part of the reader is met.
FULL: dict[str, Any] = {
    **copy.deepcopy(PUBLIC),
    "readings": [{"what": "glucose", "value": "5.6 mmol/L", "at": "2026-03-02T08:30:00+00:00"}],
    "container": [
        {
            "code": "(01)09501101531017(17)270430(10)D220",
            "gtin": "09501101531017",
            "batch": "D220",
            "expiry_date": "2027-04-30",
            "opened": "2026-03-02T08:00:00+00:00",
            "quarantined": False,
            "session_ends": "2026-03-02T18:00:00+00:00",
            "role": "medicine",
            "name": "velorin",
            "known_as": copy.deepcopy(PUBLIC["medicine"]),
        }
    ],
    "open_orders": [{"medicine": "other", "amount": "5 mg", "doses_per_day": 3, "words": "order 2"}],
    "choose": {
        "presentation": 0,
        "site": "ventrogluteal",
        "side": "left",
        "point": "B2",
        "barrel": {"capacity_ml": "5", "interval_ml": "0.2"},
        "needle": {"gauge": 21, "length_mm": "38"},
        "larger_arm": False,
    },
    "accepted": [{"code": "order-lacks-date", "reason": "spoken", "message": "The order has no date."}],
    "needles": [{"gauge": 21, "length_mm": "38"}],
    "barrels": [
        {"capacity_ml": "5", "interval_ml": "0.2"},
        {"capacity_units": "100", "interval_units": "1", "units_per_ml": "100"},
    ],
    "policy": {"preset": "au", "mark_tolerance": "4 %", "mix_strengths": True},
    "same_visit": [
        {"site": "deltoid", "side": "right", "point": "A1", "place_mm": ["-20", "-10"], "medicine": "Tern vaccine"}
    ],
    "zone": "Europe/London",
    "results": [{"what": "pregnancy test", "result": "negative", "at": "2026-03-02T08:00:00+00:00"}],
    "answers": [
        {
            "question": "unwell",
            "answer": "no",
            "at": "2026-03-02T08:40:00+00:00",
            "words": "a cold last week",
            "by": "Ada Example",
        }
    ],
    "consents": [
        {
            "given_by": "Ada Example",
            "at": "2026-03-02T08:00:00+00:00",
            "medicine": "velorin",
            "relation": "self",
            "until": "2026-12-31",
        }
    ],
}
FULL["patient"] |= {
    "weight": {"value": "62.5 kg", "on": "2026-02-20", "how": "measured"},
    "area": "1.7 m2",
    "allergies": [{"to": "latex", "status": "unconfirmed", "kind": "intolerance", "severity": "mild"}],
    "distance_mm": {"deltoid": "12", "ventrogluteal": "21.5"},
    "pregnant": False,
    "born_at_weeks": 40,
    "bleeding_risk": {"reason": "warfarin", "reading": "INR", "from": "2", "to": "3"},
    "marks": [
        {
            "kind": "lump",
            "site": "ventrogluteal",
            "side": "left",
            "point": "E5",
            "place_mm": ["20", "20"],
            "body_scale": "1",
            "grid": 1,
            "size_mm": "12",
            "seen": "2026-02-01",
            "gone": "2026-02-20",
            "how": "felt",
        },
        {"kind": "lump", "site": "deltoid", "side": "left", "point": "A1", "size_mm": "12", "seen": "2026-02-01"},
    ],
    "avoid": [{"region": "left arm", "reason": "node surgery"}, {"region": "thigh", "side": "right", "layer": "fat"}],
    "alike": ["PIKE, Wren"],
}
FULL["order"] |= {
    "dose": {"amount": "2.5 mg", "per": "kg", "to": "3 mg", "chosen": "2.75 mg", "at_most": "170 mg"},
    "weight_basis": "actual",
    "area_formula": "mosteller",
    "start": "2026-03-01",
    "stop": "2026-03-09",
    "stopped": "2026-03-08",
    "times": [],
    "when_needed": False,
    "prescriber": "Dr. Example",
    "strength": "250 mg",
    "authority": {
        "kind": "spoken order",
        "reference": "QD-7",
        "version": "2",
        "from": "2026-01-01",
        "until": "2027-12-31",
        "staff": ["Ada Example"],
        "include": ["over 18"],
        "exclude": ["unwell"],
        "delegable": False,
        "must_follow": "the signature",
        "within": "72 hours",
    },
    "site": "ventrogluteal",
    "indication": "sepsis",
    "schedule": {
        "every": "1 day",
        "at": ["08:00"],
        "first": "2026-03-01T08:00:00+00:00",
        "doses": 9,
        "counts_from": "given",
        "early": "1 hour",
        "late": "2 hours",
        "missed_after": "6 hours",
        "if_late": {"do": "give", "words": "Give it."},
        "if_missed": {"do": "test first", "test": "INR", "result": "in range", "fresh": "2 days", "words": "Test it."},
    },
    "review": "2026-03-05",
    "tests": [{"what": "INR", "every": "1 week"}],
    "needs": [{"what": "INR", "fresh": "3 days", "withhold_below": "1", "withhold_above": "4", "then": "Ask."}],
    "unclear": ["the figure behind the dose"],
    "copied_by": "Ada Example",
    "read_back_by": "Bea Example",
    "entered": "2026-03-01T07:00:00+00:00",
    "signed": "2026-03-01T07:30:00+00:00",
    "watch_outside": "breathing rate 8 per minute, below 10",
    "withheld": "unwell (a cold), 2026-03-01 07:00, by Ada Example",
}
FULL["medicine"] |= {
    "routes": ["intramuscular"],
    "sites": ["ventrogluteal", "vastus lateralis"],
    "usual_dose": [
        {
            "dose": ["50 mg", "200 mg"],
            "from_age": "1 year",
            "below_age": "90 years",
            "from_weight": "40 kg",
            "below_weight": "150 kg",
            "indication": "sepsis",
        }
    ],
    "at_most_single": "300 mg",
    "at_most_daily": "600 mg",
    "least_interval": "4 hours",
    "same_group": ["other"],
    "equivalences": ["1 mmol = 74.55 mg"],
    "viscosity_mpa_s": "2",
    "needle_at_least_gauge": 21,
    "volume_at_most": "4 mL",
    "technique": {"z_track": True, "draw_back": False, "filter_needle": True, "ml_per_second": "0.1", "lines": ["x"]},
    "wrong_layer": "too shallow",
    "needs": [{"what": "glucose", "fresh": "2 hours", "withhold_below": "4 mmol/L", "withhold_above": "20 mmol/L"}],
    "second_check": True,
    "watch_minutes": 15,
    "units_barrel": False,
    "controlled": True,
    "steady_uptake": True,
    "painful": True,
    "timing": {
        "counts_from": "planned",
        "early": "1 day",
        "late": "2 days",
        "missed_after": "1 week",
        "if_late": {"do": "confirm", "words": "The prescriber decides."},
        "if_missed": {"do": "wait"},
    },
    "live": False,
    "ask": ["unwell", "recent live vaccine or immunoglobulin"],
    "consent": True,
    "watch": {
        "what": ["breathing rate", "sedation"],
        "every": "15 minutes",
        "for": "2 hours",
        "limits": [{"what": "breathing rate", "below": "10", "above": "30", "unit": "breaths a minute"}],
        "then": "Call the prescriber.",
    },
}
FULL["history"] = [
    {
        **PUBLIC["history"][0],
        "kind": "part given",
        "planned": "2026-02-27T08:00:00+00:00",
        "live": True,
        "another_order": True,
        "ordered": "200 mg",
        "place_mm": ["-10", "-50"],
        "body_scale": "1",
        "grid": 1,
        "volume_ml": "3",
        "gauge": 21,
        "also_at": [
            {
                "site": "ventrogluteal",
                "side": "right",
                "point": "A1",
                "place_mm": ["-20", "-20"],
                "body_scale": "1",
                "grid": 1,
                "volume_ml": "1.5",
                "gauge": 23,
            }
        ],
    }
]
FULL["medicine"]["presentations"][0] |= {
    "volume": "10 mL",
    "label_doses": 1,
    "dose_kind": "multi",
    "in_use": "24 hours",
    "gtin": "09501101531017",
    "routes": ["intramuscular"],
    "excipients": ["latex"],
}
FULL["medicine"]["presentations"].append(
    {
        "strength": "50 mg in 2 mL",
        "container": "prefilled syringe",
        "fill": "2.1 mL",
        "name": "invented",
        "device": {
            "kind": "prefilled",
            "marks": "0.1 mL",
            "dial": "1 mg",
            "most": "50 mg",
            "prime": "1 mg",
            "fixed_needle": {"gauge": 21, "length_mm": "38"},
            "keep_in_seconds": 10,
            "one_patient": True,
        },
    }
)
# What cannot stand in one order together stands in several: a kind of schedule each, bands, and the steps of a ladder.
LADDER = [{"for": "2 doses", "amount": "100 mg", "every": "1 day"}, {"amount": "150 mg", "every": "2 days"}]
TIMED = [{"for": "3 days", "amount": "100 mg"}, {"for": "1 week", "amount": "120 mg"}, {"amount": "150 mg"}]
SCALE = [{"below": "8 mmol/L", "amount": "50 mg"}, {"from": "8 mmol/L", "below": "12 mmol/L", "amount": "100 mg"}]
SERIES = [
    {"age": "1 year", "least_age": "9 months"},
    {"after": "8 weeks", "least_after": "4 weeks", "after_first": "8 weeks", "least_after_first": "4 weeks"},
]
AS_NEEDED = {
    "when_needed": True,
    "least_interval": "4 hours",
    "at_most_doses": 4,
    "at_most": "600 mg",
    "first": None,
}
REPEAT = {
    "frequency": 1,
    "period": 1,
    "periodUnit": "d",
    "count": 9,
    "timeOfDay": ["08:00:00"],
}
OTHER_ORDERS: tuple[dict[str, Any], ...] = (
    {"schedule": {"once": True, "late": "3 days"}},
    {"schedule": {"on": ["monday", "thursday"], "at": ["08:00"], "meals": ["before supper"], "doses": 4}},
    {"schedule": {"every": "6 hours", "counts_from": "planned", "first": "2026-03-01T06:00:00+00:00"}},
    {"schedule": {"series": SERIES}},
    {"schedule": AS_NEEDED, "when_needed": True},
    {"schedule": {"repeat": REPEAT, "late": "3 hours"}},
    {"schedule": {"repeat": {"dayOfWeek": ["mon", "fri"], "when": ["ACM", "HS"]}}},
    {"schedule": {"every": "1 day"}, "dose": {"steps": LADDER}},
    {"schedule": None, "times": ["08:00", "before supper"], "dose": {"steps": TIMED}, "authority": "prescription"},
    {"schedule": None, "times": ["every 3 days"], "dose": {"bands": SCALE, "by": "glucose"}, "authority": ""},
    {"schedule": None, "times": ["when the pain comes"], "when_needed": True},
    {"schedule": None, "times": ["Mondays"], "dose": {"amount": "200 mg", "per": "day", "doses_per_day": 2}},
)
FULL_ORDERS = (FULL["order"], *({**FULL["order"], **other} for other in OTHER_ORDERS))
GOOD: tuple[dict[str, Any], ...] = (
    PUBLIC,
    *({**FULL, "order": order} for order in FULL_ORDERS),
    *list(REQUESTS.values())[1:],
)

# Texts and numbers that have broken such programs, or that one field takes and another must not.
NASTY: tuple[Any, ...] = (
    "", " ", "0", "-1", "1e400000", "NaN", "Infinity", ".5", "1,5", "5U", "1/3", "null", "true",
    "\x00", "a\nb", "\u202eabc", "\ud800", "ש" * 10, "e\u0301", "x" * 1000, "9" * 100, "0" * 50,
    "0 mg", "-5 mg", "5 mg", "5 mL", "5 units", "5 mmol", "5 kg", "100 lb", "1 m2", "50 mg/mL", "1%", "1:1000",
    "999999999999 g", "0.000000000001 ng", "999999999999 L", "0.000000000001 mL", "999999999999 units",
    "999999999999 mg in 0.000000000001 mL", "999999999999 weeks", "1 minute", "999 years", "0 days",
    "0001-01-01", "9999-12-31", "2026-02-30", "2026-W10-1", "2026-03-02", "2026-03-02T09:00:00",
    "1900-01-01T00:00:00+14:00", "2200-12-31T23:59:59-14:00", "9999-12-31T23:59:59-14:00", "0001-01-01T00:00:00Z",
    "left", "deltoid", "left arm", "upper arm fat", "kg/day", "m2", "subcutaneous", "powder", "pen", "multi", "uk",
    "none known", "reported", "too deep",
    0, -1, 1, 2, 10**12, 10**29, -(10**29), True, False, None,
    Decimal("0.5"), Decimal("-0.0"), Decimal("1e400000"), Decimal("NaN"), Decimal("-Infinity"),
    [], {}, [None], [[]], [{}], {"": None}, {"value": None}, ["5 mg", "10 mg"], ["10 mg", "5 mg"], [1, 2],
    "felt", "muscle", "A1", "Z9", "0.5", "12.55", ["-12.5", "30"], ["1e3", "0"], ["\u221212", "0"], ["999", "-999"],
    {"site": "deltoid", "side": "left"}, [{"site": "deltoid", "side": "left", "point": "Z9"}],
    "4 weeks", "0 weeks", "1 day", "9999 years", "150 years", "240 months", "1 minute", "12 hours", "2 doses",
    "0 doses", "every 9999 years", "every 0 days", "every 4 weeks", "every", "once", "08:00", "24:00", "8:00",
    "08:00:30", "before breakfast", "breakfast", "after tea", "monday", "mondey", "Mondays", "given", "planned",
    "test first", "yes", "no", "group direction", "Europe/London", "Europe", "../localtime",
    ["08:00", "08:00"], ["monday"], ["before breakfast", "after breakfast"], {"once": True}, {"every": "4 weeks"},
    {"do": "give"}, {"kind": "prescription"}, {"frequency": 2, "period": 1, "periodUnit": "d"}, {"amount": "5 mg"},
    [{"kind": "lump", "site": "abdominal fat", "side": "left"}],
)  # fmt: skip
words = st.text(alphabet=st.characters(codec=None, exclude_characters=".[]"), max_size=12)
values = st.one_of(
    st.sampled_from(NASTY).map(copy.deepcopy),
    st.recursive(
        st.one_of(
            st.none(),
            st.booleans(),
            st.integers(-(10**29), 10**29),
            st.decimals(allow_nan=False, allow_infinity=False),
            words,
        ),
        lambda inner: st.one_of(st.lists(inner, max_size=4), st.dictionaries(words, inner, max_size=4)),
        max_leaves=8,
    ),
)


def places(document: Any, path: Path_ = ()) -> Iterator[Path_]:
    """Every place of a document."""
    if path:
        yield path
    if isinstance(document, dict):
        for key, value in document.items():
            yield from places(value, (*path, key))
    elif isinstance(document, list):
        for index, value in enumerate(document):
            yield from places(value, (*path, index))


def changed(document: Mapping[str, Any], path: Path_, value: object) -> dict[str, Any]:
    """The document with one place set to another value."""
    made = copy.deepcopy(dict(document))
    place: Any = made
    for key in path[:-1]:
        place = place[key]
    place[path[-1]] = value
    return made


@st.composite
def broken(draw: st.DrawFn, most: int = 1, good: tuple[dict[str, Any], ...] = GOOD) -> dict[str, Any]:
    """A good request with one place changed, taken away or added to; or as many as `most`."""
    document: dict[str, Any] = copy.deepcopy(draw(st.sampled_from(good)))
    for _ in range(draw(st.integers(1, most))):
        path = draw(st.sampled_from(list(places(document))))
        place: Any = document
        for key in path[:-1]:
            place = place[key]
        match draw(st.sampled_from(("change", "change", "change", "take", "add"))):
            case "change":
                place[path[-1]] = draw(values)
            case "take":
                del place[path[-1]]
            case _ if isinstance(place, dict):
                place[draw(words)] = draw(values)
            case _:
                place.append(draw(values))
    return document


def planned(document: Any) -> dict[str, Any]:
    """The public answer to a request as it was read."""
    read = read_request(document)
    made = plan_injection(read.request, policy=read.policy, tables=read.tables)
    return answer(made, policy=read.policy, evidence_version=read.tables.version, notes=read.notes)


KEYS = {key for one in DEFINED.values() for part in (one, *one.get("anyOf", ())) for key in part.get("properties", {})}


def names_a_place(field: str, document: Any) -> bool:
    """Whether a field is a place of the document, or a known key that is missing from a place of it."""
    parts = re.findall(r"[^.\[\]]+|\[[0-9]+\]", field)
    place = document
    for number, part in enumerate(parts, start=1):
        key: str | int = int(part[1:-1]) if part.startswith("[") else part
        if isinstance(key, int):
            if not isinstance(place, list) or key >= len(place):
                return False
            place = place[key]
        elif isinstance(place, dict) and key in place:
            place = place[key]
        else:
            # Known and missing, or unknown and shown in another way than it was written.
            return isinstance(place, dict) and number == len(parts)
    return bool(parts)


def attempted(document: Any, answered: Callable[[Any], dict[str, Any]] = planned) -> dict[str, Any] | FieldError:
    """The answer, or the refusal; anything else that is raised is a fault."""
    try:
        return answered(document)
    except FieldError as error:
        return error


def check_told(error: FieldError) -> None:
    """An error is a sentence that any terminal can show."""
    assert error.message
    assert (error.field + error.message).isprintable()
    assert len(error.field) < 200
    assert len(error.message) < 1000


def check_answered(found: dict[str, Any] | FieldError, document: Any) -> None:
    """A plan that is plain text, or an error that names a field."""
    if isinstance(found, FieldError):
        check_told(found)
        assert names_a_place(found.field, document), (found.field, found.message)
    else:
        assert found["format"] == 1
        assert json.dumps(found, ensure_ascii=False, allow_nan=False).encode()


@settings(max_examples=1500)
@given(broken())
def test_one_changed_place_gives_a_plan_or_an_error_that_names_a_field(document: dict[str, Any]) -> None:
    check_answered(attempted(document), document)


@settings(max_examples=700)
@given(broken(most=4))
def test_several_changed_places_give_a_plan_or_an_error_that_names_a_field(document: dict[str, Any]) -> None:
    check_answered(attempted(document), document)


@settings(max_examples=400)
@given(broken())
def test_the_schema_takes_whatever_the_reader_takes(document: dict[str, Any]) -> None:
    found = attempted(document)
    if not isinstance(found, FieldError):
        validator("request").validate(document)
        validator("answer").validate(json.loads(json.dumps(found)))


KINDS = ("visit", "reach", "rotate")


@pytest.mark.parametrize("name", KINDS)
@settings(max_examples=400)
@given(st.data())
def test_one_changed_place_of_another_request_gives_an_answer_or_an_error_that_names_a_field(
    name: str, data: st.DataObject
) -> None:
    good = tuple(document for kind, document, _ in OTHERS if kind == name)
    document = data.draw(broken(good=good))
    # One letter of the key away from a visit is a single plan, which has its own tests.
    found = attempted(document, ANSWERED[name] if name != "visit" or "visit" in document else planned)
    check_answered(found, document)
    if not isinstance(found, FieldError) and (name != "visit" or "visit" in document):
        validator(f"{name}_request").validate(document)
        validator(f"{name}_answer").validate(json.loads(json.dumps(found)))


def check_read(content: bytes) -> None:
    """Bytes are a request or refused in words, as JSON and as TOML."""
    for toml in (False, True):
        try:
            document = read_document(content, toml=toml)
        except FieldError as refused:
            error = refused
        else:
            found = attempted(document)
            if not isinstance(found, FieldError):
                continue
            error = found
        check_told(error)


@settings(max_examples=300)
@given(st.sampled_from(GOOD), st.data())
def test_a_document_with_some_bytes_changed_is_read_or_refused(document: dict[str, Any], data: st.DataObject) -> None:
    content = bytearray(json.dumps(document).encode())
    for _ in range(data.draw(st.integers(1, 4))):
        start = data.draw(st.integers(0, len(content) - 1))
        end = min(len(content), start + data.draw(st.integers(0, 3)))
        content[start:end] = data.draw(st.binary(max_size=4))
    check_read(bytes(content))


@settings(max_examples=300)
@given(st.binary(max_size=60) | st.text(max_size=60).map(lambda text: text.encode("utf-8", "surrogatepass")))
def test_any_bytes_are_read_or_refused(content: bytes) -> None:
    check_read(content)


WHOLE = json.dumps(PUBLIC).encode()
WHOLE_ANSWER = json.loads(json.dumps(planned(json.loads(WHOLE))))


@settings(max_examples=60)
@given(
    st.lists(
        st.none()
        | st.binary(max_size=40).map(lambda content: content.replace(b"\n", b" "))
        | broken().map(lambda document: json.dumps(document, default=str).encode()),
        max_size=12,
    ),
    st.booleans(),
)
def test_each_line_gets_one_answer_in_its_place(lines: list[bytes | None], last: bool) -> None:
    content = b"\n".join(WHOLE if line is None else line for line in lines)
    # A line that is empty is one where a line end follows it.
    content += b"\n" if lines and (last or not content or content.endswith(b"\n")) else b""
    result = CliRunner().invoke(drawup, ["plan", "--lines", "-"], input=content)
    assert result.exception is None or isinstance(result.exception, SystemExit)
    answers = [json.loads(line) for line in result.output.split("\n")[:-1]]
    assert len(answers) == len(lines)
    for line, answered in zip(lines, answers, strict=True):
        assert "error" in answered or answered["format"] == 1
        assert "fault in Drawup" not in str(answered)
        if line is None:
            assert answered == WHOLE_ANSWER
    assert result.exit_code == (1 if any("error" in one for one in answers) else 0)


# --- into the record ----------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    """A record with one medicine and one patient."""
    with Store.create(tmp_path_factory.mktemp("broken") / "record.sqlite", now=NOW) as made:
        use_policy(made, "uk", zone="Europe/London", now=NOW)
        add_to_formulary(made, FULL["medicine"], now=NOW)
        register_patient(made, {"family": "Pike", "given": "Wren", "born": "1961-04-09"}, now=NOW)
        note_patient_fact(made, "0001", "allergies", {"allergies": "none known"}, now=NOW)
        yield made


into_the_record = settings(max_examples=120, suppress_health_check=[HealthCheck.function_scoped_fixture])


# What became of an order is written down by itself.
ENTERED = ("entered", "signed", "stopped", "watch_outside", "withheld")
PARTS: dict[str, tuple[Any, ...]] = {
    "medicine": (FULL["medicine"],),
    "order": tuple({key: value for key, value in order.items() if key not in ENTERED} for order in FULL_ORDERS),
}


@st.composite
def broken_part(draw: st.DrawFn, part: str) -> Any:
    """One part of the full requests with one place changed."""
    document = draw(st.sampled_from(PARTS[part]))
    path = draw(st.sampled_from(list(places(document))))
    return changed(document, path, draw(values))


def kept(store: Store, keep: Callable[[], T]) -> T | None:
    """What was kept; None where it was refused in words, and nothing was written."""
    before = store.head()
    try:
        return keep()
    except ValueError as error:
        words = str(error)
    assert words.isprintable()
    assert words
    assert store.head() == before
    return None


def check_plannable(store: Store, order: str) -> None:
    """What was taken into the record is never a request that cannot be read."""
    assert make_plan(store, order=order, now=NOW).answer["format"] == 1


ANY_DOSE = {"medicine": "velorin", "route": "intramuscular"}


@into_the_record
@given(broken_part("order"))
def test_an_order_that_is_taken_can_be_planned_with(store: Store, order: dict[str, Any]) -> None:
    identity = kept(store, lambda: enter_order(store, "0001", order, now=NOW))
    if identity is not None:
        check_plannable(store, identity)


@into_the_record
@given(broken_part("medicine"))
def test_a_medicine_that_is_taken_can_be_planned_with(store: Store, medicine: dict[str, Any]) -> None:
    fact = kept(store, lambda: add_to_formulary(store, medicine, now=NOW))
    if fact is not None:
        named = {**ANY_DOSE, "medicine": fact.body["medicine"]["name"]}
        check_plannable(store, enter_order(store, "0001", named, now=NOW))
        # The next example begins with the medicine as it was.
        add_to_formulary(store, {**FULL["medicine"], "name": named["medicine"]}, now=NOW)


@into_the_record
@given(st.sampled_from(("allergies", "avoid", "bleeding_risk", "weight", "height", "result", "consent")), values)
def test_a_fact_that_is_taken_can_be_planned_with(store: Store, key: str, value: Any) -> None:
    facts: dict[str, tuple[str, dict[str, Any]]] = {
        "allergies": ("allergies", {"allergies": value}),
        "avoid": ("ruled out", {"region": value, "side": None, "reason": ""}),
        "bleeding_risk": ("bleeding risk", {"risk": value}),
        "weight": ("measured", {"what": "weight", "value": value}),
        "height": ("measured", {"what": "height", "value": value}),
        "result": ("result", {"what": "INR", "result": value, "at": NOW.isoformat()}),
        "consent": ("consent", {"given_by": value, "at": NOW.isoformat(), "until": "2026-03-31"}),
    }
    kind, body = facts[key]
    if kept(store, lambda: note_patient_fact(store, "0001", kind, body, now=NOW)) is not None:
        check_plannable(store, enter_order(store, "0001", ANY_DOSE, now=NOW))


@pytest.mark.parametrize("order", FULL_ORDERS)
def test_each_full_request_is_a_good_one(order: dict[str, Any]) -> None:
    document = {**FULL, "order": order}
    found = planned(document)
    assert found["volume_ml"] is not None or "reading-unit" in [one["code"] for one in found["findings"]]
    validator("request").validate(json.loads(json.dumps(document)))
    validator("answer").validate(json.loads(json.dumps(found)))


# Of an open standard's form the keys that only repeat another, and what belongs to the standard itself.
NOT_HELD = {"countMax", "frequencyMax", "periodMax", "id", "extension"}


def test_the_full_requests_hold_every_key_that_a_request_may_hold() -> None:
    schema = DEFINED["request"]
    assert set(FULL) == set(schema["properties"])
    held = {found for one in GOOD for found in keys_of(json.loads(json.dumps(one)), schema)}
    sites = {site.name for site in load_sites()}
    assert not {(part, key) for part, key in set(every_key(schema)) - held if key not in NOT_HELD | sites}


def test_a_desk_needs_no_record_for_a_request(tmp_path: Path) -> None:
    desk = Desk(record=tmp_path / "none.sqlite", clock=lambda: NOW)
    result = CliRunner().invoke(drawup, ["plan", "-", "--json"], obj=desk, input=WHOLE)
    assert json.loads(result.output) == WHOLE_ANSWER
    assert not desk.record.exists()
