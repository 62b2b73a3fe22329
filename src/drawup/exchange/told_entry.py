"""What the patient or somebody for them said, and tests whose result is a word, as the public request writes them."""

from __future__ import annotations

from datetime import datetime

from drawup.exchange.reader import Fields
from drawup.injection.patient import Answer, Consent, TestResult

_RESULT_KEYS = frozenset(["what", "result", "at"])
_ANSWER_KEYS = frozenset(["question", "answer", "at", "words", "by"])
_CONSENT_KEYS = frozenset(["given_by", "at", "medicine", "relation", "until"])


def _at(fields: Fields) -> datetime:
    at = fields.moment("at")
    if at is None:
        fields.fail("at", "missing: it counts from its time")
    return at


def read_result(fields: Fields) -> TestResult:
    """A test whose result is a word. Raises FieldError."""
    result = TestResult(what=fields.need_text("what"), result=fields.need_text("result"), at=_at(fields))
    fields.close(_RESULT_KEYS)
    return result


def read_answer(fields: Fields) -> Answer:
    """What was answered to a question of the day. Raises FieldError."""
    told = fields.one_of("answer", ("no", "yes"))
    if told is None:
        fields.fail("answer", "missing, expected no or yes")
    answer = Answer(
        question=fields.need_text("question"),
        answer=told,
        at=_at(fields),
        words=fields.text("words", longest=500) or "",
        by=fields.text("by") or "",
    )
    fields.close(_ANSWER_KEYS)
    return answer


def read_consent(fields: Fields) -> Consent:
    """Who agreed to what, until when. Raises FieldError."""
    consent = Consent(
        given_by=fields.need_text("given_by"),
        at=_at(fields),
        medicine=fields.text("medicine") or "",
        relation=fields.text("relation") or "",
        until=fields.day("until"),
    )
    if consent.until is not None and consent.until < consent.at.date():
        fields.fail("until", f"read {consent.until.isoformat()}, before it was given, {consent.at.date().isoformat()}")
    fields.close(_CONSENT_KEYS)
    return consent
