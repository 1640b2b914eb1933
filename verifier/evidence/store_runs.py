"""Concrete runs that back ``dead`` proved: in them every state is entered and every transition enabled.

Only the steps are kept; the concrete machine finds the states again. ``specs/semantics.md`` 9.6.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from fractions import Fraction
from typing import Any

from verifier.language.model import Model
from verifier.semantics.concrete import Concrete
from verifier.semantics.run import Move, Run, Snapshot, Step

Subject = tuple[str, str, str | int]


def subjects(model: Model, budget: int) -> frozenset[Subject]:
    """All that must be alive: states, and transitions that the budget can pay for. Not what stands for the
    failures of sensors (1.6)."""
    asked = [m for m in model.machines if m.sensor == ""]
    states = {("state", m.name, state) for m in asked for state in m.states}
    moves = {("transition", m.name, t.index) for m in asked for t in m.transitions
             if budget > 0 or not t.fault}
    return frozenset(states | moves)


def alive_at(concrete: Concrete, snapshot: Snapshot) -> set[Subject]:
    """What a state shows to be alive."""
    here = {("state", name, state) for name, state in snapshot.locations.items()}
    return here | {("transition", move.machine, move.transition) for move in concrete.enabled(snapshot)}


def cover(model: Model, budget: int, runs: Iterable[Run]) -> tuple[Run, ...]:
    """Beginnings of ``runs`` that show all that ``runs`` show, each no longer than it must be."""
    concrete, seen, kept = Concrete(model, budget), set(), []
    for run in runs:
        last = -1
        for index, snapshot in enumerate(run.snapshots):
            new = alive_at(concrete, snapshot) - seen
            if index > 0:
                new |= _taken(run.steps[index - 1]) - seen
            if new:
                seen |= new
                last = index
        if last >= 0:
            kept.append(Run(run.steps[:last], run.snapshots[: last + 1]))
    return tuple(kept)


def runs_to_json(runs: Sequence[Run]) -> dict[str, Any]:
    return {"runs": [[{"kind": step.kind, "delay_s": str(step.delay),
                       "moves": {move.machine: move.transition for move in step.moves}}
                      for step in run.steps] for run in runs]}


def alive_in(model: Model, budget: int, data: Mapping[str, Any]) -> set[Subject]:
    """Take the runs that ``runs_to_json`` wrote; what they show to be alive.

    ``data`` must fit the schema of ``store_schema``. Raises ``NotAllowed`` for a step that is no step.
    """
    concrete, seen = Concrete(model, budget), set()
    for steps in data["runs"]:
        here = concrete.initial()
        seen |= alive_at(concrete, here)
        for one in steps:
            moves = tuple(Move(name, number) for name, number in sorted(one["moves"].items()))
            step = Step(one["kind"], Fraction(one["delay_s"]), moves)
            here = concrete.take(here, step)
            seen |= alive_at(concrete, here) | _taken(step)
    return seen


def _taken(step: Step) -> set[Subject]:
    return {("transition", move.machine, move.transition) for move in step.moves}
