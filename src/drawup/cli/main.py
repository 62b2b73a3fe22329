"""The `drawup` command: its sub-commands are loaded only when they are called, so that help is quick."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib import import_module
from pathlib import Path

import click

from drawup import __version__

CAUTION = (
    "Drawup supports a trained person. It does not replace the prescriber, the pharmacist, the product's label or "
    "local policy."
)

# name: (module, attribute, one line of help), in the order of the work
COMMANDS: dict[str, tuple[str, str, str]] = {
    "policy": ("drawup.cli.policy", "policy", "This organisation's own choices: choose, show, check a file."),
    "formulary": ("drawup.cli.registering", "formulary", "The medicines, packs and codes that are known here."),
    "patient": ("drawup.cli.registering", "patient", "Register patients and what is known of them."),
    "order": ("drawup.cli.ordering", "order", "Enter, stop, sign and list orders; a new one may replace another."),
    "stock": ("drawup.cli.registering", "stock", "Batches received, opened, moved, wasted, in quarantine."),
    "scan": ("drawup.cli.planning", "scan", "Read the code of a container, typed, scanned or from a photo."),
    "authority": ("drawup.cli.authority", "authority", "What orders rest on: directions with their limits."),
    "session": ("drawup.cli.authority", "session", "Many patients under one authority, accepted one by one."),
    "due": ("drawup.cli.due", "due", "Who is due for what, when, and what stands in the way."),
    "questions": ("drawup.cli.authority", "questions", "The questions of the day before a dose, and their answers."),
    "plan": ("drawup.cli.planning", "plan", "From an order to the mark on the barrel, with every number explained."),
    "reach": ("drawup.cli.body", "reach", "Which layer a needle ends in, by this body, as a chance."),
    "rotate": ("drawup.cli.body", "rotate", "The next points on the skin, rested and least worn."),
    "drawn-up": ("drawup.cli.watching", "drawn_up", "Record that a plan was drawn up, and from what."),
    "given": ("drawup.cli.recording", "given", "Record what was really given."),
    "watch": ("drawup.cli.watching", "watch", "Watch after an injection: what was seen, and who signs its end."),
    "helped": ("drawup.cli.watching", "helped", "Record whether a when-needed dose helped."),
    "not-given": ("drawup.cli.recording", "not_given", "Record that a dose was not given, and why."),
    "contact": ("drawup.cli.watching", "contact", "Record a contact about an order: no answer, left word, came."),
    "correction": ("drawup.cli.recording", "correction", "Correct an entry by adding to it."),
    "inspect": ("drawup.cli.recording", "inspect", "Record what was seen or felt on the skin."),
    "adrenaline": ("drawup.cli.emergency", "adrenaline", "Anaphylaxis: the dose by the table in use, and the clock."),
    "needlestick": ("drawup.cli.emergency", "needlestick", "A needlestick: what to do first."),
    "mishap": ("drawup.cli.emergency", "mishap", "Something went wrong at the injection: what to do first."),
    "handover": ("drawup.cli.due", "handover", "What the next person must know of a place."),
    "chart": ("drawup.cli.finding_again", "chart", "One patient's whole record, corrections included."),
    "trace": ("drawup.cli.finding_again", "trace", "A batch to its patients, or a patient to their batches."),
    "check-record": ("drawup.cli.safekeeping", "check_record", "Check that nothing in the record was changed."),
    "seal": ("drawup.cli.safekeeping", "seal", "Print the seal of the record, to keep elsewhere."),
    "demo": ("drawup.cli.demo", "demo", "Build the invented clinic and walk the main job on it."),
}


def _clock() -> datetime:
    return datetime.now(UTC)


@dataclass(frozen=True, slots=True, kw_only=True)
class Desk:
    """Where the command line works: which record, and by which clock."""

    record: Path
    clock: Callable[[], datetime] = _clock


class _LateGroup(click.Group):
    """A group that knows its commands by name and loads each when it is called."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        known = COMMANDS.get(cmd_name)
        if known is None:
            return None
        command = getattr(import_module(known[0]), known[1])
        assert isinstance(command, click.Command)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, COMMANDS[name][2]) for name in COMMANDS])


@click.group(
    cls=_LateGroup,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog="Example: drawup demo",
)
@click.option(
    "--record",
    type=click.Path(path_type=Path, dir_okay=False),
    envvar="DRAWUP_RECORD",
    default=Path("~/.local/share/drawup/record.sqlite"),
    show_default=True,
    help="The file that holds the record.",
)
@click.version_option(__version__, prog_name="drawup")
@click.pass_context
def drawup(ctx: click.Context, record: Path) -> None:
    """One injectable medicine, from a written order to a safe, recorded injection.

    Drawup supports a trained person. It does not replace the prescriber, the pharmacist, the product's label or local
    policy.
    """
    clock = ctx.obj.clock if isinstance(ctx.obj, Desk) else _clock
    ctx.obj = Desk(record=record.expanduser(), clock=clock)


_OUR_OWN_FAULT = 70


def main() -> None:
    """The console script. Whatever happens, a person is answered with a sentence."""
    for stream in (sys.stdout, sys.stderr):
        # A terminal that cannot show a character of a name gets its code; that is no reason to fail half way.
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")
    try:
        drawup(prog_name="drawup")
    except Exception as error:
        where = error.__traceback__
        while where is not None and where.tb_next is not None:
            where = where.tb_next
        place = f"{Path(where.tb_frame.f_code.co_filename).name} line {where.tb_lineno}" if where else "unknown place"
        click.echo(
            f"drawup: a fault in Drawup itself, nothing that you did ({type(error).__name__} at {place}). Look whether "
            "what you entered is there before you enter it again, and report this line with the command.",
            err=True,
        )
        sys.exit(_OUR_OWN_FAULT)
