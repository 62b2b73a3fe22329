"""Orders, directions, sessions, questions and the lists, typed wrong: refused in a sentence, and nothing is written.

All people, medicines and codes are invented.
"""

from __future__ import annotations

import copy
from collections.abc import Iterator
from typing import Any

import pytest
from tests.cli.room import BY, HALF, LONG, MEDICINE, ORDER, RED, Room, begin

DIRECTION: dict[str, Any] = {
    "kind": "group direction",
    "reference": "QD-7",
    "version": "2",
    "from": "2026-01-01",
    "until": "2026-12-31",
    "staff": ["Mairi"],
    "include": ["over 18"],
    "exclude": ["unwell"],
    "order": {"medicine": "velorin", "route": "intramuscular", "dose": {"amount": "50 mg"}},
}
SPOKEN = {**ORDER, "authority": "spoken order", "prescriber": "Dr. Example", "schedule": {"once": True}}
MAIRI = ("--by", "Mairi, midwife")
CLEAR = ("--all-clear", *MAIRI)


@pytest.fixture(scope="module")
def ward(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Room]:
    """A record with a spoken order that is signed, three directions, a session that is open and one that is closed."""
    made = begin(tmp_path_factory.mktemp("ward"))
    made.does("order", "add", "0001", made.file("spoken.json", SPOKEN), "--read-back-by", "Bea Example")
    made.does("order", "sign", "0001.2", "--by", "Dr. Example")
    for reference, others in (
        ("QD-7", {}),
        ("QD-8", {"until": "2026-02-28"}),
        ("QD-9", {"from": "2026-04-01"}),
    ):
        made.does("authority", "add", made.file("direction.json", {**DIRECTION, "reference": reference, **others}), *BY)
    made.does("session", "open", "--under", "QD-7", *MAIRI)
    made.does("session", "accept", "0001", "0001", *CLEAR)
    made.does("session", "open", "--under", "QD-7", *MAIRI)
    made.does("session", "close", "0002", *MAIRI)
    before = made.head()
    yield made
    assert made.head() == before
    assert made.does("check-record")["whole"] is True


# What is typed, and what the sentence says. {order}: a good order. {picture}: no order, but a file.
TYPED: tuple[tuple[tuple[str, ...], str], ...] = (
    # order add
    (("order", "add", "0001", "{order}", "--replaces", "0001.9"), '"0001.9" is not an order'),
    (("order", "add", "0001", "{order}", "--replaces", "0002.1"), '"0002.1" is not an order'),
    (("order", "add", "0001", "{order}", "--replaces", HALF), "U+DCFF"),
    (("order", "add", "0001", "{order}", "--copied-by", RED), "order.copied_by: character 1"),
    (("order", "add", "0001", "{order}", "--copied-by", LONG), "order.copied_by: a text of 3000"),
    (("order", "add", "0001", "{order}", "--read-back-by", HALF), "order.read_back_by: character 1 is U+DCFF"),
    (("order", "add", "0001", "{order}", "--unclear", " "), "order.unclear: one of them is empty"),
    (
        ("order", "add", "0001", "{order}", "--unclear", "dose", "--unclear", "Dose"),
        "order.unclear: one of them stands",
    ),
    (("order", "add", "0001", "{order}", "--unclear", RED), "order.unclear[0]: character 1"),
    (("order", "add", "0001", "{order}", "--picture", "no-such-picture.png"), "no-such-picture.png"),
    (("order", "add", "0001", "{order}", "--picture", LONG), "xxx..."),
    (("order", "add", "0001", "{order}", "--picture", HALF), "U+DCFF"),
    (("order", "add", "0001", "{picture}"), "not JSON"),
    (("order", "add", "0001", "no-such-order.json"), "no-such-order.json"),
    # order sign
    (("order", "sign", "0001.9", "--by", "Dr. Example"), 'no order "0001.9"'),
    (("order", "sign", "9999.1", "--by", "Dr. Example"), '"9999"'),
    (("order", "sign", "0001.2", "--by", "Dr. Example"), "was signed by Dr. Example already"),
    (("order", "sign", "0001.1"), "--by"),
    (("order", "sign", "0001.1", "--by", " "), "--by"),
    (("order", "sign", "0001.1", "--by", RED), "by: character 1"),
    (("order", "sign", "0001.1", "--by", "Dr. Example", "--at", "noon"), '"noon"'),
    (("order", "sign", "0001.1", "--by", "Dr. Example", "--at", "2030-01-01 00:00"), "future"),
    (("order", "sign", HALF, "--by", "Dr. Example"), "U+DCFF"),
    (("order", "sign", LONG, "--by", "Dr. Example"), "xxx..."),
    # patient note
    (("patient", "note", "0001", "--result", "INR"), "TEST=RESULT"),
    (("patient", "note", "0001", "--result", "INR="), "TEST=RESULT"),
    (("patient", "note", "0001", "--result", f"INR={RED}"), "results[0].result: character 1"),
    (("patient", "note", "0001", "--result", "INR=high", "--at", "2030-01-01 00:00"), "future"),
    (("patient", "note", "0001", "--zone", "Europe"), '"Europe" is not a time zone'),
    (("patient", "note", "0001", "--zone", "../../etc/passwd"), "is not a time zone"),
    (("patient", "note", "0001", "--consent-by", " "), "consents[0].given_by: missing"),
    (("patient", "note", "0001", "--consent-by", "A", "--consent-until", "June"), "consents[0].until: "),
    (("patient", "note", "0001", "--consent-by", "A", "--consent-until", "2026-01-31"), "before it was given"),
    (("patient", "note", "0001", "--weight", "70 kg", "--relation", "mother"), "--relation: "),
    (("patient", "note", "0001", "--weight", "70 kg", "--consent-for", "velorin"), "--consent-for: "),
    (("patient", "note", "0001", "--weight", "70 kg", "--consent-until", "2026-12-31"), "--consent-until: "),
    # authority
    (("authority", "add", "{picture}", *BY), "not JSON"),
    (("authority", "add", "no-such-direction.toml", *BY), "no-such-direction.toml"),
    (("authority", "add", "{direction}"), "--by"),
    (("authority", "add", "{direction}", "--by", " "), "--by"),
    (("authority", "add", "{direction}", "--by", RED), "by: character 1"),
    # session
    (("session", "open", *MAIRI), "--under"),
    (("session", "open", "--under", "QD-1", *MAIRI), 'no authority "QD-1". Known: QD-7, QD-8, QD-9'),
    (("session", "open", "--under", "", *MAIRI), "no authority"),
    (("session", "open", "--under", HALF, *MAIRI), "U+DCFF"),
    (("session", "open", "--under", LONG, *MAIRI), "xxx..."),
    (("session", "open", "--under", "QD-7", "--by", "Ravi, nurse"), "Ravi, nurse is not among them: Mairi"),
    (("session", "open", "--under", "QD-7", "--by", " "), "--by"),
    (("session", "open", "--under", "QD-8", *MAIRI), "ended on 2026-02-28"),
    (("session", "open", "--under", "QD-9", *MAIRI), "holds from 2026-04-01"),
    (("session", "open", "--under", "QD-7", "--place", RED, *MAIRI), "place: character 1"),
    (("session", "accept", "0009", "0002", *CLEAR), 'no session "0009"'),
    (("session", "accept", HALF, "0002", *CLEAR), "U+DCFF"),
    (("session", "accept", "0001", "9999", *CLEAR), '"9999"'),
    (("session", "accept", "0001", HALF, *CLEAR), "U+DCFF"),
    (("session", "accept", "0001", "0001", *CLEAR), "was accepted in this session already: order 0001.3"),
    (("session", "accept", "0002", "0002", *CLEAR), "session 0002 is closed"),
    (("session", "accept", "0001", "0002", *MAIRI), 'not answered: "over 18"'),
    (("session", "accept", "0001", "0002", "--answer", "over 18=yes", *MAIRI), 'not answered: "unwell"'),
    (("session", "accept", "0001", "0002", "--answer", "unwell", *CLEAR), "expected QUESTION=yes or QUESTION=no"),
    (("session", "accept", "0001", "0002", "--answer", "unwell=perhaps", *CLEAR), '"unwell=perhaps"'),
    (
        ("session", "accept", "0001", "0002", "--answer", "unwel=no", *CLEAR),
        '"unwel" is not asked here. Asked: over 18',
    ),
    (("session", "accept", "0001", "0002", "--answer", f"{RED}=no", *CLEAR), "is not asked here"),
    (("session", "accept", "0001", "0002", "--answer", f"unwell=no: {RED}", *CLEAR), "words: character 1"),
    (("session", "accept", "0001", "0002", "--answer", f"unwell=no: {LONG}", *CLEAR), "words: a text of 3000"),
    (
        ("session", "accept", "0001", "0002", "--answer", "unwell=no", "--answer", "unwell=yes", *CLEAR),
        '"unwell" is answered twice',
    ),
    (("session", "accept", "0001", "0002", "--all-clear", "--by", "Ravi, nurse"), "is not among them"),
    (("session", "accept", "0001", "0002", "--all-clear"), "--by"),
    (("session", "close", "0002", *MAIRI), "was closed by Mairi, midwife already"),
    (("session", "close", "0009", *MAIRI), 'no session "0009"'),
    (("session", "close", "0001", "--by", ""), "--by"),
    # questions
    (("questions", "9999.1"), '"9999"'),
    (("questions", "0001.9"), 'no order "0001.9"'),
    (("questions", "0001.9", *CLEAR), 'no order "0001.9"'),
    (("questions", HALF), "U+DCFF"),
    (("questions", LONG), "xxx..."),
    (("questions", "0001.3", "--all-clear"), "--by"),
    (("questions", "0001.3", "--answer", "unwell=no", *MAIRI), 'not answered: "over 18"'),
    (("questions", "0001.3", *CLEAR, "--at", "2030-01-01 00:00"), "future"),
    (("questions", "0001.3", *CLEAR, "--at", "yesterday"), '"yesterday"'),
    (("questions", "0001.1", *CLEAR), "nothing is asked on the day"),
    (("questions", "0001.3", "--at", "2026-03-02 08:00"), "--at: "),
    (("questions", "0001.3", *MAIRI), "--by: "),
    # due and handover
    (("due", "--hours", "-1"), "--hours"),
    (("due", "--hours", "soon"), "--hours"),
    (("due", "--hours", "99999999"), "--hours"),
    (("due", "--at", "tomorrow"), '"tomorrow"'),
    (("due", "--at", "2026-13-01 09:00"), '"2026-13-01 09:00"'),
    (("due", "--at", "9999-12-31 23:59"), '"9999-12-31 23:59"'),
    (("due", "--place", RED), "place: character 1"),
    (("due", "--place", LONG), "place: a text of 3000"),
    (("due", "--place", "No Such Ward"), '"No Such Ward"'),
    (("handover", "--hours", "0"), "--hours"),
    (("handover", "--at", "noon"), '"noon"'),
    (("handover", "--place", HALF), "place: character 1 is U+DCFF"),
    (("handover", "--place", "No Such Ward"), '"No Such Ward"'),
)


@pytest.mark.parametrize(("arguments", "says"), TYPED)
def test_what_is_typed_wrong_is_refused_by_name(ward: Room, arguments: tuple[str, ...], says: str) -> None:
    files = {
        "{order}": ward.file("order.json", ORDER),
        "{direction}": ward.file("direction.json", DIRECTION),
        "{picture}": ward.file("paper.png", b"\x89 a picture"),
    }
    if says == "not JSON":
        # What is no text at all is refused one step before.
        files["{picture}"] = ward.file("paper.txt", b"give 50 mg")
    ward.refuses(*(files.get(one, one) for one in arguments), says=(says,))


def changed(document: dict[str, Any], key: str, value: Any) -> dict[str, Any]:
    """A document with one key of it, or of its order ("order.stop"), set to another value; None takes it away."""
    made = copy.deepcopy(document)
    place = made["order"] if key.startswith("order.") else made
    name = key.removeprefix("order.")
    place.pop(name, None)
    if value is not None:
        place[name] = value
    return made


# One place of a good direction, what it is changed to, the field that is named, and a word of the sentence.
DIRECTIONS: tuple[tuple[str, Any, str, str], ...] = (
    ("reference", None, "authority.reference", "missing"),
    ("reference", "  ", "authority.reference", "missing"),
    ("kind", None, "authority.kind", "missing, expected one of"),
    ("kind", "custom", "authority.kind", '"custom"'),
    ("until", "2025-12-31", "authority.until", "before from"),
    ("until", "for good", "authority.until", '"for good"'),
    ("staff", "Mairi", "authority.staff", "expected a list"),
    ("staff", [""], "authority.staff", "is empty"),
    ("exclude", ["unwell", "Over 18"], "authority.exclude", "both includes and excludes"),
    ("must_follow", "a signature", "authority.within", "belong together"),
    ("within", "3 days", "authority.within", "belong together"),
    ("review", "2026-06-30", "authority.review", "unknown key"),
    ("order", None, "order", "missing, expected the order that it allows"),
    ("order", "velorin 50 mg", "order", "expected the order that it allows"),
    ("order.medicine", None, "order", "expected the order that it allows"),
    ("order.medicine", "velorine", "", '"velorine"'),
    ("order.authority", "prescription", "order.authority", "Leave it out"),
    ("order.route", "intravenous", "order.route", '"intravenous"'),
    ("order.dose", {"amount": "50"}, "order.dose.amount", '"50"'),
    ("order.schedule", {"on": ["mondey"]}, "order.schedule.on[0]", '"mondey"'),
)


@pytest.mark.parametrize(("key", "value", "field", "says"), DIRECTIONS)
def test_a_direction_with_one_thing_wrong_is_refused_by_its_field(
    ward: Room, key: str, value: Any, field: str, says: str
) -> None:
    ward.refuses("authority", "add", ward.file("wrong.json", changed(DIRECTION, key, value)), *BY, says=(field, says))


@pytest.mark.parametrize("document", [[], [DIRECTION], "QD-7", 7, None, True])
def test_a_direction_or_an_order_that_is_no_object_is_refused(ward: Room, document: Any) -> None:
    file = ward.file("wrong.json", document)
    ward.refuses("authority", "add", file, *BY, says=("expected an object",))
    ward.refuses("order", "add", "0001", file, says=("expected an object",))


ORDERS: tuple[tuple[dict[str, Any], str, str], ...] = (
    ({"schedule": {"every": "0 days"}}, "order.schedule.every", "Write how far apart"),
    ({"schedule": {"on": ["sunday"]}, "stop": "2026-02-28", "start": "2026-02-23"}, "order.schedule", "never fall due"),
    ({"stop": "2026-02-27"}, "order.stop", "before the start"),
    ({"schedule": {"meals": ["before tea"]}}, "order.schedule.meals[0]", "breakfast"),
    ({"times": ["08:00"], "schedule": {"once": True}}, "order.times", "one of the two"),
    ({"authority": {"kind": "standing order", "staff": [1]}}, "order.authority.staff[0]", "expected a text"),
    ({"entered": "2026-03-01T08:00:00+00:00"}, "order.entered", "Leave it out"),
    ({"signed": "2026-03-01T08:00:00+00:00"}, "order.signed", "Leave it out"),
    ({"stopped": "2026-03-03"}, "order.stopped", "Leave it out"),
    ({"medicine": "velorine"}, "", '"velorine"'),
    ({"medicine": ""}, "order.medicine", "missing"),
    ({"dose": {"steps": [{"amount": "50 mg"}, {"amount": "75 mg"}]}}, "order.dose.steps[0]", "has no end"),
)


@pytest.mark.parametrize(("order", "field", "says"), ORDERS)
def test_an_order_with_one_thing_wrong_is_refused_by_its_field(
    ward: Room, order: dict[str, Any], field: str, says: str
) -> None:
    ward.refuses("order", "add", "0001", ward.file("wrong.json", {**ORDER, **order}), says=(field, says))


def test_a_medicine_whose_label_contradicts_itself_is_refused_by_its_field(ward: Room) -> None:
    label = {"late": "1 week", "missed_after": "1 day"}
    file = ward.file("wrong.json", {**MEDICINE, "timing": label})
    ward.refuses("formulary", "add", file, says=("medicine.timing.missed_after", "longer time"))


def test_what_was_refused_would_be_taken_if_it_were_right(ward: Room) -> None:
    # Each good twin of what is refused above, read and shown without writing.
    assert [one["session"] for one in ward.does("session", "list")] == ["0001", "0002"]
    assert [one["authority"]["reference"] for one in ward.does("authority", "list")] == ["QD-7", "QD-8", "QD-9"]
    assert [one["needs"] for one in ward.does("questions", "0001.3")] == ["yes", "no"]
    assert ward.does("due", "--hours", "0", "--at", "2026-03-02 09:00")["lines"]
    assert ward.does("handover", "--hours", "1")["place"] == ""
    assert [one["id"] for one in ward.does("order", "list", "--patient", "0001")] == ["0001.1", "0001.2", "0001.3"]
