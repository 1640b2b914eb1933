"""Runs of one design led on another: the world does the same, and control what it must."""

from __future__ import annotations

from collections.abc import Callable

from verifier.semantics.concrete import ZERO, Concrete, NotAllowed
from verifier.semantics.run import Move, Run, Step

# More rounds than a settle takes: one that goes round for ever is left there.
ROUNDS = 64


def as_far(concrete: Concrete, parted: Run) -> Run:
    """The run that both designs have up to where they part, taken by the planted one: what the world does is
    the same, and control settles in the same rounds."""
    leading = _Leading(concrete)
    for act in _acts(parted):
        leading.settle()
        leading.take(act)
    return leading.run()


def led_by(concrete: Concrete, way: Run, named: Callable[[str], str] = str) -> Run:
    """The run of another design in which the world does what it does in ``way``, for as long as it can; ``named``
    tells which machine does what one of ``way`` did."""
    leading = _Leading(concrete)
    try:
        for act in _acts(way):
            leading.settle()
            moves = (Move(named(move.machine), move.transition) for move in act.moves)
            leading.take(Step("world", act.delay, tuple(sorted(moves, key=lambda move: move.machine))))
        leading.settle()
    except NotAllowed:
        pass
    return leading.run()


def _acts(run: Run) -> list[Step]:
    return [step for step in run.steps if step.kind == "world"]


class _Leading:
    def __init__(self, concrete: Concrete):
        self.concrete = concrete
        self.steps: list[Step] = []
        self.snapshots = [concrete.initial()]

    def settle(self) -> None:
        for _ in range(ROUNDS):
            if self.snapshots[-1].is_settled:
                break
            moves = self.concrete.choices(self.snapshots[-1]).values()
            self.take(Step("settle", ZERO, tuple(sorted((m[0] for m in moves), key=lambda m: m.machine))))

    def take(self, step: Step) -> None:
        self.snapshots.append(self.concrete.take(self.snapshots[-1], step))
        self.steps.append(step)

    def run(self) -> Run:
        return Run(tuple(self.steps), tuple(self.snapshots))
