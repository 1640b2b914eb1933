"""Runs of a model as data: what the engines propose and the concrete machine confirms."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction


@dataclass(frozen=True)
class Move:
    """Transition number ``transition`` of machine ``machine`` is taken."""

    machine: str
    transition: int


@dataclass(frozen=True)
class Step:
    """A settle round (``kind == "settle"``, ``delay == 0``) or a world step (``kind == "world"``).

    ``delay`` in seconds passes before the moves. ``moves`` are sorted by machine name, one per
    machine. See ``specs/semantics.md`` 5.2 and 5.3.
    """

    kind: str
    delay: Fraction
    moves: tuple[Move, ...]


@dataclass(frozen=True)
class Trace:
    """A finite run proposed by an engine, from the initial state.

    ``claims[i]`` is what the engine says of the state before step i (``len(claims) ==
    len(steps) + 1``): machine name to state name, and any symbols of ``specs/semantics.md``
    section 10 for times (``"time M"``, without bars) to exact seconds. Times may be missing; a
    machine's state may not. With ``loop`` the steps from that one on lead back to a state alike to the
    one before them (12.2), so that they can be taken again for ever. ``may_be_shorter``: others of fewer steps
    have not been excluded.
    """

    steps: tuple[Step, ...]
    claims: tuple[Mapping[str, str | Fraction], ...]
    loop: int | None = None
    may_be_shorter: bool = False


@dataclass(frozen=True)
class Certificate:
    """A proof to be re-checked: ``specs/semantics.md`` sections 10 and 11.

    ``invariant`` is an SMT-LIB 2.6 term of sort Bool over the symbols of section 10. ``k`` is 1 for
    an inductive invariant (11.4). ``rounds`` is N of 11.5 to 11.7, None for other forms; ``bound`` is
    T of 11.8 in seconds, None for other forms. ``method`` is one sentence for people on how it was
    found, ``needs_times_of`` the machines whose times the proof uses.
    """

    invariant: str
    k: int = 1
    rounds: int | None = None
    method: str = ""
    needs_times_of: tuple[str, ...] = ()
    bound: Fraction | None = None


@dataclass(frozen=True)
class Gap:
    """An engine could not decide: ``reason`` and ``try_next`` are whole sentences for people.

    ``depth`` is the number of steps up to which no counterexample exists, if known.
    """

    reason: str
    try_next: str
    depth: int | None = None


Finding = Trace | Certificate | Gap


@dataclass(frozen=True)
class Snapshot:
    """One state of a replayed run, as the concrete machine saw it.

    ``time`` is seconds since the start; ``locations`` machine name to state; ``times`` the symbols of
    section 10 to seconds; ``is_settled`` and ``can_pass`` by 5.1 and 6.2.
    """

    time: Fraction
    locations: Mapping[str, str]
    times: Mapping[str, Fraction]
    is_settled: bool
    can_pass: bool
    spent: int = 0


@dataclass(frozen=True)
class Run:
    """A run the concrete machine has taken: ``len(snapshots) == len(steps) + 1``."""

    steps: tuple[Step, ...]
    snapshots: tuple[Snapshot, ...] = field(default=())
