"""May I: what the order rests on, what was agreed to, and what was answered today."""

from __future__ import annotations

from datetime import date, datetime, timedelta, tzinfo

from drawup.injection.finding import Finding, finding
from drawup.injection.lateness import zone_of
from drawup.injection.medicine import Medicine
from drawup.injection.order import Authority, Order
from drawup.injection.patient import Answer, Consent
from drawup.injection.policy import Policy
from drawup.injection.request import Request
from drawup.injection.schedule import MIDNIGHT, add_interval, instant


def check_permission(request: Request, policy: Policy) -> list[Finding]:
    """The authority and its limits, signatures that must follow, consent, and the questions of the day."""
    order, medicine, now = request.order, request.medicine, request.now
    zone = zone_of(request)
    today = now.astimezone(zone).date()
    found = _check_authority(order, today)
    found += _check_signature(order, policy, now, zone)
    found += _check_consent(medicine, request.consents, policy, today, now)
    return found + check_answers(order.authority, medicine, request.answers, policy, today, zone)


# What allows an order without a prescriber: found by its number, and limited in its days, people and patients.
_WITH_TERMS = ("group direction", "standing order")


def _check_authority(order: Order, today: date) -> list[Finding]:
    authority = order.authority
    if authority is None:
        return []
    found = []
    if authority.starts is not None and today < authority.starts:
        words = {"authority": authority.words, "starts": authority.starts.isoformat(), "today": today.isoformat()}
        found.append(finding("authority-not-begun", **words))
    if authority.ends is not None and today > authority.ends:
        words = {"authority": authority.words, "ends": authority.ends.isoformat(), "today": today.isoformat()}
        found.append(finding("authority-ended", **words))
    if authority.kind in _WITH_TERMS and not authority.reference.strip():
        limited = authority.staff or authority.include or authority.exclude or authority.starts or authority.ends
        missing = "its number is not" if limited else "neither its number nor its limits are"
        found.append(finding("authority-without-terms", kind=authority.kind, missing=missing))
    if authority.kind == "spoken order" and not order.prescriber.strip():
        found.append(finding("spoken-nobody-named"))
    if authority.kind == "spoken order" and not order.read_back_by:
        found.append(finding("spoken-not-read-back", prescriber=order.prescriber or "nobody named"))
    return found


def check_giver(order: Order, given_by: str) -> list[Finding]:
    """Whether whoever gives may use the authority; one that names nobody, or may be delegated, is for everyone."""
    authority = order.authority
    if authority is None or not authority.staff or authority.delegable or may_use(authority, given_by):
        return []
    names = ", ".join(authority.staff)
    return [finding("authority-not-for", authority=authority.words, giver=given_by or "nobody named", staff=names)]


def may_use(authority: Authority, name: str) -> bool:
    """Whether an authority that names its staff names this person; the word after a comma is no part of a name."""
    return not authority.staff or _plain(name) in [_plain(one) for one in authority.staff]


def _plain(name: str) -> str:
    return name.partition(",")[0].partition("(")[0].strip().casefold()


def signature_until(order: Order, policy: Policy, zone: tzinfo) -> tuple[str, datetime] | None:
    """What must follow the order and until when; None where nothing must, or where it was done."""
    authority, entered = order.authority, order.entered
    if authority is None or entered is None or order.signed is not None:
        return None
    if authority.must_follow and authority.within is not None:
        within = authority.within
        if within.by_clock:
            return authority.must_follow, entered + timedelta(minutes=within.minutes)
        day = add_interval(entered.astimezone(zone).date(), within, policy.month_ends)
        return authority.must_follow, instant(day + timedelta(days=1), MIDNIGHT, zone)
    if authority.kind == "spoken order":
        return "the prescriber's signature", entered + timedelta(hours=policy.spoken_signature_hours)
    return None


def _check_signature(order: Order, policy: Policy, now: datetime, zone: tzinfo) -> list[Finding]:
    follows = signature_until(order, policy, zone)
    if follows is None:
        return []
    what, until = follows
    code = "signature-late" if now > until else "signature-outstanding"
    return [finding(code, what=what, until=until.astimezone(zone).strftime("%Y-%m-%d %H:%M"))]


def _check_consent(
    medicine: Medicine, consents: tuple[Consent, ...], policy: Policy, today: date, now: datetime
) -> list[Finding]:
    if not (medicine.consent or names_any(medicine, policy.consent_for)):
        return []
    fitting = [one for one in consents if one.at <= now and (not one.medicine or medicine.counts_with(one.medicine))]
    if not fitting:
        return [finding("consent-missing", medicine=medicine.name)]
    if any(one.until is None or today <= one.until for one in fitting):
        return []
    last = max(fitting, key=lambda one: one.until or date.max)
    ended = last.until.isoformat() if last.until is not None else ""
    return [finding("consent-ended", given_by=last.given_by, ended=ended)]


def names_any(medicine: Medicine, names: tuple[str, ...]) -> bool:
    """Whether a list of medicines and groups names this one."""
    return any(name in names for name in (medicine.name, *medicine.same_group, *medicine.allergy_groups))


def questions_for(medicine: Medicine, policy: Policy) -> tuple[str, ...]:
    """The questions of the day before this medicine: the label's own and the policy's, each once."""
    asked = [*medicine.ask]
    for row in policy.ask_today:
        if names_any(medicine, row.medicines):
            asked += row.questions
    return tuple(dict.fromkeys(asked))


def check_answers(
    authority: Authority | None,
    medicine: Medicine,
    answers: tuple[Answer, ...],
    policy: Policy,
    today: date,
    zone: tzinfo,
) -> list[Finding]:
    """The questions of the day: one not asked today is asked for, a yes goes to the prescriber.

    A question by which the authority includes a patient must be answered yes, one by which it excludes no.
    """
    include, exclude = (authority.include, authority.exclude) if authority is not None else ((), ())
    wanted = tuple(dict.fromkeys((*include, *exclude, *questions_for(medicine, policy))))
    if not wanted:
        return []
    now: dict[str, Answer] = {}
    for one in sorted(answers, key=lambda one: one.at):
        if one.at.astimezone(zone).date() == today:
            now[one.question] = one
    found = []
    missing = [question for question in wanted if question not in now]
    if missing:
        found.append(finding("question-not-asked", questions=", ".join(missing)))
    for question in wanted:
        told = now.get(question)
        if told is None:
            continue
        words = {"question": question, "words": f" ({told.words})" if told.words else ""}
        if authority is not None and question in include:
            if told.answer == "no":
                found.append(finding("authority-not-included", authority=authority.words, **words))
        elif told.answer == "yes" and authority is not None and question in exclude:
            found.append(finding("authority-excludes", authority=authority.words, **words))
        elif told.answer == "yes":
            found.append(finding("question-yes", **words))
    return found
