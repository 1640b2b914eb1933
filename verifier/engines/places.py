"""What one location allows, worked out once: for a search that keeps every location by itself.

The formulas of a system become Python functions of the location, a tuple that holds for each register
the number of its value. Comparisons of clocks stay open in it: they are asked of a zone.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator
from dataclasses import dataclass, field
from fractions import Fraction
from itertools import product
from operator import itemgetter

from verifier.engines.zones import AT_MOST_ZERO, NOTHING, Space, Zone
from verifier.semantics.formula import (
    NEVER,
    All,
    Any,
    AtLeast,
    Formula,
    In,
    No,
    Truth,
    atoms,
    map_atoms,
)
from verifier.semantics.system import SPENT, Rule, System, obliges, state_clock
from verifier.semantics.watch import TIME

Where = tuple[int, ...]
# A zone over the clocks of one place as one over those of the next, each carried on or 0.
Carry = Callable[[Zone], Zone]
# For each comparison that a place asks, whether it holds.
Outcomes = tuple[bool, ...]


# The clock of a test that comes out either way.
FORGOTTEN = 0


@dataclass(frozen=True)
class Test:
    """A comparison of the clock with that index in a zone, and the bounds that say it is ``met`` and
    that it is not. One of a clock that is ``FORGOTTEN`` has a number of its own instead of them."""

    clock: int
    met: int
    unmet: int


@dataclass(eq=False)
class Option:
    """A transition whose guard is true: ``target`` is the number of the state that ``machine``, a
    register, gets. It may be taken when ``starts`` are met."""

    machine: int
    target: int
    is_fault: bool
    starts: tuple[Test, ...]


@dataclass(frozen=True, eq=False)
class _Rule:
    """A rule of the system in numbers; ``binds`` says that its ends limit waiting."""

    machine: int
    target: int
    is_control: bool
    is_fault: bool
    binds: bool
    own_time: str
    starts: tuple[tuple[str, Fraction], ...]
    ends: tuple[tuple[str, Fraction], ...]
    is_free: Callable[[Where, tuple], bool]


@dataclass(eq=False)
class Place:
    """A location. ``floors`` and ``ceilings`` are those of ``Space.widen``; ``control`` and ``world``
    give for each machine that has some its options, ``limits`` the ends of each limit on waiting that is
    active (5.4). ``asked`` are the tests that decide whether control is at rest and what the watch
    absorbs; ``bad`` is what is left of the bad states here."""

    where: Where
    clocks: tuple[str, ...]
    space: Space
    floors: tuple[int, ...]
    ceilings: tuple[int, ...]
    control: dict[int, list[Option]] = field(default_factory=dict)
    world: dict[int, list[Option]] = field(default_factory=dict)
    limits: list[tuple[Test, ...]] = field(default_factory=list)
    asked: tuple[Test, ...] = ()
    bad: Formula = NEVER
    rounds: dict[Outcomes, list[tuple[Option, ...]]] = field(default_factory=dict)
    absorbed: dict[Outcomes, tuple[Place, Carry]] = field(default_factory=dict)
    carries: dict[tuple[Where, tuple[int, ...]], Carry] = field(default_factory=dict)

    def test(self, atom: AtLeast) -> Test | None:
        """None for a clock that does not count here."""
        if atom.clock not in self.clocks:
            return None
        units = 2 * self.space.units(atom.bound)
        met, unmet = (-units, units + 1) if atom.strict else (1 - units, units)
        return Test(self.clocks.index(atom.clock) + 1, met, unmet)

    def tests(self, bounds: Iterable[tuple[str, Fraction]]) -> tuple[Test, ...]:
        return tuple(self.test(AtLeast(clock, bound)) for clock, bound in bounds if clock in self.clocks)


class Places:
    """The places of ``system``, whose registers are those of the machines, of the faults spent and of
    the watch's bits, and no others. Comparisons of the clocks ``without`` which it is to do, none of them the
    watch's, come out either way: a timer may be due or not, a deadline forces nothing."""

    def __init__(self, system: System, without: Collection[str] = ()):
        self.system = system
        self.clocks = tuple(name for name in system.clocks if name not in without)
        self._forgotten: dict[tuple[str, Fraction], Test] = {}
        self.names = tuple(system.registers)
        self.number = {name: i for i, name in enumerate(self.names)}
        self._codes = {
            name: {value: i for i, value in enumerate(values)}
            for name, values in system.registers.items()
        }
        watch = system.watch
        self._bits = {} if watch is None else watch.bits
        self._restarts = NEVER if watch is None or watch.restart is None else watch.restart
        absorbing = [*self._bits.values(), self._restarts]
        self._watched = tuple(dict.fromkeys(_comparisons(absorbing)))
        bounds = [atom.bound for atom in _comparisons([system.bad, *absorbing])]
        own = [atom.bound for atom in _comparisons([system.bad, *absorbing]) if atom.clock == TIME]
        self._watch_bound = max(own, default=None)
        for rules in system.rules.values():
            bounds += [bound for rule in rules for _, bound in rule.starts + rule.ends]
        self._bounds = list(dict.fromkeys(bounds))
        self._spaces: dict[tuple[str, ...], Space] = {}
        self._places: dict[Where, Place] = {}
        self._read_by_bad = sorted({self.number[a.register] for a in atoms(system.bad) if isinstance(a, In)})
        self._bad: dict[tuple[int, ...], Formula] = {}
        self._compile()

    # -- reading the system

    def _compile(self) -> None:
        """Everything that depends on the location, as functions of it; translated in one go."""
        system, rules = self.system, [r for rules in self.system.rules.values() for r in rules]
        counts = system.clocks[TIME].matters if TIME in system.clocks else NEVER
        sources = [self._source(rule.free) for rule in rules]
        sources += [self._source(counts), self._source(system.bad)]
        sources += [self._source(f, True, "t") for f in (*self._bits.values(), self._restarts)]
        functions = iter(eval("[" + ", ".join(f"lambda w, t: {s}" for s in sources) + "]"))
        self._rules_from: dict[tuple[int, int], list[_Rule]] = {}
        for rule in rules:
            machine, source = rule.transition.machine, rule.transition.source
            key = self.number[machine], self._codes[machine][source]
            coded = self._coded(rule, next(functions))
            self._rules_from.setdefault(key, []).append(coded)
        self._counts, self._may_be_bad = next(functions), next(functions)
        self._values = {self.number[name]: next(functions) for name in self._bits}
        self._begins_again = next(functions)

    def _coded(self, rule: Rule, is_free: Callable) -> _Rule:
        t = rule.transition
        is_control = self.system.model.machine(t.machine).is_control
        return _Rule(
            self.number[t.machine],
            self._codes[t.machine][t.target],
            is_control,
            t.fault is not None,
            rule.is_timed if is_control else obliges(t),
            state_clock(t.machine),
            rule.starts,
            rule.ends,
            is_free,
        )

    def _source(self, formula: Formula, sign: bool = True, outcomes: str = "") -> str:
        """Python that says whether ``formula``, denied unless ``sign``, holds in the location ``w``;
        ``outcomes`` names those of the watch's comparisons. Others may come out either way."""
        if isinstance(formula, No):
            return self._source(formula.part, not sign, outcomes)
        if isinstance(formula, All | Any):
            word = " and " if isinstance(formula, All) is sign else " or "
            parts = (self._source(part, sign, outcomes) for part in formula.parts)
            return f"({word.join(parts)})"
        if isinstance(formula, In):
            codes = self._codes[formula.register]
            numbers = tuple(sorted(codes[value] for value in formula.values))
            word = "in" if sign else "not in"
            return f"(w[{self.number[formula.register]}] {word} {numbers})"
        if isinstance(formula, AtLeast):
            if not outcomes:
                return "True"
            return f"({outcomes}[{self._watched.index(formula)}] is {sign})"
        if isinstance(formula, Truth):
            return str(formula.value is sign)
        raise TypeError(f"no source for {type(formula).__name__}")

    # -- places

    def first(self) -> Where:
        return tuple(self._codes[name][self.system.initial[name]] for name in self.names)

    def location(self, where: Where) -> dict[str, str]:
        values = self.system.registers
        return {name: values[name][code] for name, code in zip(self.names, where, strict=True)}

    def at(self, where: Where) -> Place:
        found = self._places.get(where)
        if found is None:
            found = self._places[where] = self._new(where)
        return found

    def space_of(self, clocks: tuple[str, ...]) -> Space:
        """The space of zones over ``clocks``; all have the same unit."""
        space = self._spaces.get(clocks)
        if space is None:
            space = self._spaces[clocks] = Space(clocks, self._bounds)
        return space

    def _new(self, where: Where) -> Place:
        free: list[_Rule] = []
        # for each clock that counts the greatest number that some transition wants it to have reached,
        # and not to have passed
        reach: dict[str, list[Fraction | None]] = {}

        def needs(side: int, bounds: Iterable[tuple[str, Fraction]], only: str | None) -> None:
            for clock, bound in bounds:
                if only in (None, clock):
                    both = reach.setdefault(clock, [None, None])
                    both[side] = bound if both[side] is None else max(both[side], bound)

        for state in enumerate(where):
            for rule in self._rules_from.get(state, ()):
                only: str | None = rule.own_time
                if rule.is_free(where, ()):
                    free.append(rule)
                    only = None
                needs(0, rule.starts, only)
                needs(1, rule.ends, only)
                if rule.is_control:
                    needs(1, rule.starts, only)
        if self._watch_bound is not None and self._counts(where, ()):
            needs(0, [(TIME, self._watch_bound)], None)
            needs(1, [(TIME, self._watch_bound)], None)
        clocks = tuple(name for name in self.clocks if name in reach)
        space = self.space_of(clocks)
        floors, ceilings = (
            tuple(NOTHING if b is None else space.units(b) for b in (reach[c][i] for c in clocks))
            for i in (0, 1)
        )
        place = Place(where, clocks, space, (0, *floors), (0, *ceilings))
        self._fill(place, free)
        return place

    def _fill(self, place: Place, free: list[_Rule]) -> None:
        for rule in free:
            starts = place.tests(rule.starts)
            if rule.is_control:
                # the world need not do what it may, but here it makes a difference whether control must
                starts += self._either_way(rule.starts)
            option = Option(rule.machine, rule.target, rule.is_fault, starts)
            options = place.control if rule.is_control else place.world
            options.setdefault(rule.machine, []).append(option)
            if rule.binds and not self._either_way(rule.ends):
                place.limits.append(place.tests(rule.ends))
        asked = [t for options in place.control.values() for o in options for t in o.starts]
        if TIME in place.clocks:
            asked += [place.test(atom) for atom in self._watched]
        place.asked = tuple(dict.fromkeys(asked))
        if self._may_be_bad(place.where, ()):
            place.bad = self._bad_in(place.where)

    def _either_way(self, bounds: Iterable[tuple[str, Fraction]]) -> tuple[Test, ...]:
        """The comparisons of forgotten clocks among ``bounds``."""
        known = self._forgotten
        open_ = [b for b in bounds if b[0] not in self.clocks]
        return tuple(known.setdefault(b, Test(FORGOTTEN, len(known), len(known))) for b in open_)

    def _bad_in(self, where: Where) -> Formula:
        """What the bad states ask of the times there."""
        read = tuple(where[number] for number in self._read_by_bad)
        if read not in self._bad:
            here = self.location(where)
            self._bad[read] = map_atoms(
                self.system.bad, lambda a: Truth(here[a.register] in a.values) if isinstance(a, In) else a
            )
        return self._bad[read]

    # -- from place to place

    def settle(self, place: Place, outcomes: Outcomes) -> list[tuple[Option, ...]]:
        """What control may take together in a round (5.2); nothing when it is at rest."""
        found = place.rounds.get(outcomes)
        if found is None:
            met = {test for test, holds in zip(place.asked, outcomes, strict=True) if holds}
            ready = [[o for o in os if met.issuperset(o.starts)] for os in place.control.values()]
            found = (
                [] if not any(ready) else list(product(*(options for options in ready if options)))
            )
            place.rounds[outcomes] = found
        return found

    def absorb(self, place: Place, outcomes: Outcomes) -> tuple[Place, Carry]:
        """The place once the watch has taken in the settled state (8.1)."""
        found = place.absorbed.get(outcomes)
        if found is None:
            holds = dict(zip(place.asked, outcomes, strict=True))
            t = tuple(holds.get(place.test(atom), False) for atom in self._watched)
            where = list(place.where)
            for number, value in self._values.items():
                where[number] = int(value(place.where, t))
            after = self.at(tuple(where))
            zeroed = [TIME] if self._begins_again(place.where, t) else []
            found = place.absorbed[outcomes] = after, _carry(place, after, zeroed)
        return found

    def moved(self, where: Where, taken: Iterable[Option]) -> Where:
        after = list(where)
        for option in taken:
            after[option.machine] = option.target
            if option.is_fault:
                after[self.number[SPENT]] += 1
        return tuple(after)

    def carry(self, place: Place, after: Place, taken: Iterable[Option]) -> Carry:
        """How the clocks fare when ``taken`` leads from ``place`` to ``after`` (5.5)."""
        machines = tuple(option.machine for option in taken)
        found = place.carries.get((after.where, machines))
        if found is None:
            owners = {self.names[number] for number in machines}
            clocks = self.system.clocks
            zeroed = [c for c in after.clocks if clocks[c].owner in owners]
            found = place.carries[after.where, machines] = _carry(place, after, zeroed)
        return found


def _carry(place: Place, after: Place, zeroed: Iterable[str]) -> Carry:
    """A clock that did not count before begins at 0 (the guard of a ``held`` has become true)."""
    n = len(place.clocks) + 1
    begins = set(zeroed) | (set(after.clocks) - set(place.clocks))
    rows = [0, *(0 if c in begins else place.clocks.index(c) + 1 for c in after.clocks)]
    if len(rows) == 1:
        return lambda zone: (AT_MOST_ZERO,)
    return itemgetter(*(i * n + j for i in rows for j in rows))


def _comparisons(formulas: Iterable[Formula]) -> Iterator[AtLeast]:
    return (a for formula in formulas for a in atoms(formula) if isinstance(a, AtLeast))
