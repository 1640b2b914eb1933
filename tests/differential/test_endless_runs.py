"""``eventually`` by growing bounds and loops against strongly connected components on networkx."""

from __future__ import annotations

from math import lcm

import pytest

from tests.differential.building import at, go, machine, model, prop
from tests.differential.endless_runs import EndlessRuns
from tests.differential.random_models import random_model, random_property
from verifier.engines.limits import Allowance
from verifier.engines.response import decide_response
from verifier.engines.study import Study
from verifier.evidence.crosscheck import crosscheck_runs, random_runs
from verifier.evidence.recheck import recheck_certificate
from verifier.evidence.replay import replay_trace
from verifier.language.model import Form, Model, Property
from verifier.semantics.run import Certificate, Gap, Trace

# n world steps may need times at a grain of 1/(n+1) (section 4 of the project's contract); a proof is held
# against as many grains as stay small enough to enumerate.
GRAINS = (1, 2, 3, 4)
MOST = 20_000


def searched(
    checked: Model, asked: Property, grain: int, budget: int, most: int
) -> EndlessRuns | None:
    runs = EndlessRuns(checked, asked, grain, budget)
    return runs if runs.explore(most) else None


def telling_property(checked: Model, seed: int, budget: int) -> Property | None:
    """A random ``eventually`` that is not always answered at once."""
    for variant in range(8):
        asked = random_property(checked, f"{seed}.{variant}", Form.EVENTUALLY)
        runs = searched(checked, asked, 1, budget, MOST)
        if runs is not None and runs.is_ever_open():
            return asked
    return None


def agree(seed: int) -> str:
    budget = seed % 3
    checked = random_model(seed)
    asked = telling_property(checked, seed, budget)
    if asked is None:
        return "dull"
    study = Study(checked, budget, Allowance(60))
    finding = decide_response(study, asked)
    if isinstance(finding, Trace):
        replay_trace(checked, asked, finding, budget)
        grain = lcm(*(step.delay.denominator for step in finding.steps))
        runs = searched(checked, asked, grain, budget, 15 * MOST)
        assert runs is not None and runs.can_go_unanswered(), seed
        return "trace"
    grains = [
        runs
        for grain in GRAINS
        if (runs := searched(checked, asked, grain, budget, MOST)) is not None
    ]
    assert grains, seed
    if isinstance(finding, Gap):
        return "gap"
    assert not any(runs.can_go_unanswered() for runs in grains), seed
    recheck_certificate(checked, asked, finding, budget=budget)
    walked = random_runs(checked, runs=8, depth=20, seed=seed, budget=budget)
    crosscheck_runs(checked, walked, study.base.allows(), asked, finding, budget=budget)
    return "certificate"


def check_batch(first: int, size: int) -> None:
    found = [agree(seed) for seed in range(first, first + size)]
    assert found.count("gap") == 0
    assert found.count("trace") >= size // 4 and found.count("certificate") >= 1


@pytest.mark.parametrize("first", range(0, 60, 20))
def test_engine_and_components_agree(first: int) -> None:
    check_batch(first, 20)


@pytest.mark.slow
@pytest.mark.parametrize("first", range(60, 360, 60))
def test_engine_and_components_agree_on_more(first: int) -> None:
    check_batch(first, 60)


def test_seeds_that_once_showed_a_mistake() -> None:
    """176: a loop off the trace began where, with other times, control had still to act."""
    assert agree(176) == "trace"


ALARM = machine(
    "A", "equipment", "quiet rings", [go("quiet", "rings"), go("rings", "quiet", after=(1, 2))]
)


@pytest.mark.parametrize(
    ("asked", "grain", "unanswered"),
    [
        # rings at most 2 s; but nothing makes it ring
        (prop(Form.EVENTUALLY, p=at("A", "rings"), q=at("A", "quiet")), 1, False),
        (prop(Form.EVENTUALLY, p=at("A", "quiet"), q=at("A", "rings")), 1, True),
        (
            prop(Form.EVENTUALLY, p=at("A", "quiet"), q=at("A", "rings"), r=at("A", "quiet")),
            1,
            False,
        ),
    ],
)
def test_components_on_an_alarm(asked, grain, unanswered) -> None:
    runs = searched(model(ALARM), asked, grain, 0, MOST)
    assert runs is not None and runs.can_go_unanswered() is unanswered


def test_components_need_a_step_that_takes_time() -> None:
    """Going round within no time is no run in which time diverges (12.1)."""
    idle = machine("Z", "equipment", "a b", [go("a", "b"), go("b", "a")])
    due = machine("T", "train", "near over", [go("near", "over", after=(1, 2))])
    asked = prop(Form.EVENTUALLY, p=at("T", "near"), q=at("T", "over"))
    runs = searched(model(idle, due), asked, 2, 0, MOST)
    assert runs is not None and not runs.can_go_unanswered()
    finding = decide_response(Study(model(idle, due), 0, Allowance(60)), asked)
    assert isinstance(finding, Certificate) and finding.bound == 2
