"""What each key of a policy may hold, and how it is read. Numbers with a unit stand as text: so they stay exact."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from datetime import time
from fractions import Fraction
from typing import Any

from drawup.evidence.emergency import adrenaline_table_names
from drawup.evidence.tables import EvidenceError, load_sites, needle_table_names, parse_age
from drawup.injection.notation import NotationError, parse_quantity, parse_strength
from drawup.injection.patient import QUESTIONS, kilograms
from drawup.injection.policy import AskedToday, Barrel, Needle, PlausibleWeight, SiteLimit, SiteOrder, WeightAge
from drawup.injection.quantity import Concentration, Dimension, Quantity
from drawup.injection.schedule import MONTH_ENDS

ROUTES = ("intramuscular", "subcutaneous")
_SHARE = re.compile(r"(?P<number>[0-9]{1,3}(?:\.[0-9]{1,6})?) ?%", re.ASCII)
# 365.25 and 30.4375 days: rounded down, so that a birthday is always past its limit (by a day at most).
_YEAR, _MONTH = Fraction(1461, 4), Fraction(1461, 48)

Read = Callable[[Any], Any]


class Unfit(ValueError):
    """A value that a key cannot hold; the message says what was expected."""


def _shown(value: Any) -> str:
    if isinstance(value, int) and value.bit_length() > 64:
        return "a very large number"
    text = f'"{value}"' if isinstance(value, str) else str(value)
    return text if len(text) <= 60 else text[:60] + "..."


def _text(value: Any) -> str:
    if not isinstance(value, str) or not value.strip() or len(value) > 400:
        raise Unfit(f"read {_shown(value)}, expected words of at most 400 characters")
    return value


def _one_of(*words: str) -> Read:
    def read(value: Any) -> str:
        if value not in words or not isinstance(value, str):
            raise Unfit(f"read {_shown(value)}, expected one of {', '.join(map(repr, words))}")
        return value

    return read


def _yes_or_no(value: Any) -> bool:
    if not isinstance(value, bool):
        raise Unfit(f"read {_shown(value)}, expected true or false")
    return value


def _whole(least: int, most: int) -> Read:
    def read(value: Any) -> int:
        if not isinstance(value, int) or isinstance(value, bool) or not least <= value <= most:
            raise Unfit(f"read {_shown(value)}, expected a whole number from {least} to {most}")
        return value

    return read


def _share(most: int) -> Read:
    def read(value: Any) -> Fraction:
        match = _SHARE.fullmatch(value) if isinstance(value, str) else None
        share = Fraction(match["number"]) / 100 if match else None
        if share is None or share > Fraction(most, 100):
            raise Unfit(f'read {_shown(value)}, expected a percentage from 0 to {most} as text, such as "5 %"')
        return share

    return read


def _quantity(value: Any, dimension: Dimension, example: str, *, zero: bool = False) -> Quantity:
    if not isinstance(value, str):
        raise Unfit(f'read {_shown(value)}, expected text with a unit such as "{example}"')
    try:
        quantity = parse_quantity(value, measured=True, body_weight=dimension is Dimension.MASS).quantity
    except NotationError as error:
        raise Unfit(str(error)) from None
    if quantity.unit.dimension is not dimension or (quantity.value == 0 and not zero):
        raise Unfit(f'read "{value}", expected such as "{example}"')
    return quantity


def _days(value: Any) -> int:
    if not isinstance(value, str):
        raise Unfit(f'read {_shown(value)}, expected an age such as "28 days", "18 months" or "5 years"')
    try:
        days, months = parse_age(value)
    except EvidenceError as error:
        raise Unfit(str(error)) from None
    years, rest = divmod(months, 12)
    return days + int(years * _YEAR) + int(rest * _MONTH)


def _site(value: Any) -> str:
    names = [site.name for site in load_sites()]
    if value not in names:
        raise Unfit(f"read the site {_shown(value)}, expected one of {', '.join(names)}")
    return str(value)


def _list(value: Any, what: str) -> list[Any]:
    if not isinstance(value, list):
        raise Unfit(f"read {_shown(value)}, expected a list of {what}")
    return value


def _row(value: Any, needed: tuple[str, ...], allowed: tuple[str, ...] = ()) -> Mapping[str, Any]:
    if not isinstance(value, dict):
        raise Unfit(f"read {_shown(value)}, expected a row with {', '.join(needed)}")
    unknown = [key for key in value if key not in needed and key not in allowed]
    missing = [key for key in needed if key not in value]
    if unknown:
        raise Unfit(f'"{unknown[0]}" is not known here, expected {", ".join((*needed, *allowed))}')
    if missing:
        raise Unfit(f'"{missing[0]}" is missing, expected {", ".join((*needed, *allowed))}')
    return value


def _words(value: Any) -> tuple[str, ...]:
    return tuple(_text(one) for one in _list(value, "words"))


def _sites(value: Any) -> tuple[str, ...]:
    return tuple(_site(one) for one in _list(value, "sites"))


def _until(row: Mapping[str, Any]) -> int | None:
    return _days(row["below"]) if "below" in row else None


def _in_order(ends: list[int | None]) -> None:
    """Rows by age: each ends later than the one before, and the last has no end."""
    if not ends or ends[-1] is not None:
        raise Unfit('the last row must hold for everyone older: leave its "below" out')
    known = [end for end in ends if end is not None]
    if len(known) < len(ends) - 1 or known != sorted(set(known)):
        raise Unfit('the rows must stand by age, each "below" older than the one before')


def _weight_age(value: Any) -> tuple[WeightAge, ...]:
    rows = [_row(one, ("counts",), ("below",)) for one in _list(value, "rows")]
    _in_order([_until(row) for row in rows])
    return tuple(WeightAge(below_days=_until(row), counts_days=_days(row["counts"])) for row in rows)


def _plausible_weight(value: Any) -> tuple[PlausibleWeight, ...]:
    rows = [_row(one, ("from", "to"), ("below",)) for one in _list(value, "rows")]
    _in_order([_until(row) for row in rows])
    made = tuple(
        PlausibleWeight(
            below_days=_until(row),
            low_kg=kilograms(_quantity(row["from"], Dimension.MASS, "3.5 kg", zero=True)),
            high_kg=kilograms(_quantity(row["to"], Dimension.MASS, "70 kg")),
        )
        for row in rows
    )
    if any(row.low_kg >= row.high_kg for row in made):
        raise Unfit('"from" must be lighter than "to" in every row')
    return made


def _route(value: Any) -> str:
    return str(_one_of(*ROUTES)(value))


def _site_order(value: Any) -> tuple[SiteOrder, ...]:
    rows = [_row(one, ("route", "sites"), ("below",)) for one in _list(value, "rows")]
    layers = {site.name: site.route for site in load_sites()}
    for route in ROUTES:
        _in_order([_until(row) for row in rows if _route(row["route"]) == route])
    for row in rows:
        wrong = [name for name in _sites(row["sites"]) if layers[name] != row["route"]]
        if wrong:
            raise Unfit(f"{wrong[0]} is a site for the {layers[wrong[0]]} route, this row is {row['route']}")
    return tuple(SiteOrder(route=row["route"], below_days=_until(row), sites=_sites(row["sites"])) for row in rows)


def _site_limits(value: Any) -> tuple[SiteLimit, ...]:
    made = []
    layers = {site.name: site.route for site in load_sites()}
    for one in _list(value, "rows"):
        row = _row(one, ("soft", "hard"), ("site", "route", "from", "below"))
        if ("site" in row) == ("route" in row):
            raise Unfit('each row names either a "site", or a "route" for all its sites')
        soft, hard = (_quantity(row[key], Dimension.VOLUME, "1 mL").base for key in ("soft", "hard"))
        if soft > hard:
            raise Unfit(f'"soft" is the usual limit and may not be over "hard", the largest: {row["soft"]}')
        made.append(
            SiteLimit(
                route=layers[_site(row["site"])] if "site" in row else _route(row["route"]),
                site=row.get("site", ""),
                from_days=_days(row["from"]) if "from" in row else 0,
                below_days=_until(row),
                soft_ml=soft,
                hard_ml=hard,
            )
        )
    return tuple(made)


def _barrels(value: Any) -> tuple[Barrel, ...]:
    made = tuple(_barrel(_row(one, ("capacity", "interval"), ("strength",))) for one in _list(value, "barrels"))
    if not made:
        raise Unfit("no barrel is listed, expected at least one")
    return made


def _barrel(row: Mapping[str, Any]) -> Barrel:
    in_units = "strength" in row
    dimension, example = (Dimension.UNITS, "30 units") if in_units else (Dimension.VOLUME, "1 mL")
    capacity = _quantity(row["capacity"], dimension, example).base
    interval = _quantity(row["interval"], dimension, example).base
    if interval > capacity:
        raise Unfit(f"the interval {row['interval']} is larger than the capacity {row['capacity']}")
    return Barrel(capacity=capacity, interval=interval, units_per_ml=_units_per_ml(row) if in_units else None)


def _units_per_ml(row: Mapping[str, Any]) -> Fraction:
    try:
        strength = parse_strength(str(row["strength"])).strength
    except NotationError as error:
        raise Unfit(str(error)) from None
    if not isinstance(strength, Concentration) or strength.amount.unit.dimension is not Dimension.UNITS:
        raise Unfit(f'read the strength {_shown(row["strength"])}, expected such as "100 units/mL"')
    return strength.in_one_ml().base


def _volume(value: Any) -> Fraction:
    return _quantity(value, Dimension.VOLUME, "0.084 mL").base


def _length(value: Any) -> Fraction:
    length = _quantity(value, Dimension.LENGTH, "10 mm").base
    if not 1 <= length <= 100:
        raise Unfit(f"read {_shown(value)}, expected from 1 to 100 mm")
    return length


def _needles(value: Any) -> tuple[Needle, ...]:
    return tuple(_needle(_row(one, ("gauge", "length"))) for one in _list(value, "needles"))


def _needle(row: Mapping[str, Any]) -> Needle:
    gauge = _whole(10, 34)(row["gauge"])
    return Needle(gauge=gauge, length_mm=_quantity(row["length"], Dimension.LENGTH, "25 mm").base)


def _needle_table(value: Any) -> str:
    return str(_one_of(*needle_table_names())(value))


def _adrenaline_table(value: Any) -> str:
    return str(_one_of(*adrenaline_table_names())(value))


_CLOCK = re.compile(r"(?:[01][0-9]|2[0-3]):[0-5][0-9]", re.ASCII)


def _meal_times(value: Any) -> tuple[tuple[str, time], ...]:
    made = []
    for one in _list(value, "rows"):
        row = _row(one, ("meal", "at"))
        meal, clock = _text(row["meal"]).strip().casefold(), row["at"]
        if " " in meal:
            raise Unfit(f"read the meal {_shown(row['meal'])}, expected one word such as breakfast")
        if not isinstance(clock, str) or not _CLOCK.fullmatch(clock):
            raise Unfit(f'read {_shown(clock)}, expected a time of day such as "08:00"')
        made.append((meal, time.fromisoformat(clock)))
    if len({meal for meal, _ in made}) < len(made):
        raise Unfit("a meal stands twice, expected each once")
    return tuple(made)


def _ask_today(value: Any) -> tuple[AskedToday, ...]:
    rows = [_row(one, ("medicines", "questions")) for one in _list(value, "rows")]
    return tuple(
        AskedToday(
            medicines=_words(row["medicines"]),
            questions=tuple(_one_of(*QUESTIONS)(one) for one in _list(row["questions"], "questions")),
        )
        for row in rows
    )


NOTATION: Mapping[str, Read] = {
    "micrograms": _one_of("micrograms", "mcg"),
    "units": _one_of("units", "international units"),
    "thousands": _one_of(",", " ", ""),
    "step_down_small_masses": _yes_or_no,
}
"""The keys under `notation`, each with what reads its value."""

KEYS: Mapping[str, Read] = {
    "order_word": _text,
    "batch_word": _text,
    "adrenaline_word": _one_of("adrenaline", "epinephrine"),
    "mark_tolerance": _share(25),
    "barrel_headroom": _share(100),
    "most_containers": _whole(1, 20),
    "injections_usual": _whole(1, 8),
    "injections_most": _whole(1, 8),
    "mix_strengths": _yes_or_no,
    "doses_beyond_label": _yes_or_no,
    "dead_space": _volume,
    "weight_age": _weight_age,
    "plausible_weight": _plausible_weight,
    "site_order": _site_order,
    "site_limits": _site_limits,
    "draw_back_sites": _sites,
    "needle_table": _needle_table,
    "adrenaline_table": _adrenaline_table,
    "barrels": _barrels,
    "needles": _needles,
    "second_check": _words,
    "cleanse_skin": _text,
    "cleanse_muscle": _text,
    "gloves": _text,
    "change_needle": _yes_or_no,
    "drawing_up_gauge": _whole(14, 25),
    "least_chance_muscle": _share(99),
    "least_chance_skin": _share(99),
    "worse_side_times": _whole(1, 10),
    "point_rest_days": _whole(0, 366),
    "point_apart": _length,
    "visit_apart": _length,
    "lump_margin": _length,
    "wear_spread": _length,
    "wear_half_life_days": _whole(1, 366),
    "wear_per_ml": _share(500),
    "wear_wide_needle": _share(500),
    "wear_after_lump": _share(900),
    "painful_last": _words,
    "seconds_per_ml": _whole(1, 120),
    "wait_seconds": _whole(0, 120),
    "press_seconds": _whole(0, 600),
    "bleeding_press_minutes": _whole(0, 60),
    "bleeding_least_gauge": _whole(16, 30),
    "watch_minutes": _whole(0, 1440),
    "written_later_minutes": _whole(1, 1440),
    "recent_minutes": _whole(0, 1440),
    "month_ends": _one_of(*MONTH_ENDS),
    "meal_times": _meal_times,
    "dose_window_minutes": _whole(1, 720),
    "grace_days": _whole(0, 7),
    "live_interval_days": _whole(1, 90),
    "ask_today": _ask_today,
    "consent_for": _words,
    "spoken_signature_hours": _whole(1, 168),
    "effect_minutes": _whole(5, 1440),
    "syringe_minutes": _whole(1, 1440),
}
"""Every other key of a policy, each with what reads its value."""
