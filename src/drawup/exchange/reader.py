"""Reading JSON and TOML strictly: every field named, none unknown, none twice, nothing guessed.

A field that cannot be read raises `FieldError` with the path of the field and a sentence. Numbers in JSON are kept
exact; NaN, infinities and endless numbers are refused by the field they stand in.
"""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Callable, Mapping
from contextlib import suppress
from datetime import date, datetime
from decimal import Decimal
from fractions import Fraction
from typing import Any, NoReturn, TypeVar
from zoneinfo import ZoneInfo

from drawup.injection.notation import Notation, NotationError, parse_number, parse_quantity
from drawup.injection.quantity import Dimension, Quantity

LONGEST_DOCUMENT = 1_000_000
"""Characters of a document in JSON."""

LONGEST_TOML = 200_000
"""Characters of a document in TOML, which is written by hand. The time to read it grows faster than its length."""

# No request is nested deeper than 10, no key of one has more than 5 parts.
_DEEPEST = 40
_MOST_POINTS = 100
_LONGEST_NUMBER = 30
_SHOWN = 40

# Nobody who lives was born before, and no order, pack or authority ends after.
_FIRST_YEAR, _LAST_YEAR = 1800, 2200

_MOMENT = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}[T ][0-9]{2}:[0-9]{2}", re.ASCII)

T = TypeVar("T")


class FieldError(ValueError):
    """One field that cannot be read. `field` is its path, such as "order.dose.amount"."""

    def __init__(self, field: str, message: str) -> None:
        self.field = visible(field)
        self.message = visible(message)
        super().__init__(f"{self.field}: {self.message}" if field else self.message)


class NoNumber:
    """What stands where a number should and is none: NaN, an infinity, more figures than any dose has.

    No field takes it, so the field where it stands is the one that refuses it.
    """

    __slots__ = ("_words",)

    def __init__(self, words: str) -> None:
        self._words = words

    def __repr__(self) -> str:
        return self._words


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        seen: set[str] = set()
        for key, _ in pairs:
            if key in seen:
                raise FieldError(shown(key), f'the key "{shown(key)}" stands twice in one object. Keep one')
            seen.add(key)
    return found


def _exact(text: str) -> Decimal | NoNumber:
    # Long or exponent-laden numbers cost time and are no chance, gauge or angle.
    if len(text) > _LONGEST_NUMBER:
        return NoNumber(f"a number of {len(text)} characters")
    number = Decimal(text)
    return number if number.is_finite() else NoNumber(text)


def _whole(text: str) -> int | NoNumber:
    return int(text) if len(text) <= _LONGEST_NUMBER else NoNumber(f"a number of {len(text)} characters")


_DECODER = json.JSONDecoder(object_pairs_hook=_once, parse_float=_exact, parse_int=_whole, parse_constant=NoNumber)


def read_json(text: str) -> Any:
    """A JSON document, exact and without repeated keys. Raises FieldError."""
    if len(text) > LONGEST_DOCUMENT:
        raise FieldError("", f"the request is {len(text)} characters long, expected at most {LONGEST_DOCUMENT}")
    try:
        document = _DECODER.decode(text)
    except json.JSONDecodeError as error:
        raise FieldError("", f"not JSON: {error.msg} at line {error.lineno}, column {error.colno}") from None
    except RecursionError:
        raise FieldError("", _TOO_DEEP) from None
    if text.count("[") + text.count("{") > _DEEPEST:
        _check_depth(document)
    return document


_TOO_DEEP = f"nested too deeply to be a request, expected at most {_DEEPEST} levels"


def _check_depth(document: object) -> None:
    """Refuse what is nested deeper than any request, before something that goes down into it fails on the way."""
    level, depth = [document], 0
    while level:
        inner: list[object] = []
        for value in level:
            if type(value) is dict:
                inner += value.values()
            elif type(value) is list:
                inner += value
        level, depth = inner, depth + 1
        if depth > _DEEPEST + 1:
            raise FieldError("", _TOO_DEEP)


def read_toml(text: str) -> Any:
    """A TOML document. Raises FieldError."""
    if len(text) > LONGEST_TOML:
        raise FieldError("", f"the file is {len(text)} characters long, expected at most {LONGEST_TOML} in TOML")
    for number, line in enumerate(text.split("\n"), start=1):
        # The library takes time and memory by the square of the parts of a key.
        if line.count(".") > _MOST_POINTS:
            raise FieldError("", f"line {number} has {line.count('.')} full stops, expected at most {_MOST_POINTS}")
    try:
        document = tomllib.loads(text, parse_float=_exact)
    except RecursionError:
        raise FieldError("", _TOO_DEEP) from None
    except ValueError as error:
        raise FieldError("", f"not TOML: {shown(str(error), most=200)}") from None
    _check_depth(document)
    return _without_endless(document)


def _without_endless(value: Any) -> Any:
    """The document with whole numbers that are too long replaced: the library itself reads them at any length."""
    if type(value) is dict:
        return {key: _without_endless(one) for key, one in value.items()}
    if type(value) is list:
        return [_without_endless(one) for one in value]
    if type(value) is int and abs(value) >= 10**_LONGEST_NUMBER:
        return NoNumber(f"a number of more than {_LONGEST_NUMBER} figures")
    return value


def read_document(content: bytes, *, toml: bool = False) -> Any:
    """A document as it lies in a file: UTF-8, JSON unless `toml`. Raises FieldError."""
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise FieldError("", f"not UTF-8 text (byte {error.start}). Save the file as UTF-8") from None
    return read_toml(text) if toml else read_json(text)


def shown(value: object, *, most: int = _SHOWN) -> str:
    """What was read, short enough for a message and safe to show: what cannot be seen is written by its code."""
    text = value if isinstance(value, str) else _plain(value)
    return visible(text if len(text) <= most else text[:most] + "...")


def visible(text: str) -> str:
    """A text that is safe to show: what cannot be seen is written by its code, as the Unicode standard does: U+001D."""
    return text if text.isprintable() else "".join(one if one.isprintable() else code_of(one) for one in text)


def code_of(character: str) -> str:
    """A character by its code, such as U+001D."""
    return f"U+{ord(character):04X}"


def _plain(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if value is None:
        return "null"
    if isinstance(value, Mapping):
        return "an object"
    if isinstance(value, list):
        return "a list"
    return str(value)


class Fields:
    """One object of a document; every key that is not asked for is an error when it is closed."""

    __slots__ = ("_values", "notation", "notes", "path")

    def __init__(self, value: object, path: str, notation: Notation, notes: list[str]) -> None:
        if type(value) is not dict:
            raise FieldError(path, f"read {shown(value)}, expected an object")
        self._values: dict[str, Any] = value
        self.path = path
        self.notation = notation
        self.notes = notes

    @property
    def content(self) -> str:
        """The whole object as text, the same for the same content."""
        return repr(self._values)

    def at(self, key: str) -> str:
        """The path of a field."""
        return f"{self.path}.{key}" if self.path else key

    def take(self, key: str) -> Any:
        """The raw value, or None where the key is left out or null."""
        return self._values.get(key)

    def has(self, key: str) -> bool:
        """Whether the key is there at all."""
        return key in self._values

    def close(self, known: frozenset[str]) -> None:
        """Refuse what nobody asked for."""
        if self._values.keys() <= known:
            return
        for key in self._values:
            if key not in known:
                raise FieldError(
                    self.at(shown(key) or '""'), f'unknown key "{shown(key)}". Known: {", ".join(sorted(known))}'
                )

    def fail(self, key: str, message: str) -> NoReturn:
        """Raise for one field."""
        raise FieldError(self.at(key), message)

    def text(self, key: str, *, longest: int = 200) -> str | None:
        """A text without control characters."""
        value = self._values.get(key)
        if value is None or (type(value) is str and len(value) <= longest and value.isprintable()):
            return value
        return checked_text(value, self.at(key), longest)

    def need_text(self, key: str) -> str:
        """A text that must be there."""
        value = self.text(key)
        if not value or value.isspace():
            self.fail(key, "missing, expected a text")
        return value

    def one_of(self, key: str, allowed: tuple[str, ...]) -> str | None:
        """One of a closed list of words."""
        value = self._values.get(key)
        if value is None or (type(value) is str and value in allowed):
            return value
        self.fail(key, f'read "{shown(value)}", expected one of: {", ".join(allowed)}')

    def truth(self, key: str) -> bool | None:
        """true or false."""
        value = self.take(key)
        if value is None or isinstance(value, bool):
            return value
        self.fail(key, f'read "{shown(value)}", expected true or false')

    def whole(self, key: str, *, least: int = 0, most: int = 100_000) -> int | None:
        """A whole number within bounds."""
        value = self.take(key)
        if value is None:
            return None
        if isinstance(value, bool) or not isinstance(value, int) or not least <= value <= most:
            self.fail(key, f'read "{shown(value)}", expected a whole number from {least} to {most}')
        return value

    def number(self, key: str, *, above: Fraction | int | None = None) -> Fraction | None:
        """An exact number, as a JSON string or number."""
        value = self.take(key)
        if value is None:
            return None
        number = exact_number(value, self.at(key), self.notation)
        if above is not None and number <= above:
            self.fail(key, f'read "{shown(value)}", expected a number above {above}')
        return number

    def quantity(
        self,
        key: str,
        *dimensions: Dimension,
        forms: tuple[str, ...] | None = (),
        measured: bool = False,
        body_weight: bool = False,
        zero: bool = False,
    ) -> Quantity | None:
        """An amount with its unit, above zero unless `zero`."""
        value = self.take(key)
        if value is None:
            return None
        return quantity_of(
            value, self.at(key), self, dimensions, forms=forms, measured=measured, body_weight=body_weight, zero=zero
        )

    def day(self, key: str) -> date | None:
        """A calendar day."""
        value = self.take(key)
        return None if value is None else day_of(value, self.at(key))

    def moment(self, key: str) -> datetime | None:
        """A point in time with its offset from UTC."""
        value = self.take(key)
        return None if value is None else moment_of(value, self.at(key))

    def items(self, key: str, read: Callable[[object, str], T], *, most: int = 10_000) -> tuple[T, ...] | None:
        """A list, each part read by `read(value, path)`."""
        value = self.take(key)
        if value is None:
            return None
        path = self.at(key)
        if type(value) is not list:
            raise FieldError(path, f'read "{shown(value)}", expected a list')
        if len(value) > most:
            raise FieldError(path, f"a list of {len(value)}, expected at most {most}")
        return tuple(read(item, f"{path}[{index}]") for index, item in enumerate(value))

    def texts(self, key: str) -> tuple[str, ...] | None:
        """A list of texts."""
        return self.items(key, lambda value, path: checked_text(value, path, 200), most=200)

    def names(self, key: str) -> tuple[str, ...]:
        """A list of texts of which none is empty, and none stands twice; empty where it is left out."""
        found = tuple(one.strip() for one in self.texts(key) or ())
        if not all(found):
            self.fail(key, "one of them is empty. Write it, or leave it out")
        if len({one.casefold() for one in found}) < len(found):
            self.fail(key, "one of them stands twice. Write each once")
        return found

    def inside(self, key: str) -> Fields | None:
        """An object inside this one."""
        value = self.take(key)
        return None if value is None else Fields(value, self.at(key), self.notation, self.notes)


def checked_text(value: object, path: str, longest: int) -> str:
    """A text of sensible length that can be shown."""
    if type(value) is not str:
        raise FieldError(path, f"read {shown(value)}, expected a text")
    if len(value) > longest:
        raise FieldError(path, f"a text of {len(value)} characters, expected at most {longest}")
    if not value.isprintable():
        unseen, place = next((one, place) for place, one in enumerate(value, start=1) if not one.isprintable())
        raise FieldError(path, f"character {place} is {code_of(unseen)}, which cannot be shown. Write the text without")
    return value


def exact_number(value: object, path: str, notation: Notation) -> Fraction:
    """An exact number from a JSON number or a text. Raises FieldError."""
    if isinstance(value, bool):
        raise FieldError(path, f"read {shown(value)}, expected a number")
    if isinstance(value, Decimal) and (not value.is_finite() or abs(value.adjusted()) > 12):
        raise FieldError(path, f"read {shown(value)}, expected a number of ordinary size")
    if isinstance(value, int | Decimal):
        if value < 0:
            raise FieldError(path, f"read {shown(value)}, expected a number that is not below 0")
        return Fraction(value)
    if isinstance(value, str):
        try:
            return parse_number(value, notation, measured=True)[0]
        except NotationError as error:
            raise FieldError(path, str(error)) from None
    raise FieldError(path, f"read {shown(value)}, expected a number")


def quantity_of(
    value: object,
    path: str,
    fields: Fields,
    dimensions: tuple[Dimension, ...],
    *,
    forms: tuple[str, ...] | None = (),
    measured: bool = False,
    body_weight: bool = False,
    zero: bool = False,
) -> Quantity:
    """An amount with its unit, of one of the dimensions asked for. Raises FieldError."""
    if type(value) is not str:
        raise FieldError(path, f'read {shown(value)}, expected a text with a unit such as "2.5 mg"')
    try:
        parsed = parse_quantity(value, fields.notation, forms=forms, measured=measured, body_weight=body_weight)
    except NotationError as error:
        raise FieldError(path, str(error)) from None
    quantity = parsed.quantity
    if dimensions and quantity.unit.dimension not in dimensions:
        wanted = " or ".join(dimensions)
        raise FieldError(path, f'read "{shown(value)}", expected {wanted}')
    if quantity.value == 0 and not zero:
        raise FieldError(path, f'read "{shown(value)}", expected more than nothing')
    if parsed.notes:
        fields.notes.extend(parsed.notes)
    return quantity


def day_of(value: object, path: str) -> date:
    """A calendar day from ISO text (or a TOML date). Raises FieldError."""
    if isinstance(value, datetime):
        raise FieldError(path, "read a time, expected a day such as 2026-03-02")
    day = value if isinstance(value, date) else None
    if type(value) is str and len(value) == 10 and value.isascii() and value[4] == value[7] == "-":
        with suppress(ValueError):
            day = date.fromisoformat(value)
    if day is None:
        raise FieldError(path, f'read "{shown(value)}", expected a day such as 2026-03-02')
    if not _FIRST_YEAR <= day.year <= _LAST_YEAR:
        raise FieldError(path, f'read "{shown(value)}", expected a year from {_FIRST_YEAR} to {_LAST_YEAR}')
    return day


_OF_THE_MACHINE = ("localtime", "factory", "posixrules")


def listed_zone(name: str) -> ZoneInfo:
    """A time zone of the published list. Raises KeyError, ValueError or OSError, also for one that the machine sets."""
    if name.casefold() in _OF_THE_MACHINE or name.casefold().startswith(("posix/", "right/")):
        raise ValueError(f'"{name}" is another time zone on another machine, or none')
    return ZoneInfo(name)


def moment_of(value: object, path: str) -> datetime:
    """A point in time with its offset from ISO text (or a TOML date-time). Raises FieldError."""
    moment: datetime | None = None
    if type(value) is str and len(value) <= 40 and _MOMENT.match(value):
        with suppress(ValueError):
            moment = datetime.fromisoformat(value)
    elif isinstance(value, datetime):
        moment = value
    if moment is None or not 1900 <= moment.year <= 2200:
        raise FieldError(path, f'read "{shown(value)}", expected a time such as 2026-03-02T09:00:00+00:00')
    if moment.tzinfo is None:
        raise FieldError(path, f'read "{shown(value)}": no offset from UTC. Write such as 2026-03-02T09:00:00+00:00')
    return moment
