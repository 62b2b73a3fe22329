"""What an early, late or missed dose asks for, by the order's or the label's own rule; and what ends before the next.

Where neither says what a late dose asks for, that is said; nothing is invented.
"""

from __future__ import annotations

from datetime import date, datetime, timedelta, tzinfo

from drawup.injection.dose import SoFar, elapsed_text
from drawup.injection.finding import Finding, finding
from drawup.injection.history import COUNTED, PastDose, given_day
from drawup.injection.notation import Notation, render
from drawup.injection.order import Order
from drawup.injection.patient import TestResult
from drawup.injection.policy import Policy
from drawup.injection.quantity import DimensionMismatch, Quantity
from drawup.injection.request import Request
from drawup.injection.schedule import MIDNIGHT, DelayRule, Interval, Schedule, Timing, add_interval, calendar_of
from drawup.injection.timing import Due, Outlook, merged, next_due, of_medicine
from drawup.injection.when_needed import allowed_from


def outlook_of(request: Request, policy: Policy) -> Outlook | None:
    """What comes next on the order of a request; None where it says no times that can be counted by.

    Where earlier doses were not asked about it is worked out as if there were none: age and start count all the same.
    """
    order = request.order
    if order.schedule is None:
        return None
    return next_due(
        order,
        doses=of_medicine(request.history or (), request.medicine.name),
        label=request.medicine.timing,
        calendar=calendar_of(policy, zone_of(request)),
        born=request.patient.born,
        live=request.medicine.live,
        now=request.now,
    )


def so_far(request: Request) -> SoFar | None:
    """What a ladder goes by: the doses of the medicine since the order's start; None where nobody asked."""
    if request.history is None:
        return None
    start, now = request.order.start, request.now
    days = [given_day(past) for past in of_medicine(request.history, request.medicine.name) if past.at <= now]
    since = [day for day in days if start is None or day >= start]
    return SoFar(given=len(since), first=min(since, default=None), last=max(since, default=None))


def zone_of(request: Request) -> tzinfo:
    """The place's time zone, or the offset of now where only that is known."""
    zone = request.zone or request.now.tzinfo
    assert zone is not None  # a request's now has its offset
    return zone


def check_timing(request: Request, outlook: Outlook | None, dose: Quantity | None, policy: Policy) -> list[Finding]:
    """Whether the next dose may be given now, by its plan."""
    order, zone, now = request.order, zone_of(request), request.now
    found = _check_live(request, policy, zone)
    if outlook is None or order.schedule is None:
        if order.schedule is None and order.times:
            given = of_medicine(request.history or (), request.medicine.name)
            found.append(finding("times-not-counted" if given else "times-in-words", times=", ".join(order.times)))
        return found + check_ahead(order, None, request.results, policy, zone, now)
    if outlook.due is None:
        # An order that is over is said once, by the order itself; one that runs on with nothing more due is said here.
        if outlook.complete:
            found.append(finding("order-complete", why=outlook.ended))
        return found
    due, timing = outlook.due, merged(order.schedule.timing, request.medicine.timing)
    state = due.state(now)
    if order.schedule.when_needed:
        found += _check_when_needed(request, order.schedule, dose, policy, zone)
        return found + check_ahead(order, due, request.results, policy, zone, now)
    if due.passed_count and request.history is not None:
        found.append(_passed(due, zone))
    if state == "early":
        found += _early(due, zone, now)
    elif state in ("late", "missed"):
        found += _delayed(due, state, timing, request.results, zone, now)
    return found + check_ahead(order, due, request.results, policy, zone, now)


def planned_text(due: Due, zone: tzinfo) -> str:
    """The planned day, with its time where the schedule has one."""
    return due.day.isoformat() if due.whole_days else moment_text(due.planned, zone)


def moment_text(moment: datetime, zone: tzinfo) -> str:
    """A moment by the clock of the place."""
    return moment.astimezone(zone).strftime("%Y-%m-%d %H:%M")


def opens_text(due: Due, zone: tzinfo) -> str:
    """From when on the dose may be given: a day where it opens with the day."""
    opens = due.opens.astimezone(zone)
    return opens.date().isoformat() if due.whole_days and opens.time() == MIDNIGHT else moment_text(due.opens, zone)


def closes_text(due: Due, zone: tzinfo) -> str:
    """The last day or moment on which it is given plainly; "" where there is no end."""
    if due.closes is None:
        return ""
    last = due.closes - timedelta(microseconds=1)
    return last.astimezone(zone).date().isoformat() if due.whole_days else moment_text(last, zone)


def _early(due: Due, zone: tzinfo, now: datetime) -> list[Finding]:
    words = {"planned": planned_text(due, zone), "opens": opens_text(due, zone), "because": due.because}
    if due.counts_from is None:
        return [finding("dose-early", **words)]
    if now.astimezone(zone).date() >= due.counts_from:
        return [finding("series-in-grace", **words)]
    return [finding("series-too-early", counts=due.counts_from.isoformat(), **words)]


def _passed(due: Due, zone: tzinfo) -> Finding:
    times = [one.astimezone(zone).strftime("%Y-%m-%d" if due.whole_days else "%Y-%m-%d %H:%M") for one in due.passed]
    more = f" and {due.passed_count - len(times)} before" if due.passed_count > len(times) else ""
    return finding("doses-missed", count=str(due.passed_count), times=", ".join(times) + more)


def _delayed(
    due: Due, state: str, timing: Timing, results: tuple[TestResult, ...], zone: tzinfo, now: datetime
) -> list[Finding]:
    """A late or missed dose: the rule for it, or that none is known."""
    rule = timing.if_missed or timing.if_late if state == "missed" else timing.if_late
    planned = planned_text(due, zone)
    last = closes_text(due, zone)
    words = {"planned": planned, "last": last, "late": _how_late(due, zone, now), "state": state}
    if rule is None:
        timed = not due.whole_days
        return [finding("dose-late-by-hours" if timed and state == "late" else "dose-late-no-rule", **words)]
    words["rule"] = f" {rule.words}" if rule.words else ""
    if rule.do == "give":
        return [finding("dose-late-give", **words)]
    if rule.do == "wait":
        return [finding("dose-late-wait", **words)]
    if rule.do == "confirm":
        return [finding("dose-late-confirm", **words)]
    return [finding("dose-late-test", **words), *_check_test(rule, results, zone, now)]


def _how_late(due: Due, zone: tzinfo, now: datetime) -> str:
    """How long after the planned day or moment it is."""
    if due.whole_days:
        days = (now.astimezone(zone).date() - due.day).days
        return f"{days} day{'' if days == 1 else 's'}"
    return elapsed_text(int((now - due.planned).total_seconds()) // 60)


def _check_test(rule: DelayRule, results: tuple[TestResult, ...], zone: tzinfo, now: datetime) -> list[Finding]:
    """The test that the rule asks for: there, fresh, and with the result that it asks for."""
    wanted = rule.result or "known"
    of_kind = [one for one in results if one.what.casefold() == rule.test.casefold() and one.at <= now]
    # Of two at the same time the one that was written down last: it put the other right.
    last = max(reversed(of_kind), key=lambda one: one.at, default=None)
    if last is None:
        return [finding("test-needed", test=rule.test, wanted=wanted)]
    shown = {"test": rule.test, "result": last.result, "at": moment_text(last.at, zone), "wanted": wanted}
    if rule.fresh is not None and _older_than(last.at, rule.fresh, zone, now):
        return [finding("test-stale", fresh=rule.fresh.text, **shown)]
    if rule.result and last.result.casefold() != rule.result.casefold():
        return [finding("test-outside", **shown)]
    return []


def _older_than(at: datetime, fresh: Interval, zone: tzinfo, now: datetime) -> bool:
    """Whether it is longer ago: real time for minutes and hours, days of the calendar for days and more."""
    if fresh.by_clock:
        return now - at > timedelta(minutes=fresh.minutes)
    days = (now.astimezone(zone).date() - at.astimezone(zone).date()).days
    return days > fresh.about.days


def _check_when_needed(
    request: Request, schedule: Schedule, dose: Quantity | None, policy: Policy, zone: tzinfo
) -> list[Finding]:
    """The order's own limits for a when-needed dose: the least interval, and the most in any 24 hours."""
    doses = of_medicine(request.history or (), request.medicine.name)
    found = []
    allowed = allowed_from(schedule, doses, request.now, calendar=calendar_of(policy, zone))
    if allowed is not None:
        found.append(finding("when-needed-too-soon", earliest=moment_text(allowed[0], zone), limit=allowed[1]))
    return found + _check_most_amount(schedule, doses, dose, request.now, policy.notation)


def _check_most_amount(
    schedule: Schedule, doses: tuple[PastDose, ...], dose: Quantity | None, now: datetime, notation: Notation
) -> list[Finding]:
    most = schedule.most_amount
    if most is None or dose is None:
        return []
    total = dose
    try:
        for past in doses:
            if past.at > now - timedelta(hours=24):
                if past.amount is None:
                    return [finding("history-unclear", dose=f"{past.medicine} on {past.at:%Y-%m-%d %H:%M}")]
                total = total + past.amount
        over = total > most
    except DimensionMismatch:
        over = False
    if not over:
        return []
    return [finding("when-needed-maximum", total=render(total, notation), most=render(most, notation))]


def _check_live(request: Request, policy: Policy, zone: tzinfo) -> list[Finding]:
    """A live vaccine is given on the day of another one, or so many days after it."""
    if not request.medicine.live or request.history is None:
        return []
    today = request.now.astimezone(zone).date()
    name = request.medicine.name.casefold()
    given = [past for past in request.history if past.kind in COUNTED]
    others = [past for past in given if past.live and past.medicine.casefold() != name]
    near = [past for past in others if 0 < (today - given_day(past)).days < policy.live_interval_days]
    return [
        finding(
            "live-too-soon",
            other=past.medicine,
            day=given_day(past).isoformat(),
            days=str(policy.live_interval_days),
            earliest=(given_day(past) + timedelta(days=policy.live_interval_days)).isoformat(),
        )
        for past in near[-1:]
    ]


# --- what ends before the next --------------------------------------------------------------------------------------


def check_ahead(
    order: Order, due: Due | None, results: tuple[TestResult, ...], policy: Policy, zone: tzinfo, now: datetime
) -> list[Finding]:
    """An order about to end, a review, a test: said two doses ahead, and asked about once its day has passed.

    `due`: the next dose; None where the order says no times, or earlier doses were not asked about.
    """
    today = now.astimezone(zone).date()
    after = today if due is None else due.after or due.day
    found = []
    if order.stop is not None and order.stop < after and due is not None and due.after is not None:
        found.append(finding("order-ends-soon", stop=order.stop.isoformat(), next=after.isoformat()))
    if order.review is not None and order.review < today:
        found.append(finding("review-overdue", review=order.review.isoformat()))
    elif order.review is not None and order.review <= after:
        found.append(finding("review-soon", review=order.review.isoformat(), next=after.isoformat()))
    for test in order.tests:
        day = _test_day(test.what, results, zone)
        wanted = None if day is None else add_interval(day, test.every, policy.month_ends)
        if wanted is None:
            found.append(finding("test-never-done", test=test.what, every=test.every.text))
        elif wanted < today:
            found.append(finding("test-overdue", test=test.what, wanted=wanted.isoformat(), every=test.every.text))
        elif wanted <= after:
            found.append(finding("test-soon", test=test.what, wanted=wanted.isoformat(), next=after.isoformat()))
    return found


def _test_day(what: str, results: tuple[TestResult, ...], zone: tzinfo) -> date | None:
    days = [one.at.astimezone(zone).date() for one in results if one.what.casefold() == what.casefold()]
    return max(days, default=None)
