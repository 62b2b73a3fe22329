"""Facts are bound together by hashes that anybody can work out anew from what is stored."""

from datetime import UTC, datetime, timedelta, timezone
from hashlib import sha256
from pathlib import Path

import pytest

from drawup.record.chain import beginning_hash, fact_hash, link_hash, render_opening, render_time
from drawup.record.store import Store

# Worked out outside the code, with GNU coreutils:
#   (head -c 32 /dev/zero; printf '%s' "$TEXT") | sha256sum
TEXT = '["patient/7",1,"given","2026-03-02T09:00:00.000000Z",["batch/X1"],{"dose":"2.5 mg"}]'
HASH = "a3109769a4f5012f1a4a54f1b70d4d9149add2b2a356a544c9aaa82198dcf7c4"
#   printf '%s' '{"created_at":"2026-03-02T09:00:00.000000Z","format":1,"record":"invented clinic"}' | sha256sum
BEGINNING = "a670b398b577e61f1e2f556637225477cff498550630af5b7ebbf3c883434b40"
#   printf '%s' "$BEGINNING$HASH" | perl -ne 'print pack "H*", $_' | sha256sum
LINK = "162e5bde588e0d752c807e9e82022918be7565c24d57811be74a6b39b3f04007"
#   the same followed by the digest of a document, sha256 of "abc" (FIPS 180-4, example 1)
ABC = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
LINK_WITH_ABC = "a4c15099670a3ec98dc08dc24a09d9f3ad4f29ae80e4978746ce642b0b7ca72c"


def test_the_first_fact_of_a_stream_follows_32_zero_bytes() -> None:
    assert fact_hash(bytes(32), TEXT).hex() == HASH


def test_the_first_link_follows_the_records_own_beginning(store: Store, now: datetime) -> None:
    assert store.head() == (0, BEGINNING)
    with store.writing() as writer:
        fact = writer.append("patient/7", "given", {"dose": "2.5 mg"}, recorded_at=now, keys=["batch/X1"])
    assert fact.text == TEXT
    assert fact.hash == HASH
    assert store.head() == (1, LINK)


def test_a_link_covers_the_documents_kept_since_the_last_one(store: Store, now: datetime) -> None:
    with store.writing() as writer:
        assert writer.keep(b"abc") == ABC
    with store.writing() as writer:
        writer.append("patient/7", "given", {"dose": "2.5 mg"}, recorded_at=now, keys=["batch/X1"])
    assert store.head() == (1, LINK_WITH_ABC)


def test_each_fact_follows_the_one_before_it_in_its_own_stream(store: Store, now: datetime) -> None:
    with store.writing() as writer:
        first = writer.append("patient/1", "given", {}, recorded_at=now)
        writer.append("patient/2", "given", {}, recorded_at=now)
    with store.writing() as writer:
        second = writer.append("patient/1", "given", {}, recorded_at=now)
    assert second.number == 2
    assert second.hash == sha256(bytes.fromhex(first.hash) + second.text.encode()).hexdigest()


def test_two_records_with_the_same_facts_have_different_heads(tmp_path: Path, now: datetime) -> None:
    heads = []
    for name in ("one", "two"):
        with Store.create(tmp_path / name, now=now) as store:
            with store.writing() as writer:
                writer.append("audit", "started", {}, recorded_at=now)
            heads.append(store.head())
    assert heads[0] != heads[1]


def test_a_time_is_written_in_utc_with_a_fixed_width() -> None:
    # 09:00 at two hours ahead of UTC is 07:00 UTC.
    moment = datetime(2026, 3, 2, 9, 0, tzinfo=timezone(timedelta(hours=2)))
    assert render_time(moment) == "2026-03-02T07:00:00.000000Z"
    assert render_time(datetime(987, 1, 1, 0, 0, 0, 5, tzinfo=UTC)) == "0987-01-01T00:00:00.000005Z"


def test_a_time_without_a_zone_is_refused() -> None:
    with pytest.raises(ValueError, match="has no zone"):
        render_time(datetime(2026, 3, 2, 9, 0))


def test_quotes_in_names_are_escaped() -> None:
    assert render_opening('a"b\\c', 3, "given", "T", ['k"', "µ"]) == r'["a\"b\\c",3,"given","T",["k\"","µ"],'


def test_moving_a_character_between_the_parts_of_a_fact_changes_its_text() -> None:
    assert render_opening("ab", 1, "c", "T", []) != render_opening("a", 1, "bc", "T", [])
    assert render_opening("a", 1, "b", "T", ["c,d"]) != render_opening("a", 1, "b", "T", ["c", "d"])


def test_the_beginning_depends_on_the_name_and_the_time() -> None:
    assert beginning_hash("a", "t").hex() != beginning_hash("b", "t").hex()
    assert beginning_hash("a", "t").hex() != beginning_hash("a", "u").hex()


def test_a_link_depends_on_the_order_of_facts() -> None:
    one, two, start = bytes([1]) * 32, bytes([2]) * 32, bytes(32)
    assert link_hash(link_hash(start, one), two) != link_hash(link_hash(start, two), one)
