"""What is known of the good models, tried first on their flawed variants.

One change leaves most of a design as it was. Then the proof of a property of the good model often proves it of
the flawed one: z3 is asked, on the whole flawed model, and the engines are left only what the change touches. And
the runs that show that nothing of the good model is dead mostly show it of the flawed one: the concrete machine of
the flawed model takes their steps as far as it can, and the engines are left what was not met on the way.
"""

from __future__ import annotations

import fcntl
import pickle
import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from verifier.engines.study import Study
from verifier.evidence.aliveness import Aliveness
from verifier.evidence.crosscheck import Covered, covered_by
from verifier.evidence.known import Ground, Proven, ground_of
from verifier.evidence.result import Result
from verifier.evidence.shared import Limits
from verifier.evidence.verdicts import Bench
from verifier.language.load import built_in_properties, load
from verifier.language.model import Form, Model, Property
from verifier.semantics.concrete import Concrete
from verifier.semantics.run import Certificate, Run, Snapshot, Step

LIMITS = Limits(time_limit_s=600)
# More rounds in one settle than any model has control machines: who needs them does not settle.
MANY_ROUNDS = 100


@dataclass(frozen=True)
class Known:
    """Of a good model: its proofs by the faults allowed, and runs that enter every state and take every
    transition, under the faults that ``dead`` is asked with."""

    proofs: dict[Ground, list[Proven]]
    alive: tuple[Run, ...]


def study_of(bench: Bench) -> Study:
    study = bench.study()
    assert isinstance(study, Study)
    return study


def all_asked(model: Model, properties: Iterable[Property]) -> list[Property]:
    """Built-in properties and those of the pack, each for one member of its group only.

    The shipped models name no member of a group, so what holds for one line holds for the other.
    """
    properties = tuple(properties)
    first: dict[str, Property] = {}
    for prop in (*built_in_properties(model, properties), *properties):
        first.setdefault(re.sub(r"\[\w+\]", "", prop.id), prop)
    return list(first.values())


def known_of(good: Path, folder: Path) -> Known:
    """What is known of a good model; found once for all processes that share ``folder``."""
    kept = folder / f"{good.stem}.known"
    with (folder / f"{good.stem}.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not kept.exists():
            kept.write_bytes(pickle.dumps(_found(good)))
    return pickle.loads(kept.read_bytes())


def _found(good: Path) -> Known:
    model, properties = load(str(good))
    benches: dict[Ground, Bench] = {}
    proofs: dict[Ground, list[Proven]] = {}
    alive: tuple[Run, ...] = ()
    for prop in all_asked(model, properties):
        ground = ground_of(prop)
        bench = benches.setdefault(ground, Bench.on(model, ground, LIMITS))
        if prop.form is Form.DEAD:
            result = bench.judged(prop)
            assert result.verdict == "proved", f"{good.name}: {result.reason}"
            alive = tuple(result.runs)
        else:
            found = bench.find(study_of(bench), prop)
            if isinstance(found, Certificate):
                proofs.setdefault(ground, []).append((prop, found.invariant))
    return Known(proofs, alive)


def judged_dead(bench: Bench, prop: Property, runs: Iterable[Run]) -> Result:
    """The verdict on ``dead``, with runs of a like model in the place of random ones."""
    study_of(bench)
    return _Followed(bench, prop, runs).verdict()


class _Followed(Aliveness):
    def __init__(self, bench: Bench, prop: Property, runs: Iterable[Run]):
        super().__init__(bench, prop)
        self.like = runs

    def walked(self) -> tuple[list[Run], Covered]:
        alive = [followed(self.bench.model, self.bench.budget, run) for run in self.like]
        return alive, covered_by(alive)


def followed(model: Model, budget: int, run: Run) -> Run:
    """A run of ``model`` in which the world does what it does in ``run`` of a like model, wherever it may."""
    concrete = Concrete(model, budget)
    steps: list[Step] = []
    snapshots = [concrete.initial()]

    def take(step: Step) -> None:
        snapshots.append(concrete.take(snapshots[-1], step))
        steps.append(step)

    def settle() -> None:
        for _ in range(MANY_ROUNDS):
            if snapshots[-1].is_settled:
                return
            take(next(concrete.settle_rounds(snapshots[-1])))

    settle()
    for like in run.steps:
        if like.kind == "world" and snapshots[-1].is_settled:
            take(_nearest(concrete, snapshots[-1], like))
            settle()
    return Run(tuple(steps), tuple(snapshots))


def _nearest(concrete: Concrete, here: Snapshot, like: Step) -> Step:
    """The world step from ``here`` with as much of the delay and of the moves of ``like`` as is allowed."""
    longest = concrete.longest_delay(here)
    delay = like.delay if longest is None else min(like.delay, longest)
    open_now = concrete.choices(here, delay)
    left = concrete.budget - here.spent
    moves = []
    for move in like.moves:
        if move not in open_now.get(move.machine, ()):
            continue
        if concrete.transition(move).fault is not None:
            if left == 0:
                continue
            left -= 1
        moves.append(move)
    return Step("world", delay, tuple(moves))
