"""SMT-LIB 2.6 text for the re-check: terms as strings and a script that collects commands.

Terms are plain text. The helpers only fold constants, so that a reader of an evidence file finds the
paragraphs of ``specs/semantics.md`` in it and little else.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from fractions import Fraction

from verifier.language.guard import And, Const, Guard, Is, Not, Or

TRUE = "true"
FALSE = "false"
ZERO = "0.0"


def symbol(name: str) -> str:
    """``name`` as a quoted SMT-LIB symbol."""
    if "|" in name or "\\" in name:
        raise ValueError(f"{name!r} cannot be written as an SMT-LIB symbol")
    return f"|{name}|"


def number(value: Fraction) -> str:
    """An exact non-negative rational as a term of sort Real."""
    if value.denominator == 1:
        return f"{value.numerator}.0"
    return f"(/ {value.numerator}.0 {value.denominator}.0)"


def conj(parts: Iterable[str]) -> str:
    kept = [part for part in parts if part != TRUE]
    if FALSE in kept:
        return FALSE
    if not kept:
        return TRUE
    return kept[0] if len(kept) == 1 else f"(and {' '.join(kept)})"


def disj(parts: Iterable[str]) -> str:
    kept = [part for part in parts if part != FALSE]
    if TRUE in kept:
        return TRUE
    if not kept:
        return FALSE
    return kept[0] if len(kept) == 1 else f"(or {' '.join(kept)})"


def neg(part: str) -> str:
    if part in (TRUE, FALSE):
        return FALSE if part == TRUE else TRUE
    return f"(not {part})"


def implies(if_: str, then: str) -> str:
    return disj([neg(if_), then])


def choose(condition: str, yes: str, no: str) -> str:
    """``ite``, for any sort."""
    if condition == TRUE or yes == no:
        return yes
    return no if condition == FALSE else f"(ite {condition} {yes} {no})"


def add(left: str, right: str, zero: str = ZERO) -> str:
    if right == zero:
        return left
    return right if left == zero else f"(+ {left} {right})"


def guard_text(guard: Guard, is_in: Callable[[str, str], str]) -> str:
    """The guard as a term; ``is_in(machine, state)`` writes one comparison (1.4)."""
    if isinstance(guard, Const):
        return TRUE if guard.value else FALSE
    if isinstance(guard, Is):
        return disj(is_in(guard.machine, state) for state in sorted(guard.states))
    if isinstance(guard, Not):
        return neg(guard_text(guard.part, is_in))
    parts = [guard_text(part, is_in) for part in guard.parts]
    if isinstance(guard, And):
        return conj(parts)
    if isinstance(guard, Or):
        return disj(parts)
    raise TypeError(f"not a guard: {guard!r}")


@dataclass(frozen=True)
class Time:
    """A measured time: 0 where ``reset`` is true, else ``base``."""

    base: str
    reset: str = FALSE

    @property
    def value(self) -> str:
        return choose(self.reset, ZERO, self.base)

    def at_least(self, bound: Fraction) -> str:
        # Times are never negative, so a bound of 0 is always met.
        if bound <= 0:
            return TRUE
        if self.base == ZERO:
            return FALSE
        return conj([neg(self.reset), f"(>= {self.base} {number(bound)})"])

    def grown_within(self, delay: str, bound: Fraction) -> str:
        return f"(<= {add(self.value, delay)} {number(bound)})"


class Script:
    """Commands of one SMT-LIB file, in order."""

    def __init__(self, logic: str, says: str):
        self.lines = [f"; {says}", "(set-info :smt-lib-version 2.6)", f"(set-logic {logic})"]

    def note(self, text: str) -> None:
        self.lines.append(f"; {text}")

    def declare(self, name: str, sort: str) -> str:
        self.lines.append(f"(declare-const {symbol(name)} {sort})")
        return symbol(name)

    def define(self, name: str, term: str, sort: str = "Bool") -> str:
        """Give ``term`` a name, unless it is short enough to be its own."""
        if not term.startswith("("):
            return term
        self.lines.append(f"(define-fun {symbol(name)} () {sort} {term})")
        return symbol(name)

    def require(self, term: str) -> None:
        if term != TRUE:
            self.lines.append(f"(assert {term})")

    def text(self) -> str:
        """The whole file, ending with the question."""
        return "\n".join([*self.lines, "(check-sat)", ""])
