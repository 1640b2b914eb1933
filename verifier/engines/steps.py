"""One step of the exploration: a zone with a set of locations in, the same out.

The zone bounds the tracked clocks, the diagram holds the locations. A part of the set is cut off
wherever a test of a tracked clock, a deadline or the end of a clock's use makes a difference.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction

from verifier.engines.diagrams import Diagram
from verifier.engines.relations import Relations
from verifier.engines.zones import NOTHING, Space, Zone, includes
from verifier.semantics.formula import Formula
from verifier.semantics.system import System
from verifier.semantics.watch import TIME


@dataclass
class Way:
    """How some locations came about: ``relation`` links ``before`` (present) to them."""

    kind: str
    before: Diagram
    relation: Diagram


@dataclass(frozen=True)
class Fate:
    """What a step does to the times of some locations: the clocks that begin ``again``, those that are
    ``idle`` from now on, and how far each of the others still counts."""

    again: tuple[str, ...]
    idle: tuple[str, ...]
    floors: tuple[int, ...]
    ceilings: tuple[int, ...]


class Stepper:
    """Steps of ``system`` with the clocks of ``relations`` exact, inside the locations ``known``.

    With ``keep``, only the history of those registers is followed: the others may at any time be
    what ``known`` allows.
    """

    def __init__(
        self,
        system: System,
        relations: Relations,
        known: Diagram,
        bad: Formula | None,
        keep: Collection[str] | None,
    ):
        d = self.d = relations.d
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
        self._now = relations.tests_of(delayed=False)
        self._late = relations.tests_of(delayed=True)
        self._quantify = [*d.present(system.registers), *relations.tests]
        self._steps: dict[tuple[str, Diagram], dict[Fate, tuple[Diagram, Diagram]]] = {}
        self._met: dict[tuple[Zone, Fate], Zone] = {}
        self._outcome_of: dict[tuple[Zone, str], tuple[Zone | None, Zone | None]] = {}
        self._waited_of: dict[tuple[Zone, tuple[int, ...]], list[Zone]] = {}
        self._forgotten: list[str] = []
        if keep is not None:
            self._forgotten = d.present(r for r in system.registers if r not in keep)

    def initial(self) -> Iterator[tuple[Zone, Diagram]]:
        start = self.d.state(self.system.initial) & self.known
        for fate, states in self._fates(self._as_known(start), ()):
            yield self._meet(self.space.zero(), fate), states

    def after(self, zone: Zone, states: Diagram) -> Iterator[tuple[Zone, Diagram, Way]]:
        """Everything one step away from ``states`` with the clocks in ``zone``."""
        d, r = self.d, self.relations
        settling: dict[Zone, Diagram] = {}
        acting: dict[Zone, Diagram] = {}
        for part, here in self._split(zone, states, self._now):
            settling[part] = settling.get(part, d.false) | here
            quiet = here & r.settled
            if quiet == d.false:
                continue
            for z, absorbed in self._absorbed(part, quiet):
                for waited, waiting in self._wait(z, absorbed):
                    for final, ready in self._split(waited, waiting, self._late):
                        acting[final] = acting.get(final, d.false) | ready
        for part, here in settling.items():
            yield from self._image(part, Way("settle", here, r.settle))
        for part, here in acting.items():
            yield from self._image(part, Way("world", here, r.world))

    def bad_among(self, zone: Zone, states: Diagram) -> Diagram:
        """The bad locations among ``states`` that are so at some time in ``zone``."""
        d = self.d
        found = d.false
        if self.bad is None or states & self.bad == d.false:
            return found
        for _, here in self._split(zone, states, self._now):
            found = found | (here & self.bad)
        return d.bdd.exist(list(self.relations.tests), found)

    # -- tidying

    def _as_known(self, states: Diagram) -> Diagram:
        if not self._forgotten:
            return states
        return self.d.bdd.exist(self._forgotten, states) & self.known

    def _units(self, seconds: Fraction | None) -> int:
        return NOTHING if seconds is None else self.space.units(seconds)

    def _fates(self, states: Diagram, again: tuple[str, ...]) -> Iterator[tuple[Fate, Diagram]]:
        """Parts of ``states`` by which clocks no longer matter there, and how far the others count;
        those of ``again`` have just begun anew."""
        pieces = [(states, (), (0,), (0,))]
        for clock in self.tracked:
            divided = []
            for s, idle, floors, ceilings in pieces:
                for where, floor, ceiling in self.horizons[clock]:
                    inside = s & where
                    if inside != self.d.false:
                        divided.append((inside, idle, (*floors, floor), (*ceilings, ceiling)))
                        s = s & ~where
                        if s == self.d.false:
                            break
                if s != self.d.false:
                    divided.append((s, (*idle, clock), (*floors, NOTHING), (*ceilings, NOTHING)))
            pieces = divided
        for s, idle, floors, ceilings in pieces:
            yield Fate(tuple(c for c in again if c not in idle), idle, floors, ceilings), s

    def _meet(self, zone: Zone, fate: Fate) -> Zone:
        """``zone`` after what ``fate`` says: what no longer matters, or lies beyond the horizon of a
        clock, is forgotten."""
        key = (zone, fate)
        found = self._met.get(key)
        if found is None:
            found = zone
            for clock in fate.again:
                found = self.space.reset(found, clock)
            for clock in fate.idle:
                found = self.space.forget(found, clock)
            found = self._met[key] = self.space.widen(found, fate.floors, fate.ceilings)
        return found

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
                variable = self.d.bdd.var(name)
                divided = []
                for z, s in pieces:
                    yes, no = self._outcome(z, name)
                    if yes is not None:
                        divided.append((yes, s & variable))
                    if no is not None:
                        divided.append((no, s & ~variable))
                pieces = divided
            yield from pieces

    def _outcome(self, zone: Zone, test: str) -> tuple[Zone | None, Zone | None]:
        """``zone`` where ``test`` is met, and where it is not; None for nowhere."""
        key = (zone, test)
        found = self._outcome_of.get(key)
        if found is None:
            atom = self.relations.tests[test]
            yes = self.space.at_least(zone, atom.clock, atom.bound, atom.strict)
            no = self.space.at_most(zone, atom.clock, atom.bound, not atom.strict)
            if no is not None and atom.delayed:
                # the world need not do what it may: its not doing it teaches no bound
                no = zone
            found = self._outcome_of[key] = (yes, no)
        return found

    # -- steps

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
        groups: list[tuple[Diagram, tuple[int, ...]]] = [(states, ())]
        for number, (active, _) in enumerate(self.relations.limits):
            divided = []
            for s, limits in groups:
                bound, unbound = s & active, s & ~active
                if bound != self.d.false:
                    divided.append((bound, (*limits, number)))
                if unbound != self.d.false:
                    divided.append((unbound, limits))
            groups = divided
        for s, limits in groups:
            for piece in self._waited(zone, limits):
                yield piece, s

    def _waited(self, zone: Zone, limits: tuple[int, ...]) -> list[Zone]:
        """``zone`` after every delay that the ``limits`` of these numbers allow."""
        key = (zone, limits)
        pieces = self._waited_of.get(key)
        if pieces is None:
            pieces = [self.space.wait(zone)]
            for number in limits:
                # one of the ends must not be passed; a limit without ends forbids any delay
                pieces = [
                    cut
                    for piece in pieces
                    for clock, end in self.relations.limits[number][1]
                    if (cut := self.space.at_most(piece, clock, end, False)) is not None
                ]
            if not any(includes(piece, zone) for piece in pieces):
                pieces.append(zone)
            self._waited_of[key] = pieces
        return pieces

    def _image(self, zone: Zone, way: Way) -> Iterator[tuple[Zone, Diagram, Way]]:
        """Take the step ``way`` describes with the clocks in ``zone``."""
        if way.before == self.d.false:
            return
        key = (way.kind, way.before)
        outcomes = self._steps.get(key)
        if outcomes is None:
            outcomes = self._steps[key] = self._fates_of(way)
        for fate, (states, relation) in outcomes.items():
            yield self._meet(zone, fate), states, Way(way.kind, way.before, relation)

    def _fates_of(self, way: Way) -> dict[Fate, tuple[Diagram, Diagram]]:
        """The locations that the step leads to and the relation that does it, whatever the zone, by
        what becomes of the clocks."""
        d = self.d
        stepped = d.and_exists(way.before, way.relation, self._quantify)
        reached = d.rename_to_present(stepped) & self.known
        if reached == d.false:
            return {}
        pieces: list[tuple[tuple[str, ...], Diagram, Diagram]] = [((), reached, way.relation)]
        for clock in self.tracked:
            name = f"keep {clock}"
            if clock == TIME:
                pieces = [(again, d.bdd.exist([name], s), rel) for again, s, rel in pieces]
                continue
            keep = d.bdd.var(name)
            divided = []
            for again, s, rel in pieces:
                grown, gone = d.where(name, s)
                if grown != d.false:
                    divided.append((again, grown, rel & keep))
                if gone != d.false:
                    divided.append(((*again, clock), gone, rel & ~keep))
            pieces = divided
        found: dict[Fate, tuple[Diagram, Diagram]] = {}
        for again, s, rel in pieces:
            for fate, states in self._fates(self._as_known(s), again):
                other, also = found.get(fate, (d.false, d.false))
                found[fate] = (other | states, also | rel)
        return found
