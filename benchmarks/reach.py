"""What a needle reaches: in one body, over a drawer of twelve needles, and in a million adults at once.

    python benchmarks/reach.py [how many]

The adults are drawn from a fixed seed, spread like those of NHANES 2017-18; nobody is real. Beside them stands a plain
loop, body by body, over the first 20,000, scaled up: both in one run. Needs the extra `plan`. Nothing here passes or
fails; the targets are printed beside the figures.
"""

from __future__ import annotations

import sys
import timeit
from collections.abc import Callable
from fractions import Fraction
from typing import Any

import numpy as np

from drawup.evidence.policies import load_policy
from drawup.evidence.tables import load_needle_table, load_resistance, load_tissue
from drawup.injection.guideline import Body
from drawup.injection.needle import choose_needle
from drawup.injection.patient import Age
from drawup.injection.policy import Needle
from drawup.injection.reach import Way, aim_of, reached
from drawup.injection.tissue import Distance, distance_at
from drawup.planning.populations import reach_of_many

ADULTS = 1_000_000
LOOPED = 20_000
TISSUE, TABLE, POLICY = load_tissue(), load_needle_table("uk"), load_policy("uk")
AIM = aim_of(into_muscle=True, least=POLICY.least_chance_muscle, worse="", worse_times=2)
NEEDLE, STRAIGHT = Needle(gauge=23, length_mm=Fraction(25)), Way(angle_deg=90)
AGE = Age(days=16862, years=46, months=554)
SLIGHT = Body(age=AGE, sex="female", weight_kg=Fraction("62.5"), bmi=Fraction(22))
# The guideline's 25 mm are not likely enough in her, so that the whole drawer is looked through for a longer one.
HEAVY = Body(age=AGE, sex="female", weight_kg=Fraction(85), bmi=Fraction(34))
DRAWER = tuple(
    Needle(gauge=gauge, length_mm=Fraction(length))
    for gauge, length in (
        (25, "16"), (23, "25"), (25, "25"), (22, "25"), (23, "32"), (22, "32"), (21, "38"), (22, "38"), (23, "38"),
        (20, "38"), (21, "50"), (27, "12.7"),
    )
)  # fmt: skip


def microseconds(call: Callable[[], Any], number: int = 2000) -> float:
    """The best of nine runs."""
    return min(timeit.repeat(call, number=number, repeat=9)) / number * 1e6


def seconds(call: Callable[[], Any]) -> float:
    """The best of five runs."""
    return min(timeit.repeat(call, number=1, repeat=5))


def chosen(body: Body, viscosity_mpa_s: Fraction | None) -> Any:
    """The needle for the deltoid of this body, out of the drawer of twelve."""
    return choose_needle(
        route="intramuscular",
        site="deltoid",
        body=body,
        measured_mm=None,
        drawer=DRAWER,
        table=TABLE,
        tissue=TISSUE,
        resistance=load_resistance(),
        aim=AIM,
        least_gauge=None,
        viscosity_mpa_s=viscosity_mpa_s,
        ml_per_second=Fraction(1, 10),
        barrel_bore_mm=Fraction("8.7"),
        bleeding=False,
        fixed=None,
        chosen=None,
        notation=POLICY.notation,
        volume_ml=Fraction(2),
    )


def one_body() -> None:
    """One needle in one body, and the needle for it."""
    distance = distance_at(TISSUE, "deltoid", SLIGHT)
    assert isinstance(distance, Distance)

    def whole() -> Any:
        found = distance_at(TISSUE, "deltoid", SLIGHT)
        assert isinstance(found, Distance)
        return reached(found, NEEDLE, STRAIGHT, AIM)

    one = microseconds(whole)
    one_more = microseconds(lambda: reached(distance, NEEDLE, STRAIGHT, AIM))
    slight, heavy = microseconds(lambda: chosen(SLIGHT, None)), microseconds(lambda: chosen(HEAVY, None))
    pushed = microseconds(lambda: chosen(HEAVY, Fraction(20)))
    print(f"one reach, distance and cells      {one:8.1f} us   (target under 15)")
    print(f"  one needle more, the same body   {one_more:8.1f} us")
    print(f"the needle out of {len(DRAWER)}               {slight:8.1f} us   (target under 150)")
    print(f"  where a longer one is sought     {heavy:8.1f} us")
    print(f"  and the push is worked out too   {pushed:8.1f} us")


def many_bodies(count: int) -> None:
    """The reach in many adults at once, beside the loop."""
    chance = np.random.default_rng(1)
    sexes = chance.choice(["female", "male"], count)
    heights_m = np.where(sexes == "female", chance.normal(1.60, 0.07, count), chance.normal(1.74, 0.08, count))
    bmis = np.exp(chance.normal(3.36, 0.23, count)).round(1)
    weights_kg = (bmis * heights_m**2).round(1)
    months = chance.integers(18 * 12, 86 * 12, count)

    def together() -> Any:
        return reach_of_many(
            table=TISSUE,
            site="deltoid",
            sexes=sexes,
            bmis=bmis,
            ages_months=months,
            weights_kg=weights_kg,
            length_mm=NEEDLE.length_mm,
            into_muscle=True,
        )

    bodies = [
        Body(
            age=Age(days=age * 30, years=age // 12, months=age),
            sex=sex,
            weight_kg=Fraction(str(weight)),
            bmi=Fraction(str(bmi)),
        )
        for sex, age, weight, bmi in zip(
            *(column[:LOOPED].tolist() for column in (sexes, months, weights_kg, bmis)), strict=True
        )
    ]

    def body_by_body() -> list[float]:
        found = (distance_at(TISSUE, "deltoid", body) for body in bodies)
        return [reached(one, NEEDLE, STRAIGHT, AIM).chance.intended for one in found if isinstance(one, Distance)]

    reach = together()
    alone = body_by_body()
    ahead = reach.intended[:LOOPED][reach.known[:LOOPED]]
    assert np.allclose(ahead, alone, rtol=1e-9, atol=1e-12), "the two ways must agree before they are compared"
    at_once, loop = seconds(together), seconds(body_by_body) * count / len(bodies)
    words = f"{count:,} adults at once"
    print(f"{words:<35}{at_once:8.2f} s    (target under 0.6; {reach.known.mean():.0%} of them inside the evidence)")
    words = f"  body by body, {len(bodies):,} scaled up"
    print(f"{words:<35}{loop:8.2f} s    loop / at once {loop / at_once:.0f}")


if __name__ == "__main__":
    one_body()
    many_bodies(int(sys.argv[1]) if len(sys.argv) > 1 else ADULTS)
