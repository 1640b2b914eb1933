"""What engines know of a model: a step relation of formulas, in parts.

``semantics.bare`` makes one of a model, ``semantics.watched`` adds what a property watches. There is a part for
each machine, so that an engine may treat machines apart; the conjunction of all parts is the reference every
proof is confirmed on.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from fractions import Fraction

from verifier.language.guard import And, Const, Guard, Is, Not, Or
from verifier.language.model import Model, Transition
from verifier.semantics.formula import (
    AtLeast,
    DelayIsZero,
    Formula,
    In,
    Truth,
    all_of,
    any_of,
    negate,
)
from verifier.semantics.run import Snapshot, Step
from verifier.semantics.valuation import Valuation, compiled
from verifier.semantics.watch import Watch

SPENT = "spent"
BITS = ("0", "1")


@dataclass(frozen=True)
class Clock:
    """A clock that something tests. ``matters`` says, over one state, when its value still counts.
    ``owner`` is a machine's name, or "" for the clock of the watch."""

    name: str
    owner: str
    matters: Formula


@dataclass(frozen=True)
class Rule:
    """A transition that the budget can pay for. ``enabled`` is over the state as it is (4.1),
    ``enabled_late`` after the delay of the step; ``free`` leaves the times out. ``starts`` and
    ``ends`` are the clocks of its windows with the bounds above 0; ``ends`` of a transition that
    obliges nobody is empty."""

    transition: Transition
    free: Formula
    enabled: Formula
    enabled_late: Formula
    starts: tuple[tuple[str, Fraction], ...]
    ends: tuple[tuple[str, Fraction], ...]

    @property
    def is_timed(self) -> bool:
        return bool(self.starts)


@dataclass(frozen=True)
class Limit:
    """5.4: while ``active``, a delay above 0 must leave some clock at or below its bound."""

    active: Formula
    ends: tuple[tuple[str, Fraction], ...]


@dataclass(frozen=True)
class Part:
    """The share of one machine (or of the watch, ``""``) in a step."""

    owner: str
    formula: Formula


@dataclass(frozen=True)
class System:
    """Everything the engines know. ``bad`` is over one state; ``settled`` and ``can_pass`` likewise.

    ``stays[M]`` and ``moves[M, n]`` are what a step does to machine M when it takes no transition, or
    transition n, whether or not n is enabled; the parts are put together from them. ``fixed`` gives the
    one state of each machine that can never take a transition; its register has that value alone, it
    has no rules, and no formula speaks of it.
    """

    model: Model
    budget: int
    registers: dict[str, tuple[str, ...]]
    clocks: dict[str, Clock]
    rules: dict[str, tuple[Rule, ...]]
    limits: tuple[Limit, ...]
    settled: Formula
    can_pass: Formula
    bad: Formula
    settle_parts: tuple[Part, ...]
    world_parts: tuple[Part, ...]
    stays: dict[str, Formula]
    moves: dict[tuple[str, int], Formula]
    watch: Watch | None = None
    initial: dict[str, str] = field(default_factory=dict)
    fixed: Mapping[str, str] = field(default_factory=dict)

    def formula_of(self, guard: Guard) -> Formula:
        """A guard of the model over one state."""
        return guard_formula(guard, self.fixed)

    @property
    def settle(self) -> Formula:
        """A settle round (5.2)."""
        return all_of(
            DelayIsZero(), negate(self.settled), *(part.formula for part in self.settle_parts)
        )

    @property
    def world(self) -> Formula:
        """A world step (5.3) with its delay (5.4)."""
        return all_of(
            self.settled,
            *(limit_formula(limit) for limit in self.limits),
            *(part.formula for part in self.world_parts),
        )

    def allows(self) -> Callable[[Snapshot, Step, Snapshot], bool]:
        """The step relation as a test of concrete steps, for the cross-check of proofs.

        The watch's registers and clock have no value in a concrete state, so only a system without a
        watch of its own (a form that needs no memory) may be asked.
        """
        relations = {"settle": compiled(self.settle), "world": compiled(self.world)}
        names = [machine.name for machine in self.model.machines]

        def registers(snapshot: Snapshot) -> dict[str, str]:
            found = {name: snapshot.locations[name] for name in names}
            if self.budget > 0:
                found[SPENT] = str(snapshot.spent)
            return found

        def allowed(before: Snapshot, step: Step, after: Snapshot) -> bool:
            takes = frozenset((move.machine, move.transition) for move in step.moves)
            values = Valuation(
                registers(before), before.times, registers(after), after.times, step.delay, takes
            )
            return step.delay >= 0 and relations[step.kind](values)

        return allowed


def limit_formula(limit: Limit) -> Formula:
    below = (negate(AtLeast(clock, end, strict=True, delayed=True)) for clock, end in limit.ends)
    return any_of(negate(limit.active), DelayIsZero(), *below)


def guard_formula(guard: Guard, fixed: Mapping[str, str], *, next: bool = False) -> Formula:
    """A guard of the model over this or the next state; ``fixed`` machines are always where they are."""
    if isinstance(guard, Const):
        return Truth(guard.value)
    if isinstance(guard, Is):
        if guard.machine in fixed:
            return Truth(fixed[guard.machine] in guard.states)
        return In(guard.machine, guard.states, next)
    if isinstance(guard, Not):
        return negate(guard_formula(guard.part, fixed, next=next))
    if isinstance(guard, And):
        return all_of(*(guard_formula(part, fixed, next=next) for part in guard.parts))
    if isinstance(guard, Or):
        return any_of(*(guard_formula(part, fixed, next=next) for part in guard.parts))
    raise TypeError(f"no formula for {type(guard).__name__}")


def state_clock(machine: str) -> str:
    return f"time {machine}"


def held_clock(transition: Transition) -> str:
    return f"held {transition.machine} {transition.index}"


def obliges(transition: Transition) -> bool:
    """4.2, for a transition of a world machine."""
    windows = [w for w in (transition.after, transition.held) if w is not None]
    return transition.fault is None and bool(windows) and all(w.hi is not None for w in windows)
