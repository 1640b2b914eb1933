"""Peer: explicit exploration with clock zones, in plain Python, exact for both answers.

Every location is kept apart, the times in a difference-bound matrix over the clocks that still
count there; a zone inside one already explored is dropped, and zones are coarsened by the bounds of
the location. Waiting is done as soon as a zone arrives, so that a zone and its own future are one.
These are the known means that make such an exploration quick; nothing about a crossing is used (no
symmetry, no slicing, no forgetting of clocks).
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from itertools import product

from tests.bench import difference_bounds as bounds
from tests.bench.difference_bounds import Zone
from tests.bench.explicit import Explicit, Place, Rule
from verifier.language.model import Model, Property


def is_violated(model: Model, prop: Property) -> bool:
    """Whether a run breaks the property."""
    return Zones(Explicit(model, prop)).search()


class Zones:
    def __init__(self, explicit: Explicit):
        self.x = explicit
        self.explored: dict[Place, list[Zone]] = {}
        # zones that arrived, and whether they have waited and moved already
        self.waiting: deque[tuple[Place, Zone, bool]] = deque()

    def search(self) -> bool:
        """Breadth first."""
        place = self.x.initial()
        self.put(place, self.coarse(place, bounds.at_zero(len(place.clocks))), False)
        while self.waiting:
            place, zone, has_waited = self.waiting.popleft()
            if not any(known is zone for known in self.explored[place]):
                continue  # a larger one has come since
            for piece, rounds in self.by_rounds(place, zone):
                if rounds:
                    self.settle(place, piece, rounds)
                elif self.is_bad(place, piece):
                    return True
                else:
                    self.world(place, zone, piece, has_waited)
        return False

    def settle(self, place: Place, zone: Zone, rounds: list[list[Rule]]) -> None:
        for taken in product(*rounds):
            self.put(*self.moved(place, zone, taken), False)

    def put(self, place: Place, zone: Zone, has_waited: bool) -> bool:
        """Let ``zone`` wait to be explored; False when it lies in one that is or will be."""
        known = self.explored.setdefault(place, [])
        if any(bounds.includes(other, zone) for other in known):
            return False
        known[:] = [other for other in known if not bounds.includes(zone, other)]
        known.append(zone)
        self.waiting.append((place, zone, has_waited))
        return True

    @staticmethod
    def coarse(place: Place, zone: Zone) -> Zone:
        return bounds.coarsen(zone, len(place.clocks) + 1, place.floors, place.ceilings)

    def moved(self, place: Place, zone: Zone, taken: tuple[Rule, ...]) -> tuple[Place, Zone]:
        after, carried = self.x.move(place, taken)
        return after, self.coarse(after, bounds.carry(zone, len(place.clocks) + 1, carried))

    # -- pieces of a zone

    def by_rounds(self, place: Place, zone: Zone) -> Iterator[tuple[Zone, list[list[Rule]]]]:
        """``zone`` in pieces in each of which the same control transitions are enabled: these, by
        machine; none where it is settled."""
        pieces: list[tuple[Zone, tuple[tuple[int, Rule], ...]]] = [(zone, ())]
        for m, options in enumerate(place.control):
            for rule, starts in options:
                if not starts:
                    pieces = [(piece, (*on, (m, rule))) for piece, on in pieces]
                    continue
                split = []
                for piece, on in pieces:
                    ready, rest = self.by_tests(place, piece, starts)
                    if ready is not None:
                        split.append((ready, (*on, (m, rule))))
                    split += [(other, on) for other in rest]
                pieces = split
        for piece, on in pieces:
            machines: dict[int, list[Rule]] = {}
            for m, rule in on:
                machines.setdefault(m, []).append(rule)
            yield piece, list(machines.values())

    def by_tests(self, place: Place, zone: Zone, starts) -> tuple[Zone | None, list[Zone]]:
        """The part in which every clock has reached its bound, and the rest in pieces."""
        n, rest = len(place.clocks) + 1, []
        ready: Zone | None = zone
        for clock, bound in starts:
            if ready is None:
                break
            early = bounds.less_than(ready, n, clock + 1, bound)
            if early is not None:
                rest.append(early)
            ready = bounds.at_least(ready, n, clock + 1, bound)
        return ready, rest

    def by_watch(self, place: Place, zone: Zone) -> Iterator[tuple[Zone, bool]]:
        """``zone`` parted by the one comparison of the watch."""
        if place.watch_index is None:
            yield zone, False
            return
        n, clock, bound = len(place.clocks) + 1, place.watch_index + 1, self.x.bound
        above = bounds.more_than if self.x.watch.late else bounds.at_least
        below = bounds.at_most if self.x.watch.late else bounds.less_than
        for part, is_above in ((above, True), (below, False)):
            piece = part(zone, n, clock, bound)
            if piece is not None:
                yield piece, is_above is self.x.watch.late

    # -- settled zones

    def is_bad(self, place: Place, zone: Zone) -> bool:
        for piece, test in self.by_watch(place, zone):
            if self.x.is_bad(place, test) and (
                not self.x.watch.lasting or self.can_pass(place, piece, 0)
            ):
                return True
        return False

    def can_pass(self, place: Place, zone: Zone, first: int) -> bool:
        """Whether somewhere in ``zone`` no obliging transition from number ``first`` on is due."""
        if first == len(place.due):
            return True
        _, rest = self.by_tests(place, zone, place.due[first])
        return any(self.can_pass(place, piece, first + 1) for piece in rest)

    def world(self, place: Place, arrived: Zone, settled: Zone, has_waited: bool) -> None:
        """World steps from ``settled``, a piece of the zone ``arrived``."""
        for piece, test in self.by_watch(place, settled):
            absorbed, carried = self.x.absorb(place, test)
            is_same = absorbed is place and carried == tuple(range(len(carried)))
            if has_waited and is_same:
                continue
            start = bounds.carry(piece, len(place.clocks) + 1, carried)
            for waited in self.waits(absorbed, start):
                is_own = absorbed is place and bounds.includes(arrived, waited)
                if self.put(absorbed, waited, True) or is_own:
                    self.moves(absorbed, waited, (), 0)

    def waits(self, place: Place, zone: Zone) -> list[Zone]:
        """5.4: where a delay from ``zone`` may lead, itself included; coarsened."""
        n = len(place.clocks) + 1
        found = [bounds.later(zone, n)]
        for ends in place.limits:
            parts = (
                bounds.at_most(piece, n, clock + 1, end) for piece in found for clock, end in ends
            )
            found = [part for part in parts if part is not None]
        if not any(bounds.includes(piece, zone) for piece in found):
            found.append(zone)
        return [self.coarse(place, piece) for piece in found]

    def moves(self, place: Place, zone: Zone, taken: tuple[Rule, ...], machine: int) -> None:
        """Every set of moves that adds to ``taken`` some of the machines from number ``machine``
        on."""
        if machine == len(place.world):
            if taken:
                self.put(*self.moved(place, zone, taken), False)
            return
        self.moves(place, zone, taken, machine + 1)
        n = len(place.clocks) + 1
        for rule, starts in place.world[machine]:
            ready: Zone | None = zone
            for clock, bound in starts:
                ready = bounds.at_least(ready, n, clock + 1, bound)
                if ready is None:
                    break
            if ready is not None:
                self.moves(place, ready, (*taken, rule), machine + 1)
