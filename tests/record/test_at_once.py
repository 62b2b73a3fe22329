"""Several processes write at once: nothing is lost or kept twice, and who came second is told who came first."""

from collections import Counter
from collections.abc import Callable
from pathlib import Path

from drawup.record.check import check
from drawup.record.store import Claim, Store

Writing = Callable[..., list[str]]


def said(lines: list[str], word: str) -> list[list[str]]:
    """What follows ``word`` in the lines that begin with it."""
    return [line.split()[1:] for line in lines if line.split()[0] == word]


def test_of_two_processes_that_claim_a_key_one_gets_it_and_the_other_is_told_who(
    path: Path, store: Store, writing: Writing
) -> None:
    store.close()
    lines = writing("claims", path, 2, 40)
    assert said(lines, "ended") == [["0"], ["0"]]
    got = {key: (stream, number) for key, stream, number in said(lines, "got")}
    taken = {key: (stream, number) for key, stream, number in said(lines, "taken")}
    assert len(said(lines, "got")) == len(said(lines, "taken")) == 40, "each key has gone once, and was refused once"
    assert got == taken, "the one that came second was told of the one that came first"
    with Store.open(path) as again:
        assert again.head()[0] == 40, "what the second one wrote in its block is not kept"
        for key, (stream, number) in got.items():
            assert again.claimed(f"planned/{key}") == Claim(key=f"planned/{key}", stream=stream, number=int(number))
        assert check(again).whole


def test_eight_processes_writing_for_a_second_lose_nothing(path: Path, store: Store, writing: Writing) -> None:
    store.close()
    lines = writing("crowd", path, 8, 1)
    assert said(lines, "ended") == [["0"]] * 8
    wrote = {int(who): int(count) for who, count in said(lines, "wrote")}
    assert len(wrote) == 8
    with Store.open(path) as again:
        report = check(again)
        assert report.whole, report.first_break
        assert report.facts == 2 * sum(wrote.values())
        for who, count in wrote.items():
            assert [fact.body["n"] for fact in again.facts(f"patient/{who}")] == list(range(count))
        audit = Counter(fact.body["who"] for fact in again.facts("audit"))
    assert {who: audit[who] for who in wrote} == wrote
