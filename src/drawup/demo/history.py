"""Two months in the invented clinic, January and February 2026: what was given, what was not, and what went wrong.

Every kind of entry is there once at least: given, part given, not given, reported from elsewhere, given without a plan,
an inspection, two corrections (one of them an entry that belonged to the other twin), and three near misses.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from datetime import date, timedelta

from drawup.demo.clinic import Event, Making, moment, staff
from drawup.service import correcting, not_given, otherwise, watching

_NORVATIDE, _DORSULIN, _PENDRY = "09501101531017", "09501101531086", "09501101531154"
LOOK_ALIKE = "(01)09501101531024(17)270331(10)K7731"


def history() -> Iterator[Event]:
    """Everything that happened, in no order; the clinic sorts it by time."""
    yield from _injections_every_few_weeks()
    yield from _vaccination_session()
    yield from _children_and_babies()
    yield from _insulin()
    yield from _ward()
    yield from _home_round()
    yield from _cupboard()


def _at(text: str, do: Callable[[Making], object]) -> Event:
    return Event(at=moment(text), do=do)


def _injections_every_few_weeks() -> Iterator[Event]:
    two = ("batch:SV77", "batch:SV77")
    yield _at("2026-01-05 10:05", lambda m: m.give("marguerite/sernovalate", *two, by="petra"))
    yield _at("2026-02-02 10:20", lambda m: m.give("marguerite/sernovalate", *two, by="petra"))
    yield _at("2026-01-05 11:10", lambda m: m.give("jory/lorvexine", "batch:LX41", by="petra"))
    yield _at("2026-02-02 11:05", _refused)
    yield _at("2026-02-02 16:30", lambda m: m.give("jory/lorvexine", "batch:LX41", by="petra"))
    yield _at("2026-01-05 12:00", lambda m: m.give("saoirse/norvatide", "batch:D204", by="petra"))
    yield _at("2026-02-02 12:10", lambda m: m.catch("saoirse/norvatide", LOOK_ALIKE, "medicine-not-ordered"))
    yield _at("2026-02-02 12:14", lambda m: m.give("saoirse/norvatide", "batch:D204", by="petra"))
    yield _at("2026-01-20 11:20", _given_elsewhere)


def _refused(making: Making) -> None:
    not_given.not_given(
        making.store,
        order=making.orders["jory/lorvexine"],
        reason="refused",
        could_decide="yes",
        words="Wants to think it over.",
        told="Dr Solvei (invented), by telephone",
        next_try=moment("2026-02-02 16:30"),
        scans=("batch:LX41",),
        by=staff("petra"),
        at=making.now,
        now=making.now,
    )


def _given_elsewhere(making: Making) -> None:
    body = {
        "medicine": "marnovera",
        "amount": "150 mg",
        "at": moment("2025-11-17 10:00").isoformat(),
        "note": "From her own card, given on the mainland.",
    }
    otherwise.reported(making.store, making.patients["tamsin"], body, by=staff("mairi"), now=making.now)


def _vaccination_session() -> Iterator[Event]:
    """Twins and an infant from one vial; the entry of one twin is made on the other's record, and put right."""
    vial = "batch:PD630"
    yield _at(
        "2026-01-14 09:05", lambda m: m.batch(_PENDRY, "PD630", "opened", "mairi", count=-1, at=m.now.isoformat())
    )
    yield _at("2026-01-14 09:10", lambda m: m.give("nour/pendry", vial, by="mairi"))
    yield _at("2026-01-14 09:20", lambda m: m.give("wren/pendry", vial, by="mairi", called="wrong twin"))
    yield _at("2026-01-14 09:31", _belongs_to_rowan)
    yield _at("2026-01-14 09:34", lambda m: m.give("wren/pendry", vial, by="mairi"))
    yield _at("2026-01-14 14:50", lambda m: m.batch(_PENDRY, "PD630", "discarded", "mairi", reason="end of session"))


def _belongs_to_rowan(making: Making) -> None:
    change = correcting.Change(belongs_to=making.patients["rowan"])
    correcting.correct(
        making.store,
        entry=making.entries["wrong twin"],
        change=change,
        reason="It was Rowan on the chair: the wristbands had not been compared.",
        by=staff("mairi"),
        now=making.now,
    )


def _children_and_babies() -> Iterator[Event]:
    for week in range(8):
        day = date(2026, 1, 5) + timedelta(weeks=week)
        yield _at(f"{day} 16:15", lambda m: m.give("corin/hollisprane", "batch:HP8", by="mairi"))
    yield _at(
        "2026-01-05 15:50",
        lambda m: m.batch("09501101531222", "HP8", "opened", "mairi", count=-1, at=m.now.isoformat()),
    )
    yield _at("2026-02-12 13:05", _after_a_sting)
    yield _at("2026-02-12 13:50", _calm_again)


def _after_a_sting(making: Making) -> None:
    """There was no time for a plan; it is written down afterwards, and stands on the list for review."""
    body = {
        "medicine": "orbrelline",
        "amount": "300 micrograms",
        "route": "intramuscular",
        "at": moment("2026-02-12 12:46").isoformat(),
        "given_by": staff("mairi"),
        "injections": [{"site": "vastus lateralis", "side": "right"}],
        "note": "Bee sting in the school yard, hives and wheeze; sent to the ward.",
    }
    recorded = otherwise.given_without_plan(
        making.store, making.patients["corin"], body, scans=("batch:OB33",), now=making.now
    )
    making.entries["sting"] = recorded.entry


def _calm_again(making: Making) -> None:
    watching.end_watch(
        making.store,
        making.entries["sting"],
        seen={"condition": "breathing freely, hives fading"},
        words="Handed over to the ward.",
        by=staff("mairi"),
        at=making.now,
        now=making.now,
    )


_MORNING = ("5.8", "6.4", "7.1", "5.2", "8.3", "6.9", "7.7", "6.1", "5.5", "9.2")
_EVENING = ("8.4", "7.2", "9.6", "6.6", "7.9", "8.8", "6.3", "7.4", "8.1", "6.8")
_DAYS_TO_LUMP = 7
_OFF_THE_LUMP = {"lump-move": "Dr Solvei (invented) told; glucose also at midday for a week"}
_TWO_ORDERS = {"duplicate-order": "33 before breakfast and 18 before supper, both meant"}


def _insulin() -> Iterator[Event]:
    """Twice a day from one opened vial. The reason is given once on each order, and not asked for again."""
    yield _at(
        "2026-02-10 08:00", lambda m: m.batch(_DORSULIN, "DS100A", "opened", "ravi", count=-1, at=m.now.isoformat())
    )
    for number in range(20):
        day = date(2026, 2, 10) + timedelta(days=number)
        reasons = _TWO_ORDERS if number == 0 else _OFF_THE_LUMP if number == _DAYS_TO_LUMP else {}
        yield from _insulin_dose(f"{day} 08:05", _MORNING[number % 10], "breakfast", reasons)
        yield from _insulin_dose(f"{day} 17:40", _EVENING[number % 10], "supper", reasons)
    yield from _insulin_dose("2026-03-02 08:05", "6.2", "breakfast", {})
    yield _at("2026-02-09 18:30", _always_the_same_spot)
    yield _at("2026-02-16 17:50", _lump)


def _insulin_dose(at: str, glucose: str, order: str, reasons: dict[str, str]) -> Iterator[Event]:
    yield _at(at, lambda m: m.read("delphine", "glucose", f"{glucose} mmol/L"))
    yield Event(
        at=moment(at) + timedelta(minutes=6),
        do=lambda m: m.give(f"delphine/{order}", "batch:DS100A", by="ravi", checked_by="ann", reasons=reasons),
    )


def _always_the_same_spot(making: Making) -> None:
    """What she told on the first day: at home it always went into the same spot."""
    body = {
        "medicine": "dorsulin",
        "amount": "18 units",
        "at": moment("2026-02-09 18:00").isoformat(),
        "injections": [{"site": "abdominal fat", "side": "right", "point": "K5"}],
        "note": "By herself, for months into this spot.",
    }
    otherwise.reported(making.store, making.patients["delphine"], body, by=staff("ravi"), now=making.now)


def _lump(making: Making) -> None:
    body = {
        "site": "abdominal fat",
        "side": "right",
        "point": "K5",
        "kind": "lump",
        "how": "felt",
        "size_mm": "25",
        "words": "lower part, soft",
    }
    otherwise.inspected(
        making.store, making.patients["delphine"], body, by=staff("ravi"), at=making.now, now=making.now
    )


def _ward() -> Iterator[Event]:
    water = "batch:W5501"
    for day in ("24", "25", "26"):
        yield _at(f"2026-02-{day} 18:10", lambda m: m.give("ezra/velorin", "batch:VL23", water, by="ann"))
    for day in ("23", "24", "25", "26", "27"):
        yield _at(f"2026-02-{day} 18:00", lambda m: m.give("ottoline/preventive", "batch:EK40", by="ann"))
    for time in ("02-28 08:00", "02-28 20:00", "03-01 08:00", "03-01 20:00"):
        yield _at(f"2026-{time}", lambda m: m.give("ottoline/treatment", "batch:EK80", by="ravi"))
    yield _at("2026-03-01 08:20", lambda m: m.give("callum/zelquomycin", "batch:ZM402", water, by="ravi"))


def _home_round() -> Iterator[Event]:
    """Gwendolen's chest infection and Lachlan's pain."""
    water, order = "batch:W5501", "gwendolen/velorin"
    yield _at("2026-02-26 10:00", lambda m: m.give(order, "batch:VL22", water, by="petra"))
    yield _at(
        "2026-02-27 10:10",
        lambda m: m.give(
            order, "batch:VL22", water, by="petra", part="2 mL", note="She moved, and the needle came out."
        ),
    )
    # The prescriber was asked about the 50 mg that were outstanding.
    decided = {"part-outstanding": "Dr Solvei (invented), telephone: go on with the next dose in full"}
    yield _at(
        "2026-02-28 09:50",
        lambda m: m.give(order, "batch:VL22", water, by="petra", called="typed batch", reasons=decided),
    )
    yield _at("2026-02-28 12:30", _the_other_batch)
    yield _at("2026-03-01 10:05", lambda m: m.give(order, "batch:VL23", water, by="petra"))
    since = {"dose-was-withheld": "13 breaths a minute since, and easily woken."}
    for time, breaths, why in (("02-21 22:10", "14", {}), ("02-24 03:30", "12", {}), ("02-28 21:15", "13", since)):
        yield from _for_pain(f"2026-{time}", breaths, why)
    yield _at("2026-02-26 02:00", lambda m: m.read("lachlan", "breathing rate", "7 breaths a minute"))
    yield _at("2026-02-26 02:04", _withheld)


def _for_pain(at: str, breaths: str, why: Mapping[str, str]) -> Iterator[Event]:
    yield _at(at, lambda m: m.read("lachlan", "breathing rate", f"{breaths} breaths a minute"))
    yield Event(
        at=moment(at) + timedelta(minutes=5),
        do=lambda m: m.give("lachlan/quellamor", "batch:QM19", by="petra", checked_by="mairi", called=at, reasons=why),
    )
    yield Event(at=moment(at) + timedelta(minutes=40), do=lambda m: _it_helped(m, at))


def _it_helped(making: Making, dose: str) -> None:
    watching.helped(making.store, making.entries[dose], helped="yes", by=staff("petra"), at=making.now, now=making.now)


def _the_other_batch(making: Making) -> None:
    correcting.correct(
        making.store,
        entry=making.entries["typed batch"],
        change=correcting.Change(scans=("batch:VL23", "batch:W5501")),
        reason="The vial in the sharps box is of batch VL23.",
        by=staff("petra"),
        now=making.now,
    )


def _withheld(making: Making) -> None:
    not_given.not_given(
        making.store,
        order=making.orders["lachlan/quellamor"],
        reason="reading outside limits",
        words="7 breaths a minute; stayed with him.",
        told="Dr Solvei (invented)",
        by=staff("petra"),
        at=making.now,
        now=making.now,
    )


def _cupboard() -> Iterator[Event]:
    """A refrigerator that was warm, and what was caught in the hand because of it."""
    why = "refrigerator 9.6 degrees C for 3 h"
    yield _at("2026-02-23 07:30", lambda m: m.batch(_NORVATIDE, "D219", "quarantined", "pharmacist", reason=why))
    quarantined = f"(01){_NORVATIDE}(17)261130(10)D219"
    yield _at("2026-02-27 16:00", lambda m: m.catch("saoirse/norvatide", quarantined, "batch-quarantined"))
    yield _at(
        "2026-02-25 09:00",
        lambda m: m.batch("09501101531062", "SV77", "wasted", "petra", count=-1, reason="ampoule broken in the bag"),
    )
