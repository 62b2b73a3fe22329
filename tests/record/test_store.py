"""Facts go in, and come out as they went in."""

import pickle
from contextlib import suppress
from datetime import UTC, datetime, timedelta, timezone
from hashlib import sha256
from pathlib import Path

import pytest

from drawup.record.store import Claim, Claimed, RecordError, Store


def test_a_fact_comes_out_as_it_went_in(store: Store) -> None:
    moment = datetime(2026, 3, 2, 9, 0, 0, 123456, tzinfo=timezone(timedelta(hours=1)))
    body = {"dose": {"amount": "2/3", "unit": "mg"}, "sites": ["deltoid"], "count": 2, "note": None}
    with store.writing() as writer:
        given = writer.append("patient/7", "given", body, recorded_at=moment, keys=["b", "a", "b"])
    read = store.fact("patient/7", 1)
    assert read is not None
    assert read == given
    assert (read.stream, read.number, read.kind, read.position) == ("patient/7", 1, "given", 1)
    assert read.recorded_at == datetime(2026, 3, 2, 8, 0, 0, 123456, tzinfo=UTC)
    assert read.recorded_at.tzinfo is UTC
    assert read.body == body
    assert read.keys == ("a", "b")


def test_a_fact_that_is_not_there_is_none(store: Store) -> None:
    assert store.fact("patient/7", 1) is None


def test_numbers_run_in_each_stream_and_positions_over_the_record(store: Store, now: datetime) -> None:
    with store.writing() as writer:
        facts = [writer.append(name, "given", {}, recorded_at=now) for name in ("a", "b", "a", "a")]
    assert [(fact.stream, fact.number, fact.position) for fact in facts] == [
        ("a", 1, 1),
        ("b", 1, 2),
        ("a", 2, 3),
        ("a", 3, 4),
    ]


def test_the_facts_of_a_stream_come_in_order_over_many_pages(store: Store, now: datetime) -> None:
    with store.writing() as writer:
        for number in range(1, 1202):
            writer.append("patient/7", "given", {"n": number}, recorded_at=now)
            writer.append("audit", "given", {}, recorded_at=now)
    assert [fact.body["n"] for fact in store.facts("patient/7")] == list(range(1, 1202))
    assert [fact.number for fact in store.facts("patient/7", after=1199)] == [1200, 1201]
    assert list(store.facts("patient/8")) == []


def test_facts_are_found_by_key_in_the_order_of_the_record(store: Store, now: datetime) -> None:
    with store.writing() as writer:
        for number in range(6):
            keys = ("batch/B1",) if number % 2 else ("batch/B2",)
            writer.append(f"patient/{9 - number}", "given", {"n": number}, recorded_at=now, keys=keys)
    assert [fact.body["n"] for fact in store.find("batch/B1")] == [1, 3, 5]
    assert store.find("batch/B") == ()


def test_streams_are_listed_by_the_beginning_of_their_name(store: Store, now: datetime) -> None:
    with store.writing() as writer:
        for name in ("patient/10", "patient/9", "patients", "stock/1", "patient/µ", "patient/9"):
            writer.append(name, "added", {}, recorded_at=now)
    assert store.streams("patient/") == ("patient/10", "patient/9", "patient/µ")
    assert store.streams("") == ("patient/10", "patient/9", "patient/µ", "patients", "stock/1")
    assert store.streams("staff/") == ()


def test_a_document_is_kept_once_by_its_content(store: Store) -> None:
    with store.writing() as writer:
        first = writer.keep(b"plan")
        assert writer.keep(b"plan") == first
        writer.keep(b"another")
    with store.writing() as writer:
        assert writer.keep(b"plan") == first
    assert first == sha256(b"plan").hexdigest()
    assert store.kept(first) == b"plan"
    assert store.kept("0" * 64) is None
    assert store.rows("SELECT count(*) FROM document") == [(2,)]


def test_an_empty_document_can_be_kept(store: Store) -> None:
    with store.writing() as writer:
        digest = writer.keep(b"")
    assert store.kept(digest) == b""


def test_a_claimed_key_names_the_fact_that_has_it(store: Store, now: datetime) -> None:
    with store.writing() as writer:
        first = writer.append("patient/7", "given", {}, recorded_at=now)
        writer.claim("planned/1", first)
    with store.writing() as writer:
        second = writer.append("patient/7", "given", {}, recorded_at=now)
        with pytest.raises(Claimed, match="number 1 of 'patient/7'") as refused:
            writer.claim("planned/1", second)
        assert refused.value.claim == Claim(key="planned/1", stream="patient/7", number=1)
    assert store.claimed("planned/1") == Claim(key="planned/1", stream="patient/7", number=1)
    assert store.fact("patient/7", 2) is not None, "it truly happened twice, so it could still be recorded"


def test_a_released_key_can_be_claimed_again(store: Store, now: datetime) -> None:
    with store.writing() as writer:
        first = writer.append("patient/7", "given", {}, recorded_at=now)
        writer.claim("planned/1", first)
    with store.writing() as writer:
        second = writer.append("patient/8", "given", {}, recorded_at=now)
        writer.release("planned/1")
        writer.release("never claimed")
        writer.claim("planned/1", second)
    assert store.claimed("planned/1") == Claim(key="planned/1", stream="patient/8", number=1)


def test_a_fact_that_was_never_kept_claims_nothing(store: Store, now: datetime) -> None:
    with suppress(ZeroDivisionError), store.writing() as writer:
        lost = writer.append("patient/7", "given", {"who": "nobody"}, recorded_at=now)
        raise ZeroDivisionError
    with store.writing() as writer:
        writer.append("patient/7", "given", {}, recorded_at=now)
        with pytest.raises(RecordError, match="is not in this record"):
            writer.claim("planned/1", lost)
    assert store.claimed("planned/1") is None


def test_a_block_that_raises_keeps_nothing(store: Store, now: datetime) -> None:
    with suppress(KeyboardInterrupt), store.writing() as writer:
        fact = writer.append("patient/7", "given", {}, recorded_at=now, keys=["k"])
        digest = writer.keep(b"plan")
        writer.claim("planned/1", fact)
        raise KeyboardInterrupt
    assert store.head()[0] == 0
    assert store.find("k") == ()
    assert store.kept(digest) is None
    assert store.claimed("planned/1") is None


def test_the_writer_sees_its_own_block_and_another_store_does_not(path: Path, store: Store, now: datetime) -> None:
    with Store.open(path) as other, store.writing() as writer:
        fact = writer.append("patient/7", "given", {}, recorded_at=now, keys=["k"])
        digest = writer.keep(b"plan")
        writer.claim("planned/1", fact)
        assert writer.find("k") == (fact,)
        assert list(writer.facts("patient/7")) == [fact]
        assert writer.streams("patient/") == ("patient/7",)
        assert writer.kept(digest) == b"plan"
        assert writer.claimed("planned/1") is not None
        assert other.find("k") == ()
        assert other.streams("patient/") == ()


def test_a_refused_body_in_a_block_leaves_the_rest_of_it_to_be_kept(store: Store, now: datetime) -> None:
    with store.writing() as writer:
        writer.append("patient/7", "given", {}, recorded_at=now)
        with pytest.raises(TypeError, match=r"body\.dose is 0\.5"):
            writer.append("patient/7", "given", {"dose": 0.5}, recorded_at=now)
        writer.append("patient/7", "given", {}, recorded_at=now)
    assert [fact.number for fact in store.facts("patient/7")] == [1, 2]


def test_an_error_caught_between_a_fact_and_its_link_keeps_nothing(store: Store, now: datetime) -> None:
    def catch_and_go_on() -> None:
        with store.writing() as writer:
            writer.append("patient/7", "given", {}, recorded_at=now)
            # A document that the writer does not know of: the fact is accepted, its link is not.
            writer.rows("INSERT INTO document VALUES (1, 'x', x'00')")
            with suppress(RecordError):
                writer.append("patient/7", "given", {}, recorded_at=now)

    with pytest.raises(RecordError, match="An earlier step of this entry failed"):
        catch_and_go_on()
    assert store.head()[0] == 0
    assert store.rows("SELECT count(*) FROM fact") == [(0,)]


def test_what_comes_after_the_database_gave_up_by_itself_is_not_kept_on_its_own(store: Store, now: datetime) -> None:
    def go_on() -> None:
        with store.writing() as writer:
            writer.append("patient/7", "given", {}, recorded_at=now)
            writer.rows("ROLLBACK")
            with suppress(RecordError):
                writer.keep(b"plan")

    with pytest.raises(RecordError, match="An earlier step of this entry failed"):
        go_on()
    assert store.rows("SELECT count(*) FROM document") == [(0,)]


def test_a_writer_whose_block_has_ended_writes_nothing(store: Store, now: datetime) -> None:
    with store.writing() as writer:
        pass
    with pytest.raises(RecordError, match="block has ended"):
        writer.append("patient/7", "given", {}, recorded_at=now)
    with pytest.raises(RecordError, match="block has ended"):
        writer.keep(b"plan")


def test_a_block_within_a_block_is_refused(store: Store, now: datetime) -> None:
    with store.writing() as writer:
        writer.append("patient/7", "given", {}, recorded_at=now)
        with pytest.raises(RecordError, match="being written already"), store.writing():
            pass
    assert store.head()[0] == 1


@pytest.mark.parametrize("name", ["", " patient/7", "patient/7\n", "a\x1db", "a\0", "x" * 201, "\ud800", "\u200b"])
def test_a_name_that_cannot_stand_in_the_record_is_refused(store: Store, now: datetime, name: str) -> None:
    with store.writing() as writer:
        for arguments in ((name, "given", ()), ("patient/7", name, ()), ("patient/7", "given", (name,))):
            with pytest.raises(RecordError, match="cannot be used"):
                writer.append(*arguments[:2], {}, recorded_at=now, keys=arguments[2])
    assert store.head()[0] == 0


def test_a_time_without_a_zone_is_refused(store: Store) -> None:
    with store.writing() as writer, pytest.raises(ValueError, match="has no zone"):
        writer.append("patient/7", "given", {}, recorded_at=datetime(2026, 3, 2))


def test_what_is_too_large_is_refused(store: Store, now: datetime) -> None:
    with store.writing() as writer:
        with pytest.raises(RecordError, match="at most 4194304"):
            writer.append("patient/7", "given", {"note": "x" * 4_200_000}, recorded_at=now)
        with pytest.raises(RecordError, match="at most 4194304"):
            writer.keep(bytes(4_200_000))
    assert store.head()[0] == 0


def test_a_fact_cannot_be_changed(store: Store, now: datetime) -> None:
    with store.writing() as writer:
        fact = writer.append("patient/7", "given", {}, recorded_at=now)
    with pytest.raises(AttributeError, match="Append a correction"):
        fact.kind = "wasted"  # type: ignore[misc]
    with pytest.raises(AttributeError, match="Append a correction"):
        fact.note = "x"
    with pytest.raises(AttributeError, match="Append a correction"):
        del fact._row


def test_facts_and_claimed_errors_survive_going_to_another_process(store: Store, now: datetime) -> None:
    with store.writing() as writer:
        fact = writer.append("patient/7", "given", {"a": 1}, recorded_at=now)
    error = Claimed(Claim(key="k", stream="patient/7", number=1))
    assert pickle.loads(pickle.dumps(fact)) == fact
    assert pickle.loads(pickle.dumps(error)).claim == error.claim


def test_the_same_facts_are_equal_and_have_one_place_in_a_set(store: Store, now: datetime) -> None:
    with store.writing() as writer:
        fact = writer.append("patient/7", "given", {}, recorded_at=now)
        other = writer.append("patient/7", "given", {}, recorded_at=now)
    assert {fact, other, *store.facts("patient/7")} == {fact, other}
    assert fact != other
    assert fact != "patient/7"


def test_what_is_written_is_there_after_closing_and_opening_again(path: Path, store: Store, now: datetime) -> None:
    with store.writing() as writer:
        fact = writer.append("patient/7", "given", {}, recorded_at=now)
    store.close()
    store.close()
    with Store.open(path) as again:
        assert again.fact("patient/7", 1) == fact
        assert again.name == "invented clinic"
        with again.writing() as writer:
            assert writer.append("patient/7", "given", {}, recorded_at=now).number == 2


def test_asking_for_what_no_record_can_hold_is_refused_in_a_sentence(store: Store) -> None:
    for ask in (
        lambda: store.find("\ud800"),
        lambda: store.streams("\ud800"),
        lambda: list(store.facts("\ud800")),
        lambda: store.claimed("\ud800"),
        lambda: store.fact("patient/7", 10**30),
    ):
        with pytest.raises(RecordError, match="cannot be in a record"):
            ask()
    assert store.fact("patient/7", -1) is None


def test_a_write_that_waits_too_long_for_another_is_refused(path: Path, store: Store, now: datetime) -> None:
    store.rows("PRAGMA busy_timeout=50")
    with Store.open(path) as other, other.writing() as writer:
        writer.append("patient/7", "given", {}, recorded_at=now)
        with pytest.raises(RecordError, match=r"Beginning to write failed .* kept the record busy"), store.writing():
            pass
    with store.writing() as writer:
        assert writer.append("patient/7", "given", {}, recorded_at=now).number == 2


def test_a_closed_record_says_so(store: Store) -> None:
    store.close()
    with pytest.raises(RecordError, match="closed"):
        store.find("k")
    with pytest.raises(RecordError, match="closed"), store.writing():
        pass
