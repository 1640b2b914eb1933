"""Rows of rounds in the re-check against plain search from single states of random models.

The invariant is one exact state, so the number of rounds that the re-check accepts must be the length
of the longest row from that state. The search below is written from ``specs/semantics.md`` 11.5 to 11.7
with plain sets of Python, for rounds without delay only.
"""

import random
from collections import Counter
from fractions import Fraction
from itertools import product

import pytest

from tests.differential.random_models import random_model
from tests.differential.building import at, go, machine, prop
from tests.differential.building import model as model_of
from verifier.evidence import recheck_rounds
from verifier.evidence.recheck_ask import ask
from verifier.evidence.recheck_names import held_name, question
from verifier.evidence.recheck_script import number, symbol
from verifier.language.guard import FALSE
from verifier.language.model import Form
from verifier.semantics.concrete_guard import compile_guard

LONGEST = 6
SEEDS = range(80)


class Still:
    """A model while no time passes. A state is a pair of sorted tuples: locations and times."""

    def __init__(self, model):
        self.machines = model.machines
        self.guards = {(m.name, t.index): compile_guard(t.when) for m in model.machines for t in m.transitions}

    def standing(self, state, t):
        where = dict(state[0])
        return where[t.machine] == t.source and self.guards[t.machine, t.index](where)

    def enabled(self, state, t):
        times = dict(state[1])
        return (self.standing(state, t)
                and (t.after is None or times[f"time {t.machine}"] >= t.after.lo)
                and (t.held is None or times.get(f"held {t.machine} {t.index}", 0) >= t.held.lo))

    def control(self):
        return [m for m in self.machines if m.is_control]

    def settled(self, state):
        return not any(self.enabled(state, t) for m in self.control() for t in m.transitions)

    def after(self, state, taken):
        where, times = dict(state[0]), dict(state[1])
        before = {(t.machine, t.index): self.standing(state, t) for m in self.machines for t in m.transitions}
        where.update({t.machine: t.target for t in taken})
        now = (tuple(sorted(where.items())), ())
        moved = {t.machine for t in taken}
        for m in self.machines:
            if m.name in moved:
                times[f"time {m.name}"] = 0
            for t in m.transitions:
                runs = m.name not in moved and before[m.name, t.index] and self.standing(now, t)
                if f"held {m.name} {t.index}" in times and not runs:
                    times[f"held {m.name} {t.index}"] = 0
        return now[0], tuple(sorted(times.items()))

    def all_take(self, state, choices):
        """States after every machine with choices has taken one of them; none if nothing moves."""
        lists = [those for those in choices if those]
        return {self.after(state, taken) for taken in product(*lists)} if lists else set()

    def settle_rounds(self, state):
        return self.all_take(state, [[t for t in m.transitions if self.enabled(state, t)] for m in self.control()])

    def untimed(self, state):
        def is_free(t):
            return all(w is None or w.lo == 0 for w in (t.after, t.held))
        return [[t for t in m.transitions if is_free(t) and self.standing(state, t)] for m in self.control()]

    def forced_rounds(self, state):
        choices = self.untimed(state)
        if self.settled(state):
            for m in self.machines:
                if not m.is_control:
                    choices.append([t for t in m.transitions if not t.fault and (t.after or t.held)
                                    and all(w is None or w.hi == 0 for w in (t.after, t.held))
                                    and self.standing(state, t)])
        return self.all_take(state, choices)


def longest_row(start, rounds_from):
    """Length of the longest row of rounds, or ``LONGEST + 1`` for that or more."""
    layer, length = {start}, 0
    while length <= LONGEST:
        layer = set().union(*(rounds_from(state) for state in layer))
        if not layer:
            return length
        length += 1
    return length


def ends(still, start, rounds):
    """Places of all states in which a settle from ``start`` ends; None if one takes more rounds."""
    layer, found = {start}, set()
    for _ in range(rounds + 1):
        found |= {state[0] for state in layer if still.settled(state)}
        layer = set().union(*(still.settle_rounds(state) for state in layer))
        if not layer:
            return found
    return None


def order_matters(still, start, rounds):
    together = ends(still, start, rounds)
    if together is None:
        return True
    for m in still.control():
        for t in m.transitions:
            if still.enabled(start, t):
                alone = ends(still, still.after(start, [t]), rounds)
                if alone is None or len(alone | together) > 1:
                    return True
    return False


def relays(seed):
    """Control machines that pick up one after another, in rows longer than those of random models."""
    chance = random.Random(f"relays {seed}")
    names = ("c0", "c1", "c2", "w")

    def waits(name):
        other = chance.choice([one for one in names if one != name])
        return at(other, *chance.sample(("s0", "s1", "s2"), chance.choice((1, 2, 2))))
    machines = []
    for name in names:
        control = name != "w"
        parts = [go(f"s{i}", f"s{i + 1}", waits(name),
                    after=chance.choice((None, None, 0, 1)) if control else None,
                    held=None if control else chance.choice((0, 0, (0, 1)))) for i in range(2)]
        machines.append(machine(name, "control" if control else "equipment", "s0 s1 s2", parts))
    return model_of(*machines)


def may_be_in(m):
    """The states of a machine that the re-check speaks of: the first alone, where nothing leads from it (11.9)."""
    leaving = [t for t in m.transitions if t.source == m.states[0] and not t.fault and t.when != FALSE]
    return m.states if leaving or m.is_control else m.states[:1]


def states_of(seed):
    """A model and random states of it that section 3 allows and 11.9 leaves, each with its invariant."""
    model, chance = (relays, random_model)[seed % 2](seed), random.Random(seed)
    still, found = Still(model), []
    for _ in range(6):
        where = tuple(sorted((m.name, chance.choice(may_be_in(m))) for m in model.machines))
        times = {f"time {m.name}": chance.randint(0, 3) for m in model.machines}
        for m in model.machines:
            for t in m.transitions:
                if held_name(t):
                    longest = times[f"time {m.name}"] if still.standing((where, ()), t) else 0
                    times[held_name(t)] = chance.randint(0, longest)
        parts = [symbol(f"{name} is {state}") for name, state in where]
        parts += [f"(= {symbol(name)} {number(Fraction(time))})" for name, time in times.items()]
        found.append(((where, tuple(sorted(times.items()))), f"(and {' '.join(parts)})"))
    return model, found


def refused(rows):
    verdicts = {ask(script.text(), 10.0).verdict for _, script in rows}
    assert verdicts <= {"sat", "unsat"}
    return "sat" in verdicts




@pytest.mark.parametrize(("form", "write", "rounds_from"), [
    (Form.DOES_NOT_SETTLE, recheck_rounds.does_not_settle,
     lambda still: lambda state: still.all_take(state, still.untimed(state))),
    (Form.TIME_STOPS, recheck_rounds.time_stops, lambda still: still.forced_rounds),
], ids=lambda value: getattr(value, "value", ""))
def test_longest_row_is_the_least_number_of_rounds(form, write, rounds_from):
    seen = Counter()
    for seed in SEEDS:
        model, terms = states_of(seed)
        still, asked = Still(model), question(model, prop(form), 0)
        for state, term in terms:
            length = longest_row(state, rounds_from(still))
            seen[length] += 1
            if length <= LONGEST:
                assert not refused(write(asked, term, length)), (seed, state)
            if length > 0:
                assert refused(write(asked, term, length - 1)), (seed, state)
    # Rows of no, one and several rounds, and endless ones, were all compared.
    assert seen[0] > 20 and seen[1] > 20 and sum(seen[n] for n in range(2, LONGEST + 1)) > 10, seen
    assert seen[LONGEST + 1] > 5, seen


def test_order_matters_where_the_search_says_so():
    seen = Counter()
    for seed in SEEDS:
        model, terms = states_of(seed)
        still, asked = Still(model), question(model, prop(Form.ORDER_MATTERS), 0)
        for state, term in terms:
            if still.settled(state):
                continue
            for rounds in (1, 3):
                expected = order_matters(still, state, rounds)
                seen[expected] += 1
                assert refused(recheck_rounds.order_matters(asked, term, rounds)) == expected, (seed, state)
    assert min(seen[True], seen[False]) > 20, seen
