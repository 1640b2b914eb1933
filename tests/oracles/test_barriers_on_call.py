"""Barriers that rest across the road: down unless somebody asks, and dark when down.

NR/L2/SIG/11201 Mod X24: normally lowered, raised when a user asks the signaller, lights out and sound stopped
when fully lowered. The times of the closing are those of the first barriers of other full barriers, SR 2023 No. 8
Sch 2 para 11, in seconds from amber: 3 of amber, 4 to 6 of red, so they start at 7 to 9; 6 to 10 for them, so
they are down at 13 to 19.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.oracles.judging import changed_model, verdicts_of
from tests.oracles.test_statutory_windows import A_BIT, AMBER, Milestone, hold_to_window, judged
from tests.oracles.walking import Walk
from verifier.evidence.result import Result

MODEL = "barriers_on_call.yaml"
LOWERED = ("barriers", "lowered")
WINDOWS = [
    Milestone("first-moves", "barrier_falling", ("barriers", "falling_above_45"), 7, 9),
    Milestone("all-down", "road_closed", LOWERED, 13, 19),
]


@pytest.fixture(scope="module")
def closing(tmp_path_factory) -> dict[str, Result]:
    return judged(tmp_path_factory.mktemp("on_call"), MODEL, "MCB-OC", WINDOWS)


@pytest.mark.parametrize("one", WINDOWS, ids=lambda one: one.name)
def test_barriers_keep_their_windows(closing: dict[str, Result], one: Milestone) -> None:
    hold_to_window(closing, one)


class OnCall(Walk):
    def __init__(self) -> None:
        super().__init__(MODEL)

    def press(self, button: str) -> None:
        self.wait(0, "signaller", button)

    def release(self) -> None:
        self.wait(0, "signaller", "idle")

    def answer_a_call(self) -> None:
        self.wait(0, "user", "asking")
        self.wait(0, "signaller", "answers")
        self.wait(0, "user", "away")

    def open_the_road(self) -> None:
        self.answer_a_call()
        self.press("raises")
        for state, seconds in (("rising_below_45", 1), ("rising_above_45", 2), ("raised", 2)):
            self.wait(seconds, "barriers", state)
        self.release()

    def close_the_road(self) -> None:
        self.press("lowers")
        self.wait(3)
        for state, seconds in (("falling_above_45", 4), ("falling_below_45", 3), ("lowered", 3)):
            self.wait(seconds, "barriers", state)
        self.release()

    def give_clear(self) -> None:
        self.press("confirms")
        self.release()


def test_the_road_rests_closed_with_the_lights_dark_and_the_signals_at_danger() -> None:
    walk = OnCall()
    assert walk.is_in(barriers="lowered", road_lights="dark", sequence="closed")
    assert walk.is_in(signal_up="danger", signal_down="danger")


def test_nobody_is_answered_who_has_not_asked() -> None:
    walk = OnCall()
    assert walk.refuses(60, "signaller", "answers")
    walk.wait(0, "user", "asking")
    walk.wait(0, "signaller", "answers")


def test_nobody_is_answered_with_a_train_near() -> None:
    walk = OnCall()
    walk.wait(0, "train_down", "approaching")
    walk.wait(0, "user", "asking")
    assert walk.refuses(0, "signaller", "answers")


@pytest.mark.parametrize(("start", "half", "down"), [(4, 3, 13), (6, 5, 19)])
def test_the_road_is_opened_and_closed_again(start: int, half: int, down: int) -> None:
    walk = OnCall()
    walk.open_the_road()
    assert walk.is_in(sequence="open", road_lights="dark", barriers="raised")
    walk.press("lowers")
    assert walk.is_in(road_lights="amber")
    assert walk.refuses(3 + A_BIT)
    walk.wait(3)
    assert walk.is_in(road_lights="red")
    ways = [
        ("falling_above_45", start, 4, 6),
        ("falling_below_45", half, 3, 5),
        ("lowered", half, 3, 5),
    ]
    for state, seconds, earliest, latest in ways:
        assert walk.is_in(road_lights="red")
        assert walk.refuses(earliest - A_BIT, "barriers", state)
        assert walk.refuses(latest + A_BIT, "barriers", state)
        walk.wait(seconds, "barriers", state)
    assert walk.between(AMBER, LOWERED) == down
    assert walk.between(LOWERED, ("road_lights", "dark")) == 0
    assert walk.is_in(sequence="closed")


def test_crossing_clear_of_the_last_closing_clears_no_signal() -> None:
    """NR/L2/SIG/11201 Mod X22: confirmed clear in this closure."""
    walk = OnCall()
    walk.give_clear()
    walk.open_the_road()
    walk.close_the_road()
    walk.wait(0, "train_up", "approaching")
    assert walk.is_in(signal_up="danger")
    walk.press("confirms")
    assert walk.is_in(signal_up="proceed")


def test_raise_puts_the_signal_to_danger_and_waits_for_the_approach_lock() -> None:
    """NR/L2/SIG/11201 Mod X22: signals at danger and free of approach locking; 120 s is common practice."""
    walk = OnCall()
    walk.give_clear()
    walk.answer_a_call()
    walk.wait(0, "train_up", "approaching")
    assert walk.is_in(signal_up="proceed")
    walk.press("raises")
    assert walk.is_in(signal_up="danger", lock_up="timing", sequence="closed")
    assert walk.refuses(120 + A_BIT)
    walk.wait(120 - A_BIT)
    assert walk.is_in(sequence="closed", barriers="lowered")
    walk.wait(A_BIT)
    assert walk.is_in(lock_up="free", sequence="opening")


def test_or_until_the_train_has_passed_and_traversed() -> None:
    walk = OnCall()
    walk.give_clear()
    walk.answer_a_call()
    walk.wait(0, "train_up", "approaching")
    walk.wait(0, "train_up", "coming")
    walk.press("raises")
    walk.wait(50, "train_up", "past_signal")
    walk.wait(5, "train_up", "on_crossing")
    assert walk.is_in(sequence="closed", barriers="lowered")
    walk.wait(5, "train_up", "away")
    assert walk.is_in(lock_up="free", sequence="opening")


def test_raise_and_a_train_in_one_moment_leave_the_signal_at_danger() -> None:
    walk = OnCall()
    walk.give_clear()
    walk.answer_a_call()
    walk.press("raises")
    walk.wait(0, "train_up", "approaching")
    assert walk.is_in(signal_up="danger", sequence="opening")


def test_who_is_shut_in_keeps_trains_away_and_is_answered() -> None:
    walk = OnCall()
    walk.open_the_road()
    walk.wait(0, "user", "committed")
    walk.wait(0, "user", "on_crossing")
    walk.close_the_road()
    walk.wait(0, "user", "shut_in")
    assert walk.refuses(0, "signaller", "confirms")
    walk.wait(0, "signaller", "answers")
    walk.wait(0, "train_up", "approaching")
    assert walk.is_in(signal_up="danger")
    walk.press("raises")
    walk.wait(1, "barriers", "rising_below_45")
    assert walk.refuses(A_BIT)
    walk.wait(0, "user", "on_crossing")


@pytest.mark.parametrize(("release", "verdict"), [("100.1 s", "proved"), ("100 s", "violated")])
def test_the_lock_outlasts_the_slowest_train(tmp_path: Path, release: str, verdict: str) -> None:
    """A train that can't stop short needs up to 100 s to the signal, and may pass it in the last moment."""
    changes = {
        "parameters.decision_to_signal": "slowest_speed * 100 s",
        "parameters.release": release,
    }
    name = "train-finds-road-closed[up]"
    assert verdicts_of(changed_model(tmp_path, MODEL, changes), [], {name}) == {name: verdict}


@pytest.mark.slow
@pytest.mark.parametrize(("limit", "verdict"), [("11 s", "proved"), ("10.9 s", "violated")])
def test_no_rise_is_taken_for_failed_before_10_s(tmp_path: Path, limit: str, verdict: str) -> None:
    """SR 2023 No. 8 Sch 2 para 16. The watch begins with the order, the rise up to 1 s later."""
    name = "no-failure-before-10s"
    changed = changed_model(tmp_path, MODEL, {"parameters.rise_limit": limit})
    assert verdicts_of(changed, [], {name}) == {name: verdict}
