"""How long and how much an engine may use, and what it says when that is used up."""

from __future__ import annotations

import resource
import time
from dataclasses import dataclass, field


class OutOfBudget(Exception):
    """Raised by an engine that met its limit; ``reason`` is a clause for the verdict, ``try_next``
    what may help."""

    def __init__(self, reason: str, try_next: str = "give it more time (--time-limit)"):
        super().__init__(reason)
        self.reason, self.try_next = reason, try_next


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
            raise OutOfBudget(
                f"the memory limit of {self.memory_mb} MB was reached",
                "give it more memory (--memory-limit)",
            )

    @property
    def left(self) -> float | None:
        """Seconds left, at least a millisecond; None without a limit."""
        if self.seconds is None:
            return None
        return max(self.seconds - (time.monotonic() - self.started), 0.001)


def resident_mb(process: int | None = None) -> float:
    """Resident memory of a process now, in MB; of this one unless said otherwise.

    Where /proc is missing, this process's peak, and 0 for another.
    """
    try:
        with open(f"/proc/{process or 'self'}/statm", encoding="ascii") as statm:
            return int(statm.read().split()[1]) * resource.getpagesize() / 1e6
    except OSError:
        if process is not None:
            return 0.0
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1000
