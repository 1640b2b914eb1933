"""The concrete machine against steps worked out by hand from specs/semantics.md sections 3 to 6."""

from fractions import Fraction

import pytest

from tests.differential.building import at, away, both, go, half_second_model, machine, model
from verifier.semantics.concrete import Concrete, NotAllowed
from verifier.semantics.run import Move, Step

HALF = Fraction(1, 2)


def world(delay, *moves) -> Step:
    return Step("world", Fraction(delay), tuple(Move(*move) for move in moves))


def settle(*moves) -> Step:
    return Step("settle", Fraction(0), tuple(Move(*move) for move in moves))


def walk(concrete: Concrete, *steps: Step):
    snapshot = concrete.initial()
    for step in steps:
        snapshot = concrete.take(snapshot, step)
    return snapshot


def test_both_saved_is_reached_with_a_half_second_delay():
    """The known model of the contract's section 4: possible in half-seconds, not in whole ones."""
    concrete = Concrete(half_second_model())
    last = walk(
        concrete,
        world(HALF, ("W", 0)),
        settle(("K2", 0)),
        world(HALF, ("C", 0), ("W", 1)),
        settle(("K1", 1)),
        world(0, ("W", 2)),
        world(0, ("W", 3)),
        settle(("K2", 2)),
    )
    assert last.locations == {"W": "w4", "C": "moved", "K1": "saved", "K2": "saved"}
    assert last.time == 1
    assert last.is_settled and last.can_pass
    assert last.times == {"time W": 0, "time C": 0, "time K1": 0, "time K2": 0}


def test_control_timer_stops_the_delay_exactly_at_its_time():
    concrete = Concrete(half_second_model())
    start = concrete.initial()
    assert concrete.longest_delay(start) == 1
    with pytest.raises(NotAllowed, match="at most 1 s may pass"):
        concrete.take(start, world(Fraction(1000001, 1000000)))
    at_the_time = concrete.take(start, world(1))
    assert not at_the_time.is_settled and not at_the_time.can_pass
    assert concrete.longest_delay(at_the_time) == 0
    assert list(concrete.settle_rounds(at_the_time)) == [settle(("K1", 0))]


@pytest.mark.parametrize(
    "step, reason",
    [
        (settle(("K1", 0)), "settle round in a settled state"),
        (world(-1), "a delay of -1 s"),
        (world(0, ("C", 0)), "transition 0 of C is not enabled"),
        (world(0, ("W", 0), ("W", 0)), "two transitions in one step"),
        (world(0, ("K1", 0)), "K1 is no machine of the world"),
        (world(0, ("X", 0)), "X is no machine of the world"),
        (Step("leap", Fraction(0), ()), "no kind of step"),
    ],
)
def test_steps_that_section_5_does_not_allow(step, reason):
    concrete = Concrete(half_second_model())
    with pytest.raises(NotAllowed, match=reason):
        concrete.take(concrete.initial(), step)


def test_settle_round_takes_every_control_machine_that_can_move_and_no_other():
    both_move = model(
        machine("A", "control", "a0 a1", [go("a0", "a1")]),
        machine("B", "control", "b0 b1", [go("b0", "b1", at("A", "a0"))]),
        machine("W", "train", "w0 w1", [go("w0", "w1")]),
    )
    concrete = Concrete(both_move)
    start = concrete.initial()
    for wrong, reason in [
        (settle(("A", 0)), "B has an enabled transition"),
        (settle(("A", 0), ("B", 0), ("W", 0)), "W has no part"),
        (Step("settle", HALF, (Move("A", 0), Move("B", 0))), "with a delay"),
        (world(0), "not settled"),
    ]:
        with pytest.raises(NotAllowed, match=reason):
            concrete.take(start, wrong)
    # Guards are read before the round: B moves although A leaves a0 in it (5.2).
    after = concrete.take(start, settle(("A", 0), ("B", 0)))
    assert (after.locations["A"], after.locations["B"]) == ("a1", "b1")


def test_of_two_open_transitions_either_is_taken_whatever_the_order_in_the_file():
    """The library would fire the first declared of two; the step decides here."""
    fork = model(machine("A", "control", "a b c", [go("a", "b"), go("a", "c")]))
    concrete = Concrete(fork)
    ends = {walk(concrete, settle(("A", n))).locations["A"] for n in (0, 1)}
    assert ends == {"b", "c"}
    assert len(list(concrete.settle_rounds(concrete.initial()))) == 2


def test_a_transition_to_the_same_state_restarts_its_time():
    """5.5: also one from a state to itself."""
    loop = model(machine("W", "train", "w", [go("w", "w", after=(1, None))]))
    assert walk(Concrete(loop), world(3)).times["time W"] == 3
    assert walk(Concrete(loop), world(3, ("W", 0))).times["time W"] == 0


def held_model():
    return model(
        machine("S", "equipment", "off on", [go("off", "on"), go("on", "off")]),
        machine(
            "K", "control", "idle waiting done",
            [go("idle", "waiting", after=1), go("waiting", "done", at("S", "on"), held=2)],
        ),
    )


def test_held_counts_only_in_the_source_and_only_without_a_break():
    """3.2 and 5.5: from entering the source at the earliest, 0 again at each break."""
    concrete = Concrete(held_model())
    on_first = walk(concrete, world(0, ("S", 0)), world(1))
    assert on_first.times["held K 1"] == 0
    waiting = concrete.take(on_first, settle(("K", 0)))
    assert waiting.times["held K 1"] == 0 and concrete.longest_delay(waiting) == 2
    later = concrete.take(waiting, world(Fraction(3, 2)))
    assert later.times["held K 1"] == Fraction(3, 2)
    broken = concrete.take(later, world(0, ("S", 1)))
    again = concrete.take(broken, world(0, ("S", 0)))
    assert broken.times["held K 1"] == again.times["held K 1"] == 0
    assert concrete.longest_delay(broken) is None and concrete.longest_delay(again) == 2
    assert concrete.take(again, world(2)).is_settled is False


def test_held_breaks_in_the_middle_of_a_settle():
    """3.2: snapshots inside a settle count, also those that last no time."""
    blink = model(
        machine("A", "control", "a0 a1 a2", [go("a0", "a1", after=1), go("a1", "a2")]),
        machine("W", "equipment", "w0 w1", [go("w0", "w1", away("A", "a1"), held=(2, None))]),
    )
    last = walk(Concrete(blink), world(1), settle(("A", 0)), settle(("A", 1)))
    assert last.times["held W 0"] == 0 and last.locations["A"] == "a2"


def test_a_deadline_binds_only_while_its_guard_is_true_and_at_once_after_it():
    """4.2: a guard that becomes true after the end obliges at once; nothing forbids what is late."""
    late = model(
        machine("S", "equipment", "off on", [go("off", "on")]),
        machine("W", "equipment", "w0 w1", [go("w0", "w1", at("S", "on"), after=(1, 2))]),
    )
    concrete = Concrete(late)
    assert concrete.longest_delay(concrete.initial()) is None
    overdue = walk(concrete, world(5, ("S", 0)))
    assert concrete.longest_delay(overdue) == 0 and not overdue.can_pass
    with pytest.raises(NotAllowed, match="at most 0 s"):
        concrete.take(overdue, world(HALF))
    assert concrete.take(overdue, world(0, ("W", 0))).locations["W"] == "w1"


def test_with_two_windows_the_later_end_is_the_deadline():
    """5.4: time may pass while at least one of a transition's windows has not ended."""
    two = model(
        machine("S", "equipment", "off on", [go("off", "on")]),
        machine("W", "equipment", "w0 w1", [go("w0", "w1", at("S", "on"), after=(1, 2), held=(1, 4))]),
    )
    concrete = Concrete(two)
    assert concrete.longest_delay(walk(concrete, world(1, ("S", 0)))) == 4
    assert concrete.longest_delay(walk(concrete, world(5, ("S", 0)))) == 4


def test_a_window_without_an_end_never_obliges():
    """4.2: every window it has must have an end."""
    free = model(machine("W", "train", "w0 w1", [go("w0", "w1", after=(1, 2), held=(0, None))]))
    assert Concrete(free).longest_delay(Concrete(free).initial()) is None


def test_held_zero_is_met_by_a_true_guard_and_is_due_at_once():
    """4.1; section 10 gives such a window no clock."""
    at_once = model(
        machine("S", "equipment", "off on", [go("off", "on")]),
        machine("W", "equipment", "w0 w1", [go("w0", "w1", at("S", "on"), held=0)]),
    )
    concrete = Concrete(at_once)
    assert "held W 0" not in concrete.initial().times
    on = walk(concrete, world(3, ("S", 0)))
    assert not on.can_pass and Move("W", 0) in concrete.enabled(on)


def test_faults_are_taken_only_while_the_budget_lasts_and_never_oblige():
    """4.3."""
    frail = model(
        machine("V", "equipment", "good bad", [go("good", "bad", after=(0, 1), fault="v")]),
        machine("W", "equipment", "good bad", [go("good", "bad", fault="w"), go("bad", "good")]),
    )
    none = Concrete(frail)
    assert none.longest_delay(none.initial()) is None
    assert none.enabled(none.initial()) == ()
    with pytest.raises(NotAllowed, match="not enabled"):
        none.take(none.initial(), world(0, ("V", 0)))
    one = Concrete(frail, budget=1)
    with pytest.raises(NotAllowed, match="would bring the faults to 2, of 1 allowed"):
        one.take(one.initial(), world(0, ("V", 0), ("W", 0)))
    spent = walk(one, world(0, ("W", 0)), world(0, ("W", 1)))
    assert spent.spent == 1 and one.enabled(spent) == ()


def test_a_delay_and_its_moves_are_one_step_with_guards_from_before():
    """5.3: guards are read from the state before the step, the delay included."""
    pair = model(
        machine("A", "train", "a0 a1", [go("a0", "a1", after=(1, None))]),
        machine("B", "train", "b0 b1", [go("b0", "b1", both(at("A", "a0"), away("A", "a1")))]),
    )
    after = walk(Concrete(pair), world(1, ("A", 0), ("B", 0)))
    assert after.locations == {"A": "a1", "B": "b1"} and after.time == 1
