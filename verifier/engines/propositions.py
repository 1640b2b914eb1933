"""The wall around the SAT solver: formulas over one step in, yes or no out.

Each value of a register is a variable, and a further one for the next state; whatever speaks of times
or of what is taken is a free variable of its own. Other formulas get a variable that stands for them
(Tseitin, "On the complexity of derivation in propositional calculus", 1968).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from pysat.solvers import Solver

from verifier.semantics.formula import All, Any, Formula, In, No, Same, Truth

SOLVER = "minisat22"


class Propositions:
    """One incremental SAT solver, and the variables of one system's registers in it."""

    def __init__(self, registers: Mapping[str, Sequence[str]]):
        self.registers = registers
        self._solver = Solver(SOLVER)
        self._last = 0
        self._model: list[int] = []
        self.true = self.new()
        self.add([self.true])
        self._values: dict[tuple[str, bool], dict[str, int]] = {}
        self._formulas: dict[int, tuple[Formula, int]] = {}
        self._atoms: dict[Formula, int] = {}
        for name in registers:
            for next in (False, True):
                self._values[name, next] = self._declare(registers[name])

    def _declare(self, values: Sequence[str]) -> dict[str, int]:
        """Literals of which one is true, whatever the solver does."""
        if len(values) == 1:
            return {values[0]: self.true}
        if len(values) == 2:
            one = self.new()
            return {values[0]: -one, values[1]: one}
        found = {value: self.new() for value in values}
        literals = list(found.values())
        self.add(literals)
        for i, one in enumerate(literals):
            for other in literals[:i]:
                self.add([-one, -other])
        return found

    def new(self) -> int:
        self._last += 1
        return self._last

    def add(self, clause: Iterable[int]) -> None:
        self._solver.add_clause(list(clause))

    def forget(self, switch: int) -> None:
        """The clauses that hold only under ``switch`` are no longer needed."""
        self.add([-switch])

    # -- answers

    def ask(self, assumptions: Sequence[int]) -> bool:
        if self._solver.solve(assumptions=assumptions):
            self._model = self._solver.get_model()
            return True
        return False

    def core(self) -> list[int]:
        """After a no: those of the assumptions that were needed for it."""
        return self._solver.get_core() or []

    def is_true(self, literal: int) -> bool:
        """After a yes: whether ``literal`` is true in the state found."""
        index = abs(literal) - 1
        value = index < len(self._model) and self._model[index] > 0
        return value == (literal > 0)

    def location(self, next: bool = False) -> dict[str, str]:
        """After a yes: the present or next values of all registers."""
        return {
            name: next_value
            for name in self.registers
            for next_value, literal in self._values[name, next].items()
            if self.is_true(literal)
        }

    # -- translation

    def value(self, register: str, value: str, next: bool = False) -> int:
        return self._values[register, next][value]

    def literal(self, formula: Formula) -> int:
        """The literal that stands for ``formula``."""
        if isinstance(formula, All | Any | No):
            key = id(formula)
            if key not in self._formulas:
                self._formulas[key] = (formula, self._composed(formula))
            return self._formulas[key][1]
        if formula not in self._atoms:
            self._atoms[formula] = self._atom(formula)
        return self._atoms[formula]

    def _composed(self, formula: All | Any | No) -> int:
        if isinstance(formula, No):
            return -self.literal(formula.part)
        parts = [self.literal(part) for part in formula.parts]
        if isinstance(formula, Any):
            return self._one_of(parts)
        return -self._one_of([-part for part in parts])

    def _one_of(self, literals: Sequence[int]) -> int:
        if len(literals) == 1:
            return literals[0]
        found = self.new()
        self.add([-found, *literals])
        for literal in literals:
            self.add([found, -literal])
        return found

    def _atom(self, formula: Formula) -> int:
        if isinstance(formula, Truth):
            return self.true if formula.value else -self.true
        if isinstance(formula, In):
            literals = self._values[formula.register, formula.next]
            inside = [lit for value, lit in literals.items() if value in formula.values]
            outside = [lit for value, lit in literals.items() if value not in formula.values]
            if not inside or not outside:
                return self.true if inside else -self.true
            if len(outside) < len(inside):
                return -self._one_of(outside)
            return self._one_of(inside)
        if isinstance(formula, Same):
            before = self._values[formula.register, False]
            after = self._values[formula.register, True]
            found = self.new()
            for value, literal in before.items():
                self.add([-found, -literal, after[value]])
                self.add([found, -literal, -after[value]])
            return found
        return self.new()
