"""Steps of the checked model as SMT-LIB constraints: ``specs/semantics.md`` section 5.

The next state is a function of the state before it, the delay and one Bool a transition that says
whether it is taken.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from itertools import combinations

from verifier.evidence import recheck_watch as watches
from verifier.evidence.recheck_moment import Moment
from verifier.evidence.recheck_names import held_name, in_name, obliges, windows_of
from verifier.evidence.recheck_script import (
    FALSE, ZERO, Time, add, choose, conj, disj, implies, neg,
)
from verifier.language.model import Form, Transition

SETTLE, WORLD, EITHER = "settle", "world", "either"


# Choices are named after the state that they lead to: two rows may start in one state.
def take_name(label: str, transition: Transition) -> str:
    return f"{label}: takes {transition.machine} {transition.index}"


def delay_name(label: str) -> str:
    return f"{label}: delay"


def step(now: Moment, label: str, kind: str) -> Moment:
    """Require one step of ``kind`` from ``now`` and return the state after it, called ``label``."""
    script, model = now.script, now.asked.model
    delay = ZERO
    if kind == SETTLE:
        script.require(neg(now.settled))
    else:
        delay = script.declare(delay_name(label), "Real")
        script.require(f"(>= {delay} 0.0)")
        if kind == WORLD:
            script.require(now.settled)
        else:
            script.require(implies(neg(now.settled), f"(= {delay} 0.0)"))
        for limit in limits(now, delay):
            script.require(limit)
    may: dict[Transition, str] = {}
    for machine in model.machines:
        for t in machine.transitions:
            if machine.is_control and kind != WORLD:
                may[t] = now.enabled(t)
            elif not machine.is_control and kind != SETTLE:
                asks = now.settled if kind == EITHER else "true"
                may[t] = conj([asks, now.enabled_after(t, delay)])
    after = advance(now, label, may, delay=delay, must=[m.name for m in model.machines if m.is_control])
    _watch(now, after, kind, delay)
    return after


def limits(now: Moment, delay: str) -> Iterator[str]:
    """5.4: what holds of a delay that is allowed."""
    for machine in now.asked.model.machines:
        for t in machine.transitions:
            if (windows_of(t) if machine.is_control else obliges(t)):
                yield disj([f"(= {delay} 0.0)", now.not_past(t, delay)])


def advance(now: Moment, label: str, may: Mapping[Transition, str], *, delay: str = ZERO,
            must: Iterable[str] = ()) -> Moment:
    """Let machines take transitions together; the state after it, by 5.5, without the watch.

    ``may`` gives for each transition that may be taken the condition for it. A machine named in
    ``must`` takes one whenever it may.
    """
    script, model = now.script, now.asked.model
    takes = _choose(now, label, may, frozenset(must))
    moved = {m.name: script.define(f"{label}: moves {m.name}",
                                   disj(takes[t] for t in m.transitions if t in takes))
             for m in model.machines}
    bits = dict(now.bits)
    for m in model.machines:
        for state in m.states:
            leaves = [takes[t] for t in m.transitions if t in takes and t.source == state]
            enters = [takes[t] for t in m.transitions if t in takes and t.target == state]
            stays = conj([now.is_in(m.name, state), neg(disj(leaves))])
            bits[in_name(m.name, state)] = script.define(f"{label}: {m.name} is {state}",
                                                         disj([*enters, stays]))
    after = Moment(script, now.asked, label, bits, dict(now.times), now.spent)
    for m in model.machines:
        name = f"time {m.name}"
        after.times[name] = _grow(after, name, now.times[name], moved[m.name], delay)
        for t in m.transitions:
            if held_name(t):
                runs = conj([neg(moved[m.name]), now.standing(t), after.guard(t)])
                after.times[held_name(t)] = _grow(after, held_name(t), now.held(t), neg(runs), delay)
    faults = [take for t, take in takes.items() if t.fault]
    if faults:
        total = " ".join(f"(ite {take} 1 0)" for take in faults)
        after.spent = script.define(f"{label}: spent", f"(+ {now.spent} {total})", "Int")
        script.require(f"(<= {after.spent} {now.asked.budget})")
    if now.asked.prop.form is Form.PULSE:
        _refresh(now, after, moved)
    return after


def _choose(now: Moment, label: str, may: Mapping[Transition, str],
            must: frozenset[str]) -> dict[Transition, str]:
    """One Bool a transition that may be taken, at most one true a machine."""
    script, takes = now.script, {}
    for m in now.asked.model.machines:
        open_ = [t for t in m.transitions if may.get(t, FALSE) != FALSE]
        for t in open_:
            takes[t] = script.declare(take_name(label, t), "Bool")
            script.require(implies(takes[t], may[t]))
        # Two transitions with different sources are never open together.
        for one, other in combinations(open_, 2):
            if one.source == other.source:
                script.require(disj([neg(takes[one]), neg(takes[other])]))
        if m.name in must:
            anything = disj(takes[t] for t in open_)
            for t in open_:
                script.require(implies(may[t], anything))
    return takes


def _grow(after: Moment, name: str, time: Time, reset: str, delay: str) -> Time:
    """5.5 for one time."""
    if delay == ZERO:
        base, reset = time.base, disj([time.reset, reset])
    else:
        base = after.script.define(f"{after.label}: grown {name}", add(time.value, delay), "Real")
    if base == ZERO:
        return Time(ZERO)
    return Time(base, after.script.define(f"{after.label}: stopped {name}", reset))


def _refresh(now: Moment, after: Moment, moved: Mapping[str, str]) -> None:
    """``fresh M`` of section 10: a step without a control move is a world step."""
    for m in now.asked.model.machines:
        if m.is_control:
            name = f"fresh {m.name}"
            after.bits[name] = conj([neg(now.settled), disj([now.bits[name], moved[m.name]])])


def _watch(now: Moment, after: Moment, kind: str, delay: str) -> None:
    """8.1: a settle round leaves the watch alone, a world step absorbs."""
    if kind == SETTLE:
        return
    bits, times = watches.absorb(now, delay)
    absorbs = "true" if kind == WORLD else now.settled
    for name, term in bits.items():
        after.bits[name] = after.script.define(f"{after.label}: {name}",
                                               choose(absorbs, term, now.bits[name]))
    for name, time in times.items():
        # Without absorption the delay is 0, so the clock keeps its old value.
        base = choose(absorbs, time.base, now.times[name].value)
        after.times[name] = Time(after.script.define(f"{after.label}: {name}", base, "Real"))
