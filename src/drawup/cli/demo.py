"""`drawup demo`: build the invented clinic and walk the main job on it."""

from __future__ import annotations

from importlib import import_module
from pathlib import Path

import click

from drawup.cli.edge import echo_json, json_option, told
from drawup.cli.main import Desk


@click.command(epilog="Example: drawup demo --keep demo.sqlite")
@click.option(
    "--keep",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Keep the demo's record in this file, to go on with.",
)
@json_option
@click.pass_obj
@told
def demo(desk: Desk, keep: Path | None, as_json: bool) -> None:
    """Build an invented clinic with two months of history, and walk the main job on it.

    Every person, place and medicine in it is invented. Nothing of it may be used for a real patient.
    """
    # The demo stands beside the command line, not below it: it is given the commands as a function.
    walk = import_module("drawup.demo.walk")
    if not as_json:
        walk.walk(keep=keep, run=_run, say=click.echo)
        return
    steps: list[dict[str, object]] = []

    def run(arguments: list[str], record: Path, clock: object) -> tuple[int, str]:
        code, printed = _run(arguments, record, clock)
        steps.append({"command": ["drawup", *arguments], "exit_code": code, "printed": printed})
        return code, printed

    walk.walk(keep=keep, run=run, say=lambda _: None)
    echo_json(steps)


def _run(arguments: list[str], record: Path, clock: object) -> tuple[int, str]:
    """Run one command of ours as a person would, and return its exit code and what it printed."""
    from click.testing import CliRunner

    from drawup.cli.main import drawup

    desk = Desk(record=record, clock=clock)  # type: ignore[arg-type]
    result = CliRunner().invoke(drawup, ["--record", str(record), *arguments], obj=desk)
    return result.exit_code, result.output
