"""Reads the codes in a photo of a pack, a vial or a syringe. Only their text is kept, never the picture.

A picture is foreign material and its decoders are large, so it is decoded in a process of its own (`_photo_child.py`)
with limits on memory and time. Needs the extra `scan` (zxing-cpp and pillow).
"""

from __future__ import annotations

import datetime
import json
import pathlib
import stat
import subprocess
import sys
from typing import BinaryIO

from drawup.exchange.gs1 import Scan, read_code

MOST_BYTES = 100_000_000
"""Bytes of a file. A photo of 50 megapixels has about 20 million as JPEG (from memory)."""

MOST_SECONDS = 30.0
"""Seconds to wait for one picture, on the clock."""

_CHILD = pathlib.Path(__file__).with_name("_photo_child.py")
_AGAIN = "Take the photo again, closer, sharp and evenly lit, or type the text beside the code with its brackets."
_KINDS = "a PNG, JPEG, WebP, AVIF, TIFF, BMP or GIF picture"


class PhotoError(ValueError):
    """A photo that cannot be read. The message names the file and the next step."""


def read_photo(path: pathlib.Path, *, today: datetime.date, most_seconds: float = MOST_SECONDS) -> tuple[Scan, ...]:
    """Every different code in the picture, from top to bottom; at least one. Raises PhotoError.

    Which of several is meant is not decided here: where they differ, the caller shows them all and takes none.
    `today` places two-digit years in a century.
    """
    with _opened(path) as picture:
        answer = _asked(path, picture, most_seconds)
    codes = answer.get("codes")
    if not isinstance(codes, list):
        raise PhotoError(_refusal(path, answer))
    if not codes:
        raise PhotoError(f"No code was found in {_name(path)}. {_AGAIN}")
    return tuple(read_code(str(code), today=today, separators_kept=True) for code in codes)


def _opened(path: pathlib.Path) -> BinaryIO:
    try:
        found = path.stat()
    except FileNotFoundError:
        raise PhotoError(f"There is no file {_name(path)}. Compare the name.") from None
    except (OSError, ValueError) as error:
        raise PhotoError(_not_opened(path, error)) from None
    if stat.S_ISDIR(found.st_mode):
        raise PhotoError(f"{_name(path)} is a folder. Name the picture in it.")
    if not stat.S_ISREG(found.st_mode):
        raise PhotoError(f"{_name(path)} is not a file. Name {_KINDS}.")
    if found.st_size == 0:
        raise PhotoError(f"{_name(path)} is empty. Copy the picture again, or take a new one.")
    if found.st_size > MOST_BYTES:
        raise PhotoError(
            f"{_name(path)} has {found.st_size} bytes; a photo of a code has at most {MOST_BYTES}. Take a smaller one."
        )
    try:
        return path.open("rb")
    except OSError as error:
        raise PhotoError(_not_opened(path, error)) from None


def _not_opened(path: pathlib.Path, error: Exception) -> str:
    # A name may be too long, hold a zero byte, or lead through something that is no folder.
    reason = getattr(error, "strerror", None) or str(error)
    return f"{_name(path)} cannot be opened ({reason}). Compare the name and who may read the file."


def _name(path: pathlib.Path) -> str:
    """The path as it can always be printed, whatever bytes the system let it have."""
    return str(path).encode("utf-8", "backslashreplace").decode("utf-8")


def _asked(path: pathlib.Path, picture: BinaryIO, most_seconds: float) -> dict[str, object]:
    # -P keeps the folder of the script and of the caller out of the search for modules.
    command = [sys.executable, "-P", str(_CHILD)]
    try:
        done = subprocess.run(command, stdin=picture, capture_output=True, timeout=most_seconds, check=False)
    except subprocess.TimeoutExpired:
        # subprocess.run has killed the child by now.
        raise PhotoError(
            f"{_name(path)} took longer than {most_seconds:g} seconds and was given up. {_AGAIN}"
        ) from None
    except OSError as error:
        raise PhotoError(f"{_name(path)} was not read: its process did not start ({error}). Type the code.") from None
    try:
        answer = json.loads(done.stdout)
    except ValueError:
        answer = None
    if not isinstance(answer, dict):
        # The child always answers, unless the system ended it for want of memory or time.
        raise PhotoError(f"{_name(path)} took more memory or time than a photo may. Take one with fewer pixels.")
    return answer


def _refusal(path: pathlib.Path, answer: dict[str, object]) -> str:
    match answer.get("error"):
        case "not installed":
            return (
                f"{_name(path)} was not read: reading photos needs the extra 'scan'. Install it with "
                "pip install 'drawup[scan]', or type the text beside the code with its brackets."
            )
        case "not a picture":
            return f"{_name(path)} is not {_KINDS}. Save the photo as JPEG or PNG."
        case "too large":
            return (
                f"{_name(path)} has {answer.get('width')} x {answer.get('height')} pixels; at most 50 million are "
                "read. Take a smaller photo, or cut out the code."
            )
        case "memory":
            return f"{_name(path)} took more memory than a photo may. Take one with fewer pixels, or cut out the code."
        case _:
            return f"{_name(path)} breaks off or is damaged. Copy the picture again, or take a new one."
