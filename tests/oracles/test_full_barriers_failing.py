"""Full barriers with obstacle detection, a train past its signal at danger, and red lamps that fail.

SR 2023 No. 8 Sch 2 paras 13 and 15, of crossings with a picture; that those with obstacle detection fail alike
is from memory of Railway Safety Publication 7 (2011).
"""

from __future__ import annotations

import pytest

from tests.oracles.test_statutory_windows import A_BIT, AMBER
from tests.oracles.walking import Walk

MODEL = "full_barriers.yaml"
RED = ("road_lights", "red")


def to_red() -> Walk:
    """Closed by the signaller, with a train that brakes for its signal at danger; the reds have just come."""
    walk = Walk(MODEL, 1)
    walk.wait(10, "signaller", "closes")
    walk.wait(0, "train_up", "approaching")
    walk.wait(0, "train_up", "braking")
    walk.wait(3)
    assert walk.entries[RED] == 13
    return walk


@pytest.mark.parametrize("amber", [False, True])
def test_a_train_past_its_signal_at_danger_brings_red_at_once(amber: bool) -> None:
    """Para 13: with the barriers up no amber comes, or none any more; they stay up while the train is there."""
    walk = Walk(MODEL, 1)
    walk.wait(5, "train_up", "approaching")
    walk.wait(4, "train_up", "braking")
    if amber:
        walk.wait(1)  # the road has been open for its least time
    walk.wait(A_BIT, "train_up", "sliding")
    assert walk.entries[RED] == walk.entries["train_up", "sliding"]
    assert (AMBER in walk.entries) is amber
    walk.wait(60, "train_up", "sliding_on_crossing")
    walk.wait(60)
    assert walk.refuses(0, "entrance", "falling_above_45")
    assert walk.is_in(entrance="raised", exit="raised", road_lights="red")


@pytest.mark.parametrize("into_red", [0, 3])
def test_so_it_does_with_the_barriers_about_to_start(into_red: int) -> None:
    walk = to_red()
    walk.wait(into_red, "train_up", "sliding")
    walk.wait(60)
    assert walk.refuses(0, "entrance", "falling_above_45")
    assert walk.is_in(entrance="raised", road_lights="red")


def test_the_road_is_opened_again_behind_it() -> None:
    walk = Walk(MODEL, 1)
    walk.wait(0, "train_up", "approaching")
    walk.wait(0, "train_up", "braking")
    for state in ("sliding", "sliding_on_crossing", "away"):
        walk.wait(1, "train_up", state)
    assert walk.is_in(sequence="open", road_lights="dark", entrance="raised")


def test_both_reds_of_a_signal_fail_before_the_descent() -> None:
    """Para 15: the barriers stay up."""
    walk = to_red()
    walk.wait(4 - A_BIT, "reds", "out")
    assert walk.refuses(A_BIT, "entrance", "falling_above_45")
    walk.wait(600)
    assert walk.refuses(0, "entrance", "falling_above_45")
    assert walk.is_in(entrance="raised", signal_up="danger")


def test_both_reds_of_a_signal_fail_during_the_descent() -> None:
    """Para 15: a descent that has begun goes on, by para 11 within 10 s for each pair."""
    walk = to_red()
    walk.wait(4, "entrance", "falling_above_45")
    walk.wait(A_BIT, "reds", "out")
    assert walk.refuses(5)
    walk.wait(5 - A_BIT, "entrance", "falling_below_45")
    walk.wait(5, "entrance", "lowered")
    walk.wait(0, "exit", "falling_above_45")
    for state in ("falling_below_45", "lowered"):
        assert walk.refuses(5 + A_BIT)
        walk.wait(5, "exit", state)
    assert walk.between(("entrance", "falling_above_45"), ("exit", "lowered")) == 20
