"""The clinic is invented and says so everywhere; it has one of everything, and asks little."""

from collections import Counter
from datetime import date
from statistics import median

import pytest

from drawup.demo.clinic import Clinic, medicines, moment, people
from drawup.injection.batch import usable_until
from drawup.injection.finding import Severity
from drawup.injection.medicine import CONTAINERS, FORMS
from drawup.injection.plan import Plan
from drawup.record.store import Store
from drawup.service import planning, tracing
from drawup.service.state import all_stock, patient_state

TODAY = moment("2026-03-02 09:00")


def test_each_person_is_marked_invented_and_has_two_identifiers_that_say_so(clinic: Clinic, store: Store) -> None:
    assert len(clinic.patients) >= 12
    for patient in clinic.patients.values():
        person = patient_state(store, patient).person
        assert person["note"].startswith("Invented")
        assert person["place"].endswith("(invented)")
        assert len(person["identifiers"]) == 2
        assert all(one["kind"].startswith("invented ") for one in person["identifiers"])


def test_no_two_people_share_an_identifier() -> None:
    numbers = [person["number"] for person in people()["person"]]
    seconds = [person["second"] for person in people()["person"]]
    assert len(set(numbers)) == len(numbers)
    assert len(set(seconds)) == len(seconds)


def test_everybody_who_works_there_is_marked_invented(store: Store) -> None:
    assert all(name.endswith("(invented)") for name in people()["staff"].values())
    names = {
        fact.body[key] for stream in store.streams("") for fact in store.facts(stream) for key in WHO & {*fact.body}
    }
    assert {name for name in names if name} <= set(people()["staff"].values())


WHO = {"by", "given_by", "prepared_by", "checked_by", "written_by"}


def test_each_pack_is_marked_invented_where_it_is_shown() -> None:
    packs = [pack for medicine in medicines()["medicine"] for pack in medicine["presentations"]]
    assert {pack["name"] for pack in packs} == {"invented"}
    assert all("invented" in diluent["container"] for diluent in medicines()["diluent"])


def test_the_codes_lie_in_the_example_range_and_their_check_digits_are_right() -> None:
    codes = [pack["gtin"] for medicine in medicines()["medicine"] for pack in medicine["presentations"]]
    codes += [diluent["gtin"] for diluent in medicines()["diluent"]]
    assert len(set(codes)) == len(codes)
    for code in codes:
        assert code.startswith("0950110153")
        # GS1 General Specifications, section 7.9: weights 3 and 1 from the left of 14 digits; the sum ends in 0.
        assert sum(int(digit) * (3, 1)[place % 2] for place, digit in enumerate(code)) % 10 == 0


def test_every_form_and_every_container_is_there() -> None:
    packs = [pack for medicine in medicines()["medicine"] for pack in medicine["presentations"]]
    assert {pack["form"] for pack in packs} == set(FORMS)
    assert {pack["container"] for pack in packs} == set(CONTAINERS)
    assert {pack.get("dose_kind", "single") for pack in packs} == {"single", "multi"}
    assert {pack["device"]["kind"] for pack in packs if "device" in pack} == {"pen", "auto-injector", "prefilled"}


def test_people_of_all_ages_are_there() -> None:
    ages = sorted((TODAY.date() - date.fromisoformat(person["born"])).days // 365 for person in people()["person"])
    assert ages[0] == 0
    assert ages[-1] == 83
    assert [age for age in ages if 1 <= age < 12]
    assert [age for age in ages if 12 <= age < 18]


def test_two_months_hold_every_kind_of_entry(clinic: Clinic, store: Store) -> None:
    entries = [
        entry for patient in clinic.patients.values() for entry in patient_state(store, patient).entries.values()
    ]
    kinds = Counter(entry.kind for entry in entries)
    assert set(kinds) == {"given", "part given", "not given", "reported", "inspection"}
    assert sum(bool(entry.corrections) for entry in entries) == 2
    assert sum(entry.void for entry in entries) == 1
    # Jory's refusal, and the dose that was withheld.
    assert kinds["not given"] == 2
    assert tracing.near_misses(store)["count"] >= 2
    assert min(entry.recorded_at for entry in entries) < moment("2026-01-06 00:00")
    assert max(entry.recorded_at for entry in entries) < TODAY


def test_one_batch_is_in_quarantine_one_has_expired_and_one_vial_is_open(store: Store) -> None:
    stock = {one.batch: one for one in all_stock(store)}
    assert [one.batch for one in stock.values() if one.quarantined] == ["D219"]
    expired = [one.batch for one in stock.values() if one.balance and str(one.expiry_date) < TODAY.date().isoformat()]
    assert expired == ["D204"]
    vial = stock["DS100A"]
    assert vial.opened is not None
    # 28 days from 2026-02-10 08:00.
    until = usable_until(
        expiry_date=None, opened=moment("2026-02-10 08:00"), in_use_minutes=28 * 24 * 60, zone_of=TODAY
    )
    assert until == moment("2026-03-10 08:00")
    assert vial.opened == moment("2026-02-10 08:00").isoformat()


def test_nothing_was_used_that_was_not_there(store: Store) -> None:
    assert not [one.batch for one in all_stock(store) if one.balance < 0]


@pytest.fixture(scope="session")
def routine_plans(clinic: Clinic) -> dict[str, Plan]:
    """The plan of the next dose of each routine order that is open on the Monday of the demo."""
    plans = {}
    with Store.open(clinic.record) as store:
        for name in clinic.routine:
            order = clinic.orders[name]
            state = patient_state(store, order.partition(".")[0])
            if order in {one["id"] for one in state.open_orders(TODAY.date())}:
                plans[name] = planning.make_plan(store, order=order, now=TODAY).plan
    return plans


def test_a_routine_plan_has_nothing_that_stops_it(routine_plans: dict[str, Plan]) -> None:
    hard = (Severity.STOP, Severity.CONFIRM)
    assert len(routine_plans) >= 15
    assert not [name for name, plan in routine_plans.items() if any(found.severity in hard for found in plan.findings)]


def due_now(plans: dict[str, Plan]) -> dict[str, Plan]:
    """The plans of what is due, or may be given when needed; planning what is not due yet is no routine."""
    outlooks = {name: plan.outlook for name, plan in plans.items()}
    states = {name: one.due.state(TODAY) for name, one in outlooks.items() if one is not None and one.due is not None}
    return {name: plans[name] for name, state in states.items() if state != "early"}


def test_at_most_one_reason_is_asked_for_in_ten_routine_plans(routine_plans: dict[str, Plan]) -> None:
    due = due_now(routine_plans)
    asked = [
        (name, found.code)
        for name, plan in due.items()
        for found in plan.findings
        if found.severity is Severity.ASK and found.accepted is None
    ]
    assert len(due) >= 15
    assert len(asked) * 10 <= len(due), asked


def test_half_of_the_routine_plans_have_at_most_two_lines_of_findings(routine_plans: dict[str, Plan]) -> None:
    assert median(len(plan.findings) for plan in due_now(routine_plans).values()) <= 2


def test_no_reason_is_asked_for_twice_on_one_order_for_an_unchanged_fact(clinic: Clinic, store: Store) -> None:
    for patient in clinic.patients.values():
        state = patient_state(store, patient)
        given = [
            (entry.body["order"], found["code"], found["message"])
            for entry in state.entries.values()
            if entry.body.get("plan")
            for found in entry.body["findings"]
            if found.get("accepted") and found["severity"] == "ask"
        ]
        asked_again = [
            (order, found.code, found.message)
            for order in state.orders
            if order in {one["id"] for one in state.open_orders(TODAY.date())}
            for found in planning.make_plan(store, order=order, now=TODAY).plan.findings
            if found.severity is Severity.ASK and found.accepted is None
        ]
        assert not set(given) & set(asked_again)


def test_over_two_months_one_reason_was_given_in_ten_doses_at_most(clinic: Clinic, store: Store) -> None:
    doses, reasons = 0, set()
    for patient in clinic.patients.values():
        for entry in patient_state(store, patient).entries.values():
            if entry.body.get("plan"):
                doses += 1
                given = [found for found in entry.body["findings"] if found.get("accepted")]
                reasons |= {(entry.body["order"], found["message"]) for found in given}
    assert doses >= 70
    assert len(reasons) * 10 <= doses


def test_everybody_the_walk_names_is_in_the_clinic(clinic: Clinic) -> None:
    assert {"ezra", "delphine", "bastian"} <= set(clinic.patients)
    assert {"wren/ambrivox", "delphine/supper", "bastian/dorsulin"} <= set(clinic.orders)
