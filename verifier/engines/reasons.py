"""Why an exploration excludes a state, as a small formula.

A state that an exploration does not hold is cut down to the few machines and clocks for which that is
so; the denial of what is left is true in every state the exploration reached. (Generalisation as in
Bradley, "SAT-based model checking without unrolling", 2011, with the explorations as oracle.)
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction

from verifier.engines.diagrams import Diagram, Diagrams
from verifier.engines.explore import Exploration
from verifier.engines.zones import AT_MOST_ZERO, INFINITE, Space, Zone
from verifier.semantics.formula import YES, Apart, AtLeast, Formula, In, all_of, any_of, negate
from verifier.semantics.system import System
from verifier.semantics.watch import TIME


@dataclass(frozen=True)
class Source:
    """A closed exploration: every reachable state lies in it. ``registers`` are those it knows."""

    exploration: Exploration
    registers: tuple[str, ...]

    def is_of(self, base: System) -> bool:
        """Whether it is about the bare model, without any watch."""
        known = all(name in base.registers for name in self.registers)
        return known and TIME not in self.exploration.tracked

    def reason(
        self, diagrams: Diagrams, location: Mapping[str, str], times: Mapping[str, Fraction]
    ) -> Formula | None:
        """A formula true in every state of the exploration and false in the given one; None if the
        exploration holds that state."""
        return Reason(diagrams, self, location, times).formula()


class Reason:
    """Why one exploration excludes one state, cut down to what is needed."""

    def __init__(
        self,
        diagrams: Diagrams,
        source: Source,
        location: Mapping[str, str],
        times: Mapping[str, Fraction],
    ):
        self.d = diagrams
        self.space = source.exploration.space
        self.sets = list(source.exploration.sets.items())
        self.gaps = self.space.gaps(times)
        # the locations in which the exploration allows these times
        self.allowed = self._any(s for z, s in self.sets if self.space.holds(z, self.gaps, self.space.names))
        self.values = {name: frozenset({location[name]}) for name in source.registers}

    def formula(self) -> Formula | None:
        """A formula true in every state of the exploration and false in the given one."""
        if self.allowed & self._here(self.values, self.values) != self.d.false:
            return None
        registers, inside, clocks = self._fewer()
        if not inside:
            return negate(self._cube(registers, self._wider(registers)))
        hull = inside[0][0]
        for zone, _ in inside[1:]:
            hull = self.space.hull(hull, zone)
        broken = self.space.broken(hull, self.gaps, clocks)
        if broken is None:
            bounds = any_of(*(zone_formula(self.space, z, clocks) for z, _ in inside))
            return any_of(negate(self._cube(registers, self.values)), bounds)
        values = self._wider(registers, broken)
        return any_of(negate(self._cube(registers, values)), bound_formula(self.space, *broken))

    def _any(self, sets: Iterable[Diagram]) -> Diagram:
        found = self.d.false
        for some in sets:
            found = found | some
        return found

    def _here(self, registers: Iterable[str], values: Mapping[str, frozenset[str]]) -> Diagram:
        """The locations in which each of ``registers`` has one of its ``values``."""
        found = self.d.true
        for name in registers:
            found = found & self.d.value(name, values[name])
        return found

    def _fewer(self) -> tuple[list[str], list[tuple[Zone, Diagram]], Sequence[str]]:
        """Leave out machines, then clocks, as long as the state stays excluded: what remains of both, and the
        zones met there."""
        names = list(self.values)
        later = [self.d.true]  # where each of the last 0, 1, 2, ... registers is as given
        for name in reversed(names):
            later.append(later[-1] & self.d.value(name, self.values[name]))
        registers: list[str] = []
        here = self.d.true
        for name in names:
            later.pop()
            if self.allowed & here & later[-1] != self.d.false:
                registers.append(name)
                here = here & self.d.value(name, self.values[name])
        inside = [(z, s) for z, s in self.sets if s & here != self.d.false]
        clocks = self.space.names
        for clock in list(clocks) if inside else []:
            rest = [c for c in clocks if c != clock]
            if not any(self.space.holds(zone, self.gaps, rest) for zone, _ in inside):
                clocks = rest
        return registers, inside, clocks

    def _wider(self, registers: Sequence[str], broken=None) -> dict[str, frozenset[str]]:
        """More states of the machines for which the same reason holds."""
        values = {name: self.values[name] for name in registers}
        against = self._any(s for z, s in self.sets if broken is None or not self._respects(z, broken))
        for name in registers:
            others = against & self._here((other for other in registers if other != name), values)
            for value in self.d.registers[name]:
                if others & self.d.value(name, frozenset({value})) == self.d.false:
                    values[name] = values[name] | {value}
        return values

    def _respects(self, zone: Zone, broken: tuple[int, int, int]) -> bool:
        i, j, bound = broken
        return zone[i * self.space.size + j] <= bound

    def _cube(self, registers: Sequence[str], values: Mapping[str, frozenset[str]]) -> Formula:
        """Every register has one of its values, leaving out those that may have any."""
        return all_of(
            *(
                In(name, values[name])
                for name in registers
                if len(values[name]) < len(self.d.registers[name])
            )
        )


def bound_formula(space: Space, i: int, j: int, bound: int) -> Formula:
    seconds, strict = space.seconds(bound)
    if i == 0:
        return AtLeast(space.names[j - 1], -seconds, strict)
    if j == 0:
        return negate(AtLeast(space.names[i - 1], seconds, not strict))
    return Apart(space.names[i - 1], space.names[j - 1], seconds, strict)


def zone_formula(space: Space, zone: Zone, clocks: Sequence[str]) -> Formula:
    """The bounds of ``zone`` among ``clocks`` and 0 that do not follow from the others."""
    n = space.size
    some = [0] + [space.index[clock] for clock in clocks]
    parts = []
    for i in some:
        for j in some:
            bound = zone[i * n + j]
            if i == j or bound >= INFINITE or (i == 0 and bound == AT_MOST_ZERO):
                continue
            through = (k for k in some if k not in (i, j))
            if any(_follows(zone, n, i, k, j, bound) for k in through):
                continue
            parts.append(bound_formula(space, i, j, bound))
    return all_of(*parts) if parts else YES


def _follows(zone: Zone, n: int, i: int, k: int, j: int, bound: int) -> bool:
    """Whether two strictly simpler bounds give this one (equal cycles are left alone)."""
    first, second = zone[i * n + k], zone[k * n + j]
    if first >= INFINITE or second >= INFINITE:
        return False
    if zone[i * n + k] + zone[k * n + i] <= 2 or zone[k * n + j] + zone[j * n + k] <= 2:
        return False
    return first + second - ((first & 1) | (second & 1)) <= bound
