"""Binary decision diagrams of a system's formulas, with the clocks forgotten or left as tests.

Each register bit is a variable (and a primed one for the next state); each comparison of a clock with
a number is a variable too, "the test". A test of a clock that nobody tracks is quantified away: the
timer may be due or not, a deadline forces nothing. So every set computed here holds at least the
reachable states (Bryant, "Graph-based algorithms for Boolean function manipulation", 1986).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

try:
    from dd import cudd as bdds
except ImportError:  # a wheel of dd without CUDD: the same sets in plain Python, many times slower
    from dd import autoref as bdds

from verifier.engines.ordering import side_by_side
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
    all_of,
    any_of,
    atoms,
)
from verifier.semantics.system import BITS, System
from verifier.semantics.watch import OPEN, P_BEFORE, Q_BEFORE, TIME

Diagram = bdds.Function

# From how many nodes on the variables are sifted. Twelve tracks have fewer in good order.
LARGE = 100_000


def _manager() -> bdds.BDD:
    manager = bdds.BDD()
    if hasattr(manager, "_bdd"):
        # The plain one complains, when Python ends, of sets that were in use until then.
        manager._bdd.__class__ = type("Manager", (type(manager._bdd),), {"__del__": lambda _: None})
    return manager


def tests_of(system: System) -> dict[str, AtLeast]:
    """Every comparison of a clock with a number in ``system``, by name."""
    formulas = [system.settled, system.can_pass, system.bad]
    formulas += [part.formula for part in system.settle_parts + system.world_parts]
    found = {}
    for formula in formulas:
        for atom in atoms(formula):
            if isinstance(atom, AtLeast):
                found[test_name(atom)] = atom
    return dict(sorted(found.items()))


def test_name(atom: AtLeast) -> str:
    sign = ">" if atom.strict else ">="
    return f"{atom.clock}{' late' if atom.delayed else ''} {sign} {atom.bound}"


class Diagrams:
    """Translation of the formulas of one model's systems, all in one manager.

    ``base`` is the system of the model alone; the registers of watches are declared beside its own, so
    that what is known of the model serves every property.
    """

    def __init__(self, base: System):
        self.bdd = _manager()
        self.bdd.configure(reordering=False)
        self.registers = dict(base.registers)
        self.registers |= {f"fresh {m.name}": BITS for m in base.model.machines if m.is_control}
        self.registers |= {name: BITS for name in (P_BEFORE, Q_BEFORE, OPEN)}
        self.bits = {
            register: [f"{register}#{n}" for n in range(width(values))]
            for register, values in self.registers.items()
        }
        self.tests: dict[str, AtLeast] = {}
        self._is_sifted = False
        tests = tests_of(base)
        order: list[str] = []
        moving = {name for name, values in self.registers.items() if len(values) > 1}
        places = {name: place for place, name in enumerate(side_by_side(base.model, moving))}
        for register in sorted(self.registers, key=lambda name: places.get(name, len(places))):
            for variable in self.bits[register]:
                order += [variable, variable + "'"]
            for rule in base.rules.get(register, ()):
                order.append(f"take {register} {rule.transition.index}")
            for clock in base.clocks.values():
                if clock.owner == register:
                    order.append(f"keep {clock.name}")
                    order += [name for name, atom in tests.items() if atom.clock == clock.name]
        self.bdd.declare(*dict.fromkeys(order), f"keep {TIME}")
        self.tests |= tests
        self._to_present = {bit + "'": bit for bits in self.bits.values() for bit in bits}
        self._to_next = {bit: after for after, bit in self._to_present.items()}
        self._cache: dict[int, tuple[Formula, Diagram]] = {}
        self._values: dict[tuple[str, frozenset[str], bool], Diagram] = {}
        self.true, self.false = self.bdd.true, self.bdd.false
        self._unchanged = self.of(all_of(*map(Same, self.registers)))

    def admit(self, system: System) -> None:
        """Declare the tests that a property's system has beside the model's own."""
        for name, atom in tests_of(system).items():
            if name not in self.tests:
                self.tests[name] = atom
                self.bdd.declare(name)

    def reorder(self) -> None:
        """Sift the variables once, when the diagrams have become large (Rudell, "Dynamic variable
        ordering for ordered binary decision diagrams", 1993). Where machines that read one another
        are few the order they have from the beginning is as good, and sifting takes longer than it
        saves. A bit and its next value stay together. No result depends on the order."""
        if self._is_sifted or len(self.bdd) < LARGE:
            return
        self._is_sifted = True
        if hasattr(self.bdd, "group"):
            self.bdd.group({bit: 2 for bits in self.bits.values() for bit in bits})
            bdds.reorder(self.bdd)

    def present(self, registers: Iterable[str]) -> list[str]:
        """The variables of ``registers`` in the present state."""
        return [bit for register in registers for bit in self.bits[register]]

    # -- translation

    def of(self, formula: Formula) -> Diagram:
        """The diagram of ``formula``: tests stand for comparisons, ``keep`` variables for what the
        step does to clocks; the delay is left open."""
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
        """The register has one of ``values``."""
        key = (register, values, next)
        if key not in self._values:
            names = [bit + "'" if next else bit for bit in self.bits[register]]
            found = self.bdd.false
            for code, value in enumerate(self.registers[register]):
                if value in values:
                    bits = {bit: bool(code >> i & 1) for i, bit in enumerate(names)}
                    found = found | self.bdd.cube(bits)
            self._values[key] = found
        return self._values[key]

    def state(self, registers: Mapping[str, str], next: bool = False) -> Diagram:
        """The one location that ``registers`` gives."""
        cube: dict[str, bool] = {}
        for register, value in registers.items():
            code = self.registers[register].index(value)
            for i, bit in enumerate(self.bits[register]):
                cube[bit + "'" if next else bit] = bool(code >> i & 1)
        return self.bdd.cube(cube)

    # -- sets of states

    def and_exists(self, left: Diagram, right: Diagram, names: Iterable[str]) -> Diagram:
        """The conjunction, with the variables ``names`` quantified away."""
        if hasattr(bdds, "and_exists"):
            return bdds.and_exists(left, right, names)
        return self.bdd.exist(names, left & right)

    def where(self, variable: str, states: Diagram) -> tuple[Diagram, Diagram]:
        """What is left of ``states`` where ``variable`` is true, and where it is false."""
        # with the constants as diagrams, which ``dd`` puts in place several times faster than truth values
        let = self.bdd.let
        return let({variable: self.true}, states), let({variable: self.false}, states)

    def rename_to_present(self, states: Diagram) -> Diagram:
        if hasattr(bdds, "and_exists"):
            # CUDD keeps the results of this operation, those of renaming it forgets at once.
            return bdds.and_exists(states, self._unchanged, self._to_present)
        names = {v: self._to_present[v] for v in states.support if v in self._to_present}
        return self.bdd.let(names, states) if names else states

    def rename_to_next(self, states: Diagram) -> Diagram:
        names = {v: self._to_next[v] for v in states.support if v in self._to_next}
        return self.bdd.let(names, states) if names else states

    def without_tests(self, states: Diagram, but: Iterable[str] = ()) -> Diagram:
        """Tests that are not listed in ``but`` may come out either way."""
        return self.bdd.exist([name for name in self.tests if name not in set(but)], states)

    def pick(self, states: Diagram, registers: Iterable[str]) -> dict[str, str] | None:
        """One location of a set, as values of ``registers``; always the first one in the order of
        the registers and their values, whatever the order of the variables.

        Built from conjunctions: ``dd`` 0.6's own ``pick`` upset CUDD's reference counts when tried.
        """
        if states == self.false:
            return None
        found = {}
        for register in registers:
            code = 0
            for i, bit in reversed(list(enumerate(self.bits[register]))):
                without = states & ~self.bdd.var(bit)
                if without == self.false:
                    code |= 1 << i
                    states = states & self.bdd.var(bit)
                else:
                    states = without
            found[register] = self.registers[register][code]
        return found

    def as_formula(self, states: Diagram) -> Formula:
        """The set as a formula that shares equal parts (a directed graph, not a tree)."""
        cache: dict[int, Formula] = {}
        literal = self._bit_formulas()
        return self._as_formula(states, cache, literal)

    def _bit_formulas(self) -> dict[str, tuple[Formula, Formula]]:
        found = {}
        for register, values in self.registers.items():
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
        top = states.var
        high, low = self.bdd.let({top: True}, states), self.bdd.let({top: False}, states)
        one, zero = literal[top]
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
