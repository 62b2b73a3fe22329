"""A command, a finding or a public name that is not explained is not finished."""

import ast
import importlib
import re
from collections.abc import Iterator, Mapping
from pathlib import Path

import click

FENCED = re.compile(r"^```[^\n]*\n(.*?)^```", re.DOTALL | re.MULTILINE)


def commands() -> Iterator[tuple[str, click.Command, click.Context]]:
    """Each command that does something, by its full name: `drawup order stop`, not the group `drawup order`."""
    top = importlib.import_module("drawup.cli.main").drawup
    yield from commands_below(top, click.Context(top, info_name="drawup"))


def commands_below(
    command: click.Command, context: click.Context
) -> Iterator[tuple[str, click.Command, click.Context]]:
    if not isinstance(command, click.Group):
        yield context.command_path, command, context
        return
    for name in command.list_commands(context):
        below = command.get_command(context, name)
        assert below is not None, f"{context.command_path} lists {name} but cannot find it"
        yield from commands_below(below, click.Context(below, info_name=name, parent=context))


def test_every_command_has_an_example_in_docs_commands(root: Path) -> None:
    examples = "\n".join(FENCED.findall((root / "docs" / "commands.md").read_text("utf-8")))
    missing = [name for name, _, _ in commands() if not re.search(rf"\b{re.escape(name)}\b", examples)]
    assert not missing


def test_every_command_has_an_example_in_its_help() -> None:
    missing = [
        name
        for name, command, context in commands()
        if not re.search(rf"Example.*\b{re.escape(name)}\b", command.get_help(context), re.DOTALL)
    ]
    assert not missing


def test_every_finding_is_explained_in_docs_findings(root: Path) -> None:
    page = (root / "docs" / "findings.md").read_text("utf-8")
    codes = importlib.import_module("drawup.injection.finding").CODES
    assert codes
    assert not [code for code in codes if not re.search(rf"(?<![\w-]){re.escape(code)}(?![\w-])", page)]


def test_every_public_name_of_the_core_has_a_docstring(core_trees: Mapping[str, ast.Module]) -> None:
    missing = [
        f"{module}: {getattr(node, 'name', 'the module itself')}"
        for module, tree in core_trees.items()
        for node in (tree, *tree.body)
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef)
        if not getattr(node, "name", "").startswith("_") and not ast.get_docstring(node)
    ]
    assert not missing
