"""Smallest sets of faults kept from one run of the program to the next.

What is read back breaks a property only as far as it can be replayed; that no other set does is taken from the file.
So a file is of use to the very same question alone, asked by the very same program, and holds a digest of itself
against what is cut short or changed.
"""

from __future__ import annotations

import hashlib
import json
from typing import Any

from verifier.evidence.replay import NotShown, replay_trace
from verifier.evidence.result import Disagreement
from verifier.evidence.trace_json import NotATrace, from_json, to_json
from verifier.language.check import property_text
from verifier.language.granting import with_faults
from verifier.language.model import Model, Property
from verifier.studies.faults import FaultSet, Found
from verifier.studies.program import program_digest


class Damaged(Exception):
    """What was kept is not what was written; the message says how that shows."""


def name_of(model: Model, prop: Property, order: int, versions: dict[str, str]) -> str:
    """One name for one question: model, property, order, program and ``versions`` of what it uses."""
    text = f"{program_digest()} {sorted(versions.items())} {model.digest} {order} {property_text(prop)}"
    return hashlib.sha256(text.encode()).hexdigest()[:32]


def to_bytes(model: Model, found: Found, name: str) -> bytes:
    """What is kept. Undecided sets are not for keeping: another time limit may decide them."""
    assert not found.undecided, "only what is decided is kept"
    whole = {
        "question": name,
        "id": found.property.id,
        "order": found.order,
        "sets": [
            {"faults": list(one.faults), "shortest": one.is_shortest, "trace": to_json(model, one.trace)}
            for one in found.sets
        ],
        "asked": found.asked,
        "seconds": found.seconds,
        "untested": found.untested,
    }
    text = json.dumps(whole, ensure_ascii=False)
    return f"{hashlib.sha256(text.encode()).hexdigest()}\n{text}\n".encode()


def from_bytes(model: Model, prop: Property, data: bytes, name: str) -> Found:
    """What ``to_bytes`` wrote of the question ``name``, its runs replayed under no faults but those of their sets.

    Raises
    ------
    Damaged
    """
    digest, _, rest = data.decode(errors="replace").partition("\n")
    text = rest.removesuffix("\n")
    if hashlib.sha256(text.encode()).hexdigest() != digest:
        raise Damaged("its text does not have the digest at its top")
    whole: dict[str, Any] = json.loads(text)
    if whole["question"] != name:
        raise Damaged(f"it is the answer to another question, about `{whole['id']}`")
    order = whole["order"]
    sets = tuple(_replayed(model, prop, order, one) for one in whole["sets"])
    return Found(prop, order, sets, (), whole["asked"], whole["seconds"], whole["untested"])


def _replayed(model: Model, prop: Property, order: int, one: dict[str, Any]) -> FaultSet:
    faults = tuple(one["faults"])
    changed = with_faults(model, faults)
    try:
        trace = replay_trace(changed, prop, from_json(changed, one["trace"]), order if faults else 0)
    except (NotATrace, NotShown, Disagreement) as why:
        raise Damaged(f"the run of {', '.join(faults) or 'no fault'} can't be replayed: {why}") from why
    return FaultSet(faults, trace, one["shortest"])
