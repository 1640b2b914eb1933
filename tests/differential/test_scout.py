"""The scout against the plain enumerator on random small models: as many steps, and times for each way.

What the scout says is never believed without exact times, so a scout that is wrong costs no more than
time; but it is only worth having if it is right.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.differential.building import at, both, half_second_model, prop
from tests.differential.enumerator import enumerate_verdict
from tests.differential.random_models import random_model, random_property
from verifier.engines.decision import GLANCES, decide
from verifier.engines.explore import Hit
from verifier.engines.limits import Allowance
from verifier.engines.places import Places
from verifier.engines.scout import Scout, can_scout
from verifier.engines.study import Study
from verifier.evidence.replay import replay_trace
from verifier.language.load import load
from verifier.language.model import Form, Model, Property
from verifier.semantics.run import Trace
from verifier.semantics.watched import build

NO_SCOUT = (
    Form.DOES_NOT_SETTLE,
    Form.TIME_STOPS,
    Form.ORDER_MATTERS,
    Form.PULSE,
    Form.EVENTUALLY,
)
STEPS = 4
ALL = 50_000


def scouts(model: Model, asked: Property, budget: int = 0) -> tuple[Study, list[Scout]]:
    """One that knows how far a bad location is at least, and one that goes in the order of steps."""
    study = Study(model, budget, Allowance(60))
    system = build(model, asked, budget, study.base)
    study.diagrams.admit(system)
    outlook = study.explorer.outlook(system, study.known, system.bad)
    places = Places(system)
    guided = Scout(system, places, study.allowance, outlook.ahead)
    return study, [guided, Scout(system, places, study.allowance)]


def agree(seed: int) -> str:
    model = random_model(seed)
    asked = random_property(model, seed)
    if asked.form in NO_SCOUT:
        return "not asked"
    budget = seed % 2
    study, both_scouts = scouts(model, asked, budget)
    guided, plain = (scout.run(ALL) for scout in both_scouts)
    reached = enumerate_verdict(model, asked, STEPS, budget)
    if guided is None:
        assert plain is None
        assert asked.form is Form.DEAD or not reached.violated
        # not proof enough for the engine, but it must agree
        assert not isinstance(decide(study, asked), Trace)
        return "none"
    assert plain is not None
    assert len(plain.kinds) == len(guided.kinds)
    # `dead` ends where a step becomes possible
    if asked.form is not Form.DEAD and (reached.violated or len(guided.kinds) <= STEPS):
        assert (reached.violated, reached.length) == (True, len(guided.kinds))
    for scout, hit in zip(both_scouts, (guided, plain), strict=True):
        trace = study.paths(scout.system).check(hit, scout.system.bad, is_likely=True)
        assert isinstance(trace, Trace)
        if asked.form is not Form.DEAD:
            replay_trace(model, asked, trace, budget)
    return "hit"


@pytest.mark.parametrize("first", range(1000, 1300, 50))
def test_scouts_agree_with_the_enumerator(first: int) -> None:
    found = [agree(seed) for seed in range(first, first + 50)]
    assert "hit" in found and "none" in found


def both_saved() -> tuple[Model, Property]:
    """The known model that needs half-seconds: both saved, in seven steps (contract, section 4)."""
    return half_second_model(), prop(Form.NEVER, p=both(at("K1", "saved"), at("K2", "saved")))


def test_a_scout_that_gave_up_may_go_on_and_finds_the_same() -> None:
    at_once = scouts(*both_saved())[1]
    little_by_little = scouts(*both_saved())[1]
    for one, other in zip(at_once, little_by_little, strict=True):
        wanted = one.run(ALL)
        assert isinstance(wanted, Hit) and len(wanted.kinds) == 7
        found, most = None, 0
        while found is None:
            before = other.arrivals
            found = other.run(most)
            if found is None:
                # it stopped at its limit, but for what a single state leads to
                assert most < other.arrivals
                assert other.run(before) is None
            most += 5
        assert most > 10
        assert found == wanted
        assert other.arrivals == one.arrivals


def test_a_known_distance_saves_arrivals() -> None:
    guided, plain = scouts(*both_saved())[1]
    assert guided.run(ALL) and plain.run(ALL)
    assert guided.arrivals < plain.arrivals


def test_a_scout_without_arrivals_to_spend_finds_nothing() -> None:
    for scout in scouts(*both_saved())[1]:
        assert scout.run(0) is None


def test_a_pulse_is_not_scouted() -> None:
    """Its system remembers more than the machines and the watch."""
    model = half_second_model()
    assert not can_scout(build(model, prop(Form.PULSE)))
    assert can_scout(build(model, prop(Form.AMBIGUOUS)))


def late_lowering() -> tuple[Model, Property]:
    """A published model with barriers that begin to fall too late; only its times tell."""
    path = Path(__file__).resolve().parents[2] / "models" / "textbook" / "flawed" / "b1_lowering_at_8.yaml"
    model, properties = load(str(path))
    return model, next(p for p in properties if p.id == "b1-safety")


def test_the_engine_sends_its_scout(monkeypatch: pytest.MonkeyPatch) -> None:
    hits = []
    run = Scout.run

    def noted(self: Scout, most: int) -> Hit | None:
        hits.append(run(self, most))
        return hits[-1]

    monkeypatch.setattr(Scout, "run", noted)
    model, asked = late_lowering()
    finding = decide(Study(model, 0, Allowance(60)), asked)
    assert isinstance(finding, Trace)
    assert hits[-1] is not None and len(finding.steps) == len(hits[-1].kinds)


def test_a_way_without_times_is_not_believed(monkeypatch: pytest.MonkeyPatch) -> None:
    """A mistaken scout changes no verdict and no length, and is asked once."""
    model, asked = late_lowering()
    way = scouts(model, asked)[1][0].run(ALL)
    assert way is not None
    calls = []

    def mistaken(self: Scout, most: int) -> Hit:
        calls.append(most)
        return Hit(way.path[:1] * len(way.path), way.kinds)

    monkeypatch.setattr(Scout, "run", mistaken)
    finding = decide(Study(model, 0, Allowance(60)), asked)
    assert isinstance(finding, Trace) and len(finding.steps) == len(way.kinds)
    assert len(calls) == 1 and calls[0] >= GLANCES
