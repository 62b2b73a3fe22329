"""What every command shares: opening the record, reading times and files, and saying errors in words."""

from __future__ import annotations

import functools
import json
import re
import shutil
import sys
import textwrap
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import UTC, date, datetime, tzinfo
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, TypeVar
from zoneinfo import ZoneInfo

import click

from drawup.cli.main import Desk

if TYPE_CHECKING:
    from drawup.record.store import Store

F = TypeVar("F", bound=Callable[..., Any])

# Exit codes: 2 what was asked cannot be read or done; 3 a stop; 4 something to confirm or give a reason for;
# 5 the planned dose is already recorded.
CANNOT, STOPPED, UNANSWERED, ALREADY = 2, 3, 4, 5

json_option = click.option("--json", "as_json", is_flag=True, help="Answer in JSON.")
by_option = click.option("--by", default="", metavar="NAME", help="Who does this.")


def told(command: F) -> F:
    """Turn every refusal into a sentence and an exit code; with --json into {"error": ...}."""

    @functools.wraps(command)
    def wrapped(*args: Any, **kwargs: Any) -> Any:
        from drawup.service.errors import AlreadyGiven, Blocked

        try:
            return command(*args, **kwargs)
        except Blocked as error:
            _show_blocked(error, bool(kwargs.get("as_json")))
            sys.exit(STOPPED if error.stopped else UNANSWERED)
        except AlreadyGiven as error:
            _show_error("", str(error), bool(kwargs.get("as_json")))
            sys.exit(ALREADY)
        except BrokenPipeError:
            raise  # Whoever read our output has stopped reading: nobody is left to be told.
        except (ValueError, OSError) as error:
            # Every refusal of the rooms below is a ValueError with a sentence; an OSError is the machine's own.
            _show_error(getattr(error, "field", ""), _sentence(error), bool(kwargs.get("as_json")))
            sys.exit(CANNOT)

    return wrapped  # type: ignore[return-value]


def _sentence(error: Exception) -> str:
    message = getattr(error, "message", None)
    if isinstance(message, str):
        return message
    if isinstance(error, OSError) and error.strerror:
        return f"{error.filename or ''}: {error.strerror}".lstrip(": ")
    return str(error)


def _show_error(field: str, message: str, as_json: bool) -> None:
    if as_json:
        echo_json({"error": {"field": field, "message": message}})
        return
    click.echo(printable(f"drawup: {field + ': ' if field else ''}{message}"), err=True)


def printable(text: str) -> str:
    """The lines of a text as any terminal can show them, whatever somebody typed or scanned into it."""
    from drawup.exchange.reader import visible

    return "\n".join(map(visible, text.split("\n")))


def _show_blocked(error: Any, as_json: bool) -> None:
    from drawup.exchange.answer import finding_json

    if as_json:
        echo_json({"blocked": [finding_json(found) for found in error.findings]})
        return
    click.echo("Nothing was recorded. In the way:", err=True)
    for found in error.findings:
        if found.blocks:
            click.echo(finding_text(found), err=True)
    click.echo(
        "If it was given all the same, write it down: add --anyway. It will stand on the list for review.", err=True
    )


def finding_text(found: Any) -> str:
    """One finding for a person: what the screen calls it, what was found, what to do."""
    from drawup.injection.finding import ON_SCREEN

    if found.accepted:
        return f"  [Reason given] {found.message}\n      Reason: {found.accepted}  ({found.code})"
    return f"  [{ON_SCREEN[found.severity]}] {found.message}\n      {found.do}  ({found.code})"


def echo_json(document: object) -> None:
    """One JSON document on standard output."""
    click.echo(json_text(document, indent=1))


def answer(document: Mapping[str, Any], words: str, as_json: bool) -> None:
    """What a command did, in JSON or in words."""
    if as_json:
        echo_json(document)
    else:
        click.echo(words)


_compact = json.JSONEncoder(ensure_ascii=False, separators=(",", ":")).encode
_HALVES = re.compile("[\ud800-\udfff]")


def json_text(document: object, *, indent: int | None = None) -> str:
    """A JSON document as text. Half characters (a command line may hold bytes that are no text) are escaped."""
    text = _compact(document) if indent is None else json.dumps(document, ensure_ascii=False, indent=indent)
    try:
        text.encode()
    except UnicodeEncodeError:
        return _HALVES.sub(lambda half: f"\\u{ord(half[0]):04x}", text)
    return text


def idle(given: Mapping[str, object], why: str) -> None:
    """Refuse options that would do nothing here. `given`: each option with its value, empty where it was not used."""
    used = [option for option, value in given.items() if value not in (None, "", (), False)]
    if used:
        raise ValueError(f"{', '.join(used)}: {why}")


@contextmanager
def open_record(desk: Desk, *, read_only: bool = False) -> Iterator[Store]:
    """The record of this desk. Raises RecordError in words."""
    from drawup.record.store import Store

    if not desk.record.exists():
        raise ValueError(
            f"there is no record at {desk.record}. Begin one: drawup policy use uk --zone Europe/London "
            "(or us, au, nz, or a file of your own)"
        )
    with Store.open(desk.record, read_only=read_only) as store:
        yield store


_TIME = re.compile(
    r"[0-9]{4}-[0-9]{2}-[0-9]{2}[T ][0-9]{2}:[0-9]{2}(:[0-9]{2}(\.[0-9]{1,6})?)?(Z|[+-][0-9]{2}:[0-9]{2})?", re.ASCII
)


def moment(text: str | None, store: Store, desk: Desk) -> datetime:
    """A time as people write it: "2026-03-02 09:40" by the place's clock, or with an offset; now if left out.

    Day and hour must both stand there. A time that the clock skipped or showed twice must bring its offset.
    """
    zone = place_zone(store)
    return desk.clock().astimezone(zone) if text is None else moment_in(text, zone)


def moment_in(text: str, zone: tzinfo) -> datetime:
    """A time as people write it, by the clock of a zone where it brings no offset of its own."""
    try:
        read = datetime.fromisoformat(text.strip()) if _TIME.fullmatch(text.strip()) else None
    except ValueError:
        read = None
    if read is None or not 1900 <= read.year <= 2200:
        raise ValueError(f'read "{text[:40]}", expected a day and a time such as "2026-03-02 09:40"')
    return read if read.tzinfo is not None else _local(read, zone)


def _local(read: datetime, zone: tzinfo) -> datetime:
    """A time by the clock of the place, where that clock showed it exactly once."""
    first, second = read.replace(tzinfo=zone), read.replace(tzinfo=zone, fold=1)
    if first.utcoffset() == second.utcoffset():
        return first
    skipped = first.astimezone(UTC).astimezone(zone).replace(tzinfo=None) != read
    why = "the clocks went forward over it" if skipped else "the clocks went back and showed it twice"
    # Before a change forward the earlier offset is the second reading's, before a change back the first one's.
    offsets = " or ".join(f'"{one.isoformat(sep=" ", timespec="minutes")}"' for one in (first, second))
    raise ValueError(f'read "{read:%Y-%m-%d %H:%M}": {why} that night. Write it with its offset: {offsets}')


def today(store: Store, desk: Desk) -> date:
    """The day it is at the place."""
    return moment(None, store, desk).date()


def read_entry(path: str) -> Any:
    """A JSON or TOML document from a file, or from standard input with "-"."""
    from drawup.exchange.reader import read_document

    return read_document(read_bytes(path), toml=path.lower().endswith(".toml"))


def read_bytes(path: str, *, most: int = 2_000_000) -> bytes:
    """A file's bytes, or standard input's. Raises ValueError in words."""
    if path == "-":
        content = sys.stdin.buffer.read(most + 1)
    else:
        with open_file(path) as file:
            try:
                content = file.read(most + 1)
            except OSError as error:
                raise ValueError(f"{_named(path)}: {error.strerror}") from None
    if len(content) > most:
        raise ValueError(f"{_named(path)} is longer than {most:,} bytes")
    return content


def open_file(path: str) -> IO[bytes]:
    """A file to read bytes from. Raises ValueError in words."""
    try:
        return Path(path).open("rb")
    except OSError as error:
        raise ValueError(f"{_named(path)}: {error.strerror}") from None
    except ValueError:
        raise ValueError(f'"{_named(path)}" cannot be the name of a file') from None


def _named(path: str) -> str:
    """A path as it was typed, up to a length that helps."""
    from drawup.exchange.reader import shown

    return shown(path, most=300)


def accepted_reasons(pairs: Sequence[str]) -> list[dict[str, str]]:
    """--accept CODE=REASON, as the public request takes it."""
    from drawup.injection.finding import CODES

    found = []
    for pair in pairs:
        code, equals, reason = pair.partition("=")
        if not equals or not reason.strip():
            raise ValueError(
                f'read "{pair[:60]}", expected a code and a reason: --accept "allergy-not-asked=asked, none"'
            )
        if code.strip() not in CODES:
            raise ValueError(
                f'"{code.strip()[:60]}" is no finding. Copy its code from the plan, such as allergy-not-asked'
            )
        found.append({"code": code.strip(), "reason": reason.strip()})
    return found


def show(text: str) -> None:
    """Lines for a person; on a terminal folded at its width, under their own indent."""
    if sys.stdout.isatty():
        width = max(60, min(shutil.get_terminal_size().columns, 120))
        text = "\n".join(_folded(one, width) for one in text.split("\n"))
    click.echo(printable(text))


def _folded(text: str, width: int) -> str:
    if len(text) <= width:
        return text
    indent = " " * (len(text) - len(text.lstrip()) + 2)
    return textwrap.fill(
        text, width, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False, drop_whitespace=True
    )


def clock(text: str, zone: ZoneInfo | None = None) -> str:
    """A time of the record as people write it: "2026-03-02 09:40"; one that was kept in UTC, by the clock of `zone`."""
    from drawup.service.entries import clock_text

    return clock_text(text if zone is None else datetime.fromisoformat(text).astimezone(zone).isoformat())


def place_zone(store: Store) -> ZoneInfo:
    """The time zone of the place. Raises UseCaseError where no policy was chosen."""
    from drawup.service.state import setting

    return ZoneInfo(setting(store).zone)


def line(label: str, words: str) -> str:
    """One labelled line of an answer for a person."""
    return f"  {label:<11} {words}"


def person_line(state: Mapping[str, Any]) -> str:
    """FAMILY, given; born; identifiers."""
    person = state["person"]
    identifiers = ", ".join(f"{one['kind']} {one['value']}" for one in person["identifiers"]) or "no other identifier"
    return f"{state['name']}   born {person['born']}   {identifiers}"
