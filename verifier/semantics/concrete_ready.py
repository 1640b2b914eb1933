"""The machines of a model made ready for the concrete reading: library machines, guards, windows.

One machine of the ``transitions`` library for each machine of the model, with one trigger for each
transition and none of the library's own additions (``specs/semantics.md`` 1.1 to 1.3).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from fractions import Fraction

from transitions.core import Machine as LibraryMachine

from verifier.language.model import Machine, Model, Transition, Window
from verifier.semantics.concrete_guard import Test, compile_guard
from verifier.semantics.run import Move


class Body:
    """What a library machine moves: nothing but the attributes the library puts on it."""


@dataclass(frozen=True, slots=True)
class ReadyTransition:
    """One transition made ready to run; ``opens`` and ``ends`` pair a time's name with seconds."""

    move: Move
    source: str
    target: str
    guard: Test
    opens: tuple[tuple[str, Fraction], ...]
    ends: tuple[tuple[str, Fraction], ...]
    limits_delay: bool
    is_fault: bool
    fire: Callable[[], bool]


@dataclass(frozen=True, slots=True)
class ReadyMachine:
    """One machine made ready to run."""

    name: str
    is_control: bool
    time: str
    by_source: Mapping[str, tuple[ReadyTransition, ...]]
    library: LibraryMachine
    body: Body


def ready_machine(machine: Machine) -> ReadyMachine:
    body = Body()
    library = LibraryMachine(
        model=body,
        states=list(machine.states),
        initial=machine.states[0],
        auto_transitions=False,
    )
    for transition in machine.transitions:
        library.add_transition(
            f"take_{transition.index}", source=transition.source, dest=transition.target
        )
    by_source: dict[str, list[ReadyTransition]] = {state: [] for state in machine.states}
    for transition in machine.transitions:
        by_source[transition.source].append(_ready_transition(machine, transition, body))
    return ReadyMachine(
        machine.name,
        machine.is_control,
        f"time {machine.name}",
        {state: tuple(found) for state, found in by_source.items()},
        library,
        body,
    )


def _ready_transition(machine: Machine, transition: Transition, body: Body) -> ReadyTransition:
    windows: list[tuple[str, Window]] = []
    if transition.after is not None:
        windows.append((f"time {machine.name}", transition.after))
    if transition.held is not None:
        windows.append((held_name(transition), transition.held))
    all_end = bool(windows) and all(window.hi is not None for _name, window in windows)
    return ReadyTransition(
        move=Move(machine.name, transition.index),
        source=transition.source,
        target=transition.target,
        guard=compile_guard(transition.when),
        opens=tuple((name, window.lo) for name, window in windows if window.lo > 0),
        ends=tuple((name, window.hi) for name, window in windows if window.hi is not None),
        # 5.4: of control every transition with a window, of the world those that oblige (4.2).
        limits_delay=all_end and transition.fault is None,
        is_fault=transition.fault is not None,
        fire=getattr(body, f"take_{transition.index}"),
    )


def held_name(transition: Transition) -> str:
    """``held M n`` for transition n of M."""
    return f"held {transition.machine} {transition.index}"


def has_held_clock(transition: Transition) -> bool:
    """Whether ``held M n`` is part of a state: a window of just 0 s needs no clock (section 10)."""
    return transition.held is not None and not transition.held.lo == transition.held.hi == 0


def held_clocks(
    places: tuple[ReadyMachine, ...], model: Model
) -> Iterator[tuple[str, str, str, Test]]:
    for place, machine in zip(places, model.machines):
        ready_by_index = {
            ready.move.transition: ready for found in place.by_source.values() for ready in found
        }
        for transition in machine.transitions:
            if has_held_clock(transition):
                ready = ready_by_index[transition.index]
                yield held_name(transition), machine.name, transition.source, ready.guard
