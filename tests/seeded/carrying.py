"""Proofs of the good models, held against their flawed variants.

One change leaves most of a design as it was, and then what is left of the proof of a property of the good
model often proves it of the flawed one. Whether it does the re-check decides, which writes every obligation
anew from the whole flawed model. Asking it first leaves the engines only what the change touches.
"""

from __future__ import annotations

import fcntl
import pickle
import re
from collections.abc import Iterable
from pathlib import Path

from verifier.evidence.pipeline import Limits, verify
from verifier.language.load import built_in_properties, load
from verifier.language.model import Model, Property
from verifier.semantics.run import Certificate

LIMITS = Limits(time_limit_s=600)


def all_asked(model: Model, properties: Iterable[Property]) -> list[Property]:
    """Built-in properties and those of the pack, each for one member of its group only.

    The shipped models name no member of a group, so what holds for one line holds for the other.
    """
    properties = tuple(properties)
    first: dict[str, Property] = {}
    for prop in (*built_in_properties(model, properties), *properties):
        first.setdefault(re.sub(r"\[\w+\]", "", prop.id), prop)
    return list(first.values())


def proofs_of(good: Path, folder: Path) -> dict[str, Certificate]:
    """The certificates of a good model by property; made once for all processes that share ``folder``."""
    kept = folder / f"{good.stem}.proofs"
    with (folder / f"{good.stem}.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not kept.exists():
            model, properties = load(str(good))
            found = verify(model, all_asked(model, properties), LIMITS)
            proofs = {
                r.property.id: r.certificate.certificate for r in found.results if r.certificate
            }
            kept.write_bytes(pickle.dumps(proofs))
    return pickle.loads(kept.read_bytes())
