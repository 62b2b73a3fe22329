"""`drawup due` and `drawup handover`."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import click

from drawup.cli.edge import clock, echo_json, json_option, moment, open_record, show, told
from drawup.cli.main import Desk

if TYPE_CHECKING:
    from drawup.record.store import Store

_place_option = click.option("--place", default="", metavar="PLACE", help="Only this ward, clinic or round.")
_SHOW_BAR_FROM = 200


def progress_bar(patients: Iterable[str], count: int) -> Iterator[str]:
    """A bar on a terminal while a long list is worked out for the first time."""
    if count < _SHOW_BAR_FROM or not sys.stderr.isatty():
        yield from patients
        return
    with click.progressbar(patients, length=count, label="Working out the list", file=sys.stderr) as bar:
        yield from bar


@click.command(epilog="Example: drawup due --place 'Northshore Round' --hours 8")
@_place_option
@click.option("--hours", type=click.IntRange(0, 24 * 366), metavar="N", help="Only what may be given within N hours.")
@click.option("--all", "everything", is_flag=True, help="Also orders on which nothing more comes.")
@click.option("--afresh", is_flag=True, help="Work the whole list out from the record, whatever lies beside it.")
@click.option("--at", metavar="TIME", help="As it stands at another time than now.")
@json_option
@click.pass_obj
@told
def due(
    desk: Desk, place: str, hours: int | None, everything: bool, afresh: bool, at: str | None, as_json: bool
) -> None:
    """Who is due for what, when, and what stands in the way: the most urgent first.

    The list is kept in a file beside the record and brought up to date each time; a plan never rests on it.
    """
    from drawup.service.due import DueBook, due_list
    from drawup.service.entries import check_words

    check_words(place=place)
    with open_record(desk, read_only=True) as store:
        now = moment(at, store, desk)
        book = DueBook(store, keep=at is None, afresh=afresh)
        until = None if hours is None else now + timedelta(hours=hours)
        lines = due_list(book, store, now=now, place=place, until=until, everything=everything, progress=progress_bar)
        book.close()
        if not lines:
            _check_place(store, place)
    if as_json:
        echo_json({"now": now.isoformat(), "lines": lines})
        return
    show("\n".join(due_text(lines, now)) or "Nothing is due.")


def _check_place(store: Store, place: str) -> None:
    """Refuse a place where nobody is: it is misspelt, and "nothing is due" would be a dangerous answer."""
    known = {str(fact.body.get("place") or "") for fact in store.find("patients")}
    if not any(place.casefold() in one.casefold() for one in known):
        raise ValueError(f'nobody is at "{place}". Known: {", ".join(sorted(one for one in known if one)) or "none"}')


_HEADINGS = {
    "missed": "MISSED",
    "late": "LATE",
    "due": "DUE NOW",
    "early": "LATER",
    "when needed": "WHEN NEEDED",
    "unknown": "NO TIMES THAT CAN BE COUNTED BY",
    "ended": "NOTHING MORE COMES",
}


def due_text(lines: Sequence[Mapping[str, Any]], now: datetime) -> list[str]:
    """The list for a person, under a heading for each state."""
    found: list[str] = []
    state = ""
    for line in lines:
        if line["state"] != state:
            state = line["state"]
            found += [*([""] if found else []), _HEADINGS[state]]
        found += line_text(line, now)
    return found


def line_text(line: Mapping[str, Any], now: datetime) -> list[str]:
    """One line: who, what, when, and what stands in the way."""
    from drawup.injection.medicine import ROUTE_WORDS

    identifiers = ", ".join(line["identifiers"]) or "no other identifier"
    route = ROUTE_WORDS.get(line["route"] or "", "route not named")
    found = [
        f"  {line['name']}   born {line['born']}   {identifiers}",
        f"      {line['medicine']} {line['dose']} {route}   order {line['order']}",
        f"      {when_text(line, now)}",
    ]
    if line["alike"]:
        found.append(f"      Take care: {line['alike']}.")
    if line["contact"]:
        found.append(f"      {contact_text(line['contact'])}")
    for one in line["findings"]:
        found.append(f"      {_WORDS[one['severity']]}: {one['message']}")
    return found


_WORDS = {
    "stop": "Do not give",
    "confirm": "Prescriber must confirm",
    "ask": "Your reason needed",
    "note": "Good to know",
}


def contact_text(contact: Mapping[str, Any]) -> str:
    """The last contact: what came of it, by whom, and when the next try is."""
    next_try = f"; next try {clock(contact['next_try'])}" if contact.get("next_try") else ""
    words = f" ({contact['words']})" if contact.get("words") else ""
    return f"{clock(contact['at'])} {contact['outcome']}{words}, by {contact['by']}{next_try}"


def when_text(line: Mapping[str, Any], now: datetime) -> str:
    """When it is planned for, until when it is given plainly, and why."""
    planned = line["due"]
    if planned is None:
        ended = str(line["ended"])
        return f"{ended[:1].upper()}{ended[1:]}."
    zone = ZoneInfo(line["zone"])
    whole = planned["whole_days"]
    if planned["when_needed"]:
        return f"{_first(planned, zone, now)}{planned['because']}"
    words = [f"planned {planned['day'] if whole else _clock(planned['planned'], zone)}"]
    if line["state"] == "early":
        words.append(f"from {_day(planned['opens'], zone) if whole else _clock(planned['opens'], zone)}")
    if planned["closes"]:
        last = datetime.fromisoformat(planned["closes"]) - timedelta(microseconds=1)
        words.append(f"until {last.astimezone(zone).date() if whole else _clock(last.isoformat(), zone)}")
    return f"{', '.join(words)}   ({planned['because']})"


def _first(planned: Mapping[str, Any], zone: ZoneInfo, now: datetime) -> str:
    opens = datetime.fromisoformat(planned["opens"])
    return f"from {_clock(planned['opens'], zone)}: " if opens > now.astimezone(UTC) else "may be given now: "


def _clock(text: str, zone: ZoneInfo) -> str:
    return datetime.fromisoformat(text).astimezone(zone).strftime("%Y-%m-%d %H:%M")


def _day(text: str, zone: ZoneInfo) -> str:
    """A day, with its time where it does not begin with the day."""
    moment = datetime.fromisoformat(text).astimezone(zone)
    return f"{moment:%Y-%m-%d %H:%M}".removesuffix(" 00:00")


@click.command(epilog="Example: drawup handover --place 'Kelp Ward'")
@_place_option
@click.option(
    "--hours", type=click.IntRange(1, 24 * 14), default=12, show_default=True, metavar="N", help="How far ahead."
)
@click.option("--at", metavar="TIME", help="As it stands at another time than now.")
@json_option
@click.pass_obj
@told
def handover(desk: Desk, place: str, hours: int, at: str | None, as_json: bool) -> None:
    """What the next person must know of a place: being watched, half done, late, next, and what waits for somebody."""
    from drawup.service.entries import check_words
    from drawup.service.handing_over import handed_over

    check_words(place=place)
    with open_record(desk, read_only=True) as store:
        now = moment(at, store, desk)
        found = handed_over(store, now=now, place=place, ahead=timedelta(hours=hours), keep=at is None)
        if not any(found[key] for key in ("watched", "half_done", "waiting", "late", "next")):
            _check_place(store, place)
    if as_json:
        echo_json(found)
        return
    show("\n".join(_handover_text(found, now)))


_PARTS = (
    ("watched", "BEING WATCHED"),
    ("half_done", "HALF DONE"),
    ("waiting", "WAITS FOR SOMEBODY"),
)


def _handover_text(found: Mapping[str, Any], now: datetime) -> list[str]:
    lines = []
    for key, heading in _PARTS:
        lines += [heading, *(f"  {one['name']}   {one['words']}" for one in found[key] or [])]
        lines += ["" if found[key] else "  nothing", *([""] if not found[key] else [])]
    for key, heading in (("late", "LATE"), ("next", "NEXT")):
        lines.append(heading)
        for one in found[key]:
            lines += line_text(one, now)
        lines += ["" if found[key] else "  nothing", *([] if found[key] else [""])]
    return lines
