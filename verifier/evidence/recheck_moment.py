"""One state of the checked model inside a script: ``specs/semantics.md`` sections 3, 4 and 6.2.

A ``Moment`` maps every symbol of section 10 to a term. Formulas about the state are defined in the
script when first asked for.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import combinations

from verifier.evidence.recheck_names import Question, held_name, in_name, obliges
from verifier.evidence.recheck_script import (
    FALSE, TRUE, ZERO, Script, Time, add, conj, disj, guard_text, implies, neg, number, symbol,
)
from verifier.language.guard import FALSE as NOWHERE
from verifier.language.guard import Guard
from verifier.language.model import Transition


@dataclass
class Moment:
    """One state. ``bits`` and ``times`` hold every Bool and Real symbol of section 10."""

    script: Script
    asked: Question
    label: str
    bits: dict[str, str]
    times: dict[str, Time]
    spent: str = "0"
    _defined: dict[str, str] = field(default_factory=dict)

    def _once(self, name: str, term) -> str:
        if name not in self._defined:
            self._defined[name] = self.script.define(f"{self.label}: {name}", term())
        return self._defined[name]

    def is_in(self, machine: str, state: str) -> str:
        return self.bits[in_name(machine, state)]

    def holds(self, guard: Guard) -> str:
        return guard_text(guard, self.is_in)

    def guard(self, t: Transition) -> str:
        return self._once(f"guard {t.machine} {t.index}", lambda: self.holds(t.when))

    def standing(self, t: Transition) -> str:
        """In its source, with its guard true."""
        return conj([self.is_in(t.machine, t.source), self.guard(t)])

    def time(self, machine: str) -> Time:
        return self.times[f"time {machine}"]

    def held(self, t: Transition) -> Time:
        """``held M n``; of a window ``0 s .. 0 s`` only that it is at least 0 is ever asked (4.1)."""
        return self.times[held_name(t)] if held_name(t) else Time(ZERO)

    def payable(self, t: Transition) -> str:
        """4.3 for one fault on its own."""
        if not t.fault:
            return TRUE
        return f"(< {self.spent} {self.asked.budget})" if self.asked.budget > 0 else FALSE

    def enabled(self, t: Transition) -> str:
        """4.1."""
        def term() -> str:
            lows = [self.time(t.machine).at_least(t.after.lo)] if t.after else []
            lows += [self.held(t).at_least(t.held.lo)] if t.held else []
            return conj([self.standing(t), *lows, self.payable(t)])
        return self._once(f"enabled {t.machine} {t.index}", term)

    def enabled_after(self, t: Transition, delay: str) -> str:
        """4.1 after a delay, which changes no guard and leaves ``held`` running (5.3)."""
        measured = []
        if t.after and t.after.lo > 0:
            measured.append((self.time(t.machine), t.after.lo))
        if t.held and t.held.lo > 0:
            measured.append((self.held(t), t.held.lo))
        lows = [f"(>= {add(time.value, delay)} {number(lo)})" for time, lo in measured]
        return conj([self.standing(t), *lows, self.payable(t)])

    def due(self, t: Transition) -> str:
        """4.2, for a transition that obliges."""
        ends = [self.time(t.machine).at_least(t.after.hi)] if t.after else []
        ends += [self.held(t).at_least(t.held.hi)] if t.held else []
        return conj([self.standing(t), *ends])

    def not_past(self, t: Transition, delay: str) -> str:
        """5.4 for one transition: some window of it has not ended after ``delay`` > 0."""
        ends = [self.time(t.machine).grown_within(delay, t.after.hi)] if t.after else []
        if t.held and held_name(t):
            ends.append(self.held(t).grown_within(delay, t.held.hi))
        return implies(self.standing(t), disj(ends))

    @property
    def settled(self) -> str:
        """5.1."""
        return self._once("settled", lambda: conj(
            neg(self.enabled(t)) for m in self.asked.model.machines if m.is_control for t in m.transitions))

    @property
    def can_pass(self) -> str:
        """6.2."""
        return self._once("time can pass", lambda: conj([self.settled, *(
            neg(self.due(t)) for m in self.asked.model.machines if not m.is_control
            for t in m.transitions if obliges(t))]))

    def values(self) -> list[str]:
        """Terms for the symbols of section 10, in their order."""
        def value(name: str, sort: str) -> str:
            if sort == "Bool":
                return self.bits[name]
            return self.times[name].value if sort == "Real" else self.spent
        return [value(name, sort) for name, sort in self.asked.names.items()]

    def invariant(self) -> str:
        """The certificate's term in this state."""
        return f"(invariant {' '.join(self.values())})"

    def well_formed(self) -> str:
        """What section 3 says of every state: one state a machine, and how times relate.

        These facts are not taken for granted: each obligation proves them together with the invariant.
        """
        facts = []
        for m in self.asked.model.machines:
            here = [self.is_in(m.name, state) for state in m.states]
            facts.append(disj(here))
            facts += [disj([neg(a), neg(b)]) for a, b in combinations(here, 2)]
            for t in m.transitions:
                if held_name(t):
                    held = self.held(t).value
                    facts.append(f"(<= 0.0 {held} {self.time(m.name).value})")
                    facts.append(disj([self.standing(t), f"(= {held} 0.0)"]))
        for name, sort in self.asked.names.items():
            if sort == "Real" and not name.startswith("held "):
                facts.append(f"(>= {self.times[name].value} 0.0)")
        if self.asked.budget > 0:
            facts.append(f"(<= 0 {self.spent} {self.asked.budget})")
        return conj(facts)


def unknown_moment(script: Script, asked: Question, label: str) -> Moment:
    """A state of which nothing is known but ``well_formed``, and where machines are that can't move (11.9)."""
    bits, times, spent = _at_rest(asked), {}, "0"
    for name, sort in asked.names.items():
        if name in bits:
            continue
        term = script.declare(f"{label}: {name}", sort)
        if sort == "Bool":
            bits[name] = term
        elif sort == "Real":
            times[name] = Time(term)
        else:
            spent = term
    moment = Moment(script, asked, label, bits, times, spent)
    script.require(moment.well_formed())
    return moment


def _at_rest(asked: Question) -> dict[str, str]:
    """11.9: the states of the world's machines that could never take a transition from their first state."""
    found = {}
    for m in asked.model.machines:
        leaving = [t for t in m.transitions if t.source == m.states[0]]
        could = [t for t in leaving if (not t.fault or asked.budget > 0) and t.when != NOWHERE]
        if not could and not m.is_control:
            first, *others = (in_name(m.name, state) for state in m.states)
            found |= {first: TRUE, **dict.fromkeys(others, FALSE)}
    return found


def first_moment(script: Script, asked: Question, label: str) -> Moment:
    """The initial state (3.3, 8.1)."""
    first = {in_name(m.name, m.states[0]) for m in asked.model.machines}
    bits = {name: TRUE if name in first else FALSE for name, sort in asked.names.items() if sort == "Bool"}
    times = {name: Time(ZERO) for name, sort in asked.names.items() if sort == "Real"}
    return Moment(script, asked, label, bits, times)


def define_invariant(script: Script, asked: Question, term: str) -> None:
    """``invariant`` as a function of the symbols of section 10."""
    parameters = " ".join(f"({symbol(name)} {sort})" for name, sort in asked.names.items())
    script.lines.append(f"(define-fun invariant ({parameters}) Bool\n{term}\n)")
