"""Finds the codes in one picture. Run by `photo.py` as a process of its own, so that a bad picture harms nothing else.

The picture comes on standard input. Standard output gets one JSON object: `{"codes": ["]d2...", ...]}` with each text
behind its symbology identifier, or `{"error": "..."}` with one of the words `photo.py` knows. Imports nothing of ours.
"""

from __future__ import annotations

import json
import sys
from typing import TYPE_CHECKING, BinaryIO

if TYPE_CHECKING:
    from PIL.Image import Image as Picture

MOST_PIXELS = 50_000_000
"""Pixels. Telephones take 12 to 50 million; no code needs more."""

MOST_MEMORY = 1_200_000_000
"""Bytes of address space. Measured: a JPEG of 12 megapixels takes 0.1 GB, a transparent PNG of 50 takes 0.9 GB."""

MOST_SECONDS = 30
"""Seconds of processor time. Measured: 12 megapixels take 1 second, 50 take 5."""

# Only these, because pillow would start another program for some of the rest.
PICTURE_FORMATS = ("PNG", "JPEG", "WEBP", "AVIF", "TIFF", "BMP", "GIF")


def limit_process() -> None:
    """Where the system can (not on Windows), take the right to more memory and processor time from this process."""
    try:
        import resource
    except ImportError:
        return
    limits = ((resource.RLIMIT_AS, MOST_MEMORY), (resource.RLIMIT_CPU, MOST_SECONDS), (resource.RLIMIT_CORE, 0))
    for kind, most in limits:
        try:
            resource.setrlimit(kind, (most, most))
        except (OSError, ValueError):
            continue  # Some systems refuse a limit of address space; the time limit of the parent still holds.


def find_codes(picture: BinaryIO) -> dict[str, object]:
    """The answer for one picture. Whatever a broken picture makes the decoders raise becomes a word."""
    try:
        from PIL import Image, UnidentifiedImageError
    except ImportError:
        return {"error": "not installed"}
    try:
        # The size is checked here, before anything is decoded.
        Image.MAX_IMAGE_PIXELS = None
        Image.init()
        # An older or smaller pillow may lack one of them, and would raise KeyError for its name.
        image = Image.open(picture, formats=[kind for kind in PICTURE_FORMATS if kind in Image.OPEN])
        if image.width * image.height > MOST_PIXELS:
            return {"error": "too large", "width": image.width, "height": image.height}
        return {"codes": _read(_grey(image))}
    except ImportError:
        return {"error": "not installed"}
    except UnidentifiedImageError:
        return {"error": "not a picture"}
    except MemoryError:
        return {"error": "memory"}
    except Exception:
        # pillow raises OSError, SyntaxError, ValueError, struct.error and others for a file that breaks off.
        return {"error": "damaged"}


def _grey(image: Picture) -> Picture:
    from PIL import Image

    image.draft("L", image.size)
    if "A" in image.getbands() or "transparency" in image.info:
        # What is transparent is the white of the page, not the black that lies under it.
        coloured = image.convert("RGBA")
        page = Image.new("RGBA", coloured.size, "white")
        page.alpha_composite(coloured)
        return page.convert("L")
    return image.convert("L")


def _read(image: Picture) -> list[str]:
    from zxingcpp import BarcodeFormat as Format
    from zxingcpp import BarcodeFormats, Binarizer, read_barcodes

    kinds = BarcodeFormats(
        [Format.DataMatrix, Format.QRCode, Format.Code128, Format.EANUPC, Format.DataBar, Format.ITF14]
    )
    for binarizer in (Binarizer.LocalAverage, Binarizer.GlobalHistogram):
        found = read_barcodes(image, formats=kinds, binarizer=binarizer)
        if found:
            break
    found.sort(key=lambda code: (code.position.top_left.y, code.position.top_left.x))
    # The bytes, because the text is made for reading: it has brackets, or <GS> in place of the separator.
    return list(dict.fromkeys(code.symbology_identifier + _decoded(code.bytes) for code in found))


def _decoded(content: bytes) -> str:
    try:
        return content.decode("utf-8")
    except UnicodeDecodeError:
        return content.decode("latin-1")


if __name__ == "__main__":
    limit_process()
    json.dump(find_codes(sys.stdin.buffer), sys.stdout)
