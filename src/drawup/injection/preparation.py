"""From an exact dose to what is drawn up: pack, containers, diluent, volume, barrel and mark."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from itertools import combinations_with_replacement

from drawup.injection.barrel import mark_below, nearest_mark
from drawup.injection.finding import Finding, finding
from drawup.injection.medicine import ROUTE_WORDS, Medicine, Presentation
from drawup.injection.notation import (
    Notation,
    render,
    render_concentration,
    render_ml,
    render_number,
)
from drawup.injection.policy import Policy
from drawup.injection.quantity import (
    Concentration,
    Dimension,
    DimensionMismatch,
    Equivalence,
    Quantity,
    convert,
    millilitres,
)

_ONE = Fraction(1)
_FAR = Fraction(1, 10)  # beyond this, two statements of one label are not rounding
_DEVICES = ("pen", "auto-injector", "prefilled syringe")


@dataclass(frozen=True, slots=True, kw_only=True)
class MadeUp:
    """One container ready to draw from: its concentration, what it holds and what can be drawn from it, in mL.

    The volumes are None where the formulary does not say what the container holds.
    """

    concentration: Concentration
    total_ml: Fraction | None
    usable_ml: Fraction | None
    working: tuple[str, ...] = ()
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceUse:
    """How a pen, auto-injector or prefilled syringe is set for this dose."""

    kind: str
    dial: str | None = None
    prime: str | None = None
    expel_to: str | None = None
    keep_in_seconds: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """One pack that can give the dose. Volumes in mL; `mark_ml` is set where the device itself decides the mark.

    `yields`: of a multi-dose container, how many such doses it really holds, and what is then left in mL.
    """

    index: int
    presentation: Presentation
    made_up: MadeUp
    dose: Quantity
    volume_ml: Fraction
    count: int | None
    left_ml: Fraction | None
    left_usable_ml: Fraction | None
    mark_ml: Fraction | None = None
    device: DeviceUse | None = None
    mixed: tuple[tuple[int, int, Fraction], ...] = ()
    yields: tuple[int, Fraction] | None = None
    working: tuple[str, ...] = ()
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Refused:
    """One pack that cannot, and why. A finding stands in for it where the reason is a stop of its own."""

    index: int
    reason: str
    finding: Finding | None = None


def strength_text(presentation: Presentation, notation: Notation) -> str:
    """The strength of a pack in words: "50 mg/mL", or a powder's amount in the container."""
    strength = presentation.strength
    return (
        render_concentration(strength, notation) if isinstance(strength, Concentration) else render(strength, notation)
    )


def pack_text(presentation: Presentation, notation: Notation) -> str:
    """A pack in words: "vial 250 mg powder", "ampoule 50 mg/mL, 2 mL"."""
    shown = strength_text(presentation, notation)
    volume = f", {render_number(presentation.volume_ml, notation)} mL" if presentation.volume_ml is not None else ""
    powder = " powder" if presentation.form == "powder" else ""
    name = f" ({presentation.name})" if presentation.name else ""
    return f"{presentation.container} {shown}{volume}{powder}{name}"


@lru_cache(maxsize=512)
def make_up(presentation: Presentation, notation: Notation, equivalences: tuple[Equivalence, ...] = ()) -> MadeUp | str:
    """What one container gives once it is ready; a sentence where the formulary does not say enough."""
    strength = presentation.strength
    if isinstance(strength, Concentration):
        return MadeUp(concentration=strength, total_ml=presentation.volume_ml, usable_ml=presentation.volume_ml)
    mixing = presentation.reconstitution
    if mixing is None:
        return "a powder, and the formulary does not say how it is made up"
    total = None
    lines: tuple[str, ...] = ()
    if mixing.add_ml is not None and mixing.displacement_ml is not None:
        total = mixing.add_ml + mixing.displacement_ml
        lines = (
            f"{render_ml(mixing.add_ml, notation)} {mixing.diluent} + "
            f"{render_ml(mixing.displacement_ml, notation)} displaced = {render_ml(total, notation)}",
        )
    if mixing.gives is None:
        if total is None:
            return "a powder with neither displacement nor the concentration it gives"
        by_sum = Concentration(amount=strength, volume=millilitres(total))
        shown = (
            f"{render(strength, notation)} in {render_ml(total, notation)} = {render_concentration(by_sum, notation)}"
        )
        return MadeUp(
            concentration=by_sum, total_ml=total, usable_ml=mixing.withdrawable_ml or total, working=(*lines, shown)
        )
    try:
        held = convert(strength, mixing.gives.amount.kind, equivalences)
    except DimensionMismatch:
        gives = render_concentration(mixing.gives, notation)
        return f"a powder of {render(strength, notation)} that is said to give {gives}, with no equivalence"
    return _by_label(held, mixing.gives, total, mixing.withdrawable_ml, lines, notation)


def _by_label(
    strength: Quantity,
    gives: Concentration,
    total: Fraction | None,
    withdrawable: Fraction | None,
    lines: tuple[str, ...],
    notation: Notation,
) -> MadeUp:
    """The label's own statement; where the sum says otherwise the label wins and a finding says so."""
    label_total = gives.volume_of(strength)
    found: tuple[Finding, ...] = ()
    if total is not None and total != label_total:
        by_sum = Concentration(amount=strength, volume=millilitres(total))
        code = "label-figures-far" if abs(label_total - total) > total * _FAR else "label-volume-wins"
        found = (
            finding(
                code,
                sum=f"{render_ml(total, notation)} ({render_concentration(by_sum, notation)})",
                label=f"{render_ml(label_total, notation)} ({render_concentration(gives, notation)})",
            ),
        )
    elif withdrawable is not None and withdrawable > label_total * (1 + _FAR):
        found = (
            finding(
                "label-figures-far",
                sum=f"{render_ml(label_total, notation)} in all",
                label=f"{render_ml(withdrawable, notation)} that can be drawn up",
            ),
        )
    line = f"label: gives {render_concentration(gives, notation)}"
    if withdrawable is not None:
        line += f", {render_ml(withdrawable, notation)} can be drawn up"
    return MadeUp(
        concentration=gives,
        total_ml=label_total if total is None or found else total,
        usable_ml=withdrawable if withdrawable is not None else label_total,
        working=(*lines, line),
        findings=found,
    )


def prepare(
    *,
    dose: Quantity,
    medicine: Medicine,
    route: str | None,
    ordered_strength: Concentration | Quantity | None,
    policy: Policy,
    chosen: int | None = None,
    caps: tuple[Quantity, ...] = (),
) -> tuple[list[Candidate], list[Refused]]:
    """Every pack that can give the dose, and every pack that cannot with its reason.

    `caps` are the amounts that rounding to a mark may not go over.
    """
    candidates: list[Candidate] = []
    refused: list[Refused] = []
    for index, presentation in enumerate(medicine.presentations):
        if chosen is not None and index != chosen:
            refused.append(Refused(index=index, reason="another pack was chosen"))
            continue
        answer = _consider(index, presentation, dose, medicine, route, ordered_strength, policy, caps)
        if isinstance(answer, Candidate):
            candidates.append(answer)
        else:
            refused.append(answer)
    if policy.mix_strengths and chosen is None:
        mixed = _mix(candidates, dose, policy)
        if mixed is not None:
            candidates.insert(0, mixed)
    return candidates, refused


def _consider(
    index: int,
    presentation: Presentation,
    dose: Quantity,
    medicine: Medicine,
    route: str | None,
    ordered_strength: Concentration | Quantity | None,
    policy: Policy,
    caps: tuple[Quantity, ...],
) -> Candidate | Refused:
    notation = policy.notation
    if route is not None and presentation.routes and route not in presentation.routes:
        return Refused(index=index, reason=f"not licensed {ROUTE_WORDS[route]}")
    if ordered_strength is not None and not same_strength(ordered_strength, presentation.strength):
        return Refused(index=index, reason="another strength than the order names")
    if presentation.container == "cartridge" and presentation.device is None:
        found = finding("cartridge-drawing", pack=pack_text(presentation, notation))
        return Refused(index=index, reason="a cartridge is never drawn from", finding=found)
    made = make_up(presentation, notation, medicine.equivalences)
    if isinstance(made, str):
        return Refused(index=index, reason=made)
    if dose.unit.dimension is Dimension.VOLUME:
        volume, amount, line = (
            dose.base,
            made.concentration.amount_in(dose.base),
            "",
        )
    else:
        try:
            amount = convert(dose, made.concentration.amount.kind, medicine.equivalences)
        except DimensionMismatch:
            labelled = render_concentration(made.concentration, notation)
            found = finding("no-equivalence", ordered=render(dose, notation), labelled=labelled)
            return Refused(index=index, reason=f"labelled in {labelled}, with no equivalence", finding=found)
        volume = made.concentration.volume_of(amount)
        strength = render_concentration(made.concentration, notation)
        line = f"{render(amount, notation)} / {strength} = {render_ml(volume, notation)}"
        if amount is not dose:
            line = f"{render(dose, notation)} = {render(amount, notation)}; {line}"
    if volume <= 0:
        return Refused(index=index, reason="a dose of nothing")
    if presentation.container in _DEVICES or presentation.device is not None:
        most = largest_volume(made, holds=made.usable_ml, caps=caps, medicine=medicine)
        return _by_device(index, presentation, made, amount, volume, line, policy, most)
    return _by_barrel(index, presentation, made, amount, volume, line, policy)


def largest_volume(
    made: MadeUp, *, holds: Fraction | None, caps: tuple[Quantity, ...], medicine: Medicine
) -> Fraction | None:
    """The most that may be drawn, in mL: what the containers hold, and what each cap comes to; None without limit."""
    limits = [] if holds is None else [holds]
    for cap in caps:
        if cap.unit.dimension is Dimension.VOLUME:
            limits.append(cap.base)
            continue
        try:
            amount = convert(cap, made.concentration.amount.kind, medicine.equivalences)
        except DimensionMismatch:
            continue
        limits.append(made.concentration.volume_of(amount))
    return min(limits) if limits else None


def same_strength(ordered: Concentration | Quantity, packed: Concentration | Quantity) -> bool:
    """Whether the pack has the strength that the order names."""
    if isinstance(ordered, Concentration) and isinstance(packed, Concentration):
        return ordered.same_as(packed)
    if isinstance(ordered, Quantity) and isinstance(packed, Quantity):
        return ordered.kind == packed.kind and ordered.base == packed.base
    return False


def _ceiling(value: Fraction) -> int:
    return -(-value.numerator // value.denominator)


def _by_barrel(
    index: int,
    presentation: Presentation,
    made: MadeUp,
    amount: Quantity,
    volume: Fraction,
    line: str,
    policy: Policy,
) -> Candidate:
    """A vial or ampoule: as many containers as the volume takes, and what is left in the last."""
    count = left = left_usable = None
    found = list(made.findings)
    working = [*made.working, line] if line else list(made.working)
    if made.usable_ml is not None and made.total_ml is not None:
        count = _ceiling(volume / made.usable_ml)
        left_usable = count * made.usable_ml - volume
        left = count * made.total_ml - volume
        if count > 1:
            working.append(f"{count} x {render_ml(made.usable_ml, policy.notation)} needed")
        if count > policy.most_containers:
            found.append(finding("many-containers", count=str(count), most=str(policy.most_containers)))
    else:
        found.append(
            finding(
                "pack-volume-not-known", container=presentation.container, medicine=presentation.name or "this pack"
            )
        )
    yields = _yields(presentation, volume, policy)
    if yields is not None:
        doses, unused = yields
        working.append(
            f"{render_ml(_fill(presentation), policy.notation)} in the {presentation.container} / "
            f"({render_ml(volume, policy.notation)} + {render_ml(policy.dead_space, policy.notation)} lost each time): "
            f"{doses} doses, {render_ml(unused, policy.notation)} left, never pooled"
        )
    return Candidate(
        index=index,
        presentation=presentation,
        made_up=made,
        dose=amount,
        volume_ml=volume,
        yields=yields,
        count=count,
        left_ml=left,
        left_usable_ml=left_usable,
        working=tuple(working),
        findings=tuple(found),
    )


def _fill(presentation: Presentation) -> Fraction:
    return presentation.fill_ml or presentation.volume_ml or Fraction(0)


def _yields(presentation: Presentation, volume: Fraction, policy: Policy) -> tuple[int, Fraction] | None:
    """How many such doses a multi-dose container holds, where its label counts doses."""
    if presentation.dose_kind != "multi" or presentation.label_doses is None:
        return None
    return doses_in_container(
        fill_ml=_fill(presentation),
        dose_ml=volume,
        dead_space_ml=policy.dead_space,
        label_doses=presentation.label_doses,
        beyond_label=policy.doses_beyond_label,
    )


def _by_device(
    index: int,
    presentation: Presentation,
    made: MadeUp,
    amount: Quantity,
    volume: Fraction,
    line: str,
    policy: Policy,
    most_ml: Fraction | None,
) -> Candidate | Refused:
    """A pen is dialled; a prefilled syringe or auto-injector is given whole or expelled to a mark, never combined."""
    notation, device = policy.notation, presentation.device
    holds = made.usable_ml
    if holds is not None and volume > holds:
        return Refused(index=index, reason=f"holds {render_ml(holds, notation)}, and devices are never combined")
    left = holds - volume if holds is not None else None
    keep = device.keep_in_seconds if device else None
    prime = render(device.prime, notation) if device and device.prime else None
    mark, found = volume, list(made.findings)
    dial = expel = None
    if device is not None and device.kind == "pen":
        step = device.dial
        if step is not None and step.kind == amount.kind and (amount.ratio(step)).denominator != 1:
            return Refused(index=index, reason=f"dials in steps of {render(step, notation)}")
        if device.most is not None and device.most.kind == amount.kind and amount > device.most:
            return Refused(index=index, reason=f"dials at most {render(device.most, notation)} at once")
        dial = render(amount, notation)
    elif left:
        marks = device.marks_ml if device is not None else None
        if marks is None:
            return Refused(
                index=index, reason=f"holds {render_ml(volume + left, notation)} and has no marks for a part"
            )
        mark = min(nearest_mark(volume, marks), volume + left)
        if most_ml is not None and mark > most_ml >= volume:
            mark = mark_below(most_ml, marks)
        if mark == 0 or abs(mark - volume) > volume * policy.mark_tolerance:
            return Refused(index=index, reason=f"its marks, {render_ml(marks, notation)} apart, cannot show the dose")
        left = volume + left - mark
        if left:
            expel = render_ml(mark, notation)
            given = render(made.concentration.amount_in(mark), notation)
            found.append(finding("expel-part", expel=render_ml(left, notation), mark=expel, given=given))
    use = DeviceUse(
        kind=presentation.container if presentation.container in _DEVICES or device is None else device.kind,
        dial=dial,
        prime=prime,
        expel_to=expel,
        keep_in_seconds=keep,
    )
    return Candidate(
        index=index,
        presentation=presentation,
        made_up=made,
        dose=amount,
        volume_ml=volume,
        count=1,
        left_ml=left,
        left_usable_ml=left,
        mark_ml=mark,
        device=use,
        working=(*made.working, line) if line else made.working,
        findings=tuple(found),
    )


def _mix(candidates: list[Candidate], dose: Quantity, policy: Policy) -> Candidate | None:
    """An exact search over all sets of at most `most_containers` ampoules or vials of different strengths.

    Better means fewer containers, then less left over; the last container of the set is the one drawn in part. A dose
    ordered as a volume is another amount in each strength, and amounts of different kinds have no sum: not mixed.
    """
    drawn = [one for one in candidates if one.count is not None and one.device is None and one.left_ml is not None]
    if len(drawn) < 2 or dose.unit.dimension is Dimension.VOLUME or len({one.dose.kind for one in drawn}) > 1:
        return None
    alone = min((one.count or 0, one.made_up.concentration.amount_in(one.left_ml or Fraction(0)).base) for one in drawn)
    best: tuple[tuple[int, Fraction], tuple[Candidate, ...]] | None = None
    for size in range(2, policy.most_containers + 1):
        for chosen in combinations_with_replacement(drawn, size):
            if len({one.index for one in chosen}) < 2:
                continue
            held = sum((_holds(one).base for one in chosen), Fraction(0))
            left = held - chosen[0].dose.base
            if left < 0 or left >= min(_holds(one).base for one in chosen):
                continue
            if best is None or (size, left) < best[0]:
                best = ((size, left), chosen)
    if best is None or best[0] >= alone:
        return None
    return _mixed_candidate(best[1], best[0][1], policy)


def _holds(candidate: Candidate) -> Quantity:
    return candidate.made_up.concentration.amount_in(candidate.made_up.usable_ml or Fraction(0))


def _mixed_candidate(chosen: tuple[Candidate, ...], left_base: Fraction, policy: Policy) -> Candidate:
    """The set as one candidate: all containers whole but the last of the weakest strength, drawn in part."""
    notation = policy.notation
    weakest = min(chosen, key=lambda one: one.made_up.concentration.in_one_ml().base)
    left_ml = left_base / weakest.made_up.concentration.in_one_ml().base
    parts: list[tuple[int, int, Fraction]] = []
    for one in dict.fromkeys(candidate.index for candidate in chosen):
        same = [candidate for candidate in chosen if candidate.index == one]
        volume = len(same) * (same[0].made_up.usable_ml or Fraction(0)) - (left_ml if one == weakest.index else 0)
        parts.append((one, len(same), volume))
    by_index = {candidate.index: candidate for candidate in chosen}
    packs = "; ".join(
        f"{render_ml(volume, notation)} from {count} x {pack_text(by_index[one].presentation, notation)}"
        for one, count, volume in parts
    )
    total = sum((volume for _, _, volume in parts), Fraction(0))
    found = [finding("strengths-mixed", packs=packs)]
    if left_ml:
        found.append(finding("discard-rest", rest=render_ml(left_ml, notation), container="the last container"))
    return Candidate(
        index=parts[0][0],
        presentation=by_index[parts[0][0]].presentation,
        made_up=by_index[parts[0][0]].made_up,
        dose=chosen[0].dose,
        volume_ml=total,
        count=len(chosen),
        left_ml=left_ml,
        left_usable_ml=left_ml,
        mixed=tuple(parts),
        working=(packs, f"together {render_ml(total, notation)}"),
        findings=tuple(found),
    )


def doses_in_container(
    *, fill_ml: Fraction, dose_ml: Fraction, dead_space_ml: Fraction, label_doses: int | None, beyond_label: bool
) -> tuple[int, Fraction]:
    """How many doses a multi-dose container really yields, and what is then left in mL.

    Each dose takes its volume and the dead space of syringe and needle. Never more than the label says unless the
    policy allows it; what is left is never pooled.
    """
    doses = (fill_ml / (dose_ml + dead_space_ml)).__floor__()
    if label_doses is not None and not beyond_label:
        doses = min(doses, label_doses)
    return doses, fill_ml - doses * (dose_ml + dead_space_ml)
