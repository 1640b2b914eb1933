"""Cross-check: concrete random runs held against the symbolic reading and a certificate.

Replay guards ``violated``; it says nothing about ``proved``. If the symbolic reading has lost a
behaviour, both solvers agree on a false proof and there is no trace to replay. So the concrete machine
runs at random, and each step it takes must be allowed by the step relation, each state it meets must
be inside the invariant, and no run may break the property.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction

from verifier.evidence.invariant import BOOL, NUMBER, BadTerm, Invariant
from verifier.evidence.judge import judge
from verifier.evidence.judgement import Unjudged
from verifier.evidence.random_walk import End, ends_reached, random_runs, window_ends
from verifier.evidence.replay import replay_prefix
from verifier.evidence.result import CrossCheck, Disagreement, ReplayedTrace
from verifier.evidence.watching import TIME, Watch, watch_symbols
from verifier.language.guard import Guard
from verifier.language.model import Form, Model, Property
from verifier.semantics.concrete import Concrete, has_held_clock, held_name
from verifier.semantics.concrete_guard import compile_guard
from verifier.semantics.run import Certificate, Move, Run, Snapshot, Step

__all__ = [
    "Covered",
    "covered_by",
    "crosscheck_runs",
    "random_runs",
    "state_values",
    "symbol_sorts",
    "witness",
    "witness_alive",
]

Allows = Callable[[Snapshot, Step, Snapshot], bool]
Values = dict[str, bool | int | Fraction]


def crosscheck_runs(
    model: Model,
    runs: Sequence[Run],
    allows: Allows,
    prop: Property,
    certificate: Certificate,
    *,
    budget: int = 0,
    seed: int = 0,
    dead: frozenset[tuple[str, int]] = frozenset(),
    reached: frozenset[End] | None = None,
    values: Sequence[Sequence[Values]] | None = None,
) -> CrossCheck:
    """Look for a concrete run that the symbolic reading or the certificate does not allow.

    Parameters
    ----------
    model, prop, certificate
        The certificate is for this property of this model under this budget.
    runs : sequence of Run
        From ``random_runs`` with the same budget and ``seed``.
    allows : callable
        The step relation: state before, step, state after to a truth.
    dead : set of (machine, transition number)
        Transitions proved never to be taken; the others count as live.
    reached, values : optional
        ``ends_reached(model, runs)`` and the ``state_values`` of each run, where the caller has them
        already.

    Returns
    -------
    CrossCheck
        Promises that every step taken is allowed by the relation, every state visited is inside the
        invariant and no run breaks the property. ``live`` counts the ends of windows
        (``random_walk.window_ends``) of live transitions, ``covered`` those that a run reached. Says
        nothing about steps not taken.

    Raises
    ------
    Disagreement
        A step or state failed, or the certificate can't be read; both sides are carried. A defect
        of this program, not of the model.

    Notes
    -----
    ``specs/semantics.md`` sections 5, 7, 8, 10 and 11. An invariant holds in every reachable state
    also when it is only k-inductive (11.4).
    """
    if prop.form is Form.EVENTUALLY:
        assert certificate.bound is not None, "the second solver asked for a bound"
        prop = prop.within(certificate.bound)  # 11.8
    concrete = Concrete(model, budget)
    try:
        invariant = Invariant(certificate.invariant, symbol_sorts(model, prop, budget))
    except BadTerm as problem:
        raise Disagreement(
            f"the certificate for {prop.id!r} can't be read",
            {"engine": certificate.invariant[:2000], "reader of terms": str(problem)},
        ) from problem
    for number, run in enumerate(runs):
        _steps_are_allowed(run, number, allows)
        inside = state_values(model, run) if values is None else values[number]
        _states_are_inside(run, number, prop, invariant, budget, inside)
        _property_holds(concrete, run, number, prop)
    live = {end for end in window_ends(model, budget) if end[:2] not in dead}
    if reached is None:
        reached = ends_reached(model, runs)
    lengths = tuple(len(run.steps) for run in runs)
    return CrossCheck(lengths, seed, len(live), len(live & reached))


def symbol_sorts(model: Model, prop: Property, budget: int) -> dict[str, str]:
    """The symbols of section 10 for a certificate on ``prop``, without bars, and their sorts."""
    sorts = {}
    for machine in model.machines:
        sorts.update((f"{machine.name} is {state}", BOOL) for state in machine.states)
        sorts[f"time {machine.name}"] = NUMBER
        for transition in machine.transitions:
            if has_held_clock(transition):
                sorts[held_name(transition)] = NUMBER
        if prop.form is Form.PULSE and machine.is_control:
            sorts[f"fresh {machine.name}"] = BOOL
    if budget > 0:
        sorts["spent"] = NUMBER
    for name in watch_symbols(prop):
        sorts[name] = NUMBER if name == TIME else BOOL
    return sorts


def state_values(model: Model, run: Run) -> tuple[Values, ...]:
    """The value in each state of ``run`` of every symbol of section 10 but those of the watch."""
    names = [(f"{m.name} is {state}", m.name, state) for m in model.machines for state in m.states]
    fresh: frozenset[str] = frozenset()
    found = []
    for index, snapshot in enumerate(run.snapshots):
        if index > 0:
            step = run.steps[index - 1]
            fresh = (
                fresh | {m.machine for m in step.moves} if step.kind == "settle" else frozenset()
            )
        values: Values = {name: _plain(time) for name, time in snapshot.times.items()}
        values |= {name: snapshot.locations[machine] == state for name, machine, state in names}
        values |= {f"fresh {machine.name}": machine.name in fresh for machine in model.machines}
        found.append(values | {"spent": snapshot.spent})
    return tuple(found)


def _plain(time: Fraction) -> int | Fraction:
    """Whole numbers as integers: comparing with these is much faster."""
    return time.numerator if time.denominator == 1 else time


def _steps_are_allowed(run: Run, number: int, allows: Allows) -> None:
    for index, step in enumerate(run.steps):
        if not allows(run.snapshots[index], step, run.snapshots[index + 1]):
            raise Disagreement(
                "the concrete machine took a step that the step relation does not allow",
                {
                    "concrete machine": f"run {number}, step {index + 1}: {step} from "
                    f"{_state(run.snapshots[index])} to {_state(run.snapshots[index + 1])}",
                    "step relation": "not allowed",
                },
            )


def _states_are_inside(
    run: Run,
    number: int,
    prop: Property,
    invariant: Invariant,
    budget: int,
    values: Sequence[Values],
) -> None:
    watch = Watch(prop)
    for index, snapshot in enumerate(run.snapshots):
        if index > 0:
            watch.go_on(run.snapshots[index - 1], run.steps[index - 1])
        if not invariant.holds(values[index] | watch.values()):
            raise Disagreement(
                f"a concrete run leaves the invariant that is to prove {prop.id!r}",
                {
                    "concrete machine": f"run {number} of budget {budget}, state {index}: "
                    f"{_state(snapshot)}, {watch.values()}, fresh "
                    f"{[m for m in snapshot.locations if values[index][f'fresh {m}']]}",
                    "certificate": "the invariant is false there",
                },
            )
        if watch.is_bad(snapshot):
            raise Disagreement(
                f"a concrete run breaks {prop.id!r}, which has a certificate",
                {
                    "concrete machine": f"run {number}, state {index}: {_state(snapshot)}",
                    "certificate": "no such state is reached",
                },
            )


def _property_holds(concrete: Concrete, run: Run, number: int, prop: Property) -> None:
    try:
        judgement = judge(concrete, prop, run)
    except Unjudged:
        return  # Too large to look through from this run's end; the other checks stand.
    if judgement is not None:
        raise Disagreement(
            f"a concrete run breaks {prop.id!r}, which has a certificate",
            {
                "judge": f"run {number}, state {judgement.violating}: {judgement.why}",
                "certificate": "no run does",
            },
        )


def _state(snapshot: Snapshot) -> str:
    places = ", ".join(f"{name} is {state}" for name, state in snapshot.locations.items())
    times = ", ".join(f"{name} = {value}" for name, value in snapshot.times.items() if value)
    return f"[{places}; {times}; time {snapshot.time}; spent {snapshot.spent}]"


@dataclass(frozen=True)
class Covered:
    """What some runs have met: (machine, state) pairs and (machine, transition number) pairs."""

    states: frozenset[tuple[str, str]]
    transitions: frozenset[tuple[str, int]]

    def __or__(self, other: Covered) -> Covered:
        return Covered(self.states | other.states, self.transitions | other.transitions)

    def has(self, subject: tuple[str, str, str | int]) -> bool:
        """Whether the subject of ``dead``, a state or a transition, was met."""
        kind, machine, what = subject
        return (machine, what) in (self.states if kind == "state" else self.transitions)


def covered_by(runs: Iterable[Run]) -> Covered:
    """States entered and transitions taken in ``runs``; what is in neither may still be alive."""
    states, moves = set(), set()
    for run in runs:
        for snapshot in run.snapshots:
            states.update(snapshot.locations.items())
        for step in run.steps:
            moves.update((move.machine, move.transition) for move in step.moves)
    return Covered(frozenset(states), frozenset(moves))


def runs_that_cover(runs: Iterable[Run]) -> tuple[Run, ...]:
    """Those of ``runs``, in order, that meet a state or transition which none before them met."""
    kept: list[Run] = []
    met: set = set()
    for run in runs:
        covered = covered_by([run])
        here = covered.states | covered.transitions
        if not here <= met:
            met |= here
            kept.append(run)
    return tuple(kept)


def all_alive(runs: Iterable[Run], subjects: int, seed: int) -> CrossCheck:
    """What backs ``dead`` proved: every one of ``subjects`` was met, each in a concrete run.

    The caller has met them: in ``runs`` (``covered_by``) or in a run that ``Concrete`` took for one of them.
    """
    return CrossCheck(tuple(len(run.steps) for run in runs), seed, subjects, subjects)


def witness(runs: Iterable[Run], guard: Guard, why: str = "") -> ReplayedTrace | None:
    """The shortest beginning of a run that ends in a settled state with ``guard``; None if none does.

    A first settled state with a guard is always an onset of it (6.3), so this witnesses triggers
    too. None says nothing: the runs may have missed it.
    """
    holds = compile_guard(guard)
    best: tuple[int, Run] | None = None
    for run in runs:
        for index, snapshot in enumerate(run.snapshots):
            if best is not None and index >= best[0]:
                break
            if snapshot.is_settled and holds(snapshot.locations):
                best = (index, run)
                break
    if best is None:
        return None
    return replay_prefix(best[1], best[0], why)


def witness_alive(
    runs: Iterable[Run], subject: tuple[str, str, str | int], why: str = ""
) -> ReplayedTrace | None:
    """The shortest beginning of a run that enters a state or takes a transition; None if none does.

    ``subject`` is as in ``Property.subject`` of ``dead``.
    """
    kind, machine, what = subject
    best: tuple[int, Run] | None = None
    for run in runs:
        for index, snapshot in enumerate(run.snapshots):
            if kind == "state":
                alive = snapshot.locations[machine] == what
            else:
                alive = index > 0 and Move(machine, what) in run.steps[index - 1].moves
            if alive and (best is None or index < best[0]):
                best = (index, run)
                break
    return None if best is None else replay_prefix(best[1], best[0], why)
