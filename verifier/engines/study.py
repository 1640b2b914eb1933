"""Deciding properties of one model: one pipeline, and what it learns is shared.

1. Forget all clocks and compute the reachable locations, once for the model.
2. A bad state still reachable? Take a shortest way to it and ask for exact times. They exist: a
   counterexample. They do not: the clocks to blame.
   Then, and each time it comes back here, a scout looks a little farther with nothing forgotten, one
   location after another: near counterexamples are found long before the right clocks (``scout``).
3. Explore again with those clocks exact, all others forgotten; first for the model alone, so that
   every property profits, then with the property's watch. Back to 2.
4. Clocks that are blamed though they are exact already (zones forget a little): bounded search a few
   steps deeper, then z3's fixed-point engine under all that is known.

Where CUDD is missing, incremental induction in a SAT solver takes the place of 1 and 2, and diagrams are
made only for what it finds to depend on times (``induction``).

A proof leaves here as a few lemmas that z3 has confirmed on the whole timed step (``lemmas``).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import cached_property

from verifier.engines import bounded, induction
from verifier.engines.certificate_text import smt_text
from verifier.engines.diagrams import Diagram, Diagrams, bdds
from verifier.engines.explore import Exploration, Explorer, Hit
from verifier.engines.lemmas import Book, Lemma, clocks_of
from verifier.engines.limits import Allowance, OutOfBudget
from verifier.engines.paths import COSTS, Blame, PathCheck
from verifier.engines.places import Places
from verifier.engines.race import race
from verifier.engines.reasons import Source
from verifier.engines.scout import Scout, can_scout
from verifier.language.guard import machines_read
from verifier.language.model import Model, Property
from verifier.semantics.formula import Formula, all_of
from verifier.semantics.run import Certificate, Finding, Gap, Trace
from verifier.semantics.system import System, bare
from verifier.semantics.watch import TIME
from verifier.semantics.watched import build

HAS_CUDD = bdds.__name__ == "dd.cudd"

BEYOND = 4

# How far to look for facts about the bare model: (only near machines?, most elements).
FIRST = ((True, 60),)
SECOND = ((True, 400),)
# How large an exploration of the property may grow before another order of clocks is tried.
SIZES = (700, 2500, None)
# How many arrivals the scout of a property may count at first (a tenth of a second or two), and how many
# more for each element explored, which takes a hundred times as long.
GLANCES = 7000
GLANCES_PER_ELEMENT = 10
# How many once an exploration has grown too large, or a counterexample is known to exist but lies behind
# more than the first ``NEAR`` elements in layers.
MANY_GLANCES = 100_000
NEAR = 150
TRY_MORE = "give it more time (--time-limit), or look at the times named above"


@dataclass
class Study:
    """One model under one budget. ``decide`` may be asked about any number of properties.

    ``start`` is the clock-free exploration; ``group`` adds explorations with some clocks exact, each made
    once and from ``start`` alone, so that what a property uses does not depend on who asked before.
    """

    model: Model
    budget: int
    allowance: Allowance
    base: System = field(init=False)
    diagrams: Diagrams = field(init=False)
    book: Book = field(init=False)
    groups: dict[tuple[frozenset[str], bool], tuple[Source | None, int]] = field(
        init=False, default_factory=dict
    )
    residues: dict = field(init=False, default_factory=dict)

    def __post_init__(self) -> None:
        self.base = bare(self.model, self.budget)
        self.diagrams = Diagrams(self.base)
        self.explorer = Explorer(self.diagrams, self.base, self.allowance)
        self.book = Book(self.base, self.diagrams, self.allowance)
        if HAS_CUDD:
            # before the properties are judged, in processes that begin with what is known here
            assert self.known != self.diagrams.false

    @cached_property
    def start(self) -> Source:
        """The bare model explored with all clocks forgotten."""
        found = self.explorer.run(self.base, frozenset(), self.diagrams.true)
        assert found is not None
        return Source(found, found.registers)

    @cached_property
    def known(self) -> Diagram:
        """The locations of ``start``."""
        return self.start.exploration.locations(self.diagrams)

    def group(self, clocks: frozenset[str], most: int, near: bool) -> Source | None:
        """The bare model explored with ``clocks`` exact; None if that takes over ``most`` elements.

        ``near`` follows only the machines of the clocks and those their guards read.
        """
        found, tried = self.groups.get((clocks, near), (None, 0))
        if found is None and tried < most:
            keep = self.near(clocks) if near else None
            explored = self.explorer.run(self.base, clocks, self.known, most=most, keep=keep)
            if explored is not None:
                found = Source(explored, explored.registers)
            self.groups[clocks, near] = (found, most)
        # what another property has found with more effort is not for who asks for less: who asked first
        # must make no difference
        is_enough = found is not None and found.exploration.n_elements <= most + 1
        return found if is_enough else None

    def near(self, clocks: frozenset[str]) -> frozenset[str]:
        """The machines that ``clocks`` belong to and those that their guards read."""
        owners = {self.base.clocks[clock].owner for clock in clocks}
        read = {
            name
            for owner in owners
            for rule in self.base.rules[owner]
            for name in machines_read(rule.transition.when)
        }
        return frozenset(owners | read)

    def paths(self, system: System) -> PathCheck:
        return PathCheck(system, self.allowance, self.residues)

    def shortest_way(
        self,
        system: System,
        paths: PathCheck,
        clocks: frozenset[str],
        known: Diagram,
        bad: Formula,
        most: int | None = None,
    ) -> tuple[Hit, Trace | Blame] | None:
        """A way of the fewest steps to ``bad``, which is known to be reached with only ``clocks``
        exact; and its times, or the clocks that forbid it. None if it takes over ``most`` elements."""
        found = self.explorer.run(system, clocks, known, bad, most, shortest=True)
        if found is None:
            return None
        assert found.hit is not None
        return found.hit, paths.check(found.hit, bad)

    def decide(self, prop: Property) -> Finding:
        """A trace, a certificate or a gap for a form of semantics section 7, ``ambiguous``, ``pulse``
        or a ``dead`` with a subject."""
        try:
            return _Decision(self, prop).run()
        except OutOfBudget as stop:
            return Gap(f"{stop.reason} while deciding `{prop.id}`", stop.try_next)

    def certificate(
        self, system: System, lemmas: Sequence[Lemma], rounds: int | None = None
    ) -> Certificate:
        """The lemmas as a certificate, with a sentence on how the property was decided."""
        formulas = [lemma.formula for lemma in lemmas]
        clocks = frozenset().union(*(clocks_of(formula) for formula in formulas))
        owners = sorted({self.base.clocks[clock].owner for clock in clocks if clock != TIME})
        method = how(TIME in clocks, owners, len(lemmas))
        if rounds is not None:
            many = "round follows" if rounds == 1 else "rounds follow"
            method += f"; no more than {rounds} {many} one another without delay"
        text = smt_text(system, all_of(*formulas))
        return Certificate(text, rounds=rounds, method=method, needs_times_of=tuple(owners))


class Knowledge:
    """What is known of the reachable states while one property is decided."""

    def __init__(self, study: Study):
        self.study = study
        self.known = study.known
        self.sources = [study.start]
        self.n_elements = 0  # explored for this, by whomever

    def add(self, source: Source) -> bool:
        """True if the source excludes a location that was not excluded before."""
        smaller = self.known & source.exploration.locations(self.study.diagrams)
        if smaller == self.known:
            return False
        self.known = smaller
        self.sources.append(source)
        return True

    def learn_from(self, blame: Blame, efforts: Sequence[tuple[bool, int]]) -> bool:
        """Explore the model with the blamed groups of its own clocks, cheap ones first, until one
        has taught something; True if so."""
        for near, most in efforts:
            for clocks in blame.groups:
                if TIME in clocks:
                    continue
                source = self.study.group(clocks, most, near)
                self.n_elements += most if source is None else source.exploration.n_elements
                if source is not None and self.add(source):
                    return True
        return False


class _Decision:
    def __init__(self, study: Study, prop: Property):
        self.study = study
        self.prop = prop
        self.system = build(study.model, prop, study.budget, study.base)
        study.diagrams.admit(self.system)
        self.paths = study.paths(self.system)
        self.first_blame: Blame | None = None

    @cached_property
    def knowledge(self) -> Knowledge:
        return Knowledge(self.study)

    @cached_property
    def scout(self) -> Scout | None:
        if not can_scout(self.system):
            return None
        study, places = self.study, Places(self.system)
        if not HAS_CUDD:
            return Scout(self.system, places, study.allowance)
        bad = self.system.bad
        outlook = study.explorer.outlook(self.system, self.knowledge.known, bad)
        return Scout(self.system, places, study.allowance, outlook.ahead)

    def run(self) -> Finding:
        if not HAS_CUDD:
            decided = self.by_induction()
            if decided is not None:
                return decided
        for most in SIZES:
            for costs in COSTS:
                self.paths.costs = costs
                found = self.attempt(most) or self.look_ahead(MANY_GLANCES)
                if found is not None:
                    return found
        raise AssertionError("an exploration without a limit has no result")

    def by_induction(self) -> Finding | None:
        """Without diagrams; None, and who is to blame, where that takes exact times."""
        study, bad = self.study, self.system.bad
        facts = [lemma.formula for lemma in study.book.lemmas if not clocks_of(lemma.formula)]
        found = induction.search(self.system, bad, study.allowance, facts)
        if not isinstance(found, Hit):
            return study.certificate(self.system, study.book.certify(self.system, bad, [found]))
        outcome = self.paths.check(found, bad)
        if isinstance(outcome, Trace):
            return outcome
        self.first_blame = outcome
        return None

    def attempt(self, most: int | None) -> Finding | None:
        """Refine until decided; None when an exploration would take more than ``most`` elements."""
        clocks: frozenset[str] = frozenset()
        study = self.study
        efforts = FIRST if most == SIZES[0] else FIRST + SECOND
        while True:
            study.allowance.check()
            blame, self.first_blame = self.first_blame, None
            if blame is None:
                found = study.explorer.run(
                    self.system, clocks, self.knowledge.known, self.system.bad, most=most
                )
                if found is None:
                    return None
                if found.hit is None:
                    own = Source(found, found.registers)
                    sources = [*self.knowledge.sources, own]
                    lemmas = study.book.certify(self.system, self.system.bad, sources)
                    return study.certificate(self.system, lemmas)
                self.knowledge.n_elements += found.n_elements
                blame = self.follow(found, clocks)
            else:
                blame = self.look_ahead(GLANCES) or blame
            if isinstance(blame, Trace):
                return blame
            if self.knowledge.learn_from(blame, efforts):
                continue
            wider = self.paths.widened(clocks, blame)
            if wider is None:
                hit, blame = self.shortest(clocks)
                if isinstance(blame, Trace):
                    return blame
                wider = self.paths.widened(clocks, blame)
                if wider is None:
                    return self.last_resort(hit)
            clocks = wider

    def follow(self, found: Exploration, clocks: frozenset[str]) -> Trace | Blame:
        """A shortest counterexample, as the way found suggests or the scout sees it; or the clocks that
        forbid this way, or the shortest one where this has times but is not the shortest."""
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
        return self.look_ahead(MANY_GLANCES) or self.shortest(clocks)[1]

    def look_ahead(self, most: int) -> Trace | None:
        """A counterexample of the fewest steps, if the scout can see one within ``most`` arrivals and
        those for what has been explored. Without exact times for it the scout is mistaken and not asked
        again."""
        if self.scout is None:
            return None
        hit = self.scout.run(most + GLANCES_PER_ELEMENT * self.knowledge.n_elements)
        if hit is None:
            return None
        trace = self.paths.check(hit, self.system.bad, is_likely=True)
        if isinstance(trace, Trace):
            return trace
        self.scout = None
        return None

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


def names_of(clocks: Iterable[str]) -> str:
    return ", ".join(f"`{clock}`" for clock in sorted(clocks)) or "no clock"


def how(watched: bool, owners: Sequence[str], n_lemmas: int) -> str:
    """A sentence on what a proof needed."""
    facts = f"{n_lemmas} facts" if n_lemmas != 1 else "one fact"
    if not n_lemmas:
        return "proved from single states alone; neither the order of events nor times were needed"
    if not watched and not owners:
        return f"proved by {facts} on the order of events alone; no times were needed"
    machines = ", ".join(owners) or "no machine"
    also = " and the time the property measures" if watched else ""
    return (
        f"proved by {facts}, with the exact times of {machines}{also}; other times may be anything"
    )
