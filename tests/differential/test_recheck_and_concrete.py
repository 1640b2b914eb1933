"""The re-check's step and watch (third reading) against the concrete machine (second reading).

With the concrete values of a state and a step asserted, the re-check's formula must be satisfiable
exactly when the concrete machine takes the step, and must fix the next state to the concrete one.
"""

import random
from fractions import Fraction

import pytest

from tests.differential.random_models import FORMS_OF_RUNS, random_model, random_property
from verifier.evidence import recheck_watch
from verifier.evidence.crosscheck import random_runs
from verifier.evidence.recheck_ask import ask
from verifier.evidence.recheck_moment import Moment, first_moment, unknown_moment
from verifier.evidence.recheck_names import question
from verifier.evidence.recheck_script import Script, Time, conj, neg, number, symbol
from verifier.evidence.recheck_step import EITHER, delay_name, step, take_name
from verifier.evidence.watching import Watch
from verifier.language.model import Form
from verifier.semantics.concrete import Concrete, NotAllowed
from verifier.semantics.run import Move, Step

SEEDS = range(39)


def symbol_values(asked, snapshot, extra):
    """Value of every symbol of section 10 in a concrete state."""
    values = dict(extra)
    for machine in asked.model.machines:
        for state in machine.states:
            values[f"{machine.name} is {state}"] = snapshot.locations[machine.name] == state
    values.update(snapshot.times)
    values["spent"] = snapshot.spent
    return {name: values[name] for name in asked.names}


def equal(term, value):
    if isinstance(value, bool):
        return term if value else neg(term)
    return f"(= {term} {value if isinstance(value, int) else number(value)})"


def as_term(values, terms):
    return conj(equal(term, value) for term, value in zip(terms, values.values(), strict=True))


def at_values(asked, values):
    """A script whose state "0" has exactly these values."""
    script = Script(asked.logic, "agreement")
    now = unknown_moment(script, asked, "0")
    script.require(as_term(values, now.values()))
    return script, now


def with_step(asked, values, taken, kind):
    """The script that takes the concrete step from the state, and the state after it."""
    script, now = at_values(asked, values)
    after = step(now, "1", kind)
    wanted = {(move.machine, move.transition) for move in taken.moves}
    for machine in asked.model.machines:
        for t in machine.transitions:
            is_taken = (machine.name, t.index) in wanted
            if f"(declare-const {symbol(take_name('1', t))} Bool)" in script.lines:
                script.require(symbol(take_name("1", t)) if is_taken else neg(symbol(take_name("1", t))))
            elif is_taken:
                script.require("(not true)")
    if kind == "settle":
        assert taken.delay == 0
    else:
        script.require(equal(symbol(delay_name("1")), taken.delay))
    return script, after


def answer(script, *terms):
    lines = list(script.lines)
    for term in terms:
        script.lines.append(f"(assert {term})")
    verdict = ask(script.text(), 10.0).verdict
    script.lines[:] = lines
    return verdict


def extras(prop, run, model):
    """Watch and ``fresh`` values in each state of the run, by sections 8 and 10."""
    watch, fresh = Watch(prop), {m.name: False for m in model.machines if m.is_control}
    for index, snapshot in enumerate(run.snapshots):
        if index:
            watch.go_on(run.snapshots[index - 1], run.steps[index - 1])
            moved = {move.machine for move in run.steps[index - 1].moves}
            is_settle = run.steps[index - 1].kind == "settle"
            fresh = {name: is_settle and (old or name in moved) for name, old in fresh.items()}
        yield {**watch.values(), **{f"fresh {name}": value for name, value in fresh.items()}}, \
            watch.is_bad(snapshot)


def runs_of(seed, form):
    model, budget = random_model(seed), seed % 3
    prop = random_property(model, seed, form)
    runs = random_runs(model, budget=budget, runs=2, depth=5, seed=seed)
    return question(model, prop, budget), runs


@pytest.mark.parametrize("seed", SEEDS)
def test_concrete_steps_are_the_only_next_states(seed):
    form = (*FORMS_OF_RUNS, Form.PULSE)[seed % (len(FORMS_OF_RUNS) + 1)]
    asked, runs = runs_of(seed, form)
    for run in runs:
        states = [symbol_values(asked, snapshot, extra)
                  for snapshot, (extra, _) in zip(run.snapshots, extras(asked.prop, run, asked.model))]
        script = Script(asked.logic, "the initial state")
        first = first_moment(script, asked, "0")
        assert answer(script, neg(as_term(states[0], first.values()))) == "unsat"
        for before, taken, after in zip(states, run.steps, states[1:]):
            for kind in (taken.kind, EITHER):
                script, moment = with_step(asked, before, taken, kind)
                same = as_term(after, moment.values())
                assert answer(script, conj([same, moment.well_formed()])) == "sat"
                assert answer(script, neg(same)) == "unsat"
            other = "world" if taken.kind == "settle" else "settle"
            if taken.delay == 0:
                assert answer(with_step(asked, before, taken, other)[0]) == "unsat"


@pytest.mark.parametrize("seed", SEEDS)
def test_settled_can_pass_enabled_and_bad_agree(seed):
    form = FORMS_OF_RUNS[seed % len(FORMS_OF_RUNS)]
    asked, runs = runs_of(seed, form)
    concrete = Concrete(asked.model, asked.budget)
    for run in runs:
        for snapshot, (extra, is_bad) in zip(run.snapshots, extras(asked.prop, run, asked.model)):
            script, now = at_values(asked, symbol_values(asked, snapshot, extra))
            enabled = set(concrete.enabled(snapshot))
            claims = [equal(now.settled, snapshot.is_settled), equal(now.can_pass, snapshot.can_pass),
                      equal(recheck_watch.bad(now), is_bad)]
            claims += [equal(now.enabled(t), Move(m.name, t.index) in enabled)
                       for m in asked.model.machines for t in m.transitions]
            assert answer(script) == "sat"
            assert answer(script, neg(conj(claims))) == "unsat"


def fixed_moment(script, asked, label, values):
    """A state written with constants."""
    bits = {name: "true" if values[name] else "false" for name, sort in asked.names.items() if sort == "Bool"}
    times = {name: Time(number(values[name])) for name, sort in asked.names.items() if sort == "Real"}
    return Moment(script, asked, label, bits, times, str(values.get("spent", 0)))


@pytest.mark.parametrize("form", FORMS_OF_RUNS, ids=lambda form: form.value)
def test_watches_agree_along_whole_runs(form):
    bad_states = 0
    for seed in range(40):
        model = random_model(seed)
        asked = question(model, random_property(model, seed, form), 0)
        for run in random_runs(model, budget=0, runs=3, depth=25, seed=seed):
            states = list(extras(asked.prop, run, model))
            bad_states += sum(is_bad for _, is_bad in states)
            script, claims = Script(asked.logic, "watch"), []
            for index, snapshot in enumerate(run.snapshots):
                extra, is_bad = states[index]
                now = fixed_moment(script, asked, str(index), symbol_values(asked, snapshot, extra))
                claims.append(equal(recheck_watch.bad(now), is_bad))
                if index < len(run.steps) and run.steps[index].kind == "world":
                    delay = number(run.steps[index].delay)
                    bits, times = recheck_watch.absorb(now, delay)
                    later = states[index + 1][0]
                    terms = {**bits, **{name: time.value for name, time in times.items()}}
                    assert set(terms) == {name for name in asked.names if name.startswith("watch")}
                    claims += [equal(term, later[name]) for name, term in terms.items()]
            assert answer(script, neg(conj(claims))) == "unsat", (seed, form)
    assert bad_states > 0


def random_step(chance, model, snapshot):
    """A step that may well be wrong: any moves from present states, any delay."""
    kind = "settle" if not snapshot.is_settled and chance.random() < 0.8 else "world"
    seconds = 0 if kind == "settle" else chance.choice((0, 0, 1, 1, 2, 3))
    moves = []
    for machine in sorted(model.machines, key=lambda m: m.name):
        leaving = [t for t in machine.transitions if t.source == snapshot.locations[machine.name]]
        if leaving and machine.is_control == (kind == "settle") and chance.random() < 0.6:
            moves.append(Move(machine.name, chance.choice(leaving).index))
    return Step(kind, Fraction(seconds, chance.choice((1, 2))), tuple(moves))


def test_steps_are_refused_by_both_or_by_neither():
    counts = {"allowed": 0, "refused": 0, "mixed": 0}
    for seed in SEEDS:
        asked, runs = runs_of(seed, Form.NEVER)
        concrete, chance = Concrete(asked.model, asked.budget), random.Random(seed)
        for run in runs:
            for snapshot in run.snapshots[::2]:
                values = symbol_values(asked, snapshot, {})
                for _ in range(2):
                    taken = random_step(chance, asked.model, snapshot)
                    try:
                        concrete.take(snapshot, taken)
                        expected = "sat"
                    except NotAllowed:
                        expected = "unsat"
                    counts["allowed" if expected == "sat" else "refused"] += 1
                    for kind in (taken.kind, EITHER):
                        assert answer(with_step(asked, values, taken, kind)[0]) == expected, (seed, taken)
            for snapshot in run.snapshots:
                rounds = list(concrete.settle_rounds(snapshot))
                world = [m for m in concrete.enabled(snapshot) if not asked.model.machine(m.machine).is_control]
                if rounds and world:
                    # Control moves and the world with it: no step of either kind.
                    mixed = Step("world", Fraction(0), (*rounds[0].moves, world[0]))
                    values = symbol_values(asked, snapshot, {})
                    assert answer(with_step(asked, values, rounds[0], EITHER)[0]) == "sat"
                    assert answer(with_step(asked, values, mixed, EITHER)[0]) == "unsat", (seed, mixed)
                    counts["mixed"] += 1
    # All outcomes were really compared.
    assert min(counts.values()) > 30, counts
