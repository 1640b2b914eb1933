"""Settle round and world step as diagrams, for one system and a few clocks kept exact.

A comparison of a tracked clock stays in the diagram as a test; tests of all other clocks come out
either way: the timer may be due or not, a deadline forces nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from verifier.engines.diagrams import Diagram, Diagrams, tests_of
from verifier.semantics.formula import (
    Formula,
    In,
    all_of,
    comparisons_with_sign,
)
from verifier.semantics.system import Part, System, state_clock
from verifier.semantics.watch import TIME


class RelationStore:
    """Relations of the systems of one model, those of the model itself built once for each set of
    tracked clocks."""

    def __init__(self, diagrams: Diagrams, base: System):
        self.d = diagrams
        self.base = base
        self._model: dict[tuple[str, ...], tuple[Diagram, Diagram]] = {}

    def of_model(self, tracked: tuple[str, ...]) -> tuple[Diagram, Diagram]:
        """Settle round and world step of the bare model."""
        if tracked not in self._model:
            base, settled = self.base, self.d.of(self.base.settled)
            self._model[tracked] = (
                self.conjoin(base.settle_parts, ~settled, frozenset(tracked)),
                self.conjoin(base.world_parts, settled, frozenset(tracked)),
            )
            if not tracked:
                self.d.reorder()
        return self._model[tracked]

    def conjoin(self, parts: Sequence[Part], first: Diagram, tracked: frozenset[str]) -> Diagram:
        """The conjunction of ``first`` and ``parts``. What a step takes, and the tests and updates of
        clocks not tracked, are forgotten as soon as no other part speaks of them."""
        d = self.d
        pieces = [first, *(d.of(part.formula) for part in parts)]
        needless = {name for name, atom in d.tests.items() if atom.clock not in tracked}
        needless |= {f"keep {clock}" for clock in [*self.base.clocks, TIME] if clock not in tracked}
        uses: dict[str, list[int]] = {}
        for number, piece in enumerate(pieces):
            for name in piece.support:
                if name in needless or name.startswith("take "):
                    uses.setdefault(name, []).append(number)
        found = d.true
        for number, piece in enumerate(pieces):
            # What only this piece speaks of goes before the conjunction, what no later one does with it.
            own = [name for name, used in uses.items() if used == [number]]
            last = [name for name, used in uses.items() if used[-1] == number != used[0]]
            found = d.and_exists(found, d.bdd.exist(own, piece), last)
        return found


@dataclass(frozen=True)
class Horizon:
    """Where a clock counts, and the greatest number that some guard there wants it to have reached
    (``floor``), or not to have passed (``ceiling``); None where none does. In seconds."""

    where: Diagram
    floor: Fraction | None
    ceiling: Fraction | None


def horizons(d: Diagrams, system: System, clock: str) -> list[Horizon]:
    """The places where ``clock`` counts, those with equal bounds together."""
    if clock == TIME:
        floor = ceiling = None
        formulas = [system.bad] + [p.formula for p in system.settle_parts + system.world_parts]
        for formula in formulas:
            for atom, positive in comparisons_with_sign(formula):
                if atom.clock == TIME and positive:
                    floor = _greater(floor, atom.bound)
                elif atom.clock == TIME:
                    ceiling = _greater(ceiling, atom.bound)
        where = d.without_tests(d.of(system.clocks[clock].matters))
        return [Horizon(where, floor, ceiling)]
    owner = system.clocks[clock].owner
    is_control = system.model.machine(owner).is_control
    bounds: dict[str, list] = {}
    for rule in system.rules[owner]:
        starts, ends = dict(rule.starts), dict(rule.ends)
        if clock not in starts and clock not in ends:
            continue
        own_state = clock == state_clock(owner)
        place = In(owner, frozenset({rule.transition.source})) if own_state else rule.free
        here = bounds.setdefault(rule.transition.source, [d.false, None, None])
        here[0] = here[0] | d.of(place)
        here[1] = _greater(here[1], starts.get(clock))
        here[2] = _greater(here[2], ends.get(clock))
        if is_control:
            here[2] = _greater(here[2], starts.get(clock))
    found: dict[tuple, Diagram] = {}
    for where, floor, ceiling in bounds.values():
        key = (floor, ceiling)
        found[key] = found.get(key, d.false) | where
    return [Horizon(where, floor, ceiling) for (floor, ceiling), where in found.items()]


def _greater(one: Fraction | None, other: Fraction | None) -> Fraction | None:
    if one is None or other is None:
        return other if one is None else one
    return max(one, other)


class Relations:
    """The relations of one system for one choice of tracked clocks."""

    def __init__(self, store: RelationStore, system: System, tracked: tuple[str, ...]):
        d = self.d = store.d
        self.tracked = tracked
        names = set(tracked)
        self.tests = {n: a for n, a in tests_of(system).items() if a.clock in names}
        clocks = tuple(c for c in tracked if c != TIME)
        self.settle, self.world = store.of_model(clocks)
        watching = len(store.base.settle_parts)
        settle, world = system.settle_parts[watching:], system.world_parts[watching:]
        if any(part.owner for part in settle):
            # the extra parts speak of what machines take, so the whole has to be built at once
            settled = d.of(system.settled)
            self.settle = self._whole(store, system.settle_parts, ~settled)
            self.world = self._whole(store, system.world_parts, settled)
        elif settle:
            self.settle = store.conjoin(settle, self.settle, frozenset(names))
            self.world = store.conjoin(world, self.world, frozenset(names))
        self.horizons = {clock: horizons(d, system, clock) for clock in tracked}
        self.asked_in = {name: self._asked_in(system, name) for name in self.tests}
        self.limits = [
            (d.of(limit.active), limit.ends)
            for limit in system.limits
            if all(clock in names for clock, _ in limit.ends)
        ]
        self.restart = None
        if TIME in names:
            assert system.watch is not None and system.watch.restart is not None
            self.restart = d.without_tests(d.of(system.watch.restart), but=self.tests)
        self.settled = d.without_tests(d.of(system.settled), but=self.tests)

    def _whole(self, store: RelationStore, parts: Sequence[Part], first: Diagram) -> Diagram:
        owners: dict[str, list[Formula]] = {}
        for part in parts:
            owners.setdefault(part.owner, []).append(part.formula)
        joined = [Part(owner, all_of(*formulas)) for owner, formulas in owners.items()]
        return store.conjoin(joined, first, frozenset(self.tracked))

    def _asked_in(self, system: System, test: str) -> Diagram:
        """The locations in which the outcome of a test can decide anything."""
        d, atom = self.d, self.tests[test]
        if atom.clock == TIME:
            return d.true
        found = d.false
        for rule in system.rules[system.clocks[atom.clock].owner]:
            if (atom.clock, atom.bound) in rule.starts + rule.ends:
                found = found | d.of(rule.free)
        return found

    def tests_of(self, delayed: bool) -> list[str]:
        return [name for name, atom in self.tests.items() if atom.delayed == delayed]
