"""The parts of docs/evidence.md about layers, the push and the points of the skin, written from their tables."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

from drawup.evidence.tables import load_grids, read_table
from drawup.injection.anatomy import AgeSpan
from drawup.injection.skin import WHOLE, skin_map
from drawup.injection.tissue import MARGIN

Table = Callable[[tuple[str, ...], Iterable[tuple[str, ...]]], str]

LAYER_RULES = f"""\
The distance from skin to muscle (the fascia) differs from body to body. It is taken as log-normal: ln distance = ln
median + slope x (body-mass index - centre) + half the difference by sex, more for women, less for men; the spread is
what remains. The chance that it is nearer than a depth follows from that. The depth of the tip is the length inside,
times the sine of the angle.

**What for.** Five chances that sum to 1: in the skin, in the fat, less than {MARGIN:g} mm into muscle, in the muscle,
at bone. Into muscle the first three are too shallow and bone too deep; under the skin the skin is too shallow and all
beyond the fat too deep. Where bone was not measured it is not known, and the rest is "up to bone".

**What it may decide.** A row that is `supported`, for a body whose weight, height and sex are known, may take a longer
needle than the guideline's into muscle when that length misses the policy's least chance; never a shorter one. Rows
that are `weak` or `distribution only` are shown and decide nothing. Under the skin the figures choose the angle and
whether a fold is lifted, and a shorter needle where too deep is the worse miss or the distance was measured. A
medicine may say which miss is worse; it then counts twice (policy key `worse_side_times`).

**Where not.** Outside a row's ages and body-mass indices, in pregnancy, at the deltoid from 90 kg in women and 118 kg
in men and in an arm judged large, at the ventrogluteal site from the published cut-offs on, and in every child, there
is no chance: the guideline decides, and one sentence says what is missing. Nothing was measured of oedema, of amputees
or of athletes; ethnic groups differ (Korean adults had 27 % less fat at the abdomen and 49 % less at the arm than
American ones). An unknown weight, height or sex is answered by the spread of all the people measured. A distance
measured by ultrasound beats it all. A skinfold is a pressed double layer and is never taken for a distance."""

POINT_RULES = """\
Points lie 10 mm apart, so that "one finger's width" is exact. A place is kept as tenths of a mm outward and downward
from the site's landmark, with the scale of the body and the version of the grid: when a child grows, its old places
grow along. Sites on one skin (deltoid and upper arm; thigh muscles and thigh fat; buttock) share their wear.

How worn a point is: each injection weighs 1, a little more by volume, by a wide needle and where a lump was; its weight
spreads round it as a bell, exp(-distance squared / (2 x spread squared)), and fades by half in each half-life. The
spread, the half-life, the rest and the distances are policy keys (`wear_spread`, `wear_half_life_days`,
`point_rest_days`, `point_apart`); their sources stand below, and most are common practice.

The next point: open, rested, a finger's width from the one before, on the side whose turn it is, and of those the least
worn; equal ones by the order of sites, then side, row and column. A medicine that asks for steady uptake keeps to one
region at one time of day and to one part of it a week. A lump keeps its points, and a margin round it, out until it is
written as gone."""


def layer_parts(table: Table, ages: Callable[[AgeSpan], str], spans: Callable[[Any], AgeSpan]) -> Iterable[str]:
    """The section on layers, part by part."""
    rows = read_table("tissue")
    yield LAYER_RULES
    yield table(
        ("site", "who", "median (mm)", "slope", "centre", "by sex", "spread", "ages", "index", "how sure", "source"),
        [_distance(row, ages(spans(row))) for row in rows["distance"]],
    )
    yield "Skin thickness, with its slope for each unit of body-mass index away from 30:"
    yield table(
        ("site", "mean (mm)", "standard deviation (mm)", "slope", "how sure", "source"),
        [
            (", ".join(row["sites"]), row["mean"], row["sd"], row["slope"], row["status"], row["source"])
            for row in rows["skin"]
        ],
    )
    yield "A lifted fold, and nowhere else: stretched skin and folds at arm and buttock are not credited."
    yield table(
        ("site", "times the fat", "measured in", "how sure", "source"),
        [(row["site"], row["times"], row["people"], row["status"], row["source"]) for row in rows["fold"]],
    )
    yield "How well it does on figures that it was **not** fitted to, on the adults of NHANES 2017-18:"
    yield table(
        ("figure", "the model says", "published", "verdict", "source"),
        [
            (row["what"], f"{row['model']} %", f"{row['published']} %", row["verdict"], row["source"])
            for row in read_table("model_checks")["check"]
        ],
    )


def _distance(row: Any, ages: str) -> tuple[str, ...]:
    high = row.get("to_bmi") or f"below {row.get('below_bmi', '-')}"
    weight = ""
    if "below_kg_female" in row:
        weight = f"; women below {row['below_kg_female']} kg, men below {row['below_kg_male']} kg"
    return (
        row["site"],
        {"female": "women", "male": "men"}.get(row.get("sex", ""), "both"),
        row["median"],
        row.get("slope", "none"),
        row.get("at_bmi", "-"),
        row.get("by_sex", "-"),
        row["spread"],
        ages,
        f"{row['from_bmi']} to {high}{weight}",
        row["status"],
        row["source"],
    )


def push_parts(table: Table) -> Iterable[str]:
    """What resists a push beside the liquid, and the least bores that the standard allows."""
    rows = read_table("push")
    friction, tissue, bores = rows["friction"][0], rows["tissue"][0], rows["least_bore"][0]
    yield table(
        ("beside the liquid", "figure", "status", "source"),
        [
            ("friction of the plunger", f"{friction['newtons']} N", friction["status"], friction["source"]),
            (
                f"pressure of the tissue, {tissue['layer']}",
                f"{tissue['pascals']} Pa",
                tissue["status"],
                tissue["source"],
            ),
        ],
    )
    yield f"The least inner diameters that the standard allows, for comparison ({bores['source']}):"
    yield table(
        ("gauge", "regular wall (mm)", "thin wall (mm)"),
        [
            (str(gauge), regular, thin)
            for gauge, regular, thin in zip(bores["gauge"], bores["regular_wall"], bores["thin_wall"], strict=True)
        ],
    )


def point_parts(table: Table) -> Iterable[str]:
    """The section on the points of the skin, part by part."""
    adult = skin_map(load_grids(), WHOLE)
    yield POINT_RULES
    yield table(
        ("site", "skin", "points a side (adult)", "measured from", "mm outward", "mm downward", "status", "source"),
        [
            (
                row["site"],
                row["frame"],
                str(len(adult.spots[row["site"], "right"])),
                row["from_here"]
                + (f", {row['clear_round_landmark']} mm kept clear" if "clear_round_landmark" in row else ""),
                " to ".join(row["across"]),
                " to ".join(row["down"]),
                row["status"],
                row["source"],
            )
            for row in read_table("grids")["grid"]
        ],
    )
    heights = read_table("grids")["height"][0]
    yield (
        "A child's rectangles are smaller by its height over 170 cm (in twentieths); its points stay 10 mm apart, so "
        "there are fewer, and the answer says when they are too few. Where the height is not known it is taken by age "
        f"({heights['source']})."
    )
