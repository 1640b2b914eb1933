"""What a counterexample hangs on: every claim taken again, step by step, on a concrete machine."""

from fractions import Fraction

import pytest

from tests.views.small_crossing import (
    CLOSED_FIRST,
    EARLY_PROCEED,
    MODEL,
    STUCK_AMBER,
    WARNED,
    outcome,
    proved,
    violated,
)
from verifier.evidence.judge import judge
from verifier.evidence.pipeline import Limits, verify
from verifier.language.load import load
from verifier.semantics.concrete import Concrete
from verifier.studies.cause import Cause, cause_of, causes_of

FLAWED = {
    "models/flawed/footpath_faster_trains.yaml": "never-train-and-user[slow]",
    "models/flawed/bridleway_two_horses.yaml": None,
    "tests/readme/first_look.yaml": "signal-needs-closed",
}


@pytest.fixture(scope="module", params=FLAWED)
def found(request):
    """Model, result and cause of each counterexample of a flawed model."""
    model, properties = load(request.param)
    broken = [one for one in verify(model, properties, Limits()).results if one.verdict == "violated"]
    assert broken
    return [(model, one, cause_of(model, one.property, one.trace, one.budget)) for one in broken]


def test_the_nearest_run_is_a_run_and_breaks_nothing(found):
    """Taken from the start on a machine of its own, and as long as the counterexample."""
    for model, result, cause in found:
        if cause.nearest is None:
            continue
        concrete, run = Concrete(model, result.budget), cause.nearest.run
        at = concrete.initial()
        for step, then in zip(run.steps, run.snapshots[1:], strict=True):
            at = concrete.take(at, step)
            assert at == then
        assert judge(concrete, result.property, run) is None
        assert at.time >= result.trace.run.snapshots[-1].time


def test_the_nearest_run_parts_where_it_is_said_to(found):
    for _, result, cause in found:
        if cause.nearest is None:
            continue
        told, safe = result.trace.run.steps, cause.nearest.run.steps
        parts = next(i for i, (one, other) in enumerate(zip(told, safe, strict=False)) if one != other) + 1
        assert parts == cause.nearest.number


def test_every_move_of_the_world_is_asked_about(found):
    for _, result, cause in found:
        moves = [
            (number, move.machine) for number, step in enumerate(result.trace.run.steps, start=1)
            if step.kind == "world" for move in step.moves
        ]
        assert [(one.number, one.transition.machine) for one in cause.needs] == moves


def test_some_counterexample_has_a_safe_run_beside_it(found):
    assert any(cause.nearest is not None for _, _, cause in found)


def test_the_walker_is_what_it_hangs_on():
    """Without the slow walker's step nobody is struck; without the train neither."""
    model, properties = load("models/flawed/footpath_faster_trains.yaml")
    asked = tuple(one for one in properties if one.id == "never-train-and-user[slow]")
    (result,) = [one for one in verify(model, asked, Limits()).results if one.property in asked]
    cause = cause_of(model, result.property, result.trace, 0)
    decisive = {one.transition.machine for one in cause.needs if one.is_decisive}
    assert "walker_slow" in decisive


def test_a_fault_left_out_leaves_what_the_logic_does():
    """In the small crossing the logic proceeds by itself: no move but the call can be left out."""
    cause = cause_of(MODEL, CLOSED_FIRST, EARLY_PROCEED, 0)
    assert [one.transition.machine for one in cause.needs] == ["train", "detection"]
    assert all(not one.is_decisive or one.onward for one in cause.needs)
    assert cause.guards[0].machine == "signal", "what the logic did last comes first"
    assert {one.machine for one in cause.guards} == {"signal", "lights"}


def test_a_moment_that_matters_is_told_from_one_that_does_not():
    """The lights are late after 2 s; the run waits 2.5 s, so a tenth sooner is as bad."""
    cause = cause_of(MODEL, WARNED, STUCK_AMBER, 0)
    (timing,) = cause.timings
    assert timing.delay == Fraction(5, 2)
    assert timing.sooner == "the property is broken all the same" == timing.later


def test_only_counterexamples_have_a_cause():
    assert isinstance(causes_of(outcome(proved(), violated()))[CLOSED_FIRST.id, 0], Cause)
    assert set(causes_of(outcome(proved()))) == set()
