"""Small models put together in a line or two, without a file."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

from verifier.diagnostics import Place
from verifier.language.guard import TRUE, And, Guard, Is, Not, Or
from verifier.language.model import Form, Machine, Model, Property, Role, Transition, Window

HERE = Place("small.yaml", 1, 1)


def window(value) -> Window | None:
    """``1`` is exactly 1 s, ``(1, 2)`` and ``(1, None)`` are windows, None is none."""
    if value is None or isinstance(value, Window):
        return value
    if isinstance(value, tuple):
        lo, hi = value
        return Window(Fraction(lo), None if hi is None else Fraction(hi))
    return Window(Fraction(value), Fraction(value))


def go(source: str, target: str, when: Guard = TRUE, *, after=None, held=None, fault=None) -> dict:
    """One transition, for ``machine``."""
    return {
        "source": source,
        "target": target,
        "when": when,
        "after": window(after),
        "held": window(held),
        "fault": fault,
    }


def machine(name: str, role: str, states: str, transitions: Sequence[dict] = ()) -> Machine:
    made = tuple(
        Transition(machine=name, index=index, place=HERE, **parts)
        for index, parts in enumerate(transitions)
    )
    return Machine(name, Role(role), tuple(states.split()), made, HERE)


def model(*machines: Machine) -> Model:
    return Model("Small Drove", "MCB-OD", "GB", machines, {}, {}, {}, {}, "small.yaml", "0" * 64)


def at(name: str, *states: str) -> Is:
    return Is(name, frozenset(states))


def away(name: str, *states: str) -> Not:
    return Not(Is(name, frozenset(states)))


def both(*parts: Guard) -> And:
    return And(parts)


def either(*parts: Guard) -> Or:
    return Or(parts)


def prop(form: Form, *, bound=None, **parts) -> Property:
    made = None if bound is None else Fraction(bound)
    return Property(form.value, form, "a test", "made up", "H01", HERE, bound=made, **parts)


def half_second_model() -> Model:
    """The known model that needs half-seconds, from section 4 of the project's contract.

    Both K1 and K2 can be saved, in half-seconds and not in whole ones.
    """
    free = [go("w0", "w1"), go("w1", "w2"), go("w2", "w3", at("C", "moved")), go("w3", "w4")]
    return model(
        machine("W", "equipment", "w0 w1 w2 w3 w4", free),
        machine("C", "equipment", "still moved", [go("still", "moved", after=(1, None))]),
        machine(
            "K1",
            "control",
            "on fired saved",
            [go("on", "fired", at("W", "w0", "w1"), after=1), go("on", "saved", away("W", "w0", "w1"))],
        ),
        machine(
            "K2",
            "control",
            "off on fired saved",
            [
                go("off", "on", away("W", "w0")),
                go("on", "fired", away("W", "w4"), after=1),
                go("on", "saved", at("W", "w4")),
            ],
        ),
    )
