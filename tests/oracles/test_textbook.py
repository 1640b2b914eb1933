"""The railroad-crossing problems of the literature, with their published or derived verdicts.

B1 is "The Generalized Railroad Crossing", IEEE Real-Time Systems Symposium 1994; its instance, worked
by hand: epsilon1 10, epsilon2 15, gamma_down 3, gamma_up 4, beta 1. Lowering w after entry is safe just
when w + 3 <= 10. With w = 10 - 3 - 1 = 6 the barriers can be other than up from 6 to 15 s after entry,
so the smallest xi1 is 9, and the smallest xi2 is gamma_up, 4.
B2 is the train, gate and controller example of "A theory of timed automata" (1994), bounds inclusive:
lower at 1, down by 2, train in from 2 on. Lower to up takes at most (5 + 1 + 2) - 1 = 7 min; the gate
is down from 1 at the earliest to 6 at the latest, 5 min.
The half-second model is false in halves of its unit and true in whole ones; first_control and
second_control can both be saved at 0.5 and 1.25 s, say.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.oracles.judging import changed_pack, results_of, verdicts_of


@pytest.mark.parametrize(
    ("model", "property_id", "verdict"),
    [
        ("b1_generalized", "b1-safety", "proved"),
        ("b1_lowering_at_7", "b1-safety", "proved"),
        ("b1_lowering_at_8", "b1-safety", "violated"),
        ("b1_slow_barriers", "b1-safety", "violated"),
        ("b1_always_down", "b1-safety", "proved"),
        ("b1_always_down", "b1-utility", "violated"),
        ("b2_train_gate", "b2-safety", "proved"),
        ("b2_train_gate", "b2-closed-10min", "proved"),
        ("b2_train_gate", "b2-lower-to-up-7min", "proved"),
        ("b2_late_lowering", "b2-safety", "violated"),
        ("half_second", "never-both-saved", "violated"),
    ],
)
def test_published_verdict(model: str, property_id: str, verdict: str) -> None:
    assert verdicts_of(f"textbook/{model}.yaml", [], {property_id}) == {property_id: verdict}


@pytest.mark.whole
def test_utility_holds_at_the_smallest_tolerances() -> None:
    found = verdicts_of("textbook/b1_generalized.yaml", [], {"b1-utility"})
    assert found == {"b1-utility": "proved"}


@pytest.mark.parametrize(("old", "new"), [("xi1: 9 s", "xi1: 8.5 s"), ("xi2: 4 s", "xi2: 3.5 s")])
def test_utility_fails_below_the_smallest_tolerances(tmp_path: Path, old: str, new: str) -> None:
    packs = changed_pack(tmp_path, "textbook_b1.yaml", old, new)
    found = verdicts_of("textbook/b1_generalized.yaml", packs, {"b1-utility"})
    assert found == {"b1-utility": "violated"}


@pytest.mark.parametrize(
    ("property_id", "old", "new", "verdict"),
    [
        ("b2-lower-to-up-7min", "at_most: 7 min", "at_most: 6.5 min", "violated"),
        ("b2-closed-10min", "at_most: 10 min", "at_most: 5 min", "proved"),
        ("b2-closed-10min", "at_most: 10 min", "at_most: 4.5 min", "violated"),
    ],
)
def test_bounds_of_the_gate_are_tight(
    tmp_path: Path, property_id: str, old: str, new: str, verdict: str
) -> None:
    packs = changed_pack(tmp_path, "textbook_b2.yaml", old, new)
    found = verdicts_of("textbook/b2_train_gate.yaml", packs, {property_id})
    assert found == {property_id: verdict}


def test_half_second_needs_times_between_whole_seconds() -> None:
    result = results_of("textbook/half_second.yaml", [], {"never-both-saved"})["never-both-saved"]
    assert result.trace is not None
    assert any(step.delay.denominator > 1 for step in result.trace.run.steps)
