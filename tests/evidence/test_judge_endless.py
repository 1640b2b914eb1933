"""Loops judged by section 12 on the concrete machine: a right one, and one wrong in each way."""

from dataclasses import replace
from fractions import Fraction

import pytest

from tests.differential.building import at, go, machine, model, prop
from verifier.evidence.judge_endless import differences
from verifier.evidence.replay import NotShown, replay_trace
from verifier.evidence.result import Disagreement
from verifier.language.guard import FALSE
from verifier.language.model import Form
from verifier.semantics.concrete import Concrete
from verifier.semantics.run import Move, Step, Trace

# A lamp that is on and off for 1 s each; a train that may stay where it is; a clerk who leaves when he likes,
# but not in his first 5 s, and may look up at any time.
CHECKED = model(
    machine("lamp", "equipment", "on off", [go("on", "off", after=1), go("off", "on", after=1)]),
    machine("train", "train", "far near", [go("far", "near"), go("near", "far")]),
    machine(
        "clerk",
        "operator",
        "there gone",
        [go("there", "gone", after=(5, None)), go("there", "there")],
    ),
)
ON, OFF = Move("lamp", 1), Move("lamp", 0)
COMES, GOES = Move("train", 0), Move("train", 1)
LOOKS_UP = Move("clerk", 1)
ASKED = prop(Form.EVENTUALLY, p=at("train", "near"), q=at("train", "far"))


def wait(seconds, *moves: Move) -> Step:
    return Step("world", Fraction(seconds), tuple(sorted(moves, key=lambda move: move.machine)))


def trace(*steps: Step, loop: int | None, checked=CHECKED, budget: int = 0) -> Trace:
    """The steps with what the concrete machine sees of them as claims."""
    concrete = Concrete(checked, budget)
    snapshots = [concrete.initial()]
    for step in steps:
        snapshots.append(concrete.take(snapshots[-1], step))
    return Trace(steps, tuple({**s.locations, **s.times} for s in snapshots), loop)


# The clerk has been there for 5 s when the loop begins: his time may grow on.
TO_5_S = (wait(1, OFF), wait(1, ON), wait(1, OFF), wait(1, ON), wait(1, OFF, COMES), wait(1, ON))
BLINKS = (wait(1, OFF), wait(1, ON))


def refused(proposed: Trace, asked=ASKED, checked=CHECKED, budget: int = 0) -> str:
    with pytest.raises(Disagreement) as caught:
        replay_trace(checked, asked, proposed, budget)
    assert isinstance(caught.value, NotShown) and "engine" in caught.value.sides
    return " ".join(caught.value.sides.values())


def test_a_right_loop_is_taken_twice_and_shown_once():
    shown = replay_trace(CHECKED, ASKED, trace(*TO_5_S, *BLINKS, loop=6))
    assert (shown.onset, shown.violating, shown.loop, len(shown.run.steps)) == (5, 6, 6, 8)
    assert (
        shown.why == "P came at 5 s and Q need never follow: the same can happen every 2 s for ever"
    )


def test_an_onset_within_the_first_turn_counts():
    """The turn before it has not P; from the onset on a whole turn follows."""
    asked = replace(ASKED, p=at("lamp", "off"), q=at("train", "far"))
    shown = replay_trace(CHECKED, asked, trace(*TO_5_S, *BLINKS, loop=6))
    assert shown.onset == 5
    asked = prop(Form.EVENTUALLY, p=at("lamp", "off"), q=FALSE, r=at("train", "far"))
    way = (*TO_5_S[:4], wait(1, OFF), wait(1, ON, COMES))
    shown = replay_trace(CHECKED, asked, trace(*way, *BLINKS, loop=6))
    assert (shown.onset, shown.violating) == (7, 7)


@pytest.mark.parametrize(
    ("steps", "loop", "reason"),
    [
        ((*TO_5_S, *BLINKS), None, "no loop"),
        ((*TO_5_S, *BLINKS), 8, "a loop from step 8 of 8"),
        ((*TO_5_S, *BLINKS), -1, "a loop from step -1 of 8"),
        # no time passes
        ((*TO_5_S, wait(0, LOOKS_UP), wait(0, LOOKS_UP)), 7, "no time passes in a turn"),
        # not back: the lamp can't go out again, nor so late; the clerk's time still counts
        ((*TO_5_S, BLINKS[0]), 6, "transition 0 of lamp is not enabled"),
        ((*TO_5_S, *BLINKS, wait(Fraction(1, 2))), 6, "at most 1/2 s may pass"),
        ((wait(1, OFF), wait(1, ON, COMES), *BLINKS), 2, "time clerk is 2 s, then 4 s"),
        # an answer within the turn, though the train is back at its end
        ((*TO_5_S, wait(1, OFF, GOES), wait(1, ON, COMES)), 6, "no onset of P is left unanswered"),
        # the demand comes only with the last state
        ((*TO_5_S[:4], wait(1, OFF), wait(1, ON), wait(1, OFF), wait(1, ON)), 6, "no onset of P"),
    ],
)
def test_a_doctored_loop_is_refused(steps, loop, reason):
    assert reason in refused(trace(*steps, loop=loop))


def test_a_time_may_differ_only_past_all_it_is_compared_with():
    """From 4 s to 6 s the clerk's time crosses the 5 s from which he may leave; from 5 s on it is alike."""
    way = (wait(1, OFF), wait(1, ON), wait(1, OFF, COMES), wait(1, ON))
    assert "time clerk is 4 s, then 6 s" in refused(trace(*way, *BLINKS, loop=4))
    later = (*way, wait(1, OFF))
    assert replay_trace(CHECKED, ASKED, trace(*later, wait(1, ON), wait(1, OFF), loop=5)).loop == 5


def test_a_turn_that_a_spent_fault_pays_for_is_taken_only_once():
    slips = model(
        machine(
            "lamp",
            "equipment",
            "on off",
            [go("on", "off", fault="slips"), go("off", "on", after=1)],
        ),
    )
    asked = prop(Form.EVENTUALLY, q=FALSE)
    turn = (wait(0, Move("lamp", 0)), wait(1, Move("lamp", 1)))
    for budget, reason in ((1, "is not enabled"), (2, "0 faults are spent, then 1")):
        proposed = trace(*turn, loop=0, checked=slips, budget=budget)
        assert reason in refused(proposed, asked, slips, budget)


def test_a_loop_begins_settled():
    relay = model(
        machine("train", "train", "far near", [go("far", "near")]),
        machine("relay", "control", "a b", [go("a", "b", at("train", "near"))]),
    )
    steps = (wait(0, COMES), Step("settle", Fraction(0), (Move("relay", 0),)), wait(1))
    asked = prop(Form.EVENTUALLY, p=at("train", "near"), q=FALSE)
    assert replay_trace(relay, asked, trace(*steps, loop=2, checked=relay)).loop == 2
    assert "settled" in refused(trace(*steps, loop=1, checked=relay), asked, relay)


def test_false_claims_are_found_in_a_loop_too():
    proposed = trace(*TO_5_S, *BLINKS, loop=6)
    claim = {**proposed.claims[7], "time lamp": Fraction(1, 2)}
    lie = replace(proposed, claims=(*proposed.claims[:7], claim, proposed.claims[8]))
    with pytest.raises(Disagreement, match="before step 8"):
        replay_trace(CHECKED, ASKED, lie)


@pytest.mark.parametrize(
    ("transition", "budget", "seconds", "alike"),
    [
        # 12.2: how far a time counts. hi counts where it obliges, else lo; of faults nothing at budget 0.
        (go("a", "b", after=(2, 5)), 0, (5, 6), True),
        (go("a", "b", after=(2, 5)), 0, (4, 5), False),
        (go("a", "b", after=(2, None)), 0, (2, 3), True),
        (go("a", "b", after=(2, None)), 0, (1, 3), False),
        (go("a", "b", at("m", "a"), after=(0, 5), held=(1, None)), 0, (1, 2), True),
        (go("a", "b", at("m", "a"), after=(0, 5), held=(1, None)), 0, (Fraction(1, 2), 2), False),
        (go("a", "b", after=(2, 5), fault="jams"), 0, (0, 1), True),
        (go("a", "b", after=(2, 5), fault="jams"), 1, (1, 3), False),
        (go("a", "b", after=(2, 5), fault="jams"), 1, (2, 3), True),
        (go("b", "a", after=(2, 5)), 0, (0, 1), True),
        (go("b", "a", at("m", "b"), held=(2, 5)), 0, (0, 1), True),
    ],
)
def test_how_far_a_time_counts(transition, budget, seconds, alike):
    concrete = Concrete(model(machine("m", "equipment", "a b", [transition])), budget)
    start = concrete.initial()
    one, other = (
        replace(start, times=dict.fromkeys(start.times, Fraction(time))) for time in seconds
    )
    assert (not list(differences(concrete, one, other))) is alike
    assert (not list(differences(concrete, other, one))) is alike
