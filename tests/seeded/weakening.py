"""What is left of an invariant in a model that differs a little from the one it was found for.

The facts of an invariant that one step may end are left out, again and again, until those left are kept by
every step (Flanagan and Leino, "Houdini, an annotation assistant for ESC/Java", 2001). Nothing here is
believed: the re-check is asked about what comes out, from the start.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace

from verifier.evidence.recheck import names, obligations
from verifier.evidence.recheck_ask import ask
from verifier.language.model import Model, Property
from verifier.semantics.run import Certificate

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
