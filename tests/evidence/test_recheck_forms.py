"""The watch of each property form in the re-check, on both sides of its boundary.

The machine `x` may come on at any time and goes off after 2 to 4 s, for good. Each inductive invariant
is written by hand. The expected side of each boundary follows from section 7 of the semantics by the
arithmetic in the comments; bounds are inclusive.
"""

from fractions import Fraction

import pytest

from tests.differential.building import at, go, machine, model, prop
from verifier.evidence.recheck import Refused, recheck_certificate
from verifier.language.guard import FALSE
from verifier.language.model import Form
from verifier.semantics.run import Certificate

X = model(machine("x", "equipment", "idle on off", [go("idle", "on"), go("on", "off", after=(2, 4))]))
ON, OFF, IDLE, GONE_OR_ON = at("x", "on"), at("x", "off"), at("x", "idle"), at("x", "on", "off")

# P is `x is on` in most of these. Its first settled state has time 0 and is absorbed by the next world
# step, which starts the clock; from then on the clock shows the time since coming on, until it ends.
P_CLOCK = """
  (=> |x is idle| (not |watch P before|))
  (=> (and |x is on| (not |watch P before|)) (= |time x| 0.0))
  (=> |x is on| (<= |time x| 4.0))"""
CLOCK_RUNS = "(=> (and |x is on| |watch P before|) (= |watch time| |time x|))"

# form, properties parts, invariant with {c}, the c that is inductive, one that is not,
# a bound that holds and one that does not.
CASES = {
    # The spell of `on` ends 2 s after it began at the earliest: 2 holds, 5/2 does not.
    Form.LASTS_AT_LEAST: (
        {"p": ON}, f"{P_CLOCK} {CLOCK_RUNS} (=> (and |x is off| |watch P before|) (>= |watch time| {{c}}))",
        "2.0", "2.1", 2, Fraction(5, 2)),
    # It ends 4 s after it began at the latest: 4 holds, 7/2 does not.
    Form.LASTS_AT_MOST: (
        {"p": ON}, f"{P_CLOCK} {CLOCK_RUNS} (=> |watch P before| (<= |watch time| {{c}}))",
        "4.0", "3.9", 4, Fraction(7, 2)),
    # `off` comes at most 4 s after `on`.
    Form.WITHIN: (
        {"p": ON, "q": OFF},
        f"""{P_CLOCK} (=> |watch open| (and (<= |watch time| {{c}}) (not |x is idle|)))
        (=> |x is on| (= |watch open| |watch P before|))
        (=> (and |x is on| |watch open|) (= |watch time| |time x|))""",
        "4.0", "3.9", 4, Fraction(7, 2)),
    # `on` is kept for any time below 2 s; at exactly 2 s it may have gone.
    Form.KEEPS: (
        {"p": ON, "q": ON},
        f"""{P_CLOCK} (=> |x is idle| (not |watch open|))
        (=> (and |x is on| (not |watch P before|)) (not |watch open|))
        (=> (and |x is on| |watch open|) (= |watch time| |time x|))
        (=> (and |x is off| |watch open|) (>= |watch time| {{c}}))""",
        "2.0", "2.1", Fraction(19, 10), 2),
    # When `off` begins, `on` or `off` has been true for 2 s at least.
    Form.HAS_HELD: (
        {"p": GONE_OR_ON, "q": OFF},
        f"""{P_CLOCK} {CLOCK_RUNS} (=> (or |x is idle| |x is on|) (not |watch Q before|))
        (=> |x is off| (or |watch Q before| (and |watch P before| (>= |watch time| {{c}}))))""",
        "2.0", "2.1", 2, Fraction(5, 2)),
    # From `on` to `off` at most 4 s ...
    Form.BETWEEN_AT_MOST: (
        {"p": ON, "q": OFF},
        f"""{P_CLOCK} (=> (not |x is off|) (not |watch Q before|))
        (=> |watch open| (and (<= |watch time| {{c}}) (not |x is idle|) (not |watch Q before|)))
        (=> |x is on| (= |watch open| |watch P before|))
        (=> (and |x is on| |watch open|) (= |watch time| |time x|))""",
        "4.0", "3.9", 4, Fraction(7, 2)),
    # ... and at least 2 s.
    Form.BETWEEN_AT_LEAST: (
        {"p": ON, "q": OFF},
        f"""{P_CLOCK} {CLOCK_RUNS} (=> (not |x is off|) (not |watch Q before|))
        (=> (and |x is off| |watch open|) (>= |watch time| {{c}}))""",
        "2.0", "2.1", 2, Fraction(5, 2)),
    # `off` is reached 2 s after the start at the earliest: impossible before, possible at 2 s.
    Form.POSSIBLE: (
        {"p": OFF}, "(=> |x is on| (>= |watch time| |time x|)) (=> |x is off| (>= |watch time| {c}))",
        "2.0", "2.1", Fraction(19, 10), 2),
}


def accept(form, term, **parts):
    return recheck_certificate(X, prop(form, **parts), Certificate(f"(and true {term})"))


def refused_at(form, term, checked=X, **parts):
    with pytest.raises(Refused) as caught:
        recheck_certificate(checked, prop(form, **parts), Certificate(f"(and true {term})"))
    assert caught.value.kind == "sat"
    return caught.value.obligation


@pytest.mark.parametrize("form", CASES, ids=lambda form: form.value)
def test_bound_at_its_boundary(form):
    parts, term, right, wrong, holds, fails = CASES[form]
    accept(form, term.format(c=right), bound=holds, **parts)
    assert refused_at(form, term.format(c=right), bound=fails, **parts) == "no bad state"
    assert refused_at(form, term.format(c=wrong), bound=holds, **parts) == "step world"
    assert refused_at(form, "", bound=holds, **parts) == "no bad state"


@pytest.mark.parametrize(("form", "bound"), [
    (Form.WITHIN, Fraction(7, 2)), (Form.KEEPS, 2),
    (Form.BETWEEN_AT_MOST, Fraction(7, 2)), (Form.BETWEEN_AT_LEAST, Fraction(5, 2))])
def test_unless_excuses_what_would_break_the_bound(form, bound):
    """With R true from the onset of P on, no demand is ever open."""
    parts, term, right, _, _, _ = CASES[form]
    assert refused_at(form, term.format(c=right), bound=bound, **parts) == "no bad state"
    recheck_certificate(X, prop(form, bound=bound, r=GONE_OR_ON, **parts), Certificate("(not |watch open|)"))


AFTER = """(=> |x is idle| (not |watch P before|)) (=> |x is off| |watch open|)
  (=> |x is on| (or |watch open| (not |watch P before|)))"""


def test_only_after():
    accept(Form.ONLY_AFTER, AFTER, p=ON, q=OFF)
    # With `since: x is idle` the onset of P still lies after the last state with R ...
    accept(Form.ONLY_AFTER, AFTER, p=ON, q=OFF, r=IDLE)
    # ... with `since: x is on` it does not: the state after the last one with R is `off` itself.
    assert refused_at(Form.ONLY_AFTER, AFTER, p=ON, q=OFF, r=ON) == "step world"
    assert refused_at(Form.ONLY_AFTER, "", p=ON, q=OFF, r=ON) == "no bad state"
    # An onset of P in the very state of the onset of Q serves.
    accept(Form.ONLY_AFTER, "(=> (not |x is off|) (not |watch P before|)) (=> |watch P before| |watch Q before|)",
           p=OFF, q=OFF)


def test_same_settled_state_counts_as_after_0():
    """7.11: an onset of Q with the latest onset of P answers it after 0 s; so does 7.9 for P and Q."""
    term = "(= |watch P before| |watch Q before|)"
    for form in (Form.BETWEEN_AT_LEAST, Form.HAS_HELD):
        recheck_certificate(X, prop(form, p=OFF, q=OFF, bound=0), Certificate(term))
        assert refused_at(form, term, p=OFF, q=OFF, bound=Fraction(1, 10)) == "no bad state"


def test_possible_without_a_bound():
    closed = model(machine("x", "equipment", "a b c", [go("a", "b"), go("b", "a")]))
    recheck_certificate(closed, prop(Form.POSSIBLE, p=at("x", "c")), Certificate("(not |x is c|)"))
    assert refused_at(Form.POSSIBLE, "(not |x is c|)", checked=closed, p=at("x", "b")) == "no bad state"


# `through` is left at once, so no time can pass in it; in `slow` some may.
PASSING = model(machine("x", "equipment", "start through slow end", [
    go("start", "through"), go("through", "slow", after=(0, 0)), go("slow", "end", after=(0, 1))]))


@pytest.mark.parametrize("form", [Form.NEVER, Form.ALWAYS, Form.WHILE])
def test_states_without_time_are_not_judged(form):
    def parts(state):
        others = at("x", *({"start", "through", "slow", "end"} - {state}))
        return {Form.NEVER: {"p": at("x", state)}, Form.ALWAYS: {"p": others},
                Form.WHILE: {"p": at("x", state, "end"), "q": others}}[form]
    recheck_certificate(PASSING, prop(form, **parts("through")), Certificate("true"))
    assert refused_at(form, "", checked=PASSING, **parts("slow")) == "no bad state"


def test_a_settled_state_without_time_is_seen_by_the_other_forms():
    """An amber shown for no time is seen: `through` is settled, though no time can pass in it."""
    assert refused_at(Form.POSSIBLE, "", checked=PASSING, p=at("x", "through")) == "no bad state"
    spell = "(=> |watch P before| (>= |watch time| {c}))"
    assert refused_at(Form.LASTS_AT_LEAST, spell.format(c="0.1"), checked=PASSING, bound=Fraction(1, 10),
                      p=at("x", "through")) == "step world"
    recheck_certificate(PASSING, prop(Form.LASTS_AT_LEAST, p=at("x", "through"), bound=0),
                        Certificate(spell.format(c="0.0")))


@pytest.mark.parametrize("form", [Form.WITHIN, Form.BETWEEN_AT_MOST])
def test_p_coming_again_does_not_restart_an_open_demand(form):
    """P comes back every 2 to 4 s and Q never: 4 s after the first P nothing has answered it."""
    again = model(machine("x", "equipment", "p n", [go("p", "n", after=(1, 2)), go("n", "p", after=(1, 2))]))
    if_it_restarted = """(<= |time x| 2.0) (=> (and |x is p| |watch P before|) (= |watch time| |time x|))
      (=> |x is n| (<= |watch time| (+ 2.0 |time x|)))
      (=> (and |x is p| (not |watch P before|)) (and (= |time x| 0.0) (<= |watch time| 4.0)))"""
    asked = {"checked": again, "p": at("x", "p"), "q": FALSE, "bound": 4}
    assert refused_at(form, if_it_restarted, **asked) == "step world"


def test_a_state_that_is_not_settled_is_not_judged():
    hop = model(machine("m", "control", "a b c", [go("b", "c")]),
                machine("w", "equipment", "n y", [go("n", "y")]))
    # In `b` a control transition is enabled; `c` is settled.
    for form in (Form.NEVER, Form.POSSIBLE):
        recheck_certificate(hop, prop(form, p=at("m", "b")), Certificate("true"))
        assert refused_at(form, "", checked=hop, p=at("m", "c")) == "no bad state"


def test_held_restarts_when_its_guard_breaks():
    """A transition `held: 3 s` is taken at exactly 3 s of an unbroken guard, not of a broken one."""
    timed = model(machine("m", "control", "a b", [go("a", "b", at("w", "on"), held=3)]),
                  machine("w", "equipment", "on off", [go("on", "off"), go("off", "on")]))
    asked = {"p": at("w", "on"), "q": at("m", "b")}
    term = """(=> |m is a| (not |watch Q before|))
      (=> (and |m is a| |w is on|) (<= |held m 0| (ite |watch P before| |watch time| 0.0)))
      (=> (and |m is b| (not |watch Q before|))
          (and |w is on| |watch P before| (>= |watch time| 3.0)))"""
    recheck_certificate(timed, prop(Form.HAS_HELD, bound=3, **asked), Certificate(f"(and {term})"))
    assert refused_at(Form.HAS_HELD, term, checked=timed, bound=Fraction(31, 10), **asked) == "no bad state"
    # The timer is exact, so `held` never passes 3 s in `a`, and reaches it.
    held = "(=> |m is a| (<= |held m 0| {c}))"
    recheck_certificate(timed, prop(Form.NEVER, p=FALSE), Certificate(held.format(c="3.0")))
    assert refused_at(Form.NEVER, held.format(c="2.9"), checked=timed, p=FALSE) == "step world"
