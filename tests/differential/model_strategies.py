"""Small models and properties as hypothesis strategies, so that one that fails is made smaller.

Of the same kind as ``random_models``, put together differently: two or three machines, whole-second
windows up to 2 s, ``held`` windows, faults. Many do not settle, or stop time.
"""

from __future__ import annotations

from fractions import Fraction
from functools import cache
from itertools import combinations

from hypothesis import strategies as st

from tests.differential.building import go, machine, model, prop
from verifier.language.guard import TRUE, And, Guard, Is, Not, Or
from verifier.language.model import Form, Machine, Model, Property, Window

UNBOUNDED = (Form.NEVER, Form.ALWAYS, Form.WHILE, Form.ONLY_AFTER)
NAMES = (("c0", "w0"), ("c0", "w0", "w1"), ("c0", "c1", "w0"))
SIZES = tuple(("s0", "s1", "s2")[:n] for n in (2, 3))

# Machines by name, each with its states.
Others = tuple[tuple[str, tuple[str, ...]], ...]


def window(lo: int, hi: int | None) -> Window:
    return Window(Fraction(lo), None if hi is None else Fraction(hi))


EXACT = tuple(window(time, time) for time in range(3))
WINDOWS = tuple(window(lo, hi) for lo in range(3) for hi in (lo, lo + 1, None))
of_control = st.sampled_from((None, *EXACT))
of_world = st.sampled_from((None, *WINDOWS))
faults = st.sampled_from((None, None, None, "slips"))
roles = st.sampled_from(("equipment", "train", "operator"))
bounds = st.sampled_from((1, 2, 3, 0))


@cache
def guards(others: Others) -> st.SearchStrategy[Guard]:
    """Up to three comparisons of the machines ``others``."""
    plain = [
        Is(name, frozenset(some))
        for name, values in others
        for size in range(1, len(values))
        for some in combinations(values, size)
    ]
    one = st.sampled_from((*plain, *(Not(comparison) for comparison in plain)))
    two = st.builds(lambda kind, *parts: kind(parts), st.sampled_from((And, Or)), one, one)
    three = st.builds(lambda kind, *parts: kind(parts), st.sampled_from((And, Or)), one, two)
    return one | two | three


@cache
def conditions(others: Others) -> st.SearchStrategy[Guard]:
    return st.just(TRUE) | guards(others)


@cache
def lists_of_targets(states: tuple[str, ...], least: int) -> st.SearchStrategy[list[str]]:
    return st.lists(st.sampled_from(states), min_size=least, max_size=2)


@st.composite
def models(draw, all_settle: bool) -> Model:
    states = {name: draw(st.sampled_from(SIZES)) for name in draw(st.sampled_from(NAMES))}
    return model(*(_machine(draw, name, states, all_settle) for name in states))


def _machine(draw, name: str, states: dict[str, tuple[str, ...]], all_settle: bool) -> Machine:
    is_control = name.startswith("c")
    others = tuple((other, those) for other, those in states.items() if other != name)
    made = []
    for i, source in enumerate(states[name]):
        # control always has something to do, and the first state of all can be left
        for target in draw(lists_of_targets(states[name], 1 if is_control or i == 0 else 0)):
            one = _transition(draw, is_control, source, target, others)
            # what moves at once only onward comes to an end
            at_once = one["after"] in (None, window(0, 0))
            if all_settle and is_control and at_once and target <= source:
                one["after"] = window(1, 1)
            made.append(one)
    role = "control" if is_control else draw(roles)
    return machine(name, role, " ".join(states[name]), made)


def _transition(draw, is_control: bool, source: str, target: str, others: Others) -> dict:
    when = draw(conditions(others))
    windows = of_control if is_control else of_world
    after = draw(windows)
    held = None if when == TRUE else draw(windows)
    if is_control and when == TRUE and after is None:
        after = window(1, 1)
    fault = None if is_control else draw(faults)
    return go(source, target, when, after=after, held=held, fault=fault)


@st.composite
def questions(draw, form: Form) -> tuple[Model, Property]:
    """A model and a property of it."""
    # of a model that does not settle nothing is said on the order of moves
    checked = draw(models(all_settle=form is Form.ORDER_MATTERS))
    if form is Form.DEAD:
        return checked, prop(form, subject=draw(st.sampled_from(_subjects(checked))))
    if form.is_built_in:
        return checked, prop(form)
    guard = guards(tuple((m.name, m.states) for m in checked.machines))
    parts = {"p": draw(guard), "q": draw(guard)}
    if draw(st.booleans()):
        parts["r"] = draw(guard)
    bound = None
    if form not in UNBOUNDED and (form is not Form.POSSIBLE or draw(st.booleans())):
        bound = draw(bounds)
    return checked, prop(form, bound=bound, **parts)


def _subjects(checked: Model) -> list[tuple]:
    """What may be dead. A fault counts only under a budget that can pay for it (semantics 9.6), and
    there is none here."""
    found: list[tuple] = []
    for one in checked.machines:
        found += [("state", one.name, state) for state in one.states]
        found += [("transition", one.name, t.index) for t in one.transitions if t.fault is None]
    return found
