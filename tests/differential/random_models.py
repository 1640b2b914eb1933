"""Small random models and properties, the same for the same seed.

Two to four machines, control and world, whole-second windows up to 3 s, ``held`` windows, now and then
a fault and a machine that nothing reads. Many of these models are odd (they do not settle, or stop
time); an engine must say the right thing about them all the same.
"""

from __future__ import annotations

import random
from fractions import Fraction

from verifier.language.guard import TRUE, And, Guard, Is, Not, Or
from verifier.language.model import Form, Machine, Model, Property, Window

from tests.differential.building import go, machine, model, prop

FORMS_OF_RUNS = (
    Form.NEVER,
    Form.ALWAYS,
    Form.WHILE,
    Form.WITHIN,
    Form.KEEPS,
    Form.ONLY_AFTER,
    Form.LASTS_AT_LEAST,
    Form.LASTS_AT_MOST,
    Form.HAS_HELD,
    Form.BETWEEN_AT_LEAST,
    Form.BETWEEN_AT_MOST,
    Form.POSSIBLE,
)
BUILT_IN_FORMS = (
    Form.AMBIGUOUS,
    Form.DOES_NOT_SETTLE,
    Form.TIME_STOPS,
    Form.ORDER_MATTERS,
    Form.PULSE,
    Form.DEAD,
)
_UNBOUNDED = {Form.NEVER, Form.ALWAYS, Form.WHILE, Form.ONLY_AFTER, Form.EVENTUALLY}


def random_model(seed: int, *, largest: int = 2) -> Model:
    """A model of two to four machines, at least one of control and one of the world.

    ``largest`` is the greatest window end in seconds but for a few of ``largest + 1``.
    """
    chance = random.Random(f"model {seed}")
    n_control = chance.choice((1, 1, 2))
    n_world = chance.choice((1, 2)) if n_control == 2 else chance.choice((1, 2, 2))
    names = [f"c{i}" for i in range(n_control)] + [f"w{i}" for i in range(n_world)]
    states = {name: ("s0", "s1", "s2")[: chance.choice((2, 2, 3))] for name in names}
    # Now and then an event that nothing reads: it must change no verdict on the rest.
    unread = chance.random() < 0.2 and n_world > 1
    readable = {name: states[name] for name in names if not (unread and name == names[-1])}
    made = [_machine(chance, name, states[name], readable, largest) for name in names]
    return model(*made)


def random_property(checked: Model, seed: int | str, form: Form | None = None) -> Property:
    """A property of ``checked``, of ``form`` or of any form, with a bound of whole seconds."""
    chance = random.Random(f"property {seed}")
    if form is None:
        form = chance.choice(FORMS_OF_RUNS + BUILT_IN_FORMS)
    states = {m.name: m.states for m in checked.machines}
    if form is Form.DEAD:
        chosen = chance.choice(checked.machines)
        # 9.6: a fault counts only under a budget that can pay for it, so none is asked for here.
        payable = [t for t in chosen.transitions if t.fault is None]
        if payable and chance.random() < 0.5:
            index = chance.choice(payable).index
            return prop(form, subject=("transition", chosen.name, index))
        return prop(form, subject=("state", chosen.name, chance.choice(chosen.states)))
    if form.is_built_in:
        return prop(form)
    bound: Fraction | int | None = None if form in _UNBOUNDED else chance.choice((0, 1, 1, 2, 3))
    if form is Form.POSSIBLE and chance.random() < 0.4:
        bound = None
    parts = {"p": _guard(chance, states), "q": _guard(chance, states)}
    if chance.random() < 0.4:
        parts["r"] = _guard(chance, states)
    return prop(form, bound=bound, **parts)


def _machine(chance, name: str, states, readable, largest: int) -> Machine:
    control = name.startswith("c")
    others = {other: those for other, those in readable.items() if other != name}
    transitions = []
    for source in states:
        for _ in range(chance.choice((0, 1, 1, 1, 2))):
            target = chance.choice([s for s in states if s != source or chance.random() < 0.15])
            transitions.append(_transition(chance, source, target, others, control, largest))
    role = "control" if control else chance.choice(("equipment", "train", "operator"))
    return machine(name, role, " ".join(states), transitions)


def _transition(chance, source, target, others, control: bool, largest: int) -> dict:
    when = TRUE if not others or chance.random() < 0.25 else _guard(chance, others)
    after = held = fault = None
    if chance.random() < (0.4 if control else 0.5):
        after = _exact(chance, largest) if control else _window(chance, largest)
    if when != TRUE and chance.random() < 0.35:
        held = _exact(chance, largest) if control else _window(chance, largest)
    if control and when == TRUE and after is None:
        after = Window(Fraction(1), Fraction(1))
    if not control and chance.random() < 0.12:
        fault = "slips"
    return go(source, target, when, after=after, held=held, fault=fault)


def _exact(chance, largest: int) -> Window:
    time = Fraction(chance.choice((0, 1, 1, *range(1, largest + 1))))
    return Window(time, time)


def _window(chance, largest: int) -> Window:
    lo = chance.randint(0, largest)
    hi = chance.choice((None, lo, lo + chance.randint(0, 1), max(lo, largest)))
    return Window(Fraction(lo), None if hi is None else Fraction(hi))


def _guard(chance, states, depth: int = 0) -> Guard:
    if depth < 2 and chance.random() < 0.4:
        kind = chance.choice((And, Or))
        return kind((_guard(chance, states, depth + 1), _guard(chance, states, depth + 1)))
    name = chance.choice(sorted(states))
    picked = chance.sample(states[name], chance.choice((1, 1, len(states[name]) - 1)))
    comparison = Is(name, frozenset(picked))
    return Not(comparison) if chance.random() < 0.3 else comparison
