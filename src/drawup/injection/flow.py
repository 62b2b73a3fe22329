"""How hard and how long a push is: a liquid of a declared viscosity through a needle, with what resists beside it.

Viscosity in mPa.s, rates in mL/s, lengths and bores in mm, pressure in Pa, forces in N. Floats are right here: a force
is no amount. Without a declared viscosity there is no force.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction

from drawup.injection.guideline import Bore
from drawup.injection.policy import Needle

EASY_N = 20
"""Aim at this push in N or less (Watt RP et al., Int J Pharm 2019;554:376-386)."""
MOST_N = 40
"""A push in N over this is refused (the same)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Flow:
    """A liquid pressed through a needle: viscosity in mPa.s, rate in mL/s, inner diameter of the barrel in mm."""

    viscosity_mpa_s: Fraction
    ml_per_second: Fraction
    barrel_bore_mm: Fraction


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Resistance:
    """What resists beside the liquid: the plunger's friction in N, and under the skin the tissue's pressure in Pa."""

    friction_n: float
    skin_pa: float
    friction_source: str
    skin_source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Push:
    """The push on the plunger in N, by what it overcomes. `tissue_n` None: nobody measured it at this layer."""

    liquid_n: float
    friction_n: float
    tissue_n: float | None

    @property
    def total_n(self) -> float:
        """All that is known of it."""
        return self.liquid_n + self.friction_n + (self.tissue_n or 0.0)


def pressure_pa(viscosity_mpa_s: Fraction, ml_per_second: Fraction, length_mm: Fraction, bore_mm: Fraction) -> float:
    """The pressure in Pa that drives a liquid through a needle: 128 x viscosity x length x flow / (pi x bore^4).

    Hagen-Poiseuille; that it holds in needles: Pharm Res 2018;35:120.
    """
    # mPa.s x mm x mL/s over mm^4 is 10^-3 x 10^-3 x 10^-6 over 10^-12, so the factors cancel but for 128 and pi.
    return 128 * float(viscosity_mpa_s) * float(length_mm) * float(ml_per_second) / float(bore_mm) ** 4 / math.pi


def push_newtons(needle: Needle, flow: Flow, bores: tuple[Bore, ...]) -> float | None:
    """The push in N on the plunger that the liquid alone needs. None for a gauge whose bore is not known."""
    bore = next((row.inner_mm for row in bores if row.gauge == needle.gauge), None)
    if bore is None:
        return None
    pressure = pressure_pa(flow.viscosity_mpa_s, flow.ml_per_second, needle.length_mm, bore)
    return pressure * _area_m2(flow.barrel_bore_mm)


def push_of(
    needle: Needle, flow: Flow, bores: tuple[Bore, ...], resistance: Resistance, *, into_muscle: bool
) -> Push | None:
    """The whole push; friction and tissue beside the liquid, each from its own source. None for an unknown gauge."""
    liquid = push_newtons(needle, flow, bores)
    if liquid is None:
        return None
    tissue = None if into_muscle else resistance.skin_pa * _area_m2(flow.barrel_bore_mm)
    return Push(liquid_n=liquid, friction_n=resistance.friction_n, tissue_n=tissue)


def _area_m2(diameter_mm: Fraction) -> float:
    return math.pi / 4 * float(diameter_mm**2) / 1_000_000


def push_band(newtons: float) -> str:
    """Where a whole push in N falls: "note" up to 20, "ask" to 40, "stop" over it."""
    if newtons > MOST_N:
        return "stop"
    return "ask" if newtons > EASY_N else "note"
