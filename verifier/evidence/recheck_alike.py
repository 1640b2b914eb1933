"""Whether the settles of two models end alike: the obligations of ``specs/semantics.md`` section 13."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from verifier.evidence.recheck_moment import Moment, define_invariant, first_moment, unknown_moment
from verifier.evidence.recheck_names import Question, held_name
from verifier.evidence.recheck_rounds import from_invariant, settle
from verifier.evidence.recheck_script import FALSE, Script, conj, disj, neg
from verifier.evidence.recheck_step import WORLD, limits, step
from verifier.language.model import Model, Transition


def differ_in_logic_alone(one: Model, other: Model) -> bool:
    """13.1."""
    if len(one.machines) != len(other.machines):
        return False
    for machine, counterpart in zip(one.machines, other.machines):
        if not machine.is_control and machine != counterpart:
            return False
        if replace(machine, transitions=()) != replace(counterpart, transitions=()):
            return False
        if len(machine.transitions) != len(counterpart.transitions):
            return False
        if not all(map(_measured_alike, machine.transitions, counterpart.transitions)):
            return False
    return True


def _measured_alike(one: Transition, other: Transition) -> bool:
    """Whether the same times are kept of both."""
    if (one.source, one.index, one.fault) != (other.source, other.index, other.fault):
        return False
    return (one.after is None, held_name(one)) == (other.after is None, held_name(other))


def settles_alike(asked: Question, other: Model, invariant: str, rounds: int) -> Iterator[tuple[str, Script]]:
    """13.2: guards measured, the first settle, those after a step of the world, and how long the world may take."""
    script = Script(asked.logic, "what `held` measures is true in the same states of both")
    now = unknown_moment(script, asked, "0")
    held = _held(asked.model, other)
    script.require(disj(_differ(now.holds(t.when), now.holds(counterpart.when)) for t, counterpart in held))
    yield "guards alike", script
    script = Script(asked.logic, "the first settle ends alike in both")
    define_invariant(script, asked, invariant)
    _require_unlike(first_moment(script, asked, "0"), other, rounds)
    yield "first settle alike", script
    script, now = from_invariant(asked, invariant, "after a world step both settles end alike")
    _require_unlike(step(now, "1", WORLD), other, rounds)
    yield "later settles alike", script
    script, now = from_invariant(asked, invariant, "in a settled state both let the same delays pass")
    script.require(now.settled)
    delay = script.declare("delay", "Real")
    script.require(f"(> {delay} 0.0)")
    script.require(_differ(conj(limits(now, delay)), conj(limits(_of_other(now, other), delay))))
    yield "delays alike", script


def _held(one: Model, other: Model) -> Iterator[tuple[Transition, Transition]]:
    for machine, counterpart in zip(one.machines, other.machines):
        for t, changed in zip(machine.transitions, counterpart.transitions):
            if held_name(t):
                yield t, changed


def _differ(one: str, other: str) -> str:
    return FALSE if one == other else f"(distinct {one} {other})"


def _require_unlike(start: Moment, other: Model, rounds: int) -> None:
    """After ``rounds`` rounds of each from ``start`` one is not settled, or they are not in one state."""
    one = settle(start, "here", rounds)
    counterpart = settle(_of_other(start, other), "there", rounds)
    start.script.require(neg(conj([one.settled, counterpart.settled, _same(one, counterpart)])))


def _of_other(moment: Moment, other: Model) -> Moment:
    """The same state, read as one of the other model."""
    asked = replace(moment.asked, model=other)
    return Moment(moment.script, asked, f"other {moment.label}", dict(moment.bits), dict(moment.times), moment.spent)


def _same(one: Moment, other: Moment) -> str:
    """Machines, faults spent, and the times that some window measures."""
    model = one.asked.model
    facts = [f"(= {one.spent} {other.spent})"]
    for machine in model.machines:
        facts += [f"(= {one.is_in(machine.name, state)} {other.is_in(machine.name, state)})"
                  for state in machine.states]
        if any(t.after for t in machine.transitions):
            facts.append(f"(= {one.time(machine.name).value} {other.time(machine.name).value})")
        facts += [f"(= {one.held(t).value} {other.held(t).value})" for t in machine.transitions if held_name(t)]
    return conj(facts)
