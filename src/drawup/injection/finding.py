"""What a clinician must see before giving: one closed table of codes, and the findings made from it.

A finding blocks preparing and giving, never recording. Its severity belongs to its code, so that the same fact is never
a stop in one place and a note in another. docs/findings.md is written from this table.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Severity(StrEnum):
    """How much a finding asks of the giver."""

    STOP = "stop"
    CONFIRM = "confirm"
    ASK = "ask"
    NOTE = "note"


RANK = {Severity.STOP: 0, Severity.CONFIRM: 1, Severity.ASK: 2, Severity.NOTE: 3}

ON_SCREEN = {
    Severity.STOP: "Do not give",
    Severity.CONFIRM: "Prescriber must confirm",
    Severity.ASK: "Your reason needed",
    Severity.NOTE: "Good to know",
}

CLEARED_BY = {
    Severity.STOP: "nobody: change what it rests on",
    Severity.CONFIRM: "a prescriber, or the giver noting who confirmed, how and when",
    Severity.ASK: "the giver, with a reason",
    Severity.NOTE: "needs nothing",
}

COMMON_PRACTICE = "common practice, no source"


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """One row of the table. `message` and `do` are templates filled with the facts of the case."""

    code: str
    severity: Severity
    message: str
    why: str
    do: str
    source: str

    @property
    def cleared_by(self) -> str:
        """Who may clear a finding of this code."""
        return CLEARED_BY[self.severity]


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One thing found. `accepted` holds the reason given for it, where one was."""

    code: str
    message: str
    do: str
    source: str
    accepted: str | None = None

    @property
    def rule(self) -> Rule:
        """The row of the table this was made from."""
        return CODES[self.code]

    @property
    def severity(self) -> Severity:
        """How much it asks of the giver."""
        return CODES[self.code].severity

    @property
    def blocks(self) -> bool:
        """Whether it stands in the way of preparing and giving."""
        rule = CODES[self.code]
        if rule.severity is Severity.STOP:
            return True
        return rule.severity is not Severity.NOTE and self.accepted is None


def finding(code: str, *, source: str = "", **facts: str) -> Finding:
    """A finding of this code about these facts; `source` replaces the table's where the case has its own."""
    rule = CODES[code]
    return Finding(
        code=code,
        message=rule.message.format_map(facts),
        do=rule.do.format_map(facts),
        source=source or rule.source,
    )


def worst_first(findings: list[Finding]) -> tuple[Finding, ...]:
    """All findings once, worst first; the order in which they were found decides among equals."""
    once = dict.fromkeys(findings)
    return tuple(sorted(once, key=lambda found: RANK[found.severity]))


CODES: dict[str, Rule] = {}


def _rules(severity: Severity, *rows: tuple[str, str, str, str, str]) -> None:
    for code, message, why, do, source in rows:
        CODES[code] = Rule(code=code, severity=severity, message=message, why=why, do=do, source=source)


_LABEL = "the product's label, as entered in the formulary"
_JC = "Joint Commission, NPSG.01.01.01 and Do Not Use list"
_SINGLE_DOSE = "CDC position on single-dose vials, 2 May 2012"
_ISMP_UNITS = "Never Events list England 2018 no. 6; ISMP high-alert list (insulin, 500 units/mL singled out)"

_rules(
    Severity.STOP,
    (
        "diluent-not-ordered",
        "The powder is made up with {wanted}; in the hand: {scanned}.",
        "Another diluent may harm or spoil the medicine.",
        "Put it back. Fetch the diluent that the label names.",
        _LABEL,
    ),
    (
        "order-not-started",
        "The order starts on {start}; it is {today}.",
        "An order counts from its own start.",
        "Wait for the start, or ask the prescriber.",
        COMMON_PRACTICE,
    ),
    (
        "order-stopped",
        "The order was stopped on {stop}.",
        "A stopped order is no authority to give.",
        "Do not give. Ask the prescriber if it should go on.",
        COMMON_PRACTICE,
    ),
    (
        "order-ended",
        "The order ended on {stop}; it is {today}.",
        "An order past its end is no authority to give.",
        "Ask the prescriber for a new order.",
        COMMON_PRACTICE,
    ),
    (
        "medicine-not-ordered",
        "Ordered: {ordered}. In the hand: {scanned}. {difference}",
        "The wrong medicine or the wrong form of it is the commonest serious mistake at this step.",
        "Put it back. Fetch what was ordered and scan it.",
        _JC,
    ),
    (
        "pack-not-ordered",
        "The order names strength {ordered}; the pack in the hand is {scanned}.",
        "A dose drawn from another strength holds another amount.",
        "Fetch the strength that was ordered, or ask the prescriber.",
        _JC,
    ),
    (
        "not-in-formulary",
        "The code {gtin} is not in the formulary.",
        "What a code stands for is only known from the formulary; an unknown code is not proof of a wrong medicine.",
        "Compare the label by eye, scan another container, or ask whoever keeps the formulary to add this pack.",
        COMMON_PRACTICE,
    ),
    (
        "container-code-unclear",
        "The code cannot be trusted: {problem}",
        "A damaged or badly typed code can name another medicine, batch or date.",
        "Scan again, or type batch and expiry date from the label.",
        "GS1 Barcode Syntax Dictionary and Engine, GS1 AISBL, 2026",
    ),
    (
        "allergy-serious",
        "Confirmed serious allergy to {allergy}; {medicine} {because}.",
        "Giving it may kill.",
        "Do not give. Tell the prescriber.",
        COMMON_PRACTICE,
    ),
    (
        "batch-expired",
        "Batch {batch} ended on {expiry}; it is {today}.",
        "Strength and sterility are promised only to the expiry date.",
        "Put it aside for return and take another batch.",
        _LABEL,
    ),
    (
        "batch-quarantined",
        "Batch {batch} is in quarantine: {reason}.",
        "Stock that was stored outside its limits is outside its licence until somebody answerable has decided.",
        "Take another batch. Only a named person may release it.",
        "UK Immunisation against infectious disease, chapter 3 (cold chain)",
    ),
    (
        "in-use-passed",
        "Opened {opened}; last usable moment was {until}.",
        "An opened or mixed container keeps only so long.",
        "Discard it and open another.",
        _LABEL,
    ),
    (
        "opened-without-date",
        "The container was opened, and nobody wrote when.",
        "Without a date the in-use limit cannot be known; no date on the vial means discard.",
        "Discard it and open another.",
        "28-day rule for multi-dose vials (secondary source: medx.it.com)",
    ),
    (
        "reading-missing",
        "{what} must be known before this dose, and none is written down.",
        "The dose is withheld outside limits, so the reading decides.",
        "Measure {what} and enter it.",
        _LABEL,
    ),
    (
        "reading-stale",
        "{what} was read {age} ago ({value}); it counts for {fresh}.",
        "An old reading says nothing about now.",
        "Measure {what} again.",
        _LABEL,
    ),
    (
        "reading-outside",
        "{what} is {value}: withhold {limit}.",
        "Given now it may harm.",
        "Do not give. {then}",
        _LABEL,
    ),
    (
        "reading-unit",
        "{what} was entered as {value}, but the limits are in {unit}.",
        "A reading in another unit cannot be compared, and is never converted silently.",
        "Enter {what} in {unit}.",
        COMMON_PRACTICE,
    ),
    (
        "weight-missing",
        "The dose rests on the weight, and none is known.",
        "Without it there is no dose.",
        "Weigh the patient and enter the weight with its date.",
        COMMON_PRACTICE,
    ),
    (
        "height-missing",
        "The dose rests on the height, and none is known.",
        "Without it there is no {needed}.",
        "Measure the height and enter it with its date.",
        COMMON_PRACTICE,
    ),
    (
        "sex-missing",
        "Ideal weight is worked out differently for women and men, and the sex is not known.",
        "Without it there is no ideal weight.",
        "Enter the sex that the formula needs, or ask the prescriber for a dose on the actual weight.",
        "Devine BJ, Drug Intell Clin Pharm 1974;8:650 (from memory)",
    ),
    (
        "no-pack-fits",
        "No pack in the formulary can give this dose: {reasons}",
        "A dose is only drawn from a pack that holds it, licensed for the route.",
        "Fetch a pack that fits, or ask the prescriber or pharmacist.",
        COMMON_PRACTICE,
    ),
    (
        "no-equivalence",
        "The dose is in {ordered}, the pack in {labelled}, and the medicine declares no equivalence.",
        "Units, masses and moles do not turn into each other by themselves.",
        "Ask the pharmacist; enter the label's own equivalence in the formulary.",
        COMMON_PRACTICE,
    ),
    (
        "units-barrel-mismatch",
        "{barrel} must not be used: {volume} would stand at {wrong_mark}, and {wrong_dose}.",
        "A medicine read in units is measured only in a barrel marked for its own strength.",
        "Use a barrel marked for {strength}, or a pen dialled to {dial}. "
        "Never turn the dose into millilitres or other marks.",
        _ISMP_UNITS,
    ),
    (
        "cartridge-drawing",
        "{pack} is a pen or its cartridge: never draw from it with a syringe.",
        "The strength may differ from the barrel's marks, and air taken in spoils the next doses.",
        "Use the pen itself, or fetch a vial.",
        _ISMP_UNITS,
    ),
    (
        "too-small-to-read",
        "{volume} cannot be read on any barrel within {tolerance}; the nearest mark is {nearest}, {difference} off.",
        "A dose that cannot be read cannot be trusted.",
        "{way_out}",
        "palliativecareguidelines.scot.nhs.uk, decimal points (a volume that cannot be read is a hazard)",
    ),
    (
        "no-barrel-holds",
        "{volume} with room to clear air fits no barrel in the drawer.",
        "Filled to the brim a barrel can neither be cleared of air nor drawn back.",
        "Fetch a larger barrel, or divide the dose.",
        COMMON_PRACTICE,
    ),
    (
        "too-many-injections",
        "{volume} would take {count} injections; at most {most} are allowed for one dose.",
        "Each injection hurts and can go wrong; so many mean that the pack or the route does not suit the dose.",
        "Ask the prescriber for another strength or route.",
        "Hutin Y et al., Bull WHO 2003;81:491-500 (fewest injections)",
    ),
    (
        "site-none-left",
        "No site is left for this injection: {reasons}",
        "Every site that the route, the age and the volume allow is ruled out.",
        "Ask the prescriber. Another route or a worse site is not the way out.",
        COMMON_PRACTICE,
    ),
    (
        "site-ruled-out",
        "{site} is ruled out: {reason}.",
        "What rules out a region rules out every site on it, for both routes.",
        "Choose another site.",
        COMMON_PRACTICE,
    ),
    (
        "site-not-for-route",
        "{site} is not a site for this route, age or medicine: {reason}.",
        "The layer is in the site's name; another layer is another route.",
        "Choose one of: {sites}.",
        COMMON_PRACTICE,
    ),
    (
        "site-volume-hard",
        "{volume} at {site} is over the most it takes ({limit}).",
        "More than the tissue takes hurts, leaks and may damage the muscle.",
        "Divide the dose or choose a larger site.",
        "docs/evidence.md, injection volumes",
    ),
    (
        "needle-none-fits",
        "No needle in the drawer suits: {reason}.",
        "A needle that ends in the wrong layer gives another medicine's effect.",
        "Fetch {wanted}. Another layer or a worse site is not the way out.",
        "docs/evidence.md, needle tables",
    ),
    (
        "needle-falls-short",
        "{needle} ends {short}; {margin} into the muscle are needed (skin to muscle measured as {distance}).",
        "Less than the margin past the fascia is not surely in muscle.",
        "Use {wanted}.",
        "Poland GA et al., JAMA 1997;277:1709-11 (5 mm into muscle)",
    ),
    (
        "push-force-over",
        "{needle} needs about {force} on the plunger: more than people can press ({limit}).",
        "Too thin a needle for this liquid: it will stall, or the needle will come off.",
        "Use {wanted}.",
        "Watt RP et al., Int J Pharm 2019;554:376-386 (at most 40 N)",
    ),
)

_rules(
    Severity.CONFIRM,
    (
        "order-lacks-dose",
        "The order names no dose.",
        "A dose is the prescriber's to decide.",
        "Ask the prescriber.",
        COMMON_PRACTICE,
    ),
    (
        "order-lacks-route",
        "The order names no route.",
        "The same medicine acts differently into muscle and under the skin.",
        "Ask the prescriber.",
        COMMON_PRACTICE,
    ),
    (
        "route-not-licensed",
        "{medicine} is not licensed {route}; its label allows: {routes}.",
        "Off the licence the decision is the prescriber's.",
        "Ask the prescriber, and note who confirmed.",
        _LABEL,
    ),
    (
        "dose-outside-range",
        "{chosen} was chosen; the order allows {low} to {high}.",
        "The giver may choose inside the range only.",
        "Choose inside the range, or ask the prescriber.",
        COMMON_PRACTICE,
    ),
    (
        "dose-no-band",
        "{what} {value} falls in none of the order's bands.",
        "Between or outside the bands the order says nothing.",
        "Ask the prescriber.",
        COMMON_PRACTICE,
    ),
    (
        "dose-power-of-ten",
        "{dose} is {side} the usual {low} to {high}, but {slip} would fit: "
        "a slip by {factor}, in a decimal point or a unit?",
        "Tenfold and thousandfold slips are the classic dose mistakes.",
        "Ask the prescriber what was meant.",
        "Joint Commission Do Not Use list; ISMP list 2021 (trailing zeros, missing zeros, micrograms)",
    ),
    (
        "dose-outside-usual",
        "{dose} is {side} the usual {low} to {high}{group}.",
        "It may be right for this patient; it is not usual.",
        "Ask the prescriber, and note who confirmed.",
        _LABEL,
    ),
    (
        "single-maximum",
        "{dose} is over the most for one dose, {limit}.",
        "The label's maximum is there for a reason.",
        "Ask the prescriber, and note who confirmed.",
        _LABEL,
    ),
    (
        "daily-maximum",
        "With {given} in the 24 hours before, {dose} makes {total}: over the most in any 24 hours, {limit}.",
        "All doses of the medicine or its group count together, whichever order they came from.",
        "Ask the prescriber. {earliest}",
        _LABEL,
    ),
    (
        "too-soon",
        "The last dose was {since} ago, on {last}; at least {interval} must lie between.",
        "Doses too close add up.",
        "Wait until {earliest}, or ask the prescriber.",
        _LABEL,
    ),
    (
        "daily-maximum-orders",
        "Both open orders together make {total} a day: over the most in any 24 hours, {limit}.",
        "All orders of the medicine or its group count together.",
        "Ask the prescriber which order holds.",
        _LABEL,
    ),
    (
        "bleeding-reading-missing",
        "Bleeding risk ({reason}), and no {what} is written down.",
        "Into muscle a bleed is hidden and can be large.",
        "Ask the prescriber whether to give, and get {what}.",
        COMMON_PRACTICE,
    ),
    (
        "bleeding-reading-outside",
        "Bleeding risk ({reason}): {what} is {value}, outside {low} to {high}.",
        "Outside the range the risk of a bleed into the muscle is higher.",
        "Ask the prescriber whether to give.",
        COMMON_PRACTICE,
    ),
    (
        "allergy-mild",
        "Confirmed mild allergy to {allergy}; {medicine} {because}.",
        "A mild reaction can be followed by a serious one.",
        "Ask the prescriber, and note who confirmed.",
        COMMON_PRACTICE,
    ),
)

_rules(
    Severity.ASK,
    (
        "container-not-scanned",
        "The dose takes {wanted} of the medicine's containers; scanned: {scanned}.",
        "What was not scanned was not checked, and cannot be traced.",
        "Scan every container, or say why not.",
        COMMON_PRACTICE,
    ),
    (
        "diluent-not-scanned",
        "The diluent, {diluent}, was not scanned.",
        "A powder made up with the wrong diluent looks the same.",
        "Scan it, or say why not.",
        COMMON_PRACTICE,
    ),
    (
        "plan-changed",
        "Since the plan was made something changed: {changes}.",
        "What was drawn up by the old plan may no longer be right.",
        "Look at the new plan before giving, or say why the old one holds.",
        COMMON_PRACTICE,
    ),
    (
        "allergy-unconfirmed",
        "Allergy to {allergy}, not confirmed; {medicine} {because}.",
        "An unconfirmed allergy still warns.",
        "Ask the patient what happened, and say why you go on.",
        COMMON_PRACTICE,
    ),
    (
        "intolerance",
        "Intolerance of {allergy}; {medicine} {because}.",
        "It will not endanger life, but it may make the patient ill.",
        "Ask the patient, and say why you go on.",
        COMMON_PRACTICE,
    ),
    (
        "allergy-not-asked",
        "Allergies were not asked about.",
        "Left out is not none.",
        "Ask, and write down the answer, also when it is none.",
        COMMON_PRACTICE,
    ),
    (
        "history-not-asked",
        "Earlier doses were not asked about.",
        "{because}",
        "Ask when it was last given, here or elsewhere.",
        COMMON_PRACTICE,
    ),
    (
        "history-unclear",
        "The amount of an earlier dose cannot be counted: {dose}.",
        "The maximum in 24 hours rests on it.",
        "Find out how much was given, and say why you go on.",
        COMMON_PRACTICE,
    ),
    (
        "order-lacks-strength",
        "The order names no strength, and {medicine} comes as {strengths}.",
        "The same number of marks is another dose in another strength.",
        "Confirm the strength with whoever ordered it, and say so.",
        _ISMP_UNITS,
    ),
    (
        "dose-choice-needed",
        "The order is a range, {low} to {high}.",
        "Inside the range the choice is the giver's, and must be written down.",
        "Choose the dose and say why.",
        COMMON_PRACTICE,
    ),
    (
        "duplicate-order",
        "Two open orders of the same medicine or group: {orders}.",
        "Each looks right alone; together they may be one too many.",
        "Look at both, ask the prescriber if in doubt, and say why you go on.",
        COMMON_PRACTICE,
    ),
    (
        "weight-guessed",
        "The weight {weight} was {how}, not measured.",
        "A dose by weight is only as good as the weight.",
        "Weigh the patient, or say why not.",
        COMMON_PRACTICE,
    ),
    (
        "weight-old",
        "The weight {weight} is of {on}; at this age it counts for {limit}.",
        "Babies change in days, children in weeks, adults in months.",
        "Weigh again, or say why not.",
        "policy key weight_age, common practice, no source",
    ),
    (
        "height-guessed",
        "The height {height} was {how}, not measured.",
        "The dose rests on it.",
        "Measure, or say why not.",
        COMMON_PRACTICE,
    ),
    (
        "height-old",
        "The height {height} is of {on}; at this age it counts for {limit}.",
        "Children grow.",
        "Measure again, or say why not.",
        "policy key weight_age, common practice, no source",
    ),
    (
        "weight-unlikely",
        "{weight} is unlikely at {age}: expected {low} to {high}.",
        "A slip in the weight is a slip in the dose, and a cap may hide it.",
        "Weigh again, or say why it is right.",
        "policy table plausible_weight, from memory, check locally",
    ),
    (
        "weight-pounds",
        "{weight} is unlikely at {age}, but {as_pounds} would fit: were pounds written as kilograms?",
        "Pounds taken for kilograms more than double the dose, and a cap may hide it.",
        "Look at the scale's unit and weigh again.",
        "policy table plausible_weight, from memory, check locally",
    ),
    (
        "weight-basis-unfit",
        "{basis} weight is meant for adults over 152 cm; {reason}.",
        "Outside that range the formula was never measured.",
        "Ask the prescriber which weight is meant, and say so.",
        "Devine BJ, Drug Intell Clin Pharm 1974;8:650 (from memory)",
    ),
    (
        "many-containers",
        "{count} containers for one dose.",
        "More than {most} for one dose often means a slip in the dose or the wrong strength.",
        "Check the dose and the strength again, and say why it is right.",
        "National Patient Safety Agency practice (from memory)",
    ),
    (
        "many-injections",
        "{volume} needs {count} injections.",
        "More than {most} for one dose is unusual.",
        "Ask for a stronger pack if there is one, or say why it is right.",
        "Hutin Y et al., Bull WHO 2003;81:491-500 (fewest injections)",
    ),
    (
        "site-volume-soft",
        "{volume} at {site} is over the usual {limit}.",
        "Usual limits are convention: larger volumes hurt more and leak.",
        "Divide it, choose a larger site, or say why not.",
        "docs/evidence.md, injection volumes",
    ),
    (
        "region-unknown",
        '"{region}" is to be kept clear ({reason}), but is not a region or site known here.',
        "What is not known cannot be kept clear by itself.",
        "Look whether the proposed site lies on it, or enter it as one of: {known}.",
        COMMON_PRACTICE,
    ),
    (
        "site-caution",
        "{site}: {caution}.",
        "A safer site is preferred where one is open.",
        "Choose another site, or say why not.",
        "docs/evidence.md, sites",
    ),
    (
        "needle-beyond-evidence",
        "{needle} is proposed beyond the published figures: {missing}.",
        "At this body-mass index the shorter needle is not likely to reach the muscle.",
        "Use the longer needle, measure with ultrasound if you can, and say why you go on.",
        "Am J Ther 2019;26(1):e72-e78, ventrogluteal computed tomography (37.5 mm to BMI 30 in women, 35 in men)",
    ),
    (
        "needle-likely-short",
        "{needle} is not likely to reach the muscle: {reason}.",
        "What stays in the fat is taken up otherwise than ordered.",
        "Use {wanted}, or measure with ultrasound; say why if you go on.",
        "Am J Ther 2019;26(1):e72-e78, ventrogluteal computed tomography (37.5 mm to BMI 30 in women, 35 in men)",
    ),
    (
        "needle-outside-guideline",
        "{needle} is not what the guideline or the label asks for: {reason}.",
        "Too short ends above the layer, too long may touch bone, too fine stalls, too wide hurts and bleeds.",
        "Use {wanted}, or say why this one is right.",
        "docs/evidence.md, needle tables",
    ),
    (
        "push-force-hard",
        "{needle} needs about {force} on the plunger: hard for most hands (aim at {limit} or less).",
        "A hard push shakes the needle and shortens the time taken.",
        "Use {wanted}, or press slowly with both hands and say so.",
        "Watt RP et al., Int J Pharm 2019;554:376-386 (aim 20 N or less)",
    ),
    (
        "bleeding-risk",
        "Bleeding risk: {reason}{reading}.",
        "A bleed into the muscle is hidden.",
        "Fine needle, no rubbing, press {press} minutes, warn of a bruise; say that it was weighed.",
        COMMON_PRACTICE,
    ),
    (
        "expiry-not-read",
        "The expiry date of {container} was not read.",
        "An ended batch looks like any other.",
        "Type it from the label.",
        COMMON_PRACTICE,
    ),
    (
        "second-check-missing",
        "{medicine} needs a second check, and nobody is named.",
        "For a few medicines a second person who works it out alone catches what one misses.",
        "Ask a second person, or say why there was none.",
        "ISMP high-alert list, acute care",
    ),
    (
        "controlled-correction-late",
        "This corrects an entry of {day}, and it is {today}: past the day after.",
        "A register of controlled medicines is corrected by a dated note; entries belong to the day or the next day.",
        "Say why it is late, and tell whoever answers for the register.",
        "Misuse of Drugs Regulations 2001, SI 2001/3998, regulation 20 (UK)",
    ),
)

_rules(
    Severity.NOTE,
    (
        "name-alike",
        "Another patient here is easily taken for this one: {other}.",
        "Twins and namesakes are mixed up.",
        "Ask for name and birth date, and compare another identifier.",
        "Joint Commission, NPSG.01.01.01 (two identifiers)",
    ),
    (
        "part-given",
        "{given} was given; {left} of the dose is outstanding.",
        "Whether the rest is given, and when, is the prescriber's to decide.",
        "Ask the prescriber.",
        COMMON_PRACTICE,
    ),
    (
        "order-lacks-date",
        "The order has no date from which it counts.",
        "Without a date nobody can see whether it still holds.",
        "Look at the order, and enter its date.",
        COMMON_PRACTICE,
    ),
    (
        "notation",
        "{note}",
        "Safety lists name this form because people misread it.",
        "Write the safe form.",
        "Joint Commission Do Not Use list; ISMP list 2021; BNF, prescription writing",
    ),
    (
        "dose-capped",
        "{dose} by the rule, but the order says at most {cap}.",
        "The cap is part of the order.",
        "Give the capped dose.",
        "the order",
    ),
    (
        "label-volume-wins",
        "Sum of diluent and displacement is {sum}; the label says {label}: the label wins.",
        "The maker measured what can be drawn up.",
        "Draw up by the label's figure.",
        _LABEL,
    ),
    (
        "discard-rest",
        "{rest} stays in {container}: single-dose, discard it and write it down.",
        "A single-dose container is for one patient once.",
        "Discard the rest with a witness where local policy asks.",
        _SINGLE_DOSE,
    ),
    (
        "expel-part",
        "Expel {expel} to the mark {mark}, then give {given}.",
        "The syringe holds more than this dose.",
        "Hold it upright, expel to the mark, write the waste down.",
        _LABEL,
    ),
    (
        "last-usable-moment",
        "Opened {opened}: usable until {until}.",
        "The earlier of in-use limit and expiry date.",
        "Write both on the container.",
        _LABEL,
    ),
    (
        "label-volume-limit",
        "The label allows {limit} at one site; the table says {table}.",
        "The label knows this liquid; the table is convention.",
        "Follow the label.",
        _LABEL,
    ),
    (
        "strengths-mixed",
        "Two strengths make this dose: {packs}.",
        "The policy allows it; each is drawn and counted apart.",
        "Check each container against its line.",
        "policy key mix_strengths",
    ),
    (
        "divided",
        "{volume} is divided: {parts}.",
        "One site does not take it all.",
        "A new needle for each, at least 2.5 cm apart on one limb.",
        "UK Immunisation against infectious disease, chapter 11 (2.5 cm)",
    ),
    (
        "needle-by-guideline",
        "Needle by the guideline table ({table}), not by this body: {missing}.",
        "A table knows only age and weight.",
        "Use the larger length for a larger body.",
        "docs/evidence.md, needle tables",
    ),
    (
        "bone-possible",
        "At full depth the tip may touch bone in {full} of 100 like this patient, with 3 mm left outside in {shown}.",
        "Touching bone hurts; it does no other harm.",
        "Leave 3 mm of the needle showing.",
        "Nakayama T et al., Healthcare 2022;10(5):800 (skin to bone, Japanese adults of 65 and over)",
    ),
    (
        "bone-possible-infant",
        "{needle} at full depth is as long as skin to bone at this age ({mean} on average).",
        "Touching bone hurts; it does no other harm.",
        "Stretch the skin, stop at the least resistance, and leave a little of the needle showing.",
        "Cook IF, Murtagh J, Aust Fam Physician 2002;31(3):295-7 (thigh, 2 to 6 months)",
    ),
    (
        "age-not-known",
        "No birth date: the tables for adults are used.",
        "Sites, volumes and needles of children differ.",
        "Enter the birth date, or choose site and needle for the child in front of you.",
        "docs/evidence.md, sites",
    ),
    (
        "history-not-asked-note",
        "Earlier doses were not asked about.",
        "No interval or maximum is known for this medicine, so nothing was missed by it.",
        "Ask if in doubt.",
        COMMON_PRACTICE,
    ),
    (
        "second-check-needed",
        "{medicine} needs a second check: {why}.",
        "A second person who works it out alone catches what one misses.",
        "Before giving, have a second person read order, patient and container and say the mark they get.",
        "ISMP high-alert list, acute care",
    ),
    (
        "policy-default",
        "No policy was named: the uk preset is used.",
        "Spelling, limits and sites differ by country.",
        "Name your own policy file.",
        "policy presets, marked from memory where they are",
    ),
    (
        "site-rested",
        "{site} was used last; {chosen} is proposed.",
        "Sides in turn rest the tissue.",
        "Choose another by hand if there is a reason.",
        COMMON_PRACTICE,
    ),
    (
        "given-against-stop",
        "Recorded as given although: {codes}.",
        "What really happened can always be written.",
        "It stands on the list for review.",
        "NMC Code 10.1-10.3",
    ),
    (
        "written-later",
        "Written {after} after it happened.",
        "Late entries say that they are late.",
        "Nothing more.",
        "NMC Code 10.1",
    ),
    (
        "given-twice",
        "The same planned dose is already recorded: {entry}.",
        "It was confirmed that it truly happened twice.",
        "Tell the prescriber; watch the patient.",
        COMMON_PRACTICE,
    ),
    (
        "given-without-plan",
        "Recorded without a plan.",
        "Nothing was worked out beforehand.",
        "It stands on the list for review.",
        COMMON_PRACTICE,
    ),
)
