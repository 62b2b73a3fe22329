"""Adrenaline into muscle for anaphylaxis: every band of a published table that an age meets, and the five-minute clock.

The tables disagree, their bands meet at an age or leave a gap, and an age is often known only in whole years. Nothing
is guessed: all bands that hold are given and the clinician chooses; in a gap there is none, and the neighbours are
shown, with what reading the printed ages as whole years would give, marked as our reading. Source of the figures:
evidence/adrenaline.toml, each with its own.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from fractions import Fraction
from itertools import pairwise

from drawup.injection.barrel import Drawn, choose_barrel, nearest_mark
from drawup.injection.notation import parse_quantity
from drawup.injection.patient import Age, kilograms
from drawup.injection.policy import Barrel, PlausibleWeight, Policy
from drawup.injection.quantity import Concentration, Dimension, Quantity

OLDEST_YEARS = 120


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownAge:
    """What is known of an age: from one step of life to another, both included; `last` None is no upper end.

    Step 2n is the day on which n months of life are completed, 2n + 1 every day after it until the next: so "exactly
    6 years", the birthday, is step 144 alone, and "6 years", any day until the seventh birthday, the steps 144 to 167.
    """

    first: int
    last: int | None
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class AdrenalineBand:
    """One line of a table by age: the steps of life for which it holds (see KnownAge), and its dose or doses.

    `to_dose`: the upper end, where the table prints a range. `about`: the weight printed beside the age, in words.
    """

    name: str
    first: int
    last: int | None
    dose: Quantity
    to_dose: Quantity | None
    about: str
    note: str
    source: str
    address: str
    status: str

    def meets(self, age: KnownAge) -> bool:
        """Whether any day of this age lies in the band."""
        return (self.last is None or age.first <= self.last) and (age.last is None or age.last >= self.first)


@dataclass(frozen=True, slots=True, kw_only=True)
class AdrenalineTable:
    """A published table: bands by age in the order of age, a rule by weight, or both.

    `review`: the first day of the month that its publisher printed for its review; None where none is known.
    """

    key: str
    title: str
    edition: str
    review: date | None
    strength: Concentration
    repeat_minutes: int
    goes_by: str
    bands: tuple[AdrenalineBand, ...]
    per_kg: Quantity | None
    at_most: Quantity | None
    note: str
    source: str
    address: str
    status: str

    def past_review(self, today: date) -> bool:
        """Whether the month of its review has gone by."""
        return self.review is not None and (today.year, today.month) > (self.review.year, self.review.month)

    @property
    def most_ml(self) -> Fraction | None:
        """The volume of the cap."""
        return None if self.at_most is None else self.strength.volume_of(self.at_most)

    @property
    def cap_kg(self) -> Fraction | None:
        """The weight from which the cap holds; None without a rule by weight and a cap."""
        return None if self.per_kg is None or self.at_most is None else self.at_most.ratio(self.per_kg)


@dataclass(frozen=True, slots=True, kw_only=True)
class DoseToGive:
    """One dose with the exact volume in mL of the table's strength."""

    dose: Quantity
    volume_ml: Fraction


@dataclass(frozen=True, slots=True, kw_only=True)
class BandDose:
    """A band that holds, with its dose; two where the table prints a range."""

    band: AdrenalineBand
    doses: tuple[DoseToGive, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class WeightDose:
    """The dose by weight. `uncapped` is what the weight alone would give; the cap held where `capped`."""

    weight_kg: Fraction
    uncapped: Quantity
    capped: bool
    given: DoseToGive


@dataclass(frozen=True, slots=True, kw_only=True)
class AdrenalineAnswer:
    """Everything a table says for this age and weight.

    `bands`: all that hold, in the order of age. `gap`: some day of this age lies in no band; `neighbours` are then
    those just before and after, and `whole_years` the bands that would hold in the gap if the printed ages were whole
    years: our reading, not the print. `missing`: what the table goes by and nobody named, "age" or "weight" ("":
    nothing). `adult_most`: the table's cap, where the weight is missing and the age is an adult's; None for a child.
    """

    table: AdrenalineTable
    age: KnownAge | None
    weight_kg: Fraction | None
    bands: tuple[BandDose, ...]
    gap: bool
    neighbours: tuple[BandDose, ...]
    whole_years: tuple[BandDose, ...]
    by_weight: WeightDose | None
    missing: str
    adult_most: DoseToGive | None
    past_review: bool


def adrenaline_dose(
    table: AdrenalineTable, *, age: KnownAge | None, weight_kg: Fraction | None, today: date
) -> AdrenalineAnswer:
    """What this table says. Every band that the age meets is given, none is preferred.

    Raises ValueError for a weight that is not above zero.
    """
    if weight_kg is not None and weight_kg <= 0:
        raise ValueError("a weight is above 0 kg")
    held = tuple(band for band in table.bands if age is not None and band.meets(age))
    around = _neighbours(table.bands, age) if age is not None else ()
    whole_years = _as_whole_years(table.bands, age) if age is not None else ()
    missing = ""
    if (table.goes_by == "age" and age is None) or (table.goes_by == "weight" and weight_kg is None):
        missing = table.goes_by
    adult = age is not None and age.first >= 2 * _ADULT_MONTHS
    most = table.at_most if missing == "weight" and adult else None
    return AdrenalineAnswer(
        table=table,
        age=age,
        weight_kg=weight_kg,
        bands=tuple(band_dose(table, band) for band in held),
        gap=bool(around),
        neighbours=tuple(band_dose(table, band) for band in around),
        whole_years=tuple(band_dose(table, band) for band in whole_years),
        by_weight=weight_dose(table, weight_kg) if weight_kg is not None else None,
        missing=missing,
        adult_most=None if most is None else _to_give(table, most),
        past_review=table.past_review(today),
    )


def whole_table(table: AdrenalineTable) -> tuple[BandDose, ...]:
    """Every band of a table with its doses, in the order of age."""
    return tuple(band_dose(table, band) for band in table.bands)


def band_dose(table: AdrenalineTable, band: AdrenalineBand) -> BandDose:
    """The dose or doses of a band with their volumes."""
    doses = (band.dose,) if band.to_dose is None else (band.dose, band.to_dose)
    return BandDose(band=band, doses=tuple(_to_give(table, dose) for dose in doses))


def _to_give(table: AdrenalineTable, dose: Quantity) -> DoseToGive:
    return DoseToGive(dose=dose, volume_ml=table.strength.volume_of(dose))


def _neighbours(bands: tuple[AdrenalineBand, ...], age: KnownAge) -> tuple[AdrenalineBand, ...]:
    """The bands round each gap that some day of this age lies in; none where every day has a band."""
    found: list[AdrenalineBand] = []
    for before, after in pairwise(bands):
        if before.last is None or after.first <= before.last + 1:
            continue
        if age.first < after.first and (age.last is None or age.last > before.last):
            found += [one for one in (before, after) if one not in found]
    return tuple(found)


def _as_whole_years(bands: tuple[AdrenalineBand, ...], age: KnownAge) -> tuple[AdrenalineBand, ...]:
    """The bands that hold in a gap if a printed "to 3 years" means until the fourth birthday; none outside a gap."""
    found = []
    for before, after in pairwise(bands):
        if before.last is None or before.last % _YEAR or after.first <= before.last + 1:
            continue
        last = min(before.last + _YEAR, after.first) - 1
        if age.first <= last and (age.last is None or age.last > before.last):
            found.append(before)
    return tuple(found)


def weight_dose(table: AdrenalineTable, weight_kg: Fraction) -> WeightDose | None:
    """What the table's rule by weight gives, held at its cap; None where it has no such rule."""
    if table.per_kg is None:
        return None
    uncapped = table.per_kg.times(weight_kg)
    capped = table.at_most is not None and uncapped > table.at_most
    dose = table.at_most if capped and table.at_most is not None else uncapped
    return WeightDose(weight_kg=weight_kg, uncapped=uncapped, capped=capped, given=_to_give(table, dose))


_WORKED_KG = (5, 10, 15, 20, 25, 30, 40)


def worked_doses(table: AdrenalineTable) -> tuple[WeightDose, ...]:
    """The rule by weight worked for some weights, the last of them the one from which the cap holds."""
    cap = table.cap_kg
    weights = [Fraction(kg) for kg in _WORKED_KG if cap is None or kg < cap]
    found = (weight_dose(table, kg) for kg in (*weights, *(() if cap is None else (cap,))))
    return tuple(one for one in found if one is not None)


def mark_for(volume_ml: Fraction, *, most_ml: Fraction | None, policy: Policy) -> tuple[Drawn | None, bool]:
    """The mark to draw to in a barrel of the drawer, never over `most_ml`, and whether it is within the tolerance.

    In this emergency a mark is named even where none is near enough: the nearest of the finest barrel.
    """
    barrels = tuple(barrel for barrel in policy.barrels if barrel.units_per_ml is None)
    drawn = choose_barrel(volume_ml, barrels=barrels, policy=policy, most_ml=most_ml)
    if drawn is not None:
        return drawn, True
    holding = [barrel for barrel in barrels if barrel.capacity_ml >= volume_ml]
    if not holding:
        return None, False
    return _nearest(volume_ml, min(holding, key=lambda barrel: barrel.interval_ml)), False


def _nearest(volume_ml: Fraction, barrel: Barrel) -> Drawn:
    mark = max(nearest_mark(volume_ml, barrel.interval_ml), barrel.interval_ml)
    return Drawn(barrel=barrel, mark_ml=mark, difference=(mark - volume_ml) / volume_ml)


_MONTH_DAYS = Fraction(1461, 48)


def unlikely_weight(weight_kg: Fraction, age: KnownAge, policy: Policy) -> PlausibleWeight | None:
    """The policy's range that this weight lies outside at every day of this age; None where it may well be right."""
    first, last = (None if step is None else int(step // 2 * _MONTH_DAYS) for step in (age.first, age.last))
    outside = None
    since = 0
    for row in policy.plausible_weight:
        touched = (row.below_days is None or first is None or first < row.below_days) and (
            last is None or last >= since
        )
        if touched and row.low_kg <= weight_kg <= row.high_kg:
            return None
        outside = row if touched else outside
        since = row.below_days or since
    return outside


# Ages.

# Short forms only where they can mean nothing else: "m" may be months or minutes, and a bare number has no unit.
_AGE = re.compile(
    r"(?P<exactly>exactly )?(?P<count>[0-9]{1,5}) ?(?P<unit>days?|weeks?|months?|mos?|years?|yrs?|y)"
    r"(?: ?(?P<months>[0-9]{1,2}) ?(?:months?|mos?))?",
    re.ASCII,
)
_UNITS = {"d": "day", "w": "week", "m": "month", "y": "year"}
_ADULT_MONTHS = 18 * 12
_YEAR = 2 * 12
_EXAMPLES = 'expected such as "3 years", "6 years 5 months", "exactly 6 years", "4 months", "10 days" or "adult"'


def parse_age(text: str, today: date) -> KnownAge:
    """An age as people say it, or short: "3 yrs", "3y", "18 mo". The days after whole years and months are left open.

    "exactly 6 years" is the sixth birthday, "adult" anybody from 18 years on. Raises ValueError.
    """
    words = " ".join(text.casefold().split())
    if words == "adult":
        return KnownAge(first=2 * _ADULT_MONTHS, last=None, words="adult")
    match = _AGE.fullmatch(words)
    unit = _UNITS[match["unit"][0]] if match is not None else ""
    if match is None or (match["months"] and unit != "year") or int(match["months"] or 0) > 11:
        raise ValueError(f'read the age "{text[:40]}", {_EXAMPLES}')
    count, rest = int(match["count"]), int(match["months"] or 0)
    in_one_year = {"day": 366, "week": 53, "month": 12, "year": 1}[unit]
    if count > OLDEST_YEARS * in_one_year:
        raise ValueError(f'read the age "{text[:40]}", expected at most {OLDEST_YEARS} years')
    words = f"{match['exactly'] or ''}{_counted(count, unit)}{' ' + _counted(rest, 'month') if match['months'] else ''}"
    if unit in ("day", "week"):
        return _in_days(count, unit, exactly=bool(match["exactly"]), words=words, today=today)
    months = count * 12 + rest if unit == "year" else count
    open_months = 12 if unit == "year" and not match["months"] else 1
    last = 2 * months if match["exactly"] else 2 * (months + open_months) - 1
    return KnownAge(first=2 * months, last=last, words=words)


def _counted(count: int, unit: str) -> str:
    return f"{count} {unit}{'' if count == 1 else 's'}"


def _in_days(count: int, unit: str, *, exactly: bool, words: str, today: date) -> KnownAge:
    least = count * 7 if unit == "week" else count
    most = least + 6 if unit == "week" and not exactly else least
    youngest, oldest = (_step(today - timedelta(days=days), today) for days in (least, most))
    return KnownAge(first=youngest, last=oldest, words=words)


def age_of(born: date, today: date) -> KnownAge:
    """The age on a day, to the day. Raises ValueError before birth and beyond any age."""
    age = Age.between(born, today)
    if age.years > OLDEST_YEARS:
        raise ValueError(f"born {born.isoformat()}: {age.years} years old, expected at most {OLDEST_YEARS}")
    step = _step(born, today)
    words = age.text if step % 2 or age.days < 28 else f"{age.text}, to the day"
    return KnownAge(first=step, last=step, words=words)


_DAY = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", re.ASCII)


def parse_born(text: str, today: date) -> KnownAge:
    """The age of who was born on a day such as 2023-03-02. Raises ValueError."""
    try:
        day = date.fromisoformat(text) if _DAY.fullmatch(text) else None
    except ValueError:
        day = None
    if day is None:
        raise ValueError(f'read "{text[:40]}", expected a day such as 2023-03-02')
    return age_of(day, today)


def known_age(age: str | None, born: str | None, today: date) -> KnownAge | None:
    """An age from words or from a birth date; None where neither is named. Raises ValueError for both."""
    if age is not None and born is not None:
        raise ValueError("name either an age or a birth date, not both; neither is used")
    if age is not None:
        return parse_age(age, today)
    return None if born is None else parse_born(born, today)


_LIGHTEST_KG, _HEAVIEST_KG = Fraction(2, 10), Fraction(700)


def parse_weight(text: str) -> Fraction:
    """A body weight with its unit, in kg. Raises ValueError."""
    weight = parse_quantity(text, measured=True, body_weight=True).quantity
    if weight.unit.dimension is not Dimension.MASS:
        raise ValueError(f'read "{text[:40]}", expected a weight such as "14 kg"')
    if not _LIGHTEST_KG <= kilograms(weight) <= _HEAVIEST_KG:
        raise ValueError(f'read "{text[:40]}", expected from 0.2 to 700 kg. Check the figure and its unit')
    return kilograms(weight)


def _step(born: date, today: date) -> int:
    """Where in life a day lies, see KnownAge."""
    months = Age.between(born, today).months
    first_day = today == born or Age.between(born, today - timedelta(days=1)).months < months
    return 2 * months if first_day else 2 * months + 1


# After the first dose.

_CLOCKS_DIFFER = timedelta(minutes=5)
_TODAY = timedelta(hours=12)


class DoseAheadError(ValueError):
    """A dose that would have been given later than now."""


def given_at(hour: int, minute: int, now: datetime) -> datetime:
    """A time of day that has passed within twelve hours, over midnight too; or that is up to five minutes ahead.

    Raises DoseAheadError where it is neither.
    """
    today = now.replace(hour=hour, minute=minute, second=0, microsecond=0)
    for given in (today + timedelta(days=1), today):
        if timedelta() < _since(now, given) <= _CLOCKS_DIFFER:
            return given
    given = today if _since(today, now) >= timedelta() else today - timedelta(days=1)
    if _since(given, now) > _TODAY:
        raise DoseAheadError(
            f"read {hour:02}:{minute:02}, which is in the future or more than 12 hours ago, and not counted: it is "
            f'{now:%Y-%m-%d %H:%M}. Write the day too: "{given:%Y-%m-%d %H:%M}"'
        )
    return given


def as_passed(given: datetime, now: datetime) -> datetime:
    """A dose by a clock that may differ: up to five minutes ahead is now. Raises DoseAheadError further ahead."""
    ahead = _since(now, given)
    if ahead > _CLOCKS_DIFFER:
        raise DoseAheadError(
            f"read {given:%Y-%m-%d %H:%M}, which is in the future and not counted: it is {now:%Y-%m-%d %H:%M}"
        )
    return now if ahead > timedelta() else given


def _since(given: datetime, now: datetime) -> timedelta:
    """What has really passed, also over a night on which the clocks change."""
    return now.astimezone(UTC) - given.astimezone(UTC)


@dataclass(frozen=True, slots=True, kw_only=True)
class AdrenalineClock:
    """What was given and when the next dose may be: `next_at` is the repeat time after the last dose.

    `since_last` and `since_first` are whole minutes that have passed, `wait` the seconds still to go (0: it may be
    given now, if there is no improvement). Times are by the clock of `now`.
    """

    given: tuple[datetime, ...]
    last: datetime
    next_at: datetime
    since_last: int
    since_first: int
    wait: int


def adrenaline_clock(given_times: tuple[datetime, ...], now: datetime, repeat_minutes: int) -> AdrenalineClock | None:
    """The clock after one or more doses; None before the first.

    Raises ValueError for a time after `now` and for the same time twice.
    """
    # What passes is counted in UTC: on the night of a clock change the wall clock would be an hour wrong.
    given = tuple(sorted(one.astimezone(UTC) for one in given_times))
    if not given:
        return None
    moment, zone = now.astimezone(UTC), now.tzinfo
    if given[-1] > moment:
        later = given[-1].astimezone(zone)
        raise ValueError(f"a dose at {later:%Y-%m-%d %H:%M} is in the future: it is {now:%Y-%m-%d %H:%M}")
    if len(set(given)) < len(given):
        raise ValueError("two doses at the same time: name each dose once")
    next_at = given[-1] + timedelta(minutes=repeat_minutes)
    return AdrenalineClock(
        given=tuple(one.astimezone(zone) for one in given),
        last=given[-1].astimezone(zone),
        next_at=next_at.astimezone(zone),
        since_last=(moment - given[-1]) // timedelta(minutes=1),
        since_first=(moment - given[0]) // timedelta(minutes=1),
        wait=max(0, -((moment - next_at) // timedelta(seconds=1))),
    )


FACTS = {
    "quick_response": "got better within 10 to 15 minutes of one dose that was given within 30 minutes of the onset",
    "resolved": "everything has gone",
    "trained_with_injectors": "has unused auto-injectors and was trained to use them",
    "supervised": "somebody is with them afterwards",
    "earlier_biphasic": "an earlier reaction that came back",
    "severe_asthma": "severe asthma",
    "severe_breathing": "breathing was badly affected",
    "slow_release": "what set it off may still be taken up (slow release)",
    "late_at_night": "late at night",
    "cannot_respond": "may not be able to react if it comes back",
    "far_from_care": "emergency care is hard to reach",
}
"""What the observation table goes by, each with its words."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ObservationRow:
    """Hours to observe once it has resolved: from `doses` doses on, for any of these facts, or for all of those."""

    hours: int
    doses: int
    any_of: tuple[str, ...]
    all_of: tuple[str, ...]
    source: str
    address: str
    status: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Observation:
    """At least so many hours, and why. `printed` is false where no row of the table holds and the next one is taken."""

    hours: int
    because: tuple[str, ...]
    printed: bool
    row: ObservationRow


def observe_after(rows: tuple[ObservationRow, ...], doses: int, facts: frozenset[str]) -> Observation:
    """How long to observe after anaphylaxis has resolved: the longest row with a reason that holds.

    One dose without every fact of the shortest row stands in no row of the table: the next longer one is then taken,
    and `printed` says so. Raises ValueError without a dose and for an unknown fact.
    """
    unknown = sorted(facts - set(FACTS))
    if unknown:
        raise ValueError(f'"{unknown[0]}" is not known here, expected some of {", ".join(FACTS)}')
    if doses < 1:
        raise ValueError("the table is about anaphylaxis that was treated: at least one dose")
    by_hours = sorted(rows, key=lambda row: row.hours, reverse=True)
    for row in by_hours:
        if row.all_of:
            continue
        because = [FACTS[fact] for fact in row.any_of if fact in facts]
        if doses >= row.doses:
            because.insert(0, f"{doses} doses")
        if because:
            return Observation(hours=row.hours, because=tuple(because), printed=True, row=row)
    shortest = by_hours[-1]
    lacking = [FACTS[fact] for fact in shortest.all_of if fact not in facts]
    if not lacking:
        return Observation(
            hours=shortest.hours,
            because=tuple(FACTS[fact] for fact in shortest.all_of),
            printed=True,
            row=shortest,
        )
    longer = by_hours[-2]
    return Observation(
        hours=longer.hours,
        because=tuple(f"not known: {words}" for words in lacking),
        printed=False,
        row=longer,
    )
