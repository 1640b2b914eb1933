"""How long and how much an engine may use, and what it says when that is used up."""

from __future__ import annotations

import resource
import time
from dataclasses import dataclass, field


class OutOfBudget(Exception):
    """Raised by an engine that met its limit; ``reason`` is a clause for the verdict."""

    def __init__(self, reason: str):
        super().__init__(reason)
        self.reason = reason


@dataclass
class Allowance:
    """A deadline and a memory cap, asked often by every engine.

    ``seconds`` counts from construction; ``memory_mb`` is resident memory of this process; None
    means no limit.
    """

    seconds: float | None = None
    memory_mb: int | None = None
    started: float = field(default_factory=time.monotonic)

    def check(self) -> None:
        """Raise ``OutOfBudget`` once a limit is passed."""
        if self.seconds is not None and time.monotonic() - self.started > self.seconds:
            raise OutOfBudget(f"the time limit of {self.seconds:g} s was reached")
        if self.memory_mb is not None and resident_mb() > self.memory_mb:
            raise OutOfBudget(f"the memory limit of {self.memory_mb} MB was reached")

    @property
    def left(self) -> float | None:
        """Seconds left, at least a millisecond; None without a limit."""
        if self.seconds is None:
            return None
        return max(self.seconds - (time.monotonic() - self.started), 0.001)


def resident_mb() -> float:
    """Resident memory of this process now, in MB (its peak where /proc is missing)."""
    try:
        with open("/proc/self/statm", encoding="ascii") as statm:
            return int(statm.read().split()[1]) * resource.getpagesize() / 1e6
    except OSError:
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1000
