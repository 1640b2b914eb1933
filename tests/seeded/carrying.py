"""Proofs of the good models, held against their flawed variants.

One change leaves most of a design as it was, and then what is left of the proof of a property of the good
model often proves it of the flawed one. Whether it does the re-check decides, which writes every obligation
anew from the whole flawed model. Asking it first leaves the engines only what the change touches.
"""

from __future__ import annotations

import fcntl
import pickle
import re
from collections.abc import Iterable, Sequence
from pathlib import Path

from tests.seeded.weakening import facts_of, kept_by_steps, known_in, with_facts
from verifier.evidence.crosscheck import witness
from verifier.evidence.pipeline import Limits, verify
from verifier.evidence.recheck import Refused, recheck_certificate
from verifier.evidence.store_recheck import trigger_of
from verifier.evidence.verdicts import Bench
from verifier.language.load import built_in_properties, load
from verifier.language.model import Form, Model, Property
from verifier.semantics.run import Certificate

LIMITS = Limits(time_limit_s=600)

_OF_WATCH = re.compile(r"\|(?:watch|fresh) ")


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


def carried_over(
    bench: Bench, properties: Sequence[Property], proofs: dict[str, Certificate]
) -> list[Property]:
    """Those that what is left of a good model's proofs proves of the model of ``bench`` too, and whose
    trigger still comes in it; all of them asked under no faults."""
    if not properties:
        return []
    model = bench.model
    plain = next(p for p in built_in_properties(model) if p.form is Form.AMBIGUOUS)
    pool = sorted({fact for proof in proofs.values() for fact in facts_of(proof.invariant)})
    shared = kept_by_steps(model, plain, Certificate("true"), known_in(model, plain, pool))
    found = []
    for prop in properties:
        trigger = trigger_of(prop)
        if prop.id not in proofs:
            continue
        if trigger is not None and witness(bench.runs(), trigger) is None:
            continue
        if is_proved(model, prop, proofs[prop.id], shared):
            found.append(prop)
    return found


def is_proved(model: Model, prop: Property, proof: Certificate, shared: Sequence[str]) -> bool:
    """Whether the re-check confirms ``shared`` facts and those of ``proof`` that speak of its watch."""
    own = known_in(model, prop, [f for f in facts_of(proof.invariant) if _OF_WATCH.search(f)])
    facts = [*shared, *own]
    for _ in range(2):
        try:
            recheck_certificate(model, prop, with_facts(proof, facts), time_limit_s=60)
            return True
        except Refused as why:
            if not why.obligation.startswith("step "):
                return False
        facts = kept_by_steps(model, prop, proof, facts)
    return False
