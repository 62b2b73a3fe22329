"""docs/commands.md tells the truth: every option and field stands there, and every example does what the page says."""

import importlib
import json
import pkgutil
import re
import shlex
import tomllib
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

import click
import pytest
from click.testing import CliRunner, Result

import drawup.exchange
from drawup.cli.main import Desk
from drawup.cli.main import drawup as the_command
from drawup.demo.clinic import moment
from drawup.exchange.request import read_request
from drawup.exchange.schema import load_schema

PAGE = (Path(__file__).parents[2] / "docs" / "commands.md").read_text("utf-8")
SCHEMA = load_schema()
SECTIONS = dict(re.findall(r"^### `(drawup [a-z -]+)`\n(.*?)(?=^#{2,3} |^# Fields|\Z)", PAGE, re.DOTALL | re.MULTILINE))
FIELDS = PAGE.split("\n# Fields\n")[1]
EXAMPLE = re.compile(r"^(?P<line>drawup .*?)(?:  # exit code (?P<code>\d))?$", re.MULTILINE)


def commands(command: click.Command, context: click.Context) -> Iterator[tuple[str, click.Command]]:
    """Each command that does something, by its full name."""
    if not isinstance(command, click.Group):
        yield context.command_path, command
        return
    for name in command.list_commands(context):
        below = command.get_command(context, name)
        assert below is not None
        yield from commands(below, click.Context(below, info_name=name, parent=context))


COMMANDS = dict(commands(the_command, click.Context(the_command, info_name="drawup")))


def test_each_command_has_its_own_section_and_no_other_has() -> None:
    assert set(SECTIONS) == set(COMMANDS)


@pytest.mark.parametrize("name", COMMANDS)
def test_each_option_and_argument_is_explained_in_its_section(name: str) -> None:
    table = "\n".join(line for line in SECTIONS[name].splitlines() if line.startswith("| `"))
    explained = set(re.findall(r"`(--[a-z-]+|\[?[A-Z]+[^`]*)", table.replace("\\|", "|")))
    words = {one.split(" ")[0] for one in explained}
    for parameter in COMMANDS[name].params:
        shown = parameter.human_readable_name if isinstance(parameter, click.Argument) else parameter.opts[0]
        assert shown in words, f"{name}: {shown}"
    known = {option for parameter in COMMANDS[name].params for option in (*parameter.opts, *parameter.secondary_opts)}
    assert not [word for word in words if word.startswith("--") and word not in known]


READERS = (
    *("request", "order_entry", "medicine_entry", "skin_entry", "schedule_entry", "authority_entry", "told_entry"),
    *("reach", "rotate", "visit"),
)


def test_each_field_of_request_order_and_medicine_is_explained() -> None:
    explained = set(re.findall(r"`([a-z_0-9]+)`", FIELDS))
    sets = {
        f"{module.name}.{name}": frozenset(value)
        for module in pkgutil.iter_modules(drawup.exchange.__path__)
        if module.name in READERS
        for name, value in vars(importlib.import_module(f"drawup.exchange.{module.name}")).items()
        if name.endswith("_KEYS")
    }
    assert len(sets) > 40
    assert not {name: value - explained for name, value in sets.items() if value - explained}


def test_each_field_of_the_answer_about_when_is_explained() -> None:
    part = FIELDS.split("\n## What the answer says of when\n")[1].split("\n## ")[0]
    assert set(re.findall(r"^\| `([a-z_]+)` \|", part, re.MULTILINE)) == set(SCHEMA["$defs"]["due"]["properties"])


@pytest.mark.parametrize("name", ["three.toml", "ladder.toml"])
def test_each_order_that_is_only_shown_is_read(name: str) -> None:
    text = re.search(rf"^```toml\n# {name}\n(.*?)^```", PAGE, re.DOTALL | re.MULTILINE)
    assert text is not None
    shown = tomllib.loads(text[1])
    pack = {"strength": "50 mg/mL", "volume": "2 mL", "container": "ampoule"}
    for order in [shown] if "dose" in shown else [{"schedule": one} for one in shown.values()]:
        request = {
            "format": 1,
            "now": "2026-03-02T09:00:00+00:00",
            "patient": {"born": "1990-01-31"},
            "order": {"medicine": "drenovane", "start": "2026-03-02", **order},
            "medicine": {"name": "drenovane", "presentations": [pack]},
        }
        assert read_request(request).request.order.schedule is not None


def shown_files(folder: Path) -> None:
    """Write the files that the page shows, and those it only names."""
    for text in re.findall(r"^```toml\n(.*?)^```", PAGE, re.DOTALL | re.MULTILINE):
        name = re.match(r"# (\S+)\n", text)
        assert name is not None
        (folder / name[1]).write_text(text, "utf-8")
    request = json.dumps(tomllib.loads((folder / "request.toml").read_text("utf-8")))
    (folder / "requests.jsonl").write_text(f"{request}\n{request}\n", "utf-8")
    (folder / "paper.png").write_bytes(b"a picture of paper")
    (folder / "codes.jsonl").write_text(json.dumps("(01)09501101531017(17)270430(10)D220") + "\n", "utf-8")


def examples() -> list[tuple[str, int]]:
    """Each example line with the exit code that the page promises, in the order of the page."""
    blocks = "\n".join(re.findall(r"^```sh\n(.*?)^```", PAGE, re.DOTALL | re.MULTILINE))
    return [(found["line"], int(found["code"] or 0)) for found in EXAMPLE.finditer(blocks)]


class Typist:
    """Types the examples one after the other, as somebody would who follows the page on the demo's record."""

    def __init__(self) -> None:
        self.plan = ""
        self.entry = ""

    def type(self, line: str) -> Result:
        words = [{"PLAN": self.plan, "ENTRY": self.entry}.get(word, word) for word in shlex.split(line)[1:]]
        into = Path(words[words.index(">") + 1]) if ">" in words else None
        words = words[: words.index(">")] if into is not None else words
        desk = Desk(record=Path("demo.sqlite"), clock=lambda: AFTERWARDS)
        result = CliRunner().invoke(the_command, words, obj=desk, env={"DRAWUP_RECORD": "demo.sqlite"})
        if into is not None:
            into.write_text(result.output, "utf-8")
        for found in re.finditer(r"^Plan ([0-9a-f]{12})", result.output, re.MULTILINE):
            self.plan = found[1]
        for found in re.finditer(r"^Entry ([0-9]+-[0-9]+):", result.output, re.MULTILINE):
            self.entry = found[1]
        return result


AFTERWARDS: datetime = moment("2026-03-03 12:00")


def test_every_example_ends_as_the_page_says(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    shown_files(tmp_path)
    typist = Typist()
    wrong = []
    typed = [one for one in examples() if "--photo" not in one[0]]
    assert len(typed) >= 70
    for line, code in typed:
        result = typist.type(line)
        if result.exit_code != code:
            wrong.append(f"{line}\n  exit code {result.exit_code}, the page says {code}: {result.output[:300]}")
    assert not wrong, "\n".join(wrong)


def test_an_exit_code_that_the_page_promises_wrongly_would_be_seen(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert Typist().type("drawup scan '(01)09501101531018(17)270430(10)D220'").exit_code == 1
    assert Typist().type("drawup chart 0001").exit_code == 2
