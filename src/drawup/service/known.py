"""What is known of a patient at one moment, as the public request writes it: body, history, what was told."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, date, datetime
from fractions import Fraction
from typing import Any
from zoneinfo import ZoneInfo

from drawup.exchange.reader import Fields
from drawup.exchange.schedule_entry import read_schedule
from drawup.injection.history import PastDose
from drawup.injection.notation import Notation, NotationError, machine_text, parse_quantity
from drawup.injection.order import times_a_day
from drawup.injection.policy import Policy
from drawup.injection.schedule import calendar_of
from drawup.injection.series import series_so_far
from drawup.service.errors import UseCaseError
from drawup.service.state import Entry, PatientState, Reading, Setting, alike_key, formulary_entry, patient_stream
from drawup.service.withheld import outside_words, withheld_words


def order_document(state: PatientState, order: str, now: datetime) -> dict[str, Any]:
    """An order as the public request writes it, with what became of it since it was entered; `now` by its own clock."""
    today = now.date()
    held = state.orders[order]
    rule = {**held["order"], "entered": held["entered"]}
    if "stopped" in held:
        rule["stopped"] = held["stopped"]
    if "replaced_by" in held:
        rule["stopped"] = min(held["replaced_from"] or today.isoformat(), held.get("stopped", "9999"))
    if "signed" in held:
        rule["signed"] = held["signed"]["at"]
    outside = outside_words(state, rule["medicine"], now)
    if outside:
        rule["watch_outside"] = outside
    withheld = withheld_words(state, order, now)
    if withheld:
        rule["withheld"] = withheld
    return rule


def zone_of(state: PatientState, current: Setting) -> ZoneInfo:
    """The time zone in which this patient is looked after: their own where one was written down, or the place's."""
    return ZoneInfo(state.zone or current.zone)


def known_document(
    reading: Reading,
    state: PatientState,
    rule: Mapping[str, Any],
    current: Setting,
    *,
    now: datetime,
    order: str | None = None,
) -> dict[str, Any]:
    """What is known of the patient at one moment, with an order and its medicine, as the public request writes it."""
    zone = zone_of(state, current)
    local = now.astimezone(zone)
    medicine = formulary_entry(reading, rule["medicine"])
    document: dict[str, Any] = {
        "format": 1,
        "now": local.isoformat(),
        "zone": zone.key,
        "patient": {**patient_document(state, local.date().isoformat()), **_alike(reading, state)},
        "order": dict(rule),
        "medicine": dict(medicine),
        "readings": [_only(one, "what", "value", "at") for one in _until(state.readings, now)],
    }
    told = {
        "results": [_only(one, "what", "result", "at") for one in _until(state.results, now)],
        "answers": [_only(one, "question", "answer", "words", "at", "by") for one in _until(state.answers, now)],
        "consents": [_consent(one) for one in _until(state.consents, now)],
    }
    document |= {key: listed for key, listed in told.items() if listed}
    history = list(_history(reading, state, local, order, current.policy, live=bool(medicine.get("live"))))
    if history or state.asked_history:
        # A new patient's empty record is no statement that nothing was given elsewhere.
        document["history"] = history
    return document


def _until(facts: Sequence[dict[str, Any]], now: datetime) -> list[dict[str, Any]]:
    return [one for one in facts if _moment(one["at"]) <= now]


_LONGEST_NAME = 200


def _consent(body: Mapping[str, Any]) -> dict[str, Any]:
    """A consent; one that was written in words alone is of whoever the words name, to every medicine."""
    words = {key: body[key] for key in ("given_by", "medicine", "relation", "until") if body.get(key)}
    return {"given_by": str(body.get("text") or "")[:_LONGEST_NAME], **words, "at": body["at"]}


def patient_document(state: PatientState, today: str) -> dict[str, Any]:
    """What is known of the patient on a day, as the public request writes it."""
    patient: dict[str, Any] = {"sex": state.person["sex"], "born": state.person["born"]}
    for key, measured in (("weight", state.weight), ("height", state.height)):
        if measured is not None:
            # An entry written later is planned for its own day: what was measured since counts as of that day.
            patient[key] = {**_only(measured, "value", "how"), "on": min(measured.get("on") or today, today)}
    if state.asked_allergies:
        patient["allergies"] = state.allergies
    if state.ruled_out:
        patient["avoid"] = [_only(one, "region", "side", "reason") for one in state.ruled_out]
    if state.bleeding is not None:
        patient["bleeding_risk"] = state.bleeding
    marks = marks_of(state, today)
    if marks:
        patient["marks"] = marks
    if state.pregnant is not None:
        patient["pregnant"] = state.pregnant
    if state.born_at_weeks is not None:
        patient["born_at_weeks"] = state.born_at_weeks
    if state.distances:
        patient["distance_mm"] = dict(state.distances)
    return patient


def _alike(reading: Reading, state: PatientState) -> dict[str, list[str]]:
    """Others of the same family name, twins among them."""
    others = []
    for fact in reading.find(alike_key(state.person["family"])):
        body = fact.body
        if fact.stream != patient_stream(state.patient):
            others.append(f"{body['family'].upper()}, {body['given']}, born {body['born']}")
    return {"alike": others} if others else {}


# What an inspection writes when nothing is there any more.
_NOTHING = ("nothing", "gone")
_MARK = ("kind", "site", "side", "point", "place_mm", "body_scale", "grid", "size_mm", "how")


def marks_of(state: PatientState, today: str) -> list[dict[str, Any]]:
    """Lumps and the like as last inspected at each place. What is gone stays, with its day: it fades from there on.

    What goes after `today` is still there on that day, and what was found since counts as of that day.
    """
    marks: dict[tuple[str, ...], dict[str, Any]] = {}
    for entry in sorted(state.entries.values(), key=lambda one: one.at):
        if entry.kind != "inspection" or entry.void:
            continue
        body, day = entry.body, entry.body["at"][:10]
        if body["kind"] not in _NOTHING:
            where = (*(body.get("place_mm") or (body.get("point") or "",)), body.get("body_scale") or "")
            place = (body["kind"], body["site"], body["side"], *where)
            known = marks.get(place, {})
            size = {"size_mm": known["size_mm"]} if known.get("size_mm") and "gone" not in known else {}
            marks[place] = {**size, **_only(body, *_MARK), "seen": min(day, today)}
        elif day <= today:
            for mark in marks.values():
                if "gone" not in mark and closes(body, mark):
                    mark["gone"] = day
    return list(marks.values())


def open_marks(state: PatientState, today: str) -> list[dict[str, Any]]:
    """The lumps and the like that were not written as gone."""
    return [mark for mark in marks_of(state, today) if "gone" not in mark]


_NEAR_MM = 10


def closes(body: Mapping[str, Any], mark: Mapping[str, Any]) -> bool:
    """Whether "gone" or "nothing" there is about this lump: at its point, on it or within a finger's width of it.

    "Gone" without a point means everything on that side of the site; "nothing" without one closes nothing.
    """
    if (body["site"], body["side"]) != (mark["site"], mark["side"]):
        return False
    if not body.get("point") and not body.get("place_mm"):
        return bool(body["kind"] == "gone")
    if body.get("point") and body.get("point") == mark.get("point"):
        return True
    here, there = body.get("place_mm"), mark.get("place_mm")
    if not here or not there:
        return not there
    across, down = (Fraction(one) - Fraction(other) for one, other in zip(here, there, strict=True))
    reach = Fraction(mark.get("size_mm") or 0) / 2 + _NEAR_MM
    return across * across + down * down <= reach * reach


def _only(body: Mapping[str, Any], *keys: str) -> dict[str, Any]:
    return {key: body[key] for key in keys if body.get(key) is not None}


def _moment(text: str) -> datetime:
    return datetime.fromisoformat(text)


def _history(
    reading: Reading, state: PatientState, now: datetime, order: str | None, policy: Policy, *, live: bool
) -> Iterable[dict[str, Any]]:
    """What was really given, here or elsewhere, as it stands after corrections."""
    others = _others_open(state, order, now.date(), policy) if order is not None else []
    open_now = {held["id"] for held in others}
    names: dict[str, bool] = {}
    for entry in state.entries.values():
        if not entry.counts or entry.at > now:
            continue
        body = entry.body
        past: dict[str, Any] = {"medicine": body["medicine"], "at": _there(body), "kind": entry.kind}
        if body.get("amount"):
            past["amount"] = body["amount"]
        if entry.kind == "part given" and body.get("ordered"):
            past["ordered"] = body["ordered"]
        if body.get("planned") and body.get("order") == order:
            # The timetable of another order says nothing of this one's: there the dose counts at its own time.
            past["planned"] = body["planned"]["planned"]
        if body.get("order") in open_now:
            past["another_order"] = True
        if live and names.setdefault(body["medicine"], _is_live(reading, body["medicine"])):
            past["live"] = True
        places = [_past_place(place) for place in body.get("injections", ())]
        if places:
            past |= places[0]
        if len(places) > 1:
            past["also_at"] = places[1:]
        yield past


def _there(body: Mapping[str, Any]) -> str:
    """When it was, by the clock of the place where it was: the day on it is the day of the dose."""
    at: str = body["at"]
    return _moment(at).astimezone(ZoneInfo(body["zone"])).isoformat() if body.get("zone") else at


def _is_live(reading: Reading, medicine: str) -> bool:
    try:
        return bool(formulary_entry(reading, medicine).get("live"))
    except UseCaseError:
        return False


_WHERE = ("site", "side", "point", "place_mm", "body_scale", "grid", "volume_ml")


def _past_place(place: Mapping[str, Any]) -> dict[str, Any]:
    past = _only(place, *_WHERE)
    needle = place.get("needle")
    return {**past, "gauge": needle["gauge"]} if needle else past


def _others_open(state: PatientState, order: str, today: date, policy: Policy) -> list[dict[str, Any]]:
    """The other orders on which more may come; one that takes the place of this one, or the other way, is none."""
    chain = _replacing(state, order)
    return [one for one in state.open_orders(today) if one["id"] not in chain and not nothing_more(state, one, policy)]


def _replacing(state: PatientState, order: str) -> set[str]:
    """The orders that take each other's place, this one among them."""
    chain, waiting = {order}, [order]
    while waiting:
        held = state.orders.get(waiting.pop(), {})
        near = {one for one in (held.get("replaced_by"), held.get("replaces")) if one}
        waiting += near - chain
        chain |= near
    return chain


def nothing_more(state: PatientState, held: Mapping[str, Any], policy: Policy) -> bool:
    """Whether an order that nobody stopped is through: its one dose, its number of doses or its series was given."""
    rule = held["order"]
    schedule = rule.get("schedule") or {}
    name = rule["medicine"].strip().casefold()
    counted = [one for one in state.entries.values() if one.counts and one.body["medicine"].strip().casefold() == name]
    if schedule.get("series"):
        return _series_through(state, rule, counted, policy)
    own = {one.body.get("dose_number") for one in counted if one.body.get("order") == held["id"]}
    start = rule.get("start") or ""
    unplanned = [one for one in counted if not one.body.get("order") and one.body["at"][:10] >= start]
    once = schedule.get("once") or rule.get("times") == ["once"]
    most = 1 if once else schedule.get("doses") or (schedule.get("repeat") or {}).get("count")
    return isinstance(most, int) and len(own) + len(unplanned) >= most


def _series_through(state: PatientState, rule: Mapping[str, Any], counted: Sequence[Entry], policy: Policy) -> bool:
    """Whether as many doses of a series as it has came late enough to count, without any grace."""
    try:
        said = {"schedule": rule["schedule"]}
        meals = [meal for meal, _ in policy.meal_times]
        schedule = read_schedule(Fields(said, "order", policy.notation, []), meals)
    except ValueError:
        return False
    if schedule is None:
        return False
    doses = [PastDose(medicine=rule["medicine"], at=_moment(_there(one.body))) for one in counted]
    doses.sort(key=lambda one: one.at)
    born, calendar = date.fromisoformat(state.person["born"]), calendar_of(policy, UTC)
    valid, _, _ = series_so_far(schedule.series, doses, born=born, calendar=calendar, live=True)
    return len(valid) >= len(schedule.series)


def other_orders(state: PatientState, order: str, now: datetime, policy: Policy) -> list[dict[str, Any]]:
    """The other open orders of the patient, as far as maxima and doubles need them."""
    others = []
    for held in _others_open(state, order, now.date(), policy):
        rule = held["order"]
        dose = rule.get("dose") or {}
        other: dict[str, Any] = {"medicine": rule["medicine"], "words": f"order {held['id']}"}
        if dose.get("amount") and (dose.get("per") or "dose") == "dose":
            most = dose.get("to") or dose["amount"]
            safe = _safely(most, policy.notation)
            if safe is not None:
                other["amount"] = safe
            else:
                other["words"] += f", {most}"
        times = dose.get("doses_per_day") or _times_a_day(rule, policy)
        if times:
            other["doses_per_day"] = times
        others.append(other)
    return others


def _times_a_day(rule: Mapping[str, Any], policy: Policy) -> int | None:
    """How many doses a day the times of an order come to, where it is more than one; None else."""
    said = {key: rule[key] for key in ("times", "when_needed", "schedule") if key in rule}
    try:
        schedule = read_schedule(Fields(said, "order", policy.notation, []), [meal for meal, _ in policy.meal_times])
    except ValueError:
        return None
    return times_a_day(schedule) if schedule is not None and times_a_day(schedule) > 1 else None


def _safely(amount: str, notation: Notation) -> str | None:
    """An amount as it should be written: what is wrong with another order's notation is that order's to say.

    None where it can no longer be read: another policy, with another notation, came into force since.
    """
    try:
        return machine_text(parse_quantity(amount, notation, forms=None).quantity)
    except NotationError:
        return None
