"""Reachable states with all locations exact and only a few clocks, the rest forgotten.

A set of states is a list of (zone, diagram) pairs: the zone bounds the tracked clocks, the diagram
holds the locations. With no clock tracked this is plain clock-free reachability. Forgetting clocks
only adds behaviour: what is not reached here is not reachable.

Two orders of search. In layers, one layer a step, so that the first layer with a bad state is no
deeper than the shortest real counterexample; and the sweep, which takes the largest zone first and
all that waits for it at once: several times cheaper where there is nothing to find, but it knows no
shortest way. (On the order of exploration: Herbreteau, Tran, "Improving search order for reachability
testing in timed automata", 2015.)
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field

from dd import cudd

from verifier.engines.diagrams import Diagram, Diagrams
from verifier.engines.limits import Allowance
from verifier.engines.relations import Relations, RelationStore
from verifier.engines.steps import Stepper, Way
from verifier.engines.zones import Space, Zone, includes
from verifier.semantics.formula import Formula
from verifier.semantics.system import System

# How many elements to explore in layers before a sweep asks whether there is anything to find.
GLANCE = 60


@dataclass(frozen=True)
class Hit:
    """A bad state in the abstraction: the locations of the way there, and the kinds of its steps."""

    path: tuple[dict[str, str], ...]
    kinds: tuple[str, ...]


@dataclass
class Exploration:
    """``hit`` is None when no bad state was reached; then ``sets`` is closed under every step."""

    tracked: tuple[str, ...]
    space: Space
    sets: dict[Zone, Diagram]
    hit: Hit | None
    registers: tuple[str, ...]

    def locations(self, diagrams: Diagrams) -> Diagram:
        """All locations reached, whatever the times."""
        found = diagrams.false
        for states in self.sets.values():
            found = found | states
        return found


class Explorer:
    """Explores the systems of one model."""

    def __init__(self, diagrams: Diagrams, base: System, allowance: Allowance):
        self.d = diagrams
        self.allowance = allowance
        self._store = RelationStore(diagrams, base)

    def run(
        self,
        system: System,
        tracked: frozenset[str],
        known: Diagram,
        bad: Formula | None = None,
        most: int | None = None,
        keep: Collection[str] | None = None,
    ) -> Exploration | None:
        """Explore ``system`` from its initial state, the clocks of ``tracked`` exact.

        ``known`` is an over-approximation of the reachable locations, inside which the search stays.
        A hit is one of the fewest steps to ``bad``, a formula over one state. None when it would
        take more than ``most`` elements. With ``keep``, only the history of those registers is
        followed: the others may at any time be what ``known`` allows (then ``bad`` must be None).
        """
        assert keep is None or bad is None, "a way through forgotten registers could not be told"
        order = tuple(sorted(tracked))
        if order:
            self.d.reorder()
        relations = Relations(self._store, system, order)
        stepper = Stepper(system, relations, known, bad, keep)
        layers = _Layers(stepper, self.allowance)
        if order:
            if bad is not None and layers.run(GLANCE):
                return layers.outcome()
            sweep = _Sweep(stepper, self.allowance)
            finds = sweep.run(most)
            if finds is None:
                return None
            if not finds:
                return sweep.outcome()
        return layers.outcome() if layers.run(most) else None


class _Search:
    """What both orders share: the states visited, and which of those that arrive are new."""

    def __init__(self, stepper: Stepper, allowance: Allowance):
        self.stepper = stepper
        self.allowance = allowance
        self.d = stepper.d
        self.visited: dict[Zone, Diagram] = {}
        self.hit: Hit | None = None

    def new(self, zone: Zone, states: Diagram) -> Diagram:
        """Those of ``states`` not visited with these times; they are from now on."""
        false = self.d.false
        seen = self.visited.get(zone)
        if seen is not None:
            states = states & ~seen
            if states == false:
                return states
        for other, there in self.visited.items():
            if includes(other, zone):
                states = states & ~there
                if states == false:
                    return states
        self.visited[zone] = states if seen is None else seen | states
        return states

    def outcome(self) -> Exploration:
        s = self.stepper
        return Exploration(s.tracked, s.space, self.visited, self.hit, tuple(s.system.registers))


class _Sweep(_Search):
    """The largest zone first, and on until nothing is left to do there."""

    def run(self, most: int | None) -> bool | None:
        """Whether a bad state is reached; None when that would take more than ``most`` elements."""
        s, false = self.stepper, self.d.false
        waiting: dict[Zone, Diagram] = {}

        def put(zone: Zone, states: Diagram) -> None:
            states = self.new(zone, states)
            if states != false:
                waiting[zone] = waiting.get(zone, false) | states

        for zone, states in s.initial():
            put(zone, states)
        done = 0
        zone = None
        while waiting:
            if zone not in waiting:
                zone = max(waiting, key=sum)
            states = waiting.pop(zone)
            if s.bad_among(zone, states) != false:
                return True
            done += 1
            if most is not None and done > most:
                return None
            self.allowance.check()
            for reached, there, _ in s.after(zone, states):
                put(reached, there)
        return False


@dataclass
class _Element:
    """States first reached in one layer; each of them in one of the ``origins``: the number of the
    element before, and the way from there."""

    zone: Zone
    fresh: Diagram
    layer: int
    origins: list[tuple[int, Way]] = field(default_factory=list)


class _Layers(_Search):
    """Breadth first. ``run`` may be called again to go further."""

    def __init__(self, stepper: Stepper, allowance: Allowance):
        super().__init__(stepper, allowance)
        self.elements: list[_Element] = []
        self._next: dict[Zone, _Element] = {}
        for zone, states in stepper.initial():
            self._put(zone, states, 0, None)
        self._close_layer()

    def run(self, most: int | None) -> bool:
        """True when a bad state is found or nothing is left; False past ``most`` elements."""
        while self.hit is None and self.first < len(self.elements):
            if most is not None and len(self.elements) > most:
                return False
            layer = self.elements[self.first].layer + 1
            for index in range(self.first, len(self.elements)):
                self.allowance.check()
                element = self.elements[index]
                for zone, states, way in self.stepper.after(element.zone, element.fresh):
                    self._put(zone, states, layer, (index, way))
            self._close_layer()
        return True

    def _put(self, zone: Zone, states: Diagram, layer: int, origin: tuple[int, Way] | None) -> None:
        states = self.new(zone, states)
        if states == self.d.false:
            return
        element = self._next.setdefault(zone, _Element(zone, self.d.false, layer))
        element.fresh = element.fresh | states
        if origin is not None:
            element.origins.append(origin)

    def _close_layer(self) -> None:
        self.first = len(self.elements)
        self.elements.extend(self._next.values())
        self._next = {}
        for index in range(self.first, len(self.elements)):
            element = self.elements[index]
            wrong = self.stepper.bad_among(element.zone, element.fresh)
            if wrong != self.d.false:
                self.hit = self._way_to(index, wrong)
                return

    def _way_to(self, index: int, targets: Diagram) -> Hit:
        d, system = self.d, self.stepper.system
        location = d.pick(targets, system.registers)
        assert location is not None
        path, kinds = [location], []
        tests = list(self.stepper.relations.tests)
        while self.elements[index].layer > 0:
            target = d.state(path[-1], next=True)
            for parent, way in self.elements[index].origins:
                aux = [v for v in way.relation.support if v.startswith("keep ")]
                drop = [*target.support, *tests, *aux]
                before = cudd.and_exists(way.before & way.relation, target, drop)
                location = d.pick(before, system.registers)
                if location is not None:
                    break
            else:
                raise AssertionError("a reached location without an origin")
            path.append(location)
            kinds.append(way.kind)
            index = parent
        return Hit(tuple(reversed(path)), tuple(reversed(kinds)))
