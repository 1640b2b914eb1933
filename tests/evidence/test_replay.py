"""Replay compares every claim and judges by definition; each kind of lie is found."""

from dataclasses import replace
from fractions import Fraction

import pytest

from tests.differential.building import at, both, go, half_second_model, machine, model, prop
from verifier.evidence.replay import replay_trace
from verifier.evidence.result import Disagreement
from verifier.language.model import Form
from verifier.semantics.concrete import Concrete
from verifier.semantics.run import Move, Step, Trace

MODEL = half_second_model()
SAVED = prop(Form.POSSIBLE, p=both(at("K1", "saved"), at("K2", "saved")))
HALF = Fraction(1, 2)


def good_trace() -> Trace:
    concrete = Concrete(MODEL)
    steps = (
        Step("world", HALF, (Move("W", 0),)),
        Step("settle", Fraction(0), (Move("K2", 0),)),
        Step("world", HALF, (Move("C", 0), Move("W", 1))),
        Step("settle", Fraction(0), (Move("K1", 1),)),
        Step("world", Fraction(0), (Move("W", 2),)),
        Step("world", Fraction(0), (Move("W", 3),)),
        Step("settle", Fraction(0), (Move("K2", 2),)),
    )
    snapshots = [concrete.initial()]
    for step in steps:
        snapshots.append(concrete.take(snapshots[-1], step))
    claims = tuple({**s.locations, **s.times, "watch time": Fraction(99)} for s in snapshots)
    return Trace(steps, claims)


def with_claim(trace: Trace, index: int, name: str, value) -> Trace:
    claim = dict(trace.claims[index])
    if value is None:
        del claim[name]
    else:
        claim[name] = value
    return replace(trace, claims=trace.claims[:index] + (claim,) + trace.claims[index + 1 :])


def test_good_trace_is_replayed_whole():
    replayed = replay_trace(MODEL, SAVED, good_trace())
    assert replayed.violating == 7 and len(replayed.run.snapshots) == 8
    assert replayed.run.snapshots[7].time == 1
    assert replayed.why == "P is reached at 1 s"


def test_times_may_be_left_unclaimed():
    trace = good_trace()
    for index in range(len(trace.claims)):
        trace = with_claim(trace, index, "time W", None)
    assert replay_trace(MODEL, SAVED, trace).violating == 7


@pytest.mark.parametrize(
    "index, name, value, engine, concrete",
    [
        (0, "W", "w1", "W is w1", "W is w0"),
        (3, "K1", "saved", "K1 is saved", "K1 is on"),
        (3, "time K2", Fraction(1, 3), "time K2 = 1/3", "time K2 = 1/2"),
        (7, "time C", Fraction(1), "time C = 1", "time C = 0"),
        (2, "C", None, "nothing of C", "C is still"),
        (1, "spent", 1, "spent = 1", "spent = 0"),
        (1, "time X", Fraction(0), "time X = 0", "there is no time X"),
    ],
)
def test_a_false_claim_is_told_with_both_sides(index, name, value, engine, concrete):
    with pytest.raises(Disagreement) as caught:
        replay_trace(MODEL, SAVED, with_claim(good_trace(), index, name, value))
    assert caught.value.sides == {"engine": engine, "concrete machine": concrete}


def test_a_step_that_can_not_be_taken_is_told():
    trace = good_trace()
    late = replace(trace.steps[0], delay=Fraction(3, 2))
    with pytest.raises(Disagreement, match="step 1 of the trace") as caught:
        replay_trace(MODEL, SAVED, replace(trace, steps=(late, *trace.steps[1:])))
    assert "at most 1 s" in caught.value.sides["concrete machine"]


def test_a_run_that_breaks_nothing_is_no_counterexample():
    trace = good_trace()
    short = Trace(trace.steps[:6], trace.claims[:7])
    with pytest.raises(Disagreement, match="does not bear on"):
        replay_trace(MODEL, SAVED, short)


def test_a_trace_needs_one_claim_for_each_state():
    trace = good_trace()
    with pytest.raises(Disagreement, match="not one claim for each state"):
        replay_trace(MODEL, SAVED, Trace(trace.steps, trace.claims[:-1]))


def test_faults_need_a_budget():
    frail = model(machine("L", "equipment", "lit out", [go("lit", "out", fault="lamp")]))
    out = prop(Form.NEVER, p=at("L", "out"))
    trace = Trace((Step("world", Fraction(0), (Move("L", 0),)),), ({"L": "lit"}, {"L": "out"}))
    assert replay_trace(frail, out, trace, budget=1).run.snapshots[-1].spent == 1
    with pytest.raises(Disagreement):
        replay_trace(frail, out, trace)


def test_a_hazard_that_lasts_no_time_is_none():
    """6.2: `never` judges states in which time can pass."""
    at_once = model(machine("W", "train", "w0 w1 w2", [go("w0", "w1"), go("w1", "w2", held=0)]))
    trace = Trace((Step("world", Fraction(0), (Move("W", 0),)),), ({"W": "w0"}, {"W": "w1"}))
    with pytest.raises(Disagreement, match="does not bear on"):
        replay_trace(at_once, prop(Form.NEVER, p=at("W", "w1")), trace)
    assert replay_trace(at_once, prop(Form.POSSIBLE, p=at("W", "w1")), trace).violating == 1
