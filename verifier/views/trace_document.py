"""Traces in the ``--json`` document: written from replayed traces, read back as proposals.

A trace that is read back is a claim like any engine's: ``strikein draw --trace`` replays it before it is
drawn.
"""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction
from typing import Any

from verifier.evidence.result import ReplayedTrace
from verifier.language.model import Model
from verifier.semantics.run import Move, Step, Trace
from verifier.views.story import Moment, Story, tell


class DocumentError(Exception):
    """A file does not hold what it should; the message is one sentence for people."""


def trace_document(model: Model, trace: ReplayedTrace) -> dict[str, Any]:
    """A replayed trace as plain data.

    ``start`` holds every machine's state and every term's truth; each step only what it changed.
    ``violating_step``, ``onset_step`` and ``loops_to_step`` count steps from 1, 0 being the start.
    Times are exact rationals of seconds as text, and decimals beside them.
    """
    story = tell(model, trace)
    return {
        "violating_step": story.violating,
        "onset_step": story.onset,
        "loops_to_step": story.loop,
        "why": story.why,
        "start": {"machines": dict(story.start.locations), "terms": dict(story.start_terms)},
        "steps": [_step_document(story, moment) for moment in story.moments],
    }


def _step_document(story: Story, moment: Moment) -> dict[str, Any]:
    return {
        "number": moment.number,
        "kind": moment.step.kind,
        "time_s": str(moment.time),
        "time_s_decimal": float(moment.time),
        "delay_s": str(moment.step.delay),
        "transitions": [
            {
                "machine": change.machine.name,
                "role": change.machine.role.value,
                "transition": change.transition.index,
                "from": change.transition.source,
                "to": change.transition.target,
                "fault": change.transition.fault,
                "file": change.transition.place.file,
                "line": change.transition.place.line,
            }
            for change in moment.changes
        ],
        "terms": dict(moment.turned),
        "settled": moment.after.is_settled,
        "time_can_pass": moment.after.can_pass,
    }


def trace_from_document(model: Model, document: Mapping[str, Any]) -> Trace:
    """The proposed trace that ``trace_document`` wrote; the document must fit the schema.

    Raises
    ------
    DocumentError
        A step names no transition of the model, or moves a machine from a state that the document does
        not have it in.
    """
    machines = {machine.name: machine for machine in model.machines}
    locations = dict(document["start"]["machines"])
    steps, claims = [], [dict(locations)]
    for step in document["steps"]:
        moves = []
        for taken in step["transitions"]:
            machine, index = machines.get(taken["machine"]), taken["transition"]
            name = f"step {step['number']}, {taken['machine']} {taken['from']} -> {taken['to']}"
            if machine is None or index >= len(machine.transitions):
                raise DocumentError(f"{name}: the model has no such transition")
            transition = machine.transitions[index]
            if (transition.source, transition.target) != (taken["from"], taken["to"]):
                raise DocumentError(
                    f"{name}: transition {index} leads {transition.source} -> {transition.target}"
                )
            if locations.get(machine.name) != taken["from"]:
                there = locations.get(machine.name, "nowhere")
                raise DocumentError(f"{name}: there it is in {there}")
            moves.append(Move(machine.name, index))
            locations[machine.name] = taken["to"]
        moves.sort(key=lambda move: move.machine)
        steps.append(Step(step["kind"], Fraction(step["delay_s"]), tuple(moves)))
        claims.append(dict(locations))
    return Trace(tuple(steps), tuple(claims))
