"""The whole plan beside the same dose in a general unit library, and many plans one a line: ratios of one run.

The request is the one of the public interface with ten entries of history. Nothing here passes or fails; the targets
are printed beside the figures.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
import timeit
from fractions import Fraction
from pathlib import Path
from typing import Any

import pint

from drawup.exchange.answer import answer
from drawup.exchange.reader import read_json
from drawup.exchange.request import read_request
from drawup.injection.plan import plan_injection

REQUEST: dict[str, Any] = {
    "format": 1,
    "now": "2026-03-02T09:00:00+00:00",
    "patient": {
        "sex": "female",
        "born": "1961-04-09",
        "weight": "62.5 kg",
        "height": "168 cm",
        "allergies": ["penicillins"],
        "avoid": [{"region": "left arm", "reason": "node surgery"}],
    },
    "order": {
        "medicine": "velorin",
        "route": "intramuscular",
        "dose": {"amount": "2.5 mg", "per": "kg", "at_most": "150 mg"},
    },
    "medicine": {
        "name": "velorin",
        "allergy_groups": [],
        "usual_dose": ["50 mg", "200 mg"],
        "presentations": [
            {
                "form": "powder",
                "strength": "250 mg",
                "container": "vial",
                "reconstitution": {"diluent": "water for injections", "add": "4.8 mL", "displacement": "0.2 mL"},
            }
        ],
    },
    "history": [
        {
            "medicine": "velorin",
            "amount": "150 mg",
            "at": f"2026-02-{day:02d}T08:10:00+00:00",
            "site": "vastus lateralis",
            "side": "left" if day % 2 else "right",
            "point": "B2",
            "kind": "given",
        }
        for day in range(18, 28)
    ],
}
LINES = 100_000


def microseconds(call: Any, number: int = 300) -> float:
    """The best of seven runs."""
    return min(timeit.repeat(call, number=number, repeat=7)) / number * 1e6


def dose_with_a_unit_library() -> Any:
    """2.5 mg/kg x 62.5 kg / 50 mg/mL with a general unit library over exact fractions, as its pages show it."""
    registry: Any = pint.UnitRegistry(non_int_type=Fraction)
    quantity = registry.Quantity

    def work() -> Any:
        per_kg = quantity(Fraction("2.5"), "mg/kg")
        weight = quantity(Fraction("62.5"), "kg")
        strength = quantity(Fraction(50), "mg/mL")
        return (per_kg * weight / strength).to("mL")

    assert work().magnitude == Fraction(25, 8)
    return work


def one_plan() -> None:
    """The plan, and the way from text to text round it."""
    text = json.dumps(REQUEST)
    read = read_request(read_json(text))
    made = plan_injection(read.request, policy=read.policy, tables=read.tables)
    plan = microseconds(lambda: plan_injection(read.request, policy=read.policy, tables=read.tables))
    library = microseconds(dose_with_a_unit_library())
    reading = microseconds(lambda: read_request(read_json(text)))
    writing = microseconds(
        lambda: json.dumps(answer(made, policy=read.policy, evidence_version=read.tables.version, notes=read.notes))
    )
    print(f"whole plan                         {plan:8.0f} us")
    print(
        f"unit library, the dose alone       {library:8.0f} us   plan / library {plan / library:.2f} (target below 1)"
    )
    print(f"reading the request                {reading:8.0f} us")
    print(f"writing the answer                 {writing:8.0f} us")


def many_lines(count: int) -> None:
    """`drawup plan --lines` on many different requests, in a process of its own."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "requests.jsonl"
        with path.open("w", encoding="utf-8") as file:
            for index in range(count):
                patient = {**REQUEST["patient"], "weight": f"{40 + index % 600 / 10} kg"}
                file.write(json.dumps({**REQUEST, "patient": patient}) + "\n")
        for part in (count // 10, count):
            some = Path(folder) / f"{part}.jsonl"
            with path.open("rb") as whole, some.open("wb") as first:
                for _ in range(part):
                    first.write(whole.readline())
            seconds, peak = run_lines(some)
            print(
                f"plan --lines {part:>9,}             {part / seconds:8.0f} a second, {peak / 1024:.0f} MB at the peak"
            )
    print("                                   (target at least 3,000 a second a core, memory flat)")


def run_lines(path: Path) -> tuple[float, int]:
    """Processor seconds and peak memory in kB of one run, start included."""
    code = (
        "import resource,sys;from drawup.cli.main import drawup\n"
        "try: drawup(['plan','--lines',sys.argv[1]],standalone_mode=False)\n"
        "except SystemExit as end: assert end.code==0\n"
        "use=resource.getrusage(resource.RUSAGE_SELF);print(use.ru_utime+use.ru_stime,use.ru_maxrss,file=sys.stderr)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(path)],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
        check=True,
    )
    seconds, peak = done.stderr.split()[-2:]
    return float(seconds), int(peak)


if __name__ == "__main__":
    one_plan()
    many_lines(int(sys.argv[1]) if len(sys.argv) > 1 else LINES)
