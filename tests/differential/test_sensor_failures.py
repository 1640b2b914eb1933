"""Sensors that fail: verdicts worked out by hand, the enumerator's, and what a sensor says along runs.

All readings start from the model with the failures written out, so none of them can tell that these were
written out wrongly. What a sensor says is therefore told here once more, from what happened in a run,
without the names of states (specs/semantics.md 1.6 and 1.7).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction
from itertools import combinations, pairwise

import pytest

from tests.differential.enumerator import enumerate_verdict
from tests.language.files import HEAD, loaded
from verifier.engines.decision import decide
from verifier.engines.limits import Allowance
from verifier.engines.study import Study
from verifier.evidence.pipeline import Limits
from verifier.evidence.random_walk import random_runs
from verifier.evidence.recheck import recheck_certificate
from verifier.evidence.replay import replay_trace
from verifier.evidence.verdicts import Bench
from verifier.language import failures
from verifier.language.guard import And, Is, Not
from verifier.language.load import built_in_properties
from verifier.language.model import Form, Model, Property
from verifier.semantics.bare import bare
from verifier.semantics.concrete_guard import compile_guard
from verifier.semantics.run import Certificate, Run, Step, Trace

FAILURES = ("stuck true", "stuck false", "frozen")
MODEL = HEAD + """machines:
  train:
    role: train
    states: [away, near, over]
    path: [away, near, {to: over, after: 2 s .. 3 s}, {to: away, after: 1 s ..}]
  lights:
    role: control
    states: [dark, red]
    transitions:
      - {from: dark, to: red, when: CALLED}
      - {from: red, to: dark, when: not (CALLED)}
sensors:
  circuit: {reads: train is near | over, can_fail: [FAILURES]}
  treadle: {reads: train is near | over, can_fail: [FAILURES]}
terms: {called: circuit or treadle}
"""


def at(machine: str, state: str) -> Is:
    return Is(machine, frozenset({state}))


def crossing(folder, called: str, can_fail=FAILURES) -> Model:
    text = MODEL.replace("CALLED", called).replace("FAILURES", ", ".join(can_fail))
    return loaded(folder, {"model.yaml": text})[0]


def asked(model: Model, form: Form, **parts) -> Property:
    return replace(built_in_properties(model)[0], id=form.value, form=form, **parts)


def red_for_the_train(model: Model) -> Property:
    return asked(model, Form.WHILE, p=at("train", "over"), q=at("lights", "red"))


def dark_without_a_train(model: Model) -> Property:
    return asked(model, Form.WHILE, p=at("train", "away"), q=at("lights", "dark"))


# The road closes when any device that is asked sees a train. One device that says false hides one train from
# one device; one that says true closes the road for nothing.
@pytest.mark.parametrize(
    ("called", "can_fail", "budget", "protects", "opens"),
    [
        ("circuit", FAILURES, 0, "proved", "proved"),
        ("circuit", ["stuck true"], 1, "proved", "violated"),
        ("circuit", ["stuck false"], 1, "violated", "proved"),
        ("circuit", ["frozen"], 1, "violated", "violated"),
        ("circuit", FAILURES, 1, "violated", "violated"),
        ("circuit or treadle", FAILURES, 1, "proved", "violated"),
        ("circuit and treadle", FAILURES, 1, "violated", "proved"),
        ("circuit or treadle", FAILURES, 2, "violated", "violated"),
        ("circuit and treadle", ["stuck true"], 2, "proved", "violated"),
        ("circuit or treadle", ["stuck false"], 2, "violated", "proved"),
    ],
)
def test_what_one_failed_sensor_can_do(called, can_fail, budget, protects, opens, tmp_path):
    model = crossing(tmp_path, called, can_fail)
    bench = Bench(model, budget, Limits(jobs=1))
    assert bench.judged(red_for_the_train(model)).verdict == protects
    assert bench.judged(dark_without_a_train(model)).verdict == opens


def some_failures() -> Iterator[tuple[str, ...]]:
    for size in range(1, len(FAILURES) + 1):
        yield from combinations(FAILURES, size)


ENDS = "{fails: WAY, for: 0 s .. 1 s}"
COMES = "{fails: WAY, for: 0 s .. 1 s, again: 1 s ..}"


@pytest.mark.parametrize("called", ["circuit", "circuit or treadle", "circuit and treadle"])
@pytest.mark.parametrize("can_fail", list(some_failures()), ids="+".join)
@pytest.mark.parametrize("budget", [0, 1])
def test_the_enumerator_finds_what_the_engines_find(called, can_fail, budget, tmp_path):
    found_alike(called, can_fail, budget, tmp_path)


@pytest.mark.parametrize("called", ["circuit", "circuit or treadle"])
@pytest.mark.parametrize("shape", [ENDS, COMES], ids=["ends", "comes"])
@pytest.mark.parametrize("way", FAILURES)
def test_the_enumerator_finds_what_the_engines_find_where_failures_end(called, shape, way, tmp_path):
    found_alike(called, [shape.replace("WAY", way)], 1, tmp_path)


def found_alike(called, can_fail, budget, tmp_path) -> None:
    model = crossing(tmp_path, called, can_fail)
    study = Study(model, budget, Allowance(60))
    for prop in (red_for_the_train(model), dark_without_a_train(model)):
        finding = decide(study, prop)
        reached = enumerate_verdict(model, prop, 4, budget)
        if isinstance(finding, Trace):
            replay_trace(model, prop, finding, budget)
            assert (reached.violated, reached.length) == (True, len(finding.steps))
        else:
            assert isinstance(finding, Certificate)
            assert not reached.violated
            recheck_certificate(model, prop, finding, budget=budget)


# -- what a sensor says, told from a run


def told(model: Model, sensor: str, run: Run) -> list[bool]:
    """What ``sensor`` says in each state of ``run``: the truth until it fails, then what that failure makes of
    it, frozen at what was true in the state in which it froze. Where a failure ends, the truth again, and where it
    comes again what it makes of it then."""
    reads = compile_guard(model.sensors[sensor].reads)
    said, stuck_at, way = [reads(run.snapshots[0].locations)], None, ""
    for step, (before, after) in zip(run.steps, pairwise(run.snapshots), strict=True):
        for fault in happens_to(model, sensor, step):
            way = fault or way
            if stuck_at is not None:
                stuck_at = None
            elif way == f"{sensor}_stuck_true":
                stuck_at = True
            elif way == f"{sensor}_stuck_false":
                stuck_at = False
            elif way == f"{sensor}_frozen":
                stuck_at = reads(before.locations)
        said.append(reads(after.locations) if stuck_at is None else stuck_at)
    return said


def happens_to(model: Model, sensor: str, step: Step) -> list[str | None]:
    """What befalls ``sensor`` in a step: the fault that is spent, None where it is mended or fails again."""
    return [model.machine(f"{sensor}_failure").transitions[move.transition].fault
            for move in step.moves if move.machine == f"{sensor}_failure"]


def spells(model: Model, sensor: str, run: Run) -> Iterator[tuple[str, str, Fraction]]:
    """How long each failure of ``sensor`` lasted that ended, and each rest after which it came again."""
    time, begun, fails, way = Fraction(0), Fraction(0), False, ""
    for step in run.steps:
        time += step.delay
        for fault in happens_to(model, sensor, step):
            if fault is None:
                yield way, "for" if fails else "again", time - begun
            way, begun, fails = fault or way, time, not fails


def agrees_with_what_is_told(model: Model) -> None:
    met = set()
    for run in random_runs(model, budget=2, runs=60, depth=30, seed=4):
        for sensor in model.sensors:
            says = compile_guard(model.sensors[sensor].guard)
            assert [says(shot.locations) for shot in run.snapshots] == told(model, sensor, run)
        met |= {model.machine(m.machine).transitions[m.transition].fault for s in run.steps for m in s.moves}
    faults = {t.fault for machine in model.machines for t in machine.transitions}
    assert faults <= met


# Each way to fail with how it ends: for good, after a time, or again and again.
ENDING = [f"{{fails: {way}, for: 1 s .. 2 s}}" for way in FAILURES]
COMING = [f"{{fails: {way}, for: 1 s .. 2 s, again: 3 s .. 4 s}}" for way in FAILURES]
MIXED = [FAILURES[0], ENDING[1], COMING[2]]


@pytest.mark.parametrize("can_fail", [FAILURES, ENDING, COMING, MIXED], ids=["good", "ending", "coming", "mixed"])
@pytest.mark.parametrize("called", ["circuit or treadle", "circuit and not treadle"])
def test_a_sensor_says_what_its_failure_makes_it_say(called, can_fail, tmp_path):
    agrees_with_what_is_told(crossing(tmp_path, called, can_fail))


@pytest.mark.parametrize("can_fail", [ENDING, COMING], ids=["ending", "coming"])
def test_a_failure_lasts_and_rests_as_long_as_its_windows_say(can_fail, tmp_path):
    lasts_and_rests_as_told(
        crossing(tmp_path, "circuit or treadle", can_fail), ["for", "again"] if can_fail is COMING else ["for"]
    )


def lasts_and_rests_as_told(model: Model, whats: list[str]) -> None:
    lasted = {}
    for run in random_runs(model, budget=2, runs=60, depth=30, seed=4):
        for way, what, time in spells(model, "circuit", run):
            lasted.setdefault((way.removeprefix("circuit_"), what), set()).add(time)
    assert set(lasted) == {(way.replace(" ", "_"), what) for way in FAILURES for what in whats}
    assert all(1 <= time <= 2 for (_, what), times in lasted.items() if what == "for" for time in times)
    assert all(3 <= time <= 4 for (_, what), times in lasted.items() if what == "again" for time in times)


# There is no train at all, so the lights are red while the circuit sticks at true, and only then.
EMPTY = HEAD + """machines:
  train: {role: train, states: [away, near], transitions: []}
  lights:
    role: control
    states: [dark, red]
    transitions: [{from: dark, to: red, when: circuit}, {from: red, to: dark, when: not circuit}]
sensors:
  circuit: {reads: train is near, can_fail: [FAILURE]}
"""
RED = at("lights", "red")
FAILED = Not(at("circuit_failure", "working"))
DARK_AND_FAILED = And((at("lights", "dark"), FAILED))


@pytest.mark.parametrize(
    ("failure", "form", "p", "bound", "verdict"),
    [
        (ENDING[0], Form.LASTS_AT_MOST, RED, 2, "proved"),
        (ENDING[0], Form.LASTS_AT_MOST, RED, "1.9", "violated"),
        (ENDING[0], Form.LASTS_AT_LEAST, RED, 1, "proved"),
        (ENDING[0], Form.LASTS_AT_LEAST, RED, "1.1", "violated"),
        (ENDING[0], Form.NEVER, DARK_AND_FAILED, None, "proved"),
        (COMING[0], Form.LASTS_AT_MOST, RED, 2, "proved"),
        (COMING[0], Form.LASTS_AT_MOST, DARK_AND_FAILED, 4, "proved"),
        (COMING[0], Form.LASTS_AT_MOST, DARK_AND_FAILED, "3.9", "violated"),
        (COMING[0], Form.LASTS_AT_LEAST, DARK_AND_FAILED, 3, "proved"),
        (COMING[0], Form.LASTS_AT_LEAST, DARK_AND_FAILED, "3.1", "violated"),
        ("{fails: stuck true, for: 0 s ..}", Form.LASTS_AT_MOST, RED, 1000, "violated"),
        ("{fails: stuck true, for: 5 s ..}", Form.LASTS_AT_LEAST, RED, 5, "proved"),
        ("stuck true", Form.LASTS_AT_LEAST, RED, 1000, "proved"),
    ],
)
def test_how_long_the_lights_are_red_for_nothing(failure, form, p, bound, verdict, tmp_path):
    model = loaded(tmp_path, {"model.yaml": EMPTY.replace("FAILURE", failure)})[0]
    prop = asked(model, form, p=p, bound=None if bound is None else Fraction(bound))
    assert Bench(model, 1, Limits(jobs=1)).judged(prop).verdict == verdict


@pytest.mark.parametrize(("failure", "budget", "verdict"), [
    (ENDING[0], 1, "proved"), (ENDING[0], 2, "violated"), (COMING[0], 1, "violated"),
])
def test_only_what_comes_again_needs_no_second_fault(failure, budget, verdict, tmp_path):
    """Red after it was dark after it was red: a memory of the lights says so."""
    memory = """  memory:
    role: control
    states: [fresh, once, over, twice]
    transitions:
      - {from: fresh, to: once, when: lights is red}
      - {from: once, to: over, when: lights is dark}
      - {from: over, to: twice, when: lights is red}
sensors:"""
    text = EMPTY.replace("FAILURE", failure).replace("sensors:", memory)
    model = loaded(tmp_path, {"model.yaml": text})[0]
    prop = asked(model, Form.NEVER, p=at("memory", "twice"))
    assert Bench(model, budget, Limits(jobs=1)).judged(prop).verdict == verdict


PLANTS = {
    "stuck true says false": {**failures.FAILURES, "stuck true": {"stuck_true": False}},
    "stuck false says true": {**failures.FAILURES, "stuck false": {"stuck_false": True}},
    "frozen turns round": {**failures.FAILURES, "frozen": {"frozen_true": False, "frozen_false": True}},
    "frozen always says false": {**failures.FAILURES, "frozen": {"frozen_true": False, "frozen_false": False}},
}


@pytest.mark.parametrize("plant", PLANTS)
def test_a_failure_written_out_wrongly_is_noticed(plant, tmp_path, monkeypatch):
    monkeypatch.setattr(failures, "FAILURES", PLANTS[plant])
    with pytest.raises(AssertionError):
        agrees_with_what_is_told(crossing(tmp_path, "circuit or treadle"))


@pytest.mark.parametrize("named", ["working", "stuck_true"])
def test_a_rest_in_which_a_sensor_does_not_read_is_noticed(named, tmp_path, monkeypatch):
    """What stands for a failure at rest must read, and say nothing else."""
    def errs(reads, failure):
        right = failures.conjunction([reads, failures.Meaning(at(failure.name, "working"))])
        wrong = {"stuck_true", "frozen_true"} | ({"stuck_true_resting"} if named == "stuck_true" else set())
        return failures.disjunction([right, failures.Meaning(Is(failure.name, frozenset(wrong)))])

    monkeypatch.setattr("verifier.language.check.as_control_has_it", errs)
    with pytest.raises(AssertionError):
        agrees_with_what_is_told(crossing(tmp_path, "circuit or treadle", COMING))


def test_exchanged_windows_are_noticed(tmp_path, monkeypatch):
    def exchanged(*given):
        return tuple(replace(one, lasts=one.again, again=one.lasts) for one in failures.failures_in(*given))

    monkeypatch.setattr("verifier.language.drafts.failures_in", exchanged)
    with pytest.raises(AssertionError):
        lasts_and_rests_as_told(crossing(tmp_path, "circuit or treadle", COMING), ["for", "again"])


def test_a_failed_sensor_that_reads_on_is_noticed(tmp_path, monkeypatch):
    def reads_on(reads, failure):
        wrong = Is(failure.name, frozenset({"stuck_true", "frozen_true"}))
        return failures.disjunction([reads, failures.Meaning(wrong)])

    monkeypatch.setattr("verifier.language.check.as_control_has_it", reads_on)
    with pytest.raises(AssertionError):
        agrees_with_what_is_told(crossing(tmp_path, "circuit or treadle"))


@pytest.mark.parametrize("can_fail", [FAILURES, ENDING, COMING], ids=["good", "ending", "coming"])
def test_without_a_budget_no_failure_costs_anything(can_fail, tmp_path):
    model = crossing(tmp_path, "circuit", can_fail)
    without, with_one = bare(model, 0), bare(model, 1)
    assert without.fixed == {"circuit_failure": "working", "treadle_failure": "working"}
    formulas = [(rule.free, rule.enabled) for rules in without.rules.values() for rule in rules]
    assert "circuit_failure" not in str([formulas, without.settled, without.limits])
    assert without.registers["circuit_failure"] == ("working",)
    assert with_one.fixed == {}


def test_all_is_alive_though_no_fault_is_paid_for(tmp_path):
    model = crossing(tmp_path, "circuit or treadle")
    assert Bench(model, 0, Limits(jobs=1)).judged(asked(model, Form.DEAD)).verdict == "proved"
