"""Where things stand in the plan: every machine of every shipped model has its place."""

from pathlib import Path

import pytest

from verifier.language.load import load
from verifier.language.model import Role
from verifier.views.plan import keeps_left, plan_of, pose, way

MODELS = sorted(map(str, [*Path("models").glob("*.yaml"), *Path("models/textbook").rglob("*.yaml")]))


@pytest.mark.parametrize("file", MODELS)
def test_every_machine_has_one_place(file):
    model, _ = load(file)
    pieces = plan_of(model)
    assert [piece.name for piece in pieces] == [machine.name for machine in model.machines]
    for piece, machine in zip(pieces, model.machines, strict=True):
        if piece.way is not None:
            assert set(piece.way) == set(machine.states)
            assert all(0 <= share <= 1 for share in piece.way.values())
            assert piece.way[machine.states[0]] == 0
        if piece.poses is not None:
            assert set(piece.poses) == set(machine.states)


@pytest.mark.parametrize("file", [file for file in MODELS if "textbook" not in file])
def test_trains_and_users_that_cross_are_seen_to(file):
    """Whoever a term says is on the crossing stands in its middle, and nobody else."""
    model, _ = load(file)
    for piece in plan_of(model):
        if piece.way is None:
            continue
        term = model.terms.get(f"{piece.name.split('.')[0]}.is_on_crossing")
        middle = {state for state, share in piece.way.items() if share == 0.5}
        assert middle, f"{piece.name} never stands on the crossing"
        if term is not None and piece.name in str(term.guard):
            assert all(state in str(term.guard) for state in middle)
    trains = [machine for machine in model.machines if machine.role is Role.TRAIN]
    assert not trains or any(piece.sort == "train" for piece in plan_of(model))


def test_states_lie_in_their_order_along_the_way():
    states = ("away", "approaching", "past_signal", "on_crossing", "clearing", "leaving")
    found = way(states, {"on_crossing"})
    assert list(found.values()) == sorted(found.values())
    assert found["on_crossing"] == 0.5


def test_what_lies_between_two_crossings_is_the_far_side():
    found = way(("away", "over", "at_far_gate", "back", "driven"), {"over", "back"})
    assert found["over"] == found["back"] == 0.5 < found["at_far_gate"]


def test_what_a_divided_train_leaves_behind_stands_before_the_crossing():
    """Common practice, no published source: the rear portion comes to a stand short of where the front has been."""
    model, _ = load("models/local_open.yaml")
    (train,) = (piece for piece in plan_of(model) if piece.name == "train_up.front")
    assert train.way["approaching"] < train.way["left"] < train.way["on_crossing"] == train.way["divided"]


@pytest.mark.parametrize("machine, state, half, lies", [
    ("entrance", "lowered", False, ("down", None)),
    ("exit", "failed_open", False, (None, "up")),
    ("barriers", "raised", False, ("up", "up")),
    ("barriers", "entrance_falling", False, ("part", "up")),
    ("barriers", "entrance_down", False, ("down", "up")),
    ("barriers", "exit_falling", False, ("down", "part")),
    ("barriers", "rising_below_45", False, ("part", "part")),
    ("barriers", "lowered", True, ("down", None)),
])
def test_booms_lie_as_the_state_says(machine, state, half, lies):
    assert pose(machine, state, half) == lies


def test_the_side_of_the_road_is_that_of_the_country():
    assert keeps_left(load("models/half_barriers.yaml")[0])
    assert not keeps_left(load("models/us_two_quadrant.yaml")[0])
