"""A medicine as the public request and the formulary write it, read into a `Medicine`."""

from __future__ import annotations

import re
from fractions import Fraction

from drawup.evidence.tables import load_sites
from drawup.exchange.reader import FieldError, Fields, exact_number, quantity_of, shown
from drawup.exchange.schedule_entry import read_label_timing, read_watch
from drawup.injection.medicine import (
    CONTAINERS,
    FORMS,
    PLAIN_TECHNIQUE,
    ROUTES,
    Device,
    Medicine,
    Need,
    Presentation,
    Reconstitution,
    Technique,
    UsualDose,
)
from drawup.injection.notation import Notation, NotationError, parse_equivalence, parse_strength
from drawup.injection.patient import QUESTIONS
from drawup.injection.policy import Needle
from drawup.injection.quantity import (
    DOSE_DIMENSIONS,
    Concentration,
    Dimension,
    DimensionMismatch,
    Equivalence,
    Quantity,
    convert,
)

AMOUNTS = (Dimension.MASS, Dimension.UNITS, Dimension.MOLES, Dimension.EQUIVALENTS)
DOSES = DOSE_DIMENSIONS

_MEDICINE_KEYS = frozenset(
    [
        "name",
        "allergy_groups",
        "presentations",
        "routes",
        "sites",
        "usual_dose",
        "at_most_single",
        "at_most_daily",
        "least_interval",
        "same_group",
        "equivalences",
        "viscosity_mpa_s",
        "needle_at_least_gauge",
        "volume_at_most",
        "technique",
        "wrong_layer",
        "needs",
        "second_check",
        "watch_minutes",
        "units_barrel",
        "controlled",
        "steady_uptake",
        "painful",
        "timing",
        "live",
        "ask",
        "consent",
        "watch",
    ]
)
_PRESENTATION_KEYS = frozenset(
    [
        "form",
        "strength",
        "container",
        "volume",
        "fill",
        "label_doses",
        "dose_kind",
        "in_use",
        "gtin",
        "name",
        "routes",
        "excipients",
        "device",
        "reconstitution",
    ]
)
_MIXING_KEYS = frozenset(["diluent", "add", "displacement", "gives", "withdrawable"])
_DEVICE_KEYS = frozenset(["kind", "marks", "dial", "most", "prime", "fixed_needle", "keep_in_seconds", "one_patient"])
_NEEDLE_KEYS = frozenset(("gauge", "length_mm"))
_USUAL_KEYS = frozenset(["dose", "from_age", "below_age", "from_weight", "below_weight", "indication"])
_NEED_KEYS = frozenset(["what", "fresh", "withhold_below", "withhold_above", "then"])
_TECHNIQUE_KEYS = frozenset(["z_track", "draw_back", "filter_needle", "ml_per_second", "lines"])

_LONGEST_WEEKS = 1000
_LONGEST_MINUTES = _LONGEST_WEEKS * 7 * 24 * 60

_AGE = re.compile(r"([0-9]{1,3}) (day|week|month|year)s?", re.ASCII)
_AGE_DAYS = {"day": Fraction(1), "week": Fraction(7), "month": Fraction("30.4375"), "year": Fraction("365.25")}
_READING = re.compile(r"(?P<number>[0-9][0-9.,]*)(?: (?P<unit>\S.{0,30}))?", re.ASCII)


_KNOWN: dict[tuple[str, str, Notation], tuple[Medicine, tuple[str, ...]]] = {}
_MOST_KNOWN = 256
_LONGEST_KNOWN = 20_000  # characters: what is kept stays small


def read_medicine(fields: Fields) -> Medicine:
    """The medicine and its packs. Raises FieldError.

    A formulary has few medicines and many requests: one that is written in just the same way is read once.
    """
    key = (fields.path, fields.content, fields.notation)
    if len(key[1]) > _LONGEST_KNOWN:
        return _read_medicine(fields)
    known = _KNOWN.get(key)
    if known is None:
        before = len(fields.notes)
        known = _read_medicine(fields), tuple(fields.notes[before:])
        if len(_KNOWN) >= _MOST_KNOWN:
            _KNOWN.clear()
        _KNOWN[key] = known
    else:
        fields.notes.extend(known[1])
    return known[0]


def _read_medicine(fields: Fields) -> Medicine:
    name = fields.need_text("name")
    equivalences = fields.items("equivalences", lambda value, path: _equivalence(value, path, fields)) or ()
    _check_equivalences(equivalences, fields)
    forms = forms_of(equivalences)
    packs = fields.items("presentations", lambda value, path: _presentation(value, path, fields, forms), most=50)
    if not packs:
        fields.fail("presentations", "missing, expected a list of at least one pack")
    codes = [pack.gtin for pack in packs if pack.gtin is not None]
    if len(set(codes)) < len(codes):
        fields.fail("presentations", "two packs have the same code, so a scan could not tell them apart")
    medicine = Medicine(
        name=name,
        presentations=packs,
        allergy_groups=fields.texts("allergy_groups") or (),
        routes=_routes(fields),
        sites=_sites(fields),
        usual_doses=_usual_doses(fields, forms),
        at_most_single=fields.quantity("at_most_single", *DOSES, forms=forms),
        at_most_daily=fields.quantity("at_most_daily", *DOSES, forms=forms),
        least_interval_minutes=minutes_of(fields, "least_interval"),
        same_group=fields.texts("same_group") or (),
        equivalences=equivalences,
        viscosity_mpa_s=fields.number("viscosity_mpa_s", above=0),
        needle_at_least_gauge=fields.whole("needle_at_least_gauge", least=14, most=34),
        volume_at_most_ml=_volume(fields, "volume_at_most"),
        technique=_technique(fields),
        wrong_layer=fields.one_of("wrong_layer", ("too shallow", "too deep")) or "",
        needs=fields.items("needs", lambda value, path: read_need(value, path, fields)) or (),
        second_check=fields.truth("second_check"),
        watch_minutes=fields.whole("watch_minutes", most=1440),
        units_barrel=bool(fields.truth("units_barrel")),
        controlled=bool(fields.truth("controlled")),
        steady_uptake=bool(fields.truth("steady_uptake")),
        painful=bool(fields.truth("painful")),
        timing=read_label_timing(fields.inside("timing")),
        live=bool(fields.truth("live")),
        ask=_asked(fields),
        consent=bool(fields.truth("consent")),
        watch=read_watch(fields.inside("watch")),
    )
    fields.close(_MEDICINE_KEYS)
    return medicine


def _asked(fields: Fields) -> tuple[str, ...]:
    """The questions of the day that the label asks for."""
    asked = fields.texts("ask") or ()
    for index, question in enumerate(asked):
        if question not in QUESTIONS:
            known = ", ".join(QUESTIONS)
            raise FieldError(f"{fields.at('ask')}[{index}]", f'read "{shown(question)}", expected one of: {known}')
    return asked


def _check_equivalences(equivalences: tuple[Equivalence, ...], fields: Fields) -> None:
    """Two ways from one amount to another must end at the same figure."""
    for index, pair in enumerate(equivalences):
        others = equivalences[:index] + equivalences[index + 1 :]
        try:
            by_others = convert(pair.left, pair.right.kind, others)
        except DimensionMismatch:
            continue
        if by_others.base != pair.right.base:
            fields.fail(
                "equivalences", "two of them contradict each other. Read the label again, and keep the right one"
            )


def forms_of(equivalences: tuple[Equivalence, ...]) -> tuple[str, ...]:
    """The words for salts and bases that the amounts of a medicine with these may carry."""
    return tuple(dict.fromkeys(side.form for pair in equivalences for side in (pair.left, pair.right) if side.form))


def _equivalence(value: object, path: str, fields: Fields) -> Equivalence:
    if not isinstance(value, str):
        raise FieldError(path, f'read {shown(value)}, expected such as "1.2 million units = 900 mg"')
    try:
        return parse_equivalence(value, fields.notation)
    except NotationError as error:
        raise FieldError(path, str(error)) from None


def _routes(fields: Fields) -> tuple[str, ...]:
    routes = fields.texts("routes") or ()
    for route in routes:
        if route not in ROUTES:
            fields.fail("routes", f'read "{shown(route)}", expected one of: {", ".join(ROUTES)}')
    return routes


def _sites(fields: Fields) -> tuple[str, ...]:
    """The only sites the label allows: one that is misspelt would allow every other."""
    sites, known = fields.texts("sites") or (), [site.name for site in load_sites()]
    for index, site in enumerate(sites):
        if site not in known:
            raise FieldError(f"{fields.at('sites')}[{index}]", f'read "{site}", expected one of: {", ".join(known)}')
    return sites


def strength_of(
    value: object, path: str, fields: Fields, forms: tuple[str, ...] = ()
) -> tuple[Concentration | Quantity, Fraction | None]:
    """A strength as the trade writes it, and the container's volume in mL where the text says it ("50 mg in 2 mL")."""
    if not isinstance(value, str):
        raise FieldError(path, f'read {shown(value)}, expected a strength such as "50 mg/mL"')
    try:
        parsed = parse_strength(value, fields.notation, forms=forms)
    except NotationError as error:
        raise FieldError(path, str(error)) from None
    if parsed.notes:
        fields.notes.extend(parsed.notes)
    strength = parsed.strength
    if isinstance(strength, Concentration) and " in " in value and not value.startswith("1 in "):
        return strength, strength.volume.base
    return strength, None


def _presentation(value: object, path: str, parent: Fields, forms: tuple[str, ...]) -> Presentation:
    fields = Fields(value, path, parent.notation, parent.notes)
    raw = fields.take("strength")
    if raw is None:
        fields.fail("strength", 'missing, expected a strength such as "50 mg/mL"')
    strength, written_volume = strength_of(raw, fields.at("strength"), fields, forms)
    form = fields.one_of("form", FORMS) or "solution"
    mixing = _mixing(fields, forms)
    if form == "powder" and isinstance(strength, Concentration):
        fields.fail("strength", 'a powder is labelled with its amount in the container, such as "250 mg"')
    if form != "powder" and isinstance(strength, Quantity):
        fields.fail(
            "strength", 'a bare amount is the strength of a powder; write such as "50 mg/mL" or "50 mg in 2 mL"'
        )
    text = fields.take("in_use")
    pack = Presentation(
        form=form,
        container=fields.one_of("container", CONTAINERS) or "vial",
        strength=strength,
        volume_ml=_volume(fields, "volume") or written_volume,
        fill_ml=_volume(fields, "fill"),
        label_doses=fields.whole("label_doses", least=1, most=1000),
        dose_kind=fields.one_of("dose_kind", ("single", "multi")) or "single",
        in_use_minutes=_minutes(text, fields.at("in_use"), fields) if text is not None else None,
        in_use_text=text if isinstance(text, str) else "",
        gtin=_gtin(fields),
        name=fields.text("name") or "",
        routes=_routes(fields),
        excipients=fields.texts("excipients") or (),
        device=_device(fields),
        reconstitution=mixing,
    )
    fields.close(_PRESENTATION_KEYS)
    return pack


def _gtin(fields: Fields) -> str | None:
    gtin = fields.text("gtin")
    if gtin is None:
        return None
    if not (gtin.isascii() and gtin.isdigit() and len(gtin) in (8, 12, 13, 14)):
        fields.fail("gtin", f'read "{shown(gtin)}", expected 8, 12, 13 or 14 figures')
    return gtin.rjust(14, "0")


def _volume(fields: Fields, key: str) -> Fraction | None:
    quantity = fields.quantity(key, Dimension.VOLUME)
    return None if quantity is None else quantity.base


def _mixing(fields: Fields, forms: tuple[str, ...]) -> Reconstitution | None:
    inner = fields.inside("reconstitution")
    if inner is None:
        return None
    raw = inner.take("gives")
    gives = None
    if raw is not None:
        strength, _ = strength_of(raw, inner.at("gives"), inner, forms)
        if not isinstance(strength, Concentration):
            inner.fail("gives", 'expected a concentration such as "250 mg/mL"')
        gives = strength
    displacement = inner.quantity("displacement", Dimension.VOLUME, zero=True)
    mixing = Reconstitution(
        diluent=inner.text("diluent") or "diluent",
        add_ml=_volume(inner, "add"),
        displacement_ml=None if displacement is None else displacement.base,
        gives=gives,
        withdrawable_ml=_volume(inner, "withdrawable"),
    )
    inner.close(_MIXING_KEYS)
    return mixing


def _device(fields: Fields) -> Device | None:
    inner = fields.inside("device")
    if inner is None:
        return None
    device = Device(
        kind=inner.one_of("kind", ("pen", "auto-injector", "prefilled")) or "prefilled",
        marks_ml=_volume(inner, "marks"),
        dial=inner.quantity("dial", *DOSES),
        most=inner.quantity("most", *DOSES),
        prime=inner.quantity("prime", *DOSES),
        fixed_needle=needle_of(inner.inside("fixed_needle")),
        keep_in_seconds=inner.whole("keep_in_seconds", most=300),
        one_patient=bool(inner.truth("one_patient")),
    )
    inner.close(_DEVICE_KEYS)
    return device


def needle_of(fields: Fields | None) -> Needle | None:
    """A needle by gauge and length in mm."""
    if fields is None:
        return None
    gauge = fields.whole("gauge", least=10, most=34)
    length = fields.number("length_mm", above=0)
    if gauge is None or length is None:
        fields.fail("gauge" if gauge is None else "length_mm", "missing: a needle has a gauge and a length in mm")
    if length > 120:
        fields.fail("length_mm", f'read "{length}", expected a needle of at most 120 mm')
    fields.close(_NEEDLE_KEYS)
    return Needle(gauge=gauge, length_mm=length)


def _usual_doses(fields: Fields, forms: tuple[str, ...]) -> tuple[UsualDose, ...]:
    raw = fields.take("usual_dose")
    if raw is None:
        return ()
    path = fields.at("usual_dose")
    if type(raw) is not list:
        raise FieldError(path, f'read "{shown(raw)}", expected a pair such as ["50 mg", "200 mg"], or a list of them')
    if len(raw) == 2 and all(isinstance(part, str) for part in raw):
        low, high = _pair(raw, path, fields, forms)
        return (UsualDose(low=low, high=high),)
    return tuple(_usual(one, f"{path}[{index}]", fields, forms) for index, one in enumerate(raw))


def _usual(value: object, path: str, parent: Fields, forms: tuple[str, ...]) -> UsualDose:
    fields = Fields(value, path, parent.notation, parent.notes)
    low, high = _pair(fields.take("dose"), fields.at("dose"), fields, forms)
    weights = {}
    for key in ("from_weight", "below_weight"):
        quantity = fields.quantity(key, Dimension.MASS, body_weight=True, measured=True)
        weights[key] = None if quantity is None else quantity.base / 1_000_000
    usual = UsualDose(
        low=low,
        high=high,
        from_days=_age_days(fields, "from_age"),
        below_days=_age_days(fields, "below_age"),
        from_kg=weights["from_weight"],
        below_kg=weights["below_weight"],
        indication=fields.text("indication") or "",
    )
    for first, below, least, end in (
        ("from_age", "below_age", usual.from_days, usual.below_days),
        ("from_weight", "below_weight", usual.from_kg, usual.below_kg),
    ):
        if least is not None and end is not None and end <= least:
            fields.fail(below, f"ends at or below {first}, so that nobody falls in this row")
    fields.close(_USUAL_KEYS)
    return usual


def _pair(value: object, path: str, fields: Fields, forms: tuple[str, ...]) -> tuple[Quantity, Quantity]:
    if type(value) is not list or len(value) != 2:
        raise FieldError(path, f'read "{shown(value)}", expected a pair such as ["50 mg", "200 mg"]')
    low, high = (_amount(part, f"{path}[{index}]", fields, forms) for index, part in enumerate(value))
    if low.kind != high.kind or low > high:
        raise FieldError(path, "expected the lower amount first, both of the same kind")
    return low, high


def _amount(value: object, path: str, fields: Fields, forms: tuple[str, ...]) -> Quantity:
    return quantity_of(value, path, fields, DOSES, forms=forms)


def _age_days(fields: Fields, key: str) -> int | None:
    text = fields.text(key)
    if text is None:
        return None
    match = _AGE.fullmatch(text)
    if match is None:
        fields.fail(key, f'read "{shown(text)}", expected an age such as "6 months" or "12 years"')
    return int(Fraction(match[1]) * _AGE_DAYS[match[2]])


def minutes_of(fields: Fields, key: str) -> int | None:
    """A length of time in whole minutes."""
    value = fields.take(key)
    return None if value is None else _minutes(value, fields.at(key), fields)


def _minutes(value: object, path: str, fields: Fields) -> int:
    quantity = quantity_of(value, path, fields, (Dimension.TIME,))
    if quantity.base.denominator != 1:
        raise FieldError(path, f'read "{shown(value)}", expected whole minutes, hours, days or weeks')
    if quantity.base > _LONGEST_MINUTES:
        raise FieldError(path, f'read "{shown(value)}", expected at most {_LONGEST_WEEKS} weeks')
    return int(quantity.base)


def reading_value(value: object, path: str, fields: Fields) -> tuple[Fraction, str]:
    """A reading's number and unit: "5.6 mmol/L", or a bare number for an INR."""
    if isinstance(value, str):
        match = _READING.fullmatch(value.strip(" "))
        if match is not None:
            return exact_number(match["number"], path, fields.notation), match["unit"] or ""
        raise FieldError(path, f'read "{shown(value)}", expected a reading such as "5.6 mmol/L" or "2.6"')
    raise FieldError(path, f'read {shown(value)}, expected a text such as "5.6 mmol/L"')


def read_need(value: object, path: str, parent: Fields) -> Need:
    """A reading that must be known before a dose. Raises FieldError."""
    fields = Fields(value, path, parent.notation, parent.notes)
    what = fields.need_text("what")
    fresh = fields.take("fresh")
    limits: dict[str, tuple[Fraction, str] | None] = {}
    for key in ("withhold_below", "withhold_above"):
        raw = fields.take(key)
        limits[key] = None if raw is None else reading_value(raw, fields.at(key), fields)
    below, above = limits["withhold_below"], limits["withhold_above"]
    if below is not None and above is not None and below[1] != above[1]:
        fields.fail("withhold_above", "both limits must be in the same unit")
    if below is not None and above is not None and above[0] < below[0]:
        fields.fail("withhold_above", "lies below withhold_below, so that every reading would be withheld")
    known = below or above
    need = Need(
        what=what,
        fresh_minutes=_minutes(fresh, fields.at("fresh"), fields) if fresh is not None else None,
        fresh_text=fresh if isinstance(fresh, str) else "",
        withhold_below=below[0] if below else None,
        withhold_above=above[0] if above else None,
        unit=known[1] if known else "",
        then=fields.text("then") or "Tell the prescriber.",
    )
    fields.close(_NEED_KEYS)
    return need


def _technique(fields: Fields) -> Technique:
    inner = fields.inside("technique")
    if inner is None:
        return PLAIN_TECHNIQUE
    technique = Technique(
        z_track=bool(inner.truth("z_track")),
        draw_back=inner.truth("draw_back"),
        filter_needle=bool(inner.truth("filter_needle")),
        ml_per_second=inner.number("ml_per_second", above=0),
        lines=inner.texts("lines") or (),
    )
    inner.close(_TECHNIQUE_KEYS)
    return technique
