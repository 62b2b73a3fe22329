"""A module is read in one sitting, and one thing has one word."""

import ast
import re
from collections.abc import Iterator, Mapping
from pathlib import Path

import pytest

LINES_AT_MOST = 600
# "drug" may mean the substance or the pack, "lot" a batch or a share; the others say nothing about what a thing is.
NAMES_TO_AVOID = {"drug", "drugs", "qty", "amount2", "lot", "lots", "utils", "util", "helper", "helpers", "manager",
                  "managers"}  # fmt: skip
WORD = re.compile(r"[A-Z]+(?![a-z])|[A-Z]?[a-z0-9]+|[0-9]+")


def names_given(tree: ast.Module) -> Iterator[tuple[int, str]]:
    """Each name that the module itself gives; what it calls by another's name is not its choice."""
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
            yield node.lineno, node.name
        elif isinstance(node, ast.arg):
            yield node.lineno, node.arg
        elif isinstance(node, ast.Name | ast.Attribute) and isinstance(node.ctx, ast.Store):
            yield node.lineno, node.id if isinstance(node, ast.Name) else node.attr
        elif isinstance(node, ast.Import | ast.ImportFrom):
            yield from ((node.lineno, alias.asname) for alias in node.names if alias.asname)


def names_to_change(place: str, tree: ast.Module) -> list[str]:
    return [
        f"{place}:{line} {name}"
        for line, name in names_given(tree)
        if {word.lower() for word in WORD.findall(name)} & NAMES_TO_AVOID
    ]


def test_no_module_is_longer_than_can_be_read_in_one_sitting(
    root: Path, source_trees: Mapping[Path, ast.Module]
) -> None:
    lengths = {path: len((root / "src" / "drawup" / path).read_text("utf-8").splitlines()) for path in source_trees}
    assert not {str(path): length for path, length in lengths.items() if length > LINES_AT_MOST}


def test_no_name_is_one_of_those_to_avoid(source_trees: Mapping[Path, ast.Module]) -> None:
    assert not [fault for path, tree in source_trees.items() for fault in names_to_change(str(path), tree)]


def test_no_file_or_folder_is_named_by_a_word_to_avoid(source_trees: Mapping[Path, ast.Module]) -> None:
    parts = {part.removesuffix(".py") for path in source_trees for part in path.parts}
    assert not {part for part in parts if set(WORD.findall(part)) & NAMES_TO_AVOID}


@pytest.mark.parametrize(
    "line",
    ["drug = 1", "class BatchManager: ...", "def read_lot(text): ...", "def read(qty): ...", "self.amount2 = 1",
     "import re as regex_utils"],
)  # fmt: skip
def test_a_name_to_avoid_would_be_found(line: str) -> None:
    assert names_to_change("x.py", ast.parse(line))


@pytest.mark.parametrize("line", ["allotted = 1", "from contextlib import contextmanager", "plot = 1", "slots = True"])
def test_a_name_that_only_looks_like_one_is_left_alone(line: str) -> None:
    assert not names_to_change("x.py", ast.parse(line))
