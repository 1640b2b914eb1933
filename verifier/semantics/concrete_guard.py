"""Guards as Python functions of where the machines are: the concrete reading's own evaluator.

``specs/semantics.md`` 1.4. Shared with no other reading.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping

from verifier.language.guard import And, Const, Guard, Is, Not, Or, machines_read

Locations = Mapping[str, str]
Test = Callable[[Locations], bool]


def compile_guard(guard: Guard) -> Test:
    """A function from locations (machine name to state name) to the truth of ``guard`` there."""
    if isinstance(guard, Const):
        return _always if guard.value else _never
    if isinstance(guard, Is):
        return _comparison(guard.machine, guard.states)
    if isinstance(guard, Not):
        return _negation(compile_guard(guard.part))
    if isinstance(guard, And):
        return _all_of(tuple(compile_guard(part) for part in guard.parts))
    if isinstance(guard, Or):
        return _any_of(tuple(compile_guard(part) for part in guard.parts))
    raise TypeError(f"not a guard: {guard!r}")


def _always(_locations: Locations) -> bool:
    return True


def _never(_locations: Locations) -> bool:
    return False


def _comparison(machine: str, states: frozenset[str]) -> Test:
    if len(states) == 1:
        (only,) = states
        return lambda locations: locations[machine] == only
    return lambda locations: locations[machine] in states


def _negation(part: Test) -> Test:
    return lambda locations: not part(locations)


def _all_of(parts: tuple[Test, ...]) -> Test:
    if len(parts) == 1:
        return parts[0]
    if len(parts) == 2:
        first, second = parts
        return lambda locations: first(locations) and second(locations)

    def test(locations: Locations) -> bool:
        for part in parts:
            if not part(locations):
                return False
        return True

    return test


def _any_of(parts: tuple[Test, ...]) -> Test:
    if len(parts) == 1:
        return parts[0]
    if len(parts) == 2:
        first, second = parts
        return lambda locations: first(locations) or second(locations)

    def test(locations: Locations) -> bool:
        for part in parts:
            if part(locations):
                return True
        return False

    return test


def depends_on(
    guard: Guard, machine: str, state: str, states_of: Mapping[str, Iterable[str]]
) -> bool:
    """Whether the truth of ``guard`` can change with whether ``machine`` is in ``state`` (9.5).

    True when, for some places of the other machines, ``guard`` differs between ``state`` and some
    other state of ``machine``. A mere mention is not enough: ``m is a or m is not a`` depends on
    nothing. The others are tried one state after another, those first that still matter.
    """
    if machine not in machines_read(guard):
        return False
    here = _fix(guard, machine, state)
    return any(
        _can_differ(here, _fix(guard, machine, other), states_of, {})
        for other in states_of[machine]
        if other != state
    )


def _can_differ(one: Guard, two: Guard, states_of: Mapping[str, Iterable[str]], seen: dict) -> bool:
    if one == two:
        return False
    if isinstance(one, Const) and isinstance(two, Const):
        return True
    if (one, two) not in seen:
        machine = min(machines_read(one) | machines_read(two))
        seen[one, two] = any(
            _can_differ(_fix(one, machine, state), _fix(two, machine, state), states_of, seen)
            for state in states_of[machine]
        )
    return seen[one, two]


def _fix(guard: Guard, machine: str, state: str) -> Guard:
    """``guard`` with ``machine`` known to be in ``state``, constants folded away."""
    if isinstance(guard, Is):
        return Const(state in guard.states) if guard.machine == machine else guard
    if isinstance(guard, Not):
        part = _fix(guard.part, machine, state)
        return Const(not part.value) if isinstance(part, Const) else Not(part)
    if isinstance(guard, And | Or):
        deciding = isinstance(guard, Or)
        parts = []
        for part in guard.parts:
            fixed = _fix(part, machine, state)
            if not isinstance(fixed, Const):
                parts.append(fixed)
            elif fixed.value == deciding:
                return fixed
        if not parts:
            return Const(not deciding)
        return parts[0] if len(parts) == 1 else type(guard)(tuple(parts))
    return guard
