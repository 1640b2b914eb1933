"""z3's fixed-point engine on the whole timed step: the last resort, and a peer in the bench.

It looks for an inductive invariant by property-directed reachability over Booleans and reals (Komuravelli,
Gurfinkel, Chaki, "SMT-based model checking for recursive programs", 2014). Heavy-tailed: a second
on one property, minutes on its neighbour. Facts already proved make it much steadier.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import z3

from verifier.engines.limits import Allowance, OutOfBudget
from verifier.engines.solver import Frames
from verifier.semantics.formula import Formula, any_of
from verifier.semantics.system import BITS, SPENT, System


@dataclass(frozen=True)
class Invariant:
    """An inductive invariant as z3 gave it: ``term`` over frame 0, ``text`` in SMT-LIB over the
    symbols of ``specs/semantics.md`` section 10."""

    term: z3.BoolRef
    text: str


class OutOfSteps(Exception):
    """The engine has done as much work as it was given."""


def prove(
    system: System,
    allowance: Allowance,
    known: Formula | None = None,
    options: Mapping[str, bool] | None = None,
    most: int | None = None,
) -> Invariant | None:
    """An invariant that excludes every bad state, or None when a bad state is reachable.

    ``known`` must hold in every reachable state; the invariant returned includes it. ``options`` are
    z3's. ``most`` is how much work it may do, in z3's own count, which is the same on every machine.
    Raises ``OutOfSteps`` past it and ``OutOfBudget`` on unknown.
    """
    frames = Frames(system.registers, system.clocks)
    now, then = _variables(frames, 0), _variables(frames, 1)
    engine = z3.Fixedpoint()
    engine.set(engine="spacer", **(options or {}))
    if most is not None:
        engine.set(rlimit=most)
    if allowance.left is not None:
        engine.set(timeout=max(int(allowance.left * 1000), 1))
    reach = z3.Function("reach", *(v.sort() for v in now), z3.BoolSort())
    engine.register_relation(reach)
    bad = z3.Function("wrong", z3.BoolSort())
    engine.register_relation(bad)
    step = frames.term(any_of(system.settle, system.world), 0)
    takes = [
        frames.take(name, rule.transition.index, 0)
        for name, rules in system.rules.items()
        for rule in rules
    ]
    engine.declare_var(*now, *then, *takes, frames.delay(0))
    facts = [] if known is None else [frames.term(known, 0)]
    engine.rule(reach(*now), [frames.initial(system.initial)])
    engine.rule(
        reach(*then),
        [reach(*now), *facts, frames.delay(0) >= 0, frames.domain(0), step, frames.domain(1)],
    )
    engine.rule(bad(), [reach(*now), *facts, frames.domain(0), frames.term(system.bad, 0)])
    try:
        answer = engine.query(bad())
    except z3.Z3Exception as error:
        if most is not None and "resource limit" in str(error):
            raise OutOfSteps from error
        raise OutOfBudget(f"z3's fixed-point engine gave up ({error})") from error
    if answer == z3.sat:
        return None
    if answer != z3.unsat and most is not None and "resource limit" in engine.reason_unknown():
        raise OutOfSteps
    if answer != z3.unsat:
        raise OutOfBudget(f"z3's fixed-point engine gave up ({engine.reason_unknown()})")
    cover = engine.get_cover_delta(-1, reach)
    term = z3.substitute_vars(cover, *now)
    term = z3.And(term, *facts)
    return Invariant(term, _text(system, frames, term))


def _variables(frames: Frames, frame: int) -> list[z3.ExprRef]:
    bits = [bit for register in frames.registers for bit in frames.bits(register, frame)]
    return bits + [frames.clock(name, frame) for name in frames.clocks]


def _text(system: System, frames: Frames, term: z3.BoolRef) -> str:
    """``term`` with each bit written in the names of the states it stands for."""
    machines = {machine.name for machine in system.model.machines}
    swaps = [(frames.clock(name, 0), z3.Real(name)) for name in frames.clocks]
    for register, values in system.registers.items():
        for i, bit in enumerate(frames.bits(register, 0)):
            on = [value for code, value in enumerate(values) if code >> i & 1]
            if register in machines:
                swaps.append((bit, z3.Or([z3.Bool(f"{register} is {value}") for value in on])))
            elif register == SPENT:
                swaps.append((bit, z3.Or([z3.Int(SPENT) == int(value) for value in on])))
            else:
                assert values == BITS
                swaps.append((bit, z3.Bool(register)))
    return z3.substitute(term, *swaps).sexpr()
