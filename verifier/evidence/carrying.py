"""Proofs of one model carried over to another that differs a little.

One change leaves most of a design as it was, and then what is left of the proof of a property often proves
it of the changed model too. The facts of an invariant that one step may end are left out, again and again,
until those left are kept by every step (Flanagan and Leino, "Houdini, an annotation assistant for ESC/Java",
2001). Nothing of this is believed: the re-check writes every obligation anew from the whole changed model.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import replace

from verifier.evidence.crosscheck import witness
from verifier.evidence.recheck import Refused, names, obligations, recheck_certificate
from verifier.evidence.recheck_ask import ask
from verifier.evidence.store_recheck import trigger_of
from verifier.language.load import built_in_properties
from verifier.language.model import Form, Model, Property
from verifier.semantics.run import Certificate, Run

_OF_WATCH = re.compile(r"\|(?:watch|fresh) ")
_TOKEN = re.compile(r"\|[^|]*\||[()]|[^\s()|]+")
_SYMBOL = re.compile(r"\|([^|]*)\|")
_PARAMETERS = re.compile(r"^\(define-fun invariant (\(.*\)) Bool$", re.MULTILINE)
_STEPS = ("step settle", "step world")


def facts_of(invariant: str) -> list[str]:
    """The parts of a conjunction; the term itself if it is none."""
    if not invariant.startswith("(and "):
        return [invariant]
    facts, fact, depth = [], [], 0
    for token in _TOKEN.findall(invariant)[2:-1]:
        fact.append(token)
        depth += (token == "(") - (token == ")")
        if not depth:
            facts.append(" ".join(fact))
            fact = []
    return facts


def with_facts(certificate: Certificate, facts: Sequence[str]) -> Certificate:
    return replace(certificate, invariant=f"(and true {' '.join(facts)})" if facts else "true")


def known_in(model: Model, prop: Property, facts: Sequence[str]) -> list[str]:
    """The facts that speak only of what the model and the watch of ``prop`` have."""
    known = set(names(model, prop))
    return [fact for fact in facts if known.issuperset(_SYMBOL.findall(fact))]


def kept_by_steps(
    model: Model, prop: Property, certificate: Certificate, facts: Sequence[str]
) -> list[str]:
    """The most of ``facts`` that together are kept by every step; none where the solver gives up."""
    left = list(facts)
    while left:
        texts = obligations(model, prop, with_facts(certificate, left))
        ended = next((found for name in _STEPS if (found := _ended(texts[name], left))), None)
        if ended is None:
            return left
        left = [fact for fact in left if fact not in ended]
    return left


def _ended(text: str, facts: Sequence[str]) -> set[str]:
    """Facts that are false after some step of the obligation; empty when it holds for all of them."""
    before, _, claim = text.rpartition("\n(assert ")
    opening, arguments, closing = _call_of_invariant(claim)
    parameters = _PARAMETERS.search(before)
    assert parameters is not None
    lines = [before]
    for number, fact in enumerate(facts):
        lines += [
            f"(define-fun |fact {number}| {parameters[1]} Bool {fact})",
            f"(declare-const |then {number}| Bool)",
            f"(assert (= |then {number}| (|fact {number}| {arguments})))",
        ]
    together = " ".join(f"|then {number}|" for number in range(len(facts)))
    lines.append(f"(assert {opening}(and true {together}){closing}")
    answer = ask("\n".join(lines), 60)
    if answer.verdict == "unsat":
        return set()
    ended = {f for i, f in enumerate(facts) if answer.values.get(f"then {i}") == "false"}
    return ended or set(facts)


def _call_of_invariant(claim: str) -> tuple[str, str, str]:
    """What stands before the last call of ``invariant``, its arguments, and what stands after it."""
    opening, _, rest = claim.rpartition("(invariant ")
    depth = 1
    for token in _TOKEN.finditer(rest):
        depth += (token[0] == "(") - (token[0] == ")")
        if not depth:
            return opening, rest[: token.start()], rest[token.end() :]
    raise AssertionError("a call without an end")


def carried_over(
    model: Model, runs: Sequence[Run], properties: Sequence[Property], proofs: Mapping[str, Certificate]
) -> dict[str, Certificate]:
    """By property, what is left of another model's proofs where that proves it of ``model`` too and its
    trigger comes in one of ``runs``. All of it under no faults."""
    if not properties:
        return {}
    plain = next(p for p in built_in_properties(model) if p.form is Form.AMBIGUOUS)
    pool = sorted({fact for proof in proofs.values() for fact in facts_of(proof.invariant)})
    shared = kept_by_steps(model, plain, Certificate("true"), known_in(model, plain, pool))
    found = {}
    for prop in properties:
        trigger = trigger_of(prop)
        if prop.id not in proofs:
            continue
        if trigger is not None and witness(runs, trigger) is None:
            continue
        proof = still_proof(model, prop, proofs[prop.id], shared)
        if proof is not None:
            found[prop.id] = proof
    return found


def still_proof(
    model: Model, prop: Property, proof: Certificate, shared: Sequence[str]
) -> Certificate | None:
    """``shared`` facts and those of ``proof`` that speak of its watch, where the re-check confirms them."""
    own = known_in(model, prop, [f for f in facts_of(proof.invariant) if _OF_WATCH.search(f)])
    facts = [*shared, *own]
    for _ in range(2):
        left = with_facts(proof, facts)
        try:
            recheck_certificate(model, prop, left, time_limit_s=60)
            return left
        except Refused as why:
            if not why.obligation.startswith("step "):
                return None
        facts = kept_by_steps(model, prop, proof, facts)
    return None
