"""An open crossing that nobody at it watches: trains that stop after the strike-in, and the last of several."""

from __future__ import annotations

import pytest

from tests.oracles.walking import Walk

MODEL = "remote_open.yaml"
RED = ("road_lights", "red")


@pytest.mark.parametrize("stop_s", [0, 40, 3600])
def test_a_train_that_stops_after_the_strike_in_finds_the_reds_still_flashing(stop_s: int) -> None:
    """Principle of the trade, hazards H14 and H17: after a stop the warning goes on until the train has come."""
    walk = Walk(MODEL)
    walk.wait(60, "train_up", "approaching")
    walk.wait(3)
    assert walk.entries[RED] == 63
    walk.wait(25 + stop_s)
    walk.wait(0, "train_up", "on_crossing")
    assert walk.is_in(road_lights="red")
    walk.wait(0, "train_up", "away")
    assert walk.is_in(road_lights="dark")


def test_the_reds_hold_from_the_first_train_through_the_last() -> None:
    """SI 2016/362 Sch 14 Pt 2 item 8: another train may pass; hazard H11."""
    walk = Walk(MODEL)
    walk.wait(60, "train_up", "approaching")
    walk.wait(3)
    walk.wait(25, "train_up", "on_crossing")
    walk.wait(0, "train_down", "approaching")
    walk.wait(0, "train_up", "away")
    assert walk.is_in(road_lights="red")
    walk.wait(28, "train_down", "on_crossing")
    assert walk.is_in(road_lights="red")
    walk.wait(0, "train_down", "away")
    assert walk.is_in(road_lights="dark")
