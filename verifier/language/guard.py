"""Guards of the checked model: boolean combinations of "machine M is in one of the states S".

Five node types and no more (``specs/semantics.md`` 1.4): terms, sensors, needs of parts and group
quantifiers have been written out. This module gives guards no meaning beyond their structure; each
reading of a model has its own evaluator.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass


@dataclass(frozen=True)
class Const:
    """``true`` or ``false``."""

    value: bool


@dataclass(frozen=True)
class Is:
    """Machine ``machine`` is in one of ``states``."""

    machine: str
    states: frozenset[str]


@dataclass(frozen=True)
class Not:
    part: "Guard"


@dataclass(frozen=True)
class And:
    parts: tuple["Guard", ...]


@dataclass(frozen=True)
class Or:
    parts: tuple["Guard", ...]


Guard = Const | Is | Not | And | Or

TRUE = Const(True)
FALSE = Const(False)


def comparisons(guard: Guard) -> Iterator[Is]:
    """Every ``Is`` in ``guard``, in reading order, repeated where it repeats."""
    stack = [guard]
    while stack:
        node = stack.pop()
        if isinstance(node, Is):
            yield node
        elif isinstance(node, Not):
            stack.append(node.part)
        elif isinstance(node, And | Or):
            stack.extend(reversed(node.parts))


def machines_read(guard: Guard) -> frozenset[str]:
    """Names of the machines whose state the guard mentions."""
    return frozenset(node.machine for node in comparisons(guard))
