"""The built-in properties of specs/semantics.md section 9, each on small models worked out by hand."""

from fractions import Fraction

import pytest

from tests.differential.building import at, away, either, go, machine, model, prop
from verifier.evidence.judge import judge
from verifier.evidence.replay import replay_trace
from verifier.evidence.result import Disagreement
from verifier.language.model import Form
from verifier.semantics.concrete import Concrete
from verifier.semantics.run import Move, Run, Step, Trace


def run(concrete: Concrete, *steps) -> Run:
    """A run by (kind, delay, moves) steps; for a settle the delay is left out."""
    snapshots = [concrete.initial()]
    taken = []
    for kind, *rest in steps:
        delay = rest.pop(0) if kind == "world" else 0
        step = Step(kind, Fraction(delay), tuple(Move(*move) for move in rest))
        snapshots.append(concrete.take(snapshots[-1], step))
        taken.append(step)
    return Run(tuple(taken), tuple(snapshots))


def told(checked, form, *steps, budget=0, **parts):
    concrete = Concrete(checked, budget)
    return judge(concrete, prop(form, **parts), run(concrete, *steps))


ROAD = machine("W", "road user", "w0 w1", [go("w0", "w1")])


def fork(second: str):
    open_now = at("W", "w1")
    return model(
        machine("K", "control", "a b c", [go("a", "b", open_now), go("a", second, open_now)]), ROAD
    )


def test_two_open_transitions_to_different_states_are_ambiguous():
    found = told(fork("c"), Form.AMBIGUOUS, ("world", 0, ("W", 0)))
    assert (found.violating, found.why) == (1, "K may go to b and to c at once")
    assert told(fork("c"), Form.AMBIGUOUS) is None


def test_two_open_transitions_to_one_state_are_not():
    assert told(fork("b"), Form.AMBIGUOUS, ("world", 0, ("W", 0))) is None


def relay(*, reads: str, second=None):
    """K goes a -> b -> c in one settle once W has moved; V reads whether it is in ``reads``."""
    return model(
        machine("K", "control", "a b c", [go("a", "b", at("W", "w1")), go("b", "c", after=second)]),
        ROAD,
        machine("V", "train", "v0 v1", [go("v0", "v1", at("K", reads))]),
    )


def test_a_state_entered_and_left_in_one_settle_is_a_pulse_if_the_world_reads_it():
    steps = (("world", 0, ("W", 0)), ("settle", ("K", 0)))
    found = told(relay(reads="b"), Form.PULSE, *steps)
    assert (found.violating, found.onset) == (2, 2)
    assert told(relay(reads="c"), Form.PULSE, *steps) is None
    assert told(relay(reads="b"), Form.PULSE, *steps[:1]) is None


def test_a_transition_back_to_the_same_state_leaves_nothing():
    stays = model(
        machine("K", "control", "a b", [go("a", "b", at("W", "w1")), go("b", "b", at("W", "w1"))]),
        ROAD,
        machine("V", "train", "v0 v1", [go("v0", "v1", at("K", "b"))]),
    )
    assert told(stays, Form.PULSE, ("world", 0, ("W", 0)), ("settle", ("K", 0))) is None


def test_a_state_that_is_kept_for_a_time_is_no_pulse():
    steps = (("world", 0, ("W", 0)), ("settle", ("K", 0)), ("world", 1))
    checked = relay(reads="b", second=1)
    assert run(Concrete(checked), *steps).snapshots[-1].is_settled is False
    assert told(checked, Form.PULSE, *steps) is None


def chase(last_guard):
    """A and B toggle one another for ever once W has moved, if ``last_guard`` lets A go back."""
    return model(
        machine("A", "control", "a0 a1", [go("a0", "a1", at("W", "w1")), go("a1", "a0", last_guard)]),
        ROAD,
    )


def test_a_settle_that_comes_back_never_ends():
    checked = chase(at("W", "w1"))
    found = told(checked, Form.DOES_NOT_SETTLE, ("world", 1, ("W", 0)))
    assert found is not None and found.further
    assert told(chase(at("W", "w0")), Form.DOES_NOT_SETTLE, ("world", 1, ("W", 0))) is None


def test_replay_leads_an_endless_settle_on_until_a_state_comes_back():
    checked = chase(at("W", "w1"))
    start = run(Concrete(checked), ("world", 1, ("W", 0)))
    claims = tuple(snapshot.locations for snapshot in start.snapshots)
    replayed = replay_trace(checked, prop(Form.DOES_NOT_SETTLE), Trace(start.steps, claims))
    back = replayed.run.snapshots[replayed.loop]
    last = replayed.run.snapshots[-1]
    assert replayed.loop < len(replayed.run.snapshots) - 1
    assert (back.locations, back.times, back.time) == (last.locations, last.times, last.time)
    # The first state of the settle is not the one that comes back: A's time was 1 s then.
    assert replayed.loop > 1


def test_a_state_that_comes_back_after_time_has_passed_is_no_endless_settle():
    blinker = model(machine("A", "control", "a0 a1", [go("a0", "a1", after=1), go("a1", "a0", after=1)]))
    steps = (("world", 1), ("settle", ("A", 0)), ("world", 1), ("settle", ("A", 1)))
    assert told(blinker, Form.DOES_NOT_SETTLE, *steps) is None


def test_time_stops_when_what_is_due_goes_round_without_end():
    at_once = [go("v0", "v1", away("K", "b"), held=0), go("v1", "v0", away("K", "b"), held=0)]
    trap = model(machine("K", "control", "a b"), machine("V", "equipment", "v0 v1", at_once))
    assert told(trap, Form.TIME_STOPS).violating == 0


def test_time_does_not_stop_where_any_way_out_is_left():
    """The same trap with an operator who may open it at any moment."""
    closed = at("M", "m0")
    at_once = [go("v0", "v1", closed, held=0), go("v1", "v0", closed, held=0)]
    way_out = model(
        machine("V", "equipment", "v0 v1", at_once), machine("M", "operator", "m0 m1", [go("m0", "m1")])
    )
    assert told(way_out, Form.TIME_STOPS) is None


def test_a_way_out_may_need_one_to_move_while_another_rests():
    """Time goes on only with M moved and N not: any set of machines may move (5.3), also a part."""
    closed = either(at("M", "m0"), at("N", "n1"))
    at_once = [go("v0", "v1", closed, held=0), go("v1", "v0", closed, held=0)]
    way_out = model(
        machine("V", "equipment", "v0 v1", at_once),
        machine("M", "operator", "m0 m1", [go("m0", "m1")]),
        machine("N", "operator", "n0 n1", [go("n0", "n1")]),
    )
    assert told(way_out, Form.TIME_STOPS) is None
    assert told(way_out, Form.TIME_STOPS, ("world", 0, ("N", 0))) is not None


def test_an_endless_settle_stops_time_too():
    assert told(chase(at("W", "w1")), Form.TIME_STOPS, ("world", 1, ("W", 0))) is not None


def test_a_bounded_wait_before_the_stop_is_not_yet_the_stop():
    doomed = model(
        machine("W", "train", "w0 w1 w2", [
            go("w0", "w1", after=(0, 1)), go("w1", "w2", held=0), go("w2", "w1", held=0),
        ])
    )
    assert told(doomed, Form.TIME_STOPS) is None
    assert told(doomed, Form.TIME_STOPS, ("world", 1, ("W", 0))).violating == 1


def test_replay_leads_a_run_on_to_where_time_stops():
    """W must enter its endless round at 1 s at the latest; the trace ends before."""
    round_trip = [go("w0", "w1", after=(1, 1)), go("w1", "w2", held=0), go("w2", "w1", held=0)]
    doomed = model(machine("W", "train", "w0 w1 w2", round_trip))
    claims = (Concrete(doomed).initial().locations,)
    replayed = replay_trace(doomed, prop(Form.TIME_STOPS), Trace((), claims))
    assert replayed.run.snapshots[-1].time == 1 and replayed.violating == len(replayed.run.steps)
    escape = model(machine("W", "train", "w0 w1 w2 w3", [*round_trip, go("w2", "w3")]))
    with pytest.raises(Disagreement, match="does not bear on"):
        replay_trace(escape, prop(Form.TIME_STOPS), Trace((), claims))


def race(b_waits_for: str):
    """A and B both answer W; C follows A, and B goes on only where C is still."""
    return model(
        machine("A", "control", "a0 a1", [go("a0", "a1", at("W", "w1"))]),
        machine("B", "control", "b0 b1", [go("b0", "b1", at("A", b_waits_for))]),
        ROAD,
    )


def test_order_matters_where_one_relay_first_shuts_the_other_out():
    shut_out = model(
        machine("A", "control", "a0 a1", [go("a0", "a1", at("B", "b0"))]),
        machine("B", "control", "b0 b1", [go("b0", "b1", at("A", "a0"))]),
        ROAD,
    )
    found = told(shut_out, Form.ORDER_MATTERS)
    # Together both move; alone first, A shuts B out.
    assert found.violating == 0 and "moves first" in found.why


def test_order_does_not_matter_where_one_only_follows_the_other():
    assert told(race("a1"), Form.ORDER_MATTERS, ("world", 0, ("W", 0)), ("settle", ("A", 0))) is None


def test_dead_is_answered_by_a_run_that_lives():
    checked = relay(reads="b")
    steps = (("world", 0, ("W", 0)), ("settle", ("K", 0)), ("settle", ("K", 1)))
    assert told(checked, Form.DEAD, *steps, subject=("state", "K", "c")).violating == 3
    # Enabled is enough (11.3): the next step may take it.
    assert told(checked, Form.DEAD, *steps, subject=("transition", "K", 0)).violating == 1
    assert told(checked, Form.DEAD, *steps[:1], subject=("transition", "K", 1)) is None
    assert told(checked, Form.DEAD, *steps, subject=("transition", "V", 0)) is None
    assert told(checked, Form.DEAD, *steps, subject=("state", "V", "v1")) is None


def test_a_transition_of_the_world_is_alive_only_from_a_settled_state():
    """V could take its transition in b, but b is left within the settle, in which the world rests."""
    assert told(relay(reads="b"), Form.DEAD, ("world", 0, ("W", 0)), ("settle", ("K", 0)),
                subject=("transition", "V", 0)) is None
    kept = relay(reads="b", second=1)
    found = told(kept, Form.DEAD, ("world", 0, ("W", 0)), ("settle", ("K", 0)), subject=("transition", "V", 0))
    assert found.violating == 2


def test_a_transition_taken_together_with_its_delay_is_alive():
    late = model(machine("V", "train", "v0 v1", [go("v0", "v1", after=(1, None))]))
    assert told(late, Form.DEAD, subject=("transition", "V", 0)) is None
    assert told(late, Form.DEAD, ("world", 1, ("V", 0)), subject=("transition", "V", 0)).violating == 1


def test_replay_refuses_a_built_in_that_the_run_does_not_show():
    checked = race("a1")
    claims = (Concrete(checked).initial().locations,)
    with pytest.raises(Disagreement):
        replay_trace(checked, prop(Form.ORDER_MATTERS), Trace((), claims))
