"""Every example in README.md and docs/ runs as it is written, and prints what is written under it.

A block marked ```json or ```toml after a comment `<!-- file: NAME -->` is written to that file; in a ```console block
each line that starts with "$ " is run, and the lines under it are what it prints, where "..." stands for any lines.
"""

from __future__ import annotations

import re
import shlex
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PAGES = [ROOT / "README.md", *sorted((ROOT / "docs").rglob("*.md"))]
BLOCK = re.compile(r"(?:<!-- file: (?P<file>\S+) -->\n)?```(?P<kind>\w+)\n(?P<text>.*?)```", re.DOTALL)


def commands(text: str) -> Iterator[tuple[str, str]]:
    """Each command of a console block with what is written under it."""
    for part in re.split(r"^\$ ", text, flags=re.MULTILINE)[1:]:
        command, _, printed = part.partition("\n")
        yield command, printed.rstrip()


def pattern(printed: str) -> re.Pattern[str]:
    """The written output as a pattern: "..." alone on a line is any number of lines, inside a line any text."""
    lines = []
    for line in printed.splitlines():
        lines.append(r"(?:.*\n)*?" if line.strip() == "..." else re.escape(line).replace(r"\.\.\.", ".*") + r"\s*?\n")
    return re.compile("".join(lines))


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.relative_to(ROOT).as_posix())
def test_the_examples_of_a_page_print_what_is_written_under_them(page: Path, tmp_path: Path) -> None:
    for block in BLOCK.finditer(page.read_text("utf-8")):
        if block["file"]:
            (tmp_path / block["file"]).write_text(block["text"], "utf-8")
        if block["kind"] != "console":
            continue
        for command, printed in commands(block["text"]):
            words = shlex.split(command)
            if words[0] != "drawup":
                continue
            done = subprocess.run(
                [sys.executable, "-m", "drawup", *words[1:]],
                capture_output=True,
                text=True,
                cwd=tmp_path,
                env={"DRAWUP_RECORD": str(tmp_path / "record.sqlite"), "PATH": "", "HOME": str(tmp_path)},
                timeout=60,
            )
            assert "Traceback" not in done.stderr
            if printed:
                assert pattern(printed).fullmatch(done.stdout + done.stderr + "\n") or pattern(printed).fullmatch(
                    done.stdout + done.stderr
                ), f"{command}\n{done.stdout}{done.stderr}"
