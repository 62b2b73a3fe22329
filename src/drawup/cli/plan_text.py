"""A plan for a person: what to take, what to draw to, where and with what, what stands in the way, and why."""

from __future__ import annotations

from drawup.cli.edge import finding_text, line
from drawup.injection.arrangement import PlannedInjection, barrel_text
from drawup.injection.barrel import mark_text, percent_text
from drawup.injection.flow import Push
from drawup.injection.lateness import closes_text, opens_text, planned_text
from drawup.injection.medicine import ROUTE_WORDS, Presentation
from drawup.injection.needle import NeedleChoice, needle_words
from drawup.injection.notation import render, render_concentration, render_ml, render_number
from drawup.injection.plan import Plan
from drawup.injection.policy import Policy
from drawup.injection.preparation import Candidate, pack_text
from drawup.injection.reach import Way, of_100, reached
from drawup.injection.request import Request
from drawup.injection.tissue import Chance


def plan_text(plan: Plan, request: Request, policy: Policy) -> str:
    """The whole plan as lines of plain text."""
    lines = [_headline(plan, request, policy)]
    if plan.findings:
        lines += [finding_text(found) for found in plan.findings]
    lines.append("")
    lines += _when(plan)
    if plan.candidate is not None:
        lines += _preparation(plan, plan.candidate, request.medicine.presentations, policy)
    for index, injection in enumerate(plan.injections):
        lines += _injection(injection, index, len(plan.injections), policy)
    if plan.working:
        lines += ["", "  Working", *(f"      {step}" for step in plan.working)]
    for injection in plan.injections[:1]:
        lines += [f"      {step}" for step in injection.needle.layer_working]
    lines += _why_not(plan, request, policy)
    if plan.sources:
        lines += ["", "  Sources", *(f"      {source}" for source in plan.sources)]
    return "\n".join(lines)


def _headline(plan: Plan, request: Request, policy: Policy) -> str:
    from drawup.injection.finding import ON_SCREEN

    worst = plan.worst
    amount = render(plan.dose.amount, policy.notation) if plan.dose.amount is not None else "dose not decided"
    route = ROUTE_WORDS[request.order.route] if request.order.route else "route not named"
    verdict = _clear(plan) if worst is None else f"{ON_SCREEN[worst]}."
    return f"{request.medicine.name} {amount} {route}.   {verdict}"


def _clear(plan: Plan) -> str:
    """Nothing stands in the way of the plan; what giving still asks for is said."""
    if any(found.code == "second-check-needed" for found in plan.findings):
        return "Nothing stands in the way but the second check."
    return "Nothing stands in the way."


def _when(plan: Plan) -> list[str]:
    """When the dose is planned for, its window, and why."""
    outlook = plan.outlook
    if outlook is None:
        return []
    due = outlook.due
    if due is None:
        return [line("When", outlook.ended)]
    if due.when_needed:
        return [line("When", due.because)]
    last = closes_text(due, plan.zone)
    until = f", until {last}" if last else ""
    words = f"planned for {planned_text(due, plan.zone)}, may be given from {opens_text(due, plan.zone)}{until}"
    return [line("When", words), f"      {due.because}"]


def _preparation(plan: Plan, candidate: Candidate, packs: tuple[Presentation, ...], policy: Policy) -> list[str]:
    notation = policy.notation
    pack = pack_text(candidate.presentation, notation)
    count = f"{candidate.count} x " if candidate.count is not None else ""
    lines = [line("From", f"{count}{pack}")]
    if candidate.mixed:
        lines = [
            line("From", f"{number} x {pack_text(packs[index], notation)}: {render_ml(volume, notation)}")
            for index, number, volume in candidate.mixed
        ]
    mixing = candidate.presentation.reconstitution
    if mixing is not None:
        add = f"add {render_number(mixing.add_ml, notation)} mL {mixing.diluent}; " if mixing.add_ml is not None else ""
        gives = render_concentration(candidate.made_up.concentration, notation)
        each = " each" if candidate.count is not None and candidate.count > 1 else ""
        lines.append(line("Make up", f"{add}gives {gives}{each}"))
    lines.append(line("Volume", f"{render_number(candidate.volume_ml, notation)} mL"))
    if candidate.device is not None:
        lines += _device(candidate)
    elif plan.drawn is not None and len(plan.injections) <= 1:
        lines.append(line("Draw to", f"{mark_text(plan.drawn, notation)}{_difference(plan, candidate)}"))
        lines.append(line("Barrel", barrel_text(plan.drawn.barrel, policy)))
    for container in plan.containers:
        expiry = f", usable to {container.expiry_date.isoformat()}" if container.expiry_date else ""
        lines.append(line("In the hand", f"{container.role}, batch {container.batch or 'not read'}{expiry}"))
    if candidate.left_ml and candidate.presentation.dose_kind == "single" and plan.mark_ml == candidate.volume_ml:
        lines.append(line("Left over", f"{render_number(candidate.left_ml, notation)} mL"))
    return lines


def _difference(plan: Plan, candidate: Candidate) -> str:
    if plan.mark_ml is None or plan.mark_ml == candidate.volume_ml:
        return ", exact"
    share = (plan.mark_ml - candidate.volume_ml) / candidate.volume_ml
    return f" ({'+' if share > 0 else '-'}{percent_text(abs(share))})"


def _device(candidate: Candidate) -> list[str]:
    use = candidate.device
    assert use is not None
    lines = []
    if use.prime:
        lines.append(line("Prime", use.prime))
    if use.dial:
        lines.append(line("Dial", use.dial))
    if use.expel_to:
        lines.append(line("Expel to", use.expel_to))
    if use.keep_in_seconds:
        lines.append(line("Keep in", f"{use.keep_in_seconds} seconds after pressing"))
    return lines


def _injection(injection: PlannedInjection, index: int, total: int, policy: Policy) -> list[str]:
    notation, choice = policy.notation, injection.needle
    number = f" {index + 1}" if total > 1 else ""
    point = f", point {injection.place.point}" if injection.place.point else ""
    place = f"{injection.place.side} {injection.place.site}{point}"
    if total > 1:
        drawn = injection.drawn
        place += f": {mark_text(drawn, notation) if drawn else render_number(injection.volume_ml, notation) + ' mL'}"
        place += f" in a {barrel_text(drawn.barrel, policy)}" if drawn else ""
    lines = [line(f"Where{number}", f"{place}   ({injection.place.because})")]
    if injection.place.where:
        lines.append(line("", injection.place.where))
    if choice.needle is not None:
        gauge, length = choice.needle.gauge, render_number(choice.needle.length_mm, notation)
        second = "second" if choice.seconds == 1 else "seconds"
        seconds = f", push over {choice.seconds} {second}" if choice.seconds is not None else ""
        force = f", {_push(choice.push)}" if choice.push is not None else ""
        words = f"{gauge} G {length} mm at {choice.angle_deg} degrees{seconds}{force}   (by {choice.basis})"
        lines.append(line(f"Needle{number}", words))
        lines += [line("", reason) for reason in choice.reasons[:1]]
        lines += [line("", words) for words in _layers(choice)]
    if index == 0:
        lines += [line("" if step else "How", words) for step, words in enumerate(injection.steps)]
    return lines


def _push(push: Push) -> str:
    beside = f"{push.friction_n:.0f} for friction"
    if push.tissue_n is not None:
        beside += f", {push.tissue_n:.0f} for the tissue"
    return f"about {push.total_n:.0f} N on the plunger ({push.liquid_n:.0f} for the liquid, {beside})"


def _layers(choice: NeedleChoice) -> list[str]:
    """What the needle reaches in this body, or where the figures end."""
    if choice.reach is None or choice.distance is None or choice.aim is None:
        return [f"no chance is shown: {choice.no_chance}"] if choice.no_chance else []
    distance, reach = choice.distance, choice.reach
    whom = "of all adults measured" if distance.unknown else "of bodies like this one"
    if distance.status == "distribution only":
        whom = "of the people measured, whatever their weight"
    if distance.measured_mm is not None:
        whom = "by the distance measured"
    lines = [f"{whom}: {_chance_words(reach.chance, into_muscle=choice.aim.into_muscle)}"]
    needle, flat = choice.needle, Way(angle_deg=reach.way.angle_deg)
    if needle is not None and reach.way.lifted and distance.fold_times not in (None, 1):
        miss = of_100(reached(distance, needle, flat, choice.aim).chance.too_deep or 0)
        lines.append(f"only while the fold is held (a figure from children); without it in the muscle in {miss}")
    return lines


def _chance_words(chance: Chance, *, into_muscle: bool) -> str:
    if not into_muscle:
        return (
            f"in the fat in {of_100(chance.intended)}, in the muscle in {of_100(chance.too_deep or 0)}, "
            f"in the skin in {of_100(chance.too_shallow)}"
        )
    short = f"short of 5 mm into it in {of_100(chance.too_shallow)}"
    if chance.too_deep is None:
        return f"deep enough in the muscle in {of_100(chance.intended)}, {short}; how often it meets bone is not known"
    return f"in the muscle in {of_100(chance.intended)}, {short}, at bone in {of_100(chance.too_deep)}"


def _why_not(plan: Plan, request: Request, policy: Policy) -> list[str]:
    lines = []
    packs = request.medicine.presentations
    for index, reason in plan.refused:
        lines.append(f"      {pack_text(packs[index], policy.notation)}: {reason}")
    for site, reason in plan.refused_sites:
        lines.append(f"      {site}: {reason}")
    for injection in plan.injections[:1]:
        lines += _other_needles(injection.needle, into_muscle=request.order.route == "intramuscular")
    return ["", "  Why not", *lines] if lines else []


def _other_needles(choice: NeedleChoice, *, into_muscle: bool) -> list[str]:
    """Each other needle of the drawer: why not, and what it reaches in this body."""
    lines = []
    for (needle, reason), reach in zip(choice.others, choice.others_reach, strict=True):
        meant = "deep enough" if into_muscle else "in the fat"
        chance = f" ({meant} in {of_100(reach.chance.intended)})" if reach is not None else ""
        lines.append(f"      {needle_words(needle)}: {reason}{chance}")
    return lines
