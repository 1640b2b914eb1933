"""What can fail, as a model and as the parts that come with the program tell it."""

import json
from pathlib import Path

import pytest

from tests.commands.running import run
from tests.language.files import HEAD, loaded, put
from verifier.language.fallible import fallible_parts, faults_in
from verifier.language.load import load

ROOT = Path(__file__).resolve().parents[2]
MODELS = sorted((ROOT / "models").glob("*.yaml"))
MODEL = HEAD + """machines:
  supply:
    role: equipment
    states: [mains, battery, none]
    transitions:
      - {from: mains, to: battery, fault: mains_fail}
      - {from: [mains, battery], to: none, fault: all_fails, says: the fuse goes}
  train: {role: train, states: [away, near, over], path: [away, near, {to: over, fault: runs_by}, away]}
  lamp: {role: equipment, states: [lit, out], transitions: [{from: lit, to: out, fault: all_fails}]}
  lights: {role: control, states: [dark, red], transitions: [{from: dark, to: red, when: circuit or treadle}]}
sensors:
  circuit: {reads: train is near, can_fail: [stuck true, {fails: frozen, for: 0 s .. 90 s, again: 1 s ..}]}
  treadle: {reads: train is near, can_fail: [{fails: stuck false, for: 2 s}]}
"""
TOLD = [
    ("all_fails", "equipment", "supply: mains | battery -> none (the fuse goes); lamp: lit -> out"),
    ("mains_fail", "equipment", "supply: mains -> battery"),
    ("circuit_frozen", "sensor", "circuit is frozen"),
    ("circuit_stuck_true", "sensor", "circuit is stuck true"),
    ("treadle_stuck_false", "sensor", "treadle is stuck false"),
    ("runs_by", "train", "train: near -> over"),
]


def test_every_fault_is_told_by_class_with_what_happens(tmp_path):
    model = loaded(tmp_path, {"model.yaml": MODEL})[0]
    assert [(one.name, one.of, one.how) for one in faults_in(model)] == TOLD


def test_the_list_says_how_long_sensors_fail_and_where_it_stands(tmp_path):
    put(tmp_path, {"model.yaml": MODEL})
    file = str(tmp_path / "model.yaml")
    done = run("faults", file, "--list")
    said = " ".join(done.stdout.split())
    assert done.exit_code == 0 and "6 faults that a budget may spend" in said
    lines = MODEL.split("\n")
    line = 1 + next(number for number, text in enumerate(lines) if text.startswith("  circuit:"))
    assert f"circuit_stuck_true: circuit is stuck true, for good {file}:{line}" in said
    assert "circuit_frozen: circuit is frozen, for 0 s .. 90 s, comes again after 1 s .." in said
    assert "treadle_stuck_false: treadle is stuck false, for 2 s " in said
    found = {one["name"]: one for one in json.loads(run("faults", file, "--list", "--json").stdout)["faults"]}
    assert list(found) == [name for name, _, _ in TOLD]
    assert (found["circuit_frozen"]["for_s"], found["circuit_frozen"]["again_s"]) == (["0", "90"], ["1", None])
    assert found["circuit_stuck_true"]["for_s"] is None and found["mains_fail"]["file"] == file


@pytest.mark.parametrize("more", [["-o", "tree.svg"], ["--stories"], ["--property", "nothing"]])
def test_what_asks_does_not_go_with_the_list(more, tmp_path):
    put(tmp_path, {"model.yaml": MODEL})
    done = run("faults", str(tmp_path / "model.yaml"), "--list", *more)
    assert done.exit_code == 2 and "--list asks nothing" in done.stderr


def test_a_model_without_faults_has_none_to_list():
    assert "no faults that a budget may spend" in run("faults", "models/textbook/flawed/b1_dip.yaml", "--list").stdout


@pytest.mark.parametrize("path", MODELS, ids=lambda path: path.stem)
def test_parts_tell_of_themselves_what_a_model_made_of_them_tells(path):
    """Read from the files as they are, against the checked models."""
    told = {part.file: set(part.faults) for part in fallible_parts()}
    model, _ = load(str(path))
    for one in faults_in(model):
        file = Path(one.place.file)
        if file.parent.name != "parts":
            continue
        names = {(name, of) for name, of, _ in told[f"parts/{file.name}"]}
        fits = (of == one.of and (one.name == name or one.name.endswith(f".{name}")) for name, of in names)
        assert any(fits), one.name


def test_strikein_list_shows_parts_and_what_can_fail_in_them():
    said = " ".join(run("list").stdout.split())
    assert "fallible_supply.yaml" in said and "mains_fail (equipment): supply: mains -> battery" in said
    assert "sees_stuck_false (sensor): sees is stuck false" in said
    parts = json.loads(run("list", "--json").stdout)["parts"]
    assert {part["file"] for part in parts} == {f"parts/{path.name}" for path in (ROOT / "models/parts").glob("*")}
    faults = {fault["name"]: fault for part in parts for fault in part["faults"]}
    assert faults["passes_signal_at_danger"]["class"] == "train"


def test_with_packs_named_there_are_no_parts():
    done = run("list", "--spec", "specs/gb_ahb.yaml", "--json")
    assert json.loads(done.stdout)["parts"] == []
