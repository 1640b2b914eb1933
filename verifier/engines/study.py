"""Deciding properties of one model: one pipeline, and what it learns is shared.

1. Forget all clocks and compute the reachable locations, once for the model.
2. A bad state still reachable? Take a shortest way to it and ask for exact times. They exist: a
   counterexample. They do not: the clocks to blame.
3. Explore again with those clocks exact, all others forgotten; first for the model alone, so that
   every property profits, then with the property's watch. Back to 2.
4. Clocks that are blamed though they are exact already (zones forget a little): bounded search a few
   steps deeper, then z3's fixed-point engine under all that is known.

Every invariant is confirmed by z3 on the whole timed step before it leaves here.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from dd import cudd

from verifier.engines import bounded, fixedpoint
from verifier.engines.certify import NotConfirmed, confirm, exploration_formula, smt_text
from verifier.engines.diagrams import Diagram, Diagrams
from verifier.engines.explore import Exploration, Explorer
from verifier.engines.limits import Allowance, OutOfBudget
from verifier.engines.paths import PathCheck
from verifier.language.guard import FALSE
from verifier.language.model import Form, Model, Property
from verifier.semantics.formula import Formula, all_of
from verifier.semantics.run import Certificate, Finding, Gap, Trace
from verifier.semantics.system import System, build
from verifier.semantics.watch import TIME

BEYOND = 4
TRY_MORE = "give it more time (--time-limit), or look at the times named above"


@dataclass
class Group:
    """What exploring some clocks of the bare model has shown."""

    clocks: frozenset[str]
    invariant: Formula


@dataclass
class Study:
    """One model under one budget. ``decide`` may be asked about any number of properties."""

    model: Model
    budget: int
    allowance: Allowance
    base: System = field(init=False)
    diagrams: Diagrams = field(init=False)
    known: Diagram = field(init=False)
    groups: list[Group] = field(init=False, default_factory=list)

    def __post_init__(self) -> None:
        nothing = Property("", Form.NEVER, "", "", "", self.model.machines[0].place, p=FALSE)
        self.base = build(self.model, nothing, self.budget)
        self.diagrams = Diagrams(self.base)
        self.explorer = Explorer(self.diagrams, self.allowance)
        self.known = self.diagrams.true
        self.learn(frozenset())

    def learn(self, clocks: frozenset[str]) -> bool:
        """Explore the bare model with ``clocks`` exact; True if that excluded any location."""
        before = self.known
        found = self.explorer.run(self.order(clocks), self.known)
        self.known = found.locations(self.diagrams) & self.known
        self.groups.append(Group(clocks, exploration_formula(self.diagrams, found)))
        return self.known != before

    def is_new(self, clocks: frozenset[str]) -> bool:
        """Whether the bare model has not been explored with just these clocks."""
        return all(clocks != group.clocks for group in self.groups)

    def invariant(self) -> Formula:
        """All that is known of the bare model's reachable states."""
        return all_of(*(group.invariant for group in self.groups))

    def method(self, clocks: frozenset[str] = frozenset()) -> tuple[tuple[str, ...], str]:
        """The machines whose times were used, by the groups or in ``clocks``, and a sentence."""
        used = {clock for group in self.groups for clock in group.clocks} | clocks
        owners = {self.base.clocks[clock].owner for clock in used if clock != TIME}
        return tuple(sorted(owners)), _how(TIME in clocks, sorted(owners))

    def order(self, clocks: frozenset[str]) -> tuple[str, ...]:
        return tuple(sorted(clocks))

    def decide(self, prop: Property) -> Finding:
        """A trace, a certificate or a gap for a form of semantics section 7, ``ambiguous``, ``pulse``
        or a ``dead`` with a subject."""
        try:
            return _Decision(self, prop).run()
        except OutOfBudget as stop:
            return Gap(f"{stop.reason} while deciding `{prop.id}`", TRY_MORE)


class _Decision:
    def __init__(self, study: Study, prop: Property):
        self.study = study
        self.prop = prop
        self.system = build(study.model, prop, study.budget)
        self.diagrams = Diagrams(self.system)
        self.explorer = Explorer(self.diagrams, study.allowance)
        self.paths = PathCheck(self.system, study.allowance)
        self.bad = self.diagrams.of(self.system.bad)

    def known(self) -> Diagram:
        return cudd.copy_bdd(self.study.known, self.diagrams.bdd)

    def run(self) -> Finding:
        clocks: frozenset[str] = frozenset()
        while True:
            self.study.allowance.check()
            found = self.explorer.run(self.study.order(clocks), self.known(), self.bad)
            if found.hit is None:
                return self.certificate(clocks, found)
            outcome = self.paths.check(found.hit, self.system.bad)
            if isinstance(outcome, Trace):
                return outcome
            blamed = outcome.clocks
            if blamed <= clocks:
                return self.last_resort(len(found.hit.kinds))
            bare = frozenset(blamed - {TIME})
            if TIME not in blamed and self.study.is_new(bare) and self.study.learn(bare):
                continue
            clocks = clocks | blamed

    def last_resort(self, depth: int) -> Finding:
        """Exact but heavy: a few more depths by plain bounded search, then z3's fixed-point engine
        under what is known. Nothing bad is less than ``depth`` steps away."""
        allowance = self.study.allowance
        trace = bounded.search(self.system, allowance, first=depth, last=depth + BEYOND)
        if trace is not None:
            return trace
        found = fixedpoint.prove(self.system, allowance, self.study.invariant())
        if found is None:
            reason = f"a counterexample to `{self.prop.id}` exists but is over {depth + BEYOND} steps"
            return Gap(reason, TRY_MORE, depth=depth + BEYOND)
        needs, _ = self.study.method(frozenset(self.system.clocks))
        method = "proved by z3's fixed-point engine with the exact times of all machines"
        return Certificate(found.text, method=method, needs_times_of=needs)

    def certificate(self, clocks: frozenset[str], found: Exploration) -> Certificate:
        own = exploration_formula(self.diagrams, found)
        invariant = all_of(self.study.invariant(), own)
        try:
            confirm(self.system, invariant, self.study.allowance)
        except NotConfirmed as why:
            raise AssertionError(f"{self.prop.id}: {why}") from why
        needs, method = self.study.method(clocks)
        return Certificate(smt_text(self.system, invariant), method=method, needs_times_of=needs)


def names_of(clocks: frozenset[str]) -> str:
    return ", ".join(f"`{clock}`" for clock in sorted(clocks)) or "no clock"


def _how(watched: bool, needs: list[str]) -> str:
    if not watched and not needs:
        return "decided by the order of events alone; no times were needed"
    machines = ", ".join(needs) or "no machine"
    also = " and of the property" if watched else ""
    return f"decided with the exact times of {machines}{also}; all other times may be anything"
