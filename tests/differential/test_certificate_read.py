"""Invariants written as SMT-LIB and read back say the same of every state."""

from __future__ import annotations

import random
from fractions import Fraction

import pytest

from tests.differential.building import at, go, machine, prop
from tests.differential.building import model as put_together
from verifier.engines.certificate_read import conjuncts
from verifier.engines.certificate_text import smt_text
from verifier.language.model import Form
from verifier.semantics.formula import Apart, AtLeast, Formula, In, Truth, all_of, any_of, negate
from verifier.semantics.system import System
from verifier.semantics.valuation import Valuation, compiled
from verifier.semantics.watched import build


def system() -> System:
    """With machines, held guards, a watch and faults spent: every kind of name that a certificate has."""
    gate = machine(
        "gate[up]",
        "equipment",
        "open half shut",
        [
            go("open", "half", at("train", "near"), held=(1, 2)),
            go("half", "shut", after=3),
            go("shut", "open", fault="f"),
        ],
    )
    train = machine("train", "train", "away near", [go("away", "near"), go("near", "away", after=(1, 2))])
    asked = prop(Form.WITHIN, p=at("train", "near"), q=at("gate[up]", "shut"), bound=9)
    return build(put_together(gate, train), asked, 2)


def random_formula(chance: random.Random, of: System, depth: int = 3) -> Formula:
    kind = chance.randrange(6 if depth else 3)
    clocks = sorted(of.clocks)
    if kind == 0:
        register = chance.choice(sorted(of.registers))
        values = of.registers[register]
        return In(register, frozenset(chance.sample(values, chance.randint(1, len(values)))))
    if kind == 1:
        return AtLeast(chance.choice(clocks), Fraction(chance.randint(0, 9), 2), chance.random() < 0.5)
    if kind == 2:
        left, right = chance.sample(clocks, 2)
        return Apart(left, right, Fraction(chance.randint(-9, 9), 4), chance.random() < 0.5)
    if kind == 3:
        return negate(random_formula(chance, of, depth - 1))
    part = random_formula(chance, of, depth - 1)  # stands in two places, so that it gets a name
    parts = [random_formula(chance, of, depth - 1) for _ in range(chance.randint(1, 3))]
    join, other = (all_of, any_of) if kind == 4 else (any_of, all_of)
    return join(part, *parts, other(part, random_formula(chance, of, depth - 1)))


def random_state(chance: random.Random, of: System) -> Valuation:
    registers = {name: chance.choice(values) for name, values in of.registers.items()}
    clocks = {name: Fraction(chance.randint(0, 24), 4) for name in of.clocks}
    return Valuation(registers, clocks, {}, {}, Fraction(0), frozenset())


@pytest.mark.parametrize("seed", range(60))
def test_what_is_read_back_says_the_same(seed: int) -> None:
    chance, of = random.Random(seed), system()
    formula = all_of(*(random_formula(chance, of) for _ in range(3)))
    if isinstance(formula, Truth):
        pytest.fail("a formula that says nothing")
    again = compiled(all_of(*conjuncts(smt_text(of, formula))))
    as_was = compiled(formula)
    states = [random_state(chance, of) for _ in range(100)]
    assert [again(state) for state in states] == [as_was(state) for state in states]


def test_each_part_of_a_conjunction_is_read_apart() -> None:
    of = system()
    parts = (In("train", frozenset({"near"})), AtLeast("time train", Fraction(1, 3)))
    assert conjuncts(smt_text(of, all_of(*parts))) == parts
    assert conjuncts("true") == ()


@pytest.mark.parametrize(
    "text",
    ["", "(", ")", "true true", "(=> true false)", "(and (forall ((x Int)) true))", "(>= |time train| one)",
     "(>= |time train| (/ 1.0 0.0))", "(let ((a)) a)", "(let ((a true) (b true)) a)", "unheard", "(= |other| 1)",
     "(not " * 9000 + "true" + ")" * 9000],
)
def test_what_is_of_another_kind_is_refused(text: str) -> None:
    with pytest.raises(ValueError):
        conjuncts(text)
