"""The walk of `drawup demo`: one patient from the chart to the recorded injection, and what can go wrong on the way.

Each step prints a heading, a sentence of why, the command as one would type it, and what that command returned; nothing
about a result is written here. Parts of what was returned are left out where they repeat, and each gap is marked [...].
"""

from __future__ import annotations

import re
import shlex
import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from tempfile import TemporaryDirectory

from drawup.demo.clinic import Clinic, build, moment, people, staff
from drawup.demo.history import history

# Runs one real command on a record, by a clock: arguments, record, clock -> exit code and what it printed.
Run = Callable[[list[str], Path, Callable[[], datetime]], tuple[int, str]]
Say = Callable[[str], None]

WHOLE, STOP, REASON, ALREADY, BROKEN = 0, 3, 4, 5, 1
# Parts of what `drawup plan` and `drawup given` print, by how they begin.
_ASIDE = ("When", "How", "Why not", "Sources", "Drawup supports")
_NOTES = ("[Good to know]",)
_REASONS = ("[Your reason needed]",)
_KNOWN = ("Allergies", "Weight", "Height", "Not to use", "Orders")
_MAKING = ("From", "Volume", "Draw to", "Left over", "Where", "Needle", "Working")
_GAP = "  [...]"
_WIDTH = 100

# What lies beside the record after the walk.
_BESIDE = ("-order.toml", "-seal.txt", "-wrong-byte.sqlite")

_ORDER = """\
medicine = "calvrane"
route = "intramuscular"
dose = { amount = "75 mg" }
schedule = { every = "1 day" }
start = "2026-03-02"
stop = "2026-03-04"
prescriber = "PRESCRIBER"
"""


class DemoBroken(ValueError):
    """A command of the walk did not end as it should: a fault of the demo or of Drawup, not of whoever ran it."""


def walk(*, keep: Path | None, run: Run, say: Say) -> None:
    """Build the invented clinic and walk the main job on it. `keep` is where its record stays; None leaves nothing.

    Raises DemoBroken where a command ends otherwise than the walk expects, ValueError where `keep` exists.
    """
    if keep is not None:
        files = _Files(record=keep, kept=True)
        for path in (keep, *map(files.beside, _BESIDE)):
            if path.exists():
                raise ValueError(f"{path} exists already. Name a new file, so that nothing is overwritten")
        _Walk(files, run, say).whole()
        return
    with TemporaryDirectory(prefix="drawup-demo-") as folder:
        _Walk(_Files(record=Path(folder) / "demo.sqlite", kept=False), run, say).whole()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Files:
    """The record and what lies beside it."""

    record: Path
    kept: bool

    def beside(self, ending: str) -> Path:
        """A file of the walk: demo.sqlite and "-seal.txt" to demo-seal.txt."""
        return self.record.with_name(self.record.stem + ending)

    def shown(self, path: Path) -> str:
        """How a command on the screen names it: a copy may be typed where the files are kept."""
        return str(path) if self.kept else path.name


class _Walk:
    """The walk as far as it has come."""

    def __init__(self, files: _Files, run: Run, say: Say) -> None:
        self.files = files
        self._run = run
        self._say = say
        self.order = ""
        self.clinic = Clinic(record=files.record, patients={}, orders={}, entries={}, routine=())

    def whole(self) -> None:
        """Every step, in the order of the clock."""
        self.clinic = build(self.files.record, history())
        self._say(_opening())
        entry = _main_job(self)
        _child(self)
        _insulin(self)
        _five_times_too_strong(self)
        _handing_over(self)
        _next_day(self, entry)
        _nothing_changed(self)
        self._say(_closing(self.files, self.order))

    def step(
        self,
        at: str,
        heading: str,
        why: str,
        *arguments: str | Path,
        ends: int = WHOLE,
        without: tuple[str, ...] = (*_NOTES, *_ASIDE),
        record: Path | None = None,
        into: Path | None = None,
        first: str = "",
    ) -> str:
        """One step: say what it is for, run the command at this time, show what it returned, and return that.

        Without a heading it goes on under the last one.

        `ends`: the exit code that it must end with. `without`: parts left out. `record`: another than the
        demo's own. `into`: where what it prints is kept as well. `first`: what to show before the command.
        """
        self._say(f"\n{at[11:]}  {heading}\n" + (f"       {why}\n" if why else "") if heading else "")
        if first:
            self._say(first)
        self._say(self._typed(arguments, record, into))
        typed = [str(argument) for argument in arguments]
        now = moment(at)
        code, output = self._run(typed, record or self.files.record, lambda: now)
        if code != ends:
            raise DemoBroken(
                f'the demo itself broke at "{heading}": exit code {code}, expected {ends}. '
                f"Nothing of yours is harmed. The command was: {shlex.join(['drawup', *typed])}\nIt printed:\n{output}"
            )
        self._say("\n".join(f"  | {line}".rstrip() for line in _cut(output.rstrip().splitlines(), without)))
        if into is not None:
            into.write_text(output, "utf-8")
        return output

    def _typed(self, arguments: tuple[str | Path, ...], record: Path | None, into: Path | None) -> str:
        """The command as one would type it, folded before an option where it grows long."""
        words = ["drawup"]
        if record is not None or self.files.kept:
            words += ["--record", self.files.shown(record or self.files.record)]
        words += [self.files.shown(one) if isinstance(one, Path) else one for one in arguments]
        end = f" > {shlex.quote(self.files.shown(into))}" if into is not None else ""
        lines = ["  $"]
        for piece in _pieces(words):
            full = len(lines[-1]) + len(piece) + len(end) > _WIDTH
            if full and piece.startswith("--") and lines[-1] != "  $ drawup":
                lines.append("     ")
            lines[-1] += f" {piece}"
        return " \\\n".join(lines) + end


def _pieces(words: list[str]) -> list[str]:
    """The words of a command, each option together with its value."""
    pieces: list[str] = []
    for word in map(shlex.quote, words):
        if pieces and pieces[-1].startswith("--") and " " not in pieces[-1] and not word.startswith("--"):
            pieces[-1] += f" {word}"
        else:
            pieces.append(word)
    return pieces


def _cut(lines: list[str], without: tuple[str, ...]) -> list[str]:
    """The lines without the parts that begin with one of these words; each gap is marked, and closed up."""
    kept: list[str] = []
    part: int | None = None
    for line in lines:
        indent = len(line) - len(line.lstrip())
        if part is not None and (not line or indent > part):
            continue
        part = indent if line.strip().startswith(without) else None
        if part is None:
            kept.append(line)
            continue
        while kept and not kept[-1]:
            kept.pop()
        if kept[-1:] != [_GAP]:
            kept.append(_GAP)
    return kept


def _opening() -> str:
    today = moment(f"{people()['today']} 08:55")
    return (
        f"{people()['service']}: {today:%A} {today:%Y-%m-%d}\n\n"
        "The island, its people, its medicines and their codes are invented. Nothing here may be used for a real "
        "patient.\nEach step shows the command (after $) and what it returned (after |); [...] stands for what is left "
        "out here."
    )


def _closing(files: _Files, order: str) -> str:
    if not files.kept:
        return "\nThe demo's record is removed. To keep one and go on with it: drawup demo --keep demo.sqlite"
    plan = f"drawup --record {shlex.quote(str(files.record))} plan --order {order} --at '2026-03-03 09:40'"
    return (
        f"\nThe record is kept: {files.record}\nIts clock stands at 2026-03-03. To go on: {plan}, and the same "
        "--at with drawup given.\nIts order, its seal and the copy with the wrong byte lie beside it. "
        "They are invented: delete them when you have done with them."
    )


def _name_in(output: str, pattern: str) -> str:
    """The name that a command gave to something, from what it printed."""
    found = re.search(pattern, output, re.MULTILINE)
    if found is None:
        raise DemoBroken(f"the demo itself broke: a command names nothing like {pattern}. It printed:\n{output}")
    return found[1]


def _plan_of(output: str) -> str:
    return _name_in(output, r"^Plan ([0-9a-f]{12})")


def _entry_of(output: str) -> str:
    return _name_in(output, r"^Entry ([0-9]+-[0-9]+)")


_QX118 = "(01)09501101531000(17)270430(10)QX118"
_LOOK_ALIKE = "(01)09501101531031(17)270630(10)CA907"


def _main_job(walk: _Walk) -> str:
    """One ordered dose from the chart to the record. Returns the name of its entry."""
    ezra = walk.clinic.patients["ezra"]
    petra, ann, prescriber = ("--given-by", staff("petra")), staff("ann"), staff("prescriber")
    day = people()["today"]
    walk.step(
        f"{day} 08:50",
        "What is due on the ward",
        "By urgency: who, what, until when, and what stands in the way.",
        *("due", "--place", "Kelp Ward", "--hours", "4"),
        without=(),
    )
    walk.step(f"{day} 08:55", "Know the patient", "Allergies and what rules out a limb come first.", "chart", ezra)
    order_file = walk.files.beside(_BESIDE[0])
    text = _ORDER.replace("PRESCRIBER", prescriber)
    order_file.write_text(text, "utf-8")
    output = walk.step(
        f"{day} 08:58",
        "Enter the order",
        "An order is written once; it is replaced or stopped, never edited.",
        *("order", "add", ezra, order_file, "--by", prescriber),
        first=f"  {walk.files.shown(order_file)}:\n" + "\n".join(f"      {line}" for line in text.splitlines()) + "\n",
    )
    order = walk.order = _name_in(output, r"^Entered as order ([0-9.]+)\.$")
    walk.step(
        f"{day} 09:02",
        "Work it out, with every step shown",
        "From the order to the mark on the barrel, the site and the needle.",
        *("plan", "--order", order),
        without=(),
    )
    plan = ("plan", "--order", order)
    walk.step(
        f"{day} 09:18",
        "The wrong ampoule comes to hand",
        "It stands beside the right one and looks and sounds like it.",
        *(*plan, "--scan", _LOOK_ALIKE),
        ends=STOP,
        without=(*_NOTES, *_MAKING, *_ASIDE),
    )
    scans = ("--scan", _QX118, "--scan", _QX118)
    output = walk.step(
        f"{day} 09:21",
        "The right ampoules",
        "The dose takes two, and both are scanned.",
        *(*plan, *scans),
        without=(*_NOTES, *_ASIDE, "Left over", "Needle", "Working"),
    )
    given = ("given", _plan_of(output), *scans)
    walk.step(
        f"{day} 09:36",
        "Nobody has checked it yet",
        "This medicine needs a second person, who works it out alone.",
        *(*given, *petra),
        ends=REASON,
    )
    output = walk.step(f"{day} 09:40", "Checked, given, written down", "", *(*given, *petra, "--checked-by", ann))
    walk.step(
        f"{day} 09:52",
        "A colleague has the same plan on the trolley",
        "One planned dose is given once, also when two people prepare it.",
        *(*given, "--given-by", staff("ravi"), "--checked-by", ann),
        ends=ALREADY,
    )
    walk.step(f"{day} 09:55", "The chart now", "", "chart", ezra, without=_shown_of(walk, "ezra"))
    return _entry_of(output)


def _shown_of(walk: _Walk, person: str) -> tuple[str, ...]:
    """What the chart showed of this person before the walk."""
    entries = (entry for name, entry in walk.clinic.entries.items() if name.startswith(f"{person}/"))
    return (*_KNOWN, *entries)


def _child(walk: _Walk) -> None:
    day, order = people()["today"], walk.clinic.orders["wren/ambrivox"]
    output = walk.step(
        f"{day} 10:30",
        "A child of 4, dosed by weight, with a twin on the same list",
        "One thigh does not take it all.",
        *("plan", "--order", order, "--scan", "batch:AV311"),
        without=("[Good to know] 0", "Left over", "Needle", *_ASIDE),
    )
    walk.step(
        f"{day} 10:42",
        "She pulls away after the first injection",
        "What was really given is written, and what is outstanding.",
        *("given", _plan_of(output), "--scan", "batch:AV311", "--part", "0.87 mL", "--given-by", staff("mairi")),
        without=("[Good to know] Another", "[Good to know] 0", "[Good to know] 1"),
    )


def _insulin(walk: _Walk) -> None:
    day, order = people()["today"], walk.clinic.orders["delphine/supper"]
    delphine, vial, ravi = walk.clinic.patients["delphine"], ("--scan", "batch:DS100A"), staff("ravi")
    walk.step(
        f"{day} 17:41",
        "Units, before supper",
        "It rests on a fresh reading, and is drawn only into a barrel marked in units of the same strength.",
        *("patient", "note", delphine, "--reading", "glucose=5.6 mmol/L", "--by", ravi),
    )
    output = walk.step(
        f"{day} 17:42",
        "",
        "",
        *("plan", "--order", order, *vial),
        without=(*_NOTES, *_ASIDE, "Left over", "Where", "Needle"),
    )
    walk.step(
        f"{day} 17:50",
        "",
        "",
        *("given", _plan_of(output), *vial, "--given-by", ravi, "--checked-by", staff("ann")),
        without=(*_NOTES, *_REASONS),
    )


def _five_times_too_strong(walk: _Walk) -> None:
    day, order = people()["today"], walk.clinic.orders["bastian/dorsulin"]
    bastian = walk.clinic.patients["bastian"]
    walk.step(
        f"{day} 18:00",
        "The same medicine, five times as strong",
        "The order names no strength, and this vial is the one in the cupboard.",
        *("patient", "note", bastian, "--reading", "glucose=11.2 mmol/L", "--by", staff("ravi")),
    )
    plan = ("plan", "--order", order)
    walk.step(
        f"{day} 18:02",
        "",
        "",
        *(*plan, "--pack", "1"),
        ends=STOP,
        without=(*_NOTES, *_MAKING, *_ASIDE),
    )
    reason = f"order-lacks-strength=500 units/mL confirmed by {staff('prescriber')}, telephone, 18:05"
    walk.step(
        f"{day} 18:06",
        "The way out: the pen",
        "The prescriber is asked which strength was meant.",
        *(*plan, "--pack", "2", "--scan", "batch:DP500F", "--accept", reason),
        without=(*_NOTES, *_REASONS, *_ASIDE, "Needle", "Where", "Working"),
    )


def _handing_over(walk: _Walk) -> None:
    walk.step(
        f"{people()['today']} 18:30",
        "The night nurse comes",
        "What is being watched, half done, late and next on the clinic's list.",
        *("handover", "--place", "Lantern Clinic", "--hours", "2"),
        without=("NEXT",),
    )


def _next_day(walk: _Walk, entry: str) -> None:
    day = "2026-03-03"
    true = ("--place", "right ventrogluteal", "--scan", "batch:QX118", "--scan", "batch:QX121")
    walk.step(
        f"{day} 08:15",
        "The next morning: the entry was wrong",
        "The second ampoule was of another batch, and it was the other side. Nothing is erased.",
        *("correction", entry, "--reason", "second ampoule was QX121, and it was the right side", *true),
        *("--by", staff("petra")),
    )
    walk.step(f"{day} 08:17", "", "", "chart", walk.clinic.patients["ezra"], without=_shown_of(walk, "ezra"))
    walk.step(f"{day} 08:30", "Two batches are recalled: who had them?", "", "trace", "--batch", "QX118")
    walk.step(f"{day} 08:31", "", "", "trace", "--batch", "QX121")
    walk.step(
        f"{day} 08:40", "What was caught in time, and what somebody should look at again", "", "chart", "--near-misses"
    )
    walk.step(f"{day} 08:41", "", "", "chart", "--review")


def _nothing_changed(walk: _Walk) -> None:
    day, seal = "2026-03-03", walk.files.beside(_BESIDE[1])
    walk.step(f"{day} 09:00", "Seal the record, and check it", "Keep the seal elsewhere.", "seal", into=seal)
    walk.step(f"{day} 09:01", "", "", "check-record", "--seal", seal)
    copy = walk.files.beside(_BESIDE[2])
    copy_with_wrong_byte(walk.files.record, copy)
    output = walk.step(
        f"{day} 09:05",
        "Would it show if somebody changed it?",
        "In a copy of the record one byte of the dose is overwritten: 75 mg becomes 15 mg.",
        *("check-record", "--seal", seal),
        ends=BROKEN,
        record=copy,
    )
    if "is broken" not in output:
        raise DemoBroken(f"the demo itself broke: the wrong byte was not found. It printed:\n{output}")


# How an entry's bytes begin in the record: Ezra's dose of the walk.
_WRITTEN = b'"amount":"75 mg","at":"2026-03-02T09:40'
_FORGED = _WRITTEN.replace(b"75", b"15")


def copy_with_wrong_byte(record: Path, copy: Path) -> None:
    """Copy the record, and overwrite one byte of an entry in the copy, as only somebody with the file could.

    Raises DemoBroken where the record holds no dose of 75 mg.
    """
    with (
        closing(sqlite3.connect(f"{record.resolve().as_uri()}?mode=ro", uri=True)) as source,
        closing(sqlite3.connect(copy)) as target,
    ):
        source.backup(target)
    content = copy.read_bytes()
    if _WRITTEN not in content:
        raise DemoBroken("the demo itself broke: the entry to be forged in the copy was not found")
    copy.write_bytes(content.replace(_WRITTEN, _FORGED, 1))
    copy.chmod(0o600)
