"""How to give it, step by step: what the label says first, then the site, then the route, then the policy.

Each line is one thing the hands do, in plain words and without abbreviations.
"""

from __future__ import annotations

from functools import lru_cache

from drawup.injection.needle import DrawingUp, NeedleChoice
from drawup.injection.policy import Policy

__all__ = ["draws_back", "technique"]


def draws_back(route: str, site: str, label: bool | None, policy: Policy) -> bool:
    """Whether to draw back before the push: by the label, then by the site, then by the route."""
    if label is not None:
        return label
    return route == "intramuscular" and site in policy.draw_back_sites


def technique(
    *,
    route: str,
    site: str,
    choice: NeedleChoice,
    policy: Policy,
    label_draw_back: bool | None = None,
    z_track: bool = False,
    drawing_up: DrawingUp | None = None,
    powder: bool = False,
    fixed_needle: bool = False,
    keep_in_seconds: int | None = None,
    bleeding: bool = False,
    own_lines: tuple[str, ...] = (),
    one_patient: bool = False,
    watch_minutes: int | None = None,
) -> tuple[str, ...]:
    """Every step of one injection, from clean hands to the sharps box.

    `label_draw_back` is what the label says about drawing back (None: nothing). `drawing_up`: the needle to draw up
    with; None from a pen or the like. `keep_in_seconds`: how long a device stays in, by its label. `own_lines` are the
    label's own words, last before the needle comes out.
    """
    into_muscle = route == "intramuscular"
    lines = ["Clean your hands."]
    if drawing_up is not None:
        lines += ["Make up the powder as the plan says."] if powder else []
        lines += [] if fixed_needle else [_draw_up(drawing_up)]
    lines += _before(policy, into_muscle=into_muscle)
    lines.extend(_skin(choice.technique, z_track=z_track and into_muscle))
    if draws_back(route, site, label_draw_back, policy):
        lines.append("Draw back for 5 to 10 seconds; if blood comes, take it out and start again with a new dose.")
    else:
        lines.append("Do not draw back.")
    lines.append(_push(choice.seconds, keep_in_seconds))
    lines.extend(own_lines)
    lines.extend(
        _after(
            wait=0 if keep_in_seconds else policy.wait_seconds if into_muscle else 0,
            press_seconds=policy.press_seconds,
            press_minutes=policy.bleeding_press_minutes if bleeding else 0,
            z_track=z_track and into_muscle,
        )
    )
    if one_patient:
        lines.append("This device is for this one patient only: write the name on it.")
    if watch_minutes:
        lines.append(f"Keep the patient in sight for {watch_minutes} minutes.")
    return tuple(lines)


@lru_cache(maxsize=64)
def _before(policy: Policy, *, into_muscle: bool) -> tuple[str, ...]:
    lines = (policy.gloves, policy.cleanse_skin, policy.cleanse_muscle if into_muscle else "")
    return tuple(line for line in lines if line)


@lru_cache(maxsize=256)
def _skin(lines: tuple[str, ...], *, z_track: bool) -> tuple[str, ...]:
    """A Z-track replaces the flat stretch: the skin slides back over the path of the needle."""
    if not z_track:
        return lines
    return ("Pull the skin 2 to 3 cm to one side and keep it there until the needle is out.", *lines[1:])


@lru_cache(maxsize=64)
def _draw_up(needle: DrawingUp) -> str:
    if needle.kind == "filter":
        return "Draw up through a filter needle, then change it: never inject through it."
    wide = f"Draw up through a wide blunt needle ({needle.gauge} G)"
    return f"{wide}, then change it for the injection needle." if needle.change else f"{wide} or the injection needle."


@lru_cache(maxsize=256)
def _push(seconds: int | None, keep_in_seconds: int | None) -> str:
    if keep_in_seconds is not None:
        return f"Press it all the way, then keep the needle in for {_seconds(keep_in_seconds)}."
    if seconds is None:
        return "Push slowly and evenly."
    return f"Push slowly and evenly, over at least {_seconds(seconds)}."


def _seconds(count: int) -> str:
    return "1 second" if count == 1 else f"{count} seconds"


@lru_cache(maxsize=256)
def _after(*, wait: int, press_seconds: int, press_minutes: int, z_track: bool) -> tuple[str, ...]:
    lines = [f"Wait {_seconds(wait)}, then take the needle out at the same angle."] if wait else []
    lines = lines or ["Take the needle out at the same angle."]
    if z_track:
        lines.append("Let the skin slide back only then.")
    if press_minutes:
        minutes = "1 minute" if press_minutes == 1 else f"{press_minutes} minutes"
        lines.append(f"Press firmly for {minutes} without rubbing, and warn of a bruise.")
    else:
        lines.append(f"Press for {_seconds(press_seconds)} without rubbing.")
    lines.append("Needle and barrel straight into the sharps box, never capped again.")
    return tuple(lines)
