"""Reachable states with all locations exact and only a few clocks, the rest forgotten.

A set of states is a list of (zone, diagram) pairs: the zone bounds the tracked clocks, the diagram
holds the locations. With no clock tracked this is plain clock-free reachability. Breadth first, one
layer a step, so that the first layer with a bad state is no deeper than the shortest real
counterexample. Forgetting clocks only adds behaviour: what is not reached here is not reachable.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, field
from fractions import Fraction

from dd import cudd

from verifier.engines.diagrams import Diagram, Diagrams
from verifier.engines.limits import Allowance
from verifier.engines.zones import NOTHING, Space, Zone, includes
from verifier.semantics.formula import (
    YES,
    Formula,
    In,
    Update,
    all_of,
    comparisons_with_sign,
    map_atoms,
)
from verifier.semantics.system import Part, System, state_clock
from verifier.semantics.watch import TIME


@dataclass
class Origin:
    """How part of an element came about: ``relation`` links ``before`` (present) to its locations."""

    parent: int
    kind: str
    before: Diagram
    relation: Diagram


@dataclass
class Element:
    zone: Zone
    fresh: Diagram
    layer: int
    origins: list[Origin] = field(default_factory=list)


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
    layers: int
    registers: tuple[str, ...]

    def locations(self, diagrams: Diagrams) -> Diagram:
        """All locations reached, whatever the times."""
        found = diagrams.false
        for states in self.sets.values():
            found = found | states
        return found


class Explorer:
    """Explores the systems of one model; relations are built once for each set of tracked clocks."""

    def __init__(self, diagrams: Diagrams, base: System, allowance: Allowance):
        self.d = diagrams
        self.base = base
        self.allowance = allowance
        self._relations: dict[tuple[str, ...], tuple[Diagram, Diagram]] = {}

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
        It stops at the first layer with a state in ``bad``, a formula over one state. None when it
        would take more than ``most`` elements. With ``keep``, only the history of those registers is
        followed: the others may at any time be what ``known`` allows (then ``bad`` must be None).
        """
        order = tuple(sorted(tracked))
        if order:
            self.d.reorder()
        return _Search(self, system, _Relations(self, system, order), known, bad, keep).run(most)

    def model_relations(self, tracked: tuple[str, ...]) -> tuple[Diagram, Diagram]:
        """Settle round and world step of the bare model; tests of other clocks come out either way."""
        if tracked not in self._relations:
            base, settled = self.base, self.d.of(self.base.settled)
            self._relations[tracked] = (
                self.conjoin(base.settle_parts, ~settled, frozenset(tracked)),
                self.conjoin(base.world_parts, settled, frozenset(tracked)),
            )
        return self._relations[tracked]

    def conjoin(self, parts: Sequence[Part], first: Diagram, tracked: frozenset[str]) -> Diagram:
        """The conjunction of ``parts``; what the steps take is forgotten again."""
        d = self.d

        def relevant(atom: Formula) -> Formula:
            return YES if isinstance(atom, Update) and atom.clock not in tracked else atom

        found = first
        for part in parts:
            piece = d.of(map_atoms(part.formula, relevant))
            if self.base.budget == 0:
                own = [v for v in piece.support if v.startswith(f"take {part.owner} ")]
                piece = d.bdd.exist(own, piece)
            found = found & piece
        drop = [n for n, atom in d.tests.items() if atom.clock not in tracked]
        drop += [v for v in found.support if v.startswith("take ")]
        return d.bdd.exist(drop, found)


@dataclass(frozen=True)
class Horizon:
    """Where a clock counts, and the greatest number that some guard there wants it to have reached
    (``floor``), or not to have passed (``ceiling``); None where none does. In seconds."""

    where: Diagram
    floor: Fraction | None
    ceiling: Fraction | None


def horizons(d: Diagrams, system: System, clock: str) -> list[Horizon]:
    """The places where ``clock`` counts, those with equal bounds together."""
    if clock == TIME:
        floor = ceiling = None
        formulas = [system.bad] + [p.formula for p in system.settle_parts + system.world_parts]
        for formula in formulas:
            for atom, positive in comparisons_with_sign(formula):
                if atom.clock == TIME and positive:
                    floor = atom.bound
                elif atom.clock == TIME:
                    ceiling = atom.bound
        where = d.without_tests(d.of(system.clocks[clock].matters))
        return [Horizon(where, floor, ceiling)]
    owner = system.clocks[clock].owner
    is_control = system.model.machine(owner).is_control
    bounds: dict[str, list] = {}
    for rule in system.rules[owner]:
        starts, ends = dict(rule.starts), dict(rule.ends)
        if clock not in starts and clock not in ends:
            continue
        own_state = clock == state_clock(owner)
        place = In(owner, frozenset({rule.transition.source})) if own_state else rule.free
        here = bounds.setdefault(rule.transition.source, [d.false, None, None])
        here[0] = here[0] | d.of(place)
        here[1] = _greater(here[1], starts.get(clock))
        here[2] = _greater(here[2], ends.get(clock))
        if is_control:
            here[2] = _greater(here[2], starts.get(clock))
    found: dict[tuple, Diagram] = {}
    for where, floor, ceiling in bounds.values():
        key = (floor, ceiling)
        found[key] = found.get(key, d.false) | where
    return [Horizon(where, floor, ceiling) for (floor, ceiling), where in found.items()]


def _greater(one: Fraction | None, other: Fraction | None) -> Fraction | None:
    if one is None or other is None:
        return other if one is None else one
    return max(one, other)


class _Relations:
    """Step relations as diagrams, for one system and one choice of tracked clocks."""

    def __init__(self, explorer: Explorer, system: System, tracked: tuple[str, ...]):
        d = self.d = explorer.d
        self.tracked = tracked
        names = set(tracked)
        self.tests = {n: a for n, a in d.tests.items() if a.clock in names}
        clocks = tuple(c for c in tracked if c != TIME)
        self.settle, self.world = explorer.model_relations(clocks)
        watching = len(explorer.base.settle_parts)
        settle, world = system.settle_parts[watching:], system.world_parts[watching:]
        if any(part.owner for part in settle):
            # the extra parts speak of what machines take, so the whole has to be built at once
            settled = d.of(system.settled)
            self.settle = self._whole(explorer, system.settle_parts, ~settled)
            self.world = self._whole(explorer, system.world_parts, settled)
        elif settle:
            self.settle = explorer.conjoin(settle, self.settle, frozenset(names))
            self.world = explorer.conjoin(world, self.world, frozenset(names))
        self.horizons = {clock: horizons(d, system, clock) for clock in tracked}
        self.asked_in = {name: self._asked_in(system, name) for name in self.tests}
        self.limits = [
            (d.of(limit.active), limit.ends)
            for limit in system.limits
            if all(clock in names for clock, _ in limit.ends)
        ]
        self.restart = None
        if TIME in names:
            assert system.watch is not None and system.watch.restart is not None
            self.restart = d.without_tests(d.of(system.watch.restart), but=self.tests)
        self.settled = d.without_tests(d.of(system.settled), but=self.tests)

    def _whole(self, explorer: Explorer, parts: Sequence[Part], first: Diagram) -> Diagram:
        owners: dict[str, list[Formula]] = {}
        for part in parts:
            owners.setdefault(part.owner, []).append(part.formula)
        joined = [Part(owner, all_of(*formulas)) for owner, formulas in owners.items()]
        return explorer.conjoin(joined, first, frozenset(self.tracked))

    def _asked_in(self, system: System, test: str) -> Diagram:
        """The locations in which the outcome of a test can decide anything."""
        d, atom = self.d, self.tests[test]
        if atom.clock == TIME:
            return d.true
        found = d.false
        for rule in system.rules[system.clocks[atom.clock].owner]:
            if (atom.clock, atom.bound) in rule.starts + rule.ends:
                found = found | d.of(rule.free)
        return found

    def tests_of(self, delayed: bool) -> list[str]:
        return [name for name, atom in self.tests.items() if atom.delayed == delayed]


class _Search:
    def __init__(
        self,
        explorer: Explorer,
        system: System,
        relations: _Relations,
        known: Diagram,
        bad: Formula | None,
        keep: Collection[str] | None,
    ):
        d = self.d = explorer.d
        self.allowance = explorer.allowance
        self.system = system
        self.relations = relations
        self.tracked = relations.tracked
        self.known = known
        constants = [atom.bound for atom in d.tests.values()]
        constants += [end for limit in system.limits for _, end in limit.ends]
        self.space = Space(self.tracked, constants)
        self.horizons = {
            clock: [(h.where, self._units(h.floor), self._units(h.ceiling)) for h in found]
            for clock, found in relations.horizons.items()
        }
        self.bad = None if bad is None else d.without_tests(d.of(bad), but=relations.tests)
        self.quantify = [*d.present(system.registers), *relations.tests]
        self.forgotten: list[str] = []
        if keep is not None:
            assert bad is None, "a way through forgotten registers could not be told"
            self.forgotten = d.present(r for r in system.registers if r not in keep)
        self.visited: dict[Zone, Diagram] = {}
        self.elements: list[Element] = []

    def run(self, most: int | None) -> Exploration | None:
        d = self.d
        zone = self.space.zero()
        start = d.state(self.system.initial) & self.known
        layer: dict[Zone, Element] = {}
        for tidy, states in self._tidy(zone, start):
            self._add(layer, tidy, states, None, 0)
        depth = 0
        hit = None
        while layer:
            first = len(self.elements)
            self.elements.extend(layer.values())
            hit = self._find_bad(first)
            if hit is not None:
                break
            depth += 1
            layer = {}
            if most is not None and len(self.elements) > most:
                return None
            for index in range(first, len(self.elements)):
                self.allowance.check()
                self._successors(layer, index, depth)
        return Exploration(
            self.tracked, self.space, self.visited, hit, depth, tuple(self.system.registers)
        )

    # -- adding

    def _add(self, layer, zone: Zone, states: Diagram, origin: Origin | None, depth: int) -> None:
        if self.forgotten:
            states = self.d.bdd.exist(self.forgotten, states) & self.known
        for other, seen in self.visited.items():
            if includes(other, zone):
                states = states & ~seen
                if states == self.d.false:
                    return
        self.visited[zone] = self.visited.get(zone, self.d.false) | states
        element = layer.get(zone)
        if element is None:
            element = layer[zone] = Element(zone, states, depth)
        else:
            element.fresh = element.fresh | states
        if origin is not None:
            element.origins.append(origin)

    def _units(self, seconds: Fraction | None) -> int:
        return NOTHING if seconds is None else self.space.units(seconds)

    def _tidy(self, zone: Zone, states: Diagram) -> Iterator[tuple[Zone, Diagram]]:
        """Forget clocks where they no longer matter, and what lies beyond their horizons."""
        pieces = [(zone, states, (0,), (0,))]
        for clock in self.tracked:
            divided = []
            for z, s, floors, ceilings in pieces:
                for where, floor, ceiling in self.horizons[clock]:
                    inside = s & where
                    if inside != self.d.false:
                        divided.append((z, inside, (*floors, floor), (*ceilings, ceiling)))
                        s = s & ~where
                        if s == self.d.false:
                            break
                if s != self.d.false:
                    blank = self.space.forget(z, clock)
                    divided.append((blank, s, (*floors, NOTHING), (*ceilings, NOTHING)))
            pieces = divided
        for z, s, floors, ceilings in pieces:
            yield self.space.widen(z, floors, ceilings), s

    # -- splitting by tests

    def _asking(self, states: Diagram, tests: Sequence[str]) -> Iterator[tuple[Diagram, list[str]]]:
        """Parts of ``states`` with those of ``tests`` whose outcome can count there."""
        pieces: list[tuple[Diagram, list[str]]] = [(states, [])]
        for name in tests:
            where = self.relations.asked_in[name]
            divided = []
            for s, asked in pieces:
                inside, outside = s & where, s & ~where
                if inside != self.d.false:
                    divided.append((inside, [*asked, name]))
                if outside != self.d.false:
                    divided.append((outside, asked))
            pieces = divided
        return iter(pieces)

    def _split(
        self, zone: Zone, states: Diagram, tests: Sequence[str]
    ) -> Iterator[tuple[Zone, Diagram]]:
        """Parts of ``states`` and of the zone on which every test that counts has one outcome; the
        outcomes are conjoined to the diagram."""
        for part, asked in self._asking(states, tests):
            pieces = [(zone, part)]
            for name in asked:
                atom = self.relations.tests[name]
                variable = self.d.bdd.var(name)
                divided = []
                for z, s in pieces:
                    yes = self.space.at_least(z, atom.clock, atom.bound, atom.strict)
                    no = self.space.at_most(z, atom.clock, atom.bound, not atom.strict)
                    if yes is not None:
                        divided.append((yes, s & variable))
                    if no is not None:
                        # the world need not do what it may: its not doing it teaches no bound
                        divided.append((z if atom.delayed else no, s & ~variable))
                pieces = divided
            yield from pieces

    # -- steps

    def _successors(self, layer, index: int, depth: int) -> None:
        element = self.elements[index]
        d, r = self.d, self.relations
        settling: dict[Zone, Diagram] = {}
        acting: dict[Zone, Diagram] = {}
        now, late = r.tests_of(delayed=False), r.tests_of(delayed=True)
        for zone, here in self._split(element.zone, element.fresh, now):
            settling[zone] = settling.get(zone, d.false) | here
            quiet = here & r.settled
            if quiet == d.false:
                continue
            for z, states in self._absorbed(zone, quiet):
                for waited, waiting in self._wait(z, states):
                    for final, ready in self._split(waited, waiting, late):
                        acting[final] = acting.get(final, d.false) | ready
        for zone, states in settling.items():
            self._image(layer, Origin(index, "settle", states, r.settle), depth, zone)
        for zone, states in acting.items():
            self._image(layer, Origin(index, "world", states, r.world), depth, zone)

    def _absorbed(self, zone: Zone, states: Diagram) -> Iterator[tuple[Zone, Diagram]]:
        """The watch's clock begins again before the delay (semantics 8.1)."""
        restart = self.relations.restart
        if restart is None:
            yield zone, states
            return
        again, on = states & restart, states & ~restart
        if again != self.d.false:
            yield self.space.reset(zone, TIME), again
        if on != self.d.false:
            yield zone, on

    def _wait(self, zone: Zone, states: Diagram) -> Iterator[tuple[Zone, Diagram]]:
        """The zone after every delay that 5.4 allows, by which limits are active."""
        groups: list[tuple[Diagram, list]] = [(states, [])]
        for active, ends in self.relations.limits:
            divided = []
            for s, limits in groups:
                bound, unbound = s & active, s & ~active
                if bound != self.d.false:
                    divided.append((bound, limits + [ends]))
                if unbound != self.d.false:
                    divided.append((unbound, limits))
            groups = divided
        for s, limits in groups:
            pieces = [self.space.wait(zone)]
            for ends in limits:
                # one of the ends must not be passed; a limit without ends forbids any delay
                pieces = [
                    cut
                    for piece in pieces
                    for clock, end in ends
                    if (cut := self.space.at_most(piece, clock, end, False)) is not None
                ]
            if not any(includes(piece, zone) for piece in pieces):
                pieces.append(zone)
            for piece in pieces:
                yield piece, s

    def _image(self, layer, origin: Origin, depth: int, zone: Zone) -> None:
        """Take the step ``origin`` describes with the clocks in ``zone``; add what is reached."""
        d = self.d
        if origin.before == d.false:
            return
        stepped = cudd.and_exists(origin.before, origin.relation, self.quantify)
        reached = d.rename_to_present(stepped) & self.known
        if reached == d.false:
            return
        pieces = [(zone, reached, origin.relation)]
        for clock in self.tracked:
            name = f"keep {clock}"
            if clock == TIME:
                pieces = [(z, d.bdd.exist([name], s), rel) for z, s, rel in pieces]
                continue
            keep = d.bdd.var(name)
            divided = []
            for z, s, rel in pieces:
                grown = d.bdd.let({name: True}, s)
                gone = d.bdd.let({name: False}, s)
                if grown != d.false:
                    divided.append((z, grown, rel & keep))
                if gone != d.false:
                    divided.append((self.space.reset(z, clock), gone, rel & ~keep))
            pieces = divided
        for z, s, rel in pieces:
            for tidy, states in self._tidy(z, s):
                way = Origin(origin.parent, origin.kind, origin.before, rel)
                self._add(layer, tidy, states, way, depth)

    # -- bad states and the way to them

    def _find_bad(self, first: int) -> Hit | None:
        if self.bad is None:
            return None
        for index in range(first, len(self.elements)):
            element = self.elements[index]
            if element.fresh & self.bad == self.d.false:
                continue
            tests = self.relations.tests_of(delayed=False)
            for _, here in self._split(element.zone, element.fresh, tests):
                wrong = self.d.bdd.exist(list(self.relations.tests), here & self.bad)
                if wrong != self.d.false:
                    return self._way_to(index, wrong)
        return None

    def _way_to(self, index: int, targets: Diagram) -> Hit:
        d = self.d
        location = d.pick(targets, self.system.registers)
        assert location is not None
        path, kinds = [location], []
        while self.elements[index].layer > 0:
            target = d.state(path[-1], next=True)
            for origin in self.elements[index].origins:
                aux = [v for v in origin.relation.support if v.startswith("keep ")]
                drop = [*target.support, *self.relations.tests, *aux]
                before = cudd.and_exists(origin.before & origin.relation, target, drop)
                location = d.pick(before, self.system.registers)
                if location is not None:
                    break
            else:
                raise AssertionError("a reached location without an origin")
            path.append(location)
            kinds.append(origin.kind)
            index = origin.parent
        return Hit(tuple(reversed(path)), tuple(reversed(kinds)))
