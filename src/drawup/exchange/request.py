"""The public plan request: one JSON or TOML document to everything a plan is made from."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime
from fractions import Fraction
from functools import lru_cache
from typing import Any
from zoneinfo import ZoneInfo

from drawup.evidence.policies import PolicyError, load_policy, override
from drawup.evidence.tables import (
    evidence_version,
    load_barrels,
    load_grids,
    load_needle_table,
    load_resistance,
    load_sites,
    load_tissue,
)
from drawup.exchange.gs1 import read_code
from drawup.exchange.medicine_entry import DOSES, forms_of, needle_of, read_medicine, reading_value
from drawup.exchange.order_entry import read_order
from drawup.exchange.reader import FieldError, Fields, checked_text, listed_zone, moment_of, quantity_of, shown
from drawup.exchange.skin_entry import check_history, read_mark, read_places, read_same_visit
from drawup.exchange.told_entry import read_answer, read_consent, read_result
from drawup.injection.anatomy import split_region
from drawup.injection.batch import Container
from drawup.injection.finding import CODES
from drawup.injection.history import PastDose
from drawup.injection.medicine import Medicine
from drawup.injection.order import OpenOrder
from drawup.injection.patient import (
    HOW,
    SEXES,
    SIDES,
    Allergy,
    BleedingRisk,
    Measurement,
    Patient,
    Reading,
    RuledOut,
)
from drawup.injection.policy import Barrel, Policy, SiteLimit
from drawup.injection.quantity import Dimension, Quantity
from drawup.injection.request import Accepted, Choice, Request, Tables
from drawup.injection.site import with_limits

_REQUEST_KEYS = frozenset(
    [
        "format",
        "now",
        "patient",
        "order",
        "medicine",
        "history",
        "readings",
        "container",
        "open_orders",
        "choose",
        "accepted",
        "needles",
        "barrels",
        "policy",
        "same_visit",
        "zone",
        "results",
        "answers",
        "consents",
    ]
)
_PATIENT_KEYS = frozenset(
    [
        "sex",
        "born",
        "weight",
        "height",
        "area",
        "allergies",
        "avoid",
        "distance_mm",
        "pregnant",
        "born_at_weeks",
        "bleeding_risk",
        "marks",
        "alike",
    ]
)
_CONTAINER_KEYS = frozenset(
    ["code", "gtin", "batch", "expiry_date", "opened", "quarantined", "session_ends", "role", "name", "known_as"]
)
_CHOICE_KEYS = frozenset(["presentation", "barrel", "site", "side", "point", "needle", "larger_arm"])
_MEASURED_KEYS = frozenset(("value", "on", "how"))
_ALLERGY_KEYS = frozenset(["to", "status", "kind", "severity"])
_AVOID_KEYS = frozenset(["region", "side", "reason", "layer"])
_BLEEDING_KEYS = frozenset(["reason", "reading", "from", "to"])
_READING_KEYS = frozenset(["what", "value", "at"])
_ACCEPTED_KEYS = frozenset(["code", "reason", "message"])
_OPEN_KEYS = frozenset(["medicine", "amount", "doses_per_day", "words"])
_BARREL_KEYS = frozenset(["capacity_ml", "interval_ml", "capacity_units", "interval_units", "units_per_ml"])

PAST_KINDS = ("given", "part given", "not given", "reported")
_ROLES = ("medicine", "diluent")


class ReadRequest:
    """A request as read: what the plan is made from, and what should be written differently next time."""

    __slots__ = ("notes", "policy", "policy_named", "request", "tables")

    def __init__(
        self, request: Request, policy: Policy, tables: Tables, notes: tuple[str, ...], policy_named: bool
    ) -> None:
        self.request = request
        self.policy = policy
        self.tables = tables
        self.notes = notes
        self.policy_named = policy_named


def read_request(document: Any, *, policy: Policy | None = None, recorded: bool = False) -> ReadRequest:
    """The public request (format 1). `policy` is used unless the request brings its own. Raises FieldError.

    `recorded`: the history is a record's. There a height that was measured again, or an entry that was moved, makes the
    body look smaller than before; that is no reason to plan nothing.
    """
    notes: list[str] = []
    named = policy is not None
    if type(document) is not dict:
        raise FieldError("", f"read {shown(document)}, expected an object with patient, order and medicine")
    if document.get("policy") is not None:
        policy, named = read_policy(document["policy"], policy), True
    if policy is None:
        policy = load_policy("uk")
    fields = Fields(document, "", policy.notation, notes)
    fields.take("policy")
    check_format(fields)
    policy = _drawer(fields, policy)
    now = fields.moment("now")
    if now is None:
        fields.fail("now", "missing, expected a time such as 2026-03-02T09:00:00+00:00")
    # Today is the day at the place; kept with a plain offset, by which hours are real hours.
    zone = _zone(fields, recorded=recorded)
    now = now if zone is None else datetime.fromisoformat(now.astimezone(zone).isoformat())
    inner = fields.inside("medicine")
    if inner is None:
        fields.fail("medicine", "missing, expected the medicine with its packs")
    medicine = read_medicine(inner)
    request = Request(
        now=now,
        patient=_need(fields, "patient", read_patient, now.date()),
        order=read_order(fields, medicine, policy),
        medicine=medicine,
        history=fields.items("history", lambda value, path: _past(value, path, fields, medicine, now)),
        readings=fields.items("readings", lambda value, path: _reading(value, path, fields)) or (),
        containers=_containers(fields, now),
        open_orders=fields.items("open_orders", lambda value, path: _open_order(value, path, fields, medicine)) or (),
        choice=_choice(fields, medicine),
        accepted=fields.items("accepted", lambda value, path: _accepted(value, path, fields)) or (),
        same_visit=fields.items("same_visit", lambda one, path: read_same_visit(_object(one, path, fields)), most=20)
        or (),
        zone=zone,
        results=fields.items("results", lambda value, path: read_result(_object(value, path, fields))) or (),
        answers=fields.items("answers", lambda value, path: read_answer(_object(value, path, fields))) or (),
        consents=fields.items("consents", lambda value, path: read_consent(_object(value, path, fields))) or (),
    )
    if request.history and not recorded:
        check_history(request.history, request.patient)
    fields.close(_REQUEST_KEYS)
    return ReadRequest(request, policy, tables_of(policy), tuple(notes), named)


def tables_of(policy: Policy) -> Tables:
    """The published tables that this policy works with."""
    return _tables(policy.needle_table, policy.site_limits)


@lru_cache(maxsize=32)
def _tables(needle_table: str, site_limits: tuple[SiteLimit, ...]) -> Tables:
    return Tables(
        sites=with_limits(load_sites(), site_limits),
        needles=load_needle_table(needle_table),
        tissue=load_tissue(),
        resistance=load_resistance(),
        grids=load_grids(),
        bores=tuple((one.capacity_ml, one.bore_mm) for one in load_barrels() if one.bore_mm is not None),
        version=evidence_version(),
    )


def check_format(fields: Fields, *, needed: bool = True) -> None:
    """Refuse every version of the form but this one. Raises FieldError."""
    if not needed and not fields.has("format"):
        return
    number = fields.take("format")
    if number != 1 or isinstance(number, bool):
        fields.fail("format", "missing, expected 1" if number is None else f"read {shown(number)}, expected 1")


def read_policy(value: object, base: Policy | None) -> Policy | None:
    """The policy that a request brings, or else the one given. Raises FieldError."""
    return base if value is None else _policy(value, base)


def _policy(value: object, base: Policy | None) -> Policy:
    try:
        if isinstance(value, str):
            if value not in ("uk", "us", "au", "nz"):
                raise FieldError("policy", f'read "{shown(value)}", expected uk, us, au or nz, or an object of keys')
            return load_policy(value)
        if isinstance(value, dict):
            preset = value.get("preset")
            start = load_policy(preset) if isinstance(preset, str) and preset in ("uk", "us", "au", "nz") else base
            return override(start or load_policy("uk"), {key: _as_text(one) for key, one in value.items()})
    except PolicyError as error:
        field = f"policy.{shown(error.key)}" if error.key else "policy"
        raise FieldError(field, shown(error.problems[0].removeprefix(f"{field}: "), most=700)) from None
    raise FieldError("policy", f"read {shown(value)}, expected the name of a preset or an object of keys")


def _as_text(value: Any) -> Any:
    """A choice with what JSON has no exact form for (a number with a point, a date) as text: its key says the rest."""
    if isinstance(value, dict):
        return {key: _as_text(one) for key, one in value.items()}
    if isinstance(value, list):
        return [_as_text(one) for one in value]
    return value if value is None or isinstance(value, str | bool | int) else str(value)


def _drawer(fields: Fields, policy: Policy) -> Policy:
    """The request's own needles and barrels in place of the policy's."""
    needles = fields.items("needles", lambda value, path: needle_of(_object(value, path, fields)), most=100)
    barrels = fields.items("barrels", lambda value, path: _barrel(_object(value, path, fields)), most=100)
    if needles is not None:
        policy = replace(policy, needles=tuple(needle for needle in needles if needle is not None))
    if barrels is not None:
        smallest_first = sorted(
            barrels, key=lambda barrel: (barrel.units_per_ml or 0, barrel.capacity, barrel.interval)
        )
        policy = replace(policy, barrels=tuple(smallest_first))
    return policy


def _object(value: object, path: str, parent: Fields) -> Fields:
    return Fields(value, path, parent.notation, parent.notes)


def _barrel(fields: Fields) -> Barrel:
    per_ml = fields.number("units_per_ml", above=0)
    kind = "ml" if per_ml is None else "units"
    capacity, interval = (fields.number(f"{what}_{kind}", above=0) for what in ("capacity", "interval"))
    for key in ("capacity_units", "interval_units") if per_ml is None else ("capacity_ml", "interval_ml"):
        if fields.take(key) is not None:
            why = "without units_per_ml" if per_ml is None else "beside units_per_ml"
            fields.fail(key, f"{why}: a barrel is marked either in mL, or in units with the strength they are for")
    if capacity is None or interval is None:
        fields.fail(f"capacity_{kind}", f"a barrel has capacity_{kind} and interval_{kind}")
    if interval > capacity:
        fields.fail(f"interval_{kind}", "the marks are further apart than the barrel holds")
    fields.close(_BARREL_KEYS)
    return Barrel(capacity=capacity, interval=interval, units_per_ml=per_ml)


def _need(fields: Fields, key: str, read: Any, today: date) -> Any:
    inner = fields.inside(key)
    if inner is None:
        fields.fail(key, f"missing, expected an object with the {key}")
    return read(inner, today)


# --- the patient --------------------------------------------------------------------------------------------------


def read_patient(fields: Fields, today: date) -> Patient:
    """The patient of a request. Raises FieldError."""
    born = fields.day("born")
    if born is not None and born > today:
        fields.fail("born", f"read {born.isoformat()}, after now ({today.isoformat()})")
    if born is not None and born.year < today.year - 130:
        fields.fail("born", f"read {born.isoformat()}, more than 130 years ago")
    patient = Patient(
        sex=fields.one_of("sex", SEXES) or "unknown",
        born=born,
        weight=_measurement(fields, "weight", today),
        height=_measurement(fields, "height", today),
        area=_area(fields),
        allergies=_allergies(fields),
        ruled_out=fields.items("avoid", lambda value, path: _avoid(value, path, fields), most=200) or (),
        distance_mm=_distances(fields),
        pregnant=fields.truth("pregnant"),
        born_at_weeks=fields.whole("born_at_weeks", least=20, most=45),
        bleeding=_bleeding(fields),
        alike=fields.texts("alike") or (),
        marks=fields.items("marks", lambda one, path: read_mark(_object(one, path, fields), today), most=1000) or (),
    )
    fields.close(_PATIENT_KEYS)
    return patient


_HIGHEST = {"weight": Fraction(700_000_000), "height": Fraction(2800)}  # mg and mm: beyond these it is a slip
_LOWEST = {"weight": Fraction(200_000), "height": Fraction(200)}
_LARGEST_AREA, _SMALLEST_AREA = Fraction(5), Fraction(1, 50)  # m2: far beyond any body


def _measurement(fields: Fields, key: str, today: date) -> Measurement | None:
    value = fields.take(key)
    if value is None:
        return None
    path, on, how = fields.at(key), None, "measured"
    if type(value) is dict:
        inner = Fields(value, path, fields.notation, fields.notes)
        on, how = inner.day("on"), inner.one_of("how", HOW) or "measured"
        if on is not None and on > today:
            inner.fail("on", f"read {on.isoformat()}, after now ({today.isoformat()})")
        value = inner.take("value")
        inner.close(_MEASURED_KEYS)
        path = inner.at("value")
    dimension = Dimension.MASS if key == "weight" else Dimension.LENGTH
    quantity = quantity_of(value, path, fields, (dimension,), measured=True, body_weight=key == "weight")
    if not _LOWEST[key] <= quantity.base <= _HIGHEST[key]:
        raise FieldError(path, f'read "{shown(value)}": no body has that {key}. Check the number and the unit')
    return Measurement(quantity=quantity, on=on, how=how)


def _area(fields: Fields) -> Quantity | None:
    area = fields.quantity("area", Dimension.AREA, measured=True)
    if area is not None and not _SMALLEST_AREA <= area.base <= _LARGEST_AREA:
        fields.fail("area", f'read "{shown(fields.take("area"))}": no body has that surface. Check the number')
    return area


# What people write in the list when they mean that there is none.
_NO_ALLERGY = ("none", "none known", "no known allergies", "nka", "nkda")


def _allergies(fields: Fields) -> tuple[Allergy, ...] | None:
    if not fields.has("allergies"):
        return None
    value = fields.take("allergies")
    if value == "none known":
        return ()
    path = fields.at("allergies")
    if type(value) is not list:
        raise FieldError(path, f'read "{shown(value)}", expected a list, or "none known"; leave it out if not asked')
    listed = fields.items("allergies", lambda one, path: _allergy(one, path, fields), most=200) or ()
    if any(one.to.strip().casefold() in _NO_ALLERGY for one in listed):
        raise FieldError(path, 'read "none known" inside a list. Write "none known" alone, or the allergies alone')
    return listed


def _allergy(value: object, path: str, parent: Fields) -> Allergy:
    if type(value) is not dict:
        return Allergy(to=checked_text(value, path, 100))
    fields = _object(value, path, parent)
    allergy = Allergy(
        to=fields.need_text("to"),
        status=fields.one_of("status", ("confirmed", "unconfirmed")) or "confirmed",
        kind=fields.one_of("kind", ("allergy", "intolerance")) or "allergy",
        severity=fields.one_of("severity", ("serious", "mild")) or "",
    )
    fields.close(_ALLERGY_KEYS)
    return allergy


def _avoid(value: object, path: str, parent: Fields) -> RuledOut:
    fields = _object(value, path, parent)
    region = fields.need_text("region")
    side = fields.one_of("side", SIDES)
    if side is not None and split_region(region)[1] not in (None, side):
        fields.fail("side", f'read "{side}" beside "{shown(region)}": the two sides differ. Write one of them')
    avoid = RuledOut(
        region=region,
        side=side,
        reason=fields.text("reason") or "ruled out",
        layer=fields.one_of("layer", ("muscle", "fat")) or "",
    )
    fields.close(_AVOID_KEYS)
    return avoid


def _distances(fields: Fields) -> tuple[tuple[str, Fraction], ...]:
    inner = fields.inside("distance_mm")
    if inner is None:
        return ()
    names = {site.name for site in load_sites()}
    found = []
    for name in names:
        if inner.has(name):
            millimetres = inner.number(name, above=0)
            if millimetres is not None and millimetres > 200:
                inner.fail(name, f'read "{millimetres}", expected at most 200 mm from skin to muscle')
            if millimetres is not None:
                found.append((name, millimetres))
    inner.close(frozenset(names))
    return tuple(sorted(found))


def _bleeding(fields: Fields) -> BleedingRisk | None:
    value = fields.take("bleeding_risk")
    if value is None:
        return None
    path = fields.at("bleeding_risk")
    if type(value) is not dict:
        return BleedingRisk(reason=checked_text(value, path, 200))
    inner = _object(value, path, fields)
    risk = BleedingRisk(
        reason=inner.need_text("reason"),
        what=inner.text("reading") or "",
        low=inner.number("from"),
        high=inner.number("to"),
    )
    if risk.low is not None and risk.high is not None and risk.high < risk.low:
        inner.fail("to", "the watched range ends below its start")
    inner.close(_BLEEDING_KEYS)
    return risk


def _reading(value: object, path: str, parent: Fields) -> Reading:
    fields = _object(value, path, parent)
    number, unit = reading_value(fields.take("value"), fields.at("value"), fields)
    at = fields.moment("at")
    if at is None:
        fields.fail("at", "missing: a reading counts from its time")
    reading = Reading(what=fields.need_text("what"), value=number, unit=unit, at=at)
    fields.close(_READING_KEYS)
    return reading


def _zone(fields: Fields, *, recorded: bool) -> ZoneInfo | None:
    """The time zone of the place, by its name in the published list."""
    name = fields.text("zone")
    if name is None:
        return None
    try:
        return ZoneInfo(name) if recorded else listed_zone(name)
    except (KeyError, ValueError, OSError):
        fields.fail("zone", f'read "{shown(name)}", which is no time zone. Write such as Europe/London')


# --- other orders, and what was given before ---------------------------------------------------------------------


def _open_order(value: object, path: str, parent: Fields, medicine: Medicine) -> OpenOrder:
    fields = _object(value, path, parent)
    name = fields.need_text("medicine")
    order = OpenOrder(
        medicine=name,
        amount=fields.quantity(
            "amount", *DOSES, forms=forms_of(medicine.equivalences) if name == medicine.name else None
        ),
        doses_per_day=fields.whole("doses_per_day", least=1, most=1440),
        words=fields.text("words") or "",
    )
    fields.close(_OPEN_KEYS)
    return order


_KNOWN_PAST: dict[tuple[object, ...], PastDose] = {}
_MOST_KNOWN = 20_000


def _past(value: object, path: str, parent: Fields, medicine: Medicine, now: datetime) -> PastDose:
    """One line of history, which comes again with every plan: one that is written the same, types too, is read once."""
    forms = forms_of(medicine.equivalences)
    try:
        written = value.items()  # type: ignore[attr-defined]
        if "place_mm" in value:  # type: ignore[operator]
            written = ((name, tuple(one)) if name == "place_mm" else (name, one) for name, one in written)
        key = (medicine.name, forms, parent.notation, *((name, type(one), one) for name, one in written))
        past = _KNOWN_PAST.get(key)
    except (AttributeError, TypeError):
        key, past = (), None
    if past is None:
        before = len(parent.notes)
        past = _read_past(value, path, parent, medicine.name, forms)
        if key and len(parent.notes) == before:
            if len(_KNOWN_PAST) >= _MOST_KNOWN:
                _KNOWN_PAST.clear()
            _KNOWN_PAST[key] = past
    if past.at > now:
        raise FieldError(f"{path}.at", f"read {past.at.isoformat()}, after now ({now.isoformat()})")
    return past


def _read_past(value: object, path: str, parent: Fields, medicine: str, forms: tuple[str, ...]) -> PastDose:
    fields = _object(value, path, parent)
    name = fields.need_text("medicine")
    at = fields.moment("at")
    if at is None:
        fields.fail("at", "missing: an earlier dose has its time")
    places = read_places(fields, at)
    # What another medicine declares is not in this request.
    own_forms = forms if name == medicine else None
    return PastDose(
        medicine=name,
        at=at,
        kind=fields.one_of("kind", PAST_KINDS) or "given",
        amount=fields.quantity("amount", *DOSES, forms=own_forms),
        ordered=fields.quantity("ordered", *DOSES, forms=own_forms),
        places=places,
        planned=fields.moment("planned"),
        live=bool(fields.truth("live")),
        another_order=bool(fields.truth("another_order")),
    )


# --- what is in the hand, and the clinician's own word ------------------------------------------------------------


def _containers(fields: Fields, now: datetime) -> tuple[Container, ...]:
    value = fields.take("container")
    if value is None:
        return ()
    if type(value) is list:
        return fields.items("container", lambda one, path: _container(one, path, fields, now), most=200) or ()
    return (_container(value, fields.at("container"), fields, now),)


def _container(value: object, path: str, parent: Fields, now: datetime) -> Container:
    fields = _object(value, path, parent)
    code = fields.take("code")
    gtin, batch, expiry = fields.text("gtin"), fields.text("batch"), fields.day("expiry_date")
    problems: tuple[str, ...] = ()
    if code is not None:
        if not isinstance(code, str):
            fields.fail("code", f"read {shown(code)}, expected the scanned text")
        scan = read_code(code, today=now.date())
        gtin, batch, expiry = gtin or scan.gtin, batch or scan.batch, expiry or scan.expiry_date
        problems = () if scan.accepted else scan.problems
    opened, is_open = _opened(fields)
    gtin = gtin.rjust(14, "0") if gtin else None
    known = fields.inside("known_as")
    other = read_medicine(known) if known is not None else None
    container = Container(
        gtin=gtin,
        batch=batch,
        expiry_date=expiry,
        opened=opened,
        is_open=is_open,
        quarantined=_quarantined(fields),
        session_ends=fields.moment("session_ends"),
        problems=problems,
        role=fields.one_of("role", _ROLES) or "medicine",
        name=fields.text("name") or "",
        formulary_medicine=other,
        formulary_pack=next((pack for pack in other.presentations if pack.gtin == gtin), None) if other else None,
    )
    fields.close(_CONTAINER_KEYS)
    return container


def _opened(fields: Fields) -> tuple[datetime | None, bool]:
    """When it was opened; `true` where it was, and nobody wrote when."""
    value = fields.take("opened")
    if value is None or value is False:
        return None, False
    if value is True:
        return None, True
    return moment_of(value, fields.at("opened")), True


def _quarantined(fields: Fields) -> str | None:
    value = fields.take("quarantined")
    if value is None or value is False:
        return None
    return "no reason written" if value is True else checked_text(value, fields.at("quarantined"), 200)


def _choice(fields: Fields, medicine: Medicine) -> Choice:
    inner = fields.inside("choose")
    if inner is None:
        return Choice()
    barrel = inner.inside("barrel")
    choice = Choice(
        presentation=inner.whole("presentation", most=len(medicine.presentations) - 1),
        barrel=_barrel(barrel) if barrel is not None else None,
        site=inner.text("site"),
        side=inner.one_of("side", SIDES),
        point=inner.text("point"),
        needle=needle_of(inner.inside("needle")),
        larger_arm=inner.truth("larger_arm") is True,
    )
    inner.close(_CHOICE_KEYS)
    return choice


def _accepted(value: object, path: str, parent: Fields) -> Accepted:
    fields = _object(value, path, parent)
    code = fields.need_text("code")
    if code not in CODES:
        fields.fail("code", f'read "{shown(code)}", which is no finding. See docs/findings.md')
    accepted = Accepted(code=code, reason=fields.need_text("reason"), message=fields.text("message", longest=1000))
    fields.close(_ACCEPTED_KEYS)
    return accepted
