"""Incremental induction against clock-free exploration with diagrams: two separate ways to one answer.

Both forget all clocks, so both must reach a bad state or neither, in equally few steps. Its denials are
confirmed by z3 on the timed step, as in the program itself.
"""

from __future__ import annotations

from collections import Counter

import pytest

from tests.differential.building import at, go, machine, prop
from tests.differential.building import model as put_together
from tests.differential.random_models import FORMS_OF_RUNS, random_model, random_property
from tests.differential.test_engines_and_enumerator import agree
from verifier.engines import study as study_module
from verifier.engines.explore import Hit
from verifier.engines.induction import Denials, search
from verifier.engines.lemmas import NotExcluded
from verifier.engines.limits import Allowance, OutOfBudget
from verifier.engines.paths import Blame
from verifier.engines.study import Study
from verifier.evidence.replay import replay_trace
from verifier.language.model import Form
from verifier.semantics.watched import build

# those that ask for a single bad state
FORMS = (*FORMS_OF_RUNS, Form.AMBIGUOUS, Form.PULSE, Form.DEAD)


def compared(seed: int) -> str:
    """Ask both one random question; what they found."""
    model, budget = random_model(seed), seed % 2
    asked = random_property(model, seed, FORMS[seed % len(FORMS)])
    study = Study(model, budget, Allowance(60))
    system = build(model, asked, budget, study.base)
    study.diagrams.admit(system)
    explored = study.explorer.run(system, frozenset(), study.known, system.bad, shortest=True)
    assert explored is not None
    found = search(system, system.bad, Allowance(60))
    if isinstance(found, Denials):
        assert explored.hit is None, (seed, asked)
        study.book.certify(system, system.bad, [found])
        return "denials"
    assert explored.hit is not None, (seed, asked)
    assert len(found.kinds) == len(explored.hit.kinds), (seed, asked)
    outcome = study.paths(system).check(found, system.bad)
    if isinstance(outcome, Blame):
        # a way that no step of the model could take would have nobody to blame
        assert outcome.groups and all(outcome.groups)
        return "way without times"
    if asked.form is not Form.DEAD:
        replay_trace(model, asked, outcome, budget)
    return "way"


@pytest.mark.parametrize("first", range(0, 300, 60))
def test_both_reach_the_same(first: int) -> None:
    found = Counter(compared(seed) for seed in range(first, first + 60))
    assert min(found["way"], found["denials"]) >= 10, found


@pytest.mark.parametrize("first", range(0, 120, 30))
def test_the_way_without_cudd_agrees_with_the_enumerator(first: int, monkeypatch) -> None:
    """The whole way of a property with induction first, though on fast diagrams after it."""
    monkeypatch.setattr(study_module, "HAS_CUDD", False)
    found = Counter(agree(seed) for seed in range(first, first + 30))
    assert found["gap"] <= 1
    assert found["trace"] and found["certificate"]


RELAY = put_together(
    machine("button", "operator", "up down", [go("up", "down"), go("down", "up")]),
    machine("relay", "control", "off on", [go("off", "on", at("button", "down"))]),
    machine("lamp", "control", "dark lit spare", [go("dark", "lit", at("relay", "on"))]),
)


def test_a_hand_made_case() -> None:
    """The lamp is lit three steps on: button, relay, lamp. The spare state is never reached."""
    for asked, steps in ((at("lamp", "lit"), 3), (at("lamp", "spare"), None)):
        system = build(RELAY, prop(Form.POSSIBLE, p=asked))
        found = search(system, system.bad, Allowance(60))
        if steps is None:
            assert isinstance(found, Denials)
        else:
            assert isinstance(found, Hit)
            assert found.kinds == ("world", "settle", "settle")
            assert found.path[-1]["lamp"] == "lit"


@pytest.mark.parametrize(
    "offer", [Denials(()), Denials(({"lamp": frozenset({"lit"})},))], ids=["too few", "false"]
)
def test_a_wrong_offer_is_not_confirmed(offer: Denials) -> None:
    study = Study(RELAY, 0, Allowance(60))
    system = build(RELAY, prop(Form.NEVER, p=at("lamp", "lit")), 0, study.base)
    with pytest.raises(NotExcluded):
        study.book.certify(system, system.bad, [offer])


def test_the_time_limit_is_kept() -> None:
    system = build(RELAY, prop(Form.NEVER, p=at("lamp", "spare")))
    with pytest.raises(OutOfBudget):
        search(system, system.bad, Allowance(0.0))
