"""Barriers that move against their order or stick on the way, and telephones that are dead: what then happens.

Failures of equipment as the trade knows them (common practice, no published source); times are those of the models.
"""

from __future__ import annotations

import pytest

from tests.oracles.walking import Walk, close_half_barriers
from verifier.semantics.run import Move

# By name of the barriers in the model, and how its part calls what they do.
PLACES = [("half_barriers.yaml", "barriers"), ("us_two_quadrant.yaml", "gates")]


@pytest.mark.parametrize(("model", "name"), PLACES)
def test_raised_barriers_that_drop_fall_the_whole_way_and_rise_again(model: str, name: str) -> None:
    assert Walk(model, 0).refuses(60, name, "falling_above_45", f"{name}_drop")
    walk = Walk(model, 1)
    walk.wait(60, name, "falling_above_45", f"{name}_drop")
    for state, then in (("falling_above_45", "falling_below_45"), ("falling_below_45", "lowered")):
        half = latest(walk, name, state)
        assert walk.refuses(half + 1)
        walk.wait(half, name, then)
    walk.wait(0, name, "rising_below_45")


@pytest.mark.parametrize(("model", "name"), PLACES)
def test_barriers_that_stick_take_up_to_half_their_time_more(model: str, name: str) -> None:
    walk = Walk(model, 2)
    walk.wait(60, name, "falling_above_45", f"{name}_drop")
    half = latest(walk, name, "falling_above_45")
    walk.wait(half, name, "falling_above_45", f"{name}_stick")
    assert walk.refuses(half + 1)
    walk.wait(half, name, "falling_below_45")


def test_lowered_barriers_rise_against_their_order_for_a_fault_only() -> None:
    walk = Walk("half_barriers.yaml", 1)
    close_half_barriers(walk)
    assert walk.is_in(order="lower")
    ordinary = walk.model.machine("barriers").transitions[3]
    assert (ordinary.target, ordinary.fault) == ("rising_below_45", None)
    assert walk.concrete.enabled(walk.now).count(Move("barriers", ordinary.index)) == 0
    walk.wait(0, "barriers", "rising_below_45", "barriers_rise")


def latest(walk: Walk, name: str, state: str):
    """The longest that ``name`` stays in ``state`` if nothing fails."""
    (end,) = (t.after.hi for t in walk.model.machine(name).transitions if t.source == state and t.after)
    return end


def test_a_dead_telephone_brings_no_question_to_the_signaller() -> None:
    walk = Walk("user_worked_telephone.yaml", 1)
    walk.wait(60, "user_north", "asking")
    assert not walk.refuses(0, "signaller", "north")
    walk.wait(0, "ask_north_failure", "stuck_false")
    assert walk.refuses(600, "signaller", "north")
    walk.wait(600, "ask_north_failure", "working")
    walk.wait(0, "signaller", "north")


def test_who_cannot_be_heard_again_keeps_trains_out() -> None:
    """The signals at the entrances stay at danger until the slow caller is heard: on the safe side."""
    walk = Walk("user_worked_telephone.yaml", 1)
    walk.wait(60, "user_north", "asking_slow")
    walk.wait(0, "signaller", "holding")
    walk.wait(0, "signaller", "slow_north")
    walk.wait(60, "signaller", "after_north")
    assert not walk.refuses(0, "signaller", "free")
    walk.wait(0, "heard_north_failure", "stuck_false")
    assert walk.refuses(3600, "signaller", "free")
