"""Replay: an engine's trace taken step by step on the concrete machine, every claim compared.

Only here are ``ReplayedTrace`` objects made; without one nothing is said to be violated or shown.
"""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction

from verifier.evidence.judge import judge
from verifier.evidence.judge_built_in import way_to_a_stop
from verifier.evidence.judge_endless import NoLoop, judge_endless
from verifier.evidence.judgement import Judgement
from verifier.evidence.result import Disagreement, ReplayedTrace
from verifier.language.model import Form, Model, Property
from verifier.semantics.concrete import Concrete, NotAllowed
from verifier.semantics.run import Run, Snapshot, Step, Trace

# Claims about these belong to a proof's bookkeeping; the concrete machine has no opinion on them.
_NOT_OF_THE_STATE = ("watch ", "fresh ")


class NotShown(Disagreement):
    """Every step could be taken, but the run does not break (or show) the property."""


def replay_trace(model: Model, prop: Property, trace: Trace, budget: int = 0) -> ReplayedTrace:
    """Take ``trace`` on the concrete machine and judge it by the definitions of section 7.

    Parameters
    ----------
    model : Model
        The whole checked model; the trace moves every machine of it that moves.
    prop : Property
        What the trace is said to break, or to show (``possible``, ``dead``).
    trace : Trace
        From the initial state; ``len(claims) == len(steps) + 1``. A claim that leaves out a machine's
        state disagrees; times may be left out. For ``eventually`` with a loop.
    budget : int
        Faults allowed, >= 0.

    Returns
    -------
    ReplayedTrace
        The run as taken; led on, if need be, for ``does not settle`` until a state comes back and for
        ``time stops`` to where time stops.

    Raises
    ------
    Disagreement
        The concrete machine does not allow a step, sees another state than claimed, or the run
        does not break the property. A defect of this program; both sides are carried.
    Unjudged
        A built-in property that can't be judged within the limits; no verdict either way.

    Notes
    -----
    ``specs/semantics.md`` sections 5 and 7.
    """
    if len(trace.claims) != len(trace.steps) + 1:
        raise Disagreement(
            "the trace has not one claim for each state",
            {"engine": f"{len(trace.claims)} claims", "replay": f"{len(trace.steps)} steps"},
        )
    concrete = Concrete(model, budget)
    snapshots = [concrete.initial()]
    _compare(trace.claims[0], snapshots[0], 0)
    for index, step in enumerate(trace.steps):
        try:
            snapshots.append(concrete.take(snapshots[-1], step))
        except NotAllowed as refusal:
            raise Disagreement(
                f"the concrete machine can't take step {index + 1} of the trace",
                {"engine": str(step), "concrete machine": refusal.reason},
            ) from refusal
        _compare(trace.claims[index + 1], snapshots[-1], index + 1)
    run = Run(trace.steps, tuple(snapshots))
    if prop.form is Form.EVENTUALLY:
        return replayed_run(concrete, run, _judged_round_again(concrete, prop, run, trace.loop))
    judgement = judge(concrete, prop, run)
    if judgement is None and prop.form is Form.TIME_STOPS:
        run = _lengthened(concrete, run, way_to_a_stop(concrete, run.snapshots[-1]) or ())
        judgement = judge(concrete, prop, run)
    if judgement is None:
        raise NotShown(
            f"the trace does not bear on {prop.id!r}",
            {
                "engine": f"a trace of {len(trace.steps)} steps against {prop.form.value}",
                "judge": "no state of this run breaks or shows the property",
            },
        )
    return replayed_run(concrete, run, judgement)


def _judged_round_again(
    concrete: Concrete, prop: Property, run: Run, loop: int | None
) -> Judgement:
    """What breaks ``eventually`` in ``run`` with the steps from ``loop`` on taken twice (12.4)."""
    if loop is None or not 0 <= loop < len(run.steps):
        said = "no loop" if loop is None else f"a loop from step {loop} of {len(run.steps)}"
        raise NotShown(f"the trace does not bear on {prop.id!r}", {"engine": said})
    try:
        twice = _lengthened(concrete, run, run.steps[loop:])
        return judge_endless(concrete, prop, twice, loop)
    except NotAllowed as refusal:
        raise NotShown(
            f"the loop of the trace for {prop.id!r} can't be taken a second time",
            {"engine": f"a loop from step {loop}", "concrete machine": refusal.reason},
        ) from refusal
    except NoLoop as why:
        raise NotShown(
            f"the trace does not bear on {prop.id!r}",
            {"engine": f"a loop from step {loop}", "judge": why.reason},
        ) from why


def replay_prefix(run: Run, last: int, why: str) -> ReplayedTrace:
    """The first ``last`` steps of a run that the concrete machine has taken, as a witness.

    Parameters
    ----------
    run : Run
        Made by ``Concrete``.
    last : int
        Index of the snapshot that shows what is to be witnessed.
    why : str
        One plain sentence.
    """
    return ReplayedTrace(Run(run.steps[:last], run.snapshots[: last + 1]), last, why=why)


def replayed_run(concrete: Concrete, run: Run, judgement: Judgement) -> ReplayedTrace:
    """The token for ``run``, which ``concrete`` has taken, led on as ``judgement`` says."""
    return ReplayedTrace(
        _lengthened(concrete, run, judgement.further),
        judgement.violating,
        judgement.onset,
        judgement.loop,
        judgement.why,
    )


def _lengthened(concrete: Concrete, run: Run, further: tuple[Step, ...]) -> Run:
    snapshots = list(run.snapshots)
    for step in further:
        snapshots.append(concrete.take(snapshots[-1], step))
    return Run(run.steps + further, tuple(snapshots))


def _compare(claim: Mapping[str, str | Fraction], snapshot: Snapshot, index: int) -> None:
    """Every claim about one state against what the concrete machine sees."""
    left = dict(claim)
    for machine, state in snapshot.locations.items():
        if machine not in left:
            raise _differs(index, f"nothing of {machine}", f"{machine} is {state}")
        claimed = left.pop(machine)
        if claimed != state:
            raise _differs(index, f"{machine} is {claimed}", f"{machine} is {state}")
    for name, claimed in left.items():
        if name.startswith(_NOT_OF_THE_STATE):
            continue
        seen = snapshot.spent if name == "spent" else snapshot.times.get(name)
        if seen is None:
            raise _differs(index, f"{name} = {claimed}", f"there is no {name}")
        if seen != claimed:
            raise _differs(index, f"{name} = {claimed}", f"{name} = {seen}")


def _differs(index: int, engine: str, concrete: str) -> Disagreement:
    return Disagreement(
        f"the engine and the concrete machine differ on the state before step {index + 1}",
        {"engine": engine, "concrete machine": concrete},
    )
