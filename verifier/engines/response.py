"""Unbounded response by way of bounded response (``specs/semantics.md`` section 12).

Whatever is answered at all is answered within some time, because up to what matters there are
finitely many states. So growing bounds are tried: one that is always kept proves the property; a run
that breaks one is searched for a loop, which refutes it. (That a check for safety can do for one of
liveness: Biere, Artho, Schuppan, "Liveness checking as safety checking", 2002.)
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction

import z3

from verifier.engines.certificate_text import smt_text
from verifier.engines.decision import decide
from verifier.engines.limits import OutOfBudget
from verifier.engines.loops import Loops
from verifier.engines.solver import as_fraction
from verifier.engines.study import Study
from verifier.language.model import Property
from verifier.semantics.formula import all_of
from verifier.semantics.run import Certificate, Finding, Gap
from verifier.semantics.system import SPENT, System
from verifier.semantics.watch import OPEN, TIME, bit
from verifier.semantics.watched import build

# A small bound is refuted, or kept, by short runs; so begin with the shortest deadline and grow fast.
GROWTH = 8
# How far beyond all deadlines one after another it is worth to go on.
BEYOND = 4


def decide_response(study: Study, prop: Property) -> Finding:
    """A trace with a loop, a certificate with a bound, or a gap, for an ``eventually``."""
    loops = Loops(study.base, prop, study.allowance)
    tried = Fraction(0)
    try:
        for bound in bounds(study.base):
            found = decide(study, prop.within(bound))
            if isinstance(found, Certificate):
                least = least_bound(study, prop.within(bound), found)
                method = f"an answer comes within {in_seconds(least)}: {found.method}"
                return replace(found, method=method, bound=least)
            if isinstance(found, Gap):
                always = f"an answer always comes within {in_seconds(bound)}"
                reason = f"whether {always} is open: {found.reason}"
                return Gap(reason, found.try_next)
            trace = loops.find(found)
            if trace is not None:
                return trace
            tried = bound
    except OutOfBudget as stop:
        return Gap(f"{stop.reason} while deciding `{prop.id}`", stop.try_next)
    reason = (
        f"an answer does not always come within {in_seconds(tried)}, and no run was found that goes "
        "round for ever without one"
    )
    return Gap(
        reason, "ask for `within` and a time instead, or give what the answer waits for a time"
    )


def in_seconds(time: Fraction) -> str:
    """``3.5 s``, or ``1/3 s`` where no short decimal is exact."""
    short = f"{float(time):.10g}"
    return f"{short if Fraction(short) == time else time} s"


def bounds(system: System) -> Iterator[Fraction]:
    """Times to try, in seconds."""
    ends = [end for rules in system.rules.values() for rule in rules for _, end in rule.ends]
    bound, last = min(ends, default=Fraction(1)), BEYOND * sum(ends)
    while bound < last:
        yield bound
        bound *= GROWTH
    yield max(last, Fraction(1))


def least_bound(study: Study, prop: Property, proof: Certificate) -> Fraction:
    """The least bound that ``proof`` of the ``within`` property ``prop`` proves as well.

    The watch of ``within`` is the same for every bound, so only what is bad depends on it.
    """
    assert prop.bound is not None
    system = build(study.model, prop, study.budget, study.base)
    optimizer = z3.Optimize()
    left = study.allowance.left
    if left is not None:
        optimizer.set("timeout", max(int(left * 1000), 1))
    waiting = all_of(system.settled, bit(OPEN))
    optimizer.from_string(
        "\n".join(
            [
                *_symbols(system),
                f"(assert {proof.invariant})",
                f"(assert {smt_text(system, waiting)})",
            ]
        )
    )
    longest = optimizer.maximize(z3.Real(TIME))
    answer = optimizer.check()
    if answer == z3.unsat:
        return Fraction(0)
    if answer != z3.sat:
        return prop.bound
    infinite, value, _ = optimizer.upper_values(longest)
    return prop.bound if as_fraction(infinite) > 0 else min(prop.bound, as_fraction(value))


def _symbols(system: System) -> Iterator[str]:
    """Declarations of the names of a certificate, and what is true of them in every state."""
    machines = {machine.name for machine in system.model.machines}
    for name, values in system.registers.items():
        if name not in machines:
            yield f"(declare-const |{name}| {'Int' if name == SPENT else 'Bool'})"
            continue
        states = [f"|{name} is {value}|" for value in values]
        yield from (f"(declare-const {state} Bool)" for state in states)
        yield f"(assert (or {' '.join(states)}))"
        for i, state in enumerate(states):
            yield from (f"(assert (not (and {state} {other})))" for other in states[:i])
    for clock in system.clocks:
        yield f"(declare-const |{clock}| Real)"
        yield f"(assert (>= |{clock}| 0.0))"
