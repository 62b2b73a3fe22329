"""Whatever is typed, scanned or handed over: a sentence, an exit code, nothing written, no traceback, no hang.

All people, medicines and codes are invented. An error must name the field or the line, so the words that are asserted
are the names and figures a person needs, not the whole sentence.
"""

from __future__ import annotations

import copy
import json
import os
import shutil
import signal
import struct
import subprocess
import sys
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from tests.exchange.test_schema import PUBLIC, changed

from drawup.cli.main import Desk, drawup
from drawup.record.store import Store

NOW = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
SECONDS = 20
"""More than any refusal takes on a slow machine; what takes longer hangs."""

VIAL = "(01)09501101531017(17)270430(10)D220"
MEDICINE: dict[str, Any] = {
    "name": "velorin",
    "presentations": [{"strength": "50 mg/mL", "volume": "2 mL", "container": "ampoule", "gtin": "09501101531017"}],
}
ORDER: dict[str, Any] = {
    "medicine": "velorin",
    "route": "intramuscular",
    "start": "2026-03-01",
    "dose": {"amount": "100 mg"},
}


@contextmanager
def within(seconds: int) -> Iterator[None]:
    """Fail what hangs, where the system has an alarm."""

    def late(*_: object) -> None:
        raise TimeoutError(f"not ended after {seconds} seconds")

    if not hasattr(signal, "SIGALRM"):
        yield
        return
    before = signal.signal(signal.SIGALRM, late)
    signal.alarm(seconds)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)


class Room:
    """A record with one medicine, two patients, an order, a batch and an entry, and a folder for files."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.record = folder / "record.sqlite"
        self.plan = ""

    def run(self, *arguments: str, given: bytes | None = None) -> Result:
        """One command, as typed."""
        desk = Desk(record=self.record, clock=lambda: NOW)
        with within(SECONDS):
            return CliRunner().invoke(drawup, ["--record", str(self.record), *arguments], obj=desk, input=given)

    def does(self, *arguments: str, code: int = 0) -> Any:
        """One command that must do what it is asked; its answer in JSON."""
        result = self.run(*arguments, "--json")
        assert result.exit_code == code, result.output
        return json.loads(result.output)

    def file(self, name: str, content: object) -> str:
        """A file of bytes, or of JSON."""
        path = self.folder / name
        path.write_bytes(content if isinstance(content, bytes) else json.dumps(content).encode())
        return str(path)

    def head(self) -> tuple[int, str]:
        """How many facts the record holds, and the hash of the last."""
        with Store.open(self.record, read_only=True) as store:
            return store.head()

    def refuses(self, *arguments: str, says: tuple[str, ...], code: int = 2, given: bytes | None = None) -> str:
        """One command that must be refused in words, with nothing written; what it said."""
        before = self.head()
        result = self.run(*arguments, given=given)
        check_told(result, code)
        for words in says:
            assert words in result.output
        assert self.head() == before
        return result.output


def check_told(result: Result, code: int) -> None:
    """A sentence of ordinary length that any terminal can show, and the exit code; no exception of any kind."""
    assert result.exception is None or isinstance(result.exception, SystemExit), repr(result.exception)
    assert result.exit_code == code, result.output
    assert "Traceback" not in result.output
    assert result.output.strip()
    assert len(result.output) < 3000
    assert all(line.isprintable() for line in result.output.split("\n"))


def begin(folder: Path) -> Room:
    room = Room(folder)
    room.does("policy", "use", "uk", "--zone", "Europe/London")
    room.does("formulary", "add", room.file("velorin.json", MEDICINE))
    room.does("patient", "add", "--family", "O'Brien-Example", "--given", "Séan", "--born", "1961-04-09")
    room.does("patient", "add", "--family", "Pike", "--given", "Wren", "--born", "2001-05-14")
    room.does("patient", "note", "0001", "--allergy", "none known", "--weight", "70 kg", "--avoid", "left arm")
    for patient in ("0001", "0002"):
        room.does("order", "add", patient, room.file("order.json", ORDER))
    room.does("stock", "receive", VIAL, "--count", "9")
    made = room.does("plan", "--order", "0001.1", "--scan", "batch:D220")
    room.plan = str(made["plan"])
    room.does("given", room.plan, "--scan", "batch:D220", "--given-by", "Ada Example")
    room.does("given", "--patient", "0001", "--medicine", "velorin", "--given-by", "Ada Example", "--amount", "5 mg")
    room.does("not-given", "0001.1", "--reason", "refused", "--by", "Ada Example")
    room.does("inspect", "0001", "--place", "left deltoid", "--kind", "lump", "--by", "Ada Example")
    return room


@pytest.fixture(scope="module")
def room(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Room]:
    """One record for all that is refused: it must be the same at the end."""
    made = begin(tmp_path_factory.mktemp("refused"))
    before = made.head()
    yield made
    assert made.head() == before
    assert made.does("check-record")["whole"] is True


@pytest.fixture
def own_room(room: Room, tmp_path: Path) -> Room:
    """A copy of the record for what is written."""
    for part in room.folder.glob("record.sqlite*"):
        shutil.copy(part, tmp_path / part.name)
    made = Room(tmp_path)
    made.plan = room.plan
    return made


# --- documents ----------------------------------------------------------------------------------------------------

WHOLE = json.dumps(PUBLIC)


def put(old: str, new: str) -> bytes:
    """The public request with one piece of its text replaced."""
    assert WHOLE.count(old) == 1
    return WHOLE.replace(old, new).encode()


# What no JSON document can be, whatever it is meant to say.
NO_DOCUMENT: dict[str, tuple[bytes, str]] = {
    "empty": (b"", "not JSON"),
    "only spaces": (b" \n\t ", "not JSON"),
    "a zero byte": (b"\x00", "not JSON"),
    "every byte": (bytes(range(256)), "not UTF-8"),
    "UTF-16": (WHOLE.encode("utf-16"), "not UTF-8 text (byte 0)"),
    "Latin-1": (b'{"name": "S\xe9an"}', "not UTF-8 text (byte 11)"),
    "half of it": (WHOLE[:400].encode(), "line 1, column"),
    "twice": (WHOLE.encode() * 2, "line 1, column"),
    "a million and one characters": (b'"' + b"a" * 999_999 + b'"', "1000001 characters"),
    "lists in lists": (b"[" * 100_000 + b"]" * 100_000, "nested too deeply"),
    "objects in objects": (b'{"a":' * 100_000 + b"1" + b"}" * 100_000, "nested too deeply"),
    "50 deep": (b"[" * 50 + b"]" * 50, "nested too deeply"),
    "a comma too many": (b'{"a": 1,}', "line 1, column"),
    "single quotes": (b"{'a': 1}", "line 1, column"),
    "a repeated key": (b'{"amount": "5 mg", "amount": "50 mg"}', '"amount" stands twice'),
    "a repeated key of a million characters": (b'{"%s": 1, "%s": 1}' % ((b"k" * 400_000,) * 2), "stands twice"),
}
# What is JSON, but no object.
NO_OBJECT: dict[str, bytes] = {
    "null": b"null",
    "a number": b"1e400000",
    "NaN": b"NaN",
    "minus infinity": b"-Infinity",
    "half a million figures": b"9" * 500_000,
    "a text": b'"velorin"',
    "half a character": b'"\\ud800"',
    "a list": b"[{}]",
    "a list of a hundred thousand": b"[" + b"1," * 99_999 + b"1]",
}


@pytest.mark.parametrize("json_too", [False, True])
@pytest.mark.parametrize("name", NO_DOCUMENT)
def test_what_is_no_document_is_refused_by_a_plan(room: Room, name: str, json_too: bool) -> None:
    content, says = NO_DOCUMENT[name]
    path = room.file("request.json", content)
    if json_too:
        answered = json.loads(room.refuses("plan", path, "--json", says=()))
        assert says in answered["error"]["message"]
    else:
        room.refuses("plan", path, says=(says,))
    room.refuses("plan", "-", says=(says,), given=content)


@pytest.mark.parametrize("name", NO_DOCUMENT)
def test_what_is_no_document_is_entered_nowhere(room: Room, name: str) -> None:
    content, says = NO_DOCUMENT[name]
    path = room.file("entry.json", content)
    room.refuses("formulary", "add", path, says=(says,))
    room.refuses("order", "add", "0001", path, says=(says,))


@pytest.mark.parametrize("name", NO_OBJECT)
def test_what_is_no_object_is_refused_everywhere(room: Room, name: str) -> None:
    path = room.file("entry.json", NO_OBJECT[name])
    room.refuses("plan", path, says=("expected an object",))
    room.refuses("formulary", "add", path, says=("expected an object",))
    room.refuses("order", "add", "0001", path, says=("expected an object",))


# One place of the public request is broken; the field that must be named.
BROKEN: dict[str, tuple[bytes, str]] = {
    "NaN": (put('"62.5 kg"', "NaN"), "patient.weight: read NaN"),
    "Infinity": (put('"62.5 kg"', "-Infinity"), "patient.weight: read -Infinity"),
    "1e400000": (put('"62.5 kg"', "1e400000"), "patient.weight: read 1E+400000"),
    "a number of 500,000 figures": (put('"62.5 kg"', "9" * 500_000), "patient.weight: read a number of 500000"),
    "as many behind the point": (put('"62.5 kg"', "0." + "9" * 499_998), "patient.weight: read a number of 500000"),
    "a text of 900,000": (put('"62.5 kg"', f'"{"9" * 900_000} kg"'), "patient.weight: "),
    "negative": (put('"62.5 kg"', '"-62.5 kg"'), "patient.weight: "),
    "zero": (put('"62.5 kg"', '"0 kg"'), "patient.weight: "),
    "absurdly large": (put('"62.5 kg"', '"999999999 kg"'), "patient.weight: "),
    "a number without unit": (put('"62.5 kg"', '"62.5"'), "patient.weight: "),
    "a comma": (put('"62.5 kg"', '"62,5 kg"'), "Write 62.5 kg"),
    "a point in front": (put('"2.5 mg"', '".5 mg"'), "order.dose.amount: read"),
    "an empty text": (put('"62.5 kg"', '""'), "patient.weight: "),
    "a control character": (put('"node surgery"', '"node\\u0000surgery"'), "patient.avoid[0].reason: character 5"),
    "a terminal's colour": (put('"node surgery"', '"\\u001b[31mnode"'), "U+001B"),
    "a turned reading direction": (put('"node surgery"', '"\\u202enode"'), "U+202E"),
    "half a character": (put('"node surgery"', '"\\ud800"'), "U+D800"),
    "half a character in a closed list": (put('"female"', '"\\udcff"'), "patient.sex: "),
    "an unknown key": (put('"sex"', '"sexx"'), "patient.sexx: unknown key"),
    "a key of 900,000": (put('"sex"', f'"{"k" * 900_000}"'), "patient.kkkk"),
    "a key of control characters": (put('"sex"', '"\\u0000\\u001b[31m\\ud800"'), "patient.U+0000"),
    "a repeated key": (put('"sex": "female"', '"sex": "female", "sex": "male"'), '"sex" stands twice'),
    "lists in a list": (put('"penicillins"', "[" * 900 + "]" * 900), "nested too deeply"),
    "a list where one text stands": (put('"female"', "[]"), "patient.sex: "),
    "an object where one text stands": (put('"water for injections"', "{}"), "reconstitution.diluent: "),
    "true where one text stands": (put('"1961-04-09"', "true"), "patient.born: "),
    "a time without offset": (put("2026-03-02T09:00:00+00:00", "2026-03-02T09:00:00"), "now: "),
    "the year 9999": (put("2026-03-02T09:00:00+00:00", "9999-12-31T23:59:59+00:00"), "now: "),
    "born tomorrow": (put("1961-04-09", "2026-03-03"), "patient.born: "),
    "born in the year 1": (put("1961-04-09", "0001-01-01"), "patient.born: "),
    "given tomorrow": (put("2026-02-27T08:10", "2026-03-03T08:10"), "history[0].at: "),
    "a list of 20,000": (json.dumps({**PUBLIC, "history": [{}] * 20_000}).encode(), "history: a list of 20000"),
    "allergies to 90,000": (put('["penicillins"]', json.dumps(["x"] * 90_000)), "patient.allergies: a list of 90000"),
    "101 bands": (
        json.dumps(changed(PUBLIC, ("order", "dose"), {"bands": [{"amount": "5 mg"}] * 101})).encode(),
        "order.dose.bands: a list of 101",
    ),
    "a thousand billion weeks": (
        json.dumps(changed(PUBLIC, ("medicine", "least_interval"), "999999999999 weeks")).encode(),
        "medicine.least_interval: ",
    ),
    "opened for ever": (
        json.dumps(changed(PUBLIC, ("medicine", "presentations", 0, "in_use"), "999999999999 weeks")).encode(),
        "presentations[0].in_use: ",
    ),
    "a surface of no body": (put('"168 cm"', '"168 cm", "area": "999 m2"'), "patient.area: "),
    "a policy of numbers": (put('"format": 1', '"format": 1, "policy": {"mark_tolerance": 0.05}'), "policy.mark_tol"),
    "a policy of NaN": (put('"format": 1', '"format": 1, "policy": {"dead_space": NaN}'), "policy.dead_space: "),
    "two sides": (put('"region": "left arm"', '"region": "left arm", "side": "right"'), "patient.avoid[0].side: "),
    "a choice in no range": (put('"per": "kg"', '"per": "kg", "chosen": "2 mg"'), "order.dose.chosen: "),
    "bands of two kinds": (
        json.dumps(
            changed(
                PUBLIC,
                ("order", "dose"),
                {"bands": [{"below": "50 kg", "amount": "5 mg"}, {"from": "50 kg", "amount": "1 mL"}]},
            )
        ).encode(),
        "order.dose.bands: ",
    ),
    "a label's site that is none": (
        json.dumps(changed(PUBLIC, ("medicine", "sites"), ["deltoid", "vastus laterallis"])).encode(),
        "medicine.sites[1]: ",
    ),
    "a barrel in mL and in units": (
        json.dumps(
            {**PUBLIC, "barrels": [{"capacity_ml": "5", "interval_ml": "0.2", "capacity_units": "30"}]}
        ).encode(),
        "barrels[0].capacity_units: ",
    ),
    "two packs of one code": (
        json.dumps(
            changed(PUBLIC, ("medicine", "presentations"), [{"strength": "5 mg/mL", "gtin": "09501101531017"}] * 2)
        ).encode(),
        "medicine.presentations: ",
    ),
}


@pytest.mark.parametrize("name", BROKEN)
def test_a_broken_field_is_named(room: Room, name: str) -> None:
    content, field = BROKEN[name]
    room.refuses("plan", room.file("request.json", content), says=(field,))


@pytest.mark.parametrize("value", [None, [], {}, 0, -1, True, "", [None], {"": None}])
def test_the_same_wrong_value_everywhere_is_refused(room: Room, value: object) -> None:
    everywhere = dict.fromkeys(PUBLIC, value)
    room.refuses("plan", room.file("request.json", everywhere), says=("format: ",))
    room.refuses("plan", room.file("request.json", {**everywhere, "format": 1}), says=(": ",))
    room.refuses("formulary", "add", room.file("m.json", dict.fromkeys(MEDICINE, value)), says=("medicine.name: ",))
    room.refuses("order", "add", "0001", room.file("o.json", dict.fromkeys(ORDER, value)), says=("medicine",))


def test_names_written_from_right_to_left_are_taken(own_room: Room) -> None:
    made = own_room.does("patient", "add", "--family", "שלום", "--given", "مريم", "--born", "1980-01-01")
    assert "שלום" in own_room.run("chart", made["patient"]).output


def test_an_absurd_dose_is_answered_and_stopped(room: Room) -> None:
    tiny = [{"strength": "0.000000000001 ng in 0.000000000001 mL", "container": "ampoule"}]
    document = changed(
        changed(PUBLIC, ("order", "dose"), {"amount": "999999999999 g"}), ("medicine", "name"), "velorin"
    )
    document["medicine"]["presentations"] = tiny
    result = room.run("plan", room.file("request.json", document))
    check_told(result, 3)


def test_an_order_in_toml_keeps_its_dates(own_room: Room) -> None:
    text = b'medicine = "velorin"\nroute = "intramuscular"\nstart = 2026-03-01\n[dose]\namount = "100 mg"\n'
    identity = own_room.does("order", "add", "0001", own_room.file("order.toml", text))["order"]
    kept = own_room.does("order", "list", "--patient", "0001")[-1]
    assert (kept["id"], kept["order"]["start"]) == (identity, "2026-03-01")


def test_null_in_an_order_is_the_same_as_leaving_out(own_room: Room) -> None:
    nulls = {**ORDER, "stop": None, "site": None, "dose": {"amount": "100 mg", "per": None, "at_most": None}}
    own_room.does("order", "add", "0001", own_room.file("order.json", nulls))
    kept = own_room.does("order", "list", "--patient", "0001")[-1]
    assert kept["order"] == ORDER
    # It is open, and it counts beside the first order.
    answered = own_room.does("plan", "--order", "0001.1", code=4)
    assert "duplicate-order" in [found["code"] for found in answered["findings"]]
    assert "null" not in own_room.run("order", "list", "--patient", "0001").output


TOML: dict[str, tuple[bytes, str]] = {
    "no TOML": (b"{}", "not TOML"),
    "a repeated key": (b"format = 1\nformat = 1\n", "not TOML"),
    "nan": (b"format = nan\n", "format: read nan"),
    "infinity": (b"format = -inf\n", "format: read -inf"),
    "4,000 figures": (b"format = " + b"9" * 4000, "format: read a number"),
    "5,000 figures": (b"format = " + b"9" * 5000, "not TOML"),
    "3,000 figures to the base 16": (b"format = 0x" + b"f" * 3000, "format: read a number"),
    "a key of 60,000 parts": (b"a." * 60_000 + b"b = 1", "line 1 has 60000 full stops"),
    "a heading of 60,000 parts": (b"\n[" + b"a." * 60_000 + b"b]", "line 2 has 60000 full stops"),
    "a key of 90 parts": (b"a." * 90 + b"b = 1", "nested too deeply"),
    "lists in lists": (b"a = " + b"[" * 90_000, "nested too deeply"),
    "a million characters": (b"#" * 1_000_000, "1000000 characters"),
    "a time of day": (b"format = 09:00:00\n", "format: "),
    "a time without offset": (b"format = 1\nnow = 2026-03-02T09:00:00\n", "now: "),
}


@pytest.mark.parametrize("name", TOML)
def test_broken_toml_is_refused_with_its_field_or_line(room: Room, name: str) -> None:
    content, says = TOML[name]
    room.refuses("plan", room.file("request.toml", content), says=(says,))
    room.refuses("formulary", "add", room.file("entry.TOML", content), says=(": ",))


# --- many lines ---------------------------------------------------------------------------------------------------


def test_every_line_is_answered_in_its_place_and_none_stops_the_rest(room: Room) -> None:
    good = WHOLE.encode()
    broken = [content for content, _ in NO_DOCUMENT.values() if b"\n" not in content]
    broken += [content for content, _ in BROKEN.values()] + list(NO_OBJECT.values())
    lines: list[tuple[bytes, bool]] = []
    for content in broken:
        lines += [(good, True), (content, False)]
    given = b"\n".join(content for content, _ in lines) + b"\n"
    from_file = room.run("plan", "--lines", room.file("many.jsonl", given))
    from_input = room.run("plan", "--lines", "-", given=given)
    for result in (from_file, from_input):
        assert isinstance(result.exception, SystemExit)
        assert result.exit_code == 1
        answers = [json.loads(line) for line in result.output.splitlines()]
        assert ["error" not in answer for answer in answers] == [whole for _, whole in lines]
        assert all(set(answer["error"]) == {"field", "message"} for answer in answers if "error" in answer)
        assert "fault in Drawup" not in result.output


@pytest.mark.parametrize("ending", [b"", b"\n"])
def test_a_line_longer_than_is_taken_is_one_line_still(room: Room, ending: bytes) -> None:
    long = b'"' + b"a" * 3_000_000 + b'"'
    result = room.run("plan", "--lines", "-", given=WHOLE.encode() + b"\n" + long + b"\n" + WHOLE.encode() + ending)
    answers = [json.loads(line) for line in result.output.splitlines()]
    assert ["error" in answer for answer in answers] == [False, True, False]
    assert "1,000,000 bytes" in answers[1]["error"]["message"]
    assert result.exit_code == 1


def test_no_line_at_all_is_no_fault(room: Room) -> None:
    result = room.run("plan", "--lines", "-", given=b"")
    assert (result.exit_code, result.output) == (0, "")


def test_a_fault_of_our_own_in_one_line_leaves_the_others_their_answers(
    room: Room, monkeypatch: pytest.MonkeyPatch
) -> None:
    from drawup.injection import plan as planning

    def broken(request: Any, **others: Any) -> Any:
        if request.patient.sex == "male":
            raise RuntimeError("invented")
        return real(request, **others)

    real = planning.plan_injection
    monkeypatch.setattr(planning, "plan_injection", broken)
    given = WHOLE.encode() + b"\n" + put('"female"', '"male"') + b"\n" + WHOLE.encode()
    result = room.run("plan", "--lines", "-", given=given)
    answers = [json.loads(line) for line in result.output.splitlines()]
    assert ["error" in answer for answer in answers] == [False, True, False]
    assert "fault in Drawup itself (RuntimeError)" in answers[1]["error"]["message"]


# --- files --------------------------------------------------------------------------------------------------------

READS_A_FILE = (
    ("plan",),
    ("plan", "--lines"),
    ("scan", "--lines"),
    ("scan", "--photo"),
    ("formulary", "add"),
    ("order", "add", "0001"),
    ("check-record", "--seal"),
    ("policy", "check"),
    ("policy", "use", "--zone", "Europe/London"),
    ("policy", "show"),
)


@pytest.mark.parametrize("command", READS_A_FILE, ids=" ".join)
def test_what_is_no_file_is_named(room: Room, command: tuple[str, ...]) -> None:
    # `policy check` answers 1 for whatever is wrong with a policy.
    code = 1 if command == ("policy", "check") else 2
    for path in (room.folder, room.folder / "none.json", room.folder / "velorin.json" / "in-a-file.json"):
        room.refuses(*command, str(path), says=(str(path),), code=code)


@pytest.mark.parametrize("command", READS_A_FILE, ids=" ".join)
def test_a_file_that_may_not_be_read_is_named(
    room: Room, command: tuple[str, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    path = room.file("locked.json", b"{}")
    real = Path.open

    def refusing(self: Path, *arguments: Any, **others: Any) -> Any:
        # The tests may run as root, whom no file refuses.
        if str(self) == path:
            raise PermissionError(13, "Permission denied", path)
        return real(self, *arguments, **others)

    monkeypatch.setattr(Path, "open", refusing)
    room.refuses(*command, path, says=(path, "Permission denied"), code=1 if command == ("policy", "check") else 2)


@pytest.mark.parametrize("command", [("plan",), ("formulary", "add"), ("check-record", "--seal")], ids=" ".join)
def test_a_name_that_no_file_can_have_is_refused(room: Room, command: tuple[str, ...]) -> None:
    room.refuses(*command, "a\0b", says=("cannot be the name of a file",))
    room.refuses(*command, "x" * 5000, says=("xxx",))


@pytest.mark.parametrize("command", [("plan",), ("formulary", "add"), ("check-record", "--seal")], ids=" ".join)
def test_a_file_of_three_thousand_million_bytes_is_refused(room: Room, command: tuple[str, ...]) -> None:
    path = room.folder / "endless.json"
    with path.open("wb") as file:
        file.truncate(3_000_000_000)  # a file with a hole in it: it takes no room
    room.refuses(*command, str(path), says=(str(path), "longer than 2,000,000 bytes"))
    path.unlink()


def test_a_record_that_is_none_is_refused(tmp_path: Path) -> None:
    for name, content in (("empty.sqlite", b""), ("text.sqlite", b"x" * 5000), ("half.sqlite", b"SQLite format 3\0")):
        path = tmp_path / name
        path.write_bytes(content)
        desk = Desk(record=path, clock=lambda: NOW)
        for command in (["chart", "0001"], ["check-record"], ["seal"], ["stock", "list"]):
            result = CliRunner().invoke(drawup, ["--record", str(path), *command], obj=desk)
            check_told(result, 2)
            assert path.read_bytes() == content


# --- codes and photos ---------------------------------------------------------------------------------------------

CODES = {
    "nothing": "",
    "a space": " ",
    "a zero byte": "\0",
    "a terminal's colour": "\x1b[31m",
    "half a character": "\ud800",
    "right to left": "\u202e(01)09501101531017",
    "a hundred thousand": "9" * 100_000,
    "a hundred thousand brackets": "(01)" * 25_000,
    "a wrong check digit": "(01)09501101531018(17)270430(10)D220",
    "the 45th of a month": "(01)09501101531017(17)270445(10)D220",
    "a batch of 300": "(01)09501101531017(17)270430(10)" + "D" * 300,
    "two batches": "(01)09501101531017(10)A(10)B",
    "figures of another script": "(01)٠٩٥٠١١٠١٥٣١٠١٧",
    "a link to nowhere": "https://",
    "a link without end": "https://id.example/01/" + "0/" * 1000,
}


@pytest.mark.parametrize("name", CODES)
def test_a_broken_code_is_not_accepted_and_says_why(room: Room, name: str) -> None:
    check_told(room.run("scan", CODES[name]), 1)
    answered = json.loads(room.run("scan", CODES[name], "--json").output)
    assert (answered["accepted"], answered["raw"]) == (False, CODES[name])
    assert answered["problems"]
    room.refuses("stock", "receive", CODES[name], "--count", "1", says=(" ",))


def test_codes_one_a_line_are_answered_in_order(room: Room) -> None:
    lines = [json.dumps(code).encode() for code in CODES.values()]
    lines += [b"", b"\xff", b"null", b"1", b"{}", b"[]", b"NaN", b"[" * 100_000, b'"' + b"a" * 1_500_000 + b'"']
    lines.append(json.dumps(VIAL).encode())
    result = room.run("scan", "--lines", "-", given=b"\n".join(lines))
    answers = [json.loads(line) for line in result.output.splitlines()]
    assert len(answers) == len(lines)
    assert [answer.get("raw") for answer in answers[: len(CODES)]] == list(CODES.values())
    assert all("error" in answer for answer in answers[len(CODES) : -1])
    assert answers[-1]["batch"] == "D220"
    assert result.exit_code == 1


def png(width: int, height: int, kept: int | None = None) -> bytes:
    """A black picture of so many pixels, one bit each; only its first bytes are kept where asked."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    rows = zlib.compress(b"\0" * ((width + 7) // 8 + 1) * height, 1)
    header = struct.pack(">IIBBBBB", width, height, 1, 0, 0, 0, 0)
    whole = b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", rows) + chunk(b"IEND", b"")
    return whole[:kept]


def test_a_broken_picture_is_refused_in_words(room: Room) -> None:
    pictures = {
        "nothing": b"",
        "no picture": b"{}",
        "without a code": png(64, 64),
        "broken off": png(600, 600, kept=80),
        "100 megapixels": png(10_000, 10_000),
    }
    says = {
        "nothing": "is empty",
        "no picture": "is not",
        "without a code": "No code was found",
        "broken off": "breaks off or is damaged",
        "100 megapixels": "10000 x 10000 pixels",
    }
    if find_spec("zxingcpp") is None:  # then that is what every picture but an empty one is told
        says = {**dict.fromkeys(says, "needs the extra 'scan'"), "nothing": says["nothing"]}
    for name, content in pictures.items():
        path = room.file("photo.png", content)
        room.refuses("scan", "--photo", path, says=(path, says[name]))
        answered = json.loads(room.refuses("scan", "--photo", path, "--json", says=()))
        assert says[name] in answered["error"]["message"]


# --- what is typed ------------------------------------------------------------------------------------------------

LONG, RED, HALF = "x" * 3000, "\x1b[31m", "\udcff"
ADA = ("--given-by", "Ada Example")
BY = ("--by", "Ada Example")
WHY = ("--reason", "wrong arm", *BY)
NOTE = ("patient", "note", "0001")
# {plan}: the plan that was given. Entries: 0001-6 given by a plan, 0001-7 without one, 0001-8 not given, 0001-9 seen.
TYPED: tuple[tuple[tuple[str, ...], str], ...] = (
    # patient add
    (("patient", "add", "--family", " ", "--given", "A", "--born", "1990-01-01"), "patient.family: missing"),
    (("patient", "add", "--family", LONG, "--given", "A", "--born", "1990-01-01"), "patient.family: a text of 3000"),
    (("patient", "add", "--family", RED, "--given", "A", "--born", "1990-01-01"), "patient.family: character 1"),
    (("patient", "add", "--family", "A", "--given", HALF, "--born", "1990-01-01"), "U+DCFF"),
    (("patient", "add", "--family", "A", "--given", "B", "--born", "01/02/1990"), "patient.born: "),
    (("patient", "add", "--family", "A", "--given", "B", "--born", "1990-02-30"), "patient.born: "),
    (("patient", "add", "--family", "A", "--given", "B", "--born", "2026-03-03"), "patient.born: "),
    (("patient", "add", "--family", "A", "--given", "B", "--born", "0001-01-01"), "patient.born: "),
    (("patient", "add", "--family", "A", "--given", "B", "--born", "1990-01-01", "--identifier", "x"), "KIND=VALUE"),
    (("patient", "add", "--family", "A", "--given", "B", "--born", "1990-01-01", "--by", RED), "by: character 1"),
    # patient note
    ((*NOTE,), "nothing to write down"),
    (("patient", "note", "9999", "--weight", "70 kg"), '"9999"'),
    (("patient", "note", HALF, "--weight", "70 kg"), "U+DCFF"),
    (("patient", "note", LONG, "--weight", "70 kg"), "xxx..."),
    ((*NOTE, "--weight", ""), "patient.weight"),
    ((*NOTE, "--weight", "-70 kg"), "patient.weight"),
    ((*NOTE, "--weight", "0 kg"), "patient.weight"),
    ((*NOTE, "--weight", "NaN kg"), "patient.weight"),
    ((*NOTE, "--weight", "1e400000 kg"), "patient.weight"),
    ((*NOTE, "--weight", "70 kg", "--on", "2027-01-01"), "patient.weight.on: "),
    ((*NOTE, "--weight", "70 kg", "--on", "1 March"), "patient.weight.on: "),
    ((*NOTE, "--weight", "70 kg", "--height", "tall"), "patient.height"),
    ((*NOTE, "--distance", "deltoid=-5"), "patient.distance_mm.deltoid: "),
    ((*NOTE, "--distance", "deltoid=5000"), "patient.distance_mm.deltoid: "),
    ((*NOTE, "--distance", "elbow=5"), "patient.distance_mm.elbow: "),
    ((*NOTE, "--reading", "glucose"), "WHAT=VALUE"),
    ((*NOTE, "--reading", "glucose=high"), "readings[0].value: "),
    ((*NOTE, "--reading", "INR=2.5", "--at", "2030-01-01 00:00"), "future"),
    ((*NOTE, "--bleeding", "warfarin", "--watched-by", "INR=3-2"), "patient.bleeding_risk.to: "),
    ((*NOTE, "--bleeding", "warfarin", "--watched-by", "INR=3"), "INR=2-3"),
    ((*NOTE, "--consent", LONG), "consent: a text of 3000"),
    ((*NOTE, "--born-at-weeks", "400"), "born_at_weeks: "),
    ((*NOTE, "--allergy", RED), "patient.allergies[0].to: character 1"),
    ((*NOTE, "--weight", "70 kg", "--by", RED), "by: character 1"),
    # order
    (("order", "add", "9999", "{order}"), '"9999"'),
    (("order", "add", "0001", "{order}", "--replaces", "0002.1"), '"0002.1"'),
    (("order", "add", "0001", "{order}", "--replaces", LONG), "xxx..."),
    (("order", "stop", "0001.9", "--reason", "ended"), '"0001.9"'),
    (("order", "stop", "0001.1", "--reason", " "), "--reason"),
    (("order", "stop", "0001.1", "--reason", RED), "reason: character 1"),
    (("order", "stop", "0001.1", "--reason", "ended", "--on", "tomorrow"), "on: "),
    (("order", "list", "--patient", HALF), "U+DCFF"),
    # stock
    (("stock", "receive", VIAL, "--count", "0"), "0 containers"),
    (("stock", "receive", VIAL, "--count", "-5"), "-5 containers"),
    (("stock", "receive", VIAL, "--count", "9" * 40), "containers"),
    (("stock", "receive", VIAL, "--count", "NaN"), "--count"),
    (("stock", "receive", "(01)09501101531017", "--count", "5"), "--batch, --expiry"),
    (("stock", "receive", "(01)09501101531017", "--count", "5", "--batch", RED, "--expiry", "2027-01-01"), "batch: "),
    (("stock", "receive", "(01)09501101531017", "--count", "5", "--batch", "A ", "--expiry", "2027-01-01"), "batch: "),
    (("stock", "receive", "(01)09501101531017", "--count", "5", "--batch", LONG, "--expiry", "2027-01-01"), "batch: "),
    (("stock", "receive", "(01)09501101531017", "--count", "5", "--batch", "A", "--expiry", "Jan 27"), "--expiry: "),
    (("stock", "receive", "(01)09501101531024(17)270430(10)A", "--count", "5"), "09501101531024"),
    (("stock", "change", "D220", "wasted", "--count", "5"), "--reason"),
    (("stock", "change", "D220", "wasted", "--count", "-5", "--reason", "fell"), "-5 containers"),
    (("stock", "change", "D220", "wasted", "--count", "500", "--reason", "fell"), "8 unopened"),
    (("stock", "change", "D220", "quarantined", "--reason", LONG), "reason: a text of 3000"),
    (("stock", "change", "D220", "released"), "--by"),
    (("stock", "change", "D220", "moved"), "--place"),
    (("stock", "change", "D220", "moved", "--place", RED), "place: character 1"),
    (("stock", "change", "D220", "opened", "--at", "2030-01-01 00:00"), "future"),
    (("stock", "change", "D221", "opened"), '"D221"'),
    (("stock", "change", HALF, "opened"), "U+DCFF"),
    (("stock", "change", "D220", "opened", "--code", "1"), "D220"),
    # plan
    (("plan",), "--order"),
    (("plan", "--order", "9999.1"), '"9999"'),
    (("plan", "--order", "0001.9"), '"0001.9"'),
    (("plan", "--order", HALF), "U+DCFF"),
    (("plan", "--order", "0001.1", "--pack", "7"), "choose.presentation: "),
    (("plan", "--order", "0001.1", "--pack", "-1"), "choose.presentation: "),
    (("plan", "--order", "0001.1", "--site", RED), "choose.site: character 1"),
    (("plan", "--order", "0001.1", "--dose", "50 mg"), "order.dose.chosen: "),
    (("plan", "--order", "0001.1", "--scan", "batch:"), "stock list"),
    (("plan", "--order", "0001.1", "--scan", HALF), "U+DCFF"),
    (("plan", "--order", "0001.1", "--accept", "allergy-not-asked"), "--accept"),
    (("plan", "--order", "0001.1", "--accept", "alergy-not-asked=asleep"), '"alergy-not-asked"'),
    (("plan", "--order", "0001.1", "--accept", f"allergy-not-asked={RED}"), "accepted[0].reason: "),
    # given
    (("given", *ADA), "--patient, --medicine"),
    (("given", "abc", *ADA), '"abc"'),
    (("given", "0" * 64, *ADA), "no plan"),
    (("given", HALF, *ADA), "U+DCFF"),
    (("given", LONG, *ADA), "xxx"),
    (("given", "{plan}", "--given-by", " "), "--given-by"),
    (("given", "{plan}", "--given-by", RED), "given_by: character 1"),
    (("given", "{plan}", *ADA, "--checked-by", "ada example"), "second checker"),
    (("given", "{plan}", *ADA, "--part", "0 mL"), '"0 mL"'),
    (("given", "{plan}", *ADA, "--part", "half"), '"half"'),
    (("given", "{plan}", *ADA, "--at", "2030-01-01 00:00"), "future"),
    (("given", "{plan}", *ADA, "--place", "deltoid"), '"deltoid"'),
    (("given", "{plan}", *ADA, "--place", f"left {RED}", "--place", "right deltoid"), "site: "),
    (("given", "{plan}", *ADA, "--note", LONG), "note: a text of 3000"),
    (("given", *ADA, "--patient", "9999", "--medicine", "velorin"), '"9999"'),
    (("given", *ADA, "--patient", "0001", "--medicine", RED), "medicine: character 1"),
    (("given", *ADA, "--patient", "0001", "--medicine", "velorin", "--amount", "5U"), "amount: "),
    (("given", *ADA, "--patient", "0001", "--medicine", "velorin", "--amount", "-5 mg"), "amount: "),
    (("given", *ADA, "--patient", "0001", "--medicine", "velorin", "--scan", "batch:none"), "none"),
    # not-given
    (("not-given", "0001.9", "--reason", "refused", *BY), '"0001.9"'),
    (("not-given", "0001.1", "--reason", "tired", *BY), '"tired"'),
    (("not-given", "0001.1", "--reason", "other", *BY), "--words"),
    (("not-given", "0001.1", "--reason", "refused", "--by", " "), "--by"),
    (("not-given", "0001.1", "--reason", "refused", *BY, "--words", LONG), "words: a text of 3000"),
    (("not-given", "0001.1", "--reason", "refused", *BY, "--at", "2030-01-01 00:00"), "future"),
    # correction
    (("correction", "0001-6", *WHY), "nothing is changed"),
    (("correction", "0001-6", "--reason", " ", *BY, "--void"), "--reason"),
    (("correction", "0001-6", "--reason", "x", "--by", " ", "--void"), "--by"),
    (("correction", "0001-6", "--reason", RED, *BY, "--void"), "reason: character 1"),
    (("correction", "0001-99", *WHY, "--void"), '"0001-99"'),
    (("correction", "0001-" + "9" * 5000, *WHY, "--void"), "is no entry"),
    (("correction", "0001-²", *WHY, "--void"), "is no entry"),
    (("correction", "velorin", *WHY, "--void"), '"velorin"'),
    (("correction", f"{HALF}-1", *WHY, "--void"), "U+DCFF"),
    (("correction", "0001-6", *WHY, "--at", "2030-01-01 00:00"), "future"),
    (("correction", "0001-6", *WHY, "--volume", "0 mL"), '"0 mL"'),
    (("correction", "0001-6", *WHY, "--volume", "5 mg"), '"5 mg"'),
    (("correction", "0001-6", *WHY, "--place", f"left {RED}"), "site: character 1"),
    (("correction", "0001-6", *WHY, "--belongs-to", "0001"), "0001"),
    (("correction", "0001-6", *WHY, "--belongs-to", "9999"), '"9999"'),
    (("correction", "0001-7", *WHY, "--volume", "1 mL"), "no volume"),
    (("correction", "0001-8", *WHY, "--volume", "1 mL"), "no volume"),
    (("correction", "0001-8", *WHY, "--place", "left deltoid"), "no places"),
    (("correction", "0001-9", *WHY, "--scan", VIAL), "no scans"),
    (("correction", "0001-9", *WHY, "--place", "left knee"), '"knee"'),
    # inspect
    (("inspect", "9999", "--place", "left deltoid", "--kind", "lump"), '"9999"'),
    (("inspect", "0001", "--place", "deltoid", "--kind", "lump"), '"deltoid"'),
    (("inspect", "0001", "--place", "left deltiod", "--kind", "lump"), '"deltiod"'),
    (("inspect", "0001", "--place", "left deltoid", "--kind", " "), "kind: missing"),
    (("inspect", "0001", "--place", "left deltoid", "--kind", RED), "kind: character 1"),
    (("inspect", "0001", "--place", "left deltoid", "--kind", "lump", "--size", "-3"), "size_mm: "),
    (("inspect", "0001", "--place", "left deltoid", "--kind", "lump", "--size", "9" * 12), "size_mm: "),
    (("inspect", "0001", "--place", "left deltoid", "--kind", "lump", "--size", ""), "size_mm: "),
    (("inspect", "0001", "--place", "left deltoid", "--kind", "lump", "--by", RED), "by: character 1"),
    # chart and trace
    (("chart", "9999"), '"9999"'),
    (("chart", HALF), "U+DCFF"),
    (("chart", LONG), "xxx..."),
    (("trace", "--patient", "9999"), '"9999"'),
    (("trace", "--batch", ""), "--batch"),
    (("trace", "--batch", HALF), "batch: character 1"),
    (("trace", "--batch", LONG), "batch: a text of 3000"),
    (("trace", "--batch", "D220", "--code", "vial"), "vial"),
    # policy
    (("policy", "use", "france", "--zone", "Europe/Paris"), "france"),
    (("policy", "use", "uk", "--zone", "Europe"), '"Europe"'),
    (("policy", "use", "uk", "--zone", "../../etc/passwd"), "passwd"),
    (("policy", "use", "uk", "--zone", LONG), "xxx..."),
    (("policy", "use", "uk", "--zone", "Europe/London", "--by", RED), "by: character 1"),
    (("policy", "show", "france"), "france"),
    # demo
    (("demo", "--keep", "{order}"), "exists already"),
)


@pytest.mark.parametrize(("arguments", "says"), TYPED)
def test_what_is_typed_wrong_is_refused_by_name(room: Room, arguments: tuple[str, ...], says: str) -> None:
    order = room.file("order.json", ORDER)
    typed = [one.replace("{plan}", room.plan).replace("{order}", order) for one in arguments]
    room.refuses(*typed, says=(says,))


# Each of these would once have done nothing with what was typed, or two things at once.
CONTRADICTIONS: tuple[tuple[tuple[str, ...], str], ...] = (
    (("plan", "{request}", "--site", "deltoid"), "--site: only with --order"),
    (("plan", "{request}", "--side", "left"), "--side: "),
    (("plan", "{request}", "--point", "B2"), "--point: "),
    (("plan", "{request}", "--pack", "0"), "--pack: "),
    (("plan", "{request}", "--dose", "50 mg"), "--dose: "),
    (("plan", "{request}", "--scan", VIAL), "--scan: "),
    (("plan", "{request}", "--accept", "allergy-not-asked=asleep"), "--accept: "),
    (("plan", "{request}", "--at", "2026-03-02 09:00"), "--at: "),
    (("plan", "--lines", "{request}", "--site", "deltoid"), "--site: "),
    (("plan", "{request}", "--order", "0001.1"), "--order ORDER"),
    (("plan", "--lines", "--order", "0001.1"), "--lines"),
    (("scan", VIAL, "--photo", "{request}"), "--photo"),
    (("scan",), "--photo"),
    (("scan", "--lines", "--photo", "{request}"), "--lines"),
    (("given", "{plan}", *ADA, "--patient", "0002"), "--patient: the plan says that"),
    (("given", "{plan}", *ADA, "--medicine", "other"), "--medicine: "),
    (("given", "{plan}", *ADA, "--amount", "5 mg"), "--amount: "),
    (("given", "{plan}", *ADA, "--reported"), "--reported: "),
    (("given", *ADA, "--patient", "0001", "--medicine", "velorin", "--part", "1 mL"), "--part: "),
    (("given", *ADA, "--patient", "0001", "--medicine", "velorin", "--anyway", "--twice"), "--anyway, --twice: "),
    (("given", *ADA, "--patient", "0001", "--medicine", "velorin", "--accept", "too-soon=x"), "--accept: "),
    (("given", *ADA, "--patient", "0001", "--medicine", "velorin", "--reported", "--scan", VIAL), "--scan: "),
    (("correction", "0001-6", *WHY, "--void", "--belongs-to", "0002"), "--belongs-to: "),
    (("correction", "0001-6", *WHY, "--void", "--volume", "1 mL"), "--volume: "),
    (("correction", "0001-6", *WHY, "--belongs-to", "0002", "--place", "left deltoid"), "--place: "),
    (("chart", "0001", "--review"), "one of them"),
    (("chart", "--review", "--near-misses"), "one of them"),
    (("trace", "--batch", "D220", "--patient", "0001"), "either a batch or a patient"),
    (("trace", "--patient", "0001", "--code", "09501101531017"), "--code: "),
    ((*NOTE, "--allergy", "none known", "--allergy", "latex"), '"none known"'),
    ((*NOTE, "--weight", "70 kg", "--allergy-severity", "mild"), "--allergy-severity: "),
    ((*NOTE, "--weight", "70 kg", "--allergy-kind", "intolerance"), "--allergy-kind: "),
    ((*NOTE, "--weight", "70 kg", "--side", "left"), "--side: "),
    ((*NOTE, "--weight", "70 kg", "--reason", "surgery"), "--reason: "),
    ((*NOTE, "--weight", "70 kg", "--at", "2026-03-02 08:00"), "--at: "),
    ((*NOTE, "--weight", "70 kg", "--watched-by", "INR=2-3"), "--watched-by: "),
    ((*NOTE, "--allergy", "latex", "--on", "2026-03-01"), "--on: "),
    ((*NOTE, "--allergy", "latex", "--how", "guessed"), "--how: "),
    ((*NOTE, "--avoid", "lft arm"), '"lft arm"'),
    ((*NOTE, "--avoid", "left leg", "--side", "right"), "patient.avoid[0].side: "),
    ((*NOTE, "--use-again", "right arm"), "Ruled out: left arm"),
    (("stock", "receive", VIAL, "--count", "5", "--batch", "OTHER"), "--batch: "),
    (("stock", "receive", VIAL, "--count", "5", "--expiry", "2028-01-01"), "--expiry: "),
    (("stock", "change", "D220", "opened", "--count", "5"), "--count: only with wasted"),
    (("stock", "change", "D220", "moved", "--place", "ward", "--at", "2026-03-02 08:00"), "--at: only with opened"),
    (("stock", "change", "D220", "quarantined", "--reason", "warm", "--place", "ward"), "--place: only with moved"),
)


@pytest.mark.parametrize(("arguments", "says"), CONTRADICTIONS)
def test_what_would_do_nothing_or_two_things_is_refused(room: Room, arguments: tuple[str, ...], says: str) -> None:
    request = room.file("request.json", PUBLIC)
    typed = [one.replace("{plan}", room.plan).replace("{request}", request) for one in arguments]
    room.refuses(*typed, says=(says,))


# --- times, names, and nothing by halves --------------------------------------------------------------------------


@pytest.mark.parametrize(
    "time",
    [
        "2026-03-01",  # a day alone is no time of giving
        "09:40",
        "yesterday",
        "2026-13-01 09:40",
        "2026-03-01 25:00",
        "2026-W10-1T09:40",
        "20260301T0940",
        "0001-01-01 00:00",
        "9999-12-31 23:59-14:00",
        "2026-03-01 09:40+99:00",
        "",
        "9" * 3000,
        RED,
    ],
)
def test_what_is_no_time_is_refused_wherever_a_time_is_typed(room: Room, time: str) -> None:
    expected = "expected a day and a time"
    room.refuses("plan", "--order", "0001.1", "--at", time, says=(expected,))
    room.refuses("given", room.plan, *ADA, "--at", time, says=(expected,))
    room.refuses("not-given", "0001.1", "--reason", "refused", *BY, "--at", time, says=(expected,))
    room.refuses("inspect", "0001", "--place", "left deltoid", "--kind", "lump", "--at", time, says=(expected,))
    room.refuses(*NOTE, "--reading", "INR=2.5", "--at", time, says=(expected,))


# In London the clocks went forward on 2026-03-29 at 01:00 and back on 2025-10-26 at 02:00 (Summer Time Order 2002,
# SI 2002/262: the last Sundays of March and October, 01:00 UTC).
def test_a_time_that_the_clock_skipped_is_refused(room: Room) -> None:
    room.refuses("plan", "--order", "0001.1", "--at", "2026-03-29 01:30", says=("forward", "2026-03-29 01:30"))


def test_a_time_that_the_clock_showed_twice_must_bring_its_offset(room: Room, own_room: Room) -> None:
    room.refuses(
        *("not-given", "0001.1", "--reason", "refused", *BY, "--at", "2025-10-26 01:30"),
        says=("twice", "2025-10-26 01:30+01:00", "2025-10-26 01:30+00:00"),
    )
    for offset in ("+01:00", "+00:00"):
        entry = own_room.does("not-given", "0001.1", "--reason", "refused", *BY, "--at", f"2025-10-26 01:30{offset}")
        assert entry["body"]["at"] == f"2025-10-26T01:30:00{offset}"


def test_a_time_without_offset_is_by_the_clock_of_the_place(own_room: Room) -> None:
    entry = own_room.does("not-given", "0001.1", "--reason", "refused", *BY, "--at", "2025-07-01 09:40")
    assert entry["body"]["at"] == "2025-07-01T09:40:00+01:00"  # British Summer Time


def test_today_is_the_day_at_the_place_and_not_in_greenwich(tmp_path: Path) -> None:
    room = Room(tmp_path)
    # 2026-03-02 09:00 UTC is 22:00 in Auckland; three hours later it is 2026-03-03 there (New Zealand is at +13:00
    # until the first Sunday of April: Time Act 1974).
    room.does("policy", "use", "nz", "--zone", "Pacific/Auckland")
    desk = Desk(record=room.record, clock=lambda: datetime(2026, 3, 2, 12, 0, tzinfo=UTC))

    def run(*arguments: str) -> Any:
        result = CliRunner().invoke(drawup, ["--record", str(room.record), *arguments, "--json"], obj=desk)
        assert result.exit_code == 0, result.output
        return json.loads(result.output)

    run("patient", "add", "--family", "Pike", "--given", "Baby", "--born", "2026-03-03")
    run("patient", "note", "0001", "--weight", "3500 g", "--on", "2026-03-03")
    run("patient", "note", "0001", "--height", "50 cm")
    assert run("chart", "0001")["height"]["on"] == "2026-03-03"
    run("formulary", "add", room.file("velorin.json", MEDICINE))
    run("order", "add", "0001", room.file("order.json", ORDER))
    assert run("order", "stop", "0001.1", "--reason", "ended")["stopped"] == "2026-03-03"


def test_several_facts_are_noted_all_or_none(room: Room) -> None:
    before = room.does("chart", "0001")
    room.refuses(*NOTE, "--weight", "81.4 kg", "--consent", "spoken", "--height", "tall", says=("patient.height",))
    assert room.does("chart", "0001") == before


def test_a_region_is_used_again_however_it_was_written(own_room: Room) -> None:
    own_room.does(*NOTE, "--use-again", "arm", "--side", "left")
    assert own_room.does("chart", "0001")["ruled_out"] == []


def test_a_plan_is_found_by_its_first_figures_in_any_case(own_room: Room) -> None:
    plan = own_room.does("plan", "--order", "0002.1", "--accept", "allergy-not-asked=asleep")["plan"]
    typed = f" {plan[:12].upper()} "
    entry = own_room.does("given", typed, *ADA, "--scan", "batch:D220", "--accept", "allergy-not-asked=asleep")
    assert entry["body"]["plan"] == plan


def test_names_with_apostrophes_and_hyphens_are_kept(room: Room) -> None:
    assert room.does("chart", "0001")["name"] == "O'BRIEN-EXAMPLE, Séan"


def test_a_policy_that_cannot_be_used_begins_no_record(tmp_path: Path) -> None:
    room = Room(tmp_path)
    wrong = room.file("policy.toml", b"format = 2\n")
    attempts = (
        ("france", "--zone", "Europe/Paris"),
        (wrong, "--zone", "Europe/London"),
        ("uk", "--zone", "Mars"),
        ("uk", "--zone", "Europe/London", "--by", RED),
    )
    for attempt in attempts:
        check_told(room.run("policy", "use", *attempt), 2)
        assert not room.record.exists()


def test_a_recall_of_an_unknown_batch_says_so(room: Room) -> None:
    assert "No such batch was ever received" in room.run("trace", "--batch", "X999").output
    assert "D220 was" in room.run("trace", "--batch", "d220").output


def test_what_was_given_can_be_written_whatever_the_scan_says(own_room: Room) -> None:
    before = own_room.head()[0]
    free = ("given", *ADA, "--patient", "0001", "--medicine", "velorin", "--prepared-by", "Ben Example")
    for code in ("", RED, "(01)09501101531017(10)" + "D" * 300, "(01)09501101531018"):
        assert own_room.does(*free, "--scan", code)["body"]["prepared_by"] == "Ben Example"
    plan = own_room.does("plan", "--order", "0002.1", code=4)["plan"]
    entry = own_room.does("given", plan, *ADA, "--scan", "(01)09501101531017(10)" + "D" * 300, "--anyway")
    assert entry["body"]["containers"][0]["name"] == "velorin"
    assert own_room.head()[0] > before
    assert own_room.does("chart", "--review")
    assert own_room.does("check-record")["whole"] is True


def test_a_corrected_volume_is_that_of_the_injection_too(own_room: Room) -> None:
    body = own_room.does("correction", "0001-6", *WHY, "--volume", "1.5 mL")
    assert body["kind"] == "correction"
    (entry,) = [one for one in own_room.does("chart", "0001")["entries"] if one["entry"] == "0001-6"]
    assert entry["body"]["amount"] == "75 mg"  # 50 mg/mL x 1.5 mL
    assert [one["volume_ml"] for one in entry["body"]["injections"]] == ["1.5"]


def test_an_entry_of_any_kind_moved_to_another_patient_can_be_reviewed(own_room: Room) -> None:
    for entry in ("0001-6", "0001-7", "0001-8", "0001-9"):
        own_room.does("correction", entry, *WHY, "--belongs-to", "0002")
    assert len(own_room.does("chart", "--review")) == 4
    check_told(own_room.run("chart", "--review"), 0)
    check_told(own_room.run("chart", "0001"), 0)
    check_told(own_room.run("chart", "0002"), 0)


SEALS = {
    "empty": b"",
    "zero bytes": b"\0" * 100_000,
    "no text": bytes(range(128, 256)) * 50,
    "another file": WHOLE.encode(),
    "no figures": b"record x\ntaken at 2026-03-02T09:00:00.000000Z\nfacts many\nseal " + b"0" * 64,
    "no time": b"record x\ntaken at noon\nfacts 1\nseal " + b"0" * 64,
    "a short hash": b"record x\ntaken at 2026-03-02T09:00:00.000000Z\nfacts 1\nseal 00",
}


@pytest.mark.parametrize("name", SEALS)
def test_a_broken_seal_is_refused(room: Room, name: str) -> None:
    room.refuses("check-record", "--seal", room.file("seal.txt", SEALS[name]), says=("seal",))


POLICIES = {
    "empty": b"",
    "no text": b"\xff\xfe",
    "no TOML": b"mark_tolerance",
    "nan": b'format = 1\nstarts_from = "uk"\n[mark_tolerance]\nvalue = nan\nreason = "x"\nsource = "y"\n',
    "deep": b"a = " + b"[" * 100_000,
    "a list where a word stands": b'format = 1\nstarts_from = ["uk"]\n',
    "a date where a word stands": b'format = 1\nstarts_from = "uk"\npreset = 2026-03-02\n',
    "a colour": b'format = 1\nstarts_from = "\\u001b[31m"\n',
}


@pytest.mark.parametrize("name", POLICIES)
def test_a_broken_policy_is_refused(room: Room, name: str) -> None:
    path = room.file("policy.toml", POLICIES[name])
    room.refuses("policy", "check", path, says=("policy.toml",), code=1)
    room.refuses("policy", "use", path, "--zone", "Europe/London", says=("policy.toml",))


# --- the real program ---------------------------------------------------------------------------------------------


def program(room: Room, *arguments: str, given: bytes = b"", **environment: str) -> subprocess.CompletedProcess[bytes]:
    """The console script as a process of its own."""
    command = [sys.executable, "-m", "drawup", "--record", str(room.record), *arguments]
    return subprocess.run(
        command, input=given, capture_output=True, timeout=60, check=False, env={**os.environ, **environment}
    )


def test_binary_on_standard_input_is_refused_by_the_real_program(room: Room) -> None:
    done = program(room, "plan", "-", given=os.urandom(100_000) + b"\xff")
    assert (done.returncode, done.stdout) == (2, b"")
    assert b"not UTF-8 text" in done.stderr
    assert b"Traceback" not in done.stderr


def test_a_name_that_is_no_text_is_refused_by_the_real_program(room: Room) -> None:
    # Where names are bytes, one that is no text is read as half a character.
    half = os.fsdecode(b"\xff") if os.name == "posix" else "\udcff"
    for arguments in (("plan", f"{half}.json"), ("chart", half, "--json"), ("scan", half, "--json")):
        done = program(room, *arguments)
        assert done.returncode in (1, 2)
        assert done.stdout + done.stderr
        assert b"Traceback" not in done.stderr
        if "--json" in arguments:
            assert isinstance(json.loads(done.stdout), dict)


def test_a_terminal_that_cannot_show_a_name_shows_its_code(room: Room) -> None:
    done = program(room, "chart", "0001", PYTHONIOENCODING="iso8859-7")
    assert (done.returncode, done.stderr) == (0, b"")
    assert b"S\\xe9an" in done.stdout


def test_a_reader_that_stops_reading_is_no_fault(room: Room) -> None:
    command = [
        sys.executable,
        "-m",
        "drawup",
        "plan",
        "--lines",
        room.file("many.jsonl", (WHOLE + "\n").encode() * 300),
    ]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as running:
        assert running.stdout is not None
        assert running.stderr is not None
        running.stdout.readline()
        running.stdout.close()
        told = running.stderr.read()
        assert running.wait(timeout=60) == 1
    assert b"Traceback" not in told


def test_a_fault_of_our_own_is_a_sentence_too(room: Room) -> None:
    # A command that breaks inside stands in for the fault that nobody has found yet.
    broken = (
        "import drawup.cli.main as m, drawup.service.tracing as t\n"
        "def chart(*_): raise KeyError('invented')\n"
        "t.chart = chart\n"
        "m.main()\n"
    )
    command = [sys.executable, "-c", broken, "--record", str(room.record), "chart", "0001"]
    done = subprocess.run(command, capture_output=True, timeout=60, check=False)
    assert done.returncode == 70
    assert b"a fault in Drawup itself" in done.stderr
    assert b"KeyError" in done.stderr
    assert b"Traceback" not in done.stderr


def test_the_room_for_the_tests_is_what_they_say(room: Room) -> None:
    entries = room.does("chart", "0001")["entries"]
    assert [(one["entry"], one["kind"]) for one in entries] == [
        ("0001-6", "given"),
        ("0001-7", "given"),
        ("0001-8", "not given"),
        ("0001-9", "inspection"),
    ]
    assert copy.deepcopy(PUBLIC) == json.loads(WHOLE)
