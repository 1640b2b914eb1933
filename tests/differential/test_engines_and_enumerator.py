"""The engines against a plain breadth-first enumerator, on random small models.

The enumerator (``enumerator.py``) knows nothing of diagrams, zones or z3 and walks at the time grain
of the project's contract. Whatever it finds within its bound the engines must find, in as many steps;
whatever they prove must survive the second solver and concrete runs.
"""

from __future__ import annotations

import pytest

from tests.differential.building import at, both, go, half_second_model, machine, model, prop
from tests.differential.enumerator import enumerate_verdict
from tests.differential.random_models import random_model, random_property
from verifier.engines import decision
from verifier.engines.bounded import search
from verifier.engines.built_in import decide_built_in
from verifier.engines.decision import decide
from verifier.engines.fixedpoint import prove
from verifier.engines.limits import Allowance
from verifier.engines.study import Study
from verifier.evidence.crosscheck import crosscheck_runs, random_runs
from verifier.evidence.recheck import recheck_certificate
from verifier.evidence.replay import replay_trace
from verifier.evidence.shared import Limits
from verifier.evidence.verdicts import NONE_SHORTER, Bench
from verifier.language.load import load
from verifier.language.model import Form, Model, Property
from verifier.semantics.run import Certificate, Gap, Trace
from verifier.semantics.watched import build

ROWS = (Form.DOES_NOT_SETTLE, Form.TIME_STOPS, Form.ORDER_MATTERS)
# its trace may be shorter than the run that shows the stop; `dead` ends where a step becomes possible
OTHER_LENGTH = (Form.TIME_STOPS, Form.DEAD)
# endless rounds are sought where timers no longer have a part in them; the order of moves in some state
# that z3 names, not in the nearest
NOT_SHORTEST = (Form.DOES_NOT_SETTLE, Form.ORDER_MATTERS)
STEPS = 4


def agree(seed: int, in_haste: bool = False) -> str:
    """As ``agree_on``, for one random property of one random model."""
    model = random_model(seed)
    return agree_on(model, random_property(model, seed), STEPS, seed, in_haste=in_haste)


def agree_on(
    model: Model, asked: Property, steps: int, seed: int, limit_s: float = 60, in_haste: bool = False
) -> str:
    """Decide a property in every way; what was found. The enumerator goes ``steps`` steps far."""
    study = Study(model, 0, Allowance(limit_s), in_haste=in_haste)
    if asked.form in ROWS:
        finding = decide_built_in(study, asked)
    else:
        finding = decide(study, asked)
    if isinstance(finding, Gap):
        return "gap"
    reached = enumerate_verdict(model, asked, steps)
    if isinstance(finding, Trace):
        if asked.form not in OTHER_LENGTH:
            replay_trace(model, asked, finding)
            if asked.form in NOT_SHORTEST and reached.violated:
                assert reached.length <= len(finding.steps)
            elif finding.may_be_shorter:
                assert in_haste and (not reached.violated or reached.length <= len(finding.steps))
            elif reached.violated or len(finding.steps) <= steps:
                assert (reached.violated, reached.length) == (True, len(finding.steps))
        return "trace"
    assert not reached.violated
    recheck_certificate(model, asked, finding)
    runs = random_runs(model, runs=8, depth=20, seed=seed)
    crosscheck_runs(model, runs, study.base.allows(), asked, finding)
    return "certificate"


@pytest.mark.parametrize("first", range(0, 300, 30))
def test_engines_agree_with_the_enumerator(first: int) -> None:
    found = [agree(seed) for seed in range(first, first + 30)]
    assert found.count("gap") <= 1
    assert "trace" in found and "certificate" in found


def test_in_haste_the_same_is_found() -> None:
    hasty = [agree(seed, in_haste=True) for seed in range(120)]
    assert hasty.count("gap") <= 3
    for found, other in zip(hasty, map(agree, range(120))):
        assert "gap" in (found, other) or found == other


def test_in_haste_a_run_that_may_not_be_the_shortest_is_told_as_such(monkeypatch) -> None:
    monkeypatch.setattr(decision, "NEAR", 1)
    checked, properties = load("models/flawed/half_no_second_train_hold.yaml")
    asked = next(p for p in properties if p.id == "road-open-10s[up]")
    patient, hasty = Bench(checked, 0, Limits()), Bench(checked, 0, Limits())
    hasty.study().in_haste = True
    shortest, found = patient.judged(asked), hasty.judged(asked)
    assert shortest.verdict == found.verdict == "violated"
    assert len(shortest.trace.run.steps) < len(found.trace.run.steps)
    assert shortest.bound.endswith(NONE_SHORTER) and not found.bound.endswith(NONE_SHORTER)


def test_half_seconds_are_not_lost() -> None:
    """The known model that needs half-seconds: both saved, in seven steps (contract, section 4)."""
    model = half_second_model()
    both_saved = prop(Form.NEVER, p=both(at("K1", "saved"), at("K2", "saved")))
    finding = decide(Study(model, 0, Allowance(60)), both_saved)
    assert isinstance(finding, Trace)
    assert len(finding.steps) == 7
    assert any(step.delay.denominator > 1 for step in finding.steps)
    replay_trace(model, both_saved, finding)


@pytest.mark.parametrize("seed", range(400, 430))
def test_bounded_search_and_the_fixed_point_engine_say_the_same(seed: int) -> None:
    """Conformance: three engines that share only the step relation."""
    model = random_model(seed)
    asked = random_property(model, seed, Form.WHILE)
    finding = decide(Study(model, 0, Allowance(60)), asked)
    system = build(model, asked)
    trace = search(system, Allowance(60), last=STEPS)
    proof = prove(system, Allowance(60))
    if isinstance(finding, Certificate):
        assert trace is None and proof is not None
        recheck_certificate(model, asked, Certificate(proof.text))
    else:
        assert isinstance(finding, Trace)
        assert proof is None
        if len(finding.steps) <= STEPS:
            assert trace is not None and len(trace.steps) == len(finding.steps)


def test_order_is_decided_where_only_times_exclude_a_state() -> None:
    """Where the light is amber, the bell quiet and a train near, amber has just been lit: the location is
    reached and only its times are not. The search once went round there for ever."""
    lights = machine(
        "lights",
        "control",
        "dark amber red",
        [
            go("dark", "amber", at("train", "near")),
            go("amber", "red", after=3),
            go("red", "dark", at("train", "away")),
        ],
    )
    rung = both(at("train", "near"), at("lights", "amber"))
    bell = machine(
        "bell",
        "control",
        "quiet ringing",
        [go("quiet", "ringing", rung), go("ringing", "quiet", at("lights", "dark"))],
    )
    train = machine(
        "train", "train", "away near", [go("away", "near"), go("near", "away", after=(5, 8))]
    )
    checked = model(lights, bell, train)
    found = decide_built_in(Study(checked, 0, Allowance(20)), prop(Form.ORDER_MATTERS))
    assert isinstance(found, Certificate)
    recheck_certificate(checked, prop(Form.ORDER_MATTERS), found)
