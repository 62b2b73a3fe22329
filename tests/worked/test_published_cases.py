"""Published worked cases, run through the real code: exact values first, then the source's own rounding.

The TOML files beside this one hold what each source gives and prints. Where a source is wrong, or rounds on the way,
the case says so, the right value is asserted, and so is that the source's figure is another.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest

from drawup.exchange.request import read_request
from drawup.injection.barrel import nearest_mark
from drawup.injection.notation import parse_equivalence, parse_quantity, parse_strength, rounded_half_up
from drawup.injection.patient import kilograms
from drawup.injection.plan import Plan, plan_injection
from drawup.injection.preparation import doses_in_container
from drawup.injection.quantity import ALL_UNITS, GRAM, Concentration, Quantity, convert
from drawup.injection.request import Request

FOLDER = Path(__file__).parent
Case = dict[str, Any]


def load(name: str) -> dict[str, Any]:
    return tomllib.loads((FOLDER / name).read_text(encoding="utf-8"))


FILES = {path.name: load(path.name) for path in sorted(FOLDER.glob("*.toml")) if path.name != "left_out.toml"}
LEFT_OUT = load("left_out.toml")
CASES: list[tuple[str, Case]] = [(name, case) for name, file in FILES.items() for case in file["case"]]


def cases(*runs: str) -> list[Any]:
    return [
        pytest.param(case, id=f"{case['id']}-{number}")
        for number, (_, case) in enumerate(CASES)
        if not runs or case["run"] in runs
    ]


def quantity(text: str, *forms: str) -> Quantity:
    return parse_quantity(text, forms=forms).quantity


def concentration(text: str) -> Concentration:
    strength = parse_strength(text).strength
    assert isinstance(strength, Concentration)
    return strength


def forms_in(case: Case) -> tuple[str, ...]:
    pairs = [parse_equivalence(text) for text in case.get("equivalences", [])]
    return tuple({side.form for pair in pairs for side in (pair.left, pair.right) if side.form})


def as_unit(amount: Quantity, name: str, case: Case) -> Fraction:
    """The amount in the unit that the source prints; where that is of another kind, by the declared equivalence."""
    unit = next(unit for unit in ALL_UNITS if unit.name == name)
    if amount.unit.dimension is not unit.dimension:
        pairs = tuple(parse_equivalence(text) for text in case["equivalences"])
        amount = convert(amount, (unit.dimension, ""), pairs)
    return amount.to(unit).value


# --- every case that was collected is run or left out


def test_every_case_that_was_collected_is_run_or_left_out_with_its_reason() -> None:
    run = {case["id"] for _, case in CASES}
    left_out = {case["id"] for case in LEFT_OUT["left_out"]}
    collected = LEFT_OUT["collected"]
    assert len(collected) == len(set(collected)) == 91
    assert run | left_out == set(collected)
    assert not run & left_out
    assert (len(run), len(left_out)) == (80, 11)
    assert all(case["reason"] and case["source"] and case["address"] for case in LEFT_OUT["left_out"])


def test_every_case_names_its_source_in_full() -> None:
    for name, file in FILES.items():
        used = {case["source"] for case in file["case"]}
        assert used == set(file["source"]), name
        for source in file["source"].values():
            assert all(source[key] for key in ("author", "title", "year", "section"))
            assert source["address"].startswith("http")


@pytest.mark.parametrize("case", cases())
def test_the_figure_a_source_prints_is_the_exact_value_rounded_or_the_case_says_why_not(case: Case) -> None:
    printed = [expected for expected in case["expect"] if "published" in expected]
    for expected in printed:
        rounded = rounded_half_up(Fraction(expected["exact"]), expected["places"])
        if "differs" in expected:
            assert rounded != Fraction(expected["published"]), f"{expected['what']}: the source is right after all"
        else:
            assert rounded == Fraction(expected["published"]), expected["what"]


def test_only_the_sources_that_were_found_to_differ_differ() -> None:
    differing = {case["id"] for _, case in CASES for expected in case["expect"] if "differs" in expected}
    assert differing == {"WE-223", "WE-269", "WE-271", "WE-273", "WE-274", "WE-279"}


# --- through the public request


def document(case: Case) -> dict[str, Any]:
    """The public request of a case; what its source leaves open is filled with a plain adult."""
    name = case.get("medicine", "the source's medicine")
    medicine = {"name": name, "presentations": case["packs"], "equivalences": case.get("equivalences", [])}
    order = {"medicine": name, "dose": case["dose"], "start": "2026-03-02"}
    if "route" in case:
        order["route"] = case["route"]
    return {
        "format": 1,
        "now": "2026-03-02T09:00:00+00:00",
        "policy": "uk",
        "patient": {"born": "1970-01-01", "allergies": "none known", **case.get("patient", {})},
        "order": order,
        "medicine": medicine | ({"units_barrel": True} if case.get("units_barrel") else {}),
        "history": [],
    } | ({"barrels": case["barrels"]} if "barrels" in case else {})


def planned(case: Case) -> tuple[Request, Plan]:
    read = read_request(document(case))
    return read.request, plan_injection(read.request, policy=read.policy, tables=read.tables)


def figures_of_plan(case: Case, expected: Mapping[str, Any], request: Request, plan: Plan) -> Fraction:
    """What a plan says about one thing that the source gives."""
    candidate, amount, dose = plan.candidate, plan.dose.amount, request.order.dose
    assert candidate is not None
    assert amount is not None
    assert dose is not None
    made, unit = candidate.made_up, expected.get("unit", "")
    mixing = candidate.presentation.reconstitution
    match expected["what"]:
        case "dose":
            return as_unit(amount, unit, case)
        case "dose a day":
            return as_unit(amount.times(dose.doses_per_day or 1), unit, case)
        case "amount":
            return as_unit(candidate.dose, unit, case)
        case "volume":
            return candidate.volume_ml
        case "mark":
            assert plan.mark_ml is not None
            return plan.mark_ml
        case "mark on the barrel":
            assert plan.drawn is not None
            return plan.drawn.mark
        case "concentration":
            return as_unit(made.concentration.in_one_ml(), unit, case)
        case "in one container":
            assert made.usable_ml is not None
            return as_unit(made.concentration.amount_in(made.usable_ml), unit, case)
        case "final volume":
            assert made.total_ml is not None
            return made.total_ml
        case "displacement":
            assert made.total_ml is not None
            assert mixing is not None
            assert mixing.add_ml is not None
            return made.total_ml - mixing.add_ml
        case "containers":
            assert candidate.count is not None
            return Fraction(candidate.count)
        case "left":
            assert candidate.left_ml is not None
            return candidate.left_ml
        case "weight":
            assert request.patient.weight is not None
            return kilograms(request.patient.weight.quantity)
    raise AssertionError(expected["what"])


@pytest.mark.parametrize("case", cases("plan"))
def test_a_published_case_through_the_public_request(case: Case) -> None:
    request, plan = planned(case)
    for expected in case["expect"]:
        found = figures_of_plan(case, expected, request, plan) * Fraction(expected.get("times", "1"))
        assert found == Fraction(expected["exact"]), expected["what"]


@pytest.mark.parametrize("case", cases("plan"))
def test_the_volume_of_a_published_case_holds_exactly_its_dose(case: Case) -> None:
    _, plan = planned(case)
    candidate = plan.candidate
    assert candidate is not None
    held = candidate.made_up.concentration.amount_in(candidate.volume_ml)
    assert held.ratio(candidate.dose) == 1


@pytest.mark.parametrize("case", cases("plan"))
def test_a_published_case_finds_what_it_should_and_no_more_of_what_it_should_not(case: Case) -> None:
    _, plan = planned(case)
    found = {one.code for one in plan.findings}
    assert set(case.get("findings", [])) <= found
    assert not set(case.get("no_findings", [])) & found


# --- strengths, equivalences, dilutions, counting


@pytest.mark.parametrize("case", cases("strength"))
def test_a_published_strength(case: Case) -> None:
    strength = concentration(case["strength"])
    for expected in case["expect"]:
        assert figures_of_strength(case, expected, strength) == Fraction(expected["exact"]), expected["what"]


def figures_of_strength(case: Case, expected: Mapping[str, Any], strength: Concentration) -> Fraction:
    match expected["what"]:
        case "in 1 mL":
            return as_unit(strength.in_one_ml(), expected["unit"], case)
        case "percent":
            return strength.amount_in(Fraction(100)).to(GRAM).value
        case "parts":
            return strength.volume_of(quantity("1 g"))
        case "content":
            return as_unit(strength.amount_in(quantity(expected["of"]).base), expected["unit"], case)
        case "volume":
            return strength.volume_of(quantity(expected["of"]))
    raise AssertionError(expected["what"])


@pytest.mark.parametrize("case", cases("equivalence"))
def test_a_published_equivalence(case: Case) -> None:
    pairs = tuple(parse_equivalence(text) for text in case["equivalences"])
    for expected in case["expect"]:
        unit = next(unit for unit in ALL_UNITS if unit.name == expected["unit"])
        given = quantity(expected["of"], *forms_in(case))
        found = convert(given, (unit.dimension, expected.get("form", "")), pairs).to(unit)
        assert found.value == Fraction(expected["exact"]), expected["of"]


@pytest.mark.parametrize("case", cases("dilution"))
def test_a_published_dilution(case: Case) -> None:
    stock = concentration(case["stock"])
    if "take" in case:
        taken, added = quantity(case["take"]), quantity(case["add"])
        diluted = Concentration(amount=stock.amount_in(taken.base), volume=taken + added)
        for expected in case["expect"]:
            assert figures_of_strength(case, expected, diluted) == Fraction(expected["exact"]), expected["what"]
        return
    whole = quantity(case["make"])
    needed = Quantity(value=stock.volume_of(concentration(case["target"]).amount_in(whole.base)), unit=whole.unit)
    found = {"stock": needed.value, "diluent": (whole - needed).value}
    for expected in case["expect"]:
        assert found[expected["what"]] == Fraction(expected["exact"]), expected["what"]


def counted(case: Case) -> Iterator[tuple[str, Fraction]]:
    """Whole doses of one container, without dead space, and what follows from an in-use limit."""
    strength, holds, dose = concentration(case["strength"]), quantity(case["holds"]), quantity(case["dose"])
    content = strength.amount_in(holds.base)
    doses, _ = doses_in_container(
        fill_ml=holds.base,
        dose_ml=strength.volume_of(dose),
        dead_space_ml=Fraction(0),
        label_doses=None,
        beyond_label=False,
    )
    yield "content", content.value
    yield "doses", Fraction(doses)
    if "in_use" in case:
        days = min(Fraction(doses), quantity(case["in_use"]).value)
        yield "days", days
        yield "used", dose.times(days).value
        yield "discarded", (content - dose.times(days)).value


@pytest.mark.parametrize("case", cases("doses"))
def test_a_published_count_of_doses(case: Case) -> None:
    found = dict(counted(case))
    for expected in case["expect"]:
        times = Fraction(expected.get("times", "1"))
        assert found[expected["what"]] * times == Fraction(expected["exact"]), expected["what"]


@pytest.mark.parametrize("case", cases("mark"))
def test_a_published_mark(case: Case) -> None:
    mark = nearest_mark(quantity(case["volume"]).base, quantity(case["interval"]).base)
    assert mark == Fraction(case["expect"][0]["exact"])


@pytest.mark.parametrize("case", cases("rounding"))
def test_a_published_rounding(case: Case) -> None:
    assert rounded_half_up(Fraction(case["number"]), case["to_places"]) == Fraction(case["expect"][0]["exact"])


def test_every_case_is_of_a_kind_that_a_test_here_runs() -> None:
    kinds = {case["run"] for _, case in CASES}
    assert kinds == {"plan", "strength", "equivalence", "dilution", "doses", "mark", "rounding"}
