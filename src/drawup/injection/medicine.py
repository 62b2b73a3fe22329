"""A medicine as this organisation keeps it in its formulary, and the packs it comes in."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from drawup.injection.policy import Needle
from drawup.injection.quantity import Concentration, Equivalence, Quantity
from drawup.injection.schedule import NO_TIMING, Interval, Timing

ROUTES = ("intramuscular", "subcutaneous")
ROUTE_WORDS = {"intramuscular": "into muscle", "subcutaneous": "under the skin"}
CONTAINERS = ("ampoule", "vial", "prefilled syringe", "cartridge", "pen", "auto-injector")
FORMS = ("solution", "suspension", "oil", "powder")


@dataclass(frozen=True, slots=True, kw_only=True)
class Reconstitution:
    """How a powder is made up: by displacement, or by what the label says it gives. Volumes in mL."""

    diluent: str
    add_ml: Fraction | None = None
    displacement_ml: Fraction | None = None
    gives: Concentration | None = None
    withdrawable_ml: Fraction | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Device:
    """A pen, auto-injector or prefilled syringe: what it allows.

    `marks_ml`: distance of a prefilled syringe's marks; `dial`: one step of a pen; `most`: what a pen dials at once.
    """

    kind: str
    marks_ml: Fraction | None = None
    dial: Quantity | None = None
    most: Quantity | None = None
    prime: Quantity | None = None
    fixed_needle: Needle | None = None
    keep_in_seconds: int | None = None
    one_patient: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Presentation:
    """One pack of a medicine. `strength` is a concentration, or for a powder the amount in one container.

    `volume_ml` is what one container holds by its label; `fill_ml` what it really holds, overfill included;
    `in_use_minutes` how long it keeps once opened or mixed.
    """

    form: str
    container: str
    strength: Concentration | Quantity
    volume_ml: Fraction | None = None
    fill_ml: Fraction | None = None
    label_doses: int | None = None
    dose_kind: str = "single"
    in_use_minutes: int | None = None
    in_use_text: str = ""
    gtin: str | None = None
    name: str = ""
    routes: tuple[str, ...] = ()
    excipients: tuple[str, ...] = ()
    device: Device | None = None
    reconstitution: Reconstitution | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class UsualDose:
    """A usual range for one dose; limits of age in days and weight in kg, and the indication, where it has them."""

    low: Quantity
    high: Quantity
    from_days: int | None = None
    below_days: int | None = None
    from_kg: Fraction | None = None
    below_kg: Fraction | None = None
    indication: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Need:
    """A reading that must be known before this medicine: how fresh (minutes), withhold below or above, what then."""

    what: str
    fresh_minutes: int | None = None
    fresh_text: str = ""
    withhold_below: Fraction | None = None
    withhold_above: Fraction | None = None
    unit: str = ""
    then: str = "Tell the prescriber."


@dataclass(frozen=True, slots=True, kw_only=True)
class Technique:
    """What the label says about giving; None where it says nothing."""

    z_track: bool = False
    draw_back: bool | None = None
    filter_needle: bool = False
    ml_per_second: Fraction | None = None
    lines: tuple[str, ...] = ()


PLAIN_TECHNIQUE = Technique()


@dataclass(frozen=True, slots=True, kw_only=True)
class WatchLimit:
    """Outside which figures somebody must be told."""

    what: str
    below: Fraction | None = None
    above: Fraction | None = None
    unit: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Watch:
    """Watching after an injection: what to look at, how often, for how long, and outside which limits to act."""

    what: tuple[str, ...]
    every: Interval
    lasts: Interval
    limits: tuple[WatchLimit, ...] = ()
    then: str = "Tell the prescriber."


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Medicine:
    """The substance as named locally, its packs, and what its label asks for."""

    name: str
    presentations: tuple[Presentation, ...]
    allergy_groups: tuple[str, ...] = ()
    routes: tuple[str, ...] = ()
    sites: tuple[str, ...] = ()
    usual_doses: tuple[UsualDose, ...] = ()
    at_most_single: Quantity | None = None
    at_most_daily: Quantity | None = None
    least_interval_minutes: int | None = None
    same_group: tuple[str, ...] = ()
    equivalences: tuple[Equivalence, ...] = ()
    viscosity_mpa_s: Fraction | None = None
    needle_at_least_gauge: int | None = None
    volume_at_most_ml: Fraction | None = None
    technique: Technique = PLAIN_TECHNIQUE
    wrong_layer: str = ""
    needs: tuple[Need, ...] = ()
    second_check: bool | None = None
    watch_minutes: int | None = None
    units_barrel: bool = False
    controlled: bool = False
    steady_uptake: bool = False
    painful: bool = False
    timing: Timing = NO_TIMING
    live: bool = False
    ask: tuple[str, ...] = ()
    consent: bool = False
    watch: Watch | None = None

    def counts_with(self, other: str) -> bool:
        """Whether doses of the other medicine count together with this one's."""
        if other == self.name or other in self.same_group:
            return True
        told = other.strip().casefold()
        return told == self.name.casefold() or told in (name.casefold() for name in self.same_group)
