"""Proofs and runs kept from one check of a model to the next, of the same model or an edited one.

They are tried first, and everything that is checked of a proof is checked anew; so a file can cost time but not
make a verdict wrong, and needs no digest of what it was made from.
"""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

from verifier.evidence.known import Ground, Known, Proven, ground_of, invariant_of, runs_of
from verifier.evidence.result import ModelResult
from verifier.evidence.store_files import parsed, to_bytes
from verifier.language.load import built_in_properties
from verifier.language.model import Model, Property
from verifier.semantics.run import Move, Run, Step

VERSION = 1
_RUN = {
    "type": "array",
    "items": {
        "type": "object",
        "required": ["delay_s", "moves"],
        "properties": {
            "delay_s": {"type": "string", "pattern": "^[0-9]{1,12}(/[1-9][0-9]{0,11})?$"},
            "moves": {
                "type": "object",
                "additionalProperties": {
                    "type": "object",
                    "required": ["from", "to", "number"],
                    "properties": {
                        "from": {"type": "string"},
                        "to": {"type": "string"},
                        "number": {"type": "integer", "minimum": 0},
                    },
                },
            },
        },
    },
}
_ONE = {
    "type": "object",
    "required": ["property", "faults", "faults_of", "invariant", "runs"],
    "properties": {
        "property": {"type": "string"},
        "faults": {"type": "integer", "minimum": 0},
        "faults_of": {"type": "array", "items": {"type": "string"}},
        "invariant": {"type": ["string", "null"]},
        "runs": {"type": "array", "items": _RUN},
    },
}
_SCHEMA = {
    "type": "object",
    "required": ["schema_version", "model", "found"],
    "properties": {
        "schema_version": {"const": VERSION},
        "model": {"type": "string"},
        "found": {"type": "array", "items": _ONE},
    },
}


def kept(path: Path) -> list[dict[str, Any]]:
    """What ``added`` wrote to ``path``; nothing where there is no such file.

    Raises
    ------
    BadEvidence
        The file holds something else.
    OSError
    """
    return parsed(path.read_bytes(), _SCHEMA, path)["found"] if path.is_file() else []


def known_from(found: Sequence[dict[str, Any]], model: Model, properties: Sequence[Property]) -> Known:
    """What of it may be of use for ``properties`` of ``model``, and for what they rest on."""
    asked = {prop.id: prop for prop in (*built_in_properties(model), *properties)}
    proofs: dict[Ground, list[Proven]] = {}
    runs: dict[Ground, list[Run]] = {}
    for one in found:
        ground = (one["faults"], tuple(one["faults_of"]))
        if one["invariant"] is not None and one["property"] in asked:
            proofs.setdefault(ground, []).append((asked[one["property"]], one["invariant"]))
        runs.setdefault(ground, []).extend(_run(model, steps) for steps in one["runs"])
    return Known(proofs, runs)


def added(before: Sequence[dict[str, Any]], result: ModelResult) -> bytes:
    """``before`` with what was found now. What was proved before and is not now stays: the next version may be as
    the last but one."""
    found = {_key(one): one for one in before}
    for one in (*result.results, *result.foundations):
        faults, classes = ground_of(one.property)
        new = {
            "property": one.property.id,
            "faults": faults,
            "faults_of": list(classes),
            "invariant": invariant_of(one),
            "runs": [_acts(result.model, run) for run in runs_of(one)],
        }
        if new["invariant"] is not None or new["runs"]:
            found[_key(new)] = new
    return to_bytes({
        "schema_version": VERSION,
        "model": result.model.path,
        "found": [found[key] for key in sorted(found)],
    })


def _key(one: dict[str, Any]) -> tuple:
    return one["property"], one["faults"], tuple(one["faults_of"])


def _acts(model: Model, run: Run) -> list[dict[str, Any]]:
    """What the world does; control settles by itself."""
    return [
        {"delay_s": str(step.delay), "moves": {move.machine: _move(model, move) for move in step.moves}}
        for step in run.steps
        if step.kind == "world"
    ]


def _move(model: Model, move: Move) -> dict[str, Any]:
    taken = model.machine(move.machine).transitions[move.transition]
    return {"from": taken.source, "to": taken.target, "number": move.transition}


def _run(model: Model, acts: Sequence[dict[str, Any]]) -> Run:
    """As far as the model still has what is taken."""
    names = {machine.name for machine in model.machines}
    steps = []
    for act in acts:
        moves = []
        for name, taken in sorted(act["moves"].items()):
            number = _transition(model, name, taken) if name in names else None
            if number is None:
                return Run(tuple(steps))
            moves.append(Move(name, number))
        steps.append(Step("world", Fraction(act["delay_s"]), tuple(moves)))
    return Run(tuple(steps))


def _transition(model: Model, name: str, taken: dict[str, Any]) -> int | None:
    """The number may be another one since a transition was put in before it."""
    alike = [
        t.index for t in model.machine(name).transitions if (t.source, t.target) == (taken["from"], taken["to"])
    ]
    return taken["number"] if taken["number"] in alike else next(iter(alike), None)
