"""A replayed trace told as moments: who acted, what changed, which terms turned.

The step list, the picture and the ``--json`` document all start from these objects, so that the three
say the same.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction

from verifier.evidence.result import ReplayedTrace
from verifier.language.guard import machines_read
from verifier.language.model import Machine, Model, Property, Transition
from verifier.semantics.run import Run, Snapshot, Step
from verifier.views.amounts import seconds_text
from verifier.views.truth import conditions, holds


@dataclass(frozen=True)
class Change:
    """Transition ``transition`` of ``machine`` was taken."""

    machine: Machine
    transition: Transition


@dataclass(frozen=True)
class Moment:
    """One step and the state after it; ``number`` counts from 1 and is the snapshot's index.

    ``turned`` maps each term whose truth the step changed to its new truth; ``delay`` and ``time`` are
    seconds.
    """

    number: int
    step: Step
    changes: tuple[Change, ...]
    turned: Mapping[str, bool]
    after: Snapshot

    @property
    def time(self) -> Fraction:
        return self.after.time

    @property
    def is_settle(self) -> bool:
        return self.step.kind == "settle"


@dataclass(frozen=True)
class Story:
    """The start and the moments of a replayed trace; indices are those of the trace's snapshots."""

    start: Snapshot
    start_terms: Mapping[str, bool]
    moments: tuple[Moment, ...]
    violating: int
    onset: int | None
    loop: int | None
    why: str

    def snapshot(self, index: int) -> Snapshot:
        return self.start if index == 0 else self.moments[index - 1].after


def tell(model: Model, trace: ReplayedTrace) -> Story:
    """Turn a replayed trace of ``model`` into its moments."""
    start = trace.run.snapshots[0]
    return Story(
        start,
        _truths(model, start),
        moments_of(model, trace.run),
        trace.violating,
        trace.onset,
        trace.loop,
        trace.why,
    )


def moments_of(model: Model, run: Run) -> tuple[Moment, ...]:
    """The steps of any run of ``model``."""
    machines = {machine.name: machine for machine in model.machines}
    truths = [_truths(model, shot) for shot in run.snapshots]
    moments = []
    for number, step in enumerate(run.steps, start=1):
        before, after = truths[number - 1], truths[number]
        changes = tuple(
            Change(machines[move.machine], machines[move.machine].transitions[move.transition])
            for move in step.moves
        )
        turned = {name: after[name] for name in after if after[name] != before[name]}
        moments.append(Moment(number, step, changes, turned, run.snapshots[number]))
    return tuple(moments)


def _truths(model: Model, shot: Snapshot) -> dict[str, bool]:
    return {name: holds(term.guard, shot.locations) for name, term in model.terms.items()}


def endless_text(story: Story) -> str:
    """How the story goes on for ever, as a sentence; "" when it ends."""
    if story.loop is None:
        return ""
    back = "the start" if story.loop == 0 else f"the state after step {story.loop}"
    lasts = story.moments[-1].time - story.snapshot(story.loop).time
    if not lasts:
        return f"From here it goes on for ever: the last state is {back} again."
    first, last = story.loop + 1, len(story.moments)
    again = f"step {first} is" if first == last else f"steps {first} to {last} are"
    return (
        f"And so on for ever: {again} taken again and again, every {seconds_text(lasts)}, for the "
        f"last state allows what {back} allows."
    )


def machines_that_matter(model: Model, prop: Property, story: Story) -> tuple[Machine, ...]:
    """Machines that take a transition in the story or that the property reads, in the model's order. A
    sensor that does not fail in it does not matter."""
    moved = {change.machine.name for moment in story.moments for change in moment.changes}
    read = {name for part in conditions(prop) for name in machines_read(part.guard)}
    return tuple(
        machine
        for machine in model.machines
        if machine.name in moved or (machine.name in read and not machine.sensor)
    )
