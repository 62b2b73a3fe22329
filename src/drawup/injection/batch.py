"""The container in the hand: is it what was ordered, and may it still be used."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta

from drawup.injection.finding import Finding, finding
from drawup.injection.medicine import ROUTE_WORDS, Medicine, Presentation
from drawup.injection.notation import Notation
from drawup.injection.preparation import Candidate, pack_text, strength_text


@dataclass(frozen=True, slots=True, kw_only=True)
class Container:
    """What was scanned or read off one container.

    `opened` is when it was opened or mixed; `is_open` says that it was, also where nobody wrote when. `problems` are
    what the code itself broke. `formulary_medicine` and `formulary_pack` are what the formulary says the code stands
    for, where it is another medicine than the one ordered. `role` is "medicine" or "diluent".
    """

    gtin: str | None = None
    batch: str | None = None
    expiry_date: date | None = None
    opened: datetime | None = None
    is_open: bool = False
    quarantined: str | None = None
    session_ends: datetime | None = None
    problems: tuple[str, ...] = ()
    role: str = "medicine"
    name: str = ""
    formulary_medicine: Medicine | None = None
    formulary_pack: Presentation | None = None


def usable_until(
    *,
    expiry_date: date | None,
    opened: datetime | None,
    in_use_minutes: int | None,
    session_ends: datetime | None = None,
    zone_of: datetime,
) -> datetime | None:
    """The last usable moment: the earliest of expiry (end of that day), in-use limit and end of session.

    None where none of them is known. The expiry day ends in the time zone of `zone_of`, by whose clock the in-use limit
    is told as well; its minutes are real time, whatever the clock does in between.
    """
    limits = []
    if expiry_date is not None:
        limits.append(datetime.combine(expiry_date, time(23, 59), tzinfo=zone_of.tzinfo))
    if opened is not None and in_use_minutes is not None:
        limits.append((opened.astimezone(UTC) + timedelta(minutes=in_use_minutes)).astimezone(zone_of.tzinfo))
    if session_ends is not None and opened is not None:
        limits.append(session_ends)
    return min(limits) if limits else None


def moment_text(moment: datetime) -> str:
    """Day and time to the minute, 24 hours, in the moment's own zone."""
    return moment.strftime("%Y-%m-%d %H:%M")


def check_container(
    container: Container, *, medicine: Medicine, presentation: Presentation | None, notation: Notation, now: datetime
) -> list[Finding]:
    """Everything that speaks against giving from this container."""
    found = [finding("container-code-unclear", problem=problem) for problem in container.problems]
    if container.role == "diluent":
        found += _check_diluent(container, presentation)
    else:
        found += _check_identity(container, medicine, presentation, notation)
    batch = container.batch or "not read"
    if container.expiry_date is None:
        named = f"batch {container.batch}" if container.batch else "the container"
        found.append(finding("expiry-not-read", container=named))
    elif now.date() > container.expiry_date:
        found.append(
            finding(
                "batch-expired",
                batch=batch,
                expiry=container.expiry_date.isoformat(),
                today=now.date().isoformat(),
            )
        )
    if container.quarantined:
        found.append(finding("batch-quarantined", batch=batch, reason=container.quarantined))
    found += _check_in_use(container, presentation, now)
    return found


def _check_diluent(container: Container, presentation: Presentation | None) -> list[Finding]:
    mixing = presentation.reconstitution if presentation is not None else None
    if mixing is None:
        return [finding("diluent-not-needed", scanned=container.name or "a diluent")]
    wanted = mixing.diluent
    if not container.name or container.name.casefold() == wanted.casefold():
        return []
    return [finding("diluent-not-ordered", wanted=wanted, scanned=container.name)]


def check_scanned(candidate: Candidate, containers: tuple[Container, ...]) -> list[Finding]:
    """Whether every container that the dose takes was scanned: medicine by number, and the diluent of a powder."""
    found = []
    medicines = sum(1 for container in containers if container.role == "medicine")
    if candidate.count is not None and medicines < candidate.count:
        found.append(finding("container-not-scanned", wanted=str(candidate.count), scanned=str(medicines)))
    mixing = candidate.presentation.reconstitution
    if mixing is not None and not any(container.role == "diluent" for container in containers):
        found.append(finding("diluent-not-scanned", diluent=mixing.diluent))
    return found


# A single-dose container that was opened longer ago than this was opened for somebody else, or for another moment.
_JUST_OPENED = timedelta(minutes=60)


def _check_in_use(container: Container, presentation: Presentation | None, now: datetime) -> list[Finding]:
    if container.opened is None:
        return [finding("opened-without-date")] if container.is_open else []
    opened = {"opened": moment_text(container.opened)}
    if container.opened > now:
        return [finding("container-code-unclear", problem=f"it is said to be opened on {opened['opened']}, after now")]
    in_use = presentation.in_use_minutes if presentation is not None else None
    single = presentation is not None and presentation.dose_kind == "single" and container.role == "medicine"
    if single and in_use is None and now - container.opened > _JUST_OPENED:
        return [finding("single-dose-opened", **opened)]
    until = usable_until(
        expiry_date=container.expiry_date,
        opened=container.opened,
        in_use_minutes=in_use,
        session_ends=container.session_ends,
        zone_of=now,
    )
    if until is not None and now > until:
        return [finding("in-use-passed", **opened, until=moment_text(until))]
    if in_use is None and container.session_ends is None and not single:
        return [finding("in-use-not-known", **opened)]
    return [] if until is None else [finding("last-usable-moment", **opened, until=moment_text(until))]


def _check_identity(
    container: Container, medicine: Medicine, presentation: Presentation | None, notation: Notation
) -> list[Finding]:
    other, other_pack = container.formulary_medicine, container.formulary_pack
    if container.gtin is None:
        return []
    own = next((pack for pack in medicine.presentations if pack.gtin == container.gtin), None)
    if own is not None:
        if presentation is not None and presentation.gtin != container.gtin:
            ordered, scanned = pack_text(presentation, notation), pack_text(own, notation)
            return [finding("pack-not-ordered", ordered=ordered, scanned=scanned)]
        return []
    if other is None or other_pack is None:
        return [finding("not-in-formulary", gtin=container.gtin)]
    return [
        finding(
            "medicine-not-ordered",
            ordered=_side(medicine, presentation, notation),
            scanned=_side(other, other_pack, notation),
            difference=difference_text(medicine, presentation, other, other_pack, notation),
        )
    ]


def _side(medicine: Medicine, presentation: Presentation | None, notation: Notation) -> str:
    pack = f", {pack_text(presentation, notation)}" if presentation is not None else ""
    routes = (presentation.routes if presentation is not None else ()) or medicine.routes
    words = ", " + " or ".join(ROUTE_WORDS[route] for route in routes) if routes else ""
    return f"{medicine.name}{pack}{words}"


def difference_text(
    medicine: Medicine,
    presentation: Presentation | None,
    other: Medicine,
    other_pack: Presentation,
    notation: Notation,
) -> str:
    """What tells the scanned container from the ordered one, in words."""
    differences = []
    if other.name != medicine.name:
        differences.append(f"the medicine: {other.name}, not {medicine.name}")
    routes, other_routes = _routes(medicine, presentation), _routes(other, other_pack)
    if routes and other_routes and set(routes) != set(other_routes):
        differences.append(f"the route: {_words(other_routes)}, not {_words(routes)}")
    if presentation is not None:
        if other_pack.form != presentation.form:
            differences.append(f"the form: {other_pack.form}, not {presentation.form}")
        if other_pack.container != presentation.container:
            differences.append(f"the container: {other_pack.container}, not {presentation.container}")
        mine, theirs = strength_text(presentation, notation), strength_text(other_pack, notation)
        if other_pack.strength != presentation.strength:
            differences.append(f"the strength: {theirs}, not {mine}")
    return "They differ in " + "; ".join(differences) + "." if differences else "The codes differ."


def _routes(medicine: Medicine, presentation: Presentation | None) -> tuple[str, ...]:
    return (presentation.routes if presentation is not None else ()) or medicine.routes


def _words(routes: tuple[str, ...]) -> str:
    return " or ".join(ROUTE_WORDS[route] for route in routes)
