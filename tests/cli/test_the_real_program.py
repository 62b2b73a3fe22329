"""The console script as a process of its own: bytes that are no text, a closed pipe, a fault of our own."""

from __future__ import annotations

import json
import os
import subprocess
import sys

from tests.cli.room import (
    WHOLE,
    Room,
)


def program(room: Room, *arguments: str, given: bytes = b"", **environment: str) -> subprocess.CompletedProcess[bytes]:
    """The console script as a process of its own."""
    command = [sys.executable, "-m", "drawup", "--record", str(room.record), *arguments]
    return subprocess.run(
        command, input=given, capture_output=True, timeout=60, check=False, env={**os.environ, **environment}
    )


def test_binary_on_standard_input_is_refused_by_the_real_program(room: Room) -> None:
    done = program(room, "plan", "-", given=os.urandom(100_000) + b"\xff")
    assert (done.returncode, done.stdout) == (2, b"")
    assert b"not UTF-8 text" in done.stderr
    assert b"Traceback" not in done.stderr


def test_a_name_that_is_no_text_is_refused_by_the_real_program(room: Room) -> None:
    # Where names are bytes, one that is no text is read as half a character.
    half = os.fsdecode(b"\xff") if os.name == "posix" else "\udcff"
    for arguments in (("plan", f"{half}.json"), ("chart", half, "--json"), ("scan", half, "--json")):
        done = program(room, *arguments)
        assert done.returncode in (1, 2)
        assert done.stdout + done.stderr
        assert b"Traceback" not in done.stderr
        if "--json" in arguments:
            assert isinstance(json.loads(done.stdout), dict)


def test_a_terminal_that_cannot_show_a_name_shows_its_code(room: Room) -> None:
    done = program(room, "chart", "0001", PYTHONIOENCODING="iso8859-7")
    assert (done.returncode, done.stderr) == (0, b"")
    assert b"S\\xe9an" in done.stdout


def test_a_reader_that_stops_reading_is_no_fault(room: Room) -> None:
    command = [
        sys.executable,
        "-m",
        "drawup",
        "plan",
        "--lines",
        room.file("many.jsonl", (WHOLE + "\n").encode() * 300),
    ]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as running:
        assert running.stdout is not None
        assert running.stderr is not None
        running.stdout.readline()
        running.stdout.close()
        told = running.stderr.read()
        assert running.wait(timeout=60) == 1
    assert b"Traceback" not in told


def test_a_fault_of_our_own_is_a_sentence_too(room: Room) -> None:
    # A command that breaks inside stands in for the fault that nobody has found yet.
    broken = (
        "import drawup.cli.main as m, drawup.service.tracing as t\n"
        "def chart(*_): raise KeyError('invented')\n"
        "t.chart = chart\n"
        "m.main()\n"
    )
    command = [sys.executable, "-c", broken, "--record", str(room.record), "chart", "0001"]
    done = subprocess.run(command, capture_output=True, timeout=60, check=False)
    assert done.returncode == 70
    assert b"a fault in Drawup itself" in done.stderr
    assert b"KeyError" in done.stderr
    assert b"Traceback" not in done.stderr
