"""Whether an endless run breaks ``eventually``: a way, and a turn that can be taken again for ever.

From section 12 of ``specs/semantics.md`` alone. When two states are alike is worked out from the
windows of the checked model, so that nothing rests on how an engine found its loop.
"""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction

from verifier.evidence.judgement import Judgement, in_seconds
from verifier.language.model import Property, Window
from verifier.semantics.concrete import Concrete, has_held_clock, held_name
from verifier.semantics.concrete_guard import compile_guard
from verifier.semantics.run import Run, Snapshot


class NoLoop(Exception):
    """The run is no loop that breaks the property; ``reason`` is one plain sentence."""

    def __init__(self, reason: str):
        super().__init__(reason)
        self.reason = reason


def judge_endless(concrete: Concrete, prop: Property, run: Run, loop: int) -> Judgement:
    """How a run whose end is two turns of a loop breaks an ``eventually`` (12.4).

    Parameters
    ----------
    concrete : Concrete
        The machine the run was taken on.
    run : Run
        From the initial state; the steps from number ``loop`` on are one turn, taken twice.

    Raises
    ------
    NoLoop
        It does not: no time passes in a turn, a turn does not lead back, or Q comes.
    """
    turn, rest = divmod(len(run.steps) - loop, 2)
    if loop < 0 or turn < 1 or rest:
        raise NoLoop(f"a loop from step {loop} in a run of {len(run.steps)} steps is none")
    begins, again, end = (run.snapshots[loop + turn * number] for number in range(3))
    if not begins.is_settled:
        raise NoLoop("the loop does not begin in a settled state")
    lasts = again.time - begins.time
    if lasts <= 0:
        raise NoLoop("no time passes in a turn of the loop")
    for before, after in ((begins, again), (again, end)):
        for difference in differences(concrete, before, after):
            raise NoLoop(f"a turn of the loop does not lead back: {difference}")
    onset = _unanswered(prop, run)
    if onset is None or onset > loop + turn:
        raise NoLoop("no onset of P is left unanswered through a whole turn of the loop")
    came = in_seconds(run.snapshots[onset].time)
    why = (
        f"{_text(prop, 'whenever', 'P')} came at {came} and {_text(prop, 'eventually', 'Q')} need never "
        f"follow: the same can happen every {in_seconds(lasts)} for ever"
    )
    return Judgement(max(onset, loop), onset, why, loop)


def differences(concrete: Concrete, one: Snapshot, other: Snapshot) -> Iterator[str]:
    """What keeps two states from being alike (12.2), a phrase each."""
    for name, state in one.locations.items():
        if other.locations[name] != state:
            yield f"{name} is {state}, then {other.locations[name]}"
    if one.spent != other.spent:
        yield f"{one.spent} faults are spent, then {other.spent}"
    for name, reach in _reaches(concrete, one).items():
        before, after = one.times[name], other.times[name]
        if before != after and min(before, after) < reach:
            yield f"{name} is {in_seconds(before)}, then {in_seconds(after)}"


def _reaches(concrete: Concrete, snapshot: Snapshot) -> dict[str, Fraction]:
    """The reach of each time that has one in this state (12.2)."""
    found: dict[str, Fraction] = {}

    def add(name: str, window: Window, to_its_end: bool) -> None:
        number = window.hi if to_its_end and window.hi is not None else window.lo
        found[name] = max(number, found.get(name, number))

    for machine in concrete.model.machines:
        for transition in machine.transitions:
            if transition.source != snapshot.locations[machine.name]:
                continue
            if transition.fault is not None and concrete.budget == 0:
                continue
            windows = [w for w in (transition.after, transition.held) if w is not None]
            obliges = transition.fault is None and all(w.hi is not None for w in windows)
            if transition.after is not None:
                add(f"time {machine.name}", transition.after, obliges)
            if transition.held is not None and has_held_clock(transition):
                add(held_name(transition), transition.held, obliges)
    return found


def _text(prop: Property, key: str, letter: str) -> str:
    written = prop.texts.get(key)
    return f"`{written}`" if written else letter


def _unanswered(prop: Property, run: Run) -> int | None:
    """The first onset of P from which on no settled state of the run has Q or R."""
    p, q, r = (compile_guard(guard) for guard in (prop.p, prop.q, prop.r))
    onset, had_p = None, False
    for index, snapshot in enumerate(run.snapshots):
        if not snapshot.is_settled:
            continue
        has_p = p(snapshot.locations)
        if has_p and not had_p and onset is None:
            onset = index
        if q(snapshot.locations) or r(snapshot.locations):
            onset = None
        had_p = has_p
    return onset
