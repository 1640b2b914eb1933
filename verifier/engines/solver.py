"""The wall around z3: formulas in, one of three named answers out.

Registers become binary-coded Boolean bits, times exact reals. Frame i holds the state before step i,
with the delay and the moves of that step. ``unknown`` is an answer of its own and carries its reason;
nothing here can turn it into a yes or a no.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import Enum
from fractions import Fraction

import z3

from verifier.engines.limits import Allowance
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


class Answer(Enum):
    SAT = "sat"
    UNSAT = "unsat"
    UNKNOWN = "unknown"


@dataclass(frozen=True)
class Reply:
    """``reason`` is z3's word for an unknown; ``model`` exists only for sat."""

    answer: Answer
    reason: str = ""
    model: z3.ModelRef | None = None
    core: frozenset[str] = frozenset()


def width(values: Sequence[str]) -> int:
    """Number of bits that code the values of a register."""
    return max(len(values) - 1, 0).bit_length()


# z3's own And, Or and Not look at the sort of every part each time, which takes several times as long
# as making the term.


def conj(parts: Sequence[z3.BoolRef]) -> z3.BoolRef:
    return _of_many(z3.Z3_mk_and, parts)


def disj(parts: Sequence[z3.BoolRef]) -> z3.BoolRef:
    return _of_many(z3.Z3_mk_or, parts)


def _of_many(make: Callable, parts: Sequence[z3.BoolRef]) -> z3.BoolRef:
    if len(parts) == 1:
        return parts[0]
    context = z3.main_ctx()
    asts = (z3.Ast * len(parts))(*(part.ast for part in parts))
    return z3.BoolRef(make(context.ref(), len(parts), asts), context)


def inverse(part: z3.BoolRef) -> z3.BoolRef:
    context = z3.main_ctx()
    return z3.BoolRef(z3.Z3_mk_not(context.ref(), part.ast), context)


def _same(left: z3.BoolRef, right: z3.BoolRef) -> z3.BoolRef:
    context = z3.main_ctx()
    return z3.BoolRef(z3.Z3_mk_eq(context.ref(), left.ast, right.ast), context)


def exact(number: Fraction) -> z3.RatNumRef:
    return z3.RealVal(number)


class Frames:
    """Translation of formulas into z3 terms over numbered frames of one system."""

    def __init__(self, registers: Mapping[str, Sequence[str]], clocks: Iterable[str]):
        self.registers = registers
        self.clocks = tuple(clocks)
        self._terms: dict[tuple[int, int], tuple[Formula, z3.BoolRef]] = {}
        self._vars: dict[str, z3.ExprRef] = {}
        self._values: dict[tuple[str, frozenset[str], int], z3.BoolRef] = {}

    def _bool(self, name: str) -> z3.BoolRef:
        if name not in self._vars:
            self._vars[name] = z3.Bool(name)
        return self._vars[name]

    def real(self, name: str) -> z3.ArithRef:
        if name not in self._vars:
            self._vars[name] = z3.Real(name)
        return self._vars[name]

    def bits(self, register: str, frame: int) -> list[z3.BoolRef]:
        n = width(self.registers[register])
        return [self._bool(f"{register}#{bit}@{frame}") for bit in range(n)]

    def clock(self, name: str, frame: int) -> z3.ArithRef:
        return self.real(f"{name}@{frame}")

    def delay(self, frame: int) -> z3.ArithRef:
        return self.real(f"delay@{frame}")

    def take(self, machine: str, transition: int, frame: int) -> z3.BoolRef:
        return self._bool(f"take {machine} {transition}@{frame}")

    def domain(self, frame: int) -> z3.BoolRef:
        """Every register holds one of its values and no clock is negative."""
        parts = []
        for register, values in self.registers.items():
            if len(values) != 1 << width(values):
                parts.append(self._value(register, frozenset(values), frame))
        parts += [self.clock(name, frame) >= 0 for name in self.clocks]
        return z3.And(parts)

    def state(self, frame: int, registers: Mapping[str, str]) -> z3.BoolRef:
        return z3.And(
            [self._value(name, frozenset({value}), frame) for name, value in registers.items()]
        )

    def initial(self, registers: Mapping[str, str]) -> z3.BoolRef:
        """Frame 0 is the initial state: all clocks 0 (semantics 3.3)."""
        return z3.And(self.state(0, registers), *(self.clock(name, 0) == 0 for name in self.clocks))

    def _value(self, register: str, values: frozenset[str], frame: int) -> z3.BoolRef:
        key = (register, values, frame)
        if key not in self._values:
            self._values[key] = self._new_value(register, values, frame)
        return self._values[key]

    def _new_value(self, register: str, values: frozenset[str], frame: int) -> z3.BoolRef:
        names = self.registers[register]
        bits = self.bits(register, frame)
        options = []
        for code, name in enumerate(names):
            if name in values:
                options.append(
                    conj([bit if code >> i & 1 else inverse(bit) for i, bit in enumerate(bits)])
                )
        return disj(options)

    def term(self, formula: Formula, frame: int) -> z3.BoolRef:
        """``formula`` with the present state in ``frame`` and the next in ``frame + 1``."""
        key = (id(formula), frame)
        if key not in self._terms:
            self._terms[key] = (formula, self._term(formula, frame))
        return self._terms[key][1]

    def _term(self, formula: Formula, frame: int) -> z3.BoolRef:
        if isinstance(formula, All):
            return conj([self.term(part, frame) for part in formula.parts])
        if isinstance(formula, Any):
            return disj([self.term(part, frame) for part in formula.parts])
        if isinstance(formula, No):
            return inverse(self.term(formula.part, frame))
        if isinstance(formula, In):
            return self._value(formula.register, formula.values, frame + formula.next)
        if isinstance(formula, Same):
            pairs = zip(self.bits(formula.register, frame), self.bits(formula.register, frame + 1))
            return conj([_same(before, after) for before, after in pairs])
        if isinstance(formula, AtLeast):
            measured = self.clock(formula.clock, frame)
            if formula.delayed:
                measured = measured + self.delay(frame)
            bound = exact(formula.bound)
            return measured > bound if formula.strict else measured >= bound
        if isinstance(formula, Apart):
            gap = self.clock(formula.left, frame) - self.clock(formula.right, frame)
            return gap < exact(formula.bound) if formula.strict else gap <= exact(formula.bound)
        if isinstance(formula, Take):
            return self.take(formula.machine, formula.transition, frame)
        if isinstance(formula, DelayIsZero):
            return self.delay(frame) == 0
        if isinstance(formula, Update):
            after = self.clock(formula.clock, frame + 1)
            if formula.how == "zero":
                return after == 0
            if formula.how == "restart":
                return after == self.delay(frame)
            return after == self.clock(formula.clock, frame) + self.delay(frame)
        if isinstance(formula, Truth):
            return z3.BoolVal(formula.value)
        raise TypeError(f"no z3 term for {type(formula).__name__}")


class Query:
    """One incremental solver."""

    def __init__(self, allowance: Allowance):
        self.allowance = allowance
        self.solver = z3.Solver()
        self.solver.set("random_seed", 0)

    def add(self, *terms: z3.BoolRef) -> None:
        context = self.solver.ctx.ref()
        for term in terms:
            z3.Z3_solver_assert(context, self.solver.solver, term.ast)

    def push(self) -> None:
        self.solver.push()

    def pop(self) -> None:
        self.solver.pop()

    def ask(self, *assumptions: z3.BoolRef) -> Reply:
        left = self.allowance.left
        if left is not None:
            self.solver.set("timeout", max(int(left * 1000), 1))
        answer = self._checked(assumptions)
        if answer == z3.Z3_L_TRUE:
            return Reply(Answer.SAT, model=self.solver.model())
        if answer == z3.Z3_L_FALSE:
            return Reply(Answer.UNSAT, core=self._core(assumptions))
        return Reply(Answer.UNKNOWN, reason=self.solver.reason_unknown())

    # Here too: looking at some hundred assumptions took as long as the solving. A literal is one object
    # of z3, so its address tells it.

    def _checked(self, assumptions: Sequence[z3.BoolRef]) -> int:
        asts = (z3.Ast * len(assumptions))(*(literal.ast for literal in assumptions))
        context = self.solver.ctx.ref()
        return z3.Z3_solver_check_assumptions(context, self.solver.solver, len(asts), asts)

    def _core(self, assumptions: Sequence[z3.BoolRef]) -> frozenset[str]:
        context = self.solver.ctx.ref()
        core = z3.Z3_solver_get_unsat_core(context, self.solver.solver)
        z3.Z3_ast_vector_inc_ref(context, core)
        found = {
            z3.Z3_ast_vector_get(context, core, i).value
            for i in range(z3.Z3_ast_vector_size(context, core))
        }
        z3.Z3_ast_vector_dec_ref(context, core)
        return frozenset(a.decl().name() for a in assumptions if a.ast.value in found)


def number(model: z3.ModelRef, term: z3.ArithRef) -> Fraction:
    """The exact value of ``term`` in ``model``."""
    return as_fraction(model.eval(term, model_completion=True))


def as_fraction(value: z3.ArithRef) -> Fraction:
    """An exact number out of a z3 numeral, whole or rational."""
    if z3.is_int_value(value):
        return Fraction(value.as_long())
    return Fraction(value.numerator_as_long(), value.denominator_as_long())


def is_true(model: z3.ModelRef, term: z3.BoolRef) -> bool:
    context = model.ctx.ref()
    value = (z3.Ast * 1)()
    return (
        z3.Z3_model_eval(context, model.model, term.ast, True, value)
        and z3.Z3_get_bool_value(context, value[0]) == z3.Z3_L_TRUE
    )


def version() -> str:
    return z3.get_version_string()
