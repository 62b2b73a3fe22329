"""When what stands in the way of a dose changes by the clock alone, within a day."""

from __future__ import annotations

from datetime import datetime, timedelta, tzinfo

from drawup.injection.dose import latest
from drawup.injection.history import COUNTED
from drawup.injection.order import doses_per_day
from drawup.injection.permission import signature_until
from drawup.injection.policy import Policy
from drawup.injection.request import Request

_MINUTE = timedelta(minutes=1)
_DAY_MINUTES = 1440
_DAY = timedelta(hours=24)


def turning_points(request: Request, policy: Policy, zone: tzinfo) -> list[datetime]:
    """The moments at which a reading or a test grows stale, an interval or a maximum lets go, a signature is late.

    Some let go on the moment itself; ages are told in whole minutes, and are over a minute after their last one.
    """
    turns = [*_readings(request, policy), *_doses(request, policy), *_tests(request)]
    follows = signature_until(request.order, policy, zone)
    if follows is not None:
        turns.append(follows[1])
    return [moment for turn in turns for moment in (turn, turn + _MINUTE) if turn >= request.now]


def _readings(request: Request, policy: Policy) -> list[datetime]:
    lasts = {need.what: need.fresh_minutes for need in (*request.medicine.needs, *request.order.needs)}
    rule = request.order.dose
    if rule is not None and rule.bands and rule.band_by != "weight":
        lasts.setdefault(rule.band_by, policy.recent_minutes)
    turns = []
    for what, minutes in lasts.items():
        reading = latest(request.readings, what)
        if reading is not None and minutes is not None:
            turns.append(reading.at + timedelta(minutes=minutes))
    return turns


def _doses(request: Request, policy: Policy) -> list[datetime]:
    medicine, now, schedule = request.medicine, request.now, request.order.schedule
    history = [past for past in request.history or () if past.kind in COUNTED]
    counted = [past.at for past in history if medicine.counts_with(past.medicine)]
    if not counted:
        return []
    recent = min(policy.recent_minutes, _DAY_MINUTES // doses_per_day(request.order) // 2)
    minutes = medicine.least_interval_minutes
    turns = [max(counted) + timedelta(minutes=recent if minutes is None else minutes)]
    if medicine.at_most_daily is not None or (schedule is not None and schedule.most_amount is not None):
        turns += [at + _DAY for at in counted if at > now - _DAY]
    return turns


def _tests(request: Request) -> list[datetime]:
    rules = [
        rule
        for timing in (request.medicine.timing, *([request.order.schedule.timing] if request.order.schedule else []))
        for rule in (timing.if_late, timing.if_missed)
        if rule is not None and rule.fresh is not None and rule.fresh.by_clock
    ]
    return [
        one.at + timedelta(minutes=rule.fresh.minutes)
        for rule in rules
        if rule.fresh is not None
        for one in request.results
        if one.what.casefold() == rule.test.casefold()
    ]
