"""What a judge says of one run, and how it words times."""

from __future__ import annotations

from dataclasses import dataclass, field
from fractions import Fraction

from verifier.semantics.run import Step


class Unjudged(Exception):
    """A run can't be judged within the limits; ``reason`` is a whole sentence. Never a verdict."""

    def __init__(self, reason: str):
        super().__init__(reason)
        self.reason = reason


@dataclass(frozen=True)
class Judgement:
    """How a run breaks (or shows) a property.

    ``violating`` and ``onset`` are indices of snapshots; ``why`` is one plain sentence without its
    final stop. ``further`` are steps to be taken after the run's last snapshot to show it whole, and
    ``loop`` the snapshot to which the last of them returns (only ``does not settle``).
    """

    violating: int
    onset: int | None
    why: str
    loop: int | None = None
    further: tuple[Step, ...] = field(default=())


def in_seconds(time: Fraction) -> str:
    """An exact time for people: ``3.5 s``, or ``1/3 s (about 0.333 s)`` where no decimal is exact."""
    rest = time.denominator
    for prime in (2, 5):
        while rest % prime == 0:
            rest //= prime
    if rest != 1:
        return f"{time} s (about {float(time):.3f} s)"
    places = 0
    while (time * 10**places).denominator != 1:
        places += 1
    digits = str(abs(int(time * 10**places))).rjust(places + 1, "0")
    sign = "-" if time < 0 else ""
    if places == 0:
        return f"{sign}{digits} s"
    return f"{sign}{digits[:-places]}.{digits[-places:]} s"
