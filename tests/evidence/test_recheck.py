"""A certificate is accepted only if it proves: one right term by hand, and one wrong in each way."""

from dataclasses import replace
from fractions import Fraction

import pytest

from tests.differential.building import at, both, go, machine, model, prop
from verifier.evidence.recheck import Refused, names, obligations, recheck_certificate
from verifier.evidence.recheck_ask import ask
from verifier.language.guard import TRUE, Const
from verifier.language.model import Form
from verifier.semantics.run import Certificate

# Amber lasts 3 s; the train needs at least 5 s from strike-in to the crossing.
LIGHTS = model(
    machine("lights", "control", "dark amber red",
            [go("dark", "amber", at("train", "near")), go("amber", "red", after=3)]),
    machine("train", "train", "far near over", [go("far", "near"), go("near", "over", after=(5, 9))]),
)
RED_IN_TIME = prop(Form.WHILE, p=at("train", "over"), q=at("lights", "red"))
INVARIANT = """(and
  (=> |train is far| |lights is dark|)
  (=> (and |train is near| |lights is dark|) (= |time train| 0.0))
  (=> |lights is amber|
      (and |train is near| (= |time lights| |time train|) (<= |time lights| 3.0)))
  (=> |train is over| |lights is red|))"""


def refusal(checked, asked, term, **parts):
    budget = parts.pop("budget", 0)
    with pytest.raises(Refused) as caught:
        recheck_certificate(checked, asked, Certificate(term, **parts), budget=budget)
    return caught.value


def test_a_right_certificate_is_accepted():
    rechecked = recheck_certificate(LIGHTS, RED_IN_TIME, Certificate(INVARIANT))
    assert list(rechecked.obligations) == ["initial", "step settle", "step world", "no bad state"]
    assert rechecked.solver.startswith("cvc5 1.")
    for text in rechecked.obligations.values():
        assert ask(text, 10.0).verdict == "unsat"


def test_the_same_question_gives_the_same_bytes():
    one = obligations(LIGHTS, RED_IN_TIME, Certificate(INVARIANT))
    assert one == obligations(LIGHTS, RED_IN_TIME, Certificate(INVARIANT))


@pytest.mark.parametrize(("term", "obligation"), [
    ("(and |train is near| |lights is red|)", "initial"),
    (INVARIANT.replace("(= |time train| 0.0)", "(= |time train| 1.0)"), "step settle"),
    (INVARIANT.replace("(<= |time lights| 3.0)", "(<= |time lights| 2.0)"), "step world"),
    (INVARIANT.replace("(and |train is near| (=", "(and |train is far| (="), "step settle"),
    ("true", "no bad state"),
    (INVARIANT.replace("(=> |train is over| |lights is red|)", "true"), "no bad state"),
])
def test_a_wrong_certificate_is_refused_at_the_obligation_it_breaks(term, obligation):
    refused = refusal(LIGHTS, RED_IN_TIME, term)
    assert (refused.kind, refused.obligation) == ("sat", obligation)
    assert f"obligation `{obligation}` does not hold" in refused.reason


def test_a_refusal_sketches_the_state_and_the_step():
    refused = refusal(LIGHTS, RED_IN_TIME, "(=> |train is over| |lights is red|)")
    assert refused.obligation == "step world"
    assert "train is near for" in refused.reason and "train near -> over" in refused.reason


def test_a_certificate_of_another_model_is_refused():
    slow = model(
        replace(LIGHTS.machines[0], transitions=(LIGHTS.machines[0].transitions[0], replace(
            LIGHTS.machines[0].transitions[1], after=go("", "", after=6)["after"]))),
        LIGHTS.machines[1])
    # Amber for 6 s is too long for a train that comes after 5 s.
    assert refusal(slow, RED_IN_TIME, INVARIANT.replace("3.0", "6.0")).kind == "sat"


@pytest.mark.parametrize(("term", "what"), [
    ("", "the text is empty"),
    ("(and true", "still open"),
    ("true)", "no opening one|follows after the end"),
    ("true) (assert false", "follows after the end"),
    ("true true", "`true` follows after the end"),
    ("|train is lost|", "`train is lost` is not a symbol"),
    ("(|train is far| true)", "is not an operator"),
    ("(forall ((x Real)) (> x 0.0))", "`forall` is not an operator"),
    ("(! true :named t)", "`!` is not an operator"),
    ("(let ((x true) (x false)) x)", "`x` cannot be bound"),
    ("(let ((x true)) (and x y))", "`y` is not a symbol"),
    ("(and (let ((x true)) x) x)", "`x` is not a symbol"),
    ("(let ((x true) (y x)) y)", "`x` is not a symbol"),
    ("(let (x) true)", "not of the form"),
    ("(and)", "applied to nothing"),
    ("()", "is not an operator"),
    ("true ; (assert false)", "follows after the end"),
    ('"text"', "follows after the end"),
    ("(<= |time lights| 03.0)", "`03.0` is not a symbol"),
    ("(<= |time lights| " + "9" * 5000 + ".0)", "more than 1000 digits"),
    ("(let ((|time lights| 0.0)) (>= |time lights| 0.0))", "cannot be bound"),
])
def test_text_that_is_no_term_is_refused_before_the_solver_sees_it(term, what):
    refused = refusal(LIGHTS, RED_IN_TIME, term)
    assert (refused.kind, refused.obligation) == ("malformed", "")
    assert any(part in refused.reason for part in what.split("|"))
    assert "\n" not in refused.reason and len(refused.reason) < 200


@pytest.mark.parametrize("term", [
    "|time lights|", "(+ 1.0 |time lights|)", "(not true false)", "(and true 3.0)",
    "(<= (* |time lights| |time train|) 3.0)", "(= |train is far| 1.0)",
])
def test_a_term_of_wrong_sorts_is_malformed(term):
    refused = refusal(LIGHTS, RED_IN_TIME, term)
    assert refused.kind == "malformed" and "does not accept the term" in refused.reason


def test_deep_nesting_is_read_without_recursion():
    deep = "(not " * 20_000 + "true" + ")" * 20_000
    assert recheck_certificate(LIGHTS, prop(Form.NEVER, p=Const(False)), Certificate(deep)).seconds > 0


@pytest.mark.parametrize(("form", "parts", "certificate", "what"), [
    (Form.EVENTUALLY, {}, {}, "must give a bound"),
    (Form.EVENTUALLY, {}, {"bound": Fraction(-1)}, "a bound of at least 0 s"),
    (Form.NEVER, {}, {"bound": Fraction(1)}, "`never` has no bound of its own"),
    (Form.DEAD, {}, {}, "one state or one transition"),
    (Form.NEVER, {}, {"k": 0}, "k is 0"),
    (Form.DOES_NOT_SETTLE, {}, {}, "a number of rounds"),
    (Form.TIME_STOPS, {}, {"rounds": -1}, "a number of rounds"),
])
def test_a_certificate_without_what_its_form_needs_is_malformed(form, parts, certificate, what):
    refused = refusal(LIGHTS, prop(form, **parts), "true", **certificate)
    assert refused.kind == "malformed" and what in refused.reason


def test_no_time_left_is_unknown_and_never_a_yes():
    with pytest.raises(Refused) as caught:
        recheck_certificate(LIGHTS, RED_IN_TIME, Certificate(INVARIANT), time_limit_s=0.0)
    assert caught.value.kind == "unknown"


def test_the_solver_running_out_of_time_is_unknown():
    # Pigeons and holes: exponential for resolution, so out of reach in a tenth of a second.
    holes = range(11)
    lines = ["(set-logic QF_UF)"]
    lines += [f"(declare-const p{i}_{j} Bool)" for i in range(12) for j in holes]
    lines += [f"(assert (or {' '.join(f'p{i}_{j}' for j in holes)}))" for i in range(12)]
    lines += [f"(assert (or (not p{i}_{j}) (not p{k}_{j})))" for j in holes for i in range(12) for k in range(i)]
    answered = ask("\n".join([*lines, "(check-sat)"]), 0.1)
    assert answered.verdict == "unknown" and "0.1 s" in answered.why


# The control state `odd` has no way in and is left at once for `wrong`: one state of the invariant
# leads out of it, two in a row never do.
ODD = model(
    machine("logic", "control", "good odd wrong", [go("odd", "wrong")]),
    machine("world", "equipment", "a b", [go("a", "b"), go("b", "a")]),
)
NOT_WRONG = prop(Form.NEVER, p=at("logic", "wrong"))


def test_two_states_in_a_row_prove_what_one_does_not():
    assert refusal(ODD, NOT_WRONG, "(not |logic is wrong|)").obligation == "step settle"
    rechecked = recheck_certificate(ODD, NOT_WRONG, Certificate("(not |logic is wrong|)", k=2))
    assert list(rechecked.obligations)[:2] == ["initial", "initial and 1 step(s)"]


def test_two_states_in_a_row_must_hold_in_the_first_two_states_of_a_run():
    # From the initial state the settle leads straight to `wrong`, where nothing else can happen.
    straight = model(machine("logic", "control", "odd wrong", [go("odd", "wrong")]))
    refused = refusal(straight, NOT_WRONG, "(not |logic is wrong|)", k=2)
    assert refused.obligation == "initial and 1 step(s)"


FAULTY = model(
    machine("lamp", "equipment", "lit broken out",
            [go("lit", "broken", fault="filament"), go("broken", "out", fault="filament")]),
)
LAMP_LIT = prop(Form.NEVER, p=at("lamp", "out"))


def test_faults_are_taken_only_within_the_budget():
    assert names(FAULTY, LAMP_LIT, 1)["spent"] == "Int" and "spent" not in names(FAULTY, LAMP_LIT, 0)
    recheck_certificate(FAULTY, LAMP_LIT, Certificate("|lamp is lit|"), budget=0)
    one = "(and (not |lamp is out|) (=> |lamp is broken| (= |spent| 1)))"
    recheck_certificate(FAULTY, LAMP_LIT, Certificate(one), budget=1)
    assert refusal(FAULTY, LAMP_LIT, one, budget=2).obligation == "step world"
    assert refusal(FAULTY, LAMP_LIT, "|lamp is lit|", budget=1).obligation == "step world"


def test_two_faults_at_once_cost_two():
    pair = model(*(machine(name, "equipment", "ok broken", [go("ok", "broken", fault="wear")])
                   for name in ("left", "right")))
    both_gone = prop(Form.NEVER, p=both(at("left", "broken"), at("right", "broken")))
    cost = """(and (=> |left is broken| (>= |spent| 1)) (=> |right is broken| (>= |spent| 1))
                   (=> (and |left is broken| |right is broken|) (>= |spent| 2)))"""
    recheck_certificate(pair, both_gone, Certificate(cost), budget=1)
    assert refusal(pair, both_gone, cost, budget=2).obligation == "no bad state"


def test_symbols_of_section_10():
    clocked = model(
        machine("m", "control", "a b", [go("a", "b", at("w", "on"), held=2), go("b", "a", held=0)]),
        machine("w", "equipment", "off on", [go("off", "on", held=(0, None)), go("on", "off", held=(0, 0))]))
    asked = prop(Form.BETWEEN_AT_MOST, p=at("w", "on"), q=both(at("w", "off"), TRUE), bound=1)
    assert names(clocked, asked, 1) == {
        "m is a": "Bool", "m is b": "Bool", "w is off": "Bool", "w is on": "Bool",
        "time m": "Real", "held m 0": "Real", "time w": "Real", "held w 0": "Real", "spent": "Int",
        "watch P before": "Bool", "watch Q before": "Bool", "watch open": "Bool", "watch time": "Real"}
    assert "fresh m" in names(clocked, prop(Form.PULSE)) and "fresh w" not in names(clocked, prop(Form.PULSE))
