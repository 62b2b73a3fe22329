"""What an entry says of the time after the injection: how long to watch for what, when to ask whether it helped."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from typing import Any

from drawup.injection.medicine import Medicine, WatchLimit
from drawup.injection.notation import exact_text
from drawup.injection.order import Order
from drawup.injection.policy import Policy

# What is looked at where nothing but a time is known, and what to do then.
_CONDITION = "condition"
_THEN = "Call for help, treat by local rule, and tell the prescriber."


def follows(medicine: Medicine | None, order: Order | None, policy: Policy, at: datetime) -> dict[str, Any]:
    """What is watched after a dose given at `at`, and from when on it is asked whether a when-needed one helped.

    The label's own watch comes first, then its minutes, then the policy's for every injection. What the label asks for
    is signed by somebody when it ends; the policy's minutes end by themselves.
    """
    body: dict[str, Any] = {}
    watch = medicine.watch if medicine is not None else None
    label_minutes = medicine.watch_minutes if medicine is not None else None
    minutes = policy.watch_minutes if label_minutes is None else label_minutes
    if watch is not None:
        body["watch"] = {
            "what": list(watch.what),
            "every_minutes": int(watch.every.about.total_seconds()) // 60,
            "until": later(at, watch.lasts.about),
            "limits": [_limit(one) for one in watch.limits],
            "then": watch.then,
            "signed": True,
        }
    elif minutes > 0:
        body["watch"] = {
            "what": [_CONDITION],
            "every_minutes": None,
            "until": later(at, timedelta(minutes=minutes)),
            "limits": [],
            "then": _THEN,
            "signed": label_minutes is not None,
        }
    if order is not None and order.schedule is not None and order.schedule.when_needed:
        body["effect_from"] = later(at, timedelta(minutes=policy.effect_minutes))
    return body


def what_follows(body: Mapping[str, Any], entry: str) -> tuple[str, ...]:
    """What the entry leads to, for whoever gave it: until when to watch for what, and when to ask whether it helped."""
    lines = []
    watch = body.get("watch")
    if watch:
        every = f" every {watch['every_minutes']} minutes" if watch["every_minutes"] else ""
        how = f": drawup watch {entry}" if watch["signed"] else ""
        lines.append(f"Watch {', '.join(watch['what'])}{every}, until {watch['until'][11:16]}{how}.")
    if body.get("effect_from"):
        lines.append(f"Ask from {body['effect_from'][11:16]} whether it helped: drawup helped {entry} yes.")
    return tuple(lines)


def later(at: datetime, passed: timedelta) -> str:
    """So much real time later, by the same clock; a change of the clock between the two is counted."""
    return (at.astimezone(UTC) + passed).astimezone(at.tzinfo).isoformat()


def moved_in_time(body: Mapping[str, Any], before: datetime, after: datetime) -> dict[str, Any]:
    """The entry's own later moments where its time is corrected: as long after it as they were.

    The planned moment that it was thought to be for goes: what it was for follows from when it was.
    """
    passed = after - before
    moved = {key: one for key, one in body.items() if key != "planned"}
    if body.get("watch"):
        until = datetime.fromisoformat(body["watch"]["until"])
        moved["watch"] = {**body["watch"], "until": later(until, passed)}
    if body.get("effect_from"):
        moved["effect_from"] = later(datetime.fromisoformat(body["effect_from"]), passed)
    return moved


def planned_of(answer: Mapping[str, Any]) -> dict[str, Any]:
    """The planned moment that a dose of this plan is for, and its window; empty where the order has no times."""
    due = answer.get("due")
    if due is None or due["state"] in ("ended", "when needed") or not due.get("planned"):
        return {}
    return {"planned": {key: due[key] for key in ("planned", "opens", "closes", "state", "because")}}


def _limit(limit: WatchLimit) -> dict[str, Any]:
    numbers = {"below": limit.below, "above": limit.above}
    return {
        "what": limit.what,
        **{key: None if number is None else exact_text(number) for key, number in numbers.items()},
        "unit": limit.unit,
    }
