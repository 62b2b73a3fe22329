"""`drawup adrenaline`, `drawup needlestick`, `drawup mishap`: what to do at once, without a record or a sign-in."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, tzinfo
from fractions import Fraction
from typing import TYPE_CHECKING, Any

import click

from drawup.cli.edge import echo_json, json_option, line, moment_in, show, told
from drawup.cli.main import CAUTION, Desk

if TYPE_CHECKING:
    from drawup.evidence.emergency import FirstStep, Situation
    from drawup.injection.adrenaline import (
        AdrenalineAnswer,
        AdrenalineClock,
        BandDose,
        DoseToGive,
        KnownAge,
        Observation,
        WeightDose,
    )
    from drawup.injection.policy import Policy

_LIGHTEST_KG, _HEAVIEST_KG = Fraction(2, 10), Fraction(700)
_MISHAPS = ("blood drawn back", "bleeding", "bone touched", "leak", "faint", "splash")
_MOST_DOSES = 50


@dataclass(frozen=True, slots=True, kw_only=True)
class _Bedside:
    """Whose choices hold here, the clock of the place, and what must be said about either."""

    policy: Policy
    zone: tzinfo
    now: datetime
    said: str


@click.command(epilog="Example: drawup adrenaline --age '3 years' --weight '14 kg' --given 14:05")
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
    last one that has passed.
    """
    from drawup.evidence.emergency import load_adrenaline_table, load_observation
    from drawup.injection.adrenaline import adrenaline_clock, adrenaline_dose, observe_after

    bedside = _bedside(desk, policy_name, at)
    if len(times) > _MOST_DOSES:
        raise ValueError(f"--given: read {len(times)} doses, expected at most {_MOST_DOSES}")
    known_age, weight_kg = _age(age, born, bedside.now.date()), _weight(weight)
    table = load_adrenaline_table(bedside.policy.adrenaline_table)
    answer = adrenaline_dose(table, age=known_age, weight_kg=weight_kg, today=bedside.now.date())
    given = tuple(_given_time(one, bedside) for one in times)
    clock = adrenaline_clock(given, bedside.now, table.repeat_minutes)
    observation = observe_after(load_observation(), len(given), frozenset()) if given else None
    if as_json:
        echo_json(_json(answer, clock, observation, bedside))
    else:
        show("\n".join(_text(answer, clock, observation, bedside)))


# What was typed.


def _bedside(desk: Desk, policy_name: str | None, at: str | None) -> _Bedside:
    from drawup.evidence.policies import load_policy

    here = desk.clock().astimezone().tzinfo
    assert here is not None
    recorded, zone, why = _from_record(desk, here)
    if policy_name is not None:
        policy, said = load_policy(policy_name), f"policy {policy_name}, as named"
    elif recorded is not None:
        policy, said = recorded, "the record's policy"
    else:
        policy, said = load_policy("uk"), f"policy uk, because {why}; name another with --policy"
    now = desk.clock().astimezone(zone) if at is None else moment_in(at, zone)
    return _Bedside(policy=policy, zone=now.tzinfo or zone, now=now, said=said)


def _from_record(desk: Desk, here: tzinfo) -> tuple[Policy | None, tzinfo, str]:
    """The record's policy and time zone. A record that cannot be read is no reason to answer nothing here."""
    if not desk.record.exists():
        return None, here, "there is no record yet"
    from drawup.cli.edge import open_record, place_zone
    from drawup.service.state import setting

    try:
        with open_record(desk, read_only=True) as store:
            return setting(store).policy, place_zone(store), ""
    except (ValueError, OSError):
        return None, here, "the record's own could not be read"


def _age(age: str | None, born: str | None, today: date) -> KnownAge | None:
    from drawup.injection.adrenaline import age_of, parse_age

    if age is not None and born is not None:
        raise ValueError("name either --age or --born, not both")
    if age is not None:
        return parse_age(age, today)
    if born is None:
        return None
    try:
        day = date.fromisoformat(born) if _DAY.fullmatch(born) else None
    except ValueError:
        day = None
    if day is None:
        raise ValueError(f'--born: read "{born[:40]}", expected a day such as 2023-03-02')
    return age_of(day, today)


def _weight(text: str | None) -> Fraction | None:
    from drawup.injection.notation import parse_quantity
    from drawup.injection.patient import kilograms
    from drawup.injection.quantity import Dimension

    if text is None:
        return None
    weight = parse_quantity(text, measured=True, body_weight=True).quantity
    if weight.unit.dimension is not Dimension.MASS:
        raise ValueError(f'--weight: read "{text[:40]}", expected a weight such as "14 kg"')
    if not _LIGHTEST_KG <= kilograms(weight) <= _HEAVIEST_KG:
        raise ValueError(f'--weight: read "{text[:40]}", expected from 0.2 to 700 kg. Check the figure and its unit')
    return kilograms(weight)


_DAY = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", re.ASCII)
_OF_THE_DAY = re.compile(r"(?:[01][0-9]|2[0-3]):[0-5][0-9]", re.ASCII)
_TODAY = timedelta(hours=12)


def _given_time(text: str, bedside: _Bedside) -> datetime:
    """A time of day that has passed within twelve hours, over midnight too; or a day and a time."""
    now = bedside.now
    if not _OF_THE_DAY.fullmatch(text.strip()):
        try:
            given = moment_in(text, bedside.zone)
        except ValueError as error:
            raise ValueError(f"--given: {error}, or 14:05 for today") from None
        if _since(given, now) < timedelta():
            raise ValueError(f'--given: read "{text.strip()[:40]}", which is in the future: it is {_clock_text(now)}')
        return given
    hour, minute = map(int, text.strip().split(":"))
    given = now.replace(hour=hour, minute=minute, second=0, microsecond=0)
    given = given if _since(given, now) >= timedelta() else given - timedelta(days=1)
    if _since(given, now) > _TODAY:
        raise ValueError(
            f"--given: read {text.strip()}, which is in the future or more than 12 hours ago: it is "
            f'{_clock_text(now)}. Write the day too: "{given:%Y-%m-%d %H:%M}"'
        )
    return given


def _since(given: datetime, now: datetime) -> timedelta:
    """What has really passed, also over a night on which the clocks change."""
    return now.astimezone(UTC) - given.astimezone(UTC)


def _clock_text(moment: datetime) -> str:
    return f"{moment:%Y-%m-%d %H:%M}"


# In words.


def _text(
    answer: AdrenalineAnswer, clock: AdrenalineClock | None, observation: Observation | None, bedside: _Bedside
) -> Iterator[str]:
    from drawup.evidence.emergency import load_first_steps
    from drawup.injection.notation import render_concentration

    policy, table = bedside.policy, answer.table
    word = policy.adrenaline_word
    strength = render_concentration(table.strength, policy.notation)
    yield f"{word.capitalize()} {strength} into muscle, front outer thigh, for anaphylaxis"
    yield ""
    yield from _dose_lines(answer, bedside)
    yield ""
    yield from _clock_lines(clock, table.repeat_minutes)
    yield ""
    yield "  First"
    yield from _step_lines(load_first_steps("anaphylaxis"), word)
    if table.bands:
        yield ""
        yield "  The whole table"
        yield from (f"      {_band_words(one, bedside)}" for one in _whole(answer))
    yield ""
    yield "  Once it has resolved, observe for at least"
    yield from _observation_lines(observation)
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
    if answer.by_weight is not None:
        yield from _weight_lines(answer, answer.by_weight, bedside)
    if answer.missing:
        yield line("Not known", f"this table goes by {answer.missing}, and none was named: --{answer.missing}")


def _weight_lines(answer: AdrenalineAnswer, by_weight: WeightDose, bedside: _Bedside) -> Iterator[str]:
    from drawup.injection.adrenaline import unlikely_weight
    from drawup.injection.notation import render, render_number

    policy, table = bedside.policy, answer.table
    assert table.per_kg is not None
    weight = f"{render_number(by_weight.weight_kg, policy.notation)} kg"
    cap = table.at_most if by_weight.capped else None
    yield line(
        "Dose" if table.goes_by == "weight" else "By weight",
        f"{_dose_words(by_weight.given, bedside, most_ml=_most_ml(answer))}  [{weight}]",
    )
    worked = f"{render(table.per_kg, policy.notation)} x {weight} = {render(by_weight.uncapped, policy.notation)}"
    yield line("", worked if cap is None else f"{worked}, over the most: {render(cap, policy.notation)}")
    if answer.age is not None:
        likely = unlikely_weight(by_weight.weight_kg, answer.age, policy)
        if likely is not None:
            low, high = (render_number(kg, policy.notation) for kg in (likely.low_kg, likely.high_kg))
            yield line("Check", f"{weight} is unlikely at this age ({low} to {high} kg): kg or lb, age or weight?")


def _most_ml(answer: AdrenalineAnswer) -> Fraction | None:
    most = answer.table.at_most
    return None if most is None else answer.table.strength.volume_of(most)


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


def _whole(answer: AdrenalineAnswer) -> tuple[BandDose, ...]:
    from drawup.injection.adrenaline import band_dose

    return tuple(band_dose(answer.table, band) for band in answer.table.bands)


def _clock_lines(clock: AdrenalineClock | None, repeat_minutes: int) -> Iterator[str]:
    if clock is None:
        yield line("Clock", f"no dose yet. If it is no better {repeat_minutes} minutes after a dose, give it again")
        return
    doses = "1 dose" if len(clock.given) == 1 else f"{len(clock.given)} doses"
    since = "" if len(clock.given) == 1 else f"; {_minutes(clock.since_first)} since the first"
    yield line("Given", f"{doses}, the last at {clock.last:%H:%M}, {_minutes(clock.since_last)} ago{since}")
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
        yield f"  {number:>2}. {_step_words(step, word)}"
        yield f"        {step.source}"


def _step_words(step: FirstStep, word: str) -> str:
    by = f"{step.by}: " if step.by else ""
    return by + step.words.replace("{adrenaline}", word)


# In JSON.


def _json(
    answer: AdrenalineAnswer, clock: AdrenalineClock | None, observation: Observation | None, bedside: _Bedside
) -> dict[str, Any]:
    from drawup.evidence.emergency import load_first_steps

    table, policy = answer.table, bedside.policy
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
            "bands": [_band_json(one, bedside) for one in _whole(answer)],
        },
        "age": None if answer.age is None else answer.age.words,
        "bands": [_band_json(one, bedside) for one in answer.bands],
        "gap": answer.gap,
        "neighbours": [_band_json(one, bedside) for one in answer.neighbours],
        "by_weight": None if answer.by_weight is None else _weight_json(answer, answer.by_weight, bedside),
        "missing": answer.missing,
        "clock": None if clock is None else _clock_json(clock),
        "observe": None if observation is None else _observation_json(observation),
        "first_steps": _steps_json(load_first_steps("anaphylaxis"), policy.adrenaline_word),
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


def _weight_json(answer: AdrenalineAnswer, by_weight: WeightDose, bedside: _Bedside) -> dict[str, Any]:
    from drawup.injection.adrenaline import unlikely_weight
    from drawup.injection.notation import exact_text

    age = answer.age
    unlikely = age is not None and unlikely_weight(by_weight.weight_kg, age, bedside.policy) is not None
    return {
        "weight_kg": exact_text(by_weight.weight_kg),
        "unlikely_at_this_age": unlikely,
        "capped": by_weight.capped,
        **_dose_json(by_weight.given, bedside, most_ml=_most_ml(answer)),
    }


def _clock_json(clock: AdrenalineClock) -> dict[str, Any]:
    return {
        "given": [one.isoformat() for one in clock.given],
        "next_at": clock.next_at.isoformat(),
        "minutes_since_last": clock.since_last,
        "minutes_since_first": clock.since_first,
        "wait_seconds": clock.wait,
    }


def _observation_json(observation: Observation) -> dict[str, Any]:
    return {
        "at_least_hours": observation.hours,
        "because": list(observation.because),
        "stands_in_the_table": observation.printed,
        "source": observation.row.source,
        "address": observation.row.address,
    }


def _steps_json(situation: Situation, word: str) -> list[dict[str, str]]:
    return [
        {"words": step.words.replace("{adrenaline}", word), "by": step.by, "source": step.source, "status": step.status}
        for step in situation.steps
    ]


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
    from drawup.evidence.emergency import load_first_steps

    situation = load_first_steps(name)
    word = "adrenaline"
    if as_json:
        steps = _steps_json(situation, word)
        echo_json({"what": name, "title": situation.title, "steps": steps, "caution": CAUTION})
    else:
        show("\n".join((situation.title, "", *_step_lines(situation, word), "", f"  {CAUTION}")))
