"""Formulas of the symbolic reading: over one state, or over a state, a step and the next state.

The node types are closed; a translation that meets another must fail. Registers hold the discrete
part of a state (the states of machines, the bits of a watch, the faults spent), clocks the times.
This module knows nothing of solvers; ``holds`` evaluates a formula on numbers.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from fractions import Fraction


@dataclass(frozen=True)
class Truth:
    value: bool


@dataclass(frozen=True)
class In:
    """Register ``register`` has one of ``values``; in the next state if ``next``."""

    register: str
    values: frozenset[str]
    next: bool = False


@dataclass(frozen=True)
class Same:
    """Register ``register`` keeps its value in the step."""

    register: str


@dataclass(frozen=True)
class AtLeast:
    """Clock >= ``bound`` (or > when ``strict``); with the delay of the step added when ``delayed``."""

    clock: str
    bound: Fraction
    strict: bool = False
    delayed: bool = False


@dataclass(frozen=True)
class Apart:
    """Clock ``left`` minus clock ``right`` is at most ``bound`` (less, when ``strict``)."""

    left: str
    right: str
    bound: Fraction
    strict: bool = False


@dataclass(frozen=True)
class Take:
    """The step takes transition ``transition`` of ``machine``."""

    machine: str
    transition: int


@dataclass(frozen=True)
class DelayIsZero:
    pass


@dataclass(frozen=True)
class Update:
    """What the step does to a clock: ``grows`` c' = c + d, ``zero`` c' = 0, ``restart`` c' = d."""

    clock: str
    how: str


@dataclass(frozen=True)
class No:
    part: "Formula"


@dataclass(frozen=True)
class All:
    parts: tuple["Formula", ...]


@dataclass(frozen=True)
class Any:
    parts: tuple["Formula", ...]


Formula = Truth | In | Same | AtLeast | Apart | Take | DelayIsZero | Update | No | All | Any

YES = Truth(True)
NEVER = Truth(False)


def all_of(*parts: Formula) -> Formula:
    """Conjunction, with constants and nesting removed."""
    flat: list[Formula] = []
    for part in parts:
        if part == NEVER:
            return NEVER
        if isinstance(part, All):
            flat.extend(part.parts)
        elif part != YES:
            flat.append(part)
    if not flat:
        return YES
    return flat[0] if len(flat) == 1 else All(tuple(flat))


def any_of(*parts: Formula) -> Formula:
    """Disjunction, with constants and nesting removed."""
    flat: list[Formula] = []
    for part in parts:
        if part == YES:
            return YES
        if isinstance(part, Any):
            flat.extend(part.parts)
        elif part != NEVER:
            flat.append(part)
    if not flat:
        return NEVER
    return flat[0] if len(flat) == 1 else Any(tuple(flat))


def negate(part: Formula) -> Formula:
    if isinstance(part, Truth):
        return Truth(not part.value)
    return part.part if isinstance(part, No) else No(part)


def atoms(formula: Formula) -> Iterator[Formula]:
    """Every leaf of ``formula``, repeated where it repeats."""
    stack = [formula]
    while stack:
        node = stack.pop()
        if isinstance(node, No):
            stack.append(node.part)
        elif isinstance(node, All | Any):
            stack.extend(node.parts)
        else:
            yield node


def comparisons_with_sign(formula: Formula, sign: bool = True) -> Iterator[tuple[AtLeast, bool]]:
    """Every ``AtLeast`` in ``formula`` and whether it counts as it stands or as its denial."""
    stack = [(formula, sign)]
    while stack:
        node, positive = stack.pop()
        if isinstance(node, No):
            stack.append((node.part, not positive))
        elif isinstance(node, All | Any):
            stack.extend((part, positive) for part in node.parts)
        elif isinstance(node, AtLeast):
            yield node, positive


def map_atoms(formula: Formula, change: Callable[[Formula], Formula]) -> Formula:
    """``formula`` with each leaf replaced by ``change(leaf)``, constants folded."""
    return _mapped(formula, change, {})


def _mapped(formula: Formula, change: Callable[[Formula], Formula], done: dict[int, Formula]) -> Formula:
    if isinstance(formula, No):
        return negate(_mapped(formula.part, change, done))
    if not isinstance(formula, All | Any):
        return change(formula)
    found = done.get(id(formula))
    if found is None:
        join = all_of if isinstance(formula, All) else any_of
        found = done[id(formula)] = join(*[_mapped(part, change, done) for part in formula.parts])
    return found


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
    """``formula`` as a function of numbers, fast enough to be asked about every step of many runs.

    What stands in several places (the counts of faults are built of one another) is asked once for each valuation.
    """
    return _compiled(formula, _shared_parts(formula), {})


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


def _compiled(formula: Formula, shared: set[int], made: dict[int, Callable]) -> Callable[[Valuation], bool]:
    if isinstance(formula, No):
        denied = _compiled(formula.part, shared, made)
        return lambda v: not denied(v)
    if not isinstance(formula, All | Any):
        return _compiled_leaf(formula)
    if id(formula) not in made:
        parts = [_compiled(part, shared, made) for part in formula.parts]
        whole = _all_true(parts) if isinstance(formula, All) else _any_true(parts)
        made[id(formula)] = _remembering(whole) if id(formula) in shared else whole
    return made[id(formula)]


def _all_true(parts: list[Callable[[Valuation], bool]]) -> Callable[[Valuation], bool]:
    return lambda v: all(part(v) for part in parts)


def _any_true(parts: list[Callable[[Valuation], bool]]) -> Callable[[Valuation], bool]:
    return lambda v: any(part(v) for part in parts)


def _remembering(whole: Callable[[Valuation], bool]) -> Callable[[Valuation], bool]:
    """``whole``, which keeps its last answer for as long as it is asked of the same valuation."""
    last: tuple[Valuation | None, bool] = (None, False)

    def answer(values: Valuation) -> bool:
        nonlocal last
        if last[0] is not values:
            last = (values, whole(values))
        return last[1]

    return answer


def _compiled_leaf(formula: Formula) -> Callable[[Valuation], bool]:
    if isinstance(formula, In):
        register, members = formula.register, formula.values
        if formula.next:
            return lambda v: v.next_registers[register] in members
        return lambda v: v.registers[register] in members
    if isinstance(formula, Same):
        kept = formula.register
        return lambda v: v.registers[kept] == v.next_registers[kept]
    if isinstance(formula, AtLeast):
        return _compiled_bound(formula)
    if isinstance(formula, Apart):
        left, right, bound = formula.left, formula.right, formula.bound
        if formula.strict:
            return lambda v: v.clocks[left] - v.clocks[right] < bound
        return lambda v: v.clocks[left] - v.clocks[right] <= bound
    if isinstance(formula, Take):
        taken = (formula.machine, formula.transition)
        return lambda v: taken in v.takes
    if isinstance(formula, DelayIsZero):
        return lambda v: v.delay == 0
    if isinstance(formula, Update):
        clock = formula.clock
        if formula.how == "zero":
            return lambda v: v.next_clocks[clock] == 0
        if formula.how == "restart":
            return lambda v: v.next_clocks[clock] == v.delay
        return lambda v: v.next_clocks[clock] == v.clocks[clock] + v.delay
    if isinstance(formula, Truth):
        truth = formula.value
        return lambda v: truth
    raise TypeError(f"no evaluation for {type(formula).__name__}")


def _compiled_bound(formula: AtLeast) -> Callable[[Valuation], bool]:
    clock, bound = formula.clock, formula.bound
    if formula.delayed and formula.strict:
        return lambda v: v.clocks[clock] + v.delay > bound
    if formula.delayed:
        return lambda v: v.clocks[clock] + v.delay >= bound
    if formula.strict:
        return lambda v: v.clocks[clock] > bound
    return lambda v: v.clocks[clock] >= bound
