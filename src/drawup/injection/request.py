"""What a plan is made from: everything that is known, asked and chosen at one moment."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, tzinfo
from fractions import Fraction

from drawup.injection.anatomy import Site
from drawup.injection.batch import Container
from drawup.injection.flow import Resistance
from drawup.injection.history import PastDose
from drawup.injection.medicine import Medicine
from drawup.injection.needle import NeedleTable
from drawup.injection.order import OpenOrder, Order
from drawup.injection.patient import Answer, Consent, Patient, Reading, TestResult
from drawup.injection.policy import Barrel, Needle
from drawup.injection.skin import Grids, SkinPlace
from drawup.injection.tissue import TissueTable


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Tables:
    """The published tables a plan is made with."""

    sites: tuple[Site, ...]
    needles: NeedleTable
    tissue: TissueTable
    resistance: Resistance
    grids: Grids
    bores: tuple[tuple[Fraction, Fraction], ...]  # of barrels: capacity in mL, inner diameter in mm
    version: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """The clinician's own choices; None where the plan is to choose."""

    presentation: int | None = None
    barrel: Barrel | None = None
    site: str | None = None
    side: str | None = None
    point: str | None = None
    needle: Needle | None = None
    larger_arm: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Accepted:
    """A reason given for a finding; with `message`, only for that very fact (remembered from an earlier dose)."""

    code: str
    reason: str
    message: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Request:
    """Everything one plan is made from. Left out is not the same as none: see each part.

    `zone` is the place's; None where only the offset of `now` is known.
    """

    now: datetime
    patient: Patient
    order: Order
    medicine: Medicine
    history: tuple[PastDose, ...] | None = None
    readings: tuple[Reading, ...] = ()
    containers: tuple[Container, ...] = ()
    open_orders: tuple[OpenOrder, ...] = ()
    choice: Choice = Choice()
    accepted: tuple[Accepted, ...] = ()
    same_visit: tuple[SkinPlace, ...] = ()
    zone: tzinfo | None = None
    results: tuple[TestResult, ...] = ()
    answers: tuple[Answer, ...] = ()
    consents: tuple[Consent, ...] = ()
