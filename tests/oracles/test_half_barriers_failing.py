"""Automatic half barriers whose lamps, power or barriers fail, and the second train, by the orders.

SR 2010 No. 419 Sch 2: both reds of a signal out while reds should show, the barriers descend at once and stay
down (para 11); without any power they fall or stay down; neither rises until both have been fully lowered
(para 12); when one fails to rise the reds continue (para 13); barriers not up for about 3 minutes, or main power
lost, alarm (para 7); a closing due less than 10 s after the rise begins, they stay down (para 10).
"""

from __future__ import annotations

import pytest

from tests.oracles.walking import Walk, close_half_barriers

MODEL = "half_barriers_failures.yaml"


def closing(budget: int = 1) -> Walk:
    """Up to the reds, which come 3 s after amber."""
    walk = Walk(MODEL, budget)
    walk.wait(60, "train_line", "approaching")
    walk.wait(3)
    assert walk.now.locations["road_lights"] == "red"
    return walk


def lowered(budget: int = 1) -> Walk:
    walk = closing(budget)
    walk.wait(4, "barriers", "falling_above_45")
    walk.wait(3, "barriers", "falling_below_45")
    walk.wait(3, "barriers", "lowered")
    return walk


def pass_train(walk: Walk) -> None:
    walk.wait(18, "train_line", "on_crossing")
    walk.wait(0, "train_line", "away")


def test_barriers_descend_at_once_when_a_signal_loses_its_reds() -> None:
    walk = closing()
    walk.wait(1, "lamps_left", "failed")
    assert walk.now.locations["order"] == "drop"
    assert walk.refuses(0.1)
    walk.wait(0, "barriers", "falling_above_45")


def test_barriers_brought_down_so_stay_down_behind_the_train() -> None:
    walk = lowered()
    walk.wait(1, "lamps_right", "failed")
    pass_train(walk)
    walk.wait(100)
    assert walk.refuses(0, "barriers", "rising_below_45")
    assert walk.now.locations["road_lights"] == "red"


@pytest.mark.parametrize("rising", [False, True])
def test_barriers_fall_at_once_without_power(rising: bool) -> None:
    walk = Walk(MODEL, 1)
    if rising:
        walk = lowered()
        pass_train(walk)
        walk.wait(0, "barriers", "rising_below_45")
    walk.wait(0, "supply", "none")
    assert walk.refuses(0.1)
    walk.wait(0, "barriers", "falling_below_45" if rising else "falling_above_45")
    assert walk.refuses(5.1)


def test_lowered_barriers_stay_down_without_power() -> None:
    walk = lowered()
    walk.wait(0, "supply", "none")
    pass_train(walk)
    walk.wait(100)
    assert walk.now.locations["barriers"] == "lowered"


def test_neither_barrier_rises_until_both_have_been_down() -> None:
    walk = closing()
    walk.wait(4, "barriers", "falling_above_45")
    walk.wait(3, "barriers", "falling_below_45")
    walk.wait(0, "barriers", "one_short")
    walk.wait(21, "train_line", "on_crossing")
    walk.wait(0, "train_line", "away")
    assert walk.now.locations["order"] == "lower"
    walk.wait(0, "barriers", "lowered")
    assert walk.now.locations["order"] == "raise"


def test_the_reds_continue_when_a_barrier_does_not_rise() -> None:
    walk = lowered()
    pass_train(walk)
    walk.wait(1, "barriers", "one_stays_down")
    walk.wait(100)
    assert walk.now.locations["road_lights"] == "red"


def test_the_alarm_comes_after_3_minutes_without_raised_barriers() -> None:
    walk = lowered(budget=0)
    down_for = 3 + 3
    assert walk.refuses(180 - down_for + 0.1)
    walk.wait(180 - down_for)
    assert walk.now.locations["alarm"] == "given"


def test_a_barrier_that_does_not_rise_is_told_within_about_3_minutes() -> None:
    walk = lowered()
    pass_train(walk)
    walk.wait(1, "barriers", "one_stays_down")
    down_for = 3 + 3 + 18 + 1
    assert walk.refuses(180 - down_for + 0.1)
    walk.wait(180 - down_for)
    assert walk.now.locations["alarm"] == "given"


def test_train_detection_that_shows_a_train_for_ever_is_told_within_about_3_minutes() -> None:
    """Nobody else could tell it from a train that is slow: the road is closed for nothing."""
    walk = Walk(MODEL, 1)
    walk.wait(60, "near_section_line_failure", "stuck_true")
    walk.wait(3)
    walk.wait(4, "barriers", "falling_above_45")
    walk.wait(3, "barriers", "falling_below_45")
    walk.wait(3, "barriers", "lowered")
    assert walk.refuses(180 - 6 + 0.1)
    walk.wait(180 - 6)
    assert walk.now.locations["alarm"] == "given"


@pytest.mark.parametrize("lost_to", ["battery", "none"])
def test_the_loss_of_the_mains_is_told(lost_to: str) -> None:
    """SR 2010 No. 419 Sch 2 para 7: at once, for nothing is said of a delay."""
    walk = Walk(MODEL, 1)
    walk.wait(60, "supply", lost_to)
    assert walk.now.locations["mains_alarm"] == "given"
    if lost_to == "battery":
        walk.wait(60, "supply", "mains")
        assert walk.now.locations["mains_alarm"] == "quiet"


@pytest.mark.parametrize(("is_near", "order"), [(True, "lower"), (False, "raise")])
def test_barriers_stay_down_for_a_second_train_due_too_soon(is_near: bool, order: str) -> None:
    """Two lines: the other line's train has passed its outer detection when the first is clear."""
    walk = Walk("half_barriers.yaml")
    close_half_barriers(walk)
    walk.wait(20, "train_up", "on_crossing")
    if is_near:
        walk.wait(0, "train_down", "outer")
        walk.wait(0, "running_down", "inward")
    walk.wait(0, "train_up", "clearing")
    walk.wait(1, "train_up", "leaving")
    assert walk.now.locations["order"] == order


def test_barriers_stay_down_for_the_portion_that_a_divided_train_leaves() -> None:
    """Principle of the trade, hazard H55: what begins its run within the strike-in finds the crossing closed.
    The order to rise is not even given for a moment, and the signaller hears of it after 3 minutes (para 7)."""
    walk = lowered()
    walk.wait(18, "train_line", "on_crossing")
    walk.wait(0, "train_line", "divided")
    walk.wait(5, "train_line", "left")
    assert ("order", "raise") not in walk.entries
    walk.wait(151)
    assert walk.is_in(alarm="given", barriers="lowered", road_lights="red")
    walk.wait(3600, "train_line", "on_crossing")
    assert walk.is_in(barriers="lowered", road_lights="red")
    walk.wait(0, "train_line", "away")
    assert walk.is_in(order="raise", demand_line="idle")
