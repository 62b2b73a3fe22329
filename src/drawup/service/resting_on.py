"""What an order rests on: a kept authority is not typed away, and nobody signs for another without a word."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from drawup.exchange.reader import shown
from drawup.service.due import follows_something
from drawup.service.errors import UseCaseError
from drawup.service.state import Reading

# What a typed order may say beside what its authority allows: its own days, and words.
_BESIDE = ("start", "stop", "prescriber", "indication", "copied_by", "read_back_by", "unclear")
_MOST_NAMED = 5


def check_kept_authority(reading: Reading, patient: str, order: Mapping[str, Any]) -> None:
    """An authority that is kept is used in a session under it, so that its limits cannot be typed away.

    `order`: as it is kept. Typed as a session would make it, it is taken.
    """
    terms = order.get("authority")
    reference = terms.get("reference") if isinstance(terms, Mapping) else None
    kept = _kept_under(reading, reference) if reference else None
    if kept is None:
        return
    wanted = {"authority": kept["authority"], **made_once(kept["order"])}
    typed = {key: one for key, one in order.items() if key in wanted or key not in _BESIDE}
    changed = [one.partition(":")[0] for one in order_changes(wanted, typed)]
    if changed:
        raise UseCaseError(
            f"{shown(kept['authority']['reference'])} is kept here: accept the patient in a session under it: drawup "
            f"session accept SESSION {patient} --by NAME. The order as typed is not the kept one: "
            f"{', '.join(changed[:_MOST_NAMED])}"
        )


def _kept_under(reading: Reading, reference: str) -> Mapping[str, Any] | None:
    """The newest version of the authority of this reference, however its letters and spaces were typed."""
    facts = reading.find(f"authority:{reference}") if reference.isprintable() else ()
    if not facts:
        every = reading.find("authorities")
        facts = tuple(one for one in every if _folded(one.body["authority"]["reference"]) == _folded(reference))
    return facts[-1].body if facts else None


def _folded(reference: str) -> str:
    return "".join(reference.split()).casefold()


def made_once(rule: Mapping[str, Any]) -> dict[str, Any]:
    """The order that an authority allows: for one dose where it says nothing of when."""
    said = any(key in rule for key in ("stop", "schedule", "times"))
    return dict(rule) if said else {**rule, "schedule": {"once": True}}


def order_changes(before: Mapping[str, Any], after: Mapping[str, Any]) -> list[str]:
    """What differs between two orders, a line each: "dose.amount: 75 mg, now 100 mg"."""
    old, new = _flat(before), _flat(after)
    return [
        f"{key}: {old.get(key, 'nothing')}, now {new.get(key, 'nothing')}"
        for key in dict.fromkeys((*old, *new))
        if old.get(key) != new.get(key)
    ]


def _flat(value: Any, path: str = "") -> dict[str, str]:
    if isinstance(value, Mapping):
        return {
            name: text
            for key, one in value.items()
            for name, text in _flat(one, f"{path}.{key}" if path else key).items()
        }
    if isinstance(value, list):
        listed = enumerate(value, start=1)
        return {name: text for index, one in listed for name, text in _flat(one, f"{path} {index}").items()}
    return {path: str(value)}


# --- signed -------------------------------------------------------------------------------------------------------


def check_signer(held: Mapping[str, Any], by: str, words: str) -> None:
    """What has to follow an order is done by its prescriber; by anybody else only with words why."""
    rule = held["order"]
    if not follows_something(held):
        raise UseCaseError(f'nothing has to follow order "{held["id"]}": there is nothing to sign')
    if words.strip():
        return
    name, prescriber = _one_name(by), _one_name(rule.get("prescriber") or "")
    entered = "" if name == prescriber else held.get("by") or ""
    if name in [_one_name(one) for one in (rule.get("copied_by"), rule.get("read_back_by"), entered) if one]:
        raise UseCaseError(
            f"{by} wrote this order down, and does not stand for it alone. Say why all the same: --words"
        )
    if prescriber and name != prescriber:
        raise UseCaseError(f"the order is by {rule['prescriber']}. Say why {by} signs in their place: --words")
    terms = rule["authority"]
    if not prescriber and "spoken order" in (terms, terms["kind"] if isinstance(terms, Mapping) else ""):
        raise UseCaseError(f"nobody is written down whose order it is. Say why {by} signs it: --words")


def _one_name(text: str) -> str:
    """The name without what stands after it, however it is dotted: "Dr. Ada Brill, ward 3" is Dr Ada Brill."""
    return " ".join(re.split(r"[,(;]", text)[0].replace(".", " ").split()).casefold()
