"""Every statement the record runs, written with SQLAlchemy Core and compiled when first used.

The compiled text then runs on the driver's own connection: Core's execution costs about as much a statement as the
database itself, which for the dozen statements of one entry would double it.
"""

from functools import cache, cached_property
from typing import Any

from sqlalchemy import (
    BindParameter,
    ColumnElement,
    LargeBinary,
    Select,
    Table,
    Text,
    and_,
    bindparam,
    cast,
    delete,
    exists,
    func,
    insert,
    literal_column,
    or_,
    select,
    text,
)
from sqlalchemy.dialects.sqlite.pysqlite import SQLiteDialect_pysqlite
from sqlalchemy.sql.expression import ClauseElement

from drawup.record.schema import chain, claim, document, fact, look_up, record

# Written into the text, since a constant of Core's would become a parameter.
_ZERO: ColumnElement[int] = literal_column("0")
_ONE: ColumnElement[int] = literal_column("1")

_ROW = (fact.c.position, fact.c.stream, fact.c.number, fact.c.kind, fact.c.recorded_at, fact.c.text, fact.c.hash)
_dialect = SQLiteDialect_pysqlite()


def _given(name: str) -> BindParameter[Any]:
    return bindparam(name)


def _compiled(statement: ClauseElement, *names: str) -> str:
    """The text of a statement whose parameters are given in the order of ``names``."""
    compiled: Any = statement.compile(dialect=_dialect)
    if tuple(compiled.positiontup or ()) != names:
        raise AssertionError(f"parameters {compiled.positiontup} of {compiled}, not {names}")
    return str(compiled)


def _inserting(table: Table) -> str:
    return _compiled(insert(table), *(column.name for column in table.columns))


def _most(statement: Select[Any], count: str) -> Select[Any]:
    """At most ``count`` rows. The dialect's own limit would add an OFFSET with a parameter of its own."""
    return statement.suffix_with(text(f"LIMIT {count}"))


def _left_over(table: Table) -> ColumnElement[bool]:
    """Rows that belong to no fact. Where every position up to the last one has its fact, only rows below the first and
    above the last can be left over."""
    outside = or_(table.c.position < _ONE, table.c.position > _given("last"))
    return and_(outside, ~exists(_ONE).where(fact.c.position == table.c.position))


class Statements:
    """The compiled texts. Parameters are given in the order in which they are named last."""

    # Writing

    @cached_property
    def begin_record(self) -> str:
        return _inserting(record)

    @cached_property
    def append(self) -> str:
        return _inserting(fact)

    @cached_property
    def link(self) -> str:
        return _inserting(chain)

    @cached_property
    def look_up(self) -> str:
        return _inserting(look_up)

    @cached_property
    def keep(self) -> str:
        return _inserting(document)

    @cached_property
    def claim(self) -> str:
        """Claims nothing where the fact is not in this record."""
        there = fact.c.position == _given("at"), fact.c.hash == _given("hashed")
        chosen = select(bindparam("wanted", type_=Text), fact.c.position).where(*there)
        return _compiled(insert(claim).from_select(["key", "position"], chosen), "wanted", "at", "hashed")

    @cached_property
    def release(self) -> str:
        return _compiled(delete(claim).where(claim.c.key == _given("wanted")), "wanted")

    @cached_property
    def head(self) -> str:
        """The last link."""
        columns = chain.c.position, chain.c.hash, chain.c.documents
        return _compiled(_most(select(*columns).order_by(chain.c.position.desc()), "1"))

    @cached_property
    def head_of_stream(self) -> str:
        of_stream = select(fact.c.number, fact.c.hash).where(fact.c.stream == _given("stream"))
        return _compiled(_most(of_stream.order_by(fact.c.number.desc()), "1"), "stream")

    @cached_property
    def documents(self) -> str:
        """How many documents there are."""
        return _compiled(select(func.coalesce(func.max(document.c.number), _ZERO)))

    @cached_property
    def documents_with(self) -> str:
        """How many documents there are, and whether this is one of them."""
        same = document.alias("same")
        known = exists(_ONE).where(same.c.digest == _given("wanted"))
        return _compiled(select(func.coalesce(func.max(document.c.number), _ZERO), known), "wanted")

    @cached_property
    def digests_after(self) -> str:
        later = select(document.c.digest).where(document.c.number > _given("after"))
        return _compiled(later.order_by(document.c.number), "after")

    # Reading

    @cached_property
    def record(self) -> str:
        return _compiled(select(record.c.name, record.c.created_at))

    @cached_property
    def facts(self) -> str:
        later = fact.c.stream == _given("stream"), fact.c.number > _given("after")
        return _compiled(_most(select(*_ROW).where(*later).order_by(fact.c.number), ":most"), "stream", "after", "most")

    @cached_property
    def fact(self) -> str:
        this = fact.c.stream == _given("stream"), fact.c.number == _given("number")
        return _compiled(select(*_ROW).where(*this), "stream", "number")

    @cached_property
    def last(self) -> str:
        newest = select(*_ROW).where(fact.c.stream == _given("stream")).order_by(fact.c.number.desc())
        return _compiled(_most(newest, "1"), "stream")

    @cached_property
    def find(self) -> str:
        found = select(*_ROW).join_from(look_up, fact, fact.c.position == look_up.c.position)
        return _compiled(found.where(look_up.c.key == _given("wanted")).order_by(look_up.c.position), "wanted")

    @cached_property
    def streams(self) -> str:
        """Every stream has a first fact, and the first facts have an index of their own."""
        between = fact.c.stream >= _given("first"), fact.c.stream < _given("before")
        firsts = select(fact.c.stream).where(fact.c.number == _ONE, *between)
        return _compiled(firsts.order_by(fact.c.stream), "first", "before")

    @cached_property
    def streams_since(self) -> str:
        later = select(fact.c.stream, fact.c.kind).where(fact.c.position > _given("after"))
        return _compiled(later.order_by(fact.c.position), "after")

    @cached_property
    def count_streams(self) -> str:
        counted = select(fact.c.stream, func.count()).where(fact.c.position <= _given("upto"))
        return _compiled(counted.group_by(fact.c.stream).order_by(fact.c.stream), "upto")

    @cached_property
    def kept(self) -> str:
        return _compiled(select(document.c.content).where(document.c.digest == _given("wanted")), "wanted")

    @cached_property
    def digests_from(self) -> str:
        between = document.c.digest >= _given("first"), document.c.digest < _given("before")
        return _compiled(select(document.c.digest).where(*between).order_by(document.c.digest), "first", "before")

    @cached_property
    def claimed(self) -> str:
        by = select(claim.c.key, fact.c.stream, fact.c.number).join_from(
            claim, fact, fact.c.position == claim.c.position
        )
        return _compiled(by.where(claim.c.key == _given("wanted")), "wanted")

    # Checking

    @cached_property
    def last_position(self) -> str:
        last_fact = select(func.coalesce(func.max(fact.c.position), _ZERO)).scalar_subquery()
        last_link = select(func.coalesce(func.max(chain.c.position), _ZERO)).scalar_subquery()
        # With two arguments, max is the greater of them on SQLite.
        return _compiled(select(func.max(last_fact, last_link)))

    @cached_property
    def check_facts(self) -> str:
        """Facts with their keys, as they stand in the text, and their link. The text comes as the bytes it has."""
        # The primary key of the look-up table gives the keys in order.
        keys = select(func.json_group_array(look_up.c.key)).where(look_up.c.position == fact.c.position)
        agrees = and_(
            chain.c.stream == fact.c.stream, chain.c.number == fact.c.number, chain.c.fact_hash == fact.c.hash
        )
        bytes_of = cast(fact.c.text, LargeBinary)
        columns = (*_ROW[:5], bytes_of, fact.c.hash, keys.scalar_subquery(), agrees, chain.c.documents, chain.c.hash)
        both = select(*columns).join_from(fact, chain, chain.c.position == fact.c.position, isouter=True)
        some = both.where(fact.c.position > _given("after"), fact.c.position <= _given("upto"))
        return _compiled(some.order_by(fact.c.position), "after", "upto")

    @cached_property
    def check_documents(self) -> str:
        some = document.c.number > _given("after"), document.c.number <= _given("upto")
        columns = document.c.number, document.c.digest, document.c.content
        return _compiled(select(*columns).where(*some).order_by(document.c.number), "after", "upto")

    @cached_property
    def check_claims(self) -> str:
        has_fact = exists(_ONE).where(fact.c.position == claim.c.position)
        some = select(claim.c.key, claim.c.position, has_fact).where(claim.c.key > _given("after"))
        return _compiled(_most(some.order_by(claim.c.key), ":most"), "after", "most")

    @cached_property
    def link_at(self) -> str:
        columns = chain.c.stream, chain.c.number, chain.c.fact_hash, chain.c.documents, chain.c.hash
        return _compiled(select(*columns).where(chain.c.position == _given("wanted")), "wanted")

    @cached_property
    def leftover_link(self) -> str:
        columns = chain.c.position, chain.c.stream, chain.c.number
        return _compiled(_most(select(*columns).where(_left_over(chain)), "1"), "last")

    @cached_property
    def leftover_key(self) -> str:
        return _compiled(_most(select(look_up.c.position, look_up.c.key).where(_left_over(look_up)), "1"), "last")


@cache
def statements() -> Statements:
    """The one set of statements; each is compiled when first asked for."""
    return Statements()
