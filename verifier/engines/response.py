"""Unbounded response by way of bounded response (``specs/semantics.md`` section 12).

Whatever is answered at all is answered within some time, because up to what matters there are
finitely many states. So growing bounds are tried: one that is always kept proves the property; a run
that breaks one is searched for a loop, which refutes it. (That checking a bound instead loses nothing
on finite graphs: Biere, Artho, Schuppan, "Liveness checking as safety checking", 2002.)
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction

from verifier.engines.limits import OutOfBudget
from verifier.engines.loops import Loops
from verifier.engines.study import TRY_MORE, Study
from verifier.language.model import Property
from verifier.semantics.run import Certificate, Finding, Gap
from verifier.semantics.system import System

# Small bounds are refuted, or proved, by short runs; so begin with the shortest deadline and grow fast.
GROWTH = 4
# How far beyond all deadlines one after another it is worth to go on.
BEYOND = 4


def decide_response(study: Study, prop: Property) -> Finding:
    """A trace with a loop, a certificate with a bound, or a gap, for an ``eventually``."""
    loops = Loops(study.base, prop, study.allowance)
    tried = Fraction(0)
    try:
        for bound in bounds(study.base):
            found = study.decide(prop.within(bound))
            if isinstance(found, Certificate):
                method = f"an answer always comes within {bound} s: {found.method}"
                return replace(found, method=method, bound=bound)
            if isinstance(found, Gap):
                reason = f"whether an answer always comes within {bound} s is open: {found.reason}"
                return Gap(reason, found.try_next)
            trace = loops.find(found)
            if trace is not None:
                return trace
            tried = bound
    except OutOfBudget as stop:
        return Gap(f"{stop.reason} while deciding `{prop.id}`", TRY_MORE)
    reason = (
        f"an answer does not always come within {tried} s, and no run was found that goes round for "
        "ever without one"
    )
    return Gap(
        reason, "ask for `within` and a time instead, or give what the answer waits for a time"
    )


def bounds(system: System) -> Iterator[Fraction]:
    """Times to try, in seconds."""
    ends = [end for rules in system.rules.values() for rule in rules for _, end in rule.ends]
    bound, last = min(ends, default=Fraction(1)), BEYOND * sum(ends)
    while True:
        yield bound
        if bound >= last:
            return
        bound *= GROWTH
