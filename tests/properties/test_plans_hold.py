"""What holds for every plan, through the public request: caps, containers, limits of a site, exact volumes, marks.

Patients, medicines and orders are invented, by the thousand.
"""

from __future__ import annotations

import json
from fractions import Fraction
from typing import Any

from hypothesis import assume, given, settings
from hypothesis import strategies as st

from drawup.exchange.answer import answer
from drawup.exchange.reader import FieldError, read_json
from drawup.exchange.request import ReadRequest, read_request
from drawup.injection.anatomy import limit_at
from drawup.injection.finding import Severity
from drawup.injection.notation import decimal_text
from drawup.injection.plan import Plan, plan_injection

NOW = "2026-03-02T09:00:00+00:00"
# One of each age at which sites, limits or needles change.
BORN = ["2026-02-20", "2025-09-01", "2024-01-01", "2021-05-14", "2016-03-01", "2009-03-01", "1961-04-09", "1940-01-01"]
HALF = Fraction(1, 2)


def text(value: Fraction) -> str:
    return decimal_text(value) or "1"


def decimals(least: int, most: int, places: int) -> st.SearchStrategy[Fraction]:
    """Decimals as people type them, from and to so many of the last place."""
    return st.integers(least, most).map(lambda number: Fraction(number, 10**places))


@st.composite
def packs(draw: st.DrawFn) -> dict[str, Any]:
    """A liquid, a powder by its sum or by its label, or a prefilled syringe, in mg."""
    mg, ml = draw(st.integers(1, 2000)), draw(decimals(2, 100, 1))
    kind = draw(st.sampled_from(["solution", "sum", "label", "prefilled"]))
    if kind == "solution":
        container = draw(st.sampled_from(["ampoule", "vial"]))
        return {"container": container, "strength": f"{mg} mg/mL", "volume": f"{text(ml)} mL"}
    if kind == "prefilled":
        ml = draw(decimals(20, 300, 2))
        marks = draw(st.sampled_from(["0.01 mL", "0.025 mL", "0.1 mL"]))
        device = {"kind": "prefilled", "marks": marks}
        return {"container": "prefilled syringe", "strength": f"{mg} mg in {text(ml)} mL", "device": device}
    add, displaced = f"{text(ml)} mL", f"{text(draw(decimals(0, 20, 1)))} mL"
    mixing = {"diluent": "water", "add": add, "displacement": displaced}
    if kind == "label":
        mixing |= {"gives": f"{draw(st.integers(1, 500))} mg/mL"}
    return {"form": "powder", "strength": f"{mg} mg", "reconstitution": mixing}


def content_of(pack: dict[str, Any]) -> st.SearchStrategy[Fraction]:
    """What one, two or three containers hold exactly, in mg, or nearly so: where a count or a mark tips over."""
    strength = Fraction(pack["strength"].partition(" ")[0])
    volume = Fraction(pack["volume"].partition(" ")[0]) if "mg/mL" in pack["strength"] else Fraction(1)
    return st.builds(
        lambda count, less: max(count * strength * volume - less, Fraction(1, 100)),
        st.integers(1, 3),
        st.sampled_from([Fraction(0), Fraction(1, 100), Fraction(1, 10)]),
    )


@st.composite
def requests(draw: st.DrawFn, *, per: tuple[str, ...] = ("dose", "kg")) -> dict[str, Any]:
    presentations = draw(st.lists(packs(), min_size=1, max_size=3))
    amount = draw(decimals(1, 20000, 2) | content_of(presentations[0]))
    dose = {"amount": f"{text(amount)} mg", "per": draw(st.sampled_from(per))}
    if draw(st.booleans()):
        dose["at_most"] = f"{draw(st.integers(1, 500))} mg"
    medicine: dict[str, Any] = {"name": "velorin", "presentations": presentations}
    if draw(st.booleans()):
        medicine["volume_at_most"] = f"{text(draw(decimals(5, 60, 1)))} mL"
    avoid = draw(st.lists(st.sampled_from(["left arm", "right leg", "abdomen", "left buttock"]), max_size=2))
    return {
        "format": 1,
        "now": NOW,
        "policy": {"preset": draw(st.sampled_from(["uk", "us"])), "mix_strengths": draw(st.booleans())},
        "patient": {
            "born": draw(st.sampled_from(BORN)),
            "sex": "female",
            "weight": f"{text(draw(decimals(20, 2000, 1)))} kg",
            "allergies": "none known",
            "avoid": [{"region": region, "reason": "invented"} for region in avoid],
        },
        "order": {
            "medicine": "velorin",
            "route": draw(st.sampled_from(["intramuscular", "subcutaneous"])),
            "start": "2026-03-01",
            "dose": dose,
        },
        "medicine": medicine,
        "history": [],
    }


def planned(document: dict[str, Any]) -> tuple[ReadRequest, Plan]:
    read = read_request(document)
    return read, plan_injection(read.request, policy=read.policy, tables=read.tables)


@given(requests())
def test_a_dose_never_exceeds_its_cap(document: dict[str, Any]) -> None:
    read, plan = planned(document)
    rule, amount = read.request.order.dose, plan.dose.amount
    assert rule is not None
    assert amount is not None
    assume(rule.at_most is not None)
    assert rule.at_most is not None
    assert amount <= rule.at_most
    if plan.candidate is not None:
        assert plan.candidate.dose <= rule.at_most


@given(requests())
def test_the_volume_holds_exactly_the_dose(document: dict[str, Any]) -> None:
    _, plan = planned(document)
    candidate = plan.candidate
    assume(candidate is not None)
    assert candidate is not None
    assert plan.dose.amount is not None
    assert candidate.dose.ratio(plan.dose.amount) == 1
    if candidate.mixed:
        packs = {index: volume for index, _, volume in candidate.mixed}
        assert sum(packs.values()) == candidate.volume_ml
        return
    assert candidate.made_up.concentration.amount_in(candidate.volume_ml).ratio(plan.dose.amount) == 1


@given(requests())
def test_a_plan_never_takes_more_than_its_containers_hold_nor_one_container_too_many(document: dict[str, Any]) -> None:
    _, plan = planned(document)
    candidate = plan.candidate
    assume(candidate is not None)
    assert candidate is not None
    assert candidate.count is not None
    if candidate.mixed:
        return
    usable, total = candidate.made_up.usable_ml, candidate.made_up.total_ml
    assert usable is not None
    assert total is not None
    assert (candidate.count - 1) * usable < candidate.volume_ml <= candidate.count * usable
    assert candidate.left_ml is not None
    assert candidate.left_ml >= 0
    if candidate.device is not None:
        assert candidate.count == 1
        assert candidate.mark_ml is not None
        assert candidate.mark_ml <= usable
        assert candidate.mark_ml + candidate.left_ml == usable
    else:
        assert candidate.left_ml == candidate.count * total - candidate.volume_ml


@given(decimals(20, 300, 2), st.sampled_from(["0.01", "0.025", "0.05", "0.1"]), st.integers(1, 100))
def test_a_part_of_a_prefilled_syringe_is_a_mark_that_it_holds(holds: Fraction, marks: str, share: int) -> None:
    device = {"kind": "prefilled", "marks": f"{marks} mL"}
    pack = {"container": "prefilled syringe", "strength": f"100 units in {text(holds)} mL", "device": device}
    _, plan = planned(
        {
            "format": 1,
            "now": NOW,
            "patient": {},
            "order": {"medicine": "velorin", "route": "subcutaneous", "dose": {"amount": f"{share} units"}},
            "medicine": {"name": "velorin", "presentations": [pack]},
        }
    )
    candidate = plan.candidate
    if candidate is None:
        return
    assert candidate.mark_ml is not None
    assert candidate.left_ml is not None
    assert candidate.mark_ml == holds or (candidate.mark_ml / Fraction(marks)).denominator == 1
    assert candidate.mark_ml + candidate.left_ml == holds
    assert candidate.left_ml >= 0
    assert abs(candidate.mark_ml - candidate.volume_ml) <= Fraction(marks) / 2 or (
        candidate.volume_ml - Fraction(marks) < candidate.mark_ml < candidate.volume_ml
    )


@given(requests())
def test_a_site_that_the_plan_chose_is_never_filled_beyond_its_hard_limit(document: dict[str, Any]) -> None:
    read, plan = planned(document)
    age = read.request.patient.age(read.request.now.date())
    sites = {site.name: site for site in read.tables.sites}
    label = read.request.medicine.volume_at_most_ml
    # A whole syringe or a volume that no number of injections takes is shown beside a stop that says so.
    stops = {found.code for found in plan.findings if found.severity is Severity.STOP}
    if stops & {"site-volume-hard", "too-many-injections"}:
        return
    for injection in plan.injections:
        limit = limit_at(sites[injection.place.site], age)
        assert limit is not None
        most = limit.hard_ml if label is None else max(limit.hard_ml, label)
        assert injection.place.volume_ml <= most


@given(requests())
def test_the_injections_of_a_plan_add_up_to_its_volume(document: dict[str, Any]) -> None:
    _, plan = planned(document)
    assume(plan.injections)
    candidate = plan.candidate
    assert candidate is not None
    whole = candidate.mark_ml if candidate.device is not None else candidate.volume_ml
    assert sum(injection.place.volume_ml for injection in plan.injections) == whole


@given(requests())
def test_a_chosen_mark_is_the_nearest_within_tolerance_with_room_above_the_volume(document: dict[str, Any]) -> None:
    read, plan = planned(document)
    for injection in plan.injections:
        drawn, volume = injection.drawn, injection.place.volume_ml
        if drawn is None:
            continue
        assert drawn.barrel.units_per_ml is None
        assert (drawn.mark_ml / drawn.barrel.interval).denominator == 1
        # The nearest mark; or the one below, where the nearest would go over a cap, the container or the site.
        assert abs(drawn.mark_ml - volume) <= drawn.barrel.interval * HALF or (
            volume - drawn.barrel.interval < drawn.mark_ml < volume
        )
        assert abs(drawn.mark_ml - volume) <= volume * read.policy.mark_tolerance
        assert drawn.difference == (drawn.mark_ml - volume) / volume
        assert volume * (1 + read.policy.barrel_headroom) <= drawn.barrel.capacity
        assert 0 < drawn.mark_ml <= drawn.barrel.capacity


@given(requests(per=("kg",)), st.integers(2, 9))
def test_below_the_cap_a_dose_per_kg_of_actual_weight_scales_with_the_weight(
    document: dict[str, Any], factor: int
) -> None:
    document["order"]["dose"].pop("at_most", None)
    kilograms = Fraction(document["patient"]["weight"].removesuffix(" kg"))
    assume(kilograms * factor <= 700)
    _, light = planned(document)
    heavier = {**document, "patient": {**document["patient"], "weight": f"{text(kilograms * factor)} kg"}}
    _, heavy = planned(heavier)
    assert light.dose.amount is not None
    assert heavy.dose.amount is not None
    assert heavy.dose.amount.ratio(light.dose.amount) == factor


@given(requests())
def test_pounds_and_kilograms_of_the_same_body_give_the_same_plan(document: dict[str, Any]) -> None:
    # 1 lb = 0.45359237 kg exactly: international yard and pound agreement, 1959.
    pounds = Fraction(document["patient"]["weight"].removesuffix(" kg"))
    kilograms = pounds * Fraction("0.45359237")
    assume(kilograms >= 1)
    _, in_pounds = planned({**document, "patient": {**document["patient"], "weight": f"{text(pounds)} lb"}})
    _, in_kilograms = planned({**document, "patient": {**document["patient"], "weight": f"{text(kilograms)} kg"}})
    assert in_pounds.dose.amount == in_kilograms.dose.amount
    assert in_pounds.candidate == in_kilograms.candidate
    assert in_pounds.injections == in_kilograms.injections


@given(requests())
def test_the_same_request_gives_the_same_plan(document: dict[str, Any]) -> None:
    read, plan = planned(document)
    again = read_request(read_json(json.dumps(document)))
    assert plan_injection(again.request, policy=again.policy, tables=again.tables) == plan
    written = json.dumps(answer(plan, policy=read.policy, evidence_version=read.tables.version))
    assert json.loads(written)["format"] == 1


# --- any request at all

DOSES = {
    "mass": ["5 mg", "250 micrograms", "0.3 mg", "2 g", "900 mg"],
    "units": ["1.2 million units", "33 units", "165 units", "500,000 units"],
    "moles": ["10 mmol", "250 micromol"],
    "equivalents": ["4 mEq"],
    "volume": ["0.5 mL", "2 mL", "300 microlitres"],
    "base": ["50 mg base", "100 mg base"],
    "ester": ["70.52 mg ester"],
}
STRENGTHS = {
    "mass": ["50 mg in 2 mL", "1 in 1000", "2%", "250 mg/mL", "900 mg in 4 mL"],
    "units": ["100 units/mL", "500 units/mL", "1.2 million units in 4 mL"],
    "moles": ["10 mmol in 10 mL"],
    "equivalents": ["2 mEq/mL"],
    "base": ["50 mg base/mL"],
    "ester": ["70.52 mg ester/mL"],
}
EVERY_EQUIVALENCE = ["50 mg base = 70.52 mg ester", "1.2 million units = 900 mg", "1 mmol = 2 mEq", "1 mmol = 74.55 mg"]
UNREADABLE = [".5 mg", "1,5 mg", "10U", "0 mg", "", "5", "1 minute", "170 cm", "62.5 kg", "138 lb", "1.7 m2", "28 days"]
WORDS = [word for words in (*DOSES.values(), *STRENGTHS.values(), UNREADABLE) for word in words]
anything = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8) | st.sampled_from(WORDS),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=6,
)
any_dose = st.sampled_from([word for words in DOSES.values() for word in words])


@st.composite
def unruly_requests(draw: st.DrawFn) -> dict[str, Any]:
    """A request whose parts are each readable, and often of kinds that do not belong together."""
    kind = draw(st.sampled_from(sorted(DOSES)))
    alike = st.sampled_from(DOSES[kind])
    dose: dict[str, Any] = {"amount": draw(alike)}
    for key in draw(st.sets(st.sampled_from(["to", "chosen", "at_most"]))):
        dose[key] = draw(alike)
    if draw(st.booleans()):
        dose |= {"per": draw(st.sampled_from(["day", "kg/day", "m2/day"])), "doses_per_day": 3}
    held = draw(st.sampled_from(sorted(STRENGTHS)))
    pack: dict[str, Any] = {"container": draw(st.sampled_from(["vial", "pen", "cartridge", "prefilled syringe"]))}
    if draw(st.booleans()):
        powder = [word for word in DOSES[draw(st.sampled_from(sorted(STRENGTHS)))] if not word.startswith("0")]
        gives = draw(st.sampled_from(STRENGTHS[held]))
        pack |= {"form": "powder", "strength": draw(st.sampled_from(powder))}
        pack["reconstitution"] = {"add": "3 mL", "displacement": "0.2 mL", "gives": gives}
    else:
        pack["strength"] = draw(st.sampled_from(STRENGTHS[held]))
    if draw(st.booleans()):
        pack["device"] = {"kind": draw(st.sampled_from(["pen", "prefilled"])), "dial": "1 unit", "most": "60 mg"}
    medicine: dict[str, Any] = {"name": "velorin", "presentations": [pack], "units_barrel": draw(st.booleans())}
    for key in draw(st.sets(st.sampled_from(["at_most_single", "at_most_daily"]))):
        medicine[key] = draw(any_dose)
    if draw(st.booleans()):
        medicine["usual_dose"] = [draw(any_dose)] * 2
    # The words for salt and base are known only where the medicine declares what one is in the other.
    medicine["equivalences"] = [
        EVERY_EQUIVALENCE[0],
        *draw(st.lists(st.sampled_from(EVERY_EQUIVALENCE[1:]), max_size=2)),
    ]
    past = {"medicine": "velorin", "amount": draw(any_dose), "at": "2026-03-02T02:00:00+00:00"}
    order: dict[str, Any] = {"medicine": "velorin", "route": "subcutaneous", "dose": dose}
    return {
        "format": 1,
        "now": NOW,
        "patient": {"born": "1961-04-09", "weight": "62.5 kg", "area": "1.7 m2"},
        "order": order | ({"strength": draw(st.sampled_from(STRENGTHS[held]))} if draw(st.booleans()) else {}),
        "medicine": medicine,
        "history": [past],
        "open_orders": [{"medicine": "velorin", "amount": draw(any_dose), "doses_per_day": 2}],
        "policy": {"preset": "uk", "mix_strengths": draw(st.booleans())},
    }


def answered_or_refused(document: dict[str, Any]) -> None:
    """A whole answer, or one field named in a message that can be read; no other error."""
    refused: FieldError | None = None
    try:
        read, plan = planned(document)
        answer(plan, policy=read.policy, evidence_version=read.tables.version)
    except FieldError as error:
        refused = error
    assert refused is None or 0 < len(refused.message) < 2000


@settings(max_examples=400)
@given(unruly_requests())
def test_any_request_is_a_plan_or_names_the_field_that_cannot_be_read(document: dict[str, Any]) -> None:
    answered_or_refused(document)


@settings(max_examples=300)
@given(requests(), st.data())
def test_a_request_with_anything_at_all_in_one_field_is_a_plan_or_names_a_field(
    document: dict[str, Any], data: st.DataObject
) -> None:
    part = data.draw(st.sampled_from(["patient", "order", "medicine", None]))
    inside = document if part is None else document[part]
    key = data.draw(st.sampled_from([*sorted(inside), "dose", "allergies", "strength", "readings", "container"]))
    inside[key] = data.draw(anything)
    answered_or_refused(document)
