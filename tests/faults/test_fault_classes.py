"""``under: {faults: N, of: [...]}``: whose faults count (``specs/semantics.md`` 4.4)."""

import json
from dataclasses import replace
from pathlib import Path

import pytest

from tests.commands.running import run
from tests.differential.enumerator import enumerate_verdict
from verifier.evidence.pipeline import Limits, verify
from verifier.evidence.store_files import MANIFEST, MANIFEST_DIGEST, sha256, to_bytes
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


OF_CLASS = {"bulb_breaks": "equipment", "called_stuck_false": "sensor", "passes_at_danger": "train"}


def without_others(model, classes):
    """The model with the transitions of all other faults struck out, by names written down here."""
    machines = []
    for machine in model.machines:
        kept = [t for t in machine.transitions if t.fault is None or OF_CLASS[t.fault] in classes]
        machines.append(replace(machine, transitions=tuple(replace(t, index=i) for i, t in enumerate(kept))))
    return replace(model, machines=tuple(machines))


@pytest.mark.parametrize("classes", [("train",), ("sensor",), ("equipment",), ("sensor", "train"), ("operator",)])
def test_the_enumerator_finds_the_same_where_the_others_are_struck_out(classes):
    """On networkx, and not through the module under test: all readings of a model share what that leaves out."""
    model, properties = load(TWO)
    asked = replace(next(one for one in properties if one.id == "of-any"), faults_of=classes)
    (found,) = [one for one in verify(model, (asked,), Limits(jobs=1)).results if one.property.id == asked.id]
    assert (found.verdict == "violated") == enumerate_verdict(without_others(model, classes), asked, 4, 1).violated


@pytest.mark.parametrize("classes", [("train",), ("sensor",), ("equipment",), ("sensor", "train"), ("operator",)])
def test_what_is_left_out_is_what_is_struck_out(classes):
    model, _ = load(TWO)
    kept = with_classes(model, classes)
    assert granted(kept) == {fault for fault, of in OF_CLASS.items() if of in classes}
    for machine, whole in zip(kept.machines, model.machines, strict=True):
        for t, was in zip(machine.transitions, whole.transitions, strict=True):
            assert t == was or (was.fault and OF_CLASS[was.fault] not in classes)


def test_nothing_is_proved_where_only_a_fault_of_another_class_lets_time_go_on():
    """Time stops when the train passes, unless the equipment fails: the lamp is never late, and never comes."""
    model, properties = load("tests/faults/locked.yaml")
    (found,) = verify(model, properties, Limits(jobs=1)).results
    assert (found.verdict, found.budget) == ("undecided", 1) and "`time stops`" in found.reason


def test_classes_say_nothing_without_a_budget(tmp_path):
    (tmp_path / "two_failures.yaml").write_text(Path(TWO).read_text("utf-8"), "utf-8")
    pack = Path("tests/faults/two_failures_pack.yaml").read_text("utf-8")
    changed = pack.replace("faults: 1, of: [train]", "faults: 0, of: [train]")
    assert changed != pack
    (tmp_path / "two_failures_pack.yaml").write_text(changed, "utf-8")
    file, folder = str(tmp_path / "two_failures.yaml"), str(tmp_path / "kept")
    assert run("check", file, "--property", "of-trains", "--evidence", folder).exit_code == 0
    assert run("recheck", folder).exit_code == 0


def test_a_budget_from_the_command_line_is_of_all_classes():
    done = run("check", TWO, "--budget", "1", "--property", "of-trains", "--json")
    (one,) = json.loads(done.stdout)["models"][0]["properties"]
    assert (one["verdict"], one["budget"], one["faults_of"]) == ("violated", 1, [])


def test_the_classes_are_told():
    done = run("check", TWO, "--property", "of-people")
    assert "1 fault allowed, of: operator or road user" in " ".join(done.stdout.split())


@pytest.mark.parametrize("claimed, why", [
    (["operator"], "is not asked of faults of operator alone"),
    (["train", "sensor"], "is not asked of faults of train, sensor alone"),
    ([], "does not prove"),
])
def test_evidence_is_confirmed_with_its_classes_and_with_no_others(claimed, why, tmp_path):
    """With the digest of the manifest made to fit, so that nothing else is amiss."""
    folder = tmp_path / "kept"
    model = tmp_path / "model.yaml"
    model.write_text(Path(TWO).read_text("utf-8").replace("two_failures_pack", "pack"), "utf-8")
    pack = Path("tests/faults/two_failures_pack.yaml").read_text("utf-8")
    (tmp_path / "pack.yaml").write_text(pack, "utf-8")
    assert run("check", str(model), "--property", "of-trains", "--evidence", str(folder)).exit_code == 0
    assert run("recheck", str(folder)).exit_code == 0
    manifest = folder / MANIFEST
    told = json.loads(manifest.read_text("utf-8"))
    entry = next(one for one in told["properties"] if one["id"] == "of-trains")
    assert entry["faults_of"] == ["train"]
    entry["faults_of"] = claimed
    text = to_bytes(told)
    manifest.write_bytes(text)
    (folder / MANIFEST_DIGEST).write_text(f"{sha256(text)}  {MANIFEST}\n", "utf-8")
    done = run("recheck", str(folder))
    assert done.exit_code == 2 and why in " ".join((done.stdout + done.stderr).split())


def test_foundations_are_asked_with_faults_of_all_classes(judged):
    below = [one for one in judged.foundations if one.property.form is Form.AMBIGUOUS]
    assert {(one.budget, one.property.faults_of) for one in below} == {(0, ()), (1, ())}


def faults_of_one_demand(folder, model, demand):
    """What `faults` finds of a model of this folder under a pack of one demand."""
    text = Path(model).read_text("utf-8").replace(f"{Path(model).stem}_pack", "pack")
    (folder / "model.yaml").write_text(text, "utf-8")
    pack = Path(model).with_name(f"{Path(model).stem}_pack.yaml").read_text("utf-8")
    asked = f"properties:\n  - {{id: asked, says: made up, source: made up, {demand}}}\n"
    (folder / "pack.yaml").write_text(pack[: pack.index("properties:")] + asked, "utf-8")
    done = run("faults", str(folder / "model.yaml"), "--order", "1", "--property", "asked", "--json")
    (found,) = json.loads(done.stdout)["properties"]
    return done.exit_code, found


def test_what_no_fault_puts_to_the_test_is_said_to_be_so(tmp_path):
    demand = "whenever: train_passing and not train_passing, then: seen_lit, within: 5 s"
    code, found = faults_of_one_demand(tmp_path, TWO, demand)
    assert (code, found["sets"], found["undecided"]) == (0, [], [])
    assert "never" in found["never_put_to_the_test"]


def test_what_is_not_put_to_the_test_where_time_stops_withstands_nothing(tmp_path):
    demand = "whenever: train_passing and not train_passing, then: lamp_lit, within: 5 s"
    code, found = faults_of_one_demand(tmp_path, "tests/faults/locked.yaml", demand)
    assert code == 3 and found["sets"] == []
    assert any("`time stops`" in one["reason"] for one in found["undecided"])


def test_faults_are_told_by_the_classes_that_a_rule_may_name():
    done = run("faults", TWO, "--order", "1", "--property", "of-any", "--jobs", "1", "--json")
    assert {one["name"]: one["class"] for one in json.loads(done.stdout)["faults"]} == OF_CLASS
    text = " ".join(run("faults", TWO, "--order", "1", "--property", "of-any", "--jobs", "1").stdout.split())
    assert "called_stuck_false (sensor called: stuck false)" in text
    assert "only its faults happen, at most once." in text
