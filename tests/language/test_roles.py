"""Who may see what, and what only some roles may have: violations beside near misses."""

import pytest

from tests.language.files import HEAD, errors

WORLD = """machines:
  train: {role: train, states: [away, near], path: [away, near]}
  car: {role: road user, states: [away, on], path: [away, on]}
  man: {role: operator, states: [rest, asks], sees: [], path: [rest, asks]}
  barrier: {role: equipment, states: [up, down], path: [up, down]}
  relay: {role: control, states: [off, on], path: [off, {to: on, after: 1 s}]}
sensors: {struck: {reads: train is near}}
terms: {truth: train is near, reported: struck and barrier is up, mixed: struck or car is on}
"""


def codes(folder, machine):
    text = HEAD + WORLD.replace("machines:\n", f"machines:\n  m: {machine}\n")
    return [one.code for one in errors(folder, {"model.yaml": text})]


def machine(role, guard, more=""):
    return (
        f"{{role: {role}, states: [a, b]{more}, "
        f"transitions: [{{from: a, to: b, when: \"{guard}\"}}]}}"
    )


@pytest.mark.parametrize(
    "guard, is_allowed",
    [
        ("barrier is up", True),
        ("relay is on and m is a", True),
        ("struck", True),
        ("reported", True),
        ("train is near", False),
        ("car is on", False),
        ("man is asks", False),
        ("truth", False),
        ("mixed", False),
        ("not (relay is on or truth)", False),
    ],
)
def test_what_control_sees(guard, is_allowed, tmp_path):
    assert codes(tmp_path, machine("control", guard)) == ([] if is_allowed else ["LX301"])


@pytest.mark.parametrize("role", ["equipment", "train", "road user"])
def test_the_world_may_name_anything(role, tmp_path):
    assert codes(tmp_path, machine(role, "mixed and train is near and man is asks")) == []


@pytest.mark.parametrize(
    "sees, guard, expected",
    [
        ("[barrier]", "barrier is up", []),
        ("[struck, truth]", "struck and not truth", []),
        ("[train]", "train is near", []),
        ("[barrier]", "m is a and barrier is up", []),
        ("[barrier]", "reported", ["LX305"]),
        ("[reported]", "reported", []),
        ("[reported]", "barrier is up", ["LX305"]),
        ("[]", "truth", ["LX305"]),
        ("[barier]", "true", ["LX201"]),
    ],
)
def test_an_operator_goes_by_what_it_sees(sees, guard, expected, tmp_path):
    assert codes(tmp_path, machine("operator", guard, f", sees: {sees}")) == expected


def test_sees_belongs_to_operators_only(tmp_path):
    assert codes(tmp_path, machine("operator", "true")) == ["LX304"]
    assert codes(tmp_path, machine("control", "true", ", sees: [barrier]")) == ["LX304"]


@pytest.mark.parametrize(
    "role, times, expected",
    [
        ("control", "after: 3 s, held: 0 s", []),
        ("control", "after: 3 s .. 3 s", []),
        ("control", "after: 3 s .. 4 s", ["LX302"]),
        ("control", "held: 3 s ..", ["LX302"]),
        ("control", "fault: sticks", ["LX303"]),
        ("equipment", "after: 3 s .. 4 s, held: 1 s .., fault: sticks", []),
        ("train", "fault: overruns", []),
    ],
)
def test_times_and_faults_by_role(role, times, expected, tmp_path):
    text = f"{{role: {role}, states: [a, b], transitions: [{{from: a, to: b, {times}}}]}}"
    assert codes(tmp_path, text) == expected


def test_an_operator_for_each_track_sees_its_own(tmp_path):
    text = HEAD + """groups: {track: [up, down]}
machines:
  "signal_{track}": {role: equipment, for each: track, states: [danger, proceed], transitions: []}
  "keeper_{track}":
    role: operator
    for each: track
    sees: ["signal_{track}"]
    states: [rest, busy]
    transitions: [{from: rest, to: busy, when: "signal_{track} is danger"}]
  chief:
    role: operator
    sees: ["signal_{track}"]
    states: [rest, busy]
    transitions: [{from: rest, to: busy, when: "every track has signal_{track} is danger"}]
"""
    assert errors(tmp_path, {"model.yaml": text}) == ()
    wrong = text.replace('when: "signal_{track} is danger"', 'when: "signal_down is danger"')
    assert [one.code for one in errors(tmp_path, {"model.yaml": wrong})] == ["LX305"]


def test_what_the_user_of_a_part_adds_to_an_operator_is_held_to_what_it_sees(tmp_path):
    def files(guard):
        return {
            "model.yaml": HEAD + "machines: {bell: {role: control, states: [off, on], "
            "transitions: []}}\nparts:\n  - part: part.yaml\n    as: keeper\n"
            f"    add: {{man: [{{from: rest, to: busy, when: {guard}}}]}}\n",
            "part.yaml": "part: keeper\nmachines:\n"
            "  man: {role: operator, sees: [lamp], states: [rest, busy], transitions: []}\n"
            "  lamp: {role: equipment, states: [off, on], transitions: []}\n",
        }

    assert errors(tmp_path, files("keeper.lamp is on and keeper.man is rest")) == ()
    assert [one.code for one in errors(tmp_path, files("bell is on"))] == ["LX305"]
