"""The tables of the record as SQLAlchemy Core knows them, for writing statements.

How they are made, and the triggers by which the database itself refuses to change a fact, is in the form of the record
that is today's. A test compares these tables with a record as it is made.
"""

from sqlalchemy import Column, ForeignKey, Integer, LargeBinary, MetaData, Table, Text

from drawup.record.migrations import form_0001 as today

APPLICATION_ID = 0x44726177
"""Marks a database file as a record of ours (the letters "Draw" in ASCII)."""

REVISION = today.REVISION
GUARDED = today.GUARDED
"""The tables whose rows are never changed nor removed. Claims are look-ups, and may be released."""
TRIGGERS = today.TRIGGERS
OBJECTS = today.OBJECTS
"""Every table, index and trigger by name, as the very text the database keeps."""

metadata = MetaData()


def _whole(name: str, *, key: bool = False) -> Column[int]:
    return Column(name, Integer, primary_key=key, nullable=False)


def _text(name: str, *, key: bool = False) -> Column[str]:
    return Column(name, Text, primary_key=key, nullable=False)


def _bytes(name: str) -> Column[bytes]:
    return Column(name, LargeBinary, nullable=False)


record = Table("record", metadata, _whole("one", key=True), _text("name"), _text("created_at"))

fact = Table(
    "fact",
    metadata,
    _whole("position", key=True),
    _text("stream"),
    _whole("number"),
    _text("kind"),
    _text("recorded_at"),
    _text("text"),
    _bytes("hash"),
)

chain = Table(
    "chain",
    metadata,
    _whole("position", key=True),
    _text("stream"),
    _whole("number"),
    _bytes("fact_hash"),
    _whole("documents"),
    _bytes("hash"),
)

look_up = Table("look_up", metadata, _whole("position", key=True), _text("key", key=True))

document = Table("document", metadata, _whole("number", key=True), _text("digest"), _bytes("content"))

claim = Table(
    "claim", metadata, _text("key", key=True), Column("position", Integer, ForeignKey("fact.position"), nullable=False)
)
