"""Walks the whole record and names the first break: bytes, columns, look-up keys, documents, links and heads.

It reads in slices, none of which holds a transaction for longer than it takes, so that it never stops the log from
being written back while others go on writing. What is appended after it began is not walked.

What it cannot see without a seal: the newest facts removed together with everything that belongs to them, and a record
whose every hash was worked out anew. A claim without its fact is named; a claim that was removed cannot be.
"""

from collections import Counter
from collections.abc import Callable, Iterable
from hashlib import sha256
from typing import NoReturn

from drawup.record.canonical import quoted
from drawup.record.chain import NO_HASH, link_hash
from drawup.record.errors import RecordError, translated
from drawup.record.explain import FactRow, Place, demand_types, explain
from drawup.record.report import Break, Broken, CheckReport, broken
from drawup.record.seal import Seal
from drawup.record.statements import statements
from drawup.record.store import Store, stream_kind

SLICE = 1_000
"""Facts read at a time."""

_DOCUMENTS = 20
"""Documents read at a time: they are larger."""

_BELOW_ALL = -(2**63)
_NONE_YET = (0, NO_HASH)

Progress = Callable[[int, int], None]


def check(store: Store, *, seal: Seal | None = None, progress: Progress | None = None) -> CheckReport:
    """Walk the record, and compare it with ``seal`` where one is given.

    ``progress`` is called with the number of facts walked and their total. Raises RecordError only where the file
    cannot be read; a break is reported, not raised.
    """
    walk = _Walk(store)
    first_break: Break | None = None
    try:
        with translated(store.path, "Checking"):
            walk.run(seal, progress)
    except Broken as ended:
        first_break = ended.found
    return CheckReport(
        facts=walk.position,
        streams=len(walk.heads),
        documents=walk.documents,
        hash=walk.link.hex(),
        sealed_facts=walk.sealed_facts,
        first_break=first_break,
    )


def check_pages(store: Store) -> tuple[str, ...]:
    """What the database finds wrong with its own pages and indexes, at most ten lines; nothing where all is well.

    ``check`` reads the tables; an index that lost an entry, through a failing disk, is found here only. This holds one
    transaction for as long as it takes: run it when others write little.
    """
    lines = tuple(str(row[0]) for row in store.rows("PRAGMA integrity_check(10)"))
    return () if lines == ("ok",) else lines


class _Walk:
    """The state of a walk: where it is, the head of every stream, the last link and the last document."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._rows = store.rows
        self.position = 0
        self.heads: dict[str, tuple[int, bytes]] = {}
        self.documents = 0
        self.link = store.beginning
        self.sealed_facts: int | None = None
        self._digests: dict[int, str] = {}
        self._wrong_document: Break | None = None

    def run(self, seal: Seal | None, progress: Progress | None) -> None:
        last: int = self._rows(statements().last_position)[0][0]
        stops = {*range(SLICE, last, SLICE), last}
        if seal is not None and seal.position < last:
            stops.add(seal.position)
        for stop in sorted(stops):
            self._walk_to(stop)
            if seal is not None and stop == seal.position:
                self._compare(seal)
            if progress is not None:
                progress(stop, last)
        self._refuse_leftovers(last)
        if seal is not None and seal.position > last:
            broken("seal", expected=f"the {seal.position} facts it was taken of", found=f"{last}: the newest are gone")

    def _walk_to(self, stop: int) -> None:
        """Walk from the last fact walked to the one at position ``stop``."""
        # The first slice also reads positions that no fact may have, below 1.
        rows = self._facts(self.position or _BELOW_ALL, stop)
        self._read_documents(max((row[9] or 0 for row in rows), default=0))
        try:
            wrong = self._first_wrong(rows)
        except (TypeError, AttributeError):
            for row in rows:
                demand_types(row)
            raise
        if wrong is not None:
            explain(self._place(), wrong)
        if self.position != stop:
            explain(self._place(), None)
        if self._wrong_document is not None:
            raise Broken(self._wrong_document)

    def _first_wrong(self, rows: list[FactRow]) -> FactRow | None:
        """Go over facts and their links, up to the first that does not fit. Written out: it runs for each fact."""
        heads, at, link, documents = self.heads, self.position, self.link, self.documents
        wrong = None
        for row in rows:
            position, stream, number, kind, recorded_at, text, hashed, keys, agrees, kept, linked = row
            before, previous = heads.get(stream, _NONE_YET)
            # As drawup.record.chain.render_opening writes it, with the keys as one text.
            opening = f'[{quoted(stream)},{number},{quoted(kind)},"{recorded_at}",{keys},'
            if (
                not agrees
                or position != at + 1
                or number != before + 1
                or kept < documents
                or not text.startswith(opening.encode())
                or sha256(previous + text).digest() != hashed
                or link_hash(link, hashed, () if kept == documents else self._digests_between(documents, kept))
                != linked
            ):
                wrong = row
                break
            heads[stream] = (number, hashed)
            at, link, documents = position, linked, kept
        self.position, self.link, self.documents = at, link, documents
        return wrong

    def _facts(self, after: int, up_to: int) -> list[FactRow]:
        try:
            return self._rows(statements().check_facts, (after, up_to))
        except RecordError as error:
            if "UTF-8" not in str(error):
                raise
        self._find_unreadable(up_to)

    def _find_unreadable(self, up_to: int) -> NoReturn:
        """Name the first fact with a column that is not text at all."""
        for position in range(self.position + 1, up_to + 1):
            try:
                self._rows(statements().check_facts, (position - 1, position))
            except RecordError as error:
                broken("not readable", expected="columns of text", found=str(error.__cause__), position=position)
        broken("not readable", expected="columns of text", found="a row below position 1 without")

    def _read_documents(self, up_to: int) -> None:
        """Work out the digests of the documents after the last linked one, and note the first that does not fit."""
        self._digests, self._wrong_document = {}, None
        for start in range(self.documents, up_to, _DOCUMENTS):
            bounds = (start, min(start + _DOCUMENTS, up_to))
            for number, digest, content in self._rows(statements().check_documents, bounds):
                worked_out = sha256(content).hexdigest()
                self._digests[number] = worked_out
                if worked_out != digest and self._wrong_document is None:
                    self._wrong_document = Break(
                        what="document",
                        expected=f"document {number} to have the digest {digest}",
                        found=f"a content with the digest {worked_out}",
                    )

    def _digests_between(self, linked: int, kept: int) -> Iterable[str]:
        return [self._digests.get(number, "") for number in range(linked + 1, kept + 1)]

    def _place(self) -> Place:
        return Place(
            store=self._store,
            position=self.position + 1,
            heads=self.heads,
            link=self.link,
            documents=self.documents,
            digests=self._digests,
            wrong_document=self._wrong_document,
        )

    def _compare(self, seal: Seal) -> None:
        """Compare the record as it was at the seal's position with the seal."""
        if seal.record != self._store.name:
            broken("seal", expected=f"the record {seal.record!r}", found=f"the record {self._store.name!r}")
        if seal.hash != self.link.hex():
            broken("seal", expected=f"the sealed hash {seal.hash}", found=self.link.hex(), position=seal.position)
        counted: Counter[str] = Counter()
        for stream, (number, _) in self.heads.items():
            counted[stream_kind(stream)] += number
        found = tuple(sorted(counted.items()))
        if seal.counts != found:
            broken("seal", expected=f"the sealed counts {seal.counts}", found=str(found), position=seal.position)
        self.sealed_facts = seal.position

    def _refuse_leftovers(self, last: int) -> None:
        """Refuse links, look-up keys and claims that belong to no fact, and unlinked documents that do not fit."""
        for position, stream, number in self._rows(statements().leftover_link, (last,)):
            wanted = "the fact of a link"
            broken("fact missing", expected=wanted, found="none", position=position, stream=stream, number=number)
        for position, key in self._rows(statements().leftover_key, (last,)):
            broken("look-up key", expected="the fact it belongs to", found=f"none for {key!r}", position=position)
        self._refuse_lone_claims()
        self._read_documents(self._rows(statements().documents)[0][0])
        if self._wrong_document is not None:
            raise Broken(self._wrong_document)

    def _refuse_lone_claims(self) -> None:
        after = ""
        while rows := self._rows(statements().check_claims, (after, SLICE)):
            for key, position, has_fact in rows:
                if not has_fact:
                    broken("claim", expected=f"the fact that claimed {key!r}", found="none", position=position)
            after = rows[-1][0]
