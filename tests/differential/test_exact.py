"""A scout that has seen everything knows an invariant: z3 and cvc5 confirm it on random small models."""

from __future__ import annotations

from collections import Counter

import pytest

from tests.differential.random_models import random_model, random_property
from tests.differential.test_scout import ALL, NO_SCOUT, scouts
from verifier.engines.exact import exploration_of, fewest_times, without_times
from verifier.engines.reasons import Source
from verifier.evidence.recheck import recheck_certificate


def proved(seed: int, found: Counter[str]) -> None:
    """Both scouts of one question, guided and not, each alone with what is known without times."""
    model = random_model(seed)
    asked = random_property(model, seed)
    if asked.form in NO_SCOUT:
        return
    budget = seed % 2
    for guided in (True, False):
        study, two = scouts(model, asked, budget)
        scout = two[0] if guided else two[1]
        if scout.run(ALL) is not None:
            return
        system, d = scout.system, study.diagrams
        outlook = study.explorer.outlook(system, study.known, system.bad)
        less = fewest_times(scout, ())
        exact = exploration_of(less, d, outlook.harmless if guided else d.false)
        seen = [Source(one, one.registers) for one in (without_times(exact, d), exact)]
        lemmas = study.book.certify(system, system.bad, [study.start, *seen])
        certificate = study.certificate(system, lemmas)
        recheck_certificate(model, asked, certificate, budget=budget)
        found["proved"] += 1
        found["with times"] += bool(certificate.needs_times_of)
        found["fewer times"] += len(less.places.clocks) < len(scout.places.clocks)


@pytest.mark.parametrize("first", (3000, 3150))
def test_what_an_exhausted_scout_has_seen_is_a_proof(first: int) -> None:
    found: Counter[str] = Counter()
    for seed in range(first, first + 150):
        proved(seed, found)
    assert found["proved"] >= 100 and found["with times"] and found["fewer times"], found
