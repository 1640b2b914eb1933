"""Exact seconds and counts as people read them."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

DECIMALS = 6


def seconds_text(seconds: Fraction) -> str:
    """``7 s``, ``0.5 s``; a value that needs more than six decimals as ``31/3 s (about 10.333 s)``.

    Nothing is rounded without saying so: boundary cases decide verdicts.
    """
    scaled = seconds * 10**DECIMALS
    if scaled.denominator != 1:
        return f"{seconds} s (about {float(seconds):.3f} s)"
    if seconds.denominator == 1:
        return f"{seconds.numerator} s"
    return f"{float(seconds):.{DECIMALS}f}".rstrip("0") + " s"


def short_seconds_text(seconds: Fraction) -> str:
    """As ``seconds_text``, but a long value only as ``about 10.33 s``, for pictures."""
    if (seconds * 10**DECIMALS).denominator != 1:
        return f"about {float(seconds):.2f} s"
    return seconds_text(seconds)


def count_text(number: int, noun: str, plural: str = "") -> str:
    """``1 step``, ``2 steps``, ``no steps``."""
    if number == 1:
        return f"1 {noun}"
    return f"{number or 'no'} {plural or noun + 's'}"


def allowed_text(budget: int, classes: Sequence[str]) -> str:
    """``no faults allowed``, ``1 fault allowed``, ``1 fault allowed, of: train or operator``."""
    of = f", of: {' or '.join(classes)}" if budget and classes else ""
    return f"{count_text(budget, 'fault')} allowed{of}"


def window_text(lo: Fraction, hi: Fraction | None) -> str:
    """A window in seconds for pictures: ``4 s``, ``4 s .. 6 s`` or ``4 s ..``."""
    if hi is None:
        return f"{short_seconds_text(lo)} .."
    if lo == hi:
        return short_seconds_text(lo)
    return f"{short_seconds_text(lo)} .. {short_seconds_text(hi)}"
