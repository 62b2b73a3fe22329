"""UCUM codes in and out, by an own closed table: nothing outside it is taken, and nothing is guessed.

UCUM is the open code system for units that health messages carry. Its letters do not always mean what a ward means by
them: `MG` is a million gauss, `U` an amount of enzyme, `%` a hundredth of anything. Such a code is never taken
silently: it is refused with what was probably meant. `meq` turns into `mmol` only by the charge a medicine declares.

Sources: Unified Code for Units of Measure, ucum-essence.xml, github.com/ucum-org/ucum (snapshot d060c6d3dfe3): units,
prefixes and their exact factors; UCUM functional tests (G. Grieve and others), github.com/FHIR/Ucum-java (snapshot
024792250d97): which codes are valid. No conformance is claimed: this is a list of the codes that an injection needs.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction

from drawup.injection import quantity as q
from drawup.injection.quantity import Dimension, DimensionMismatch, Unit


class UcumError(ValueError):
    """A code that is not taken; the message says what it means, and which code was probably meant."""


# The code that is written out for each unit of the closed list.
_OUT: dict[Unit, str] = {
    q.NANOGRAM: "ng",
    q.MICROGRAM: "ug",
    q.MILLIGRAM: "mg",
    q.GRAM: "g",
    q.KILOGRAM: "kg",
    q.POUND: "[lb_av]",
    q.OUNCE: "[oz_av]",
    q.UNITS: "[iU]",
    q.MILLION_UNITS: "M[iU]",
    q.MICROMOL: "umol",
    q.MILLIMOL: "mmol",
    q.MILLIEQUIVALENT: "meq",
    q.MICROLITRE: "uL",
    q.MILLILITRE: "mL",
    q.LITRE: "L",
    q.MILLIMETRE: "mm",
    q.CENTIMETRE: "cm",
    q.METRE: "m",
    q.INCH: "[in_i]",
    q.MINUTE: "min",
    q.HOUR: "h",
    q.DAY: "d",
    q.WEEK: "wk",
    q.SQUARE_METRE: "m2",
}

# Read as well: UCUM has both l and L for the litre, and [IU] for [iU].
_ALSO_IN: dict[str, Unit] = {
    "l": q.LITRE,
    "ml": q.MILLILITRE,
    "ul": q.MICROLITRE,
    "[IU]": q.UNITS,
    "M[IU]": q.MILLION_UNITS,
}

_IN: dict[str, Unit] = {code: unit for unit, code in _OUT.items()} | _ALSO_IN

# Refused with what it is in UCUM, and the code that was probably meant.
_REFUSED: dict[str, tuple[str, str]] = {
    "MG": ("it is a million gauss", "mg"),
    "Mg": ("it is a million grams", "mg"),
    "G": ("it is the gauss", "g"),
    "gm": ("it is no code", "g"),
    "GM": ("it is no code", "g"),
    "KG": ("it is no code", "kg"),
    "kgs": ("it is no code", "kg"),
    "Kg": ("it is no code", "kg"),
    "mcg": ("it is no code", "ug"),
    "MCG": ("it is no code", "ug"),
    "microgram": ("it is no code", "ug"),
    "nanogram": ("it is no code", "ng"),
    "U": ("it is the enzyme unit, a micromole a minute, and not the unit of insulin or heparin", "[iU]"),
    "mU": ("it is a thousandth of the enzyme unit", "[iU]"),
    "kU": ("it is a thousand enzyme units", "[iU]"),
    "MU": ("it is a million enzyme units", "M[iU]"),
    "u": ("it is the atomic mass unit", "[iU]"),
    "iU": ("it stands in square brackets", "[iU]"),
    "IU": ("it stands in square brackets", "[iU]"),
    "iu": ("it is no code", "[iU]"),
    "[iu]": ("its U is a capital", "[iU]"),
    "unit": ("it is no code", "[iU]"),
    "units": ("it is no code", "[iU]"),
    "MIU": ("it is no code", "M[iU]"),
    "m[iU]": ("it is a thousandth of a unit, which nobody orders or gives", "[iU]"),
    "k[iU]": ("it is a thousand units", "[iU], with the thousands in the number"),
    "k[IU]": ("it is a thousand units", "[iU], with the thousands in the number"),
    "mEq": ("the code is in small letters", "meq"),
    "MEQ": ("it is no code", "meq"),
    "Eq": ("the code is in small letters", "meq"),
    "eq": ("it is a thousand times what an injection holds", "meq, with the thousands in the number"),
    "mol": ("it is a thousand times what an injection holds", "mmol, with the thousands in the number"),
    "mMol": ("it is no code", "mmol"),
    "mM": ("it is no code; a concentration has a slash", "mmol/L"),
    "%": ("it is a hundredth of anything, with no volume in it", "mg/mL (1 g in 100 mL is 10 mg/mL)"),
    "cc": ("it is no code", "mL"),
    "ML": ("it is a million litres", "mL"),
    "dL": ("a tenth of a litre is not on the list", "mL or L"),
    "cm3": ("a cubic centimetre is not on the list", "mL"),
    "[drp]": ("a drop is a twentieth of a millilitre by definition and something else from each dropper", "mL"),
    "lb": ("it is no code", "[lb_av]"),
    "lbs": ("it is no code", "[lb_av]"),
    "oz": ("it is no code", "[oz_av]"),
    "in": ("it is no code", "[in_i]"),
    "sqm": ("it is no code", "m2"),
    "m^2": ("it is no code", "m2"),
    "hr": ("it is no code", "h"),
    "wks": ("it is no code", "wk"),
    "day": ("it is no code", "d"),
    "days": ("it is no code", "d"),
    "mo": ("months are not of one length", "d or wk"),
    "a": ("years are not of one length", "d or wk"),
}

_LONGEST = 60
_NOTE = re.compile(r"(?P<code>[^{}]*)(?:\{(?P<note>[^{}]*)\})?", re.ASCII)
_COUNTED = re.compile(r"[0-9]+[A-Za-z\[].*", re.ASCII)

_OVER = (Dimension.MASS, Dimension.UNITS, Dimension.MOLES, Dimension.EQUIVALENTS, Dimension.VOLUME)
_UNDER = (Dimension.VOLUME, Dimension.AREA, Dimension.TIME)


@dataclass(frozen=True, slots=True, kw_only=True)
class UcumUnit:
    """A code as read: the unit, what it is counted per ("mg/kg/d": kg and days), and the note in braces at its end."""

    unit: Unit
    per: tuple[Unit, ...] = ()
    note: str = ""

    def in_one(self, other: UcumUnit) -> Fraction:
        """How many of the other one of this is: 1 mg/mL is 1000 ug/mL. Raises DimensionMismatch."""
        if self.note != other.note:
            raise DimensionMismatch(f'"{self.note}" and "{other.note}" may be different substances')
        mine = [self.unit.dimension, *(one.dimension for one in self.per)]
        theirs = [other.unit.dimension, *(one.dimension for one in other.per)]
        if mine != theirs:
            raise DimensionMismatch(
                f"{render_ucum(self)} is {_words(mine)}, {render_ucum(other)} is {_words(theirs)}: "
                "one does not turn into the other unless the medicine declares an equivalence"
            )
        factor = self.unit.factor / other.unit.factor
        for one, another in zip(self.per, other.per, strict=True):
            factor *= another.factor / one.factor
        return factor


def _words(dimensions: list[Dimension]) -> str:
    return " per ".join(dimensions)


def read_ucum(code: str) -> UcumUnit:
    """A code such as "mg", "mg/mL", "[iU]/mL", "ug/kg", "mg/kg/d", "mg{base}". Raises UcumError.

    A note in braces says what is counted. It may stand at the very end and is kept; UCUM itself gives it no meaning.
    """
    if len(code) > _LONGEST:
        raise UcumError(f'read "{code[:_LONGEST]}...": {len(code)} characters, expected a code such as mg/mL')
    if not code or not code.isascii() or not code.isprintable() or " " in code:
        raise UcumError(_not_plain(code))
    match = _NOTE.fullmatch(code)
    if match is None:
        raise UcumError(f'read "{code}": a note in braces is taken at the very end only, such as mg{{base}}')
    if not match["code"]:
        raise UcumError(f'read "{code}": a note in braces is no unit. Write the unit before it, such as mg{code}')
    first, *under = match["code"].split("/")
    if not first:
        raise UcumError(f'read "{code}": nothing before the slash. Write what is counted, such as mg{match["code"]}')
    if under and not under[-1]:
        raise UcumError(f'read "{code}": nothing after the slash. Write such as {first}/mL')
    unit = _one(first, code)
    per = tuple(_one(one, code) for one in under)
    if per:
        _check_ratio(unit, per, code)
    return UcumUnit(unit=unit, per=per, note=match["note"] or "")


def _not_plain(code: str) -> str:
    if not code:
        return "read nothing, expected a code such as mg/mL"
    shown = "".join(one if one.isprintable() else f"\\u{ord(one):04x}" for one in code)
    for sign in ("\u00b5", "\u03bc"):
        if code.startswith(sign):
            return f'read "{shown}": a code has plain letters only, and micro is u. Write u{shown[1:]}'
    meant = code.replace("\u00b2", "2")
    if meant != code and meant.isascii():
        return f'read "{shown}": a code has plain figures only. Write {meant}'
    return f'read "{shown}": a code has plain letters, figures and signs only, and no space. Write such as mg/mL'


def _one(text: str, code: str) -> Unit:
    """One unit of the closed list."""
    unit = _IN.get(text)
    if unit is not None:
        return unit
    refused = _REFUSED.get(text)
    if refused is not None:
        why, meant = refused
        named = "" if text == code else f'"{text}" is not taken: '
        raise UcumError(f'read "{code}": {named}{why}. Write {meant}')
    if _COUNTED.fullmatch(text):
        raise UcumError(f'read "{code}": "{text}" has a number beside a unit. Write the number apart')
    known = ", ".join(_OUT.values())
    raise UcumError(f'read "{code}": "{text}" is not a code that is taken. Known: {known}')


def _check_ratio(unit: Unit, per: tuple[Unit, ...], code: str) -> None:
    """An amount per volume, kg, m2 or time; at most two, each once."""
    if unit.dimension not in _OVER or any(one.dimension not in _UNDER and one is not q.KILOGRAM for one in per):
        raise UcumError(f'read "{code}": expected an amount per volume, kg, m2 or time, such as mg/mL or mg/kg')
    if len(per) > 2 or len({one.dimension for one in per}) != len(per):
        raise UcumError(f'read "{code}": expected at most two different things after the slash, such as mg/kg/d')


def unit_from_ucum(code: str) -> Unit:
    """The unit of one plain code. Raises UcumError, also where the code says more than one unit can."""
    read = read_ucum(code)
    if read.per:
        raise UcumError(f'read "{code}": expected one unit without a slash, such as {ucum_from_unit(read.unit)}')
    if read.note:
        raise UcumError(
            f'read "{code}": the note "{read.note}" would be lost here. Write {ucum_from_unit(read.unit)}, '
            "and the substance or salt where it belongs"
        )
    return read.unit


def ucum_from_unit(unit: Unit) -> str:
    """The code that is written for a unit of the closed list."""
    return _OUT[unit]


def render_ucum(unit: UcumUnit) -> str:
    """The code of a unit with what it is counted per, and its note."""
    note = f"{{{unit.note}}}" if unit.note else ""
    return "/".join(_OUT[one] for one in (unit.unit, *unit.per)) + note
