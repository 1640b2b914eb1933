"""Formulas asked of numbers: each becomes a Python function, made once and asked thousands of times.

The cross-check asks the step relation about every step of many concrete runs; walking over the nodes of
the formula for each would take most of its time.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from fractions import Fraction

from verifier.semantics.formula import (
    All,
    Any,
    Apart,
    AtLeast,
    DelayIsZero,
    Formula,
    In,
    No,
    Same,
    Take,
    Truth,
    Update,
)

# Python's own reader gives up on about a hundred parentheses within one another.
DEEPEST = 40


@dataclass(frozen=True)
class Valuation:
    """Numbers for everything a formula may mention; clocks in seconds."""

    registers: Mapping[str, str]
    clocks: Mapping[str, Fraction]
    next_registers: Mapping[str, str]
    next_clocks: Mapping[str, Fraction]
    delay: Fraction
    takes: frozenset[tuple[str, int]]


def holds(formula: Formula, values: Valuation) -> bool:
    """Whether ``formula`` is true under ``values``."""
    return compiled(formula)(values)


def compiled(formula: Formula) -> Callable[[Valuation], bool]:
    """``formula`` as a function of numbers."""
    whole = _Writer(formula).function()

    def ask(v: Valuation) -> bool:
        return whole(v.registers, v.next_registers, v.clocks, v.next_clocks, v.delay, v.takes, {})

    return ask


class _Writer:
    """Writes a formula as Python.

    A node that stands in several places (the counts of faults are built of one another) or lies deep inside
    becomes a function of its own, asked once for each valuation: ``known`` keeps its answers.
    """

    ARGUMENTS = "now, then, time, time_then, delay, takes, known"

    def __init__(self, formula: Formula):
        self._formula = formula
        self._shared = _shared_parts(formula)
        self._names: dict[int, str] = {}
        self._functions: list[str] = []
        self._constants: dict[Fraction, str] = {}

    def function(self) -> Callable[..., bool]:
        self._define("whole", self._formula)
        scope: dict = {name: _plain(value) for value, name in self._constants.items()}
        exec(compile("\n".join(self._functions), "<formula>", "exec"), scope)
        return scope["whole"]

    def _define(self, name: str, formula: Formula) -> None:
        body = self._written(formula, 0)
        self._functions.append(f"def {name}({self.ARGUMENTS}):\n    return {body}")

    def _term(self, formula: Formula, depth: int) -> str:
        is_apart = id(formula) in self._shared or depth > DEEPEST
        if not isinstance(formula, All | Any) or not is_apart:
            return self._written(formula, depth)
        name = self._names.get(id(formula))
        if name is None:
            name = self._names[id(formula)] = f"part_{len(self._names)}"
            self._define(name, formula)
        return (
            f"(known[{name!r}] if {name!r} in known else "
            f"known.setdefault({name!r}, {name}({self.ARGUMENTS})))"
        )

    def _written(self, formula: Formula, depth: int) -> str:
        if isinstance(formula, No):
            return f"(not {self._term(formula.part, depth + 1)})"
        if isinstance(formula, All | Any):
            word = " and " if isinstance(formula, All) else " or "
            parts = [self._term(part, depth + 1) for part in formula.parts]
            return f"({word.join(parts)})" if parts else str(isinstance(formula, All))
        return f"({self._leaf(formula)})"

    def _leaf(self, formula: Formula) -> str:
        if isinstance(formula, In):
            where = "then" if formula.next else "now"
            members = ", ".join(sorted(repr(value) for value in formula.values))
            return f"{where}[{formula.register!r}] in ({members},)" if members else "False"
        if isinstance(formula, Same):
            return f"now[{formula.register!r}] == then[{formula.register!r}]"
        if isinstance(formula, AtLeast):
            delay = " + delay" if formula.delayed else ""
            sign = ">" if formula.strict else ">="
            return f"time[{formula.clock!r}]{delay} {sign} {self._number(formula.bound)}"
        if isinstance(formula, Apart):
            sign = "<" if formula.strict else "<="
            bound = self._number(formula.bound)
            return f"time[{formula.left!r}] - time[{formula.right!r}] {sign} {bound}"
        if isinstance(formula, Take):
            return f"({formula.machine!r}, {formula.transition!r}) in takes"
        if isinstance(formula, DelayIsZero):
            return "delay == 0"
        if isinstance(formula, Update):
            new = {"zero": "0", "restart": "delay"}.get(
                formula.how, f"time[{formula.clock!r}] + delay"
            )
            return f"time_then[{formula.clock!r}] == {new}"
        if isinstance(formula, Truth):
            return str(formula.value)
        raise TypeError(f"no evaluation for {type(formula).__name__}")

    def _number(self, value: Fraction) -> str:
        return self._constants.setdefault(value, f"number_{len(self._constants)}")


def _plain(value: Fraction) -> int | Fraction:
    """Whole numbers as integers: comparing with these is much faster."""
    return value.numerator if value.denominator == 1 else value


def _shared_parts(formula: Formula) -> set[int]:
    """The ids of the nodes that stand in more than one place in ``formula``."""
    seen: set[int] = set()
    shared: set[int] = set()
    stack = [formula]
    while stack:
        node = stack.pop()
        if id(node) in seen:
            shared.add(id(node))
            continue
        seen.add(id(node))
        if isinstance(node, No):
            stack.append(node.part)
        elif isinstance(node, All | Any):
            stack.extend(node.parts)
    return shared
