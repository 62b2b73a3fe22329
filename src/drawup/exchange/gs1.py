"""Reads what stands in a code on a vial, syringe or carton: GTIN, batch, expiry date, serial number.

Takes a reader's transmission, a text typed with or without brackets, a GS1 Digital Link or a GTIN alone, and answers a
`Scan`. It never guesses and never splits: where a separator may have been lost it says so in words.

The Application Identifiers and their formats come from biip. Its parsers of whole messages and links are not used: as
of 5.2 they take the century from the clock, strip a leading separator as white space, cut a batch of 21 characters
after the 20th and read on, let a wrong check digit, a conflicting repeat and digits of other scripts pass, know no
escaped bracket, and in a link pad a short GTIN, take the left-most key and ignore unknown identifiers.

Sources, named where they are used (addresses in `_gs1_rules.py`): DICT, GS1 Barcode Syntax Dictionary; ENGINE, GS1
Barcode Syntax Engine.
"""

from __future__ import annotations

import datetime
import re
import string
from collections.abc import Iterator
from dataclasses import dataclass
from urllib.parse import unquote, unquote_plus

from drawup.exchange._gs1_rules import (
    CHECKED_DIGITS,
    FIXED_LENGTHS,
    Fields,
    all_digits,
    check_digit_holds,
    check_fields,
    check_together,
    date_from_yymmdd,
    date_problems,
    expiry_from_yymmdd,
    is_identifier,
    known,
    named,
    shown,
    swallowed,
)

__all__ = [
    "Fields",
    "Scan",
    "check_digit_holds",
    "expiry_from_yymmdd",
    "parse_bracketed",
    "parse_digital_link",
    "parse_element_string",
    "read_code",
]

LONGEST_TEXT = 4000
"""Characters. The largest GS1 DataMatrix holds 3,116 digits (from memory); more is not one code."""

SEPARATOR = "\x1d"
"""What a reader sends for the FNC1 after a field of variable length: ASCII 29, GS (ENGINE scandata.c)."""

TYPED_WITH_BRACKETS = "typed with brackets"
WITHOUT_IDENTIFIER = "typed or scanned without identifier"
DIGITAL_LINK = "GS1 Digital Link"

# What a reader sends before the text (ENGINE scandata.c; ]I1 for ITF-14 as biip and zxing-cpp have it).
_ELEMENT_STRING_CARRIERS = {
    "]d2": "GS1 DataMatrix",
    "]Q3": "GS1 QR",
    "]C1": "GS1-128",
    "]e0": "GS1 DataBar",
    "]J1": "GS1 DotCode",
}
_GTIN_CARRIERS = {"]E0": ("EAN-13", 13), "]E4": ("EAN-8", 8), "]I1": ("ITF-14", 14)}
_PLAIN_CARRIERS = {
    "]d1": "plain Data Matrix, not GS1",
    "]Q1": "plain QR, not GS1",
    "]J0": "plain DotCode, not GS1",
}

# Keys that may begin a Digital Link, each with the sequences of qualifiers that may follow, in order (DICT, dlpkey).
_LINK_KEYS: dict[str, tuple[tuple[str, ...], ...]] = {
    **dict.fromkeys(("00", "253", "255", "401", "402", "8003", "8013"), ((),)),
    "01": (("22", "10", "21"), ("235",)),
    "8006": (("22", "10", "21"),),
    "414": (("254",), ("7040",)),
    "415": (("8020",),),
    **dict.fromkeys(("417", "8004"), (("7040",),)),
    "8010": (("8011",),),
    **dict.fromkeys(("8017", "8018"), (("8019",),)),
}
_LINK_CHARACTERS = frozenset(string.ascii_letters + string.digits + "-._~:/?#[]@!$&'()*+,;=%")
_NOT_IN_HOST = frozenset("_~?#@!$&'()*+,;=%")

_NOTHING_READ = "Nothing was read. Scan the code again, or type what stands beside it."


@dataclass(frozen=True, slots=True, kw_only=True)
class Scan:
    """What one code says. `accepted` is true exactly when `problems` is empty: nothing in it breaks the standard.

    `expiry_date` is the last day of use. A field that broke a rule is None and its problem quotes it; a batch or serial
    number under suspicion is given as it was read. `raw` is the text as it came. A code may be accepted and yet hold no
    GTIN (the plain QR of a leaflet, a pallet label): look at `gtin` too.
    """

    accepted: bool
    carrier: str | None
    gtin: str | None
    batch: str | None
    expiry_date: datetime.date | None
    serial: str | None
    other: tuple[tuple[str, str], ...]
    problems: tuple[str, ...]
    raw: str

    def as_json(self) -> dict[str, object]:
        """The public answer to `drawup scan`. Of an identifier that stands twice with two values the first is given."""
        other: dict[str, str] = {}
        for ai, value in self.other:
            other.setdefault(ai, value)
        return {
            "accepted": self.accepted,
            "carrier": self.carrier,
            "gtin": self.gtin,
            "batch": self.batch,
            "expiry_date": self.expiry_date.isoformat() if self.expiry_date else None,
            "serial": self.serial,
            "other": other,
            "problems": list(self.problems),
            "raw": self.raw,
        }


def read_code(text: str, *, today: datetime.date, separators_kept: bool = False) -> Scan:
    """Read a scanned or typed code. Every text gives a Scan; what is wrong with it stands in `problems`.

    `today` places two-digit years in a century. `separators_kept` says that the reader is known to pass separators on
    (a picture decoded here), so that no field can have swallowed the next.
    """
    if len(text) > LONGEST_TEXT:
        problem = f"The text has {len(text)} characters; one code has at most {LONGEST_TEXT}. Scan one code at a time."
        return _scan(text, None, Fields(problems=(problem,)), today)
    # Readers end a code with Enter or Tab; neither they nor a space can belong to it.
    trimmed = text.strip(" \t\r\n")
    carrier, fields = _fields_of(trimmed)
    dates = date_problems(fields.elements, today=today)
    problems = [*fields.problems, *dates.values(), *check_together(fields)]
    if carrier == WITHOUT_IDENTIFIER or carrier in _ELEMENT_STRING_CARRIERS.values():
        # One separator behind a field shows that the reader passes them on; a leading one does not.
        kept = separators_kept or SEPARATOR in trimmed.lstrip(SEPARATOR)
        problems.extend(swallowed(fields.elements, separators_kept=kept))
    elements = tuple((ai, value) for ai, value in fields.elements if ai not in dates)
    checked = Fields(elements=elements, refused=fields.refused, problems=tuple(problems))
    return _scan(text, carrier, checked, today)


def parse_element_string(text: str) -> Fields:
    """The fields of an element string without brackets; ASCII 29 stands for FNC1, and one may lead (ENGINE ai.c)."""
    return check_fields(_cut_element_string(text.removeprefix(SEPARATOR)))


def parse_bracketed(text: str) -> Fields:
    r"""The fields of "(01)...(17)..."; spaces beside brackets do not count, `\(` is part of a value (ENGINE ai.c)."""
    return check_fields(_cut_brackets(text))


def parse_digital_link(text: str) -> Fields:
    """The fields of a GS1 Digital Link. The link is never followed. Source: ENGINE dl.c."""
    try:
        link = _Link.of(text)
    except ValueError as error:
        return Fields(problems=(str(error),))
    fields = check_fields(link.pairs())
    return Fields(elements=fields.elements, refused=fields.refused, problems=(*link.problems(), *fields.problems))


# --- which form the text has


def _fields_of(text: str) -> tuple[str | None, Fields]:
    if text == "":
        return None, Fields(problems=(_NOTHING_READ,))
    return _with_identifier(text) if text.startswith("]") else _without_identifier(text)


def _with_identifier(text: str) -> tuple[str | None, Fields]:
    identifier, rest = text[:3], text[3:]
    if identifier in _ELEMENT_STRING_CARRIERS:
        carrier = _ELEMENT_STRING_CARRIERS[identifier]
        if rest.strip(SEPARATOR) == "":
            problem = f"The reader sent {identifier} ({carrier}) and nothing after it. Scan the code again."
            return carrier, Fields(problems=(problem,))
        return carrier, parse_element_string(rest)
    if identifier in _GTIN_CARRIERS:
        carrier, length = _GTIN_CARRIERS[identifier]
        return carrier, _gtin_alone(rest, lengths=(length,))
    if identifier in _PLAIN_CARRIERS:
        if _is_digital_link(rest):
            return DIGITAL_LINK, parse_digital_link(rest)
        return _PLAIN_CARRIERS[identifier], Fields()
    problem = (
        f"The text begins with {shown(identifier)}, which names no kind of code that is read here. Scan the GS1 code "
        "(often a square of dots) on the pack, or type the text beside it with its brackets."
    )
    return None, Fields(problems=(problem,))


def _without_identifier(text: str) -> tuple[str, Fields]:
    if text.startswith("("):
        return TYPED_WITH_BRACKETS, parse_bracketed(text)
    if re.match(r"[A-Za-z][A-Za-z0-9+.\-]*://", text):
        return DIGITAL_LINK, parse_digital_link(text)
    # The digits under retail bars are printed in groups.
    digits = re.sub(r"(?<=[0-9])[ \-](?=[0-9])", "", text)
    if all_digits(digits) and len(digits) in (8, 12, 13, 14):
        return WITHOUT_IDENTIFIER, _gtin_alone(digits, lengths=(8, 12, 13, 14))
    fields = parse_element_string(text)
    present = {*(ai for ai, _ in fields.elements), *fields.refused}
    if text.startswith(SEPARATOR) or present & CHECKED_DIGITS.keys():
        return WITHOUT_IDENTIFIER, fields
    # Almost any text is a valid internal field 90 to 99, so without a check digit nothing shows that this is GS1.
    problem = (
        f"{shown(text)} has no symbology identifier before it and no GTIN in it, so nothing proves that it is a GS1 "
        "code read right. Scan the code with the GTIN, or type it with its brackets."
    )
    problems = (*fields.problems, problem) if present else (problem,)
    return WITHOUT_IDENTIFIER, Fields(elements=fields.elements, refused=fields.refused, problems=problems)


def _gtin_alone(digits: str, *, lengths: tuple[int, ...]) -> Fields:
    if all_digits(digits) and len(digits) in lengths:
        return check_fields([("01", digits.zfill(14))])
    expected = " or ".join(str(length) for length in lengths)
    problem = f"The GTIN reads {shown(digits)}; expected {expected} digits. Scan it again, or type it from the pack."
    return Fields(refused=("01",), problems=(problem,))


# --- cutting a text into fields: pairs of identifier and value, and sentences where no pair could be cut


def _cut_element_string(text: str) -> Iterator[tuple[str, str] | str]:
    if text == "":
        yield _NOTHING_READ
    while text:
        identifier = known(text)
        if identifier is None:
            yield (
                f"{shown(text)} should begin with an Application Identifier (such as 01, 10, 17 or 21) and does not. "
                "The field before it may be too long, or the reader changed a character: scan again, or type the text "
                "beside the code with its brackets."
            )
            return
        text = text.removeprefix(identifier.ai)
        segment, _, after = text.partition(SEPARATOR)
        length = FIXED_LENGTHS.get(identifier.ai[:2])
        if length is None or len(segment) <= length:
            value, text = segment, after
        else:
            value, text = text[:length], text[length:]
        yield identifier.ai, value


def _cut_brackets(text: str) -> Iterator[tuple[str, str] | str]:
    position = 0
    while position < len(text):
        found = re.compile(r"\(([^()]*)\)((?:\\\(|[^(])*)").match(text, position)
        if found is None:
            yield (
                f"{shown(text[position:])} should be an identifier in brackets and its value, such as (10)K7731. "
                "Close the bracket; a bracket that belongs to the value is typed \\(."
            )
            return
        ai, value = found.group(1), found.group(2).replace("\\(", "(").strip(" \t")
        if is_identifier(ai):
            yield ai, value
        else:
            yield (
                f"({shown(ai)[1:-1]}) is no GS1 Application Identifier. Compare it with the pack; the GTIN is 01, "
                "the batch 10, the expiry date 17, the serial number 21."
            )
        position = found.end()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Link:
    """A link taken apart: the path from its key on, and the parameters of its query. Both may be empty."""

    path: tuple[tuple[str, str], ...]
    query: tuple[tuple[str, str], ...]

    @staticmethod
    def of(text: str) -> _Link:
        """Raises ValueError with a sentence where the text is no link at all."""
        scheme, _, rest = text.partition("://")
        if scheme not in ("http", "https", "HTTP", "HTTPS"):
            raise ValueError(
                f"A GS1 Digital Link begins with https:// or http://, not {shown(text[:12])}. Scan it again."
            )
        wrong = sorted(set(text) - _LINK_CHARACTERS)
        if wrong:
            raise ValueError(f"The link holds {shown(wrong[0])}, which no link may. Scan the code again.")
        before_query, _, query = rest.partition("#")[0].partition("?")
        host, _, path = before_query.partition("/")
        if host == "" or set(host) & _NOT_IN_HOST:
            raise ValueError(f"The link should name a host after ://, not {shown(host)}. Scan the code again.")
        parameters = [part.partition("=") for part in query.split("&") if "=" in part]
        return _Link(path=_path_from_key(path.split("/")), query=tuple((name, value) for name, _, value in parameters))

    def pairs(self) -> Iterator[tuple[str, str] | str]:
        for ai, value in self.path:
            yield ai, unquote(value)
        for name, value in self.query:
            if not all_digits(name):
                continue  # Any other word belongs to the host of the link, not to GS1.
            if is_identifier(name):
                yield name, unquote_plus(value)
            else:
                yield f"The link gives {shown(name)}, which is no GS1 Application Identifier. Scan the code again."

    def problems(self) -> Iterator[str]:
        if not self.path:
            yield "The link holds no GS1 key, such as /01/ and a GTIN of 14 digits. Scan the other code on the pack."
            return
        (key, _), *rest = self.path
        qualifiers = [ai for ai, _ in rest]
        if not any(_in_order(qualifiers, sequence) for sequence in _LINK_KEYS[key]):
            yield f"In the link {', '.join(qualifiers)} may not follow {key} in this order. Scan the other code."
        for name, _ in self.query:
            if any(name in sequence and set(qualifiers) <= set(sequence) for sequence in _LINK_KEYS[key]):
                yield f"The {named(name)} belongs before the question mark of the link. Compare it with the pack."


def _is_digital_link(text: str) -> bool:
    try:
        return _Link.of(text).path != ()
    except ValueError:
        return False


def _path_from_key(segments: list[str]) -> tuple[tuple[str, str], ...]:
    """Pairs from the right-most key on, counted from the end, so that any stem may stand before the key."""
    for at in range(len(segments) - 2, -1, -2):
        if not is_identifier(segments[at]):
            return ()
        if segments[at] in _LINK_KEYS:
            return tuple(zip(segments[at::2], segments[at + 1 :: 2], strict=True))
    return ()


def _in_order(qualifiers: list[str], sequence: tuple[str, ...]) -> bool:
    return qualifiers == [ai for ai in sequence if ai in qualifiers]


# --- the answer


def _scan(raw: str, carrier: str | None, fields: Fields, today: datetime.date) -> Scan:
    values: dict[str, set[str]] = {}
    for ai, value in fields.elements:
        values.setdefault(ai, set()).add(value)
    single = {ai: found.pop() for ai, found in values.items() if len(found) == 1 and ai not in fields.refused}
    # A code may give the expiry as a date, as a date and time, or as both; the time itself stays in `other`.
    dates = {date_from_yymmdd(single[ai][:6], today=today, day_00=ai == "17") for ai in ("17", "7003") if ai in single}
    problems = tuple(dict.fromkeys(fields.problems))
    if len(dates) > 1:
        problems += ("The expiry date (17) and the expiry date and time (7003) name two days. Compare with the pack.",)
    own = ("01", "10", "17", "21")
    return Scan(
        accepted=not problems,
        carrier=carrier,
        gtin=single.get("01"),
        batch=single.get("10"),
        expiry_date=dates.pop() if len(dates) == 1 else None,
        serial=single.get("21"),
        other=tuple(dict.fromkeys((ai, value) for ai, value in fields.elements if ai not in own)),
        problems=problems,
        raw=raw,
    )
