"""Reachable states with all locations exact and only a few clocks, the rest forgotten.

A set of states is a list of (zone, diagram) pairs: the zone bounds the tracked clocks, the diagram
holds the locations. With no clock tracked this is plain clock-free reachability. Breadth first, one
layer a step, so that the first layer with a bad state is no deeper than the shortest real
counterexample. Forgetting clocks only adds behaviour: what is not reached here is not reachable.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from fractions import Fraction

from dd import cudd

from verifier.engines.diagrams import Diagram, Diagrams
from verifier.engines.limits import Allowance
from verifier.engines.zones import Axis, Space, Zone, includes
from verifier.semantics.formula import (
    YES,
    Formula,
    Update,
    all_of,
    comparisons_with_sign,
    map_atoms,
    negate,
)
from verifier.semantics.system import Part, System
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
        bad: Diagram | None = None,
    ) -> Exploration:
        """Explore ``system`` from its initial state, the clocks of ``tracked`` exact.

        ``known`` is an over-approximation of the reachable locations, inside which the search stays.
        It stops at the first layer with a state in ``bad`` (over present locations and tests).
        """
        order = tuple(sorted(tracked))
        return _Search(self, system, _Relations(self, system, order), known, bad).run()

    def model_relations(self, tracked: tuple[str, ...]) -> tuple[Diagram, Diagram]:
        """Settle round and world step of the bare model; tests of other clocks come out either way."""
        if tracked not in self._relations:
            base = self.base
            moves = negate(base.settled)
            self._relations[tracked] = (
                self.conjoin(base.settle_parts, self.d.of(moves), tracked),
                self.conjoin(base.world_parts, self.d.of(base.settled), tracked),
            )
        return self._relations[tracked]

    def conjoin(
        self, parts: Sequence[Part], first: Diagram, tracked: tuple[str, ...], takes: bool = True
    ) -> Diagram:
        """The conjunction of ``parts``; what the steps take is forgotten again if ``takes``."""
        d = self.d
        names = set(tracked)

        def relevant(atom: Formula) -> Formula:
            return YES if isinstance(atom, Update) and atom.clock not in names else atom

        found = first
        for part in parts:
            piece = d.of(map_atoms(part.formula, relevant))
            if takes and self.base.budget == 0:
                own = [v for v in piece.support if v.startswith(f"take {part.owner} ")]
                piece = d.bdd.exist(own, piece)
            found = found & piece
        drop = [n for n, atom in d.tests.items() if atom.clock not in names]
        if takes:
            drop += [v for v in found.support if v.startswith("take ")]
        return d.bdd.exist(drop, found)


def axes(system: System, tracked: Sequence[str]) -> list[Axis]:
    """For each tracked clock the greatest numbers it must have reached, and must not have passed."""
    floors: dict[str, Fraction] = {}
    ceilings = {}
    formulas = [system.settled, negate(system.settled), system.bad]
    formulas += [part.formula for part in system.settle_parts + system.world_parts]
    for formula in formulas:
        for atom, positive in comparisons_with_sign(formula):
            side = floors if positive else ceilings
            side[atom.clock] = max(side.get(atom.clock, atom.bound), atom.bound)
    for limit in system.limits:
        for clock, end in limit.ends:
            ceilings[clock] = max(ceilings.get(clock, end), end)
    return [Axis(name, floors.get(name), ceilings.get(name)) for name in tracked]


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
            moves = d.of(negate(system.settled))
            self.settle = self._whole(explorer, system.settle_parts, moves)
            self.world = self._whole(explorer, system.world_parts, d.of(system.settled))
        elif settle:
            self.settle = explorer.conjoin(settle, self.settle, tracked)
            self.world = explorer.conjoin(world, self.world, tracked)
        self.matters = {c: d.without_tests(d.of(system.clocks[c].matters)) for c in tracked}
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
        return explorer.conjoin(joined, first, self.tracked)

    def tests_of(self, delayed: bool) -> list[str]:
        return [name for name, atom in self.tests.items() if atom.delayed == delayed]


class _Search:
    def __init__(
        self,
        explorer: Explorer,
        system: System,
        relations: _Relations,
        known: Diagram,
        bad: Diagram | None,
    ):
        d = self.d = explorer.d
        self.allowance = explorer.allowance
        self.system = system
        self.relations = relations
        self.tracked = relations.tracked
        self.known = known
        constants = [atom.bound for atom in d.tests.values()]
        constants += [end for limit in system.limits for _, end in limit.ends]
        self.space = Space(axes(system, self.tracked), constants)
        self.bad = None if bad is None else d.without_tests(bad, but=relations.tests)
        self.quantify = d.present(system.registers) + list(relations.tests)
        self.visited: dict[Zone, Diagram] = {}
        self.elements: list[Element] = []

    def run(self) -> Exploration:
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
            for index in range(first, len(self.elements)):
                self.allowance.check()
                self._successors(layer, index, depth)
        return Exploration(self.tracked, self.space, self.visited, hit, depth)

    # -- adding

    def _add(self, layer, zone: Zone, states: Diagram, origin: Origin | None, depth: int) -> None:
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

    def _tidy(self, zone: Zone, states: Diagram) -> Iterator[tuple[Zone, Diagram]]:
        """Forget clocks where they no longer matter, and what lies beyond their horizons."""
        pieces = [(zone, states)]
        for clock in self.tracked:
            matters = self.relations.matters[clock]
            divided = []
            for z, s in pieces:
                inside, outside = s & matters, s & ~matters
                if inside != self.d.false:
                    divided.append((z, inside))
                if outside != self.d.false:
                    divided.append((self.space.forget(z, clock), outside))
            pieces = divided
        for z, s in pieces:
            yield self.space.widen(z), s

    # -- splitting by tests

    def _split(
        self, zone: Zone, states: Diagram, tests: list[str]
    ) -> Iterator[tuple[Zone, Diagram]]:
        """Pieces of the zone on which every test has one outcome; the diagram fixes the outcomes."""
        live = []
        for name in tests:
            atom = self.relations.tests[name]
            if states & self.relations.matters[atom.clock] != self.d.false:
                live.append((name, atom))
        pieces = [(zone, self.d.true)]
        for name, atom in live:
            divided = []
            variable = self.d.bdd.var(name)
            for z, outcomes in pieces:
                yes = self.space.at_least(z, atom.clock, atom.bound, atom.strict)
                no = self.space.at_most(z, atom.clock, atom.bound, not atom.strict)
                if atom.delayed and no is not None:
                    # the world need not do what it may: no bound is learnt from its not doing it
                    no = z
                if yes is not None:
                    divided.append((yes, outcomes & variable))
                if no is not None:
                    divided.append((no, outcomes & ~variable))
            pieces = divided
        return iter(pieces)

    # -- steps

    def _successors(self, layer, index: int, depth: int) -> None:
        element = self.elements[index]
        d, r = self.d, self.relations
        for zone, outcomes in self._split(element.zone, element.fresh, r.tests_of(delayed=False)):
            here = element.fresh & outcomes
            self._image(layer, Origin(index, "settle", here, r.settle), depth, zone)
            quiet = here & r.settled
            if quiet == d.false:
                continue
            for z, states in self._absorbed(zone, quiet):
                for waited, waiting in self._wait(z, states):
                    late = r.tests_of(delayed=True)
                    for final, when in self._split(waited, waiting, late):
                        origin = Origin(index, "world", waiting & when, r.world)
                        self._image(layer, origin, depth, final)

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
            for _, outcomes in self._split(element.zone, element.fresh, tests):
                wrong = self.d.bdd.exist(
                    list(self.relations.tests), element.fresh & outcomes & self.bad
                )
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
                drop = [v for v in target.support] + list(self.relations.tests) + aux
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
