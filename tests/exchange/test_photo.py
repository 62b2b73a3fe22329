"""Photos of codes: what is read back, and that every bad picture ends in a sentence."""

from __future__ import annotations

import datetime
import pathlib
import random
import struct
import zlib
from typing import TYPE_CHECKING

import pytest

from drawup.exchange import photo
from drawup.exchange.photo import PhotoError, read_photo

zxingcpp = pytest.importorskip("zxingcpp", reason="reading photos needs the extra 'scan'")
Image = pytest.importorskip("PIL.Image", reason="reading photos needs the extra 'scan'")

if TYPE_CHECKING:
    from PIL.Image import Image as Picture

TODAY = datetime.date(2026, 3, 2)
# Invented packs.
ONE = "(01)09501101531017(10)K7731(17)270331"
TWO = "(01)09501101531024(17)261130(10)D219"


def symbol(text: str, kind: str = "DataMatrix", *, gs1: bool = True) -> Picture:
    code = zxingcpp.create_barcode(text, getattr(zxingcpp.BarcodeFormat, kind), gs1=gs1)
    picture: Picture = Image.fromarray(code.to_image(scale=5))
    return picture


def page(*symbols: Picture) -> Picture:
    sheet: Picture = Image.new("L", (max(picture.width for picture in symbols) + 120, 300 * len(symbols)), 255)
    for number, picture in enumerate(symbols):
        sheet.paste(picture, (60, 300 * number + 60))
    return sheet


def refusal(path: pathlib.Path) -> str:
    with pytest.raises(PhotoError) as caught:
        read_photo(path, today=TODAY)
    assert str(path) in str(caught.value)
    return str(caught.value)


# --- what is read back


def test_a_gs1_datamatrix_is_read_back_with_its_separator(tmp_path: pathlib.Path) -> None:
    path = tmp_path / "vial.png"
    page(symbol(ONE)).save(path)
    (scan,) = read_photo(path, today=TODAY)
    assert scan.raw == "]d2010950110153101710K7731\x1d17270331"
    assert scan.accepted
    assert (scan.carrier, scan.gtin, scan.batch) == ("GS1 DataMatrix", "09501101531017", "K7731")
    assert scan.expiry_date == datetime.date(2027, 3, 31)


def test_a_rotated_and_noisy_photo_is_read(tmp_path: pathlib.Path) -> None:
    path = tmp_path / "vial.jpg"
    turned = page(symbol(ONE)).rotate(23, expand=True, fillcolor=255)
    grain = Image.frombytes("L", turned.size, random.Random(7).randbytes(turned.width * turned.height))
    Image.blend(turned, grain, 0.3).convert("RGB").save(path, quality=60)
    assert [scan.batch for scan in read_photo(path, today=TODAY)] == ["K7731"]


def test_a_code_on_a_transparent_page_is_read(tmp_path: pathlib.Path) -> None:
    path = tmp_path / "vial.png"
    ink = page(symbol(ONE)).point(lambda value: 255 - value)
    picture = Image.new("RGBA", ink.size, (0, 0, 0, 0))
    picture.putalpha(ink)
    picture.save(path)
    assert [scan.batch for scan in read_photo(path, today=TODAY)] == ["K7731"]


def test_two_different_codes_come_back_from_top_to_bottom(tmp_path: pathlib.Path) -> None:
    path = tmp_path / "tray.png"
    page(symbol(TWO), symbol(ONE), symbol(ONE)).save(path)
    assert [scan.batch for scan in read_photo(path, today=TODAY)] == ["D219", "K7731"]


@pytest.mark.parametrize(
    ("text", "kind", "gs1", "carrier", "gtin"),
    [
        (ONE, "Code128", True, "GS1-128", "09501101531017"),
        (ONE, "QRCode", True, "GS1 QR", "09501101531017"),
        ("https://id.example/01/09501101531017", "QRCode", False, "GS1 Digital Link", "09501101531017"),
        ("TESTING", "QRCode", False, "plain QR, not GS1", None),
        ("9501101531017", "EAN13", False, "EAN-13", "09501101531017"),
        ("96385074", "EAN8", False, "EAN-8", "00000096385074"),
        ("416000336108", "UPCA", False, "EAN-13", "00416000336108"),
        ("(01)09501101531017", "DataBarOmni", False, "GS1 DataBar", "09501101531017"),
        ("09501101531017", "ITF14", False, "ITF-14", "09501101531017"),
    ],
)
def test_every_kind_of_code_on_a_pack_is_read(
    tmp_path: pathlib.Path, text: str, kind: str, gs1: bool, carrier: str, gtin: str | None
) -> None:
    path = tmp_path / "pack.png"
    page(symbol(text, kind, gs1=gs1)).save(path)
    (scan,) = read_photo(path, today=TODAY)
    assert (scan.accepted, scan.carrier, scan.gtin) == (True, carrier, gtin)


def test_a_batch_that_looks_like_a_date_is_not_suspected_in_a_photo(tmp_path: pathlib.Path) -> None:
    path = tmp_path / "vial.png"
    page(symbol("(01)09501101531017(10)K773117270331")).save(path)
    (scan,) = read_photo(path, today=TODAY)
    assert (scan.problems, scan.batch) == ((), "K773117270331")


def test_reading_leaves_nothing_behind(tmp_path: pathlib.Path) -> None:
    path = tmp_path / "vial.png"
    page(symbol(ONE)).save(path)
    before = path.read_bytes()
    read_photo(path, today=TODAY)
    assert [found.name for found in tmp_path.iterdir()] == ["vial.png"]
    assert path.read_bytes() == before


# --- what cannot be read


def test_a_picture_without_a_code_says_so(tmp_path: pathlib.Path) -> None:
    path = tmp_path / "wall.png"
    Image.new("L", (640, 480), 200).save(path)
    assert "No code was found" in refusal(path)


def test_a_missing_file_and_a_folder_say_so(tmp_path: pathlib.Path) -> None:
    assert "There is no file" in refusal(tmp_path / "none.png")
    assert "is a folder" in refusal(tmp_path)
    assert "cannot be opened" in refusal(tmp_path / ("n" * 300))


def test_a_file_that_is_no_picture_says_so(tmp_path: pathlib.Path) -> None:
    path = tmp_path / "vial.png"
    for content in (b"not a picture\n", random.Random(3).randbytes(5000), b"%!PS-Adobe-3.0 EPSF-3.0\n"):
        path.write_bytes(content)
        assert "is not a PNG, JPEG" in refusal(path)
    path.write_bytes(b"")
    assert "is empty" in refusal(path)


def test_a_picture_that_breaks_off_says_so(tmp_path: pathlib.Path) -> None:
    noise = Image.frombytes("L", (300, 300), random.Random(1).randbytes(90_000))
    for name in ("vial.png", "vial.jpg"):
        path = tmp_path / name
        noise.save(path)
        path.write_bytes(path.read_bytes()[:20_000])
        assert "breaks off or is damaged" in refusal(path)


def test_a_picture_of_100_megapixels_is_refused_by_its_header(tmp_path: pathlib.Path) -> None:
    path = tmp_path / "huge.png"
    Image.new("1", (10_000, 10_000)).save(path)
    assert "10000 x 10000 pixels" in refusal(path)


def test_a_picture_that_only_claims_to_be_huge_is_refused_by_its_header(tmp_path: pathlib.Path) -> None:
    def chunk(kind: bytes, content: bytes) -> bytes:
        return struct.pack(">I", len(content)) + kind + content + struct.pack(">I", zlib.crc32(kind + content))

    path = tmp_path / "bomb.png"
    header = struct.pack(">IIBBBBB", 2_000_000_000, 2_000_000_000, 8, 6, 0, 0, 0)
    path.write_bytes(b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", b"") + chunk(b"IEND", b""))
    assert "2000000000 x 2000000000 pixels" in refusal(path)


def test_a_file_larger_than_any_photo_is_refused_unopened(tmp_path: pathlib.Path) -> None:
    path = tmp_path / "vial.png"
    with path.open("wb") as file:
        file.truncate(photo.MOST_BYTES + 1)
    assert "100000001 bytes" in refusal(path)


def test_a_picture_that_takes_too_long_is_given_up(tmp_path: pathlib.Path) -> None:
    path = tmp_path / "vial.png"
    page(symbol(ONE)).save(path)
    with pytest.raises(PhotoError, match=r"took longer than 0\.01 seconds"):
        read_photo(path, today=TODAY, most_seconds=0.01)


def test_a_picture_that_takes_too_much_memory_is_given_up(
    tmp_path: pathlib.Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    pytest.importorskip("resource", reason="this system cannot limit memory")
    path = tmp_path / "vial.png"
    Image.new("RGBA", (5000, 5000)).save(path)
    # The same program with a limit that pillow starts in and 100 megabytes of picture do not fit into.
    smaller = tmp_path / "child.py"
    program = photo._CHILD.read_text(encoding="utf-8").replace("1_200_000_000", "200_000_000")
    smaller.write_text(program, encoding="utf-8")
    monkeypatch.setattr(photo, "_CHILD", smaller)
    assert "took more memory" in refusal(path)


def test_a_child_that_dies_is_reported(tmp_path: pathlib.Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "vial.png"
    page(symbol(ONE)).save(path)
    dying = tmp_path / "child.py"
    dying.write_text("import os, signal\nos.kill(os.getpid(), signal.SIGTERM)\n", encoding="utf-8")
    monkeypatch.setattr(photo, "_CHILD", dying)
    assert "more memory or time" in refusal(path)


@pytest.mark.parametrize("missing", ["PIL", "zxingcpp"])
def test_without_the_extra_the_message_says_what_to_install(
    tmp_path: pathlib.Path, monkeypatch: pytest.MonkeyPatch, missing: str
) -> None:
    path = tmp_path / "vial.png"
    page(symbol(ONE)).save(path)
    bare = tmp_path / "child.py"
    program = photo._CHILD.read_text(encoding="utf-8")
    bare.write_text(program.replace("import json\n", f"import json\nimport sys\nsys.modules[{missing!r}] = None\n", 1))
    monkeypatch.setattr(photo, "_CHILD", bare)
    assert "drawup[scan]" in refusal(path)
