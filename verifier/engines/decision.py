"""Deciding properties of one model: one pipeline, and what it learns is shared.

1. Forget all clocks and compute the reachable locations, once for the model.
2. A bad state still reachable? Take a shortest way to it and ask for exact times. They exist: a
   counterexample. They do not: the clocks to blame.
   Then, and each time it comes back here, a scout looks a little farther with nothing forgotten, one
   location after another: near counterexamples are found long before the right clocks (``scout``). Where
   it has seen everything, the property holds; a short proof is looked for, else what it saw is one (``exact``).
3. Explore again with those clocks exact, all others forgotten; first for the model alone, so that
   every property profits, then with the property's watch. Back to 2.
4. Clocks that are blamed though they are exact already (zones forget a little): bounded search a few
   steps deeper, then z3's fixed-point engine under all that is known.

Where CUDD is missing, incremental induction in a SAT solver takes the place of 1 and 2, and diagrams are
made only for what it finds to depend on times (``induction``).

Before all that, the proof for one member of a group (a track) is tried for the others, and one that an earlier
version of the model had (``mirror``).

A proof leaves here as a few lemmas that z3 has confirmed on the whole timed step (``lemmas``).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

from verifier.engines import bounded, induction
from verifier.engines.diagrams import Diagram
from verifier.engines.exact import exploration_of, fewest_times, without_times
from verifier.engines.explore import Exploration, Hit
from verifier.engines.lemmas import NotExcluded, Oracle, clocks_of
from verifier.engines.limits import OutOfBudget
from verifier.engines.mirror import Proof, clocks_together, guesses
from verifier.engines.outlook import Outlook
from verifier.engines.paths import COSTS, Blame
from verifier.engines.places import Places
from verifier.engines.race import race
from verifier.engines.reasons import Source
from verifier.engines.scout import Scout, can_scout, unknown
from verifier.engines.study import FIRST, TRY_MORE, Knowledge, Study
from verifier.language.model import Property, Role
from verifier.semantics.formula import all_of
from verifier.semantics.run import Certificate, Finding, Gap, Trace
from verifier.semantics.watched import build

BEYOND = 4

# How large an exploration of the property may grow before another order of clocks is tried; each goes on from
# there later.
SHORT_SIZES = (300, 700)
SIZES = (*SHORT_SIZES, 2500, None)
# How far to look for facts about the bare model when ``FIRST`` and the short sizes were not enough.
SECOND = ((True, 400),)
# How large once the scout has seen everything, to find a proof shorter than that gives.
SHORT = 100
# How many arrivals the scout of a property may count at first (a tenth of a second or two), and how many
# more for each element explored, which takes a hundred times as long; at least. Where the reachable locations
# take a diagram of many nodes, elements take far longer, arrivals do not. (Those that count faults have many
# nodes, and their elements take no longer.)
GLANCES = 2500
GLANCES_PER_ELEMENT = 10
GLANCES_PER_NODE = 7
NODES_FOR_ELEMENT = 20_000
# How many once an exploration has grown too large, or a counterexample is known to exist but lies behind
# more than the first ``NEAR`` elements in layers.
MANY_GLANCES = 100_000
NEAR = 150


def decide(study: Study, prop: Property) -> Finding:
    """A trace, a certificate or a gap for a form of semantics section 7, ``ambiguous``, ``pulse`` or a
    ``dead`` with a subject."""
    try:
        return Decision(study, prop).run()
    except OutOfBudget as stop:
        return Gap(f"{stop.reason} while deciding `{prop.id}`", stop.try_next)


@dataclass
class Course:
    """One order in which clocks become exact, by what they cost, and those that are so far."""

    costs: dict[Role, int]
    clocks: frozenset[str] = frozenset()


def decide_alike(study: Study, prop: Property) -> Certificate | None:
    """With a proof among ``study.proofs`` just as it is; None says nothing."""
    system = build(study.model, prop, study.budget, study.base)
    bad = study.book.frames.term(system.bad, 0)
    try:
        for sources in guesses(study.proofs, prop, system):
            formulas = [
                (formula, study.base if source.of_model_alone else system)
                for source in sources
                for formula in source.formulas
            ]
            lemmas = study.book.inductive(system, formulas)
            if lemmas is not None and study.book.do_exclude(lemmas, [bad]):
                return study.certificate(system, lemmas)
    except OutOfBudget:
        pass
    return None


def glimpse(study: Study, prop: Property, most: int) -> Trace | None:
    """A counterexample of the fewest steps, if the scout sees one within ``most`` arrivals; None says nothing."""
    try:
        return Decision(study, prop).seen_within(most)
    except OutOfBudget:
        return None


class Decision:
    """One property on its way through the stages."""

    def __init__(self, study: Study, prop: Property):
        self.study = study
        self.prop = prop
        self.system = build(study.model, prop, study.budget, study.base)
        study.diagrams.admit(self.system)
        self.paths = study.paths(self.system)
        self.first_blame: Blame | None = None
        # by the clocks that are exact and what is known: another course mostly begins as the first did
        self.explored: dict[tuple[frozenset[str], Diagram], Exploration] = {}
        self.has_seen_all = False  # the scout, and nothing bad
        self.timed_alike: list[frozenset[str]] = []  # clocks whose times a proof of a like model needs together

    @cached_property
    def knowledge(self) -> Knowledge:
        return Knowledge(self.study)

    @cached_property
    def outlook(self) -> Outlook:
        return self.study.explorer.outlook(self.system, self.knowledge.known, self.system.bad)

    @cached_property
    def scout(self) -> Scout | None:
        if not can_scout(self.system):
            return None
        study, places = self.study, Places(self.system)
        ahead = self.outlook.ahead if study.has_cudd else unknown
        return Scout(self.system, places, study.allowance, ahead)

    def run(self) -> Finding:
        alike = self.by_likeness()
        if alike is not None:
            return alike
        if not self.study.has_cudd:
            decided = self.by_induction()
            if decided is not None:
                return decided
        for clocks in self.timed_alike:
            self.knowledge.learn(clocks, FIRST)
        courses = [Course(costs) for costs in COSTS]
        for most in SIZES:
            for course in courses:
                found = self.attempt(course, most) or self.look_ahead(
                    GLANCES if most in SHORT_SIZES else MANY_GLANCES
                )
                if found is not None:
                    return found
        raise AssertionError("an exploration without a limit has no result")

    def by_likeness(self) -> Certificate | None:
        """With the proof for another member, where z3 confirms it of this one; None where there is none or they
        differ, and then the property is decided as if nothing had been tried."""
        for sources in guesses(self.study.proofs, self.prop, self.system):
            try:
                return self.certificate(sources)
            except NotExcluded:
                self.timed_alike += clocks_together(sources)
        return None

    def certificate(self, sources: Sequence[Oracle]) -> Certificate:
        lemmas = self.study.book.certify(self.system, self.system.bad, sources)
        self.study.proofs.append(Proof.of(self.prop, lemmas, self.study.base))
        return self.study.certificate(self.system, lemmas)

    def by_induction(self) -> Finding | None:
        """Without diagrams; None, and who is to blame, where that takes exact times."""
        study, bad = self.study, self.system.bad
        facts = [lemma.formula for lemma in study.book.lemmas if not clocks_of(lemma.formula)]
        found = induction.search(self.system, bad, study.allowance, facts)
        if not isinstance(found, Hit):
            return self.certificate([found])
        outcome = self.paths.check(found, bad)
        if isinstance(outcome, Trace):
            return outcome
        self.first_blame = outcome
        return None

    def attempt(self, course: Course, most: int | None) -> Finding | None:
        """Refine until decided, from where ``course`` has come to; None when an exploration would take more than
        ``most`` elements."""
        study = self.study
        self.paths.costs = course.costs
        efforts = FIRST if most in SHORT_SIZES else FIRST + SECOND
        while True:
            study.allowance.check()
            clocks = course.clocks
            if self.has_seen_all:
                if self.knowledge.n_elements > SHORT:
                    return self.by_exhaustion(clocks)
                most = SHORT
            blame, self.first_blame = self.first_blame, None
            if blame is None:
                found = self.explore(clocks, most)
                if found is None:
                    return self.by_exhaustion(clocks) if self.has_seen_all else None
                if found.hit is None:
                    own = Source(found, found.registers)
                    return self.certificate([*self.knowledge.sources, own])
                self.knowledge.n_elements += found.n_elements
                blame = self.follow(found, clocks)
            else:
                blame = self.look_ahead(GLANCES) or blame
            if isinstance(blame, Trace):
                return blame
            if self.knowledge.learn_from(blame, efforts):
                continue
            wider = self.paths.widened(clocks, blame)
            if wider is None and self.has_seen_all:
                return self.by_exhaustion(clocks)
            if wider is None:
                hit, blame = self.shortest(clocks)
                if isinstance(blame, Trace):
                    return blame
                wider = self.paths.widened(clocks, blame)
                if wider is None:
                    return self.last_resort(hit)
            course.clocks = wider

    def explore(self, clocks: frozenset[str], most: int | None) -> Exploration | None:
        known = self.knowledge.known
        found = self.explored.get((clocks, known))
        if found is None or most is not None and found.n_elements > most:
            found = self.study.explorer.run(self.system, clocks, known, self.system.bad, most=most)
            if found is not None:
                self.explored[clocks, known] = found
        return found

    def follow(self, found: Exploration, clocks: frozenset[str]) -> Trace | Blame:
        """A shortest counterexample, as the way found suggests or the scout sees it, or in haste the way found; or
        the clocks that forbid this way, or the shortest one where this has times but is not the shortest."""
        assert found.hit is not None
        if found.in_layers:
            outcome = self.paths.check(found.hit, self.system.bad)
            return outcome if isinstance(outcome, Trace) else self.look_ahead(GLANCES) or outcome
        blame = self.paths.blame(found.hit, self.system.bad)
        if blame is not None:
            return self.look_ahead(GLANCES) or blame
        near = self.shortest(clocks, NEAR)
        if near is not None:
            return near[1]
        if self.study.in_haste:
            outcome = self.paths.check(found.hit, self.system.bad)
            if isinstance(outcome, Trace):
                return replace(outcome, may_be_shorter=True)
        return self.look_ahead(MANY_GLANCES) or self.shortest(clocks)[1]

    def look_ahead(self, most: int) -> Trace | None:
        """As ``seen_within``; in haste none is looked for."""
        return None if self.study.in_haste else self.seen_within(most)

    def seen_within(self, most: int) -> Trace | None:
        """A counterexample of the fewest steps, if the scout can see one within ``most`` arrivals and
        those for what has been explored. Without exact times for it the scout is mistaken and not asked
        again."""
        if self.scout is None:
            return None
        nodes = 0 if self.study.budget else self.study.n_nodes
        per_element = max(GLANCES_PER_ELEMENT, nodes * nodes // NODES_FOR_ELEMENT)
        most = max(most, GLANCES_PER_NODE * nodes) + per_element * self.knowledge.n_elements
        hit = self.scout.run(most)
        if hit is None:
            self.has_seen_all = not self.scout.waiting
            return None
        trace = self.paths.check(hit, self.system.bad, is_likely=True)
        if isinstance(trace, Trace):
            return trace
        self.scout = None
        return None

    def by_exhaustion(self, clocks: frozenset[str]) -> Certificate:
        """With all that the scout has seen, where ``clocks`` may be enough: there is nothing more."""
        assert self.scout is not None
        harmless = self.outlook.harmless if self.study.has_cudd else self.study.diagrams.false
        seen = exploration_of(fewest_times(self.scout, clocks), self.study.diagrams, harmless)
        places = without_times(seen, self.study.diagrams)
        own = [Source(found, found.registers) for found in (places, seen)]
        return self.certificate([*self.knowledge.sources, *own])

    def shortest(
        self, clocks: frozenset[str], most: int | None = None
    ) -> tuple[Hit, Trace | Blame] | None:
        """A way of the fewest steps to a bad state, where one is known to be, and what becomes of it;
        None when it is not among the first ``most`` elements."""
        return self.study.shortest_way(
            self.system, self.paths, clocks, self.knowledge.known, self.system.bad, most
        )

    def last_resort(self, hit: Hit) -> Finding:
        """Exact but heavy. Nothing bad is fewer steps away than ``hit``."""
        depth = len(hit.kinds)
        allowance = self.study.allowance
        trace = bounded.search(self.system, allowance, first=depth, last=depth + BEYOND)
        if trace is not None:
            return trace
        lemmas = [lemma.formula for lemma in self.study.book.lemmas]
        found = race(self.system, allowance, all_of(*lemmas))
        if found.text is None:
            reason = (
                f"a counterexample to `{self.prop.id}` exists but is over {depth + BEYOND} steps"
            )
            return Gap(reason, TRY_MORE, depth=depth + BEYOND)
        owners = sorted({clock.owner for clock in self.study.base.clocks.values()})
        method = "proved by z3's fixed-point engine with the exact times of all machines"
        return Certificate(found.text, method=method, needs_times_of=tuple(owners))
