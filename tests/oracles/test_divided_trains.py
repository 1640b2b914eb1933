"""Trains that divide: the portion left between the strike-in and the crossing finds the road closed when it comes.

Principle of the trade, hazard H55: a movement that starts inside the strike-in is covered by a separate condition.
Here that is detection all the way from the strike-in to the crossing. Half barriers, also those that drivers monitor,
and open crossings that drivers monitor are shipped with such trains; here all that is asked of the other kinds that
trains close is asked anew with them. One thing does not hold: these kinds release the road by a passage, and a
portion that is drawn back over the strike-in leaves the road closed until the next train.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.oracles.judging import LIMITS, MODELS, changed_model, verdicts_of
from tests.oracles.walking import Walk
from verifier.evidence.pipeline import verify
from verifier.language.load import built_in_properties, load

TRAIN = "parts[as=train_{track}]"
OPEN = "remote_open.yaml"
SAFE = ("never-train-and-vehicle", "warning-27s", "sounds-with-lights", "amber-before-red")


def with_divided_trains(folder: Path, model: str, part: str) -> Path:
    return changed_model(folder, model, {f"{TRAIN}.part": str(MODELS / "parts" / part)})


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "part"),
    [
        (OPEN, "divided_train.yaml"),
        ("local_open_with_barriers.yaml", "monitoring_divided_train.yaml"),
        ("local_full_barriers.yaml", "monitoring_divided_train.yaml"),
    ],
)
def test_all_holds_with_trains_that_divide(tmp_path: Path, name: str, part: str) -> None:
    model, properties = load(str(with_divided_trains(tmp_path, name, part)))
    asked = (*built_in_properties(model, properties), *properties)
    found = {r.property.id: r.verdict for r in verify(model, asked, LIMITS).results}
    assert len(found) == len(asked) and set(found.values()) == {"proved"}


@pytest.mark.slow
def test_a_portion_drawn_back_leaves_the_road_closed(tmp_path: Path) -> None:
    """Safe, and the one thing lost is that the lights go out with the last train."""
    divided = (
        f'{{part: {MODELS / "parts" / "divided_train.yaml"}, as: "train_{{track}}", for each: track, '
        "set: {headway: headway, strike_in_run: strike_in / fastest_train ..}, "
        "add: {train: [{from: left, to: away}]}}"
    )
    model = changed_model(tmp_path, OPEN, {TRAIN: divided})
    found = verdicts_of(model, [], [*SAFE, "reds-out-when-clear"])
    assert found.pop("reds-out-when-clear") == "violated"
    assert len(found) == 6 and set(found.values()) == {"proved"}


def test_the_reds_hold_for_the_portion_left_behind() -> None:
    walk = Walk("local_open.yaml")
    walk.wait(60, "train_up.front", "approaching")
    walk.wait(3)
    walk.wait(7, "train_up.front", "past_board")
    walk.wait(0, "train_up.driver", "going")
    walk.wait(20, "train_up.front", "on_crossing")
    walk.wait(0, "train_up.front", "divided")
    walk.wait(5, "train_up.front", "left")
    for _ in range(2):
        assert walk.is_in(road_lights="red", bell="sounding", demand_up="called")
        walk.wait(3600)
    assert ("demand_up", "idle") not in walk.entries
    walk.wait(0, "train_up.front", "on_crossing")
    assert walk.is_in(road_lights="red", bell="sounding")
    walk.wait(0, "train_up.front", "away")
    assert walk.is_in(road_lights="dark", bell="silent")
