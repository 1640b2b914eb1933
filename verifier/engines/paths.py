"""Whether exact times exist for one way through the locations, and which clocks are to blame if not.

With the locations fixed, what is left of the step relation is a small system of linear constraints.
Every comparison of a clock is guarded by an assumption of that clock, so an unsatisfiable core names
clocks; it is then shrunk until each of them is needed. (Counterexample-guided refinement; Clarke,
Grumberg, Jha, Lu, Veith, 2000.)
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction

import z3

from verifier.engines.explore import Hit
from verifier.engines.limits import Allowance, OutOfBudget
from verifier.engines.solver import (
    Answer,
    Frames,
    Query,
    as_fraction,
    conj,
    disj,
    inverse,
    is_true,
    number,
)
from verifier.language.model import Role
from verifier.semantics.formula import (
    YES,
    AtLeast,
    Formula,
    In,
    No,
    Same,
    Take,
    Truth,
    all_of,
    any_of,
    atoms,
    by_literals,
    map_atoms,
    negate,
)
from verifier.semantics.run import Move, Step, Trace
from verifier.semantics.system import System, limit_formula

# What exploring a clock is likely to cost, by the role of its machine. A control timer runs once in a
# sequence, trains come again and again and run for minutes; but where a vehicle races a train the barriers
# between them are the distraction. So there are two orders to try.
COSTS = (
    {Role.TRAIN: 6, Role.ROAD_USER: 5, Role.EQUIPMENT: 2},
    {Role.TRAIN: 2, Role.ROAD_USER: 1, Role.EQUIPMENT: 6},
)
LOOSE_FIRST = (True, False)
MOST_GROUPS = 6
MOST_QUESTIONS = 40


@dataclass(frozen=True)
class Blame:
    """No times fit. Each group of clocks alone contradicts itself and needs all its members; the
    groups that look cheapest to explore come first."""

    groups: tuple[frozenset[str], ...]


class PathCheck:
    """Checks ways through one system.

    ``residues`` keeps what is left of each part for each pair of locations; the systems of one model
    share their parts and may share it.
    """

    def __init__(self, system: System, allowance: Allowance, residues: dict | None = None):
        self.system = system
        self.allowance = allowance
        self.costs = COSTS[0]
        self._residues: dict[tuple, tuple[Formula, Formula]] = {} if residues is None else residues
        self._frames = Frames(system.registers, system.clocks)
        self._terms: dict[tuple[int, int], z3.BoolRef] = {}
        self.parts = {
            "settle": [negate(system.settled)] + [p.formula for p in system.settle_parts],
            "world": [system.settled]
            + [limit_formula(limit) for limit in system.limits]
            + [p.formula for p in system.world_parts],
        }
        self._reads = {
            kind: [_registers_read(part) for part in parts] for kind, parts in self.parts.items()
        }

    def check(self, hit: Hit, end: Formula = YES, *, is_likely: bool = False) -> Trace | Blame:
        """A trace along ``hit`` whose last state satisfies ``end``, or the clocks that forbid it; sooner
        found when the trace ``is_likely``."""
        found = self._fit(hit, end, (False,) if is_likely else LOOSE_FIRST)
        return found if isinstance(found, Blame) else self._earliest(found, hit)

    def blame(self, hit: Hit, end: Formula = YES) -> Blame | None:
        """The clocks that forbid ``hit``; None when it has times."""
        found = self._fit(hit, end, LOOSE_FIRST)
        return found if isinstance(found, Blame) else None

    def _fit(self, hit: Hit, end: Formula, ways: Sequence[bool]) -> Query | Blame:
        """Asked loosely: without saying who moved. With the locations known that is seldom in doubt,
        and what has no times then has none at all."""
        for loose in ways:
            query = self._times_along(hit, end, loose)
            suspects = sorted(self.system.clocks)
            reply = query.ask(*(self._assumption(name) for name in suspects))
            if reply.answer is Answer.UNKNOWN:
                raise OutOfBudget(f"z3 gave up on the times of a path ({reply.reason})")
            if reply.answer is Answer.UNSAT:
                return Blame(self._groups(query, suspects))
        return query

    def _times_along(self, hit: Hit, end: Formula, loose: bool) -> Query:
        frames = self._frames
        query = Query(self.allowance)
        for name in self.system.clocks:
            query.add(frames.clock(name, 0) == 0)
        for i, kind in enumerate(hit.kinds):
            query.add(frames.delay(i) == 0 if kind == "settle" else frames.delay(i) >= 0)
            for formula in self._residue(kind, hit.path[i], hit.path[i + 1], loose):
                query.add(self._guarded(formula, i))
        last = len(hit.kinds)
        query.add(self._new_guarded(_fix(end, hit.path[last], hit.path[last]), last))
        return query

    def cost(self, clocks: Iterable[str]) -> int:
        """How much exploring ``clocks`` together is likely to cost; only an order matters."""
        roles = {machine.name: machine.role for machine in self.system.model.machines}
        return sum(self.costs.get(roles.get(self.system.clocks[c].owner), 1) for c in clocks)

    def widened(self, clocks: frozenset[str], blame: Blame) -> frozenset[str] | None:
        """``clocks`` and the blamed group that adds least; None if a group is all exact already."""
        if not blame.groups or any(group <= clocks for group in blame.groups):
            return None
        return min(
            (clocks | group for group in blame.groups), key=lambda c: (self.cost(c), sorted(c))
        )

    def _groups(self, query: Query, suspects: list[str]) -> tuple[frozenset[str], ...]:
        """Several smallest contradictions, found by leaving out a clock of each one met before
        (Reiter, "A theory of diagnosis from first principles", 1987)."""
        found: list[frozenset[str]] = []
        without: list[frozenset[str]] = [frozenset()]
        asked = 0
        for left_out in without:
            group = next((g for g in found if not g & left_out), None)
            if group is None:
                asked += 1
                rest = [c for c in suspects if c not in left_out]
                reply = query.ask(*(self._assumption(c) for c in rest))
                if reply.answer is not Answer.UNSAT:
                    continue
                group = frozenset(self._shrink(query, reply.core))
                found.append(group)
            if len(found) >= MOST_GROUPS or asked >= MOST_QUESTIONS:
                break
            for clock in sorted(group):
                more = left_out | {clock}
                if more not in without:
                    without.append(more)
        return tuple(sorted(found, key=lambda g: (self.cost(g), sorted(g))))

    def _assumption(self, clock: str) -> z3.BoolRef:
        return z3.Bool(f"mind {clock}")

    def _shrink(self, query: Query, core: frozenset[str]) -> list[str]:
        kept = [c for c in sorted(self.system.clocks) if f"mind {c}" in core]
        kept.sort(key=lambda c: -self.cost([c]))
        for clock in list(kept):
            rest = [c for c in kept if c != clock]
            reply = query.ask(*(self._assumption(c) for c in rest))
            if reply.answer is Answer.UNSAT:
                kept = rest
        return kept

    def _residue(
        self, kind: str, now: dict[str, str], then: dict[str, str], loose: bool
    ) -> list[Formula]:
        found = []
        for index, formula in enumerate(self.parts[kind]):
            present, after = self._reads[kind][index]
            key = (id(formula), loose, *(now[r] for r in present), *(then[r] for r in after))
            if key not in self._residues:
                rest = _fix(formula, now, then)
                self._residues[key] = (formula, _without_moves(rest) if loose else rest)
            rest = self._residues[key][1]
            if rest != YES:
                found.append(rest)
        return found

    def _guarded(self, formula: Formula, frame: int) -> z3.BoolRef:
        """The z3 term in which a comparison counts only if its clock is minded."""
        key = (id(formula), frame)
        if key not in self._terms:
            self._terms[key] = self._new_guarded(formula, frame)
        return self._terms[key]

    def _new_guarded(self, formula: Formula, frame: int) -> z3.BoolRef:
        def of(literal: Formula) -> z3.BoolRef:
            term = self._frames.term(literal, frame)
            atom = literal.part if isinstance(literal, No) else literal
            if isinstance(atom, AtLeast):
                return disj([inverse(self._assumption(atom.clock)), term])
            return term

        return by_literals(formula, of, conj, disj)

    # -- times

    def _earliest(self, query: Query, hit: Hit) -> Trace:
        """The trace in which each delay in turn is as short as it can be (or near it, when the
        shortest is not attained)."""
        frames = self._frames
        query.add(*(self._assumption(name) for name in sorted(self.system.clocks)))
        acts = [i for i, kind in enumerate(hit.kinds) if kind == "world"]
        if not shorten_all(query, [frames.delay(i) for i in acts]):
            for i in acts:
                shorten(query, frames.delay(i))
        reply = query.ask()
        if reply.answer is not Answer.SAT:
            raise OutOfBudget(f"z3 gave up on the times of a path ({reply.reason})")
        return read_trace(self.system, frames, reply.model, hit.path, hit.kinds)


def shorten_all(query: Query, delays: Sequence[z3.ArithRef]) -> bool:
    """Fix each delay in turn at its least value, all at once; False where some is only approached."""
    optimizer = z3.Optimize()
    optimizer.set("priority", "lex")
    left = query.allowance.left
    if left is not None:
        optimizer.set("timeout", max(int(left * 1000), 1))
    optimizer.add(query.solver.assertions())
    goals = [optimizer.minimize(delay) for delay in delays]
    if optimizer.check() != z3.sat:
        return False
    least = [optimizer.lower_values(goal) for goal in goals]
    if any(as_fraction(part) != 0 for infinite, _, more in least for part in (infinite, more)):
        return False
    fixed = [delay == value for delay, (_, value, _) in zip(delays, least, strict=True)]
    if query.ask(*fixed).answer is not Answer.SAT:
        return False
    query.add(*fixed)
    return True


def shorten(query: Query, delay: z3.ArithRef) -> None:
    """Fix ``delay`` at its least value, or a little above when that is only approached."""
    reply = query.ask(delay == 0)
    if reply.answer is Answer.SAT:
        query.add(delay == 0)
        return
    optimizer = z3.Optimize()
    optimizer.add(query.solver.assertions())
    least = optimizer.minimize(delay)
    if optimizer.check() != z3.sat:
        return
    start = as_fraction(optimizer.lower_values(least)[1])
    for extra in (Fraction(0), Fraction(1), Fraction(1, 2), Fraction(1, 4), Fraction(1, 8)):
        value = z3.RealVal(start + extra)
        if query.ask(delay == value).answer is Answer.SAT:
            query.add(delay == value)
            return


def _registers_read(formula: Formula) -> tuple[list[str], list[str]]:
    present, after = set(), set()
    for atom in atoms(formula):
        if isinstance(atom, In):
            (after if atom.next else present).add(atom.register)
        elif isinstance(atom, Same):
            present.add(atom.register)
            after.add(atom.register)
    return sorted(present), sorted(after)


def _fix(formula: Formula, now: dict[str, str], then: dict[str, str]) -> Formula:
    """``formula`` with every register replaced by its value."""

    def change(atom: Formula) -> Formula:
        if isinstance(atom, In):
            return Truth((then if atom.next else now)[atom.register] in atom.values)
        if isinstance(atom, Same):
            return Truth(now[atom.register] == then[atom.register])
        return atom

    return map_atoms(formula, change)


def _without_moves(formula: Formula) -> Formula:
    """A weaker formula that leaves open which transitions are taken."""

    def of(literal: Formula) -> Formula:
        atom = literal.part if isinstance(literal, No) else literal
        return YES if isinstance(atom, Take) else literal

    return by_literals(formula, of, lambda parts: all_of(*parts), lambda parts: any_of(*parts))


def read_trace(
    system: System,
    frames: Frames,
    model: z3.ModelRef,
    path: Sequence[dict[str, str]],
    kinds: Sequence[str],
) -> Trace:
    """The trace of a z3 model along known locations."""
    steps = []
    for i, kind in enumerate(kinds):
        moves = tuple(
            Move(name, rule.transition.index)
            for name in sorted(system.rules)
            for rule in system.rules[name]
            if is_true(model, frames.take(name, rule.transition.index, i))
        )
        delay = Fraction(0) if kind == "settle" else number(model, frames.delay(i))
        steps.append(Step(kind, delay, moves))
    machines = {machine.name for machine in system.model.machines}
    claims = []
    for i, location in enumerate(path):
        claim: dict[str, str | Fraction] = {n: v for n, v in location.items() if n in machines}
        for clock in system.clocks.values():
            if clock.owner:
                claim[clock.name] = number(model, frames.clock(clock.name, i))
        claims.append(claim)
    return Trace(tuple(steps), tuple(claims))
