"""The rules of GS1 fields: characters, lengths, check digits, dates, and which fields may stand together.

`gs1.py` cuts a text into fields; here they are checked. The list of Application Identifiers with their formats comes
from biip, the rest from the sources below, as tables of only what a vial, syringe or carton can carry.

DICT    GS1 Barcode Syntax Dictionary, GS1 AISBL, https://github.com/gs1/gs1-syntax-dictionary
ENGINE  GS1 Barcode Syntax Engine, GS1 AISBL, https://github.com/gs1/gs1-syntax-engine, src/c-lib/ai.c
"""

from __future__ import annotations

import calendar
import datetime
import re
import string
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from biip.gs1_application_identifiers import GS1ApplicationIdentifier

# Characters of a value by its first two digits, where no separator is needed (ENGINE).
FIXED_LENGTHS = {
    "00": 18, "01": 14, "02": 14, "03": 14, "04": 16, "20": 2, "41": 13,
    **{str(prefix): 6 for prefix in (*range(11, 20), *range(31, 37))},
}  # fmt: skip

# How many leading digits of a value end in a check digit (DICT, csum).
CHECKED_DIGITS = {
    "00": 18, "01": 14, "02": 14, "03": 14, "253": 13, "255": 13, "402": 17, "8003": 14, "8006": 14, "8017": 18,
    "8018": 18, "8026": 14, **{str(ai): 13 for ai in range(410, 418)},
}  # fmt: skip

_DATES = frozenset({"11", "12", "13", "15", "16", "17"})
_SET_82 = frozenset(string.ascii_letters + string.digits + "!\"%&'()*+,-./:;<=>?_")

# One of each group must stand in the same code (DICT, req=).
_ITEM = frozenset({"01", "02", "03", "8006", "8026"})
_PIECE = frozenset({"01", "8006"})
_GTIN = frozenset({"01"})
_NEEDS: dict[str, tuple[frozenset[str], ...]] = {
    "02": (frozenset({"37"}),),
    **dict.fromkeys(("10", "11", "13", "15", "16", "20", "240", "241", "242"), (_ITEM,)),
    "12": (frozenset({"8020"}),),
    "17": (_ITEM | {"255"},),
    "21": (_PIECE | {"03"},),
    **dict.fromkeys(("22", "235", "243", "8014", "8200", *map(str, range(710, 718))), (_GTIN,)),
    "250": (_PIECE, frozenset({"21"})),
    **dict.fromkeys(("251", "7020", "7021", "7240", "8012"), (_PIECE,)),
    "30": (frozenset({"01", "02"}),),
    "37": (frozenset({"00"}), frozenset({"02", "8026"})),
    "7003": (frozenset({"01", "02", "03"}),),
    "7004": (_GTIN, frozenset({"10"})),
    **dict.fromkeys(("7241", "7242", "8019"), (frozenset({"8017", "8018"}),)),
    "8008": (frozenset({"01", "02"}),),
    "8020": (frozenset({"415"}),),
    "8026": (frozenset({"37"}),),
}

# May not stand in the same code (DICT, ex=).
_NOT_WITH: dict[str, tuple[str, ...]] = {
    "01": ("255", "37"),
    "02": ("01", "03"),
    "03": ("01", "02", "37"),
    "21": ("235",),
    "255": ("01", "02", "415", "8006", "8020", "8026"),
    "8006": ("01", "03", "37"),
    "8017": ("8018",),
    "8026": ("02", "8006"),
}

_NAMES = {
    "00": "SSCC", "01": "GTIN", "02": "GTIN of the contents", "03": "made-to-order GTIN", "10": "batch",
    "11": "production date", "12": "due date", "13": "packaging date", "15": "best-before date", "16": "sell-by date",
    "17": "expiry date", "21": "serial number", "37": "count of the contents", "7003": "expiry date and time",
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Fields:
    """The fields of one text: those that hold, in order; the identifiers of those that do not; and why not."""

    elements: tuple[tuple[str, str], ...] = ()
    refused: tuple[str, ...] = ()
    problems: tuple[str, ...] = ()


# --- one field


def check_fields(cut: Iterable[tuple[str, str] | str]) -> Fields:
    """Check each value by itself. `cut` holds pairs of identifier and value, and a sentence where none could be cut."""
    elements: list[tuple[str, str]] = []
    refused: list[str] = []
    problems: list[str] = []
    for part in cut:
        if isinstance(part, str):
            problems.append(part)
        elif (problem := _value_problem(*part)) is not None:
            refused.append(part[0])
            problems.append(problem)
        else:
            elements.append(part)
    return Fields(elements=tuple(elements), refused=tuple(refused), problems=tuple(problems))


def check_digit_holds(digits: str) -> bool:
    """Whether the last digit is the check digit of the rest: weights 3, 1, 3, ... from the right (DICT lint_csum.c)."""
    if len(digits) < 2 or not all_digits(digits):
        return False
    total = sum(int(digit) * (3 if place % 2 == 0 else 1) for place, digit in enumerate(reversed(digits[:-1])))
    return (10 - total % 10) % 10 == int(digits[-1])


def _value_problem(ai: str, value: str) -> str | None:
    """What is wrong with characters, length, check digit or time of day; None where nothing is."""
    identifier = known(ai)
    if identifier is None:
        return f"({ai}) is no GS1 Application Identifier."
    form = identifier.format.partition("+")[2]
    if value == "":
        return f"The {named(ai)} is empty; expected {_expected(form)}. Scan the code again."
    wrong = [character for character in value if character not in _SET_82]
    # Looked at first, because the patterns let the digits of other scripts pass. Form Y, of one field, has characters
    # of its own, which its pattern spells out.
    if wrong and not form.startswith("Y"):
        return (
            f"The {named(ai)} reads {shown(value)}, and {shown(wrong[0])} is not among the characters GS1 allows. "
            "If the reader sends it in place of the separator, set it to send ASCII 29."
        )
    if not re.fullmatch(identifier.pattern, ai + value):
        return _form_problem(ai, value, form)
    checked = CHECKED_DIGITS.get(ai)
    if checked is not None and not check_digit_holds(value[:checked]):
        return (
            f"The check digit of the {named(ai)} {value[:checked]} does not hold: a digit was misread or mistyped. "
            "Scan it again, or type it from the pack."
        )
    if ai in ("01", "02", "03") and int(value) == 0:
        return f"The {named(ai)} is all zeros and names nothing. Scan the code again."
    return time_problem(value[6:]) if ai == "7003" else None


def _form_problem(ai: str, value: str, form: str) -> str:
    if ai in _DATES and all_digits(value) and len(value) == 6:
        return f"The {named(ai)} reads {shown(value)}, which is no date in the form YYMMDD. Compare it with the pack."
    sentence = f"The {named(ai)} reads {shown(value)} ({len(value)} characters); expected {_expected(form)}."
    if ai in ("10", "21") and len(value) > 20:
        return (
            f"{sentence} The separator after it was probably lost and it holds the next field too. It was not split: "
            "set the reader to send ASCII 29, or type the code from the pack with its brackets."
        )
    return f"{sentence} Scan the code again, or type it from the pack with its brackets."


def time_problem(text: str) -> str | None:
    """What is wrong with a time HHMM, the second part of field 7003 (DICT lint_hhmi.c); None where nothing is."""
    if len(text) == 4 and all_digits(text) and int(text[:2]) <= 23 and int(text[2:]) <= 59:
        return None
    return f"The time reads {shown(text)}; expected 0000 to 2359. Compare it with the pack."


# --- dates


def expiry_from_yymmdd(text: str, *, today: datetime.date) -> datetime.date:
    """The last day of use from YYMMDD; day 00 is the last day of the month, and `today` gives the century.

    Raises ValueError with a sentence. Sources: DICT lint_yymmd0.c; GS1 General Specifications 3.4.7 and 7.12 as quoted
    at https://www.rubydoc.info/gems/gs1/1.1.0/GS1/ExpirationDate
    """
    return date_from_yymmdd(text, today=today, day_00=True)


def date_from_yymmdd(text: str, *, today: datetime.date, day_00: bool) -> datetime.date:
    """As `expiry_from_yymmdd`; with `day_00` false a day 00 raises ValueError (field 7003, DICT lint_yymmdd.c)."""
    if len(text) != 6 or not all_digits(text):
        raise ValueError(f"The date reads {shown(text)}; expected six digits YYMMDD.")
    year = _full_year(int(text[:2]), today.year)
    month, day = int(text[2:4]), int(text[4:])
    if not 1 <= month <= 12:
        raise ValueError(f"The date reads {text}; expected a month from 01 to 12, not {text[2:4]}.")
    last = calendar.monthrange(year, month)[1]
    if day == 0 and not day_00:
        raise ValueError(f"The date reads {text}; day 00 is not allowed beside a time.")
    if day > last:
        raise ValueError(f"The date reads {text}; {year}-{month:02} has only {last} days.")
    return datetime.date(year, month, day or last)


def _full_year(two_digits: int, this_year: int) -> int:
    """From 49 years past to 50 years ahead of this year (GS1 General Specifications 7.12, as quoted in DICT)."""
    century = this_year - this_year % 100
    ahead = two_digits - this_year % 100
    if ahead >= 51:
        return century - 100 + two_digits
    if ahead <= -50:
        return century + 100 + two_digits
    return century + two_digits


def date_problems(elements: Iterable[tuple[str, str]], *, today: datetime.date) -> dict[str, str]:
    """The identifiers whose date does not exist, each with a sentence."""
    problems = {}
    for ai, value in elements:
        try:
            if ai in _DATES or ai == "7003":
                date_from_yymmdd(value[:6], today=today, day_00=ai != "7003")
        except ValueError as error:
            problems[ai] = f"The {named(ai)} is refused. {error} Compare it with the pack."
    return problems


# --- all fields of a code together


def check_together(fields: Fields) -> tuple[str, ...]:
    """What is wrong with the fields as a set: conflicting repeats, missing companions, pairs that may not be."""
    present = dict.fromkeys((*(ai for ai, _ in fields.elements), *fields.refused))
    return (*_conflicts(fields.elements), *_missing(present), *_excluded(present))


def _conflicts(elements: Iterable[tuple[str, str]]) -> Iterator[str]:
    first: dict[str, str] = {}
    for ai, value in elements:
        if first.setdefault(ai, value) != value:
            yield f"The {named(ai)} stands twice, as {shown(first[ai])} and as {shown(value)}. Compare with the pack."


def _missing(present: Iterable[str]) -> Iterator[str]:
    there = set(present)
    for ai in present:
        for group in _NEEDS.get(ai, ()):
            if not group & there:
                needed = named("01") if "01" in group else " or ".join(named(other) for other in sorted(group))
                yield f"The {named(ai)} needs {needed} in the same code. Scan the code that holds both."


def _excluded(present: Iterable[str]) -> Iterator[str]:
    there = set(present)
    for ai in present:
        for other in _NOT_WITH.get(ai, ()):
            if other in there:
                yield f"The {named(ai)} and {named(other)} may not stand in one code. Scan the code of the single pack."


def swallowed(elements: tuple[tuple[str, str], ...], *, separators_kept: bool) -> Iterator[str]:
    """Fields of variable length that may hold the next field too, because the reader did not pass the separator on."""
    seen = {ai for ai, _ in elements}
    for ai, value in elements:
        if ai[:2] in FIXED_LENGTHS:
            continue
        tail = next((mark for mark in ("<GS>", "<FNC1>") if mark in value), None)
        if tail is None and not separators_kept:
            ends = (value[start:] for start in range(1, len(value)))
            tail = next((end for end in ends if _could_be_fields(end, host=ai, seen=seen)), None)
        if tail is not None:
            yield (
                f"The {named(ai)} reads {shown(value)}; {shown(tail)} in it may be the next field, because the reader "
                "sent no separator. It was not split. Compare it with the pack and type the code with its brackets; "
                "set the reader to send the separator (ASCII 29)."
            )


def _could_be_fields(text: str, *, host: str, seen: set[str], after_date: bool = False) -> bool:
    """Whether the text reads to its end as fields this code does not have yet.

    A date is strong evidence. A batch or serial number is not: its two digits stand in many a true batch (D219), so
    where no date leads it must have three characters, and a batch is looked for only behind an expiry date. Own rule,
    no source.
    """
    ai, value = text[:2], text[2:]
    if ai in seen or ai == host:
        return False
    if ai in ("11", "17") and _looks_like_date(value[:6]):
        return value[6:] == "" or _could_be_fields(value[6:], host=host, seen=seen | {ai}, after_date=True)
    if ai not in ("10", "21") or value == "":
        return False
    weak = (host == "10" and ai == "21") or (host == "21" and ai == "10" and "17" in seen)
    return after_date or (weak and len(value) >= 3)


def _looks_like_date(text: str) -> bool:
    return len(text) == 6 and all_digits(text) and 1 <= int(text[2:4]) <= 12 and int(text[4:]) <= 31


# --- words


def known(text: str) -> GS1ApplicationIdentifier | None:
    """The Application Identifier the text begins with, from biip's list; None where it begins with none."""
    # Imported here because it takes 140 ms, which a command that reads no code must not pay.
    from biip import ParseError
    from biip.gs1_application_identifiers import GS1ApplicationIdentifier

    try:
        return GS1ApplicationIdentifier.extract(text)
    except ParseError:
        return None


def is_identifier(text: str) -> bool:
    """Whether the text is an Application Identifier and nothing more."""
    identifier = known(text)
    return identifier is not None and identifier.ai == text


def named(ai: str) -> str:
    """How a message calls a field: its name and, in brackets, its identifier."""
    if ai in _NAMES:
        return f"{_NAMES[ai]} ({ai})"
    identifier = known(ai)
    return f"{(identifier and identifier.data_title) or 'field'} ({ai})"


def _expected(form: str) -> str:
    found = re.fullmatch(r"([NX])(\.\.)?(\d+)", form)
    if found is None:
        return f"the form {form}"
    kind = "digits" if found.group(1) == "N" else "characters"
    return f"1 to {found.group(3)} {kind}" if found.group(2) else f"{found.group(3)} {kind}"


def shown(text: str) -> str:
    """Quoted and short, so that a message stays one line whatever was read."""
    return repr(text if len(text) <= 60 else text[:57] + "...")


def all_digits(text: str) -> bool:
    """Whether the text is one or more of the digits 0 to 9."""
    return text.isascii() and text.isdigit()
