"""Random runs of the concrete machine, steered to both ends of every transition's window.

A blind walk seldom gets deep into an interlocking. This one keeps count of what it has covered,
prefers moves and delays that would cover something new, and starts half of its runs from where
something new was met before. The same seed gives the same runs.
"""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Iterable, Sequence
from fractions import Fraction

from verifier.language.model import Model, Transition
from verifier.semantics.concrete import ZERO, Concrete, held_name
from verifier.semantics.concrete_guard import compile_guard
from verifier.semantics.run import Move, Run, Snapshot, Step

# An end of a window: machine, number of the transition, and "taken", "earliest" or "latest".
End = tuple[str, int, str]

# Delays fall on these parts of a second, so that times keep small denominators.
_GRAINS = (1, 2, 3, 4, 7, 10)
_JUST = Fraction(1, 16)


def window_ends(model: Model, budget: int) -> frozenset[End]:
    """What a walk tries to cover: for each transition that the budget can pay for, that it is taken;
    for one of the world with a window also at the earliest moment; and for one that obliges also
    at the latest."""
    ends = set()
    for machine in model.machines:
        for transition in machine.transitions:
            if transition.fault is not None and budget == 0:
                continue
            ends.add((machine.name, transition.index, "taken"))
            if not machine.is_control and (transition.after or transition.held):
                ends.add((machine.name, transition.index, "earliest"))
                if _obliges(transition):
                    ends.add((machine.name, transition.index, "latest"))
    return frozenset(ends)


class Ends:
    """Tells which ends the steps of a run reach; made once for a model.

    ``earliest`` is the first moment at which the transition is enabled, be it that its window opens or
    that its guard comes true later; ``latest`` is a moment at which it is due.
    """

    def __init__(self, model: Model):
        self._transitions = {
            Move(machine.name, transition.index): transition
            for machine in model.machines
            for transition in machine.transitions
        }
        self._guards = {move: compile_guard(t.when) for move, t in self._transitions.items()}

    def of_step(self, snapshots: Sequence[Snapshot], step: Step, number: int) -> list[End]:
        """Ends that ``step``, taken from ``snapshots[number]``, reaches."""
        found = []
        for move in step.moves:
            found.append((move.machine, move.transition, "taken"))
            measured = _measured(self._transitions[move], snapshots[number])
            if step.kind == "settle" or not measured:
                continue
            wait = max(ZERO, *(lo - now for now, lo, _hi in measured))
            if step.delay == wait and not (
                wait == 0 and self._was_open_before(move, snapshots, number)
            ):
                found.append((move.machine, move.transition, "earliest"))
            due = all(hi is not None and now + step.delay >= hi for now, _lo, hi in measured)
            if due and _obliges(self._transitions[move]):
                found.append((move.machine, move.transition, "latest"))
        return found

    def _was_open_before(self, move: Move, snapshots: Sequence[Snapshot], number: int) -> bool:
        """Whether the transition has been enabled for some time in ``snapshots[number]``."""
        here = snapshots[number]
        while number > 0 and snapshots[number].time == here.time:
            number -= 1
        earlier = snapshots[number]
        passed = here.time - earlier.time
        if here.times[f"time {move.machine}"] < passed:
            return False
        waits = (lo - now for now, lo, _hi in _measured(self._transitions[move], earlier))
        return self._guards[move](earlier.locations) and all(wait < passed for wait in waits)


def ends_reached(model: Model, runs: Iterable[Run]) -> frozenset[End]:
    """Every end that a step of ``runs`` reaches."""
    ends = Ends(model)
    return frozenset(
        end
        for run in runs
        for number, step in enumerate(run.steps)
        for end in ends.of_step(run.snapshots, step, number)
    )


def random_runs(
    model: Model,
    *,
    budget: int = 0,
    runs: int = 100,
    depth: int = 60,
    seed: int = 0,
    start: Run | None = None,
) -> tuple[Run, ...]:
    """Runs of the concrete machine from the initial state.

    Parameters
    ----------
    model : Model
        Checked model.
    budget : int
        Faults allowed in each run.
    runs, depth : int
        Number of runs and most steps in each, >= 1. A run ends earlier where nothing can go on.
    seed : int
        Same seed, same runs.
    start : Run, optional
        A run of this model with which all of them begin; its steps count among ``depth``.

    Notes
    -----
    ``specs/semantics.md`` section 5. What the runs did not reach is no claim that it can't be.
    """
    walk = _Walk(model, budget, depth, random.Random(seed), start)
    return tuple(walk.one_run() for _ in range(runs))


class _Walk:
    def __init__(
        self, model: Model, budget: int, depth: int, chance: random.Random, start: Run | None
    ):
        self.ends = Ends(model)
        self.concrete = Concrete(model, budget)
        self.start = start or Run((), (self.concrete.initial(),))
        self.depth = depth
        self.chance = chance
        self.uncovered = set(window_ends(model, budget))
        self.taken: Counter[Move] = Counter()
        self.visited: set[tuple[str, ...]] = set()
        self.beginnings: list[tuple[list[Step], list[Snapshot]]] = []
        self.world = [
            (transition, compile_guard(transition.when))
            for machine in model.machines
            if not machine.is_control
            for transition in machine.transitions
        ]

    def one_run(self) -> Run:
        steps, snapshots = list(self.start.steps), list(self.start.snapshots)
        if self.beginnings and self.chance.random() < 0.5:
            # The latest discoveries lie deepest; older ones keep their chance.
            first = self.chance.randrange(len(self.beginnings))
            chosen = self.beginnings[max(first, self.chance.randrange(len(self.beginnings)))]
            steps, snapshots = list(chosen[0]), list(chosen[1])
        idle = 0
        while len(steps) < self.depth and idle < 3:
            before = snapshots[-1]
            step = self._world_step(before) if before.is_settled else self._settle_round(before)
            after = self.concrete.take(before, step)
            steps.append(step)
            snapshots.append(after)
            idle = 0 if step.moves else idle + 1
            self._note(steps, snapshots)
        return Run(tuple(steps), tuple(snapshots))

    def _note(self, steps: list[Step], snapshots: list[Snapshot]) -> None:
        """Keep count of what the last step covered; remember where something new was met."""
        self.taken.update(steps[-1].moves)
        new = self.uncovered.intersection(
            self.ends.of_step(snapshots, steps[-1], len(steps) - 1)
        )
        self.uncovered -= new
        places = tuple(snapshots[-1].locations.values())
        if new or places not in self.visited:
            self.visited.add(places)
            if len(steps) <= self.depth * 3 // 4:
                self.beginnings.append((list(steps), list(snapshots)))

    def _settle_round(self, snapshot: Snapshot) -> Step:
        moves = [self._rarest(found) for found in self.concrete.choices(snapshot).values()]
        return Step("settle", ZERO, _in_order(moves))

    def _world_step(self, snapshot: Snapshot) -> Step:
        longest = self.concrete.longest_delay(snapshot)
        aims = list(self._aims(snapshot, longest))
        new = [aim for aim in aims if (aim[1].machine, aim[1].transition, aim[2]) in self.uncovered]
        aim = None
        if new and self.chance.random() < 0.7:
            aim = self.chance.choice(new)
        elif aims and self.chance.random() < 0.6:
            weights = [1 / (1 + self.taken[aim[1]]) for aim in aims]
            (aim,) = self.chance.choices(aims, weights)
        delay = aim[0] if aim else self._any_delay(longest, [aim[0] for aim in aims])
        open_now = self.concrete.choices(snapshot, delay)
        share = self.chance.choice((0.1, 0.3, 0.7))
        moves = []
        for machine, found in open_now.items():
            if aim and aim[1].machine == machine:
                moves.append(aim[1])
            elif self.chance.random() < share:
                moves.append(self._rarest(found))
        return Step("world", delay, _in_order(self._payable(snapshot, moves, aim)))

    def _aims(
        self, snapshot: Snapshot, longest: Fraction | None
    ) -> Iterable[tuple[Fraction, Move, str]]:
        """Each way to take a world transition at an end of its window: delay, move and end."""
        may_fail = snapshot.spent < self.concrete.budget
        for transition, guard in self.world:
            if snapshot.locations[transition.machine] != transition.source:
                continue
            if (transition.fault and not may_fail) or not guard(snapshot.locations):
                continue
            move = Move(transition.machine, transition.index)
            waits = [lo - now for now, lo, _hi in _measured(transition, snapshot)]
            earliest = max([ZERO, *waits])
            if longest is None or earliest <= longest:
                yield earliest, move, "earliest" if waits else "taken"
            if _obliges(transition):
                latest = max(hi - now for now, _lo, hi in _measured(transition, snapshot))
                if latest >= earliest and (longest is None or latest <= longest):
                    yield latest, move, "latest"

    def _any_delay(self, longest: Fraction | None, known: list[Fraction]) -> Fraction:
        if longest == 0:
            return ZERO
        furthest = max([Fraction(1), *known]) + 1 if longest is None else longest
        grain = self.chance.choice(_GRAINS)
        options = [ZERO, furthest, Fraction(self.chance.randint(0, int(furthest * grain)), grain)]
        options.extend(known)
        for delay in (furthest, *known):
            if delay > _JUST:
                options.append(delay - _JUST)
        return self.chance.choice(options)

    def _rarest(self, moves: tuple[Move, ...]) -> Move:
        weights = [1 / (1 + self.taken[move]) for move in moves]
        return self.chance.choices(moves, weights)[0]

    def _payable(self, snapshot: Snapshot, moves: list[Move], aim) -> list[Move]:
        """``moves`` without the faults that the budget can't pay for, the aim's paid first."""
        left = self.concrete.budget - snapshot.spent
        kept = []
        for move in sorted(moves, key=lambda move: not aim or move != aim[1]):
            if self.concrete.transition(move).fault is None:
                kept.append(move)
            elif left > 0:
                left -= 1
                kept.append(move)
        return kept


def _in_order(moves: list[Move]) -> tuple[Move, ...]:
    return tuple(sorted(moves, key=lambda move: move.machine))


def _obliges(transition: Transition) -> bool:
    """4.2, for a transition of the world."""
    windows = [window for window in (transition.after, transition.held) if window is not None]
    return bool(windows) and transition.fault is None and all(w.hi is not None for w in windows)


def _measured(
    transition: Transition, snapshot: Snapshot
) -> list[tuple[Fraction, Fraction, Fraction | None]]:
    """For each window of a transition: the time measured now, and the window's two ends."""
    found = []
    if transition.after is not None:
        now = snapshot.times[f"time {transition.machine}"]
        found.append((now, transition.after.lo, transition.after.hi))
    if transition.held is not None:
        now = snapshot.times.get(held_name(transition), ZERO)
        found.append((now, transition.held.lo, transition.held.hi))
    return found
