"""Sets of faults that concrete runs happen upon: each such run shows that its faults break a property.

Among many faults a random run seldom spends the one that matters and then goes where it matters; so each fault has
runs in which it alone happens, besides those in which all may. What breaks a property of one line mostly breaks that
of another too, told of the faults of that line. And where one fault does harm, others mostly do the same at the same
moment.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace

from verifier.engines.mirror import names_swapped
from verifier.evidence.judge import judge
from verifier.evidence.judgement import Judgement
from verifier.evidence.leading import led_by
from verifier.evidence.quieten import quietened
from verifier.evidence.random_walk import random_runs
from verifier.evidence.replay import replayed_run
from verifier.evidence.result import ReplayedTrace
from verifier.language.granting import with_faults
from verifier.language.model import Form, Model, Property
from verifier.semantics.concrete import Concrete
from verifier.semantics.run import Move, Run, Step
from verifier.studies.fault_search import Faults

# How many runs with each fault, of how many steps at most. More find little else: on full barriers ten times as many
# steps bring a quarter more sets, most of which are variations of these (``varied``).
RUNS, DEPTH = 30, 100
# Whether a single run breaks these is a search of its own, or no question at all.
NOT_JUDGED = (Form.DOES_NOT_SETTLE, Form.TIME_STOPS, Form.ORDER_MATTERS, Form.DEAD, Form.POSSIBLE, Form.EVENTUALLY)


def happened_upon(
    model: Model, properties: Sequence[Property], faults: Collection[str], order: int, seed: int
) -> dict[str, dict[Faults, ReplayedTrace]]:
    """For each property, by its id, the sets of faults that runs spend which break it, each with the shortest of
    these runs, where only ``faults`` can happen and at most ``order`` times in all. Nothing is said of other sets."""
    granted = with_faults(model, faults)
    concrete = Concrete(granted, order)
    runs = random_runs(granted, budget=order, runs=RUNS, depth=DEPTH, seed=seed)
    asked = [prop for prop in properties if prop.form not in NOT_JUDGED]
    return {prop.id: _shortest(concrete, prop, runs) for prop in asked}


def mirrored(
    model: Model, one: Property, other: Property, traces: Iterable[ReplayedTrace], order: int
) -> dict[Faults, ReplayedTrace]:
    """What ``traces`` that break ``one`` show of ``other``, which differs in the member of a group."""
    named = names_swapped(one, other)
    if named is None or other.form in NOT_JUDGED:
        return {}
    names = {machine.name for machine in model.machines}
    concrete = Concrete(model, order)
    runs = [led_by(concrete, trace.run, named) for trace in traces if _can_swap(trace.run, named, names)]
    return _shortest(concrete, other, runs)


def varied(
    concrete: Concrete,
    prop: Property,
    faults: Faults,
    trace: ReplayedTrace,
    swaps: Sequence[Callable[[str], str]],
    is_known: Callable[[Faults], bool],
) -> dict[Faults, ReplayedTrace]:
    """Other sets of faults that break ``prop``: by runs like ``trace``, which spends ``faults``, with one fault in
    the place of another, or with the machines of one member of a group in the place of another's (``swaps``). Sets
    that ``is_known`` tells of are not looked for; nothing is said of those not found."""
    if prop.form in NOT_JUDGED:
        return {}
    names = {machine.name for machine in concrete.model.machines}
    runs = [led_by(concrete, trace.run, swap) for swap in swaps if _can_swap(trace.run, swap, names)]
    found = _shortest(concrete, prop, runs)
    named = fault_names(concrete.model)
    ways: dict[str, list[Move]] = {}
    for key, fault in named.items():
        if fault is not None:
            ways.setdefault(fault, []).append(Move(*key))
    for left_out in sorted(faults):
        for other in sorted(ways.keys() - faults):
            wanted = faults - {left_out} | {other}
            if is_known(wanted) or any(one <= wanted for one in found):
                continue
            for run in _instead(trace.run, ways[left_out], ways[other]):
                here = _shortest(concrete, prop, [led_by(concrete, run)])
                found |= here
                if here:
                    break
    return found


def _instead(run: Run, left_out: Sequence[Move], ways: Sequence[Move]) -> Iterator[Run]:
    """``run`` with one of ``ways`` in the place of each move of ``left_out``; and, where they fail the same machine,
    with it at any other moment."""
    without = [replace(step, moves=tuple(m for m in step.moves if m not in left_out)) for step in run.steps]
    places = [place for place, step in enumerate(run.steps) if without[place] != step]
    fail_alike = any(way.machine == one.machine for way in ways for one in left_out)
    for way in ways:
        yield _with(run, without, places, way)
    for way in ways if fail_alike else ():
        for place, step in enumerate(run.steps):
            if step.kind == "world" and place not in places:
                yield _with(run, without, [place], way)


def _with(run: Run, steps: Sequence[Step], places: Sequence[int], way: Move) -> Run:
    """With ``way`` at ``places``, instead of what its machine does there."""
    changed = list(steps)
    for place in places:
        kept = (move for move in changed[place].moves if move.machine != way.machine)
        changed[place] = replace(changed[place], moves=(*kept, way))
    return Run(tuple(changed), run.snapshots)


def _can_swap(run: Run, swap: Callable[[str], str], names: Collection[str]) -> bool:
    return all(swap(move.machine) in names for step in run.steps for move in step.moves)


def _shortest(concrete: Concrete, prop: Property, runs: Sequence[Run]) -> dict[Faults, ReplayedTrace]:
    names = fault_names(concrete.model)
    found: dict[Faults, tuple[int, Run, Judgement]] = {}
    for run in runs:
        judgement = judge(concrete, prop, run)
        if judgement is not None:
            last = judgement.violating
            faults = spent_by(names, run, last)
            if faults not in found or last < found[faults][0]:
                found[faults] = last, Run(run.steps[:last], run.snapshots[: last + 1]), judgement
    return {
        faults: quietened(concrete, prop, replayed_run(concrete, run, judgement))
        for faults, (_, run, judgement) in found.items()
    }


def fault_names(model: Model) -> dict[tuple[str, int], str | None]:
    """The fault of each transition, by machine and number."""
    return {(t.machine, t.index): t.fault for machine in model.machines for t in machine.transitions}


def spent_by(names: Mapping[tuple[str, int], str | None], run: Run, n_steps: int) -> Faults:
    """The faults that the first ``n_steps`` of a run spend."""
    taken = {names[move.machine, move.transition] for step in run.steps[:n_steps] for move in step.moves}
    return frozenset(name for name in taken if name is not None)
