"""`drawup demo` runs to its end, shows only what its commands returned, and leaves a record that is whole."""

import re
import tempfile
from pathlib import Path

import pytest
from click.testing import CliRunner
from tests.demo.conftest import Walked

from drawup.cli.main import drawup
from drawup.demo import walk as the_walk
from drawup.demo.walk import DemoBroken, walk
from drawup.record.check import check
from drawup.record.seal import parse_seal
from drawup.record.store import Store

# What safety lists warn of (Joint Commission Do Not Use list; ISMP list 2021): units abbreviated, trailing zeros, no
# leading zero, micrograms by their sign or short form, routes by their letters.
WARNED_OF = {
    "IU": r"\bIU\b",
    "U for units": r"\d ?U\b",
    "a trailing zero": r"\d\.\d*0 ?(?:mg|g|mL|micrograms|units|kg|mm)\b",
    "no leading zero": r"(?<![\d.])\.\d",
    "a micro sign": "[\u00b5\u03bc]",
    "mcg": r"\bmcg\b",
    "SC or SQ": r"\b(?:SC|SQ|S/C|subcut)\b",
    "IM": r"\b(?:IM|I/M)\b",
    "cc": r"\d ?cc\b",
    "ml without its capital": r"\d ?ml\b",
}


def test_the_demo_runs_to_its_end(walked: Walked) -> None:
    assert walked.exit_code == 0, walked.printed
    assert walked.printed.rstrip().endswith("delete them when you have done with them.")


def test_its_record_is_whole_and_nothing_before_its_seal_was_changed(walked: Walked) -> None:
    seal = parse_seal(walked.record.with_name("demo-seal.txt").read_text("utf-8"))
    with Store.open(walked.record, read_only=True) as store:
        report = check(store, seal=seal)
    assert report.whole
    assert report.sealed_facts == report.facts > 300


def test_the_wrong_byte_is_in_the_copy_only_and_is_found_in_the_entry_it_changed(walked: Walked) -> None:
    entry = re.search(r"Entry 0014-(\d+): given, 75 mg calvrane", walked.printed)
    assert entry is not None
    with Store.open(walked.record.with_name("demo-wrong-byte.sqlite"), read_only=True) as store:
        broken = check(store).first_break
    assert broken is not None
    assert f"number {entry[1]} of 'patient/0014'" in broken.sentence
    assert broken.sentence in walked.printed


def test_the_colleague_with_the_same_plan_is_told_who_gave_it_and_when(walked: Walked) -> None:
    told = next(line for line in walked.printed.splitlines() if "already recorded" in line)
    assert "Petra" in told
    assert "2026-03-02" in told
    assert "09:40" in told


def test_the_child_is_given_half_and_the_rest_is_said_to_be_outstanding(walked: Walked) -> None:
    # 7.5 mg/kg x 17.3 kg = 129.75 mg; 0.87 mL x 75 mg/mL = 65.25 mg; 129.75 - 65.25 = 64.5 mg.
    assert "65.25 mg was given; 64.5 mg of the dose is outstanding." in walked.printed


def test_the_trap_of_500_units_is_spelt_out(walked: Walked) -> None:
    # 165 / 500 = 0.33 mL, mark 33; 165 marks of 100 units/mL are 1.65 mL, x 500 = 825 units.
    assert "1.65 mL = 825 units, 5 times the dose" in walked.printed


def test_after_the_correction_each_of_the_two_batches_finds_the_patient(walked: Walked) -> None:
    for batch in ("QX118", "QX121"):
        after = walked.printed.split(f"trace --batch {batch}\n")[1].splitlines()
        assert after[0] == f"  | Batch {batch}: 1 patient"
        assert "DUNMORE-SATO, Ezra" in after[1]
        assert "1 of it" in after[1]


def test_each_command_shown_names_the_kept_record(walked: Walked) -> None:
    beginning = f"drawup --record {walked.record.with_suffix('')}"
    shown = re.findall(r"^  \$ (.*)$", walked.printed, re.MULTILINE)
    assert len(shown) > 20
    assert not [line for line in shown if not line.startswith(beginning)]


@pytest.mark.parametrize("what", WARNED_OF)
def test_nothing_printed_is_written_as_safety_lists_warn_of(walked: Walked, what: str) -> None:
    assert not re.findall(f".*{WARNED_OF[what]}.*", walked.printed)


@pytest.mark.parametrize(
    "text", ["5 IU", "5U", "1.0 mg", ".5 mL", "2 \u00b5g", "2 mcg", "5 mg SC", "5 mg IM", "2 cc", "2 ml"]
)
def test_what_they_warn_of_would_be_found(text: str) -> None:
    assert [what for what, pattern in WARNED_OF.items() if re.search(pattern, text)]


def test_it_can_be_read_in_one_go(walked: Walked) -> None:
    # Seven printed pages of 66 lines at most; the first plan is shown whole and takes one of them.
    assert len(walked.printed.splitlines()) <= 7 * 66


def test_without_keep_nothing_is_left_behind(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    result = CliRunner().invoke(drawup, ["demo"])
    assert result.exit_code == 0, result.output
    assert not list(tmp_path.iterdir())
    assert str(tmp_path) not in result.output


def test_a_file_that_exists_is_never_overwritten(tmp_path: Path) -> None:
    kept = tmp_path / "mine.sqlite"
    kept.write_text("mine", "utf-8")
    result = CliRunner().invoke(drawup, ["demo", "--keep", str(kept)])
    assert result.exit_code == 2
    assert "exists already" in result.output
    assert kept.read_text("utf-8") == "mine"
    assert list(tmp_path.iterdir()) == [kept]


def test_nor_is_a_file_beside_it(tmp_path: Path) -> None:
    (tmp_path / "demo-order.toml").write_text("mine", "utf-8")
    result = CliRunner().invoke(drawup, ["demo", "--keep", str(tmp_path / "demo.sqlite")])
    assert result.exit_code == 2
    assert "demo-order.toml exists already" in result.output
    assert [path.name for path in tmp_path.iterdir()] == ["demo-order.toml"]


def test_a_command_that_ends_otherwise_is_named_and_the_demo_blames_itself(tmp_path: Path) -> None:
    with pytest.raises(DemoBroken) as told:
        walk(keep=tmp_path / "demo.sqlite", run=lambda *_: (1, "no ink"), say=lambda _: None)
    assert 'the demo itself broke at "What is due on the ward": exit code 1, expected 0' in str(told.value)
    assert "drawup due --place 'Kelp Ward'" in str(told.value)
    assert "no ink" in str(told.value)


def test_what_is_left_out_is_marked_once() -> None:
    lines = ["  From        a", "  How         b", "              c", "", "  Sources", "      d", "end"]
    assert the_walk._cut(lines, ("How", "Sources")) == ["  From        a", "  [...]", "end"]
