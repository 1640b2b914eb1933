"""What random runs show of sets of faults, before an engine is asked."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from tests.commands.running import run
from tests.faults.test_faults import BY_HAND, ORDER, PAIRS
from verifier.engines.mirror import members_swapped
from verifier.evidence.replay import replay_trace
from verifier.evidence.verdicts import Bench
from verifier.language.granting import with_faults
from verifier.language.load import load
from verifier.semantics.concrete import Concrete
from verifier.semantics.run import Trace
from verifier.studies.fault_walks import fault_names, happened_upon, mirrored, spent_by, varied
from verifier.studies.faults import faults_of

HALF = "models/half_barriers.yaml"


def breaks_it(model, prop, faults, shown) -> bool:
    """Replayed afresh, with no other fault allowed."""
    steps = shown.run.steps
    claims = tuple(snapshot.locations for snapshot in shown.run.snapshots)
    again = replay_trace(with_faults(model, faults), prop, Trace(steps, claims), len(faults))
    return again.violating == len(steps) and spent_by(fault_names(model), shown.run, len(steps)) <= faults


@pytest.fixture(scope="module")
def pairs():
    return load(PAIRS)


def test_each_set_breaks_its_property_and_holds_one_found_by_hand(pairs) -> None:
    model, properties = pairs
    seen = happened_upon(model, properties, faults_of(model), ORDER, 0)
    assert {name for name, sets in seen.items() if sets} == set(BY_HAND)
    for prop in properties:
        for faults, shown in seen.get(prop.id, {}).items():
            assert any(one <= faults for one in BY_HAND[prop.id])
            assert breaks_it(model, prop, faults, shown)


def test_only_the_faults_allowed_happen(pairs) -> None:
    model, properties = pairs
    seen = happened_upon(model, properties, ["climbs_over"], ORDER, 0)
    assert {name: set(sets) for name, sets in seen.items() if sets} == {"nobody-there": {frozenset({"climbs_over"})}}


def test_what_breaks_one_line_is_shown_of_the_other() -> None:
    model, properties = load(HALF)
    up, down = (
        replace(next(p for p in properties if p.id == f"warning-27s[{track}]"), budget=1, faults_of=())
        for track in ("up", "down")
    )
    seen = happened_upon(model, [up], ["strike_in_up_stuck_false"], 1, 0)[up.id]
    assert set(seen) == {frozenset({"strike_in_up_stuck_false"})}
    shown = mirrored(model, up, down, seen.values(), 1)
    assert set(shown) == {frozenset({"strike_in_down_stuck_false"})}
    assert all(breaks_it(model, down, faults, trace) for faults, trace in shown.items())
    assert mirrored(model, up, next(p for p in properties if p.id == "reopens"), seen.values(), 1) == {}


def test_a_run_with_one_fault_in_the_place_of_another_shows_more_sets() -> None:
    """The strike-in may fail in other ways, and on the other line, to the same end."""
    model, properties = load(HALF)
    up = next(p for p in properties if p.id == "warning-27s[up]")
    up = replace(up, budget=1, faults_of=())
    first = frozenset({"strike_in_up_stuck_false"})
    shown = happened_upon(model, [up], first, 1, 0)[up.id][first]
    swap = members_swapped("up", "down")
    found = varied(Concrete(model, 1), up, first, shown, [swap], lambda faults: False)
    assert frozenset({"strike_in_up_frozen"}) in found and first not in found
    assert all(breaks_it(model, up, faults, trace) for faults, trace in found.items())
    known = varied(Concrete(model, 1), up, first, shown, [swap], lambda faults: True)
    assert known == {}
    down = replace(next(p for p in properties if p.id == "warning-27s[down]"), budget=1, faults_of=())
    other = varied(Concrete(model, 1), down, first, shown, [swap], lambda faults: True)
    assert set(other) == {frozenset({"strike_in_down_stuck_false"})}


@pytest.mark.parametrize("looks_ahead", [True, False])
def test_a_run_that_may_not_be_the_shortest_is_told_as_such(looks_ahead: bool, monkeypatch) -> None:
    if not looks_ahead:
        monkeypatch.setattr(Bench, "glimpsed", lambda self, prop, most: None)
    said = run("faults", PAIRS, "--order", "1", "--property", "nobody-there", "--jobs", "1", "--json")
    (one,) = json.loads(said.stdout)["properties"]
    assert {tuple(found["faults"]) for found in one["sets"]} == {("climbs_over",), ("gate_slips",)}
    assert all(found["shortest"] for found in one["sets"]) is looks_ahead
    text = run("faults", PAIRS, "--order", "1", "--property", "nobody-there", "--jobs", "1").stdout
    assert ("there may be shorter ones" in text) is not looks_ahead
