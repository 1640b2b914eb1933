"""The concrete machine and the enumerator, written apart from one text, take the same steps."""

import random
from fractions import Fraction
from itertools import product

import pytest

from tests.differential.building import at, both, half_second_model, prop
from tests.differential.enumerator import Grid, State, enumerate_verdict
from tests.differential.random_models import random_model
from verifier.language.model import Form
from verifier.semantics.concrete import Concrete, held_name
from verifier.semantics.run import Step

GRAIN = 3
LONGEST = 5 * GRAIN


def as_grid_state(grid: Grid, snapshot) -> State:
    """The enumerator's state for a snapshot; ``held`` of windows of just 0 s is left to the grid."""
    return State(
        tuple(snapshot.locations[m.name] for m in grid.machines),
        tuple(grid.in_grains(snapshot.times[f"time {m.name}"]) for m in grid.machines),
        tuple(
            grid.in_grains(snapshot.times.get(held_name(t), Fraction(0))) for t in grid.with_held
        ),
        snapshot.spent,
    )


def without_clockless(grid: Grid, snapshot, state: State) -> State:
    held = tuple(
        value if held_name(t) in snapshot.times else 0 for t, value in zip(grid.with_held, state.held)
    )
    return state._replace(held=held)


def concrete_successors(concrete: Concrete, grid: Grid, snapshot):
    if not snapshot.is_settled:
        for step in concrete.settle_rounds(snapshot):
            yield step
        return
    longest = concrete.longest_delay(snapshot)
    for grains in range(LONGEST + 1):
        delay = Fraction(grains, GRAIN)
        if longest is not None and delay > longest:
            return
        options = [(None, *moves) for moves in concrete.choices(snapshot, delay).values()]
        for chosen in product(*options):
            moves = tuple(sorted((m for m in chosen if m), key=lambda move: move.machine))
            faults = sum(concrete.transition(m).fault is not None for m in moves)
            if (delay or moves) and snapshot.spent + faults <= concrete.budget:
                yield Step("world", delay, moves)


@pytest.mark.parametrize("seed", range(40))
def test_same_steps_from_every_state_of_random_walks(seed):
    budget = seed % 3
    checked = random_model(seed)
    concrete, chance = Concrete(checked, budget), random.Random(seed)
    grid = Grid(checked, GRAIN, budget, clip=False)
    grid.longest_wait = LONGEST
    snapshot = concrete.initial()
    for _ in range(12):
        state = as_grid_state(grid, snapshot)
        assert grid.is_settled(state) == snapshot.is_settled
        assert grid.can_pass(state) == snapshot.can_pass
        theirs = {
            (delay, frozenset((t.machine, t.index) for t in taken)): after
            for delay, taken, after in grid.steps(state)
        }
        ours = {
            (grid.in_grains(step.delay), frozenset((m.machine, m.transition) for m in step.moves)): step
            for step in concrete_successors(concrete, grid, snapshot)
        }
        assert theirs.keys() == ours.keys()
        if not ours:
            break
        for key, step in ours.items():
            after = concrete.take(snapshot, step)
            expected = without_clockless(grid, after, theirs[key])
            assert as_grid_state(grid, after) == expected, (snapshot, step)
        moving = [key for key in ours if key[1]] or list(ours)
        chosen = chance.choice(sorted(moving, key=lambda key: (key[0], sorted(key[1]))))
        snapshot = concrete.take(snapshot, ours[chosen])


def test_half_second_model_needs_half_seconds():
    """Section 4 of the contract: reachable in half-seconds, not in whole ones, however many steps."""
    saved = prop(Form.POSSIBLE, p=both(at("K1", "saved"), at("K2", "saved")))
    checked = half_second_model()
    assert enumerate_verdict(checked, saved, 12, grain=1).violated is False
    assert enumerate_verdict(checked, saved, 12, grain=2).length == 7
    assert enumerate_verdict(checked, saved, 7).length == 7
