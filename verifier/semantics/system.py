"""The symbolic reading: a checked model as a step relation of formulas.

``bare`` follows ``specs/semantics.md`` sections 3 to 5 and knows nothing of the concrete machine;
``semantics.watched`` adds what a property watches. The relation is kept in parts, one per machine, so that an engine may treat machines apart;
the conjunction of all parts is the reference every proof is confirmed on.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from fractions import Fraction

from verifier.language.guard import And, Const, Guard, Is, Not, Or
from verifier.language.model import Machine, Model, Transition
from verifier.semantics.formula import (
    NEVER,
    YES,
    AtLeast,
    DelayIsZero,
    Formula,
    In,
    Same,
    Take,
    Truth,
    Update,
    Valuation,
    all_of,
    any_of,
    compiled,
    negate,
)
from verifier.semantics.run import Snapshot, Step
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


def fixed_machines(model: Model, budget: int) -> dict[str, str]:
    """The machines of the world none of whose transitions may ever be taken, for want of a budget or
    because its guard is ``false``, with the state in which they begin and stay (4.1, 4.3)."""
    return {
        m.name: m.states[0]
        for m in model.machines
        if not m.is_control
        and not any(payable(t, budget) and t.when != Const(False) for t in m.transitions)
    }


def payable(transition: Transition, budget: int) -> bool:
    """Whether a budget can ever pay for the transition (4.3)."""
    return transition.fault is None or budget > 0


def obliges(transition: Transition) -> bool:
    """4.2, for a transition of a world machine."""
    windows = [w for w in (transition.after, transition.held) if w is not None]
    return transition.fault is None and bool(windows) and all(w.hi is not None for w in windows)


def bare(model: Model, budget: int = 0) -> System:
    """The system of ``model`` alone: no watch, nothing bad."""
    return _Builder(model, budget).system()


class _Builder:
    def __init__(self, model: Model, budget: int):
        self.model, self.budget = model, budget
        self.control = [m for m in model.machines if m.is_control]
        self.world = [m for m in model.machines if not m.is_control]
        self.fixed = fixed_machines(model, budget)
        self.rules = {
            m.name: tuple(self._rule(t) for t in self._transitions(m)) for m in model.machines
        }

    def _transitions(self, machine: Machine) -> list[Transition]:
        if machine.name in self.fixed:
            return []
        return [t for t in machine.transitions if payable(t, self.budget)]

    # -- pieces of one state

    def _timed(self, transition: Transition, *, ends: bool) -> list[tuple[str, Fraction]]:
        """Clocks of the windows of ``transition`` with their starts or ends, those above 0."""
        found = []
        for window, clock in (
            (transition.after, state_clock(transition.machine)),
            (transition.held, held_clock(transition)),
        ):
            if window is not None:
                bound = window.hi if ends else window.lo
                if bound is not None and bound > 0:
                    found.append((clock, bound))
        return found

    def _rule(self, t: Transition) -> Rule:
        free = all_of(In(t.machine, frozenset({t.source})), guard_formula(t.when, self.fixed))
        starts = self._timed(t, ends=False)
        return Rule(
            t,
            free,
            all_of(free, *(AtLeast(clock, lo) for clock, lo in starts)),
            all_of(free, *(AtLeast(clock, lo, delayed=True) for clock, lo in starts)),
            tuple(starts),
            tuple(self._timed(t, ends=True)) if self._end_counts(t) else (),
        )

    def _settled(self) -> Formula:
        return negate(any_of(*(r.enabled for m in self.control for r in self.rules[m.name])))

    def _obliging(self) -> list[Rule]:
        return [r for m in self.world for r in self.rules[m.name] if obliges(r.transition)]

    def _can_pass(self) -> Formula:
        due = (
            all_of(r.free, *(AtLeast(clock, hi) for clock, hi in r.ends))
            for r in self._obliging()
        )
        return negate(any_of(*due))

    def _limits(self) -> tuple[Limit, ...]:
        timed_control = [r for m in self.control for r in self.rules[m.name] if r.is_timed]
        return tuple(
            Limit(r.free, r.ends) for r in timed_control + self._obliging()
        )

    # -- clocks and registers

    def _clocks(self) -> dict[str, Clock]:
        found: dict[str, Clock] = {}
        for machine in self.model.machines:
            name = state_clock(machine.name)
            for rule in self.rules[machine.name]:
                for clock in dict(rule.starts) | dict(rule.ends):
                    t = rule.transition
                    here = In(machine.name, frozenset({t.source})) if clock == name else rule.free
                    if clock in found:
                        here = any_of(found[clock].matters, here)
                    found[clock] = Clock(clock, machine.name, here)
        return found

    def _end_counts(self, transition: Transition) -> bool:
        return self.model.machine(transition.machine).is_control or obliges(transition)

    def _registers(self) -> dict[str, tuple[str, ...]]:
        registers = {
            m.name: (self.fixed[m.name],) if m.name in self.fixed else m.states
            for m in self.model.machines
        }
        if self.budget > 0:
            registers[SPENT] = tuple(str(n) for n in range(self.budget + 1))
        return registers

    # -- steps

    def _clock_updates(self, machine: Machine, took: bool) -> Formula:
        """5.5 for the clocks that belong to ``machine``."""
        updates = []
        name = state_clock(machine.name)
        if name in self.clocks:
            updates.append(Update(name, "zero" if took else "grows"))
        for rule in self.rules[machine.name]:
            clock = held_clock(rule.transition)
            if clock not in self.clocks:
                continue
            if took:
                updates.append(Update(clock, "zero"))
                continue
            still = all_of(rule.free, guard_formula(rule.transition.when, self.fixed, next=True))
            updates.append(
                any_of(
                    all_of(still, Update(clock, "grows")),
                    all_of(negate(still), Update(clock, "zero")),
                )
            )
        return all_of(*updates)

    def _stays(self, machine: Machine) -> Formula:
        no_take = (negate(Take(machine.name, r.transition.index)) for r in self.rules[machine.name])
        return all_of(*no_take, Same(machine.name), self._clock_updates(machine, took=False))

    def _moves(self, machine: Machine, rule: Rule) -> Formula:
        t = rule.transition
        others = (
            negate(Take(machine.name, r.transition.index))
            for r in self.rules[machine.name]
            if r is not rule
        )
        return all_of(
            Take(machine.name, t.index),
            *others,
            In(machine.name, frozenset({t.target}), next=True),
            self._clock_updates(machine, took=True),
        )

    def _settle_part(self, machine: Machine) -> Part:
        stays = self.stays[machine.name]
        if not machine.is_control:
            return Part(machine.name, stays)
        rules = self.rules[machine.name]
        none_enabled = negate(any_of(*(r.enabled for r in rules)))
        options = [all_of(r.enabled, self._move(r)) for r in rules]
        return Part(machine.name, any_of(all_of(none_enabled, stays), *options))

    def _world_part(self, machine: Machine) -> Part:
        if machine.is_control:
            return Part(machine.name, self.stays[machine.name])
        options = [all_of(r.enabled_late, self._move(r)) for r in self.rules[machine.name]]
        return Part(machine.name, any_of(self.stays[machine.name], *options))

    def _move(self, rule: Rule) -> Formula:
        return self.moves[rule.transition.machine, rule.transition.index]

    def _spending(self) -> Formula:
        """``spent`` grows by the number of fault transitions taken (5.5), within the budget (4.3)."""
        counts: list[Formula] = [YES] + [NEVER] * self.budget
        too_many: Formula = NEVER
        for machine in self.world:
            for rule in self.rules[machine.name]:
                if rule.transition.fault is None:
                    continue
                take = Take(machine.name, rule.transition.index)
                too_many = any_of(too_many, all_of(counts[-1], take))
                counts = [
                    any_of(
                        all_of(counts[n], negate(take)),
                        all_of(counts[n - 1], take) if n else NEVER,
                    )
                    for n in range(self.budget + 1)
                ]
        options = [
            all_of(
                counts[n],
                In(SPENT, frozenset({str(before)})),
                In(SPENT, frozenset({str(before + n)}), next=True),
            )
            for n in range(self.budget + 1)
            for before in range(self.budget + 1 - n)
        ]
        return all_of(negate(too_many), any_of(*options))

    def system(self) -> System:
        self.clocks = self._clocks()
        self.stays = {m.name: self._stays(m) for m in self.model.machines}
        self.moves = {
            (m.name, r.transition.index): self._moves(m, r)
            for m in self.model.machines
            for r in self.rules[m.name]
        }
        registers = self._registers()
        settle = [self._settle_part(m) for m in self.model.machines]
        world = [self._world_part(m) for m in self.model.machines]
        if self.budget > 0:
            settle.append(Part(SPENT, Same(SPENT)))
            world.append(Part(SPENT, self._spending()))
        return System(
            model=self.model,
            budget=self.budget,
            registers=registers,
            clocks=self.clocks,
            rules=self.rules,
            limits=self._limits(),
            settled=self._settled(),
            can_pass=self._can_pass(),
            bad=NEVER,
            settle_parts=tuple(settle),
            world_parts=tuple(world),
            stays=self.stays,
            moves=self.moves,
            initial={name: values[0] for name, values in registers.items()},
            fixed=self.fixed,
        )
