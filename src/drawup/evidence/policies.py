"""Read an organisation's policy file, or one of the presets it may start from.

A file is TOML: each key is a table with `value`, `reason` and `source`; `starts_from` names a preset, and the file then
holds only what differs. Nothing is taken silently: an unknown key, a value of the wrong kind, a missing reason or
source is an error that names the file, the key, its line and what was expected.
"""

from __future__ import annotations

import hashlib
import json
import re
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

from drawup.evidence.policy_keys import KEYS, NOTATION, Read, Unfit
from drawup.injection.notation import Notation
from drawup.injection.policy import Policy

HERE = Path(__file__).parent / "policy"
PRESETS = ("uk", "us", "au", "nz")
HEADER = ("format", "preset", "title", "country", "edition", "starts_from")
_PARTS = ("value", "reason", "source")
_LARGEST_FILE = 1_000_000
_MOST_POINTS = 100
# A version names its content, so that a policy once made for a request can serve the next one that asks the same.
_OVERRIDDEN: dict[tuple[str, str], Policy] = {}
_MOST_OVERRIDDEN = 256


class PolicyError(ValueError):
    """A policy that cannot be used; the message names file, key, line and what was expected.

    `key` is the key at fault ("" where the whole file is), `problems` all that was found.
    """

    def __init__(self, problems: tuple[str, ...], key: str = "") -> None:
        super().__init__("\n".join(problems))
        self.problems = problems
        self.key = key


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """One key of a policy as its file states it, with its grounds."""

    key: str
    value: Any
    reason: str
    source: str
    stated_in: str


@dataclass(frozen=True, slots=True, kw_only=True)
class _Source:
    """A policy file as read: its name, its text, its table and what it starts from."""

    name: str
    text: str
    table: Mapping[str, Any]

    def at(self, key: str) -> str:
        """Where a key stands, for a message."""
        header = re.compile(rf"^\s*(?:\[\s*{re.escape(key)}\s*\]|{re.escape(key)}\s*=)", re.MULTILINE)
        found = header.search(self.text)
        line = f", line {self.text.count(chr(10), 0, found.end()) + 1}" if found else ""
        return f"{self.name}{line}, {key}"


def load_policy(name_or_path: str | Path) -> Policy:
    """A preset by its name (uk, us, au, nz), or a policy file by its path. Raises PolicyError."""
    text = str(name_or_path)
    if text in PRESETS:
        return _preset(text)
    return _built(_read_file(Path(name_or_path)))


def policy_text(name_or_path: str | Path) -> tuple[str, str]:
    """The name and the very text of a preset or a policy file that can be used. Raises PolicyError."""
    text = str(name_or_path)
    known = text.casefold()
    source = _preset_source(known) if known in PRESETS else _read_file(Path(name_or_path))
    _built(source)
    return source.name, source.text


@lru_cache(maxsize=16)
def parse_policy(text: str, *, name: str) -> Policy:
    """A policy from its very text, as a record keeps it. Raises PolicyError."""
    return _built(_parsed(name, text))


def check_policy(path: str | Path) -> tuple[str, ...]:
    """Every problem of a policy file at once, in words; none for a file that can be used."""
    try:
        load_policy(path)
    except PolicyError as error:
        return error.problems
    return ()


def choices(name_or_path: str | Path) -> tuple[Choice, ...]:
    """Every choice of a policy with its reason and source, from the file itself or what it starts from."""
    text = str(name_or_path)
    source = _preset_source(text) if text in PRESETS else _read_file(Path(name_or_path))
    load_policy(name_or_path)
    return tuple(_choices(source).values())


def override(policy: Policy, mapping: Mapping[str, Any]) -> Policy:
    """A policy with some choices replaced by a request's own: {"preset": "us", "mark_tolerance": "3 %", ...}.

    Values stand without reason and source. With `preset` the preset replaces the policy first. Raises PolicyError.
    """
    try:
        text = json.dumps(mapping, sort_keys=True, allow_nan=False)
    except (TypeError, ValueError, RecursionError):
        raise PolicyError(("policy: read something that is no plain table of choices",)) from None
    known = _OVERRIDDEN.get((policy.version, text))
    if known is None:
        known = _overridden(policy, text)
        if len(_OVERRIDDEN) >= _MOST_OVERRIDDEN:
            _OVERRIDDEN.clear()
        _OVERRIDDEN[policy.version, text] = known
    return known


def _overridden(policy: Policy, text: str) -> Policy:
    wanted = json.loads(text)
    preset = wanted.pop("preset", None)
    if preset is not None:
        if preset not in PRESETS:
            known = ", ".join(PRESETS)
            raise PolicyError((f'policy.preset: read "{preset}", expected one of {known}',), key="preset")
        policy = _preset(preset)
    if not wanted:
        return policy
    values, problems = _values({key: {"value": value} for key, value in _flat(wanted).items()}, "policy.{}".format)
    if problems:
        raise PolicyError(tuple(problems.values()), key=next(iter(problems)))
    made = _applied(policy, values)
    faults = _together(made)
    if faults:
        raise PolicyError(tuple(f"policy.{key}: {fault}" for key, fault in faults.items()), key=next(iter(faults)))
    digest = hashlib.sha256(json.dumps(wanted, sort_keys=True).encode()).hexdigest()[:8]
    return replace(made, version=f"{policy.version}+{digest}")


# Reading files.


@lru_cache(maxsize=8)
def _preset_source(name: str) -> _Source:
    return _parsed(f"{name}.toml", (HERE / f"{name}.toml").read_text("utf-8"))


@lru_cache(maxsize=8)
def _preset(name: str) -> Policy:
    return _built(_preset_source(name))


def _read_file(path: Path) -> _Source:
    try:
        with path.open("rb") as file:
            content = file.read(_LARGEST_FILE + 1)
        if len(content) > _LARGEST_FILE:
            raise PolicyError((f"{path.name}: over {_LARGEST_FILE:,} bytes, expected a policy file",))
        return _parsed(path.name, content.decode("utf-8"))
    except UnicodeDecodeError:
        raise PolicyError((f"{path.name}: not UTF-8 text, expected a policy file in TOML",)) from None
    except (OSError, ValueError) as error:
        if isinstance(error, PolicyError):
            raise
        known = ", ".join(PRESETS)
        why = error.strerror if isinstance(error, OSError) and error.strerror else "not a path"
        raise PolicyError((f'"{path}": {why}. Expected a preset ({known}) or the path of a policy file',)) from None


def _parsed(name: str, text: str) -> _Source:
    # The library takes time and memory by the square of the parts of a dotted key.
    if any(line.count(".") > _MOST_POINTS for line in text.split("\n")):
        raise PolicyError((f"{name}: a line with more than {_MOST_POINTS} full stops, expected a policy file",))
    try:
        return _Source(name=name, text=text, table=tomllib.loads(text))
    except ValueError as error:
        raise PolicyError((f"{name}: not readable as TOML: {error}",)) from None
    except RecursionError:
        raise PolicyError((f"{name}: nested too deep to be a policy",)) from None


def _flat(table: Mapping[str, Any]) -> dict[str, Any]:
    """The keys under `notation` by their full names, the others as they are."""
    flat: dict[str, Any] = {}
    for key, value in table.items():
        if key == "notation" and isinstance(value, dict):
            flat.update({f"notation.{inner}": one for inner, one in value.items()})
        else:
            flat[key] = value
    return flat


def _stated(source: _Source) -> dict[str, Any]:
    return {key: value for key, value in _flat(source.table).items() if key not in HEADER}


def _reader(key: str) -> Read | None:
    return NOTATION.get(key.removeprefix("notation.")) if key.startswith("notation.") else KEYS.get(key)


def _values(stated: Mapping[str, Any], at: Callable[[str], str]) -> tuple[dict[str, Any], dict[str, str]]:
    """What each key holds, and each key's problem."""
    values: dict[str, Any] = {}
    problems: dict[str, str] = {}
    for key, table in stated.items():
        reader = _reader(key)
        if reader is None:
            problems[key] = f"{at(key)}: not a key of a policy. Known: {', '.join(known_keys())}"
            continue
        try:
            values[key] = reader(table["value"])
        except Unfit as unfit:
            problems[key] = f"{at(key)}: {unfit}"
    return values, problems


def known_keys() -> tuple[str, ...]:
    """Every key of a policy."""
    return (*(f"notation.{key}" for key in NOTATION), *KEYS)


def _ungrounded(source: _Source) -> dict[str, str]:
    """Each key that does not say what it is, why and from where."""
    problems = {}
    for key, table in _stated(source).items():
        if not isinstance(table, dict):
            problems[key] = f"{source.at(key)}: expected a table with {', '.join(_PARTS)}"
            continue
        lacking = [part for part in _PARTS if part not in table]
        empty = [part for part in _PARTS[1:] if part in table and not _is_words(table[part])]
        extra = [part for part in table if part not in _PARTS]
        if lacking or empty or extra:
            word = f"{', '.join(lacking or empty)} missing" if lacking or empty else f'"{extra[0]}" is not known here'
            problems[key] = f"{source.at(key)}: {word}, expected {', '.join(_PARTS)}"
    return problems


def _is_words(value: Any) -> bool:
    return isinstance(value, str) and bool(value.strip())


def _header_problems(source: _Source) -> list[str]:
    table, problems = source.table, []
    if table.get("format") != 1:
        problems.append(f"{source.at('format')}: read {table.get('format')!r}, expected 1")
    if table.get("starts_from", "uk") not in PRESETS:
        known = ", ".join(PRESETS)
        problems.append(f"{source.at('starts_from')}: read {table['starts_from']!r}, expected one of {known}")
    for key in ("preset", "title", "country", "edition"):
        if key in table and not _is_words(table[key]):
            problems.append(f"{source.at(key)}: expected words")
    return problems


def _built(source: _Source) -> Policy:
    """The policy of a file, on top of what it starts from. Raises PolicyError with every problem."""
    problems = _header_problems(source)
    ungrounded = _ungrounded(source)
    sound = {key: table for key, table in _stated(source).items() if isinstance(table, dict) and "value" in table}
    values, unfit = _values(sound, source.at)
    for key in _stated(source):
        problems.extend(found[key] for found in (ungrounded, unfit) if key in found)
    start = source.table.get("starts_from")
    missing = [key for key in known_keys() if key not in _stated(source)]
    if start is None and missing:
        problems.append(f"{source.name}: {', '.join(missing)} missing. Write them, or starts_from one of the presets")
    if problems:
        raise PolicyError(tuple(problems))
    made = _applied(_preset(start), values) if start is not None else _from_nothing(values)
    together = _together(made)
    if together:
        raise PolicyError(tuple(f"{source.at(key)}: {fault}" for key, fault in together.items()))
    return replace(
        made,
        preset=source.table.get("preset", start or source.name),
        title=source.table.get("title", source.name),
        version=_version(source),
    )


def _version(source: _Source) -> str:
    start = source.table.get("starts_from")
    below = _version(_preset_source(start)) if start is not None else ""
    return hashlib.sha256(f"{below}\n{source.text}".encode()).hexdigest()[:12]


def _applied(policy: Policy, values: Mapping[str, Any]) -> Policy:
    notation = {key.removeprefix("notation."): value for key, value in values.items() if key.startswith("notation.")}
    others = {key: value for key, value in values.items() if not key.startswith("notation.")}
    return replace(policy, notation=replace(policy.notation, **notation), **others)


def _from_nothing(values: Mapping[str, Any]) -> Policy:
    notation = {key.removeprefix("notation."): value for key, value in values.items() if key.startswith("notation.")}
    others = {key: value for key, value in values.items() if not key.startswith("notation.")}
    return Policy(preset="", version="", notation=Notation(**notation), **others)


def _together(policy: Policy) -> dict[str, str]:
    """What does not go together, although each key by itself does."""
    problems = {}
    if policy.injections_most < policy.injections_usual:
        problems["injections_most"] = (
            f"read {policy.injections_most}, expected at least injections_usual, {policy.injections_usual}"
        )
    return problems


def _choices(source: _Source) -> dict[str, Choice]:
    start = source.table.get("starts_from")
    found = _choices(_preset_source(start)) if start is not None else {}
    for key, table in _stated(source).items():
        found[key] = Choice(
            key=key, value=table["value"], reason=table["reason"], source=table["source"], stated_in=source.name
        )
    return found
