"""Guards written out, with what must be known of how they came about, and their combination."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from verifier.language.guard import FALSE, TRUE, And, Const, Guard, Not, Or
from verifier.language.syntax import Word
from verifier.language.tree import Scalar

Use = tuple[Scalar, Word]


@dataclass(frozen=True, eq=False)
class Meaning:
    """A guard written out.

    ``direct`` holds, for each machine named other than through a sensor, the names by which it was
    reached, the outermost first. ``size`` and ``depth`` count the nodes of the guard. ``is_whole``
    keeps it in one piece inside a guard of its own kind.
    """

    guard: Guard
    direct: Mapping[str, tuple[Use, ...]] = field(default_factory=dict)
    reads_sensor: bool = False
    size: int = 1
    depth: int = 1
    is_whole: bool = False


def negation(meaning: Meaning) -> Meaning:
    guard = meaning.guard
    if isinstance(guard, Const):
        return replace(meaning, guard=FALSE if guard.value else TRUE)
    return replace(meaning, guard=Not(guard), size=meaning.size + 1, depth=meaning.depth + 1)


def conjunction(meanings: list[Meaning]) -> Meaning:
    return _joined(meanings, And, TRUE, FALSE)


def disjunction(meanings: list[Meaning]) -> Meaning:
    return _joined(meanings, Or, FALSE, TRUE)


def _joined(meanings: list[Meaning], kind: type, neutral: Const, decisive: Const) -> Meaning:
    """``And`` or ``Or`` over all parts, without constants and without the same kind inside."""
    direct: dict[str, tuple[Use, ...]] = {}
    parts: list[Guard] = []
    depth = 0
    is_whole = False
    for meaning in meanings:
        for name, uses in meaning.direct.items():
            direct.setdefault(name, uses)
        guard = meaning.guard
        nested = isinstance(guard, kind) and not meaning.is_whole
        parts += guard.parts if nested else [] if guard == neutral else [guard]
        depth = max(depth, meaning.depth - nested)
        is_whole |= meaning.is_whole
    if decisive in parts:
        guard, depth = decisive, 0
    elif not parts:
        guard, depth = neutral, 0
    elif len(parts) == 1:
        guard, depth = parts[0], depth - 1
    else:
        guard = kind(tuple(parts))
    return Meaning(
        guard,
        direct,
        any(meaning.reads_sensor for meaning in meanings),
        1 + sum(meaning.size for meaning in meanings),
        depth + 1,
        is_whole and len(parts) == 1,
    )
