"""Proofs of the good models, tried first on their flawed variants.

One change leaves most of a design as it was, and then the proof of a property of the good model often proves it
of the flawed one: z3 is asked, on the whole flawed model, and the engines are left only what the change touches.
"""

from __future__ import annotations

import fcntl
import pickle
import re
from collections.abc import Iterable
from pathlib import Path

from verifier.engines.mirror import Proof
from verifier.engines.study import Study
from verifier.evidence.verdicts import Bench, Ground, Limits, ground_of
from verifier.language.load import built_in_properties, load
from verifier.language.model import Form, Model, Property

LIMITS = Limits(time_limit_s=600)

# By the faults allowed.
Proofs = dict[Ground, list[Proof]]


def study_of(bench: Bench) -> Study:
    study = bench.study()
    assert isinstance(study, Study)
    return study


def all_asked(model: Model, properties: Iterable[Property]) -> list[Property]:
    """Built-in properties and those of the pack, each for one member of its group only.

    The shipped models name no member of a group, so what holds for one line holds for the other.
    """
    properties = tuple(properties)
    first: dict[str, Property] = {}
    for prop in (*built_in_properties(model, properties), *properties):
        first.setdefault(re.sub(r"\[\w+\]", "", prop.id), prop)
    return list(first.values())


def proofs_of(good: Path, folder: Path) -> Proofs:
    """The proofs of a good model; made once for all processes that share ``folder``."""
    kept = folder / f"{good.stem}.proofs"
    with (folder / f"{good.stem}.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not kept.exists():
            model, properties = load(str(good))
            benches: dict[Ground, Bench] = {}
            for prop in all_asked(model, properties):
                ground = ground_of(prop)
                bench = benches.setdefault(ground, Bench.on(model, ground, LIMITS))
                if prop.form is not Form.DEAD:
                    bench.find(study_of(bench), prop)
            kept.write_bytes(pickle.dumps({ground: study_of(b).proofs for ground, b in benches.items()}))
    return pickle.loads(kept.read_bytes())
