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

from dataclasses import dataclass, field
from itertools import islice

from verifier.engines.diagrams import Diagram, Diagrams
from verifier.engines.limits import Allowance
from verifier.engines.outlook import Outlook
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
    """``hit`` is None when no bad state was reached; then ``sets`` is closed under every step. With
    ``in_layers`` there is no hit of fewer steps."""

    tracked: tuple[str, ...]
    space: Space
    sets: dict[Zone, Diagram]
    hit: Hit | None
    registers: tuple[str, ...]
    n_elements: int
    in_layers: bool

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
        # sweeps that would have taken too many elements, and go on when more are allowed
        self._paused: dict[tuple, _Sweep] = {}

    def outlook(self, system: System, known: Diagram, bad: Formula) -> Outlook:
        """How far from ``bad`` a location is at least."""
        return Outlook(system, Relations(self._store, system, ()), known, bad)

    def run(
        self,
        system: System,
        tracked: frozenset[str],
        known: Diagram,
        bad: Formula | None = None,
        most: int | None = None,
        keep: frozenset[str] | None = None,
        shortest: bool = False,
    ) -> Exploration | None:
        """Explore ``system`` from its initial state, the clocks of ``tracked`` exact.

        ``known`` is an over-approximation of the reachable locations, inside which the search stays.
        It ends at the first state in ``bad``, a formula over one state; with ``shortest`` one that takes the
        fewest steps. None when it would take more than ``most`` elements. With ``keep``, only the history of those
        registers is followed: the others may at any time be what ``known`` allows (then ``bad`` must be None).
        """
        assert keep is None or bad is None, "a way through forgotten registers could not be told"
        order = tuple(sorted(tracked))
        paused = (id(system), order, known, bad, keep)
        if paused in self._paused and not shortest:
            return self._swept(self._paused.pop(paused), paused, most)
        relations = Relations(self._store, system, order)
        stepper = Stepper(system, relations, known, bad, keep)
        layers = _Layers(stepper, self.allowance)
        if order and not shortest:
            if bad is not None and layers.run(GLANCE):
                return layers.outcome()
            return self._swept(_Sweep(stepper, self.allowance), paused, most)
        return layers.outcome() if layers.run(most) else None

    def _swept(self, sweep: _Sweep, name: tuple, most: int | None) -> Exploration | None:
        if sweep.run(most):
            return sweep.outcome()
        self._paused[name] = sweep
        return None


@dataclass
class _Element:
    """States explored together. Each of them is among the ``first`` states of the search or came
    from one of the ``origins``: the number of the element before, the way from there, and where it led
    with these times. (The way may lead to the others of the element too, but with other times.)"""

    zone: Zone
    fresh: Diagram
    first: Diagram
    origins: list[tuple[int, Way, Diagram]] = field(default_factory=list)


class _Search:
    """What both orders share: the states visited, and which of those that arrive are new."""

    def __init__(self, stepper: Stepper, allowance: Allowance):
        self.stepper = stepper
        self.allowance = allowance
        self.d = stepper.d
        self.visited: dict[Zone, Diagram] = {}
        self._around: dict[Zone, tuple[int, list[Zone]]] = {}
        self.elements: list[_Element] = []
        self.waiting: dict[Zone, _Element] = {}
        self.hit: Hit | None = None
        for zone, states in stepper.initial():
            self.put(zone, states, None)

    def put(self, zone: Zone, states: Diagram, origin: tuple[int, Way] | None) -> None:
        """Let what is new among ``states`` wait to be explored."""
        states = self.new(zone, states)
        if states == self.d.false:
            return
        element = self.waiting.get(zone)
        if element is None:
            element = self.waiting[zone] = _Element(zone, self.d.false, self.d.false)
        element.fresh = element.fresh | states
        if origin is None:
            element.first = element.first | states
        else:
            element.origins.append((*origin, states))

    def explore(self, index: int) -> None:
        self.allowance.check()
        element = self.elements[index]
        for zone, states, way in self.stepper.after(element.zone, element.fresh):
            self.put(zone, states, (index, way))

    def look_at(self, index: int) -> bool:
        """Whether the element holds a bad state; then ``hit`` says how it is reached."""
        element = self.elements[index]
        wrong = self.stepper.bad_among(element.zone, element.fresh)
        if wrong == self.d.false:
            return False
        self.hit = self._way_to(index, wrong)
        return True

    def new(self, zone: Zone, states: Diagram) -> Diagram:
        """Those of ``states`` not visited with these times; they are from now on."""
        false = self.d.false
        seen = self.visited.get(zone)
        if seen is not None:
            states = states & ~seen
            if states == false:
                return states
        for other in self.around(zone):
            states = states & ~self.visited[other]
            if states == false:
                return states
        self.visited[zone] = states if seen is None else seen | states
        return states

    def around(self, zone: Zone) -> list[Zone]:
        """The visited zones that hold ``zone``; each pair of zones is compared but once."""
        compared, found = self._around.get(zone, (0, []))
        if compared < len(self.visited):
            found += [z for z in islice(self.visited, compared, None) if includes(z, zone)]
            self._around[zone] = (len(self.visited), found)
        return found

    def outcome(self) -> Exploration:
        s = self.stepper
        registers = tuple(s.system.registers)
        return Exploration(
            s.tracked,
            s.space,
            self.visited,
            self.hit,
            registers,
            n_elements=len(self.elements),
            in_layers=isinstance(self, _Layers),
        )

    def _way_to(self, index: int, targets: Diagram) -> Hit:
        d, system = self.d, self.stepper.system
        location = d.pick(targets, system.registers)
        assert location is not None
        path, kinds = [location], []
        tests = list(self.stepper.relations.tests)
        while d.state(path[-1]) & self.elements[index].first == d.false:
            target, here = d.state(path[-1], next=True), d.state(path[-1])
            for parent, way, arrived in self.elements[index].origins:
                if arrived & here == d.false:
                    continue
                aux = [v for v in way.relation.support if v.startswith("keep ")]
                drop = [*target.support, *tests, *aux]
                before = d.and_exists(way.before & way.relation, target, drop)
                location = d.pick(before, system.registers)
                if location is not None:
                    break
            else:
                raise AssertionError("a reached location without an origin")
            path.append(location)
            kinds.append(way.kind)
            index = parent
        return Hit(tuple(reversed(path)), tuple(reversed(kinds)))


class _Sweep(_Search):
    """The largest zone first, and on until nothing is left to do there."""

    def run(self, most: int | None) -> bool:
        """True when a bad state is found or nothing is left; False past ``most`` elements."""
        zone = None
        while self.waiting:
            if most is not None and len(self.elements) > most:
                return False
            if zone not in self.waiting:
                zone = max(self.waiting, key=sum)
            self.elements.append(self.waiting.pop(zone))
            if self.look_at(-1):
                return True
            self.explore(len(self.elements) - 1)
        return True


class _Layers(_Search):
    """Breadth first. ``run`` may be called again to go further."""

    def __init__(self, stepper: Stepper, allowance: Allowance):
        super().__init__(stepper, allowance)
        self._layer = range(0)
        self._next_layer()

    def run(self, most: int | None) -> bool:
        """True when a bad state is found or nothing is left; False past ``most`` elements."""
        while self.hit is None and self._layer:
            if most is not None and len(self.elements) > most:
                return False
            for index in self._layer:
                self.explore(index)
            self._next_layer()
        return True

    def _next_layer(self) -> None:
        begin = len(self.elements)
        self.elements.extend(self.waiting.values())
        self.waiting = {}
        self._layer = range(begin, len(self.elements))
        any(self.look_at(index) for index in self._layer)
