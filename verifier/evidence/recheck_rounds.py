"""Bad states of the built-in properties and obligations over rows of rounds.

``specs/semantics.md`` 9.1 and 9.5 (bad states), 11.5 to 11.7 (rounds). Rounds take no time, so a time
is either what it was in the first state of the row or 0.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations

from verifier.evidence.recheck_moment import Moment, define_invariant, unknown_moment
from verifier.evidence.recheck_names import Question, obliges, windows_of
from verifier.evidence.recheck_script import Script, conj, disj, neg
from verifier.evidence.recheck_step import advance
from verifier.language.guard import comparisons
from verifier.language.model import Machine, Model, Transition


def ambiguous(moment: Moment) -> str:
    """9.1."""
    return disj(
        conj([moment.enabled(one), moment.enabled(other)])
        for machine in moment.asked.model.machines if machine.is_control
        for one, other in combinations(machine.transitions, 2)
        if one.source == other.source and one.target != other.target)


def pulse(moment: Moment) -> str:
    """9.5, with ``fresh M`` for "entered in this settle"."""
    model = moment.asked.model
    read = {(node.machine, state)
            for machine in model.machines if not machine.is_control
            for t in machine.transitions
            for node in comparisons(t.when) for state in node.states}
    return disj(
        conj([moment.bits[f"fresh {machine.name}"], moment.enabled(t)])
        for machine in model.machines if machine.is_control
        for t in machine.transitions
        if t.target != t.source and (machine.name, t.source) in read)


def dead(moment: Moment) -> str:
    """9.6 for the one state or transition that the property names; "bad" means alive."""
    kind, name, which = moment.asked.prop.subject
    if kind == "state":
        return moment.is_in(name, which)
    machine = moment.asked.model.machine(name)
    enabled = moment.enabled(machine.transitions[which])
    # The world acts only from settled states (5.3).
    return enabled if machine.is_control else conj([moment.settled, enabled])


def does_not_settle(asked: Question, invariant: str, rounds: int) -> Iterator[tuple[str, Script]]:
    """11.5."""
    script, moment = from_invariant(asked, invariant, "no more untimed settle rounds in a row than said")
    for number in range(rounds + 1):
        may = _untimed(moment)
        script.require(disj(may.values()))
        moment = advance(moment, str(number + 1), may, must=_machines(asked.model))
    yield "settles in time", script


def time_stops(asked: Question, invariant: str, rounds: int) -> Iterator[tuple[str, Script]]:
    """11.6."""
    script, moment = from_invariant(asked, invariant, "no more forced rounds in a row than said")
    for number in range(rounds + 1):
        # A settled state has no enabled control transition, so the two kinds of round exclude each other.
        may = _untimed(moment)
        for machine in asked.model.machines:
            for t in machine.transitions:
                if not machine.is_control and obliges(t) and all(w.hi == 0 for w in windows_of(t)):
                    may[t] = conj([moment.settled, moment.due(t)])
        script.require(disj(may.values()))
        moment = advance(moment, str(number + 1), may, must=_machines(asked.model))
    yield "time goes on", script


def order_matters(asked: Question, invariant: str, rounds: int) -> Iterator[tuple[str, Script]]:
    """11.7: one obligation for settling at once, one for each control machine that moves first."""
    script, start = from_invariant(asked, invariant, "every settle ends within the rounds said")
    script.require(neg(settle(start, "at once", rounds).settled))
    yield "settles in time", script
    for machine in asked.model.machines:
        if not machine.is_control or not machine.transitions:
            continue
        script, start = from_invariant(
            asked, invariant, f"{machine.name} moving first alone makes no difference")
        may = {t: start.enabled(t) for t in machine.transitions}
        script.require(disj(may.values()))
        together = settle(start, "at once", rounds)
        alone = advance(start, "alone 0", may, must=[machine.name])
        apart = settle(alone, "alone", rounds)
        differs = disj(_differs(m, together, apart) for m in asked.model.machines if m.is_control)
        script.require(disj([neg(apart.settled), differs]))
        yield f"order of {machine.name}", script


def settle(start: Moment, label: str, rounds: int) -> Moment:
    """The state after ``rounds`` settle rounds; a settled state stays as it is."""
    moment = start
    for number in range(rounds):
        may = {t: moment.enabled(t)
               for machine in moment.asked.model.machines if machine.is_control
               for t in machine.transitions}
        moment = advance(moment, f"{label} {number + 1}", may, must=_machines(moment.asked.model))
    return moment


def _differs(machine: Machine, one: Moment, other: Moment) -> str:
    return disj(conj([one.is_in(machine.name, state), neg(other.is_in(machine.name, state))])
                for state in machine.states)


def _untimed(moment: Moment) -> dict[Transition, str]:
    """Control transitions without times, with the condition under which they are enabled."""
    return {t: moment.enabled(t)
            for machine in moment.asked.model.machines if machine.is_control
            for t in machine.transitions if all(window.lo == 0 for window in windows_of(t))}


def _machines(model: Model) -> list[str]:
    return [machine.name for machine in model.machines]


def from_invariant(asked: Question, invariant: str, says: str) -> tuple[Script, Moment]:
    script = Script(asked.logic, says)
    define_invariant(script, asked, invariant)
    moment = unknown_moment(script, asked, "0")
    script.require(moment.invariant())
    return script, moment
