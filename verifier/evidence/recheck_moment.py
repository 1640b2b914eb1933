"""One state of the checked model inside a script: ``specs/semantics.md`` sections 3, 4 and 6.2.

A ``Moment`` maps every symbol of section 10 to a term. Formulas about the state are defined in the
script when first asked for.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from itertools import combinations

from verifier.evidence import recheck_watch as watches
from verifier.evidence.recheck_script import (
    FALSE, TRUE, ZERO, Script, Time, add, conj, disj, guard_text, implies, neg, number, symbol,
)
from verifier.language.guard import Guard
from verifier.language.model import Form, Machine, Model, Property, Transition, Window


@dataclass(frozen=True)
class Question:
    """What is asked: the model, the property and the fault budget; ``names`` as in section 10."""

    model: Model
    prop: Property
    budget: int
    names: Mapping[str, str]

    @property
    def logic(self) -> str:
        return "QF_LIRA" if self.budget > 0 else "QF_LRA"


def question(model: Model, prop: Property, budget: int) -> Question:
    """Collect the symbols of section 10 in a fixed order."""
    names: dict[str, str] = {}
    for machine in model.machines:
        for state in machine.states:
            names[in_name(machine.name, state)] = "Bool"
    for machine in model.machines:
        names[time_name(machine)] = "Real"
        for transition in machine.transitions:
            if held_name(transition):
                names[held_name(transition)] = "Real"
    if budget > 0:
        names["spent"] = "Int"
    names.update(watches.symbols(prop))
    if prop.form is Form.PULSE:
        for machine in model.machines:
            if machine.is_control:
                names[f"fresh {machine.name}"] = "Bool"
    return Question(model, prop, budget, names)


def in_name(machine: str, state: str) -> str:
    return f"{machine} is {state}"


def time_name(machine: Machine) -> str:
    return f"time {machine.name}"


def held_name(transition: Transition) -> str:
    """The section 10 symbol of a ``held`` window, or "" when it has none."""
    if transition.held is None or transition.held == Window(Fraction(0), Fraction(0)):
        return ""
    return f"held {transition.machine} {transition.index}"


def obliges(transition: Transition) -> bool:
    """4.2, first sentence."""
    windows = windows_of(transition)
    return not transition.fault and bool(windows) and all(w.hi is not None for w in windows)


def windows_of(transition: Transition) -> list[Window]:
    return [window for window in (transition.after, transition.held) if window is not None]


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
    """A state of which nothing is known but ``well_formed``."""
    bits, times, spent = {}, {}, "0"
    for name, sort in asked.names.items():
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
