"""What follows when a dose is not given, and what is watched, asked and counted when it is. All of it is invented."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

import pytest
from tests.scenarios.conftest import Clinic

from drawup.record.store import Store
from drawup.service import syringes, watching
from drawup.service.not_given import FOLLOWING
from drawup.service.state import PatientState, patient_state

VIAL = "(01)09501101531017(17)270430(10)VL1"
LOOK_ALIKE = "(01)09501101531024(17)270430(10)DL1"
MEDICINE: dict[str, Any] = {
    "name": "velorin",
    "routes": ["intramuscular"],
    "presentations": [{"strength": "50 mg/mL", "volume": "2 mL", "container": "ampoule", "gtin": "09501101531017"}],
}
OTHER: dict[str, Any] = {
    "name": "velorine",
    "presentations": [{"strength": "5 mg/mL", "volume": "2 mL", "container": "ampoule", "gtin": "09501101531024"}],
}
ORDER: dict[str, Any] = {
    "medicine": "velorin",
    "route": "intramuscular",
    "dose": {"amount": "50 mg"},
    "start": "2026-03-01",
}
# Every 15 minutes for 2 hours; 10 to 30 breaths a minute.
WATCH: dict[str, Any] = {
    "what": ["breathing rate", "how drowsy"],
    "every": "15 minutes",
    "for": "2 hours",
    "limits": [{"what": "breathing rate", "below": 10, "above": 30, "unit": "breaths a minute"}],
    "then": "Stay with the patient and ring the doctor.",
}
PETRA = ("--by", "Petra")


def begin(clinic: Clinic, *, order: dict[str, Any] | None = None, **medicine: Any) -> None:
    """A patient without allergies and earlier doses, an order, and 30 ampoules."""
    for name, entry in (("velorin", {**MEDICINE, **medicine}), ("velorine", OTHER)):
        clinic.run("formulary", "add", clinic.file(f"{name}.json", entry))
    clinic.run("patient", "add", "--family", "Quill-Amara", "--given", "Ines", "--born", "1980-05-06")
    clinic.run("patient", "note", "0001", "--allergy", "none known", "--no-earlier-doses")
    clinic.run("order", "add", "0001", clinic.file("order.json", {**ORDER, **(order or {})}))
    for code in (VIAL, LOOK_ALIKE):
        clinic.run("stock", "receive", code, "--count", "30")


def give(clinic: Clinic, *more: str, code: int = 0, by: str = "Petra", plan: tuple[str, ...] = ()) -> dict[str, Any]:
    made = clinic.run("plan", "--order", "0001.1", *plan)["plan"]
    return dict(clinic.run("given", made, "--scan", VIAL, "--given-by", by, *more, code=code))


def look_in(clinic: Clinic) -> PatientState:
    with Store.open(clinic.record, read_only=True) as store:
        return patient_state(store, "0001")


def at(text: str) -> datetime:
    return datetime.fromisoformat(f"2026-03-02T{text}:00+00:00")


# --- not given ----------------------------------------------------------------------------------------------------

WORDED = {"contraindicated today": "fever", "order unclear": "two doses", "other": "the lift is broken"}


def write_not_given(clinic: Clinic, reason: str, *more: str, code: int = 0) -> dict[str, Any]:
    words = ("--words", WORDED[reason]) if reason in WORDED else ()
    decided = ("--could-decide", "yes") if reason == "refused" else ()
    return dict(clinic.run("not-given", "0001.1", "--reason", reason, *words, *decided, *PETRA, *more, code=code))


def test_each_reason_says_what_follows_and_that_it_is_common_practice(clinic: Clinic) -> None:
    begin(clinic)
    # The closed list of 14 reasons.
    assert len(FOLLOWING) == 14
    said = {reason: write_not_given(clinic, reason)["lines"] for reason in FOLLOWING}
    for lines in said.values():
        assert lines[0].startswith("What follows (common practice; local rule goes first): ")
    assert len({lines[0] for lines in said.values()}) == 14
    assert "quarantine" in said["cold chain"][0]
    assert "measure again" in said["reading outside limits"][0]
    assert "--replaces 0001.1" in said["order unclear"][0]
    assert "drawup contact 0001.1" in said["no access"][0]


def test_a_broken_cold_chain_names_the_batch_that_goes_into_quarantine(clinic: Clinic) -> None:
    begin(clinic)
    entry = write_not_given(clinic, "cold chain", "--scan", VIAL)
    assert "drawup stock change VL1 quarantined" in entry["lines"][0]


@pytest.mark.parametrize("reason", WORDED)
def test_a_reason_that_says_too_little_alone_wants_words(clinic: Clinic, reason: str) -> None:
    begin(clinic)
    refused = clinic.run("not-given", "0001.1", "--reason", reason, *PETRA, code=2)
    assert "--words" in refused["error"]["message"]
    assert clinic.run("chart", "0001")["entries"] == []


def test_nobody_told_is_said_until_somebody_is(clinic: Clinic) -> None:
    begin(clinic)
    assert any("Tell the prescriber" in one for one in write_not_given(clinic, "unwell")["lines"])
    told = write_not_given(clinic, "unwell", "--told", "Dr Ashdown-Kerr")["lines"]
    assert "Told: Dr Ashdown-Kerr." in told
    assert not any("Tell the prescriber" in one for one in told)


def test_an_order_without_times_says_nothing_of_when_it_is_due(clinic: Clinic) -> None:
    begin(clinic)
    assert not any("due" in one for one in write_not_given(clinic, "away")["lines"])


def test_what_was_not_given_is_written_though_the_order_ended(clinic: Clinic) -> None:
    begin(clinic, order={"times": ["once"]})
    clinic.run("order", "stop", "0001.1", "--reason", "ended")
    assert not any("still due" in one for one in write_not_given(clinic, "away")["lines"])


WITHOUT_BREAKFAST = """
format = 1
title = "Invented clinic"
starts_from = "uk"

[meal_times]
value = [{ meal = "supper", at = "18:00" }]
reason = "Nobody is here before noon."
source = "minutes of the medicines group, 2026-03-01 (invented)"
"""


def test_what_was_not_given_is_written_though_the_order_can_no_longer_be_read(clinic: Clinic) -> None:
    begin(clinic, order={"schedule": {"meals": ["before breakfast"]}})
    policy = clinic.record.parent / "clinic.toml"
    policy.write_text(WITHOUT_BREAKFAST, "utf-8")
    clinic.run("policy", "use", str(policy), "--zone", "Europe/London")
    refused = clinic.run("plan", "--order", "0001.1", code=2)
    assert "before breakfast" in refused["error"]["message"]
    assert write_not_given(clinic, "away")["kind"] == "not given"


# --- drawn up -----------------------------------------------------------------------------------------------------


def draw_up(clinic: Clinic, *more: str, scan: str = VIAL, code: int = 0) -> Any:
    plan = clinic.run("plan", "--order", "0001.1")["plan"]
    return clinic.run("drawn-up", plan, "--scan", scan, *PETRA, *more, code=code)


def test_what_is_drawn_up_moves_no_stock_until_it_is_given(clinic: Clinic) -> None:
    begin(clinic)
    draw_up(clinic)
    assert clinic.stock()["VL1"] == 30
    assert len(syringes.open_syringes(look_in(clinic))) == 1
    give(clinic)
    assert clinic.stock()["VL1"] == 29
    assert syringes.open_syringes(look_in(clinic)) == []


def test_a_syringe_set_aside_is_written_off_and_another_may_be_drawn_up(clinic: Clinic) -> None:
    begin(clinic)
    drawn = draw_up(clinic)
    again = draw_up(clinic, code=2)
    assert "drawn up already" in again["error"]["message"]
    clinic.run("drawn-up", drawn["body"]["plan"], "--set-aside", "fell", *PETRA)
    assert clinic.stock()["VL1"] == 29
    assert syringes.open_syringes(look_in(clinic)) == []
    draw_up(clinic)
    assert [one["open"] for one in clinic.run("chart", "0001")["drawn_up"]] == [False, False, True]


def test_the_wrong_ampoule_is_caught_before_it_is_in_the_syringe(clinic: Clinic) -> None:
    begin(clinic)
    blocked = draw_up(clinic, scan=LOOK_ALIKE, code=3)
    assert "medicine-not-ordered" in [one["code"] for one in blocked["blocked"]]
    assert clinic.run("chart", "0001")["drawn_up"] == []
    assert clinic.run("chart", "--near-misses")["by_code"]["medicine-not-ordered"] == 1
    # What happened can be written all the same, and says so.
    assert "medicine-not-ordered" in draw_up(clinic, "--anyway", scan=LOOK_ALIKE)["body"]["against"]


def test_a_dose_that_was_given_is_not_drawn_up_again(clinic: Clinic) -> None:
    begin(clinic)
    plan = clinic.run("plan", "--order", "0001.1")["plan"]
    clinic.run("given", plan, "--scan", VIAL, "--given-by", "Ann")
    again = clinic.run("drawn-up", plan, "--scan", VIAL, *PETRA, code=5)
    assert "given by Ann" in again["error"]["message"]


def test_a_dose_moved_to_the_patient_who_had_it_leaves_no_syringe_open(clinic: Clinic) -> None:
    begin(clinic, order={"times": ["once"], "start": "2026-03-02"})
    clinic.run("patient", "add", "--family", "Tarn", "--given", "Oda", "--born", "1981-01-15")
    draw_up(clinic)
    given = give(clinic)
    # "Once" is planned for the beginning of the order's first day.
    assert given["body"]["planned"]["planned"] == "2026-03-02T00:00+00:00"
    entry = given["entry"]
    clinic.run("correction", entry, "--reason", "it was Oda", "--belongs-to", "0002", *PETRA)
    assert syringes.open_syringes(look_in(clinic)) == []
    (moved,) = clinic.run("chart", "0002")["entries"]
    assert "planned" not in moved["body"]
    assert moved["body"]["watch"]["until"] == "2026-03-02T09:15:00+00:00"


# --- watched ------------------------------------------------------------------------------------------------------


def see(clinic: Clinic, entry: str, time: str, *seen: str, code: int = 0, more: tuple[str, ...] = ()) -> dict[str, Any]:
    clinic.now = at(time)
    pairs = [part for one in seen for part in ("--seen", one)]
    return dict(clinic.run("watch", entry, *pairs, *PETRA, *more, code=code))


def test_the_labels_watch_stands_in_the_entry_and_says_when_to_look(clinic: Clinic) -> None:
    begin(clinic, watch=WATCH)
    entry = give(clinic)
    assert entry["body"]["watch"] == {
        "what": ["breathing rate", "how drowsy"],
        "every_minutes": 15,
        "until": "2026-03-02T11:00:00+00:00",
        "limits": [{"what": "breathing rate", "below": "10", "above": "30", "unit": "breaths a minute"}],
        "then": "Stay with the patient and ring the doctor.",
        "signed": True,
    }
    (open_one,) = watching.open_watches(look_in(clinic), at("09:15"))
    assert open_one["next_look"] == "2026-03-02T09:15:00+00:00"
    assert open_one["overdue"] is False
    (late,) = watching.open_watches(look_in(clinic), at("09:16"))
    assert late["overdue"] is True
    see(clinic, entry["entry"], "09:20", "how drowsy=awake")
    assert clinic.run("watch", entry["entry"])["next_look"] == "2026-03-02T09:35:00+00:00"
    # The last look lies no later than the end: 10:50 and 15 minutes is after 11:00.
    see(clinic, entry["entry"], "10:50", "how drowsy=awake")
    assert clinic.run("watch", entry["entry"])["next_look"] == "2026-03-02T11:00:00+00:00"


@pytest.mark.parametrize(("figure", "outside"), [("9.9", "below 10"), ("10", ""), ("30", ""), ("31", "above 30")])
def test_a_figure_outside_its_limits_says_what_to_do_now(clinic: Clinic, figure: str, outside: str) -> None:
    begin(clinic, watch=WATCH)
    entry = give(clinic)["entry"]
    told = see(clinic, entry, "09:15", f"breathing rate={figure} breaths a minute")
    assert ("Now: Stay with the patient and ring the doctor." in told["lines"]) is bool(outside)
    (open_one,) = watching.open_watches(look_in(clinic), at("09:16"))
    words = f"breathing rate {figure} breaths a minute, {outside} breaths a minute"
    assert open_one["outside"] == ([words] if outside else [])


@pytest.mark.parametrize(
    ("seen", "says"),
    [
        ("breathing rate=14", "expected it in breaths a minute"),
        ("breathing rate=840 breaths an hour", "expected it in breaths a minute"),
        ("breathing rate=slow", "expected a reading"),
        ("pulse=80", "breathing rate, how drowsy"),
    ],
)
def test_another_unit_is_refused_and_never_converted(clinic: Clinic, seen: str, says: str) -> None:
    begin(clinic, watch=WATCH)
    entry = give(clinic)["entry"]
    assert says in see(clinic, entry, "09:15", seen, code=2)["error"]["message"]
    assert clinic.run("watch", entry)["looks"] == []


def test_a_figure_stays_outside_until_that_figure_is_seen_again(clinic: Clinic) -> None:
    begin(clinic, watch=WATCH)
    entry = give(clinic)["entry"]
    see(clinic, entry, "09:15", "breathing rate=8 breaths a minute")
    see(clinic, entry, "09:20", "how drowsy=hard to wake")
    assert len(clinic.run("watch", entry)["outside"]) == 1
    see(clinic, entry, "09:25", "breathing rate=12 breaths a minute")
    assert clinic.run("watch", entry)["outside"] == []


def test_a_watch_ends_when_somebody_signs_and_before_its_time_only_with_words(clinic: Clinic) -> None:
    begin(clinic, watch=WATCH)
    entry = give(clinic)["entry"]
    refused = see(clinic, entry, "10:59", more=("--end",), code=2)
    assert "until 2026-03-02 11:00" in refused["error"]["message"]
    # Nobody has signed: at noon it is still open, and overdue.
    assert [one["overdue"] for one in watching.open_watches(look_in(clinic), at("12:00"))] == [True]
    assert see(clinic, entry, "11:00", more=("--end",))["body"]["early"] is False
    assert watching.open_watches(look_in(clinic), at("12:00")) == []
    again = see(clinic, entry, "11:05", more=("--end",), code=2)
    assert "was ended 2026-03-02 11:00 by Petra" in again["error"]["message"]


def test_a_watch_may_end_early_with_the_last_look_and_the_reason(clinic: Clinic) -> None:
    begin(clinic, watch=WATCH)
    entry = give(clinic)["entry"]
    look = "breathing rate=14 breaths a minute"
    ended = see(clinic, entry, "10:00", look, more=("--end", "--words", "moved to the ward, handed over"))
    assert ended["body"]["early"] is True
    (kept,) = clinic.run("chart", "0001")["entries"]
    assert kept["looks"][0]["seen"] == {"breathing rate": "14 breaths a minute"}
    assert kept["watch_ended"]["words"] == "moved to the ward, handed over"


def test_after_a_figure_outside_its_limits_the_end_says_what_was_done(clinic: Clinic) -> None:
    begin(clinic, watch=WATCH)
    entry = give(clinic)["entry"]
    see(clinic, entry, "10:58", "breathing rate=8 breaths a minute")
    assert "outside its limits" in see(clinic, entry, "11:01", more=("--end",), code=2)["error"]["message"]
    see(clinic, entry, "11:01", more=("--end", "--words", "to the hospital with the crew"))


def test_the_watch_of_an_entry_that_did_not_happen_is_over(clinic: Clinic) -> None:
    begin(clinic, watch=WATCH)
    entry = give(clinic)["entry"]
    clinic.run("correction", entry, "--reason", "not given at all", "--void", *PETRA)
    assert watching.open_watches(look_in(clinic), at("09:30")) == []
    assert "no longer counts" in see(clinic, entry, "09:30", "how drowsy=awake", code=2)["error"]["message"]


def test_a_corrected_time_takes_the_watch_with_it(clinic: Clinic) -> None:
    begin(clinic, watch=WATCH)
    clinic.now = at("10:00")
    entry = give(clinic, "--at", "2026-03-02 10:00")["entry"]
    clinic.run("correction", entry, "--reason", "it was ten to ten", "--at", "2026-03-02 09:50", *PETRA)
    # 09:50 and 2 hours.
    assert clinic.run("watch", entry)["until"] == "2026-03-02T11:50:00+00:00"


def test_two_hours_are_two_real_hours_when_the_clocks_go_forward(clinic: Clinic) -> None:
    # London, 2026-03-29: 01:00 becomes 02:00 (Summer Time Order 2002). 00:30 and two hours is 03:30 by the clock.
    begin(clinic, watch=WATCH)
    clinic.now = datetime(2026, 3, 29, 0, 30, tzinfo=UTC)
    entry = give(clinic)
    assert entry["body"]["at"] == "2026-03-29T00:30:00+00:00"
    assert entry["body"]["watch"]["until"] == "2026-03-29T03:30:00+01:00"


def test_the_labels_minutes_are_signed_and_the_policys_end_by_themselves(clinic: Clinic) -> None:
    begin(clinic, watch_minutes=30)
    watch = give(clinic)["body"]["watch"]
    assert (watch["until"], watch["every_minutes"], watch["signed"]) == ("2026-03-02T09:30:00+00:00", None, True)
    assert len(watching.open_watches(look_in(clinic), at("12:00"))) == 1


def test_after_the_policys_fifteen_minutes_nothing_is_left_open(clinic: Clinic) -> None:
    begin(clinic)
    watch = give(clinic)["body"]["watch"]
    assert (watch["until"], watch["signed"]) == ("2026-03-02T09:15:00+00:00", False)
    assert len(watching.open_watches(look_in(clinic), at("09:14"))) == 1
    assert watching.open_watches(look_in(clinic), at("09:15")) == []


def test_a_label_that_asks_for_no_minutes_has_no_watch(clinic: Clinic) -> None:
    begin(clinic, watch_minutes=0)
    entry = give(clinic)
    assert "watch" not in entry["body"]
    assert "nothing is watched" in see(clinic, entry["entry"], "09:10", "condition=well", code=2)["error"]["message"]


def test_what_is_given_without_a_plan_is_watched_after_too(clinic: Clinic) -> None:
    begin(clinic, watch=WATCH)
    entry = clinic.run("given", "--patient", "0001", "--medicine", "velorin", "--amount", "50 mg", "--given-by", "Ann")
    assert entry["body"]["watch"]["until"] == "2026-03-02T11:00:00+00:00"


# --- did it help, and contact -------------------------------------------------------------------------------------


def test_it_is_asked_whether_a_when_needed_dose_helped(clinic: Clinic) -> None:
    begin(clinic, order={"when_needed": True})
    entry = give(clinic)
    # 30 minutes after 09:00 (policy uk, effect_minutes).
    assert entry["body"]["effect_from"] == "2026-03-02T09:30:00+00:00"
    assert "planned" not in entry["body"]
    assert [one["due"] for one in watching.awaiting_effect(look_in(clinic), at("09:29"))] == [False]
    assert [one["due"] for one in watching.awaiting_effect(look_in(clinic), at("09:30"))] == [True]
    clinic.now = at("09:40")
    told = clinic.run("helped", entry["entry"], "partly", *PETRA)
    assert "Tell the prescriber" in told["lines"][0]
    assert watching.awaiting_effect(look_in(clinic), at("10:00")) == []
    assert clinic.run("chart", "0001")["entries"][0]["effect"]["helped"] == "partly"


def test_a_contact_is_written_down_and_moves_nothing(clinic: Clinic) -> None:
    begin(clinic, order={"schedule": {"every": "4 weeks"}})
    before = clinic.run("due")["lines"][0]["due"]
    clinic.run("contact", "0001.1", "no", "answer", "--next-try", "2026-03-03 10:00", "--words", "rang twice", *PETRA)
    (line,) = clinic.run("due")["lines"]
    assert line["due"] == before
    assert (line["contact"]["outcome"], line["contact"]["next_try"]) == ("no answer", "2026-03-03T10:00:00+00:00")


# --- who may give, and what is counted ----------------------------------------------------------------------------

DIRECTION = {"kind": "group direction", "reference": "GD 7", "staff": ["Petra"]}


def test_who_is_not_named_by_the_direction_is_stopped_at_giving(clinic: Clinic) -> None:
    begin(clinic, order={"authority": DIRECTION})
    blocked = give(clinic, by="Ravi", code=3)
    assert "authority-not-for" in [one["code"] for one in blocked["blocked"] if one["severity"] == "stop"]
    assert clinic.run("chart", "0001")["entries"] == []
    entry = give(clinic, "--anyway", by="Ravi")
    assert "given-against-stop" in entry["body"]["review"]
    assert "authority-not-for" in [one["code"] for one in entry["body"]["findings"]]


def test_who_is_named_by_the_direction_may_give(clinic: Clinic) -> None:
    begin(clinic, order={"authority": DIRECTION})
    give(clinic, by="Petra, nurse")


# 75 mg of 50 mg/mL is 1.5 mL, over the 1 mL that one deltoid usually takes: a reason is asked for each dose.
LEFT = ("--site", "deltoid", "--side", "left")
LARGE: dict[str, Any] = {"dose": {"amount": "75 mg"}}
SOFT = "site-volume-soft"


def counted(clinic: Clinic) -> Any:
    return clinic.run("chart", "--near-misses")


def test_an_ask_that_kept_a_dose_from_being_given_is_obeyed_and_answered_it_is_overridden(clinic: Clinic) -> None:
    begin(clinic, order=LARGE)
    plan = clinic.run("plan", "--order", "0001.1", *LEFT, code=4)
    clinic.run("given", plan["plan"], "--scan", VIAL, "--given-by", "Petra", code=4)
    clinic.run("given", plan["plan"], "--scan", VIAL, "--given-by", "Petra", code=4)
    # Twice tried is one case.
    assert counted(clinic)["by_month"] == {"2026-03": {SOFT: {"caught": 0, "obeyed": 1, "overridden": 0}}}
    assert (counted(clinic)["count"], counted(clinic)["by_code"]) == (1, {SOFT: 1})
    clinic.run("given", plan["plan"], "--scan", VIAL, "--given-by", "Petra", "--accept", f"{SOFT}=meant")
    assert counted(clinic)["by_month"] == {"2026-03": {SOFT: {"caught": 0, "obeyed": 0, "overridden": 1}}}
    assert counted(clinic)["count"] == 0


def test_a_reason_that_was_remembered_is_not_counted_again(clinic: Clinic) -> None:
    begin(clinic, order=LARGE)
    give(clinic, plan=(*LEFT, "--accept", f"{SOFT}=meant"))
    clinic.now = datetime(2026, 3, 31, 8, 0, tzinfo=UTC)
    again = give(clinic, plan=LEFT)
    assert [one["accepted"] for one in again["findings"] if one["code"] == SOFT] == ["meant"]
    found = counted(clinic)["overridden"]
    assert found == {SOFT: {"overridden": 1, "of": 1, "share_overridden": "100 %"}}


def test_a_stop_that_was_recorded_anyway_is_overridden(clinic: Clinic) -> None:
    begin(clinic, order={"authority": DIRECTION})
    give(clinic, "--anyway", by="Ravi")
    assert counted(clinic)["overridden"]["authority-not-for"]["overridden"] == 1
    assert "Ravi" not in str({key: value for key, value in counted(clinic).items() if key != "latest"})


@pytest.fixture
def many(clinic: Clinic) -> Callable[[int, int], Any]:
    """So many doses on so many orders that were answered with a reason, and so many that were obeyed; the counts."""

    def made(answered: int, obeyed: int) -> Any:
        begin(clinic)
        for number in range(1, answered + obeyed + 1):
            patient = f"{number + 1:04d}"
            clinic.run("patient", "add", "--family", f"Tarn{number}", "--given", "Oda", "--born", "1981-01-15")
            clinic.run("patient", "note", patient, "--allergy", "none known", "--no-earlier-doses")
            clinic.run("order", "add", patient, clinic.file("order.json", {**ORDER, **LARGE}))
            plan = clinic.run("plan", "--order", f"{patient}.1", *LEFT, code=4)
            given = ("given", plan["plan"], "--scan", VIAL, "--given-by", "Petra")
            if number <= answered:
                clinic.run(*given, "--accept", f"{SOFT}=meant")
            else:
                clinic.run(*given, code=4)
        return counted(clinic)

    return made


@pytest.mark.parametrize(
    ("answered", "obeyed", "share", "listed"),
    [
        (9, 0, "100 %", False),  # fewer than ten cases
        (10, 0, "100 %", True),
        (9, 1, "90 %", False),  # nine of ten is not more than nine of ten
        (10, 1, "90.91 %", True),  # 10 / 11 = 0.909090...
    ],
)
def test_a_finding_that_nearly_everybody_answers_away_is_for_whoever_keeps_the_formulary(
    many: Callable[[int, int], Any], answered: int, obeyed: int, share: str, listed: bool
) -> None:
    found = many(answered, obeyed)
    one = found["overridden"][SOFT]
    assert (one["overridden"], one["of"], one["share_overridden"]) == (answered, answered + obeyed, share)
    assert found["reported"] == ([SOFT] if listed else [])


def test_an_early_fact_without_an_outcome_counts_as_caught_in_the_places_own_month(clinic: Clinic) -> None:
    begin(clinic)
    body = {"code": "batch-expired", "message": "ended", "patient": "0001", "order": "0001.1", "by": "Ann"}
    with Store.open(clinic.record) as store, store.writing() as writer:
        # 23:30 in Greenwich on 31 March is 00:30 on 1 April in London's summer time.
        writer.append(
            "audit", "near miss", body, recorded_at=datetime(2026, 3, 31, 23, 30, tzinfo=UTC), keys=["near miss"]
        )
    found = counted(clinic)
    assert found["by_month"] == {"2026-04": {"batch-expired": {"caught": 1, "obeyed": 0, "overridden": 0}}}
    assert found["latest"][0]["outcome"] == "caught"
