"""Adrenaline into muscle for anaphylaxis: every band of a published table that an age meets, and the five-minute clock.

The tables disagree, their bands meet at an age or leave a gap, and an age is often known only in whole years. Nothing
is guessed: all bands that hold are given and the clinician chooses; in a gap there is none, and the neighbours are
shown. Source of the figures: evidence/adrenaline.toml, each with its own.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from fractions import Fraction
from itertools import pairwise

from drawup.injection.barrel import Drawn, choose_barrel, nearest_mark
from drawup.injection.patient import Age
from drawup.injection.policy import Barrel, PlausibleWeight, Policy
from drawup.injection.quantity import Concentration, Quantity

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
    those just before and after. `missing`: what the table goes by and nobody named, "age" or "weight" ("": nothing).
    """

    table: AdrenalineTable
    age: KnownAge | None
    bands: tuple[BandDose, ...]
    gap: bool
    neighbours: tuple[BandDose, ...]
    by_weight: WeightDose | None
    missing: str
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
    by_weight = _by_weight(table, weight_kg) if weight_kg is not None else None
    missing = ""
    if (table.goes_by == "age" and age is None) or (table.goes_by == "weight" and weight_kg is None):
        missing = table.goes_by
    return AdrenalineAnswer(
        table=table,
        age=age,
        bands=tuple(band_dose(table, band) for band in held),
        gap=bool(around),
        neighbours=tuple(band_dose(table, band) for band in around),
        by_weight=by_weight,
        missing=missing,
        past_review=table.past_review(today),
    )


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


def _by_weight(table: AdrenalineTable, weight_kg: Fraction) -> WeightDose | None:
    if table.per_kg is None:
        return None
    uncapped = table.per_kg.times(weight_kg)
    capped = table.at_most is not None and uncapped > table.at_most
    dose = table.at_most if capped and table.at_most is not None else uncapped
    return WeightDose(weight_kg=weight_kg, uncapped=uncapped, capped=capped, given=_to_give(table, dose))


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

_AGE = re.compile(
    r"(?P<exactly>exactly )?(?P<count>[0-9]{1,5}) (?P<unit>day|week|month|year)s?(?: (?P<months>[0-9]{1,2}) months?)?",
    re.ASCII,
)
_ADULT_MONTHS = 18 * 12
_EXAMPLES = 'expected such as "3 years", "6 years 5 months", "exactly 6 years", "4 months", "10 days" or "adult"'


def parse_age(text: str, today: date) -> KnownAge:
    """An age as people say it. Whole years and months are completed ones, and the days after them are left open.

    "exactly 6 years" is the sixth birthday, "adult" anybody from 18 years on. Raises ValueError.
    """
    words = " ".join(text.casefold().split())
    if words == "adult":
        return KnownAge(first=2 * _ADULT_MONTHS, last=None, words="adult")
    match = _AGE.fullmatch(words)
    if match is None or (match["months"] and match["unit"] != "year") or int(match["months"] or 0) > 11:
        raise ValueError(f'read the age "{text[:40]}", {_EXAMPLES}')
    count = int(match["count"])
    in_one_year = {"day": 366, "week": 53, "month": 12, "year": 1}[match["unit"]]
    if count > OLDEST_YEARS * in_one_year:
        raise ValueError(f'read the age "{text[:40]}", expected at most {OLDEST_YEARS} years')
    if match["unit"] in ("day", "week"):
        return _in_days(count, match["unit"], exactly=bool(match["exactly"]), words=words, today=today)
    months = count * 12 + int(match["months"] or 0) if match["unit"] == "year" else count
    open_months = 12 if match["unit"] == "year" and not match["months"] else 1
    last = 2 * months if match["exactly"] else 2 * (months + open_months) - 1
    return KnownAge(first=2 * months, last=last, words=words)


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


def _step(born: date, today: date) -> int:
    """Where in life a day lies, see KnownAge."""
    months = Age.between(born, today).months
    first_day = today == born or Age.between(born, today - timedelta(days=1)).months < months
    return 2 * months if first_day else 2 * months + 1


# After the first dose.


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
