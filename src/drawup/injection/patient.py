"""The person who receives the injection: what is known, since when, how it was got, and what was not asked."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from fractions import Fraction
from functools import lru_cache

from drawup.injection.quantity import CENTIMETRE, KILOGRAM, Quantity

SEXES = ("female", "male", "unknown")
HOW = ("measured", "told", "guessed")
SIDES = ("left", "right")
# What may be asked on the day, before a medicine, an authority or a policy that asks for it.
QUESTIONS = (
    "unwell",
    "earlier reaction",
    "pregnant",
    "immunity",
    "bleeding",
    "recent live vaccine or immunoglobulin",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Measurement:
    """A weight or a height with its day (None: measured now) and how it was got (one of HOW)."""

    quantity: Quantity
    on: date | None = None
    how: str = "measured"


@dataclass(frozen=True, slots=True, kw_only=True)
class Allergy:
    """What the patient reacts to. `kind`: allergy or intolerance; `severity`: serious, mild, or "" when not said."""

    to: str
    status: str = "confirmed"
    kind: str = "allergy"
    severity: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class RuledOut:
    """A region, or a site, that must not be used; without a side both sides are meant.

    With a `layer` ("muscle" or "fat") only that layer: a wasted muscle rules out no injection under the skin.
    """

    region: str
    reason: str
    side: str | None = None
    layer: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """A measurement that decides a dose: its value in `unit` ("" where it has none, as an INR)."""

    what: str
    value: Fraction
    unit: str
    at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class TestResult:
    """A test whose result is a word, such as a pregnancy test: "negative"."""

    what: str
    result: str
    at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What the patient answered to a question: "no" or "yes", perhaps in words, when, and who asked."""

    question: str
    answer: str
    at: datetime
    words: str = ""
    by: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Consent:
    """Who agreed, in what relation to the patient, to which medicine ("" means every one), and until when."""

    given_by: str
    at: datetime
    medicine: str = ""
    relation: str = ""
    until: date | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class BleedingRisk:
    """Why this patient bleeds easily, and the reading that is watched for it, with its range where there is one."""

    reason: str
    what: str = ""
    low: Fraction | None = None
    high: Fraction | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SkinMark:
    """A lump, bruise or the like on the skin: where it is, how wide in mm, felt or seen, when, and since when gone.

    `x` and `y` are tenths of a mm from the site's landmark on a body of this `scale`; a `point` may stand for them.
    """

    kind: str
    site: str
    side: str
    point: str = ""
    size_mm: Fraction | None = None
    seen: date | None = None
    gone: date | None = None
    how: str = ""
    x: int | None = None
    y: int | None = None
    scale: Fraction | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Patient:
    """What is known of one patient. `allergies` None: not asked; an empty tuple: none known, a statement.

    `alike`: others here with the same family name or birth date, in words.
    """

    sex: str = "unknown"
    born: date | None = None
    weight: Measurement | None = None
    height: Measurement | None = None
    area: Quantity | None = None
    allergies: tuple[Allergy, ...] | None = None
    ruled_out: tuple[RuledOut, ...] = ()
    distance_mm: tuple[tuple[str, Fraction], ...] = ()
    pregnant: bool | None = None
    born_at_weeks: int | None = None
    bleeding: BleedingRisk | None = None
    marks: tuple[SkinMark, ...] = ()
    alike: tuple[str, ...] = ()

    def age(self, on: date) -> Age | None:
        """The age on a day; None when the birth date is not known."""
        return Age.between(self.born, on) if self.born is not None else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Age:
    """An age in whole days, and in completed years and months as people count them."""

    days: int
    years: int
    months: int

    @staticmethod
    @lru_cache(maxsize=4096)
    def between(born: date, on: date) -> Age:
        """The age on a day; born on 29 February turns a year older on 1 March. Raises ValueError before birth."""
        if on < born:
            raise ValueError(f"born {born.isoformat()}, after {on.isoformat()}: check the birth date")
        months = (on.year - born.year) * 12 + on.month - born.month - (1 if on.day < born.day else 0)
        return Age(days=(on - born).days, years=months // 12, months=months)

    @property
    def text(self) -> str:
        """Days to a month, weeks to three months, months to two years, then years."""
        if self.months < 1:
            return f"{self.days} day{'' if self.days == 1 else 's'}"
        if self.months < 3:
            return f"{self.days // 7} weeks"
        if self.months < 24:
            return f"{self.months} months"
        return f"{self.years} years"


_KG = 1_000_000
_CM = 10


def kilograms(weight: Quantity) -> Fraction:
    """A body weight in kg."""
    if weight.unit is KILOGRAM:
        return weight.value
    return weight.base / _KG


def body_mass_index(patient: Patient) -> Fraction | None:
    """kg/m2; None where weight or height is not known."""
    if patient.weight is None or patient.height is None:
        return None
    metres = centimetres(patient.height.quantity) / 100
    return kilograms(patient.weight.quantity) / (metres * metres) if metres else None


def centimetres(height: Quantity) -> Fraction:
    """A height in cm."""
    if height.unit is CENTIMETRE:
        return height.value
    return height.base / _CM
