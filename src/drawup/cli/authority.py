"""`drawup authority`, `drawup session` and `drawup questions`."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import click

from drawup.cli.edge import clock, echo_json, idle, json_option, moment, open_record, read_entry, show, told
from drawup.cli.main import Desk

_answer_option = click.option(
    "--answer", "answers", multiple=True, metavar="QUESTION=yes|no", help='An answer: "unwell=yes: a cold".'
)
_clear_option = click.option(
    "--all-clear", is_flag=True, help="Every other question was asked and answered as it needs to be."
)
_by_option = click.option("--by", required=True, metavar="NAME", help="Who does this.")


@click.group(epilog="Example: drawup authority list")
def authority() -> None:
    """What orders rest on: directions with their limits."""


@authority.command("add", epilog="Example: drawup authority add direction.toml --by 'A. Pharmacist'")
@click.argument("file")
@_by_option
@json_option
@click.pass_obj
@told
def authority_add(desk: Desk, file: str, by: str, as_json: bool) -> None:
    """Keep an authority from a JSON or TOML FILE, with the order that it allows; a newer version takes its place."""
    from drawup.service.authorities import add_authority

    entry = read_entry(file)
    if not isinstance(entry, dict):
        raise ValueError("expected an object with kind, reference and order")
    with open_record(desk) as store:
        added = add_authority(store, entry, now=desk.clock(), by=by)
    changed = {} if added.changed is None else {"changed": list(added.changed)}
    if as_json:
        echo_json({"authority": added.reference, **changed})
        return
    click.echo(f"{added.reference} is kept.")
    if added.changed is not None:
        head = "  What changed against the version that was in force:"
        show("\n".join([head, *(f"      {line}" for line in added.changed)]))


@authority.command("list", epilog="Example: drawup authority list --json")
@json_option
@click.pass_obj
@told
def authority_list(desk: Desk, as_json: bool) -> None:
    """Every authority in its newest version."""
    from drawup.cli.ordering import dose_words
    from drawup.service.authorities import authorities

    with open_record(desk, read_only=True) as store:
        found = authorities(store)
    if as_json:
        echo_json(found)
        return
    for one in found:
        terms, rule = one["authority"], one["order"]
        version = f", version {terms['version']}" if terms.get("version") else ""
        until = f"   until {terms['until']}" if terms.get("until") else ""
        staff = f"   for {', '.join(terms['staff'])}" if terms.get("staff") else ""
        show(f"{terms['reference']}{version}   {terms['kind']}   {rule['medicine']} {dose_words(rule)}{until}{staff}")
    if not found:
        click.echo("none")


@click.group(epilog="Example: drawup session open --under QD-7 --place 'Lantern Clinic' --by 'Mairi, midwife'")
def session() -> None:
    """Many patients under one authority: each who is accepted gets an order."""


@session.command("open", epilog="Example: drawup session open --under QD-7 --place 'Lantern Clinic' --by 'Mairi'")
@click.option("--under", required=True, metavar="REFERENCE", help="The authority's number or name.")
@click.option("--place", default="", metavar="PLACE")
@_by_option
@json_option
@click.pass_obj
@told
def session_open(desk: Desk, under: str, place: str, by: str, as_json: bool) -> None:
    """Open a session under an authority, and show what each patient is asked."""
    from drawup.service.authorities import open_session, session_questions

    with open_record(desk) as store:
        number = open_session(store, under, place=place, by=by, now=desk.clock())
        asked = session_questions(store, number)
    if as_json:
        echo_json({"session": number, "questions": [{"question": one, "needs": needs} for one, needs in asked]})
        return
    click.echo(f"Session {number} is open under {under}.")
    show(_asked_text(asked))


def _asked_text(asked: Sequence[tuple[str, str]]) -> str:
    if not asked:
        return "  Nothing is asked."
    return "\n".join(["  Asked, with the answer that is needed:", *(f"      {one}: {needs}" for one, needs in asked)])


@session.command("accept", epilog="Example: drawup session accept 0001 0007 --all-clear --by 'Mairi, midwife'")
@click.argument("number", metavar="SESSION")
@click.argument("patient")
@_answer_option
@_clear_option
@_by_option
@json_option
@click.pass_obj
@told
def session_accept(
    desk: Desk, number: str, patient: str, answers: tuple[str, ...], all_clear: bool, by: str, as_json: bool
) -> None:
    """Accept a PATIENT into a SESSION and make their order. Exit code 3: the authority does not cover them."""
    from drawup.cli.edge import STOPPED
    from drawup.service.authorities import accept_patient

    with open_record(desk) as store:
        done = accept_patient(
            store, number, patient, answers=_answers(answers), all_clear=all_clear, by=by, now=desk.clock()
        )
    if as_json:
        echo_json({"order": done.order, "why": list(done.why), "not_before": done.not_before or None})
    elif done.order is not None:
        click.echo(f"Accepted: order {done.order}. Plan it: drawup plan --order {done.order}")
        if done.not_before:
            show(f"  Not before {done.not_before}.")
    else:
        show(
            "\n".join(["Not accepted; the answers are written down.", *(f"  [Do not give] {one}" for one in done.why)])
        )
    if done.order is None:
        raise SystemExit(STOPPED)


@session.command("close", epilog="Example: drawup session close 0001 --by 'Mairi, midwife'")
@click.argument("number", metavar="SESSION")
@_by_option
@json_option
@click.pass_obj
@told
def session_close(desk: Desk, number: str, by: str, as_json: bool) -> None:
    """Close a SESSION, and say how many were accepted."""
    from drawup.service.authorities import close_session

    with open_record(desk) as store:
        held = close_session(store, number, by=by, now=desk.clock())
    count, away = len(held.accepted), len(held.turned_away)
    words = f"Session {number} is closed: {count} accepted, {away} not."
    echo_json({"session": number, "accepted": count, "not_accepted": away}) if as_json else click.echo(words)


@session.command("list", epilog="Example: drawup session list")
@json_option
@click.pass_obj
@told
def session_list(desk: Desk, as_json: bool) -> None:
    """Every session: under what, where, by whom, and how many were accepted."""
    from drawup.service.authorities import sessions

    with open_record(desk, read_only=True) as store:
        found = sessions(store)
    if as_json:
        echo_json(
            [
                {
                    "session": one.session,
                    **{key: one.opened[key] for key in ("authority", "place", "by", "at")},
                    "accepted": [dict(two) for two in one.accepted],
                    "not_accepted": [dict(two) for two in one.turned_away],
                    "closed": None if one.closed is None else dict(one.closed),
                }
                for one in found
            ]
        )
        return
    for one in found:
        word = "closed" if one.closed else "open"
        opened = one.opened
        place = f" at {opened['place']}" if opened["place"] else ""
        show(
            f"{one.session}  {word}  {clock(opened['at'])}  under {opened['authority']}{place}, by {opened['by']}: "
            f"{len(one.accepted)} accepted, {len(one.turned_away)} not"
        )
    if not found:
        click.echo("none")


def _answers(pairs: Sequence[str]) -> dict[str, tuple[str, str]]:
    """--answer "QUESTION=yes: words" to question, answer and words."""
    told_so: dict[str, tuple[str, str]] = {}
    for pair in pairs:
        question, equals, rest = pair.partition("=")
        answer, _, words = rest.partition(":")
        if not equals or answer.strip().casefold() not in ("yes", "no"):
            raise ValueError(f'read "{pair[:60]}", expected QUESTION=yes or QUESTION=no, with words after a colon')
        if question.strip() in told_so:
            raise ValueError(f'"{question.strip()[:60]}" is answered twice. Keep one')
        told_so[question.strip()] = (answer.strip().casefold(), words.strip())
    return told_so


@click.command(epilog="Example: drawup questions 0001.1 --all-clear --by 'Mairi, midwife'")
@click.argument("order")
@_answer_option
@_clear_option
@click.option("--at", metavar="TIME", help="When it was asked; now if left out.")
@click.option("--by", default="", metavar="NAME", help="Who asked.")
@json_option
@click.pass_obj
@told
def questions(
    desk: Desk, order: str, answers: tuple[str, ...], all_clear: bool, at: str | None, by: str, as_json: bool
) -> None:
    """The questions of the day before the next dose of an ORDER: show them, or write down the answers."""
    from drawup.service.authorities import answer_questions, order_questions
    from drawup.service.state import patient_state

    told_so: list[Any]
    if not answers and not all_clear:
        idle({"--at": at, "--by": by}, "only with --answer or --all-clear, which say what was answered")
        with open_record(desk, read_only=True) as store:
            asked = order_questions(store, patient_state(store, order.partition(".")[0]), order)
        told_so = [{"question": one, "needs": needs} for one, needs in asked]
        echo_json(told_so) if as_json else show(_asked_text(asked))
        return
    with open_record(desk) as store:
        told_so = answer_questions(
            store,
            order,
            answers=_answers(answers),
            all_clear=all_clear,
            by=by,
            at=moment(at, store, desk),
            now=desk.clock(),
        )
    if as_json:
        echo_json(told_so)
        return
    show("\n".join(["Written down:", *(f"  {one['question']}: {one['answer']}" for one in told_so)]))
