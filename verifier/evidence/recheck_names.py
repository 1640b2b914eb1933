"""What is asked and which symbols it is asked in: ``specs/semantics.md`` section 10."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction

from verifier.language.model import Form, Machine, Model, Property, Transition, Window

P_BEFORE, Q_BEFORE, OPEN, CLOCK = "watch P before", "watch Q before", "watch open", "watch time"

# The bits and the clock that each row of 8.2 uses.
_WATCH = {
    Form.WITHIN: (P_BEFORE, OPEN, CLOCK),
    Form.KEEPS: (P_BEFORE, OPEN, CLOCK),
    Form.ONLY_AFTER: (P_BEFORE, Q_BEFORE, OPEN),
    Form.LASTS_AT_LEAST: (P_BEFORE, CLOCK),
    Form.LASTS_AT_MOST: (P_BEFORE, CLOCK),
    Form.HAS_HELD: (P_BEFORE, Q_BEFORE, CLOCK),
    Form.BETWEEN_AT_MOST: (P_BEFORE, Q_BEFORE, OPEN, CLOCK),
    Form.BETWEEN_AT_LEAST: (P_BEFORE, Q_BEFORE, OPEN, CLOCK),
}


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
    names.update(watch_symbols(prop))
    if prop.form is Form.PULSE:
        for machine in model.machines:
            if machine.is_control:
                names[f"fresh {machine.name}"] = "Bool"
    return Question(model, prop, budget, names)


def watch_symbols(prop: Property) -> dict[str, str]:
    """Symbols of the property's watch with their sorts, in a fixed order."""
    used = _WATCH.get(prop.form, ())
    if prop.form is Form.POSSIBLE and prop.bound is not None:
        used = (CLOCK,)
    return {name: "Real" if name == CLOCK else "Bool" for name in used}


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
