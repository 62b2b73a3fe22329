"""One way only of writing a value as JSON, so that the same fact always has the same bytes.

Keys sorted by code point, no spaces, characters as themselves, whole numbers only. A binary float has no exact text
and a fraction has several, so both are refused: the caller writes exact amounts as text.
"""

import json
from collections.abc import Mapping, Sequence
from typing import Any, NoReturn

from drawup.record.errors import RecordError

_PLAIN: frozenset[type] = frozenset({str, int, bool, type(None)})


def _refuse(value: object) -> NoReturn:
    raise TypeError(f"{value!r} is a {type(value).__name__}, which has no JSON form of its own.")


_encoder = json.JSONEncoder(ensure_ascii=False, separators=(",", ":"), sort_keys=True, default=_refuse)
quoted = json.encoder.encode_basestring


def render_canonical(value: Mapping[str, object]) -> str:
    """The canonical JSON text of ``value``.

    Raises TypeError for a float, a Fraction, a Decimal, a date or anything else that is not text, a whole number,
    true, false, null, a list or a mapping with text keys, and says where it stands; RecordError for text that cannot
    be written as UTF-8, a value that contains itself, or one nested too deep.
    """
    if not isinstance(value, Mapping):
        raise TypeError(f"A body is a mapping of names to values; this is a {type(value).__name__}.")
    try:
        text = _encoder.encode(value if type(value) is dict else dict(value))
        _check_types(value)
        text.encode()
    except TypeError:
        raise TypeError(_refusal(value)) from None
    except RecursionError:
        raise RecordError("The body is nested too deep. Make it flatter.") from None
    except UnicodeEncodeError as error:
        found = error.object[error.start : error.end]
        raise RecordError(f"The body has a character that is no text: {found!r}. Remove it.") from None
    except ValueError:
        raise RecordError("The body contains itself. Write out what it should hold.") from None
    return text


def _check_types(value: object) -> None:
    """Raise TypeError unless every part is of an exact type. Comes after encoding, so that it cannot go on for ever."""
    waiting: list[Any] = [value]
    while waiting:
        part = waiting.pop()
        kind = type(part)
        if kind in _PLAIN:
            continue
        if kind is dict or isinstance(part, Mapping):
            for key in part:
                if type(key) is not str and not isinstance(key, str):
                    raise TypeError
            waiting.extend(part.values())
        elif isinstance(part, list | tuple):
            waiting.extend(part)
        elif not isinstance(part, str | int):
            raise TypeError


def _refusal(value: object) -> str:
    try:
        return _where(value) or "The body has a part that has no JSON form."
    except RecursionError:
        return "The body has, deep inside, a part that is no text, whole number, true, false, null, list or mapping."


def _where(value: object, path: str = "body") -> str:
    """Say which part of a refused value was refused, and why."""
    if isinstance(value, Mapping):
        for key, part in value.items():
            if not isinstance(key, str):
                return f"{path} has the key {key!r}, a {type(key).__name__}; a key must be text."
            found = _where(part, f"{path}.{key}")
            if found:
                return found
        if not isinstance(value, dict):
            return f"{path} is a {type(value).__name__}; write it as a dict."
        return ""
    if isinstance(value, Sequence) and not isinstance(value, str | bytes):
        for place, part in enumerate(value):
            found = _where(part, f"{path}[{place}]")
            if found:
                return found
        return "" if isinstance(value, list | tuple) else f"{path} is a {type(value).__name__}; write it as a list."
    if value is None or isinstance(value, str | int):
        return ""
    return f"{path} is {value!r}, a {type(value).__name__}; write exact amounts, dates and the like as text."
