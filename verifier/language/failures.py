"""What ``can_fail`` of a sensor stands for: a machine of its failures (``specs/semantics.md`` 1.6).

The failures become states and transitions of the checked model, so that every reading of a model has them
without knowing of sensors.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from verifier.diagnostics import Findings, Place, did_you_mean
from verifier.language.guard import TRUE, Guard, Is
from verifier.language.meaning import Meaning, conjunction, disjunction, negation
from verifier.language.model import Machine, Role, Transition, Window
from verifier.language.names import Closure, MachineName, Scope
from verifier.language.shape import keys_of, list_of, text_of
from verifier.language.tree import Node, Scalar

WORKING = "working"
# Of each failure, the states that it leads to, with what the sensor says there.
FAILURES = {
    "stuck true": {"stuck_true": True},
    "stuck false": {"stuck_false": False},
    "frozen": {"frozen_true": True, "frozen_false": False},
}


@dataclass(frozen=True, eq=False)
class Failure:
    """One failure of a sensor: how long it lasts, for good where that is not said, and after what time it then
    comes again, if it does."""

    kind: str
    lasts: Closure | None = None
    again: Closure | None = None


def failures_in(
    node: Node | None, scope: Scope, members: Mapping[str, str], findings: Findings
) -> tuple[Failure, ...]:
    """The entries of ``can_fail``."""
    found: dict[str, Failure] = {}
    for item in list_of(node, findings, "`can_fail`"):
        kind, windows = item, {}
        if not isinstance(item, Scalar):
            keys = keys_of(item, findings, "a failure that ends", must=("fails", "for"), may=("again",))
            kind = keys.get("fails")
            texts = {key: text_of(keys.get(key), findings, f"`{key}`") for key in ("for", "again")}
            windows = {key: Closure(text, scope, members) for key, text in texts.items() if text is not None}
        name = text_of(kind, findings, "a failure")
        if name is None:
            continue
        if name.text not in FAILURES:
            mark = did_you_mean(name.text, FAILURES) or f"known: {', '.join(FAILURES)}"
            findings.add("LX314", name.spot, f"a sensor can't fail `{name.text}`", mark=mark)
        elif name.text in found:
            way = f"one `{{fails: {name.text}, for: 0 s ..}}`, which may end at any moment or never"
            findings.add("LX310", name.spot, f"the failure `{name.text}` is listed twice", try_next=way)
        else:
            found[name.text] = Failure(name.text, windows.get("for"), windows.get("again"))
    return tuple(found.values())


def failure_name(sensor: str, can_fail: Iterable[Failure], place: Place) -> MachineName:
    """The machine of the failures of ``sensor``, as guards see it; its states in a fixed order."""
    named = {failure.kind: failure for failure in can_fail}
    failed = []
    for kind, states in FAILURES.items():
        if kind in named:
            failed += [*states, resting(kind)] if named[kind].again else states
    return MachineName(f"{sensor}_failure", Role.EQUIPMENT, (WORKING, *failed), place, sensor)


def resting(kind: str) -> str:
    """The state between one spell of a failure and the next."""
    return f"{kind.replace(' ', '_')}_resting"


def fault_name(sensor: str, kind: str) -> str:
    """The fault that a run spends when ``sensor`` fails so."""
    return f"{sensor}_{kind.replace(' ', '_')}"


def as_control_has_it(reads: Meaning, failure: MachineName) -> Meaning:
    """What the name of a sensor stands for: its reading while it works, else what it is stuck at."""
    says_true = {state for states in FAILURES.values() for state, says in states.items() if says}
    right = {WORKING, *map(resting, FAILURES)} & set(failure.states)
    options = [conjunction([reads, Meaning(Is(failure.name, frozenset(right)))])]
    wrong = says_true & set(failure.states)
    if wrong:
        options.append(Meaning(Is(failure.name, frozenset(wrong))))
    return replace(disjunction(options), is_whole=True)


def failure_machine(
    name: MachineName, reads: Meaning, can_fail: Sequence[Failure], text: str,
    window: Callable[[Closure], Window | None],
) -> Machine:
    """The machine itself. A frozen sensor keeps what it read in the state in which it freezes."""
    transitions: list[Transition] = []

    def goes(source: str, target: str, when: Guard, when_text: str, after: Window | None, fault: str | None) -> None:
        transitions.append(Transition(
            name.name, len(transitions), source, target, when, after, None, fault, name.place, when_text
        ))

    def fails(kind: str, source: str, after: Window | None, fault: str | None) -> None:
        if kind == "frozen":
            goes(source, "frozen_true", reads.guard, text, after, fault)
            goes(source, "frozen_false", negation(reads).guard, f"not ({text})", after, fault)
        else:
            (target,) = FAILURES[kind]
            goes(source, target, TRUE, "", after, fault)

    known = {failure.kind: failure for failure in can_fail}
    declared = [known[kind] for kind in FAILURES if kind in known]
    for failure in declared:
        fails(failure.kind, WORKING, None, fault_name(name.sensor, failure.kind))
    for failure in declared:
        if failure.lasts is None:
            continue
        lasts = window(failure.lasts)
        for state in FAILURES[failure.kind]:
            goes(state, resting(failure.kind) if failure.again else WORKING, TRUE, "", lasts, None)
        if failure.again is not None:
            fails(failure.kind, resting(failure.kind), window(failure.again), None)
    return Machine(
        name.name, Role.EQUIPMENT, name.states, tuple(transitions), name.place,
        f"how the sensor {name.sensor} fails", sensor=name.sensor,
    )
