"""Guards, windows and quantities as small trees in which every word keeps its offset in the text.

``grammar`` makes them; what the words mean is decided by ``resolve`` and ``units``.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction


@dataclass(frozen=True)
class Word:
    """A piece of the text and its offset."""

    text: str
    at: int


@dataclass(frozen=True)
class Truth:
    value: bool


@dataclass(frozen=True)
class Name:
    """A bare name: a term, a sensor or a need."""

    word: Word


@dataclass(frozen=True)
class Compare:
    """``word is states`` or, ``negated``, ``word is not states``."""

    word: Word
    states: tuple[Word, ...]
    negated: bool


@dataclass(frozen=True)
class Opposite:
    part: "GuardText"


@dataclass(frozen=True)
class Both:
    parts: tuple["GuardText", ...]


@dataclass(frozen=True)
class Either:
    parts: tuple["GuardText", ...]


@dataclass(frozen=True)
class Over:
    """``some|every|another group has part``; ``at`` is the offset of the quantifier."""

    kind: str
    group: Word
    part: "GuardText"
    at: int


GuardText = Truth | Name | Compare | Opposite | Both | Either | Over


@dataclass(frozen=True)
class Number:
    value: Fraction
    unit: str | None
    word: Word


@dataclass(frozen=True)
class Edge:
    """``earliest(name)`` or ``latest(name)``."""

    kind: str
    word: Word


@dataclass(frozen=True)
class Arithmetic:
    """``sign`` is one of ``+ - * /``, at offset ``at``."""

    sign: str
    left: "QuantityText"
    right: "QuantityText"
    at: int


QuantityText = Number | Name | Edge | Arithmetic


@dataclass(frozen=True)
class WindowText:
    """``lo`` alone, ``lo ..`` (``has_range`` and no ``hi``) or ``lo .. hi``."""

    lo: QuantityText
    hi: QuantityText | None
    has_range: bool
