"""A counterexample without what it does not need.

The engine's shortest run may let machines move that have no part in the story. Here moves of the
world are left out one by one on the concrete machine, and the run is kept without them as long as it
still breaks (or shows) the property in no more steps.
"""

from __future__ import annotations

from collections.abc import Iterator

from verifier.evidence.judge import judge
from verifier.evidence.replay import replayed_run
from verifier.evidence.result import ReplayedTrace
from verifier.language.model import Property
from verifier.semantics.concrete import Concrete, NotAllowed
from verifier.semantics.run import Move, Run, Step


def quietened(concrete: Concrete, prop: Property, shown: ReplayedTrace) -> ReplayedTrace:
    """``shown`` with as few moves of the world as can be left out one after another.

    Whole machines are tried first, then single moves, the last ones first. A trace with a loop is
    left as it is.
    """
    if shown.loop is not None:
        return shown
    best = shown
    for left_out in _worth_trying(world_steps(shown.run)):
        acts = world_steps(best.run)
        fewer = [without(act, number, left_out) for number, act in enumerate(acts)]
        if fewer == acts:
            continue
        quieter = led_on(concrete, fewer, best.run)
        judgement = None if quieter is None else judge(concrete, prop, quieter)
        if judgement is not None and not judgement.further:
            best = replayed_run(concrete, quieter, judgement)
    return best


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
    same = next(n for n, place in enumerate(acts_at) if acts[n] != model.steps[place])
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
