"""The sites as such: their names, regions and layers, the ages they suit, and how much each takes by age."""

from __future__ import annotations

from dataclasses import dataclass, replace
from fractions import Fraction
from functools import lru_cache

from drawup.injection.patient import SIDES, Age
from drawup.injection.policy import SiteLimit

LEAST_APART_MM = Fraction(25)
"""Two injections in one limb at one visit lie at least this far apart (UK Immunisation against infectious disease,
chapter 11, and CDC: 2.5 cm)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AgeSpan:
    """Ages from a first day on and below a last one. Days and completed months both count; None is no upper end."""

    from_days: int = 0
    from_months: int = 0
    below_days: int | None = None
    below_months: int | None = None

    def covers(self, age: Age | None) -> bool:
        """Whether this age lies in the span; a patient of unknown age is taken for an adult."""
        if age is None:
            return self.below_days is None and self.below_months is None
        return (
            age.days >= self.from_days
            and age.months >= self.from_months
            and (self.below_days is None or age.days < self.below_days)
            and (self.below_months is None or age.months < self.below_months)
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class VolumeLimit:
    """The usual (soft) and the largest (hard) volume in mL that one injection here takes at these ages."""

    ages: AgeSpan
    soft_ml: Fraction
    hard_ml: Fraction
    source: str
    status: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Site:
    """One anatomical site with its layer in its name. `regions`: words that rule it out beside its own name."""

    name: str
    route: str
    regions: tuple[str, ...]
    ages: AgeSpan
    landmarks: str
    limits: tuple[VolumeLimit, ...]
    source: str
    status: str
    sides: tuple[str, ...] = ("left", "right")
    per_side: int = 1
    proposed: bool = True
    caution: str = ""
    codes: tuple[tuple[str, str], ...] = ()
    note: str = ""


def far_enough(apart_mm: Fraction) -> bool:
    """Whether two injections in one limb at one visit lie far enough apart (in mm)."""
    return apart_mm >= LEAST_APART_MM


@lru_cache(maxsize=1024)
def split_region(text: str) -> tuple[str, str | None]:
    """ "left arm" to ("arm", "left"); without a side, or with "both", both are meant and the side is None."""
    words = text.casefold().split()
    if len(words) > 1 and words[0] in ("left", "right", "both"):
        return " ".join(words[1:]), words[0] if words[0] in SIDES else None
    return " ".join(words), None


def region_words(sites: tuple[Site, ...]) -> tuple[str, ...]:
    """Every word that rules out a site or several: sites, regions, and "side" for one whole half of the body."""
    words = {region for site in sites for region in site.regions}
    return (*(site.name for site in sites), *sorted(words), "side")


def with_limits(sites: tuple[Site, ...], limits: tuple[SiteLimit, ...]) -> tuple[Site, ...]:
    """The sites with the organisation's own volume limits in front of the published ones."""
    return _with_limits(sites, limits) if limits else sites


@lru_cache(maxsize=64)
def _with_limits(sites: tuple[Site, ...], limits: tuple[SiteLimit, ...]) -> tuple[Site, ...]:
    return tuple(replace(site, limits=(*_own_limits(site, limits), *site.limits)) for site in sites)


def _own_limits(site: Site, limits: tuple[SiteLimit, ...]) -> tuple[VolumeLimit, ...]:
    """The rows that name this site come before those for every site of its route."""
    mine = [row for row in limits if row.route == site.route and row.site in ("", site.name)]
    return tuple(
        VolumeLimit(
            ages=AgeSpan(from_days=row.from_days, below_days=row.below_days),
            soft_ml=row.soft_ml,
            hard_ml=row.hard_ml,
            source="policy key site_limits",
            status="local",
        )
        for row in sorted(mine, key=lambda row: row.site == "")
    )


@lru_cache(maxsize=1024)
def sites_on(sites: tuple[Site, ...], region: str) -> tuple[Site, ...]:
    """The sites that lie on a region, by any of its words; none where the word is not known."""
    word, _ = split_region(region)
    if word == "side":
        return sites
    words = {word, word.removesuffix("s")}
    return tuple(site for site in sites if site.name == word or words.intersection(site.regions))


@lru_cache(maxsize=256)
def names_on_same_region(sites: tuple[Site, ...], site: Site) -> frozenset[str]:
    """The site itself and every other on the same skin, of either route."""
    return frozenset(other.name for other in sites if set(other.regions).intersection(site.regions))


@lru_cache(maxsize=256)
def by_name(sites: tuple[Site, ...]) -> dict[str, Site]:
    """Each site under its name."""
    return {site.name: site for site in sites}


def limit_at(site: Site, age: Age | None) -> VolumeLimit | None:
    """The first limit that counts at this age; None where no row covers it."""
    return next((limit for limit in site.limits if limit.ages.covers(age)), None)


@lru_cache(maxsize=256)
def expanded(sites: tuple[Site, ...], words: tuple[str, ...]) -> tuple[str, ...]:
    """Site names as they stand; a region's word as the sites that lie on it."""
    named = by_name(sites)
    return tuple(
        name
        for word in words
        for name in ((word,) if word in named else tuple(site.name for site in sites_on(sites, word)))
    )


def why_not(site: Site, route: str, age: Age | None) -> str:
    """Why the layer or the age does not suit; "" where both do."""
    if site.route != route:
        return f"it is for the {site.route} route, this is {route}"
    if not site.ages.covers(age) and age is not None:
        return f"{_age_words(site.ages)}, this patient is {age.text}"
    return ""


def _age_words(span: AgeSpan) -> str:
    months, days = span.from_months, span.from_days
    if months >= 24 and months % 12 == 0:
        return f"not under {months // 12} years"
    return f"not under {months} months" if months else f"not under {days} days"
