"""Full barriers worked in view of the crossing, from beside it or from a box some way off.

Of the closing, the lamps, an overrun and a rise that fails nothing else was read than the orders of crossings
with a picture, SR 2023 No. 8 Sch 2 paras 11 to 17 (that these fail alike is from memory of Railway Safety
Publication 7, 2011); what holds signal and barriers against each other is NR/L2/SIG/11201 Mod X22. In seconds
from amber: 3 of amber, 4 to 6 of red, so the entrance barriers start at 7 to 9; 6 to 10 for them, down at 13 to
19; 6 to 10 more, all down at 19 to 29.
"""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import pytest

from tests.oracles.judging import changed_model, one_demand, verdicts_of
from tests.oracles.test_full_barriers_cctv import OF_CCTV, RED, closes_in_turn
from tests.oracles.test_statutory_windows import A_BIT, AMBER, Milestone, hold_to_window, judged
from tests.oracles.walking import OfOneLine
from verifier.evidence.result import Result

KINDS = {"full_barriers_direct.yaml": "MCB", "full_barriers_remote.yaml": "MCB-R"}
DIRECT, REMOTE = KINDS
TRACK = {DIRECT: "single", REMOTE: "up"}
both_models = pytest.mark.parametrize("model", KINDS)


class Worked(OfOneLine):
    """The crossing from its first state, with what an operator and a train of one line do to it."""

    def __init__(self, model: str, budget: int = 0):
        super().__init__(model, TRACK[model], budget)

    def press(self, button: str, after: int | Fraction = 0) -> None:
        self.wait(after, "operator", button)

    def release(self) -> None:
        self.wait(0, "operator", "idle")

    def to_red(self) -> None:
        """Lower is pressed as soon as the road has been open for 10 s; the reds have just come."""
        self.press("lowers", 10)
        self.wait(3)
        assert self.entries[RED] == 13

    def close(self) -> None:
        self.to_red()
        self.release()
        self.wait(4, "barriers", "entrance_falling")
        self.wait(6, "barriers", "entrance_down")
        self.wait(0, "barriers", "exit_falling")
        self.wait(6, "barriers", "lowered")

    def close_and_clear(self) -> None:
        self.close()
        self.press("confirms")
        self.release()

    def pass_train(self) -> None:
        self.train("coming", "past_signal", "on_crossing", "away")

    def order_rise(self) -> None:
        self.press("raises")
        self.release()


@pytest.fixture(scope="module")
def windows(tmp_path_factory) -> dict[str, dict[str, Result]]:
    folder = tmp_path_factory.mktemp
    return {model: judged(folder(kind), model, kind, OF_CCTV) for model, kind in KINDS.items()}


@pytest.mark.slow
@pytest.mark.parametrize("one", OF_CCTV, ids=lambda one: one.name)
@both_models
def test_barriers_keep_their_windows(windows, model: str, one: Milestone) -> None:
    hold_to_window(windows[model], one)


@pytest.mark.parametrize(
    ("start", "way", "entrance_down", "all_down"), [(4, 6, 13, 19), (6, 10, 19, 29)]
)
@both_models
def test_lower_is_pressed(model, start, way, entrance_down, all_down) -> None:
    walk = Worked(model)
    walk.press("lowers", 10)
    assert walk.entries[AMBER] == 10 and walk.says("sounding")
    closes_in_turn(walk, start, way, entrance_down, all_down)
    assert walk.is_in(road_lights="red") and not walk.says("sounding")


@pytest.mark.slow
@pytest.mark.parametrize(
    ("bound", "amber", "verdict"),
    [
        ("at_least: 2.75 s", "2.75 s", "proved"),
        ("at_least: 2.75 s", "2.74 s", "violated"),
        ("at_most: 3.25 s", "3.25 s", "proved"),
        ("at_most: 3.25 s", "3.26 s", "violated"),
    ],
)
@both_models
def test_amber_lasts_3_s_or_a_quarter_less_or_more(tmp_path, model, bound, amber, verdict) -> None:
    """SI 2016/362 Sch 14 Pt 1 para 8(3) and (4): 3 s, accepted from 2.75 to 3.25 s."""
    pack = one_demand(
        tmp_path, KINDS[model], f"    lasts: lights_amber\n    {bound}\n", "lights_amber"
    )
    changed = changed_model(tmp_path, model, {"parameters.amber": amber})
    assert verdicts_of(changed, pack, {"demand"}) == {"demand": verdict}


def test_only_the_operator_lowers_where_he_looks_out_on_the_crossing() -> None:
    walk = Worked(DIRECT)
    walk.train("approaching", after=10)
    walk.wait(600)
    assert walk.is_in(sequence="open", road_lights="dark") and walk.signal == "danger"


def test_the_train_lowers_where_he_is_some_way_off() -> None:
    """NR/L2/SIG/11201 Mod X22: lowering by the train."""
    walk = Worked(REMOTE)
    walk.train("approaching", after=10)
    assert walk.entries[AMBER] == 10


@both_models
def test_the_signal_waits_for_the_last_barrier_and_for_crossing_clear(model: str) -> None:
    walk = Worked(model)
    walk.train("approaching")
    walk.to_red()
    walk.release()
    for seconds, state in ((6, "entrance_falling"), (10, "entrance_down"), (0, "exit_falling")):
        walk.wait(seconds, "barriers", state)
        walk.press("confirms")
        walk.release()
        assert walk.signal == "danger"
    walk.press("confirms")
    walk.wait(10, "barriers", "lowered")
    assert walk.signal == "danger"
    walk.release()
    walk.wait(60)
    assert walk.signal == "danger"
    walk.press("confirms")
    assert walk.signal == "proceed"


@both_models
def test_nobody_confirms_clear_over_a_vehicle(model: str) -> None:
    walk = Worked(model)
    walk.train("approaching")
    walk.wait(0, "vehicle", "committed")
    walk.wait(0, "vehicle", "on_crossing")
    walk.close()
    assert walk.refuses(600, "operator", "confirms")


@both_models
def test_crossing_clear_of_the_last_closing_clears_no_signal(model: str) -> None:
    walk = Worked(model)
    walk.close_and_clear()
    walk.order_rise()
    walk.wait(0, "barriers", "rising_below_45")
    walk.wait(2, "barriers", "rising_above_45")
    walk.wait(2, "barriers", "raised")
    walk.press("lowers", 10)
    walk.wait(3)
    walk.release()
    for seconds, state in (
        (4, "entrance_falling"),
        (6, "entrance_down"),
        (0, "exit_falling"),
        (6, "lowered"),
    ):
        walk.wait(seconds, "barriers", state)
    walk.train("approaching")
    assert walk.signal == "danger"
    walk.press("confirms")
    assert walk.signal == "proceed"


@both_models
def test_raise_does_nothing_with_the_signal_at_proceed(model: str) -> None:
    """NR/L2/SIG/11201 Mod X22: no raising unless the signals are at danger and free of approach locking."""
    walk = Worked(model)
    walk.close_and_clear()
    walk.train("approaching")
    assert walk.signal == "proceed"
    walk.press("raises")
    walk.wait(1000)
    assert walk.signal == "proceed" and walk.is_in(sequence="closing", barriers="lowered")


@both_models
def test_nor_before_the_approach_lock_of_a_signal_put_back_is_free(model: str) -> None:
    """The 120 s are common practice, no published source."""
    walk = Worked(model)
    walk.close_and_clear()
    walk.train("approaching")
    walk.press("replaces")
    assert (walk.signal, walk.lock) == ("danger", "timing")
    walk.release()
    walk.press("raises")
    assert walk.refuses(120 + A_BIT)
    walk.wait(120 - A_BIT)
    assert walk.is_in(sequence="closing", barriers="lowered")
    walk.wait(A_BIT)
    assert walk.lock == "free" and walk.is_in(sequence="raising")


@both_models
def test_a_train_that_has_passed_and_traversed_frees_the_lock_at_once(model: str) -> None:
    walk = Worked(model)
    walk.close_and_clear()
    walk.train("approaching")
    for state in ("coming", "past_signal", "on_crossing"):
        walk.train(state, after=5)
    assert walk.signal == "danger"
    if model == DIRECT:
        walk.press("raises")
    assert walk.is_in(barriers="lowered") and not walk.is_in(sequence="raising")
    walk.train("away", after=5)
    assert walk.lock == "free" and walk.is_in(sequence="raising")


def test_behind_a_train_the_barriers_wait_for_the_operator_who_looks_out() -> None:
    walk = Worked(DIRECT)
    walk.close_and_clear()
    walk.train("approaching")
    walk.pass_train()
    walk.wait(600)
    assert walk.is_in(sequence="closing", barriers="lowered")


@pytest.mark.parametrize("another", [False, True])
def test_and_rise_by_themselves_at_the_one_some_way_off_unless_another_is_due(another) -> None:
    """SR 2023 No. 8 Sch 2 para 12, of crossings with a picture."""
    walk = Worked(REMOTE)
    walk.close_and_clear()
    walk.train("approaching")
    if another:
        walk.wait(0, "train_down", "approaching")
        assert walk.is_in(signal_down="proceed")
    walk.pass_train()
    assert walk.is_in(sequence="passing" if another else "raising")


@both_models
def test_the_reds_go_out_when_the_rise_begins(model: str) -> None:
    """SR 2023 No. 8 Sch 2 para 14: they flash until the barriers have begun to rise, off before 45 degrees."""
    walk = Worked(model)
    walk.close()
    walk.order_rise()
    walk.wait(1 - A_BIT)
    assert walk.is_in(barriers="lowered", road_lights="red")
    walk.wait(0, "barriers", "rising_below_45")
    assert walk.is_in(road_lights="dark")


@both_models
def test_a_train_passes_its_signal_at_danger_with_the_barriers_up(model: str) -> None:
    """SR 2023 No. 8 Sch 2 para 13: reds at once, no amber, the sound, and the barriers stay up."""
    walk = Worked(model, 1)
    walk.train("approaching")
    walk.train("sliding", after=6)
    assert walk.entries[RED] == 6 and AMBER not in walk.entries and walk.says("sounding")
    walk.press("lowers")
    walk.wait(60)
    assert walk.refuses(0, "barriers", "entrance_falling")
    walk.train("sliding_on_crossing")
    walk.wait(60)
    assert walk.refuses(0, "barriers", "entrance_falling")
    assert walk.is_in(barriers="raised", road_lights="red")


@pytest.mark.parametrize("into_red", [0, 3])
@both_models
def test_so_they_do_when_the_closing_has_begun(model: str, into_red: int) -> None:
    walk = Worked(model, 1)
    walk.train("approaching")
    walk.to_red()
    walk.train("sliding", after=into_red)
    walk.wait(60)
    assert walk.refuses(0, "barriers", "entrance_falling")
    assert walk.is_in(barriers="raised", road_lights="red")


@both_models
def test_both_reds_of_a_signal_fail_before_the_descent(model: str) -> None:
    """SR 2023 No. 8 Sch 2 para 15: the barriers stay up, and lowering from afar is no longer possible."""
    walk = Worked(model, 1)
    walk.train("approaching")
    walk.to_red()
    walk.wait(4 - A_BIT, "reds", "out")
    assert walk.refuses(A_BIT, "barriers", "entrance_falling")
    walk.release()
    walk.press("lowers", 60)
    assert walk.refuses(5, "barriers", "entrance_falling")
    walk.wait(60)
    assert walk.is_in(barriers="raised") and walk.signal == "danger"


@both_models
def test_both_reds_of_a_signal_fail_during_the_descent(model: str) -> None:
    walk = Worked(model, 1)
    walk.to_red()
    walk.wait(4, "barriers", "entrance_falling")
    walk.wait(A_BIT, "reds", "out")
    assert walk.refuses(10)
    walk.wait(10 - A_BIT, "barriers", "entrance_down")
    walk.wait(0, "barriers", "exit_falling")
    walk.wait(10, "barriers", "lowered")


@pytest.mark.parametrize("starts", [0, 1])
@both_models
def test_a_barrier_that_sticks_is_taken_for_failed_within_10_to_12_s(
    model: str, starts: int
) -> None:
    """SR 2023 No. 8 Sch 2 para 16: 10 s from the start of the rise and up to 2 s of relays; then the barriers
    stop where they are and the reds come on again. Para 17: until all are up or all are down."""
    walk = Worked(model, 1)
    walk.close()
    walk.order_rise()
    walk.wait(starts, "barriers", "rising_below_45")
    walk.wait(1, "barriers", "labouring")
    assert walk.is_in(road_lights="dark")
    left = 12 - starts - 1
    assert walk.refuses(left + A_BIT)
    walk.wait(left - A_BIT)
    assert walk.is_in(sequence="raising")
    walk.wait(A_BIT)
    assert 10 <= walk.between(("barriers", "rising_below_45"), ("sequence", "failed")) <= 12
    assert walk.is_in(sequence="failed", road_lights="red")
    assert walk.refuses(A_BIT)
    walk.wait(0, "barriers", "halted")
    walk.order_rise()
    walk.wait(600)
    assert walk.is_in(sequence="failed", barriers="halted", road_lights="red")
    walk.wait(0, "barriers", "raised")
    assert walk.is_in(sequence="open", road_lights="dark")


@pytest.mark.slow
@pytest.mark.parametrize(("limit", "verdict"), [("11 s", "proved"), ("10.99 s", "violated")])
def test_no_rise_is_taken_for_failed_before_10_s(tmp_path, limit, verdict) -> None:
    """SR 2023 No. 8 Sch 2 para 16. The watch begins with the order, the rise up to 1 s later."""
    model = DIRECT
    body = "    between: [barrier_rising, failure_shown]\n    at_least: 10 s\n"
    pack = one_demand(tmp_path, KINDS[model], body, "barrier_rising", "failure_shown", faults=1)
    changed = changed_model(tmp_path, model, {"parameters.rise_limit": limit})
    assert verdicts_of(changed, pack, {"demand"}) == {"demand": verdict}


@pytest.mark.slow
@pytest.mark.parametrize(("limit", "verdict"), [("12 s", "proved"), ("12.01 s", "violated")])
def test_no_rise_goes_on_for_more_than_12_s(tmp_path, limit, verdict) -> None:
    """The same para: 10 s and up to 2 s."""
    model = REMOTE
    body = "    lasts: barrier_rising and not failure_shown\n    at_most: 12 s\n"
    pack = one_demand(tmp_path, KINDS[model], body, "barrier_rising", "failure_shown", faults=1)
    changed = changed_model(tmp_path, model, {"parameters.rise_limit": limit})
    assert verdicts_of(changed, pack, {"demand"}) == {"demand": verdict}


RAISED_LATE = "not rise_failed and sequence is raising and barriers.are_raised"
ORDERED_UP = "not overrun and not rise_failed and sequence is open | raising"


@pytest.mark.slow
@pytest.mark.parametrize(
    ("demand", "out_when", "verdict"),
    [
        ("lights_red and entrance_rising_above_45", "", "proved"),
        ("lights_red and entrance_rising_above_45", RAISED_LATE, "violated"),
        ("lights_dark and road_closed", "", "proved"),
        ("lights_dark and road_closed", ORDERED_UP, "violated"),
    ],
)
@both_models
def test_the_reds_go_from_the_start_of_the_rise_to_45_degrees(
    tmp_path: Path, model: str, demand: str, out_when: str, verdict: str
) -> None:
    """SR 2023 No. 8 Sch 2 para 14, and the reds that go out when all are raised or when the rise is ordered."""
    place = "machines.road_lights.transitions[from=red].when"
    changed = changed_model(tmp_path, model, {place: out_when} if out_when else {})
    pack = one_demand(tmp_path, KINDS[model], f"    never: {demand}\n", *demand.split(" and "))
    assert verdicts_of(changed, pack, {"demand"}) == {"demand": verdict}
