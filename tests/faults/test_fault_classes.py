"""``under: {faults: N, of: [...]}``: whose faults count (``specs/semantics.md`` 4.4)."""

import json
from dataclasses import replace

import pytest

from tests.commands.running import run
from tests.differential.enumerator import enumerate_verdict
from verifier.evidence.pipeline import Limits, verify
from verifier.language.granting import CLASSES, class_of, granted, with_classes
from verifier.language.load import load
from verifier.language.model import Form

TWO = "tests/faults/two_failures.yaml"
BROKEN = {"of-any", "of-equipment", "of-sensors"}


@pytest.fixture(scope="module")
def judged():
    model, properties = load(TWO)
    return verify(model, properties, Limits(jobs=1))


def test_only_faults_of_the_named_classes_happen(judged):
    assert {one.property.id for one in judged.results if one.verdict == "violated"} == BROKEN
    assert all(one.verdict == "proved" for one in judged.results if one.property.id not in BROKEN)


def test_the_fault_of_a_counterexample_is_of_a_named_class(judged):
    for one in judged.results:
        if one.trace is None:
            continue
        spent = [
            judged.model.machine(move.machine) for step in one.trace.run.steps for move in step.moves
            if judged.model.machine(move.machine).transitions[move.transition].fault
        ]
        assert spent, one.property.id
        assert all(class_of(machine) in (one.property.faults_of or CLASSES) for machine in spent)


def test_what_does_not_happen_is_taken_for_granted(judged):
    taken = {one.property.id: set(one.assumptions) for one in judged.results}
    every = {"bulb_breaks", "passes_at_danger", "called_stuck_false"}
    assert taken["without"] == every
    assert taken["of-any"] == set()
    assert taken["of-trains"] == every - {"passes_at_danger"}
    assert taken["of-sensors"] == every - {"called_stuck_false"}
    assert taken["of-people"] == every


@pytest.mark.parametrize("classes", [(), ("train",), ("sensor",), ("equipment",), ("sensor", "train"), ("operator",)])
def test_the_enumerator_finds_the_same(classes, judged):
    """Every run of the restricted model on networkx, with the budget spent on nothing else."""
    model, properties = load(TWO)
    asked = replace(next(one for one in properties if one.id == "of-any"), faults_of=classes)
    (found,) = [one for one in verify(model, (asked,), Limits(jobs=1)).results if one.property.id == asked.id]
    kept = with_classes(model, classes)
    every = {t.fault for m in model.machines for t in m.transitions if t.fault and class_of(m) in (classes or CLASSES)}
    assert granted(kept) == every
    assert (found.verdict == "violated") == enumerate_verdict(kept, asked, 4, 1).violated


def test_a_budget_from_the_command_line_is_of_all_classes():
    done = run("check", TWO, "--budget", "1", "--property", "of-trains", "--json")
    (one,) = json.loads(done.stdout)["models"][0]["properties"]
    assert (one["verdict"], one["budget"], one["faults_of"]) == ("violated", 1, [])


def test_the_classes_are_told():
    done = run("check", TWO, "--property", "of-people")
    assert "1 fault allowed, of: operator or road user" in " ".join(done.stdout.split())


def test_evidence_is_confirmed_with_its_classes_and_with_no_others(tmp_path):
    folder = tmp_path / "kept"
    assert run("check", TWO, "--property", "of-trains", "--property", "of-any", "--evidence", str(folder)).exit_code == 1
    assert run("recheck", str(folder)).exit_code == 0
    manifest = next(folder.glob("*.json"))
    told = json.loads(manifest.read_text("utf-8"))
    entry = next(one for one in told["properties"] if one["id"] == "of-trains")
    assert entry["faults_of"] == ["train"]
    for other in (["operator"], []):
        entry["faults_of"] = other
        manifest.write_text(json.dumps(told), "utf-8")
        assert run("recheck", str(folder)).exit_code == 2


def test_foundations_are_asked_with_faults_of_all_classes(judged):
    below = [one for one in judged.foundations if one.property.form is Form.AMBIGUOUS]
    assert {(one.budget, one.property.faults_of) for one in below} == {(0, ()), (1, ())}
