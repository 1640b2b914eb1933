"""Crossings at which trains stop first: the order of events as published, walked step by step.

Railway sign reference, Level Crossing Protection p2: at an open crossing with a stop board the driver whistles
before moving; where the train crew works the crossing, a white light confirms that the barriers are down before
the train moves, and beyond the crossing an indicator must light before the train passes it, else it stops.
"""

from __future__ import annotations

from tests.oracles.walking import Walk

TRAIN = "train_single"


def test_at_an_open_crossing_the_driver_stops_whistles_and_looks() -> None:
    walk = Walk("open_crossing.yaml")
    walk.wait(0, TRAIN, "approaching")
    walk.wait(0, "vehicle", "crossing")
    walk.wait(0, TRAIN, "stopped")
    board = walk.model.machine(TRAIN)
    assert {t.target for t in board.transitions if t.source == "stopped"} == {"whistled"}
    walk.wait(0, TRAIN, "whistled")
    assert walk.refuses(0, TRAIN, "moving")  # a vehicle is on the crossing
    walk.wait(5, "vehicle", "away")
    assert walk.refuses(0, "vehicle", "crossing")  # it gives way
    walk.wait(0, TRAIN, "moving")
    assert walk.refuses(4, TRAIN, "on_crossing")  # 20 m at 10 mph take 4.47 s
    walk.wait(5, TRAIN, "on_crossing")


def test_train_crew_close_the_road_and_the_white_light_lets_the_train_go() -> None:
    walk = Walk("train_crew_operated.yaml")
    walk.wait(0, TRAIN, "at_board")
    for state in ("in_road", "at_plunger"):
        walk.wait(0, "crew", state)
    walk.wait(4, "barriers", "falling_above_45")
    walk.wait(3, "barriers", "falling_below_45")
    assert walk.now.locations["white"] == "dark"
    assert walk.refuses(0, "crew", "signals")
    walk.wait(3, "barriers", "lowered")
    assert walk.now.locations["white"] == "flashing"
    assert walk.refuses(0, TRAIN, "moving")  # no hand signal yet
    walk.wait(0, "crew", "signals")
    walk.wait(0, TRAIN, "moving")
    walk.wait(7, TRAIN, "on_crossing")
    walk.wait(0, TRAIN, "clearing")
    walk.wait(1, TRAIN, "beyond")
    assert walk.now.locations["up_indicator"] == "dark"
    assert walk.refuses(0, TRAIN, "past_indicator")
    walk.wait(0, TRAIN, "held")
    walk.wait(1, "barriers", "rising_below_45")
    walk.wait(2, "barriers", "rising_above_45")
    assert walk.refuses(0, TRAIN, "past_indicator")
    walk.wait(2, "barriers", "raised")
    assert walk.now.locations["up_indicator"] == "lit"
    walk.wait(0, TRAIN, "past_indicator")
