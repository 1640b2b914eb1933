"""The railroad-crossing problems of the literature, with their published or derived verdicts.

B1 is "The Generalized Railroad Crossing", IEEE Real-Time Systems Symposium 1994; its instance, worked
by hand: epsilon1 10, epsilon2 15, gamma_down 3, gamma_up 4, beta 1. Lowering w after entry is safe just
when w + 3 <= 10. With w = 10 - 3 - 1 = 6 the barriers can be other than up from 6 to 15 s after entry,
so the smallest xi1 is 9, and the smallest xi2 is gamma_up, 4. With gamma_down 11 > 10 only barriers that
are never raised are safe; those break utility, whatever gamma_down.
B2 is the train, gate and controller example of "A theory of timed automata" (1994), bounds inclusive:
lower at 1, down by 1 + 1 = 2, train in from 2 on, so safe just when lower comes by 1. Lower to up takes at
most (5 + 1 + 2) - 1 = 7 min; the gate is down from 1 at the earliest to 6 at the latest, 5 min, and
up again by 8, 7 min after it was down.
The half-second model is false in halves of its unit and true in whole ones; first_control and
second_control can both be saved at 0.5 and 1.25 s, say.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.differential.enumerator import enumerate_verdict
from tests.oracles.judging import (
    LIMITS,
    MODELS,
    changed_model,
    changed_pack,
    results_of,
    verdicts_of,
)
from verifier.evidence.pipeline import verify
from verifier.language.load import built_in_properties, load
from verifier.language.model import Form


@pytest.mark.parametrize(
    ("model", "property_id", "verdict"),
    [
        ("b1_generalized", "b1-safety", "proved"),
        pytest.param("b1_generalized", "b1-utility", "proved", marks=pytest.mark.slow),
        ("b1_lowering_at_7", "b1-safety", "proved"),
        ("flawed/b1_lowering_at_8", "b1-safety", "violated"),
        ("flawed/b1_slow_barriers", "b1-safety", "violated"),
        ("flawed/b1_slow_barriers", "b1-utility", "violated"),
        ("flawed/b1_always_down", "b1-safety", "proved"),
        ("flawed/b1_always_down", "b1-utility", "violated"),
        # up again in time to hide it from who counts only how long they are closed
        ("flawed/b1_dip", "b1-utility", "violated"),
        ("flawed/b1_dip", "b1-safety", "violated"),
        ("b2_train_gate", "b2-safety", "proved"),
        ("b2_train_gate", "b2-closed-10min", "proved"),
        ("b2_train_gate", "b2-down-to-up-10min", "proved"),
        ("b2_train_gate", "b2-lower-to-up-7min", "proved"),
        ("flawed/b2_late_lowering", "b2-safety", "violated"),
        ("flawed/half_second", "never-both-saved", "violated"),
    ],
)
def test_published_verdict(model: str, property_id: str, verdict: str) -> None:
    assert verdicts_of(f"textbook/{model}.yaml", [], {property_id}) == {property_id: verdict}


def test_what_an_observer_never_comes_to_is_not_dead() -> None:
    """The observer of the pack is there to see that the barriers are never closed too long."""
    model, properties = load(str(MODELS / "textbook/b1_generalized.yaml"))
    dead = [p for p in built_in_properties(model, properties) if p.form is Form.DEAD]
    assert [one.verdict for one in verify(model, dead, LIMITS).results] == ["proved"]


@pytest.mark.parametrize(
    ("model", "change", "property_id"),
    [
        # 7.01 + 3 > 10
        ("b1_lowering_at_7", {"parameters.wait": "7.01 s"}, "b1-safety"),
        # 7 + 3.01 > 10
        ("b1_lowering_at_7", {"parameters.gamma_down": "3.01 s"}, "b1-safety"),
        # 1.01 + 1 > 2
        ("b2_train_gate", {"parameters.to_lower": "1.01 min"}, "b2-safety"),
    ],
)
def test_safety_ends_at_the_boundary(
    tmp_path: Path, model: str, change: dict[str, str], property_id: str
) -> None:
    changed = changed_model(tmp_path, f"textbook/{model}.yaml", change)
    assert verdicts_of(changed, [], {property_id}) == {property_id: "violated"}


def test_barriers_too_slow_for_any_train_are_safe_when_never_raised(tmp_path: Path) -> None:
    """Once they are down, that is; so trains begin to come only then."""
    changed = changed_model(
        tmp_path,
        "textbook/flawed/b1_always_down.yaml",
        {
            "parameters.gamma_down": "11 s",
            "parameters.wait": "0 s",
            "machines.train_{track}.transitions[0]": "{from: outside, to: in_region, when: barriers is down}",
        },
    )
    assert verdicts_of(changed, [], {"b1-safety"}) == {"b1-safety": "proved"}


@pytest.mark.parametrize(("old", "new"), [("xi1: 9 s", "xi1: 8.99 s"), ("xi2: 4 s", "xi2: 3.99 s")])
def test_utility_fails_below_the_smallest_tolerances(tmp_path: Path, old: str, new: str) -> None:
    packs = changed_pack(tmp_path, "textbook_b1.yaml", old, new)
    found = verdicts_of("textbook/b1_generalized.yaml", packs, {"b1-utility"})
    assert found == {"b1-utility": "violated"}


@pytest.mark.parametrize(
    ("property_id", "old", "new", "verdict"),
    [
        ("b2-lower-to-up-7min", "at_most: 7 min", "at_most: 6.99 min", "violated"),
        (
            "b2-closed-10min",
            "gate_down\n    at_most: 10 min",
            "gate_down\n    at_most: 5 min",
            "proved",
        ),
        (
            "b2-closed-10min",
            "gate_down\n    at_most: 10 min",
            "gate_down\n    at_most: 4.99 min",
            "violated",
        ),
        ("b2-down-to-up-10min", "up]\n    at_most: 10 min", "up]\n    at_most: 7 min", "proved"),
        (
            "b2-down-to-up-10min",
            "up]\n    at_most: 10 min",
            "up]\n    at_most: 6.99 min",
            "violated",
        ),
    ],
)
def test_bounds_of_the_gate_are_tight(
    tmp_path: Path, property_id: str, old: str, new: str, verdict: str
) -> None:
    packs = changed_pack(tmp_path, "textbook_b2.yaml", old, new)
    found = verdicts_of("textbook/b2_train_gate.yaml", packs, {property_id})
    assert found == {property_id: verdict}


def test_at_exactly_2_min_the_train_may_come_before_the_gate(tmp_path: Path) -> None:
    """With inclusive bounds both come at 2 min, in either order; only what lasts is a hazard, so the
    form that judges every settled state tells the two apart."""
    strict = (
        "properties:\n"
        "  - id: down-when-the-train-comes\n"
        "    says: the gate is down at the moment the train comes in\n"
        "    source: derived from the bounds of the same example\n"
        "    at: train_inside\n"
        "    has_held: gate_down\n"
        "    at_least: 0 min\n"
    )
    packs = changed_pack(tmp_path, "textbook_b2.yaml", "properties:\n", strict)
    ids = {"down-when-the-train-comes", "b2-safety"}
    results = results_of("textbook/b2_train_gate.yaml", packs, ids)
    assert {name: result.verdict for name, result in results.items()} == {
        "down-when-the-train-comes": "violated",
        "b2-safety": "proved",
    }
    trace = results["down-when-the-train-comes"].trace
    assert trace is not None
    shots = trace.run.snapshots[: trace.violating + 1]
    came = max(i for i, shot in enumerate(shots) if shot.locations["train"] == "near") + 1
    assert shots[came].times["time train"] == 0
    assert shots[came - 1].times["time train"] + trace.run.steps[came - 1].delay == 120


def test_half_second_needs_times_between_whole_seconds() -> None:
    result = results_of("textbook/flawed/half_second.yaml", [], {"never-both-saved"})["never-both-saved"]
    assert result.trace is not None
    assert any(step.delay.denominator > 1 for step in result.trace.run.steps)


@pytest.mark.parametrize(("grain", "violated"), [(1, False), (2, True)])
def test_half_second_is_found_in_halves_and_not_in_whole_seconds(
    grain: int, violated: bool
) -> None:
    """By plain enumeration at that grain."""
    model, properties = load(str(MODELS / "textbook/flawed/half_second.yaml"))
    (asked,) = [p for p in properties if p.id == "never-both-saved"]
    assert enumerate_verdict(model, asked, 12, grain=grain).violated is violated
