"""`drawup adrenaline`, `drawup needlestick`, `drawup mishap`: what to do at once, without a record or a sign-in."""

from __future__ import annotations

import re
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, tzinfo
from fractions import Fraction
from typing import TYPE_CHECKING, Any, ParamSpec, TypeVar

import click

from drawup.cli.edge import CANNOT, echo_json, json_option, line, moment_in, show, told
from drawup.cli.main import CAUTION, Desk

if TYPE_CHECKING:
    from drawup.evidence.emergency import Situation
    from drawup.injection.adrenaline import (
        AdrenalineAnswer,
        AdrenalineClock,
        BandDose,
        DoseToGive,
        Observation,
        WeightDose,
    )
    from drawup.injection.policy import Policy

_MISHAPS = ("blood drawn back", "bleeding", "bone touched", "leak", "faint", "splash")
_MOST_DOSES, _LONGEST = 50, 400

P = ParamSpec("P")
T = TypeVar("T")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Bedside:
    """Whose choices hold here, the clock of the place, and what must be said about either."""

    policy: Policy
    zone: tzinfo
    now: datetime
    said: str


@dataclass(frozen=True, slots=True)
class _Unused:
    """What of the typed line could not be used, in words: said before the answer, or a time ahead after it."""

    before: list[str] = field(default_factory=list)
    after: list[str] = field(default_factory=list)

    def tried(self, option: str, read: Callable[P, T], *args: P.args, **kwargs: P.kwargs) -> T | None:
        """What was read; None where it cannot be, and why is kept."""
        from drawup.injection.adrenaline import DoseAheadError

        try:
            return read(*args, **kwargs)
        except (ValueError, OSError) as error:
            told = self.after if isinstance(error, DoseAheadError) else self.before
            told.append(_one_line(f"{option}: {getattr(error, 'message', None) or error}"))
            return None


def _one_line(words: str) -> str:
    return " ".join(words.split())[:_LONGEST]


class _AnyhowCommand(click.Command):
    """A command that answers whatever was typed: what belongs to no option is left over, for the answer to name."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        ctx.allow_extra_args = ctx.ignore_unknown_options = True
        typed = list(args)
        try:
            return super().parse_args(ctx, args)
        except click.UsageError as error:
            ctx.meta[_MISTYPED] = error.format_message()
        try:
            # Most often the last option has nothing after it.
            return super().parse_args(ctx, typed[:-1])
        except click.UsageError:
            return super().parse_args(ctx, ["--json"] if "--json" in typed else [])


_MISTYPED = "drawup.cli.emergency.mistyped"


def _left_over(ctx: click.Context) -> Iterator[str]:
    if _MISTYPED in ctx.meta:
        yield _one_line(ctx.meta[_MISTYPED])
    if ctx.args:
        words = _one_line(" ".join(ctx.args))[:40]
        yield f'read "{words}", which belongs to no option. Put what has a space into quotes: --age "3 years"'


@click.command(cls=_AnyhowCommand, epilog="Example: drawup adrenaline --age '3 years' --weight '14 kg' --given 14:05")
@click.option("--age", metavar="AGE", help="As people say it: '3 years', '4 months', 'exactly 6 years', adult.")
@click.option("--born", metavar="DAY", help="The birth date, in place of an age.")
@click.option("--weight", metavar="KG", help="The weight with its unit: '14 kg'.")
@click.option("--given", "times", multiple=True, metavar="TIME", help="When a dose was given: 14:05. Name each.")
@click.option("--policy", "policy_name", metavar="COUNTRY|FILE", help="Whose table; else the record's, else uk.")
@click.option("--at", metavar="TIME", help="At another time than now.")
@json_option
@click.pass_obj
@told
def adrenaline(
    desk: Desk,
    age: str | None,
    born: str | None,
    weight: str | None,
    times: tuple[str, ...],
    policy_name: str | None,
    at: str | None,
    as_json: bool,
) -> None:
    """Anaphylaxis: the dose into muscle by the table in use, the mark, the five-minute clock and the first steps.

    Every band that holds for the age is shown and none is preferred: where two meet, you choose. A time of day is the
    last one that has passed; up to 5 minutes ahead is taken as now. What cannot be read is said, and the table and the
    first steps are shown all the same.
    """
    from drawup.evidence.emergency import load_adrenaline_table
    from drawup.injection.adrenaline import adrenaline_dose, known_age, parse_weight

    unused = _Unused(before=list(_left_over(click.get_current_context())))
    left_over = bool(unused.before)
    bedside = _bedside(desk, policy_name, at, unused)
    today = bedside.now.date()
    lived = unused.tried("--age" if born is None else "--born", known_age, age, born, today)
    weight_kg = None if weight is None else unused.tried("--weight", parse_weight, weight)
    table = load_adrenaline_table(bedside.policy.adrenaline_table)
    answer = adrenaline_dose(table, age=lived, weight_kg=weight_kg, today=today)
    doses = _doses(times, bedside, unused, table.repeat_minutes, left_out=left_over)
    if as_json:
        found = _json(answer, doses, bedside)
        why = "; ".join((*unused.before, *unused.after))
        echo_json({"error": {"field": "", "message": why}, **found} if why else found)
    else:
        before = [line("Not used", words) for words in unused.before]
        after = [line("Not used", words) for words in unused.after]
        words = _text(answer, doses, bedside)
        show("\n".join((*before, *[""][: len(before)], *words, *[""][: len(after)], *after)))
    if unused.before or unused.after:
        sys.exit(CANNOT)


# What was typed.


def _bedside(desk: Desk, policy_name: str | None, at: str | None, unused: _Unused) -> _Bedside:
    from drawup.evidence.policies import PRESETS, load_policy

    here = desk.clock().astimezone().tzinfo
    assert here is not None
    recorded, zone, why = _from_record(desk, here)
    named = None
    if policy_name is not None:
        preset = policy_name.strip().casefold()
        policy_name = preset if preset in PRESETS else policy_name
        named = unused.tried("--policy", load_policy, policy_name)
    instead = "" if policy_name is None else "; the one that was named could not be used"
    if named is not None:
        policy, said = named, f"policy {policy_name}, as named"
    elif recorded is not None:
        policy, said = recorded, f"the record's policy{instead}"
    else:
        policy, said = load_policy("uk"), f"policy uk, because {why}{instead or '; name another with --policy'}"
    now = None if at is None else unused.tried("--at", moment_in, at, zone)
    now = desk.clock().astimezone(zone) if now is None else now
    return _Bedside(policy=policy, zone=now.tzinfo or zone, now=now, said=said)


def _from_record(desk: Desk, here: tzinfo) -> tuple[Policy | None, tzinfo, str]:
    """The record's policy and time zone. A record that cannot be read is no reason to answer nothing here."""
    from drawup.cli.edge import open_record, place_zone

    try:
        if not desk.record.exists():
            return None, here, "there is no record yet"
        from drawup.service.state import setting

        with open_record(desk, read_only=True) as store:
            return setting(store).policy, place_zone(store), ""
    except (ValueError, OSError):
        return None, here, "the record's own could not be read"


_OF_THE_DAY = re.compile(r"([01][0-9]|2[0-3]):([0-5][0-9])", re.ASCII)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Doses:
    """What counts as given; what was taken as now, in words; whether anything that was typed is left out."""

    clock: AdrenalineClock | None
    observation: Observation | None
    as_now: tuple[str, ...]
    left_out: bool


def _doses(times: tuple[str, ...], bedside: _Bedside, unused: _Unused, repeat: int, *, left_out: bool) -> _Doses:
    from drawup.evidence.emergency import load_observation
    from drawup.injection.adrenaline import adrenaline_clock, as_passed, observe_after

    now = bedside.now
    if len(times) > _MOST_DOSES:
        unused.before.append(f"--given: read {len(times)} doses, expected at most {_MOST_DOSES}: none is counted")
        times, left_out = (), True
    given: list[datetime] = []
    as_now: list[str] = []
    for text in times:
        one = unused.tried("--given", _given_time, text, bedside)
        counted = None if one is None else unused.tried("--given", as_passed, one, now)
        if one is None or counted is None:
            continue
        if counted != one:
            as_now.append(f"{one:%H:%M} is ahead of this clock ({now:%H:%M}), by 5 minutes at most: taken as now")
        if any(counted.astimezone(UTC) == other.astimezone(UTC) for other in given):
            unused.after.append(
                f"--given: two doses at the same time, {one:%H:%M}: name each dose once. One is counted"
            )
        else:
            given.append(counted)
    return _Doses(
        clock=adrenaline_clock(tuple(given), now, repeat),
        observation=observe_after(load_observation(), len(given), frozenset()) if given else None,
        as_now=tuple(as_now),
        left_out=left_out or len(given) < len(times),
    )


def _given_time(text: str, bedside: _Bedside) -> datetime:
    from drawup.injection.adrenaline import given_at

    of_the_day = _OF_THE_DAY.fullmatch(text.strip())
    if of_the_day is not None:
        return given_at(int(of_the_day[1]), int(of_the_day[2]), bedside.now)
    try:
        return moment_in(text, bedside.zone)
    except ValueError as error:
        raise ValueError(f"{error}, or 14:05 for today") from None


# In words.


def _text(answer: AdrenalineAnswer, doses: _Doses, bedside: _Bedside) -> Iterator[str]:
    from drawup.evidence.emergency import load_first_steps
    from drawup.injection.notation import render_concentration

    policy, table = bedside.policy, answer.table
    word = policy.adrenaline_word
    strength = render_concentration(table.strength, policy.notation)
    yield f"{word.capitalize()} {strength} into muscle, front outer thigh, for anaphylaxis"
    yield ""
    yield from _dose_lines(answer, bedside)
    # Where no dose can be named the table is the answer; it then stands first.
    dose_named = bool(answer.bands or answer.by_weight or answer.adult_most)
    if not dose_named:
        yield ""
        yield from _table_lines(answer, bedside)
    yield ""
    yield from _clock_lines(doses, table.repeat_minutes)
    yield ""
    yield "  First"
    yield from _step_lines(load_first_steps("anaphylaxis"), word)
    if dose_named:
        yield ""
        yield from _table_lines(answer, bedside)
    yield ""
    yield "  Once it has resolved, observe for at least"
    yield from _observation_lines(doses.observation)
    yield ""
    yield line("Table", f"{table.title}, {table.edition} ({bedside.said})")
    yield line("", f"{table.source}, {table.address}")
    if table.review is not None:
        past = ": IT IS PAST THAT DATE. Look for a newer edition" if answer.past_review else ""
        yield line("Review", f"its publisher printed {table.review:%Y-%m} as its review date{past}")
    if table.note:
        yield line("Note", table.note)
    yield ""
    yield f"  {CAUTION}"


def _dose_lines(answer: AdrenalineAnswer, bedside: _Bedside) -> Iterator[str]:
    if answer.age is not None:
        yield line("Age", answer.age.words)
    if answer.past_review:
        yield line("Past review", "this table is past its printed review date: look for a newer edition")
    if len(answer.bands) > 1:
        meet = " and ".join(one.band.name for one in answer.bands)
        yield line("You choose", f"at this age the table has more than one band: {meet}")
    for one in answer.bands:
        for dose in one.doses:
            yield line("Dose", f"{_dose_words(dose, bedside)}  [{one.band.name}]")
        if len(one.doses) > 1:
            yield line("You choose", f"{one.band.name}: the table prints a range, from the first to the second")
        if one.band.about:
            yield line("", f"{one.band.name}: about {one.band.about}")
        if one.band.note:
            yield line("", one.band.note)
        if one.band.status != "published":
            yield line("", f"{one.band.name}: {one.band.status}, check it before you rely on it")
    if answer.gap:
        some = "no band for some days of this age" if answer.bands else "no band at this age"
        yield line("No band", f"the table has {some}. Its neighbours; you choose:")
        yield from (line("", _band_words(one, bedside)) for one in answer.neighbours)
    for one in answer.whole_years:
        yield line("Our reading", f"if the printed ages are whole years: {_band_words(one, bedside)}")
        yield line("", "the table does not print this; you choose")
    if answer.by_weight is not None:
        yield from _weight_lines(answer, answer.by_weight, bedside)
    elif answer.weight_kg is not None:
        yield line("Weight", f"{_kg(answer.weight_kg, bedside)}: this table goes by age, the weight is not used")
    yield from _unlikely_lines(answer, bedside)
    if answer.adult_most is not None:
        yield from _adult_lines(answer, answer.adult_most, bedside)
    if answer.missing:
        yield line("Not known", f"this table goes by {answer.missing}, and none is known: --{answer.missing}")
    if answer.missing == "weight" and answer.adult_most is None:
        adult = "" if answer.age is not None else "; for an adult without one --age adult shows the most that is given"
        yield line("", f"a weight is needed: nothing is guessed for a child{adult}")


def _weight_lines(answer: AdrenalineAnswer, by_weight: WeightDose, bedside: _Bedside) -> Iterator[str]:
    from drawup.injection.notation import render

    policy, table = bedside.policy, answer.table
    assert table.per_kg is not None
    weight = _kg(by_weight.weight_kg, bedside)
    cap = table.at_most if by_weight.capped else None
    yield line(
        "Dose" if table.goes_by == "weight" else "By weight",
        f"{_dose_words(by_weight.given, bedside, most_ml=answer.table.most_ml)}  [{weight}]",
    )
    worked = f"{render(table.per_kg, policy.notation)} x {weight} = {render(by_weight.uncapped, policy.notation)}"
    yield line("", worked if cap is None else f"{worked}, over the most: {render(cap, policy.notation)}")


def _adult_lines(answer: AdrenalineAnswer, most: DoseToGive, bedside: _Bedside) -> Iterator[str]:
    """The cap of a table by weight for an adult whose weight is not known, said as such."""
    table = answer.table
    yield line("At most", f"{_dose_words(most, bedside)}  [an adult without a weight]")
    below = "" if table.cap_kg is None else f": under {_kg(table.cap_kg, bedside)} it would be less"
    yield line("", f"the most that this table gives anybody, not worked from a weight{below}")
    yield line("", f"{table.source}, {table.address}")


def _kg(weight_kg: Fraction, bedside: _Bedside) -> str:
    from drawup.injection.notation import render_number

    return f"{render_number(weight_kg, bedside.policy.notation)} kg"


def _unlikely_lines(answer: AdrenalineAnswer, bedside: _Bedside) -> Iterator[str]:
    from drawup.injection.adrenaline import unlikely_weight
    from drawup.injection.notation import render_number

    if answer.age is None or answer.weight_kg is None:
        return
    likely = unlikely_weight(answer.weight_kg, answer.age, bedside.policy)
    if likely is not None:
        low, high = (render_number(kg, bedside.policy.notation) for kg in (likely.low_kg, likely.high_kg))
        weight = _kg(answer.weight_kg, bedside)
        yield line("Check", f"{weight} is unlikely at this age ({low} to {high} kg): kg or lb, age or weight?")


def _table_lines(answer: AdrenalineAnswer, bedside: _Bedside) -> Iterator[str]:
    """Every band as printed, and the rule by weight; where the table goes by weight alone, with weights worked."""
    from drawup.injection.adrenaline import whole_table, worked_doses
    from drawup.injection.notation import render, render_ml

    table, notation = answer.table, bedside.policy.notation
    yield "  The whole table"
    yield from (f"      {_band_words(one, bedside)}" for one in whole_table(table))
    if table.per_kg is None:
        return
    most = ""
    if table.at_most is not None and table.most_ml is not None:
        most = f", at most {render(table.at_most, notation)} = {render_ml(table.most_ml, notation)}"
    yield f"      by weight: {render(table.per_kg, notation)} for each kg{most}"
    for one in worked_doses(table) if table.goes_by == "weight" else ():
        over = " and over" if one.weight_kg == table.cap_kg else ""
        dose = f"{render(one.given.dose, notation)} = {render_ml(one.given.volume_ml, notation)}"
        yield f"      {_kg(one.weight_kg, bedside)}{over}: {dose}"


def _dose_words(dose: DoseToGive, bedside: _Bedside, *, most_ml: Fraction | None = None) -> str:
    """300 micrograms = 0.3 mL: draw to 0.3 mL in a 1 mL barrel."""
    from drawup.injection.adrenaline import mark_for
    from drawup.injection.barrel import mark_text, percent_text
    from drawup.injection.notation import render, render_ml

    notation = bedside.policy.notation
    exact = f"{render(dose.dose, notation)} = {render_ml(dose.volume_ml, notation)}"
    drawn, near = mark_for(dose.volume_ml, most_ml=most_ml, policy=bedside.policy)
    if drawn is None:
        return f"{exact}: no barrel of this policy holds it"
    words = f"{exact}: draw to {mark_text(drawn, notation)} in a {render_ml(drawn.barrel.capacity_ml, notation)} barrel"
    if drawn.difference:
        sign = "more" if drawn.difference > 0 else "less"
        words += f", {percent_text(abs(drawn.difference))} {sign}"
    return words if near else f"{words}, the nearest mark there is"


def _band_words(one: BandDose, bedside: _Bedside) -> str:
    from drawup.injection.notation import render, render_ml

    notation = bedside.policy.notation
    doses = " to ".join(render(dose.dose, notation) for dose in one.doses)
    volumes = " to ".join(render_ml(dose.volume_ml, notation) for dose in one.doses)
    about = f", about {one.band.about}" if one.band.about else ""
    unsure = "" if one.band.status == "published" else f" ({one.band.status})"
    return f"{one.band.name}{about}: {doses} = {volumes}{unsure}"


def _clock_lines(typed: _Doses, repeat_minutes: int) -> Iterator[str]:
    clock = typed.clock
    if clock is None:
        none = 'no dose counted, see "Not used"' if typed.left_out else "no dose yet"
        yield line("Clock", f"{none}. If it is no better {repeat_minutes} minutes after a dose, give it again")
        return
    doses = "1 dose" if len(clock.given) == 1 else f"{len(clock.given)} doses"
    since = "" if len(clock.given) == 1 else f"; {_minutes(clock.since_first)} since the first"
    yield line("Given", f"{doses}, the last at {clock.last:%H:%M}, {_minutes(clock.since_last)} ago{since}")
    yield from (line("", words) for words in typed.as_now)
    if typed.left_out:
        yield line("", 'not everything that was typed is counted, see "Not used"')
    if clock.wait:
        minutes, seconds = divmod(clock.wait, 60)
        yield line("Next", f"from {clock.next_at:%H:%M} if it is no better: in {minutes} min {seconds} s")
    else:
        yield line("Next", f"may be given now, if it is no better (since {clock.next_at:%H:%M})")
    if len(clock.given) > 1:
        yield line("", "two doses or more: if it is still no better, the most expert help there is")


def _minutes(count: int) -> str:
    if count < 60:
        return f"{count} minute{'' if count == 1 else 's'}"
    return f"{count // 60} h {count % 60} min"


def _observation_lines(observation: Observation | None) -> Iterator[str]:
    from drawup.evidence.emergency import load_observation
    from drawup.evidence.emergency_document import observation_words

    rows = load_observation()
    yield from (f"      {row.hours} hours: {observation_words(row)}" for row in rows)
    if observation is not None and not observation.printed:
        yield "      One dose without every condition of the first row stands in none: take the second."
    elif observation is not None:
        yield f"      By the doses alone: {observation.hours} hours; more where a longer row holds."
    yield f"      {rows[0].source}, {rows[0].address}"


def _step_lines(situation: Situation, word: str) -> Iterator[str]:
    """The steps in order, each with its source, and with whose advice it is where advice differs."""
    for number, step in enumerate(situation.steps, start=1):
        yield f"  {number:>2}. {step.text(word)}"
        yield f"        {step.source}"


# In JSON.


def _json(answer: AdrenalineAnswer, doses: _Doses, bedside: _Bedside) -> dict[str, Any]:
    from drawup.evidence.emergency import load_first_steps, observation_json, steps_json
    from drawup.injection.adrenaline import whole_table
    from drawup.injection.notation import machine_text

    table, policy, by_weight = answer.table, bedside.policy, answer.by_weight
    weight = None if answer.weight_kg is None else _weight_json(answer, answer.weight_kg, bedside)
    return {
        "medicine": policy.adrenaline_word,
        "now": bedside.now.isoformat(),
        "policy": {"title": policy.title, "version": policy.version, "because": bedside.said},
        "table": {
            "key": table.key,
            "title": table.title,
            "edition": table.edition,
            "review": None if table.review is None else f"{table.review:%Y-%m}",
            "past_review": answer.past_review,
            "repeat_minutes": table.repeat_minutes,
            "goes_by": table.goes_by,
            "note": table.note,
            "source": table.source,
            "address": table.address,
            "bands": [_band_json(one, bedside) for one in whole_table(table)],
            "per_kg": None if table.per_kg is None else machine_text(table.per_kg),
            "at_most": None if table.at_most is None else machine_text(table.at_most),
        },
        "age": None if answer.age is None else answer.age.words,
        "bands": [_band_json(one, bedside) for one in answer.bands],
        "gap": answer.gap,
        "neighbours": [_band_json(one, bedside) for one in answer.neighbours],
        "our_reading": {"printed_ages_as_whole_years": [_band_json(one, bedside) for one in answer.whole_years]},
        "weight": weight and {**weight, "used": answer.by_weight is not None},
        "by_weight": by_weight
        and {
            **(weight or {}),
            "capped": by_weight.capped,
            **_dose_json(by_weight.given, bedside, most_ml=table.most_ml),
        },
        "missing": answer.missing,
        "adult_without_weight_at_most": None if answer.adult_most is None else _dose_json(answer.adult_most, bedside),
        "clock": None if doses.clock is None else _clock_json(doses.clock, doses),
        "observe": None if doses.observation is None else observation_json(doses.observation),
        "first_steps": steps_json(load_first_steps("anaphylaxis"), policy.adrenaline_word),
        "caution": CAUTION,
    }


def _band_json(one: BandDose, bedside: _Bedside) -> dict[str, Any]:
    return {
        "band": one.band.name,
        "about": one.band.about,
        "doses": [_dose_json(dose, bedside) for dose in one.doses],
        "note": one.band.note,
        "status": one.band.status,
        "source": one.band.source,
        "address": one.band.address,
    }


def _dose_json(dose: DoseToGive, bedside: _Bedside, *, most_ml: Fraction | None = None) -> dict[str, Any]:
    from drawup.injection.adrenaline import mark_for
    from drawup.injection.notation import exact_text, machine_text, render

    drawn, near = mark_for(dose.volume_ml, most_ml=most_ml, policy=bedside.policy)
    return {
        "dose": machine_text(dose.dose),
        "shown": render(dose.dose, bedside.policy.notation),
        "volume_ml": exact_text(dose.volume_ml),
        "mark_ml": None if drawn is None else exact_text(drawn.mark_ml),
        "barrel_ml": None if drawn is None else exact_text(drawn.barrel.capacity_ml),
        "within_tolerance": near,
    }


def _weight_json(answer: AdrenalineAnswer, weight_kg: Fraction, bedside: _Bedside) -> dict[str, Any]:
    from drawup.injection.adrenaline import unlikely_weight
    from drawup.injection.notation import exact_text

    age = answer.age
    unlikely = age is not None and unlikely_weight(weight_kg, age, bedside.policy) is not None
    return {"weight_kg": exact_text(weight_kg), "unlikely_at_this_age": unlikely}


def _clock_json(clock: AdrenalineClock, doses: _Doses) -> dict[str, Any]:
    return {
        "given": [one.isoformat() for one in clock.given],
        "taken_as_now": list(doses.as_now),
        "next_at": clock.next_at.isoformat(),
        "minutes_since_last": clock.since_last,
        "minutes_since_first": clock.since_first,
        "wait_seconds": clock.wait,
    }


# Needlestick and the other mishaps.


@click.command(epilog="Example: drawup needlestick")
@json_option
@told
def needlestick(as_json: bool) -> None:
    """A needle has gone into somebody it was not meant for: what to do first, and whose advice it is."""
    _tell("needlestick", as_json=as_json)


@click.command(epilog="Example: drawup mishap blood drawn back")
@click.argument("what", nargs=-1, metavar="WHAT")
@json_option
@told
def mishap(what: tuple[str, ...], as_json: bool) -> None:
    """Something went wrong at the injection: what to do first, each line with its source.

    WHAT is one of: blood drawn back, bleeding, bone touched, leak, faint, splash. Its beginning is enough.
    """
    asked = " ".join(" ".join(what).replace("-", " ").casefold().split())
    found = [name for name in _MISHAPS if asked and name.startswith(asked)]
    if len(found) != 1:
        read = f'read "{asked[:40]}"' if asked else "read nothing"
        raise ValueError(f"{read}, expected one of: {', '.join(_MISHAPS)}")
    _tell(found[0], as_json=as_json)


def _tell(name: str, *, as_json: bool) -> None:
    from drawup.evidence.emergency import load_first_steps, steps_json

    situation = load_first_steps(name)
    word = "adrenaline"
    if as_json:
        steps = steps_json(situation, word)
        echo_json({"what": name, "title": situation.title, "steps": steps, "caution": CAUTION})
    else:
        show("\n".join((situation.title, "", *_step_lines(situation, word), "", f"  {CAUTION}")))
