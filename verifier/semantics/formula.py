"""Formulas of the symbolic reading: over one state, or over a state, a step and the next state.

The node types are closed; a translation that meets another must fail. Registers hold the discrete
part of a state (the states of machines, the bits of a watch, the faults spent), clocks the times.
This module knows nothing of solvers; ``valuation`` asks formulas of numbers.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from typing import TypeVar

T = TypeVar("T")


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
    """Every leaf of ``formula``; those of a part that stands in several places once."""
    return (leaf for leaf, _ in _leaves(formula, False))


def comparisons_with_sign(formula: Formula, sign: bool = True) -> Iterator[tuple[AtLeast, bool]]:
    """Every ``AtLeast`` in ``formula`` and whether it counts as it stands or as its denial."""
    return ((leaf, positive) for leaf, positive in _leaves(formula, True, sign) if isinstance(leaf, AtLeast))


def _leaves(formula: Formula, by_sign: bool, sign: bool = True) -> Iterator[tuple[Formula, bool]]:
    """Every leaf and whether it stands there denied an even number of times; parts that stand in several places
    once, or once for each sign."""
    seen: set[tuple[int, bool]] = set()
    stack = [(formula, sign)]
    while stack:
        node, positive = stack.pop()
        if isinstance(node, No):
            stack.append((node.part, not positive))
        elif isinstance(node, All | Any):
            key = (id(node), positive and by_sign)
            if key not in seen:
                seen.add(key)
                stack.extend((part, positive) for part in node.parts)
        else:
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


def by_literals(
    formula: Formula, of: Callable[[Formula], T], both: Callable[[list[T]], T], either: Callable[[list[T]], T]
) -> T:
    """``formula``, its denials pushed down to the leaves, put together of what its literals become. Parts that
    stand in several places (the counts of faults are built of one another) are translated once."""
    made: dict[tuple[int, bool], T] = {}

    def translated(node: Formula, sign: bool) -> T:
        if isinstance(node, No):
            return translated(node.part, not sign)
        if not isinstance(node, All | Any):
            return of(node if sign else negate(node))
        key = (id(node), sign)
        if key not in made:
            join = both if isinstance(node, All) is sign else either
            made[key] = join([translated(part, sign) for part in node.parts])
        return made[key]

    return translated(formula, True)
