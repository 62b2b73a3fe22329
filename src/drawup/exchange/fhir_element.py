"""One object of FHIR R4 in JSON, read strictly: ids and extensions are left aside, every other key is known or refused.

Numbers come exact (Decimal or int, as `reader` reads them), never as a float. An extension that may change the meaning
of what stands beside it is refused, not left aside.

Source: HL7 FHIR R4 4.0.1, datatypes (hl7.org/fhir/R4/datatypes.html) and extensibility (extensibility.html).
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from decimal import Decimal
from fractions import Fraction
from typing import NoReturn

from drawup.exchange.reader import FieldError, checked_text, shown

_LARGEST = 2**31 - 1  # of the standard's whole numbers
_SMALLEST, _LARGEST_NUMBER = Decimal("1E-12"), 10**12
_MOMENT = re.compile(
    r"[0-9]{4}(-[0-9]{2}(-[0-9]{2}(T[0-9]{2}:[0-9]{2}:[0-9]{2}(\.[0-9]{1,9})?(Z|[+-][0-9]{2}:[0-9]{2}))?)?)?", re.ASCII
)


@dataclass(frozen=True, slots=True)
class Element:
    """An object with its path. `element_of` makes it."""

    path: str
    values: Mapping[str, object] = field(repr=False)

    def at(self, key: str) -> str:
        """The path of a field."""
        return f"{self.path}.{key}" if self.path else key

    def fail(self, key: str, message: str) -> NoReturn:
        """Raise for one field."""
        raise FieldError(self.at(key), message)

    def has(self, key: str) -> bool:
        """Whether the field is there, and not null."""
        return self.values.get(key) is not None

    def whole(self, key: str, *, least: int) -> int | None:
        """A whole number."""
        value = self.values.get(key)
        if value is None:
            return None
        if type(value) is not int or not least <= value <= _LARGEST:
            self.fail(key, f'read "{seen(value)}", expected a whole number from {least}, without quotation marks')
        return value

    def number(self, key: str, invariant: str = "") -> Fraction | None:
        """An exact number, not below 0. `invariant`: which one of the standard says that it is not."""
        value = self.values.get(key)
        if value is None:
            return None
        if type(value) is not int and type(value) is not Decimal:
            self.fail(key, f'read "{seen(value)}", expected a number such as 4 or 0.5, without quotation marks')
        if isinstance(value, Decimal) and not value.is_finite():
            self.fail(key, f'read "{seen(value)}", expected a number of ordinary size')
        if value < 0:
            named = f" ({invariant})" if invariant else ""
            self.fail(key, f'read "{seen(value)}", expected a number that is not below 0{named}')
        if value != 0 and not _SMALLEST <= value <= _LARGEST_NUMBER:
            self.fail(key, f'read "{seen(value)}", expected a number of ordinary size')
        return Fraction(value) if value != 0 else Fraction(0)

    def one_of(self, key: str, allowed: Sequence[str] | Mapping[str, object]) -> str:
        """One of a closed list of codes; "" where it is left out."""
        value = self.values.get(key)
        return "" if value is None else one_of(allowed, "one of")(value, self.at(key))

    def texts(self, key: str, read: Callable[[object, str], str], *, most: int) -> tuple[str, ...]:
        """A list, each part read by `read(value, path)` and standing once; empty where it is left out."""
        value = self.values.get(key)
        if value is None:
            return ()
        if type(value) is not list:
            self.fail(key, f'read "{seen(value)}", expected a list')
        if not 0 < len(value) <= most:
            self.fail(key, f"a list of {len(value)}, expected from 1 to {most}")
        found = tuple(read(one, f"{self.at(key)}[{index}]") for index, one in enumerate(value))
        if len(set(found)) < len(found):
            self.fail(key, "one of them stands twice. Write each once")
        return found

    def inside(self, key: str, known: frozenset[str]) -> Element | None:
        """An object inside this one."""
        value = self.values.get(key)
        return None if value is None else element_of(value, self.at(key), known)


def element_of(value: object, path: str, known: frozenset[str]) -> Element:
    """An object that says at least one of the known things, and nothing unknown. Raises FieldError."""
    if type(value) is not dict:
        raise FieldError(path, f"read {seen(value)}, expected an object")
    element = Element(path, value)
    for key in value:
        if key == "modifierExtension":
            element.fail(key, "may change the meaning of what stands beside it, and is not understood. Read it by hand")
        plain = key.removeprefix("_") if isinstance(key, str) else key
        if plain not in known and key not in ("id", "extension"):
            element.fail(seen(key) or '""', f'unknown key "{seen(key)}". Known: {listed(sorted(known))}')
    if not any(element.has(key) for key in known):
        raise FieldError(path, f"says nothing. Expected one of: {listed(sorted(known))}")
    return element


def one_of(allowed: Sequence[str] | Mapping[str, object], what: str) -> Callable[[object, str], str]:
    """What reads one code of a closed list."""

    def read(value: object, path: str) -> str:
        if not isinstance(value, str) or value not in allowed:
            raise FieldError(path, f'read "{seen(value)}", expected {what}: {listed(allowed)}')
        return value

    return read


def text_of(value: object, path: str) -> str:
    """A text of sensible length. Raises FieldError."""
    if not isinstance(value, str):
        raise FieldError(path, f"read {seen(value)}, expected a text")
    return checked_text(value, path, 400)


def moment_text(value: object, path: str) -> str:
    """A dateTime as it is written: a year, a month, a day, or a moment with its offset from UTC. Raises FieldError."""
    if isinstance(value, str) and _MOMENT.fullmatch(value):
        try:
            if "T" in value:
                datetime.fromisoformat(value)
            else:
                date.fromisoformat(value + "0001-01-01"[len(value) :])
        except ValueError:
            pass
        else:
            return value
    raise FieldError(path, f'read "{seen(value)}", expected such as 2026-03-02 or 2026-03-02T09:00:00+00:00')


def seen(value: object) -> str:
    """What was read, short and safe to show."""
    # Very long whole numbers cannot be turned into text.
    return "a very long number" if isinstance(value, int) and abs(value) >= 10**30 else shown(value)


def listed(words: Sequence[str] | Mapping[str, object]) -> str:
    """Words one after the other."""
    return ", ".join(words)
