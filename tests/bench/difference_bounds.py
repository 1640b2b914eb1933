"""Zones in plain Python: difference-bound matrices as flat tuples of integers.

Entry i * n + j bounds clock i minus clock j; clock 0 is the constant 0. A bound ``<= c`` is 2c + 1,
``< c`` is 2c. All matrices are closed (shortest paths). Written for the bench, apart from the
engine's own; the loops are unrolled no further than clarity allows, and none is cubic but
``close``.
"""

from __future__ import annotations

from collections.abc import Sequence
from operator import ge

INFINITE = 1 << 60
ZERO = 1

Zone = tuple[int, ...]


def at_zero(clocks: int) -> Zone:
    """All clocks are 0."""
    return (ZERO,) * (clocks + 1) ** 2


def includes(big: Zone, small: Zone) -> bool:
    return all(map(ge, big, small))


def close(cells: list[int], n: int) -> Zone:
    """The closed form of a matrix that something satisfies."""
    for k in range(n):
        row = cells[k * n : k * n + n]
        for i in range(n):
            ik = cells[i * n + k]
            if ik >= INFINITE or i == k:
                continue
            base = i * n
            for j in range(n):
                kj = row[j]
                if kj < INFINITE:
                    through = ik + kj - ((ik | kj) & 1)
                    if through < cells[base + j]:  # noqa: PLR1730 - `min` takes longer
                        cells[base + j] = through
    return tuple(cells)


def constrain(zone: Zone, n: int, i: int, j: int, bound: int) -> Zone | None:
    """``zone`` with clock i minus clock j bounded by ``bound`` too; None when empty."""
    if zone[i * n + j] <= bound:
        return zone
    back = zone[j * n + i]
    if back < INFINITE and back + bound - ((back | bound) & 1) < ZERO:
        return None
    cells = list(zone)
    tail = [(b, zone[j * n + b]) for b in range(n) if zone[j * n + b] < INFINITE]
    for a in range(n):
        to_i = zone[a * n + i]
        if to_i >= INFINITE:
            continue
        head = to_i + bound - ((to_i | bound) & 1)
        base = a * n
        for b, from_j in tail:
            through = head + from_j - ((head | from_j) & 1)
            if through < cells[base + b]:  # noqa: PLR1730 - `min` takes longer
                cells[base + b] = through
    return tuple(cells)


def at_least(zone: Zone, n: int, clock: int, bound: int) -> Zone | None:
    return constrain(zone, n, 0, clock, 1 - 2 * bound)


def more_than(zone: Zone, n: int, clock: int, bound: int) -> Zone | None:
    return constrain(zone, n, 0, clock, -2 * bound)


def at_most(zone: Zone, n: int, clock: int, bound: int) -> Zone | None:
    return constrain(zone, n, clock, 0, 2 * bound + 1)


def less_than(zone: Zone, n: int, clock: int, bound: int) -> Zone | None:
    return constrain(zone, n, clock, 0, 2 * bound)


def later(zone: Zone, n: int) -> Zone:
    """Any time may have passed."""
    cells = list(zone)
    for i in range(1, n):
        cells[i * n] = INFINITE
    return tuple(cells)


def carry(zone: Zone, n: int, carried: Sequence[int]) -> Zone:
    """The zone over new clocks: each the old one of that index, or 0 for -1."""
    rows = [0, *(0 if k < 0 else k + 1 for k in carried)]
    return tuple(
        # two clocks that are both 0, or one clock and itself, differ by nothing
        ZERO if i == j else zone[i * n + j]
        for i in rows
        for j in rows
    )


def coarsen(zone: Zone, n: int, floors: Sequence[int], ceilings: Sequence[int]) -> Zone:
    """Forget the bounds that no test can tell from weaker ones (Behrmann, Bouyer, Larsen, Pelanek,
    "Lower and upper bounds in zone-based abstractions", 2006: the coarsest of its four
    operators)."""
    cells = list(zone)
    least = [-(zone[j] >> 1) for j in range(n)]
    changed = False
    for i in range(n):
        over_floor = i > 0 and least[i] > floors[i - 1]
        for j in range(n):
            if i == j:
                continue
            bound = zone[i * n + j]
            over = j > 0 and least[j] > ceilings[j - 1]
            if i > 0 and bound < INFINITE and (over_floor or over or bound >> 1 > floors[i - 1]):
                cells[i * n + j] = INFINITE
                changed = True
            elif i == 0 and over:
                cells[j] = -2 * ceilings[j - 1] if ceilings[j - 1] >= 0 else ZERO
                changed = changed or cells[j] != bound
    return close(cells, n) if changed else zone
