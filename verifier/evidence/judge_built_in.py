"""Whether a finite run shows one of the built-in faults of ``specs/semantics.md`` section 9.

What a run can't show by itself (that time stops whatever is done, that a settle never ends) is
looked for from the run's last state on the concrete machine, within limits. Beyond the limits the
run is ``Unjudged``; that is no verdict.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator
from itertools import product

from verifier.evidence.judgement import Judgement, Unjudged
from verifier.language.guard import comparisons
from verifier.language.model import Form, Property
from verifier.semantics.concrete import ZERO, Concrete
from verifier.semantics.run import Move, Run, Snapshot, Step

MOST_STATES = 20_000
MOST_STATES_ON = 3_000


def state_key(snapshot: Snapshot) -> tuple:
    """The whole state of a snapshot (section 3) as something to compare and look up."""
    return (
        tuple(sorted(snapshot.locations.items())),
        tuple(sorted(snapshot.times.items())),
        snapshot.spent,
    )


def _ambiguous(concrete: Concrete, _prop: Property, run: Run) -> Judgement | None:
    """9.1: two enabled transitions of one control machine, to different states."""
    for index, snapshot in enumerate(run.snapshots):
        if snapshot.is_settled:
            continue
        for name, moves in concrete.choices(snapshot).items():
            targets = sorted({concrete.transition(move).target for move in moves})
            if len(targets) > 1:
                why = f"{name} may go to {' and to '.join(targets)} at once"
                return Judgement(index, None, why)
    return None


def _pulse(concrete: Concrete, _prop: Property, run: Run) -> Judgement | None:
    """9.5: a control state entered and left within one settle while the world reads it."""
    entered: dict[str, int] = {}
    for index, snapshot in enumerate(run.snapshots):
        if index > 0:
            step = run.steps[index - 1]
            if step.kind == "world":
                entered = {}
            else:
                entered.update((move.machine, index) for move in step.moves)
        if snapshot.is_settled:
            continue
        for name, moves in concrete.choices(snapshot).items():
            state = snapshot.locations[name]
            leaves = any(concrete.transition(move).target != state for move in moves)
            if name in entered and leaves and _world_reads(concrete, name, state):
                why = f"{name} is in {state} for no time at all, and the world reads it"
                return Judgement(index, entered[name], why)
    return None


def _world_reads(concrete: Concrete, name: str, state: str) -> bool:
    """Whether some guard of a world machine compares ``name`` with ``state``."""
    return any(
        reading.machine == name and state in reading.states
        for machine in concrete.model.machines
        if not machine.is_control
        for transition in machine.transitions
        for reading in comparisons(transition.when)
    )


def _does_not_settle(concrete: Concrete, _prop: Property, run: Run) -> Judgement | None:
    """9.2: a whole state comes back within one settle, in the run or in some way to go on from it."""
    first_seen: dict[tuple, int] = {}
    for index, snapshot in enumerate(run.snapshots):
        if index > 0 and run.steps[index - 1].kind == "world":
            first_seen = {}
        key = state_key(snapshot)
        if key in first_seen:
            return _endless(first_seen[key], ())
        first_seen[key] = index
    further = _endless_settle(concrete, run.snapshots[-1])
    if further is None:
        return None
    steps, back_to = further
    return _endless(len(run.snapshots) - 1 + back_to, steps)


def _endless(loop: int, further: tuple[Step, ...]) -> Judgement:
    return Judgement(loop, loop, "the settle comes back to this state and never ends", loop, further)


def _endless_settle(concrete: Concrete, start: Snapshot) -> tuple[tuple[Step, ...], int] | None:
    """Settle rounds from ``start`` that come back to a state, and after how many rounds it was."""
    path: list[Step] = []
    on_path = {state_key(start): 0}
    finished: set[tuple] = set()
    stack = [(start, concrete.settle_rounds(start))]
    while stack:
        snapshot, rounds = stack[-1]
        step = next(rounds, None)
        if step is None:
            stack.pop()
            key = state_key(snapshot)
            del on_path[key]
            finished.add(key)
            if path:
                path.pop()
            continue
        after = concrete.take(snapshot, step)
        key = state_key(after)
        if key in on_path:
            return (*path, step), on_path[key]
        if key in finished:
            continue
        if len(on_path) + len(finished) >= MOST_STATES:
            raise Unjudged(f"one settle has more than {MOST_STATES} states")
        path.append(step)
        on_path[key] = len(path)
        stack.append((after, concrete.settle_rounds(after)))
    return None


def _time_stops(concrete: Concrete, _prop: Property, run: Run) -> Judgement | None:
    """9.3: in no state that can be reached from the last one without delay can time pass.

    Where time may still pass a little before it stops, the run has to be led on to the stop itself:
    ``way_to_a_stop``.
    """
    start = run.snapshots[-1]
    seen = {state_key(start)}
    todo = [start]
    while todo:
        snapshot = todo.pop()
        if snapshot.can_pass:
            return None
        for step in _steps_without_delay(concrete, snapshot):
            after = concrete.take(snapshot, step)
            key = state_key(after)
            if key not in seen:
                if len(seen) >= MOST_STATES:
                    raise Unjudged(f"more than {MOST_STATES} states can be reached without delay")
                seen.add(key)
                todo.append(after)
    last = len(run.snapshots) - 1
    return Judgement(last, None, "from here no time can pass, whatever is done")


def way_to_a_stop(concrete: Concrete, start: Snapshot) -> tuple[Step, ...] | None:
    """Steps from ``start`` to a nearby state from which no time can pass, if one is found.

    Looks at steps without delay and at waits as long as they may be, ``MOST_STATES_ON`` states in all.
    None says nothing: times between the ends of windows are not tried.
    """
    states = {state_key(start): start}
    came_by: dict[tuple, tuple[tuple, Step] | None] = {state_key(start): None}
    at_once: dict[tuple, list[tuple]] = {}
    lively: set[tuple] = set()
    todo = deque(states)
    while todo and len(states) < MOST_STATES_ON:
        key = todo.popleft()
        snapshot = states[key]
        steps = list(_steps_without_delay(concrete, snapshot))
        longest = concrete.longest_delay(snapshot)
        if snapshot.can_pass:
            lively.add(key)
            if longest is not None:
                steps.append(Step("world", longest, ()))
        for step in steps:
            after = concrete.take(snapshot, step)
            there = state_key(after)
            if step.delay == 0:
                at_once.setdefault(there, []).append(key)
            if there not in states:
                states[there] = after
                came_by[there] = (key, step)
                todo.append(there)
    # What was not looked into may be lively, and so is whatever leads to something lively at once.
    lively.update(todo)
    spreading = list(lively)
    while spreading:
        for key in at_once.get(spreading.pop(), ()):
            if key not in lively:
                lively.add(key)
                spreading.append(key)
    for key in states:
        if key not in lively:
            return _way(came_by, key)
    return None


def _way(came_by: dict[tuple, tuple[tuple, Step] | None], key: tuple) -> tuple[Step, ...]:
    steps: list[Step] = []
    while (before := came_by[key]) is not None:
        key, step = before
        steps.append(step)
    return tuple(reversed(steps))


def _steps_without_delay(concrete: Concrete, snapshot: Snapshot) -> Iterator[Step]:
    if not snapshot.is_settled:
        yield from concrete.settle_rounds(snapshot)
        return
    options = [(None, *moves) for moves in concrete.choices(snapshot).values()]
    left = concrete.budget - snapshot.spent
    for chosen in product(*options):
        moves = tuple(sorted((move for move in chosen if move), key=lambda move: move.machine))
        faults = sum(concrete.transition(move).fault is not None for move in moves)
        if moves and faults <= left:
            yield Step("world", ZERO, moves)


def _order_matters(concrete: Concrete, _prop: Property, run: Run) -> Judgement | None:
    """9.4: one machine moving first alone, and then all settling, ends elsewhere than at once."""
    for index, snapshot in enumerate(run.snapshots):
        if snapshot.is_settled:
            continue
        at_once = settled_ends(concrete, snapshot)
        for name, moves in concrete.choices(snapshot).items():
            for move in moves:
                alone = settled_ends(concrete, concrete.take_alone(snapshot, move))
                other = _different(at_once, alone)
                if other:
                    why = f"{other} ends elsewhere if {name} moves first than if all move together"
                    return Judgement(index, None, why)
    return None


def settled_ends(concrete: Concrete, start: Snapshot) -> list[dict[str, str]]:
    """Places of the machines in every settled state that settling from ``start`` can end in."""
    seen = {state_key(start)}
    todo, ends = [start], []
    while todo:
        snapshot = todo.pop()
        if snapshot.is_settled:
            if dict(snapshot.locations) not in ends:
                ends.append(dict(snapshot.locations))
            continue
        for step in concrete.settle_rounds(snapshot):
            after = concrete.take(snapshot, step)
            key = state_key(after)
            if key not in seen:
                if len(seen) >= MOST_STATES:
                    raise Unjudged(f"one settle has more than {MOST_STATES} states")
                seen.add(key)
                todo.append(after)
    return ends


def _different(one: list[dict[str, str]], two: list[dict[str, str]]) -> str | None:
    """A machine whose places differ between an end in ``one`` and an end in ``two``."""
    for first in one:
        for second in two:
            for name in first:
                if first[name] != second[name]:
                    return name
    return None


def _dead(concrete: Concrete, prop: Property, run: Run) -> Judgement | None:
    """9.6: the run shows that the subject is alive: the state is entered, or the transition taken or
    about to be (11.3: enabled where the next step may take it)."""
    if not prop.subject:
        return None
    kind, machine, what = prop.subject
    for index, snapshot in enumerate(run.snapshots):
        if kind == "state":
            if snapshot.locations[machine] == what:
                return Judgement(index, None, f"{machine} is in {what}")
        elif Move(machine, what) in concrete.choices(snapshot).get(machine, ()):
            return Judgement(index, None, f"{machine} may take its transition {what} here")
        elif index < len(run.steps) and Move(machine, what) in run.steps[index].moves:
            return Judgement(index + 1, None, f"{machine} has taken its transition {what}")
    return None


BUILT_IN_JUDGES: dict[Form, Callable[[Concrete, Property, Run], Judgement | None]] = {
    Form.AMBIGUOUS: _ambiguous,
    Form.DOES_NOT_SETTLE: _does_not_settle,
    Form.TIME_STOPS: _time_stops,
    Form.ORDER_MATTERS: _order_matters,
    Form.PULSE: _pulse,
    Form.DEAD: _dead,
}
