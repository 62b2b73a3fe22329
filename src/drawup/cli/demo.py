"""`drawup demo`: build the invented clinic and walk the main job on it."""

from __future__ import annotations

from importlib import import_module
from pathlib import Path

import click

from drawup.cli.edge import told
from drawup.cli.main import Desk


@click.command(epilog="Example: drawup demo --keep demo.sqlite")
@click.option(
    "--keep",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Keep the demo's record in this file, to go on with.",
)
@click.pass_obj
@told
def demo(desk: Desk, keep: Path | None) -> None:
    """Build an invented clinic with two months of history, and walk the main job on it.

    Every person, place and medicine in it is invented. Nothing of it may be used for a real patient.
    """
    # The demo stands beside the command line, not below it: it is given the commands as a function.
    walk = import_module("drawup.demo.walk")
    walk.walk(keep=keep, run=_run, say=click.echo)


def _run(arguments: list[str], record: Path, clock: object) -> tuple[int, str]:
    """Run one command of ours as a person would, and return its exit code and what it printed."""
    from click.testing import CliRunner

    from drawup.cli.main import drawup

    desk = Desk(record=record, clock=clock)  # type: ignore[arg-type]
    result = CliRunner().invoke(drawup, ["--record", str(record), *arguments], obj=desk)
    return result.exit_code, result.output
