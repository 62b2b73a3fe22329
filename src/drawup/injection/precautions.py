"""What speaks against this medicine for this patient: allergy, route, strength, second check, bleeding."""

from __future__ import annotations

from collections import Counter

from drawup.injection.dose import latest, reading_text
from drawup.injection.finding import Finding, finding
from drawup.injection.history import PastDose
from drawup.injection.medicine import ROUTE_WORDS, Medicine, Presentation
from drawup.injection.notation import Notation, render_number
from drawup.injection.order import Order, doses_per_day
from drawup.injection.patient import Allergy, Patient, Reading
from drawup.injection.policy import Policy
from drawup.injection.preparation import pack_text
from drawup.injection.quantity import Dimension
from drawup.injection.request import Request
from drawup.injection.rotation import SkinState, on_mark, open_spots
from drawup.injection.site import Place


def check_allergies(patient: Patient, medicine: Medicine, presentation: Presentation | None) -> list[Finding]:
    """Allergies and intolerances against the medicine, its groups, its diluent and what else is in the pack."""
    if patient.allergies is None:
        return [finding("allergy-not-asked")]
    found = []
    for allergy in patient.allergies:
        because = speaks_against(allergy, medicine, presentation)
        if because:
            found.append(finding(_allergy_code(allergy), allergy=allergy.to, medicine=medicine.name, because=because))
    return found


def speaks_against(allergy: Allergy, medicine: Medicine, presentation: Presentation | None) -> str:
    """Why this allergy is one to the medicine; "" where it is not."""
    to = _plain(allergy.to)
    if to == _plain(medicine.name):
        return "is the very medicine ordered"
    for group in medicine.allergy_groups:
        if to == _plain(group):
            return f"belongs to {group}"
    if presentation is None:
        return ""
    for excipient in presentation.excipients:
        if to == _plain(excipient):
            return f"contains {excipient} in this pack"
    mixing = presentation.reconstitution
    if mixing is not None and to in _plain(mixing.diluent):
        return f"is made up with {mixing.diluent}"
    return ""


def _plain(text: str) -> str:
    """A name as it is compared: "Penicillins (rash)", "penicillin allergy" and "penicillin" are one."""
    words = text.casefold().partition("(")[0].strip().removesuffix(" allergy").strip()
    return words.removesuffix("s")


def _allergy_code(allergy: Allergy) -> str:
    if allergy.kind == "intolerance":
        return "intolerance"
    if allergy.status == "unconfirmed":
        return "allergy-unconfirmed"
    return "allergy-mild" if allergy.severity == "mild" else "allergy-serious"


def check_medicine(order: Order, medicine: Medicine, policy: Policy) -> list[Finding]:
    """Route licensed, strength named where it decides, second check."""
    found = []
    if order.medicine.strip().casefold() != medicine.name.casefold():
        difference = f"They differ in the medicine: {medicine.name}, not {order.medicine}."
        found.append(
            finding("medicine-not-ordered", ordered=order.medicine, scanned=medicine.name, difference=difference)
        )
    if order.route is not None and medicine.routes and order.route not in medicine.routes:
        routes = " or ".join(ROUTE_WORDS[route] for route in medicine.routes)
        found.append(
            finding("route-not-licensed", medicine=medicine.name, route=ROUTE_WORDS[order.route], routes=routes)
        )
    if order.strength is None and _strength_decides(order, medicine):
        strengths = ", ".join(pack_text(pack, policy.notation) for pack in medicine.presentations)
        found.append(finding("order-lacks-strength", medicine=medicine.name, strengths=strengths))
    if medicine.second_check or (medicine.second_check is None and _listed(medicine, policy.second_check)):
        why = "its formulary entry says so" if medicine.second_check else "it is on the policy's list"
        found.append(finding("second-check-needed", medicine=medicine.name, why=why))
    return found


def _strength_decides(order: Order, medicine: Medicine) -> bool:
    """A medicine read in units, or a dose ordered as a volume of a medicine with several strengths."""
    if medicine.units_barrel:
        return True
    rule = order.dose
    if rule is None or rule.amount is None or rule.amount.unit.dimension is not Dimension.VOLUME:
        return False
    return len({pack.strength for pack in medicine.presentations}) > 1


def _listed(medicine: Medicine, names: tuple[str, ...]) -> bool:
    if not names:
        return False
    return any(name in names for name in (medicine.name, *medicine.same_group, *medicine.allergy_groups))


def check_bleeding(order: Order, patient: Patient, readings: tuple[Reading, ...], policy: Policy) -> list[Finding]:
    """Bleeding risk before an injection into muscle: the reading with its day; outside its range the prescriber."""
    risk = patient.bleeding
    if risk is None or order.route != "intramuscular":
        return []
    shown = ""
    if risk.what:
        reading = latest(readings, risk.what)
        if reading is None:
            return [finding("bleeding-reading-missing", reason=risk.reason, what=risk.what)]
        value = reading_text(reading, policy.notation)
        low, high = risk.low, risk.high
        if (low is not None and reading.value < low) or (high is not None and reading.value > high):
            span = {
                name: render_number(one, policy.notation) if one is not None else "any"
                for name, one in (("low", low), ("high", high))
            }
            return [finding("bleeding-reading-outside", reason=risk.reason, what=risk.what, value=value, **span)]
        shown = f", {risk.what} {value} on {reading.at.date().isoformat()}"
    press = str(policy.bleeding_press_minutes)
    return [finding("bleeding-risk", reason=risk.reason, reading=shown, press=press)]


def check_marks(patient: Patient, site: str, side: str, notation: Notation) -> list[Finding]:
    """Lumps and the like seen where the injection is to go."""
    found = []
    for mark in patient.marks:
        if mark.site == site and mark.side == side and mark.gone is None:
            size = f" of {render_number(mark.size_mm, notation)} mm" if mark.size_mm is not None else ""
            seen = f", seen {mark.seen.isoformat()}" if mark.seen is not None else ""
            point = f" at point {mark.point}" if mark.point else ""
            found.append(finding("skin-mark", kind=mark.kind, size=size, place=f"{side} {site}{point}", seen=seen))
    return found


def check_lump_move(request: Request, skin: SkinState, places: tuple[Place, ...]) -> list[Finding]:
    """The first dose off a lump that was injected into: asked once for an order, then remembered with its reason.

    Uptake from sound skin was 165 against 131 h.mU/L (Famulla S et al., Diabetes Care 2016).
    """
    lumps = [mark for mark in request.patient.marks if mark.gone is None and "lump" in mark.kind.casefold()]
    if not lumps or not places or request.order.route != "subcutaneous":
        return []
    found = []
    for lump in lumps:
        used = request.history is None or any(
            on_mark(skin, lump, place)
            for past in request.history
            if request.medicine.counts_with(past.medicine)
            for place in past.places
        )
        if used:
            seen = f", seen {lump.seen.isoformat()}" if lump.seen is not None else ""
            found.append(finding("lump-move", kind=f"{lump.kind} at the {lump.side} {lump.site}{seen}", times=_TIMES))
    return found


_SHOWN = 3
# 165 / 131 = 1.2595...
_TIMES = "1.26"


def check_enough_points(
    request: Request, skin: SkinState, sites: tuple[str, ...], blocked: frozenset[tuple[str, str]]
) -> list[Finding]:
    """Too few open points for each to rest, where an order goes under the skin at times of the day."""
    order, schedule = request.order, request.order.schedule
    daily = bool(order.times) or (schedule is not None and bool(schedule.at or schedule.meals))
    if order.route != "subcutaneous" or not daily:
        return []
    return too_few_points(skin, open_spots(skin, sites, blocked), doses_per_day(order))


def too_few_points(skin: SkinState, count: int, per_day: int) -> list[Finding]:
    """The finding that so many points are too few for so many injections a day, where they are."""
    days = skin.wear.rest_days
    if count >= per_day * days:
        return []
    needed = str(per_day * days)
    return [finding("points-too-few", count=str(count), needed=needed, days=str(days), per_day=str(per_day))]


def check_history_places(history: tuple[PastDose, ...] | None, skin: SkinState) -> list[Finding]:
    """Earlier injections that stand twice, or name a point that this skin has not."""
    found = []
    if skin.unknown_points:
        points = ", ".join(sorted(skin.unknown_points)[:5])
        found.append(finding("history-point-unknown", points=points))
    places = [(place.at, place.place, past.medicine) for past in history or () for place in past.places]
    if len(set(places)) == len(places):
        return found
    twice = [
        f"{medicine} on {at.isoformat(sep=' ', timespec='minutes')}".strip()
        for (at, _, medicine), count in Counter(places).items()
        for _ in range(count - 1)
    ]
    more = f" and {len(twice) - _SHOWN} more" if len(twice) > _SHOWN else ""
    found.append(finding("history-repeated", dose=", ".join(twice[:_SHOWN]) + more))
    return found
