"""What stands drawn up: neither given nor set aside, and for how long."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from drawup.injection.finding import Finding, finding
from drawup.injection.policy import Policy
from drawup.service.entries import late_text
from drawup.service.state import PatientState


def open_syringes(state: PatientState) -> list[dict[str, Any]]:
    """What is drawn up and was neither given, given in part, written as not given nor set aside since."""
    aside = {one["set_aside"] for one in state.drawn_up if "set_aside" in one}
    ended = ("given", "part given", "not given")
    done: dict[tuple[Any, Any], int] = {}
    for entry in state.entries.values():
        moved = entry.void and "belongs_to" in entry.corrections[-1].body
        if entry.kind in ended and (moved or not entry.void):
            key = (entry.body.get("order"), entry.body.get("dose_number"))
            done[key] = max(entry.number, done.get(key, 0))
    return [
        one
        for one in state.drawn_up
        if "set_aside" not in one
        and one["number"] not in aside
        and one["number"] > done.get((one["order"], one["dose_number"]), 0)
    ]


def check_drawn_up(
    state: PatientState, order: str, dose_number: int, policy: Policy, at: datetime, zone: ZoneInfo
) -> list[Finding]:
    """Whether the syringe that stands drawn up for this very dose was drawn up too long before it is given."""
    found = []
    for one in open_syringes(state):
        drawn = datetime.fromisoformat(one["at"])
        stood = at - drawn
        if (one["order"], one["dose_number"]) == (order, dose_number) and stood > _most(policy):
            found.append(
                finding(
                    "drawn-up-long-ago",
                    at=_clock(drawn, zone),
                    ago=late_text(stood),
                    most=late_text(_most(policy)),
                )
            )
    return found


def check_others(state: PatientState, order: str, plan: str, zone: ZoneInfo) -> list[Finding]:
    """The syringes of the same medicine that stand drawn up by another plan, of this order or of another."""
    medicine = state.orders[order]["order"]["medicine"]
    return [
        finding(
            "syringe-open", medicine=medicine, at=_clock(datetime.fromisoformat(one["at"]), zone), order=one["order"]
        )
        for one in open_syringes(state)
        if one["plan"] != plan and one["medicine"].casefold() == medicine.casefold()
    ]


def _clock(moment: datetime, zone: ZoneInfo) -> str:
    return moment.astimezone(zone).strftime("%Y-%m-%d %H:%M")


def _most(policy: Policy) -> timedelta:
    return timedelta(minutes=policy.syringe_minutes)
