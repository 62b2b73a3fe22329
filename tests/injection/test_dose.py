"""From the order's rule to an exact amount: every basis, every cap, and what is doubted on the way.

Patients, medicines and orders are invented. Expected values are worked by hand beside each test; published ones name
their source.
"""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import pytest

from drawup.exchange.request import read_request
from drawup.injection.dose import Dose, body_surface_m2, work_out_dose
from drawup.injection.finding import Severity
from drawup.injection.notation import parse_quantity, rounded_half_up
from drawup.injection.quantity import Quantity

ADULT = {"sex": "female", "born": "1961-04-09", "weight": "62.5 kg", "height": "168 cm"}
# 4 years and 9 months old on the day of the request.
CHILD = {"sex": "male", "born": "2021-05-14", "weight": "17.3 kg"}


def worked_out(
    dose: dict[str, Any],
    *,
    patient: dict[str, Any] | None = None,
    order: dict[str, Any] | None = None,
    medicine: dict[str, Any] | None = None,
    readings: list[dict[str, str]] | None = None,
) -> Dose:
    """The dose of a public request, with an invented medicine of which only the name matters here."""
    read = read_request(
        {
            "format": 1,
            "now": "2026-03-02T09:00:00+00:00",
            "policy": "uk",
            "patient": ADULT if patient is None else patient,
            "order": {"medicine": "velorin", "dose": dose, **(order or {})},
            "medicine": {"name": "velorin", "presentations": [{"strength": "50 mg/mL"}], **(medicine or {})},
            "readings": readings or [],
        }
    )
    request = read.request
    return work_out_dose(
        order=request.order,
        patient=request.patient,
        medicine=request.medicine,
        readings=request.readings,
        policy=read.policy,
        now=request.now,
    )


def exactly(text: str) -> Quantity:
    return parse_quantity(text).quantity


def value(dose: Dose) -> Fraction:
    assert dose.amount is not None
    return dose.amount.value


def codes(dose: Dose) -> list[str]:
    return [found.code for found in dose.findings]


def message(dose: Dose, code: str) -> str:
    (found,) = (one for one in dose.findings if one.code == code)
    return found.message


# --- a dose by itself


def test_a_fixed_dose_is_what_was_ordered() -> None:
    dose = worked_out({"amount": "150 mg"})
    assert (dose.amount, dose.working, dose.findings) == (exactly("150 mg"), ("ordered 150 mg",), ())


def test_a_fixed_dose_never_demands_a_weight_or_a_height() -> None:
    assert worked_out({"amount": "150 mg"}, patient={}).findings == ()


def test_a_dose_may_be_ordered_as_a_volume() -> None:
    assert worked_out({"amount": "0.5 mL"}, patient={}).amount == exactly("0.5 mL")


def test_an_order_without_a_dose_gives_none() -> None:
    read = read_request(
        {
            "format": 1, "now": "2026-03-02T09:00:00+00:00", "patient": {}, "order": {"medicine": "velorin"},
            "medicine": {"name": "velorin", "presentations": [{"strength": "50 mg/mL"}]},
        }
    )  # fmt: skip
    request = read.request
    dose = work_out_dose(
        order=request.order,
        patient=request.patient,
        medicine=request.medicine,
        readings=(),
        policy=read.policy,
        now=request.now,
    )
    assert dose.amount is None


# --- a range


def test_a_range_asks_for_the_givers_choice_and_decides_nothing() -> None:
    dose = worked_out({"amount": "50 mg", "to": "100 mg"})
    assert dose.amount is None
    assert message(dose, "dose-choice-needed") == "The order is a range, 50 mg to 100 mg."


@pytest.mark.parametrize("chosen", ["50 mg", "75 mg", "100 mg", "0.1 g"])
def test_a_choice_inside_the_range_is_taken_ends_included(chosen: str) -> None:
    dose = worked_out({"amount": "50 mg", "to": "100 mg", "chosen": chosen})
    assert (dose.amount, codes(dose)) == (exactly(chosen), ["dose-choice-why"])


def test_a_choice_is_asked_why_and_one_that_is_none_is_not() -> None:
    dose = worked_out({"amount": "50 mg", "to": "100 mg", "chosen": "75 mg"})
    assert message(dose, "dose-choice-why") == "75 mg was chosen, from 50 mg to 100 mg."
    assert codes(worked_out({"amount": "50 mg", "to": "50 mg", "chosen": "50 mg"})) == []


@pytest.mark.parametrize("chosen", ["49.9 mg", "101 mg"])
def test_a_choice_outside_the_range_is_for_the_prescriber(chosen: str) -> None:
    dose = worked_out({"amount": "50 mg", "to": "100 mg", "chosen": chosen})
    assert message(dose, "dose-outside-range") == f"{chosen} was chosen; the order allows 50 mg to 100 mg."
    assert dose.findings[0].severity is Severity.CONFIRM


def test_a_range_per_kg_multiplies_the_choice() -> None:
    # 3 mg/kg x 62.5 kg = 187.5 mg.
    dose = worked_out({"amount": "2 mg", "to": "4 mg", "chosen": "3 mg", "per": "kg"})
    assert dose.amount == exactly("187.5 mg")
    assert dose.working == ("chosen 3 mg/kg, from 2 mg/kg to 4 mg/kg", "3 mg/kg x 62.5 kg = 187.5 mg")


# --- by the body


def test_per_kg_is_the_amount_times_the_weight() -> None:
    # 7.5 mg/kg x 17.3 kg = 129.75 mg.
    dose = worked_out({"amount": "7.5 mg", "per": "kg"}, patient=CHILD)
    assert (dose.amount, dose.working) == (exactly("129.75 mg"), ("7.5 mg/kg x 17.3 kg = 129.75 mg",))


def test_a_volume_per_kg_is_worked_out_the_same_way() -> None:
    # 0.1 mL/kg x 17.3 kg = 1.73 mL.
    assert worked_out({"amount": "0.1 mL", "per": "kg"}, patient=CHILD).amount == exactly("1.73 mL")


def test_pounds_are_turned_into_kg_exactly_and_the_line_says_so() -> None:
    # 138 lb x 0.45359237 = 62.59574706 kg (international pound, 1959); x 2.5 mg = 156.48936765 mg.
    dose = worked_out({"amount": "2.5 mg", "per": "kg"}, patient={**ADULT, "weight": "138 lb"})
    assert value(dose) == Fraction("156.48936765")
    assert dose.working[0] == "138 lb = 62.596 kg"


def test_a_weight_in_g_is_a_weight() -> None:
    # 850 g = 0.85 kg; x 2.5 mg = 2.125 mg.
    newborn = {"born": "2026-03-01", "weight": "850 g"}
    assert value(worked_out({"amount": "2.5 mg", "per": "kg"}, patient=newborn)) == Fraction("2.125")


def test_per_m2_uses_a_given_surface_and_asks_for_no_weight() -> None:
    # 50 mg/m2 x 0.5 m2 = 25 mg; source: Oates C, BSA calculations, problem solutions, 2006,
    # http://chuckoates.com/MathHC/ProblemSolutions/BSA_Calcs.htm
    dose = worked_out({"amount": "50 mg", "per": "m2"}, patient={"area": "0.5 m2"})
    assert (dose.amount, codes(dose)) == (exactly("25 mg"), [])
    assert dose.working[0] == "body surface 0.5 m2, given"


def test_a_published_dose_by_mosteller_in_pounds_and_inches() -> None:
    # Source: PharmaCalculation (following USP chapter 1160), Drug dose by body weight and surface area, 2022,
    # https://www.pharmacalculation.com/2022/11/drug-dose-calculation-by-body-weight.html: 6 ft 2 in, 183 lb and
    # 375 mg/m2 give 2.08 m2 and 780 mg. The source rounds the surface first. Exactly: 83.00740371 kg, 187.96 cm,
    # 2.0818042 m2, 780.6766 mg.
    body = {"born": "1970-01-01", "sex": "male", "weight": "183 lb", "height": "74 in"}
    dose = worked_out({"amount": "375 mg", "per": "m2"}, patient=body)
    assert rounded_half_up(value(dose) / 375, 2) == Fraction("2.08")
    assert rounded_half_up(value(dose), 4) == Fraction("780.6766")
    assert "74 in = 187.96 cm" in dose.working


@pytest.mark.parametrize(("formula", "published"), [("mosteller", "2"), ("du bois", "1.996")])
def test_published_body_surfaces_of_180_cm_and_80_kg(formula: str, published: str) -> None:
    # Source: clinPK, unit tests of body surface, https://github.com/InsightRX/clinPK (commit 924f237d84bc),
    # tests/testthat/test_calc_bsa.R: three decimals.
    area = body_surface_m2(weight_kg=Fraction(80), height_cm=Fraction(180), formula=formula)
    assert rounded_half_up(area, 3) == Fraction(published)


def test_mosteller_is_a_square_root_carried_to_28_digits() -> None:
    # The square of the surface is cm x kg / 3600, whatever the root.
    area = body_surface_m2(weight_kg=Fraction("62.5"), height_cm=Fraction(168), formula="mosteller")
    exact = Fraction("62.5") * 168 / 3600
    assert abs(area * area / exact - 1) < Fraction(1, 10**26)


def test_du_bois_is_a_product_of_powers_carried_to_28_digits() -> None:
    # 0.425 = 17/40 and 0.725 = 29/40, so the 40th power of the surface has no roots left in it.
    area = body_surface_m2(weight_kg=Fraction("62.5"), height_cm=Fraction(168), formula="du bois")
    exact = Fraction("0.007184") ** 40 * Fraction("62.5") ** 17 * Fraction(168) ** 29
    assert abs(area**40 / exact - 1) < Fraction(1, 10**24)


def test_the_order_names_the_formula_and_the_working_names_it_back() -> None:
    # By Du Bois 62.5 kg and 168 cm are 1.7099 m2 (worked at 40 digits apart from the program).
    dose = worked_out({"amount": "50 mg", "per": "m2"}, order={"area_formula": "du bois"})
    assert dose.working[0] == ("body surface (Du Bois) = 0.007184 x kg^0.425 x cm^0.725 (62.5 kg, 168 cm) = 1.7099 m2")
    assert rounded_half_up(value(dose), 3) == Fraction("85.494")


def test_no_line_shows_more_figures_than_a_person_can_read() -> None:
    dose = worked_out({"amount": "50 mg", "per": "m2"})
    assert dose.working[1] == "50 mg/m2 x 1.7078 m2 = 85.391 mg (to 3 places)"


@pytest.mark.parametrize(("sex", "published"), [("female", "52.381890"), ("male", "56.881890")])
def test_published_ideal_weights_of_160_cm(sex: str, published: str) -> None:
    # Source: clinPK, unit tests of ideal weight (Devine), https://github.com/InsightRX/clinPK (commit 41bb28961ffb),
    # tests/testthat/test_calc_ibw.R: six decimals.
    body = {"sex": sex, "born": "2000-01-01", "weight": "70 kg", "height": "160 cm"}
    dose = worked_out({"amount": "1 mg", "per": "kg"}, patient=body, order={"weight_basis": "ideal"})
    assert rounded_half_up(value(dose), 6) == Fraction(published)


def test_a_published_dose_by_adjusted_weight() -> None:
    # Source: University of Houston, pharmacy calculations module, Calculation of doses, adjusted body weight, read
    # 2026, http://uhphar-4330.herokuapp.com/module/calculation_of_doses/topics/actual_body_weight: a man of 190 kg and
    # 70 in: ideal 73 kg, adjusted 119.8 kg, 1.5 mg/kg are 179.7 mg (which the source then gives as 180 mg).
    body = {"sex": "male", "born": "1993-01-01", "weight": "190 kg", "height": "70 in"}
    dose = worked_out({"amount": "1.5 mg", "per": "kg"}, patient=body, order={"weight_basis": "adjusted"})
    assert dose.amount == exactly("179.7 mg")
    assert dose.working[1:] == (
        "ideal weight = 50 kg + 2.3 kg x (70 in - 60 in) = 73 kg",
        "adjusted weight = 73 kg + 0.4 x (190 kg - 73 kg) = 119.8 kg",
        "1.5 mg/kg x 119.8 kg = 179.7 mg",
    )


@pytest.mark.parametrize(
    ("changed", "reason"),
    [
        ({"born": "2009-05-01"}, "the patient is 16 years old"),
        ({"height": "152 cm"}, "the patient is 152 cm tall"),
        ({"weight": "50 kg"}, "the actual weight 50 kg is below the ideal weight"),
    ],
)
def test_ideal_weight_is_doubted_outside_adults_over_152_cm(changed: dict[str, str], reason: str) -> None:
    dose = worked_out({"amount": "1 mg", "per": "kg"}, patient=ADULT | changed, order={"weight_basis": "ideal"})
    assert message(dose, "weight-basis-unfit") == f"Ideal weight is meant for adults over 152 cm; {reason}."


def test_ideal_weight_needs_the_sex() -> None:
    body = {key: said for key, said in ADULT.items() if key != "sex"}
    dose = worked_out({"amount": "1 mg", "per": "kg"}, patient=body, order={"weight_basis": "ideal"})
    assert (dose.amount, codes(dose)) == (None, ["sex-missing"])


# --- per day


def test_a_dose_per_kg_and_day_is_divided_over_the_day() -> None:
    # 40 mg/kg/day x 62.5 kg = 2500 mg a day; / 3 = 833 1/3 mg.
    dose = worked_out({"amount": "40 mg", "per": "kg/day", "doses_per_day": 3})
    assert value(dose) == Fraction(2500, 3)
    assert dose.working == (
        "40 mg/kg/day x 62.5 kg = 2,500 mg a day",
        "2,500 mg a day / 3 doses = 833.333 mg (exactly 2500/3) a dose",
    )


def test_a_dose_per_day_is_divided_without_a_weight() -> None:
    # 3 g a day / 4 = 0.75 g.
    dose = worked_out({"amount": "3 g", "per": "day", "doses_per_day": 4}, patient={})
    assert (dose.amount, codes(dose)) == (exactly("0.75 g"), [])


def test_a_dose_per_m2_and_day_is_divided_over_the_day() -> None:
    # 400 mg/m2/day x 1.6 m2 = 640 mg a day; / 2 = 320 mg. First step: rxtechnotes, bsa.md, 2025,
    # https://github.com/ctnava/rxtechnotes (commit 598486382c7c), math/bsa.md
    dose = worked_out({"amount": "400 mg", "per": "m2/day", "doses_per_day": 2}, patient={"area": "1.6 m2"})
    assert dose.amount == exactly("320 mg")


def test_the_cap_of_a_dose_per_day_is_a_cap_on_the_day() -> None:
    # 2500 mg a day, at most 2 g a day: 2000 / 3 = 666 2/3 mg.
    dose = worked_out({"amount": "40 mg", "per": "kg/day", "doses_per_day": 3, "at_most": "2 g"})
    assert value(dose) == Fraction(2000, 3)


# --- bands

BANDS = [
    {"from": "20 kg", "below": "25 kg", "amount": "60 mg"},
    {"from": "25 kg", "below": "30 kg", "amount": "75 mg"},
]


@pytest.mark.parametrize(
    ("weight", "banded"), [("20 kg", "60 mg"), ("24.99 kg", "60 mg"), ("25 kg", "75 mg"), ("29.9 kg", "75 mg")]
)
def test_a_band_holds_its_lower_edge_and_not_its_upper(weight: str, banded: str) -> None:
    child = {"born": "2018-01-01", "weight": weight}
    assert worked_out({"bands": BANDS}, patient=child).amount == exactly(banded)


@pytest.mark.parametrize("weight", ["19.9 kg", "30 kg"])
def test_outside_every_band_the_order_says_nothing(weight: str) -> None:
    dose = worked_out({"bands": BANDS}, patient={"born": "2018-01-01", "weight": weight})
    assert (dose.amount, codes(dose)) == (None, ["dose-no-band"])
    assert message(dose, "dose-no-band") == f"weight {weight} falls in none of the order's bands."


def test_a_band_needs_the_weight() -> None:
    dose = worked_out({"bands": BANDS}, patient={"born": "2018-01-01"})
    assert (dose.amount, codes(dose)) == (None, ["weight-missing"])


SCALE = [
    {"from": "8 mmol/L", "below": "12 mmol/L", "amount": "2 units"},
    {"from": "12 mmol/L", "amount": "4 units"},
]


@pytest.mark.parametrize(("glucose", "banded"), [("8", 2), ("11.9", 2), ("12", 4), ("30", 4)])
def test_a_scale_is_banded_by_its_reading(glucose: str, banded: int) -> None:
    reading = {"what": "glucose", "value": f"{glucose} mmol/L", "at": "2026-03-02T08:50:00+00:00"}
    dose = worked_out({"bands": SCALE, "by": "glucose"}, patient={}, readings=[reading])
    assert value(dose) == banded
    assert codes(dose) == []


def test_a_scale_takes_the_newest_reading() -> None:
    readings = [
        {"what": "glucose", "value": "13 mmol/L", "at": "2026-03-02T07:00:00+00:00"},
        {"what": "glucose", "value": "9 mmol/L", "at": "2026-03-02T08:50:00+00:00"},
        {"what": "glucose", "value": "14 mmol/L", "at": "2026-03-02T06:00:00+00:00"},
    ]
    assert value(worked_out({"bands": SCALE, "by": "glucose"}, patient={}, readings=readings)) == 2


def test_a_reading_from_after_now_decides_no_dose() -> None:
    later = {"what": "glucose", "value": "13 mmol/L", "at": "2026-03-02T09:06:00+00:00"}
    now = {"what": "glucose", "value": "9 mmol/L", "at": "2026-03-02T08:50:00+00:00"}
    assert codes(worked_out({"bands": SCALE, "by": "glucose"}, patient={}, readings=[later])) == ["reading-missing"]
    assert value(worked_out({"bands": SCALE, "by": "glucose"}, patient={}, readings=[later, now])) == 2


def test_a_scale_without_its_reading_gives_no_dose() -> None:
    dose = worked_out({"bands": SCALE, "by": "glucose"}, patient={})
    assert (dose.amount, codes(dose)) == (None, ["reading-missing"])


def test_a_reading_in_another_unit_is_never_converted() -> None:
    reading = {"what": "glucose", "value": "180 mg/dL", "at": "2026-03-02T08:50:00+00:00"}
    dose = worked_out({"bands": SCALE, "by": "glucose"}, patient={}, readings=[reading])
    assert (dose.amount, codes(dose)) == (None, ["reading-unit"])


# --- the cap


def test_the_cap_that_bit_is_named() -> None:
    # 2.5 mg/kg x 62.5 kg = 156.25 mg, at most 150 mg.
    dose = worked_out({"amount": "2.5 mg", "per": "kg", "at_most": "150 mg"})
    assert dose.amount == exactly("150 mg")
    assert message(dose, "dose-capped") == "156.25 mg by the rule, but the order says at most 150 mg."
    assert dose.working[-1] == "at most 150 mg"


def test_a_cap_that_is_just_reached_does_not_bite() -> None:
    # 2.4 mg/kg x 62.5 kg = 150 mg.
    dose = worked_out({"amount": "2.4 mg", "per": "kg", "at_most": "150 mg"})
    assert (dose.amount, codes(dose)) == (exactly("150 mg"), [])
    assert dose.working[-1] == "at most 150 mg: not reached"


def test_a_cap_in_another_unit_of_the_same_kind_bites_as_well() -> None:
    dose = worked_out({"amount": "2.5 mg", "per": "kg", "at_most": "0.15 g"})
    assert dose.amount == exactly("150 mg")


# --- what is doubted: the weight


def test_a_dose_per_kg_without_a_weight_is_no_dose() -> None:
    dose = worked_out({"amount": "2.5 mg", "per": "kg"}, patient={"born": "1961-04-09"})
    assert (dose.amount, codes(dose)) == (None, ["weight-missing"])
    assert dose.findings[0].severity is Severity.STOP


def test_a_dose_per_m2_names_everything_that_is_missing_at_once() -> None:
    dose = worked_out({"amount": "50 mg", "per": "m2"}, patient={"born": "1961-04-09"})
    assert (dose.amount, codes(dose)) == (None, ["weight-missing", "height-missing"])


@pytest.mark.parametrize("how", ["told", "guessed"])
def test_a_weight_that_nobody_measured_asks_for_a_reason(how: str) -> None:
    body = {**ADULT, "weight": {"value": "62.5 kg", "on": "2026-03-01", "how": how}}
    dose = worked_out({"amount": "2.5 mg", "per": "kg"}, patient=body)
    assert message(dose, "weight-guessed") == f"The weight 62.5 kg was {how}, not measured."
    assert dose.amount == exactly("156.25 mg")


# How long a weight counts: policy key weight_age (common practice, no source): under 28 days 2 days, under 1 year
# 7 days, under 18 years 28 days, adults 92 days. The request is of 2026-03-02.
@pytest.mark.parametrize(
    ("born", "weight", "last_day_that_counts", "first_day_too_old", "limit"),
    [
        ("2026-02-20", "3.4 kg", "2026-02-28", "2026-02-27", "2 days"),
        ("2025-08-01", "7.5 kg", "2026-02-23", "2026-02-22", "7 days"),
        ("2021-05-14", "17.3 kg", "2026-02-02", "2026-02-01", "28 days"),
        ("1961-04-09", "62.5 kg", "2025-11-30", "2025-11-29", "92 days"),
    ],
)
def test_a_weight_counts_for_days_in_babies_weeks_in_children_months_in_adults(
    born: str, weight: str, last_day_that_counts: str, first_day_too_old: str, limit: str
) -> None:
    def weighed(on: str) -> Dose:
        return worked_out(
            {"amount": "1 mg", "per": "kg"}, patient={"born": born, "weight": {"value": weight, "on": on}}
        )

    assert codes(weighed(last_day_that_counts)) == []
    assert message(weighed(first_day_too_old), "weight-old") == (
        f"The weight {weight} is of {first_day_too_old}; at this age it counts for {limit}."
    )


def test_an_old_height_is_doubted_where_the_dose_rests_on_it() -> None:
    body = {**ADULT, "height": {"value": "168 cm", "on": "2025-01-01", "how": "told"}}
    dose = worked_out({"amount": "50 mg", "per": "m2"}, patient=body)
    assert codes(dose) == ["height-guessed", "height-old"]


def test_a_weight_that_makes_no_sense_for_the_age_is_asked_about() -> None:
    # Policy table plausible_weight (from memory): 8 to 32 kg below 5 years; 80 kg is not, and 80 lb = 36.29 kg is not.
    dose = worked_out({"amount": "1 mg", "per": "kg"}, patient={**CHILD, "weight": "80 kg"})
    assert message(dose, "weight-unlikely") == "80 kg is unlikely at 4 years: expected 8 kg to 32 kg."


def test_pounds_written_as_kilograms_are_named_although_a_cap_bites() -> None:
    # 38.1 lb x 0.45359237 = 17.28 kg, which fits 4 years; 7.5 mg/kg x 38.1 kg = 285.75 mg, capped to 250 mg.
    dose = worked_out({"amount": "7.5 mg", "per": "kg", "at_most": "250 mg"}, patient={**CHILD, "weight": "38.1 kg"})
    assert dose.amount == exactly("250 mg")
    assert set(codes(dose)) == {"weight-pounds", "dose-capped"}
    assert message(dose, "weight-pounds") == (
        "38.1 kg is unlikely at 4 years, but 38.1 lb = 17.28 kg would fit: were pounds written as kilograms?"
    )
    assert next(one for one in dose.findings if one.code == "weight-pounds").severity is Severity.ASK


def test_a_likely_weight_is_not_asked_about() -> None:
    assert codes(worked_out({"amount": "7.5 mg", "per": "kg", "at_most": "250 mg"}, patient=CHILD)) == []


# --- what is doubted: the dose


@pytest.mark.parametrize(
    ("ordered", "usual", "side", "slip", "factor"),
    [
        ("1,500 mg", ["50 mg", "200 mg"], "above", "150 mg", 10),
        ("15 mg", ["50 mg", "200 mg"], "below", "150 mg", 10),
        ("15 g", ["50 mg", "200 mg"], "above", "150 mg", 100),
        ("100 mg", ["50 micrograms", "200 micrograms"], "above", "100 micrograms", 1000),
        ("100 micrograms", ["50 mg", "200 mg"], "below", "100 mg", 1000),
    ],
)
def test_a_slip_by_ten_a_hundred_or_a_thousand_is_named_where_one_explains_the_dose(
    ordered: str, usual: list[str], side: str, slip: str, factor: int
) -> None:
    dose = worked_out({"amount": ordered}, medicine={"usual_dose": usual})
    assert message(dose, "dose-power-of-ten") == (
        f"{ordered} is {side} the usual {usual[0]} to {usual[1]}, but {slip} would fit: a slip by {factor}, in a "
        "decimal point or a unit?"
    )
    assert dose.findings[0].severity is Severity.CONFIRM


def test_a_dose_outside_the_usual_that_no_slip_explains_is_for_the_prescriber_too() -> None:
    dose = worked_out({"amount": "300 mg"}, medicine={"usual_dose": ["50 mg", "200 mg"]})
    assert message(dose, "dose-outside-usual") == "300 mg is above the usual 50 mg to 200 mg."


@pytest.mark.parametrize("ordered", ["50 mg", "200 mg", "0.2 g"])
def test_the_ends_of_the_usual_range_are_usual(ordered: str) -> None:
    assert codes(worked_out({"amount": ordered}, medicine={"usual_dose": ["50 mg", "200 mg"]})) == []


USUAL = [
    {"dose": ["1 mg", "2 mg"], "below_age": "12 years"},
    {"dose": ["20 mg", "30 mg"], "indication": "fits"},
    {"dose": ["5 mg", "10 mg"], "from_age": "12 years", "from_weight": "50 kg"},
    {"dose": ["3 mg", "4 mg"], "from_age": "12 years", "below_weight": "50 kg"},
]


@pytest.mark.parametrize(
    ("ordered", "patient", "indication", "found"),
    [
        ("2 mg", CHILD, "", []),
        ("5 mg", CHILD, "", ["dose-outside-usual"]),
        ("5 mg", ADULT, "", []),
        ("25 mg", ADULT, "fits", []),
        ("25 mg", ADULT, "", ["dose-outside-usual"]),
        ("3 mg", ADULT | {"weight": "45 kg"}, "", []),
        ("7 mg", ADULT | {"weight": "45 kg"}, "", ["dose-outside-usual"]),
    ],
)
def test_what_is_usual_depends_on_age_weight_and_indication(
    ordered: str, patient: dict[str, Any], indication: str, found: list[str]
) -> None:
    dose = worked_out(
        {"amount": ordered}, patient=patient, order={"indication": indication}, medicine={"usual_dose": USUAL}
    )
    assert codes(dose) == found


def test_the_most_for_one_dose_is_compared_across_a_declared_equivalence() -> None:
    # 3 million units = 1.8 g at 1 million units = 600 mg (source: Jinja regional hospital, Paediatric formulary,
    # https://scribd.com/document/477156808/Paediatric-Formulary16-and-final-pdf); the limit of 1.2 g is invented.
    dose = worked_out(
        {"amount": "3 million units"},
        medicine={"equivalences": ["1 million units = 600 mg"], "at_most_single": "1.2 g"},
    )
    assert message(dose, "single-maximum") == "3 million units is over the most for one dose, 1.2 g."


def test_the_same_request_gives_the_same_dose_and_nothing_is_rounded() -> None:
    first = worked_out({"amount": "40 mg", "per": "kg/day", "doses_per_day": 7})
    again = worked_out({"amount": "40 mg", "per": "kg/day", "doses_per_day": 7})
    # 2500 mg / 7, which has no finite decimal.
    assert first == again
    assert value(first) == Fraction(2500, 7)
