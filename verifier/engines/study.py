"""What is learnt of one model under one budget, and shared by all its properties.

The clock-free exploration is made once; explorations of the bare model with some clocks exact are made when
a property asks for them, each once and from the clock-free one alone. ``decision`` takes one property
through all stages.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import cached_property

from verifier.engines.certificate_text import smt_text
from verifier.engines.diagrams import Diagram, Diagrams, bdds
from verifier.engines.explore import Explorer, Hit
from verifier.engines.lemmas import Book, Lemma, clocks_of
from verifier.engines.limits import Allowance
from verifier.engines.mirror import Proof
from verifier.engines.ordering import read_everywhere
from verifier.engines.paths import Blame, PathCheck
from verifier.engines.reasons import Source
from verifier.language.guard import machines_read
from verifier.language.model import Model
from verifier.semantics.bare import bare
from verifier.semantics.formula import Formula, all_of
from verifier.semantics.run import Certificate, Trace
from verifier.semantics.system import System
from verifier.semantics.watch import TIME

HAS_CUDD = bdds.__name__ == "dd.cudd"

# How far to look for facts about the bare model: (only near machines?, most elements).
FIRST = ((True, 60),)
TRY_MORE = "give it more time (--time-limit), or look at the times named above"


@dataclass
class Study:
    """One model under one budget. ``decide`` may be asked about any number of properties.

    ``start`` is the clock-free exploration; ``group`` adds explorations with some clocks exact, each made
    once and from ``start`` alone, so that what a property uses does not depend on who asked before.
    ``in_haste``: a counterexample is good enough as it is found, and none is looked for ahead, though there may be
    a shorter one.
    ``proofs`` are tried first for other members of a group; those of a like model may be put there.
    """

    model: Model
    budget: int
    allowance: Allowance
    in_haste: bool = False
    base: System = field(init=False)
    diagrams: Diagrams = field(init=False)
    book: Book = field(init=False)
    groups: dict[tuple[frozenset[str], bool], tuple[Source | None, int]] = field(
        init=False, default_factory=dict
    )
    residues: dict = field(init=False, default_factory=dict)
    proofs: list[Proof] = field(init=False, default_factory=list)

    def __post_init__(self) -> None:
        self.base = bare(self.model, self.budget)
        self.diagrams = Diagrams(self.base)
        self.explorer = Explorer(self.diagrams, self.base, self.allowance)
        self.book = Book(self.base, self.diagrams, self.allowance)
        self.has_cudd = HAS_CUDD
        # of the diagram of the reachable locations; without CUDD it is not made
        self.n_nodes = 0
        if self.has_cudd:
            # before the properties are judged, in processes that begin with what is known here
            self.n_nodes = len(self.known)
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
        return frozenset(owners | read - read_everywhere(self.model.machines))

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
        self.keep(source)
        return True

    def keep(self, source: Source) -> None:
        """Also where it excludes no location but only times in one."""
        self.known = self.known & source.exploration.locations(self.study.diagrams)
        self.sources.append(source)

    def learn_from(self, blame: Blame, efforts: Sequence[tuple[bool, int]]) -> bool:
        """Explore the model with the blamed groups of its own clocks, cheap ones first, until one
        has taught something; True if so."""
        groups = [clocks for clocks in blame.groups if TIME not in clocks]
        return any(self.learn(clocks, [effort]) for effort in efforts for clocks in groups)

    def learn(self, clocks: frozenset[str], efforts: Sequence[tuple[bool, int]]) -> bool:
        """Explore the model with ``clocks`` exact; True if that has taught something."""
        for near, most in efforts:
            source = self.study.group(clocks, most, near)
            self.n_elements += most if source is None else source.exploration.n_elements
            if source is not None and self.add(source):
                return True
        return False


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
