"""How long a person waits for the command line, beside a bare program of the same library: ratios of one run."""

from __future__ import annotations

import compileall
import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from plan import REQUEST

import drawup

BARE = """
import click
@click.group()
def bare(): "A bare program."
@bare.command()
def one(): "One."
bare()
"""


def milliseconds(arguments: list[str], *, codes: tuple[int, ...] = (0,), runs: int = 15) -> float:
    """The best of many whole processes."""
    best = 1e9
    for _ in range(runs):
        start = time.perf_counter()
        done = subprocess.run([sys.executable, *arguments], capture_output=True, check=False)
        best = min(best, time.perf_counter() - start)
        assert done.returncode in codes, done.stderr.decode()
    return best * 1000


def main() -> None:
    """Print the figures."""
    compileall.compile_dir(Path(drawup.__file__).parent, quiet=2)
    with tempfile.TemporaryDirectory() as folder:
        bare, request = Path(folder) / "bare.py", Path(folder) / "request.json"
        bare.write_text(BARE, "utf-8")
        request.write_text(json.dumps(REQUEST), "utf-8")
        start = "from drawup.cli.main import main; main()"
        plain = milliseconds([str(bare), "--help"])
        help_text = milliseconds(["-c", start, "--help"])
        plan = milliseconds(["-c", start, "plan", str(request)], codes=(0, 3, 4))
        print(f"bare program --help      {plain:6.0f} ms")
        print(f"drawup --help            {help_text:6.0f} ms   ratio {help_text / plain:.2f} (target at most 2)")
        print(f"drawup plan, cold        {plan:6.0f} ms   (target at most 250 ms, byte-compiled)")


if __name__ == "__main__":
    main()
