"""From large invariants to a few small lemmas, each confirmed by z3 on the whole timed step.

An exploration is an invariant, but a big one. Here it only answers a question: "z3 found this state;
is it reachable?" If some exploration says no, the reason is cut down to the few machines and the one
comparison of times that already exclude the state, and that becomes a lemma: "not (signal proceed and
entrance raised)". Lemmas are added until z3 finds no state from which a step leads out of them and
no bad state inside; then their conjunction is the certificate. (The generalisation of counterexamples
to induction follows Bradley, "SAT-based model checking without unrolling", 2011, with the explorations as
oracle.) Since z3 has the last word on the constraints of semantics section 5, a mistake in an
exploration can make a proof fail but not succeed.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Protocol

import z3

from verifier.engines.diagrams import Diagrams
from verifier.engines.limits import Allowance, OutOfBudget
from verifier.engines.solver import Answer, Frames, Query, Reply, is_true, number
from verifier.semantics.formula import Apart, AtLeast, Formula, atoms, negate
from verifier.semantics.system import Part, System, limit_formula
from verifier.semantics.watch import TIME


class NotExcluded(Exception):
    """No exploration excludes a state that z3 found: ``location`` and ``times`` say which."""

    def __init__(self, location: Mapping[str, str], times: Mapping[str, Fraction]):
        # All arguments go to the base class, or the exception could not leave a worker process.
        super().__init__(location, times)
        self.location, self.times = location, times

    def __str__(self) -> str:
        places = ", ".join(f"{name} is {state}" for name, state in self.location.items())
        times = ", ".join(f"{clock} = {value}" for clock, value in self.times.items())
        return f"{places}; {times}"


class _Times(dict[str, Fraction]):
    """The times of a state that z3 found, each read when first asked for: most sources need few."""

    def __init__(self, frames: Frames, model: z3.ModelRef):
        self._frames, self._model = frames, model

    def __missing__(self, clock: str) -> Fraction:
        return self.setdefault(clock, number(self._model, self._frames.clock(clock, 0)))


@dataclass
class Lemma:
    """``formula`` holds in every reachable state. ``support`` are the numbers of the lemmas that z3
    needed to show that every step keeps it."""

    number: int
    formula: Formula
    system: System
    now: z3.BoolRef
    not_next: z3.BoolRef
    support: frozenset[int] = field(default=frozenset())


class Oracle(Protocol):
    """What excludes states that z3 finds."""

    def is_of(self, base: System) -> bool:
        """Whether it is about the bare model, without any watch."""

    def reason(
        self, diagrams: Diagrams, location: Mapping[str, str], times: Mapping[str, Fraction]
    ) -> Formula | None:
        """A formula that it takes to be true in every reachable state, true in the first and false in the given
        one; None if it knows none."""


class _Goal:
    """What no state may satisfy, in a solver of its own: what it says of further frames would slow down every
    question about a step."""

    def __init__(self, frames: Frames, terms: Sequence[z3.BoolRef], allowance: Allowance):
        self._frames = frames
        self._query = Query(allowance)
        self._query.add(frames.domain(0), *terms)
        self._known: set[int] = set()

    def ask(self, lemmas: Iterable[Lemma]) -> Reply:
        """Whether a state that satisfies ``lemmas`` satisfies the goal."""
        lemmas = list(lemmas)
        for lemma in lemmas:
            if lemma.number not in self._known:
                self._known.add(lemma.number)
                self._query.add(z3.Implies(lemma.now, self._frames.term(lemma.formula, 0)))
        return self._query.ask(*(lemma.now for lemma in lemmas))


class Book:
    """Lemmas of one model under one budget, with the z3 solver that holds its step."""

    def __init__(self, base: System, diagrams: Diagrams, allowance: Allowance):
        self.base = base
        self.d = diagrams
        self.allowance = allowance
        self.frames = Frames(diagrams.registers, [*base.clocks, TIME])
        self.query = Query(allowance)
        self.lemmas: list[Lemma] = []
        self._all: dict[int, Lemma] = {}
        self._made: dict[tuple[Formula, int], Lemma] = {}
        self._extras: dict[int, tuple[System, z3.BoolRef]] = {}
        self._lay_down_step()

    # -- the step in z3

    def _lay_down_step(self) -> None:
        f, q, base = self.frames, self.query, self.base
        q.add(f.domain(0), f.domain(1), f.delay(0) >= 0)
        self.kinds = {"settle": z3.Bool("a settle round"), "world": z3.Bool("a world step")}
        settle, world = self.kinds["settle"], self.kinds["world"]
        q.add(z3.Implies(settle, f.delay(0) == 0))
        q.add(z3.Implies(settle, f.term(negate(base.settled), 0)))
        q.add(z3.Implies(world, f.term(base.settled, 0)))
        for limit in base.limits:
            q.add(z3.Implies(world, f.term(limit_formula(limit), 0)))
        self._lay_down(settle, base.settle_parts)
        self._lay_down(world, base.world_parts)

    def _lay_down(self, when: z3.BoolRef, parts: Sequence[Part]) -> None:
        for part in parts:
            self.query.add(z3.Implies(when, self.frames.term(part.formula, 0)))

    def _extra(self, system: System) -> list[z3.BoolRef]:
        """The assumption under which the watch of ``system`` is part of the step."""
        if system is self.base:
            return []
        if id(system) not in self._extras:
            switch = z3.Bool(f"watch {len(self._extras)}")
            first = len(self.base.settle_parts)
            for kind, parts in (
                ("settle", system.settle_parts[first:]),
                ("world", system.world_parts[first:]),
            ):
                self._lay_down(z3.And(switch, self.kinds[kind]), parts)
            self._extras[id(system)] = (system, switch)
        return [self._extras[id(system)][1]]

    # -- certificates

    def certify(
        self, system: System, bad: Formula, sources: Sequence[Oracle]
    ) -> list[Lemma]:
        """Lemmas that together are inductive and exclude ``bad``, none of them needless.

        Raises ``NotExcluded`` when z3 finds a bad state, or one that leads out of the lemmas, which
        none of ``sources`` excludes. Those of the bare model come first.
        """
        term = self.frames.term(bad, 0)
        return self.fewest(self.exclude(system, [term], sources), [term])

    def inductive(self, system: System, formulas: Sequence[tuple[Formula, System]]) -> list[Lemma] | None:
        """``formulas``, each of the bare model or of ``system``, as lemmas where z3 confirms in one question for each
        kind of step that together they are kept; None says nothing."""
        extra = self._extra(system)
        lemmas = [self._once(formula, of) for formula, of in formulas]
        left = z3.FreshBool("lemmas left")
        self.query.add(z3.Implies(left, z3.Or([lemma.not_next for lemma in lemmas])))
        for kind in self.kinds.values():
            if self._step(lemmas, [*extra, kind, left]).answer is not Answer.UNSAT:
                return None
        return lemmas

    def do_exclude(self, lemmas: Sequence[Lemma], terms: Sequence[z3.BoolRef]) -> bool:
        """Whether z3 confirms that no state with ``lemmas`` satisfies ``terms``, over frame 0 and further ones."""
        return _Goal(self.frames, terms, self.allowance).ask(lemmas).answer is Answer.UNSAT

    def exclude(
        self, system: System, terms: Sequence[z3.BoolRef], sources: Sequence[Oracle]
    ) -> list[Lemma]:
        """As ``certify``, for terms over frame 0 and further frames that no state may satisfy; some
        of the lemmas may be needless."""
        watched: list[Lemma] = []
        goal = _Goal(self.frames, terms, self.allowance)
        while True:
            inside = self.lemmas + watched
            reply = _known(goal.ask(inside))
            if reply.answer is Answer.UNSAT:
                break
            self._learn(system, reply.model, sources, watched)
        return self._closure(_used(reply.core, inside))

    def _step(self, lemmas: Iterable[Lemma], more: list[z3.BoolRef]) -> Reply:
        """Whether a step from where ``lemmas`` hold can do ``more``."""
        return self.query.ask(*(lemma.now for lemma in lemmas), *more)

    def _closure(self, needed: frozenset[int]) -> list[Lemma]:
        support = {number: lemma.support for number, lemma in self._all.items()}
        return [self._all[number] for number in sorted(_reached(needed, support))]

    def fewest(self, lemmas: list[Lemma], terms: Sequence[z3.BoolRef]) -> list[Lemma]:
        """``lemmas`` without those that are not needed for the rest to be inductive and to exclude
        ``terms``; the latest are tried first."""
        goal = _Goal(self.frames, terms, self.allowance)
        known = {lemma.number: lemma for lemma in lemmas}
        support = {lemma.number: lemma.support for lemma in lemmas}
        top = _core(_known(goal.ask(lemmas)), lemmas)
        assert top is not None, "lemmas that do not exclude what they were made for"
        alive = _reached(top, support)
        for needless in sorted(known, reverse=True):
            if needless not in alive:
                continue
            rest = [known[n] for n in sorted(alive - {needless})]
            found = _core(goal.ask(rest), rest) if needless in top else top
            leaning = [lemma for lemma in rest if needless in support[lemma.number]]
            instead: dict[int, frozenset[int]] = {}
            while found is not None and leaning:
                lemma = leaning.pop()
                core = self._kept_by(lemma, rest)
                if core is None:
                    found = None
                else:
                    instead[lemma.number] = core
            if found is not None:
                top = found
                support |= instead
                alive = _reached(top, support)
        return [known[n] for n in sorted(alive)]

    def _kept_by(self, lemma: Lemma, around: list[Lemma]) -> frozenset[int] | None:
        """Those of ``around`` with which z3 shows that every step keeps ``lemma``; None where it
        does not."""
        used: frozenset[int] = frozenset()
        for kind in self.kinds.values():
            more = [*self._extra(lemma.system), kind, lemma.not_next]
            core = _core(self._step(around, more), around)
            if core is None:
                return None
            used |= core
        return used

    def _learn(
        self,
        system: System,
        model: z3.ModelRef,
        sources: Sequence[Oracle],
        watched: list[Lemma],
    ) -> None:
        """Add lemmas until the state of ``model`` is excluded and all lemmas are inductive; none where that
        fails."""
        before = len(self.lemmas), len(watched)
        try:
            self._learn_from(system, model, sources, watched)
        except (NotExcluded, OutOfBudget):
            del self.lemmas[before[0] :], watched[before[1] :]
            raise

    def _learn_from(
        self,
        system: System,
        model: z3.ModelRef,
        sources: Sequence[Oracle],
        watched: list[Lemma],
    ) -> None:
        todo = [self._new_lemma(system, model, sources, watched)]
        while todo:
            self.allowance.check()
            lemma = todo[-1]
            around = self.lemmas if lemma.system is self.base else self.lemmas + watched
            support: set[int] = set()
            for kind in self.kinds.values():
                switches = self._extra(lemma.system)
                reply = _known(self._step(around, [*switches, kind, lemma.not_next]))
                if reply.answer is Answer.SAT:
                    todo.append(self._new_lemma(lemma.system, reply.model, sources, watched))
                    break
                support |= _used(reply.core, around)
            else:
                lemma.support = frozenset(support)
                todo.pop()

    def _new_lemma(
        self,
        system: System,
        model: z3.ModelRef,
        sources: Sequence[Oracle],
        watched: list[Lemma],
    ) -> Lemma:
        location = {}
        for name in system.registers:
            bits = self.frames.bits(name, 0)
            code = sum(1 << i for i, bit in enumerate(bits) if is_true(model, bit))
            location[name] = self.d.registers[name][code]
        times = _Times(self.frames, model)
        for source in sources:
            speaks_of_watch = not source.is_of(self.base)
            if speaks_of_watch and system is self.base:
                continue  # this is a state without one
            formula = source.reason(self.d, location, times)
            if formula is not None:
                lemma = self._add(formula, system if speaks_of_watch else self.base)
                (watched if speaks_of_watch else self.lemmas).append(lemma)
                return lemma
        raise NotExcluded(location, {clock: times[clock] for clock in system.clocks})

    def _once(self, formula: Formula, system: System) -> Lemma:
        key = formula, id(system)
        if key not in self._made:
            self._made[key] = self._add(formula, system)
        return self._made[key]

    def _add(self, formula: Formula, system: System) -> Lemma:
        number = len(self._all)
        now, not_next = z3.Bool(f"lemma {number}"), z3.Bool(f"not next {number}")
        lemma = self._all[number] = Lemma(number, formula, system, now, not_next)
        self.query.add(z3.Implies(now, self.frames.term(formula, 0)))
        self.query.add(z3.Implies(not_next, z3.Not(self.frames.term(formula, 1))))
        return lemma


def _known(reply: Reply) -> Reply:
    if reply.answer is Answer.UNKNOWN:
        raise OutOfBudget(f"z3 gave up on an obligation ({reply.reason})")
    return reply


def _used(core: frozenset[str], lemmas: Iterable[Lemma]) -> frozenset[int]:
    return frozenset(lemma.number for lemma in lemmas if f"lemma {lemma.number}" in core)


def _core(reply: Reply, lemmas: Iterable[Lemma]) -> frozenset[int] | None:
    """The lemmas with which z3 said no; None where it did not."""
    return _used(reply.core, lemmas) if reply.answer is Answer.UNSAT else None


def _reached(top: Iterable[int], support: Mapping[int, frozenset[int]]) -> frozenset[int]:
    """``top`` and all that they lean on, and so on."""
    found: set[int] = set()
    todo = list(top)
    while todo:
        number = todo.pop()
        if number not in found:
            found.add(number)
            todo.extend(support[number])
    return frozenset(found)


def clocks_of(formula: Formula) -> frozenset[str]:
    """Clocks that ``formula`` mentions."""
    found = set()
    for atom in atoms(formula):
        if isinstance(atom, AtLeast):
            found.add(atom.clock)
        elif isinstance(atom, Apart):
            found |= {atom.left, atom.right}
    return frozenset(found)
