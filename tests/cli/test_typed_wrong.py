"""What is typed wrong, or contradicts itself, is refused by name. All people, medicines and codes are invented."""

from __future__ import annotations

import copy
import json

import pytest
from tests.cli.room import (
    ADA,
    BY,
    HALF,
    LONG,
    NOTE,
    ORDER,
    RED,
    VIAL,
    WHOLE,
    WHY,
    Room,
)
from tests.exchange.test_schema import PUBLIC

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
    (("given", *ADA, "--patient", "0001", "--medicine", "velorin", "--anyway", "--twice"), "--twice: "),
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


def test_the_room_for_the_tests_is_what_they_say(room: Room) -> None:
    entries = room.does("chart", "0001")["entries"]
    assert [(one["entry"], one["kind"]) for one in entries] == [
        ("0001-6", "given"),
        ("0001-7", "given"),
        ("0001-8", "not given"),
        ("0001-9", "inspection"),
    ]
    assert copy.deepcopy(PUBLIC) == json.loads(WHOLE)
