"""Rounds without delay: what the built-in properties about settling and time are judged on.

``specs/semantics.md`` 9.2 to 9.4 and 11.5 to 11.7, as formulas over a state and the next.
"""

from __future__ import annotations

from verifier.semantics.formula import DelayIsZero, Formula, all_of, any_of, negate
from verifier.semantics.system import Rule, System, obliges


def untimed_round(system: System) -> Formula:
    """11.5: control machines with an enabled transition without times take it, the others stay."""
    return _round(system, _untimed(system))


def forced_round(system: System) -> Formula:
    """11.6: an untimed settle round, or what is due with no time at all from a settled state."""
    may = _untimed(system)
    for machine in system.model.machines:
        if machine.is_control:
            continue
        for rule in system.rules[machine.name]:
            if obliges(rule.transition) and _ends_at_once(rule):
                may[machine.name].append((rule, all_of(system.settled, rule.free)))
    return _round(system, may)


def round_or_rest(system: System) -> Formula:
    """A settle round; a settled state stays as it is."""
    return all_of(DelayIsZero(), *(part.formula for part in system.settle_parts))


def alone(system: System, machine: str) -> Formula:
    """9.4: one control machine takes an enabled transition and nothing else moves."""
    others = (stays for name, stays in system.stays.items() if name != machine)
    options = (
        all_of(rule.enabled, system.moves[machine, rule.transition.index])
        for rule in system.rules[machine]
    )
    return all_of(DelayIsZero(), any_of(*options), *others)


def _untimed(system: System) -> dict[str, list[tuple[Rule, Formula]]]:
    return {
        machine.name: [
            (rule, rule.free)
            for rule in system.rules[machine.name]
            if machine.is_control and not rule.is_timed
        ]
        for machine in system.model.machines
    }


def _ends_at_once(rule: Rule) -> bool:
    windows = [w for w in (rule.transition.after, rule.transition.held) if w is not None]
    return all(window.hi == 0 for window in windows)


def _round(system: System, may: dict[str, list[tuple[Rule, Formula]]]) -> Formula:
    parts = [DelayIsZero(), any_of(*(when for rules in may.values() for _, when in rules))]
    for name, rules in may.items():
        none = negate(any_of(*(when for _, when in rules)))
        options = (all_of(when, system.moves[name, r.transition.index]) for r, when in rules)
        parts.append(any_of(all_of(none, system.stays[name]), *options))
    return all_of(*parts)
