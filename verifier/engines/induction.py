"""Clock-free reachability by incremental induction in a SAT solver, for where CUDD is missing.

Nothing is explored: from a bad state it is asked which states lead there in one step, and each group
of states that no known state leads to is denied by a clause; when the clauses of one depth and the
next are the same, they hold for ever (Bradley, "SAT-based model checking without unrolling", 2011; one
solver for all depths and clauses carried on as in Een, Mishchenko, Brayton, "Efficient implementation
of property directed reachability", 2011). No group waits for a greater depth than the one at work, so
the first way to a bad state is one of the fewest steps.

Clocks are forgotten: whatever the step says of times is a free variable, so each real step is among
those of the SAT solver. An invariant found here is only an offer to ``lemmas``, a way only one to ``paths``.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from verifier.engines.diagrams import Diagrams
from verifier.engines.explore import Hit
from verifier.engines.limits import Allowance
from verifier.engines.propositions import Propositions
from verifier.semantics.formula import All, Any, Formula, In, No, Same, Truth, all_of, atoms, negate
from verifier.semantics.system import System

# A group of states: each register named has one of its values, the others have any.
Cube = dict[str, frozenset[str]]


@dataclass(frozen=True)
class Denials:
    """Groups of states none of which is reachable; no step leads into them. They serve ``lemmas`` as
    a closed exploration does."""

    cubes: tuple[Cube, ...]

    def is_of(self, base: System) -> bool:
        return all(name in base.registers for cube in self.cubes for name in cube)

    def reason(
        self, diagrams: Diagrams, location: Mapping[str, str], times: object
    ) -> Formula | None:
        """The shortest denial that excludes ``location``."""
        fitting = [cube for cube in self.cubes if _holds(cube, location)]
        return negate(_formula(min(fitting, key=len))) if fitting else None


def search(
    system: System, bad: Formula, allowance: Allowance, facts: Iterable[Formula] = ()
) -> Denials | Hit:
    """Denials that exclude ``bad``, or a way of the fewest steps to it with all clocks forgotten.

    ``facts`` are formulas without clocks that hold in every reachable state.
    """
    return _Induction(system, bad, allowance, facts).run()


class _Induction:
    """``groups[i]`` are the cubes that no run of up to i steps reaches but some longer one may."""

    def __init__(
        self, system: System, bad: Formula, allowance: Allowance, facts: Iterable[Formula]
    ):
        self.system, self.bad, self.allowance = system, bad, allowance
        p = self.p = Propositions(system.registers)
        self.parts = {
            "settle": [negate(system.settled), *(part.formula for part in system.settle_parts)],
            "world": [system.settled, *(part.formula for part in system.world_parts)],
        }
        self.keepable = {
            kind: {a.register for part in parts for a in atoms(part) if isinstance(a, Same)}
            for kind, parts in self.parts.items()
        }
        self.step, self.wrong, first = p.new(), p.literal(bad), p.new()
        settled = p.literal(system.settled)
        for kind, sign in (("settle", settled), ("world", -settled)):
            for part in self.parts[kind][1:]:
                p.add([-self.step, sign, p.literal(part)])
        for fact in facts:
            p.add([p.literal(fact)])
        for name, value in system.initial.items():
            p.add([-first, p.value(name, value)])
        self.levels = [first]
        self.groups: list[list[Cube]] = [[]]

    def run(self) -> Denials | Hit:
        p = self.p
        if p.ask([*self._known(0), self.wrong]):
            return Hit((dict(self.system.initial),), ())
        while True:
            self.levels.append(p.new())
            self.groups.append([])
            depth = len(self.levels) - 1
            while p.ask([*self._known(depth), self.wrong]):
                self.allowance.check()
                cube = Explanation(self.system, p, None).of(self.bad)
                way = self._deny(cube, depth)
                if way is not None:
                    return self._along(way)
            found = self._carry_on()
            if found is not None:
                return found

    # -- depths

    def _known(self, depth: int) -> list[int]:
        """To assume: a state is among those not denied at ``depth``."""
        return self.levels[depth:] if depth else self.levels

    def _deny(self, cube: Cube, depth: int) -> list[Cube] | None:
        """Deny ``cube`` at ``depth``; or the groups on a way into it, the first one left out."""
        todo = [(cube, depth)]
        while todo:
            self.allowance.check()
            cube, depth = todo[-1]
            if _holds(cube, self.system.initial):
                return [group for group, _ in reversed(todo[:-1])]
            before = self._kept_out(cube, depth)
            if before is None:
                kind = "world" if self.p.is_true(self.p.literal(self.system.settled)) else "settle"
                explain = Explanation(self.system, self.p, self.keepable[kind])
                todo.append((explain.of(all_of(*self.parts[kind]), cube), depth - 1))
                continue
            cube = self._larger(before, depth)
            while depth < len(self.levels) - 1 and self._kept_out(cube, depth + 1) is not None:
                depth += 1
            self._add(cube, depth)
            todo.pop()
        return None

    def _kept_out(self, cube: Cube, depth: int, without_it: bool = True) -> Cube | None:
        """A group around ``cube`` that no step from outside it, from states known at ``depth - 1``,
        leads into; None where one leads into ``cube``."""
        p = self.p
        after = {p.literal(In(name, values, next=True)): name for name, values in cube.items()}
        assume = [*self._known(depth - 1), self.step, *after]
        if without_it:
            outside = p.new()
            p.add([-outside, *self._denial(cube)])
            assume.append(outside)
        reached = p.ask(assume)
        if without_it:
            p.forget(outside)
        if reached:
            return None
        core = {after[literal] for literal in p.core() if literal in after}
        return self._apart(cube, core)

    def _apart(self, cube: Cube, names: set[str]) -> Cube:
        """``cube`` with the registers ``names`` alone, and one more where the initial state needs it."""
        found = {name: values for name, values in cube.items() if name in names}
        if _holds(found, self.system.initial):
            name = next(n for n, values in cube.items() if self.system.initial[n] not in values)
            found[name] = cube[name]
        return found

    def _larger(self, cube: Cube, depth: int) -> Cube:
        """``cube`` with as few registers and as many values as one by one can be."""
        for name in list(cube):
            if name in cube:
                cube = self._try({n: v for n, v in cube.items() if n != name}, depth) or cube
        for name in list(cube):
            values = self.system.registers[name]
            for value in values:
                if name in cube and value not in cube[name] and len(cube[name]) + 1 < len(values):
                    cube = self._try({**cube, name: cube[name] | {value}}, depth) or cube
        return cube

    def _try(self, cube: Cube, depth: int) -> Cube | None:
        return None if _holds(cube, self.system.initial) else self._kept_out(cube, depth)

    def _add(self, cube: Cube, depth: int) -> None:
        for groups in self.groups[: depth + 1]:
            groups[:] = [old for old in groups if not _covers(cube, old)]
        self.groups[depth].append(cube)
        self.p.add([-self.levels[depth], *self._denial(cube)])

    def _denial(self, cube: Cube) -> Iterator[int]:
        return (-self.p.literal(In(name, values)) for name, values in cube.items())

    def _carry_on(self) -> Denials | None:
        """Carry denials on to the next depth where they hold there too; those of a depth at which none
        is left behind hold for ever."""
        for depth in range(1, len(self.levels)):
            for cube in list(self.groups[depth]):
                if cube in self.groups[depth] and depth + 1 < len(self.levels):
                    larger = self._kept_out(cube, depth + 1, without_it=False)
                    if larger is not None:
                        self._add(larger, depth + 1)
            if depth + 1 < len(self.levels) and not self.groups[depth]:
                rest = [cube for groups in self.groups[depth + 1 :] for cube in groups]
                return Denials(tuple(rest))
        return None

    def _along(self, groups: Sequence[Cube]) -> Hit:
        """A way from the initial state through ``groups``, the last of which is bad."""
        p = self.p
        path, kinds = [dict(self.system.initial)], []
        for cube in groups:
            here = [p.value(name, value) for name, value in path[-1].items()]
            there = [p.literal(In(name, values, next=True)) for name, values in cube.items()]
            is_there = p.ask([self.step, *here, *there])
            assert is_there, "a group of states that does not lead into the next"
            kinds.append("world" if p.is_true(p.literal(self.system.settled)) else "settle")
            path.append(p.location(next=True))
        return Hit(tuple(path), tuple(kinds))


class Explanation:
    """Why a formula has its value in the SAT solver's last answer: registers of the present state that
    are enough for it, whatever the others.

    With ``keepable``, the formula is a step; registers that it leaves as they were and that are in
    ``keepable`` may then have any value before, and keep it.
    """

    def __init__(self, system: System, p: Propositions, keepable: set[str] | None):
        self.registers = system.registers
        self.p = p
        self.now = p.location()
        self.then = self.now if keepable is None else p.location(next=True)
        self.kept = {name for name in keepable or () if self.now[name] == self.then[name]}
        self.seen: dict[int, tuple[bool, Cube]] = {}

    def of(self, formula: Formula, target: Mapping[str, frozenset[str]] | None = None) -> Cube:
        """Present states in which ``formula`` is true; as a step, one into ``target``."""
        value, found = self._why(formula)
        assert value, "an explanation of what is false"
        held = {name: values for name, values in (target or {}).items() if name in self.kept}
        both = _both([found, held])
        return {name: both[name] for name in self.registers if name in both}

    def _why(self, formula: Formula) -> tuple[bool, Cube]:
        key = id(formula)
        if key not in self.seen:
            self.seen[key] = self._new_why(formula)
        return self.seen[key]

    def _new_why(self, formula: Formula) -> tuple[bool, Cube]:
        if isinstance(formula, All | Any):
            found = [self._why(part) for part in formula.parts]
            decisive = isinstance(formula, Any)
            enough = [cube for value, cube in found if value is decisive]
            if enough:
                return decisive, min(enough, key=len)
            return not decisive, _both(cube for _, cube in found)
        if isinstance(formula, No):
            value, cube = self._why(formula.part)
            return not value, cube
        if isinstance(formula, In):
            where = self.then if formula.next else self.now
            value = where[formula.register] in formula.values
            if formula.next and formula.register not in self.kept:
                return value, {}
            others = frozenset(self.registers[formula.register]) - formula.values
            return value, {formula.register: formula.values if value else others}
        if isinstance(formula, Same):
            name = formula.register
            value = self.now[name] == self.then[name]
            return value, {} if name in self.kept else {name: frozenset({self.now[name]})}
        if isinstance(formula, Truth):
            return formula.value, {}
        return self.p.is_true(self.p.literal(formula)), {}


def _both(cubes: Iterable[Cube]) -> Cube:
    found: Cube = {}
    for cube in cubes:
        for name, values in cube.items():
            found[name] = found[name] & values if name in found else values
    return found


def _holds(cube: Cube, location: Mapping[str, str]) -> bool:
    return all(location[name] in values for name, values in cube.items())


def _covers(larger: Cube, cube: Cube) -> bool:
    return all(name in cube and cube[name] <= values for name, values in larger.items())


def _formula(cube: Cube) -> Formula:
    return all_of(*(In(name, values) for name, values in cube.items()))
