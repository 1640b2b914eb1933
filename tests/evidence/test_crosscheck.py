"""The cross-check: what random runs reach, and that each kind of false proof is noticed."""

import time
from fractions import Fraction

import pytest

from tests.differential.building import at, away, both, either, go, half_second_model, machine, model, prop
from tests.differential.random_models import random_model, random_property
from verifier.evidence.crosscheck import (
    covered_by,
    crosscheck_runs,
    random_runs,
    symbol_sorts,
    witness,
    witness_alive,
)
from verifier.evidence.judge import judge
from verifier.evidence.random_walk import ends_reached, window_ends
from verifier.evidence.result import Disagreement
from verifier.language.guard import Not
from verifier.language.model import Form
from verifier.semantics.concrete import Concrete
from verifier.semantics.run import Certificate, Move, Run, Step

SMALL = half_second_model()
RUNS = random_runs(SMALL, runs=80, depth=25, seed=5)


def any_step(_before, _step, _after) -> bool:
    return True


def check(prop_, invariant, *, checked=SMALL, runs=RUNS, allows=any_step, **more):
    return crosscheck_runs(checked, runs, allows, prop_, Certificate(invariant), **more)


def test_same_seed_same_runs_and_another_seed_others():
    assert random_runs(SMALL, runs=10, depth=20, seed=3) == random_runs(SMALL, runs=10, depth=20, seed=3)
    assert random_runs(SMALL, runs=10, depth=20, seed=3) != random_runs(SMALL, runs=10, depth=20, seed=4)


def test_runs_begin_at_the_start_and_can_be_taken_again():
    concrete = Concrete(SMALL)
    for run in RUNS:
        assert run.snapshots[0] == concrete.initial() and len(run.steps) <= 25
        for index, step in enumerate(run.steps):
            assert concrete.take(run.snapshots[index], step) == run.snapshots[index + 1]


def test_runs_reach_both_ends_of_windows_a_long_way_in():
    """Twelve stages in a row, each with a window, the last behind a fault."""
    stages = [f"s{i}" for i in range(13)]
    transitions = [go(stages[i], stages[i + 1], after=(2, 5)) for i in range(12)]
    long = model(
        machine("W", "train", " ".join(stages), transitions),
        machine("V", "equipment", "ok broken", [go("ok", "broken", at("W", "s11"), fault="v")]),
        machine("K", "control", "idle told", [go("idle", "told", both(at("W", "s12"), at("V", "broken")), held=1)]),
    )
    runs = random_runs(long, budget=1, runs=60, depth=60, seed=1)
    assert window_ends(long, 1) - ends_reached(long, runs) == set()
    assert ("W", 11, "latest") in window_ends(long, 1)
    assert ("V", 0, "taken") not in window_ends(long, 0)


def test_ends_are_reached_only_at_the_ends():
    timed = model(machine("W", "train", "w0 w1", [go("w0", "w1", after=(1, 2))]))
    seen = set()
    for run in random_runs(timed, runs=60, depth=4, seed=2):
        told = {end[2] for end in ends_reached(timed, [run])} - {"taken"}
        for number, step in enumerate(run.steps):
            if step.moves:
                at_time = run.snapshots[number].times["time W"] + step.delay
                assert told == {1: {"earliest"}, 2: {"latest"}}.get(at_time, set())
                seen.add(at_time)
    assert {1, 2} < seen


def test_a_guard_that_comes_late_makes_its_own_earliest_moment():
    late = model(
        machine("S", "equipment", "off on", [go("off", "on")]),
        machine("W", "train", "w0 w1", [go("w0", "w1", at("S", "on"), after=(1, None))]),
    )
    concrete = Concrete(late)
    on = Step("world", Fraction(3), (Move("S", 0),))
    go_on = {
        delay: Step("world", Fraction(delay), (Move("W", 0),)) for delay in (0, 1)
    }
    for delay, expected in ((0, True), (1, False)):
        snapshots = [concrete.initial()]
        for step in (on, go_on[delay]):
            snapshots.append(concrete.take(snapshots[-1], step))
        run = Run((on, go_on[delay]), tuple(snapshots))
        assert (("W", 0, "earliest") in ends_reached(late, [run])) is expected


K1_IN_TIME = "(or (not |K1 is on|) (<= |time K1| 1))"


def test_a_true_proof_stands():
    told = check(prop(Form.NEVER, p=both(at("K1", "fired"), at("K1", "saved"))), K1_IN_TIME, seed=5)
    assert told.live == told.covered == len(window_ends(SMALL, 0))
    assert told.seed == 5 and told.run_lengths == tuple(len(run.steps) for run in RUNS)


def test_dead_transitions_do_not_count_as_live():
    told = check(prop(Form.NEVER, p=both(at("W", "w0"), at("W", "w1"))), "true", dead=frozenset({("C", 0)}))
    assert told.live == len(window_ends(SMALL, 0)) - 2


@pytest.mark.parametrize(
    "invariant, why",
    [
        ("(or (not |K1 is on|) (< |time K1| 1))", "leaves the invariant"),
        ("(not (and |K1 is saved| |K2 is saved|))", "leaves the invariant"),
        ("(not |W is w3|)", "leaves the invariant"),
        ("(and |W is w0|", "can't be read"),
        ("(not |W is w9|)", "can't be read"),
        ("(= spent 0)", "can't be read"),
    ],
)
def test_a_false_invariant_is_noticed(invariant, why):
    harmless = prop(Form.NEVER, p=both(at("W", "w0"), at("W", "w1")))
    with pytest.raises(Disagreement, match=why) as caught:
        check(harmless, invariant)
    assert len(caught.value.sides) == 2


def test_a_step_that_the_relation_lost_is_noticed():
    harmless = prop(Form.NEVER, p=both(at("W", "w0"), at("W", "w1")))

    def whole_seconds_only(_before, step, _after) -> bool:
        return step.delay.denominator == 1

    with pytest.raises(Disagreement, match="does not allow"):
        check(harmless, "true", allows=whole_seconds_only)


@pytest.mark.parametrize(
    "broken",
    [
        prop(Form.NEVER, p=at("K1", "saved")),
        prop(Form.POSSIBLE, p=at("K2", "saved")),
        prop(Form.WITHIN, p=at("K1", "fired"), q=at("W", "w1"), bound=1),
        prop(Form.DEAD, subject=("transition", "K2", 2)),
    ],
    ids=lambda one: one.form.value,
)
def test_a_property_that_a_run_breaks_is_noticed_whatever_the_invariant(broken):
    with pytest.raises(Disagreement, match="breaks"):
        check(broken, "true")


def test_watch_values_are_those_of_section_8():
    """P comes at 0 and the answer at most 1 s later: while open, the watch time is at most 1 s."""
    answered = prop(Form.WITHIN, p=at("K1", "on"), q=away("K1", "on"), bound=1)
    assert check(answered, "(=> |watch open| (and |watch P before| (<= |watch time| 1)))").covered
    with pytest.raises(Disagreement, match="leaves the invariant"):
        check(answered, "(=> |watch open| (< |watch time| 1))")
    with pytest.raises(Disagreement, match="leaves the invariant"):
        check(answered, "(not |watch open|)")
    with pytest.raises(Disagreement, match="can't be read"):
        check(answered, "(not |watch Q before|)")


def test_fresh_is_true_from_a_machines_round_to_the_end_of_the_settle():
    unseen = prop(Form.PULSE)
    assert check(unseen, "(=> |fresh K1| (not |K1 is on|))").covered
    # False again once the world has moved or time has passed.
    assert check(unseen, "(=> |fresh K1| (= |time K1| 0))").covered
    with pytest.raises(Disagreement, match="leaves the invariant"):
        check(unseen, "(not |fresh K1|)")


def test_spent_is_a_symbol_under_a_budget_only():
    frail = model(machine("L", "equipment", "lit out", [go("lit", "out", fault="lamp")]))
    never = prop(Form.NEVER, p=both(at("L", "lit"), at("L", "out")))
    runs = random_runs(frail, budget=1, runs=5, depth=5, seed=1)
    assert check(never, "(= |L is out| (= spent 1))", checked=frail, runs=runs, budget=1).covered == 1
    assert "spent" not in symbol_sorts(frail, never, 0)


def test_witness_is_the_shortest_beginning_to_a_settled_state():
    saved = both(at("K1", "saved"), at("K2", "saved"))
    found = witness(RUNS, saved, "both are saved")
    last = found.run.snapshots[-1]
    assert last.is_settled and last.locations["K1"] == last.locations["K2"] == "saved"
    assert found.violating == len(found.run.steps) == len(found.run.snapshots) - 1
    reaching = (
        index
        for run in RUNS
        for index, s in enumerate(run.snapshots)
        if s.is_settled and s.locations["K1"] == s.locations["K2"] == "saved"
    )
    assert found.violating == min(reaching) and found.why == "both are saved"
    assert witness(RUNS, both(at("W", "w0"), at("K2", "on"))) is None
    assert witness(RUNS, either(saved, Not(saved))).violating == 0


def test_covered_states_and_transitions():
    covered = covered_by(RUNS)
    every = {(m.name, t.index) for m in SMALL.machines for t in m.transitions}
    assert covered.transitions == every
    assert covered.states == {(m.name, s) for m in SMALL.machines for s in m.states}
    assert covered_by(RUNS[:0]).states == frozenset()
    assert witness_alive(RUNS, ("transition", "W", 3)).run.snapshots[-1].locations["W"] == "w4"
    assert witness_alive(RUNS, ("state", "W", "w0")).violating == 0


@pytest.mark.parametrize("seed", range(25))
def test_judge_watch_and_runs_agree_on_random_models(seed):
    """With `true` for an invariant only a broken property may disagree, and watch and judge alike."""
    checked = random_model(seed)
    runs = random_runs(checked, budget=1, runs=10, depth=20, seed=seed)
    prop_ = random_property(checked, seed)
    if prop_.form is Form.DEAD:
        alive = witness_alive(runs, prop_.subject)
        broken = alive is not None
    else:
        broken = any(judge(Concrete(checked, 1), prop_, run) for run in runs)
    if broken:
        with pytest.raises(Disagreement, match="breaks"):
            check(prop_, "true", checked=checked, runs=runs, budget=1)
    else:
        check(prop_, "true", checked=checked, runs=runs, budget=1)


def test_a_model_of_twenty_machines_runs_fast():
    """Measured at some 5,000 steps a second on two shared cores; 500 leaves room for slow ones."""
    machines = []
    for i in range(20):
        near, far = f"M{(i + 1) % 20}", f"M{(i + 3) % 20}"
        control = i % 2
        machines.append(
            machine(f"M{i}", "control" if control else "equipment", "a b c", [
                go("a", "b", both(at(near, "a", "b"), away(far, "c")), after=1 if control else (1, 2)),
                go("b", "c", at(near, "b", "c"), held=1 if control else (1, 3)),
                go("c", "a", after=2 if control else (1, None)),
            ])
        )
    started = time.process_time()
    runs = random_runs(model(*machines), runs=10, depth=100, seed=1)
    steps = sum(len(run.steps) for run in runs)
    assert steps / (time.process_time() - started) > 500
    assert max(s.time for run in runs for s in run.snapshots) > Fraction(10)
