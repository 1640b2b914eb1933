"""Evidence folders: what is written is confirmed again, and every change to it is found and named."""

import hashlib
import json
import shutil
from fractions import Fraction
from pathlib import Path

import pytest
import z3

from verifier.evidence.recheck import recheck_certificate
from verifier.evidence.replay import replay_trace
from verifier.evidence.result import CrossCheck, ModelResult, Result
from verifier.evidence.store import BadEvidence, recheck_folder, write
from verifier.language.load import built_in_properties, load
from verifier.semantics.run import Certificate, Move, Step, Trace

FILES = {
    "models/drove.yaml": """\
format: 1
crossing: Harrowfen Drove
kind: MCB-OD
jurisdiction: GB
specs: [../packs/drove_pack.yaml]
machines:
  lights:
    role: control
    states: [dark, amber, red]
    transitions:
      - {from: dark, to: amber, when: train_near}
      - {from: amber, to: red, after: 3 s}
parts:
  - {part: ../parts/train.yaml, as: train}
sensors:
  train_near: {reads: train is near, can_fail: []}
terms:
  lights_red: lights is red
  train_over: train is over
""",
    "parts/train.yaml": """\
part: train
machines:
  train:
    role: train
    states: [far, near, over]
    transitions:
      - {from: far, to: near}
      - {from: near, to: over, after: 5 s .. 9 s}
""",
    "packs/drove_pack.yaml": """\
format: 1
pack: for tests
kinds: [MCB-OD]
jurisdiction: GB
needs:
  lights_red: {as: command, says: the lights show red}
  train_over: {as: truth, says: a train is on the crossing}
properties:
  - id: red-in-time
    hazard: H01
    says: the lights are red when a train is on the crossing
    source: made up for this test
    while: train_over
    then: lights_red
  - id: no-trains
    hazard: H01
    says: no train ever comes
    source: made up for this test
    never: train_over
  - id: early-train
    hazard: H01
    says: a train can be there after 4 s
    source: made up for this test
    possible: train_over
    within: 4 s
""",
}
# The invariant of test_recheck.py, for the same sequence.
INVARIANT = """(and
  (=> |train is far| |lights is dark|)
  (=> (and |train is near| |lights is dark|) (= |time train| 0.0))
  (=> |lights is amber|
      (and |train is near| (= |time lights| |time train|) (<= |time lights| 3.0)))
  (=> |train is over| |lights is red|))"""
TO_THE_CROSSING = (
    Step("world", Fraction(0), (Move("train", 0),)),
    Step("settle", Fraction(0), (Move("lights", 0),)),
    Step("world", Fraction(3), ()),
    Step("settle", Fraction(0), (Move("lights", 1),)),
    Step("world", Fraction(2), (Move("train", 1),)),
)
RUNS = CrossCheck((5,), seed=0, live=4, covered=4)
STATES = ("dark far", "dark near", "amber near", "amber near", "red near", "red over")


def result_of(root: Path) -> ModelResult:
    model, properties = load(str(root / "models/drove.yaml"))
    props = {prop.id: prop for prop in (*built_in_properties(model), *properties)}
    run = Trace(TO_THE_CROSSING, tuple(dict(zip(("lights", "train"), s.split())) for s in STATES))

    def proved(name, term, verdict="proved", witness=None, rounds=None):
        certificate = Certificate(term, rounds=rounds, method="by hand", needs_times_of=("train",))
        return Result(props[name], verdict, 0, method="by hand", witness=witness, crosscheck=RUNS,
                      certificate=recheck_certificate(model, props[name], certificate))
    seen = replay_trace(model, props["no-trains"], run)
    return ModelResult(model, (
        proved("ambiguous", "true"),
        proved("does not settle", "true", rounds=2),
        proved("time stops", "true", rounds=2),
        Result(props["dead"], "proved", 0, crosscheck=RUNS, runs=(seen.run,), method="a concrete run"),
        proved("red-in-time", INVARIANT, witness=seen),
        Result(props["no-trains"], "violated", 0, trace=seen, bound="5 steps, none shorter"),
        proved("early-train", "(and (=> |train is near| (>= |watch time| |time train|))"
                              " (=> |train is over| (>= |watch time| 5.0)))", "impossible"),
        Result(props["pulse"], "undecided", 0, reason="not asked", try_next="asking"),
    ))


@pytest.fixture(scope="module")
def kept(tmp_path_factory):
    """A result, and the evidence folder written from it."""
    root = tmp_path_factory.mktemp("kept")
    for name, text in FILES.items():
        (root / name).parent.mkdir(exist_ok=True)
        (root / name).write_text(text)
    result = result_of(root)
    places = write(root / "evidence", result)
    assert places["red-in-time", 0] == str(root / "evidence/properties/05-red-in-time")
    return root, result


@pytest.fixture
def folder(kept, tmp_path):
    """A copy of the evidence to do harm to; the model's own files are out of reach."""
    return Path(shutil.copytree(kept[0] / "evidence", tmp_path / "moved evidence"))


def contents(folder: Path) -> dict[str, bytes]:
    return {path.relative_to(folder).as_posix(): path.read_bytes()
            for path in sorted(folder.rglob("*")) if path.is_file()}


def seal(folder: Path, manifest: dict | None = None) -> None:
    """Write digests anew, as whoever edits a folder can."""
    manifest = manifest or json.loads((folder / "manifest.json").read_text())
    for name in manifest["files"]:
        manifest["files"][name] = hashlib.sha256((folder / name).read_bytes()).hexdigest()
    text = json.dumps(manifest)
    (folder / "manifest.json").write_text(text)
    (folder / "manifest.sha256").write_text(hashlib.sha256(text.encode()).hexdigest())


def edit(folder: Path, name: str, old: str, new: str) -> None:
    text = (folder / name).read_text()
    assert text.count(old) >= 1, text
    (folder / name).write_text(text.replace(old, new, 1))
    seal(folder)


def edit_property(folder: Path, number: int, **changes) -> None:
    manifest = json.loads((folder / "manifest.json").read_text())
    manifest["properties"][number].update(changes)
    seal(folder, manifest)


def complaint(folder: Path) -> str:
    with pytest.raises(BadEvidence) as caught:
        recheck_folder(folder)
    assert caught.value.findings
    for finding in caught.value.findings:
        assert finding.startswith(str(folder)) and ": " in finding and "Traceback" not in finding
    return str(caught.value)


def test_evidence_is_confirmed_wherever_it_lies(folder):
    done = recheck_folder(folder)
    how = {one.id: (one.verdict, one.is_confirmed, one.how) for one in done.properties}
    by_solver = "certificate confirmed by the second solver"
    assert how["red-in-time"] == ("proved", True, by_solver)
    assert how["does not settle"] == ("proved", True, by_solver)
    assert how["early-train"] == ("impossible", True, by_solver)
    assert how["no-trains"] == ("violated", True, "trace replayed on the concrete machine")
    assert how["dead"] == (
        "proved", True, "every state and transition seen alive in runs of the concrete machine")
    assert how["pulse"] == ("undecided", False, "undecided is no claim that could be confirmed")
    assert done.path.endswith("models/drove.yaml") and len(done.digest) == 64


def test_the_same_result_gives_the_same_bytes(kept, tmp_path):
    write(tmp_path / "again", kept[1])
    assert contents(tmp_path / "again") == contents(kept[0] / "evidence")


def test_layout(folder):
    names = set(contents(folder))
    assert {"manifest.json", "manifest.sha256", "inputs/model/models/drove.yaml",
            "inputs/model/parts/train.yaml", "inputs/packs/1/drove_pack.yaml",
            "properties/06-no-trains/trace.json", "properties/05-red-in-time/witness.json",
            "properties/05-red-in-time/certificate.smt2",
            "properties/05-red-in-time/obligation-03-step_world.smt2"} <= names
    manifest = json.loads((folder / "manifest.json").read_text())
    assert names - set(manifest["files"]) == {"manifest.json", "manifest.sha256"}
    assert not any("seconds" in key for one in manifest["properties"] for key in one)


def test_another_solver_answers_every_obligation_as_the_manifest_expects(folder):
    manifest = json.loads((folder / "manifest.json").read_text())
    asked = [one for prop in manifest["properties"] if prop["certificate"]
             for one in prop["certificate"]["obligations"]]
    assert len(asked) == 20
    for one in asked:
        solver = z3.Solver()
        solver.from_file(str(folder / one["file"]))
        assert one["expected"] == "unsat" and solver.check() == z3.unsat
        assert one["ask"] == [f"cvc5 {one['file']}", f"z3 {one['file']}"]


def test_a_trace_has_exact_times_and_places(folder):
    trace = json.loads((folder / "properties/06-no-trains/trace.json").read_text())
    assert [step["time_s"] for step in trace["steps"]] == ["0", "0", "3", "3", "5"]
    assert trace["violating_step"] == 5 and trace["steps"][4]["time_s_decimal"] == 5.0
    moved = trace["steps"][4]["transitions"]
    assert [(one["machine"], one["from"], one["to"], one["line"]) for one in moved] == [
        ("train", "near", "over", 8)]
    assert moved[0]["file"].endswith("parts/train.yaml")
    assert trace["steps"][4]["terms"] == {"train_over": True}


def test_a_changed_character_in_any_file_is_found(folder):
    for name, content in contents(folder).items():
        # The last digit of the file, or its first letter.
        at = max((i for i, byte in enumerate(content) if chr(byte).isdigit()), default=0)
        other = bytes([content[at] ^ 1])
        (folder / name).write_bytes(content[:at] + other + content[at + 1:])
        text = complaint(folder)
        assert "has been changed" in text
        assert name in text or name == "manifest.sha256" and "manifest.json" in text
        (folder / name).write_bytes(content)
    recheck_folder(folder)


def test_a_missing_file_is_found(folder):
    for name, content in contents(folder).items():
        (folder / name).unlink()
        assert f"{folder / name}: is missing" in complaint(folder)
        (folder / name).write_bytes(content)


def test_all_that_is_wrong_is_said_at_once(folder):
    for name in ("inputs/model/parts/train.yaml", "properties/06-no-trains/trace.json"):
        (folder / name).write_text("")
    assert len(complaint(folder).split("\n")) == 2


@pytest.mark.parametrize(("content", "what"), [
    (b"", "not JSON"), (b"{", "not JSON"), (b"\xff\xfe{}", "not JSON in UTF-8"), (b"[]", "is not of type"),
    (b"[" * 100_000, "nested too deeply"), (b'{"a": 1, "a": 2}', "a key stands twice"), (b"{}", "required"),
    (b'{"violating_step": 1' + b"0" * 5000 + b"}", "not JSON"),
])
def test_json_that_is_none_is_bad_evidence(folder, content, what):
    trace = "properties/06-no-trains/trace.json"
    (folder / trace).write_bytes(content)
    seal(folder)
    text = complaint(folder)
    assert what in text and trace in text
    (folder / "manifest.json").write_bytes(content)
    (folder / "manifest.sha256").write_text(hashlib.sha256(content).hexdigest())
    text = complaint(folder)
    assert what in text and "manifest.json" in text


# From here on the digests are written anew after each change.

CERTIFICATE = "properties/05-red-in-time/certificate.smt2"


@pytest.mark.parametrize(("old", "new", "what"), [
    ("3.0", "2.0", "does not prove `red-in-time`: obligation `step world` does not hold"),
    ("(=> |train is over| |lights is red|)", "true", "obligation `no bad state` does not hold"),
    ("|lights is red|", "|lights is blue|", "`lights is blue` is not a symbol"),
    ("(and\n", "(and\n (< |time lights| true)", "is no certificate of `red-in-time`"),
    ("(and\n", "", "is no certificate of"),
])
def test_a_certificate_that_does_not_prove_is_refused(folder, old, new, what):
    edit(folder, CERTIFICATE, old, new)
    text = complaint(folder)
    assert what in text and CERTIFICATE in text


def test_another_certificate_that_proves_needs_its_own_obligations(folder):
    edit(folder, CERTIFICATE, "3.0", "4.0")
    text = complaint(folder)
    assert "obligation-01-initial.smt2: obligation `initial` is not the one" in text


def test_an_obligation_of_their_own_is_refused(folder):
    name = "properties/05-red-in-time/obligation-04-no_bad_state.smt2"
    edit(folder, name, "(check-sat)", "(assert false)(check-sat)")
    assert f"{name}: obligation `no bad state` is not the one" in complaint(folder)


@pytest.mark.parametrize(("old", "new", "what"), [
    ('"delay_s": "2"', '"delay_s": "3/2"', "does not show that `no-trains` is so"),
    ('"delay_s": "2"', '"delay_s": "2/0"', "does not match"),
    ('"time train": "5"', '"time train": "4"', "differ"),
    ('"time_s": "5"', '"time_s": "6"', "`steps` is not as in the replayed run"),
    ('"violating_step": 5', '"violating_step": 4', "`violating_step` is not as in the replayed run"),
    ('"train_over": true', '"train_over": false', "`steps` is not as in the replayed run"),
    ('"line": 8', '"line": 9', "`steps` is not as in the replayed run"),
    ('"transition": 1', '"transition": 7', "is not in the model"),
    ('"machine": "train"', '"machine": "tram"', "is not in the model"),
    ('"to": "over"', '"to": "far"', "leads from near to over"),
    ('"lights": "dark"', '"lights": "red"', "differ"),
])
def test_a_changed_trace_is_refused(folder, old, new, what):
    name = "properties/06-no-trains/trace.json"
    if old == '"time train": "5"':
        # There the train has just moved; the claim of the step before is 3.
        old, new = '"time train": "3"', '"time train": "4"'
    edit(folder, name, old, new)
    text = complaint(folder)
    assert what in text and name in text


def test_a_changed_model_is_another_model(folder):
    name = "inputs/model/models/drove.yaml"
    edit(folder, name, "after: 3 s", "after: 6 s")
    assert "the digest of the copied model is" in complaint(folder)
    manifest = json.loads((folder / "manifest.json").read_text())
    model, _ = load(str(folder / name), [str(folder / "inputs/packs/1/drove_pack.yaml")])
    manifest["model"]["digest"] = model.digest
    seal(folder, manifest)
    text = complaint(folder)
    assert "does not prove `red-in-time`" in text and "does not show that `no-trains` is so" in text


def test_a_copy_that_is_no_model_is_said_with_its_diagnostic(folder):
    edit(folder, "inputs/model/parts/train.yaml", "to: over", "to: under")
    assert "the copied model is not accepted" in complaint(folder) and "LX202" in complaint(folder)


@pytest.mark.parametrize(("number", "changes", "what"), [
    (5, {"verdict": "proved"}, "`no-trains` is proved without a certificate"),
    (4, {"verdict": "violated"}, "`red-in-time` is violated without a trace"),
    (4, {"verdict": "impossible"}, "of form `while` can't be impossible"),
    (6, {"verdict": "proved"}, "of form `possible` can't be proved"),
    (4, {"id": "red-at-once"}, "no property `red-at-once`"),
    (4, {"form": "never"}, "is of form `while`, not `never`"),
    (4, {"subject": ["state", "lights", "red"]}, "is no state or transition"),
    (3, {"subject": ["state", "lights", "blue"]}, "is no state or transition"),
    (4, {"trace": "../evidence/trace.json"}, "does not match"),
    (4, {"trace": "properties/./x"}, "does not match"),
    (4, {"trace": "/etc/hostname"}, "does not match"),
    (4, {"trace": "properties/none.json"}, "gives no digest for it"),
    (4, {"verdict": "certain"}, "is not one of"),
    (4, {"budget": -1}, "less than the minimum"),
    (4, {"extra": 1}, "Additional properties"),
])
def test_a_changed_manifest_is_refused(folder, number, changes, what):
    edit_property(folder, number, **changes)
    assert what in complaint(folder)


def test_k_and_rounds_are_part_of_the_certificate(folder):
    manifest = json.loads((folder / "manifest.json").read_text())
    manifest["properties"][1]["certificate"]["rounds"] = 0
    seal(folder, manifest)
    assert "obligation `settles in time` does not hold" in complaint(folder)
    manifest["properties"][1]["certificate"]["rounds"] = None
    seal(folder, manifest)
    assert "must give a number of rounds" in complaint(folder)


def test_nothing_counts_as_proved_without_its_foundations_and_a_witness(folder):
    edit_property(folder, 4, witness=None)
    (one,) = [one for one in recheck_folder(folder).properties if one.id == "red-in-time"]
    assert not one.is_confirmed and "no run shows that its trigger can happen" in one.how
    manifest = json.loads((folder / "manifest.json").read_text())
    del manifest["properties"][2]
    seal(folder, manifest)
    (one,) = [one for one in recheck_folder(folder).properties if one.id == "red-in-time"]
    assert not one.is_confirmed and "`time stops` is not proved here" in one.how


def test_a_witness_must_be_a_run_to_the_trigger(folder):
    edit(folder, "properties/05-red-in-time/witness.json", '"delay_s": "2"', '"delay_s": "1"')
    assert "witness.json: does not show" in complaint(folder)


@pytest.mark.parametrize(("old", "new", "what"), [
    ('"delay_s": "3"', '"delay_s": "4"', "is no run of the model"),
    ('"train": 1', '"train": 7', "is no run of the model"),
    ('"train": 1', '"tram": 1', "is no run of the model"),
    ('"kind": "settle"', '"kind": "world"', "is no run of the model"),
])
def test_runs_of_dead_must_be_runs(folder, old, new, what):
    edit(folder, "properties/04-dead/runs.json", old, new)
    assert f"runs.json: {what}" in complaint(folder)


def test_runs_of_dead_must_show_everything_alive(folder):
    name = "properties/04-dead/runs.json"
    runs = json.loads((folder / name).read_text())
    assert len(runs["runs"]) == 1 and len(runs["runs"][0]) == 5
    runs["runs"][0].pop()
    (folder / name).write_text(json.dumps(runs))
    seal(folder)
    # The last transition was enabled before its last step.
    assert "runs.json: does not show alive: state train over" in complaint(folder)
    edit_property(folder, 3, runs=None)
    (dead,) = [one for one in recheck_folder(folder).properties if one.id == "dead"]
    assert not dead.is_confirmed


def test_a_solver_without_time_confirms_nothing(folder):
    done = recheck_folder(folder, time_limit_s=0.0)
    assert {one.id for one in done.properties if one.is_confirmed} == {"no-trains", "dead"}


def test_no_folder_and_other_folders(tmp_path):
    assert "manifest.json: is missing" in complaint(tmp_path / "nothing")
    (tmp_path / "file").write_text("x")
    assert "can't be read" in complaint(tmp_path / "file")
    (tmp_path / "loop").mkdir()
    (tmp_path / "loop/manifest.json").symlink_to("/etc/hostname")
    assert "leads out of the evidence folder" in complaint(tmp_path / "loop")


def test_evidence_is_replaced_as_a_whole_and_nothing_else_is(kept, tmp_path):
    write(tmp_path / "evidence", kept[1])
    (tmp_path / "evidence/old.txt").write_text("of an earlier run")
    write(tmp_path / "evidence", kept[1])
    assert contents(tmp_path / "evidence") == contents(kept[0] / "evidence")
    (tmp_path / "notes").mkdir()
    (tmp_path / "notes/mine.txt").write_text("mine")
    with pytest.raises(FileExistsError, match="holds other things"):
        write(tmp_path / "notes", kept[1])
    assert {path.name for path in tmp_path.iterdir()} == {"evidence", "notes"}
    assert contents(tmp_path / "notes") == {"mine.txt": b"mine"}


@pytest.mark.parametrize(("name", "old", "new", "what"), [
    ("parts/train.yaml", "5 s ..", "4 s ..", "the digest of the copied model"),
    ("packs/drove_pack.yaml", "within: 4 s", "within: 3 s", "`early-train` has been changed in its pack"),
])
def test_inputs_that_changed_since_are_noticed_and_nothing_is_written(tmp_path, name, old, new, what):
    for file, text in FILES.items():
        (tmp_path / file).parent.mkdir(exist_ok=True)
        (tmp_path / file).write_text(text)
    result = result_of(tmp_path)
    write(tmp_path / "evidence", result)
    before = contents(tmp_path / "evidence")
    (tmp_path / name).write_text((tmp_path / name).read_text().replace(old, new))
    with pytest.raises(BadEvidence, match=what) as caught:
        write(tmp_path / "evidence", result)
    assert str(caught.value).startswith(f"{tmp_path / 'evidence'}")
    assert contents(tmp_path / "evidence") == before
    assert {path.name for path in tmp_path.iterdir()} == {"evidence", "models", "parts", "packs"}


def test_a_part_named_by_an_absolute_path_cannot_be_copied_along(tmp_path):
    for file, text in FILES.items():
        (tmp_path / file).parent.mkdir(exist_ok=True)
        (tmp_path / file).write_text(text.replace("../parts/train.yaml", str(tmp_path / "parts/train.yaml")))
    with pytest.raises(BadEvidence, match="name it relative to the model"):
        write(tmp_path / "evidence", result_of(tmp_path))
    assert not (tmp_path / "evidence").exists()


def test_evidence_on_one_property_holds_what_its_proof_rests_on(kept, tmp_path):
    """Asked for alone, a proof still leaves its foundations (semantics 9.7) to be confirmed."""
    model, result = kept[1].model, kept[1]
    proofs = [one for one in result.results if one.verdict == "proved"]
    alone = next(one for one in proofs if not one.property.form.is_built_in)
    below = tuple(one for one in proofs if one.property.id in ("ambiguous", "does not settle", "time stops"))
    write(tmp_path / "with", ModelResult(model, (alone,), foundations=below))
    assert all(one.is_confirmed for one in recheck_folder(tmp_path / "with").properties)
    write(tmp_path / "without", ModelResult(model, (alone,)))
    assert not any(one.is_confirmed for one in recheck_folder(tmp_path / "without").properties)
