"""injection/ is exact and depends on nothing: no library, clock, file or chance, and no float but where listed."""

import ast
import builtins
import sys
from collections.abc import Iterator, Mapping

import pytest

# Rooms where the answer is a chance, a burden, a distance or a force, and a float is therefore right.
FLOAT_MODULES = {"tissue.py", "reach.py", "rotation.py", "flow.py"}
# Elsewhere a float is right only in these functions, classes and constants, listed by name.
FLOAT_NAMES: Mapping[str, frozenset[str]] = {
    "needle.py": frozenset(("share_at_bone",)),  # a chance
    "site.py": frozenset(),  # the grid: distance between two points
}

# The part of the standard library that reads no clock, file, environment or random number.
PURE_MODULES = {
    "__future__", "abc", "bisect", "calendar", "collections", "copy", "dataclasses", "datetime", "decimal", "enum",
    "fractions", "functools", "hashlib", "heapq", "itertools", "json", "math", "operator", "re", "statistics", "string",
    "textwrap", "types", "typing", "unicodedata",
}  # fmt: skip
CLOCKS = {"now", "today", "utcnow", "fromtimestamp"}
OUTSIDE = {"open", "input", "print", "eval", "exec", "compile", "__import__", "breakpoint"}
WHOLE_NUMBER_MATH = {"ceil", "comb", "factorial", "floor", "gcd", "isqrt", "lcm", "perm", "prod", "trunc"}


def imported_names(tree: ast.Module) -> Iterator[tuple[int, str]]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from ((node.lineno, alias.name) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            yield node.lineno, "drawup.injection" if node.level == 1 else "." * node.level + (node.module or "")


def called_name(node: ast.AST) -> str:
    if not isinstance(node, ast.Call):
        return ""
    if isinstance(node.func, ast.Attribute):
        return node.func.attr
    return node.func.id if isinstance(node.func, ast.Name) else ""


def inexact(node: ast.AST) -> str:
    """What about this node makes a binary float, or nothing."""
    if isinstance(node, ast.Constant) and isinstance(node.value, float | complex):
        return f"the float literal {node.value!r}"
    if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in {"float", "round"}:
        return f"{node.func.id}("
    if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id == "math":
        return "" if node.attr in WHOLE_NUMBER_MATH else f"math.{node.attr}, which answers in float"
    if isinstance(node, ast.ImportFrom) and node.module == "math":
        inexact_names = {alias.name for alias in node.names} - WHOLE_NUMBER_MATH
        return f"{min(inexact_names)} from math, which answers in float" if inexact_names else ""
    return ""


def names_defined(statement: ast.stmt) -> set[str]:
    if isinstance(statement, ast.FunctionDef | ast.ClassDef):
        return {statement.name}
    targets = statement.targets if isinstance(statement, ast.Assign) else [getattr(statement, "target", None)]
    return {target.id for target in targets if isinstance(target, ast.Name)}


def inexact_lines(module: str, tree: ast.Module) -> list[str]:
    """Each inexact place of one module that the lists above do not allow."""
    if module in FLOAT_MODULES:
        return []
    allowed = FLOAT_NAMES.get(module, frozenset())
    return [
        f"{module}:{getattr(node, 'lineno', '?')} uses {inexact(node)}"
        for statement in tree.body
        if not names_defined(statement) & allowed
        for node in ast.walk(statement)
        if inexact(node)
    ]


def reaching_out(module: str, tree: ast.Module) -> list[str]:
    """Each place of one module that asks a clock or touches anything outside its arguments."""
    return [
        f"{module}:{getattr(node, 'lineno', '?')} calls {called_name(node)}("
        for node in ast.walk(tree)
        if called_name(node) in CLOCKS
        or (isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in OUTSIDE)
    ]


def foreign_imports(module: str, tree: ast.Module) -> list[str]:
    """Each import of one module that is neither from the core itself nor from the pure standard library."""
    return [
        f"{module}:{line} imports {name}"
        for line, name in imported_names(tree)
        if name.split(".")[0] not in PURE_MODULES and name != "drawup.injection" and "drawup.injection." not in name
    ]


def test_the_core_is_exact(core_trees: Mapping[str, ast.Module]) -> None:
    faults = [fault for module, tree in core_trees.items() for fault in inexact_lines(module, tree)]
    assert not faults, "amounts are Fraction; a float belongs only where this test lists it"


def test_the_core_reads_no_clock_and_touches_nothing_outside(core_trees: Mapping[str, ast.Module]) -> None:
    faults = [fault for module, tree in core_trees.items() for fault in reaching_out(module, tree)]
    assert not faults, "now, tables, policy and history come in as arguments"


def test_the_core_imports_only_itself_and_the_pure_standard_library(core_trees: Mapping[str, ast.Module]) -> None:
    faults = [fault for module, tree in core_trees.items() for fault in foreign_imports(module, tree)]
    assert not faults, "a module that reads no clock, file, environment or chance may be added to PURE_MODULES"


def test_every_name_allowed_a_float_still_exists(core_trees: Mapping[str, ast.Module]) -> None:
    for module, allowed in FLOAT_NAMES.items():
        if module in core_trees:
            defined = {name for statement in core_trees[module].body for name in names_defined(statement)}
            assert allowed <= defined


def test_the_lists_above_are_real_modules_and_builtins() -> None:
    assert sys.stdlib_module_names >= PURE_MODULES
    assert set(dir(builtins)) >= OUTSIDE


@pytest.mark.parametrize(
    "line",
    ["dose = 2.5", "dose = float(text)", "dose = round(amount)", "side = math.sqrt(area)", "from math import pi"],
)
def test_an_inexact_line_would_be_found(line: str) -> None:
    assert inexact_lines("dose.py", ast.parse(line))
    assert not inexact_lines("tissue.py", ast.parse(line))


@pytest.mark.parametrize("line", ["when = datetime.now(UTC)", "when = date.today()", "table = open(path)"])
def test_a_line_that_reaches_out_would_be_found(line: str) -> None:
    assert reaching_out("timing.py", ast.parse(line))


@pytest.mark.parametrize(
    "line",
    ["import random", "from time import time", "import os.path", "from drawup.record import append", "import click",
     "from .. import record", "from drawup import service"],
)  # fmt: skip
def test_a_foreign_import_would_be_found(line: str) -> None:
    assert foreign_imports("dose.py", ast.parse(line))


@pytest.mark.parametrize(
    "line",
    ["from fractions import Fraction", "from drawup.injection.quantity import Mass", "from . import quantity",
     "import drawup.injection.quantity", "from .quantity import Mass", "from drawup.injection import quantity"],
)  # fmt: skip
def test_an_import_within_the_core_is_allowed(line: str) -> None:
    assert not foreign_imports("dose.py", ast.parse(line))
