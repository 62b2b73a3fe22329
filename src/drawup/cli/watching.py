"""`drawup drawn-up`, `drawup watch`, `drawup helped` and `drawup contact`."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import click

from drawup.cli.edge import clock, echo_json, finding_text, idle, json_option, line, moment, open_record, show, told
from drawup.cli.main import Desk

_at_option = click.option("--at", metavar="TIME", help="When; now if left out.")
_by_needed = click.option("--by", required=True, metavar="NAME", help="Who says so.")
_words_option = click.option("--words", default="", metavar="WORDS", help="More about it.")


def _told_fact(recorded: Any, as_json: bool) -> None:
    """What was written about an entry or an order, and what it led to."""
    body = recorded.fact.body
    if as_json:
        recorded_at = recorded.fact.recorded_at.isoformat()
        document = {"entry": recorded.entry, "kind": recorded.fact.kind, "recorded_at": recorded_at}
        echo_json({**document, "body": body, "lines": list(recorded.lines)})
        return
    about = f"order {body['order']}" if "order" in body else f"entry {recorded.entry}"
    kind = "set aside" if "set_aside" in body else recorded.fact.kind
    what = body.get("outcome") or body.get("helped") or body.get("medicine") or ""
    show(f"Written down of {about}: {kind}{', ' + what if what else ''}, {clock(body['at'])} by {body['by']}.")
    for words in recorded.lines:
        show(f"  {words}")
    for one in body.get("containers", ()):
        show(f"  {one['count']} x {one['name'] or 'unknown'}, batch {one['batch']}, usable to {one['expiry_date']}")
    for found in recorded.findings:
        if found.blocks:
            show(finding_text(found))


@click.command(epilog="Example: drawup drawn-up PLAN --scan batch:QX118 --by 'Petra Example'")
@click.argument("plan")
@click.option("--scan", "scans", multiple=True, metavar="CODE", help="A container it was drawn from, or batch:NUMBER.")
@click.option("--anyway", is_flag=True, help="It was drawn up although something stood in the way.")
@click.option("--set-aside", "aside", metavar="WORDS", help="What was drawn up is thrown away ungiven, and why.")
@_at_option
@_by_needed
@json_option
@click.pass_obj
@told
def drawn_up(
    desk: Desk,
    plan: str,
    scans: tuple[str, ...],
    anyway: bool,
    aside: str | None,
    at: str | None,
    by: str,
    as_json: bool,
) -> None:
    """Record that a PLAN was drawn up, and from which containers. It stands open until it is given or set aside."""
    from drawup.service import watching

    if aside is not None:
        idle({"--scan": scans, "--anyway": anyway}, "not with --set-aside, which writes off what was scanned then")
    with open_record(desk) as store:
        when = moment(at, store, desk)
        if aside is not None:
            recorded = watching.set_aside(store, plan, words=aside, by=by, at=when, now=desk.clock())
        else:
            recorded = watching.drawn_up(store, plan, scans=scans, by=by, at=when, now=desk.clock(), anyway=anyway)
    _told_fact(recorded, as_json)


def _seen(pairs: Sequence[str]) -> dict[str, str]:
    """ "breathing rate=14 per minute" to what was looked at and what was seen."""
    found: dict[str, str] = {}
    for pair in pairs:
        what, equals, text = pair.partition("=")
        if not equals or not what.strip() or not text.strip():
            expected = 'expected what was looked at and what was seen: "breathing rate=14 per minute"'
            raise ValueError(f'read "{pair[:60]}", {expected}')
        if what.strip() in found:
            raise ValueError(f'"{what.strip()[:60]}" stands twice in one look. Write each once')
        found[what.strip()] = text.strip()
    return found


@click.command(epilog="Example: drawup watch 0001-12 --seen 'breathing rate=14 per minute' --by 'Petra Example'")
@click.argument("entry")
@click.option("--seen", "pairs", multiple=True, metavar="WHAT=VALUE", help="What was seen; repeat it for each.")
@click.option("--words", default="", metavar="WORDS", help="More about it, or why the watch ends before its time.")
@click.option("--end", is_flag=True, help="The watch is over: whoever is named signs it.")
@click.option("--by", default="", metavar="NAME", help="Who looked, or who signs.")
@_at_option
@json_option
@click.pass_obj
@told
def watch(
    desk: Desk, entry: str, pairs: tuple[str, ...], words: str, end: bool, by: str, at: str | None, as_json: bool
) -> None:
    """Watch a patient after an injection, by its ENTRY: what was seen, and who signs when it is over.

    Without --seen, --words or --end it shows the watch: what to look at, the limits, and when the next look is due.
    """
    from drawup.service import watching

    writes = bool(pairs or words or end)
    if not writes:
        idle({"--by": by, "--at": at}, "only with what was seen or with the end: --seen, --words, --end")
    with open_record(desk, read_only=not writes) as store:
        when = moment(at, store, desk)
        if not writes:
            shown = watching.watch_of(store, entry, when)
            echo_json(shown) if as_json else show("\n".join(_watch_lines(shown)))
            return
        seen, now = _seen(pairs), desk.clock()
        if end:
            recorded = watching.end_watch(store, entry, seen=seen, words=words, by=by, at=when, now=now)
        else:
            recorded = watching.watched(store, entry, seen=seen, words=words, by=by, at=when, now=now)
    _told_fact(recorded, as_json)


def _watch_lines(shown: Mapping[str, Any]) -> list[str]:
    every = f", every {shown['every_minutes']} minutes" if shown["every_minutes"] else ""
    lines = [
        f"Watch after entry {shown['entry']}: {shown['name']}, {shown['medicine']} given {clock(shown['given_at'])}",
        line("Look at", f"{', '.join(shown['what'])}{every}, until {clock(shown['until'])}"),
    ]
    lines += [line("Limit", limit_words(one)) for one in shown["limits"]]
    lines.append(line("Outside", shown["then"]))
    lines += [line("Seen", look_words(one)) for one in shown["looks"]]
    lines += [line("NOW OUTSIDE", one) for one in shown["outside"]]
    ended = shown["ended"]
    if ended:
        lines.append(line("Ended", ended_words(ended)))
    elif shown["overdue"]:
        lines.append(line("OVERDUE", f"a look was due {clock(shown['next_look'])}"))
    else:
        lines.append(line("Next look", clock(shown["next_look"])))
    return lines


def limit_words(limit: Mapping[str, Any]) -> str:
    """One limit of a watch: "breathing rate below 10 or above 30"."""
    sides = [f"{key} {limit[key]} {limit['unit']}".rstrip() for key in ("below", "above") if limit[key] is not None]
    return f"{limit['what']} {' or '.join(sides)}"


def look_words(look: Mapping[str, Any]) -> str:
    """One look of a watch in a line."""
    seen = [f"{what} {text}" for what, text in look["seen"].items()]
    outside = f"  OUTSIDE: {', '.join(look['outside'])}" if look["outside"] else ""
    return f"{clock(look['at'])} {', '.join([*seen, *filter(None, [look['words']])])}, by {look['by']}{outside}"


def ended_words(ended: Mapping[str, Any]) -> str:
    """Who signed the end of a watch, and why before its time."""
    early = ", before its time" if ended["early"] else ""
    return f"{clock(ended['at'])} by {ended['by']}{early}{': ' + ended['words'] if ended['words'] else ''}"


@click.command(epilog="Example: drawup helped 0001-12 partly --by 'Petra Example'")
@click.argument("entry")
@click.argument("answer")
@_words_option
@_at_option
@_by_needed
@json_option
@click.pass_obj
@told
def helped(desk: Desk, entry: str, answer: str, words: str, at: str | None, by: str, as_json: bool) -> None:
    """Record whether a dose that was given when needed helped, by its ENTRY: ANSWER is yes, partly or no."""
    from drawup.service.watching import helped as record_helped

    with open_record(desk) as store:
        when = moment(at, store, desk)
        recorded = record_helped(store, entry, helped=answer, words=words, by=by, at=when, now=desk.clock())
    _told_fact(recorded, as_json)


@click.command(epilog="Example: drawup contact 0001.1 no answer --next-try '2026-03-03 10:00' --by 'Petra Example'")
@click.argument("order")
@click.argument("outcome", nargs=-1, required=True)
@click.option("--next-try", metavar="TIME", help="When it is tried again.")
@_words_option
@_at_option
@_by_needed
@json_option
@click.pass_obj
@told
def contact(
    desk: Desk,
    order: str,
    outcome: tuple[str, ...],
    next_try: str | None,
    words: str,
    at: str | None,
    by: str,
    as_json: bool,
) -> None:
    """Record a contact about an ORDER, by its OUTCOME: rang, no answer, did not come, left word, came."""
    from drawup.service.watching import contacted

    with open_record(desk) as store:
        recorded = contacted(
            store,
            order,
            outcome=" ".join(outcome),
            words=words,
            next_try=moment(next_try, store, desk) if next_try is not None else None,
            by=by,
            at=moment(at, store, desk),
            now=desk.clock(),
        )
    _told_fact(recorded, as_json)
