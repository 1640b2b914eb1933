"""Whether a plant changes only what happens in the midst of settles, and every settle ends as before.

No settled state tells such a plant from the sound logic, so every property that speaks of settled states alone
holds of both or of neither (``specs/semantics.md`` section 13).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace

from verifier.engines.settles import settles_alike
from verifier.engines.study import Study
from verifier.evidence.random_walk import random_runs
from verifier.evidence.result import Disagreement, RecheckedCertificate
from verifier.evidence.verdicts import Bench
from verifier.language.guard import FALSE
from verifier.language.model import Form, Model, Property
from verifier.semantics.bare import bare
from verifier.semantics.concrete import Concrete
from verifier.semantics.run import Run, Snapshot
from verifier.studies.plants import Plant

# More rounds than a settle takes.
ROUNDS = 64
RUNS, DEPTH = 60, 100

# Machines with their states, the times that some window measures, and the faults spent.
State = tuple[frozenset, frozenset, int]


def ends_alike(
    bench: Bench, plant: Plant, starts: Iterable[Snapshot], walked: Sequence[Run] = ()
) -> RecheckedCertificate | None:
    """A proof that every settle ends alike in the sound model, that of ``bench``, and in the planted one; None
    says nothing. ``starts`` are some states of the sound model in which settles begin, ``walked`` random runs of the
    planted one under as many faults or fewer, that have been where the two part; others where there are none."""
    planted = _planted_in_place(plant, bench.model)
    both = _Both(bench.model, planted, bench.budget)
    if any(both.parted_from(start) for start in starts):
        return None
    study = bench.study_of_one()
    found = settles_alike(study, bare(planted, bench.budget)) if isinstance(study, Study) else None
    if found is None:
        return None
    rechecked = bench.rechecked(_nothing_bad(plant), found, alike_to=planted)
    if not isinstance(rechecked, RecheckedCertificate):
        return None
    runs = walked or random_runs(planted, budget=bench.budget, runs=RUNS, depth=DEPTH, seed=bench.limits.seed)
    for start in settle_starts(runs):
        if both.parted_from(start):
            raise Disagreement(
                f"every settle of plant {plant.id} is proved to end as that of the sound model, and one does not",
                {"engine": found.method, "concrete machine": f"the settle from {start}"},
            )
    return rechecked


def settle_starts(runs: Iterable[Run]) -> Iterator[Snapshot]:
    """The states of ``runs`` in which a settle begins, each once."""
    seen = set()
    for run in runs:
        for number, snapshot in enumerate(run.snapshots):
            if number == 0 or run.steps[number - 1].kind == "world":
                state = _state(snapshot, frozenset(snapshot.times))
                if state not in seen:
                    seen.add(state)
                    yield snapshot


def _planted_in_place(plant: Plant, model: Model) -> Model:
    """What is left out stays with the guard ``false``, so that all transitions keep their numbers."""
    changed = {
        (machine, index): new or replace(model.machine(machine).transitions[index], when=FALSE)
        for (machine, index), new in plant.changed.items()
    }
    return replace(plant, changed=changed).planted_in(model)


def _nothing_bad(plant: Plant) -> Property:
    """What the certificate is about, apart from how settles end."""
    return Property("settles end alike", Form.NEVER, "every settle ends alike", "", "", plant.place, p=FALSE)


class _Both:
    """The concrete machines of both designs."""

    def __init__(self, one: Model, other: Model, budget: int):
        self.machines = Concrete(one, budget), Concrete(other, budget)
        measured = {f"time {m.name}" for m in one.machines if any(t.after for t in m.transitions)}
        first = self.machines[0].initial()
        self.times = frozenset(n for n in first.times if n in measured or not n.startswith("time "))

    def parted_from(self, start: Snapshot) -> bool:
        """Whether the settles from there end in more than one state, one does not end, or another delay is allowed
        after it."""
        found = [self._ends(concrete, start) for concrete in self.machines]
        if any(ends is None for ends in found):
            return True
        states = {state for ends in found for state in ends}
        delays = {c.longest_delay(end) for c, ends in zip(self.machines, found) for end in ends.values()}
        return len(states) != 1 or len(delays) != 1

    def _ends(self, concrete: Concrete, start: Snapshot) -> dict[State, Snapshot] | None:
        """Of every settle from ``start``; None where one has not ended after ``ROUNDS`` rounds."""
        now, found = [replace(start, is_settled=concrete.is_settled(start))], {}
        for _ in range(ROUNDS):
            found |= {_state(snapshot, self.times): snapshot for snapshot in now if snapshot.is_settled}
            after = (concrete.take(snapshot, step) for snapshot in now for step in concrete.settle_rounds(snapshot))
            now = list({_state(snapshot, self.times): snapshot for snapshot in after}.values())
            if not now:
                return found
        return None


def _state(snapshot: Snapshot, times: frozenset[str]) -> State:
    measured = frozenset((name, snapshot.times[name]) for name in times)
    return frozenset(snapshot.locations.items()), measured, snapshot.spent
