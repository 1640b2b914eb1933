"""What ``can_fail`` of a sensor stands for: a machine of its failures (``specs/semantics.md`` 1.6).

The failures become states and fault transitions of the checked model, so that every reading of a model
has them without knowing of sensors.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from verifier.diagnostics import Place
from verifier.language.guard import TRUE, Guard, Is
from verifier.language.meaning import Meaning, conjunction, disjunction, negation
from verifier.language.model import Machine, Role, Transition
from verifier.language.names import MachineName

WORKING = "working"
# Of each failure, the states that it leads to, with what the sensor says there.
FAILURES = {
    "stuck true": {"stuck_true": True},
    "stuck false": {"stuck_false": False},
    "frozen": {"frozen_true": True, "frozen_false": False},
}


def failure_name(sensor: str, can_fail: Sequence[str], place: Place) -> MachineName:
    """The machine of the failures of ``sensor``, as guards see it; its states in a fixed order."""
    failed = [state for failure, states in FAILURES.items() if failure in can_fail for state in states]
    return MachineName(f"{sensor}_failure", Role.EQUIPMENT, (WORKING, *failed), place, sensor)


def fault_name(sensor: str, failure: str) -> str:
    """The fault that a run spends when ``sensor`` fails so."""
    return f"{sensor}_{failure.replace(' ', '_')}"


def as_control_has_it(reads: Meaning, failure: MachineName) -> Meaning:
    """What the name of a sensor stands for: its reading while it works, else what it is stuck at."""
    says_true = {state for states in FAILURES.values() for state, says in states.items() if says}
    working = Meaning(Is(failure.name, frozenset({WORKING})))
    options = [conjunction([reads, working])]
    wrong = says_true & set(failure.states)
    if wrong:
        options.append(Meaning(Is(failure.name, frozenset(wrong))))
    return replace(disjunction(options), is_whole=True)


def failure_machine(
    failure: MachineName, reads: Meaning, can_fail: Sequence[str], text: str
) -> Machine:
    """The machine itself. A frozen sensor keeps what it read in the state in which it freezes."""
    transitions: list[Transition] = []

    def fails(fault: str, target: str, when: Guard, when_text: str) -> None:
        transitions.append(
            Transition(
                failure.name,
                len(transitions),
                WORKING,
                target,
                when,
                None,
                None,
                fault_name(failure.sensor, fault),
                failure.place,
                when_text,
            )
        )

    for fault, states in FAILURES.items():
        if fault not in can_fail:
            continue
        if fault == "frozen":
            fails(fault, "frozen_true", reads.guard, text)
            fails(fault, "frozen_false", negation(reads).guard, f"not ({text})")
        else:
            (target,) = states
            fails(fault, target, TRUE, "")
    return Machine(
        failure.name,
        Role.EQUIPMENT,
        failure.states,
        tuple(transitions),
        failure.place,
        f"how the sensor {failure.sensor} fails",
        sensor=failure.sensor,
    )
