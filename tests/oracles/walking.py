"""A sequence taken from the text of an order, walked second by second on the concrete machine."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

from tests.oracles.judging import MODELS
from verifier.language.load import load
from verifier.semantics.concrete import Concrete, NotAllowed
from verifier.semantics.concrete_guard import compile_guard
from verifier.semantics.run import Move, Snapshot, Step

# Of one settle; far more than any sound logic here needs.
MOST_ROUNDS = 100


class Walk:
    """One run: after ``wait`` seconds the machine named goes to the state named, then control settles.

    A fault is taken where it is named, or nothing else leads there, and ``budget`` allows it. ``entries`` holds the
    time at which each machine last entered each state.
    """

    def __init__(self, model: str | Path, budget: int = 0):
        self.model, _ = load(str(MODELS / model))
        self.concrete = Concrete(self.model, budget)
        self.entries: dict[tuple[str, str], Fraction] = {}
        self.now = self.concrete.initial()
        self._settle()

    def wait(self, seconds, machine: str = "", state: str = "", fault: str = "") -> None:
        steps = self._steps(seconds, machine, state, fault)
        (step,) = [one for one in steps if self._allows(one)] or steps[:1]
        self._take(step)
        self._settle()

    def refuses(self, seconds, machine: str = "", state: str = "", fault: str = "") -> bool:
        """Whether the concrete machine does not allow what ``wait`` would do."""
        return not any(map(self._allows, self._steps(seconds, machine, state, fault)))

    def _allows(self, step: Step) -> bool:
        try:
            self.concrete.take(self.now, step)
        except NotAllowed:
            return False
        return True

    def is_in(self, **states: str) -> bool:
        return all(self.now.locations[machine] == state for machine, state in states.items())

    def says(self, term: str) -> bool:
        return compile_guard(self.model.terms[term].guard)(self.now.locations)

    def between(self, begins: tuple[str, str], ends: tuple[str, str]) -> Fraction:
        return self.entries[ends] - self.entries[begins]

    def _steps(self, seconds, machine: str, state: str, fault: str = "") -> list[Step]:
        """The ways there; those by a fault only where there is no other."""
        if not machine:
            return [Step("world", Fraction(seconds), ())]
        here = self.now.locations[machine]
        found = [
            t
            for t in self.model.machine(machine).transitions
            if (t.source, t.target) == (here, state) and (not fault or t.fault == fault)
        ]
        assert found, f"{machine} never goes from {here} to {state}"
        ways = [t for t in found if not t.fault] or found
        return [Step("world", Fraction(seconds), (Move(machine, way.index),)) for way in ways]

    def _settle(self) -> None:
        for _ in range(MOST_ROUNDS):
            if self.now.is_settled:
                return
            (step,) = self.concrete.settle_rounds(self.now)
            self._take(step)
        raise AssertionError("does not settle")

    def _take(self, step: Step) -> None:
        before: Snapshot = self.now
        self.now = self.concrete.take(before, step)
        for machine, state in self.now.locations.items():
            if before.locations[machine] != state:
                self.entries[machine, state] = self.now.time


class OfOneLine(Walk):
    """A walk of the trains, the protecting signal and the approach lock of one ``track``."""

    def __init__(self, model: str | Path, track: str, budget: int = 0):
        super().__init__(model, budget)
        self.track = track

    @property
    def signal(self) -> str:
        return self.now.locations[f"signal_{self.track}"]

    @property
    def lock(self) -> str:
        return self.now.locations[f"lock_{self.track}"]

    def train(self, *states: str, after: int = 0) -> None:
        """The train goes through ``states``, to the first of them ``after`` seconds."""
        for number, state in enumerate(states):
            self.wait(0 if number else after, f"train_{self.track}", state)


def close_half_barriers(walk: Walk) -> None:
    """The shipped half barriers, from the first sight of an up train until they are lowered before it."""
    walk.wait(0, "train_up", "outer")
    walk.wait(0, "running_up", "inward")
    walk.wait(20, "train_up", "approaching")
    walk.wait(3)
    walk.wait(4, "barriers", "falling_above_45")
    walk.wait(3, "barriers", "falling_below_45")
    walk.wait(3, "barriers", "lowered")
