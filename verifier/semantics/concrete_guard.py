"""Guards as Python functions of where the machines are: the concrete reading's own evaluator.

``specs/semantics.md`` 1.4. Shared with no other reading.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from verifier.language.guard import And, Const, Guard, Is, Not, Or

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
