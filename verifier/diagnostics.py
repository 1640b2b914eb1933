"""Places in files and the diagnostics that point at them.

The code table and the rendering of messages live here, so that a checker only chooses a code and
names what is at fault. Nothing in this module knows about models or solvers.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, order=True)
class Place:
    """Where something stands: ``file`` as the user named it, ``line`` and ``column`` from 1."""

    file: str
    line: int
    column: int

    def __str__(self) -> str:
        return f"{self.file}:{self.line}:{self.column}"
