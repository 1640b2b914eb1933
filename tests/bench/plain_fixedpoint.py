"""Peer: z3's fixed-point engine on the encoding one would write down first.

An integer for the state of each machine and for each clock that some window tests, and one step in
which a delay passes and then every machine may change. Control acts at once: a control machine with
an enabled transition takes one, and no time passes before it has. Two meanings of "every machine":

- ``world_waits=False``: any machine in any step, the world beside the control, in the midst of a
  settle too. A run of ``specs/semantics.md`` is a run here, but not the reverse, so that a design
  whose control machines race may be safe there and not here; ``Case.all_move`` says what is
  expected.
- ``world_waits=True``: the world stands still until control has come to rest, as the semantics
  wants it. The same question as the other peers', asked of integers.

Time is counted in the largest unit that makes every constant whole; that can lose behaviours
between two units, which the bench would notice as a disagreement. For fairness: only clocks that
are tested exist; the ranges of the integers are given as facts; the engine's settings are z3's own,
as in the peer on our encoding, with which it shares no code.
"""

from __future__ import annotations

from fractions import Fraction

import z3

from tests.bench.units import largest_unit
from tests.bench.watches import Seen, watch_of
from verifier.language.guard import And, Const, Guard, Is, Not
from verifier.language.model import Machine, Model, Property, Transition


def is_violated(model: Model, prop: Property, limit_s: float, *, world_waits: bool) -> bool | None:
    """Whether a run breaks the property; None when z3 gives up."""
    return _Encoding(model, prop, world_waits).decide(limit_s)


class _Encoding:
    def __init__(self, model: Model, prop: Property, world_waits: bool):
        self.model, self.prop, self.world_waits = model, prop, world_waits
        self.watch = watch_of(prop.form, prop.bound)
        self.unit = largest_unit(model, prop)
        self.rules = {m.name: [t for t in m.transitions if t.fault is None] for m in model.machines}
        self.now: dict[str, z3.ExprRef] = {}
        self.then: dict[str, z3.ExprRef] = {}
        for machine in model.machines:
            self._declare(machine.name, z3.Int)
            if any(self._counts(machine, t, t.after) for t in self.rules[machine.name]):
                self._declare(f"time {machine.name}", z3.Int)
            for t in self.rules[machine.name]:
                if self._counts(machine, t, t.held):
                    self._declare(self._held(t), z3.Int)
        for bit in self.watch.bits:
            self._declare(bit, z3.Bool)
        if self.watch.has_clock:
            self._declare("watch", z3.Int)
        self.delay = z3.Int("delay")

    def _declare(self, name: str, sort) -> None:
        self.now[name], self.then[name] = sort(name), sort(f"{name}'")

    @staticmethod
    def _held(t: Transition) -> str:
        return f"held {t.machine} {t.index}"

    @staticmethod
    def _binds(machine: Machine, t: Transition) -> bool:
        windows = [w for w in (t.after, t.held) if w is not None]
        return bool(windows) and (machine.is_control or all(w.hi is not None for w in windows))

    def _counts(self, machine: Machine, t: Transition, window) -> bool:
        if window is None:
            return False
        return window.lo > 0 or (self._binds(machine, t) and window.hi > 0)

    def _units(self, seconds: Fraction) -> int:
        return int(seconds / self.unit)

    # -- one state

    def _guard(self, guard: Guard, at: dict[str, z3.ExprRef]) -> z3.BoolRef:
        if isinstance(guard, Const):
            return z3.BoolVal(guard.value)
        if isinstance(guard, Is):
            states = self.model.machine(guard.machine).states
            return z3.Or([at[guard.machine] == states.index(s) for s in sorted(guard.states)])
        if isinstance(guard, Not):
            return z3.Not(self._guard(guard.part, at))
        parts = [self._guard(part, at) for part in guard.parts]
        return z3.And(parts) if isinstance(guard, And) else z3.Or(parts)

    def _free(self, machine: Machine, t: Transition, at: dict[str, z3.ExprRef]) -> z3.BoolRef:
        here = at[machine.name] == machine.states.index(t.source)
        return z3.And(here, self._guard(t.when, at))

    def _measured(self, t: Transition):
        """(time now, window) for each window."""
        if t.after is not None:
            yield self.now.get(f"time {t.machine}", z3.IntVal(0)), t.after
        if t.held is not None:
            yield self.now.get(self._held(t), z3.IntVal(0)), t.held

    def _enabled(self, machine: Machine, t: Transition, delay) -> z3.BoolRef:
        starts = [time + delay >= self._units(w.lo) for time, w in self._measured(t) if w.lo > 0]
        return z3.And(self._free(machine, t, self.now), *starts)

    def _settled(self) -> z3.BoolRef:
        return z3.Not(
            z3.Or(
                [
                    self._enabled(m, t, 0)
                    for m in self.model.machines
                    if m.is_control
                    for t in self.rules[m.name]
                ]
            )
        )

    def _seen(self) -> Seen:
        p, q, r = (self._guard(g, self.now) for g in (self.prop.p, self.prop.q, self.prop.r))
        bits = {bit: self.now[bit] for bit in self.watch.bits}
        test = z3.BoolVal(False)
        if self.watch.has_clock:
            time, bound = self.now["watch"], self._units(self.prop.bound)
            test = time > bound if self.watch.late else time < bound
        positive = self.prop.bound is None or self.prop.bound > 0
        return Seen(p, q, r, bits, test, positive, z3.Not)

    def _bad(self) -> z3.BoolRef:
        parts = [self._settled(), self.watch.bad(self._seen())]
        if self.watch.lasting:
            parts += [z3.Not(due) for due in self._due()]
        return z3.And(parts)

    def _due(self):
        for machine in self.model.machines:
            for t in self.rules[machine.name]:
                if not machine.is_control and self._binds(machine, t):
                    ends = [time >= self._units(w.hi) for time, w in self._measured(t)]
                    yield z3.And(self._free(machine, t, self.now), *ends)

    # -- one step

    def _step(self) -> z3.BoolRef:
        parts = [self.delay >= 0, z3.Or(self.delay == 0, z3.And(self._may_wait()))]
        parts += [self._machine(machine) for machine in self.model.machines]
        return z3.And(*parts, self._watching())

    def _may_wait(self):
        yield self._settled()
        for machine in self.model.machines:
            for t in self.rules[machine.name]:
                if not self._binds(machine, t):
                    continue
                ends = [
                    time + self.delay <= self._units(w.lo if machine.is_control else w.hi)
                    for time, w in self._measured(t)
                ]
                yield z3.Or(z3.Not(self._free(machine, t, self.now)), *ends)

    def _machine(self, machine: Machine) -> z3.BoolRef:
        rules = self.rules[machine.name]
        delay = 0 if machine.is_control else self.delay
        waits = self.world_waits and not machine.is_control
        moves = [
            z3.And(
                self._settled() if waits else True,
                self._enabled(machine, t, delay),
                self.then[machine.name] == machine.states.index(t.target),
                *(self.then[clock] == 0 for clock in self._clocks(machine)),
            )
            for t in rules
        ]
        stays = [self.then[machine.name] == self.now[machine.name]]
        if machine.is_control:
            stays += [z3.Not(self._enabled(machine, t, 0)) for t in rules]
        if f"time {machine.name}" in self.now:
            name = f"time {machine.name}"
            stays.append(self.then[name] == self.now[name] + self.delay)
        for t in rules:
            name = self._held(t)
            if name in self.now:
                still = z3.And(self._free(machine, t, self.now), self._free(machine, t, self.then))
                grown = z3.If(still, self.now[name] + self.delay, 0)
                stays.append(self.then[name] == grown)
        return z3.Or(z3.And(stays), *moves)

    def _clocks(self, machine: Machine) -> list[str]:
        names = [f"time {machine.name}", *(self._held(t) for t in self.rules[machine.name])]
        return [name for name in names if name in self.now]

    def _watching(self) -> z3.BoolRef:
        """A settled state is absorbed by the step that leaves it."""
        seen, settled = self._seen(), self._settled()
        new = self.watch.update(seen)
        parts = [self.then[b] == z3.If(settled, new[b], self.now[b]) for b in self.watch.bits]
        if self.watch.has_clock:
            begins = z3.BoolVal(False) if self.watch.restart is None else self.watch.restart(seen)
            start = z3.If(z3.And(settled, begins), 0, self.now["watch"])
            parts.append(self.then["watch"] == start + self.delay)
        return z3.And(parts)

    # -- the question

    def _initial(self) -> z3.BoolRef:
        return z3.And([z3.Not(v) if z3.is_bool(v) else v == 0 for v in self.now.values()])

    def _domain(self, at: dict[str, z3.ExprRef]) -> z3.BoolRef:
        not_negative = [value >= 0 for value in at.values() if not z3.is_bool(value)]
        return z3.And(not_negative + [at[m.name] < len(m.states) for m in self.model.machines])

    def decide(self, limit_s: float) -> bool | None:
        now, then = list(self.now.values()), list(self.then.values())
        engine = z3.Fixedpoint()
        engine.set(engine="spacer", timeout=int(limit_s * 1000))
        reach = z3.Function("reach", *(v.sort() for v in now), z3.BoolSort())
        wrong = z3.Function("wrong", z3.BoolSort())
        engine.register_relation(reach, wrong)
        engine.declare_var(*now, *then, self.delay)
        engine.rule(reach(*now), [self._initial()])
        engine.rule(
            reach(*then),
            [reach(*now), self._domain(self.now), self._step(), self._domain(self.then)],
        )
        engine.rule(wrong(), [reach(*now), self._domain(self.now), self._bad()])
        try:
            answer = engine.query(wrong())
        except z3.Z3Exception:
            return None
        return None if answer == z3.unknown else answer == z3.sat
