"""Peer: reachable locations with binary decision diagrams, the clocks forgotten.

A timer may go off at any moment and a deadline forces nothing, so a bad state out of reach is a
proof and one in reach says nothing. What is kept of times: a window that begins at 0 s is met at
once, and where a deadline of 0 s is due time cannot pass. The step is one relation for each
machine, conjoined one after another with the variables that no later one reads quantified on the
way. Machines that read one another stand close together (Aloul, Markov, Sakallah, "FORCE: a fast
and easy-to-implement variable-ordering heuristic", 2003), a bit beside its next value, and the
variables are sifted once when all relations are built: with eight tracks that is 1 s, against 40 s
in the order of the file. Of the ``dd`` library the CUDD manager is taken where the wheel has it,
else the one in Python.
"""

from __future__ import annotations

from collections.abc import Iterable
from fractions import Fraction

try:
    from dd import cudd as library
except ImportError:
    from dd import autoref as library

from tests.bench.watches import Seen, watch_of
from verifier.language.guard import And, Const, Guard, Is, Not, machines_read
from verifier.language.model import Machine, Model, Property, Transition


def is_safe(model: Model, prop: Property) -> bool:
    """True: no bad location can be reached, whatever the times. False says nothing."""
    return _Diagrams(model, prop).search()


def side_by_side(model: Model) -> list[Machine]:
    """The machines in an order in which each stands near those it reads."""
    nets = [
        sorted({m.name}.union(*(machines_read(t.when) for t in m.transitions)))
        for m in model.machines
    ]
    order = best = [m.name for m in model.machines]
    least = None
    for _ in range(50):
        at = {name: place for place, name in enumerate(order)}
        span = sum(max(at[n] for n in net) - min(at[n] for n in net) for net in nets)
        if least is None or span < least:
            least, best = span, order
        centres = [Fraction(sum(at[n] for n in net), len(net)) for net in nets]
        pull = {name: [c for c, net in zip(centres, nets) if name in net] for name in order}
        order = sorted(order, key=lambda name: Fraction(sum(pull[name]), len(pull[name])))
    return [model.machine(name) for name in best]


class _Diagrams:
    def __init__(self, model: Model, prop: Property):
        self.model, self.prop = model, prop
        self.watch = watch_of(prop.form, prop.bound)
        self.bdd = library.BDD()
        self.bdd.configure(reordering=False)
        self.rules = {m.name: [t for t in m.transitions if t.fault is None] for m in model.machines}
        self.bits: dict[str, list[str]] = {}
        for machine in side_by_side(model):
            count = (len(machine.states) - 1).bit_length()
            self._declare(machine.name, [f"{machine.name} {k}" for k in range(count)])
        for bit in self.watch.bits:
            self._declare(bit, [f"watch {bit}"])
        self.bdd.declare("test")
        self.free = {
            t: self._is(m.name, [t.source]) & self._guard(t.when)
            for m in model.machines
            for t in self.rules[m.name]
        }

    def _declare(self, name: str, bits: list[str]) -> None:
        self.bits[name] = bits
        for bit in bits:
            self.bdd.declare(bit, bit + "'")

    # -- one state

    def _all(self, parts: Iterable):
        found = self.bdd.true
        for part in parts:
            found &= part
        return found

    def _any(self, parts: Iterable):
        found = self.bdd.false
        for part in parts:
            found |= part
        return found

    def _is(self, name: str, states: Iterable[str], after: str = ""):
        known = self.model.machine(name).states
        return self._any(self._code(name, known.index(state), after) for state in states)

    def _code(self, name: str, code: int, after: str = ""):
        literals = (
            self.bdd.var(bit + after) if code >> k & 1 else ~self.bdd.var(bit + after)
            for k, bit in enumerate(self.bits[name])
        )
        return self._all(literals)

    def _guard(self, guard: Guard):
        if isinstance(guard, Const):
            return self.bdd.true if guard.value else self.bdd.false
        if isinstance(guard, Is):
            return self._is(guard.machine, sorted(guard.states))
        if isinstance(guard, Not):
            return ~self._guard(guard.part)
        parts = (self._guard(part) for part in guard.parts)
        return self._all(parts) if isinstance(guard, And) else self._any(parts)

    @staticmethod
    def _is_timed(t: Transition) -> bool:
        return any(w is not None and w.lo > 0 for w in (t.after, t.held))

    def _surely_enabled(self, machine: Machine):
        return self._any(self.free[t] for t in self.rules[machine.name] if not self._is_timed(t))

    def _unsettled(self):
        """A control transition is enabled whatever the times."""
        return self._any(self._surely_enabled(m) for m in self.model.machines if m.is_control)

    def _due_at_once(self):
        return self._any(
            self.free[t]
            for m in self.model.machines
            if not m.is_control
            for t in self.rules[m.name]
            if any(w is not None for w in (t.after, t.held))
            and all(w is None or w.hi == 0 for w in (t.after, t.held))
        )

    def _seen(self) -> Seen:
        p, q, r = (self._guard(g) for g in (self.prop.p, self.prop.q, self.prop.r))
        bits = {bit: self.bdd.var(f"watch {bit}") for bit in self.watch.bits}
        positive = self.prop.bound is None or self.prop.bound > 0
        return Seen(p, q, r, bits, self.bdd.var("test"), positive, lambda node: ~node)

    def _bad(self):
        bad = self.bdd.exist(["test"], self.watch.bad(self._seen())) & ~self._unsettled()
        return bad & ~self._due_at_once() if self.watch.lasting else bad

    # -- one step: for each machine that may change a relation, the others keep their bits

    def _move(self, t: Transition):
        return self.free[t] & self._is(t.machine, [t.target], "'")

    def _same(self, name: str):
        pairs = ((self.bdd.var(bit), self.bdd.var(bit + "'")) for bit in self.bits[name])
        return self._all(now.equiv(then) for now, then in pairs)

    def _settle_relations(self) -> dict[str, object]:
        found = {}
        for machine in self.model.machines:
            if machine.is_control:
                stays = self._same(machine.name) & ~self._surely_enabled(machine)
                moves = self._any(self._move(t) for t in self.rules[machine.name])
                found[machine.name] = stays | moves
        return found

    def _world_relations(self) -> dict[str, object]:
        found = {}
        for machine in self.model.machines:
            if not machine.is_control:
                moves = self._any(self._move(t) for t in self.rules[machine.name])
                found[machine.name] = self._same(machine.name) | moves
        new = self.watch.update(self._seen())
        for bit in self.watch.bits:
            after = self.bdd.var(f"watch {bit}'")
            found[bit] = self.bdd.exist(["test"], after.equiv(new[bit]))
        return found

    def _sift(self) -> None:
        if hasattr(self.bdd, "group"):
            self.bdd.group({bit: 2 for bits in self.bits.values() for bit in bits})
        library.reorder(self.bdd)

    def search(self) -> bool:
        """Breadth first, all states of a layer at once."""
        bad, unsettled = self._bad(), self._unsettled()
        settle = _Image(self, self._settle_relations())
        world = _Image(self, self._world_relations())
        self._sift()
        fresh = reached = self._all(self._code(name, 0) for name in self.bits)
        while fresh != self.bdd.false:
            if fresh & bad != self.bdd.false:
                return False
            after = settle.of(fresh) | world.of(fresh & ~unsettled)
            fresh = after & ~reached
            reached |= fresh
        return True


class _Image:
    """The states after one step, each machine's relation conjoined in turn."""

    def __init__(self, diagrams: _Diagrams, relations: dict[str, object]):
        self.bdd = diagrams.bdd
        changing = {bit for name in relations for bit in diagrams.bits[name]}
        reads = {name: self.bdd.support(node) & changing for name, node in relations.items()}
        self.schedule = []
        left = dict(reads)
        while left:
            # next the relation after which the most variables are done with, and that reads the fewest
            def gain(name: str) -> tuple[int, int]:
                others = set().union(*(r for n, r in left.items() if n != name))
                return len(left[name] - others), -len(left[name])

            name = max(left, key=gain)
            del left[name]
            later = set().union(*left.values())
            done = [b for b in reads[name] if b not in later]
            self.schedule.append((relations[name], done))
        for _, done in self.schedule:
            changing -= set(done)
        self.unread = list(changing)
        self.back = {bit + "'": bit for name in relations for bit in diagrams.bits[name]}

    def of(self, states):
        found = self.bdd.exist(self.unread, states) if self.unread else states
        for relation, done in self.schedule:
            found = _and_exists(self.bdd, found, relation, done)
        return self.bdd.let(self.back, found)


def _and_exists(bdd, left, right, variables: list[str]):
    if hasattr(library, "and_exists"):
        return library.and_exists(left, right, variables)
    return bdd.exist(variables, left & right)
