"""Peer: plain breadth-first search over states with times on a grid, the search tree kept in
networkx.

Two ways. ``by_steps`` is the sound one: n steps may need times at a grain of unit/(n+1), no finer,
so runs of at most n steps are searched at n+1 grains a unit, for n = 1, 2, ... in turn; it can find
a violation, never prove. ``in_units`` takes whole units only and searches to the end; that loses
behaviours, so when it finds nothing that says nothing, and only its time is of interest. There time
goes by single units, which reaches the same states as every delay at once would and leaves fewer
steps to try.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from itertools import count, product

import networkx as nx

from tests.bench.explicit import Explicit, Place, Rule
from verifier.language.model import Model, Property

Times = tuple[int, ...]
State = tuple[Place, Times]


def by_steps(model: Model, prop: Property) -> bool:
    """True once a run breaks the property; goes on for ever when none does."""
    for steps in count(1):
        if _Grid(Explicit(model, prop, steps + 1)).search(steps):
            return True
    raise AssertionError("count() has no end")


def in_units(model: Model, prop: Property) -> bool:
    """Whether a run with all delays in whole units breaks the property."""
    return _Grid(Explicit(model, prop)).search(None)


class _Grid:
    def __init__(self, explicit: Explicit):
        self.x = explicit

    def search(self, most: int | None) -> bool:
        """Breadth first, at most ``most`` steps (None: to the end, by single units of time)."""
        place = self.x.initial()
        first = (place, (0,) * len(place.clocks))
        tree = nx.DiGraph()
        tree.add_node(first, depth=0)
        waiting = deque([first])
        while waiting:
            state = waiting.popleft()
            if self.is_bad(state):
                return True
            depth = tree.nodes[state]["depth"]
            if depth == most:
                continue
            for after in self.steps(state, one_unit=most is None):
                if after not in tree:
                    tree.add_node(after, depth=depth + 1)
                    tree.add_edge(state, after)
                    waiting.append(after)
        return False

    # -- one state

    def enabled(self, state: State, control: bool) -> list[list[Rule]]:
        place, times = state
        found = []
        for options in place.control if control else place.world:
            rules = [rule for rule, starts in options if all(times[k] >= lo for k, lo in starts)]
            if rules:
                found.append(rules)
        return found

    def test(self, state: State) -> bool:
        """The one comparison of the watch."""
        place, times = state
        if place.watch_index is None:
            return False
        time = times[place.watch_index]
        return time > self.x.bound if self.x.watch.late else time < self.x.bound

    def is_bad(self, state: State) -> bool:
        place, times = state
        if not self.x.is_bad(place, self.test(state)) or self.enabled(state, True):
            return False
        if not self.x.watch.lasting:
            return True
        return not any(all(times[k] >= hi for k, hi in ends) for ends in place.due)

    def steps(self, state: State, one_unit: bool) -> Iterator[State]:
        rounds = self.enabled(state, True)
        if rounds:
            for taken in product(*rounds):
                yield self.moved(state, taken)
            return
        delayed: State | None = self.carry(state, *self.x.absorb(state[0], self.test(state)))
        for delay in count():
            options = [(None, *rules) for rules in self.enabled(delayed, False)]
            for chosen in product(*options):
                taken = tuple(rule for rule in chosen if rule)
                yield self.moved(delayed, taken) if taken else delayed
            later = self.tick(delayed)
            if later is None or later == delayed or (one_unit and delay == 1):
                return
            delayed = later

    def tick(self, state: State) -> State | None:
        """A grain later, or None when a limit forbids it. Times stop one past what is tested."""
        place, times = state
        for ends in place.limits:
            if not any(times[k] < end for k, end in ends):
                return None
        tops = zip(times, place.floors, place.ceilings, strict=True)
        return place, tuple(min(time + 1, max(lo, hi) + 1) for time, lo, hi in tops)

    def moved(self, state: State, taken: tuple[Rule, ...]) -> State:
        return self.carry(state, *self.x.move(state[0], taken))

    @staticmethod
    def carry(state: State, after: Place, carried: tuple[int, ...]) -> State:
        times = state[1]
        return after, tuple(times[k] if k >= 0 else 0 for k in carried)
