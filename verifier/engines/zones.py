"""Zones: sets of clock values bounded by differences, as closed matrices of integers.

Entry i * size + j bounds clock i minus clock j, clock 0 being the constant 0. A bound ``<= c`` is kept
as 2c + 1 and ``< c`` as 2c, c in units that make every constant of the system whole, so that comparing
and adding bounds is integer arithmetic. What lies beyond the greatest number that a clock must reach (its
floor), or must not pass (its ceiling), is forgotten: that keeps the number of zones finite and loses
no reachable location, since no guard compares two clocks (Behrmann, Bouyer, Larsen, Pelanek, "Lower
and upper bounds in zone-based abstractions", 2006, the operator written Extra+ with L and U).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from fractions import Fraction
from math import ceil, lcm
from operator import ge

INFINITE = 1 << 60
NOTHING = -INFINITE
AT_MOST_ZERO = 1

Zone = tuple[int, ...]


def add_bounds(left: int, right: int) -> int:
    """The bound that follows from two bounds in a row."""
    if left >= INFINITE or right >= INFINITE:
        return INFINITE
    return left + right - ((left & 1) | (right & 1))


def includes(big: Zone, small: Zone) -> bool:
    """Whether every valuation of ``small`` is in ``big`` (both closed, same clocks)."""
    return all(map(ge, big, small))


class Space:
    """Operations on zones over the clocks called ``names``."""

    def __init__(self, names: Sequence[str], constants: Iterable[Fraction]):
        self.names = list(names)
        self.index = {name: i + 1 for i, name in enumerate(self.names)}
        self.scale = lcm(1, *(number.denominator for number in constants))
        self.size = len(self.names) + 1
        self._widened: dict[tuple, Zone] = {}
        self._units: dict[Fraction, int] = {}

    def units(self, seconds: Fraction) -> int:
        found = self._units.get(seconds)
        if found is None:
            scaled = seconds * self.scale
            assert scaled.denominator == 1, "a constant outside the list given to Space"
            found = self._units[seconds] = scaled.numerator
        return found

    def seconds(self, bound: int) -> tuple[Fraction, bool]:
        """A finite bound as (seconds, is strict)."""
        return Fraction(bound >> 1, self.scale), not bound & 1

    def zero(self) -> Zone:
        return (AT_MOST_ZERO,) * (self.size * self.size)

    def anything(self) -> Zone:
        """No clock is negative."""
        n = self.size
        return tuple(AT_MOST_ZERO if i in (0, j) else INFINITE for i in range(n) for j in range(n))

    def close(self, cells: list[int]) -> Zone | None:
        """The tightest form of ``cells``, or None when nothing satisfies it."""
        n = self.size
        for k in range(n):
            k_row = k * n
            for i in range(n):
                i_row = i * n
                ik = cells[i_row + k]
                if ik >= INFINITE:
                    continue
                for j in range(n):
                    kj = cells[k_row + j]
                    if kj < INFINITE:
                        through = ik + kj - ((ik & 1) | (kj & 1))
                        if through < cells[i_row + j]:
                            cells[i_row + j] = through
        for i in range(n):
            if cells[i * n + i] < AT_MOST_ZERO:
                return None
            cells[i * n + i] = AT_MOST_ZERO
        return tuple(cells)

    def constrain(self, zone: Zone, i: int, j: int, bound: int) -> Zone | None:
        """``zone`` with clock i minus clock j bounded by ``bound``; None when empty."""
        n = self.size
        if zone[i * n + j] <= bound:
            return zone
        if add_bounds(zone[j * n + i], bound) < AT_MOST_ZERO:
            return None
        cells = list(zone)
        for a in range(n):
            to_i = zone[a * n + i]
            if to_i >= INFINITE:
                continue
            head = to_i + bound - ((to_i & 1) | (bound & 1))
            for b in range(n):
                from_j = zone[j * n + b]
                if from_j < INFINITE:
                    through = head + from_j - ((head & 1) | (from_j & 1))
                    if through < cells[a * n + b]:
                        cells[a * n + b] = through
        return tuple(cells)

    def at_least(self, zone: Zone, clock: str, bound: Fraction, strict: bool) -> Zone | None:
        return self.constrain(zone, 0, self.index[clock], -2 * self.units(bound) + (not strict))

    def at_most(self, zone: Zone, clock: str, bound: Fraction, strict: bool) -> Zone | None:
        return self.constrain(zone, self.index[clock], 0, 2 * self.units(bound) + (not strict))

    def wait(self, zone: Zone) -> Zone:
        """All clocks may have grown by one and the same amount."""
        cells = list(zone)
        for i in range(1, self.size):
            cells[i * self.size] = INFINITE
        return tuple(cells)

    def reset(self, zone: Zone, clock: str) -> Zone:
        n, x = self.size, self.index[clock]
        cells = list(zone)
        for i in range(n):
            cells[x * n + i] = zone[i]
            cells[i * n + x] = zone[i * n]
        cells[x * n + x] = AT_MOST_ZERO
        return tuple(cells)

    def forget(self, zone: Zone, clock: str) -> Zone:
        """Nothing is known of ``clock`` but that it is not negative."""
        n, x = self.size, self.index[clock]
        cells = list(zone)
        for i in range(n):
            cells[x * n + i] = INFINITE
            cells[i * n + x] = zone[i * n]
        cells[x] = AT_MOST_ZERO
        cells[x * n + x] = AT_MOST_ZERO
        return tuple(cells)

    def widen(self, zone: Zone, floors: Sequence[int], ceilings: Sequence[int]) -> Zone:
        """Forget bounds that no guard can tell apart from weaker ones.

        ``floors`` and ``ceilings`` give for each clock, 0 included, the greatest number that some
        guard wants it to have reached, and not to have passed; in units, ``NOTHING`` if none does.
        """
        key = (zone, floors, ceilings)
        found = self._widened.get(key)
        if found is None:
            found = self._widened[key] = self._widen(zone, floors, ceilings)
        return found

    def _widen(self, zone: Zone, floors: Sequence[int], ceilings: Sequence[int]) -> Zone:
        n = self.size
        cells = list(zone)
        least = [-(zone[j] >> 1) for j in range(n)]
        for i in range(n):
            beyond = i and least[i] > floors[i]
            for j in range(n):
                if i == j:
                    continue
                bound = zone[i * n + j]
                over = least[j] > ceilings[j] if j else False
                if i and (beyond or over or bound >> 1 > floors[i]):
                    cells[i * n + j] = INFINITE
                elif not i and over:
                    cells[j] = AT_MOST_ZERO if ceilings[j] < 0 else -2 * ceilings[j]
        if tuple(cells) == zone:
            return zone
        closed = self.close(cells)
        assert closed is not None
        return closed

    def hull(self, one: Zone, other: Zone) -> Zone:
        """The least zone that holds both."""
        return tuple(map(max, one, other))

    def gaps(self, values: Mapping[str, Fraction]) -> Zone:
        """The least bounds that ``values`` meets. It meets a bound if that is not below."""
        known = [Fraction(0), *(values[name] * self.scale for name in self.names)]
        found = []
        for left in known:
            for right in known:
                gap = left - right
                found.append(2 * gap.numerator + 1 if gap.denominator == 1 else 2 * ceil(gap))
        return tuple(found)

    def holds(self, zone: Zone, gaps: Zone, clocks: Iterable[str]) -> bool:
        """Whether the values with ``gaps`` meet every bound of ``zone`` among ``clocks`` and 0."""
        return self.broken(zone, gaps, clocks) is None

    def broken(self, zone: Zone, gaps: Zone, clocks: Iterable[str]) -> tuple[int, int, int] | None:
        """A bound (i, j, bound) among ``clocks`` and 0 that the values with ``gaps`` break; simple
        ones first."""
        n = self.size
        some = [0, *(self.index[clock] for clock in clocks)]
        for i in some:
            for j in some:
                cell = i * n + j
                if zone[cell] < gaps[cell]:
                    return i, j, zone[cell]
        return None
