"""A counterexample without what it does not need.

The engine's shortest run may let machines move that have no part in the story, and at times like 1071046/15367 s.
Here moves of the world are left out one by one on the concrete machine, then times made round, and the run is kept
so as long as it still breaks (or shows) the property in no more steps.
"""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from itertools import accumulate
from math import ceil, floor

from verifier.evidence.judge import judge
from verifier.evidence.judgement import Unjudged
from verifier.evidence.replay import replayed_run
from verifier.evidence.result import ReplayedTrace
from verifier.language.model import Property
from verifier.semantics.concrete import Concrete, NotAllowed
from verifier.semantics.run import Move, Run, Step

# Of times, in seconds; the roundest first.
GRAINS = (Fraction(1), Fraction(1, 2), Fraction(1, 10), Fraction(1, 100))


def quietened(concrete: Concrete, prop: Property, shown: ReplayedTrace) -> ReplayedTrace:
    """``shown`` without the moves of the world that can be left out one after another, waits in one piece, at round
    times where it can be.

    Whole machines are tried first, then single moves, the last ones first. A trace with a loop is
    left as it is.
    """
    if shown.loop is not None:
        return shown
    fewer = _with_fewer_waits(concrete, prop, _with_fewer_moves(concrete, prop, shown))
    return _at_round_times(concrete, prop, fewer)


def _with_fewer_moves(concrete: Concrete, prop: Property, shown: ReplayedTrace) -> ReplayedTrace:
    best = shown
    for left_out in _worth_trying(world_steps(shown.run)):
        acts = world_steps(best.run)
        fewer = [without(act, number, left_out) for number, act in enumerate(acts)]
        if fewer != acts:
            best = _instead(concrete, prop, best, fewer) or best
    return best


def _with_fewer_waits(concrete: Concrete, prop: Property, shown: ReplayedTrace) -> ReplayedTrace:
    """Steps in which only time passes as part of the next, where that can be."""
    best, number = shown, 0
    while number + 1 < len(acts := world_steps(best.run)):
        wait, then = acts[number], acts[number + 1]
        longer = Step(then.kind, wait.delay + then.delay, then.moves)
        merged = None
        if not wait.moves:
            merged = _instead(concrete, prop, best, [*acts[:number], longer, *acts[number + 2 :]])
        best, number = merged or best, number + (merged is None)
    return best


def _instead(
    concrete: Concrete, prop: Property, shown: ReplayedTrace, acts: list[Step]
) -> ReplayedTrace | None:
    """The run with ``acts`` as its world steps, if it is one and breaks (or shows) the property like ``shown``."""
    other = led_on(concrete, acts, shown.run)
    try:
        judgement = None if other is None else judge(concrete, prop, other)
    except Unjudged:
        return None  # the run as it was has been judged
    if other is None or judgement is None or judgement.further:
        return None
    return replayed_run(concrete, other, judgement)


def _at_round_times(concrete: Concrete, prop: Property, shown: ReplayedTrace) -> ReplayedTrace:
    """One world step after another at the roundest time it can have: alone, or together with later ones, first those
    that keep a whole number of seconds from it."""
    best = shown
    for number in range(len(world_steps(shown.run))):
        for delays in _rounder(_times(world_steps(best.run)), number):
            acts = world_steps(best.run)
            retimed = [Step(act.kind, delay, act.moves) for act, delay in zip(acts, delays)]
            found = _instead(concrete, prop, best, retimed)
            if found is not None:
                best = found
                break
    return best


def _times(acts: list[Step]) -> list[Fraction]:
    return list(accumulate(act.delay for act in acts))


def _rounder(times: list[Fraction], number: int) -> Iterator[list[Fraction]]:
    """Delays of world steps with step ``number`` at a rounder time than in ``times``, the roundest first."""
    old = times[number]
    for grain in GRAINS:
        if (old / grain).denominator == 1:
            return
        for new in (floor(old / grain) * grain, ceil(old / grain) * grain):
            by = new - old
            alone = {number}
            alike = {n for n in range(number, len(times)) if (times[n] - old).denominator == 1}
            later = set(range(number, len(times)))
            tried: list[set[int]] = []
            for moved in (alone, alike, later):
                shifted = [time + by if n in moved else time for n, time in enumerate(times)]
                delays = [after - before for before, after in zip([Fraction(0), *shifted], shifted)]
                if moved not in tried and min(delays) >= 0:
                    tried.append(moved)
                    yield delays


def world_steps(run: Run) -> list[Step]:
    return [step for step in run.steps if step.kind == "world"]


def _worth_trying(acts: list[Step]) -> Iterator[frozenset[tuple[int, Move]]]:
    """Sets of moves, each with the number of its world step."""
    moves = [(number, move) for number, act in enumerate(acts) for move in act.moves]
    for machine in sorted({move.machine for _, move in moves}):
        yield frozenset(one for one in moves if one[1].machine == machine)
    for one in reversed(moves):
        first, move = one
        yield frozenset(o for o in moves if o[0] >= first and o[1].machine == move.machine)
        yield frozenset({one})


def without(act: Step, number: int, left_out: frozenset[tuple[int, Move]]) -> Step:
    kept = tuple(move for move in act.moves if (number, move) not in left_out)
    return Step(act.kind, act.delay, kept)


def led_on(concrete: Concrete, acts: list[Step], model: Run) -> Run | None:
    """A run with these world steps, in which control does what follows from them; it ends settled
    if ``model`` does. None when it is no run or takes more steps than ``model``. It is ``model`` itself
    up to the first world step that is another."""
    acts_at = [place for place, step in enumerate(model.steps) if step.kind == "world"]
    same = next(n for n, place in enumerate(acts_at) if acts[n : n + 1] != [model.steps[place]])
    taken = list(model.steps[: acts_at[same]])
    snapshots = list(model.snapshots[: acts_at[same] + 1])
    most = len(model.steps)

    def take(step: Step) -> None:
        snapshots.append(concrete.take(snapshots[-1], step))
        taken.append(step)

    def settle() -> None:
        while not snapshots[-1].is_settled and len(taken) < most:
            take(next(concrete.settle_rounds(snapshots[-1])))

    try:
        for act in acts[same:]:
            settle()
            take(act)
        if model.steps[-1].kind == "settle":
            settle()
    except NotAllowed:
        return None
    return Run(tuple(taken), tuple(snapshots)) if len(taken) <= most else None
