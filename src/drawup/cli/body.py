"""`drawup reach` and `drawup rotate`: which layer the tip ends in, and where the next injection goes."""

from __future__ import annotations

import sys
from collections.abc import Callable
from contextlib import nullcontext
from typing import Any, NoReturn

import click

from drawup.cli.edge import (
    echo_json,
    finding_text,
    idle,
    json_text,
    line,
    moment,
    open_file,
    open_record,
    read_entry,
    show,
    told,
)
from drawup.cli.lines import LONGEST_LINE, each_line, line_error
from drawup.cli.main import CAUTION, Desk

_BAR = 30
_NAME = 14


@click.command(epilog="Example: drawup reach deltoid.json")
@click.argument("file")
@click.option("--lines", is_flag=True, help="FILE holds one JSON request a line; answer one JSON line each.")
@click.option("--json", "as_json", is_flag=True, help="Answer in JSON.")
@click.pass_obj
@told
def reach(desk: Desk, file: str, lines: bool, as_json: bool) -> None:
    """Which layer the tip of a needle ends in, at one site of one body, as a chance from published measurements.

    FILE ("-" is standard input) is one request in JSON or TOML: patient, route, site, needle, angle. Where nobody
    measured such a body there is no chance, and the guideline is named instead. Exit code 3: a stop.
    """
    from drawup.exchange.reach import answer_reach

    if lines:
        sys.exit(_answer_lines(file, answer_reach))
    answer = answer_reach(read_entry(file))
    _tell(answer, _reach_text, as_json=as_json)


def _reach_text(answer: dict[str, Any]) -> str:
    distance, cells = answer["distance_mm"], answer["cells"]
    if cells is None:
        lines = ["No chance can be given."]
    else:
        lines = [f"Basis: {answer['basis']} ({answer['status']})."]
        lines.append(line("Skin to muscle", _distance_text(distance, answer["basis"])))
        lines.append(line("Depth of the tip", f"{answer['depth_mm']} mm"))
        lines += [
            # Bars are compared by eye, so they begin under each other.
            f"  {name:<{_NAME}} {_bar(cells[key])}"
            for key, name in (
                ("skin", "In the skin"),
                ("fat", "In the fat"),
                ("shallow_muscle", "Just in muscle"),
                ("muscle", "In the muscle" if cells["bone"] is not None else "Up to bone"),
                ("bone", "At bone"),
            )
        ]
    lines += [finding_text_of(one) for one in answer["findings"]]
    lines += ["", "  Working", *(f"      {step}" for step in answer["working"])] if answer["working"] else []
    lines += ["", *(f"      {source}" for source in answer["sources"])] if answer["sources"] else []
    return "\n".join(lines)


def _distance_text(distance: dict[str, float], basis: str) -> str:
    if basis == "measured":
        return f"{distance['median']} mm, measured"
    return f"{distance['median']} mm in the middle; 5 of 100 under {distance['p5']}, 5 of 100 over {distance['p95']}"


def _bar(share: float | None) -> str:
    """A chance as a bar with its number, so that it can be seen and read."""
    if share is None:
        return "not known; the rest is up to bone"
    return f"{'#' * round(share * _BAR):<{_BAR}} {share * 100:.0f} of 100"


def finding_text_of(one: dict[str, Any]) -> str:
    """A finding of an answer, as every screen writes it."""
    from drawup.injection.finding import Finding

    return finding_text(Finding(code=one["code"], message=one["message"], do=one["do"], source=one["source"]))


@click.command(
    epilog="Example: drawup rotate belly.json   or, from the record:   drawup rotate --order 0014.1 --next 14"
)
@click.argument("file", required=False)
@click.option("--order", metavar="ORDER", help="The next points for an order of the record.")
@click.option("--next", "count", type=click.IntRange(1, 2000), metavar="N", help="How many, with --order; else 14.")
@click.option("--at", metavar="TIME", help="From another time than now, with --order.")
@click.option("--lines", is_flag=True, help="FILE holds one JSON request a line; answer one JSON line each.")
@click.option("--json", "as_json", is_flag=True, help="Answer in JSON.")
@click.pass_obj
@told
def rotate(
    desk: Desk, file: str | None, order: str | None, count: int | None, at: str | None, lines: bool, as_json: bool
) -> None:
    """The next points on the skin: rested, away from the last one, clear of lumps, least worn.

    FILE ("-" is standard input) is one request in JSON or TOML: patient, route, history, how many and how many a day.
    With --order it comes from the record. Exit code 3: no point is left.
    """
    from drawup.exchange.rotate import answer_rotate

    if (file is None) == (order is None):
        raise ValueError("name either a request file (- for standard input) or an order of the record: --order ORDER")
    if file is not None:
        idle({"--next": count, "--at": at}, 'only with --order. In a request file write "next" and "now"')
        if lines:
            sys.exit(_answer_lines(file, answer_rotate))
        answer = answer_rotate(read_entry(file))
    else:
        idle({"--lines": lines}, "only with a file")
        answer = _rotate_order(desk, str(order), count or 14, at)
    _tell(answer, _rotate_text, as_json=as_json)


def _rotate_order(desk: Desk, order: str, count: int, at: str | None) -> dict[str, Any]:
    from drawup.exchange.rotate import answer_rotate
    from drawup.service.planning import rotation_request
    from drawup.service.state import setting

    with open_record(desk) as store:
        document = rotation_request(store, order, now=moment(at, store, desk), count=count)
        return answer_rotate(document, policy=setting(store).policy, recorded=True)


def _rotate_text(answer: dict[str, Any]) -> str:
    lines = [finding_text_of(one) for one in answer["findings"]]
    for number, one in enumerate(answer["next"], start=1):
        when = one["at"][:16].replace("T", " ")
        lines.append(line(str(number), f"{when}  {one['side']} {one['site']}, point {one['point']}: {one['where']}"))
        lines.append(line("", f"{one['because']}"))
    back = answer["look_back"]
    if back["injections"]:
        lines += ["", f"  Looking back over {back['injections']} injection{'' if back['injections'] == 1 else 's'}"]
        if back["without_a_point"]:
            lines.append(line("No point", f"{back['without_a_point']} of them, left out of the next two lines"))
        placed = back["injections"] - back["without_a_point"]
        again, near = round(back["share_inside_rest"] * placed), round(back["share_too_near"] * placed)
        lines.append(line("Inside a rest", f"{again} of {placed} went into a spot that was still resting"))
        lines.append(line("Too near", f"{near} of {placed} lay nearer than a finger's width to the one before"))
        if back["neglected"]:
            never = ", ".join(f"{one['side']} {one['site']}" for one in back["neglected"])
            lines.append(line("Never used", never))
    for one in back["lumps"]:
        gone = f", gone {one['gone']}" if one["gone"] else ", its points are shut"
        size = f" of {one['size_mm']} mm" if one["size_mm"] else ""
        seen = f", seen {one['seen']}" if one["seen"] else ""
        where = " ".join(part for part in (one["side"], one["site"], one["point"]) if part)
        lines.append(line("On the skin", f"{one['kind']}{size}, {where}{seen}{gone}"))
    return "\n".join(lines)


def _tell(answer: dict[str, Any], text: Callable[[dict[str, Any]], str], *, as_json: bool) -> NoReturn:
    """Show an answer, as JSON or in words with the caution, and end: 3 where anything in it is a stop."""
    if as_json:
        echo_json(answer)
    else:
        show(text(answer))
        show(f"\n  {CAUTION}")
    sys.exit(3 if any(one["severity"] == "stop" for one in answer["findings"]) else 0)


def _answer_lines(file: str, answer: Callable[[Any], dict[str, Any]]) -> int:
    """Answer every line in order, never stopping at a bad one; 1 where any failed."""
    from drawup.exchange.reader import FieldError, read_document

    failed = 0
    with nullcontext(sys.stdin.buffer) if file == "-" else open_file(file) as source:
        for content in each_line(source):
            try:
                if content is None:
                    raise FieldError("", f"a line longer than {LONGEST_LINE:,} bytes")
                result = answer(read_document(content))
            except Exception as error:
                failed, result = 1, line_error(error)
            sys.stdout.write(json_text(result) + "\n")
    return failed
