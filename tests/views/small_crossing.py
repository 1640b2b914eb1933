"""A small crossing built by hand, with results as the pipeline would make them.

Views are tested against these objects rather than against files, so that a view's test fails for the
view's own reasons; the traces are replayed. The world is one train and one pair of barriers; the logic does
not wait for the barriers.
"""

from __future__ import annotations

from fractions import Fraction

from verifier.diagnostics import Place
from verifier.evidence.replay import replay_trace
from verifier.evidence.result import CrossCheck, ModelResult, RecheckedCertificate, Result
from verifier.language.guard import TRUE, And, Is, Not
from verifier.language.model import (
    Form, Machine, Model, Parameter, Property, Role, Term, Transition, Window,
)
from verifier.semantics.run import Certificate, Move, Step, Trace

FILE = "small_crossing.yaml"


def place(line: int) -> Place:
    return Place(FILE, line, 7)


def seconds(lo: int, hi: int | None = None) -> Window:
    return Window(Fraction(lo), None if hi is None else Fraction(hi))


def is_(machine: str, *states: str) -> Is:
    return Is(machine, frozenset(states))


def machine(name, role, states, rows, line, **more) -> Machine:
    """``rows`` are (source, target, guard, text, after, held, fault) with a line each."""
    transitions = tuple(
        Transition(name, i, row[0], row[1], row[2], row[4], row[5], row[6], place(line + 1 + i), row[3])
        for i, row in enumerate(rows)
    )
    return Machine(name, role, tuple(states), transitions, place(line), **more)


NEAR = is_("train", "approaching", "passing")
CLOSED = And((is_("barriers", "lowered"), is_("lights", "red")))

LIGHTS = machine("lights", Role.CONTROL, ["dark", "amber", "red"], [
    ("dark", "amber", is_("detection", "occupied"), "called", None, None, None),
    ("amber", "red", TRUE, "", seconds(3, 3), None, None),
    ("red", "dark", Not(is_("detection", "occupied")), "not called", None, seconds(2, 2), None),
], 10)
SIGNAL = machine("signal", Role.CONTROL, ["danger", "proceed"], [
    ("danger", "proceed", is_("lights", "red"), "lights is red", None, None, None),
    ("proceed", "danger", is_("lights", "dark"), "lights is dark", None, None, None),
], 20, says="shows the driver whether the crossing is closed")
DETECTION = machine("detection", Role.EQUIPMENT, ["free", "occupied"], [
    ("free", "occupied", is_("train", "approaching"), "train is approaching", None, seconds(0, 0), None),
    ("occupied", "free", is_("train", "away"), "train is away", None, seconds(0, 0), None),
], 30)
BARRIERS = machine("barriers", Role.EQUIPMENT, ["raised", "lowering", "lowered"], [
    ("raised", "lowering", is_("lights", "red"), "lights is red", None, seconds(4, 6), None),
    ("lowering", "lowered", TRUE, "", seconds(6, 10), None, None),
    ("lowered", "raised", is_("lights", "dark"), "lights is dark", None, seconds(0, 0), None),
    ("lowering", "raised", TRUE, "", None, None, "chain_breaks"),
], 40)
TRAIN = machine("train", Role.TRAIN, ["away", "approaching", "passing"], [
    ("away", "approaching", TRUE, "", None, None, None),
    ("approaching", "passing", is_("signal", "proceed"), "signal is proceed", seconds(5), None, None),
    ("passing", "away", TRUE, "", seconds(4, 12), None, None),
], 50)

MODEL = Model(
    crossing="Fennel Bank",
    kind="MCB-OD",
    jurisdiction="GB",
    machines=(LIGHTS, SIGNAL, DETECTION, BARRIERS, TRAIN),
    terms={
        "called": Term("called", is_("detection", "occupied"), place(60), "detection is occupied"),
        "crossing_closed": Term("crossing_closed", CLOSED, place(61),
                                "barriers is lowered and lights is red"),
        "train_near": Term("train_near", NEAR, place(62), "train is approaching | passing"),
    },
    sensors={},
    parameters={"amber": Parameter("amber", "3 s", "3 second", place(5))},
    groups={"track": ("up",)},
    path=FILE,
    digest="0f" * 32,
    files=(FILE,),
)

CLOSED_FIRST = Property(
    "signal-needs-closed", Form.WHILE, "The signal shows proceed only while the crossing is closed.",
    "an example, no published source", "H01", Place("small_pack.yaml", 8, 3),
    p=is_("signal", "proceed"), q=CLOSED,
    texts={"while": "signal is proceed", "then": "crossing_closed"}, pack="small pack",
)
WARNED = Property(
    "lights-in-time", Form.WITHIN, "The road lights are red within 2 s of the call.",
    "an example, no published source", "H09", Place("small_pack.yaml", 14, 3),
    p=is_("detection", "occupied"), q=is_("lights", "red"), bound=Fraction(2),
    texts={"whenever": "called", "then": "lights is red"}, pack="small pack",
)
UNAMBIGUOUS = Property(
    "ambiguous", Form.AMBIGUOUS, "No control machine ever has a choice.",
    "specs/semantics.md 9.1", "", place(1),
)

INITIAL = {machine.name: machine.states[0] for machine in MODEL.machines}


def trace_of(*steps: tuple[str, object, tuple[tuple[str, int], ...]]) -> Trace:
    """A proposed trace from (kind, delay, moves); the claims are what the moves lead to."""
    made, claims = [], [dict(INITIAL)]
    for kind, delay, moves in steps:
        made.append(Step(kind, Fraction(delay), tuple(Move(*move) for move in sorted(moves))))
        after = {name: MODEL.machine(name).transitions[index].target for name, index in moves}
        claims.append({**claims[-1], **after})
    return Trace(tuple(made), tuple(claims))


CALL = (
    ("world", 0, (("train", 0),)),
    ("world", 0, (("detection", 0),)),
    ("settle", 0, (("lights", 0),)),
)
EARLY_PROCEED = replay_trace(MODEL, CLOSED_FIRST, trace_of(
    *CALL, ("world", 3, ()), ("settle", 0, (("lights", 1),)), ("settle", 0, (("signal", 0),)),
))
STUCK_AMBER = replay_trace(MODEL, WARNED, trace_of(*CALL, ("world", Fraction(5, 2), ())))

RECHECKED = RecheckedCertificate(
    Certificate("true", method="induction"), {"start": "(check-sat)"}, "cvc5 1.4.2", 0.5
)
CROSSCHECK = CrossCheck((30, 30, 30), seed=7, live=14, covered=14)
OBEYS = "trains pass the signal only at proceed (small_crossing.yaml:52)"


def violated() -> Result:
    return Result(CLOSED_FIRST, "violated", 0, 1.25, "bounded search", "6 steps", (OBEYS,),
                  trace=EARLY_PROCEED)


def late() -> Result:
    return Result(WARNED, "violated", 0, 0.25, "bounded search", "4 steps", (OBEYS,), trace=STUCK_AMBER)


def proved(prop: Property = WARNED) -> Result:
    return Result(prop, "proved", 0, 0.5, "an inductive invariant", "complete", (OBEYS,),
                  certificate=RECHECKED, crosscheck=CROSSCHECK)


def undecided(prop: Property = WARNED) -> Result:
    return Result(prop, "undecided", 0, 60.0, "bounded search", "no counterexample up to 12 steps",
                  (OBEYS,), reason="The time limit of 60 s was reached.",
                  try_next="Raise --time-limit.")


def with_verdict(verdict: str) -> Result:
    """A result with every token, so that it may have any verdict."""
    return Result(CLOSED_FIRST, verdict, 0, trace=EARLY_PROCEED, certificate=RECHECKED,
                  crosscheck=CROSSCHECK, reason="for a test")


def outcome(*results: Result) -> ModelResult:
    return ModelResult(MODEL, results, 2.0, ("small pack",))
