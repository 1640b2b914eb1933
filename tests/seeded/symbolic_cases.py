"""Small models whose verdicts follow from a line of arithmetic; times in seconds, citations of specs/semantics.md.

None of these numbers comes from a run of the program.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

from tests.differential.building import at, away, both, go, half_second_model, machine, model, prop
from verifier.language.load import built_in_properties
from verifier.language.model import Form, Machine, Model, Property


@dataclass(frozen=True)
class Case:
    model: Model
    prop: Property
    verdict: str


def _once(name: str, states: str = "off on") -> Machine:
    """A world machine that goes through its states whenever it likes."""
    names = states.split()
    return machine(name, "equipment", states, [go(*pair) for pair in pairwise(names)])


def _train(*window) -> Machine:
    return machine("T", "train", "near in", [go("near", "in", after=window)])


def _case(verdict: str, form: Form, *machines: Machine, **parts) -> Case:
    return Case(model(*machines), prop(form, **parts), verdict)


def _built_in(verdict: str, form: Form, *machines: Machine) -> Case:
    made = model(*machines)
    (asked,) = [p for p in built_in_properties(made) if p.form is form]
    return Case(made, asked, verdict)


NEAR, IN = at("T", "near"), at("T", "in")
FIRST, SECOND = at("A", "b"), at("B", "b")
OUT = both(at("L1", "out"), at("L2", "out"))


def _going(*window) -> Machine:
    return machine("B", "equipment", "falling down", [go("falling", "down", after=window)])


def _lamp(name: str, when=None) -> Machine:
    guard = {} if when is None else {"when": when}
    return machine(name, "equipment", "lit out", [go("lit", "out", fault=name, **guard)])


def _order(when) -> Machine:
    return machine("A", "control", "a b", [go("a", "b", when)])


CASES = {
    # 5.4: a control timer of 3 s stops every delay at 3 s.
    "amber lasts at most 3 s": _case(
        "proved",
        Form.LASTS_AT_MOST,
        _once("W"),
        machine(
            "A",
            "control",
            "dark amber red",
            [go("dark", "amber", at("W", "on")), go("amber", "red", after=3)],
        ),
        p=at("A", "amber"),
        bound=3,
    ),
    # 4.1 is not strict for control either: at exactly 3 s it is enabled.
    "red comes": _case(
        "shown",
        Form.POSSIBLE,
        machine("A", "control", "amber red", [go("amber", "red", after=3)]),
        p=at("A", "red"),
    ),
    # 4.1: control is enabled from 3 s on, not before.
    "amber lasts at least 3 s": _case(
        "proved",
        Form.LASTS_AT_LEAST,
        _once("W"),
        machine(
            "A",
            "control",
            "dark amber red",
            [go("dark", "amber", at("W", "on")), go("amber", "red", after=3)],
        ),
        p=at("A", "amber"),
        bound=3,
    ),
    # 5.4: the end of the window, 5 s, is a deadline.
    "near lasts at most 5 s": _case("proved", Form.LASTS_AT_MOST, _train(2, 5), p=NEAR, bound=5),
    # 4.1: not before 2 s.
    "near lasts at least 2 s": _case("proved", Form.LASTS_AT_LEAST, _train(2, 5), p=NEAR, bound=2),
    # 4.1 is not strict: at exactly 2 s the train may be in.
    "in within 2 s": _case("shown", Form.POSSIBLE, _train(2, 5), p=IN, bound=2),
    # 5.4: a delay to exactly 5 s is allowed, and at 5 s V may move first, T after it in no time (5.3).
    "still near at 5 s": _case(
        "shown",
        Form.POSSIBLE,
        _train(2, 5),
        machine("V", "equipment", "x y", [go("x", "y", after=(5, None))]),
        p=both(NEAR, at("V", "y")),
    ),
    # 4.1: T moves only while B is down, and B stays down.
    "in only with barrier down": _case(
        "proved",
        Form.WHILE,
        machine("B", "equipment", "up down", [go("up", "down", after=(1, 2))]),
        machine("T", "train", "near in", [go("near", "in", at("B", "down"))]),
        p=IN,
        q=at("B", "down"),
    ),
    # 1.4: T may move when B is in any of the states named.
    "in with barrier low": _case(
        "violated",
        Form.NEVER,
        machine("B", "equipment", "up down low", [go("up", "low")]),
        machine("T", "train", "near in", [go("near", "in", at("B", "down", "low"))]),
        p=IN,
    ),
    # 5.4: V needs 6 s in y before z, and T is in after 5 s.
    "in before z": _case(
        "proved",
        Form.NEVER,
        _train(2, 5),
        machine("V", "equipment", "x y z", [go("x", "y"), go("y", "z", after=(6, None))]),
        p=both(NEAR, at("V", "z")),
    ),
    # 3.2: `held` is 2 s without a break, so S has been clear for 2 s.
    "clear held for 2 s": _case(
        "proved",
        Form.HAS_HELD,
        _once("S", "clear blocked clear_again"),
        machine("A", "control", "a b", [go("a", "b", away("S", "blocked"), held=2)]),
        p=away("S", "blocked"),
        q=FIRST,
        bound=2,
    ),
    # 5.5: the wait before S cleared does not count.
    "driver sees clear for 2 s": _case(
        "proved",
        Form.HAS_HELD,
        _once("S", "blocked clear"),
        machine("T", "train", "near in", [go("near", "in", at("S", "clear"), held=(2, None))]),
        p=at("S", "clear"),
        q=IN,
        bound=2,
    ),
    # 5.5: entering `in` begins its time anew, 1 s before it may be left.
    "in lasts at least 1 s": _case(
        "proved",
        Form.LASTS_AT_LEAST,
        machine(
            "T",
            "train",
            "near in gone",
            [go("near", "in", after=(2, 5)), go("in", "gone", after=(1, 4))],
        ),
        p=IN,
        bound=1,
    ),
    # 5.3: each moves only while the other has not, so both have only together.
    "both at once": _case(
        "shown",
        Form.POSSIBLE,
        machine("V", "equipment", "x y", [go("x", "y", at("W", "x"))]),
        machine("W", "equipment", "x y", [go("x", "y", at("V", "x"))]),
        p=both(at("V", "y"), at("W", "y")),
    ),
    # 5.2: from the one snapshot with W on, A and B both move.
    "two orders together": _case(
        "proved",
        Form.WHILE,
        _once("W"),
        _order(at("W", "on")),
        machine("B", "control", "a b", [go("a", "b", both(at("W", "on"), at("A", "a")))]),
        p=FIRST,
        q=SECOND,
    ),
    "two orders possible": _case(
        "shown",
        Form.POSSIBLE,
        _once("W"),
        _order(at("W", "on")),
        machine("B", "control", "a b", [go("a", "b", both(at("W", "on"), at("A", "a")))]),
        p=both(FIRST, SECOND),
    ),
    # 6.1: only settled states are judged, and B has moved by then.
    "second order after the first": _case(
        "proved",
        Form.WHILE,
        _once("W"),
        _order(at("W", "on")),
        machine("B", "control", "a b", [go("a", "b", FIRST)]),
        p=FIRST,
        q=SECOND,
    ),
    # Design note of the project's contract, section 4: in half-seconds, not in whole ones.
    "both saved": Case(
        half_second_model(),
        prop(Form.NEVER, p=both(at("K1", "saved"), at("K2", "saved"))),
        "violated",
    ),
    # 4.3: two lamps out cost two faults, of one granted.
    "two lamps on one fault": _case(
        "proved", Form.NEVER, _lamp("L1"), _lamp("L2"), p=OUT, budget=1
    ),
    # 4.3: the first fault is granted.
    "one lamp on one fault": _case(
        "violated", Form.NEVER, _lamp("L1"), p=at("L1", "out"), budget=1
    ),
    # 5.3: each fails only while the other is lit, so both only in one step, which costs two.
    "two lamps at once on two faults": _case(
        "violated",
        Form.NEVER,
        _lamp("L1", at("L2", "lit")),
        _lamp("L2", at("L1", "lit")),
        p=OUT,
        budget=2,
    ),
    # 4.2: a fault obliges nobody, so the lamp may stay lit.
    "a lamp need not fail": _case(
        "violated",
        Form.LASTS_AT_MOST,
        machine("L1", "equipment", "lit out", [go("lit", "out", after=(0, 1), fault="L1")]),
        p=at("L1", "lit"),
        bound=5,
        budget=1,
    ),
    # 6.2: with T in at 3 s and B not yet down, B is due, and no time passes before it is down.
    "down exactly in time": _case(
        "proved", Form.WHILE, _going(0, 3), _train(3, None), p=IN, q=at("B", "down")
    ),
    # From 3 s to 4 s T may be in and B not down.
    "down 1 s too late": _case(
        "violated", Form.WHILE, _going(0, 4), _train(3, None), p=IN, q=at("B", "down")
    ),
    # 5.5: each tick begins the time of G anew, so ticks every second let 3 s pass.
    "ticks let time pass": _case(
        "shown",
        Form.POSSIBLE,
        machine("G", "equipment", "tick", [go("tick", "tick", after=1)]),
        machine("V", "equipment", "x y", [go("x", "y", after=(3, None))]),
        p=at("V", "y"),
    ),
    # 7.4: T may need 5 s.
    "in within 4 s of near": _case("violated", Form.WITHIN, _train(2, 5), p=NEAR, q=IN, bound=4),
    "in within 5 s of near": _case("proved", Form.WITHIN, _train(2, 5), p=NEAR, q=IN, bound=5),
    # 7.4: P ending cancels nothing; S is on for 1 s at most, T may need 5 s.
    "in within 4 s of a call": _case(
        "violated",
        Form.WITHIN,
        _train(2, 5),
        machine("S", "equipment", "on off", [go("on", "off", after=(0, 1))]),
        p=at("S", "on"),
        q=IN,
        bound=4,
    ),
    # 7.5 is inclusive: at exactly 3 s L may be dark.
    "lit for 3 s": _case(
        "violated",
        Form.KEEPS,
        machine("S", "equipment", "on", []),
        machine("L", "equipment", "lit dark", [go("lit", "dark", after=(3, None))]),
        p=at("S", "on"),
        q=at("L", "lit"),
        bound=3,
    ),
    # 7.8: the spell of `near` goes on over the ticks of G, and T may need 5 s.
    "near lasts at most 4 s among ticks": _case(
        "violated",
        Form.LASTS_AT_MOST,
        _train(2, 5),
        machine("G", "equipment", "tick", [go("tick", "tick", after=1)]),
        p=NEAR,
        bound=4,
    ),
    # 7.6: `reset` asks for a new `on`, and T goes in without.
    "only after a new call": _case(
        "violated",
        Form.ONLY_AFTER,
        _once("S", "off on reset ready"),
        machine("T", "train", "near in", [go("near", "in", at("S", "ready"))]),
        p=at("S", "on"),
        q=IN,
        r=at("S", "reset"),
    ),
    # 7.9: S may have been on for 1 s only.
    "on for 2 s before in": _case(
        "violated",
        Form.HAS_HELD,
        machine("S", "equipment", "off on", [go("off", "on", after=(3, None))]),
        machine("T", "train", "near in", [go("near", "in", at("S", "on"), held=(1, None))]),
        p=at("S", "on"),
        q=IN,
        bound=2,
    ),
    # 9.1 with W and V on.
    "two ways open": _built_in(
        "violated",
        Form.AMBIGUOUS,
        _once("W"),
        _once("V"),
        machine(
            "A", "control", "a b c", [go("a", "b", at("W", "on")), go("a", "c", at("V", "on"))]
        ),
    ),
    # 9.2: A and B chase each other round a square, (a,a) (b,a) (b,b) (a,b).
    "an endless chase": _built_in(
        "violated",
        Form.DOES_NOT_SETTLE,
        machine("A", "control", "a b", [go("a", "b", at("B", "a")), go("b", "a", at("B", "b"))]),
        machine("B", "control", "a b", [go("a", "b", at("A", "b")), go("b", "a", at("A", "a"))]),
    ),
    # 9.3: each state of W must be left at once.
    "to and fro in no time": _built_in(
        "violated",
        Form.TIME_STOPS,
        machine("W", "equipment", "x y", [go("x", "y", after=0), go("y", "x", after=0)]),
    ),
    # 9.4: who moves first keeps the other from moving.
    "a race": _built_in(
        "violated",
        Form.ORDER_MATTERS,
        _once("W"),
        _order(both(at("W", "on"), at("B", "a"))),
        machine("B", "control", "a b", [go("a", "b", both(at("W", "on"), at("A", "a")))]),
    ),
    # 9.4: A first, then B, whatever happens.
    "no race": _built_in(
        "proved",
        Form.ORDER_MATTERS,
        _once("W"),
        _order(at("W", "on")),
        machine("B", "control", "a b", [go("a", "b", FIRST)]),
    ),
    # 9.5: A orders in round 1, B answers in round 2, A takes it back in round 3; V reads the order.
    "an order taken back": _built_in(
        "violated",
        Form.PULSE,
        _once("W"),
        machine("A", "control", "a b c", [go("a", "b", at("W", "on")), go("b", "c", SECOND)]),
        machine("B", "control", "a b", [go("a", "b", FIRST)]),
        machine("V", "equipment", "x y", [go("x", "y", FIRST)]),
    ),
    # 9.5: with W off, B moves in round 1, A in round 2, but A came to b in an earlier settle.
    "an order that stood": _built_in(
        "proved",
        Form.PULSE,
        _once("W", "on off"),
        machine("A", "control", "a b", [go("a", "b", at("W", "on")), go("b", "a", SECOND)]),
        machine("B", "control", "a b", [go("a", "b", at("W", "off")), go("b", "a", at("W", "on"))]),
        machine("V", "equipment", "x y", [go("x", "y", FIRST)]),
    ),
}
