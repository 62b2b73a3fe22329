"""Text to exact amounts and back, in the notation that safety lists ask for.

Ambiguous text is refused with the safe form shown. Text that is unsafe to show but that a machine cannot misread is
taken, shown in its safe form, and noted. Sources of the rules: Joint Commission "Do Not Use" list; ISMP list of
error-prone abbreviations, symbols and dose designations (2021); BNF, prescription writing. Which of them applies where
they differ is the policy's choice (`Notation`).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache

from drawup.injection import quantity as q
from drawup.injection.quantity import Concentration, Dimension, Equivalence, Quantity, Unit


class NotationError(ValueError):
    """Text that could be read in more than one way, or not at all; the message shows the safe form."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Notation:
    """How this organisation writes amounts (policy keys under `notation`). Compared by identity, for quick look-ups."""

    micrograms: str = "micrograms"  # or "mcg"
    units: str = "units"  # or "international units"
    thousands: str = ","  # or a space, or nothing
    step_down_small_masses: bool = True  # below 1 mg in micrograms, below 1 g in mg (BNF)


UK = Notation()

# Numbers longer than these are slips, not doses: they are refused before any arithmetic.
_LONGEST_TEXT = 60
_MOST_DIGITS = 12

_WORDS: dict[str, Unit] = {
    "ng": q.NANOGRAM,
    "nanogram": q.NANOGRAM,
    "nanograms": q.NANOGRAM,
    "microgram": q.MICROGRAM,
    "micrograms": q.MICROGRAM,
    "mg": q.MILLIGRAM,
    "milligram": q.MILLIGRAM,
    "milligrams": q.MILLIGRAM,
    "g": q.GRAM,
    "gram": q.GRAM,
    "grams": q.GRAM,
    "kg": q.KILOGRAM,
    "lb": q.POUND,
    "oz": q.OUNCE,
    "unit": q.UNITS,
    "units": q.UNITS,
    "international unit": q.UNITS,
    "international units": q.UNITS,
    "million unit": q.MILLION_UNITS,
    "million units": q.MILLION_UNITS,
    "million international units": q.MILLION_UNITS,
    "micromol": q.MICROMOL,
    "mmol": q.MILLIMOL,
    "mEq": q.MILLIEQUIVALENT,
    "microlitre": q.MICROLITRE,
    "microlitres": q.MICROLITRE,
    "mL": q.MILLILITRE,
    "millilitre": q.MILLILITRE,
    "millilitres": q.MILLILITRE,
    "L": q.LITRE,
    "litre": q.LITRE,
    "litres": q.LITRE,
    "mm": q.MILLIMETRE,
    "cm": q.CENTIMETRE,
    "m": q.METRE,
    "in": q.INCH,
    "minute": q.MINUTE,
    "minutes": q.MINUTE,
    "hour": q.HOUR,
    "hours": q.HOUR,
    "day": q.DAY,
    "days": q.DAY,
    "week": q.WEEK,
    "weeks": q.WEEK,
    "m2": q.SQUARE_METRE,
}

# Taken, shown in the safe form, and noted: error-prone to show, but only one thing to a machine.
_UNSAFE_WORDS: dict[str, Unit] = {
    "mcg": q.MICROGRAM,
    "ug": q.MICROGRAM,
    "\u00b5g": q.MICROGRAM,  # the micro sign
    "\u03bcg": q.MICROGRAM,  # the Greek letter that looks like it
    "IU": q.UNITS,
    "i.u.": q.UNITS,
    "iu": q.UNITS,
    "million IU": q.MILLION_UNITS,
    "mgs": q.MILLIGRAM,
    "ml": q.MILLILITRE,
    "mls": q.MILLILITRE,
    "mLs": q.MILLILITRE,
    "l": q.LITRE,
    "uL": q.MICROLITRE,
    "\u00b5L": q.MICROLITRE,
    "\u03bcL": q.MICROLITRE,
    "umol": q.MICROMOL,
    "\u00b5mol": q.MICROMOL,
    "\u03bcmol": q.MICROMOL,
    "meq": q.MILLIEQUIVALENT,
    "kgs": q.KILOGRAM,
    "lbs": q.POUND,
}

# Refused with the safe form: read by people, or by a machine, as something else.
_REFUSED_WORDS: dict[str, tuple[str, str]] = {
    "U": ("units", "U is misread as 0 or 4"),
    "u": ("units", "u is misread as 0 or 4"),
    "cc": ("mL", "cc is misread as u or as 00"),
    "MG": ("mg", "MG is another unit in the open code system for units"),
    "Mg": ("mg", "Mg is a million grams, or magnesium"),
    "ML": ("mL", "ML is a million litres"),
    "gm": ("g", "gm is not a unit"),
    "mcL": ("microlitres", "mcL is not a unit"),
}

# Refused without a safe form: the number would not stay the same, or nobody can tell which of two was meant.
_UNCLEAR_WORDS: dict[str, str] = {
    "MU": "MU is read as units or as million units. Write units, or million units, in full",
    "MIU": "MIU is read as thousandths or as million units. Write units, or million units, in full",
    "mU": "mU is read as units or as thousandths of a unit. Write how many units are meant",
    "M": "M is read as thousand or as million. Write the whole number, or million units in full",
    "K": "K is read as thousand or as potassium. Write the whole number and its unit",
    "gr": "gr is read as grain or as gram. Write how many mg or g are meant",
    "%": "a percentage is a strength, not an amount. Write how many mg are meant",
    "st": "a stone is not taken. Write the weight in kg, g, lb or oz",
}

_NUMBER = re.compile(
    r"(?P<number>[0-9][0-9., \u00a0\u202f]*[0-9]|[0-9])(?P<gap>[ \u00a0\u202f]*)(?P<unit>.*)", re.ASCII
)
_GROUPED = re.compile(r"[0-9]{1,3}(?P<mark>[, \u00a0\u202f])[0-9]{3}(?:(?P=mark)[0-9]{3})*(?:\.[0-9]+)?", re.ASCII)
_PLAIN = re.compile(r"(?P<whole>[0-9]+)(?:\.(?P<part>[0-9]+))?", re.ASCII)


@dataclass(frozen=True, slots=True, kw_only=True)
class Parsed:
    """An amount and what should be written differently next time (empty when the text was safe)."""

    quantity: Quantity
    notes: tuple[str, ...] = ()


@lru_cache(maxsize=8192)
def parse_number(text: str, notation: Notation = UK, *, measured: bool = False, word: str = "") -> tuple[Fraction, str]:
    """Digits to an exact number and a note ("" when safely written). Raises NotationError.

    `measured` results keep a trailing zero without a note: 70.0 kg says how finely the scale was read. `word` is the
    unit as it was written, repeated in the safe form that a refusal shows.
    """
    after = f" {word}" if word else ""
    if len(text) > _LONGEST_TEXT:
        raise NotationError(f'read "{_shown(text)}": {len(text)} characters, expected a number such as 0.5 or 12')
    if text.startswith("."):
        raise NotationError(f'read "{_shown(text)}": no zero before the point. Write 0{_shown(text)}{after}')
    grouped = _GROUPED.fullmatch(text)
    plain = text
    if grouped:
        mark = " " if grouped["mark"] in " \u00a0\u202f" else grouped["mark"]
        if mark != notation.thousands:
            plain = re.sub(r"[, \u00a0\u202f]", "", text)
            safe = _group(plain, notation)
            raise NotationError(
                f'read "{text}{after}": this policy does not part thousands with {_mark_name(mark)}, so it could also '
                f"be a decimal sign or two numbers. Write {safe}{after}, or use a point for a decimal"
            )
        plain = re.sub(r"[, \u00a0\u202f]", "", text)
    match = _PLAIN.fullmatch(plain)
    if match is None:
        raise NotationError(_why_not_a_number(text, notation, after))
    whole, part = match["whole"], match["part"] or ""
    if len(whole) > _MOST_DIGITS or len(part) > _MOST_DIGITS:
        raise NotationError(
            f"a number of {len(whole) + len(part)} digits: no dose, weight or volume is that long. Check it"
        )
    if len(whole) > 1 and whole[0] == "0":
        safe = (whole.lstrip("0") or "0") + (f".{part}" if part.strip("0") else "")
        raise NotationError(f'read "{text}{after}": a zero before the first figure. Write {safe}{after}')
    note = ""
    if not measured and part and part.endswith("0"):
        if len(part) == 3 and len(whole) < 4 and whole != "0":
            # In much of the world a point parts thousands: a last zero tells no more which of the two was meant.
            less, more = f"{whole}.{part}".rstrip("0").rstrip("."), whole + part
            raise NotationError(
                f'read "{text}{after}": it could be {less} or {more}. '
                f"Write {less}{after}, or {_group(more, notation)}{after}"
            )
        note = "no zero after the last figure: 1.0 is misread as 10"
    elif not grouped and len(whole) > 4 and notation.thousands and not measured:
        note = f"part thousands: {_group(plain, notation)}"
    return Fraction(int(whole + part), 10 ** len(part)), note


def _why_not_a_number(text: str, notation: Notation, after: str) -> str:
    read = f'read "{_shown(text)}{after}"'
    if "," in text and re.fullmatch(r"[0-9]+,[0-9]+", text, re.ASCII):
        whole, _, part = text.partition(",")
        decimal = f"{whole.lstrip('0') or '0'}.{part}".rstrip("0").rstrip(".")
        if whole[0] == "0":
            return f"{read}: a comma is not a decimal sign here. Write {decimal}{after}"
        return (
            f"{read}: a comma is not a decimal sign here and does not stand at thousands. "
            f"Write {decimal}{after} if a decimal is meant, or {_group(whole + part, notation)}{after} if not"
        )
    if any(mark in text for mark in ", \u00a0\u202f"):
        return f"{read}: separators that do not stand at thousands. Write the figures without them"
    return f"{read}: not a number. Write figures such as 0.5, 12 or 1{notation.thousands}200"


def _shown(text: str) -> str:
    """What was read, short enough for a message and without control characters."""
    short = text if len(text) <= _LONGEST_TEXT else text[:_LONGEST_TEXT] + "..."
    if short.isprintable():
        return short
    return "".join(one if one.isprintable() else f"\\u{ord(one):04x}" for one in short)


def _mark_name(mark: str) -> str:
    return "a comma" if mark == "," else "a space"


@lru_cache(maxsize=8192)
def parse_quantity(
    text: str,
    notation: Notation = UK,
    *,
    measured: bool = False,
    body_weight: bool = False,
    forms: tuple[str, ...] | None = (),
) -> Parsed:
    """Text such as "2.5 mg" to an exact amount.

    `measured`: a result of measuring (a weight), where a trailing zero is no fault. `body_weight`: lb and oz are
    allowed. `forms`: words after the unit that name a salt or base ("50 mg base"); None where what declares them is
    not at hand, and any one word after a unit is taken. Raises NotationError.
    """
    shown = _shown(text)
    if len(text) > _LONGEST_TEXT:
        raise NotationError(f'read "{shown}": {len(text)} characters, expected an amount such as "2.5 mg"')
    stripped = text.strip(" ")
    if not stripped:
        raise NotationError('read nothing, expected an amount with its unit such as "2.5 mg"')
    if stripped[0] == ".":
        raise NotationError(f'read "{shown}": no zero before the point. Write {_safe_guess("0" + stripped, notation)}')
    if stripped[0] in "-\u2212+":
        raise NotationError(f'read "{shown}": an amount has no sign. Write it without')
    match = _NUMBER.fullmatch(stripped)
    if match is None:
        raise NotationError(f'read "{shown}": expected figures and a unit such as "2.5 mg"')
    word = match["unit"]
    form = ""
    for candidate in _form_in(word) if forms is None else forms:
        if word.endswith(" " + candidate):
            word, form = word[: -len(candidate) - 1].rstrip(" "), candidate
    unit, unit_note = _parse_unit(word, match["number"], shown, notation, "kg" if body_weight else "mg")
    if unit.body_weight_only and not body_weight:
        raise NotationError(f'read "{shown}": {unit.name} is taken for a body weight only. Write mg, g or micrograms')
    value, number_note = parse_number(match["number"], notation, measured=measured, word=word)
    quantity = Quantity(value=value, unit=unit, form=form)
    notes = []
    if not match["gap"]:
        notes.append("a space between the number and the unit")
    if unit_note and not (word == "mcg" and notation.micrograms == "mcg"):
        notes.append(unit_note)
    if number_note:
        notes.append(number_note)
    if notes:
        safe = render(quantity, notation)
        return Parsed(quantity=quantity, notes=tuple(f'"{shown}" is shown as {safe}: {note}' for note in notes))
    return Parsed(quantity=quantity)


def _form_in(word: str) -> tuple[str, ...]:
    """The one word after a unit, where there is one ("ester" in "mg ester", nothing in "million units")."""
    unit, _, last = word.rpartition(" ")
    return (last,) if last.isalpha() and unit.rstrip(" ") in _WORDS and word not in _WORDS else ()


def _parse_unit(word: str, number: str, shown: str, notation: Notation, example: str) -> tuple[Unit, str]:
    unit = _WORDS.get(word)
    if unit is not None:
        return unit, ""
    unit = _UNSAFE_WORDS.get(word)
    if unit is not None:
        return unit, f"{word} is misread"
    if word.endswith(".") and (word[:-1] in _WORDS or word[:-1] in _UNSAFE_WORDS):
        unit = _WORDS.get(word[:-1]) or _UNSAFE_WORDS[word[:-1]]
        return unit, "no full stop after a unit"
    if word in _REFUSED_WORDS:
        safe, why = _REFUSED_WORDS[word]
        raise NotationError(f'read "{shown}": {why}. Write {_safe_number(number, notation)} {safe}')
    if word in _UNCLEAR_WORDS:
        raise NotationError(f'read "{shown}": {_UNCLEAR_WORDS[word]}')
    if not word:
        raise NotationError(
            f'read "{shown}": a bare number. Write its unit, such as {_safe_number(number, notation)} {example}'
        )
    known = ", ".join(unit.name for unit in q.ALL_UNITS)
    raise NotationError(f'read "{shown}": "{_shown(word[:20])}" is not a unit that is taken. Known: {known}')


def _safe_number(number: str, notation: Notation) -> str:
    """The number as it should be written; a comma is taken for the decimal sign it most likely was."""
    for text in (number, number.replace(",", ".")):
        try:
            return render_number(parse_number(text, notation, measured=True)[0], notation)
        except NotationError:
            continue
    return "2.5"


def _safe_guess(text: str, notation: Notation) -> str:
    """The safe form of a text that starts with a point, as far as it can be told."""
    try:
        return render(parse_quantity(text, notation).quantity, notation)
    except NotationError:
        match = _NUMBER.fullmatch(text)
        word = match["unit"] if match is not None else ""
        if match is not None and word in _REFUSED_WORDS:
            return f"{match['number']} {_REFUSED_WORDS[word][0]}"
        return _shown(text) if word or match is None else f"{text} with its unit"


_RATIO = re.compile(r"1 ?(?::|in) ?(?P<parts>[0-9][0-9., \u00a0\u202f]*)", re.ASCII)
_PERCENT = re.compile(r"(?P<number>[0-9][0-9.,]*) ?%(?: w/v)?", re.ASCII)


@dataclass(frozen=True, slots=True, kw_only=True)
class ParsedStrength:
    """A strength as the label writes it: a concentration, or the bare amount in one powder container."""

    strength: Concentration | Quantity
    notes: tuple[str, ...] = ()


@lru_cache(maxsize=4096)
def parse_strength(text: str, notation: Notation = UK, *, forms: tuple[str, ...] = ()) -> ParsedStrength:
    """A strength as the trade writes it. Raises NotationError.

    "50 mg/mL", "50 mg in 2 mL", "1%" (w/v: 1 g in 100 mL), "1 in 1000" and "1:1000" (1 g in that many mL),
    "1.2 million units in 4 mL", or a bare amount for a powder.
    """
    stripped = text.strip(" ")
    if len(stripped) > _LONGEST_TEXT:
        raise NotationError(f'read "{_shown(stripped)}": expected a strength such as "50 mg/mL"')
    ratio = _RATIO.fullmatch(stripped)
    if ratio:
        parts, note = parse_number(ratio["parts"], notation)
        if parts == 0 or parts.denominator != 1:
            raise NotationError(f'read "{stripped}": expected a ratio such as 1 in 1000')
        return ParsedStrength(
            strength=Concentration(
                amount=Quantity(value=Fraction(1000), unit=q.MILLIGRAM), volume=Quantity(value=parts, unit=q.MILLILITRE)
            ),
            notes=(f'"{stripped}": {note}',) if note else (),
        )
    percent = _PERCENT.fullmatch(stripped)
    if percent:
        value, note = parse_number(percent["number"], notation)
        _above_zero(value, stripped)
        strength = Concentration(amount=Quantity(value=value * 1000, unit=q.MILLIGRAM), volume=q.millilitres(100))
        return ParsedStrength(strength=strength, notes=(f'"{stripped}": {note}',) if note else ())
    if "%" in stripped:
        raise NotationError(
            f'read "{stripped}": only % w/v is taken (1% is 1 g in 100 mL). Write the strength in mg/mL'
        )
    for mark in ("/", " in ", " per "):
        amount_text, found, volume_text = stripped.partition(mark)
        if found:
            return _parse_concentration(amount_text, volume_text, stripped, notation, forms)
    parsed = parse_quantity(stripped, notation, forms=forms)
    if parsed.quantity.unit.dimension not in _AMOUNTS:
        raise NotationError(
            f'read "{stripped}": {parsed.quantity.unit.dimension} is no strength. Write such as "50 mg/mL"'
        )
    _above_zero(parsed.quantity.value, stripped)
    return ParsedStrength(strength=parsed.quantity, notes=parsed.notes)


_AMOUNTS = (Dimension.MASS, Dimension.UNITS, Dimension.MOLES, Dimension.EQUIVALENTS)


def _parse_concentration(
    amount_text: str, volume_text: str, shown: str, notation: Notation, forms: tuple[str, ...]
) -> ParsedStrength:
    volume_text = volume_text.strip(" ")
    if not amount_text.strip(" ") or not volume_text:
        raise NotationError(f'read "{_shown(shown)}": expected an amount in a volume, such as "50 mg/mL"')
    amount = parse_quantity(amount_text, notation, forms=forms)
    volume = parse_quantity(volume_text if volume_text[:1].isdigit() else f"1 {volume_text}", notation)
    if amount.quantity.unit.dimension not in _AMOUNTS or volume.quantity.unit.dimension is not Dimension.VOLUME:
        raise NotationError(f'read "{shown}": expected an amount in a volume, such as "50 mg/mL" or "50 mg in 2 mL"')
    _above_zero(amount.quantity.value, shown)
    _above_zero(volume.quantity.value, shown)
    strength = Concentration(amount=amount.quantity, volume=volume.quantity)
    return ParsedStrength(strength=strength, notes=amount.notes + volume.notes)


def _above_zero(value: Fraction, shown: str) -> None:
    if value == 0:
        raise NotationError(f'read "{shown}": a strength of zero. Check the label')


def parse_equivalence(text: str, notation: Notation = UK) -> Equivalence:
    """ "1.2 million units = 900 mg", "50 mg base = 70.52 mg ester", "1 mmol = 2 mEq". Raises NotationError."""
    left, equals, right = text.partition("=")
    if not equals:
        raise NotationError(
            f'read "{text[:_LONGEST_TEXT]}": expected an equivalence such as "1.2 million units = 900 mg"'
        )
    sides = [parse_quantity(side.strip(" "), notation, forms=None).quantity for side in (left, right)]
    if sides[0].kind == sides[1].kind:
        raise NotationError(f'read "{text}": both sides are the same kind. Name the salt or base, such as "50 mg base"')
    for side in sides:
        _above_zero(side.value, text)
    return Equivalence(left=sides[0], right=sides[1])


def decimal_text(value: Fraction) -> str | None:
    """The finite decimal of a number without trailing zeros or exponent; None where there is none."""
    return _decimal_text(value.numerator, value.denominator)


@lru_cache(maxsize=4096)
def _decimal_text(numerator: int, denominator: int) -> str | None:
    if denominator == 1:
        return str(numerator)
    rest, twos, fives = denominator, 0, 0
    while not rest & 1:
        rest >>= 1
        twos += 1
    while not rest % 5:
        rest //= 5
        fives += 1
    if rest != 1:
        return None
    places = twos if twos > fives else fives
    digits = str(abs(numerator) * 10**places // denominator).rjust(places + 1, "0")
    return f"{'-' if numerator < 0 else ''}{digits[:-places]}.{digits[-places:]}"


def exact_text(value: Fraction) -> str:
    """The number for a machine: a finite decimal, or a fraction such as "2/3" where there is none."""
    decimal = decimal_text(value)
    return decimal if decimal is not None else f"{value.numerator}/{value.denominator}"


def rounded_half_up(value: Fraction, places: int) -> Fraction:
    """The nearest decimal of so many places, halves away from zero."""
    scale = 10**places
    numerator, denominator = abs(value.numerator) * scale, value.denominator
    whole = (2 * numerator + denominator) // (2 * denominator)
    return Fraction(-whole if value < 0 else whole, scale)


def machine_text(amount: Quantity) -> str:
    """An amount as the public request writes it, exact; a value without a finite decimal keeps twelve places."""
    number = decimal_text(amount.value) or decimal_text(rounded_half_up(amount.value, 12))
    return f"{number} {amount.unit.name} {amount.form}".strip()


def render_number(value: Fraction, notation: Notation = UK) -> str:
    """A number for a person: leading zero always, trailing zero never, thousands by the policy, no exponent.

    Without a finite decimal the nearest is shown with the exact fraction: "3.333 (exactly 10/3)". A body surface and
    what comes of it run to 28 places: beyond what can be typed, three are shown and said to be: "1.708 (to 3 places)".
    """
    return _render_number(value.numerator, value.denominator, notation)


@lru_cache(maxsize=8192)
def _render_number(numerator: int, denominator: int, notation: Notation) -> str:
    decimal = _decimal_text(numerator, denominator)
    if decimal is not None and len(decimal.partition(".")[2]) <= _MOST_DIGITS:
        return _group(decimal, notation)
    near = decimal_text(rounded_half_up(Fraction(numerator, denominator), 3)) or ""
    if near == "0":
        return decimal if decimal is not None else f"{numerator}/{denominator}"
    exactly = "to 3 places" if decimal is not None else f"exactly {numerator}/{denominator}"
    return f"{_group(near, notation)} ({exactly})"


def _group(decimal: str, notation: Notation) -> str:
    """Thousands parted by the policy's sign from 1,000 upwards."""
    if len(decimal) < 4 or not notation.thousands:
        return decimal
    whole, point, part = decimal.partition(".")
    if len(whole) < 4:
        return decimal
    return f"{int(whole):,}".replace(",", notation.thousands) + point + part


_FULL_WORDS: dict[str, tuple[str, str]] = {
    "ng": ("nanogram", "nanograms"),
    "minutes": ("minute", "minutes"),
    "hours": ("hour", "hours"),
    "days": ("day", "days"),
    "weeks": ("week", "weeks"),
    "microlitre": ("microlitre", "microlitres"),
}


def unit_word(unit: Unit, value: Fraction, notation: Notation = UK) -> str:
    """The unit as it is shown beside this number."""
    one = value == 1
    if unit is q.MILLIGRAM or unit is q.MILLILITRE:
        return unit.name
    if unit is q.MICROGRAM:
        return "mcg" if notation.micrograms == "mcg" else ("microgram" if one else "micrograms")
    if unit.dimension is Dimension.UNITS:
        word = notation.units.removesuffix("s") if one and unit is q.UNITS else notation.units
        return word if unit is q.UNITS else f"million {word}"
    words = _FULL_WORDS.get(unit.name)
    return words[0 if one else 1] if words else unit.name


def render(quantity: Quantity, notation: Notation = UK) -> str:
    """An amount for a person, in the policy's safe notation.

    Without a finite decimal the nearest is shown with the exact fraction behind it: "3.333 mL (exactly 10/3)".
    """
    value = quantity.value
    return _render(value.numerator, value.denominator, quantity.unit, quantity.form, notation)


def render_ml(volume_ml: Fraction, notation: Notation = UK) -> str:
    """A volume in mL for a person."""
    return _render(volume_ml.numerator, volume_ml.denominator, q.MILLILITRE, "", notation)


# The same few amounts are shown again and again; the key is whole numbers, which are quicker to look up than fractions.
@lru_cache(maxsize=8192)
def _render(numerator: int, denominator: int, unit: Unit, form: str, notation: Notation) -> str:
    shown = Quantity(value=Fraction(numerator, denominator), unit=unit, form=form)
    if notation.step_down_small_masses:
        shown = _stepped_down(shown)
    words = unit_word(shown.unit, shown.value, notation)
    if form:
        words = f"{words} {form}"
    number, space, exactly = render_number(shown.value, notation).partition(" (")
    return f"{number} {words}{space}{exactly}"


def _stepped_down(quantity: Quantity) -> Quantity:
    """Below 1 mg in micrograms, below 1 g in mg (BNF, prescription writing); larger amounts stay as written."""
    shown = quantity
    for unit, below in ((q.GRAM, q.MILLIGRAM), (q.MILLIGRAM, q.MICROGRAM), (q.MICROGRAM, q.NANOGRAM)):
        if shown.unit is unit and 0 < shown.value < 1:
            shown = shown.to(below)
    return shown


def render_concentration(strength: Concentration, notation: Notation = UK) -> str:
    """A strength per 1 mL: "50 mg/mL"."""
    amount, volume = strength.amount.value, strength.volume.base
    return _render_concentration(
        amount.numerator * volume.denominator,
        amount.denominator * volume.numerator,
        strength.amount.unit,
        strength.amount.form,
        notation,
    )


@lru_cache(maxsize=1024)
def _render_concentration(numerator: int, denominator: int, unit: Unit, form: str, notation: Notation) -> str:
    per_ml = Quantity(value=Fraction(numerator, denominator), unit=unit)
    if per_ml.value < 1:
        per_ml = per_ml.to(q.UNITS) if per_ml.unit is q.MILLION_UNITS else per_ml
        per_ml = _stepped_down(per_ml) if notation.step_down_small_masses else per_ml
    words = unit_word(per_ml.unit, Fraction(2), notation)
    number, space, exactly = render_number(per_ml.value, notation).partition(" (")
    return f"{number} {words}{f' {form}' if form else ''}/mL{space}{exactly}"
