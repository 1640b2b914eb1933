"""What `can_fail` is written out into (specs/semantics.md 1.6), and who may name it."""

from fractions import Fraction

import pytest

from tests.language.files import HEAD, errors, loaded
from verifier.language.guard import FALSE, TRUE, And, Is, Not, Or
from verifier.language.model import Role, Window

WORLD = """groups: {track: [up, down]}
machines:
  train: {role: train, states: [away, near], path: [away, near, away]}
  lamp:
    role: control
    states: [dark, lit]
    transitions: [{from: dark, to: lit, when: WHEN}]
"""


def made(folder, sensors, when="struck", more=""):
    text = HEAD + WORLD.replace("WHEN", f"'{when}'") + f"sensors:\n  {sensors}\n" + more
    return loaded(folder, {"model.yaml": text})[0]


def is_in(machine, *states):
    return Is(machine, frozenset(states))


NEAR = is_in("train", "near")
WORKING = is_in("struck_failure", "working")


def stands_for(*stuck):
    working = And((NEAR, WORKING))
    return Or((working, is_in("struck_failure", *stuck))) if stuck else working


@pytest.mark.parametrize(
    ("can_fail", "states", "arcs", "guard"),
    [
        ("stuck true", ["stuck_true"], [("stuck_true", TRUE, "struck_stuck_true")], stands_for("stuck_true")),
        ("stuck false", ["stuck_false"], [("stuck_false", TRUE, "struck_stuck_false")], stands_for()),
        (
            "frozen",
            ["frozen_true", "frozen_false"],
            [("frozen_true", NEAR, "struck_frozen"), ("frozen_false", Not(NEAR), "struck_frozen")],
            stands_for("frozen_true"),
        ),
        (
            "frozen, stuck false, stuck true",
            ["stuck_true", "stuck_false", "frozen_true", "frozen_false"],
            [
                ("stuck_true", TRUE, "struck_stuck_true"),
                ("stuck_false", TRUE, "struck_stuck_false"),
                ("frozen_true", NEAR, "struck_frozen"),
                ("frozen_false", Not(NEAR), "struck_frozen"),
            ],
            stands_for("stuck_true", "frozen_true"),
        ),
    ],
)
def test_a_sensor_that_can_fail_has_a_machine_of_its_failures(can_fail, states, arcs, guard, tmp_path):
    model = made(tmp_path, f"struck: {{reads: train is near, can_fail: [{can_fail}]}}")
    failure = model.machine("struck_failure")
    assert failure.role is Role.EQUIPMENT
    assert failure.states == ("working", *states)
    assert {t.source for t in failure.transitions} == {"working"}
    assert [(t.target, t.when, t.fault) for t in failure.transitions] == arcs
    assert [t.index for t in failure.transitions] == list(range(len(arcs)))
    assert {t.after or t.held for t in failure.transitions} == {None}
    assert {t.place for t in failure.transitions} == {model.sensors["struck"].place}
    assert model.machine("lamp").transitions[0].when == guard
    assert model.sensors["struck"].reads == NEAR
    assert model.sensors["struck"].guard == guard


A_WHILE, LATER = Window(Fraction(0), Fraction(5)), Window(Fraction(60), None)


@pytest.mark.parametrize(
    ("can_fail", "states", "back", "guard"),
    [
        (
            "{fails: stuck true, for: a_while}",
            ["stuck_true"],
            [("stuck_true", "working", TRUE, A_WHILE)],
            stands_for("stuck_true"),
        ),
        (
            "{fails: frozen, for: 0 s .. 5 s}, stuck false",
            ["stuck_false", "frozen_true", "frozen_false"],
            [("frozen_true", "working", TRUE, A_WHILE), ("frozen_false", "working", TRUE, A_WHILE)],
            stands_for("frozen_true"),
        ),
        (
            "{fails: stuck false, for: a_while, again: 1 min ..}",
            ["stuck_false", "stuck_false_resting"],
            [
                ("stuck_false", "stuck_false_resting", TRUE, A_WHILE),
                ("stuck_false_resting", "stuck_false", TRUE, LATER),
            ],
            And((NEAR, is_in("struck_failure", "working", "stuck_false_resting"))),
        ),
        (
            "{fails: frozen, for: a_while, again: 60 s ..}, {fails: stuck true, for: 1 min ..}",
            ["stuck_true", "frozen_true", "frozen_false", "frozen_resting"],
            [
                ("stuck_true", "working", TRUE, LATER),
                ("frozen_true", "frozen_resting", TRUE, A_WHILE),
                ("frozen_false", "frozen_resting", TRUE, A_WHILE),
                ("frozen_resting", "frozen_true", NEAR, LATER),
                ("frozen_resting", "frozen_false", Not(NEAR), LATER),
            ],
            Or((
                And((NEAR, is_in("struck_failure", "working", "frozen_resting"))),
                is_in("struck_failure", "stuck_true", "frozen_true"),
            )),
        ),
    ],
)
def test_what_ends_or_comes_again_follows_what_begins(can_fail, states, back, guard, tmp_path):
    sensor = f"struck: {{reads: train is near, can_fail: [{can_fail}]}}"
    model = made(tmp_path, sensor, more="parameters: {a_while: 0 s .. 5 s}\n")
    failure = model.machine("struck_failure")
    assert failure.states == ("working", *states)
    begins = [t for t in failure.transitions if t.source == "working"]
    ends = [t for t in failure.transitions if t.source != "working"]
    assert all(t.fault and t.after is None for t in begins)
    assert failure.transitions == (*begins, *ends)
    assert [t.index for t in failure.transitions] == list(range(len(failure.transitions)))
    assert [(t.source, t.target, t.when, t.after) for t in ends] == back
    assert {(t.fault, t.held) for t in ends} == {(None, None)}
    assert model.sensors["struck"].guard == guard


def test_a_part_says_how_long_its_sensor_fails(tmp_path):
    part = "part: circuit\nneeds: {there: guard, lasting: window}\nsensors: " \
        "{sees: {reads: there, can_fail: [{fails: frozen, for: lasting}]}}\n"
    text = HEAD + WORLD.replace("WHEN", "c.sees") + \
        "parts:\n  - {part: circuit.yaml, as: c, set: {there: train is near, lasting: 0 s .. 5 s}}\n"
    model = loaded(tmp_path, {"model.yaml": text, "circuit.yaml": part})[0]
    assert {t.after for t in model.machine("c.sees_failure").transitions} == {None, A_WHILE}


@pytest.mark.parametrize("can_fail", ["", ", can_fail: []"])
def test_a_sensor_that_cannot_fail_has_none(can_fail, tmp_path):
    model = made(tmp_path, f"struck: {{reads: train is near{can_fail}}}")
    assert [m.name for m in model.machines] == ["train", "lamp"]
    assert model.machine("lamp").transitions[0].when == model.sensors["struck"].guard == NEAR


def test_each_member_has_its_own(tmp_path):
    sensor = '"struck_{track}": {for each: track, reads: train is near, can_fail: [stuck false]}'
    model = made(tmp_path, sensor, "every track has struck_{track}")
    assert [m.name for m in model.machines[2:]] == ["struck_up_failure", "struck_down_failure"]
    faults = [t.fault for m in model.machines for t in m.transitions if t.fault]
    assert faults == ["struck_up_stuck_false", "struck_down_stuck_false"]
    assert model.machine("lamp").transitions[0].when == And(
        tuple(And((NEAR, is_in(f"struck_{track}_failure", "working"))) for track in ("up", "down"))
    )


def test_each_use_of_a_part_has_its_own(tmp_path):
    part = """part: circuit
machines: {circuit: {role: equipment, states: [whole, broken], path: [whole, broken]}}
sensors: {sees: {reads: circuit is broken, can_fail: [stuck true]}}
"""
    text = HEAD + WORLD.replace("WHEN", "one.sees or other.sees_failure is stuck_true") + """parts:
  - {part: circuit.yaml, as: one}
  - {part: circuit.yaml, as: other}
"""
    found = errors(tmp_path, {"model.yaml": text, "circuit.yaml": part})
    assert [one.code for one in found] == ["LX301"]
    text = text.replace("other.sees_failure is stuck_true", "other.sees")
    model, _ = loaded(tmp_path, {"model.yaml": text, "circuit.yaml": part})
    assert [m.name for m in model.machines[-2:]] == ["one.sees_failure", "other.sees_failure"]
    assert model.machine("other.sees_failure").transitions[0].fault == "other.sees_stuck_true"


def test_a_sensor_that_reads_a_sensor_has_what_that_one_says(tmp_path):
    sensors = """struck: {reads: train is near, can_fail: [stuck true]}
  relayed: {reads: not struck, can_fail: [frozen]}"""
    model = made(tmp_path, sensors, "relayed")
    said = stands_for("stuck_true")
    assert model.sensors["relayed"].reads == Not(said)
    to_true, to_false = model.machine("relayed_failure").transitions
    assert (to_true.when, to_false.when) == (Not(said), Not(Not(said)))


@pytest.mark.parametrize("when", ["train is away or struck", "lamp is dark and struck", "struck and struck"])
def test_it_stays_in_one_piece_in_a_guard(when, tmp_path):
    """Studies and views know it by its guard, so it may not be merged with what stands beside it."""
    model = made(tmp_path, "struck: {reads: train is near, can_fail: [stuck true]}", more=f"terms: {{t: {when}}}\n")
    assert stands_for("stuck_true") in model.terms["t"].guard.parts


def test_a_constant_reading_still_fails(tmp_path):
    model = made(tmp_path, "struck: {reads: 'true', can_fail: [frozen]}")
    assert model.machine("lamp").transitions[0].when == Or((WORKING, is_in("struck_failure", "frozen_true")))
    assert [t.when for t in model.machine("struck_failure").transitions] == [TRUE, FALSE]


SENSOR = "struck: {reads: train is near, can_fail: [stuck true]}"


@pytest.mark.parametrize(
    ("sensors", "more"),
    [
        (SENSOR + "\n  struck_failure: {reads: train is near}", ""),
        ("struck_failure: {reads: train is near}\n  " + SENSOR, ""),
        (SENSOR, "terms: {struck_failure: train is near}\n"),
        (SENSOR, "parts: [{part: bell.yaml, as: struck_failure}]\n"),
    ],
)
def test_the_name_of_the_machine_must_be_free(sensors, more, tmp_path):
    text = HEAD + WORLD.replace("WHEN", "struck") + f"sensors:\n  {sensors}\n{more}"
    bell = "part: bell\nmachines: {bell: {role: equipment, states: [still, rings], path: [still, rings]}}\n"
    found = errors(tmp_path, {"model.yaml": text, "bell.yaml": bell})
    assert [one.code for one in found] == ["LX205"]
    assert "`struck_failure`" in found[0].message


@pytest.mark.parametrize(("fault", "codes"), [("struck_stuck_true", ["LX205"]), ("struck_true", [])])
def test_the_names_of_its_faults_must_be_free(fault, codes, tmp_path):
    text = HEAD + WORLD.replace("WHEN", "struck").replace(
        "machines:\n", f"machines:\n  bell: {{role: equipment, states: [a, b], "
        f"transitions: [{{from: a, to: b, fault: {fault}}}]}}\n"
    )
    found = errors(tmp_path, {"model.yaml": text + f"sensors:\n  {SENSOR}\n"})
    assert [one.code for one in found] == codes


def test_control_knows_of_a_failure_only_through_another_sensor(tmp_path):
    text = HEAD + WORLD.replace("WHEN", "struck and struck_failure is working") + f"sensors:\n  {SENSOR}\n"
    found = errors(tmp_path, {"model.yaml": text})
    assert [one.code for one in found] == ["LX301"]
    watched = SENSOR + "\n  sound: {reads: struck_failure is working}"
    assert made(tmp_path, watched, "struck and sound").sensors["sound"].guard == WORKING


def test_nothing_is_added_to_the_failures_within_a_part(tmp_path):
    part = "part: circuit\nneeds: {there: guard}\nsensors: {sees: {reads: there, can_fail: [frozen]}}\n"
    text = HEAD + WORLD.replace("WHEN", "one.sees") + """parts:
  - part: circuit.yaml
    as: one
    set: {there: train is near}
    add: {sees_failure: [{from: frozen_true, to: working}]}
"""
    found = errors(tmp_path, {"model.yaml": text, "circuit.yaml": part})
    assert [one.code for one in found] == ["LX309"]
