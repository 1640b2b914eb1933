"""A sequence taken from the text of an order, walked second by second on the concrete machine."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

from tests.oracles.judging import MODELS
from verifier.language.load import load
from verifier.semantics.concrete import Concrete, NotAllowed
from verifier.semantics.run import Move, Snapshot, Step


class Walk:
    """One run: after ``wait`` seconds the machine named goes to the state named, then control settles.

    A fault is taken where nothing else leads there, and ``budget`` allows it. ``entries`` holds the time at which each machine last entered each state.
    """

    def __init__(self, model: str | Path, budget: int = 0):
        self.model, _ = load(str(MODELS / model))
        self.concrete = Concrete(self.model, budget)
        self.entries: dict[tuple[str, str], Fraction] = {}
        self.now = self.concrete.initial()
        self._settle()

    def wait(self, seconds, machine: str = "", state: str = "") -> None:
        moves = () if not machine else (self._move(machine, state),)
        self._take(Step("world", Fraction(seconds), moves))
        self._settle()

    def refuses(self, seconds, machine: str = "", state: str = "") -> bool:
        """Whether the concrete machine does not allow what ``wait`` would do."""
        moves = () if not machine else (self._move(machine, state),)
        try:
            self.concrete.take(self.now, Step("world", Fraction(seconds), moves))
        except NotAllowed:
            return True
        return False

    def between(self, begins: tuple[str, str], ends: tuple[str, str]) -> Fraction:
        return self.entries[ends] - self.entries[begins]

    def _move(self, machine: str, state: str) -> Move:
        here = self.now.locations[machine]
        found = [
            t
            for t in self.model.machine(machine).transitions
            if (t.source, t.target) == (here, state)
        ]
        (chosen,) = [t for t in found if not t.fault] or found
        return Move(machine, chosen.index)

    def _settle(self) -> None:
        while not self.now.is_settled:
            (step,) = self.concrete.settle_rounds(self.now)
            self._take(step)

    def _take(self, step: Step) -> None:
        before: Snapshot = self.now
        self.now = self.concrete.take(before, step)
        for machine, state in self.now.locations.items():
            if before.locations[machine] != state:
                self.entries[machine, state] = self.now.time
