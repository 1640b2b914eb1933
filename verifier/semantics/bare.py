"""The symbolic reading of a model alone: its machines as the formulas of a ``System``.

``specs/semantics.md`` sections 3 to 5, written without knowledge of the concrete machine. Nothing is watched
here and nothing is bad; ``semantics.watched`` adds what a property watches.
"""

from __future__ import annotations

from fractions import Fraction

from verifier.language.guard import Const
from verifier.language.model import Machine, Model, Transition
from verifier.semantics.formula import (
    NEVER, YES, AtLeast, Formula, In, Same, Take, Update, all_of, any_of, negate,
)
from verifier.semantics.system import (
    SPENT, Clock, Limit, Part, Rule, System, guard_formula, held_clock, obliges, state_clock,
)


def bare(model: Model, budget: int = 0) -> System:
    """The system of ``model`` alone: no watch, nothing bad."""
    return _Builder(model, budget).system()


def fixed_machines(model: Model, budget: int) -> dict[str, str]:
    """The machines of the world that never leave the state in which they begin, with that state: every
    transition from it lacks a budget or has the guard ``false`` (4.1, 4.3)."""
    return {
        m.name: m.states[0]
        for m in model.machines
        if not m.is_control
        and not any(payable(t, budget) and t.when != Const(False) for t in m.transitions if t.source == m.states[0])
    }


def payable(transition: Transition, budget: int) -> bool:
    """Whether a budget can ever pay for the transition (4.3)."""
    return transition.fault is None or budget > 0


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
