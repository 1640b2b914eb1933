"""What is asked of each planted design: the sound model as it was judged, and concrete runs of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

from verifier.evidence.known import Known
from verifier.evidence.pipeline import FOUNDATIONS
from verifier.evidence.random_walk import random_runs
from verifier.evidence.result import ModelResult
from verifier.evidence.shared import Limits
from verifier.evidence.verdicts import Bench
from verifier.language.model import Model, Property
from verifier.semantics.run import Run, Snapshot
from verifier.studies.settling import settle_starts

HOLDS = ("proved", "shown")
# Random runs of the sound model.
RUNS, DEPTH = 100, 120
# At most how many settles of it are looked at.
STARTS = 2000


@dataclass(frozen=True)
class Question:
    """The sound model as it was judged: what is asked of each plant, and what further its kind's packs ask."""

    model: Model
    asked: tuple[Property, ...]
    further: tuple[Property, ...]
    known: Known
    easy: frozenset[str]
    limits: Limits

    def prepare(self) -> None:
        """Do now, once, what every plant needs."""
        self.settle_starts, self.runs_without_faults, self.bench.study()

    @cached_property
    def most(self) -> int:
        """Faults in the property asked under the most."""
        return max((prop.budget for prop in self.asked), default=0)

    @cached_property
    def runs(self) -> tuple[Run, ...]:
        """Of the sound model: in most of them a plant that makes a difference shows it."""
        return random_runs(self.model, budget=self.most, runs=RUNS, depth=DEPTH, seed=self.limits.seed)

    @cached_property
    def runs_without_faults(self) -> tuple[Run, ...]:
        if self.most == 0:
            return self.runs
        return random_runs(self.model, budget=0, runs=RUNS, depth=DEPTH, seed=self.limits.seed)

    @cached_property
    def bench(self) -> Bench:
        return Bench(self.model, self.most, self.limits)

    @cached_property
    def settle_starts(self) -> tuple[Snapshot, ...]:
        """Some of the states of ``runs`` in which settles begin, from the first to the last."""
        found = tuple(settle_starts(self.runs))
        return found[:: len(found) // STARTS + 1]

    def is_easy(self, prop: Property) -> bool:
        """Whether no times were needed for the sound model."""
        return prop.id in self.easy

    @classmethod
    def about(cls, sound: ModelResult, further: Sequence[Property], limits: Limits) -> Question:
        """What is asked of the plants of a model all of whose properties hold.

        Raises
        ------
        ValueError
            A property of the sound model does not hold, so nothing can be said to notice.
        """
        results = [*sound.results, *sound.foundations]
        failing = [one.property.id for one in results if one.verdict not in HOLDS]
        if failing:
            raise ValueError(f"not proved of the sound model: {', '.join(failing)}")
        easy = frozenset(one.property.id for one in results if one.certificate and not one.needs_times_of)
        asked = _without_lesser([one.property for one in results])
        return cls(sound.model, asked, tuple(further), Known.of(results), easy, limits)


def _without_lesser(asked: Sequence[Property]) -> tuple[Property, ...]:
    """Of each foundation only that under the most faults, of all classes: it tells of fewer (4.4)."""
    most = {prop.form: prop for prop in sorted(asked, key=lambda p: p.budget) if prop.form in FOUNDATIONS}
    return tuple(prop for prop in asked if prop.form not in FOUNDATIONS or prop is most[prop.form])
