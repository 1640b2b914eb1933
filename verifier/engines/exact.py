"""What a scout has learnt once it has seen everything: an exploration with all clocks exact.

Where its search ends without a bad state, the states that it has seen, and those from which no way
leads to a bad state, are closed under every step and hold nothing bad. Many models are that small.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence

from verifier.engines.diagrams import Diagram, Diagrams
from verifier.engines.explore import Exploration
from verifier.engines.places import Place, Places
from verifier.engines.scout import Scout
from verifier.engines.zones import Space, Zone, includes

# How many arrivals may be looked at to leave out the times of machines, in all, and at least for each try.
MOST = 20_000
EACH = 4000


def fewest_times(scout: Scout, likely: Collection[str]) -> Scout:
    """As ``scout``, which has seen everything, with the times of fewer machines: everything is looked at again
    with the clocks ``likely`` alone, then with one machine after another left out."""
    clocks = {name: clock.owner for name, clock in scout.system.clocks.items() if clock.owner}
    most, left = max(EACH, scout.arrivals), MOST
    without: frozenset[str] = frozenset()
    tries = [frozenset(clocks) - frozenset(likely)]
    tries += [frozenset(name for name in clocks if clocks[name] == owner) for owner in dict.fromkeys(clocks.values())]
    for more in tries:
        if left < 0:
            break
        if more <= without:
            continue
        other = Scout(scout.system, Places(scout.system, without | more), scout.allowance, scout.ahead)
        hit = other.run(most)
        left -= other.arrivals
        if hit is None and not other.waiting:
            scout, without = other, without | more
    return scout


def exploration_of(scout: Scout, diagrams: Diagrams, harmless: Diagram) -> Exploration:
    """All that ``scout``, which has nothing left to do, has seen.

    ``harmless`` are the locations that it passes over since nothing bad can follow. Clocks that do not
    count in a place may have any value there.
    """
    assert not scout.waiting
    places, system = scout.places, scout.system
    tracked = places.clocks
    space = places.space_of(tracked)
    sets: dict[Zone, Diagram] = {}
    anything = space.anything()
    if harmless != diagrams.false:
        sets[anything] = harmless
    for where, zones in scout.explored.items():
        here = diagrams.state(places.location(where))
        for zone in _greatest(zones):
            wide = _among_all(places.at(where), zone, space)
            sets[wide] = sets.get(wide, diagrams.false) | here
    registers = tuple(system.registers)
    return Exploration(tracked, space, sets, None, registers, n_elements=len(sets), in_layers=False)


def without_times(exact: Exploration, diagrams: Diagrams) -> Exploration:
    """The locations of ``exact``, whatever the times. Not closed, but what lies outside is not reached."""
    space = Space((), ())
    sets = {space.zero(): exact.locations(diagrams)}
    return Exploration((), space, sets, None, exact.registers, n_elements=1, in_layers=False)


def _greatest(zones: Sequence[Zone]) -> list[Zone]:
    """``zones`` without those that lie in a later one; none lies in an earlier one."""
    return [zone for i, zone in enumerate(zones) if not any(includes(z, zone) for z in zones[i + 1 :])]


def _among_all(place: Place, zone: Zone, space: Space) -> Zone:
    """``zone`` over the clocks that count in ``place``, as one over those of ``space``."""
    n, size = space.size, len(place.clocks) + 1
    at = [0, *(space.index[clock] for clock in place.clocks)]
    cells = list(space.anything())
    for i, row in enumerate(at):
        # a clock that does not count is not negative, and nothing else is known of it
        cells[row * n : row * n + n] = [zone[i * size]] * n
        for j, column in enumerate(at):
            cells[row * n + column] = zone[i * size + j]
    return tuple(cells)
