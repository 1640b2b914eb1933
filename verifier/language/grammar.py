"""Guards, windows and quantities as text: the grammar of ``specs/semantics.md`` section 2.

Recursive descent, with caps on depth and length so that no text can exhaust the program.
"""

from __future__ import annotations

import re
from fractions import Fraction

from verifier.diagnostics import Findings
from verifier.language.shape import RESERVED
from verifier.language.syntax import (
    Arithmetic,
    Both,
    Compare,
    Edge,
    Either,
    GuardText,
    Name,
    Number,
    Opposite,
    Over,
    QuantityText,
    Truth,
    WindowText,
    Word,
)
from verifier.language.tree import Scalar

DEEPEST = 40
MOST_TOKENS = 200
LONGEST_NUMBER = 18
COMPOUND_UNITS = frozenset(["m/s", "km/h", "ft/s", "m/s2", "ft/s2"])

_TOKEN = re.compile(
    r"""\s*(?:
      (?P<number>\d+(?:\.\d+)?)
    | (?P<word>[A-Za-z](?:[A-Za-z0-9_]|\{[A-Za-z][A-Za-z0-9_]*\})*
               (?:\.[A-Za-z](?:[A-Za-z0-9_]|\{[A-Za-z][A-Za-z0-9_]*\})*)*)
    | (?P<sign>\.\.|[()|+\-*/])
    | (?P<other>==|!=|<=|>=|&&|\|\||\S)
    )""",
    re.VERBOSE | re.ASCII,
)

_INSTEAD = {
    "=": "is",
    "==": "is",
    "!=": "is not",
    "!": "not",
    "&": "and",
    "&&": "and",
    "||": "or",
    "AND": "and",
    "OR": "or",
    "NOT": "not",
    "IS": "is",
}


class _Unreadable(Exception):
    def __init__(self, word: Word, message: str, try_next: str = ""):
        super().__init__(message)
        self.word = word
        self.message = message
        self.try_next = try_next


def parse_guard(scalar: Scalar, findings: Findings) -> GuardText | None:
    """Parse a guard; None after an LX203."""
    try:
        return _Parser(scalar.text).whole_guard()
    except _Unreadable as error:
        _report("LX203", "guard", error, scalar, findings)
        return None


def parse_window(scalar: Scalar, findings: Findings) -> WindowText | None:
    """Parse a window or a quantity; None after an LX204."""
    try:
        return _Parser(scalar.text).whole_window()
    except _Unreadable as error:
        _report("LX204", "time or quantity", error, scalar, findings)
        return None


def _report(code: str, what: str, error: _Unreadable, scalar: Scalar, findings: Findings) -> None:
    findings.add(
        code,
        scalar.spot_at(error.word.at, len(error.word.text)),
        f"this {what} can't be read: {error.message}",
        try_next=error.try_next,
    )


_END = ""


class _Parser:
    """Recursive descent over the tokens, one method a rule of the grammar."""

    def __init__(self, text: str):
        self._tokens: list[tuple[str, Word]] = []
        at = 0
        while match := _TOKEN.match(text, at):
            kind = match.lastgroup or "other"
            self._tokens.append((kind, Word(match.group(kind), match.start(kind))))
            at = match.end()
        self._tokens.append(("end", Word(_END, len(text.rstrip()))))
        self._next = 0
        self._depth = 0

    # -- reading tokens

    @property
    def _kind(self) -> str:
        return self._tokens[self._next][0]

    @property
    def _word(self) -> Word:
        return self._tokens[self._next][1]

    def _advance(self) -> Word:
        word = self._word
        if self._kind != "end":
            self._next += 1
        return word

    def _accept(self, text: str) -> bool:
        if self._word.text == text and self._kind != "end":
            self._next += 1
            return True
        return False

    def _expect(self, text: str, after: str) -> None:
        if not self._accept(text):
            raise self._unexpected(f"`{text}` is due {after}")

    def _unexpected(self, due: str) -> _Unreadable:
        found = self._word
        shown = f"`{found.text}` stands" if found.text else "the text ends"
        instead = _INSTEAD.get(found.text)
        try_next = f"`{instead}` instead of `{found.text}`" if instead else ""
        return _Unreadable(found, f"{due}, but {shown} here", try_next)

    def _deeper(self) -> None:
        self._depth += 1
        if self._depth > DEEPEST:
            raise _Unreadable(self._word, f"it is nested deeper than {DEEPEST} levels")

    def _end(self, due: str) -> None:
        if self._kind != "end":
            raise self._unexpected(due)

    # -- guards

    def whole_guard(self) -> GuardText:
        guard = self._guard()
        self._end("`and`, `or` or the end is due")
        return guard

    def _guard(self) -> GuardText:
        self._deeper()
        parts = [self._conj()]
        while self._accept("or"):
            parts.append(self._conj())
        self._depth -= 1
        return parts[0] if len(parts) == 1 else Either(tuple(parts))

    def _conj(self) -> GuardText:
        parts = [self._unary()]
        while self._accept("and"):
            parts.append(self._unary())
        return parts[0] if len(parts) == 1 else Both(tuple(parts))

    def _unary(self) -> GuardText:
        self._deeper()
        try:
            if self._accept("not"):
                return Opposite(self._unary())
            if self._word.text in ("some", "every", "another") and self._kind == "word":
                return self._quantified()
            return self._primary()
        finally:
            self._depth -= 1

    def _quantified(self) -> GuardText:
        kind = self._advance()
        group = self._name("a group")
        self._expect("has", f"after `{kind.text} {group.text}`")
        return Over(kind.text, group, self._unary(), kind.at)

    def _primary(self) -> GuardText:
        if self._accept("("):
            guard = self._guard()
            self._expect(")", "to close the bracket")
            return guard
        if self._accept("true"):
            return Truth(True)
        if self._accept("false"):
            return Truth(False)
        word = self._name("a name")
        if not self._accept("is"):
            return Name(word)
        negated = self._accept("not")
        states = [self._state()]
        while self._accept("|"):
            states.append(self._state())
        return Compare(word, tuple(states), negated)

    def _name(self, what: str) -> Word:
        if self._kind != "word" or self._word.text in RESERVED or self._word.text in _INSTEAD:
            raise self._unexpected(f"{what} is due")
        return self._advance()

    def _state(self) -> Word:
        word = self._name("a state")
        if "." in word.text:
            raise _Unreadable(word, f"a state has no dot, but `{word.text}` stands here")
        return word

    # -- windows and quantities

    def whole_window(self) -> WindowText:
        if len(self._tokens) > MOST_TOKENS:
            word = self._tokens[MOST_TOKENS][1]
            raise _Unreadable(word, f"it has more than {MOST_TOKENS} words and signs")
        lo = self._quantity()
        if not self._accept(".."):
            self._end("`..`, `+`, `-`, `*`, `/` or the end is due")
            return WindowText(lo, None, False)
        hi = None if self._kind == "end" else self._quantity()
        self._end("the end is due")
        return WindowText(lo, hi, True)

    def _quantity(self) -> QuantityText:
        self._deeper()
        left = self._product()
        while self._word.text in ("+", "-"):
            sign = self._advance()
            left = Arithmetic(sign.text, left, self._product(), sign.at)
        self._depth -= 1
        return left

    def _product(self) -> QuantityText:
        left = self._factor()
        while self._word.text in ("*", "/"):
            sign = self._advance()
            left = Arithmetic(sign.text, left, self._factor(), sign.at)
        return left

    def _factor(self) -> QuantityText:
        if self._accept("("):
            inside = self._quantity()
            self._expect(")", "to close the bracket")
            return inside
        for kind in ("earliest", "latest"):
            if self._accept(kind):
                self._expect("(", f"after `{kind}`")
                word = self._name("the name of a window")
                self._expect(")", "to close the bracket")
                return Edge(kind, word)
        if self._kind == "number":
            return self._number()
        return Name(self._name("a number or a name"))

    def _number(self) -> Number:
        number = self._advance()
        if len(number.text) > LONGEST_NUMBER:
            raise _Unreadable(number, f"a number has at most {LONGEST_NUMBER} digits")
        unit = None
        end = number.at + len(number.text)
        if self._kind == "word" and self._word.text not in RESERVED:
            word = self._advance()
            unit, end = word.text, word.at + len(word.text)
            # `km/h`, `m/s`, `ft/s`: a speed, not a division by something called `h` or `s`.
            if self._word.text == "/":
                per = self._tokens[self._next + 1][1]
                if f"{unit}/{per.text}" in COMPOUND_UNITS:
                    self._next += 2
                    unit, end = f"{unit}/{per.text}", per.at + len(per.text)
        return Number(Fraction(number.text), unit, Word(" " * (end - number.at), number.at))
