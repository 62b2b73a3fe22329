"""From an exact dose to what is drawn up: pack, containers, diluent, volume, barrel and mark.

Medicines, packs and patients are invented; published figures name their source. The drawer is the uk preset's: barrels
of 1 mL by 0.01, 2 and 3 mL by 0.1, 5 mL by 0.2, 10 mL by 0.5; for 100 units/mL 30 and 50 by 1 and 100 by 2 units.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from typing import Any

import pytest

from drawup.evidence.policies import load_policy
from drawup.exchange.request import read_request
from drawup.injection.barrel import choose_barrel, nearest_mark, percent_text, try_barrel, worst_case_error_ml
from drawup.injection.finding import Severity
from drawup.injection.plan import Plan, plan_injection
from drawup.injection.policy import Barrel
from drawup.injection.preparation import Candidate, doses_in_container

UK = load_policy("uk")


def planned(
    dose: dict[str, Any] | str,
    packs: list[dict[str, Any]],
    *,
    route: str = "intramuscular",
    order: dict[str, Any] | None = None,
    medicine: dict[str, Any] | None = None,
    **more: Any,
) -> Plan:
    """The plan of a public request for a plain adult."""
    read = read_request(
        {
            "format": 1,
            "now": "2026-03-02T09:00:00+00:00",
            "policy": "uk",
            "patient": {"sex": "female", "born": "1961-04-09", "weight": "74 kg", "allergies": "none known"},
            "order": {
                "medicine": "velorin",
                "route": route,
                "start": "2026-03-01",
                "dose": {"amount": dose} if isinstance(dose, str) else dose,
                **(order or {}),
            },
            "medicine": {"name": "velorin", "presentations": packs, **(medicine or {})},
            "history": [],
            **more,
        }
    )
    return plan_injection(read.request, policy=read.policy, tables=read.tables)


def chosen(plan: Plan) -> Candidate:
    assert plan.candidate is not None
    return plan.candidate


def codes(plan: Plan) -> set[str]:
    return {found.code for found in plan.findings}


def message(plan: Plan, code: str) -> str:
    (found,) = (one for one in plan.findings if one.code == code)
    return found.message


def mark(plan: Plan) -> Fraction | None:
    return plan.drawn.mark if plan.drawn is not None else None


def ampoule(strength: str, volume: str, **more: Any) -> dict[str, Any]:
    return {"container": "ampoule", "strength": strength, "volume": volume, **more}


def powder(strength: str, **mixing: str) -> dict[str, Any]:
    return {"form": "powder", "strength": strength, "reconstitution": {"diluent": "water", **mixing}}


# --- a liquid


def test_the_volume_of_a_liquid_is_the_dose_over_the_strength() -> None:
    # 40 mg / (50 mg in 2 mL) = 1.6 mL; of 2 mL, 0.4 mL are left.
    plan = planned("40 mg", [ampoule("50 mg in 2 mL", "2 mL")])
    assert (chosen(plan).volume_ml, chosen(plan).count, chosen(plan).left_ml) == (Fraction("1.6"), 1, Fraction("0.4"))
    assert "40 mg / 25 mg/mL = 1.6 mL" in plan.working


def test_a_dose_as_a_volume_is_drawn_as_it_stands_and_its_amount_is_known() -> None:
    # 0.5 mL of 1 in 1000 hold 0.5 mg.
    plan = planned("0.5 mL", [ampoule("1 in 1000", "1 mL")])
    assert (chosen(plan).volume_ml, chosen(plan).dose.base) == (Fraction("0.5"), Fraction("0.5"))


def test_a_dose_in_units_is_drawn_from_a_pack_in_mg_by_what_the_label_declares() -> None:
    # 2.4 million units = 1800 mg, 900 mg in 4 mL: 8 mL from two ampoules. Source: Medecins Sans Frontieres, Essential
    # Drugs, https://medicalguidelines.msf.org/en/viewport/EssDr/english/benzathine-benzylpenicillin-injectable-16682488.html
    plan = planned(
        "2.4 million units",
        [ampoule("900 mg in 4 mL", "4 mL")],
        medicine={"equivalences": ["1.2 million units = 900 mg"]},
    )
    assert (chosen(plan).volume_ml, chosen(plan).count) == (Fraction(8), 2)
    assert "2.4 million units = 1,800 mg; 1,800 mg / 225 mg/mL = 8 mL" in plan.working


def test_without_a_declared_equivalence_units_and_mg_stop() -> None:
    plan = planned("2.4 million units", [ampoule("900 mg in 4 mL", "4 mL")])
    assert plan.candidate is None
    assert message(plan, "no-equivalence") == (
        "The dose is in 2.4 million units, the pack in 225 mg/mL, and the medicine declares no equivalence."
    )


# --- a powder


def test_a_powder_takes_up_room_beside_its_diluent() -> None:
    # 4.8 mL + 0.2 mL = 5 mL, 250 mg in them: 50 mg/mL; 50 mg are 1 mL. Source: Injectable medicines textbook chapter,
    # displacement values, https://basicmedicalkey.com/pharmaceutical-aspects-of-injectable-administration
    plan = planned("50 mg", [powder("250 mg", add="4.8 mL", displacement="0.2 mL")])
    assert (chosen(plan).volume_ml, chosen(plan).left_ml) == (Fraction(1), Fraction(4))
    assert plan.working[1:4] == (
        "4.8 mL water + 0.2 mL displaced = 5 mL",
        "250 mg in 5 mL = 50 mg/mL",
        "50 mg / 50 mg/mL = 1 mL",
    )


def test_only_what_can_be_drawn_up_counts_and_both_rests_are_told() -> None:
    # 3.2 mL + 0.8 mL = 4 mL of 250 mg/mL; 3.8 mL can be drawn up; 700 mg are 2.8 mL: 1.2 mL by sum, 1 mL to draw.
    plan = planned(
        "700 mg", [powder("1 g", add="3.2 mL", displacement="0.8 mL", gives="250 mg/mL", withdrawable="3.8 mL")]
    )
    assert (chosen(plan).volume_ml, chosen(plan).count) == (Fraction("2.8"), 1)
    assert (chosen(plan).left_ml, chosen(plan).left_usable_ml) == (Fraction("1.2"), Fraction(1))
    assert message(plan, "discard-rest") == (
        "1.2 mL by sum, 1 mL that could be drawn up, stays in the vial: single-dose, discard it and write it down."
    )
    assert "label-volume-wins" not in codes(plan)


def test_a_dose_of_the_whole_powder_takes_a_second_vial_where_not_all_can_be_drawn_up() -> None:
    # 1 g is 4 mL, but 3.8 mL can be drawn up.
    plan = planned(
        "1 g", [powder("1 g", add="3.2 mL", displacement="0.8 mL", gives="250 mg/mL", withdrawable="3.8 mL")]
    )
    assert (chosen(plan).volume_ml, chosen(plan).count) == (Fraction(4), 2)


def test_where_sum_and_label_disagree_the_label_wins_and_says_so() -> None:
    # 3.5 mL + 0.8 mL = 4.3 mL, 1 g in them 232.558 mg/mL; the label says 250 mg/mL, so 4 mL. 700 mg are 2.8 mL.
    plan = planned("700 mg", [powder("1 g", add="3.5 mL", displacement="0.8 mL", gives="250 mg/mL")])
    assert chosen(plan).volume_ml == Fraction("2.8")
    assert message(plan, "label-volume-wins") == (
        "Sum of diluent and displacement is 4.3 mL (232.558 mg/mL (exactly 10000/43)); the label says 4 mL (250 mg/mL):"
        " the label wins."
    )
    assert next(found for found in plan.findings if found.code == "label-volume-wins").severity is Severity.NOTE


def test_a_powder_in_units_may_give_a_strength_in_mg_by_its_equivalence() -> None:
    # 1 million units = 600 mg, 300 mg/mL: 2 mL in the vial; 500,000 units are 1 mL. Source: Jinja regional hospital,
    # Paediatric formulary, https://scribd.com/document/477156808/Paediatric-Formulary16-and-final-pdf
    plan = planned(
        "500,000 units",
        [powder("1 million units", add="1.6 mL", gives="300 mg/mL")],
        medicine={"equivalences": ["1 million units = 600 mg"]},
    )
    assert (chosen(plan).volume_ml, chosen(plan).left_ml) == (Fraction(1), Fraction(1))


@pytest.mark.parametrize(
    ("pack", "reason"),
    [
        ({"form": "powder", "strength": "1 g"}, "a powder, and the formulary does not say how it is made up"),
        (powder("1 g", add="4 mL"), "a powder with neither displacement nor the concentration it gives"),
        (
            powder("1 million units", gives="300 mg/mL"),
            "a powder of 1 million units that is said to give 300 mg/mL, with no equivalence",
        ),
    ],
)
def test_a_powder_that_cannot_be_made_up_is_refused_with_the_reason(pack: dict[str, Any], reason: str) -> None:
    plan = planned("300 mg", [pack])
    assert plan.candidate is None
    assert plan.refused == ((0, reason),)
    assert reason in message(plan, "no-pack-fits")


# --- how many containers, and which pack


@pytest.mark.parametrize(("dose", "count", "asked"), [("150 mg", 3, False), ("151 mg", 4, True)])
def test_more_than_three_containers_ask(dose: str, count: int, asked: bool) -> None:
    plan = planned(dose, [ampoule("50 mg/mL", "1 mL")])
    assert chosen(plan).count == count
    assert ("many-containers" in codes(plan)) is asked
    if asked:
        assert message(plan, "many-containers") == "4 containers for one dose."


def test_the_pack_with_the_fewest_containers_is_taken_and_the_others_told_why_not() -> None:
    # 100 mg: two of 50 mg, or one of 100 mg in 2 mL.
    plan = planned("100 mg", [ampoule("50 mg/mL", "1 mL"), ampoule("50 mg/mL", "2 mL")])
    assert chosen(plan).index == 1
    assert plan.refused == ((0, "more containers"),)


def test_among_equal_containers_the_fewest_injections_decide() -> None:
    # 200 mg: 4 mL of 50 mg/mL goes into two sites, 2 mL of 100 mg/mL into one.
    plan = planned("200 mg", [ampoule("50 mg/mL", "5 mL"), ampoule("100 mg/mL", "5 mL")])
    assert chosen(plan).index == 1
    assert plan.refused == ((0, "more injections"),)


def test_among_equal_injections_the_least_waste_decides() -> None:
    plan = planned("100 mg", [ampoule("100 mg/mL", "5 mL"), ampoule("100 mg/mL", "2 mL")])
    assert chosen(plan).index == 1
    assert plan.refused == ((0, "more left over"),)


def test_a_pack_that_can_be_read_goes_before_one_that_cannot() -> None:
    # 1 mg is 0.005 mL of 200 mg/mL, which no barrel shows, and 0.5 mL of 2 mg/mL.
    plan = planned("1 mg", [ampoule("200 mg/mL", "1 mL"), ampoule("2 mg/mL", "5 mL")])
    assert chosen(plan).index == 1
    assert plan.refused == ((0, "it cannot be read on a barrel at hand"),)


def test_a_pack_not_licensed_for_the_route_is_refused() -> None:
    packs = [ampoule("50 mg/mL", "2 mL", routes=["subcutaneous"]), ampoule("50 mg/mL", "5 mL")]
    plan = planned("100 mg", packs)
    assert chosen(plan).index == 1
    assert plan.refused == ((0, "not licensed into muscle"),)


def test_the_strength_that_the_order_names_is_the_only_one_taken() -> None:
    packs = [ampoule("50 mg/mL", "2 mL"), ampoule("100 mg in 1 mL", "1 mL")]
    plan = planned("100 mg", packs, order={"strength": "50 mg in 1 mL"})
    assert chosen(plan).index == 0
    assert plan.refused == ((1, "another strength than the order names"),)


def test_the_clinicians_own_pack_is_taken_whatever_the_rank() -> None:
    packs = [ampoule("50 mg/mL", "2 mL"), ampoule("50 mg/mL", "1 mL")]
    plan = planned("100 mg", packs, choose={"presentation": 1})
    assert (chosen(plan).index, chosen(plan).count) == (1, 2)
    assert plan.refused == ((0, "another pack was chosen"),)


def test_a_pack_of_unknown_content_is_drawn_from_without_a_count() -> None:
    plan = planned("100 mg", [{"strength": "50 mg/mL"}])
    assert (chosen(plan).volume_ml, chosen(plan).count, chosen(plan).left_ml) == (Fraction(2), None, None)


def test_the_rest_of_a_single_dose_container_is_discarded_and_of_a_multi_dose_one_kept() -> None:
    single = planned("40 mg", [ampoule("50 mg/mL", "1 mL")])
    multi = planned("40 mg", [{"strength": "50 mg/mL", "volume": "10 mL", "dose_kind": "multi"}])
    assert "discard-rest" in codes(single)
    assert "discard-rest" not in codes(multi)


# --- two strengths in one dose

TWO_STRENGTHS = [ampoule("50 mg/mL", "1 mL"), ampoule("20 mg/mL", "1 mL")]
MIXING = {"preset": "uk", "mix_strengths": True}


def test_two_strengths_are_not_mixed_unless_the_policy_allows_it() -> None:
    plan = planned("70 mg", TWO_STRENGTHS)
    assert not chosen(plan).mixed
    assert chosen(plan).count == 2


def test_mixing_is_an_exact_search_that_names_each_strength() -> None:
    # 50 mg + 20 mg = 70 mg exactly: 1 mL of each, nothing left.
    plan = planned("70 mg", TWO_STRENGTHS, policy=MIXING)
    assert chosen(plan).mixed == ((0, 1, Fraction(1)), (1, 1, Fraction(1)))
    assert (chosen(plan).volume_ml, chosen(plan).left_ml) == (Fraction(2), Fraction(0))
    assert message(plan, "strengths-mixed") == (
        "Two strengths make this dose: 1 mL from 1 x ampoule 50 mg/mL, 1 mL; 1 mL from 1 x ampoule 20 mg/mL, 1 mL."
    )


def test_the_last_container_of_a_mixture_is_drawn_in_part() -> None:
    # 60 mg: 50 mg and half of 20 mg; 0.5 mL of the weaker stays.
    plan = planned("60 mg", TWO_STRENGTHS, policy=MIXING)
    assert chosen(plan).mixed == ((0, 1, Fraction(1)), (1, 1, Fraction("0.5")))
    assert chosen(plan).left_ml == Fraction("0.5")


def test_a_volume_is_never_made_up_from_two_strengths() -> None:
    # 1.4 mL hold 70 mg of the one and 28 mg of the other: together they are no dose at all.
    assert not chosen(planned("1.4 mL", TWO_STRENGTHS, policy=MIXING)).mixed


def test_amounts_of_two_kinds_are_never_summed_into_a_dose() -> None:
    packs = [ampoule("50 mg/mL", "1 mL"), ampoule("20 units/mL", "1 mL")]
    plan = planned("70 mg", packs, policy=MIXING, medicine={"equivalences": ["1 unit = 1 mg"]})
    assert not chosen(plan).mixed


# --- devices


def prefilled(mg: str, ml: str, marks: str | None = "0.025 mL") -> dict[str, Any]:
    device: dict[str, Any] = {"kind": "prefilled"} | ({"marks": marks} if marks else {})
    return {"container": "prefilled syringe", "strength": f"{mg} mg in {ml} mL", "device": device}


def test_a_part_of_a_prefilled_syringe_says_to_which_mark_to_expel() -> None:
    # 1 mg/kg x 74 kg = 74 mg = 0.74 mL. Marks every 0.025 mL: 0.75 mL is 75 mg, +1.35 %; 0.725 mL would be -2.03 %.
    packs = [prefilled("40", "0.4"), prefilled("60", "0.6"), prefilled("80", "0.8")]
    plan = planned({"amount": "1 mg", "per": "kg"}, packs, route="subcutaneous")
    candidate = chosen(plan)
    assert (candidate.index, candidate.volume_ml, plan.mark_ml) == (2, Fraction("0.74"), Fraction("0.75"))
    assert candidate.device is not None
    assert candidate.device.expel_to == "0.75 mL"
    assert message(plan, "expel-part") == "Expel 0.05 mL to the mark 0.75 mL, then give 75 mg."
    assert percent_text((Fraction("0.75") - Fraction("0.74")) / Fraction("0.74")) == "1.35 %"
    assert percent_text((Fraction("0.74") - Fraction("0.725")) / Fraction("0.74")) == "2.03 %"
    assert "expel to the mark 0.75 mL (exact 0.74 mL, +1.35 %)" in plan.working


def test_prefilled_syringes_are_never_combined() -> None:
    plan = planned("100 mg", [prefilled("40", "0.4"), prefilled("60", "0.6")], route="subcutaneous")
    assert plan.candidate is None
    assert plan.refused == (
        (0, "holds 0.4 mL, and devices are never combined"),
        (1, "holds 0.6 mL, and devices are never combined"),
    )


def test_a_whole_prefilled_syringe_needs_no_marks_and_a_part_does() -> None:
    whole = planned("40 mg", [prefilled("40", "0.4", marks=None)], route="subcutaneous")
    part = planned("30 mg", [prefilled("40", "0.4", marks=None)], route="subcutaneous")
    assert (chosen(whole).mark_ml, chosen(whole).left_ml) == (Fraction("0.4"), Fraction(0))
    assert part.refused == ((0, "holds 0.4 mL and has no marks for a part"),)


def test_marks_too_far_apart_cannot_show_the_dose() -> None:
    # 33 mg = 0.33 mL; marks every 0.1 mL: 0.3 mL is 9.09 % less, over the 5 % that count as close enough.
    plan = planned("33 mg", [prefilled("40", "0.4", marks="0.1 mL")], route="subcutaneous")
    assert plan.refused == ((0, "its marks, 0.1 mL apart, cannot show the dose"),)


def test_a_mark_beyond_what_the_syringe_holds_is_never_named() -> None:
    # 0.63 mL of 0.64 mL, marks every 0.05 mL: the nearest, 0.65 mL, is not there; the whole is given, 1.59 % more.
    plan = planned("63 mg", [prefilled("64", "0.64", marks="0.05 mL")], route="subcutaneous")
    assert (plan.mark_ml, chosen(plan).left_ml) == (Fraction("0.64"), Fraction(0))
    assert "expel-part" not in codes(plan)


def pen(**device: Any) -> dict[str, Any]:
    return {
        "container": "pen",
        "strength": "100 units/mL",
        "volume": "3 mL",
        "device": {"kind": "pen", "dial": "1 unit", "most": "60 units", "prime": "2 units", "keep_in_seconds": 10}
        | device,
    }


def test_a_pen_says_dial_prime_and_how_long_to_keep_in() -> None:
    plan = planned("33 units", [pen()], route="subcutaneous", medicine={"units_barrel": True})
    use = chosen(plan).device
    assert use is not None
    assert (use.dial, use.prime, use.keep_in_seconds) == ("33 units", "2 units", 10)
    assert plan.working[-1] == "dial 33 units, after priming with 2 units"
    assert plan.drawn is None


@pytest.mark.parametrize(
    ("dose", "reason"),
    [
        ("33.5 units", "dials in steps of 1 unit"),
        ("61 units", "dials at most 60 units at once"),
        ("301 units", "holds 3 mL, and devices are never combined"),
    ],
)
def test_a_dose_that_a_pen_cannot_dial_is_refused(dose: str, reason: str) -> None:
    plan = planned(dose, [pen()], route="subcutaneous", medicine={"units_barrel": True})
    assert (plan.candidate, plan.refused) == (None, ((0, reason),))


def test_drawing_from_a_cartridge_is_a_stop() -> None:
    cartridge = {"container": "cartridge", "strength": "100 units/mL", "volume": "3 mL"}
    plan = planned("33 units", [cartridge], route="subcutaneous", medicine={"units_barrel": True})
    assert plan.candidate is None
    assert message(plan, "cartridge-drawing") == (
        "cartridge 100 units/mL, 3 mL is a pen or its cartridge: never draw from it with a syringe."
    )
    assert plan.worst is Severity.STOP


# --- a medicine read in units

UNITS = {"units_barrel": True}
HUNDRED = [{"strength": "100 units/mL", "volume": "10 mL", "dose_kind": "multi"}]
FIVE_HUNDRED = [{"strength": "500 units/mL", "volume": "20 mL", "dose_kind": "multi"}]


@pytest.mark.parametrize(
    ("dose", "capacity"),
    # With a tenth of room above: 27 x 1.1 = 29.7 fits 30, 28 x 1.1 = 30.8 does not; 46 x 1.1 = 50.6 does not fit 50.
    [("18 units", 30), ("27 units", 30), ("28 units", 50), ("33 units", 50), ("45 units", 50), ("46 units", 100)],
)
def test_units_are_read_on_the_smallest_barrel_marked_for_the_same_strength(dose: str, capacity: int) -> None:
    plan = planned(dose, HUNDRED, route="subcutaneous", medicine=UNITS)
    assert plan.drawn is not None
    assert (plan.drawn.barrel.capacity, plan.drawn.barrel.units_per_ml) == (Fraction(capacity), Fraction(100))
    assert mark(plan) == Fraction(dose.partition(" ")[0])


def test_five_times_too_strong_stops_every_barrel_and_shows_what_would_go_wrong() -> None:
    # 165 / 500 = 0.33 mL, mark 33 on a barrel for 100 units/mL; 165 marks are 1.65 mL = 825 units; 33 / 500 = 0.066 mL.
    plan = planned("165 units", FIVE_HUNDRED, route="subcutaneous", medicine=UNITS)
    assert plan.drawn is None
    assert chosen(plan).volume_ml == Fraction("0.33")
    found = next(one for one in plan.findings if one.code == "units-barrel-mismatch")
    assert found.severity is Severity.STOP
    assert found.message == (
        "A barrel marked for 100 units/mL, or in mL, must not be used: 0.33 mL would stand at mark 33, and 165 marks "
        'would be 1.65 mL = 825 units, 5 times the dose; "33 units" copied on would be 0.066 mL, a fifth of the dose.'
    )
    assert found.do == (
        "Use a barrel marked for 500 units/mL, or a pen dialled to 165. Never turn the dose into millilitres or other "
        "marks."
    )


def test_a_barrel_marked_for_the_same_strength_reads_the_dose() -> None:
    # Marks every 5 units: 165 is one of them.
    barrels = [{"capacity_units": "250", "interval_units": "5", "units_per_ml": "500"}]
    plan = planned("165 units", FIVE_HUNDRED, route="subcutaneous", medicine=UNITS, barrels=barrels)
    assert mark(plan) == 165
    assert "units-barrel-mismatch" not in codes(plan)


def test_a_barrel_in_ml_chosen_for_a_medicine_read_in_units_is_a_stop() -> None:
    barrel = {"capacity_ml": "1", "interval_ml": "0.01"}
    plan = planned("33 units", HUNDRED, route="subcutaneous", medicine=UNITS, choose={"barrel": barrel})
    assert plan.drawn is None
    assert message(plan, "units-barrel-mismatch") == (
        "A barrel marked in mL must not be used: 0.33 mL would stand at 0.33 mL, with no units to read, and 33 units "
        "could be read nowhere."
    )


def test_a_medicine_in_units_that_is_not_read_in_units_is_drawn_in_ml() -> None:
    # 5,000 units of 25,000 units/mL = 0.2 mL.
    plan = planned("5,000 units", [ampoule("25,000 units/mL", "0.2 mL")], route="subcutaneous")
    assert plan.drawn is not None
    assert (mark(plan), plan.drawn.barrel.units_per_ml) == (Fraction("0.2"), None)


# --- the barrel and its mark


@pytest.mark.parametrize(
    ("volume", "capacity", "drawn_to"),
    [
        ("0.9", 1, "0.9"),  # 0.9 x 1.1 = 0.99 fits 1 mL
        ("0.91", 2, "0.9"),  # 0.91 x 1.1 = 1.001 does not; 0.9 on the 2 mL barrel is 1.1 % less
        ("1.73", 2, "1.7"),  # 1.7 is 1.73 % less
        ("2.5", 3, "2.5"),
        ("2.8", 5, "2.8"),  # 2.8 x 1.1 = 3.08 does not fit 3 mL; 5 mL by 0.2 has the mark
        ("4.5", 5, "4.6"),  # half way between 4.4 and 4.6 goes up
        ("6", 10, "6"),
        ("0.105", 1, "0.11"),  # half way; 4.76 % more, within 5 %
    ],
)
def test_the_smallest_barrel_with_room_and_a_close_mark_is_taken(volume: str, capacity: int, drawn_to: str) -> None:
    barrels = tuple(barrel for barrel in UK.barrels if barrel.units_per_ml is None)
    drawn = choose_barrel(Fraction(volume), barrels=barrels, policy=UK)
    assert drawn is not None
    assert (drawn.barrel.capacity, drawn.mark_ml) == (Fraction(capacity), Fraction(drawn_to))


def test_a_mark_just_within_the_tolerance_counts_and_one_just_outside_does_not() -> None:
    # Marks every 0.1 mL. 0.1 for 2/21 mL is 5 % more exactly; for 0.095 mL it is 5.26 % more.
    barrel = (Barrel(capacity=Fraction(2), interval=Fraction("0.1")),)
    within = choose_barrel(Fraction(2, 21), barrels=barrel, policy=UK)
    assert within is not None
    assert within.difference == Fraction(5, 100)
    assert choose_barrel(Fraction("0.095"), barrels=barrel, policy=UK) is None


def test_the_room_above_the_volume_is_the_policys() -> None:
    barrels = (Barrel(capacity=Fraction(1), interval=Fraction("0.01")),)
    brimful = replace(UK, barrel_headroom=Fraction(0))
    assert choose_barrel(Fraction(1), barrels=barrels, policy=UK) is None
    assert choose_barrel(Fraction(1), barrels=barrels, policy=brimful) is not None
    assert try_barrel(barrels[0], Fraction(10, 11), Fraction(1, 10)) is not None


def test_half_way_between_two_marks_goes_up() -> None:
    # Source: University of Tennessee Health Science Center, General dosage rounding rules,
    # https://www.scribd.com/document/635668596/general-dosage-rounding-rules: 1.25 mL to a tenth is 1.3 mL.
    assert nearest_mark(Fraction("1.25"), Fraction("0.1")) == Fraction("1.3")
    assert nearest_mark(Fraction("1.2499"), Fraction("0.1")) == Fraction("1.2")


def test_a_volume_too_small_to_read_is_a_stop_that_names_the_way_out() -> None:
    # 0.3 mg of 50 mg/mL = 0.006 mL; the first mark, 0.01 mL, is 66.67 % more.
    plan = planned("0.3 mg", [ampoule("50 mg/mL", "1 mL")])
    found = next(one for one in plan.findings if one.code == "too-small-to-read")
    assert found.severity is Severity.STOP
    assert found.message == (
        "0.006 mL cannot be read on any barrel within 5 %; the nearest mark is 0.01 mL, 66.67 % off."
    )
    assert found.do == "Ask the pharmacist for a weaker strength of the same medicine, or for the dose made up."
    assert (plan.mark_ml, chosen(plan).volume_ml) == (None, Fraction("0.006"))


def test_a_volume_that_fits_no_barrel_is_a_stop() -> None:
    plan = planned(
        "50 mg", [ampoule("25 mg/mL", "2 mL")], choose={"barrel": {"capacity_ml": "2", "interval_ml": "0.1"}}
    )
    assert message(plan, "no-barrel-holds") == "2 mL with room to clear air fits no barrel in the drawer."


def test_the_difference_between_mark_and_dose_is_signed_and_shown_once() -> None:
    # 129.75 mg of 75 mg/mL = 1.73 mL; in a 2 mL barrel 1.7 mL, -1.73 %.
    plan = planned(
        "129.75 mg", [ampoule("75 mg/mL", "2 mL")], choose={"barrel": {"capacity_ml": "2", "interval_ml": "0.1"}}
    )
    assert "2 mL barrel, marks every 0.1 mL: draw to 1.7 mL (exact 1.73 mL, -1.73 %)" in plan.working


def test_the_worst_case_of_the_barrel_itself_says_that_it_is_from_memory() -> None:
    plan = planned("40 mg", [ampoule("50 mg/mL", "1 mL")])
    assert "the barrel itself may be off by 0.04 mL (ISO 7886-1, from memory)" in plan.working


@pytest.mark.parametrize(
    ("volume", "capacity", "worked"),
    # Only the arithmetic of the formula as it stands in the code, whose figures are from memory.
    [
        ("0.4", 1, Fraction("0.015") * 1 + Fraction("0.02") * Fraction("0.4")),
        ("0.5", 1, Fraction("0.05") * Fraction("0.5")),
        ("2", 10, Fraction("0.015") * 10 + Fraction("0.01") * 2),
        ("5", 10, Fraction("0.04") * 5),
    ],
)
def test_the_worst_case_is_a_share_of_capacity_and_volume_below_half_and_of_the_volume_above(
    volume: str, capacity: int, worked: Fraction
) -> None:
    assert worst_case_error_ml(Fraction(volume), Fraction(capacity)) == worked


# --- how many doses a multi-dose vial really yields


def shared_vial(dead_space: str, *, label_doses: int | None = 10, beyond_label: bool = False) -> tuple[int, Fraction]:
    """Doses of 0.5 mL from a vial that holds 5.7 mL, and what is left."""
    return doses_in_container(
        fill_ml=Fraction("5.7"),
        dose_ml=Fraction("0.5"),
        dead_space_ml=Fraction(dead_space),
        label_doses=label_doses,
        beyond_label=beyond_label,
    )


def test_dead_space_costs_doses() -> None:
    # 5.7 / 0.584 = 9.76: nine, and 5.7 - 9 x 0.584 = 0.444 mL are left.
    assert shared_vial("0.084") == (9, Fraction("0.444"))


def test_more_doses_than_the_label_counts_are_taken_only_where_the_policy_says_so() -> None:
    # 5.7 / 0.517 = 11.03: eleven, but the label counts ten; 5.7 - 10 x 0.517 = 0.53 mL are then left.
    assert shared_vial("0.017") == (10, Fraction("0.53"))
    assert shared_vial("0.017", beyond_label=True) == (11, Fraction("0.013"))


def test_a_label_that_counts_no_doses_limits_none() -> None:
    assert shared_vial("0", label_doses=None) == (11, Fraction("0.2"))


def test_the_plan_of_a_multi_dose_vial_says_how_many_doses_it_really_yields() -> None:
    vial = {"strength": "2 mg/mL", "volume": "5 mL", "fill": "5.7 mL", "dose_kind": "multi", "label_doses": 10}
    plan = planned("0.5 mL", [vial], policy={"preset": "uk", "dead_space": "0.084 mL"})
    assert chosen(plan).yields == (9, Fraction("0.444"))
    assert (
        "5.7 mL in the vial / (0.5 mL + 0.084 mL lost each time): 9 doses, 0.444 mL left, never pooled" in plan.working
    )
