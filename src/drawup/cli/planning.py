"""`drawup plan` and `drawup scan`."""

from __future__ import annotations

import sys
from contextlib import nullcontext
from pathlib import Path
from typing import IO, Any, NoReturn

import click

from drawup.cli.edge import (
    accepted_reasons,
    echo_json,
    finding_text,
    idle,
    json_text,
    line,
    moment,
    open_file,
    open_record,
    person_line,
    place_zone,
    read_entry,
    show,
    told,
)
from drawup.cli.lines import LONGEST_LINE, each_line, line_error
from drawup.cli.main import CAUTION, Desk


@click.command(epilog="Example: drawup plan request.json   or, from the record:   drawup plan --order 0001.1")
@click.argument("file", required=False)
@click.option("--lines", is_flag=True, help="FILE holds one JSON request a line; answer one JSON line each.")
@click.option(
    "--order",
    "orders",
    multiple=True,
    metavar="ORDER",
    help="Plan the next dose of an order of the record, and keep the plan; several at one visit: name each.",
)
@click.option("--scan", "scans", multiple=True, metavar="CODE", help="A container in the hand, or batch:NUMBER.")
@click.option("--accept", "accepts", multiple=True, metavar="CODE=REASON", help="Your reason for a finding.")
@click.option("--dose", metavar="AMOUNT", help="Your choice inside an ordered range.")
@click.option("--site", metavar="SITE", help="Your choice of site.")
@click.option("--side", type=click.Choice(["left", "right"]), help="Your choice of side.")
@click.option("--point", metavar="POINT", help="Your choice of point on the site.")
@click.option("--pack", type=int, metavar="N", help="Your choice of pack, counted from 0 in the formulary's entry.")
@click.option("--larger-arm", is_flag=True, help="The arm is large: take the needle of a very large adult.")
@click.option("--at", metavar="TIME", help="Plan for another time than now.")
@click.option("--json", "as_json", is_flag=True, help="Answer in JSON.")
@click.pass_obj
@told
def plan(
    desk: Desk,
    file: str | None,
    lines: bool,
    orders: tuple[str, ...],
    scans: tuple[str, ...],
    accepts: tuple[str, ...],
    dose: str | None,
    site: str | None,
    side: str | None,
    point: str | None,
    pack: int | None,
    larger_arm: bool,
    at: str | None,
    as_json: bool,
) -> None:
    """From an order to the mark on the barrel, with every number explained.

    With FILE ("-" is standard input) the plan is worked out from one request in JSON or TOML and needs no record. With
    --order it is worked out from the record and kept there; its hash is what `drawup given` takes. Exit code 3: a
    stop. 4: something to confirm, or a reason to give.
    """
    order = orders[0] if orders else None
    if (file is None) == (order is None):
        raise ValueError("name either a request file (- for standard input) or an order of the record: --order ORDER")
    if order is None:
        of_an_order = {"--scan": scans, "--accept": accepts, "--dose": dose, "--site": site, "--side": side}
        idle(
            {
                **of_an_order,
                "--point": point,
                "--pack": None if pack is None else str(pack),
                "--at": at,
                "--larger-arm": larger_arm,
            },
            "only with --order. In a request file write container, accepted, order.dose.chosen, choose or now",
        )
    elif lines:
        raise ValueError("--lines reads requests from a file, or - for standard input, not an order of the record")
    if lines:
        sys.exit(_plan_lines(str(file)))
    if order is not None:
        if len(orders) > 1:
            own: dict[str, object] = {"--scan": scans, "--dose": dose, "--site": site, "--side": side, "--point": point}
            own |= {"--pack": None if pack is None else (str(pack),), "--larger-arm": larger_arm}
            idle(own, "only with one order. Plan the visit first, then each order alone")
            _plan_orders(desk, orders, accepts, at, as_json)
        chosen = {"site": site, "side": side, "point": point, "presentation": pack, "larger_arm": larger_arm or None}
        choose = {key: value for key, value in chosen.items() if value is not None}
        _plan_order(desk, order, scans, accepts, dose, choose, at, as_json)
    else:
        _plan_file(str(file), as_json)


def _plan_file(file: str, as_json: bool) -> None:
    from drawup.exchange.answer import answer, exit_code
    from drawup.exchange.request import read_request
    from drawup.exchange.visit import is_visit
    from drawup.injection.plan import plan_injection

    document = read_entry(file)
    if is_visit(document):
        _plan_visit(document, as_json)
    read = read_request(document)
    made = plan_injection(read.request, policy=read.policy, tables=read.tables)
    if as_json:
        echo_json(answer(made, policy=read.policy, evidence_version=read.tables.version, notes=read.notes))
    else:
        _show(made, read)
    sys.exit(exit_code(made))


def _plan_visit(document: Any, as_json: bool) -> NoReturn:
    """Several injections at one visit, in the order of giving."""
    from drawup.exchange.visit import answer_visit, make_visit, visit_exit_code

    made = make_visit(document)
    if as_json:
        echo_json(answer_visit(made))
    else:
        show("\n".join(finding_text(found) for found in made.visit.findings))
        for place, (number, plan) in enumerate(zip(made.visit.numbers, made.visit.plans, strict=True), start=1):
            click.echo(f"{'' if place == 1 else chr(10)}{place} of {len(made.visit.plans)}")
            _show(plan, made.read[number])
    sys.exit(visit_exit_code(made))


def _show(made: Any, read: Any) -> None:
    from drawup.cli.plan_text import plan_text

    show(plan_text(made, read.request, read.policy))
    for note in dict.fromkeys(read.notes):
        click.echo(f"  [Good to know] {note}")
    if not read.policy_named:
        click.echo(
            '  [Good to know] No policy was named: the uk preset is used. Name your own: "policy" in the request.'
        )
    show(f"\n  {CAUTION}")


def _plan_order(
    desk: Desk,
    order: str,
    scans: tuple[str, ...],
    accepts: tuple[str, ...],
    dose: str | None,
    choose: dict[str, Any],
    at: str | None,
    as_json: bool,
) -> None:
    from drawup.exchange.answer import exit_code, finding_json
    from drawup.service.planning import make_plan
    from drawup.service.state import patient_state
    from drawup.service.syringes import check_others

    with open_record(desk) as store:
        made = make_plan(
            store,
            order=order,
            now=moment(at, store, desk),
            choose=choose,
            accepted=accepted_reasons(accepts),
            scans=scans,
            chosen_dose=dose,
        )
        state = patient_state(store, made.patient)
        standing = check_others(state, order, made.digest, place_zone(store))
    who = person_line({"name": state.name, "person": state.person})
    if as_json:
        head = {"plan": made.digest, "patient": made.patient, "order": order, "dose_number": made.dose_number}
        findings = [*made.answer["findings"], *map(finding_json, standing)]
        echo_json({**head, **made.answer, "findings": findings})
    else:
        click.echo(
            f"{who}\nPlan {made.digest[:12]}\n  for patient {made.patient}, order {order}, dose {made.dose_number}\n"
        )
        for found in standing:
            show(finding_text(found))
        _show(made.plan, made.read)
    sys.exit(exit_code(made.plan))


def _plan_orders(
    desk: Desk, orders: tuple[str, ...], accepts: tuple[str, ...], at: str | None, as_json: bool
) -> NoReturn:
    """Several orders of one patient at one visit, in the order of giving."""
    from drawup.exchange.answer import exit_code, finding_json
    from drawup.service.planning import make_visit
    from drawup.service.state import patient_state

    with open_record(desk) as store:
        made = make_visit(store, orders=orders, now=moment(at, store, desk), accepted=accepted_reasons(accepts))
        state = patient_state(store, made.plans[0].patient)
    if as_json:
        plans = [
            {
                "plan": one.digest,
                "patient": one.patient,
                "order": one.order,
                "dose_number": one.dose_number,
                **one.answer,
            }
            for one in made.plans
        ]
        echo_json({"format": 1, "visit": plans, "findings": [finding_json(found) for found in made.findings]})
    else:
        click.echo(person_line({"name": state.name, "person": state.person}))
        show("\n".join(finding_text(found) for found in made.findings))
        for place, one in enumerate(made.plans, start=1):
            head = f"Plan {one.digest[:12]}\n  for order {one.order}, dose {one.dose_number}"
            click.echo(f"\n{place} of {len(made.plans)}\n{head}\n")
            _show(one.plan, one.read)
    codes = [exit_code(one.plan) for one in made.plans]
    sys.exit(3 if 3 in codes else max(codes))


# --- many requests, one a line ------------------------------------------------------------------------------------


def _plan_lines(file: str) -> int:
    """Answer every line in order; 1 where any line failed."""
    if file == "-":
        return _answer_lines(sys.stdin.buffer, sys.stdout)
    with open_file(file) as source:
        return _answer_lines(source, sys.stdout)


def _answer_lines(source: IO[bytes], out: IO[str]) -> int:
    from drawup.exchange.answer import answer
    from drawup.exchange.reader import FieldError, read_document
    from drawup.exchange.request import read_request
    from drawup.exchange.visit import answer_visit, is_visit, make_visit
    from drawup.injection.plan import plan_injection

    result: dict[str, Any]
    failed = 0
    for content in each_line(source):
        try:
            if content is None:
                raise FieldError("", f"a line longer than {LONGEST_LINE:,} bytes")
            document = read_document(content)
            if is_visit(document):
                result = answer_visit(make_visit(document))
            else:
                read = read_request(document)
                made = plan_injection(read.request, policy=read.policy, tables=read.tables)
                result = answer(made, policy=read.policy, evidence_version=read.tables.version, notes=read.notes)
        except Exception as error:
            failed, result = 1, line_error(error)
        out.write(json_text(result) + "\n")
    return failed


# --- codes --------------------------------------------------------------------------------------------------------


@click.command(epilog='Example: drawup scan "(01)09501101531017(17)270430(10)D220"')
@click.argument("text", required=False)
@click.option("--photo", metavar="FILE", help="Read every code in a picture; the picture is not kept.")
@click.option("--lines", is_flag=True, help="TEXT is a file (- for standard input) with one JSON string a line.")
@click.option("--json", "as_json", is_flag=True, help="Answer in JSON.")
@click.pass_obj
@told
def scan(desk: Desk, text: str | None, photo: str | None, lines: bool, as_json: bool) -> None:
    """Read the code of a container: scanned, typed with brackets, a link, a bare number, or from a photo.

    Whatever breaks the standard is told, never guessed. Exit code 1: the code is not accepted, or a photo holds
    different codes, of which none is picked.
    """
    from drawup.exchange.gs1 import read_code

    today = desk.clock().date()
    if (text is None) == (photo is None):
        raise ValueError("give either the text of a code or a picture: --photo FILE")
    if photo is not None and lines:
        raise ValueError("--lines reads codes from a file, --photo from a picture. Use one of them")
    if photo is not None:
        _scan_photo(photo, today, as_json)
        return
    if lines:
        sys.exit(_scan_lines(str(text), today))
    found = read_code(str(text), today=today)
    if as_json:
        echo_json(found.as_json())
    else:
        show(_scan_text(found))
    sys.exit(0 if found.accepted else 1)


def _scan_text(found: Any) -> str:
    lines = ["Accepted." if found.accepted else "Not accepted."]
    lines += [f"  [Do not give] {problem}" for problem in found.problems]
    expiry = found.expiry_date.isoformat() if found.expiry_date else None
    for label, value in (
        ("Carrier", found.carrier),
        ("Code", found.gtin),
        ("Batch", found.batch),
        ("Usable to", expiry),
        ("Serial", found.serial),
    ):
        if value:
            lines.append(line(label, value))
    lines += [line(f"({key})", value) for key, value in found.other]
    lines.append("  Compare batch and date with the container.")
    return "\n".join(lines)


def _scan_photo(photo: str, today: Any, as_json: bool) -> None:
    from drawup.exchange.photo import read_photo

    found = read_photo(Path(photo), today=today)
    one = len(found) == 1
    if as_json:
        echo_json(found[0].as_json() if one else {"accepted": False, "codes": [scan.as_json() for scan in found]})
    else:
        if not one:
            click.echo(f"{len(found)} different codes in one picture; none is picked. Photograph one container.\n")
        show("\n\n".join(_scan_text(scan) for scan in found))
    sys.exit(0 if one and found[0].accepted else 1)


def _scan_lines(file: str, today: Any) -> int:
    from drawup.exchange.gs1 import read_code
    from drawup.exchange.reader import FieldError, read_document

    failed = 0
    with nullcontext(sys.stdin.buffer) if file == "-" else open_file(file) as source:
        for content in each_line(source):
            try:
                text = read_document(content) if content is not None else None
                if not isinstance(text, str):
                    raise FieldError("", "expected one JSON string a line")
                result = read_code(text, today=today).as_json()
                failed |= not result["accepted"]
            except Exception as error:
                failed, result = 1, line_error(error)
            sys.stdout.write(json_text(result) + "\n")
    return int(failed)
