"""The next point on the skin: how quick it is, and how worn the skin would be by other figures of wear.

    python benchmarks/rotation.py             with the table of the simulation (a minute or two)
    python benchmarks/rotation.py --quick     without it

a. The next point after five years at four a day (7,300 injections), aimed at 5 ms, beside the same burdens worked out
   injection by injection and point by point.
b. The worst point of a year at four a day beside three habits, for spreads and half-lives other than the policy's,
   which were fixed before any of this was run. The simulation is the one of tests/properties.

Nothing here passes or fails; the ratios are of one run.
"""

from __future__ import annotations

import math
import sys
import timeit
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from drawup.evidence.policies import load_policy
from drawup.evidence.tables import load_grids
from drawup.injection.rotation import WIDE_GAUGE, Picked, Wear, pick, side_in_turn, skin_state, wear_of
from drawup.injection.skin import WHOLE, PastInjection, SkinMap, SkinPlace, Spot, skin_map

if TYPE_CHECKING:
    from tests.properties import a_year_on_the_skin as a_year
else:
    sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests" / "properties"))
    import a_year_on_the_skin as a_year

SITES = ("abdominal fat", "thigh fat", "upper arm fat", "buttock fat")
PAST = 7_300
TARGET_MS = 5
SPREADS_MM = (5, 10, 15)
HALF_LIVES_DAYS = (7, 14, 28)


def milliseconds(call: Callable[[], object], number: int = 20) -> float:
    """The best of seven runs."""
    return min(timeit.repeat(call, number=number, repeat=7)) / number * 1e3


def five_years(skin: SkinMap) -> tuple[PastInjection, ...]:
    """7,300 injections at four a day, over every point in turn and from side to side."""
    spots = [spot for pair in zip(*(_all(skin, side) for side in ("right", "left")), strict=True) for spot in pair]
    return tuple(
        PastInjection(
            place=SkinPlace(
                site=spots[number * 7 % len(spots)].site,
                side=spots[number * 7 % len(spots)].side,
                point=spots[number * 7 % len(spots)].name,
            ),
            at=a_year.START - timedelta(hours=6 * number + 6),
        )
        for number in range(PAST)
    )


def _all(skin: SkinMap, side: str) -> list[Spot]:
    return [spot for site in SITES for spot in skin.spots[site, side]]


def naive_burdens(skin: SkinMap, wear: Wear, past: Sequence[PastInjection], now: datetime) -> list[float]:
    """Every injection on every point of its skin, as the rule is written and with nothing left out."""
    burdens = [0.0] * len(skin.cells)
    for one in past:
        there = skin.frame_place(one.place)
        if there is None:
            continue
        frame, across, down = there
        weight = 0.5 ** ((now - one.at) / timedelta(days=wear.half_life))
        weight *= 1 + wear.per_ml * float(one.volume_ml or 0)
        weight *= 1 + wear.wide_needle if one.gauge is not None and one.gauge <= WIDE_GAUGE else 1
        for cell, (its_frame, x, y) in enumerate(skin.cells):
            if its_frame == frame:
                squared = (x - across) ** 2 + (y - down) ** 2
                burdens[cell] += weight * math.exp(-squared / (2 * wear.spread**2))
    return burdens


def one_point() -> None:
    """The next point with five years behind it, beside the naive way to the same burdens."""
    skin, wear, now = skin_map(load_grids(), WHOLE), wear_of(load_policy("uk")), a_year.START
    past = five_years(skin)

    def next_point() -> Picked | None:
        state = skin_state(skin, wear, past, (), now)
        return pick(state, SITES, side_in_turn(state))

    state = skin_state(skin, wear, past, (), now)
    felt = naive_burdens(skin, wear, past, now)
    furthest = max(abs(one - other) for one, other in zip(state.burden, felt, strict=True))
    quick = milliseconds(next_point)
    naive = milliseconds(lambda: naive_burdens(skin, wear, past, now), number=1)
    print(f"next point, {PAST:,} past injections   {quick:9.2f} ms   (target {TARGET_MS} ms)")
    print(f"its burdens the naive way            {naive:9.2f} ms   naive / next point {naive / quick:.0f}")
    print(
        f"largest difference of a burden       {furthest:9.4f}      of {max(felt):.2f}: what is left out as too small"
    )


def simulated() -> None:
    """How far the worst point stays below three habits, by spread and half-life."""
    body = a_year.adult(*SITES, without=("left upper arm fat",))
    bodies = {f"{len(body.spots)} points, all sites": body, "168 points, seven even sides": a_year.even_body()}
    shipped = wear_of(load_policy("uk"))
    runs, done = len(bodies) * len(SPREADS_MM) * len(HALF_LIVES_DAYS), 0
    rows: list[str] = []
    for name, lived in bodies.items():
        year = a_year.year_of(lived, seed=1)
        rows.append(f"\n{name}; worst point by the choice, and by how much it is below a habit")
        rows.append(f"{'spread':>8} {'half-life':>10} {'worst':>7}" + "".join(f"{one:>20}" for one in a_year.HABITS))
        for spread in SPREADS_MM:
            for half_life in HALF_LIVES_DAYS:
                wear = replace(shipped, spread=float(10 * spread), half_life=float(half_life))
                spots = [one.spot for one in a_year.by_choice(year, wear)]
                worst = a_year.worst_burden(year, spots, spread_mm=spread, half_life_days=half_life)
                below = [
                    1 - worst / a_year.habit_burden(year, habit, 1, spread_mm=spread, half_life_days=half_life)
                    for habit in a_year.HABITS
                ]
                mine = " *" if (wear.spread, wear.half_life) == (shipped.spread, shipped.half_life) else ""
                shares = "".join(f"{share * 100:>18.0f} %" for share in below)
                rows.append(f"{spread:>5} mm {half_life:>5} days {worst:>7.2f}{shares}{mine}")
                done += 1
                print(f"\r{done} of {runs} years lived", end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)
    print("\n".join(rows))
    print("* the policy's own figures (aimed at: 40, 40 and 20 % at 160 open points or more)")


if __name__ == "__main__":
    one_point()
    if "--quick" not in sys.argv[1:]:
        simulated()
