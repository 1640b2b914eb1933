"""``check --keep``: the next check of a model, edited or not, begins with the proofs and runs of the last."""

import json
import shutil
from pathlib import Path

import pytest

from tests.commands.running import SMALL, run
from verifier.engines.decision import Decision
from verifier.evidence.kept_proofs import kept, known_from
from verifier.language.load import load

VERDICTS = {"lights-in-time": "proved", "signal-needs-closed": "violated"}


@pytest.fixture
def model(tmp_path: Path) -> Path:
    """A copy to be edited."""
    for file in (Path(SMALL), Path(SMALL).with_name("small_pack.yaml")):
        shutil.copy(file, tmp_path)
    return tmp_path / "small.yaml"


@pytest.fixture
def folder(model: Path, tmp_path: Path) -> Path:
    checked(model, tmp_path / "kept")
    return tmp_path / "kept"


def checked(model: Path, folder: Path, *more: str) -> dict[str, str]:
    """Verdicts of the pack's properties; all others hold."""
    done = run("check", str(model), "--jobs", "1", "--keep", str(folder), "--json", *more)
    assert done.exit_code in (0, 1), done.stderr
    (found,) = json.loads(done.stdout)["models"]
    verdicts = {one["id"]: one["verdict"] for one in found["properties"]}
    assert {verdict for name, verdict in verdicts.items() if name not in VERDICTS} <= {"proved"}
    return {name: verdict for name, verdict in verdicts.items() if name in VERDICTS}


def edited(model: Path, old: str, new: str) -> None:
    text = model.read_text(encoding="utf-8")
    assert text.count(old) == 1
    model.write_text(text.replace(old, new), encoding="utf-8")


def kept_file(folder: Path) -> Path:
    return folder / "proofs" / "small.json"


def without_search(monkeypatch: pytest.MonkeyPatch) -> None:
    def attempt(decision, course, most):
        raise AssertionError(f"`{decision.prop.id}` is decided from nothing")

    monkeypatch.setattr(Decision, "attempt", attempt)


def test_what_was_proved_is_not_searched_for_again(model, folder, monkeypatch):
    without_search(monkeypatch)
    assert checked(model, folder, "--property", "lights-in-time") == {"lights-in-time": "proved"}


def test_without_what_was_kept_it_is(model, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    without_search(monkeypatch)
    done = run("check", str(model), "--property", "lights-in-time", "--keep", str(tmp_path / "empty"))
    assert done.exit_code == 4


def test_the_verdicts_are_those_of_the_first_time(model, folder):
    assert checked(model, folder) == VERDICTS


def test_an_edit_that_breaks_the_property_is_found(model, folder):
    edited(model, "amber: 3 s", "amber: 4 s")
    assert checked(model, folder) == {**VERDICTS, "lights-in-time": "violated"}


def test_an_edit_that_mends_the_design_is_proved(model, folder):
    edited(model, "to: proceed, when: lights is red", "to: proceed, when: crossing_closed")
    assert checked(model, folder) == dict.fromkeys(VERDICTS, "proved")


def test_proofs_outlive_an_edit_that_was_a_mistake(model, folder, monkeypatch):
    edited(model, "amber: 3 s", "amber: 4 s")
    checked(model, folder)
    edited(model, "amber: 4 s", "amber: 3 s")
    without_search(monkeypatch)
    assert checked(model, folder, "--property", "lights-in-time") == {"lights-in-time": "proved"}


def test_a_check_of_one_property_keeps_the_proofs_of_the_others(model, folder):
    before = {one["property"] for one in kept(kept_file(folder))}
    checked(model, folder, "--property", "lights-in-time")
    assert {one["property"] for one in kept(kept_file(folder))} == before >= {"lights-in-time", "pulse", "dead"}


@pytest.mark.parametrize("invariant", ["true", "false", "(not |lights is red|)", "|no such|", "(", "(=> true true)"])
def test_a_wrong_proof_proves_nothing(model, folder, invariant):
    file = kept_file(folder)
    data = json.loads(file.read_text(encoding="utf-8"))
    for one in data["found"]:
        one["invariant"] = invariant
    data["found"].append({**data["found"][0], "property": "signal-needs-closed", "faults": 0, "faults_of": []})
    file.write_text(json.dumps(data), encoding="utf-8")
    assert checked(model, folder) == VERDICTS


def test_runs_are_taken_of_the_model_as_it_is_now(model, folder):
    """A transition that was put in before the one that was taken, and one that is no more."""
    edited(model, "      - {from: away, to: approaching}\n",
           "      - {from: away, to: passing, fault: ghost}\n      - {from: away, to: approaching}\n")
    edited(model, "      - {from: lowering, to: raised, fault: chain_breaks}\n", "")
    loaded, properties = load(str(model))
    known = known_from(kept(kept_file(folder)), loaded, properties)
    moves = {
        (move.machine, loaded.machine(move.machine).transitions[move.transition].target)
        for runs in known.runs.values() for run in runs for step in run.steps for move in step.moves
    }
    assert ("train", "approaching") in moves and ("barriers", "lowering") in moves
    assert checked(model, folder) == VERDICTS


@pytest.mark.parametrize("text", ["", "{}", "[]", '{"schema_version": 2, "model": "", "found": []}', "\xff"])
def test_a_damaged_file_is_named_and_left_as_it_is(model, folder, text):
    file = kept_file(folder)
    file.write_text(text, encoding="latin-1")
    done = run("check", str(model), "--keep", str(folder))
    assert done.exit_code == 2 and done.stdout == ""
    assert str(file) in done.stderr and "remove it" in done.stderr and "Traceback" not in done.stderr
    assert file.read_text(encoding="latin-1") == text


def test_a_folder_that_cannot_be_made_is_named(model, tmp_path):
    (tmp_path / "file").write_text("")
    done = run("check", str(model), "--keep", str(tmp_path / "file" / "below"))
    assert done.exit_code == 2 and "cannot be made" in done.stderr
