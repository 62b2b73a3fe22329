"""`drawup chart` and `drawup trace`."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any
from zoneinfo import ZoneInfo

import click

from drawup.cli.due import contact_text
from drawup.cli.edge import clock, echo_json, idle, json_option, open_record, person_line, place_zone, show, told
from drawup.cli.main import Desk
from drawup.cli.ordering import dose_words, safe_amount, when_words
from drawup.cli.registering import allergy_words
from drawup.cli.watching import ended_words, look_words


@click.command(epilog="Example: drawup chart 0001   or, what wants review:   drawup chart --review")
@click.argument("patient", required=False)
@click.option(
    "--review", "for_review", is_flag=True, help="Entries of all patients that somebody should look at again."
)
@click.option(
    "--near-misses", is_flag=True, help="What was caught before giving, and what was overridden: counted without blame."
)
@json_option
@click.pass_obj
@told
def chart(desk: Desk, patient: str | None, for_review: bool, near_misses: bool, as_json: bool) -> None:
    """One PATIENT's whole record: what is known, orders, and every entry with its corrections, both readable."""
    from drawup.service import tracing

    if (patient is not None) + for_review + near_misses != 1:
        raise ValueError("name a patient, or --review, or --near-misses: one of them")
    with open_record(desk, read_only=True) as store:
        if for_review:
            _show_review(tracing.review(store), as_json)
        elif near_misses:
            missed = tracing.near_misses(store)
            _show_near_misses(missed, place_zone(store) if missed["latest"] else None, as_json)
        else:
            found = tracing.chart(store, str(patient))
            echo_json(found) if as_json else show("\n".join(_chart_lines(found, place_zone(store))))


def _chart_lines(found: Mapping[str, Any], zone: ZoneInfo) -> list[str]:
    lines = [person_line(found), f"  Allergies   {allergy_words(found['allergies'])}"]
    for key in ("weight", "height"):
        if found[key]:
            lines.append(
                f"  {key.capitalize():<11} {safe_amount(found[key]['value'])}, {found[key]['how']} {found[key]['on']}"
            )
    for one in found["readings"][-3:]:
        lines.append(f"  Reading     {one['what']} {one['value']}, {clock(one['at'])}")
    for one in found["consents"]:
        lines.append(f"  Consent     {one['text']}, {clock(one['at'])}")
    lines += [f"  Answered    {words}" for words in _answers(found["answers"], zone)]
    for key in ("place", "note"):
        if found["person"].get(key):
            lines.append(f"  {key.capitalize():<11} {found['person'][key]}")
    for one in found["ruled_out"]:
        side = f"{one['side']} " if one.get("side") else ""
        lines.append(f"  Not to use  {side}{one['region']}: {one['reason']}")
    if found["bleeding_risk"]:
        lines.append(f"  Bleeding    {found['bleeding_risk']['reason']}")
    for one in found["on_the_skin"]:
        size = f" of {one['size_mm']} mm" if one.get("size_mm") else ""
        lines.append(f"  On the skin {one['kind']}{size}, {_where(one)}, seen {one['seen']}; its points are shut")
    lines.append("  Orders")
    for held in found["orders"]:
        rule = held["order"]
        ended = f"   stopped {held['stopped']}" if "stopped" in held else ""
        ended += f"   replaced by {held['replaced_by']}" if "replaced_by" in held else ""
        if "signed" in held:
            signed = held["signed"]
            why = f": {signed['words']}" if signed.get("words") else ""
            ended += f"   signed {clock(signed['at'], zone)} by {signed['by']}{why}"
        when = f", {when_words(rule)}" if when_words(rule) else ""
        lines.append(f"    {held['id']}  {rule['medicine']} {dose_words(rule)} {rule.get('route', '')}{when}{ended}")
    for one in found["contacts"]:
        lines.append(f"  Contact     order {one['order']}: {contact_text(one)}")
    for one in found["drawn_up"]:
        lines.append(f"  Drawn up    {_drawn_words(one)}")
    lines.append("  Entries")
    for entry in found["entries"]:
        lines += _entry_lines(entry, zone)
    return lines


def _answers(answers: Sequence[Mapping[str, Any]], zone: ZoneInfo) -> list[str]:
    """The questions of the last day on which any was answered; one that was answered twice stands there twice."""
    last = _day(answers[-1], zone) if answers else ""
    return [
        f"{one['question']}: {one['answer']}{' (' + one['words'] + ')' if one.get('words') else ''}, "
        f"{clock(one['at'], zone)} by {one['by']}"
        for one in answers
        if _day(one, zone) == last
    ]


def _day(answer: Mapping[str, Any], zone: ZoneInfo) -> str:
    return clock(answer["at"], zone)[:10]


def _entry_lines(entry: Mapping[str, Any], zone: ZoneInfo) -> list[str]:
    mark = "  NO LONGER COUNTS" if entry["void"] else ""
    lines = [f"    {entry['entry']}  {_body_words(entry['kind'], entry['body'])}{mark}"]
    if entry["first_written"] is not None and entry["first_written"] != entry["body"]:
        lines.append(f"        first written: {_body_words(entry['kind'], entry['first_written'])}")
    for correction in entry["corrections"]:
        moved = f", belongs to patient {correction['belongs_to']}" if correction.get("belongs_to") else ""
        when = clock(correction["recorded_at"], zone)
        lines.append(f"        corrected {when} by {correction['by']}: {correction['reason']}{moved}")
    if entry["body"].get("note"):
        lines.append(f"        note: {entry['body']['note']}")
    lines += [f"        {words}" for words in (*_planned_words(entry["body"]), *_after_words(entry))]
    for found in entry["body"].get("findings", ()):
        if found["code"] in entry["body"].get("review", ()):
            lines.append(f"        for review: {found['message']}")
    return lines


# Reasons given for giving a dose at another time than it was planned for, by how their codes begin.
_ABOUT_TIME = ("dose-early", "dose-late", "given-recently", "plan-changed", "too-soon")


def _planned_words(body: Mapping[str, Any]) -> list[str]:
    """What it was planned for, where it was given early or late, and why then."""
    planned = body.get("planned")
    if planned is None or planned["state"] == "due":
        return []
    reasons = [
        found["accepted"]
        for found in body.get("findings", ())
        if found.get("accepted") and found["code"].startswith(_ABOUT_TIME)
    ]
    why = f": {'; '.join(reasons)}" if reasons else ""
    return [f"planned for {clock(planned['planned']).removesuffix(' 00:00')}, {planned['state']}{why}"]


def _after_words(entry: Mapping[str, Any]) -> list[str]:
    """What came after it: the next try and who was told, what was seen, who ended the watch, and whether it helped."""
    body, lines = entry["body"], []
    if body.get("told"):
        lines.append(f"told: {body['told']}")
    if body.get("next_try"):
        lines.append(f"next try {clock(body['next_try'])}")
    lines += [f"watched {look_words(look)}" for look in entry["looks"]]
    if entry["watch_ended"]:
        lines.append(f"watch ended {ended_words(entry['watch_ended'])}")
    elif body.get("watch", {}).get("signed") and not entry["void"]:
        lines.append(f"watched until {clock(body['watch']['until'])}; nobody has signed its end")
    effect = entry["effect"]
    for said in [*effect.get("before", ()), effect] if effect else ():
        words = f": {said['words']}" if said["words"] else ""
        lines.append(f"helped: {said['helped']}, {clock(said['at'])} by {said['by']}{words}")
    return lines


def _drawn_words(one: Mapping[str, Any]) -> str:
    """What was drawn up for which order, from what, and whether it still stands open."""
    batches = ", ".join(f"{box['count']} x batch {box['batch']}" for box in one["containers"])
    what = f"{clock(one['at'])} {one['medicine']}, order {one['order']}, from {batches} by {one['by']}"
    if "set_aside" in one:
        return f"{what}: set aside, {one['words']}"
    return f"{what}: NOT YET GIVEN OR SET ASIDE" if one["open"] else what


def _body_words(kind: str, body: Mapping[str, Any]) -> str:
    words = [clock(body["at"]), kind]
    if kind == "inspection":
        size = f", {body['size_mm']} mm" if body.get("size_mm") else ""
        return " ".join([*words, f"{body['kind']}{size} at the {_where(body)}", f"by {body['by']}"])
    words += [word for word in (safe_amount(body.get("amount")), str(body.get("medicine") or "")) if word]
    if kind == "not given":
        return " ".join([*words, f"({body['reason']}) {body['words']}".strip(), f"by {body['by']}"])
    places = [_where(one) for one in body.get("injections", ()) if one.get("site")]
    if places:
        words.append("into " + " and ".join(places))
    batches = [f"{one['count']} x batch {one['batch']}" for one in body.get("containers", ())]
    if batches:
        words.append("from " + ", ".join(batches))
    checked = f", checked by {body['checked_by']}" if body.get("checked_by") else ""
    return " ".join([*words, f"by {body.get('given_by') or body.get('by', 'nobody named')}{checked}"])


def _where(place: Mapping[str, Any]) -> str:
    """Side, site and point: "left deltoid B2"."""
    mm = place.get("place_mm")
    point = place.get("point") or (f"{mm[0]} mm outward, {mm[1]} mm down" if mm else None)
    words = (place.get("side"), place["site"], point)
    return " ".join(word for word in words if word)


def _show_review(found: list[dict[str, Any]], as_json: bool) -> None:
    if as_json:
        echo_json(found)
        return
    for one in found:
        click.echo(f"{one['entry']}  {one['name']}  {one['medicine']}  {clock(one['at'])}")
        for why in one["why"]:
            click.echo(f"    {why}")
    if not found:
        click.echo("Nothing wants review.")


def _month_words(codes: Mapping[str, Mapping[str, int]]) -> str:
    """What came of the findings of one month: "2 caught, 5 overridden"."""
    sums = {name: sum(one[name] for one in codes.values()) for name in ("caught", "obeyed", "overridden")}
    return ", ".join(f"{count} {name}" for name, count in sums.items() if count)


def _show_near_misses(found: Mapping[str, Any], zone: ZoneInfo | None, as_json: bool) -> None:
    if as_json:
        echo_json(found)
        return
    click.echo(f"{found['count']} caught before giving")
    for code, count in found["by_code"].items():
        click.echo(f"    {count:>4}  {code}")
    if found["overridden"]:
        told = [f"{code} {one['overridden']} of {one['of']}" for code, one in found["overridden"].items()]
        show(f"Answered with a reason, or given all the same: {', '.join(told)}")
    if found["reported"]:
        show(f"For whoever keeps the formulary, answered in more than nine of ten: {', '.join(found['reported'])}")
    if found["by_month"]:
        months = [f"{month} {_month_words(codes)}" for month, codes in found["by_month"].items()]
        show(f"By month: {'; '.join(months)}")
    for one in found["latest"]:
        show(f"  {clock(one['at'], zone)}  patient {one['patient']}, order {one['order']}: {one['message']}")


@click.command(epilog="Example: drawup trace --batch QX118   or   drawup trace --patient 0001")
@click.option("--batch", metavar="BATCH", help="Every patient who received this batch.")
@click.option("--code", "gtin", metavar="GTIN", help="The pack, where two makers have the same batch number.")
@click.option("--patient", metavar="PATIENT", help="Every batch that went into this patient.")
@json_option
@click.pass_obj
@told
def trace(desk: Desk, batch: str | None, gtin: str | None, patient: str | None, as_json: bool) -> None:
    """A batch to its patients, or a patient to their batches, as the entries stand after corrections."""
    from drawup.service import tracing

    if (batch is None) == (patient is None):
        raise ValueError("name either a batch or a patient: --batch BATCH, --patient PATIENT")
    if batch is None:
        idle({"--code": gtin}, "only with --batch, to tell two packs of the same batch number apart")
    with open_record(desk, read_only=True) as store:
        if batch is not None:
            found = tracing.trace_batch(store, batch, gtin=None if gtin is None else gtin.rjust(14, "0"))
            unknown = "" if found else tracing.unknown_batch(store, batch)
        else:
            found, unknown = tracing.trace_patient(store, str(patient)), ""
    if as_json:
        echo_json(found)
        return
    people = len({one["patient"] for one in found}) if batch is not None else 1
    click.echo(f"Batch {batch}: {people} patient{'' if people == 1 else 's'}" if batch else f"Patient {patient}")
    for one in found:
        when = clock(one["at"])
        if batch is not None:
            corrected = "   corrected" if one["corrected"] else ""
            click.echo(
                f"  {one['patient']}  {one['name']}   born {one['born']}   {when}   {one['kind']}   "
                f"{one['containers']} of it   entry {one['entry']}{corrected}"
            )
        else:
            click.echo(
                f"  {when}   {one['kind']}   {one['name']}   {one['count']} x {one['batch']}   entry {one['entry']}"
            )
    if not found:
        click.echo(f"  none{unknown and '. '}{unknown}")
