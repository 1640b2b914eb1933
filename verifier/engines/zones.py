"""Zones: sets of clock values bounded by differences, as closed matrices of integers.

Entry [i][j] bounds clock i minus clock j, clock 0 being the constant 0. A bound ``<= c`` is kept as
2c + 1 and ``< c`` as 2c, c in units that make every constant of the system whole, so that comparing and
adding bounds is integer arithmetic. Forgetting what lies beyond the greatest constant of each clock
keeps the number of zones finite and loses no reachable location, since no guard compares two clocks
(Behrmann, Bouyer, Larsen, Pelanek, "Lower and upper bounds in zone-based abstractions", 2006).
"""

from __future__ import annotations

from fractions import Fraction
from math import lcm

INFINITE = 1 << 60

Zone = tuple[tuple[int, ...], ...]


def add_bounds(left: int, right: int) -> int:
    """The bound that follows from two bounds in a row."""
    if left >= INFINITE or right >= INFINITE:
        return INFINITE
    return left + right - ((left & 1) | (right & 1))


class Space:
    """Operations on zones over ``clocks``, a list of (name, horizon in seconds)."""

    def __init__(self, clocks: list[tuple[str, Fraction]], constants: list[Fraction]):
        self.names = [name for name, _ in clocks]
        self.index = {name: i + 1 for i, name in enumerate(self.names)}
        self.scale = lcm(1, *(number.denominator for number in constants))
        self.horizon = [0] + [self.units(horizon) for _, horizon in clocks]
        self.size = len(clocks) + 1

    def units(self, seconds: Fraction) -> int:
        scaled = seconds * self.scale
        assert scaled.denominator == 1, "a constant outside the list given to Space"
        return scaled.numerator

    def seconds(self, bound: int) -> tuple[Fraction, bool]:
        """A finite bound as (seconds, is strict)."""
        return Fraction(bound >> 1, self.scale), not bound & 1

    def zero(self) -> Zone:
        return tuple(tuple(1 for _ in range(self.size)) for _ in range(self.size))

    def close(self, rows: list[list[int]]) -> Zone | None:
        """The tightest form of ``rows``, or None when nothing satisfies it."""
        n = self.size
        for k in range(n):
            row_k = rows[k]
            for i in range(n):
                ik = rows[i][k]
                if ik >= INFINITE:
                    continue
                row_i = rows[i]
                for j in range(n):
                    kj = row_k[j]
                    if kj < INFINITE:
                        through = ik + kj - ((ik & 1) | (kj & 1))
                        if through < row_i[j]:
                            row_i[j] = through
            if rows[k][k] < 1:
                return None
        for i in range(n):
            if rows[i][i] < 1:
                return None
            rows[i][i] = 1
        return tuple(tuple(row) for row in rows)

    def constrain(self, zone: Zone, i: int, j: int, bound: int) -> Zone | None:
        """``zone`` with clock i minus clock j bounded by ``bound``; None when empty."""
        if zone[i][j] <= bound:
            return zone
        if add_bounds(zone[j][i], bound) < 1:
            return None
        rows = [list(row) for row in zone]
        rows[i][j] = bound
        for a in range(self.size):
            to_i = zone[a][i]
            if to_i >= INFINITE:
                continue
            head = add_bounds(to_i, bound)
            row = rows[a]
            for b in range(self.size):
                from_j = zone[j][b]
                if from_j < INFINITE:
                    through = head + from_j - ((head & 1) | (from_j & 1))
                    if through < row[b]:
                        row[b] = through
        return tuple(tuple(row) for row in rows)

    def at_least(self, zone: Zone, clock: str, bound: Fraction, strict: bool) -> Zone | None:
        return self.constrain(zone, 0, self.index[clock], -2 * self.units(bound) + (not strict))

    def at_most(self, zone: Zone, clock: str, bound: Fraction, strict: bool) -> Zone | None:
        return self.constrain(zone, self.index[clock], 0, 2 * self.units(bound) + (not strict))

    def wait(self, zone: Zone) -> Zone:
        """All clocks may have grown by one and the same amount."""
        rows = [list(row) for row in zone]
        for i in range(1, self.size):
            rows[i][0] = INFINITE
        return tuple(tuple(row) for row in rows)

    def reset(self, zone: Zone, clock: str) -> Zone:
        x = self.index[clock]
        rows = [list(row) for row in zone]
        for i in range(self.size):
            rows[x][i] = rows[0][i]
            rows[i][x] = rows[i][0]
        rows[x][x] = 1
        return tuple(tuple(row) for row in rows)

    def forget(self, zone: Zone, clock: str) -> Zone:
        """Nothing is known of ``clock`` but that it is not negative."""
        x = self.index[clock]
        rows = [list(row) for row in zone]
        for i in range(self.size):
            rows[x][i] = INFINITE
            rows[i][x] = rows[i][0]
        rows[0][x] = 1
        rows[x][x] = 1
        return tuple(tuple(row) for row in rows)

    def widen_beyond_horizons(self, zone: Zone) -> Zone:
        """Forget bounds beyond the greatest constant of each clock."""
        rows = [list(row) for row in zone]
        changed = False
        for i in range(self.size):
            top = 2 * self.horizon[i] + 1
            for j in range(self.size):
                if i == j:
                    continue
                bound = rows[i][j]
                if i and bound < INFINITE and bound > top:
                    rows[i][j] = INFINITE
                    changed = True
                elif bound < -2 * self.horizon[j]:
                    rows[i][j] = -2 * self.horizon[j]
                    changed = True
        if not changed:
            return zone
        closed = self.close(rows)
        assert closed is not None
        return closed


def includes(big: Zone, small: Zone) -> bool:
    """Whether every valuation of ``small`` is in ``big`` (both closed, same clocks)."""
    return all(
        b >= s for big_row, small_row in zip(big, small) for b, s in zip(big_row, small_row)
    )
