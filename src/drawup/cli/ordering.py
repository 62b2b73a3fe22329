"""`drawup order`."""

from __future__ import annotations

from typing import Any

import click

from drawup.cli.edge import (
    answer,
    by_option,
    echo_json,
    finding_text,
    json_option,
    moment,
    open_record,
    read_bytes,
    read_entry,
    show,
    today,
    told,
)
from drawup.cli.main import Desk


@click.group(epilog="Example: drawup order add 0001 order.json")
def order() -> None:
    """Enter, replace, stop and list orders. An order is never edited."""


@order.command("add", epilog="Example: drawup order add 0001 order.json --by 'Dr. Example'")
@click.argument("name", metavar="PATIENT")
@click.argument("file")
@click.option("--replaces", metavar="ORDER", help="The order that this one replaces; what changed is shown.")
@click.option("--copied-by", metavar="NAME", help="Who copied it from paper.")
@click.option("--read-back-by", metavar="NAME", help="Who read it back to the prescriber.")
@click.option("--picture", metavar="FILE", help="A picture of the paper: its name and hash are kept, not the picture.")
@click.option("--unclear", multiple=True, metavar="WORDS", help="What cannot be read in it; the prescriber is asked.")
@by_option
@json_option
@click.pass_obj
@told
def order_add(
    desk: Desk,
    name: str,
    file: str,
    replaces: str | None,
    copied_by: str | None,
    read_back_by: str | None,
    picture: str | None,
    unclear: tuple[str, ...],
    by: str,
    as_json: bool,
) -> None:
    """Enter an order for PATIENT from a JSON or TOML FILE, written as the plan request's `order`.

    Another open order of the same medicine or group is shown beside it.
    """
    from drawup.exchange.answer import finding_json
    from drawup.service.registering import enter_order, found_at_entry
    from drawup.service.resting_on import order_changes
    from drawup.service.state import patient_state

    rule = read_entry(file)
    if not isinstance(rule, dict):
        raise ValueError("expected an object with medicine, route and dose")
    said = {"copied_by": copied_by, "read_back_by": read_back_by, "unclear": list(unclear)}
    rule |= {key: value for key, value in said.items() if value}
    kept = _picture(picture) if picture is not None else None
    with open_record(desk) as store:
        identity = enter_order(store, name, rule, now=desk.clock(), by=by, replaces=replaces, picture=kept)
        found = found_at_entry(store, identity, now=desk.clock())
        orders = patient_state(store, identity.partition(".")[0]).orders
    before = orders[replaces]["order"] if replaces is not None else None
    changed = order_changes(before, orders[identity]["order"]) if before is not None else []
    if as_json:
        document: dict[str, Any] = {"order": identity}
        if replaces is not None:
            document["changed"] = changed
        if found:
            document["findings"] = [finding_json(one) for one in found]
        echo_json(document)
        return
    click.echo(f"Entered as order {identity}.")
    if replaces is not None:
        show("\n".join(["  What changed:", *(f"      {line}" for line in changed or ["nothing"])]))
    for one in found:
        show(finding_text(one))


def _picture(path: str) -> dict[str, str]:
    """The name of a picture of the paper and its SHA-256, by which it can be known again."""
    from hashlib import sha256
    from pathlib import Path

    return {"name": Path(path).name, "sha256": sha256(read_bytes(path, most=50_000_000)).hexdigest()}


@order.command("sign", epilog="Example: drawup order sign 0001.1 --by 'Dr. Example'")
@click.argument("name", metavar="ORDER")
@click.option("--by", required=True, metavar="NAME", help="Who signed, or did what had to follow.")
@click.option("--words", default="", metavar="WORDS", help="Why somebody else than the prescriber signs.")
@click.option("--at", metavar="TIME", help="When; now if left out.")
@json_option
@click.pass_obj
@told
def order_sign(desk: Desk, name: str, by: str, words: str, at: str | None, as_json: bool) -> None:
    """Write down that what had to follow an ORDER was done, such as the signature under a spoken one."""
    from drawup.service.registering import sign_order

    with open_record(desk) as store:
        sign_order(store, name, by=by, at=moment(at, store, desk), now=desk.clock(), words=words)
    answer({"order": name, "signed": by}, f"Order {name} is signed by {by}.", as_json)


@order.command("stop", epilog="Example: drawup order stop 0001.1 --on 2026-03-05 --reason 'course ended'")
@click.argument("name", metavar="ORDER")
@click.option("--on", metavar="DAY", help="The first day on which it no longer holds; today if left out.")
@click.option("--reason", required=True, metavar="WORDS")
@by_option
@json_option
@click.pass_obj
@told
def order_stop(desk: Desk, name: str, on: str | None, reason: str, by: str, as_json: bool) -> None:
    """Stop an ORDER from a day on."""
    from drawup.service.registering import stop_order

    with open_record(desk) as store:
        day = today(store, desk).isoformat() if on is None else on
        stop_order(store, name, on=day, reason=reason, now=desk.clock(), by=by)
    answer({"order": name, "stopped": day}, f"Order {name} is stopped from {day}.", as_json)


@order.command("list", epilog="Example: drawup order list --patient 0001")
@click.option("--patient", "name", required=True, metavar="PATIENT")
@json_option
@click.pass_obj
@told
def order_list(desk: Desk, name: str, as_json: bool) -> None:
    """A patient's orders, open and ended."""
    from drawup.service.state import patient_state

    with open_record(desk, read_only=True) as store:
        state, day = patient_state(store, name), today(store, desk)
    if as_json:
        echo_json(list(state.orders.values()))
        return
    open_now = {held["id"] for held in state.open_orders(day)}
    for held in state.orders.values():
        rule = held["order"]
        word = "open" if held["id"] in open_now else "ended"
        when = when_words(rule)
        route = rule.get("route") or "no route"
        click.echo(f"{held['id']}  {word}  {rule['medicine']}  {route}  {dose_words(rule)}{when and ', '}{when}")


def when_words(rule: dict[str, Any]) -> str:
    """When its doses are to be given, in a few words."""
    from drawup.exchange.schedule_entry import schedule_words

    return schedule_words(rule)


def dose_words(rule: dict[str, Any]) -> str:
    """The ordered dose in a few words, each amount in its safe form."""
    dose = rule.get("dose") or {}
    if dose.get("bands"):
        return f"by bands of {dose.get('by') or 'weight'}"
    if dose.get("steps"):
        return "in steps of " + ", ".join(safe_amount(step["amount"]) for step in dose["steps"])
    words = safe_amount(dose.get("amount")) or "no dose"
    if dose.get("to"):
        words += f" to {safe_amount(dose['to'])}"
    if (dose.get("per") or "dose") != "dose":
        words += f" per {dose['per']}"
    return words + (f", at most {safe_amount(dose['at_most'])}" if dose.get("at_most") else "")


def safe_amount(text: str | None) -> str:
    """An amount of the record in its safe form; what cannot be read is shown as it stands."""
    from drawup.injection.notation import NotationError, parse_quantity, render

    if not text:
        return ""
    try:
        return render(parse_quantity(text, measured=True, body_weight=True, forms=None).quantity)
    except NotationError:
        return text
