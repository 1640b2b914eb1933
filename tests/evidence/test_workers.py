"""Groups of properties are judged apart: one that is lost takes no other along."""

import os
import signal
import time
from pathlib import Path

import pytest

from verifier.evidence import workers
from verifier.evidence.pipeline import Limits, verify
from verifier.evidence.result import Disagreement
from verifier.evidence.verdicts import Bench
from verifier.language.load import built_in_properties, load

FIRST_LOOK = Path(__file__).resolve().parents[1] / "readme/first_look.yaml"


@pytest.fixture(scope="module")
def asked():
    model, properties = load(str(FIRST_LOOK))
    return model, (*built_in_properties(model), *properties)


def verdicts(asked, limits=Limits(jobs=2)):
    return {one.property.id: one for one in verify(*asked, limits).results}


def instead(monkeypatch, name, act):
    """Let the process that judges ``name`` do something else."""
    as_ever = Bench.judged

    def judged(self, prop):
        if prop.id == name:
            act()
        return as_ever(self, prop)

    monkeypatch.setattr(Bench, "judged", judged)


def test_a_process_that_ends_leaves_its_property_undecided(asked, monkeypatch):
    instead(monkeypatch, "pulse", lambda: os.kill(os.getpid(), signal.SIGKILL))
    found = verdicts(asked)
    assert found["pulse"].verdict == "undecided"
    assert "was ended by signal 9" in found["pulse"].reason
    assert found["lights-in-time"].verdict == "proved"
    assert found["signal-needs-closed"].verdict == "violated"


def test_no_proof_without_a_lost_foundation(asked, monkeypatch):
    instead(monkeypatch, "time stops", lambda: os.kill(os.getpid(), signal.SIGKILL))
    found = verdicts(asked)
    assert found["time stops"].verdict == "undecided"
    assert found["lights-in-time"].verdict == "undecided"
    assert found["signal-needs-closed"].verdict == "violated"


def test_memory_taken_in_one_call_is_noticed_from_outside(asked, monkeypatch):
    def swell():
        ballast = bytearray(900 << 20)
        time.sleep(60)
        del ballast

    instead(monkeypatch, "pulse", swell)
    found = verdicts(asked, Limits(jobs=2, memory_limit_mb=600))
    assert found["pulse"].verdict == "undecided"
    assert "the memory limit of 600 MB was passed" in found["pulse"].reason
    assert "--memory-limit" in found["pulse"].try_next
    assert found["lights-in-time"].verdict == "proved"


def test_time_taken_in_one_call_is_noticed_from_outside(asked, monkeypatch):
    monkeypatch.setattr(workers, "GRACE_S", 0.5)
    instead(monkeypatch, "pulse", lambda: time.sleep(120))
    found = verdicts(asked, Limits(jobs=2, time_limit_s=4))
    assert found["pulse"].verdict == "undecided"
    assert "the time limit of 4 s was passed" in found["pulse"].reason


def test_a_disagreement_reaches_the_caller(asked, monkeypatch):
    def disagree():
        raise Disagreement("they differ", {"one": "yes", "other": "no"})

    instead(monkeypatch, "pulse", disagree)
    with pytest.raises(Disagreement, match="they differ") as caught:
        verdicts(asked)
    assert caught.value.sides == {"one": "yes", "other": "no"}


def test_anything_unexpected_is_a_defect_and_no_verdict(asked, monkeypatch):
    instead(monkeypatch, "pulse", lambda: {}["nothing"])
    with pytest.raises(Disagreement, match="unexpected KeyError") as caught:
        verdicts(asked)
    assert "test_workers.py" in caught.value.sides["traceback"]


def test_a_memory_limit_that_is_too_low_is_no_pass(asked):
    found = verdicts(asked, Limits(jobs=1, memory_limit_mb=10))
    assert {one.verdict for one in found.values()} == {"undecided"}
    assert all("memory limit" in one.reason for one in found.values())
