"""Invariants as SMT-LIB 2.6 text over the names of ``specs/semantics.md`` section 10."""

from __future__ import annotations

from fractions import Fraction

from verifier.semantics.formula import All, Any, Apart, AtLeast, Formula, In, No, Truth
from verifier.semantics.system import BITS, SPENT, System


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
