"""Full barriers with a picture: the closing, the failures and the rise of the orders.

SR 2023 No. 8 Sch 2 (SR 2016 No. 404 and SR 2000 No. 305 give the same times): para 11 the closing, 13 a train
past its signal at danger, 15 the red lamps, 16 the rise. In seconds from amber: 3 of amber, 4 to 6 of red,
so the entrance barriers start at 7 to 9; 6 to 10 for them, down at 13 to 19; 6 to 10 more, all down at 19 to 29.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.oracles.judging import changed_model, changed_pack, verdicts_of
from tests.oracles.test_statutory_windows import (
    A_BIT,
    AMBER,
    Milestone,
    hold_to_window,
    judged,
)
from tests.oracles.walking import Walk
from verifier.evidence.result import Result
from verifier.semantics.concrete import Concrete

MODEL = "full_barriers_cctv.yaml"
RED = ("road_lights", "red")
OF_CCTV = [
    Milestone("first-moves", "barrier_down_or_falling", ("barriers", "entrance_falling"), 7, 9),
    Milestone(
        "first-down",
        "entrance_lowered",
        ("barriers", "entrance_down"),
        13,
        19,
        "not closing_called",
    ),
    Milestone("all-down", "road_closed", ("barriers", "lowered"), 19, 29, "not closing_called"),
]


@pytest.fixture(scope="module")
def cctv(tmp_path_factory) -> dict[str, Result]:
    return judged(tmp_path_factory.mktemp("cctv"), MODEL, "MCB-CCTV", OF_CCTV)


@pytest.mark.slow
@pytest.mark.parametrize("one", OF_CCTV, ids=lambda one: one.name)
def test_barriers_keep_their_windows(cctv: dict[str, Result], one: Milestone) -> None:
    hold_to_window(cctv, one)


class Failing(Walk):
    """A walk in which one fault may happen."""

    def __init__(self) -> None:
        super().__init__(MODEL)
        self.concrete = Concrete(self.model, 1)

    def to_red(self) -> None:
        """Lower is pressed; the reds have just come."""
        self.wait(10, "operator", "lowers")
        self.wait(3)
        assert self.entries[RED] == 13


def closes_in_turn(walk: Walk, start: int, way: int, entrance_down: int, all_down: int) -> None:
    """From amber: the reds, after ``start`` seconds the entrance barriers, then the exit barriers, ``way`` seconds
    each; nothing of it a bit sooner or later than the order allows."""
    assert walk.refuses(3 + A_BIT)
    walk.wait(3)
    assert walk.refuses(4 - A_BIT, "barriers", "entrance_falling")
    assert walk.refuses(6 + A_BIT, "barriers", "entrance_falling")
    walk.wait(start, "barriers", "entrance_falling")
    for end in ("entrance_down", "lowered"):
        assert walk.refuses(6 - A_BIT, "barriers", end)
        assert walk.refuses(10 + A_BIT, "barriers", end)
        assert walk.says("sounding")
        walk.wait(way, "barriers", end)
        if end == "entrance_down":
            assert walk.refuses(A_BIT)
            walk.wait(0, "barriers", "exit_falling")
    assert walk.between(AMBER, RED) == 3
    assert walk.between(AMBER, ("barriers", "entrance_falling")) == 3 + start
    assert walk.between(AMBER, ("barriers", "entrance_down")) == entrance_down
    assert walk.between(AMBER, ("barriers", "lowered")) == all_down


@pytest.mark.parametrize(
    ("start", "way", "entrance_down", "all_down"), [(4, 6, 13, 19), (6, 10, 19, 29)]
)
def test_lower_is_pressed(start: int, way: int, entrance_down: int, all_down: int) -> None:
    walk = Walk(MODEL)
    walk.wait(10, "operator", "lowers")
    assert walk.entries[AMBER] == 10 and walk.entries["picture", "on"] == 10
    closes_in_turn(walk, start, way, entrance_down, all_down)


def test_a_train_passes_its_signal_at_danger_with_the_barriers_up() -> None:
    walk = Failing()
    walk.wait(5, "train_single", "approaching")
    walk.wait(1, "train_single", "sliding")
    assert walk.entries[RED] == 6
    assert AMBER not in walk.entries
    walk.wait(0, "operator", "lowers")
    walk.wait(60)
    assert walk.refuses(0, "barriers", "entrance_falling")
    assert walk.now.locations["road_lights"] == "red"


def test_both_reds_of_a_signal_fail_before_the_descent() -> None:
    walk = Failing()
    walk.to_red()
    walk.wait(3, "reds", "out")
    assert walk.refuses(1, "barriers", "entrance_falling")
    walk.wait(0, "operator", "idle")
    walk.wait(60, "operator", "lowers")
    assert walk.refuses(4, "barriers", "entrance_falling")
    walk.wait(60)
    assert walk.now.locations["barriers"] == "raised"


def test_both_reds_of_a_signal_fail_during_the_descent() -> None:
    walk = Failing()
    walk.to_red()
    walk.wait(4, "barriers", "entrance_falling")
    walk.wait(1, "reds", "out")
    assert walk.refuses(9 + A_BIT)
    walk.wait(9, "barriers", "entrance_down")
    walk.wait(0, "barriers", "exit_falling")
    walk.wait(10, "barriers", "lowered")
    assert walk.now.locations["barriers"] == "lowered"


@pytest.mark.slow
@pytest.mark.parametrize(("within", "verdict"), [("12 s", "proved"), ("11.9 s", "violated")])
def test_a_rise_is_watched_for_10_s_and_up_to_2_s_of_relays(
    tmp_path: Path, within: str, verdict: str
) -> None:
    old, name = "    within: 12 s\n", "rise-in-12s-or-failed"
    pack = changed_pack(tmp_path, "gb_mcb.yaml", old, f"    within: {within}\n")
    assert verdicts_of(MODEL, pack, {name}) == {name: verdict}


@pytest.mark.slow
@pytest.mark.parametrize(("limit", "verdict"), [("11 s", "proved"), ("10.9 s", "violated")])
def test_no_rise_is_taken_for_failed_before_10_s(tmp_path: Path, limit: str, verdict: str) -> None:
    """The watch begins with the order, the rise up to 1 s later."""
    model, name = (
        changed_model(tmp_path, MODEL, {"parameters.rise_limit": limit}),
        "no-failure-before-10s",
    )
    assert verdicts_of(model, [], {name}) == {name: verdict}


@pytest.mark.slow
def test_the_reds_are_off_before_45_degrees(tmp_path: Path) -> None:
    late = "not rise_failed and barriers.are_raised and sequence is raising"
    changes = {"machines.road_lights.transitions[from=red].when": late}
    name = "red-off-before-45"
    assert verdicts_of(MODEL, [], {name}) == {name: "proved"}
    assert verdicts_of(changed_model(tmp_path, MODEL, changes), [], {name}) == {name: "violated"}
