"""A property may demand that a fault shows itself: `whenever: THE FAULT`, `then: WHO IS TOLD`, `within: T`.

The state of a failing sensor is that of its failure machine (specs/semantics.md 1.8), named by a term of the model.
Worked out by hand: the lights are red from the moment in which the circuit sticks at true, and the alarm follows
6 s later; a circuit stuck at false is shown by the treadle alone, 1 s after a train has come.
"""

import pytest

from tests.differential.enumerator import enumerate_verdict
from tests.language.files import HEAD, errors
from verifier.evidence.pipeline import Limits, verify
from verifier.language.load import load

SHOWN = "tests/faults/shown.yaml"
EXPECTED = {
    "wrong-side-up": "proved",
    "too-soon": "violated",
    "no-train-no-sign": "violated",
    "with-a-train": "proved",
    "unpaid": "vacuous",
}


@pytest.fixture(scope="module", name="found")
def _found():
    model, properties = load(SHOWN)
    asked = [one for one in properties if one.id in EXPECTED]
    return {one.property.id: one for one in verify(model, asked, Limits(jobs=1)).results}


@pytest.mark.parametrize("name", EXPECTED)
def test_a_fault_shows_itself_within_the_time_or_not(name, found):
    assert found[name].verdict == EXPECTED[name]


def test_where_no_fault_is_paid_for_nothing_is_claimed(found):
    assert "is never true" in found["unpaid"].reason


@pytest.mark.parametrize("name", ["too-soon", "no-train-no-sign"])
def test_the_enumerator_finds_the_same(name, found):
    model, properties = load(SHOWN)
    asked = next(one for one in properties if one.id == name)
    reached = enumerate_verdict(model, asked, len(found[name].trace.run.steps), 1)
    assert (reached.violated, reached.length) == (True, len(found[name].trace.run.steps))


def test_control_is_not_told_of_a_fault_so(tmp_path):
    """Else a design could answer to what nobody can know."""
    text = HEAD + """machines:
  train: {role: train, states: [away, near], path: [away, near]}
  alarm:
    role: control
    states: [quiet, given]
    transitions: [{from: quiet, to: given, when: shows_a_train}]
sensors: {called: {reads: train is near, can_fail: [stuck true]}}
terms: {shows_a_train: called_failure is stuck_true}
"""
    (found,) = errors(tmp_path, {"model.yaml": text})
    assert found.code == "LX301"
