"""The first form of the record, whole: the very text the database keeps of every table, index and trigger.

Frozen: the form a record once had is never edited; a later form has a module of its own.

Each guarded table has exactly one key, and that key is a running number of which only the next is accepted: an
``INSERT OR REPLACE`` must meet an existing key to remove a row, and an existing key is never the next number. A second
unique index, or a hidden row number beside a key of another kind, would be a way round; so look-up keys come without a
hidden row number, and claims, which may be released, have a table of their own.
"""

_TABLES = {
    "record": (
        "CREATE TABLE record (one INTEGER PRIMARY KEY CHECK (one = 1), name TEXT NOT NULL, created_at TEXT NOT NULL)"
        " STRICT"
    ),
    "fact": (
        "CREATE TABLE fact (position INTEGER PRIMARY KEY, stream TEXT NOT NULL, number INTEGER NOT NULL,"
        " kind TEXT NOT NULL, recorded_at TEXT NOT NULL, text TEXT NOT NULL, hash BLOB NOT NULL) STRICT"
    ),
    "chain": (
        "CREATE TABLE chain (position INTEGER PRIMARY KEY, stream TEXT NOT NULL, number INTEGER NOT NULL,"
        " fact_hash BLOB NOT NULL, documents INTEGER NOT NULL, hash BLOB NOT NULL) STRICT"
    ),
    "look_up": (
        "CREATE TABLE look_up (position INTEGER NOT NULL, key TEXT NOT NULL, PRIMARY KEY (position, key))"
        " STRICT, WITHOUT ROWID"
    ),
    "document": (
        "CREATE TABLE document (number INTEGER PRIMARY KEY, digest TEXT NOT NULL, content BLOB NOT NULL) STRICT"
    ),
    "claim": (
        "CREATE TABLE claim (key TEXT PRIMARY KEY NOT NULL, position INTEGER NOT NULL REFERENCES fact (position))"
        " STRICT, WITHOUT ROWID"
    ),
}

_INDEXES = {
    "fact_in_stream": "CREATE INDEX fact_in_stream ON fact (stream, number)",
    "fact_first": "CREATE INDEX fact_first ON fact (number, stream) WHERE number = 1",
    "look_up_key": "CREATE INDEX look_up_key ON look_up (key)",
    "document_digest": "CREATE INDEX document_digest ON document (digest)",
}

# For each guarded table: the rows it does not accept.
_REFUSED = {
    "record": "new.one IS NOT 1 OR EXISTS (SELECT 1 FROM record)",
    "fact": (
        "new.position IS NOT (SELECT coalesce(max(position), 0) + 1 FROM fact)"
        " OR new.position IS NOT (SELECT coalesce(max(position), 0) + 1 FROM chain)"
        " OR new.number IS NOT (SELECT coalesce(max(number), 0) + 1 FROM fact WHERE stream = new.stream)"
    ),
    "chain": (
        "new.position IS NOT (SELECT coalesce(max(position), 0) + 1 FROM chain)"
        " OR new.documents IS NOT (SELECT coalesce(max(number), 0) FROM document)"
        " OR NOT EXISTS (SELECT 1 FROM fact WHERE position = new.position AND stream = new.stream"
        " AND number = new.number AND hash = new.fact_hash)"
    ),
    # Of a row that is all key, REPLACE can only make the same row again.
    "look_up": "new.position IS NOT (SELECT max(position) FROM fact)",
    "document": (
        "new.number IS NOT (SELECT coalesce(max(number), 0) + 1 FROM document)"
        " OR EXISTS (SELECT 1 FROM document WHERE digest = new.digest)"
    ),
}


def _triggers() -> dict[str, str]:
    written: dict[str, str] = {}
    for table, refused in _REFUSED.items():
        for word in ("update", "delete"):
            written[f"{table}_no_{word}"] = (
                f"CREATE TRIGGER {table}_no_{word} BEFORE {word.upper()} ON {table}"
                f" BEGIN SELECT RAISE(ABORT, 'a row of {table} is never changed nor removed'); END"
            )
        written[f"{table}_only_next"] = (
            f"CREATE TRIGGER {table}_only_next BEFORE INSERT ON {table} WHEN {refused}"
            f" BEGIN SELECT RAISE(ABORT, 'only the next row of {table} is accepted'); END"
        )
    return written


REVISION = "0001"
GUARDED = tuple(_REFUSED)
TRIGGERS = _triggers()
OBJECTS = {**_TABLES, **_INDEXES, **TRIGGERS}
