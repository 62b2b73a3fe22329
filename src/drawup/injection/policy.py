"""The organisation's own choices, as values. Where they come from, and why, stands in the policy file."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import time
from fractions import Fraction

from drawup.injection.notation import Notation


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Barrel:
    """A syringe barrel: capacity and scale interval in mL, or both in units for a barrel marked for one strength.

    Compared by identity, for quick look-ups.
    """

    capacity: Fraction
    interval: Fraction
    units_per_ml: Fraction | None = None

    @property
    def capacity_ml(self) -> Fraction:
        """What it holds, in mL."""
        return self.capacity if self.units_per_ml is None else self.capacity / self.units_per_ml

    @property
    def interval_ml(self) -> Fraction:
        """From one mark to the next, in mL."""
        return self.interval if self.units_per_ml is None else self.interval / self.units_per_ml


@dataclass(frozen=True, slots=True, kw_only=True)
class Needle:
    """An injection needle by gauge and length."""

    gauge: int
    length_mm: Fraction


@dataclass(frozen=True, slots=True, kw_only=True)
class WeightAge:
    """How many days a weight or height counts for patients below an age in days (None: everyone older)."""

    below_days: int | None
    counts_days: int


@dataclass(frozen=True, slots=True, kw_only=True)
class PlausibleWeight:
    """The weights in kg that make sense below an age in days (None: everyone older)."""

    below_days: int | None
    low_kg: Fraction
    high_kg: Fraction


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteOrder:
    """The order in which sites are proposed for a route, below an age in days (None: everyone older)."""

    route: str
    below_days: int | None
    sites: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteLimit:
    """A volume limit of this organisation's own: `site` "" means every site of the route; ages in days."""

    route: str
    site: str
    from_days: int
    below_days: int | None
    soft_ml: Fraction
    hard_ml: Fraction


@dataclass(frozen=True, slots=True, kw_only=True)
class AskedToday:
    """The questions of the day that are asked before these medicines or groups."""

    medicines: tuple[str, ...]
    questions: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Policy:
    """Every choice that the core asks of an organisation. Volumes in mL, shares as fractions of one.

    Compared by identity, for quick look-ups.
    """

    preset: str
    version: str
    notation: Notation
    order_word: str
    batch_word: str
    mark_tolerance: Fraction
    barrel_headroom: Fraction
    most_containers: int
    injections_usual: int
    injections_most: int
    mix_strengths: bool
    doses_beyond_label: bool
    dead_space: Fraction  # mL that stay in syringe and needle after each dose
    weight_age: tuple[WeightAge, ...]
    plausible_weight: tuple[PlausibleWeight, ...]
    site_order: tuple[SiteOrder, ...]
    needle_table: str
    adrenaline_table: str  # the key of the published table that is used for anaphylaxis
    draw_back_sites: tuple[str, ...]  # sites at which to draw back when the label says nothing
    second_check: tuple[str, ...]  # names of medicines and groups
    cleanse_skin: str
    cleanse_muscle: str
    gloves: str
    change_needle: bool
    drawing_up_gauge: int
    least_chance_muscle: Fraction  # of ending far enough in muscle, below which a needle is asked about
    least_chance_skin: Fraction  # of ending in the fat
    worse_side_times: int  # how much the miss that the medicine calls worse counts
    point_rest_days: int
    point_apart: Fraction  # mm from the injection before
    visit_apart: Fraction  # mm between two injections in one limb at one visit
    lump_margin: Fraction  # mm kept clear round a lump
    wear_spread: Fraction  # mm over which an injection weighs on the skin round it
    wear_half_life_days: int
    wear_per_ml: Fraction  # how much each mL adds to the weight of an injection
    wear_wide_needle: Fraction  # what a needle of 21 G or wider adds
    wear_after_lump: Fraction  # what a lump that is gone still weighs, fading from then on
    painful_last: tuple[str, ...]  # medicines given last where several are given at one visit
    seconds_per_ml: int
    wait_seconds: int
    press_seconds: int
    bleeding_press_minutes: int
    bleeding_least_gauge: int
    watch_minutes: int
    written_later_minutes: int
    recent_minutes: int  # a dose of the same medicine this shortly before is asked about, where no interval is known
    month_ends: str  # where so many months end on a day that does not exist: "rolls over" or "clamps"
    meal_times: tuple[tuple[str, time], ...]
    dose_window_minutes: int  # how far round a time of day a dose may be given, where nothing else is said
    grace_days: int  # how much too early a dose of a series still counts
    live_interval_days: int  # least between two live vaccines that are not given on the same day
    ask_today: tuple[AskedToday, ...]
    consent_for: tuple[str, ...]  # medicines and groups that need a consent written down
    spoken_signature_hours: int  # within which the prescriber of a spoken order signs it
    effect_minutes: int  # after which it is asked whether a when-needed dose helped
    syringe_minutes: int  # within which what was drawn up is given
    barrels: tuple[Barrel, ...]
    needles: tuple[Needle, ...]
    title: str = ""
    adrenaline_word: str = "adrenaline"
    site_limits: tuple[SiteLimit, ...] = ()  # replace the evidence table's own where they apply
