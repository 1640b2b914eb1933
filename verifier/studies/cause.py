"""What a counterexample needs: each move of the world left out, each delay changed, on the concrete machine.

A counterexample has been made as short as it can be; this tells which of its moves and times it hangs on. It says
nothing of other runs: that one run no longer breaks a property is no proof that no other does.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from fractions import Fraction

from verifier.evidence.judge import judge
from verifier.evidence.judgement import Unjudged
from verifier.evidence.quieten import led_on, without, world_steps
from verifier.evidence.result import ModelResult, ReplayedTrace
from verifier.language.model import Model, Property, Transition
from verifier.semantics.concrete import Concrete
from verifier.semantics.run import Move, Run, Step

# By how much a delay is changed to see whether the very moment matters.
NUDGE = Fraction(1, 10)

SAFE = "nothing is broken"


@dataclass(frozen=True)
class Need:
    """A move of the world, and what comes of leaving it out: ``then`` is whether the rest can't follow, or
    follows and breaks the property still, or breaks nothing. ``onward``: what its machine does later had to be
    left out with it."""

    number: int
    transition: Transition
    onward: bool
    then: str

    @property
    def is_decisive(self) -> bool:
        """The rest follows without it, and breaks nothing."""
        return self.then == SAFE


@dataclass(frozen=True)
class Timing:
    """A delay before step ``number``, in seconds, and what comes of a tenth of a second less and more."""

    number: int
    delay: Fraction
    sooner: str
    later: str


@dataclass(frozen=True)
class SafeRun:
    """A run as long that breaks nothing and parts from the counterexample at step ``number`` by one change: the
    ``missing`` transition, or else ``later`` seconds more (or less) before that step."""

    number: int
    missing: Transition | None
    later: Fraction
    run: Run = field(repr=False)


@dataclass(frozen=True)
class Cause:
    """``nearest`` parts as late as any safe run that was found; None if each change left the property broken or
    could not be followed."""

    needs: tuple[Need, ...]
    timings: tuple[Timing, ...]
    guards: tuple[Transition, ...]
    nearest: SafeRun | None


def causes_of(outcome: ModelResult) -> dict[tuple[str, int], Cause]:
    """Of every counterexample of ``outcome`` that ends, by id and budget of its property."""
    found = {
        (one.property.id, one.budget): cause_of(outcome.model, one.property, one.trace, one.budget)
        for one in (*outcome.results, *outcome.foundations)
        if one.verdict == "violated" and one.trace is not None
    }
    return {key: cause for key, cause in found.items() if cause is not None}


def cause_of(model: Model, prop: Property, shown: ReplayedTrace, budget: int) -> Cause | None:
    """None for an endless run: it has no last moment to hang on."""
    if shown.loop is not None:
        return None
    study = _Study(Concrete(model, budget), prop, shown.run)
    needs, timings = tuple(study.needs()), tuple(study.timings())
    nearest = max(study.safe, key=lambda one: (one.number, one.missing is None), default=None)
    return Cause(needs, timings, _let_through(study.concrete, shown.run), nearest)


class _Study:
    """One counterexample and the runs a change away from it; those that break nothing gather in ``safe``."""

    def __init__(self, concrete: Concrete, prop: Property, run: Run):
        self.concrete, self.prop, self.run = concrete, prop, run
        self.acts = world_steps(run)
        self.safe: list[SafeRun] = []

    def needs(self) -> Iterator[Need]:
        for number, place in enumerate(_places(self.run)):
            for move in self.acts[number].moves:
                transition = self.concrete.transition(move)
                alone = frozenset({(number, move)})
                onward = alone | {
                    (n, one) for n, act in enumerate(self.acts) if n > number
                    for one in act.moves if one.machine == move.machine
                }
                for left_out in (alone, onward):
                    fewer = [without(act, n, left_out) for n, act in enumerate(self.acts)]
                    other = led_on(self.concrete, fewer, self.run)
                    if other is not None:
                        break
                yield Need(place + 1, transition, left_out != alone, self._outcome(place, other, transition))

    def _outcome(
        self, place: int, other: Run | None, missing: Transition | None, more: Fraction = Fraction(0)
    ) -> str:
        if other is None:
            return "the rest cannot follow"
        if self._is_broken(other):
            return "the property is broken all the same"
        if other.snapshots[-1].time < self.run.snapshots[-1].time:
            return "nothing is broken by then"
        self.safe.append(SafeRun(place + 1, missing, more, other))
        return SAFE

    def timings(self) -> Iterator[Timing]:
        for number, place in enumerate(_places(self.run)):
            delay = self.acts[number].delay
            if delay:
                sooner, later = max(-NUDGE, -delay / 2), NUDGE
                yield Timing(
                    place + 1, delay, self._with(number, place, sooner), self._with(number, place, later)
                )

    def _with(self, number: int, place: int, more: Fraction) -> str:
        """What comes of ``more`` seconds before world step ``number``. What comes sooner leaves the rest at its
        moments; what comes later moves the rest with it."""
        changed = [
            replace(act, delay=act.delay + more) if n == number
            else replace(act, delay=act.delay - more) if n == number + 1 and more < 0
            else act
            for n, act in enumerate(self.acts)
        ]
        return self._outcome(place, led_on(self.concrete, changed, self.run), None, more)

    def _is_broken(self, run: Run) -> bool:
        """A run that the concrete machine can't judge counts as broken: it is never shown as safe."""
        try:
            return judge(self.concrete, self.prop, run) is not None
        except Unjudged:
            return True


def _places(run: Run) -> list[int]:
    return [place for place, step in enumerate(run.steps) if step.kind == "world"]


def _let_through(concrete: Concrete, run: Run) -> tuple[Transition, ...]:
    """What control did last of its own, each machine once: the conditions that let it come to this."""
    last: dict[str, Move] = {}
    for step in _settles(run):
        for move in step.moves:
            last.pop(move.machine, None)
            last[move.machine] = move
    return tuple(concrete.transition(move) for move in reversed(last.values()))


def _settles(run: Run) -> list[Step]:
    return [step for step in run.steps if step.kind == "settle"]
