"""`drawup check-record` and `drawup seal`."""

from __future__ import annotations

import sys
from typing import Any

import click

from drawup.cli.edge import echo_json, json_option, open_record, read_bytes, told
from drawup.cli.main import Desk


@click.command("check-record", epilog="Example: drawup check-record --seal monday.txt")
@click.option("--seal", "seal_file", metavar="FILE", help="A seal printed earlier: nothing before it may have changed.")
@json_option
@click.pass_obj
@told
def check_record(desk: Desk, seal_file: str | None, as_json: bool) -> None:
    """Walk the whole record: bytes, columns and heads. The first break is named. Exit code 1: a break."""
    from drawup.record.check import check
    from drawup.record.seal import parse_seal

    sealed = parse_seal(read_bytes(seal_file).decode("utf-8", "replace")) if seal_file else None
    with open_record(desk, read_only=True) as store:
        total, _ = store.head()
        shown = not as_json and total > 50_000
        with click.progressbar(length=total, label="Checking", file=sys.stderr, hidden=not shown) as bar:
            done = 0

            def progress(walked: int, _: int) -> None:
                nonlocal done
                bar.update(walked - done)
                done = walked

            report = check(store, seal=sealed, progress=progress)
    broken = report.first_break
    if as_json:
        echo_json(
            {
                "whole": report.whole,
                "facts": report.facts,
                "streams": report.streams,
                "documents": report.documents,
                "hash": report.hash,
                "first_break": None if broken is None else broken.sentence,
            }
        )
    elif report.whole:
        words = " Nothing before the seal was changed." if sealed is not None else ""
        click.echo(f"The record is whole: {report.facts:,} facts in {report.streams:,} streams.{words}")
        click.echo(f"  seal {report.hash}")
    else:
        click.echo(f"The record is broken. {_whose(broken)}{broken.sentence if broken else ''}")
    sys.exit(0 if report.whole else 1)


def _whose(broken: Any) -> str:
    """Whose entry the break is in, in the words of the chart."""
    if broken is None or not (broken.stream or "").startswith("patient/"):
        return ""
    patient = broken.stream.removeprefix("patient/")
    number = f", entry {patient}-{broken.number}" if broken.number else ""
    return f"It concerns patient {patient}{number}. "


@click.command(epilog="Example: drawup seal > monday.txt")
@json_option
@click.pass_obj
@told
def seal(desk: Desk, as_json: bool) -> None:
    """Print the seal of the record as it is now. Kept elsewhere, it shows what a chain alone cannot."""
    from dataclasses import asdict

    from drawup.record.seal import render_seal
    from drawup.record.seal import seal as take_seal

    with open_record(desk, read_only=True) as store:
        taken = take_seal(store, now=desk.clock())
    if as_json:
        echo_json({key: str(value) if key == "taken_at" else value for key, value in asdict(taken).items()})
    else:
        click.echo(render_seal(taken))
