"""Bounded search: is there a bad state exactly k steps from the start? For k = 0, 1, 2, ...

The plain unrolling of the timed step in z3 (Biere, Cimatti, Clarke, Zhu, "Symbolic model checking
without BDDs", 1999). It forgets nothing and so needs no refinement, but proves nothing either: a depth
without a counterexample says nothing of the next.
"""

from __future__ import annotations

from verifier.engines.explore import Hit
from verifier.engines.limits import Allowance, OutOfBudget
from verifier.engines.paths import PathCheck
from verifier.engines.solver import Answer, Frames, Query, is_true
from verifier.semantics.formula import any_of
from verifier.semantics.run import Trace
from verifier.semantics.system import System


def search(system: System, allowance: Allowance, *, first: int = 0, last: int) -> Trace | None:
    """A shortest trace to a bad state with ``first <= steps <= last``; None when there is none.

    The caller promises that no shorter counterexample exists than ``first`` steps. Raises
    ``OutOfBudget`` when z3 gives up.
    """
    frames = Frames(system.registers, system.clocks)
    query = Query(allowance)
    step = any_of(system.settle, system.world)
    query.add(frames.initial(system.initial), frames.domain(0))
    for depth in range(last + 1):
        allowance.check()
        if depth >= first:
            reply = query.ask(frames.term(system.bad, depth))
            if reply.answer is Answer.UNKNOWN:
                raise OutOfBudget(f"z3 gave up at {depth} steps ({reply.reason})")
            if reply.answer is Answer.SAT:
                return _trace(system, allowance, frames, reply.model, depth)
        query.add(frames.delay(depth) >= 0, frames.term(step, depth), frames.domain(depth + 1))
    return None


def _trace(system: System, allowance: Allowance, frames: Frames, model, depth: int) -> Trace:
    """The trace of a z3 model, with times made short again along its locations."""
    path, kinds = [], []
    for frame in range(depth + 1):
        location = {}
        for name, values in system.registers.items():
            bits = frames.bits(name, frame)
            location[name] = values[sum(1 << i for i, b in enumerate(bits) if is_true(model, b))]
        path.append(location)
        if frame < depth:
            settled = is_true(model, frames.term(system.settled, frame))
            kinds.append("world" if settled else "settle")
    found = PathCheck(system, allowance).check(Hit(tuple(path), tuple(kinds)), system.bad)
    if not isinstance(found, Trace):
        raise AssertionError("z3's own path has no times")
    return found
