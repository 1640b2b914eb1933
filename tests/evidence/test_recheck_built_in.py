"""Built-in properties in the re-check: bad states, and rows of rounds one too few and just enough."""

import pytest

from tests.differential.building import at, both, go, machine, model, prop
from verifier.evidence.recheck import Refused, recheck_certificate
from verifier.language.model import Form
from verifier.semantics.run import Certificate

BUTTON = machine("button", "operator", "out in", [go("out", "in"), go("in", "out")])


def accept(checked, asked, term="true", **parts):
    budget = parts.pop("budget", 0)
    return recheck_certificate(checked, asked, Certificate(term, **parts), budget=budget)


def refused_at(checked, asked, term="true", **parts):
    with pytest.raises(Refused) as caught:
        accept(checked, asked, term, **parts)
    assert caught.value.kind == "sat"
    return caught.value.obligation


def test_ambiguous():
    asked = prop(Form.AMBIGUOUS)

    def choice(other_target, other_guard, other_after=None):
        return model(BUTTON, machine("m", "control", "a b c", [
            go("a", "b", at("button", "in")), go("a", other_target, other_guard, after=other_after)]))
    accept(choice("c", at("button", "out")), asked)
    accept(choice("b", at("button", "in")), asked)
    assert refused_at(choice("c", at("button", "in")), asked) == "no bad state"
    # A timer may come due while the button is in, but only if the button did not act first.
    timed = choice("c", at("button", "in", "out"), 3)
    assert refused_at(timed, asked, "(=> |m is a| (<= |time m| 3.0))") == "no bad state"


def test_pulse():
    asked = prop(Form.PULSE)
    relay = machine("m", "control", "idle called done",
                    [go("idle", "called", at("button", "in")), go("called", "done", at("button", "in"))])

    def read(state):
        return machine("motor", "equipment", "still runs", [go("still", "runs", at("m", state))])
    accept(model(BUTTON, relay, read("done")), asked)
    assert refused_at(model(BUTTON, relay, read("called")), asked, "true") == "no bad state"
    # The state lasts 1 s before it is left: by then a world step has come between.
    slow = machine("m", "control", "idle called done",
                   [go("idle", "called", at("button", "in")), go("called", "done", after=1)])
    term = "(=> |fresh m| (= |time m| 0.0))"
    accept(model(BUTTON, slow, read("called")), asked, term)
    assert refused_at(model(BUTTON, slow, read("called")), asked, "(not |fresh m|)") == "step settle"
    # Staying is not leaving: `called` to itself, while n picks up.
    stays = machine("m", "control", "idle called", [
        go("idle", "called", at("button", "in")), go("called", "called", at("n", "down"))])
    n = machine("n", "control", "down up", [go("down", "up", at("m", "called"))])
    accept(model(BUTTON, stays, n, read("called")), asked)
    # Two rounds later is still the same settle.
    waits = machine("m", "control", "idle called done", [
        go("idle", "called", at("button", "in")), go("called", "done", at("n", "up"))])
    stale = "(and (=> |m is idle| |n is down|) (=> (and |m is called| |n is up|) (not |fresh m|)))"
    assert refused_at(model(BUTTON, waits, n, read("called")), asked, stale) == "step settle"
    # Only control reads it, which acts in the same settle.
    accept(model(BUTTON, relay, machine("n", "control", "x y", [go("x", "y", at("m", "called"))])), asked)


def test_dead():
    stuck = model(BUTTON, machine("m", "control", "a b c", [
        go("a", "b", at("button", "in")), go("a", "c", both(at("button", "in"), at("button", "out")))]))
    accept(stuck, prop(Form.DEAD, subject=("state", "m", "c")), "(not |m is c|)")
    assert refused_at(stuck, prop(Form.DEAD, subject=("state", "m", "b")), "(not |m is c|)") == "no bad state"
    accept(stuck, prop(Form.DEAD, subject=("transition", "m", 1)))
    assert refused_at(stuck, prop(Form.DEAD, subject=("transition", "m", 0))) == "no bad state"


def test_a_fault_transition_is_dead_without_the_budget_for_it():
    two = model(machine("w", "equipment", "ok worse worst", [
        go("ok", "worse", fault="wear"), go("worse", "worst", fault="wear")]))
    first, second = (prop(Form.DEAD, subject=("transition", "w", index)) for index in (0, 1))
    accept(two, first, budget=0)
    assert refused_at(two, first, budget=1) == "no bad state"
    accept(two, second, "(=> (not |w is ok|) (>= |spent| 1))", budget=1)
    assert refused_at(two, second, "(=> (not |w is ok|) (>= |spent| 1))", budget=2) == "no bad state"


# From `in`, m goes a -> b -> c in two rounds and back to a in one more after 2 s.
CHAIN = model(BUTTON, machine("m", "control", "a b c", [
    go("a", "b", at("button", "in")), go("b", "c"), go("c", "a", after=2)]))


def test_does_not_settle():
    asked = prop(Form.DOES_NOT_SETTLE)
    accept(CHAIN, asked, rounds=2)
    accept(CHAIN, asked, rounds=5)
    assert refused_at(CHAIN, asked, rounds=1) == "settles in time"
    ring = model(BUTTON, machine("m", "control", "a b", [go("a", "b", at("button", "in")), go("b", "a")]))
    assert refused_at(ring, asked, rounds=7) == "settles in time"
    # A time of 0 s is none: the ring still turns for ever.
    ring0 = model(BUTTON, machine("m", "control", "a b", [
        go("a", "b", at("button", "in"), after=0), go("b", "a", at("button", "in", "out"), held=0)]))
    assert refused_at(ring0, asked, rounds=7) == "settles in time"
    # Without the button ever in, the invariant keeps the ring from turning.
    still = model(machine("button", "operator", "out in"), ring.machines[1])
    accept(still, asked, "(and |m is a| |button is out|)", rounds=0)


def test_time_stops():
    asked = prop(Form.TIME_STOPS)
    accept(CHAIN, asked, rounds=2)
    assert refused_at(CHAIN, asked, rounds=1) == "time goes on"
    # The world answers at once and is answered at once, for ever: no time can pass.
    duel = model(machine("m", "control", "a b", [go("a", "b", at("w", "y")), go("b", "a", at("w", "x"))]),
                 machine("w", "equipment", "x y", [go("x", "y", at("m", "a"), held=0),
                                                   go("y", "x", at("m", "b"), held=(0, 0))]))
    accept(duel, prop(Form.DOES_NOT_SETTLE), rounds=1)
    assert refused_at(duel, asked, rounds=6) == "time goes on"
    # With half a second somewhere in the ring, time goes on: b -> m a -> w y -> m b, then the wait.
    paced = model(duel.machines[0], machine("w", "equipment", "x y", [
        go("x", "y", at("m", "a"), held=0), go("y", "x", at("m", "b"), after=("1/2", 1))]))
    accept(paced, asked, rounds=3)
    assert refused_at(paced, asked, rounds=2) == "time goes on"
    # A window without an end, or a fault, forces nothing.
    for free in (go("y", "x", at("m", "b"), held=(0, None)), go("y", "x", at("m", "b"), fault="sticks")):
        lazy = model(duel.machines[0], machine("w", "equipment", "x y", [go("x", "y", at("m", "a"), held=0), free]))
        accept(lazy, asked, rounds=3)


def test_time_that_control_waits_for_is_no_forced_round():
    """A due timer of control makes a state not settled, so the world is not forced in it."""
    timed = model(machine("m", "control", "a b", [go("a", "b", after=3)]),
                  machine("w", "equipment", "x y", [go("x", "y", held=0), go("y", "x", at("m", "a"), held=0)]))
    # While `a` lasts the world turns for ever; only the state with the timer due escapes.
    assert refused_at(timed, prop(Form.TIME_STOPS), rounds=4) == "time goes on"
    accept(model(machine("m", "control", "a b", [go("a", "b", after=3)]),
                 machine("w", "equipment", "x y", [go("x", "y", held=0)])), prop(Form.TIME_STOPS), rounds=1)


def test_order_matters():
    asked = prop(Form.ORDER_MATTERS)
    up = at("button", "in")
    # Whichever relay picks up first blocks the other: together both pick up, one by one only one does.
    one = machine("one", "control", "down up", [go("down", "up", both(up, at("two", "down")))])
    two = machine("two", "control", "down up", [go("down", "up", both(up, at("one", "down")))])
    refused = refused_at(model(BUTTON, one, two), asked, rounds=3)
    assert refused in ("order of one", "order of two")
    # Each for itself: order is nothing.
    free = machine("two", "control", "down up", [go("down", "up", up)])
    accept(model(BUTTON, machine("one", "control", "down up", [go("down", "up", up)]), free), asked, rounds=1)
    # One after the other: two rounds are needed.
    after = machine("two", "control", "down up", [go("down", "up", at("one", "up"))])
    row = model(BUTTON, machine("one", "control", "down up", [go("down", "up", up)]), after)
    accept(row, asked, rounds=2)
    assert refused_at(row, asked, rounds=1) == "settles in time"


def test_order_that_a_broken_held_makes_matter():
    """A timer that is due is lost when another machine, moving first, breaks its guard."""
    asked = prop(Form.ORDER_MATTERS)
    breaker = machine("breaker", "control", "on off", [go("on", "off", at("button", "in"))])
    timer = machine("timer", "control", "waits done", [go("waits", "done", at("breaker", "on"), held=2)])
    assert refused_at(model(BUTTON, breaker, timer), asked, rounds=3) == "order of breaker"
    unbroken = machine("timer", "control", "waits done", [go("waits", "done", after=2)])
    accept(model(BUTTON, breaker, unbroken), asked, rounds=1)


def test_a_settle_that_goes_on_after_one_moved_first():
    """Moved first, n keeps k from starting its time anew, so that k is due when the others have ended."""
    up = at("button", "in")
    n = machine("n", "control", "down up", [go("down", "up", up)])
    h = machine("h", "control", "down up", [go("down", "up", up)])
    k = machine("k", "control", "x y", [
        go("x", "x", both(up, at("n", "down"))),
        go("x", "y", both(at("n", "up"), at("h", "up")), after=3)])
    together = "(= |n is down| |h is down|)"
    assert refused_at(model(BUTTON, n, h, k), prop(Form.ORDER_MATTERS), together, rounds=1) == "order of n"


def test_rounds_do_not_replace_induction():
    """An invariant that shuts out the trouble without being inductive is refused before."""
    ring = model(BUTTON, machine("m", "control", "a b", [go("a", "b", at("button", "in")), go("b", "a")]))
    for form in (Form.DOES_NOT_SETTLE, Form.TIME_STOPS, Form.ORDER_MATTERS):
        assert refused_at(ring, prop(form), "|button is out|", rounds=3) == "step world"
