"""`strikein adequacy` on a design small enough to say by hand what each plant does."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.commands.running import ENVIRONMENT, run
from verifier.evidence.pipeline import Limits, verify
from verifier.evidence.replay import replay_trace
from verifier.language.load import built_in_properties, load
from verifier.semantics.run import Trace
from verifier.studies import program
from verifier.studies.adequacy import outcome_of
from verifier.studies.outcomes import CAUGHT, EQUIVALENT, HARMLESS
from verifier.studies.plants import plants
from verifier.studies.question import Question

HERE = Path(__file__).parent
BELL = os.path.relpath(HERE / "bell.yaml")


@pytest.fixture(scope="module")
def whole(tmp_path_factory) -> dict:
    kept = tmp_path_factory.mktemp("kept")
    found = run("adequacy", BELL, "--json", "--jobs", "2", "--keep", str(kept))
    assert found.exit_code == 0
    return json.loads(found.stdout) | {"kept": str(kept)}


def of(whole: dict, change: str, where: str) -> dict:
    (one,) = (p for p in whole["plants"] if p["change"] == change and p["where"] == where)
    return one


@pytest.mark.parametrize(
    ("change", "where", "outcome"),
    [
        # a train stays for 5 s at least and amber for 3 s: while it is amber there is a train
        ("condition left out `called`", "bell: quiet -> ringing", EQUIVALENT),
        # the bell starts a round before amber, in no time: it differs in the midst of a settle alone
        ("condition left out `lights_amber`", "bell: quiet -> ringing", EQUIVALENT),
        # a train that comes again at once finds the bell still ringing, or never silent: no rule speaks of it
        ("condition added `called`", "bell: ringing -> quiet", HARMLESS),
        ("timer shorter: after 3 s -> 2 s", "lights: amber -> red", CAUGHT),
        ("timer longer: after 3 s -> 4 s", "lights: amber -> red", CAUGHT),
        ("condition reversed `called`", "lights: dark -> amber", CAUGHT),
        ("transition left out", "lights: amber -> red", CAUGHT),
    ],
)
def test_each_plant_is_what_it_was_worked_out_to_be(whole, change, where, outcome) -> None:
    assert of(whole, change, where)["outcome"] == outcome


def test_the_rule_broken_is_named(whole) -> None:
    shorter = of(whole, "timer shorter: after 3 s -> 2 s", "lights: amber -> red")
    longer = of(whole, "timer longer: after 3 s -> 4 s", "lights: amber -> red")
    assert (shorter["by"], longer["by"]) == ("amber-3s", "red-in-time")


def test_counts_and_share_are_those_of_the_plants(whole) -> None:
    outcomes = [one["outcome"] for one in whole["plants"]]
    assert whole["counts"] == {name: outcomes.count(name) for name in whole["counts"]}
    different = len(outcomes) - outcomes.count(EQUIVALENT)
    assert whole["noticed"] == outcomes.count(CAUGHT) / different
    assert "not a safety case" in whole["caution"]


def test_a_harmless_plant_has_all_properties_proved_of_it(whole) -> None:
    model, properties = load(BELL)
    every = {prop.id for prop in (*built_in_properties(model), *properties)}
    harmless = [one for one in whole["plants"] if one["outcome"] == HARMLESS]
    assert harmless
    for one in harmless:
        assert set(one["proved"]) == every
        assert one["story"][-1] == "here only one of the two designs acts so"


def test_what_was_kept_is_not_judged_again(whole, monkeypatch) -> None:
    monkeypatch.setattr("verifier.studies.adequacy.judge_all", None)
    again = run("adequacy", BELL, "--json", "--keep", whole["kept"])
    assert json.loads(again.stdout)["plants"] == whole["plants"]


def test_what_was_kept_is_found_again_by_every_process(tmp_path) -> None:
    """Sets of states are written in another order each time the program runs."""
    script = (
        "import sys\n"
        "from verifier.commands.adequacy import _folder\n"
        "from verifier.language.load import load\n"
        "model, properties = load('models/half_barriers_failures.yaml')\n"
        "print(_folder(sys.argv[1], model, properties, properties).name)"
    )
    names = {
        subprocess.run([sys.executable, "-c", script, str(tmp_path)], env=ENVIRONMENT | {"PYTHONHASHSEED": seed},
                       capture_output=True, text=True, check=True).stdout
        for seed in ("1", "2", "3", "4")
    }
    assert len(names) == 1


def test_what_another_program_kept_is_not_taken_for_this_ones(tmp_path, monkeypatch) -> None:
    for digest in ("one", "other"):
        monkeypatch.setattr(program, "program_digest", lambda digest=digest: digest)
        assert run("adequacy", BELL, "--plant", "003", "--keep", str(tmp_path)).exit_code == 0
    assert len(list(tmp_path.glob("plants/*/003.json"))) == 2


def test_a_damaged_file_of_what_was_kept_is_named(tmp_path) -> None:
    assert run("adequacy", BELL, "--plant", "003", "--keep", str(tmp_path)).exit_code == 0
    (file,) = tmp_path.glob("plants/*/003.json")
    file.write_text("{", encoding="utf-8")
    found = run("adequacy", BELL, "--plant", "003", "--keep", str(tmp_path))
    assert found.exit_code == 2
    assert "003.json is damaged" in found.stderr


def test_a_rule_not_asked_leaves_an_error_unnoticed_and_is_named() -> None:
    found = run("adequacy", BELL, "--property", "red-in-time", "--json")
    assert found.exit_code == 1
    shorter = of(json.loads(found.stdout), "timer shorter: after 3 s -> 2 s", "lights: amber -> red")
    assert (shorter["outcome"], shorter["by"]) == ("unnoticed", "amber-3s")
    assert shorter["suggestion"] == ["lasts: lights_amber", "at_least: 3 s"]


def test_a_design_that_does_not_hold_is_not_asked(tmp_path) -> None:
    flawed = Path("tests/readme/first_look.yaml")
    found = run("adequacy", str(flawed))
    assert found.exit_code == 3
    assert "not proved of the sound model: signal-needs-closed" in found.stderr


def test_an_unknown_plant_is_bad_input() -> None:
    found = run("adequacy", BELL, "--plant", "999")
    assert found.exit_code == 2
    assert "999" in found.stderr and "Traceback" not in found.stderr


def test_what_catches_a_plant_is_a_run_of_the_planted_model() -> None:
    """Replayed afresh on a machine made from the planted model alone."""
    model, properties = load(BELL)
    asked = (*built_in_properties(model), *properties)
    limits = Limits(jobs=1)
    question = Question.about(verify(model, asked, limits), (), limits)
    by_id = {prop.id: prop for prop in asked}
    seen = 0
    for plant in plants(model):
        found = outcome_of(question, plant)
        if found.outcome != CAUGHT or found.trace is None or found.trace.loop is not None:
            continue
        run_, planted = found.trace.run, plant.planted_in(model)
        claims = tuple({**shot.locations} for shot in run_.snapshots)
        replayed = replay_trace(planted, by_id[found.by], Trace(run_.steps, claims), 0)
        assert replayed.violating <= len(run_.steps)
        seen += 1
    assert seen >= 5
