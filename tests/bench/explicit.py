"""The steps of ``specs/semantics.md`` section 5 for peers that keep locations one by one.

Used by the breadth-first search and by the zones. What they get here is meant to be quick in plain
Python, so that neither is slowed for want of care: guards compiled to Python source, everything
that depends on the location alone worked out once per location, a clock kept only where some window
or the watch still tests it. Imports only the checked model.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from fractions import Fraction
from typing import NamedTuple

from tests.bench.units import largest_unit
from tests.bench.watches import Seen, watch_of
from verifier.language.guard import And, Const, Guard, Is, Not, Or
from verifier.language.model import Model, Property, Transition, Window

WATCH = ("watch", 0)
NOTHING = -1


class Location(NamedTuple):
    """The state of each machine, by number, and the bits of the watch."""

    where: tuple[int, ...]
    bits: tuple[bool, ...]


@dataclass(frozen=True, eq=False)
class Rule:
    """A transition. ``starts`` and ``ends`` are the clocks of its windows with the bounds above 0,
    in seconds; ``binds`` says that its ends forbid time to pass on (5.4)."""

    number: int
    machine: int
    source: int
    target: int
    is_control: bool
    starts: tuple[tuple[tuple, Fraction], ...]
    ends: tuple[tuple[tuple, Fraction], ...]
    binds: bool


@dataclass(eq=False)
class Place:
    """What one location allows. Tests are pairs (index in ``clocks``, units). ``control`` and
    ``world`` give for each machine that has some the rules with a true guard and their starts;
    ``limits`` the ends of each binding one; ``due`` the ends of each obliging one. ``floors`` and
    ``ceilings`` give for each clock the greatest number that a test wants it to have reached, and
    not to have passed."""

    location: Location
    clocks: tuple[tuple, ...]
    floors: tuple[int, ...]
    ceilings: tuple[int, ...]
    control: list[list[tuple[Rule, tuple]]]
    world: list[list[tuple[Rule, tuple]]]
    limits: list[tuple]
    due: list[tuple]
    watch_index: int | None
    moves: dict[tuple[int, ...], tuple[Place, tuple[int, ...]]] = field(default_factory=dict)
    absorbed: dict[bool, tuple[Place, tuple[int, ...]]] = field(default_factory=dict)
    verdicts: dict[bool, bool] = field(default_factory=dict)


class Explicit:
    """A model and one property, its times counted in a unit that makes them whole, cut in
    ``grain``."""

    def __init__(self, model: Model, prop: Property, grain: int = 1):
        self.model, self.prop = model, prop
        self.watch = watch_of(prop.form, prop.bound)
        self.machines = model.machines
        self.number = {m.name: i for i, m in enumerate(model.machines)}
        self.state_number = {m.name: {s: k for k, s in enumerate(m.states)} for m in model.machines}
        self.grains = grain / largest_unit(model, prop)  # in a second
        self.bound = None if prop.bound is None else self.units(prop.bound)
        self._rules_at: dict[tuple[int, int], list[tuple[Rule, object]]] = {}
        self._owner: dict[tuple, int] = {}
        self._number_rules()
        self.p, self.q, self.r = (self._compiled(g) for g in (prop.p, prop.q, prop.r))
        self._places: dict[Location, Place] = {}

    def units(self, seconds: Fraction) -> int:
        scaled = seconds * self.grains
        assert scaled.denominator == 1
        return scaled.numerator

    # -- reading the model

    def _number_rules(self) -> None:
        count = 0
        for i, machine in enumerate(self.machines):
            for t in machine.transitions:
                if t.fault is not None:
                    continue
                rule = self._rule(t, i, count, machine.is_control)
                guard = self._compiled(t.when)
                self._owner[("state", i)] = self._owner[("held", count)] = i
                self._rules_at.setdefault((i, rule.source), []).append((rule, guard))
                count += 1

    def _rule(self, t: Transition, i: int, number: int, is_control: bool) -> Rule:
        windows = [(("state", i), t.after), (("held", number), t.held)]
        windows = [(clock, window) for clock, window in windows if window is not None]
        all_end = all(window.hi is not None for _, window in windows)
        binds = bool(windows) and (is_control or all_end)
        starts = tuple((clock, w.lo) for clock, w in windows if w.lo > 0)
        ends = tuple((clock, self._end(w)) for clock, w in windows if binds and self._end(w) > 0)
        states = self.state_number[t.machine]
        source, target = states[t.source], states[t.target]
        return Rule(number, i, source, target, is_control, starts, ends, binds)

    @staticmethod
    def _end(window: Window) -> Fraction:
        return window.lo if window.hi is None else window.hi

    def _compiled(self, guard: Guard):
        return eval("lambda w: " + self._source(guard))

    def _source(self, guard: Guard) -> str:
        if isinstance(guard, Const):
            return str(guard.value)
        if isinstance(guard, Is):
            states = sorted(self.state_number[guard.machine][s] for s in guard.states)
            cell = f"w[{self.number[guard.machine]}]"
            return "(" + " or ".join(f"{cell} == {s}" for s in states) + ")" if states else "False"
        if isinstance(guard, Not):
            return f"(not {self._source(guard.part)})"
        assert isinstance(guard, And | Or)
        word, empty = (" and ", "True") if isinstance(guard, And) else (" or ", "False")
        return "(" + (word.join(self._source(part) for part in guard.parts) or empty) + ")"

    # -- locations

    def initial(self) -> Place:
        return self.place(Location((0,) * len(self.machines), (False,) * len(self.watch.bits)))

    def place(self, location: Location) -> Place:
        found = self._places.get(location)
        if found is None:
            found = self._places[location] = self._new_place(location)
        return found

    def _new_place(self, location: Location) -> Place:
        where = location.where
        free, floors, ceilings = [], {}, {}

        def needs(clock, bounds: dict, number: int) -> None:
            floors.setdefault(clock, NOTHING)
            ceilings.setdefault(clock, NOTHING)
            bounds[clock] = max(bounds[clock], number)

        for i, state in enumerate(where):
            for rule, guard in self._rules_at.get((i, state), ()):
                is_free = guard(where)
                if is_free:
                    free.append(rule)
                for clock, lo in rule.starts:
                    if is_free or clock[0] == "state":
                        needs(clock, floors, self.units(lo))
                        if rule.is_control:
                            needs(clock, ceilings, self.units(lo))
                for clock, hi in rule.ends:
                    if is_free or clock[0] == "state":
                        needs(clock, ceilings, self.units(hi))
        if self._watch_counts(location):
            needs(WATCH, floors, self.bound)
            needs(WATCH, ceilings, self.bound)
        clocks = tuple(sorted(floors))
        index = {clock: k for k, clock in enumerate(clocks)}

        def tests(pairs) -> tuple:
            return tuple((index[clock], self.units(bound)) for clock, bound in pairs)

        groups: dict[bool, dict[int, list]] = {True: {}, False: {}}
        for rule in free:
            groups[rule.is_control].setdefault(rule.machine, []).append((rule, tests(rule.starts)))
        obliging = [rule for rule in free if rule.binds and not rule.is_control]
        timed_control = [rule for rule in free if rule.is_control and rule.starts]
        return Place(
            location,
            clocks,
            tuple(floors[c] for c in clocks),
            tuple(ceilings[c] for c in clocks),
            list(groups[True].values()),
            list(groups[False].values()),
            [tests(rule.ends) for rule in timed_control + obliging],
            [tests(rule.ends) for rule in obliging],
            index.get(WATCH),
        )

    def _watch_counts(self, location: Location) -> bool:
        if not self.watch.has_clock:
            return False
        bit = self.watch.needed_while
        return not bit or location.bits[self.watch.bits.index(bit)]

    # -- from location to location

    def move(self, place: Place, taken: tuple[Rule, ...]) -> tuple[Place, tuple[int, ...]]:
        """The place after ``taken``, and for each of its clocks the index it had, -1 when it is
        0."""
        key = tuple(rule.number for rule in taken)
        found = place.moves.get(key)
        if found is None:
            where = list(place.location.where)
            for rule in taken:
                where[rule.machine] = rule.target
            after = self.place(Location(tuple(where), place.location.bits))
            moved = {rule.machine for rule in taken}
            found = place.moves[key] = after, self._carried(place, after, moved)
        return found

    def _carried(self, place: Place, after: Place, moved: set[int]) -> tuple[int, ...]:
        index = {clock: k for k, clock in enumerate(place.clocks)}
        return tuple(
            -1 if self._owner.get(clock) in moved else index.get(clock, -1)
            for clock in after.clocks
        )

    def absorb(self, place: Place, test: bool) -> tuple[Place, tuple[int, ...]]:
        """The place once the watch has taken in the settled state; clocks as in ``move``."""
        found = place.absorbed.get(test)
        if found is None:
            seen = self._seen(place.location, test)
            new = self.watch.update(seen)
            bits = tuple(bool(new[bit]) for bit in self.watch.bits)
            after = self.place(Location(place.location.where, bits))
            index = {clock: k for k, clock in enumerate(place.clocks)}
            if self.watch.restart is not None and self.watch.restart(seen):
                index.pop(WATCH, None)
            found = after, tuple(index.get(clock, -1) for clock in after.clocks)
            place.absorbed[test] = found
        return found

    def is_bad(self, place: Place, test: bool) -> bool:
        """Whether a settled state here is bad by its location; ``lasting`` is the caller's to
        ask."""
        if test not in place.verdicts:
            place.verdicts[test] = bool(self.watch.bad(self._seen(place.location, test)))
        return place.verdicts[test]

    def _seen(self, location: Location, test: bool) -> Seen:
        w = location.where
        bits = dict(zip(self.watch.bits, location.bits, strict=True))
        positive = self.bound is None or self.bound > 0
        return Seen(self.p(w), self.q(w), self.r(w), bits, test, positive)
