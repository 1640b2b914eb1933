"""What the properties of a model that are asked under the same faults share: the study of the engines and the
concrete runs of the cross-check, each made once."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Self

from verifier.engines.limits import Allowance, OutOfBudget
from verifier.engines.mirror import Proof
from verifier.engines.study import Study
from verifier.evidence.crosscheck import Values, random_runs, state_values
from verifier.evidence.known import Ground, Known, Proven
from verifier.evidence.leading import led_by
from verifier.evidence.random_walk import End, ends_reached
from verifier.language.granting import granted, with_classes
from verifier.language.model import Model
from verifier.semantics.concrete import Concrete
from verifier.semantics.run import Gap, Run


@dataclass(frozen=True)
class Limits:
    """What the user allows. ``budget`` None takes each property's own, ``jobs`` None as many
    processes as there are processors; ``time_limit_s`` is for each property, ``memory_limit_mb`` for each
    process; ``runs`` and ``depth`` are those of the cross-check."""

    budget: int | None = None
    jobs: int | None = None
    time_limit_s: float | None = None
    memory_limit_mb: int | None = None
    seed: int = 0
    runs: int = 60
    depth: int = 100


NOTHING = Known()


class Shared:
    """One model under one budget: what a family of properties shares."""

    @classmethod
    def on(cls, model: Model, ground: Ground, limits: Limits, known: Known = NOTHING) -> Self:
        """The bench for properties asked on ``ground``; what is ``known`` of a like model is tried first."""
        budget, classes = ground
        proofs, runs = known.proofs.get(ground, ()), known.runs.get(ground, ())
        return cls(with_classes(model, classes), budget, limits, proofs, runs)

    def __init__(
        self, model: Model, budget: int, limits: Limits, proofs: Sequence[Proven] = (), runs_alike: Sequence[Run] = ()
    ):
        self.model, self.budget, self.limits, self.proofs, self.runs_alike = model, budget, limits, proofs, runs_alike
        self.allowance = Allowance(limits.time_limit_s, limits.memory_limit_mb)
        self._study: Study | Gap | None = None
        self._runs: tuple[Run, ...] | None = None
        self._allowed: Callable | None = None
        self._reached: frozenset[End] | None = None
        self._values: tuple[tuple[Values, ...], ...] | None = None
        faults = {t.fault for m in model.machines for t in m.transitions if t.fault}
        self.assumptions = tuple(sorted(faults - granted(model) if budget else faults))

    def prepare(self) -> None:
        """Do now, once, what every property needs."""
        self.allowance.started = time.monotonic()
        if self._reached is None and isinstance(self.study(), Study):
            allowed = self.allows()
            self.reached(), self.values()
            for run in self.runs():
                for before, step, after in zip(run.snapshots, run.steps, run.snapshots[1:]):
                    allowed(before, step, after)

    def study(self) -> Study | Gap:
        if self._study is None:
            try:
                self._study = Study(self.model, self.budget, self.allowance)
                read = (Proof.read(prop, invariant, self._study.base) for prop, invariant in self.proofs)
                self._study.proofs += [proof for proof in read if proof is not None]
            except OutOfBudget as stop:
                reason = f"{stop.reason} while computing the reachable states without times"
                self._study = Gap(reason, stop.try_next)
        return self._study

    def runs(self) -> tuple[Run, ...]:
        if self._runs is None:
            wanted = self.limits
            self._runs = random_runs(
                self.model,
                budget=self.budget,
                runs=wanted.runs,
                depth=wanted.depth,
                seed=wanted.seed,
            )
        return self._runs

    def cross_check_on(self, runs: tuple[Run, ...]) -> None:
        """Take these random runs of the model under the budget, and no others."""
        self._runs = runs

    def reached(self) -> frozenset[End]:
        if self._reached is None:
            self._reached = ends_reached(self.model, self.runs())
        return self._reached

    def values(self) -> tuple[tuple[Values, ...], ...]:
        """What each state of the runs says of every symbol of a certificate."""
        if self._values is None:
            self._values = tuple(state_values(self.model, run) for run in self.runs())
        return self._values

    def allows(self) -> Callable:
        """The step relation, asked once for each step of the runs."""
        if self._allowed is None:
            study = self.study()
            assert isinstance(study, Study)
            relation = study.base.allows()
            answers: dict[tuple[int, int], bool] = {}

            def allowed(before, step, after) -> bool:
                key = (id(before), id(after))
                if key not in answers:
                    answers[key] = relation(before, step, after)
                return answers[key]

            self._allowed = allowed
        return self._allowed

    @cached_property
    def ways(self) -> tuple[Run, ...]:
        """The runs of a like model, taken by this one as far as it can: looked through before an engine is asked
        whether something can happen."""
        concrete = Concrete(self.model, self.budget)
        return tuple(led_by(concrete, run) for run in self.runs_alike)

    def study_of_one(self) -> Study | Gap:
        """The study, with the time that is allowed for one property."""
        self.allowance.started = time.monotonic()
        return self.study()
