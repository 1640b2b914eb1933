"""A certificate's invariant as something to evaluate on a concrete state.

Reads one SMT-LIB 2.6 term of sort Bool (booleans, linear arithmetic, ``ite``, ``let``, quoted symbols)
and turns it into straight-line Python, one line for each different subterm. Nothing here recurses:
invariants drawn from decision diagrams nest thousands of ``let`` deep.

The format is that of Barrett, Fontaine, Tinelli, *The SMT-LIB Standard, version 2.6*, sections 3.1
(lexicon) and 3.6 (terms).
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction

BOOL, NUMBER = "Bool", "Real"


class BadTerm(ValueError):
    """The text is no term of the kind read here; the message says what is wrong."""


_TOKEN = re.compile(
    r"""(?P<space>[\s]+|;[^\n]*)
      | (?P<open>\() | (?P<close>\))
      | \|(?P<quoted>[^|\\]*)\|
      | (?P<decimal>(?:0|[1-9][0-9]*)\.[0-9]+(?=[\s();]|$))
      | (?P<numeral>(?:0|[1-9][0-9]*)(?=[\s();]|$))
      | (?P<symbol>[A-Za-z~!@$%^&*_\-+=<>.?/][A-Za-z0-9~!@$%^&*_\-+=<>.?/]*)""",
    re.VERBOSE,
)

_COMPARED = {"<": "<", "<=": "<=", ">": ">", ">=": ">="}
# Operators on truths and on numbers; `=`, `distinct` and `ite` take both and are treated apart.
_OF_TRUTHS = {"and", "or", "not", "=>", "xor"}
_OF_NUMBERS = {"+", "-", "*", "/", "to_real", *_COMPARED}
_OPERATORS = _OF_TRUTHS | _OF_NUMBERS | {"=", "distinct", "ite"}


@dataclass
class _Frame:
    """An opened parenthesis: an application, a ``let``, its list of bindings, or one binding."""

    kind: str
    operator: str = ""
    parts: list[str] = field(default_factory=list)
    name: str | None = None
    bindings: list[tuple[str, str]] | None = None


class Invariant:
    """A term ready to be evaluated.

    Parameters
    ----------
    text : str
        One SMT-LIB 2.6 term of sort Bool.
    sorts : mapping of str to str
        ``"Bool"`` or ``"Real"`` (also for Int) for each symbol that may occur, without bars.

    Raises
    ------
    BadTerm
        No such term, an unknown symbol or operator, or sorts that do not fit.
    """

    def __init__(self, text: str, sorts: Mapping[str, str]):
        self._sorts = sorts
        self._lines: list[str] = []
        self._slot_of: dict[str, str] = {}
        self._sort_of: dict[str, str] = {}
        self._inputs: dict[str, str] = {}
        self._constants: dict[Fraction, str] = {}
        self._value_of: dict[str, Fraction] = {}
        result = self._read(text)
        if self._sort_of[result] != BOOL:
            raise BadTerm("the invariant is a number, not a truth")
        self.symbols = frozenset(self._inputs)
        self._call = self._compile(result)

    def holds(self, values: Mapping[str, bool | int | Fraction]) -> bool:
        """Truth of the invariant, given the exact value of every symbol in ``symbols``."""
        return self._call(values)

    def _compile(self, result: str):
        loads = [f"    {slot} = values[{name!r}]" for name, slot in self._inputs.items()]
        body = [f"    {line}" for line in self._lines]
        source = "\n".join(["def invariant(values):", *loads, *body, f"    return {result}"])
        # Whole numbers as integers: comparing with these is much faster than with fractions.
        scope: dict = {
            slot: value.numerator if value.denominator == 1 else value
            for slot, value in self._value_of.items()
        }
        exec(compile(source, "<invariant>", "exec"), scope)
        return scope["invariant"]

    # -- reading --------------------------------------------------------------------------------

    def _read(self, text: str) -> str:
        results: list[str] = []
        frames: list[_Frame] = []
        scope: dict[str, list[str]] = {}
        tokens = _tokens(text)
        for kind, word in tokens:
            top = frames[-1] if frames else None
            if kind == "open":
                frames.append(_opened(top, tokens))
            elif kind == "close":
                if top is None:
                    raise BadTerm("a closing parenthesis too many")
                frames.pop()
                self._close(top, frames, scope, results)
            elif top is not None and top.kind == "binding" and top.name is None:
                if kind not in ("symbol", "quoted"):
                    raise BadTerm(f"`{word}` can't be bound by let")
                top.name = word
            else:
                _deliver(self._atom(kind, word, scope), frames, results)
        if frames:
            raise BadTerm(f"the text ends inside {len(frames)} open parentheses")
        if len(results) != 1:
            raise BadTerm(f"{len(results)} terms where one is due")
        return results[0]

    def _atom(self, kind: str, word: str, scope: dict[str, list[str]]) -> str:
        if kind in ("numeral", "decimal"):
            return self._constant(Fraction(word))
        if scope.get(word):
            return scope[word][-1]
        if kind == "symbol" and word in ("true", "false"):
            return self._slot(word.capitalize(), BOOL)
        if word not in self._sorts:
            raise BadTerm(f"unknown symbol `{word}`")
        if word not in self._inputs:
            slot = f"s{len(self._inputs)}"
            self._inputs[word] = slot
            self._sort_of[slot] = self._sorts[word]
        return self._inputs[word]

    def _close(
        self,
        frame: _Frame,
        frames: list[_Frame],
        scope: dict[str, list[str]],
        results: list[str],
    ) -> None:
        if frame.kind == "application":
            _deliver(self._apply(frame.operator, frame.parts), frames, results)
        elif frame.kind == "binding":
            if frame.name is None or len(frame.parts) != 1:
                raise BadTerm("a binding of let is one symbol and one term")
            frames[-1].bindings.append((frame.name, frame.parts[0]))
        elif frame.kind == "bindings":
            # Parallel: no binding sees another of the same let.
            names = [name for name, _slot in frame.bindings]
            if len(set(names)) != len(names):
                raise BadTerm("one let binds a symbol twice")
            for name, slot in frame.bindings:
                scope.setdefault(name, []).append(slot)
            frames[-1].bindings = frame.bindings
        else:
            if frame.bindings is None or len(frame.parts) != 1:
                raise BadTerm("let is a list of bindings and one term")
            for name, _slot in frame.bindings:
                scope[name].pop()
            _deliver(frame.parts[0], frames, results)

    # -- writing --------------------------------------------------------------------------------

    def _slot(self, expression: str, sort: str) -> str:
        """The variable that holds ``expression``; equal expressions share one."""
        if expression not in self._slot_of:
            slot = f"v{len(self._lines)}"
            self._slot_of[expression] = slot
            self._sort_of[slot] = sort
            self._lines.append(f"{slot} = {expression}")
        return self._slot_of[expression]

    def _constant(self, value: Fraction) -> str:
        if value not in self._constants:
            slot = f"c{len(self._constants)}"
            self._constants[value] = slot
            self._value_of[slot] = value
            self._sort_of[slot] = NUMBER
        return self._constants[value]

    def _apply(self, operator: str, parts: list[str]) -> str:
        if operator not in _OPERATORS:
            raise BadTerm(f"unknown operator `{operator}`")
        if not parts:
            raise BadTerm(f"`{operator}` of nothing")
        sorts = [self._sort_of[part] for part in parts]
        if operator == "ite":
            return self._choice(parts, sorts)
        expected = BOOL if operator in _OF_TRUTHS else NUMBER
        if operator in ("=", "distinct"):
            expected = sorts[0]
        if any(sort != expected for sort in sorts):
            raise BadTerm(f"`{operator}` of truths and numbers that do not fit it")
        if operator in ("not", "to_real"):
            if len(parts) != 1:
                raise BadTerm(f"`{operator}` of {len(parts)} terms")
            return self._slot(f"not {parts[0]}", BOOL) if operator == "not" else parts[0]
        if operator in ("and", "or"):
            return self._slot(f" {operator} ".join(parts), BOOL)
        if operator == "-" and len(parts) == 1:
            if parts[0] in self._value_of:
                return self._constant(-self._value_of[parts[0]])
            return self._slot(f"-{parts[0]}", NUMBER)
        if len(parts) < 2:
            raise BadTerm(f"`{operator}` of one term")
        if operator in ("+", "-", "*"):
            return self._slot(f" {operator} ".join(parts), NUMBER)
        if operator == "/":
            return self._quotient(parts)
        return self._relation(operator, parts)

    def _choice(self, parts: list[str], sorts: list[str]) -> str:
        if len(parts) != 3 or sorts[0] != BOOL or sorts[1] != sorts[2]:
            raise BadTerm("`ite` takes a truth and two terms of one sort")
        return self._slot(f"{parts[1]} if {parts[0]} else {parts[2]}", sorts[1])

    def _quotient(self, parts: list[str]) -> str:
        divisor = Fraction(1)
        for part in parts[1:]:
            if not self._value_of.get(part):
                raise BadTerm("`/` by something that is not a constant other than 0")
            divisor *= self._value_of[part]
        if parts[0] in self._value_of:
            return self._constant(self._value_of[parts[0]] / divisor)
        return self._slot(f"{parts[0]} * {self._constant(1 / divisor)}", NUMBER)

    def _relation(self, operator: str, parts: list[str]) -> str:
        if operator == "=>":
            # Right associative: all before the last being true, the last is.
            return self._slot(f"not ({' and '.join(parts[:-1])}) or {parts[-1]}", BOOL)
        if operator == "xor":
            return self._slot(" ^ ".join(parts), BOOL)
        if operator == "distinct":
            return self._slot(f"len({{{', '.join(parts)}}}) == {len(parts)}", BOOL)
        python = "==" if operator == "=" else _COMPARED[operator]
        return self._slot(f" {python} ".join(parts), BOOL)


def _opened(top: _Frame | None, tokens) -> _Frame:
    """The frame of a parenthesis just opened inside ``top``."""
    if top is not None and top.kind == "let" and top.bindings is None:
        return _Frame("bindings", bindings=[])
    if top is not None and top.kind == "bindings":
        return _Frame("binding")
    if top is not None and top.kind == "binding" and top.name is None:
        raise BadTerm("a binding of let begins with its symbol")
    kind, word = next(tokens, ("end", "the end"))
    if kind != "symbol":
        raise BadTerm(f"an operator is due where `{word}` stands")
    return _Frame("let") if word == "let" else _Frame("application", operator=word)


def _deliver(slot: str, frames: list[_Frame], results: list[str]) -> None:
    """Give a finished term to the parenthesis it stands in."""
    if not frames:
        results.append(slot)
        return
    top = frames[-1]
    if top.kind == "bindings" or (top.kind == "let" and top.bindings is None):
        raise BadTerm("let begins with a list of bindings")
    top.parts.append(slot)


def _tokens(text: str):
    position = 0
    while position < len(text):
        match = _TOKEN.match(text, position)
        if match is None:
            raise BadTerm(f"`{text[position : position + 20]}` is no word of SMT-LIB")
        position = match.end()
        if match.lastgroup != "space":
            yield match.lastgroup, match[match.lastgroup]
