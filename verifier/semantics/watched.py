"""The symbolic reading of properties: a model's system with the watch of one property beside it.

``specs/semantics.md`` section 8 (watches) and section 9 (built-in properties).
"""

from __future__ import annotations

from dataclasses import replace

from verifier.language.guard import Is, comparisons
from verifier.language.model import Form, Machine, Model, Property
from verifier.semantics.bare import bare
from verifier.semantics.formula import (
    NEVER,
    YES,
    Formula,
    In,
    Same,
    Take,
    Update,
    all_of,
    any_of,
    negate,
)
from verifier.semantics.system import BITS, SPENT, Clock, Part, System
from verifier.semantics.watch import TIME, watch_for


def build(model: Model, prop: Property, budget: int = 0, base: System | None = None) -> System:
    """The system of ``model`` watched for ``prop`` with ``budget`` faults to spend.

    ``prop`` may have any form but ``eventually``; for built-in forms about endless or reordered
    settling ``bad`` is left false and the engine works on the relation itself. ``base`` is a
    system of the same model and budget without watch, whose formulas are taken over as they are, so
    that what an engine has made of them serves every property.
    """
    if base is None:
        base = bare(model, budget)
    return _watched(base, prop)


def _becomes(register: str, value: Formula) -> Formula:
    """The next value of a one-bit register is ``value``."""
    after = In(register, frozenset({"1"}), next=True)
    return any_of(all_of(value, after), all_of(negate(value), negate(after)))


def _watched(base: System, prop: Property) -> System:
    """``base`` with the watch of ``prop`` beside it, and what is bad."""
    model, form = base.model, prop.form
    if form is Form.AMBIGUOUS:
        options = (_ambiguous(base, m) for m in model.machines if m.is_control)
        return replace(base, bad=any_of(*options))
    if form is Form.PULSE:
        return _with_fresh(base)
    if form is Form.DEAD and prop.subject:
        return replace(base, bad=_alive(base, prop.subject))
    if form.is_built_in:
        return base
    p, q, r = map(base.formula_of, (prop.p, prop.q, prop.r))
    watch = watch_for(form, p, q, r, prop.bound)
    passing = base.can_pass if watch.judges_lasting else YES
    settle, world = [], []
    for name, value in watch.bits.items():
        settle.append(Same(name))
        world.append(_becomes(name, value))
    clocks = dict(base.clocks)
    if watch.restart is not None:
        clocks[TIME] = Clock(TIME, "", watch.clock_matters)
        settle.append(Update(TIME, "grows"))
        world.append(
            any_of(
                all_of(watch.restart, Update(TIME, "restart")),
                all_of(negate(watch.restart), Update(TIME, "grows")),
            )
        )
    return _beside(
        replace(base, watch=watch, clocks=clocks, bad=all_of(base.settled, passing, watch.bad)),
        {name: BITS for name in watch.bits},
        [Part("", all_of(*settle))],
        [Part("", all_of(*world))],
    )


def _beside(
    system: System, registers: dict[str, tuple[str, ...]], settle: list[Part], world: list[Part]
) -> System:
    return replace(
        system,
        registers=system.registers | registers,
        initial=system.initial | {name: values[0] for name, values in registers.items()},
        settle_parts=system.settle_parts + tuple(settle),
        world_parts=system.world_parts + tuple(world),
    )


def _ambiguous(base: System, machine: Machine) -> Formula:
    """9.1 for one machine."""
    rules = base.rules[machine.name]
    return any_of(
        *(
            all_of(one.enabled, other.enabled)
            for i, one in enumerate(rules)
            for other in rules[:i]
            if one.transition.source == other.transition.source
            and one.transition.target != other.transition.target
        )
    )


def _with_fresh(base: System) -> System:
    """9.5, with a bit for each control machine that says it has moved in the present settle."""
    control = [m for m in base.model.machines if m.is_control]
    settle, world, bad = [], [], []
    for machine in control:
        rules = base.rules[machine.name]
        name = f"fresh {machine.name}"
        took = any_of(*(Take(machine.name, r.transition.index) for r in rules))
        settle.append(Part(machine.name, _becomes(name, any_of(In(name, frozenset({"1"})), took))))
        world.append(Part(machine.name, _becomes(name, NEVER)))
        bad.append(_pulse(base, machine))
    registers = {f"fresh {machine.name}": BITS for machine in control}
    return _beside(replace(base, bad=any_of(*bad)), registers, settle, world)


def _pulse(base: System, machine: Machine) -> Formula:
    seen_outside = {
        state
        for other in base.model.machines
        if not other.is_control
        for transition in other.transitions
        for reading in comparisons(transition.when)
        if reading.machine == machine.name
        for state in reading.states
    }
    leaving = (
        r.enabled
        for r in base.rules[machine.name]
        if r.transition.source in seen_outside and r.transition.target != r.transition.source
    )
    return all_of(In(f"fresh {machine.name}", frozenset({"1"})), any_of(*leaving))


def _alive(base: System, subject: tuple) -> Formula:
    """11.3 for ``dead``: the world acts only from settled states, a fault only while it can be paid."""
    kind, name, which = subject
    if kind == "state":
        return base.formula_of(Is(name, frozenset({which})))
    if name in base.fixed:
        return NEVER
    (rule,) = [r for r in base.rules[name] if r.transition.index == which]
    in_world = not base.model.machine(name).is_control
    left = frozenset(str(n) for n in range(base.budget))
    return all_of(
        rule.enabled,
        base.settled if in_world else YES,
        In(SPENT, left) if rule.transition.fault else YES,
    )
