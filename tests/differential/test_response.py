"""``eventually`` on small models whose answers are worked out by hand beside them."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import pytest

from tests.differential.building import at, away, both, go, machine, model, prop
from verifier.engines.limits import Allowance
from verifier.engines.loops import Loops
from verifier.engines.response import decide_response, in_seconds
from verifier.engines.study import Study
from verifier.evidence.recheck import Refused, recheck_certificate
from verifier.evidence.replay import replay_trace
from verifier.evidence.result import Disagreement, ReplayedTrace
from verifier.language.guard import FALSE, TRUE
from verifier.language.model import Form, Model, Property
from verifier.semantics.run import Certificate, Gap, Trace

TRAIN = machine(
    "T",
    "train",
    "far near over",
    [go("far", "near"), go("near", "over", after=(5, 9)), go("over", "far")],
)
LIGHTS = machine(
    "L",
    "control",
    "dark amber red",
    [
        go("dark", "amber", at("T", "near")),
        go("amber", "red", after=3),
        go("red", "dark", at("T", "far")),
    ],
)
BARRIER = machine(
    "B",
    "equipment",
    "up down",
    [go("up", "down", at("L", "red"), held=(2, 4)), go("down", "up", at("L", "dark"))],
)
# On for 1 s and off for 1 s, for ever.
BLINKER = machine("N", "equipment", "on off", [go("on", "off", after=1), go("off", "on", after=1)])
# Three states, 1 s each.
TURNER = machine(
    "M", "equipment", "a b c", [go("a", "b", after=1), go("b", "c", after=1), go("c", "a", after=1)]
)


def eventually(p, q, r=FALSE) -> Property:
    return prop(Form.EVENTUALLY, p=p, q=q, r=r)


def bound_of(checked: Model, asked: Property, budget: int = 0) -> Fraction:
    """The bound of the certificate, which the second solver has confirmed."""
    found = decide_response(Study(checked, budget, Allowance(60)), asked)
    assert isinstance(found, Certificate), found
    recheck_certificate(checked, asked, found, budget=budget)
    assert found.bound is not None
    return found.bound


def loop_of(checked: Model, asked: Property, budget: int = 0) -> tuple[ReplayedTrace, Fraction]:
    """The counterexample as the concrete machine took it, and how long a turn of its loop lasts."""
    found = decide_response(Study(checked, budget, Allowance(60)), asked)
    assert isinstance(found, Trace), found
    shown = replay_trace(checked, asked, found, budget)
    assert shown.loop is not None
    snapshots = shown.run.snapshots
    return shown, snapshots[-1].time - snapshots[shown.loop].time


def test_a_deadline_is_an_answer() -> None:
    assert bound_of(model(TRAIN), eventually(at("T", "near"), at("T", "over"))) == 9


def test_a_train_without_a_deadline_may_stay_for_ever() -> None:
    shown, _ = loop_of(model(TRAIN), eventually(at("T", "over"), at("T", "far")))
    *_, last = shown.run.steps
    assert last.moves == () and shown.loop == len(shown.run.steps) - 1
    over = [shot.locations["T"] == "over" for shot in shown.run.snapshots]
    assert shown.onset == over.index(True) and all(over[shown.onset :])


def test_nothing_need_ever_happen() -> None:
    """P is true in the first state, which is its onset (6.3), and no train need come."""
    shown, _ = loop_of(model(TRAIN), eventually(at("T", "far"), at("T", "near")))
    assert (shown.onset, shown.loop, len(shown.run.steps)) == (0, 0, 1)


def test_an_answer_through_several_machines() -> None:
    """Amber for 3 s, then the barrier within 4 s, if the train stays until then: at 5 s it may be over
    and gone, the light out, and the barrier still up."""
    amber, down = at("L", "amber"), at("B", "down")
    loop_of(model(TRAIN, LIGHTS, BARRIER), eventually(amber, down))
    stays = replace(TRAIN, transitions=TRAIN.transitions[:2])
    assert bound_of(model(stays, LIGHTS, BARRIER), eventually(amber, down)) == 7


def test_an_answer_in_the_trigger_s_own_settled_state() -> None:
    """The light comes on in the settle that the train begins."""
    checked = model(TRAIN, LIGHTS)
    assert bound_of(checked, eventually(at("T", "near"), away("L", "dark"))) == 0


def test_what_is_true_only_within_a_settle_is_no_answer() -> None:
    relay = machine("C", "control", "c0 c1 c2", [go("c0", "c1", at("T", "near")), go("c1", "c2")])
    shown, _ = loop_of(model(TRAIN, relay), eventually(at("T", "near"), at("C", "c1")))
    assert any(shot.locations["C"] == "c1" for shot in shown.run.snapshots)


def test_going_round_within_no_time_denies_nobody_an_answer() -> None:
    """Z may go to and fro for ever at one instant; but time does not diverge then (12.1)."""
    restless = machine("Z", "operator", "a b", [go("a", "b"), go("b", "a")])
    assert bound_of(model(TRAIN, restless), eventually(at("T", "near"), at("T", "over"))) == 9
    pulled = machine("T", "train", "near over", [go("near", "over", at("Z", "b"), after=(1, 2))])
    # Only while Z is b at 2 s is T obliged; Z may always be back in a by then.
    loop_of(model(pulled, restless), eventually(at("T", "near"), at("T", "over")))


def test_a_loop_of_steps_where_waiting_is_limited() -> None:
    """The blinker goes on for ever, so no state may be waited in; it is back after 2 s."""
    shown, lasts = loop_of(model(TRAIN, BLINKER), eventually(at("T", "far"), at("T", "over")))
    assert lasts == 2 and len(shown.run.steps) - shown.loop == 2


def test_two_rhythms_are_together_again_after_their_common_multiple() -> None:
    checked = model(TRAIN, BLINKER, TURNER)
    _, lasts = loop_of(checked, eventually(at("T", "far"), at("T", "over")))
    assert lasts == 6
    # Within 6 s every pair has been seen: N off with M in c first at 5 s.
    assert bound_of(checked, eventually(at("T", "far"), both(at("N", "off"), at("M", "c")))) <= 6


def test_times_past_all_they_are_compared_with_need_not_come_back() -> None:
    """W may go from 5 s on; its time only grows, but nothing asks for it once it is past 5 s."""
    waiter = machine("W", "equipment", "here gone", [go("here", "gone", after=(5, None))])
    for machines in ((waiter,), (waiter, BLINKER)):
        shown, lasts = loop_of(model(*machines), eventually(TRUE, at("W", "gone")))
        begins, ends = shown.run.snapshots[shown.loop], shown.run.snapshots[-1]
        assert (
            begins.times["time W"] >= 5 and ends.times["time W"] == begins.times["time W"] + lasts
        )


def test_what_must_be_held_is_answered_only_if_it_is_held_long_enough() -> None:
    """W goes once G has held for 3 s. G may end at 3 s without W having gone, but not later."""
    due = machine("W", "equipment", "here gone", [go("here", "gone", at("G", "on"), held=3)])
    asked = eventually(TRUE, at("W", "gone"))

    def with_signal(least: Fraction) -> Model:
        on_off = [go("off", "on", after=(0, 2)), go("on", "off", after=(least, 5))]
        return model(due, machine("G", "equipment", "off on", on_off))

    for least in (Fraction(0), Fraction(3)):
        _, lasts = loop_of(with_signal(least), asked)
        assert lasts > 0
    assert bound_of(with_signal(Fraction(31, 10)), asked) == 5


def test_an_excuse_takes_back_the_demand() -> None:
    """A train at rest on the crossing keeps the light red; nothing else does."""
    checked = model(TRAIN, LIGHTS)
    loop_of(checked, eventually(at("L", "red"), at("L", "dark")))
    assert bound_of(checked, eventually(at("L", "red"), at("L", "dark"), at("T", "over"))) == 6


def test_every_onset_counts() -> None:
    """The first demand is always answered, the second need not be."""
    once = machine(
        "S",
        "equipment",
        "asks one asks_again two",
        [
            go("asks", "one", after=(1, 2)),
            go("one", "asks_again", after=1),
            go("asks_again", "two"),
        ],
    )
    shown, _ = loop_of(
        model(once), eventually(at("S", "asks", "asks_again"), at("S", "one", "two"))
    )
    assert shown.run.snapshots[shown.onset].locations["S"] == "asks_again"


def test_a_fault_that_the_budget_pays_for() -> None:
    jams = machine(
        "B",
        "equipment",
        "up down jammed",
        [go("up", "down", after=(4, 6)), go("up", "jammed", fault="jams")],
    )
    asked = eventually(at("B", "up"), at("B", "down"))
    assert bound_of(model(jams), asked) == 6
    shown, _ = loop_of(model(jams), asked, budget=1)
    assert shown.run.snapshots[-1].spent == 1


def test_a_fault_can_not_be_spent_in_every_turn() -> None:
    """Each slip starts the movement again; with one or two slips it still arrives."""
    slips = machine(
        "B",
        "equipment",
        "moving there",
        [go("moving", "there", after=(4, 6)), go("moving", "moving", fault="slips")],
    )
    asked = eventually(at("B", "moving"), at("B", "there"))
    assert [bound_of(model(slips), asked, budget) for budget in range(3)] == [6, 12, 18]


def test_a_loop_whose_turns_all_differ_is_undecided() -> None:
    """W moves once in each second of X, each time less than 1 s after the last: ever earlier in the second,
    for ever, but no two states are alike (12.7). A proof would be wrong."""
    checked = model(
        machine("X", "equipment", "x0 x1", [go("x0", "x1", after=1), go("x1", "x0", after=1)]),
        machine(
            "W", "train", "w0 w1", [go("w0", "w1", at("X", "x0")), go("w1", "w0", at("X", "x1"))]
        ),
        machine(
            "M", "control", "m0 m1", [go("m0", "m1", at("W", "w1")), go("m1", "m0", at("W", "w0"))]
        ),
        machine(
            "K",
            "control",
            "a b fired",
            [
                go("a", "b", at("M", "m1")),
                go("b", "a", at("M", "m0")),
                go("a", "fired", after=1),
                go("b", "fired", after=1),
            ],
        ),
    )
    found = decide_response(Study(checked, 0, Allowance(120)), eventually(TRUE, at("K", "fired")))
    assert isinstance(found, Gap)
    assert "no run was found that goes round for ever" in found.reason


@pytest.mark.parametrize("seconds", [Fraction(0), Fraction(17, 2), Fraction(9)])
def test_a_certificate_proves_its_bound_and_no_less(seconds: Fraction) -> None:
    checked, asked = model(TRAIN), eventually(at("T", "near"), at("T", "over"))
    found = decide_response(Study(checked, 0, Allowance(60)), asked)
    assert isinstance(found, Certificate)
    if seconds >= 9:
        assert (
            "no bad state"
            in recheck_certificate(checked, asked, replace(found, bound=seconds)).obligations
        )
        return
    with pytest.raises(Refused) as caught:
        recheck_certificate(checked, asked, replace(found, bound=seconds))
    assert (caught.value.kind, caught.value.obligation) == ("sat", "no bad state")


def test_a_loop_that_forgets_the_times_is_refused_by_replay(monkeypatch) -> None:
    """Planted: the engine takes any return to the same places for a loop."""
    checked, asked = model(TRAIN, BLINKER), eventually(at("T", "near"), at("T", "over"))
    took_time = Loops._alike

    def careless(self, frames, there, begin, end):
        return took_time(self, frames, there, begin, end)[:1]

    monkeypatch.setattr(Loops, "_alike", careless)
    found = decide_response(Study(checked, 0, Allowance(60)), asked)
    assert isinstance(found, Trace)
    with pytest.raises(Disagreement, match="second time|does not bear on"):
        replay_trace(checked, asked, found)


def test_a_bound_is_told_in_decimals_where_that_is_exact() -> None:
    told = [in_seconds(Fraction(*time)) for time in ((9, 1), (33, 2), (1, 3), (1000000, 1))]
    assert told == ["9 s", "16.5 s", "1/3 s", "1000000 s"]


def test_out_of_time_is_a_gap() -> None:
    study = Study(model(TRAIN), 0, Allowance(60))
    study.allowance.seconds = 0.0
    found = decide_response(study, eventually(at("T", "near"), at("T", "over")))
    assert isinstance(found, Gap) and "time limit" in found.reason
