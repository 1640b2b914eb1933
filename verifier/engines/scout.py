"""A short look ahead with nothing forgotten: every location by itself, every clock that counts exact.

Where a counterexample exists, few such states often lie before it, while the exploration of many
locations at once must first learn which clocks matter. The states that may be nearest to a bad one
come first: the number of steps behind them and the fewest that the search without clocks leaves before
them (Hart, Nilsson, Raphael, "A formal basis for the heuristic determination of minimum cost paths",
1968). That never overestimates, so the first bad state met takes the fewest steps. The scout gives up
after a number of arrivals. It proves nothing, and the way it finds is believed only once ``paths`` has
found exact times for it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from heapq import heappop, heappush

from verifier.engines.explore import Hit
from verifier.engines.limits import Allowance
from verifier.engines.places import FORGOTTEN, Option, Outcomes, Place, Places, Test, Where
from verifier.engines.zones import Zone, includes
from verifier.semantics.formula import AtLeast, Formula, Truth, atoms, map_atoms
from verifier.semantics.system import SPENT, System

# At least so many steps lead from a location to a bad one; None where there is no way.
Ahead = Callable[[Where], int | None]


def unknown(where: Where) -> int:
    """For a search in the order of steps alone."""
    return 0


@dataclass(eq=False, slots=True)
class _Arrival:
    """States that a step of ``kind`` reaches: ``taken`` from ``zone`` in the place ``via``. They come
    from ``parent``, which is elsewhere when the watch has absorbed something on the way."""

    where: Where
    parent: _Arrival | None
    kind: str
    steps: int
    via: Place | None
    zone: Zone
    taken: tuple[Option, ...]


def can_scout(system: System) -> bool:
    """Whether the registers are those of machines, of faults spent and of the watch alone."""
    known = {machine.name for machine in system.model.machines} | {SPENT}
    bits = system.watch.bits if system.watch is not None else {}
    return system.registers.keys() <= known | bits.keys()


class Scout:
    """A search of ``system`` for a bad state."""

    def __init__(
        self, system: System, places: Places, allowance: Allowance, ahead: Ahead = unknown
    ):
        self.system, self.places, self.ahead = system, places, ahead
        self.allowance = allowance
        self.arrivals = 0
        self.explored: dict[Where, list[Zone]] = {}
        # where the world has acted after a delay, and after how many steps
        self.left: dict[Where, list[tuple[int, Zone]]] = {}
        self.waiting: list[tuple[int, int, int, _Arrival]] = []
        self.distances: dict[Where, int | None] = {}
        start = places.first()
        zone = places.at(start).space.zero()
        self._arrive(_Arrival(start, None, "", 0, None, zone, ()))

    def run(self, most: int) -> Hit | None:
        """A way of the fewest steps to a bad state; None when there is none, or when it would take
        more than ``most`` arrivals. It may be called again to go further."""
        while self.waiting and self.arrivals <= most:
            self.allowance.check()
            arrival = heappop(self.waiting)[-1]
            place = self.places.at(arrival.where)
            zone = self._zone(place, arrival)
            explored = self.explored.setdefault(arrival.where, [])
            if any(includes(other, zone) for other in explored):
                continue
            explored.append(zone)
            if _somewhere(place, zone, place.bad):
                return self._way_to(arrival)
            self._explore(place, zone, arrival)
        return None

    def _zone(self, place: Place, arrival: _Arrival) -> Zone:
        zone = arrival.zone
        if arrival.via is not None and arrival.taken:
            zone = self.places.carry(arrival.via, place, arrival.taken)(zone)
        return place.space.widen(zone, place.floors, place.ceilings)

    def _arrive(self, arrival: _Arrival) -> None:
        if arrival.where in self.distances:
            ahead = self.distances[arrival.where]
        else:
            ahead = self.distances[arrival.where] = self.ahead(arrival.where)
        if ahead is not None:
            self.arrivals += 1
            heappush(self.waiting, (arrival.steps + ahead, ahead, self.arrivals, arrival))

    def _explore(self, place: Place, zone: Zone, arrival: _Arrival) -> None:
        places, steps = self.places, arrival.steps + 1
        for cell, outcomes in _cells(place, zone):
            rounds = places.settle(place, outcomes)
            for taken in rounds:
                where = places.moved(place.where, taken)
                self._arrive(_Arrival(where, arrival, "settle", steps, place, cell, taken))
            if not rounds:
                self._act(place, cell, outcomes, arrival)

    def _act(self, place: Place, cell: Zone, outcomes: Outcomes, arrival: _Arrival) -> None:
        """The world steps from a settled ``cell``."""
        places, steps = self.places, arrival.steps + 1
        after, carry = places.absorb(place, outcomes)
        left = self.left.setdefault(after.where, [])
        for zone in _waits(after, carry(cell)):
            zone = after.space.widen(zone, after.floors, after.ceilings)
            if any(before <= steps and includes(other, zone) for before, other in left):
                continue
            left.append((steps, zone))
            for taken, ready in self._choices(after, zone):
                where = places.moved(after.where, taken)
                self._arrive(_Arrival(where, arrival, "world", steps, after, ready, taken))

    def _choices(self, place: Place, zone: Zone) -> list[tuple[tuple[Option, ...], Zone]]:
        """Every set of moves of the world in ``place``, none included, and where in ``zone``. Where many
        machines can fail, sets that the budget can't pay for are far too many to be made first."""
        budget = self.system.budget
        left = budget - place.where[self.places.number[SPENT]] if budget else 0
        found: list[tuple[tuple[Option, ...], Zone, int]] = [((), zone, left)]
        for options in place.world.values():
            for taken, here, paying in list(found):
                for option in options:
                    rest = paying - option.is_fault
                    ready = None if rest < 0 else _where_met(place, here, option.starts)
                    if ready is not None:
                        found.append(((*taken, option), ready, rest))
        return [(taken, here) for taken, here, _ in found]

    def _way_to(self, last: _Arrival) -> Hit:
        path, kinds = [self.places.location(last.where)], []
        arrival = last
        while arrival.parent is not None:
            kinds.append(arrival.kind)
            arrival = arrival.parent
            path.append(self.places.location(arrival.where))
        return Hit(tuple(reversed(path)), tuple(reversed(kinds)))


def _cells(place: Place, zone: Zone) -> Iterator[tuple[Zone, Outcomes]]:
    """``zone`` in parts in which everything that ``place`` asks has one answer."""
    parts: list[tuple[Zone, Outcomes]] = [(zone, ())]
    for test in place.asked:
        divided = []
        for part, outcomes in parts:
            for piece, holds in _cut(place, part, test):
                divided.append((piece, (*outcomes, holds)))
        parts = divided
    return iter(parts)


def _cut(place: Place, zone: Zone, test: Test) -> Iterator[tuple[Zone, bool]]:
    if test.clock == FORGOTTEN:
        yield from ((zone, True), (zone, False))
        return
    met = place.space.constrain(zone, 0, test.clock, test.met)
    if met is not None:
        yield met, True
    unmet = place.space.constrain(zone, test.clock, 0, test.unmet)
    if unmet is not None:
        yield unmet, False


def _where_met(place: Place, zone: Zone, tests: Iterable[Test]) -> Zone | None:
    found: Zone | None = zone
    for test in tests:
        if found is not None:
            found = place.space.constrain(found, 0, test.clock, test.met)
    return found


def _waits(place: Place, zone: Zone) -> list[Zone]:
    """``zone`` after every delay that 5.4 allows."""
    found = [place.space.wait(zone)]
    for ends in place.limits:
        cut = (
            # waiting up to the end itself is allowed
            place.space.constrain(piece, end.clock, 0, end.unmet + 1)
            for piece in found
            for end in ends
        )
        found = [piece for piece in cut if piece is not None]
    if not any(includes(piece, zone) for piece in found):
        found.append(zone)
    return found


def _somewhere(place: Place, zone: Zone, formula: Formula) -> bool:
    """Whether ``formula``, of comparisons alone, holds somewhere in ``zone``."""
    if isinstance(formula, Truth):
        return formula.value
    atom = next(a for a in atoms(formula) if isinstance(a, AtLeast))
    test = place.test(atom)
    cuts = [(zone, True), (zone, False)] if test is None else _cut(place, zone, test)
    return any(_somewhere(place, piece, _given(formula, atom, holds)) for piece, holds in cuts)


def _given(formula: Formula, atom: AtLeast, holds: bool) -> Formula:
    return map_atoms(formula, lambda a: Truth(holds) if a == atom else a)
