"""`drawup formulary`, `drawup patient` and `drawup stock`."""

from __future__ import annotations

from typing import Any

import click

from drawup.cli.edge import (
    answer,
    by_option,
    clock,
    echo_json,
    idle,
    json_option,
    moment,
    open_record,
    read_entry,
    today,
    told,
)
from drawup.cli.main import Desk


@click.group(epilog="Example: drawup formulary list")
def formulary() -> None:
    """The medicines, packs and codes that are known here."""


@formulary.command("add", epilog="Example: drawup formulary add velorin.json --by 'A. Pharmacist'")
@click.argument("file")
@by_option
@json_option
@click.pass_obj
@told
def formulary_add(desk: Desk, file: str, by: str, as_json: bool) -> None:
    """Add or replace a medicine from a JSON or TOML FILE, written as the plan request's `medicine`; or a diluent."""
    from drawup.service.registering import add_to_formulary

    entry = read_entry(file)
    if not isinstance(entry, dict):
        raise ValueError("expected an object with the medicine's name and presentations")
    with open_record(desk) as store:
        fact = add_to_formulary(store, entry, now=desk.clock(), by=by)
    name = fact.body[fact.kind]["name"]
    answer({"added": name, "kind": fact.kind}, f"{name} is in the formulary.", as_json)


@formulary.command("list", epilog="Example: drawup formulary list --json")
@json_option
@click.pass_obj
@told
def formulary_list(desk: Desk, as_json: bool) -> None:
    """Every medicine and diluent with its packs."""
    from drawup.injection.preparation import pack_text
    from drawup.service.state import formulary_entry, medicine_names, medicine_of, setting

    with open_record(desk, read_only=True) as store:
        entries = [formulary_entry(store, name) for name in medicine_names(store)]
        policy = setting(store).policy
        diluents = {fact.body["diluent"]["name"]: fact.body["diluent"] for fact in store.find("diluents")}
        if as_json:
            echo_json({"medicines": entries, "diluents": list(diluents.values())})
            return
        for entry in entries:
            click.echo(entry["name"])
            for pack in medicine_of(entry, policy).presentations:
                click.echo(f"    {pack_text(pack, policy.notation)}   code {pack.gtin or 'not entered'}")
        for diluent in diluents.values():
            click.echo(f"{diluent['name']}  (diluent)   code {diluent['gtin']}")


# --- patients -----------------------------------------------------------------------------------------------------


@click.group(epilog="Example: drawup patient add --family Thackeray-Voss --given Callum --born 1991-07-19")
def patient() -> None:
    """Register patients and what is known of them."""


@patient.command("add", epilog="Example: drawup patient add --family Pike --given Wren --born 2021-05-14 --sex female")
@click.option("--family", required=True, metavar="NAME")
@click.option("--given", required=True, metavar="NAME")
@click.option("--born", required=True, metavar="DAY", help="Such as 1991-07-19.")
@click.option("--sex", type=click.Choice(["female", "male", "unknown"]), default="unknown", show_default=True)
@click.option(
    "--identifier", "identifiers", multiple=True, metavar="KIND=VALUE", help="A number that tells them apart."
)
@click.option("--place", default="", metavar="PLACE", help="Ward, clinic or round.")
@by_option
@json_option
@click.pass_obj
@told
def patient_add(
    desk: Desk,
    family: str,
    given: str,
    born: str,
    sex: str,
    identifiers: tuple[str, ...],
    place: str,
    by: str,
    as_json: bool,
) -> None:
    """Register a patient. Name and birth date are needed: they tell one patient from another."""
    from drawup.service.registering import register_patient

    person: dict[str, Any] = {"family": family, "given": given, "born": born, "sex": sex}
    if place:
        person["place"] = place
    person["identifiers"] = [
        dict(zip(("kind", "value"), _pair(text, "KIND=VALUE"), strict=True)) for text in identifiers
    ]
    with open_record(desk) as store:
        identity = register_patient(store, person, now=desk.clock(), by=by)
    answer({"patient": identity}, f"Registered {family.upper()}, {given}, born {born}, as patient {identity}.", as_json)


def _pair(text: str, expected: str) -> tuple[str, str]:
    left, equals, right = text.partition("=")
    if not equals or not left.strip() or not right.strip():
        raise ValueError(f'read "{text[:60]}", expected {expected}')
    return left.strip(), right.strip()


@patient.command("list", epilog="Example: drawup patient list")
@json_option
@click.pass_obj
@told
def patient_list(desk: Desk, as_json: bool) -> None:
    """Every patient of the record, name-alikes marked in words."""
    from drawup.service.state import patient_state

    with open_record(desk, read_only=True) as store:
        states = [patient_state(store, name.removeprefix("patient/")) for name in store.streams("patient/")]
    families = [state.person["family"].casefold() for state in states]
    if as_json:
        echo_json([{"patient": state.patient, "name": state.name, **state.person} for state in states])
        return
    for state in states:
        alike = families.count(state.person["family"].casefold()) > 1
        words = "   another patient has this family name" if alike else ""
        known = ", ".join(f"{one['kind']} {one['value']}" for one in state.person["identifiers"])
        click.echo(
            f"{state.patient}  {state.name}   born {state.person['born']}   {known or 'no other identifier'}{words}"
        )
    if not states:
        click.echo("none")


@patient.command("note", epilog="Example: drawup patient note 0001 --weight '81.4 kg' --how measured --on 2026-03-01")
@click.argument("name", metavar="PATIENT")
@click.option("--allergy", "allergies", multiple=True, metavar="TO", help='What the patient reacts to; "none known".')
@click.option("--allergy-status", type=click.Choice(["confirmed", "unconfirmed"]), default="confirmed")
@click.option("--allergy-kind", type=click.Choice(["allergy", "intolerance"]), default="allergy")
@click.option("--allergy-severity", type=click.Choice(["serious", "mild"]))
@click.option("--not-allergic", metavar="TO", help="Take back an allergy that was written down; say why: --reason.")
@click.option("--weight", metavar="WEIGHT")
@click.option("--height", metavar="HEIGHT")
@click.option("--on", metavar="DAY", help="When it was measured; today if left out.")
@click.option("--how", type=click.Choice(["measured", "told", "guessed"]), default="measured", show_default=True)
@click.option("--distance", metavar="SITE=MM", help="Skin to muscle measured by ultrasound.")
@click.option("--avoid", metavar="REGION", help='A region not to use: "left arm".')
@click.option("--use-again", metavar="REGION", help="A region that may be used again.")
@click.option("--side", type=click.Choice(["left", "right"]))
@click.option("--reason", default="", metavar="WORDS")
@click.option("--bleeding", metavar="WORDS", help="Why this patient bleeds easily.")
@click.option("--watched-by", metavar="READING=FROM-TO", help="The reading watched for it: INR=2-3.")
@click.option("--reading", metavar="WHAT=VALUE", help='A measurement: "glucose=5.6 mmol/L".')
@click.option("--at", metavar="TIME", help="When the reading was taken; now if left out.")
@click.option(
    "--no-earlier-doses", is_flag=True, default=None, help="Asked: nothing that matters was given elsewhere before."
)
@click.option("--pregnant/--not-pregnant", "pregnant", default=None, help="As asked or tested.")
@click.option("--born-at-weeks", type=int, metavar="N", help="Completed weeks of pregnancy at birth, for a newborn.")
@click.option("--consent", metavar="WORDS", help="Who consented to what, until when, in words.")
@click.option("--consent-by", metavar="NAME", help="Who consented.")
@click.option("--relation", metavar="WORDS", help="In what relation to the patient: mother, self.")
@click.option("--consent-for", metavar="MEDICINE", help="To which medicine; to every one if left out.")
@click.option("--consent-until", metavar="DAY", help="The last day on which it holds.")
@click.option("--result", metavar="TEST=RESULT", help='A test whose result is a word: "pregnancy test=negative".')
@click.option("--zone", metavar="ZONE", help="Where the patient is looked after from now on: America/New_York.")
@by_option
@json_option
@click.pass_obj
@told
def patient_note(desk: Desk, /, name: str, by: str, as_json: bool, **given: Any) -> None:
    """Write down what is known of a PATIENT; each fact is added, none is changed."""
    from drawup.service.registering import note_patient_facts
    from drawup.service.state import patient_state

    _check_idle(given)
    with open_record(desk) as store:
        facts = _noted(given, moment(given["at"], store, desk).isoformat(), today(store, desk).isoformat())
        if not facts:
            raise ValueError("nothing to write down. See drawup patient note --help")
        note_patient_facts(store, name, facts, now=desk.clock(), by=by)
        state = patient_state(store, name)
    words = [f"Written down for {state.name}, born {state.person['born']}:"]
    words += [f"  {_fact_words(kind, body)}" for kind, body in facts]
    if given["allergies"] or given["not_allergic"]:
        words.append(f"  Allergies now: {allergy_words(state.allergies)}")
    answer({"patient": name, "noted": [kind for kind, _ in facts]}, "\n".join(words), as_json)


def _fact_words(kind: str, body: dict[str, Any]) -> str:
    """One fact as it was written down, to be read back."""
    said = {key: value for key, value in body.items() if value not in (None, "", [])}
    match kind:
        case "allergies":
            return f"allergies: {allergy_words(said['allergies'])}"
        case "measured":
            return f"{said['what']} {said['value']}" + (f", {said['how']} {said['on']}" if "on" in said else "")
        case "bleeding risk":
            risk = said["risk"]
            watched = f"; {risk['reading']} from {risk['from']} to {risk['to']} is watched" if "reading" in risk else ""
            return f"bleeds easily: {risk['reason']}{watched}"
        case "reading":
            return f"{said['what']} {said['value']}, {clock(said['at'])}"
        case _:
            words = (clock(value) if key == "at" else str(value) for key, value in said.items())
            return f"{kind}: " + ", ".join(words)


def allergy_words(listed: Any) -> str:
    """Allergies in words."""
    if isinstance(listed, str):
        return listed
    return ", ".join(one if isinstance(one, str) else _allergy_words(one) for one in listed)


def _allergy_words(one: dict[str, str]) -> str:
    words = [one.get("status", "confirmed"), one.get("severity", ""), one.get("kind", "allergy")]
    return f"{one['to']} ({' '.join(word for word in words if word)})"


# Options that say more of another: each with the value that it has when it is left out, and what it must stand beside.
_BESIDE: tuple[tuple[str, str | None, tuple[str, ...]], ...] = (
    ("allergy_status", "confirmed", ("allergies",)),
    ("allergy_kind", "allergy", ("allergies",)),
    ("allergy_severity", None, ("allergies",)),
    ("on", None, ("weight", "height")),
    ("how", "measured", ("weight", "height")),
    ("side", None, ("avoid", "use_again")),
    ("reason", "", ("avoid", "use_again", "not_allergic")),
    ("watched_by", None, ("bleeding",)),
    ("at", None, ("reading", "consent", "consent_by", "pregnant", "no_earlier_doses", "result")),
    ("relation", None, ("consent_by",)),
    ("consent_for", None, ("consent_by",)),
    ("consent_until", None, ("consent_by",)),
)


def _check_idle(given: dict[str, Any]) -> None:
    for option, usual, others in _BESIDE:
        if given[option] != usual and all(given[other] in (None, ()) for other in others):
            named = " or ".join(_option(other) for other in others)
            idle({_option(option): given[option] or "nothing"}, f"says more of {named}, which is not there")


def _option(name: str) -> str:
    return "--allergy" if name == "allergies" else f"--{name.replace('_', '-')}"


def _noted(given: dict[str, Any], at: str, today: str) -> list[tuple[str, dict[str, Any]]]:
    """The facts that the options come to."""
    facts: list[tuple[str, dict[str, Any]]] = []
    if given["allergies"]:
        facts.append(("allergies", {"allergies": _allergy_list(given)}))
    if given["not_allergic"] is not None:
        facts.append(("allergy taken back", {"to": given["not_allergic"], "reason": given["reason"]}))
    for what in ("weight", "height"):
        if given[what] is not None:
            body = {"what": what, "value": given[what], "on": given["on"] or today, "how": given["how"]}
            facts.append(("measured", body))
    if given["distance"] is not None:
        site, millimetres = _pair(given["distance"], "SITE=MM")
        facts.append(("measured", {"what": "distance", "site": site, "value": millimetres}))
    for option, kind in (("avoid", "ruled out"), ("use_again", "ruled in")):
        if given[option] is not None:
            body = {"region": given[option], "side": given["side"], "reason": given["reason"]}
            facts.append((kind, body))
    if given["bleeding"] is not None:
        facts.append(("bleeding risk", {"risk": _bleeding(given["bleeding"], given["watched_by"])}))
    if given["reading"] is not None:
        what, value = _pair(given["reading"], "WHAT=VALUE")
        facts.append(("reading", {"what": what, "value": value, "at": at}))
    if given["no_earlier_doses"]:
        facts.append(("earlier doses", {"given": "none elsewhere", "at": at}))
    if given["pregnant"] is not None:
        facts.append(("pregnancy", {"pregnant": given["pregnant"], "at": at}))
    if given["born_at_weeks"] is not None:
        facts.append(("birth", {"weeks": given["born_at_weeks"]}))
    if given["consent"] is not None:
        facts.append(("consent", {"text": given["consent"], "at": at}))
    if given["consent_by"] is not None:
        told = {"medicine": given["consent_for"], "relation": given["relation"], "until": given["consent_until"]}
        said = {key: value for key, value in told.items() if value}
        facts.append(("consent", {"given_by": given["consent_by"], **said, "at": at}))
    if given["result"] is not None:
        what, result = _pair(given["result"], "TEST=RESULT")
        facts.append(("result", {"what": what, "result": result, "at": at}))
    if given["zone"] is not None:
        facts.append(("zone", {"zone": given["zone"]}))
    return facts


def _allergy_list(given: dict[str, Any]) -> Any:
    if list(given["allergies"]) == ["none known"]:
        return "none known"
    if "none known" in given["allergies"]:
        raise ValueError('"none known" beside another allergy. Write one or the other')
    listed = []
    for to in given["allergies"]:
        one = {"to": to, "status": given["allergy_status"], "kind": given["allergy_kind"]}
        if given["allergy_severity"]:
            one["severity"] = given["allergy_severity"]
        listed.append(one)
    return listed


def _bleeding(reason: str, watched_by: str | None) -> dict[str, str]:
    risk = {"reason": reason}
    if watched_by is not None:
        what, span = _pair(watched_by, "READING=FROM-TO")
        low, dash, high = span.partition("-")
        if not dash:
            raise ValueError(f'read "{watched_by}", expected such as INR=2-3')
        risk |= {"reading": what, "from": low, "to": high}
    return risk


# --- stock --------------------------------------------------------------------------------------------------------


@click.group(epilog="Example: drawup stock list")
def stock() -> None:
    """Batches received, opened, moved, wasted, in quarantine."""


@stock.command("receive", epilog="Example: drawup stock receive '(01)09501101531017(17)270430(10)D220' --count 6")
@click.argument("code")
@click.option("--count", type=int, required=True, metavar="N", help="How many unopened containers.")
@click.option("--batch", metavar="BATCH", help="Typed from the label, where the code does not hold it.")
@click.option("--expiry", metavar="DAY", help="Typed from the label, where the code does not hold it.")
@click.option("--place", default="", metavar="PLACE")
@by_option
@json_option
@click.pass_obj
@told
def stock_receive(
    desk: Desk, code: str, count: int, batch: str | None, expiry: str | None, place: str, by: str, as_json: bool
) -> None:
    """Take in a batch by the CODE on its container."""
    from drawup.exchange.gs1 import read_code
    from drawup.exchange.reader import day_of
    from drawup.service.registering import receive_stock

    found = read_code(code, today=desk.clock().date())
    if not found.accepted or found.gtin is None:
        raise ValueError("; ".join(found.problems) or "no product code was read. Scan the container again")
    typed = None if expiry is None else day_of(expiry, "--expiry")
    for word, label, read in (("--batch", batch, found.batch), ("--expiry", typed, found.expiry_date)):
        if label is not None and read is not None and label != read:
            raise ValueError(f'{word}: read "{label}", but the code says "{read}". Look at the container again')
    number, day = found.batch or batch, found.expiry_date or typed
    if not number or day is None:
        raise ValueError("the code holds no batch or no expiry date. Type them from the label: --batch, --expiry")
    with open_record(desk) as store:
        receive_stock(
            store, gtin=found.gtin, batch=number, expiry_date=day, count=count, now=desk.clock(), place=place, by=by
        )
    answer({"gtin": found.gtin, "batch": number, "received": count}, f"{count} of batch {number} received.", as_json)


@stock.command("list", epilog="Example: drawup stock list --json")
@json_option
@click.pass_obj
@told
def stock_list(desk: Desk, as_json: bool) -> None:
    """Every batch with its balance, earliest expiry date first."""
    from dataclasses import asdict

    from drawup.service.state import all_stock, known_code

    with open_record(desk, read_only=True) as store:
        batches = sorted(all_stock(store), key=lambda one: (one.expiry_date or "", one.batch))
        names = {one.gtin: known_code(store, one.gtin) for one in batches}
    if as_json:
        echo_json([asdict(one) for one in batches])
        return
    for one in batches:
        known = names[one.gtin]
        words = f"   in quarantine: {one.quarantined}" if one.quarantined else ""
        words += f"   one open since {clock(one.opened)}" if one.opened else ""
        name = known.name if known else "not in the formulary"
        click.echo(f"{one.batch:<10} {one.balance:>4}   usable to {one.expiry_date}   {name}   code {one.gtin}{words}")


@stock.command(
    "change", epilog="Example: drawup stock change D219 quarantined --reason 'refrigerator 9.6 degrees C for 3 h'"
)
@click.argument("batch")
@click.argument("kind", type=click.Choice(["opened", "discarded", "wasted", "moved", "quarantined", "released"]))
@click.option("--code", "gtin", metavar="GTIN", help="The pack, where two have the same batch number.")
@click.option("--count", type=int, default=1, show_default=True, metavar="N", help="How many were wasted.")
@click.option("--at", metavar="TIME", help="When it was opened; now if left out.")
@click.option("--place", default="", metavar="PLACE", help="Where it was moved to.")
@click.option("--reason", default="", metavar="WORDS")
@by_option
@json_option
@click.pass_obj
@told
def stock_change(
    desk: Desk,
    batch: str,
    kind: str,
    gtin: str | None,
    count: int,
    at: str | None,
    place: str,
    reason: str,
    by: str,
    as_json: bool,
) -> None:
    """Write down what happened to a BATCH."""
    from drawup.service.registering import change_stock
    from drawup.service.state import all_stock

    idle({} if kind == "wasted" else {"--count": None if count == 1 else str(count)}, "only with wasted")
    idle({} if kind == "opened" else {"--at": at}, "only with opened")
    idle({} if kind == "moved" else {"--place": place}, "only with moved")
    if kind == "moved" and not place.strip():
        raise ValueError("say where it was moved to: --place PLACE")
    with open_record(desk) as store:
        matching = [
            one.gtin
            for one in all_stock(store)
            if one.batch == batch and (gtin is None or gtin.rjust(14, "0") == one.gtin)
        ]
        if not matching:
            raise ValueError(f'no batch "{batch}"{" of that pack" if gtin else ""} is in stock. See drawup stock list')
        if len(matching) > 1:
            raise ValueError(f"batch {batch} stands for {len(matching)} packs in stock. Name one: --code GTIN")
        body: dict[str, Any] = {"reason": reason} if reason else {}
        if kind in ("quarantined", "wasted") and not reason.strip():
            raise ValueError("say why: --reason WORDS")
        if kind in ("wasted", "opened"):
            body["count"] = -count if kind == "wasted" else -1
        if kind == "opened":
            body["at"] = moment(at, store, desk).isoformat()
        if kind == "moved":
            body["place"] = place
        change_stock(store, gtin=matching[0], batch=batch, kind=kind, body=body, now=desk.clock(), by=by)
    answer({"batch": batch, "changed": kind}, f"Batch {batch}: {kind}.", as_json)
