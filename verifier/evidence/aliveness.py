"""``dead``: every state is entered and every transition taken, each in some concrete run (9.6).

What random runs did not meet is asked of the engine: its way there is taken concretely, or it proves
that there is none.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction
from typing import TYPE_CHECKING

from verifier.engines.study import Study
from verifier.evidence.crosscheck import (
    Covered,
    all_alive,
    covered_by,
    random_runs,
    runs_that_cover,
)
from verifier.evidence.result import Disagreement, Result
from verifier.language.model import Property
from verifier.semantics.concrete import Concrete
from verifier.semantics.run import Certificate, Gap, Move, Run, Snapshot, Step, Trace

if TYPE_CHECKING:
    from verifier.evidence.verdicts import Bench


# In how many lots the runs beyond those of the cross-check are taken, and how many of them in turn may
# meet nothing new.
LOTS = 10
IN_VAIN = 2
# From a state that the engine needs at least so many steps to, so many runs of so many steps go on.
DEEP = 8
BEYOND_RUNS, BEYOND_STEPS = 12, 25


class Aliveness:
    """The verdict on one ``dead`` without a subject."""

    def __init__(self, bench: Bench, prop: Property):
        self.bench, self.prop = bench, prop

    def verdict(self) -> Result:
        """9.6: every state entered and every payable transition taken, each in some run."""
        study = self.bench.study()
        assert isinstance(study, Study)
        dead: list[tuple[tuple, Certificate]] = []
        alive, met = self.walked()
        for subject in self.subjects():
            if met.has(subject):
                continue
            one = replace(self.prop, subject=subject)
            finding = self.bench.find(study, one)
            if isinstance(finding, Gap):
                return self.bench.gap(self.prop, finding)
            if isinstance(finding, Trace):
                found = [self.taken(one, finding)]
                found += self.beyond(found[0]) if len(found[0].steps) >= DEEP else []
                alive += found
                met = met | covered_by(found)
            else:
                dead.append((subject, finding))
        if not dead:
            alive = runs_that_cover(alive)
            check = all_alive(alive, len(self.subjects()), self.bench.limits.seed)
            return self.bench.make(
                self.prop,
                "proved",
                crosscheck=check,
                runs=alive,
                method="every state is entered and every transition taken in a concrete run",
            )
        subject, certificate = dead[0]
        one = replace(self.prop, subject=subject)
        rechecked = self.bench.rechecked(one, certificate)
        if isinstance(rechecked, Gap):
            return self.bench.gap(self.prop, rechecked)
        names = "; ".join(self.describe(subject) for subject, _ in dead)
        return self.bench.make(
            one,
            "violated",
            certificate=rechecked,
            method=certificate.method,
            reason=f"{names}",
            try_next="take it out, or mend the guard that keeps it from happening",
        )

    def walked(self) -> tuple[list[Run], Covered]:
        """The runs of the cross-check and those known besides, and further and longer ones while they meet
        something new."""
        alive = [*self.bench.runs(), *self.bench.ways]
        met, in_vain = covered_by(alive), 0
        for lot in range(1, LOTS + 1):
            if in_vain == IN_VAIN or all(met.has(subject) for subject in self.subjects()):
                break
            more = random_runs(
                self.bench.model,
                budget=self.bench.budget,
                runs=150 // LOTS,
                depth=150,
                seed=self.bench.limits.seed + lot,
            )
            alive += more
            now = met | covered_by(more)
            in_vain = in_vain + 1 if now == met else 0
            met = now
        return alive, met

    def beyond(self, way: Run) -> Sequence[Run]:
        """Random runs from the end of a way so long that random runs from the start don't find it."""
        n_steps = len(way.steps) + BEYOND_STEPS
        model, budget, seed = self.bench.model, self.bench.budget, self.bench.limits.seed
        return random_runs(model, budget=budget, runs=BEYOND_RUNS, depth=n_steps, seed=seed, start=way)

    def subjects(self) -> list[tuple]:
        found: list[tuple] = []
        for machine in self.bench.model.machines:
            if machine.sensor or machine.is_observer:
                continue  # Nobody wrote it (1.6), or a pack watches for what is not to happen.
            found += [("state", machine.name, state) for state in machine.states]
            found += [
                ("transition", machine.name, t.index)
                for t in machine.transitions
                if t.fault is None or self.bench.budget > 0
            ]
        return found

    def taken(self, prop: Property, trace: Trace) -> Run:
        """The engine's run to a state where the subject is alive, taken concretely; for a transition
        with the step that takes it."""
        concrete = Concrete(self.bench.model, self.bench.budget)
        steps = list(trace.steps)
        snapshots = [concrete.initial()]
        for step in steps:
            snapshots.append(concrete.take(snapshots[-1], step))
        here = snapshots[-1]
        kind, name, what = prop.subject
        if kind == "state":
            alive = here.locations[name] == what
        else:
            alive = Move(name, what) in concrete.enabled(here)
        if not alive:
            raise Disagreement(
                f"the engine's run to {self.describe(prop.subject)} does not lead there",
                {"engine": str(trace.steps[-1:]), "concrete machine": str(here.locations)},
            )
        if kind == "transition":
            steps.append(self.step_with(concrete, here, Move(name, what)))
            snapshots.append(concrete.take(here, steps[-1]))
        return Run(tuple(steps), tuple(snapshots))

    def step_with(self, concrete: Concrete, here: Snapshot, move: Move) -> Step:
        """A step from ``here`` that takes ``move``: alone in the world, in a round with the others."""
        if here.is_settled:
            return Step("world", Fraction(0), (move,))
        return next(step for step in concrete.settle_rounds(here) if move in step.moves)

    def describe(self, subject: tuple) -> str:
        kind, name, what = subject
        machine = self.bench.model.machine(name)
        if kind == "state":
            return f"{name} is never {what} ({machine.place})"
        t = machine.transitions[what]
        return f"{name} never goes from {t.source} to {t.target} ({t.place})"
