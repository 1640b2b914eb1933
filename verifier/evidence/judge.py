"""Whether a finite run breaks a property, by the definitions of ``specs/semantics.md`` section 7.

Each form is read off the list of settled states with their times, as section 7 words it: onsets,
spells, and what lies between. No watches here (section 8), so that a mistake in a watch is noticed.
Of several ways in which a run breaks a property the one that shows first is reported.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction

from verifier.evidence.judge_built_in import BUILT_IN_JUDGES
from verifier.evidence.judgement import Judgement, in_seconds
from verifier.language.model import Form, Property
from verifier.semantics.concrete import Concrete
from verifier.semantics.concrete_guard import compile_guard
from verifier.semantics.run import Run


@dataclass(frozen=True, slots=True)
class _Settled:
    """A settled state of the run: its index among all snapshots, and what the forms ask of it."""

    index: int
    time: Fraction
    can_pass: bool
    p: bool
    q: bool
    r: bool


def judge(concrete: Concrete, prop: Property, run: Run) -> Judgement | None:
    """How ``run`` breaks ``prop`` (or shows it, for ``possible`` and ``dead``); None if it does not.

    Parameters
    ----------
    concrete : Concrete
        The machine the run was taken on. Only the built-in properties ask it anything.
    prop : Property
        Any form but ``eventually``, which no finite run can break.
    run : Run
        From the initial state.

    Raises
    ------
    Unjudged
        ``time stops``, ``does not settle``, ``order matters``: more states to look at than allowed.
    ValueError
        The form is ``eventually``.

    Notes
    -----
    ``specs/semantics.md`` 7.1 to 7.12 and section 9.
    """
    if prop.form in BUILT_IN_JUDGES:
        return BUILT_IN_JUDGES[prop.form](concrete, prop, run)
    if prop.form not in _JUDGES:
        raise ValueError(f"a finite run can't break a property of the form {prop.form.value!r}")
    settled = _settled_states(prop, run)
    found = _JUDGES[prop.form](prop, settled)
    return min(found, key=lambda judgement: judgement.violating, default=None)


def settled_onsets(run: Run, holds: Callable[[dict], bool]) -> list[int]:
    """Indices in ``run.snapshots`` of the onsets (6.3) of what ``holds`` says of locations."""
    found, before = [], False
    for index, snapshot in enumerate(run.snapshots):
        if snapshot.is_settled:
            now = holds(snapshot.locations)
            if now and not before:
                found.append(index)
            before = now
    return found


def _settled_states(prop: Property, run: Run) -> list[_Settled]:
    p, q, r = compile_guard(prop.p), compile_guard(prop.q), compile_guard(prop.r)
    return [
        _Settled(
            index,
            snapshot.time,
            snapshot.can_pass,
            p(snapshot.locations),
            q(snapshot.locations),
            r(snapshot.locations),
        )
        for index, snapshot in enumerate(run.snapshots)
        if snapshot.is_settled
    ]


Judgements = Iterator[Judgement]
States = Sequence[_Settled]


def _onsets(states: States, letter: str) -> list[int]:
    """Positions in ``states`` of the onsets (6.3) of P or Q."""
    return [
        i
        for i, state in enumerate(states)
        if getattr(state, letter) and (i == 0 or not getattr(states[i - 1], letter))
    ]


def _spell_start(states: States, i: int) -> int:
    """Position of the first state of the spell of P (6.4) that state ``i`` is in."""
    while i > 0 and states[i - 1].p:
        i -= 1
    return i


def _never(prop: Property, states: States) -> Judgements:
    for state in states:
        if state.can_pass and state.p:
            yield Judgement(state.index, None, f"{_text(prop, 'never', 'P')} is true here")


def _always(prop: Property, states: States) -> Judgements:
    for state in states:
        if state.can_pass and not state.p:
            yield Judgement(state.index, None, f"{_text(prop, 'always', 'P')} is false here")


def _while(prop: Property, states: States) -> Judgements:
    p, q = _text(prop, "while", "P"), _text(prop, "then", "Q")
    for state in states:
        if state.can_pass and state.p and not state.q:
            yield Judgement(state.index, None, f"{p} is true here and {q} is false")


def _within(prop: Property, states: States) -> Judgements:
    for i in _onsets(states, "p"):
        end = states[i].time + prop.bound
        if any(state.q or state.r for state in states[i:] if state.time <= end):
            continue
        for state in states[i:]:
            if state.time > end:
                why = (
                    f"{_text(prop, 'whenever', 'P')} came at {in_seconds(states[i].time)} and "
                    f"{_text(prop, 'then', 'Q')} did not follow within {in_seconds(prop.bound)}"
                )
                yield Judgement(state.index, states[i].index, why)
                break


def _keeps(prop: Property, states: States) -> Judgements:
    for i in _onsets(states, "p"):
        end = states[i].time + prop.bound
        for state in states[i:]:
            if state.r or state.time > end:
                break
            if not state.q:
                why = (
                    f"{_text(prop, 'keeps', 'Q')} is false {in_seconds(state.time - states[i].time)} "
                    f"after {_text(prop, 'whenever', 'P')} came, and must be kept for "
                    f"{in_seconds(prop.bound)}"
                )
                yield Judgement(state.index, states[i].index, why)
                break


def _only_after(prop: Property, states: States) -> Judgements:
    p_onsets = _onsets(states, "p")
    for j in _onsets(states, "q"):
        after_reset = max((i + 1 for i in range(j + 1) if states[i].r), default=0)
        if not any(after_reset <= i <= j for i in p_onsets):
            since = f" since {_text(prop, 'since', 'R')}" if after_reset else ""
            why = f"{_text(prop, 'can', 'Q')} comes and {_text(prop, 'only_after', 'P')} did not come{since}"
            yield Judgement(states[j].index, None, why)


def _lasts_at_least(prop: Property, states: States) -> Judgements:
    for j in range(1, len(states)):
        if states[j - 1].p and not states[j].p:
            start = states[_spell_start(states, j - 1)]
            lasted = states[j].time - start.time
            if lasted < prop.bound:
                why = (
                    f"{_text(prop, 'lasts', 'P')} lasted {in_seconds(lasted)} and must last at least "
                    f"{in_seconds(prop.bound)}"
                )
                yield Judgement(states[j].index, start.index, why)


def _lasts_at_most(prop: Property, states: States) -> Judgements:
    for j in range(1, len(states)):
        if states[j - 1].p:
            start = states[_spell_start(states, j - 1)]
            lasted = states[j].time - start.time
            if lasted > prop.bound:
                why = (
                    f"{_text(prop, 'lasts', 'P')} has lasted {in_seconds(lasted)} and may last at "
                    f"most {in_seconds(prop.bound)}"
                )
                yield Judgement(states[j].index, start.index, why)


def _has_held(prop: Property, states: States) -> Judgements:
    p, q = _text(prop, "has_held", "P"), _text(prop, "at", "Q")
    for j in _onsets(states, "q"):
        if not states[j].p:
            yield Judgement(states[j].index, None, f"{q} comes and {p} is false")
            continue
        start = states[_spell_start(states, j)]
        lasted = states[j].time - start.time
        if lasted < prop.bound:
            why = (
                f"{q} comes when {p} has been true for {in_seconds(lasted)} and must have been for "
                f"{in_seconds(prop.bound)}"
            )
            yield Judgement(states[j].index, start.index, why)


def _between_at_most(prop: Property, states: States) -> Judgements:
    p_onsets, q_onsets = _onsets(states, "p"), set(_onsets(states, "q"))
    answers = [i for i, state in enumerate(states) if state.r or i in q_onsets]
    for i in p_onsets:
        earlier = (k for k in p_onsets if k < i)
        if any(not any(k <= a <= i for a in answers) for k in earlier):
            continue
        end = states[i].time + prop.bound
        if any(a >= i and states[a].time <= end for a in answers):
            continue
        for state in states[i:]:
            if state.time > end:
                why = (
                    f"{_text(prop, 'between[1]', 'Q')} did not come within {in_seconds(prop.bound)} "
                    f"of {_text(prop, 'between[0]', 'P')}, which came at {in_seconds(states[i].time)}"
                )
                yield Judgement(state.index, states[i].index, why)
                break


def _between_at_least(prop: Property, states: States) -> Judgements:
    p_onsets, q_onsets = _onsets(states, "p"), _onsets(states, "q")
    for j in q_onsets:
        i = max((k for k in p_onsets if k <= j), default=None)
        if i is None or any(i <= k < j for k in q_onsets):
            continue
        if any(state.r for state in states[i : j + 1]):
            continue
        passed = states[j].time - states[i].time
        if passed < prop.bound:
            why = (
                f"{_text(prop, 'between[1]', 'Q')} came {in_seconds(passed)} after "
                f"{_text(prop, 'between[0]', 'P')} and may come after {in_seconds(prop.bound)} at the "
                f"earliest"
            )
            yield Judgement(states[j].index, states[i].index, why)


def _possible(prop: Property, states: States) -> Judgements:
    for state in states:
        if state.p and (prop.bound is None or state.time <= prop.bound):
            why = f"{_text(prop, 'possible', 'P')} is reached at {in_seconds(state.time)}"
            yield Judgement(state.index, None, why)


_JUDGES: dict[Form, Callable[[Property, States], Judgements]] = {
    Form.NEVER: _never,
    Form.ALWAYS: _always,
    Form.WHILE: _while,
    Form.WITHIN: _within,
    Form.KEEPS: _keeps,
    Form.ONLY_AFTER: _only_after,
    Form.LASTS_AT_LEAST: _lasts_at_least,
    Form.LASTS_AT_MOST: _lasts_at_most,
    Form.HAS_HELD: _has_held,
    Form.BETWEEN_AT_LEAST: _between_at_least,
    Form.BETWEEN_AT_MOST: _between_at_most,
    Form.POSSIBLE: _possible,
}


def _text(prop: Property, key: str, letter: str) -> str:
    """The guard as written, quoted, or its letter where the property has no text for it."""
    written = prop.texts.get(key)
    return f"`{written}`" if written else letter
