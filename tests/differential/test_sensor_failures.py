"""Sensors that fail: verdicts worked out by hand, the enumerator's, and what a sensor says along runs.

All readings start from the model with the failures written out, so none of them can tell that these were
written out wrongly. What a sensor says is therefore told here once more, from what happened in a run,
without the names of states (specs/semantics.md 1.6).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
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
from verifier.language.guard import Is
from verifier.language.load import built_in_properties
from verifier.language.model import Form, Model, Property
from verifier.semantics.bare import bare
from verifier.semantics.concrete_guard import compile_guard
from verifier.semantics.run import Certificate, Run, Trace

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


@pytest.mark.parametrize("called", ["circuit", "circuit or treadle", "circuit and treadle"])
@pytest.mark.parametrize("can_fail", list(some_failures()), ids="+".join)
@pytest.mark.parametrize("budget", [0, 1])
def test_the_enumerator_finds_what_the_engines_find(called, can_fail, budget, tmp_path):
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
    it, frozen at what was true in the state in which it froze."""
    reads = compile_guard(model.sensors[sensor].reads)
    said, stuck_at = [reads(run.snapshots[0].locations)], None
    for step, (before, after) in zip(run.steps, pairwise(run.snapshots), strict=True):
        for move in step.moves:
            fault = model.machine(move.machine).transitions[move.transition].fault
            if fault == f"{sensor}_stuck_true":
                stuck_at = True
            elif fault == f"{sensor}_stuck_false":
                stuck_at = False
            elif fault == f"{sensor}_frozen":
                stuck_at = reads(before.locations)
        said.append(reads(after.locations) if stuck_at is None else stuck_at)
    return said


def agrees_with_what_is_told(model: Model) -> None:
    met = set()
    for run in random_runs(model, budget=2, runs=60, depth=30, seed=4):
        for sensor in model.sensors:
            says = compile_guard(model.sensors[sensor].guard)
            assert [says(shot.locations) for shot in run.snapshots] == told(model, sensor, run)
        met |= {model.machine(m.machine).transitions[m.transition].fault for s in run.steps for m in s.moves}
    faults = {t.fault for machine in model.machines for t in machine.transitions}
    assert faults <= met


@pytest.mark.parametrize("called", ["circuit or treadle", "circuit and not treadle"])
def test_a_sensor_says_what_its_failure_makes_it_say(called, tmp_path):
    agrees_with_what_is_told(crossing(tmp_path, called))


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


def test_a_failed_sensor_that_reads_on_is_noticed(tmp_path, monkeypatch):
    def reads_on(reads, failure):
        wrong = Is(failure.name, frozenset({"stuck_true", "frozen_true"}))
        return failures.disjunction([reads, failures.Meaning(wrong)])

    monkeypatch.setattr("verifier.language.check.as_control_has_it", reads_on)
    with pytest.raises(AssertionError):
        agrees_with_what_is_told(crossing(tmp_path, "circuit or treadle"))


def test_without_a_budget_no_failure_costs_anything(tmp_path):
    model = crossing(tmp_path, "circuit")
    without, with_one = bare(model, 0), bare(model, 1)
    assert without.fixed == {"circuit_failure": "working", "treadle_failure": "working"}
    formulas = [(rule.free, rule.enabled) for rules in without.rules.values() for rule in rules]
    assert "circuit_failure" not in str([formulas, without.settled, without.limits])
    assert without.registers["circuit_failure"] == ("working",)
    assert with_one.fixed == {}


def test_all_is_alive_though_no_fault_is_paid_for(tmp_path):
    model = crossing(tmp_path, "circuit or treadle")
    assert Bench(model, 0, Limits(jobs=1)).judged(asked(model, Form.DEAD)).verdict == "proved"
