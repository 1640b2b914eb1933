"""Quantities with units, exactly: the values behind times, windows and parameters.

Units come from pint on exact fractions. The registry holds only the units below, so that it is
there at once and an unknown unit is a plain mistake. By definition 1 inch is 25.4 mm and so
1 mile is 1609.344 m (international yard and pound agreement of 1959; from memory).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from typing import TYPE_CHECKING

from verifier.diagnostics import did_you_mean
from verifier.language.syntax import Arithmetic, Edge, Name, Number, QuantityText, WindowText, Word

if TYPE_CHECKING:
    import pint

UNITS: dict[str, tuple[str, str]] = {
    # as written: (name in the registry, its definition there)
    "s": ("second", "[time]"),
    "ms": ("millisecond", "1/1000 * second"),
    "min": ("minute", "60 * second"),
    "h": ("hour", "3600 * second"),
    "m": ("metre", "[length]"),
    "mm": ("millimetre", "1/1000 * metre"),
    "cm": ("centimetre", "1/100 * metre"),
    "km": ("kilometre", "1000 * metre"),
    "ft": ("foot", "0.3048 * metre"),
    "yd": ("yard", "0.9144 * metre"),
    "ch": ("chain", "20.1168 * metre"),
    "mile": ("mile", "1609.344 * metre"),
    "m/s": ("metre_per_second", "metre / second"),
    "km/h": ("kilometre_per_hour", "1/3.6 * metre / second"),
    "mph": ("mile_per_hour", "0.44704 * metre / second"),
    "ft/s": ("foot_per_second", "0.3048 * metre / second"),
    "m/s2": ("metre_per_second_squared", "metre / second ** 2"),
    "ft/s2": ("foot_per_second_squared", "0.3048 * metre / second ** 2"),
}
_WRITTEN = {name: written for written, (name, _) in UNITS.items()}

# Powers of length and time.
_DIMENSIONS = {
    (0, 0): "a number without a unit",
    (0, 1): "a time",
    (1, 0): "a length",
    (1, -1): "a speed",
    (1, -2): "an acceleration",
}
_BASE = {(0, 1): "s", (1, 0): "m", (1, -1): "m/s", (1, -2): "m/s2"}


@dataclass(frozen=True)
class Span:
    """A window ``lo .. hi`` of quantities of one dimension, ``hi`` None when it has no end."""

    lo: "pint.Quantity"
    hi: "pint.Quantity | None"


class QuantityError(Exception):
    """A quantity has no value; ``word`` is the piece at fault, ``code`` the diagnostic's code."""

    def __init__(self, code: str, word: Word, message: str, mark: str = ""):
        super().__init__(message)
        self.code = code
        self.word = word
        self.message = message
        self.mark = mark


class AlreadyReported(Exception):
    """A quantity has no value because of an error reported elsewhere."""


@cache
def _registry() -> "pint.UnitRegistry":
    # Imported on first use: importing pint takes longer than reading a model.
    import pint

    registry = pint.UnitRegistry(None, non_int_type=Fraction)
    for name, definition in UNITS.values():
        registry.define(f"{name} = {definition}")
    return registry


Lookup = Callable[[Word], "pint.Quantity | Span"]


def evaluate(text: QuantityText, lookup: Lookup) -> "pint.Quantity":
    """The value of a quantity that is not a window.

    Raises
    ------
    QuantityError
        LX214 (dimensions), LX216 (unknown unit), LX217 (a window in the middle), LX221 (division
        by zero), or what ``lookup`` raises for an unknown name.
    """
    if isinstance(text, Number):
        return _number(text)
    if isinstance(text, Name):
        value = lookup(text.word)
        if isinstance(value, Span):
            raise QuantityError(
                "LX217",
                text.word,
                f"`{text.word.text}` is a window where one quantity is due",
                f"earliest({text.word.text}) or latest({text.word.text})",
            )
        return value
    if isinstance(text, Edge):
        return _edge(text, lookup(text.word))
    return _arithmetic(text, evaluate(text.left, lookup), evaluate(text.right, lookup))


def evaluate_window(text: WindowText, lookup: Lookup) -> "pint.Quantity | Span":
    """The value of a window or quantity; a lone name of a window is that window."""
    if not text.has_range:
        if isinstance(text.lo, Name):
            return lookup(text.lo.word)
        return evaluate(text.lo, lookup)
    lo = evaluate(text.lo, lookup)
    if text.hi is None:
        return Span(lo, None)
    hi = evaluate(text.hi, lookup)
    if lo.dimensionality != hi.dimensionality:
        raise QuantityError(
            "LX214", first_word(text.hi), f"a window from {dimension(lo)} to {dimension(hi)}"
        )
    if lo > hi:
        raise QuantityError(
            "LX218", first_word(text.lo), f"the window ends at {show(hi)}, before its start"
        )
    return Span(lo, hi)


def _number(text: Number) -> "pint.Quantity":
    registry = _registry()
    if text.unit is None:
        return registry.Quantity(text.value, registry.Unit(""))
    if text.unit not in UNITS:
        hint = did_you_mean(text.unit, UNITS) or f"known: {', '.join(UNITS)}"
        raise QuantityError("LX216", text.word, f"`{text.unit}` is not a known unit", hint)
    return registry.Quantity(text.value, registry.Unit(UNITS[text.unit][0]))


def _edge(text: Edge, value: "pint.Quantity | Span") -> "pint.Quantity":
    if not isinstance(value, Span):
        return value
    if text.kind == "earliest":
        return value.lo
    if value.hi is None:
        message = f"the window `{text.word.text}` has no end, so it has no latest time"
        raise QuantityError("LX217", text.word, message)
    return value.hi


def _arithmetic(
    text: Arithmetic, left: "pint.Quantity", right: "pint.Quantity"
) -> "pint.Quantity":
    sign = Word(text.sign, text.at)
    if text.sign == "*":
        return left * right
    if text.sign == "/":
        if right.magnitude == 0:
            raise QuantityError("LX221", sign, "division by zero")
        return left / right
    if left.dimensionality != right.dimensionality:
        verb = "added to" if text.sign == "+" else "less"
        message = f"{dimension(left)} {verb} {dimension(right)}"
        mark = f"{show(left)} on the left, {show(right)} on the right"
        raise QuantityError("LX214", sign, message, mark)
    return left + right if text.sign == "+" else left - right


def first_word(text: QuantityText) -> Word:
    """The word with which a quantity begins, to point at it."""
    while isinstance(text, Arithmetic):
        text = text.left
    return text.word


def _powers(quantity: "pint.Quantity") -> tuple[Fraction, Fraction]:
    found = quantity.dimensionality
    return Fraction(found.get("[length]", 0)), Fraction(found.get("[time]", 0))


def dimension(quantity: "pint.Quantity") -> str:
    """The dimension in words: "a time", "a length", "a number without a unit" ..."""
    length, time = _powers(quantity)
    return _DIMENSIONS.get((length, time), f"a quantity in m^{length} s^{time}")


def seconds(quantity: "pint.Quantity") -> Fraction | None:
    """The time in seconds, exactly; None when it is not a time."""
    if dimension(quantity) != "a time":
        return None
    return Fraction(quantity.to("second").magnitude)


def show(value: "pint.Quantity | Span") -> str:
    """A value for people: "27 s", "6 s .. 10 s", "about 47.224 s"."""
    if isinstance(value, Span):
        return f"{show(value.lo)} .. {show(value.hi) if value.hi is not None else ''}".rstrip()
    powers = _powers(value)
    names = list(value.unit_items())
    if len(names) == 1 and names[0][1] == 1:
        unit = _WRITTEN[names[0][0]]
    elif powers in _BASE:
        unit = _BASE[powers]
        value = value.to(UNITS[unit][0])
    else:
        value = value.to_base_units()
        unit = "" if powers == (0, 0) else f"m^{powers[0]} s^{powers[1]}"
    return f"{decimal(Fraction(value.magnitude))} {unit}".rstrip()


def decimal(value: Fraction) -> str:
    """``value`` as a decimal, exact when it has at most six decimals, else "about" with three."""
    scaled = value * 10**6
    if scaled.denominator == 1:
        whole = f"{int(scaled) / 10**6:.6f}" if abs(scaled) < 2**52 else str(float(value))
        return whole.rstrip("0").rstrip(".")
    return f"about {float(value):.3f}"
