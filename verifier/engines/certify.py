"""Invariants: from explorations to formulas, confirmed by z3 on the timed step, printed as SMT-LIB.

Whatever method found an invariant, it counts only when z3 refutes the negation of each obligation of
``specs/semantics.md`` section 11 on the whole step relation, no clock forgotten.
"""

from __future__ import annotations

from fractions import Fraction

import z3

from verifier.engines.diagrams import Diagrams
from verifier.engines.explore import Exploration
from verifier.engines.limits import Allowance, OutOfBudget
from verifier.engines.solver import Answer, Frames, Query
from verifier.engines.zones import INFINITE, Space, Zone
from verifier.semantics.formula import (
    YES,
    All,
    Any,
    Apart,
    AtLeast,
    Formula,
    In,
    No,
    Truth,
    all_of,
    any_of,
    negate,
)
from verifier.semantics.system import BITS, SPENT, System


class NotConfirmed(Exception):
    """z3 found a state that an obligation forbids: an engine or an encoding is wrong."""


def exploration_formula(diagrams: Diagrams, exploration: Exploration) -> Formula:
    """The states of a closed exploration, as one formula."""
    options = []
    for zone, states in exploration.sets.items():
        bounds = zone_formula(exploration.space, zone)
        locations = diagrams.as_formula(states)
        if bounds == YES:
            options.append(locations)
        else:
            options.append(All((bounds, locations)) if locations != YES else bounds)
    return any_of(*options)


def zone_formula(space: Space, zone: Zone) -> Formula:
    """The bounds of ``zone`` that do not follow from its other bounds."""
    parts = []
    for i, j, bound in _needed(space, zone):
        seconds, strict = space.seconds(bound)
        if i == 0:
            parts.append(AtLeast(space.names[j - 1], -seconds, strict))
        elif j == 0:
            parts.append(negate(AtLeast(space.names[i - 1], seconds, not strict)))
        else:
            parts.append(Apart(space.names[i - 1], space.names[j - 1], seconds, strict))
    return all_of(*parts)


def _needed(space: Space, zone: Zone) -> list[tuple[int, int, int]]:
    n = space.size
    rows = [list(row) for row in zone]
    for i in range(n):
        for j in range(n):
            bound = rows[i][j]
            if i == j or bound >= INFINITE:
                continue
            rows[i][j] = INFINITE if i else 1
            if rows[i][j] == bound or space.close([list(row) for row in rows]) == zone:
                continue
            rows[i][j] = bound
    return [
        (i, j, rows[i][j])
        for i in range(n)
        for j in range(n)
        if i != j and rows[i][j] < INFINITE and (i or rows[i][j] != 1)
    ]


def confirm(system: System, invariant: Formula, allowance: Allowance) -> None:
    """11.1 to 11.3 on the z3 constraints. Raises ``NotConfirmed``, or ``OutOfBudget`` on unknown."""
    frames = Frames(system.registers, system.clocks)
    holds_now, holds_next = frames.term(invariant, 0), frames.term(invariant, 1)
    _refute(allowance, "initial state", [frames.initial(system.initial), z3.Not(holds_now)])
    for name, relation in (("settle round", system.settle), ("world step", system.world)):
        step = [frames.domain(0), frames.domain(1), frames.delay(0) >= 0]
        step += [holds_now, frames.term(relation, 0), z3.Not(holds_next)]
        _refute(allowance, name, step)
    _refute(
        allowance, "bad state", [frames.domain(0), holds_now, frames.term(system.bad, 0)]
    )


def _refute(allowance: Allowance, name: str, terms: list[z3.BoolRef]) -> None:
    query = Query(allowance)
    query.add(*terms)
    reply = query.ask()
    if reply.answer is Answer.SAT:
        raise NotConfirmed(f"the invariant fails at the {name}")
    if reply.answer is Answer.UNKNOWN:
        raise OutOfBudget(f"z3 could not confirm the {name} ({reply.reason})")


# -- SMT-LIB


def smt_text(system: System, formula: Formula) -> str:
    """``formula`` over one state as an SMT-LIB 2.6 term; equal parts are shared by ``let``."""
    return _Printer(system).text(formula)


class _Printer:
    def __init__(self, system: System):
        self.system = system
        self.machines = {machine.name for machine in system.model.machines}

    def text(self, formula: Formula) -> str:
        uses: dict[int, int] = {}
        order: list[Formula] = []
        self._count(formula, uses, order)
        names: dict[int, str] = {}
        lets: list[str] = []
        for node in order:
            if uses[id(node)] > 1 and isinstance(node, All | Any) and node is not formula:
                text = self._node(node, names)
                names[id(node)] = f"n{len(lets)}"
                lets.append(f"(let ((n{len(lets)} {text}))")
        body = self._node(formula, names)
        return "\n".join(lets + [body]) + ")" * len(lets)

    def _count(self, formula: Formula, uses: dict[int, int], order: list[Formula]) -> None:
        """Number of uses of each node, and the nodes with parts before the whole."""
        stack: list[tuple[Formula, bool]] = [(formula, False)]
        while stack:
            node, done = stack.pop()
            if done:
                order.append(node)
                continue
            uses[id(node)] = uses.get(id(node), 0) + 1
            if uses[id(node)] > 1:
                continue
            stack.append((node, True))
            if isinstance(node, No):
                stack.append((node.part, False))
            elif isinstance(node, All | Any):
                stack.extend((part, False) for part in reversed(node.parts))

    def _node(self, node: Formula, names: dict[int, str]) -> str:
        if id(node) in names:
            return names[id(node)]
        if isinstance(node, All | Any):
            parts = " ".join(self._node(part, names) for part in node.parts)
            return f"({'and' if isinstance(node, All) else 'or'} {parts})"
        if isinstance(node, No):
            return f"(not {self._node(node.part, names)})"
        if isinstance(node, In):
            return self._register(node)
        if isinstance(node, AtLeast):
            sign = ">" if node.strict else ">="
            return f"({sign} |{node.clock}| {_real(node.bound)})"
        if isinstance(node, Apart):
            sign = "<" if node.strict else "<="
            return f"({sign} (- |{node.left}| |{node.right}|) {_real(node.bound)})"
        if isinstance(node, Truth):
            return "true" if node.value else "false"
        raise TypeError(f"no SMT-LIB for {type(node).__name__}")

    def _register(self, node: In) -> str:
        name = node.register
        if name in self.machines:
            states = [s for s in self.system.registers[name] if s in node.values]
            texts = [f"|{name} is {state}|" for state in states]
        elif name == SPENT:
            texts = [f"(= |{SPENT}| {value})" for value in sorted(node.values)]
        else:
            assert self.system.registers[name] == BITS
            texts = [f"|{name}|" if v == "1" else f"(not |{name}|)" for v in sorted(node.values)]
        if not texts:
            return "false"
        return texts[0] if len(texts) == 1 else f"(or {' '.join(texts)})"


def _real(value: Fraction) -> str:
    if value < 0:
        return f"(- {_real(-value)})"
    if value.denominator == 1:
        return f"{value.numerator}.0"
    return f"(/ {value.numerator}.0 {value.denominator}.0)"
