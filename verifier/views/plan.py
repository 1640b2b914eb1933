"""Where each machine of a model stands in the plan of its crossing, told by its role, its states and the terms
that say what is on the crossing.

Nothing is left out: what has no place in the plan is shown as a tile with its name and state.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import Literal

from verifier.language.guard import comparisons
from verifier.language.model import Machine, Model, Role
from verifier.views.palette import look_of

Sort = Literal["train", "road user", "signal", "lights", "lamp", "barrier", "gates", "detector", "operator", "tile"]
Pose = Literal["up", "part", "down"]

ASPECTS = frozenset({"dark", "out", "lit", "amber", "red", "green", "flashing"})
NEAR_SIDE, FAR_SIDE = 0.3, 0.7
# Kinds whose barriers close only the half of the road that leads to the crossing.
HALF = frozenset({"AHB", "AOCL+B", "ABCL", "US-2Q", "PRE-EMPT"})


@dataclass(frozen=True)
class Piece:
    """One machine. ``way`` tells of what moves how far along each state is: 0 not in the plan, 0.5 the crossing
    itself. ``poses`` tells of barriers how the entrance and the exit booms lie in each state, None where the
    machine has no such boom."""

    name: str
    role: str
    sort: Sort
    says: str
    way: dict[str, float] | None = None
    poses: dict[str, tuple[Pose | None, Pose | None]] | None = None


def plan_of(model: Model) -> tuple[Piece, ...]:
    """One piece a machine, in the order of the model."""
    on_crossing, is_half = _on_crossing(model), model.kind in HALF
    return tuple(_piece(machine, on_crossing.get(machine.name, set()), is_half) for machine in model.machines)


def way_word(model: Model) -> str:
    """What crosses the railway here."""
    return "path" if model.kind in ("FP", "BW") else "road"


def keeps_left(model: Model) -> bool:
    """Whether road vehicles keep to the left, which is where the booms before the crossing stand: in Great
    Britain (Highway Code rule 127 and around, from memory); to the right in the United States."""
    return model.jurisdiction != "US"


def _on_crossing(model: Model) -> dict[str, set[str]]:
    """By machine, the states that a term with `on_crossing` in its name asks for."""
    found: dict[str, set[str]] = {}
    for name, term in model.terms.items():
        if "on_crossing" in name:
            for one in comparisons(term.guard):
                found.setdefault(one.machine, set()).update(one.states)
    return found


def _piece(machine: Machine, on_crossing: set[str], is_half: bool) -> Piece:
    sort = _sort(machine, on_crossing)
    moves = sort in ("train", "road user")
    return Piece(
        machine.name, look_of(machine).word, sort, machine.says,
        way(machine.states, on_crossing, _ahead_again(machine, on_crossing)) if moves else None,
        {state: pose(machine.name, state, is_half) for state in machine.states} if sort == "barrier" else None,
    )


def _sort(machine: Machine, on_crossing: set[str]) -> Sort:
    states = set(machine.states)
    if machine.is_observer:
        return "tile"
    if machine.role in (Role.TRAIN, Role.ROAD_USER):
        moves = "away" in states or on_crossing & states or any("cross" in state for state in states)
        return ("train" if machine.role is Role.TRAIN else "road user") if moves else "tile"
    if machine.role is Role.OPERATOR:
        return "operator"
    if {"danger", "proceed"} <= states:
        return "signal"
    if {"raised", "lowered"} <= states:
        return "barrier"
    if {"across_road", "across_railway"} <= states:
        return "gates"
    if {"obstructed", "clear"} <= states:
        return "detector"
    if states in ({"dark", "lit"}, {"out", "lit"}):
        return "lamp"
    if len(states & ASPECTS) >= 2:
        return "lights"
    return "tile"


def _ahead_again(machine: Machine, on_crossing: set[str]) -> set[str]:
    """The states from which the way leads only on to the crossing, as of the rear portion of a divided train."""
    ways: dict[str, set[str]] = {}
    for t in machine.transitions:
        ways.setdefault(t.source, set()).add(t.target)
    return {state for state, targets in ways.items() if targets <= on_crossing}


def way(
    states: tuple[str, ...], on_crossing: set[str], ahead_again: Collection[str] = ()
) -> dict[str, float]:
    """How far along each of ``states``, in their order, is. The first is not in the plan; those of
    ``on_crossing`` are in the middle, what lies between two of them on the far side, what comes after them and is in
    ``ahead_again`` before the crossing."""
    middle = [i for i, state in enumerate(states) if state in on_crossing]
    middle = middle or [i for i, state in enumerate(states) if i and "crossing" in state]
    first, last = (middle[0], middle[-1]) if middle else (len(states), len(states))
    found = {}
    for index, state in enumerate(states):
        if index in middle:
            found[state] = 0.5
        elif index < first:
            found[state] = 0.42 * index / max(first - 1, 1)
        elif index < last:
            found[state] = FAR_SIDE
        elif state in ahead_again:
            found[state] = NEAR_SIDE
        else:
            found[state] = FAR_SIDE + 0.25 * (index - last) / (len(states) - last)
    return found


def pose(machine: str, state: str, is_half: bool) -> tuple[Pose | None, Pose | None]:
    """How the entrance and the exit booms of ``machine`` lie in ``state``."""
    if state in ("raised", "failed_open"):
        both: tuple[Pose, Pose] = ("up", "up")
    elif state == "lowered":
        both = ("down", "down")
    elif state.startswith("entrance_"):
        both = ("down" if state == "entrance_down" else "part", "up")
    elif state.startswith("exit_"):
        both = ("down", "down" if state == "exit_down" else "part")
    else:
        both = ("part", "part")
    if is_half or "entrance" in machine:
        return both[0], None
    if "exit" in machine:
        return None, both[1]
    return both
