"""What an order rests on, as the public request writes it: a word, or the whole authority with its limits."""

from __future__ import annotations

from drawup.exchange.reader import Fields, shown
from drawup.exchange.schedule_entry import interval_of
from drawup.injection.order import AUTHORITIES, Authority

AUTHORITY_KEYS = frozenset(
    [
        "kind",
        "reference",
        "version",
        "from",
        "until",
        "staff",
        "include",
        "exclude",
        "delegable",
        "must_follow",
        "within",
    ]
)


def read_authority(order: Fields) -> Authority | None:
    """The authority of an order: "prescription", or an object. Raises FieldError."""
    value = order.take("authority")
    if value is None or value == "":
        return None
    if isinstance(value, str):
        if value not in AUTHORITIES:
            order.fail("authority", f'read "{shown(value)}", expected one of: {", ".join(AUTHORITIES)}, or an object')
        return Authority(kind=value)
    return authority_of(Fields(value, order.at("authority"), order.notation, order.notes))


def authority_of(fields: Fields) -> Authority:
    """An authority with its limits. Raises FieldError."""
    kind = fields.one_of("kind", AUTHORITIES)
    if kind is None:
        fields.fail("kind", f"missing, expected one of: {', '.join(AUTHORITIES)}")
    within = fields.take("within")
    authority = Authority(
        kind=kind,
        reference=fields.text("reference") or "",
        version=fields.text("version") or "",
        starts=fields.day("from"),
        ends=fields.day("until"),
        staff=fields.names("staff"),
        include=fields.names("include"),
        exclude=fields.names("exclude"),
        delegable=bool(fields.truth("delegable")),
        must_follow=fields.text("must_follow") or "",
        within=None if within is None else interval_of(within, fields.at("within")),
    )
    if authority.starts is not None and authority.ends is not None and authority.ends < authority.starts:
        fields.fail("until", f"read {authority.ends.isoformat()}, before from, {authority.starts.isoformat()}")
    if bool(authority.must_follow) != (authority.within is not None):
        fields.fail("within", "what must follow and within what time belong together: must_follow and within")
    included = {one.casefold() for one in authority.include}
    for question in authority.exclude:
        if question.casefold() in included:
            fields.fail("exclude", f'"{shown(question)}" both includes and excludes. Write it once')
    fields.close(AUTHORITY_KEYS)
    return authority
