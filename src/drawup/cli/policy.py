"""`drawup policy`: choose, show and check an organisation's own choices."""

from __future__ import annotations

import sys

import click

from drawup.cli.edge import by_option, echo_json, json_option, open_record, told
from drawup.cli.main import Desk


@click.group(epilog="Example: drawup policy check my-clinic.toml")
def policy() -> None:
    """This organisation's own choices: choose, show, check a file."""


@policy.command("use", epilog="Example: drawup policy use uk --zone Europe/London --by 'A. Pharmacist'")
@click.argument("name", metavar="COUNTRY|FILE")
@click.option("--zone", required=True, metavar="ZONE", help="The place's time zone, such as Europe/London.")
@by_option
@json_option
@click.pass_obj
@told
def use(desk: Desk, name: str, zone: str, by: str, as_json: bool) -> None:
    """Put a policy in force: a country's preset (uk, us, au, nz) or a FILE. Begins the record where there is none."""
    from drawup.evidence.policies import policy_text
    from drawup.record.store import Store
    from drawup.service.entries import check_words
    from drawup.service.registering import check_zone, use_policy

    # What cannot be put in force begins no record.
    policy_text(name)
    check_zone(zone)
    check_words(by=by)
    if not desk.record.exists():
        Store.create(desk.record, now=desk.clock()).close()
    with open_record(desk) as store:
        use_policy(store, name, zone=zone, now=desk.clock(), by=by)
    if as_json:
        echo_json({"policy": name, "zone": zone, "record": str(desk.record)})
    else:
        click.echo(f"Policy {name} is in force, time zone {zone}. Its defaults are conservative: check them locally.")


@policy.command("check", epilog="Example: drawup policy check my-clinic.toml")
@click.argument("file")
@json_option
@told
def check(file: str, as_json: bool) -> None:
    """Tell everything that is wrong with a policy FILE, and where. Exit code 1: something is."""
    from drawup.evidence.policies import check_policy

    problems = check_policy(file)
    if as_json:
        echo_json({"file": file, "problems": list(problems)})
    else:
        click.echo("\n".join(problems) if problems else "Nothing is wrong with it.")
    sys.exit(1 if problems else 0)


@policy.command("show", epilog="Example: drawup policy show uk")
@click.argument("name", metavar="[COUNTRY|FILE]", required=False)
@json_option
@click.pass_obj
@told
def show(desk: Desk, name: str | None, as_json: bool) -> None:
    """Every key with its value, reason and source: of the policy in force, or of the one named."""
    from drawup.evidence.policies import policy_text

    if name is None:
        from drawup.service.state import policy_in_force

        with open_record(desk, read_only=True) as store:
            name, text = policy_in_force(store)
    else:
        name, text = policy_text(name)
    if as_json:
        echo_json({"name": name, "text": text})
    else:
        click.echo(text)
