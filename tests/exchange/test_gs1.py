"""GS1 codes: the published cases of `gs1_cases.toml`, lost separators, and what holds for every text."""

from __future__ import annotations

import datetime
import json
import pathlib
import subprocess
import sys
import tomllib
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drawup.exchange import _gs1_rules
from drawup.exchange.gs1 import (
    LONGEST_TEXT,
    Scan,
    check_digit_holds,
    expiry_from_yymmdd,
    parse_bracketed,
    parse_element_string,
    read_code,
)

TODAY = datetime.date(2026, 3, 2)
GS = "\x1d"
GTIN = "09501101531017"  # Invented for these tests; its check digit is worked in a test below.
PUBLISHED = tomllib.loads((pathlib.Path(__file__).with_name("gs1_cases.toml")).read_text(encoding="utf-8"))


def cases(*kinds: str) -> list[Any]:
    return [
        pytest.param(case, id=f"{number}-{case['kind']}")
        for number, case in enumerate(PUBLISHED["case"])
        if case["kind"] in kinds
    ]


def read(text: str) -> Scan:
    return read_code(text, today=TODAY)


def elements_of(scan: Scan) -> dict[str, str]:
    own = {"01": scan.gtin, "10": scan.batch, "21": scan.serial}
    return {ai: value for ai, value in own.items() if value is not None} | dict(scan.other)


# --- the published cases


def test_every_published_case_is_used_and_names_its_source() -> None:
    used = cases(
        "date", "date without day 00", "time", "check digit", "characters", "bracketed", "unbracketed", "together",
        "transmission", "link", "expiry", "one element",
    )  # fmt: skip
    assert len(used) == len(PUBLISHED["case"]) == 102
    assert all(PUBLISHED["source"][case["source"]]["address"].startswith("https://") for case in PUBLISHED["case"])


@pytest.mark.parametrize("case", cases("date"))
def test_published_dates_with_day_00_allowed(case: dict[str, Any]) -> None:
    if case["valid"]:
        assert expiry_from_yymmdd(case["input"], today=TODAY)
    else:
        with pytest.raises(ValueError, match="The date reads"):
            expiry_from_yymmdd(case["input"], today=TODAY)


@pytest.mark.parametrize("case", cases("date without day 00"))
def test_published_dates_with_day_00_not_allowed(case: dict[str, Any]) -> None:
    assert read(f"]d201{GTIN}7003{case['input']}1200").accepted is case["valid"]


@pytest.mark.parametrize("case", cases("time"))
def test_published_times(case: dict[str, Any]) -> None:
    assert (parse_element_string(f"7003261231{case['input']}").problems == ()) is case["valid"]


@pytest.mark.parametrize("case", cases("check digit"))
def test_published_check_digits(case: dict[str, Any]) -> None:
    assert check_digit_holds(case["input"]) is case["valid"]


@pytest.mark.parametrize("case", cases("characters"))
def test_published_characters_of_set_82(case: dict[str, Any]) -> None:
    # Field 240 has the same characters as a batch and room for the 29 of one case.
    assert (parse_element_string(f"240{case['input']}").problems == ()) is case["valid"]


@pytest.mark.parametrize("case", cases("bracketed"))
def test_published_bracketed_texts_are_cut_into_fields(case: dict[str, Any]) -> None:
    fields = parse_bracketed(case["input"])
    assert (fields.problems == ()) is case["valid"]
    if case["valid"]:
        assert [list(element) for element in fields.elements] == case["elements"]
        assert parse_element_string(case["unbracketed"].replace("^", GS)) == fields


@pytest.mark.parametrize("case", cases("unbracketed"))
def test_published_unbracketed_texts(case: dict[str, Any]) -> None:
    scan = read(case["input"].replace("^", GS))
    assert scan.accepted is case["valid"]
    if case["valid"]:
        assert elements_of(scan) == dict(case["elements"])


@pytest.mark.parametrize("case", cases("together"))
def test_published_rules_of_fields_together(case: dict[str, Any]) -> None:
    assert read(case["input"]).accepted is case["valid"]


@pytest.mark.parametrize("case", cases("transmission", "link"))
def test_published_transmissions_and_links(case: dict[str, Any]) -> None:
    scan = read(case["input"])
    assert scan.accepted is case["valid"]
    if case["valid"]:
        assert elements_of(scan) == dict(case["elements"])
        assert scan.carrier == case.get("carrier", scan.carrier)


@pytest.mark.parametrize("case", cases("expiry"))
def test_published_expiry_dates(case: dict[str, Any]) -> None:
    today = datetime.date(case["reference_year"], 3, 2)
    assert expiry_from_yymmdd(case["input"], today=today) == case["last_day_of_use"]
    scan = read_code(f"(01){GTIN}(17){case['input']}", today=today)
    assert scan.expiry_date == case["last_day_of_use"]


@pytest.mark.parametrize("case", cases("one element"))
def test_published_single_elements(case: dict[str, Any]) -> None:
    scan = read(f"]d201{GTIN}{case['input']}")
    assert scan.accepted is case["valid"]
    if case["valid"]:
        assert [list(element) for element in scan.other] == case["elements"]


# --- what a container says


def test_the_check_digits_of_the_invented_gtins_hold_by_hand() -> None:
    # 0950110153101: 3 x (0+5+1+0+5+1+1) + (9+0+1+1+3+0) = 39 + 14 = 53, to 60 are 7.
    assert check_digit_holds("09501101531017")
    # 0950110153102: 3 x (0+5+1+0+5+1+2) + (9+0+1+1+3+0) = 42 + 14 = 56, to 60 are 4.
    assert check_digit_holds("09501101531024")


@pytest.mark.parametrize(
    ("gtin", "yymmdd", "batch", "last_day"),
    [
        ("09501101531017", "270331", "K7731", "2027-03-31"),
        ("09501101531017", "260200", "K7731", "2026-02-28"),
        ("09501101531017", "261130", "D204", "2026-11-30"),
        ("09501101531024", "261130", "D219", "2026-11-30"),
        ("09501101531024", "270430", "D220", "2027-04-30"),
    ],
)
def test_a_container_reads_the_same_however_it_is_read(gtin: str, yymmdd: str, batch: str, last_day: str) -> None:
    texts = {
        f"]d201{gtin}17{yymmdd}10{batch}": "GS1 DataMatrix",
        f"]C101{gtin}10{batch}{GS}17{yymmdd}": "GS1-128",
        f"]Q3{GS}01{gtin}17{yymmdd}{GS}10{batch}{GS}": "GS1 QR",
        f"01{gtin}17{yymmdd}10{batch}\r\n": "typed or scanned without identifier",
        f"(01) {gtin} (17) {yymmdd} (10) {batch}": "typed with brackets",
        f"https://id.example/01/{gtin}/10/{batch}?17={yymmdd}#leaflet": "GS1 Digital Link",
        f"]Q1https://id.example/stem/01/{gtin}/10/{batch}?17={yymmdd}&utm=1": "GS1 Digital Link",
    }
    for text, carrier in texts.items():
        assert read(text).as_json() == {
            "accepted": True, "carrier": carrier, "gtin": gtin, "batch": batch, "expiry_date": last_day, "serial": None,
            "other": {}, "problems": [], "raw": text,
        }  # fmt: skip


def test_other_fields_come_back_in_their_order() -> None:
    scan = read(f"]d201{GTIN}112601017104711{GS}21S1{GS}240XY")
    assert scan.other == (("11", "260101"), ("710", "4711"), ("240", "XY"))
    assert scan.as_json()["other"] == {"11": "260101", "710": "4711", "240": "XY"}


@pytest.mark.parametrize(
    ("text", "gtin"),
    [
        ("96385074", "00000096385074"),
        ("416000336108", "00416000336108"),
        ("9501101531017", "09501101531017"),
        ("9 501101 531017", "09501101531017"),
        ("09501101531017", "09501101531017"),
        ("]E09501101531017", "09501101531017"),
        ("]E496385074", "00000096385074"),
        ("]I109501101531017", "09501101531017"),
    ],
)
def test_a_gtin_alone_is_filled_to_14_digits(text: str, gtin: str) -> None:
    scan = read(text)
    assert (scan.accepted, scan.gtin, scan.expiry_date) == (True, gtin, None)


@pytest.mark.parametrize("text", ["9501101531018", "950110153101", "00000000", "]E0950110153101", "]E49501101531017"])
def test_a_gtin_alone_with_a_wrong_or_missing_digit_is_refused(text: str) -> None:
    scan = read(text)
    assert (scan.accepted, scan.gtin) == (False, None)
    assert "GTIN" in scan.problems[0]


def test_an_expiry_time_gives_its_day_and_stays_among_the_other_fields() -> None:
    scan = read(f"(01){GTIN}(7003)2703311200")
    assert scan.expiry_date == datetime.date(2027, 3, 31)
    assert scan.other == (("7003", "2703311200"),)


def test_two_expiry_dates_that_differ_are_refused_and_neither_is_taken() -> None:
    scan = read(f"(01){GTIN}(17)270331(7003)2703301200")
    assert (scan.accepted, scan.expiry_date) == (False, None)
    assert "name two days" in scan.problems[0]


def test_the_century_follows_the_day_given_and_not_the_clock() -> None:
    # GS1 General Specifications 7.12: 49 years past to 50 ahead. In 2060 the year 10 is 2110, in 1990 26 is 2026.
    assert expiry_from_yymmdd("100101", today=datetime.date(2060, 6, 1)).year == 2110
    assert expiry_from_yymmdd("260101", today=datetime.date(1990, 6, 1)).year == 2026
    assert expiry_from_yymmdd("410101", today=datetime.date(1990, 6, 1)).year == 1941
    assert expiry_from_yymmdd("400101", today=datetime.date(1990, 6, 1)).year == 2040


def test_a_leap_day_exists_only_in_a_leap_year() -> None:
    assert expiry_from_yymmdd("280200", today=TODAY) == datetime.date(2028, 2, 29)
    with pytest.raises(ValueError, match="2027-02 has only 28 days"):
        expiry_from_yymmdd("270229", today=TODAY)


# --- what breaks the standard


def test_a_repeat_with_the_same_value_is_fine_and_with_another_is_refused() -> None:
    assert read(f"]d201{GTIN}10K7731{GS}10K7731").accepted
    scan = read(f"]d201{GTIN}10K7731{GS}10K7732")
    assert (scan.accepted, scan.batch) == (False, None)
    assert "'K7731'" in scan.problems[0]
    assert "'K7732'" in scan.problems[0]


@pytest.mark.parametrize(
    ("text", "word"),
    [
        (f"]d201{GTIN}17271331", "YYMMDD"),
        (f"]d201{GTIN}17270230", "only 28 days"),
        (f"]d201{GTIN}1727033", "expected 6 digits"),
        (f"]d20195011015310{GS}10K7731", "expected 14 digits"),
        (f"]d201{GTIN}10{GS}21S1", "is empty"),
        (f"]d201{GTIN}10K 7731", "' ' is not among"),
        (f"]d201{GTIN}04K7731", "Application Identifier"),
        (f"]d201{GTIN}{GS}{GS}10K7731", "Application Identifier"),
        ("(10)K7731(17)270331", "needs GTIN (01)"),
        (f"(01){GTIN}(1O)K7731", "(1O) is no GS1"),
        (f"(01){GTIN[:-1]}", "expected 14 digits"),
        ("]A0K7731", "names no kind of code"),
        ("K7731", "no GTIN in it"),
        ("991234", "no GTIN in it"),
        (f"https://id.example/01/{GTIN}?10=K7731", "before the question mark"),
        (f"https://id.example/01/{GTIN}/21/S1/10/K7731", "may not follow"),
        (f"https://id.example/01/{GTIN[1:]}", "expected 14 digits"),
        (f"https:///01/{GTIN}", "name a host"),
        ("https://id.example/leaflet", "no GS1 key"),
        ("٠١٠٩٥٠١١٠١٥٣١٠١٧", "no GTIN in it"),
        ("]d201٠٩٥٠١١٠١٥٣١٠١٧", "not among the characters"),
    ],
)
def test_a_broken_code_is_refused_with_its_reason(text: str, word: str) -> None:
    scan = read(text)
    assert not scan.accepted
    assert word in " ".join(scan.problems)
    assert scan.raw == text


def test_a_field_that_breaks_a_rule_is_not_given() -> None:
    scan = read(f"(01){GTIN}(17)271331(10)K 7731(21)S1")
    assert (scan.gtin, scan.expiry_date, scan.batch, scan.serial) == (GTIN, None, None, "S1")
    assert len(scan.problems) == 2


def test_a_batch_that_holds_once_and_once_does_not_is_not_given() -> None:
    scan = read(f"(01){GTIN}(10)K7731(10)K 7731")
    assert (scan.accepted, scan.batch) == (False, None)


@pytest.mark.parametrize(
    ("text", "pair"),
    [
        # The check digits are those of published cases: 123456789012345675 and 12345678901231.
        ("]d28017123456789012345675\x1d8018123456789012345675", "(8017) and GSRN - RECIPIENT (8018)"),
        (f"]d2001234567890123456750212345678901231371{GS}01{GTIN}", "(02) and GTIN (01)"),
        (f"]d28006123456789012310102{GS}01{GTIN}", "(8006) and GTIN (01)"),
    ],
)
def test_fields_that_exclude_each_other_are_refused(text: str, pair: str) -> None:
    assert any(f"{pair} may not stand in one code" in problem for problem in read(text).problems)


def test_a_plus_is_a_plus_in_the_path_of_a_link_and_a_space_in_its_query() -> None:
    assert read(f"https://id.example/01/{GTIN}/10/A+B").batch == "A+B"
    assert "' ' is not among" in read(f"https://id.example/01/{GTIN}?240=A+B").problems[0]


def test_a_text_longer_than_any_code_is_refused_and_comes_back_whole() -> None:
    text = f"]d201{GTIN}" + "9" * LONGEST_TEXT
    scan = read(text)
    assert not scan.accepted
    assert "at most 4000" in scan.problems[0]
    assert scan.raw == text


def test_the_plain_qr_of_a_leaflet_is_accepted_as_what_it_is_and_gives_no_gtin() -> None:
    scan = read("]Q1https://clinic.example/leaflet")
    assert (scan.accepted, scan.carrier, scan.gtin) == (True, "plain QR, not GS1", None)


# --- the lost separator


@pytest.mark.parametrize(
    ("lost", "tail"),
    [
        (f"01{GTIN}10K773117270331", "17270331"),
        (f"01{GTIN}1727033110ABC12321SER9", "21SER9"),
        (f"]d201{GTIN}21S004117270331", "17270331"),
        (f"01{GTIN}1727033121S004110K7731", "10K7731"),
        (f"01{GTIN}21S41727033110K7", "1727033110K7"),
        (f"{GS}01{GTIN}10K773117270331", "17270331"),
        (f"01{GTIN}710471117270331", "17270331"),
        (f"01{GTIN}1727033110K7731<GS>21S1", "<GS>"),
    ],
)
def test_a_field_that_may_hold_the_next_one_is_reported_and_not_split(lost: str, tail: str) -> None:
    scan = read(lost)
    assert not scan.accepted
    assert f"{tail!r} in it may be the next field" in scan.problems[0]
    assert tail in (scan.batch or scan.serial or dict(scan.other)["710"])


@pytest.mark.parametrize("batch", ["ABCDEFGHIJKLMNOPQRSTU", "ABCDEFGHIJKLMNOPQRST17270331", "ABCDEFGHIJKLMNOPQRST99X"])
def test_a_batch_over_20_characters_is_refused_and_not_cut_after_the_20th(batch: str) -> None:
    scan = read(f"]d201{GTIN}10{batch}")
    assert (scan.accepted, scan.batch, scan.expiry_date, scan.other) == (False, None, None, ())
    assert "separator after it was probably lost" in scan.problems[0]


@pytest.mark.parametrize(
    "sound",
    [
        f"01{GTIN}1727033110D219",
        f"01{GTIN}10K17990",
        f"01{GTIN}10K17271331",
        f"01{GTIN}1727033110K773117270331",
        f"]d201{GTIN}10K773117270331{GS}1727033121S1",
        f"(01){GTIN}(10)K773117270331",
        f"https://id.example/01/{GTIN}/10/K773117270331",
        f"01{GTIN}2104711081512",
    ],
)
def test_a_true_batch_that_holds_17_or_21_is_not_suspected(sound: str) -> None:
    assert read(sound).problems == ()


def test_a_reader_known_to_keep_separators_is_not_suspected() -> None:
    assert read_code(f"]d201{GTIN}10K773117270331", today=TODAY, separators_kept=True).accepted


# --- the tables and the import


def test_the_fixed_lengths_are_those_of_the_list_of_identifiers() -> None:
    from biip.gs1_application_identifiers import _GS1_APPLICATION_IDENTIFIERS as LISTED

    assert len(LISTED) > 500
    for ai, identifier in LISTED.items():
        length = _gs1_rules.FIXED_LENGTHS.get(ai[:2])
        assert identifier.separator_required is (length is None)
        assert length is None or identifier.format.endswith(f"+N{length}")


def test_reading_no_code_does_not_pay_for_the_list_of_identifiers() -> None:
    program = "import sys, drawup.exchange.gs1, drawup.exchange.photo; print('biip' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"


# --- what holds for every text

SET_82 = "!\"%&'()*+,-./0123456789:;<=>?ABCDEFGHIJKLMNOPQRSTUVWXYZ_abcdefghijklmnopqrstuvwxyz"
BEGINNINGS = [
    "",
    "]d2",
    "]Q1",
    "]E0",
    "]C1",
    "(01)",
    f"(01){GTIN}",
    f"]d201{GTIN}",
    GS,
    "https://a/01/",
    "https://a/b?",
]
any_text = st.builds(
    "".join, st.tuples(st.sampled_from(BEGINNINGS), st.text() | st.text(alphabet=f"0123789()/?&=%^\\]{GS} AK<>"))
)
values = st.text(alphabet=SET_82, min_size=1, max_size=20).filter(
    lambda value: "<GS>" not in value and "<FNC1>" not in value
)
dates = st.dates(min_value=datetime.date(1977, 1, 1), max_value=datetime.date(2076, 12, 31))


@st.composite
def gtins(draw: st.DrawFn) -> str:
    digits = draw(st.text(alphabet="0123456789", min_size=13, max_size=13).filter(lambda text: text.strip("0") != ""))
    # The other way to a check digit: the one that makes the weighted sum of all 14 digits a multiple of 10.
    weights = (3, 1) * 7
    return next(
        digits + last
        for last in "0123456789"
        if sum(weight * int(digit) for weight, digit in zip(weights, digits + last, strict=True)) % 10 == 0
    )


@settings(deadline=None)
@given(any_text)
def test_every_text_gives_an_answer_that_is_json_and_holds_the_text(text: str) -> None:
    scan = read(text)
    assert scan.raw == text
    assert scan.accepted is (scan.problems == ())
    assert all(problem.endswith((".", "\\(.")) for problem in scan.problems)
    assert json.loads(json.dumps(scan.as_json()))["raw"] == text


@settings(deadline=None)
@given(st.data(), gtins(), dates, values, values)
def test_a_valid_element_string_is_read_back_exactly(
    data: st.DataObject, gtin: str, expiry: datetime.date, batch: str, serial: str
) -> None:
    parts = data.draw(st.permutations([("01", gtin), ("17", f"{expiry:%y%m%d}"), ("10", batch), ("21", serial)]))
    text = "]d2" + "".join(f"{ai}{value}{GS if ai in ('10', '21') else ''}" for ai, value in parts).removesuffix(GS)
    scan = read(text)
    assert scan.problems == ()
    assert (scan.gtin, scan.expiry_date, scan.batch, scan.serial) == (gtin, expiry, batch, serial)
    escaped = "".join(f"({ai})" + value.replace("(", "\\(") for ai, value in parts)
    typed = read(escaped)
    assert (typed.problems, elements_of(typed)) == ((), elements_of(scan))


@settings(deadline=None)
@given(gtins(), dates, values)
def test_without_any_separator_no_field_is_ever_split(gtin: str, expiry: datetime.date, batch: str) -> None:
    scan = read(f"01{gtin}17{expiry:%y%m%d}10{batch}")
    assert (scan.gtin, scan.expiry_date, scan.batch, scan.serial, scan.other) == (gtin, expiry, batch, None, ())


@settings(deadline=None)
@given(gtins(), st.integers(min_value=0, max_value=13), st.integers(min_value=1, max_value=9))
def test_one_wrong_digit_in_a_gtin_is_always_refused(gtin: str, place: int, step: int) -> None:
    wrong = gtin[:place] + str((int(gtin[place]) + step) % 10) + gtin[place + 1 :]
    for text in (wrong, f"01{wrong}", f"]d201{wrong}10K7731", f"(01){wrong}", f"https://id.example/01/{wrong}"):
        scan = read(text)
        assert (scan.accepted, scan.gtin) == (False, None)
