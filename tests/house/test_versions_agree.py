"""One version, said in three places; and what the lock holds is what pyproject asks for."""

import importlib.metadata
import os
import re
import sys
import tomllib
from pathlib import Path
from typing import Any

import pytest

import drawup


@pytest.fixture
def pyproject(root: Path) -> dict[str, Any]:
    """The project's own description of itself."""
    return tomllib.loads((root / "pyproject.toml").read_text("utf-8"))


def test_the_version_is_the_same_everywhere(root: Path, pyproject: dict[str, Any]) -> None:
    headings = re.findall(r"^## \[(.+?)\]", (root / "CHANGELOG.md").read_text("utf-8"), re.MULTILINE)
    newest = next(heading for heading in headings if heading != "Unreleased")
    assert drawup.__version__ == pyproject["project"]["version"] == newest == importlib.metadata.version("drawup")


def test_the_lock_holds_every_package_that_the_project_names(root: Path, pyproject: dict[str, Any]) -> None:
    asked = pyproject["project"]["dependencies"] + pyproject["dependency-groups"]["dev"]
    asked += [line for extra in pyproject["project"]["optional-dependencies"].values() for line in extra]
    asked += pyproject["build-system"]["requires"]
    locked = set(re.findall(r"^([a-z0-9-]+)==", (root / "requirements.lock").read_text("utf-8"), re.MULTILINE))
    names = {re.split(r"[^A-Za-z0-9_.-]", line)[0].lower().replace("_", "-") for line in asked}
    assert not names - locked, "run `make lock`"


def test_in_ci_what_is_tested_is_the_installed_package() -> None:
    is_installed = Path(drawup.__file__).is_relative_to(sys.prefix)
    assert is_installed or os.environ.get("CI", "").lower() != "true"
