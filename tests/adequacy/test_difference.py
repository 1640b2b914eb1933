"""Whether two designs differ, held against concrete runs of both, on random small models."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.differential.random_models import random_model
from verifier.engines.limits import Allowance
from verifier.evidence.crosscheck import random_runs
from verifier.evidence.result import RecheckedCertificate, ReplayedTrace
from verifier.evidence.shared import Limits
from verifier.evidence.verdicts import Bench
from verifier.language.load import built_in_properties
from verifier.language.model import Form, Model
from verifier.semantics.concrete import Concrete
from verifier.semantics.run import Run
from verifier.studies.adequacy import as_far
from verifier.studies.difference import APART, difference, partings_in, shown_apart
from verifier.studies.plants import Error, Plant, plants

LIMITS = Limits(jobs=1, time_limit_s=20, runs=20, depth=25)
FOUNDATIONS = (Form.AMBIGUOUS, Form.DOES_NOT_SETTLE, Form.TIME_STOPS)
# Where it takes two clocks to tell, the difference may be told too early.
MAY_BE_EARLY = (Error.LONGER, Error.SHORTER)


def with_lines(model: Model) -> Model:
    """Each transition on a line of its own, as in a file; random models have none."""
    number, machines = 0, []
    for machine in model.machines:
        transitions = []
        for t in machine.transitions:
            number += 1
            transitions.append(replace(t, place=replace(t.place, line=number)))
        machines.append(replace(machine, transitions=tuple(transitions)))
    return replace(model, machines=tuple(machines))


def has_foundations(model: Model) -> bool:
    bench = Bench(model, 0, LIMITS)
    asked = [prop for prop in built_in_properties(model) if prop.form in FOUNDATIONS]
    return all(bench.judged(prop).verdict == "proved" for prop in asked)


def locations(run: Run) -> list[dict[str, str]]:
    return [dict(snapshot.locations) for snapshot in run.snapshots]


def same_runs(model: Model, planted: Model, seed: int) -> bool:
    """Random runs of each, taken by the other with the same acts of the world."""
    for one, other in ((model, planted), (planted, model)):
        for run in random_runs(one, runs=20, depth=25, seed=seed):
            acts = [number for number, step in enumerate(run.steps) if step.kind == "world"]
            whole = Run(run.steps[: acts[-1] + 1], run.snapshots[: acts[-1] + 2]) if acts else None
            if whole is not None and locations(as_far(Concrete(other, 0), whole)) != locations(whole):
                return False
    return True


def part_there(model: Model, plant: Plant, parting: ReplayedTrace) -> bool:
    """Whether from the state before the parting the two concrete machines act differently."""
    sound, planted = Concrete(model, 0), Concrete(plant.planted_in(model), 0)
    steps = parting.run.steps[:-1]
    n_rounds = 0
    for step in reversed(steps):
        if step.kind == "world":
            break
        n_rounds += 1
    ends = []
    for concrete in (sound, planted):
        run = as_far(concrete, parting.run)
        snapshot = run.snapshots[-1]
        for _ in range(n_rounds):
            snapshot = concrete.take(snapshot, next(concrete.settle_rounds(snapshot)))
        rounds = list(concrete.settle_rounds(snapshot))
        ends.append({tuple(sorted(concrete.take(snapshot, r).locations.items())) for r in rounds})
    return ends[0] != ends[1]


@pytest.mark.parametrize("first", range(0, 24, 6))
def test_what_is_said_of_a_plant_is_what_concrete_runs_show(first: int) -> None:
    said = []
    for seed in range(first, first + 6):
        model = with_lines(random_model(seed))
        if not has_foundations(model):
            continue
        for plant in plants(model):
            found = difference(model, plant, 0, LIMITS)
            planted = plant.planted_in(model)
            if isinstance(found, RecheckedCertificate):
                assert same_runs(model, planted, seed), f"seed {seed}, plant {plant.id}"
                said.append("same")
            elif isinstance(found, ReplayedTrace):
                assert APART in found.run.snapshots[-1].locations.values()
                is_held = any(
                    t.held for m, i in plant.changed for t in [model.machine(m).transitions[i]]
                )
                if plant.error not in MAY_BE_EARLY and not is_held:
                    assert part_there(model, plant, found), f"seed {seed}, plant {plant.id}"
                said.append("other")
    assert said.count("other") >= 1
    assert said.count("same") >= 1


@pytest.mark.parametrize("first", range(0, 24, 6))
def test_where_random_runs_part_the_engine_finds_a_difference_too(first: int) -> None:
    seen = 0
    for seed in range(first, first + 6):
        model = with_lines(random_model(seed))
        if not has_foundations(model):
            continue
        runs = random_runs(model, runs=20, depth=25, seed=seed)
        for plant in plants(model):
            parted = next(partings_in(model, plant, 0, runs), None)
            if parted is None:
                continue
            seen += 1
            assert not isinstance(difference(model, plant, 0, LIMITS), RecheckedCertificate), f"{seed}, {plant.id}"
            shown = shown_apart(model, plant, 0, parted)
            assert APART in shown.run.snapshots[-1].locations.values()
            assert len(shown.run.steps) <= len(parted.steps)
    assert seen >= 1


def test_limits_leave_it_open(monkeypatch) -> None:
    model = with_lines(random_model(0))
    monkeypatch.setattr(Allowance, "check", _out_of_time)
    found = difference(model, plants(model)[0], 0, LIMITS)
    assert not isinstance(found, RecheckedCertificate | ReplayedTrace)


def _out_of_time(_allowance) -> None:
    from verifier.engines.limits import OutOfBudget

    raise OutOfBudget("no time")
