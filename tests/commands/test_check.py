"""``strikein check`` from its command line: output, exit codes, selection."""

import json
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.commands.running import ENVIRONMENT, SMALL, run, start
from verifier.commands import outcome
from verifier.evidence import pipeline
from verifier.evidence.result import VERDICTS, Disagreement
from verifier.views.document import read_document


def test_violated_model_ends_with_1_and_its_counterexample():
    done = run("check", SMALL)
    assert done.exit_code == 1
    assert "VIOLATED    signal-needs-closed" in done.stdout
    assert "VIOLATED HERE" in done.stdout and f"{SMALL}:19" in done.stdout
    assert "are not a safety case" in " ".join(done.stdout.split())


def test_proved_property_ends_with_0():
    done = run("check", SMALL, "--property", "lights-in-time")
    assert (done.exit_code, "proved      lights-in-time" in done.stdout) == (0, True)
    assert "signal-needs-closed" not in done.stdout


def test_same_input_gives_the_same_bytes():
    """Whatever the order in which Python happens to walk through sets."""
    outputs = set()
    for hash_seed in ("1", "2"):
        environment = ENVIRONMENT | {"PYTHONHASHSEED": hash_seed}
        process = start("check", SMALL, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, env=environment)
        outputs.add(process.communicate()[0])
    assert len(outputs) == 1 and b"VIOLATED HERE" in outputs.pop()


def test_json_document_fits_the_schema_and_names_the_exit_code():
    done = run("check", SMALL, "--json", "--property", "signal-needs-closed")
    found = read_document(done.stdout)
    assert found["exit_code"] == done.exit_code == 1
    (entry,) = found["models"][0]["properties"]
    assert entry["verdict"] == "violated"
    assert entry["trace"]["steps"][-1]["transitions"][0]["to"] == "proceed"


def test_junit_shows_the_violated_property():
    done = run("check", SMALL, "--format", "junit", "--property", "signal-needs-closed")
    assert '<failure message="violated:' in done.stdout and done.exit_code == 1


def test_unknown_property_is_bad_input_with_a_near_miss():
    done = run("check", SMALL, "--property", "lights-in-tim")
    assert (done.exit_code, done.stdout) == (2, "")
    assert "did you mean `lights-in-time`" in done.stderr


def test_contradicting_formats_are_bad_input():
    done = run("check", SMALL, "--json", "--format", "junit")
    assert done.exit_code == 2 and "contradict" in done.stderr


@pytest.mark.parametrize(
    "arguments",
    [("check",), ("check", SMALL, "--budget", "-1"), ("check", SMALL, "--no-such"), ("chek", SMALL),
     ("check", SMALL, "--time-limit", "0"), ("check", SMALL, "--format", "xml")],
)
def test_bad_command_lines_end_with_2(arguments):
    done = run(*arguments)
    assert done.exit_code == 2 and done.stdout == "" and "Traceback" not in done.stderr


def test_bad_model_is_one_diagnostic_and_other_models_are_still_judged(tmp_path):
    bad = tmp_path / "bad.yaml"
    bad.write_text("format: 1\n")
    done = run("check", str(bad), SMALL, "--property", "lights-in-time", "--json")
    assert done.exit_code == 2 and f"{bad}:1:1: LX" in done.stderr
    found = read_document(done.stdout)
    assert [one["path"] for one in found["not_judged"]] == [str(bad)]
    assert found["models"][0]["properties"][0]["verdict"] == "proved"


def test_folder_means_its_models_without_parts_packs_and_flawed(tmp_path):
    shutil.copytree(Path(SMALL).parent, tmp_path, dirs_exist_ok=True)
    for folder in ("flawed", "parts", "more"):
        (tmp_path / folder).mkdir()
        shutil.copy(SMALL, tmp_path / folder / "other.yaml")
        shutil.copy(Path(SMALL).parent / "small_pack.yaml", tmp_path / folder / "small_pack.yaml")
    (tmp_path / "lamp.yaml").write_text("# a part\npart: lamp\n")
    done = run("check", str(tmp_path), "--json", "--property", "lights-in-time")
    assert [one["path"] for one in read_document(done.stdout)["models"]] == [
        str(tmp_path / "small.yaml"), str(tmp_path / "more" / "other.yaml")
    ]
    assert done.exit_code == 0


def test_folder_without_models_is_nothing_selected(tmp_path):
    done = run("check", str(tmp_path))
    assert done.exit_code == 3 and "nothing selected" in done.stderr


def test_folder_called_like_a_file_is_bad_input(tmp_path):
    folder = tmp_path / "model.yaml"
    folder.mkdir()
    done = run("check", str(folder))
    assert done.exit_code == 2 and "LX102" in done.stderr


def test_missing_file_is_bad_input():
    done = run("check", "no/such/model.yaml")
    assert done.exit_code == 2 and "no/such/model.yaml" in done.stderr and "Traceback" not in done.stderr


def test_disagreement_ends_with_4_and_keeps_both_sides(tmp_path, monkeypatch):
    def disagree(*_arguments):
        raise Disagreement("two readings differ", {"engine": "up", "concrete machine": "down"})

    monkeypatch.setattr(pipeline, "verify", disagree)
    small = str(Path(SMALL).resolve())
    monkeypatch.chdir(tmp_path)
    done = run("check", small, "--json")
    assert done.exit_code == 4 and "Please report it" in done.stderr
    kept = tmp_path / "strikein-defect-1"
    assert (kept / "engine.txt").read_text() == "up\n"
    assert (kept / "concrete-machine.txt").read_text() == "down\n"
    (refused,) = read_document(done.stdout)["not_judged"]
    assert refused["defect_of_tool"] and "two readings differ" in refused["what"]
    run("check", small)
    assert (tmp_path / "strikein-defect-2").is_dir()


def test_every_verdict_has_an_exit_code():
    assert set(outcome.OF_VERDICT) == set(VERDICTS)


@pytest.mark.parametrize(
    ("codes", "code"),
    [((), 0), ((0, 3), 3), ((1, 3), 1), ((1, 2, 3), 2), ((3, 1, 2, 4), 4), ((0, 0), 0)],
)
def test_most_serious_code_wins(codes, code):
    """design.md section 7: if several apply: 4, 2, 1, 3."""
    assert outcome.most_serious(codes) == code


def test_a_reader_that_stops_reading_does_not_change_the_exit_code():
    process = start("check", SMALL, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    process.stdout.close()
    errors = process.stderr.read().decode()
    assert process.wait() == 1
    assert "Traceback" not in errors and "Broken" not in errors


def test_unexpected_exception_ends_with_4_and_is_kept(tmp_path):
    program = (
        "import sys; from verifier.commands import defect\n"
        "sys.excepthook = defect.leave_unexpected\n"
        "{}['lost']\n"
    )
    done = subprocess.run([sys.executable, "-c", program], cwd=tmp_path, capture_output=True, text=True,
                          env=ENVIRONMENT, check=False)
    assert done.returncode == 4
    assert "DEFECT" in done.stderr and "Traceback" not in done.stderr
    assert "KeyError: 'lost'" in (tmp_path / "strikein-defect-1" / "traceback.txt").read_text()


def test_progress_goes_to_stderr_only():
    done = run("check", SMALL, "--property", "lights-in-time")
    assert "1 property in" in done.stderr and "1 property in" not in done.stdout
    assert "\x1b" not in done.stderr + done.stdout
    json.loads(run("check", SMALL, "--property", "lights-in-time", "--json").stdout)
