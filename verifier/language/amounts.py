"""Named quantities of a scope, and windows in seconds as the checked model keeps them."""

from __future__ import annotations

from fractions import Fraction

from verifier.diagnostics import Findings, did_you_mean
from verifier.language.grammar import parse_window
from verifier.language.model import Window
from verifier.language.names import Amount, Broken, Closure, Scope
from verifier.language.shape import fill
from verifier.language.starting import left_open
from verifier.language.syntax import WindowText, Word
from verifier.language.tree import Scalar
from verifier.language.units import (
    AlreadyReported,
    QuantityError,
    Span,
    dimension,
    evaluate_window,
    first_word,
    seconds,
    show,
)

LONGEST_CHAIN = 50


class Amounts:
    """Evaluates quantities, each named one once."""

    def __init__(self, findings: Findings):
        self._findings = findings
        self._parsed: dict[Scalar, WindowText | None] = {}
        self._known: dict[Amount, object] = {}
        self._chain: list[Amount] = []
        self._unknown: set[tuple[Scope, str]] = set()

    def of(self, amount: Amount):
        """The value of a named quantity (a pint quantity or a ``Span``).

        Raises
        ------
        AlreadyReported
            After a diagnostic, now or earlier.
        """
        if amount in self._chain:
            self._report_circle(self._chain[self._chain.index(amount) :])
            raise AlreadyReported
        if amount not in self._known:
            if len(self._chain) > LONGEST_CHAIN:
                message = f"`{amount.name}` stands at the end of more than {LONGEST_CHAIN} others"
                self._findings.add("LX210", amount.closure.scalar.spot, message)
                self._known[amount] = None
                raise AlreadyReported
            self._chain.append(amount)
            value = self.value(amount.closure, amount.name)
            self._chain.pop()
            self._known.setdefault(amount, value)
            if amount.type != "any" and value is not None:
                is_window = amount.type == "window"
                if self._window(value, amount.closure, may_be_window=is_window) is None:
                    self._known[amount] = None
        value = self._known[amount]
        if value is None:
            raise AlreadyReported
        return value

    def value(self, closure: Closure, name: str = ""):
        """The value of a quantity or window as text, called ``name``; None after a diagnostic."""
        what = left_open(closure.scalar.text)
        if what is not None:
            message = f"`{name}` is to be filled in" if name else "a value is to be filled in"
            mark = f"{what} is due here" if what else "a quantity is due here"
            self._findings.add("LX224", closure.scalar.spot, message, mark=mark)
            return None
        text = self._parse(closure.scalar)
        if text is None:
            return None
        try:
            return evaluate_window(text, lambda word: self._look_up(word, closure))
        except AlreadyReported:
            return None
        except QuantityError as error:
            self._add(error, closure)
            return None

    def window(self, closure: Closure) -> Window | None:
        """A window in seconds; a time T is ``T .. T``. None after a diagnostic."""
        value = self.value(closure)
        return None if value is None else self._window(value, closure, may_be_window=True)

    def time(self, closure: Closure) -> Fraction | None:
        """A time in seconds, at least 0; None after a diagnostic."""
        value = self.value(closure)
        if value is None:
            return None
        window = self._window(value, closure, may_be_window=False)
        return window.lo if window else None

    def _window(self, value, closure: Closure, *, may_be_window: bool) -> Window | None:
        text = self._parse(closure.scalar)
        lo_word = first_word(text.lo)
        try:
            if not isinstance(value, Span):
                lo = self._seconds(value, lo_word)
                return Window(lo, lo)
            if not may_be_window:
                message = f"one time is due, not the window {show(value)}"
                raise QuantityError("LX217", lo_word, message)
            lo = self._seconds(value.lo, lo_word)
            hi_word = first_word(text.hi) if text.hi else lo_word
            hi = None if value.hi is None else self._seconds(value.hi, hi_word)
            return Window(lo, hi)
        except QuantityError as error:
            self._add(error, closure)
            return None

    def _seconds(self, value, word: Word) -> Fraction:
        time = seconds(value)
        if time is None and dimension(value) == "a number without a unit":
            raise QuantityError("LX215", word, f"`{show(value)}` has no unit", "a time is due")
        if time is None:
            raise QuantityError("LX214", word, f"{dimension(value)} where a time is due", show(value))
        if time < 0:
            raise QuantityError("LX218", word, f"a time can't be negative: {show(value)}")
        return time

    def _parse(self, scalar: Scalar) -> WindowText | None:
        if scalar not in self._parsed:
            self._parsed[scalar] = parse_window(scalar, self._findings)
        return self._parsed[scalar]

    def _look_up(self, word: Word, closure: Closure):
        name = fill(word.text, closure.members)
        scope = closure.scope
        amount = scope.amounts.get(name)
        if isinstance(amount, Broken) or (scope, name) in self._unknown:
            raise AlreadyReported
        if amount is not None:
            return self.of(amount)
        self._unknown.add((scope, name))
        mark = did_you_mean(name, scope.amounts)
        if name in scope.names:
            mark = "this is a condition or machine, not a quantity"
        raise QuantityError("LX201", word, f"there is no quantity `{name}` in {scope.title}", mark)

    def _report_circle(self, circle: list[Amount]) -> None:
        names = " -> ".join(f"`{a.name}`" for a in [*circle, circle[0]])
        first = min(circle, key=lambda a: a.place)
        self._findings.add(
            "LX210",
            first.closure.scalar.spot,
            f"`{first.name}` is defined by itself: {names}",
            sees=[(a.place, f"`{a.name}` is declared here") for a in circle if a is not first],
        )
        for amount in circle:
            self._known[amount] = None

    def _add(self, error: QuantityError, closure: Closure) -> None:
        spot = closure.scalar.spot_at(error.word.at, len(error.word.text))
        self._findings.add(error.code, spot, error.message, mark=error.mark)
