"""`drawup given`, `drawup not-given`, `drawup correction` and `drawup inspect`."""

from __future__ import annotations

from typing import Any

import click

from drawup.cli.edge import (
    accepted_reasons,
    by_option,
    clock,
    echo_json,
    finding_text,
    idle,
    json_option,
    moment,
    open_record,
    show,
    told,
)
from drawup.cli.main import Desk
from drawup.cli.ordering import safe_amount

_REASONS = (
    "refused, away, asleep, unwell, reading outside limits, contraindicated today, no checker, given elsewhere, "
    "site unusable, cold chain, not in stock, order unclear, no access, other"
)
_KINDS = "lump, bruise, redness, swelling, hardness, dent, rash, scar, wound, mole, pain, nothing, gone, other"
_scan_option = click.option("--scan", "scans", multiple=True, metavar="CODE", help="A container used, or batch:NUMBER.")
_accept_option = click.option("--accept", "accepts", multiple=True, metavar="CODE=REASON", help="Your reason.")
_place_option = click.option(
    "--place",
    "places",
    multiple=True,
    metavar="'SIDE SITE'",
    help='Where it really went: "right deltoid", "left deltoid B2".',
)


def _places(texts: tuple[str, ...]) -> tuple[dict[str, str], ...]:
    """ "right vastus lateralis B2" to side, site and point."""
    found = []
    for text in texts:
        side, _, rest = text.strip().partition(" ")
        if side not in ("left", "right") or not rest:
            raise ValueError(f'read "{text[:60]}", expected a side and a site such as "right deltoid"')
        site, _, last = rest.rpartition(" ")
        is_point = bool(site) and len(last) <= 3 and last[:1].isupper() and last[1:].isdigit()
        place = {"side": side, "site": site if is_point else rest}
        found.append({**place, "point": last} if is_point else place)
    return tuple(found)


def _told_entry(recorded: Any, as_json: bool) -> None:
    if as_json:
        from drawup.exchange.answer import finding_json

        echo_json(
            {
                "entry": recorded.entry,
                "kind": recorded.fact.kind,
                "recorded_at": recorded.fact.recorded_at.isoformat(),
                "body": recorded.fact.body,
                "findings": [finding_json(found) for found in recorded.findings],
                "lines": list(recorded.lines),
            }
        )
        return
    body = recorded.fact.body
    what = " ".join(word for word in (safe_amount(body.get("amount")), str(body.get("medicine") or "")) if word)
    who = body.get("given_by") or body.get("by") or ""
    checked = f", checked by {body['checked_by']}" if body.get("checked_by") else ""
    when = clock(body["at"]) if body.get("at") else ""
    click.echo(f"Entry {recorded.entry}: {recorded.fact.kind}{', ' + what if what else ''}, {when} by {who}{checked}.")
    for words in recorded.lines:
        show(f"  {words}")
    for one in body.get("injections", ()):
        point = f" point {one['point']}" if one.get("point") else ""
        click.echo(
            f"  {one.get('volume_ml') or body.get('volume_ml') or '?'} mL into the {one['side']} {one['site']}{point}"
        )
    for one in body.get("containers", ()):
        click.echo(
            f"  {one['count']} x {one['name'] or 'unknown'}, batch {one['batch']}, usable to {one['expiry_date']}"
        )
    marks = body.get("review", ())
    for found in recorded.findings:
        # What the plan said is not said again; what the record adds is.
        if found.code in marks or found.accepted:
            show(finding_text(found))


@click.command(epilog="Example: drawup given PLAN --scan batch:QX118 --scan batch:QX118 --given-by 'Petra Example'")
@click.argument("plan", required=False)
@_scan_option
@click.option("--given-by", required=True, metavar="NAME", help="Who gave it.")
@click.option("--prepared-by", default="", metavar="NAME", help="Who prepared it, if another.")
@click.option("--checked-by", default="", metavar="NAME", help="Who checked it alone, where a second check is needed.")
@click.option("--at", metavar="TIME", help="When it was given; now if left out.")
@click.option("--part", "volume", metavar="VOLUME", help='Only a part was given: "0.87 mL".')
@_place_option
@_accept_option
@click.option("--anyway", is_flag=True, help="It was given although something stood in the way: write down the truth.")
@click.option("--twice", is_flag=True, help="The same planned dose was truly given again.")
@click.option("--note", default="", metavar="WORDS")
@click.option("--patient", metavar="PATIENT", help="Without a plan: whom it was given to.")
@click.option("--medicine", metavar="NAME", help="Without a plan: what was given.")
@click.option("--amount", metavar="AMOUNT", help="Without a plan: how much.")
@click.option("--reported", is_flag=True, help="Without a plan: it was given elsewhere, as somebody reports it.")
@json_option
@click.pass_obj
@told
def given(desk: Desk, /, plan: str | None, given_by: str, as_json: bool, **how: Any) -> None:
    """Record what was really given, by the hash of a PLAN and the containers used.

    Every finding is run again on the record as it is now. Something in the way blocks giving, not writing: what
    happened can always be recorded with --anyway, and stands on the list for review. Exit code 5: this planned dose is
    recorded already.
    """
    from drawup.service.recording import Happened, People
    from drawup.service.recording import given as record_given

    if plan is not None:
        without = {f"--{key}": how[key] for key in ("patient", "medicine", "amount", "reported")}
        idle(without, "the plan says that. Name either a plan, or without one what was given to whom")
    with open_record(desk) as store:
        at = moment(how["at"], store, desk)
        if plan is None:
            _told_entry(_without_plan(store, desk, given_by, at, how), as_json)
            return
        people = People(given_by=given_by, prepared_by=how["prepared_by"], checked_by=how["checked_by"])
        happened = Happened(
            at=at,
            anyway=how["anyway"],
            twice=how["twice"],
            volume=how["volume"],
            places=_places(how["places"]),
            note=how["note"],
        )
        recorded = record_given(
            store,
            plan=plan,
            scans=how["scans"],
            people=people,
            happened=happened,
            now=desk.clock(),
            accepted=accepted_reasons(how["accepts"]),
        )
    _told_entry(recorded, as_json)


def _without_plan(store: Any, desk: Desk, given_by: str, at: Any, how: dict[str, Any]) -> Any:
    from drawup.service.otherwise import given_without_plan, reported

    if not how["patient"] or not how["medicine"]:
        raise ValueError("name the plan, or without a plan the patient and the medicine: --patient, --medicine")
    with_plan = {"--part": how["volume"], "--accept": how["accepts"]}
    idle(
        {**with_plan, "--twice": how["twice"]},
        "only with a plan. Without one nothing is checked: write what was really given with --amount",
    )
    if how["reported"]:
        idle({"--scan": how["scans"]}, "only for what was given here; --reported moves no stock")
    body: dict[str, Any] = {"medicine": how["medicine"], "at": at.isoformat(), "given_by": given_by}
    for key in ("amount", "note", "prepared_by", "checked_by"):
        if how[key]:
            body[key] = how[key]
    if how["places"]:
        body["injections"] = list(_places(how["places"]))
    if how["reported"]:
        return reported(store, how["patient"], body, by=given_by, now=desk.clock(), anyway=how["anyway"])
    return given_without_plan(store, how["patient"], body, scans=how["scans"], now=desk.clock(), anyway=how["anyway"])


@click.command(epilog="Example: drawup not-given 0001.1 --reason refused --could-decide yes --by 'Petra Example'")
@click.argument("order")
@click.option("--reason", required=True, metavar="REASON", help=f"One of: {_REASONS}.")
@click.option("--words", default="", metavar="WORDS", help="More about it.")
@click.option("--could-decide", default="", metavar="yes|no", help="With refused: whether the person could decide.")
@click.option("--next-try", metavar="TIME", help="When it is tried again.")
@click.option("--told", "who_was_told", default="", metavar="NAME", help="Who was told.")
@_scan_option
@click.option("--at", metavar="TIME", help="When; now if left out.")
@click.option("--by", required=True, metavar="NAME")
@json_option
@click.pass_obj
@told
def not_given(desk: Desk, /, order: str, reason: str, by: str, as_json: bool, **how: Any) -> None:
    """Record that the next dose of an ORDER was not given, and why. It moves no clock: the dose stays due.

    Says what follows and until when it is due. Containers drawn up are written off: those scanned, or those of the
    syringe that stands drawn up for this dose.
    """
    from drawup.service.not_given import not_given as record_not_given

    with open_record(desk) as store:
        recorded = record_not_given(
            store,
            order=order,
            reason=reason,
            words=how["words"],
            could_decide=how["could_decide"],
            next_try=moment(how["next_try"], store, desk) if how["next_try"] is not None else None,
            told=how["who_was_told"],
            scans=how["scans"],
            by=by,
            at=moment(how["at"], store, desk),
            now=desk.clock(),
        )
    _told_entry(recorded, as_json)


@click.command(
    epilog="Example: drawup correction 0001-12 --reason 'right arm' --place 'right deltoid' --by 'Petra Example'"
)
@click.argument("entry")
@click.option("--reason", required=True, metavar="WORDS")
@_place_option
@_scan_option
@click.option("--volume", metavar="VOLUME", help="How much was really given.")
@click.option("--at", metavar="TIME", help="When it really was.")
@click.option("--belongs-to", metavar="PATIENT", help="It was another patient's: their record gets it, written later.")
@click.option("--void", is_flag=True, help="It did not happen.")
@_accept_option
@click.option("--by", required=True, metavar="NAME")
@json_option
@click.pass_obj
@told
def correction(desk: Desk, /, entry: str, reason: str, by: str, as_json: bool, **what: Any) -> None:
    """Correct an ENTRY by adding to it: what was first written stays readable beside it.

    The planned dose, the stock and the next site follow what is true.
    """
    from drawup.service.correcting import Change, correct

    changes = {"--place": what["places"], "--scan": what["scans"], "--volume": what["volume"], "--at": what["at"]}
    if what["void"]:
        idle({**changes, "--belongs-to": what["belongs_to"]}, "nothing of it is kept beside --void, it did not happen")
    if what["belongs_to"] is not None:
        idle(changes, "moved as it was written with --belongs-to. Correct it afterwards in the other record")
    with open_record(desk) as store:
        change = Change(
            places=_places(what["places"]),
            scans=tuple(what["scans"]),
            volume=what["volume"],
            at=moment(what["at"], store, desk) if what["at"] else None,
            belongs_to=what["belongs_to"],
            void=what["void"],
        )
        recorded = correct(
            store,
            entry=entry,
            change=change,
            reason=reason,
            by=by,
            now=desk.clock(),
            accepted=accepted_reasons(what["accepts"]),
        )
    if as_json:
        _told_entry(recorded, as_json)
        return
    click.echo(f"Entry {entry} is corrected: {reason}")
    if recorded.entry != entry:
        click.echo(f"It stands as entry {recorded.entry} in the other record, each linked to the other.")
    for found in recorded.findings:
        click.echo(finding_text(found))


@click.command(
    epilog="Example: drawup inspect 0001 --place 'right abdominal fat' --kind lump --size 25 --by 'Petra Example'"
)
@click.argument("patient")
@click.option("--place", "place", required=True, metavar="'SIDE SITE'")
@click.option(
    "--kind",
    required=True,
    metavar="WORD",
    help="lump, bruise, redness, swelling, hardness, dent, rash, scar, wound, mole, pain, nothing, gone, other.",
)
@click.option("--size", metavar="MM", help="Its largest size in mm.")
@click.option("--mm", metavar="X,Y", help="Instead of a point: mm outward and downward from the site's landmark.")
@click.option("--how", type=click.Choice(["felt", "seen"]), help="Felt under the skin, or seen.")
@click.option("--words", default="", metavar="WORDS")
@click.option("--at", metavar="TIME", help="When; now if left out.")
@by_option
@json_option
@click.pass_obj
@told
def inspect(
    desk: Desk,
    patient: str,
    place: str,
    kind: str,
    size: str | None,
    mm: str | None,
    how: str | None,
    words: str,
    at: str | None,
    by: str,
    as_json: bool,
) -> None:
    """Record what was seen or felt on a PATIENT's skin."""
    from drawup.service.otherwise import inspected

    body: dict[str, Any] = {**_places((place,))[0], "kind": kind}
    if mm is not None:
        if "point" in body:
            idle({"--mm": mm}, f"stands instead of a point, and --place names {body['point']}. Write one of them")
        body["place_mm"] = [part.strip() for part in mm.split(",")]
    if how is not None:
        body["how"] = how
    if size is not None:
        body["size_mm"] = size
    if words:
        body["words"] = words
    with open_record(desk) as store:
        recorded = inspected(store, patient, body, by=by, at=moment(at, store, desk), now=desk.clock())
    _told_entry(recorded, as_json)
