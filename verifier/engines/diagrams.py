"""Binary decision diagrams of a system's formulas, with the clocks forgotten or left as tests.

Each register bit is a variable (and a primed one for the next state); each comparison of a clock with
a number is a variable too, "the test". A test of a clock that nobody tracks is quantified away: the
timer may be due or not, a deadline forces nothing. So every set computed here holds at least the
reachable states (Bryant, "Graph-based algorithms for Boolean function manipulation", 1986).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from dd import cudd

from verifier.engines.solver import width
from verifier.semantics.formula import (
    YES,
    All,
    Any,
    AtLeast,
    DelayIsZero,
    Formula,
    In,
    No,
    Same,
    Take,
    Truth,
    Update,
    any_of,
    atoms,
)
from verifier.semantics.system import System

Diagram = cudd.Function


def test_name(atom: AtLeast) -> str:
    sign = ">" if atom.strict else ">="
    return f"{atom.clock}{' late' if atom.delayed else ''} {sign} {atom.bound}"


class Diagrams:
    """Translation of one system's formulas; ``present`` and ``after`` list the state variables."""

    def __init__(self, system: System):
        self.system = system
        self.bdd = cudd.BDD()
        self.bdd.configure(reordering=False)
        self.present: list[str] = []
        self.bits: dict[str, list[str]] = {}
        order = []
        tests = self._tests()
        for register, values in system.registers.items():
            self.bits[register] = [f"{register}#{n}" for n in range(width(values))]
            for variable in self.bits[register]:
                self.present.append(variable)
                order += [variable, variable + "'"]
            for rule in system.rules.get(register, ()):
                order.append(f"take {register} {rule.transition.index}")
            for clock in system.clocks.values():
                if clock.owner == register:
                    order.append(f"keep {clock.name}")
                    order += [name for name, atom in tests.items() if atom.clock == clock.name]
        for clock in system.clocks.values():
            if clock.owner not in system.registers:
                order.append(f"keep {clock.name}")
                order += [name for name, atom in tests.items() if atom.clock == clock.name]
        self.tests = tests
        self.bdd.declare(*dict.fromkeys(order))
        self.after = [name + "'" for name in self.present]
        self._to_present = {name + "'": name for name in self.present}
        self._cache: dict[int, tuple[Formula, Diagram]] = {}
        self.true, self.false = self.bdd.true, self.bdd.false

    def _tests(self) -> dict[str, AtLeast]:
        system = self.system
        formulas = [system.settled, system.can_pass, system.bad]
        formulas += [part.formula for part in system.settle_parts + system.world_parts]
        found = {}
        for formula in formulas:
            for atom in atoms(formula):
                if isinstance(atom, AtLeast):
                    found[test_name(atom)] = atom
        return dict(sorted(found.items()))

    # -- translation

    def of(self, formula: Formula) -> Diagram:
        """The diagram of ``formula``; the delay is left open, updates become ``keep`` variables."""
        key = id(formula)
        if key not in self._cache:
            self._cache[key] = (formula, self._of(formula))
        return self._cache[key][1]

    def _of(self, formula: Formula) -> Diagram:
        bdd = self.bdd
        if isinstance(formula, All):
            found = bdd.true
            for part in formula.parts:
                found = found & self.of(part)
            return found
        if isinstance(formula, Any):
            found = bdd.false
            for part in formula.parts:
                found = found | self.of(part)
            return found
        if isinstance(formula, No):
            return ~self.of(formula.part)
        if isinstance(formula, In):
            return self.value(formula.register, formula.values, formula.next)
        if isinstance(formula, Same):
            found = bdd.true
            for name in self.bits[formula.register]:
                found = found & bdd.apply("equiv", bdd.var(name), bdd.var(name + "'"))
            return found
        if isinstance(formula, AtLeast):
            return bdd.var(test_name(formula))
        if isinstance(formula, Take):
            return bdd.var(f"take {formula.machine} {formula.transition}")
        if isinstance(formula, Update):
            keep = bdd.var(f"keep {formula.clock}")
            return keep if formula.how == "grows" else ~keep
        if isinstance(formula, DelayIsZero):
            return bdd.true
        if isinstance(formula, Truth):
            return bdd.true if formula.value else bdd.false
        raise TypeError(f"no diagram for {type(formula).__name__}")

    def value(self, register: str, values: frozenset[str], next: bool = False) -> Diagram:
        names = [bit + "'" if next else bit for bit in self.bits[register]]
        found = self.bdd.false
        for code, value in enumerate(self.system.registers[register]):
            if value in values:
                found = found | self.bdd.cube({b: bool(code >> i & 1) for i, b in enumerate(names)})
        return found

    def state(self, registers: Mapping[str, str], next: bool = False) -> Diagram:
        """The one location that ``registers`` gives."""
        cube: dict[str, bool] = {}
        for register, value in registers.items():
            code = self.system.registers[register].index(value)
            for i, bit in enumerate(self.bits[register]):
                cube[bit + "'" if next else bit] = bool(code >> i & 1)
        return self.bdd.cube(cube)

    def locations(self, registers: Iterable[str]) -> list[str]:
        return [bit for register in registers for bit in self.bits[register]]

    # -- sets of states

    def rename_to_present(self, states: Diagram) -> Diagram:
        return self.bdd.let(self._to_present, states)

    def without(self, variables: Iterable[str], states: Diagram) -> Diagram:
        return self.bdd.exist(variables, states)

    def without_tests(self, states: Diagram, but: Iterable[str] = ()) -> Diagram:
        """Tests that are not listed in ``but`` may come out either way."""
        return self.bdd.exist([name for name in self.tests if name not in set(but)], states)

    def pick(self, states: Diagram) -> dict[str, str] | None:
        """One location of a set over the present variables, always the same one."""
        if states == self.false:
            return None
        bits = self.bdd.pick(states, care_vars=self.present)
        found = {}
        for register, values in self.system.registers.items():
            code = sum(1 << i for i, bit in enumerate(self.bits[register]) if bits[bit])
            found[register] = values[code]
        return found

    def as_formula(self, states: Diagram) -> Formula:
        """The set as a formula that shares equal parts (a directed graph, not a tree)."""
        cache: dict[int, Formula] = {}
        literal = self._bit_formulas()
        return self._as_formula(states, cache, literal)

    def _bit_formulas(self) -> dict[str, tuple[Formula, Formula]]:
        found = {}
        for register, values in self.system.registers.items():
            for i, bit in enumerate(self.bits[register]):
                on = frozenset(v for code, v in enumerate(values) if code >> i & 1)
                off = frozenset(values) - on
                found[bit] = (In(register, on), In(register, off))
        return found

    def _as_formula(self, states, cache, literal) -> Formula:
        if states == self.true:
            return YES
        if states == self.false:
            return Truth(False)
        key = int(states)
        if key in cache:
            return cache[key]
        # int(f) tells a node from its complement, so complemented edges need no special care
        high, low = states.high, states.low
        if states.negated:
            high, low = ~high, ~low
        one, zero = literal[states.var]
        on = self._as_formula(high, cache, literal)
        off = self._as_formula(low, cache, literal)
        found = any_of(_both(one, on), _both(zero, off))
        cache[key] = found
        return found


def _both(left: Formula, right: Formula) -> Formula:
    """A conjunction that keeps ``right`` whole, so that shared parts stay shared."""
    if right == Truth(False):
        return right
    return left if right == YES else All((left, right))
