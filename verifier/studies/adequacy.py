"""Which planted design errors the properties notice: the planted model is judged like any other."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from functools import cached_property
from itertools import islice
from typing import Any

from verifier.engines.study import Study
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
from verifier.language.model import Form, Property
from verifier.semantics.concrete import Concrete
from verifier.semantics.run import Certificate, Gap, Run
from verifier.studies.difference import difference, partings_in, shown_apart, with_parting
from verifier.studies.outcomes import CAUGHT, EQUIVALENT, HARMLESS, UNDECIDED, UNNOTICED, Outcome
from verifier.studies.plants import Plant
from verifier.studies.processes import ENDED, answers
from verifier.studies.question import HOLDS, Question
from verifier.studies.settling import ends_alike
from verifier.studies.suggestion import suggested

# How long to look for a shorter way to a difference that is known.
SOON_S = 20.0
# Random runs from where the designs part.
RUNS_BEHIND, DEPTH_BEHIND = 15, 60
# How many of those are looked for, to begin with the shortest.
PARTINGS = 3
# How far to look ahead of each property before one is decided: a few tenths of a second.
GLIMPSES = 2000

# What takes longest to decide, in this order.
SLOW = (*ROWS, Form.DEAD)

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
    question.prepare()
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
    """Concrete runs first, then whether it makes a difference at all, or to any settled state, then every property
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
        self.walked: dict[int, tuple[Run, ...]] = {}
        self.proved: set[str] = set()
        self.open: dict[str, str] = {}

    def bench(self, ground: Ground) -> Bench:
        if ground not in self.benches:
            limits = replace(self.question.limits, runs=RUNS_BEHIND)
            bench = self.benches[ground] = Bench.on(self.model, ground, limits, self.question.known)
            budget, classes = ground
            if not classes and budget in self.walked:
                # Those that have been where the designs part say more than any others.
                bench.cross_check_on(self.walked[budget])
            study = bench.study()
            if isinstance(study, Study):
                # That it is caught matters, not by how short a run.
                study.in_haste = True
        return self.benches[ground]

    def outcome(self) -> Outcome:
        parted: Run | None = None
        for parted in self.partings():
            caught = self.seen_behind(parted)
            if caught is not None:
                return caught
        parting: RecheckedCertificate | ReplayedTrace | Gap | None = None
        if parted is None:
            parting = self.difference(self.question.limits)
            if isinstance(parting, RecheckedCertificate):
                return self.make(EQUIVALENT, how=parting.certificate.method)
            if isinstance(parting, ReplayedTrace):
                parted = parting.run
                caught = self.seen_behind(parted)
                if caught is not None:
                    return caught
        caught = self.judged(self.question.asked)
        if caught is not None:
            return caught
        if self.is_alike and not self.open:
            would = self.judged(self.question.further)
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
        # Without one of its transitions a machine's others, and the times named after them, have other numbers.
        is_numbered_alike = all(new is not None for new in self.plant.changed.values())
        walked = [run for runs in self.walked.values() for run in runs if is_numbered_alike]
        return ends_alike(self.question.bench, self.plant, self.question.settle_starts, walked) is not None

    def telling(self, properties: Sequence[Property]) -> Sequence[Property]:
        """Those that may hold of one of the designs alone."""
        if not properties or not self.is_alike:
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

    def partings(self) -> Iterator[Run]:
        """A short way to where the designs part, without faults and with them, if some random run of the sound one
        comes there."""
        model, most = self.question.model, self.most
        for runs in (self.question.runs_without_faults, self.question.runs)[: 1 + (most > 0)]:
            parted = islice(partings_in(model, self.plant, most, runs), PARTINGS)
            shortest = min(parted, key=lambda run: len(run.steps), default=None)
            if shortest is not None:
                yield shortest

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

    def seen_behind(self, parting: Run) -> Outcome | None:
        """What a concrete run breaks that begins with the way to where the designs part: no engine is needed for
        it."""
        limits = self.question.limits
        budget = self.most if parting.snapshots[-1].spent else 0
        start = as_far(Concrete(self.model, budget), parting)
        runs = random_runs(
            self.model, budget=budget, runs=RUNS_BEHIND, depth=len(start.steps) + DEPTH_BEHIND,
            seed=limits.seed, start=start,
        )
        self.walked[budget] = runs
        return self.seen_in(budget, runs)

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
        """The first found that no longer holds; the others are noted as proved or open, or hold as those of the sound
        model do. Those asked under as many faults as it took to part come first; what takes long to decide, and what
        has still the proof of the sound model, can wait: any other may catch it."""
        slow = sorted((prop for prop in properties if prop.form in SLOW), key=lambda prop: SLOW.index(prop.form))
        hard: list[Property] = []
        proofs: dict[str, Certificate | None] = {}
        grounds = {ground_of(prop) for prop in properties}
        for ground in sorted(grounds, key=lambda ground: (ground[0] not in self.walked, ground)):
            here = [prop for prop in properties if ground_of(prop) == ground and prop.form not in SLOW]
            proofs |= {prop.id: self.bench(ground).alike(prop) for prop in here}
            doubtful = sorted((prop for prop in here if proofs[prop.id] is None), key=self.effort)
            easy = [prop for prop in doubtful if self.question.is_easy(prop)]
            hard += [prop for prop in doubtful if prop not in easy]
            caught = self.glimpsed(doubtful) or self.decided(easy, proofs)
            if caught is not None:
                return caught
        caught = self.decided([*hard, *slow], proofs)
        if caught is not None:
            return caught
        for prop in self.telling(properties):
            proof = proofs.get(prop.id)
            if proof is not None:
                caught = self.noted(self.bench(ground_of(prop)).confirmed(prop, proof))
                if caught is not None:
                    return caught
        return None

    def glimpsed(self, doubtful: Sequence[Property]) -> Outcome | None:
        """The first that a look ahead finds violated."""
        for prop in doubtful:
            glimpse = self.bench(ground_of(prop)).glimpsed(prop, GLIMPSES)
            if glimpse is not None and glimpse.verdict == "violated":
                return self.noted(glimpse)
        return None

    def decided(self, doubtful: Sequence[Property], proofs: dict[str, Certificate | None]) -> Outcome | None:
        """The first that the engines find not to hold; the proofs of others are added."""
        for prop in self.telling(doubtful):
            found = self.sought(prop)
            if isinstance(found, Certificate):
                proofs[prop.id] = found
                continue
            caught = self.noted(found)
            if caught is not None:
                return caught
        return None

    def sought(self, prop: Property) -> Result | Certificate:
        """What haste leaves undecided is asked again without it."""
        bench = self.bench(ground_of(prop))
        alike = bench.alike(prop) if prop.form in ROWS else None
        if alike is not None:
            return alike
        found, study = bench.sought(prop), bench.study()
        if isinstance(found, Result) and found.verdict == "undecided" and isinstance(study, Study):
            study.in_haste = False
            found = bench.sought(prop)
            study.in_haste = True
        return found

    def effort(self, prop: Property) -> tuple[bool, bool]:
        """What takes long to decide comes late."""
        return not self.question.is_easy(prop), prop.form is Form.PULSE

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
