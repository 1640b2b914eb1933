"""Invariants read back from the SMT-LIB text that ``certificate_text`` writes: proposals, like all formulas here.

The re-check reads certificates by its own reader; nothing is shared.
"""

from __future__ import annotations

import re
from fractions import Fraction

from verifier.semantics.formula import (
    NEVER,
    YES,
    All,
    Apart,
    AtLeast,
    Formula,
    In,
    all_of,
    any_of,
    negate,
)
from verifier.semantics.system import SPENT

_TOKEN = re.compile(r"\|([^|]*)\||([()])|([^\s()|]+)")
_STATE = re.compile(r"(.+) is (.+)")
_COMPARISONS = {">=": False, ">": True, "<=": False, "<": True}

# A name in bars, a word, or a list.
Node = tuple[str, str] | list


def conjuncts(text: str) -> tuple[Formula, ...]:
    """The parts of the conjunction ``text``.

    Raises
    ------
    ValueError
        It is not of the kind that ``certificate_text`` writes, as what another engine has printed.
    """
    try:
        whole = _formula(_tree(text))
    except (RecursionError, ZeroDivisionError) as error:
        raise ValueError(f"not a term that can be read: {error}") from error
    return whole.parts if isinstance(whole, All) else () if whole == YES else (whole,)


def _tree(text: str) -> Node:
    stack: list[list] = [[]]
    for name, bracket, word in _TOKEN.findall(text):
        if bracket == "(":
            stack.append([])
        elif bracket:
            if len(stack) == 1:
                raise ValueError("a bracket closes nothing")
            done = stack.pop()
            stack[-1].append(done)
        else:
            stack[-1].append(("word", word) if word else ("name", name))
    if len(stack) != 1 or len(stack[0]) != 1:
        raise ValueError("not one whole term")
    return stack[0][0]


def _formula(tree: Node) -> Formula:
    """A chain of ``let`` is gone through from the outside; what it names is made once."""
    named: dict[str, Formula] = {}
    while isinstance(tree, list) and tree[:1] == [("word", "let")]:
        match tree:
            case [_, [[("word", name), value]], body]:
                named[name] = _Reader(named).of(value)
                tree = body
            case _:
                raise ValueError("a `let` of another kind")
    return _Reader(named).of(tree)


class _Reader:
    def __init__(self, named: dict[str, Formula]):
        self.named = named

    def of(self, tree: Node) -> Formula:
        match tree:
            case ("word", "true"):
                return YES
            case ("word", "false"):
                return NEVER
            case ("word", word) if word in self.named:
                return self.named[word]
            case ("name", name):
                state = _STATE.fullmatch(name)
                return In(name, frozenset({"1"})) if state is None else In(state[1], frozenset({state[2]}))
            case [("word", "and"), *parts]:
                return all_of(*map(self.of, parts))
            case [("word", "or"), *parts]:
                return _either([self.of(part) for part in parts])
            case [("word", "not"), part]:
                return _denied(self.of(part))
            case [("word", "="), ("name", name), ("word", value)] if name == SPENT:
                return In(SPENT, frozenset({value}))
            case [("word", ">=" | ">" as sign), ("name", clock), bound]:
                return AtLeast(clock, _number(bound), strict=_COMPARISONS[sign])
            case [
                ("word", "<=" | "<" as sign),
                [("word", "-"), ("name", left), ("name", right)],
                bound,
            ]:
                return Apart(left, right, _number(bound), strict=_COMPARISONS[sign])
        raise ValueError(f"a term of another kind: {tree!r:.80}")


def _either(parts: list[Formula]) -> Formula:
    """States of one machine side by side are one ``In``."""
    registers = {part.register if isinstance(part, In) else "" for part in parts}
    if len(registers) == 1 and "" not in registers:
        return In(registers.pop(), frozenset().union(*(part.values for part in parts)))
    return any_of(*parts)


def _denied(part: Formula) -> Formula:
    """The bits of a watch are registers of two values."""
    if isinstance(part, In) and part.values == {"1"} and part.register != SPENT:
        return In(part.register, frozenset({"0"}))
    return negate(part)


def _number(tree: Node) -> Fraction:
    match tree:
        case ("word", word):
            return Fraction(word)
        case [("word", "-"), part]:
            return -_number(part)
        case [("word", "/"), above, below]:
            return _number(above) / _number(below)
    raise ValueError(f"no number: {tree!r:.80}")
