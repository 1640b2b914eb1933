"""Replayed traces as plain data for an evidence folder, and back as proposals.

Exact times are texts like ``7/2``, in seconds; beside each time of the run stands a decimal for people.
A trace that is read back is a claim like any engine's and must be replayed.
"""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction
from typing import Any

from verifier.evidence.result import ReplayedTrace
from verifier.language.model import Model
from verifier.semantics.concrete_guard import compile_guard
from verifier.semantics.run import Move, Snapshot, Step, Trace


class NotATrace(Exception):
    """The data names what the model has not; the message is one sentence for people."""


def to_json(model: Model, trace: ReplayedTrace, file_names: Mapping[str, str] | None = None) -> dict[str, Any]:
    """A replayed trace as plain data.

    ``start`` holds every machine's state and every term's truth, each step only what it changed;
    ``times_s`` all times of section 10 after the step. Steps are counted from 1; 0 is the start.
    ``file_names`` gives other names for the files of the model.
    """
    tests = {name: compile_guard(term.guard) for name, term in model.terms.items()}
    shots = trace.run.snapshots
    truths = [{name: test(shot.locations) for name, test in tests.items()} for shot in shots]
    return {
        "violating_step": trace.violating,
        "onset_step": trace.onset,
        "loops_to_step": trace.loop,
        "why": trace.why,
        "start": {"machines": dict(shots[0].locations), "terms": truths[0], **_times(shots[0])},
        "steps": [
            {
                "number": number,
                "kind": step.kind,
                "time_s": str(shots[number].time),
                "time_s_decimal": float(shots[number].time),
                "delay_s": str(step.delay),
                "transitions": [_move(model, move, file_names or {}) for move in step.moves],
                "terms": {name: truth for name, truth in truths[number].items()
                          if truth != truths[number - 1][name]},
                **_times(shots[number]),
            }
            for number, step in enumerate(trace.run.steps, start=1)
        ],
    }


def from_json(model: Model, data: Mapping[str, Any]) -> Trace:
    """The trace that ``to_json`` wrote, with all it claims of each state.

    ``data`` must fit the schema of ``store_schema``. Raises ``NotATrace``.
    """
    locations = dict(data["start"]["machines"])
    steps, claims = [], [{**locations, **_claimed(data["start"])}]
    for step in data["steps"]:
        moves = []
        for taken in step["transitions"]:
            move = Move(taken["machine"], taken["transition"])
            _require_same(model, move, taken, step["number"])
            moves.append(move)
            locations[move.machine] = taken["to"]
        steps.append(Step(step["kind"], Fraction(step["delay_s"]), tuple(moves)))
        claims.append({**locations, **_claimed(step)})
    return Trace(tuple(steps), tuple(claims), data["loops_to_step"])


def _move(model: Model, move: Move, file_names: Mapping[str, str]) -> dict[str, Any]:
    t = model.machine(move.machine).transitions[move.transition]
    return {
        "machine": move.machine,
        "transition": move.transition,
        "from": t.source,
        "to": t.target,
        "fault": t.fault,
        "file": file_names.get(t.place.file, t.place.file),
        "line": t.place.line,
    }


def _require_same(model: Model, move: Move, taken: Mapping[str, Any], number: int) -> None:
    names = {machine.name for machine in model.machines}
    what = f"step {number}: transition {move.transition} of `{move.machine}`"
    if move.machine not in names or move.transition >= len(model.machine(move.machine).transitions):
        raise NotATrace(f"{what} is not in the model")
    t = model.machine(move.machine).transitions[move.transition]
    if (t.source, t.target) != (taken["from"], taken["to"]):
        raise NotATrace(f"{what} leads from {t.source} to {t.target}")


def _times(shot: Snapshot) -> dict[str, Any]:
    return {"times_s": {name: str(time) for name, time in shot.times.items()}, "spent": shot.spent}


def _claimed(state: Mapping[str, Any]) -> dict[str, Fraction]:
    times = {name: Fraction(time) for name, time in state["times_s"].items()}
    return {**times, "spent": Fraction(state["spent"])}
