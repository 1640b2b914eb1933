"""Whether planted logic behaves as the sound logic does, and a run up to the moment where it does not.

Up to the first moment at which they act differently both designs have had the same run, so the sound model
alone tells whether that moment comes: wherever a transition would be taken by one and not by the other, it
leads to a state of its own instead, in which all control stops. If no run gets there, the two have the same
runs. Snapshots in the midst of a settle count. Where it would take two clocks to tell, the moment is put too
early; so ``equivalent`` is always true, and a difference may be one that is made good again.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace

from verifier.engines.study import Study
from verifier.evidence.judge import judge
from verifier.evidence.leading import led_by
from verifier.evidence.quieten import quietened
from verifier.evidence.replay import replayed_run
from verifier.evidence.result import RecheckedCertificate, ReplayedTrace
from verifier.evidence.shared import Limits
from verifier.evidence.verdicts import Bench
from verifier.language.guard import FALSE, And, Guard, Is, Not, Or
from verifier.language.model import Form, Model, Property, Transition
from verifier.semantics.concrete import Concrete
from verifier.semantics.concrete_guard import compile_guard
from verifier.semantics.run import Certificate, Gap, Run, Snapshot
from verifier.studies.plants import Plant

APART = "here_they_part"


def difference(
    model: Model, plant: Plant, budget: int, limits: Limits
) -> RecheckedCertificate | ReplayedTrace | Gap:
    """A proof that no run under ``budget`` faults tells the planted model from the sound one; or a run to
    where they part, its last round that of the machines that do. The sound model's foundations must have
    been proved; nothing is added to it that could hold back time or a settle."""
    prop = _same_behaviour(plant)
    bench = Bench(with_parting(model, plant), budget, limits)
    study = bench.study()
    if not isinstance(study, Study):
        return study
    found = bench.find(study, prop)
    if isinstance(found, Gap):
        return found
    if isinstance(found, Certificate):
        return bench.rechecked(prop, found)
    shown = bench.of_trace(prop, found)
    return shown.trace or Gap(shown.reason, shown.try_next)


def _same_behaviour(plant: Plant) -> Property:
    parted = Or(tuple(Is(name, frozenset({APART})) for name in plant.machines))
    return Property(
        "same behaviour", Form.ONLY_AFTER, "the planted logic does what the sound one does", "", "",
        plant.place, p=FALSE, q=parted, texts={"can": "the planted logic and the sound one part"},
    )


def shown_apart(model: Model, plant: Plant, budget: int, parted: Run) -> ReplayedTrace:
    """The run that ``partings_in`` finds, with no more in it than it needs to get there."""
    concrete, prop = Concrete(with_parting(model, plant), budget), _same_behaviour(plant)
    judgement = judge(concrete, prop, parted)
    assert judgement is not None, "the last state is where they part"
    return quietened(concrete, prop, replayed_run(concrete, parted, judgement))


def partings_in(model: Model, plant: Plant, budget: int, runs: Iterable[Run]) -> Iterator[Run]:
    """Those of ``runs`` of the sound model in which the planted one acts otherwise, each up to there; that there are
    none says nothing."""
    parting = with_parting(model, plant)
    concrete, may_part = Concrete(parting, budget), _may_part(parting)
    for run in runs:
        if not any(may_part(snapshot) for snapshot in run.snapshots):
            continue
        led = led_by(concrete, run)
        for last, snapshot in enumerate(led.snapshots):
            if any(snapshot.locations[name] == APART for name in plant.machines):
                yield Run(led.steps[:last], led.snapshots[: last + 1])
                break


def _may_part(parting: Model) -> Callable[[Snapshot], bool]:
    """Whether the designs may part from a state of the sound one, if the times are right for it."""
    ways = [
        (machine.name, t.source, compile_guard(t.when))
        for machine in parting.machines for t in machine.transitions if t.target == APART
    ]
    return lambda state: any(state.locations[name] == source and when(state.locations) for name, source, when in ways)


def with_parting(model: Model, plant: Plant) -> Model:
    """The sound model, each changed machine with a state to which it goes where the plant acts differently."""
    together = And(tuple(Not(Is(name, frozenset({APART}))) for name in plant.machines))
    machines = []
    for machine in model.machines:
        if not machine.is_control:
            machines.append(machine)
            continue
        states, found = machine.states, []
        for t in machine.transitions:
            key = (t.machine, t.index)
            if key in plant.changed:
                found += _parting(t, plant.changed[key])
            else:
                found.append(t)
        if machine.name in plant.machines:
            states = (*states, APART)
        numbered = tuple(
            replace(t, index=index, when=And((together, t.when))) for index, t in enumerate(found)
        )
        machines.append(replace(machine, states=states, transitions=numbered))
    digest = hashlib.sha256(f"{model.digest} and where it parts from {plant.id}".encode()).hexdigest()
    return replace(model, machines=tuple(machines), digest=digest)


def _parting(sound: Transition, planted: Transition | None) -> list[Transition]:
    """The transition as far as both take it, and where they part."""
    if planted is None or planted.target != sound.target:
        return [replace(sound, target=APART)]
    if (planted.after, planted.held) != (sound.after, sound.held):
        return [replace(_sooner(sound, planted), target=APART)]
    differ = _one_of(sound.when, planted.when)
    apart = replace(sound, when=differ, target=APART, held=None)
    return [replace(sound, when=And((sound.when, planted.when))), apart]


def _sooner(one: Transition, other: Transition) -> Transition:
    """With the shorter of each two times."""
    times = {}
    for name in ("after", "held"):
        first, second = getattr(one, name), getattr(other, name)
        times[name] = first if first is None or second is None or first.lo <= second.lo else second
    return replace(one, **times)


def _one_of(left: Guard, right: Guard) -> Guard:
    return Or((And((left, Not(right))), And((Not(left), right))))
