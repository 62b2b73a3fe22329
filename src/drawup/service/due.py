"""What is due, for whom and when, and what stands in the way: a list that costs no plan for what has not changed.

Each open order has one line, worked out when a fact about its patient, its medicine or the policy was added, and kept
in a file beside the record. A line also says how long it holds by the clock. The list brings itself up to date first.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from itertools import chain
from typing import Any
from zoneinfo import ZoneInfo

from drawup import __version__
from drawup.exchange.request import read_request
from drawup.injection.finding import Finding
from drawup.injection.lateness import outlook_of
from drawup.injection.notation import NotationError, parse_quantity, render
from drawup.injection.plan import plan_injection
from drawup.injection.quantity import Quantity
from drawup.injection.schedule import MIDNIGHT, instant
from drawup.injection.timing import Due, Outlook
from drawup.record.beside import Beside, Known, beside
from drawup.record.store import Store
from drawup.service.known import zone_of
from drawup.service.planning import request_document
from drawup.service.state import PatientState, Reading, Setting, canonical, patient_state, setting
from drawup.service.syringes import open_syringes
from drawup.service.turning import turning_points
from drawup.service.watching import awaiting_effect, open_watches

_FORM = f"1 {__version__}"

# Good to know before going to the patient; what else is good to know stands in the plan. How many hours late a dose is
# would be wrong an hour later, and the line says since when.
_SHOWN_NOTES = frozenset(
    (
        "second-check-needed",
        "dose-late-give",
        "doses-missed",
        "series-in-grace",
        "signature-outstanding",
        "order-ends-soon",
        "review-soon",
        "test-soon",
    )
)

STATE_ORDER = ("missed", "late", "due", "early", "when needed", "unknown", "ended")
_URGENCY = {state: number for number, state in enumerate(STATE_ORDER)}

Progress = Callable[[Iterable[str], int], Iterable[str]]


@dataclass(frozen=True, slots=True)
class Line:
    """One open order as it stands in the list, with its moments read."""

    body: Mapping[str, Any]
    due: Due | None
    holds_until: datetime | None

    def changes(self, now: datetime) -> datetime | None:
        """The first moment after now at which its state may be another one."""
        due = self.due
        moments = (self.holds_until,) if due is None else (self.holds_until, due.opens, due.closes, due.missed_from)
        return min((one for one in moments if one is not None and one > now), default=None)

    def state(self, now: datetime) -> str:
        """One of STATE_ORDER at a moment."""
        if self.due is not None:
            return self.due.state(now)
        return "unknown" if self.body["ended"] in _UNKNOWN else "ended"


_NEVER = datetime(9999, 1, 1, tzinfo=UTC)
_UNKNOWN = ("the order says no times", "the order has no start")


@dataclass(frozen=True, slots=True)
class _Listed:
    """A list as it was made: for which place and whether for everything, when, and until when it holds."""

    asked: tuple[str, bool]
    made: datetime
    until: datetime | None
    lines: tuple[dict[str, Any], ...]


class DueBook:
    """The lines of one record. Kept open, it costs nothing where nothing changed; else it is read from its file."""

    def __init__(self, store: Store, *, keep: bool = True, afresh: bool = False) -> None:
        self._file = Beside(beside(store.path), keep=keep)
        self._afresh = afresh
        self._name = store.name
        self._known: Known | None = None
        self._lines: dict[str, dict[str, Line]] = {}  # by patient, then by order
        self._open: dict[str, dict[str, Any]] = {}
        self._first_end: datetime | None = None
        self._listed: _Listed | None = None

    def close(self) -> None:
        """Close the file beside the record."""
        self._file.close()

    def lines(self, reading: Reading, now: datetime, *, progress: Progress | None = None) -> list[Line]:
        """Every line, brought up to date."""
        self._renew(reading, now, progress)
        return list(self._all())

    def patients_with_something_open(self, reading: Reading, now: datetime, place: str = "") -> list[str]:
        """Patients of a place who are watched, whose syringe is drawn up, or whose order waits for something."""
        self._renew(reading, now, None)
        at = place.casefold()
        return sorted(
            patient for patient, body in self._open.items() if body["open"] and at in body["place"].casefold()
        )

    def listed(self, asked: tuple[str, bool], now: datetime) -> list[dict[str, Any]] | None:
        """The list as it was last made for the same question, while nothing can have changed since."""
        kept = self._listed
        if kept is None or kept.asked != asked or not kept.made <= now < (kept.until or _NEVER):
            return None
        return list(kept.lines)

    def keep_listed(self, asked: tuple[str, bool], now: datetime, lines: list[dict[str, Any]]) -> None:
        """Keep a list for the next time that the same is asked."""
        changes = (line.changes(now) for line in self._all())
        until = min((one for one in changes if one is not None), default=None)
        self._listed = _Listed(asked, now, until, tuple(lines))

    def _all(self) -> Iterable[Line]:
        return chain.from_iterable(lines.values() for lines in self._lines.values())

    def _keys(self) -> set[str]:
        orders = chain.from_iterable(self._lines.values())
        return {*orders, *(f"patient/{patient}" for patient in self._open)}

    def _set_first_end(self) -> None:
        self._first_end = min((one.holds_until for one in self._all() if one.holds_until), default=None)

    def _renew(self, reading: Reading, now: datetime, progress: Progress | None) -> None:
        position, link = reading.position()
        if self._known is not None and now < datetime.fromisoformat(self._known.now):
            # The clock was set back, or an earlier time is asked for: what passed since has not passed yet.
            self._known = None
            self._afresh = True
        if self._known is None and not self._afresh:
            self._known = self._read(reading, now)
        since = self._known
        patients = self._changed(reading, since)
        orders = self._passed(now)
        if not patients and not orders and since is not None and since.position == position:
            return
        self._listed = None
        current = setting(reading)
        before = self._keys()
        if since is None:
            self._lines, self._open = {}, {}
        changed = self._work_out(reading, current, patients, orders, now, progress)
        self._known = Known(position=position, link=link, now=now.astimezone(UTC).isoformat())
        self._set_first_end()
        self._file.keep(
            form=_FORM,
            record=self._name,
            since=since,
            known=self._known,
            changed=changed,
            gone=before - self._keys(),
            whole=self._texts,
        )

    def _texts(self) -> dict[str, str]:
        lines = {one.body["order"]: _text(one.body) for one in self._all()}
        return lines | {f"patient/{patient}": _text(body) for patient, body in self._open.items()}

    def _read(self, reading: Reading, now: datetime) -> Known | None:
        """Read the file beside the record.

        None where it is of another record, another version, another past, or was worked out for a later time.
        """
        found = self._file.read(_FORM, self._name)
        if found is None:
            return None
        known, texts = found
        if reading.link_at(known.position) != known.link or now < datetime.fromisoformat(known.now):
            return None
        try:
            bodies = json.loads(f"[{','.join(texts.values())}]")
            for key, body in zip(texts, bodies, strict=True):
                if key.startswith("patient/"):
                    self._open[key.removeprefix("patient/")] = body
                else:
                    self._lines.setdefault(body["patient"], {})[key] = _line(body)
        except (ValueError, TypeError, KeyError, AttributeError):
            # Somebody has written into the file: nothing of it is taken.
            return None
        self._set_first_end()
        return known

    def _changed(self, reading: Reading, since: Known | None) -> list[str]:
        """The patients whose lines a fact has touched since: one about them, about their medicine, or the policy."""
        if since is None:
            return [name.removeprefix("patient/") for name in reading.streams("patient/")]
        touched: dict[str, None] = {}
        formulary = False
        for stream, kind in reading.streams_since(since.position):
            if stream == "audit" and kind == "policy":
                return self._changed(reading, None)
            formulary = formulary or stream == "formulary"
            if stream.startswith("patient/"):
                touched[stream.removeprefix("patient/")] = None
        if formulary:
            medicines = _changed_medicines(reading, since.position)
            if medicines is None:
                return self._changed(reading, None)
            touched |= {one.body["patient"]: None for one in self._all() if one.body["medicine"] in medicines}
        return list(touched)

    def _passed(self, now: datetime) -> list[str]:
        """The orders whose line no longer holds by the clock."""
        if self._first_end is None or now < self._first_end:
            return []
        return [one.body["order"] for one in self._all() if one.holds_until is not None and one.holds_until <= now]

    def _work_out(
        self,
        reading: Reading,
        current: Setting,
        patients: Sequence[str],
        orders: Sequence[str],
        now: datetime,
        progress: Progress | None,
    ) -> dict[str, str]:
        """Work out the lines of these patients anew; the changed ones as text."""
        touched = dict.fromkeys((*patients, *(order.partition(".")[0] for order in orders)))
        changed: dict[str, str] = {}
        for patient in progress(touched, len(touched)) if progress is not None else touched:
            state = patient_state(reading, patient)
            lines = {body["order"]: body for body in patient_lines(reading, state, current, now)}
            self._lines[patient] = {key: _line(body) for key, body in lines.items()}
            changed |= {key: _text(body) for key, body in lines.items()}
            self._open[patient] = {"open": something_open(state, now), "place": state.person.get("place", "")}
            changed[f"patient/{patient}"] = _text(self._open[patient])
        return changed


def _changed_medicines(reading: Reading, after: int) -> set[str] | None:
    """The medicines whose entry is newer; None where one is or was a live vaccine, which others are spaced from."""
    entries = [(fact.position, fact.body["medicine"]) for fact in reading.facts("formulary") if fact.kind == "medicine"]
    changed = {entry["name"] for position, entry in entries if position > after}
    return None if any(entry.get("live") for _, entry in entries if entry["name"] in changed) else changed


def _text(body: Mapping[str, Any]) -> str:
    return canonical(body).decode("utf-8")


def _line(body: dict[str, Any]) -> Line:
    told = body["due"]
    due = None
    if told is not None:
        due = Due(
            planned=datetime.fromisoformat(told["planned"]),
            day=date.fromisoformat(told["day"]),
            opens=datetime.fromisoformat(told["opens"]),
            closes=_moment(told["closes"]),
            missed_from=_moment(told["missed_from"]),
            whole_days=told["whole_days"],
            because=told["because"],
            number=told["number"],
            after=date.fromisoformat(told["after"]) if told["after"] else None,
            passed_count=told["passed"],
            when_needed=told["when_needed"],
        )
    return Line(body, due, _moment(body["holds_until"]))


def _moment(text: str | None) -> datetime | None:
    return None if text is None else datetime.fromisoformat(text)


def something_open(state: PatientState, now: datetime) -> bool:
    """Whether anything of this patient waits for somebody: looked at more closely when the place is handed over."""
    return bool(
        open_syringes(state)
        or open_watches(state, now)
        or awaiting_effect(state, now)
        or any((last_contact(state, order) or {}).get("next_try") for order in state.orders)
        or any(entry.kind == "part given" and not entry.void for entry in state.entries.values())
        or any(follows_something(held) for held in state.orders.values())
    )


def follows_something(held: Mapping[str, Any]) -> bool:
    """Whether something must still follow an order, such as a signature under a spoken one."""
    terms = held["order"].get("authority")
    kind = terms.get("kind") if isinstance(terms, Mapping) else terms
    asked = kind == "spoken order" or (isinstance(terms, Mapping) and bool(terms.get("must_follow")))
    return asked and "signed" not in held


# --- one line -----------------------------------------------------------------------------------------------------


def patient_lines(reading: Reading, state: PatientState, current: Setting, now: datetime) -> list[dict[str, Any]]:
    """The lines of a patient's open orders."""
    zone = zone_of(state, current)
    lines = []
    for held in state.open_orders(now.astimezone(zone).date()):
        try:
            lines.append(_order_line(reading, state, held["id"], current, now, zone))
        except ValueError as error:
            # An order that can no longer be read is not left out of the list: somebody must look at it.
            lines.append(_unreadable(state, held, zone, str(error)))
    return lines


def _order_line(
    reading: Reading, state: PatientState, order: str, current: Setting, now: datetime, zone: ZoneInfo
) -> dict[str, Any]:
    document = request_document(reading, state, order, current, now=now)
    read = read_request(document, policy=current.policy, recorded=True)
    outlook = outlook_of(read.request, current.policy) or Outlook(ended=_UNKNOWN[0])
    due = outlook.due
    looked_at = due is not None or outlook.ended in _UNKNOWN
    findings: tuple[Finding, ...] = ()
    amount: Quantity | None = None
    if looked_at:
        at = now if due is None else max(now, due.opens)
        if at > now:
            document = {**document, "now": at.astimezone(zone).isoformat()}
            read = read_request(document, policy=current.policy, recorded=True)
        plan = plan_injection(read.request, policy=read.policy, tables=read.tables)
        findings, amount = plan.findings, plan.dose.amount
    body = _who(state, state.orders[order], zone)
    body["dose"] = _dose_words(state.orders[order]["order"], amount, current)
    body["due"] = None if due is None else _due_body(due)
    body["ended"] = outlook.ended
    ends = turning_points(read.request, current.policy, zone) if looked_at else []
    body["holds_until"] = _iso(_holds(outlook, due, now, zone, state, state.orders[order], ends))
    body["findings"] = [_found(one) for one in findings if one.blocks or one.code in _SHOWN_NOTES]
    needs = (*read.request.medicine.needs, *read.request.order.needs)
    body["to_measure"] = list(dict.fromkeys(need.what for need in needs))
    return body


def _found(one: Finding) -> dict[str, str]:
    return {"code": one.code, "severity": str(one.severity), "message": one.message}


_TO_MEASURE = ("reading-missing", "reading-stale", "reading-old", "reading-outside")


def _shown(body: Mapping[str, Any]) -> list[Mapping[str, str]]:
    """What stands in the way of a dose that is not open yet: readings are only named, and will be taken then."""
    found = [one for one in body["findings"] if one["code"] not in _TO_MEASURE]
    if body["to_measure"]:
        needed = f"needed before this dose: {', '.join(body['to_measure'])}"
        found.append({"code": "reading-needed", "severity": "note", "message": needed})
    return found


def _unreadable(state: PatientState, held: Mapping[str, Any], zone: ZoneInfo, message: str) -> dict[str, Any]:
    finding = {"code": "order-unreadable", "severity": "stop", "message": f"the order cannot be read: {message}"}
    return {
        **_who(state, held, zone),
        "dose": "",
        "due": None,
        "ended": _UNKNOWN[0],
        "holds_until": _iso(_last_moment(held, zone)),
        "findings": [finding],
        "to_measure": [],
    }


def _who(state: PatientState, held: Mapping[str, Any], zone: ZoneInfo) -> dict[str, Any]:
    person = state.person
    return {
        "order": held["id"],
        "patient": state.patient,
        "name": state.name,
        "family": person["family"],
        "born": person["born"],
        "identifiers": [f"{one['kind']} {one['value']}" for one in person["identifiers"]],
        "place": person.get("place", ""),
        "medicine": held["order"]["medicine"],
        "route": held["order"].get("route"),
        "zone": zone.key,
        "contact": last_contact(state, held["id"]),
    }


def last_contact(state: PatientState, order: str) -> dict[str, Any] | None:
    """The last try to reach the patient, or why the dose was not given; None once it was given since."""
    tries = [dict(one) for one in state.contacts if one["order"] == order]
    given = []
    for entry in state.entries.values():
        if entry.void or entry.body.get("order") != order:
            continue
        if entry.kind == "not given":
            tries.append({**entry.body, "outcome": f"not given: {entry.body['reason']}"})
        elif entry.counts:
            given.append(entry.at)
    last = max(tries, key=lambda one: datetime.fromisoformat(one["at"]), default=None)
    if last is None or any(one >= datetime.fromisoformat(last["at"]) for one in given):
        return None
    return {key: last[key] for key in ("at", "outcome", "words", "by", "next_try") if last.get(key)}


def _dose_words(rule: Mapping[str, Any], amount: Quantity | None, current: Setting) -> str:
    """The dose as it is worked out for now, with what it was ordered by: "74 mg (1 mg per kg)", in safe notation."""
    dose = rule.get("dose") or {}
    per = dose.get("per") or "dose"
    if dose.get("bands"):
        ordered = f"by bands of {dose.get('by') or 'weight'}"
    elif dose.get("steps"):
        ordered = f"in {len(dose['steps'])} steps"
    else:
        amounts = [_safe(dose[key], current) for key in ("amount", "to") if dose.get(key)]
        ordered = " to ".join(amounts) + ("" if per == "dose" else f" per {per}")
    if amount is None:
        return ordered or "no dose"
    worked_out = render(amount, current.policy.notation)
    return worked_out if ordered == worked_out else f"{worked_out} ({ordered})"


def _safe(text: str, current: Setting) -> str:
    try:
        return render(parse_quantity(text, current.policy.notation, forms=None).quantity, current.policy.notation)
    except NotationError:
        return text


def _due_body(due: Due) -> dict[str, Any]:
    return {
        "planned": due.planned.isoformat(),
        "day": due.day.isoformat(),
        "opens": due.opens.isoformat(),
        "closes": _iso(due.closes),
        "missed_from": _iso(due.missed_from),
        "whole_days": due.whole_days,
        "because": due.because,
        "number": due.number,
        "after": None if due.after is None else due.after.isoformat(),
        "passed": due.passed_count,
        "when_needed": due.when_needed,
    }


def _iso(moment: datetime | None) -> str | None:
    return None if moment is None else moment.isoformat()


def _holds(
    outlook: Outlook,
    due: Due | None,
    now: datetime,
    zone: ZoneInfo,
    state: PatientState,
    held: Mapping[str, Any],
    turns: Sequence[datetime],
) -> datetime | None:
    """Until when the line holds by the clock: another dose comes next, it turns late, or a day has gone by.

    What stands in the way is worked out for the moment at which a dose opens, and once it is open again on each new
    day (a consent ends, a weight grows old) and at each of its turning points (`turns`).
    """
    ends = [outlook.holds_until, _last_moment(held, zone), _first_after(state, now), *turns]
    if due is not None or outlook.ended in _UNKNOWN:
        opens = now if due is None else max(now, due.opens)
        next_day = instant(opens.astimezone(zone).date() + timedelta(days=1), MIDNIGHT, zone)
        ends += [next_day, None if due is None else due.closes]
    return min((one for one in ends if one is not None and one > now), default=None)


def _first_after(state: PatientState, now: datetime) -> datetime | None:
    """The first thing written with a time after now: the clock was set back, or an earlier time is asked for."""
    told = chain(state.readings, state.results, state.answers, state.consents)
    moments = chain((entry.at for entry in state.entries.values()), (datetime.fromisoformat(one["at"]) for one in told))
    return min((one for one in moments if one > now), default=None)


def _last_moment(held: Mapping[str, Any], zone: ZoneInfo) -> datetime | None:
    """The moment from which the order is open no more; None where it has no end."""
    stop, stopped = held["order"].get("stop"), held.get("stopped")
    days = [date.fromisoformat(one) for one in (stopped, held.get("replaced_from")) if one]
    days += [date.fromisoformat(stop) + timedelta(days=1)] if stop else []
    return instant(min(days), MIDNIGHT, zone) if days else None


# --- the list -----------------------------------------------------------------------------------------------------


def due_list(
    book: DueBook,
    reading: Reading,
    *,
    now: datetime,
    place: str = "",
    until: datetime | None = None,
    everything: bool = False,
    progress: Progress | None = None,
) -> list[dict[str, Any]]:
    """The list for a place: by urgency, then by time. `until`: what opens later is left out.

    Orders on which nothing more comes are left out unless `everything`, or unless they end before their next dose.
    """
    lines = book.lines(reading, now, progress=progress)
    asked = (place.casefold(), everything)
    known = book.listed(asked, now) if until is None else None
    if known is not None:
        return known
    chosen = []
    for line in lines:
        body, state = line.body, line.state(now)
        if place and place.casefold() not in body["place"].casefold():
            continue
        if state == "early" and until is not None and line.due is not None and line.due.opens > until:
            continue
        if state == "ended" and not everything and not body["ended"].startswith("the order ends"):
            continue
        planned = line.due.planned if line.due is not None else _NEVER
        chosen.append((_URGENCY[state], planned, body["name"], body["order"], body, state))
    # No two lines are of one order, so the bodies are never compared.
    chosen.sort()
    marks = _alike([body for *_, body, _ in chosen])
    found = [
        {
            **body,
            "findings": _shown(body) if state == "early" else body["findings"],
            "state": state,
            "alike": marks.get(body["patient"], ""),
        }
        for *_, body, state in chosen
    ]
    if until is None:
        book.keep_listed(asked, now, found)
    return found


def _alike(bodies: Sequence[Mapping[str, Any]]) -> dict[str, str]:
    """Patients on one list who could be taken for one another: of one family name, or twins."""
    people = {body["patient"]: (body["family"].casefold(), body["born"]) for body in bodies}
    families, twins = Counter(family for family, _ in people.values()), Counter(people.values())
    marks = {}
    for patient, (family, born) in people.items():
        if twins[(family, born)] > 1:
            marks[patient] = "another patient on this list has this family name and birth date"
        elif families[family] > 1:
            marks[patient] = "another patient on this list has this family name"
    return marks
