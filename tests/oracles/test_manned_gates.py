"""Gates that a keeper swings by hand, without and with road traffic lights.

Nothing published was read of these kinds but where their gates may rest. That the gates are locked across the
road before a signal clears, and given free only with the signals at danger and the approach lock free, is from
memory of Railway Safety Publication 7 (2011), and of other crossings it is NR/L2/SIG/11201 Mod X22; so are amber
and red before the gates move, and reds that go out when the road is open. The time of amber is SI 2016/362 Sch
14 Pt 1 para 8. The 120 s of the approach lock are common practice, no published source.
"""

from __future__ import annotations

import pytest

from tests.oracles.judging import changed_model, one_demand, verdicts_of
from tests.oracles.test_statutory_windows import A_BIT, AMBER
from tests.oracles.walking import OfOneLine

KINDS = {"manned_gates.yaml": "MG", "manned_gates_lights.yaml": "MG-RTL"}
PLAIN, LIT = KINDS
TRACK = {PLAIN: "up", LIT: "single"}
both_models = pytest.mark.parametrize("model", KINDS)


class Kept(OfOneLine):
    """The gates from their rest, with what the keeper and the trains of one line do."""

    def __init__(self, model: str, budget: int = 0):
        super().__init__(model, TRACK[model], budget)
        self.amber = 3 if model == LIT else 0

    def keeper(self, state: str) -> None:
        self.wait(0, "keeper", state)

    def gates(self, *states: str) -> None:
        for state in states:
            self.wait(0, "gates", state)

    def close(self) -> None:
        self.keeper("closes_road")
        self.wait(self.amber)
        self.gates("swinging", "across_road")

    def lock_gates(self) -> None:
        self.close()
        self.keeper("pulls_lever")


@both_models
def test_the_gates_rest_across_the_railway_with_the_signals_at_danger(model: str) -> None:
    """The normal position is part of a model: infrastructure manager's page, "Types of Level Crossing"."""
    walk = Kept(model)
    walk.train("approaching")
    walk.wait(600)
    assert walk.is_in(gates="across_railway", gate_lock="free") and walk.signal == "danger"
    assert walk.refuses(0, "gates", "swinging")


@both_models
def test_the_signal_waits_for_the_gates_and_their_lock(model: str) -> None:
    walk = Kept(model)
    walk.train("approaching")
    walk.keeper("closes_road")
    walk.wait(walk.amber)
    for state in ("swinging", "across_road"):
        assert walk.refuses(0, "keeper", "pulls_lever")
        walk.gates(state)
        walk.wait(600)
        assert walk.signal == "danger"
    walk.keeper("pulls_lever")
    assert walk.is_in(gate_lock="locked") and walk.signal == "proceed"


@both_models
def test_the_lever_stays_back_while_the_keeper_sees_somebody_between_the_gates(model: str) -> None:
    walk = Kept(model)
    walk.wait(0, "vehicle", "committed")
    walk.wait(0, "vehicle", "on_crossing")
    walk.close()
    assert walk.refuses(600, "keeper", "pulls_lever")


@both_models
def test_gates_that_are_locked_do_not_move(model: str) -> None:
    walk = Kept(model)
    walk.lock_gates()
    walk.train("approaching")
    walk.keeper("opens_road")
    assert walk.is_in(gate_lock="locked") and walk.signal == "danger"
    assert walk.refuses(60, "gates", "swinging")


@both_models
def test_a_signal_put_back_holds_the_gates_for_the_approach_lock(model: str) -> None:
    walk = Kept(model)
    walk.lock_gates()
    walk.train("approaching")
    assert (walk.signal, walk.lock) == ("proceed", "locked")
    walk.keeper("opens_road")
    assert (walk.signal, walk.lock) == ("danger", "timing")
    assert walk.refuses(120 + A_BIT)
    walk.wait(120 - A_BIT)
    assert walk.is_in(gate_lock="locked")
    assert walk.refuses(0, "gates", "swinging")
    walk.wait(A_BIT)
    assert walk.lock == "free" and walk.is_in(gate_lock="free")
    walk.gates("swinging", "across_railway")


@both_models
def test_a_train_that_has_passed_and_traversed_gives_the_gates_free_at_once(model: str) -> None:
    walk = Kept(model)
    walk.lock_gates()
    walk.train("approaching", "committed")
    walk.wait(60, f"train_{walk.track}", "past_signal")
    walk.keeper("opens_road")
    walk.wait(30, f"train_{walk.track}", "on_crossing")
    walk.wait(200)
    assert walk.is_in(gate_lock="locked")
    assert walk.refuses(0, "gates", "swinging")
    walk.train("away")
    assert walk.lock == "free" and walk.is_in(gate_lock="free")


def test_both_lines_give_the_gates_free() -> None:
    walk = Kept(PLAIN)
    walk.lock_gates()
    walk.train("approaching", "committed")
    walk.wait(0, "train_down", "approaching")
    walk.wait(60, "train_up", "past_signal")
    walk.keeper("opens_road")
    walk.wait(30, "train_up", "on_crossing")
    walk.train("away")
    assert walk.is_in(lock_up="free", lock_down="timing", gate_lock="locked")
    assert walk.refuses(0, "gates", "swinging")
    walk.wait(90)
    assert walk.is_in(lock_down="free", gate_lock="free")


@both_models
def test_each_closing_asks_for_the_lever_again(model: str) -> None:
    walk = Kept(model)
    walk.lock_gates()
    walk.keeper("opens_road")
    walk.gates("swinging", "across_railway")
    walk.train("approaching")
    walk.close()
    assert walk.signal == "danger"
    walk.keeper("pulls_lever")
    assert walk.signal == "proceed"


def test_the_gates_wait_for_the_reds_and_the_reds_for_3_s_of_amber() -> None:
    walk = Kept(LIT)
    walk.wait(60, "keeper", "closes_road")
    assert walk.entries[AMBER] == 60
    assert walk.refuses(0, "gates", "swinging")
    assert walk.refuses(3 - A_BIT, "gates", "swinging")
    assert walk.refuses(3 + A_BIT)
    walk.wait(3)
    assert walk.between(AMBER, ("road_lights", "red")) == 3
    walk.gates("swinging")


def test_the_reds_go_out_when_the_gates_are_home_and_not_before() -> None:
    walk = Kept(LIT)
    walk.close()
    walk.keeper("opens_road")
    for state in ("swinging", "across_railway"):
        walk.wait(60)
        assert walk.is_in(road_lights="red")
        walk.gates(state)
    assert walk.is_in(road_lights="dark")


def test_amber_that_was_needless_lasts_its_time_and_no_red_follows() -> None:
    walk = Kept(LIT)
    walk.keeper("closes_road")
    walk.wait(1, "keeper", "opens_road")
    assert walk.is_in(road_lights="amber")
    assert walk.refuses(2 + A_BIT)
    walk.wait(2)
    assert walk.is_in(road_lights="dark")


@pytest.mark.parametrize(
    ("bound", "amber", "verdict"),
    [
        ("at_least: 2.75 s", "2.75 s", "proved"),
        ("at_least: 2.75 s", "2.74 s", "violated"),
        ("at_most: 3.25 s", "3.25 s", "proved"),
        ("at_most: 3.25 s", "3.26 s", "violated"),
    ],
)
def test_amber_lasts_3_s_or_a_quarter_less_or_more(tmp_path, bound, amber, verdict) -> None:
    """SI 2016/362 Sch 14 Pt 1 para 8(3) and (4): 3 s, accepted from 2.75 to 3.25 s."""
    pack = one_demand(
        tmp_path, KINDS[LIT], f"    lasts: lights_amber\n    {bound}\n", "lights_amber"
    )
    changed = changed_model(tmp_path, LIT, {"parameters.amber": amber})
    assert verdicts_of(changed, pack, {"demand"}) == {"demand": verdict}


@pytest.mark.parametrize(("at_least", "verdict"), [("3 s", "proved"), ("3.01 s", "violated")])
def test_no_gate_leaves_the_railway_before_the_lights_have_shown_for_3_s(
    tmp_path, at_least: str, verdict: str
) -> None:
    body = "    at: not gates_across_railway\n    has_held: not lights_dark\n"
    body += f"    at_least: {at_least}\n"
    pack = one_demand(tmp_path, KINDS[LIT], body, "gates_across_railway", "lights_dark")
    assert verdicts_of(LIT, pack, {"demand"}) == {"demand": verdict}
