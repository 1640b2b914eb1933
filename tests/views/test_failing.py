"""Failures of sensors where people read of them, and where studies must leave them alone."""

import pytest

from tests.language.files import HEAD, loaded
from verifier.studies.plants import plants
from verifier.views.control_table import rows
from verifier.views.drawing import machines_drawing
from verifier.views.failing import sensor_failures
from verifier.views.text import assumed
from verifier.views.truth import guard_text, names_of

MODEL = HEAD + """machines:
  train: {role: train, states: [away, near, over], path: [away, near, {to: over, fault: runs_by}, away]}
  lights:
    role: control
    states: [dark, red]
    transitions:
      - {from: dark, to: red, when: circuit or treadle}
      - {from: red, to: dark, when: not circuit and quiet, after: 3 s}
sensors:
  circuit: {reads: train is near | over, can_fail: [stuck true, stuck false, frozen]}
  treadle: {reads: train is near or train is over, can_fail: [frozen, stuck true, stuck false]}
  quiet: {reads: train is away, can_fail: [stuck false]}
"""


@pytest.fixture(name="model")
def _model(tmp_path):
    return loaded(tmp_path, {"model.yaml": MODEL})[0]


def test_what_is_taken_for_granted_names_sensors_not_each_of_their_faults(model):
    faults = sorted(t.fault for m in model.machines for t in m.transitions if t.fault)
    assert assumed(model, sorted(set(faults))) == [
        "this fault does not happen: runs_by",
        "these sensors do not fail: circuit, treadle (frozen, stuck false, stuck true); quiet (stuck false)",
    ]
    assert assumed(model, ["circuit_frozen"]) == ["this sensor does not fail: circuit (frozen)"]
    assert sensor_failures(model)["quiet_stuck_false"] == ("quiet", "stuck false")


def test_the_control_table_calls_a_sensor_by_its_name(model):
    assert [row.when for row in rows(model)] == ["circuit or treadle", "not circuit and quiet"]


def test_a_drawing_shows_failures_only_when_named(model):
    assert "circuit_failure" not in machines_drawing(model)
    assert "circuit_failure" in machines_drawing(model, ["circuit_failure"])


def test_no_design_error_is_planted_in_a_failure(model):
    """A forgotten condition is the sensor's name as a whole, and no two sensors' failures are exchanged."""
    names = names_of(model)
    assert {guard_text(plant.part, names) for plant in plants(model) if plant.part is not None} == {
        "circuit", "treadle", "quiet", "not circuit", "circuit or treadle",
    }
    assert {plant.machines for plant in plants(model)} == {("lights",)}
