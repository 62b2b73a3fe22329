"""A code or a picture that cannot be read: not accepted, and in words. All codes are invented."""

from __future__ import annotations

import json
import struct
import zlib
from importlib.util import find_spec

import pytest
from tests.cli.room import (
    VIAL,
    Room,
    check_told,
)

CODES = {
    "nothing": "",
    "a space": " ",
    "a zero byte": "\0",
    "a terminal's colour": "\x1b[31m",
    "half a character": "\ud800",
    "right to left": "\u202e(01)09501101531017",
    "a hundred thousand": "9" * 100_000,
    "a hundred thousand brackets": "(01)" * 25_000,
    "a wrong check digit": "(01)09501101531018(17)270430(10)D220",
    "the 45th of a month": "(01)09501101531017(17)270445(10)D220",
    "a batch of 300": "(01)09501101531017(17)270430(10)" + "D" * 300,
    "two batches": "(01)09501101531017(10)A(10)B",
    "figures of another script": "(01)٠٩٥٠١١٠١٥٣١٠١٧",
    "a link to nowhere": "https://",
    "a link without end": "https://id.example/01/" + "0/" * 1000,
}


@pytest.mark.parametrize("name", CODES)
def test_a_broken_code_is_not_accepted_and_says_why(room: Room, name: str) -> None:
    check_told(room.run("scan", CODES[name]), 1)
    answered = json.loads(room.run("scan", CODES[name], "--json").output)
    assert (answered["accepted"], answered["raw"]) == (False, CODES[name])
    assert answered["problems"]
    room.refuses("stock", "receive", CODES[name], "--count", "1", says=(" ",))


def test_codes_one_a_line_are_answered_in_order(room: Room) -> None:
    lines = [json.dumps(code).encode() for code in CODES.values()]
    lines += [b"", b"\xff", b"null", b"1", b"{}", b"[]", b"NaN", b"[" * 100_000, b'"' + b"a" * 1_500_000 + b'"']
    lines.append(json.dumps(VIAL).encode())
    result = room.run("scan", "--lines", "-", given=b"\n".join(lines))
    answers = [json.loads(line) for line in result.output.splitlines()]
    assert len(answers) == len(lines)
    assert [answer.get("raw") for answer in answers[: len(CODES)]] == list(CODES.values())
    assert all("error" in answer for answer in answers[len(CODES) : -1])
    assert answers[-1]["batch"] == "D220"
    assert result.exit_code == 1


def png(width: int, height: int, kept: int | None = None) -> bytes:
    """A black picture of so many pixels, one bit each; only its first bytes are kept where asked."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    rows = zlib.compress(b"\0" * ((width + 7) // 8 + 1) * height, 1)
    header = struct.pack(">IIBBBBB", width, height, 1, 0, 0, 0, 0)
    whole = b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", rows) + chunk(b"IEND", b"")
    return whole[:kept]


def test_a_broken_picture_is_refused_in_words(room: Room) -> None:
    pictures = {
        "nothing": b"",
        "no picture": b"{}",
        "without a code": png(64, 64),
        "broken off": png(600, 600, kept=80),
        "100 megapixels": png(10_000, 10_000),
    }
    says = {
        "nothing": "is empty",
        "no picture": "is not",
        "without a code": "No code was found",
        "broken off": "breaks off or is damaged",
        "100 megapixels": "10000 x 10000 pixels",
    }
    if find_spec("zxingcpp") is None:  # then that is what every picture but an empty one is told
        says = {**dict.fromkeys(says, "needs the extra 'scan'"), "nothing": says["nothing"]}
    for name, content in pictures.items():
        path = room.file("photo.png", content)
        room.refuses("scan", "--photo", path, says=(path, says[name]))
        answered = json.loads(room.refuses("scan", "--photo", path, "--json", says=()))
        assert says[name] in answered["error"]["message"]
