"""What the house tests look at: the repository's files as text, and the source as syntax trees."""

import ast
import os
import shutil
import subprocess
from collections.abc import Iterator, Mapping
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
NOT_OURS = {"build", "dist", "node_modules", "__pycache__"}


@pytest.fixture(scope="session")
def root() -> Path:
    """The top folder of the repository."""
    return ROOT


@pytest.fixture(scope="session")
def repository_texts() -> Mapping[Path, str]:
    """Every text file that belongs to the repository, by its path from the top folder."""
    texts = {}
    for path in sorted(files_known_to_git() or files_found_by_walking()):
        content = (ROOT / path).read_bytes()
        if b"\0" not in content:
            texts[path] = content.decode(errors="replace")
    return texts


@pytest.fixture(scope="session")
def source_trees() -> Mapping[Path, ast.Module]:
    """The syntax tree of each module, by its path below src/drawup."""
    top = ROOT / "src" / "drawup"
    return {path.relative_to(top): ast.parse(path.read_bytes()) for path in sorted(top.rglob("*.py"))}


@pytest.fixture(scope="session")
def core_trees(source_trees: Mapping[Path, ast.Module]) -> Mapping[str, ast.Module]:
    """The syntax tree of each module of injection/, by its file name."""
    return {path.name: tree for path, tree in source_trees.items() if path.parts[0] == "injection"}


def files_known_to_git() -> set[Path]:
    """Tracked files and new ones that are not ignored; none where this is no clone or git will not say."""
    git = shutil.which("git")
    if git is None or not (ROOT / ".git").exists():
        return set()
    command = [git, "ls-files", "-z", "--cached", "--others", "--exclude-standard"]
    answer = subprocess.run(command, cwd=ROOT, capture_output=True, check=False)
    paths = (Path(os.fsdecode(name)) for name in answer.stdout.split(b"\0") if name)
    return {path for path in paths if (ROOT / path).is_file()}


def files_found_by_walking() -> Iterator[Path]:
    """The same without git: all but caches, environments and what a build leaves."""
    for folder, subfolders, names in os.walk(ROOT):
        subfolders[:] = [name for name in subfolders if name not in NOT_OURS and is_ours(name)]
        for name in names:
            yield (Path(folder) / name).relative_to(ROOT)


def is_ours(folder: str) -> bool:
    return folder == ".ci" or not (folder.startswith(".") or folder.endswith(".egg-info"))
