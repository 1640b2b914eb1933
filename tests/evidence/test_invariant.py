"""Reading and evaluating SMT-LIB terms; also against z3's own evaluation of the same text."""

import random
from fractions import Fraction

import pytest
import z3

from verifier.evidence.invariant import BadTerm, Invariant

SORTS = {"a": "Bool", "b": "Bool", "M is S": "Bool", "x": "Real", "time M": "Real"}
VALUES = {"a": True, "b": False, "M is S": True, "x": Fraction(-5, 2), "time M": Fraction(1, 3)}


@pytest.mark.parametrize(
    "text, value",
    [
        ("a", True),
        ("(and a (not b) |M is S|)", True),
        ("(or b b)", False),
        ("(=> a b)", False),
        ("(=> b b b)", True),
        ("(=> a a b)", False),
        ("(xor a a a)", True),
        ("(= a |M is S| (not b))", True),
        ("(ite b a (< x 0))", True),
        ("(= (ite a x 1) (- 2.5))", True),
        ("(<= |time M| (/ 1 3))", True),
        ("(< |time M| (/ 1.0 3.0) 1)", False),
        ("(< x |time M| 0.34 1)", True),
        ("(>= (+ x 2 (/ 1 2)) 0)", True),
        ("(> (* 3 |time M|) 1)", False),
        ("(= (- x (- x) 1) (- 6))", True),
        ("(distinct x |time M| 1)", True),
        ("(= (/ x (- 2)) (/ 5 4))", True),
        ("(= (to_real 1) 1.0)", True),
        ("; a comment ) here\n(and a\n\ttrue)", True),
        # let is parallel, and inner names hide outer ones
        ("(let ((a b) (b a)) (and b (not a)))", True),
        ("(let ((y x)) (let ((y (+ y 1)) (w y)) (= (- y w) 1)))", True),
        ("(and (let ((a b)) (not a)) a)", True),
    ],
)
def test_value_of_a_term(text, value):
    assert Invariant(text, SORTS).holds(VALUES) is value


@pytest.mark.parametrize(
    "text, problem",
    [
        ("", "0 terms"),
        ("a b", "2 terms"),
        ("(and a", "ends inside 1 open"),
        ("(and a))", "closing parenthesis too many"),
        ("(nand a b)", "unknown operator `nand`"),
        ("(and a c)", "unknown symbol `c`"),
        ("|M is Z|", "unknown symbol `M is Z`"),
        ("x", "a number, not a truth"),
        ("(< a 1)", "do not fit"),
        ("(= a x)", "do not fit"),
        ("(and x)", "do not fit"),
        ("(ite a b x)", "two terms of one sort"),
        ("(not a b)", "`not` of 2"),
        ("(< x)", "of one term"),
        ("(and)", "of nothing"),
        ("()", "an operator is due where `\\)`"),
        ("((and a) b)", "an operator is due"),
        ("(= x (/ 1 0))", "other than 0"),
        ("(= 1 (/ 1 x))", "not a constant"),
        ("(let a b)", "begins with a list"),
        ("(let ((y a) (y b)) y)", "twice"),
        ("(let ((y)) a)", "one symbol and one term"),
        ("(let ((1 a)) a)", "can't be bound"),
        ("(let (((a) b)) a)", "begins with its symbol"),
        ("(= x 01)", "no word"),
        ("#b1", "no word"),
        ("|a", "no word"),
        ('(and a "text")', "no word"),
    ],
)
def test_what_is_no_such_term_is_told(text, problem):
    with pytest.raises(BadTerm, match=problem):
        Invariant(text, SORTS)


def test_only_the_symbols_that_occur_are_asked_for():
    invariant = Invariant("(or a (< |time M| 1))", SORTS)
    assert invariant.symbols == {"a", "time M"}
    assert invariant.holds({"a": False, "time M": Fraction(0)})


def test_thousands_of_nested_lets_do_not_recurse():
    """The shape of a decision diagram printed with sharing."""
    depth = 5000
    text = "(let ((n0 a)) " + "".join(
        f"(let ((n{i} (ite {'b' if i % 3 else '|M is S|'} n{i - 1} (not n{i - 1})))) "
        for i in range(1, depth)
    )
    text += f"n{depth - 1}" + ")" * depth
    expected = True
    for i in range(1, depth):
        expected = expected if i % 3 == 0 else not expected
    assert Invariant(text, SORTS).holds(VALUES) is expected
    nested = "(not " * 5000 + "a" + ")" * 5000
    assert Invariant(nested, SORTS).holds(VALUES) is True


def _term(chance: random.Random, sort: str, depth: int) -> str:
    if sort == "Bool":
        if depth == 0:
            return chance.choice(["a", "b", "|M is S|", "true", "false"])
        kind = chance.choice(["and", "or", "not", "=>", "xor", "ite", "=", "distinct", "cmp", "cmp", "let"])
        if kind == "not":
            return f"(not {_term(chance, sort, depth - 1)})"
        if kind == "ite":
            return f"(ite {' '.join(_term(chance, sort, depth - 1) for _ in range(3))})"
        if kind == "let":
            return f"(let ((a {_term(chance, sort, depth - 1)}) (x {_term(chance, 'Real', depth - 1)})) {_term(chance, sort, depth - 1)})"
        if kind in ("cmp", "distinct") or (kind == "=" and chance.random() < 0.5):
            operator = chance.choice(["<", "<=", ">", ">=", "="]) if kind == "cmp" else kind
            return f"({operator} {_term(chance, 'Real', depth - 1)} {_term(chance, 'Real', depth - 1)})"
        return f"({kind} {_term(chance, sort, depth - 1)} {_term(chance, sort, depth - 1)})"
    if depth == 0:
        return chance.choice(["x", "|time M|", "1.0", "0.5", "(/ 1 3)", "(- 2.0)"])
    kind = chance.choice(["+", "-", "*", "ite"])
    if kind == "ite":
        return f"(ite {_term(chance, 'Bool', depth - 1)} {_term(chance, sort, depth - 1)} {_term(chance, sort, depth - 1)})"
    if kind == "*":
        return f"(* 3.0 {_term(chance, sort, depth - 1)})"
    return f"({kind} {_term(chance, sort, depth - 1)} {_term(chance, sort, depth - 1)})"


def test_random_terms_have_the_value_that_z3_gives_them():
    """Outside check: z3-solver's parser and evaluator for the same SMT-LIB text."""
    chance = random.Random(7)
    truths = []
    declarations = "".join(f"(declare-const |{name}| {sort})" for name, sort in SORTS.items())
    for _ in range(300):
        text = _term(chance, "Bool", chance.randint(1, 4))
        values = {
            name: chance.random() < 0.5 if sort == "Bool" else Fraction(chance.randint(-6, 6), 3)
            for name, sort in SORTS.items()
        }
        (parsed,) = z3.parse_smt2_string(f"{declarations}(assert {text})")
        places = [
            (z3.Bool(name), z3.BoolVal(value)) if SORTS[name] == "Bool"
            else (z3.Real(name), z3.RealVal(str(value)))
            for name, value in values.items()
        ]
        answer = z3.simplify(z3.substitute(parsed, *places))
        assert z3.is_true(answer) or z3.is_false(answer)
        ours = Invariant(text, SORTS).holds(values)
        assert ours is z3.is_true(answer), text
        truths.append(ours)
    assert 60 < sum(truths) < 240
