"""A test that skips is listed here with a reason a user would accept, and skips nowhere in CI."""

import ast
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

# "file below tests/ :: function that skips" -> why it may, on a machine that is not CI.
MAY_SKIP: dict[str, str] = {
    "conftest.py :: strace": "strace comes from the system's packages, which only root can install",
    "exchange/test_photo.py :: ": "reading photos is an extra; without it there is nothing to read them with",
    "exchange/test_photo.py :: test_a_picture_that_takes_too_much_memory_is_given_up": "Windows cannot limit memory",
}
WAYS_TO_SKIP = {"skip", "skipif", "importorskip", "xfail", "SkipTest", "skipUnless", "skipIf"}


def is_skip(node: ast.AST) -> bool:
    if isinstance(node, ast.ImportFrom):
        return any(alias.name in WAYS_TO_SKIP for alias in node.names)
    return isinstance(node, ast.Attribute) and node.attr in WAYS_TO_SKIP


def skips(tree: ast.AST, function: str = "") -> Iterator[str]:
    """The function round each skip, expected failure or optional import; "" for one that holds for a whole file."""
    for node in ast.iter_child_nodes(tree):
        if is_skip(node):
            yield function
        inside = node.name if isinstance(node, ast.FunctionDef | ast.ClassDef) else ""
        yield from skips(node, function or inside)


def test_every_skip_is_listed_with_its_reason(root: Path) -> None:
    tests = root / "tests"
    found = {
        f"{path.relative_to(tests).as_posix()} :: {function}"
        for path in sorted(tests.rglob("*.py"))
        for function in skips(ast.parse(path.read_bytes()))
    }
    assert found == set(MAY_SKIP), "list each skip in MAY_SKIP, and nothing that no longer skips"
    assert all(reason.strip() for reason in MAY_SKIP.values())


@pytest.mark.parametrize(
    "text",
    [
        "def test_x():\n    pytest.skip('no')",
        "@pytest.mark.skipif(True, reason='no')\ndef test_x(): ...",
        "@pytest.mark.xfail\ndef test_x(): ...",
        "@pytest.fixture\ndef test_x(): pytest.importorskip('numpy')",
    ],
)
def test_a_skip_would_be_found(text: str) -> None:
    assert list(skips(ast.parse(text))) == ["test_x"]


@pytest.mark.parametrize("body", ["def test_x():\n    pytest.skip('no')", "pytest.skip('no', allow_module_level=True)"])
@pytest.mark.parametrize(("in_ci", "exit_code"), [("true", 1), ("", 0)])
def test_a_skip_fails_in_ci_and_only_there(root: Path, tmp_path: Path, body: str, in_ci: str, exit_code: int) -> None:
    shutil.copy(root / "tests" / "conftest.py", tmp_path)
    passing = tmp_path / "test_passing.py"
    passing.write_text("def test_passes():\n    pass\n")
    (tmp_path / "test_skipping.py").write_text(f"import pytest\n\n{body}\n")
    ended = subprocess.run(
        [
            sys.executable,
            "-m",
            "pytest",
            "--rootdir",
            str(tmp_path),
            "-p",
            "no:cacheprovider",
            "--continue-on-collection-errors",
        ],
        cwd=tmp_path,
        env={**os.environ, "CI": in_ci, "PYTEST_ADDOPTS": ""},
        capture_output=True,
        text=True,
        check=False,
    )
    assert ended.returncode == exit_code, ended.stdout
    assert "1 passed" in ended.stdout
