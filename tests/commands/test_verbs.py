"""The other verbs, ``--help``, and how a process ends."""

import json
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tests.commands.running import ENVIRONMENT, SMALL, run, start
from verifier.commands.main import cli
from verifier.commands.options import OPTIONS
from verifier.diagnostics import code_table


def test_help_says_the_exit_codes_and_the_caution():
    text = " ".join(run("--help").stdout.split())
    for said in ("0 every requested property is proved", "4 a defect of strikein", "143 terminated",
                 "are not a safety case, an approval or a design authority"):
        assert said in text


def test_every_verb_has_help_and_takes_its_options_from_the_closed_table():
    made = {param.name for option in OPTIONS.values() for param in option(lambda: None).__click_params__}
    for name, verb in cli.commands.items():
        assert verb.help, name
        own = {param.name for param in verb.params if param.param_type_name == "option"}
        assert own <= made, name


def test_help_is_quick():
    """The heavy libraries are imported only by a verb that needs them."""
    program = (
        "import sys, verifier.commands.main\n"
        "print(*sorted({'z3', 'cvc5', 'pint', 'rich', 'pygraphviz', 'ruamel', 'transitions', 'dd',"
        " 'jsonschema', 'networkx'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", program], env=ENVIRONMENT, capture_output=True, text=True,
                          check=True)
    assert done.stdout.strip() == ""


def test_version():
    assert run("--version").stdout.startswith("strikein, version ")


def test_table_in_three_forms():
    assert "lights   dark     amber      called" in run("table", SMALL).stdout
    assert run("table", SMALL, "--format", "csv").stdout.startswith("machine,state,leaves_to,when")
    rows = json.loads(run("table", SMALL, "--json").stdout)["rows"]
    assert rows[1]["after_s"] == "3"
    assert run("table", SMALL, "--json", "--format", "csv").exit_code == 2


def test_list_shows_kinds_packs_needs_and_properties():
    pack = SMALL.replace("small.yaml", "small_pack.yaml")
    text = run("list", "--spec", pack).stdout
    for said in ("MCB-OD", "Spec pack: small pack", "crossing_closed (truth)", "lights-in-time",
                 "within: 3 s"):
        assert said in text
    found = json.loads(run("list", "--spec", pack, "--json").stdout)
    assert [prop["id"] for prop in found["packs"][0]["properties"]] == ["signal-needs-closed",
                                                                        "lights-in-time"]


def test_list_without_arguments_shows_the_packs_that_come_with_strikein():
    done = run("list")
    assert done.exit_code == 0 and "specs/gb_mcb_od.yaml" in done.stdout


def test_explain_knows_every_code_and_suggests_for_an_unknown_one():
    for code in code_table():
        assert run("explain", code.lower()).stdout.startswith(f"{code}: ")
    done = run("explain", "LX999")
    assert done.exit_code == 2 and "LX" in done.stderr


@pytest.fixture
def document(tmp_path):
    path = tmp_path / "result.json"
    path.write_text(run("check", SMALL, "--json").stdout)
    return path


def test_draw_machines_and_trace(tmp_path, document):
    machines, trace = tmp_path / "machines.svg", tmp_path / "trace.png"
    assert run("draw", SMALL, "-o", str(machines)).exit_code == 0
    assert b"chain_breaks" in machines.read_bytes()
    assert run("draw", SMALL, "--trace", str(document), "-o", str(trace)).exit_code == 0
    assert trace.read_bytes().startswith(b"\x89PNG")


def test_draw_to_standard_output_and_to_a_named_file(tmp_path, document, monkeypatch):
    assert run("draw", SMALL, "--machine", "lights", "-o", "-").stdout.startswith("<?xml")
    small = str(Path(SMALL).resolve())
    monkeypatch.chdir(tmp_path)
    done = run("draw", small, "--trace", str(document))
    assert done.stdout == "small-signal-needs-closed.svg\n"
    assert "VIOLATED HERE" in (tmp_path / "small-signal-needs-closed.svg").read_text()


def test_draw_replays_the_trace_first(document):
    """A changed file is bad input, never a picture of something that can't happen."""
    text = document.read_text()
    document.write_text(text.replace('"delay_s": "3"', '"delay_s": "2"'))
    done = run("draw", SMALL, "--trace", str(document), "-o", "-")
    assert done.exit_code == 2 and "is not a run of" in done.stderr and done.stdout == ""


def test_draw_refuses_a_trace_of_another_model(tmp_path, document):
    other = tmp_path / "small.yaml"
    pack = SMALL.replace("small.yaml", "small_pack.yaml")
    other.write_text(Path(SMALL).read_text().replace("amber: 3 s", "amber: 4 s"))
    (tmp_path / "small_pack.yaml").write_text(Path(pack).read_text())
    done = run("draw", str(other), "--trace", str(document), "-o", "-")
    assert done.exit_code == 2 and "changed since" in done.stderr


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("-o", "x.pdf"), ".svg, .png or .dot"),
        (("--machine", "light"), "did you mean `lights`"),
        (("--property", "dead"), "--trace"),
        (("--trace", "no-such.json"), "no-such.json"),
        (("--trace", SMALL), "not JSON"),
        (("-o", "no/such/folder/x.svg"), "cannot be written"),
    ],
)
def test_draw_refuses_bad_input(arguments, said):
    done = run("draw", SMALL, *arguments)
    assert done.exit_code == 2 and said in done.stderr and "Traceback" not in done.stderr


@pytest.mark.parametrize(
    ("number", "code"), [(signal.SIGINT, 130), (signal.SIGTERM, 143)], ids=["interrupt", "terminate"]
)
def test_interrupted(number, code, tmp_path):
    """The signal comes while a model is being loaded."""
    program = (
        "import time, verifier.language.load as load\n"
        "from verifier.commands import main\n"
        "def wait(*_arguments):\n"
        "    print('waiting', flush=True)\n"
        "    time.sleep(60)\n"
        "load.load = wait\n"
        "import sys; sys.argv = ['strikein', 'check', 'x.yaml']\n"
        "main.main()\n"
    )
    # Whoever starts the tests in the background may have them ignore the interrupt, and what they start too.
    process = subprocess.Popen([sys.executable, "-c", program], env=ENVIRONMENT, cwd=tmp_path,
                               stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
                               preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL))
    assert process.stdout.readline() == "waiting\n"
    started = time.monotonic()
    process.send_signal(number)
    errors = process.communicate()[1]
    assert process.returncode == code and "Traceback" not in errors
    assert time.monotonic() - started < 10


def test_help_of_the_installed_entry_point_in_its_own_process():
    process = start("--help", stdout=subprocess.PIPE)
    assert b"Usage: strikein" in process.communicate()[0] and process.returncode == 0


@pytest.fixture(scope="module")
def evidence(tmp_path_factory):
    folder = tmp_path_factory.mktemp("kept") / "evidence"
    assert run("check", SMALL, "--evidence", str(folder)).exit_code == 1
    return folder


def test_recheck_confirms_what_check_kept(evidence):
    done = run("recheck", str(evidence))
    assert "confirmed      violated    signal-needs-closed: trace replayed" in done.stdout
    assert "confirmed      proved      lights-in-time: certificate confirmed" in done.stdout
    open_ones = [line for line in done.stdout.splitlines() if line.startswith("NOT CONFIRMED")]
    assert done.exit_code == (3 if open_ones else 0)


def test_recheck_of_changed_evidence_is_bad_input(evidence, tmp_path):
    copy = tmp_path / "copy"
    shutil.copytree(evidence, copy)
    certificate = next(copy.glob("properties/*lights-in-time/certificate.smt2"))
    certificate.write_text(certificate.read_text().replace("3", "4", 1))
    done = run("recheck", str(copy))
    assert done.exit_code == 2 and str(certificate) in done.stderr and "Traceback" not in done.stderr
    assert done.stdout == ""


def test_recheck_of_a_folder_of_evidence_folders(evidence):
    assert str(evidence) in run("recheck", str(evidence.parent)).stdout


@pytest.mark.parametrize("name", ["no/such/folder", "."])
def test_recheck_without_evidence_is_bad_input(name, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    done = run("recheck", name)
    assert done.exit_code == 2 and "manifest.json" in done.stderr


def test_draw_a_trace_of_an_evidence_folder(evidence, tmp_path):
    (trace,) = evidence.glob("properties/*/trace.json")
    done = run("draw", SMALL, "--trace", str(trace), "-o", str(tmp_path / "x.svg"))
    assert done.exit_code == 0 and "VIOLATED HERE" in (tmp_path / "x.svg").read_text()


def test_evidence_is_not_written_over_something_else(tmp_path):
    (tmp_path / "mine.txt").write_text("keep me")
    done = run("check", SMALL, "--property", "lights-in-time", "--evidence", str(tmp_path))
    assert done.exit_code == 2 and (tmp_path / "mine.txt").read_text() == "keep me"
