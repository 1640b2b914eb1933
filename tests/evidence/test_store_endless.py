"""``eventually`` from the files of a model to kept evidence, and what becomes of it when that is edited."""

import json
import shutil
from pathlib import Path

import pytest

from tests.evidence.test_store import complaint, edit_property, seal
from verifier.evidence.pipeline import Limits, verify
from verifier.evidence.store import recheck_folder, write
from verifier.language.load import load
from verifier.views.chart import chart
from verifier.views.document import Report, document_text, read_document
from verifier.views.text import model_text

MODEL = """\
format: 1
crossing: Harrowfen Drove
kind: MCB-OD
jurisdiction: GB
specs: [pack.yaml]
machines:
  lights:
    role: control
    states: [dark, red]
    transitions:
      - {from: dark, to: red, when: train_near}
      - {from: red, to: dark, when: not train_near}
  train:
    role: train
    states: [far, near, over]
    transitions:
      - {from: far, to: near}
      - {from: near, to: over, after: 5 s .. 9 s}
      - {from: over, to: far}
sensors:
  train_near: {reads: train is near | over, can_fail: []}
terms:
  lights_red: lights is red
  train_over: train is over
  train_gone: train is far
"""
PACK = """\
format: 1
pack: for tests
kinds: [MCB-OD]
jurisdiction: GB
needs:
  lights_red: {as: command, says: the lights show red}
  train_over: {as: truth, says: a train is on the crossing}
  train_gone: {as: truth, says: no train is near}
properties:
  - id: train-comes
    says: where the lights are red a train comes
    source: made up for this test
    whenever: lights_red
    eventually: train_over
  - id: opens
    says: the lights go out again
    source: made up for this test
    whenever: lights_red
    eventually: not lights_red
  - id: opens-if-train-goes
    says: the lights go out again unless a train stays on the crossing
    source: made up for this test
    whenever: lights_red
    eventually: not lights_red
    unless: train_over
  - id: never-asked
    says: nothing
    source: made up for this test
    whenever: lights_red and train_gone
    eventually: train_over
"""


@pytest.fixture(scope="module")
def judged(tmp_path_factory):
    root = tmp_path_factory.mktemp("judged")
    (root / "model.yaml").write_text(MODEL)
    (root / "pack.yaml").write_text(PACK)
    model, properties = load(str(root / "model.yaml"))
    outcome = verify(model, properties, Limits(jobs=1))
    write(root / "evidence", outcome)
    return root, outcome


@pytest.fixture
def folder(judged, tmp_path):
    return Path(shutil.copytree(judged[0] / "evidence", tmp_path / "evidence"))


def number_of(folder: Path, name: str) -> int:
    manifest = json.loads((folder / "manifest.json").read_text())
    return [one["id"] for one in manifest["properties"]].index(name)


def of(outcome, name):
    return next(one for one in outcome.results if one.property.id == name)


def test_verdicts(judged):
    assert [(one.property.id, one.verdict) for one in judged[1].results] == [
        ("train-comes", "proved"),
        ("opens", "violated"),
        ("opens-if-train-goes", "proved"),
        ("never-asked", "vacuous"),
    ]
    proved, violated = of(judged[1], "train-comes"), of(judged[1], "opens")
    assert proved.certificate.certificate.bound == 9
    assert proved.method.startswith("an answer comes within 9 s: ") and proved.bound == "complete"
    assert violated.bound == "3 steps, then 1 step again and again"


def test_the_evidence_is_confirmed(folder):
    how = {one.id: (one.verdict, one.is_confirmed) for one in recheck_folder(folder).properties}
    assert how["train-comes"] == ("proved", True) and how["opens"] == ("violated", True)
    manifest = json.loads((folder / "manifest.json").read_text())
    kept = manifest["properties"][number_of(folder, "train-comes")]["certificate"]
    assert kept["bound_s"] == "9"


@pytest.mark.parametrize(
    ("bound", "what"),
    [
        ("17/2", "does not prove `train-comes`: obligation `no bad state` does not hold"),
        ("10", "obligation `no bad state` is not the one that"),
        (None, "a certificate of `eventually` must give a bound"),
        ("-1", "bound_s"),
    ],
)
def test_another_bound_is_refused(folder, bound, what):
    number = number_of(folder, "train-comes")
    manifest = json.loads((folder / "manifest.json").read_text())
    certificate = manifest["properties"][number]["certificate"]
    certificate.pop("bound_s")
    edit_property(folder, number, certificate=certificate | ({"bound_s": bound} if bound else {}))
    assert what in complaint(folder)


@pytest.mark.parametrize(
    ("loop", "what"),
    [
        (None, "no loop"),
        (4, "a loop from step 4 of 4"),
        (2, "can't be taken a second time"),
    ],
)
def test_another_loop_is_refused(folder, loop, what):
    file = folder / f"properties/{number_of(folder, 'opens') + 1:02}-opens/trace.json"
    trace = json.loads(file.read_text())
    assert trace["loops_to_step"] == 3 and len(trace["steps"]) == 4
    file.write_text(json.dumps(trace | {"loops_to_step": loop}))
    seal(folder)
    assert what in complaint(folder)


def test_views_say_that_it_goes_on_for_ever(judged):
    model, result = judged[1].model, of(judged[1], "opens")
    text = model_text(judged[1])
    assert "And so on for ever: step 4 is taken again and again, every 1 s, for the last" in text
    assert "need never follow" in text and "whenever: lights_red" in text
    assert "And so on for ever: step 4 is taken again and again" in chart(model, result)
    document = read_document(document_text(Report((judged[1],))))
    (shown,) = [one for one in document["models"][0]["properties"] if one["id"] == "opens"]
    assert (shown["form"], shown["trace"]["loops_to_step"]) == ("eventually", 3)
