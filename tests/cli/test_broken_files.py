"""A document, a file, a seal or a policy that is broken: the field or the line is named, and nothing is written.

All people, medicines and codes are invented. What is asserted is the names and figures a person needs, not the whole
sentence.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from tests.cli.room import (
    MEDICINE,
    NOW,
    ORDER,
    WHOLE,
    Room,
    check_told,
)
from tests.exchange.test_schema import PUBLIC, changed

from drawup.cli.main import Desk, drawup

# --- documents ----------------------------------------------------------------------------------------------------


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
    ("reach",),
    ("reach", "--lines"),
    ("rotate",),
    ("rotate", "--lines"),
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


# --- seals and policies ------------------------------------------------------------------------------------------

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
