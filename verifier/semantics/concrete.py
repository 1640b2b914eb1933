"""The concrete machine: a model taken literally, one state and one step at a time.

The second reading of a model, written from ``specs/semantics.md`` sections 3 to 6 and sharing nothing
with the symbolic one. The machines live in the ``transitions`` library: one library machine for each,
one trigger for each transition. What the library leaves to file order (of two open guards the first
declared fires, silently) is taken out of its hands: everything enabled is computed first, the step
must choose among that, and the library's answer is checked. Times are exact fractions of seconds.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from fractions import Fraction
from itertools import product

from verifier.language.model import Model, Transition
from verifier.semantics.concrete_guard import Locations
from verifier.semantics.concrete_ready import (
    ReadyMachine,
    ReadyTransition,
    has_held_clock,
    held_clocks,
    held_name,
    ready_machine,
)
from verifier.semantics.run import Move, Snapshot, Step

__all__ = ["Concrete", "NotAllowed", "ZERO", "has_held_clock", "held_name"]

ZERO = Fraction(0)
Times = Mapping[str, Fraction]


class NotAllowed(Exception):
    """The step can't be taken in this state; ``reason`` is one plain sentence."""

    def __init__(self, reason: str):
        super().__init__(reason)
        self.reason = reason


class Concrete:
    """A model as a machine to be stepped.

    Parameters
    ----------
    model : Model
        Checked model.
    budget : int
        Number of fault transitions a run may take (4.3), >= 0.

    Notes
    -----
    Snapshots are the only state: any snapshot this object made can be continued from, in any order.
    """

    def __init__(self, model: Model, budget: int = 0):
        self.model = model
        self.budget = budget
        self._places = tuple(ready_machine(machine) for machine in model.machines)
        self._machines = {machine.name: machine for machine in model.machines}
        self._by_name = {place.name: place for place in self._places}
        self._control = tuple(place for place in self._places if place.is_control)
        self._world = tuple(place for place in self._places if not place.is_control)
        self._held = tuple(held_clocks(self._places, model))

    def initial(self) -> Snapshot:
        """The first state (3.3), at time 0."""
        locations = {machine.name: machine.states[0] for machine in self.model.machines}
        times = {place.time: ZERO for place in self._places}
        times.update((name, ZERO) for name, _machine, _source, _guard in self._held)
        return self._snapshot(ZERO, locations, times, 0)

    def enabled(self, snapshot: Snapshot, delay: Fraction = ZERO) -> tuple[Move, ...]:
        """Every transition enabled (4.1, 4.3) once ``delay`` seconds have passed in this state.

        In order of machines and transitions, control and world alike, whether or not the state is
        settled; a fault only while the budget has at least one left.
        """
        return tuple(
            ready.move
            for place in self._places
            for ready in self._open(place, snapshot, delay)
        )

    def choices(self, snapshot: Snapshot, delay: Fraction = ZERO) -> dict[str, tuple[Move, ...]]:
        """The moves that the next step may choose among after ``delay``, by machine.

        Of control in a state that is not settled, of the world in a settled one; machines without
        an enabled transition are left out.
        """
        found = {}
        for place in self._world if snapshot.is_settled else self._control:
            moves = tuple(ready.move for ready in self._open(place, snapshot, delay))
            if moves:
                found[place.name] = moves
        return found

    def settle_rounds(self, snapshot: Snapshot) -> Iterator[Step]:
        """Every settle round possible here (5.2): one, unless a machine has several open."""
        if snapshot.is_settled:
            return
        for moves in product(*self.choices(snapshot).values()):
            yield Step("settle", ZERO, _sorted_moves(moves))

    def is_settled(self, snapshot: Snapshot) -> bool:
        """No transition of a control machine is enabled (5.1)."""
        return self._is_settled(snapshot.locations, snapshot.times)

    def longest_delay(self, snapshot: Snapshot) -> Fraction | None:
        """The longest delay allowed here (5.4), in seconds; None when there is no limit.

        0 in a state that is not settled, where time stands still.
        """
        if not snapshot.is_settled:
            return ZERO
        return self._longest_delay(snapshot.locations, snapshot.times)

    def take(self, snapshot: Snapshot, step: Step) -> Snapshot:
        """The state after ``step``.

        Raises
        ------
        NotAllowed
            When section 5 does not allow the step here.
        """
        if step.kind == "settle":
            chosen = self._settle_moves(snapshot, step)
        elif step.kind == "world":
            chosen = self._world_moves(snapshot, step)
        else:
            raise NotAllowed(f"there is no kind of step called {step.kind!r}")
        spent = snapshot.spent + sum(ready.is_fault for ready in chosen)
        if spent > self.budget:
            raise NotAllowed(f"the step would bring the faults to {spent}, of {self.budget} allowed")
        locations = dict(snapshot.locations)
        for ready in chosen:
            locations[ready.move.machine] = self._fire(ready, snapshot.locations)
        times = self._times_after(snapshot, step, locations)
        return self._snapshot(snapshot.time + step.delay, locations, times, spent)

    def take_alone(self, snapshot: Snapshot, move: Move) -> Snapshot:
        """The state in which one control machine has taken ``move`` alone, in no time.

        No step of a run (5.2 moves all together); what 9.4 compares a settle with.

        Raises
        ------
        NotAllowed
            When ``move`` is no enabled transition of a control machine.
        """
        place = self._by_name[move.machine]
        if not place.is_control:
            raise NotAllowed(f"{move.machine} is no control machine")
        ready = _among(self._open(place, snapshot, ZERO), move)
        locations = dict(snapshot.locations)
        locations[move.machine] = self._fire(ready, snapshot.locations)
        times = self._times_after(snapshot, Step("settle", ZERO, (move,)), locations)
        return self._snapshot(snapshot.time, locations, times, snapshot.spent)

    def transition(self, move: Move) -> Transition:
        """The transition of the model that ``move`` takes."""
        return self._machines[move.machine].transitions[move.transition]

    # -- one state ------------------------------------------------------------------------------

    def _snapshot(
        self, time: Fraction, locations: Locations, times: Times, spent: int
    ) -> Snapshot:
        settled = self._is_settled(locations, times)
        can_pass = settled and self._longest_delay(locations, times) != 0
        return Snapshot(time, locations, times, settled, can_pass, spent)

    def _is_settled(self, locations: Locations, times: Times) -> bool:
        for place in self._control:
            for ready in place.by_source[locations[place.name]]:
                if _is_open(ready, locations, times, ZERO):
                    return False
        return True

    def _longest_delay(self, locations: Locations, times: Times) -> Fraction | None:
        longest = None
        for place in self._places:
            for ready in place.by_source[locations[place.name]]:
                if not ready.limits_delay or not ready.guard(locations):
                    continue
                left = max(end - times.get(name, ZERO) for name, end in ready.ends)
                if left <= 0:
                    return ZERO
                if longest is None or left < longest:
                    longest = left
        return longest

    def _open(self, place: ReadyMachine, snapshot: Snapshot, delay: Fraction) -> list[ReadyTransition]:
        """The transitions of one machine that are enabled after ``delay``."""
        locations = snapshot.locations
        may_fail = snapshot.spent < self.budget
        return [
            ready
            for ready in place.by_source[locations[place.name]]
            if (may_fail or not ready.is_fault)
            and _is_open(ready, locations, snapshot.times, delay)
        ]

    # -- one step -------------------------------------------------------------------------------

    def _settle_moves(self, snapshot: Snapshot, step: Step) -> list[ReadyTransition]:
        if snapshot.is_settled:
            raise NotAllowed("a settle round in a settled state")
        if step.delay != 0:
            raise NotAllowed(f"a settle round with a delay of {step.delay} s")
        chosen = _one_each(step)
        found = []
        for place in self._control:
            ready_here = self._open(place, snapshot, ZERO)
            if not ready_here:
                continue
            move = chosen.pop(place.name, None)
            if move is None:
                raise NotAllowed(f"{place.name} has an enabled transition and must take one")
            found.append(_among(ready_here, move))
        if chosen:
            raise NotAllowed(f"{min(chosen)} has no part in this settle round")
        return found

    def _world_moves(self, snapshot: Snapshot, step: Step) -> list[ReadyTransition]:
        if not snapshot.is_settled:
            raise NotAllowed("a world step in a state that is not settled")
        if step.delay < 0:
            raise NotAllowed(f"a delay of {step.delay} s")
        longest = self._longest_delay(snapshot.locations, snapshot.times)
        if longest is not None and step.delay > longest:
            raise NotAllowed(f"a delay of {step.delay} s where at most {longest} s may pass")
        found = []
        for name, move in _one_each(step).items():
            place = self._by_name.get(name)
            if place is None or place.is_control:
                raise NotAllowed(f"{name} is no machine of the world")
            found.append(_among(self._open(place, snapshot, step.delay), move))
        return found

    def _fire(self, ready: ReadyTransition, locations: Locations) -> str:
        """Let the library take the transition, and hold it to its word."""
        place = self._by_name[ready.move.machine]
        place.library.set_state(locations[place.name], place.body)
        if ready.fire() is not True or place.body.state != ready.target:
            raise NotAllowed(f"the library did not take transition {ready.move.transition} of {place.name}")
        return place.body.state

    def _times_after(self, snapshot: Snapshot, step: Step, locations: Locations) -> Times:
        """All times after a step (5.5)."""
        before, old, delay = snapshot.locations, snapshot.times, step.delay
        moved = {move.machine for move in step.moves}
        times = dict(old)
        for place in self._places:
            if place.name in moved:
                times[place.time] = ZERO
            elif delay:
                times[place.time] += delay
        for name, machine, source, guard in self._held:
            goes_on = (
                machine not in moved
                and locations[machine] == source
                and guard(before)
                and guard(locations)
            )
            if not goes_on:
                times[name] = ZERO
            elif delay:
                times[name] += delay
        return times


def _is_open(ready: ReadyTransition, locations: Locations, times: Times, delay: Fraction) -> bool:
    """4.1, for a transition whose machine is in its source."""
    if not ready.guard(locations):
        return False
    for name, opens_at in ready.opens:
        measured = times[name] + delay if delay else times[name]
        if measured < opens_at:
            return False
    return True


def _one_each(step: Step) -> dict[str, Move]:
    chosen = {move.machine: move for move in step.moves}
    if len(chosen) != len(step.moves):
        raise NotAllowed("one machine takes two transitions in one step")
    return chosen


def _among(found: list[ReadyTransition], move: Move) -> ReadyTransition:
    for ready in found:
        if ready.move == move:
            return ready
    raise NotAllowed(f"transition {move.transition} of {move.machine} is not enabled")


def _sorted_moves(moves) -> tuple[Move, ...]:
    return tuple(sorted(moves, key=lambda move: move.machine))
