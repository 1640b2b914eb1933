"""The largest unit of time in which every number of a model and a property is whole."""

from __future__ import annotations

from fractions import Fraction
from math import gcd, lcm

from verifier.language.model import Model, Property


def largest_unit(model: Model, prop: Property) -> Fraction:
    """In seconds."""
    windows = [
        window
        for machine in model.machines
        for t in machine.transitions
        if t.fault is None
        for window in (t.after, t.held)
        if window is not None
    ]
    numbers = [end for window in windows for end in (window.lo, window.hi) if end]
    numbers += [prop.bound] if prop.bound else []
    if not numbers:
        return Fraction(1)
    whole = lcm(*(number.denominator for number in numbers))
    return Fraction(gcd(*(int(number * whole) for number in numbers)), whole)
