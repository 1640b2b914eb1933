"""Which planted design errors the properties notice: the planted model is judged like any other."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace
from functools import cached_property
from typing import Any

from verifier.evidence.judge import judge
from verifier.evidence.judgement import Unjudged
from verifier.evidence.known import Ground, ground_of
from verifier.evidence.leading import as_far
from verifier.evidence.quieten import quietened
from verifier.evidence.random_walk import random_runs
from verifier.evidence.replay import replayed_run
from verifier.evidence.result import Disagreement, RecheckedCertificate, ReplayedTrace, Result
from verifier.evidence.shared import Limits
from verifier.evidence.verdicts import ROWS, Bench
from verifier.language.guard import machines_read
from verifier.language.model import Form, Property
from verifier.semantics.concrete import Concrete
from verifier.semantics.run import Certificate, Gap, Run
from verifier.studies.difference import difference, parting_in, shown_apart, with_parting
from verifier.studies.outcomes import CAUGHT, EQUIVALENT, HARMLESS, UNDECIDED, UNNOTICED, Outcome
from verifier.studies.plants import Plant
from verifier.studies.processes import ENDED, answers
from verifier.studies.question import HOLDS, Question
from verifier.studies.settling import ends_alike
from verifier.studies.suggestion import suggested

# How long to look for a shorter way to a difference that is known.
SOON_S = 20.0
# Random runs from where the designs part.
RUNS_BEHIND, DEPTH_BEHIND = 30, 60
# How far to look ahead of each property before one is decided: a few tenths of a second.
GLIMPSES = 10_000

# Whether a single run breaks these is a search of its own, or no question at all.
NOT_IN_RUNS = (Form.TIME_STOPS, Form.ORDER_MATTERS, Form.DEAD, Form.POSSIBLE, Form.EVENTUALLY)

ON_THE_WAY = (
    "every settle ends alike; they differ on the way there alone, which only the built-in properties look at, and "
    "those are proved"
)

Progress = Callable[[str, str], None]


def judge_all(
    question: Question, planted: Sequence[Plant], jobs: int, progress: Progress
) -> Iterator[Outcome]:
    """The outcome of each plant, as they come."""
    judged = answers(jobs, _set, (question,), _outcome, planted)
    for done, (plant, answer) in enumerate(judged, start=1):
        found = answer or Outcome(plant, UNDECIDED, how=ENDED)
        progress(found.plant.id, f"{found.outcome}, {done} of {len(planted)} plants")
        yield found


_question: Question


def _set(question: Question) -> None:
    global _question
    _question = question


def _outcome(plant: Plant) -> Outcome:
    return outcome_of(_question, plant)


def outcome_of(question: Question, plant: Plant) -> Outcome:
    """Quick looks first, then whether it makes a difference at all, or to any settled state, then every property
    that this leaves open."""
    started = time.monotonic()
    found = _Judged(question, plant).outcome()
    return replace(found, seconds=time.monotonic() - started)


class _Judged:
    def __init__(self, question: Question, plant: Plant):
        self.question, self.plant = question, plant
        self.model = plant.planted_in(question.model)
        self.most = question.most
        self.benches: dict[Ground, Bench] = {}
        self.proved: set[str] = set()
        self.open: dict[str, str] = {}

    def bench(self, ground: Ground) -> Bench:
        if ground not in self.benches:
            self.benches[ground] = Bench.on(self.model, ground, self.question.limits, self.question.known)
        return self.benches[ground]

    def outcome(self) -> Outcome:
        caught = self.seen_in_runs()
        if caught is not None:
            return caught
        parting: RecheckedCertificate | ReplayedTrace | Gap | None = None
        parted = self.parting_in(self.question.runs)
        if parted is None:
            rare = self.parting_in(self.runs_of_likely_faults())
            parting = self.difference(self.question.limits) if rare is None else self.shown_apart(rare)
            if isinstance(parting, RecheckedCertificate):
                return self.make(EQUIVALENT, how=parting.certificate.method)
            parted = parting.run if isinstance(parting, ReplayedTrace) else None
        caught = None if parted is None else self.seen_behind(parted)
        caught = caught or self.judged(self.telling(self.question.asked))
        if caught is not None:
            return caught
        if self.is_alike and not self.open:
            would = self.judged(self.telling(self.question.further))
            if would is None and not self.open:
                return self.make(EQUIVALENT, how=ON_THE_WAY)
        if parting is None and parted is not None:
            parting = self.shortest_way_apart(parted)
        if isinstance(parting, Gap):
            self.open["same behaviour"] = parting.reason
            parting = None
        if self.open:
            why = "; ".join(f"`{name}`: {reason}" for name, reason in sorted(self.open.items()))
            return self.make(UNDECIDED, how=why, **self.run_apart(parting))
        return self.differs(parting)

    @cached_property
    def is_alike(self) -> bool:
        """Whether it is proved that every settle ends as that of the sound design; if not, nothing is said."""
        return ends_alike(self.question.bench, self.plant, self.question.settle_starts) is not None

    def telling(self, properties: Sequence[Property]) -> Sequence[Property]:
        """Those that may hold of one of the designs alone."""
        if not self.is_alike:
            return properties
        return [prop for prop in properties if prop.form.is_built_in or prop.budget > self.most]

    def difference(self, limits: Limits) -> RecheckedCertificate | ReplayedTrace | Gap:
        return difference(self.question.model, self.plant, self.most, limits)

    def shortest_way_apart(self, parted: Run) -> ReplayedTrace:
        """For people, of a difference that nothing notices; ``parted`` itself where none is found soon."""
        parting = self.difference(replace(self.question.limits, time_limit_s=SOON_S))
        if isinstance(parting, RecheckedCertificate):
            raise Disagreement(
                f"plant {self.plant.id} is proved to make no difference, and makes one in a run",
                {"engine": parting.certificate.method, "concrete machine": f"a run of {len(parted.steps)} steps"},
            )
        return parting if isinstance(parting, ReplayedTrace) else self.shown_apart(parted)

    def shown_apart(self, parted: Run) -> ReplayedTrace:
        return shown_apart(self.question.model, self.plant, self.most, parted)

    def parting_in(self, runs: Iterable[Run]) -> Run | None:
        return parting_in(self.question.model, self.plant, self.most, runs)

    def runs_of_likely_faults(self) -> Iterator[Run]:
        """Of the sound model under one fault each, of those that the changed guards answer to."""
        model = self.question.model
        changed = (model.machine(name).transitions[index] for name, index in self.plant.changed)
        read = frozenset().union(*(machines_read(t.when) for t in changed))
        faults = {t.fault for m in model.machines if m.name in read for t in m.transitions if t.fault}
        for fault in sorted(faults):
            yield from self.question.runs_under(fault)

    def differs(self, parting: ReplayedTrace) -> Outcome:
        """All that was asked is proved, and yet it is another design."""
        wanted = suggested(self.question.model, self.bench((0, ())), self.plant, self.question.limits)
        would = self.judged(self.question.further)
        if would is not None:
            return replace(would, outcome=UNNOTICED, suggestion=wanted, **self.run_apart(parting))
        outcome = UNNOTICED if self.open else HARMLESS
        return self.make(outcome, how="differs", suggestion=wanted, **self.run_apart(parting))

    def run_apart(self, parting: ReplayedTrace | None) -> dict[str, Any]:
        marked = None if parting is None else with_parting(self.question.model, self.plant)
        return {"trace": parting, "ran_on": marked}

    # -- what catches it

    def seen_in_runs(self) -> Outcome | None:
        """A concrete run that breaks a property: no engine is needed for these."""
        return self.seen_in(0, self.bench((0, ())).runs())

    def seen_behind(self, parting: Run) -> Outcome | None:
        """The same, of runs that begin with the way to where the designs part."""
        most, limits = self.most, self.question.limits
        start = as_far(Concrete(self.model, most), parting)
        runs = random_runs(
            self.model, budget=most, runs=RUNS_BEHIND, depth=len(start.steps) + DEPTH_BEHIND,
            seed=limits.seed, start=start,
        )
        return self.seen_in(most, runs)

    def seen_in(self, budget: int, runs: Sequence[Run]) -> Outcome | None:
        concrete = Concrete(self.model, budget)
        quick = [
            prop
            for prop in self.question.asked
            if prop.budget >= budget and not prop.faults_of
            and prop.form not in NOT_IN_RUNS
        ]
        for run in runs:
            for prop in quick:
                try:
                    judgement = judge(concrete, prop, run)
                except Unjudged:
                    continue
                if judgement is None:
                    continue
                last = judgement.violating
                short = Run(run.steps[:last], run.snapshots[: last + 1])
                if prop.form is Form.DOES_NOT_SETTLE:
                    # The round itself is led on from the first state of it.
                    judgement = judge(concrete, prop, short)
                    assert judgement is not None
                shown = replayed_run(concrete, short, judgement)
                return self.caught(prop, "violated", quietened(concrete, prop, shown))
        return None

    def judged(self, properties: Sequence[Property]) -> Outcome | None:
        """The first found that no longer holds; the others are noted as proved or open. What has still a proof like
        that of the sound model can wait: any other may catch it."""
        proofs = {prop.id: self.bench(ground_of(prop)).alike(prop) for prop in properties}
        doubtful = sorted((prop for prop in properties if proofs[prop.id] is None), key=self.effort)
        for prop in doubtful:
            glimpse = self.bench(ground_of(prop)).glimpsed(prop, GLIMPSES)
            if glimpse is not None and glimpse.verdict == "violated":
                return self.noted(glimpse)
        for prop in doubtful:
            found = self.bench(ground_of(prop)).sought(prop)
            if isinstance(found, Certificate):
                proofs[prop.id] = found
                continue
            caught = self.noted(found)
            if caught is not None:
                return caught
        for prop in properties:
            proof = proofs[prop.id]
            if proof is not None:
                caught = self.noted(self.bench(ground_of(prop)).confirmed(prop, proof))
                if caught is not None:
                    return caught
        return None

    def effort(self, prop: Property) -> tuple:
        """What takes long to decide comes late."""
        return prop.form is Form.DEAD, prop.form in ROWS, not self.question.is_easy(prop)

    def noted(self, result: Result) -> Outcome | None:
        if result.verdict in HOLDS:
            self.proved.add(result.property.id)
        elif result.verdict == "undecided":
            self.open[result.property.id] = result.reason
        else:
            return self.caught(result.property, result.verdict, result.trace)
        return None

    def caught(self, prop: Property, verdict: str, trace: ReplayedTrace | None) -> Outcome:
        return self.make(CAUGHT, by=prop.id, how=verdict, trace=trace, ran_on=self.model)

    def make(self, outcome: str, **facts) -> Outcome:
        return Outcome(self.plant, outcome, proved=tuple(sorted(self.proved)), **facts)
