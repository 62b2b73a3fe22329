"""Several strengths in one dose: the exact search against a search of every set there is."""

from __future__ import annotations

from fractions import Fraction
from itertools import product

from hypothesis import given
from hypothesis import strategies as st

from drawup.evidence.policies import load_policy, override
from drawup.injection.medicine import Medicine, Presentation
from drawup.injection.preparation import Candidate, prepare
from drawup.injection.quantity import MILLIGRAM, Concentration, Quantity, millilitres

POLICY = override(load_policy("uk"), {"preset": "uk", "mix_strengths": True})
# Strength in mg/mL and what an ampoule holds in mL; both invented.
ampoules = st.lists(
    st.tuples(st.integers(1, 40), st.sampled_from([Fraction(1, 2), Fraction(1), Fraction(2), Fraction(5)])),
    min_size=2,
    max_size=4,
    unique_by=lambda ampoule: ampoule[0],
)
doses = st.integers(1, 600).map(lambda number: Fraction(number, 2))


def milligrams(value: Fraction | int) -> Quantity:
    return Quantity(value=Fraction(value), unit=MILLIGRAM)


def prepared(dose: Fraction, packs: list[tuple[int, Fraction]]) -> list[Candidate]:
    presentations = tuple(
        Presentation(
            form="solution",
            container="ampoule",
            strength=Concentration(amount=milligrams(strength), volume=millilitres(1)),
            volume_ml=volume,
        )
        for strength, volume in packs
    )
    candidates, refused = prepare(
        dose=milligrams(dose),
        medicine=Medicine(name="velorin", presentations=presentations),
        route=None,
        ordered_strength=None,
        policy=POLICY,
    )
    assert not refused
    return candidates


def best_mixture(dose: Fraction, packs: list[tuple[int, Fraction]]) -> tuple[int, Fraction] | None:
    """Fewest ampoules, then least left over in mg, of every set of at least two strengths without one too many."""
    held = [strength * volume for strength, volume in packs]
    found: list[tuple[int, Fraction]] = []
    for counts in product(range(POLICY.most_containers + 1), repeat=len(packs)):
        used = [one for one, count in zip(held, counts, strict=True) if count]
        left = sum(one * count for one, count in zip(held, counts, strict=True)) - dose
        if len(used) > 1 and sum(counts) <= POLICY.most_containers and 0 <= left < min(used):
            found.append((sum(counts), left))
    return min(found, default=None)


@given(doses, ampoules)
def test_the_mixture_found_is_the_best_there_is_and_is_taken_only_where_it_beats_one_strength(
    dose: Fraction, packs: list[tuple[int, Fraction]]
) -> None:
    candidates = prepared(dose, packs)
    alone = [one for one in candidates if not one.mixed]
    mixed = [one for one in candidates if one.mixed]
    best = best_mixture(dose, packs)
    best_alone = min((one.count or 0, (one.left_ml or Fraction(0)) * packs[one.index][0]) for one in alone)
    if best is None or best >= best_alone:
        assert not mixed
        return
    (found,) = mixed
    left_mg = sum((packs[index][1] * count - volume) * packs[index][0] for index, count, volume in found.mixed)
    assert (found.count, left_mg) == best


@given(doses, ampoules)
def test_a_mixture_holds_exactly_the_dose_and_draws_from_every_ampoule_it_names(
    dose: Fraction, packs: list[tuple[int, Fraction]]
) -> None:
    for candidate in prepared(dose, packs):
        if not candidate.mixed:
            continue
        assert sum(packs[index][0] * volume for index, _, volume in candidate.mixed) == dose
        assert sum(volume for _, _, volume in candidate.mixed) == candidate.volume_ml
        for index, count, volume in candidate.mixed:
            assert (count - 1) * packs[index][1] < volume <= count * packs[index][1]
        assert sum(count for _, count, _ in candidate.mixed) == candidate.count
