"""Whether every settle of one design ends as that of another which differs in its logic alone.

Both settles are unrolled in z3 side by side from one state, on what is known of the reachable states of the first
(``specs/semantics.md`` section 13). Only the ends are compared; what happens on the way there is not.
"""

from __future__ import annotations

from collections.abc import Sequence

import z3

from verifier.engines.lemmas import Book, Lemma, NotExcluded
from verifier.engines.limits import OutOfBudget
from verifier.engines.solver import Frames
from verifier.engines.study import Knowledge, Study
from verifier.semantics.rounds import round_or_rest
from verifier.semantics.run import Certificate
from verifier.semantics.system import System, limit_formula

# No settle of the designs known takes half as many.
MOST_ROUNDS = 16
# Where the second row of frames begins.
SECOND = MOST_ROUNDS + 2

Terms = list[z3.BoolRef]


def settles_alike(study: Study, other: System) -> Certificate | None:
    """That the settles of ``other`` end as those of the model of ``study``, and time may pass as long after
    them; None says nothing."""
    if not _differ_in_logic_alone(study.base, other):
        return None
    try:
        return _Alike(study, other).run()
    except (NotExcluded, OutOfBudget):
        return None


def _differ_in_logic_alone(one: System, other: System) -> bool:
    """Whether a state of one is a state of the other, and the world acts alike in it but for the limits of a
    delay."""
    return (
        one.registers == other.registers
        and one.clocks == other.clocks
        and one.initial == other.initial
        and one.fixed == other.fixed
        and one.world_parts == other.world_parts
    )


class _Alike:
    def __init__(self, study: Study, other: System):
        self.study, self.system, self.other = study, study.base, other
        # lemmas of its own, so that what was asked before makes no difference
        self.book = Book(study.base, study.diagrams, study.allowance)
        self.sources = Knowledge(study).sources
        self.frames = self.book.frames
        # a second row of frames, for the settle of the other design
        self.apart = Frames(self.system.registers, self.system.clocks)
        self.rest = round_or_rest(self.system), round_or_rest(other)

    def run(self) -> Certificate:
        # where settles begin, each with its frame: the first state, and what a step of the world leads to
        begins = ((self._first(), 0), (self._world_step(), 1))
        rounds = self._rounds(begins)
        goals = [[*way, *self._settles(at, rounds), self._unlike(at, rounds)] for way, at in begins]
        if self.other.limits != self.system.limits:
            goals.append(self._unlike_limits())
        needed = [lemma for goal in goals for lemma in self.book.fewest(self._exclude(goal), goal)]
        return self.study.certificate(self.system, list({one.number: one for one in needed}.values()), rounds)

    def _rounds(self, begins: Sequence[tuple[Terms, int]]) -> int:
        """After how many both designs are at an end."""
        for rounds in range(1, MOST_ROUNDS):
            try:
                for way, at in begins:
                    self._exclude([*way, *self._settles(at, rounds), z3.Not(self._ended(at + rounds))])
                return rounds
            except NotExcluded:
                continue
        return MOST_ROUNDS

    def _exclude(self, terms: Terms) -> list[Lemma]:
        return self.book.exclude(self.system, terms, self.sources)

    # -- terms

    def _first(self) -> Terms:
        return [self.frames.initial(self.system.initial)]

    def _world_step(self) -> Terms:
        """From frame 0, in which the first design is settled, to frame 1."""
        f, system = self.frames, self.system
        parts = (part.formula for part in system.world_parts)
        formulas = (system.settled, *(limit_formula(limit) for limit in system.limits), *parts)
        return [f.domain(1), f.delay(0) >= 0, *(f.term(formula, 0) for formula in formulas)]

    def _unlike_limits(self) -> Terms:
        """A delay from a settled state that one design allows and the other does not."""
        f = self.frames
        one, other = (
            z3.And([f.term(limit_formula(limit), 0) for limit in system.limits])
            for system in (self.system, self.other)
        )
        return [f.delay(0) >= 0, f.term(self.system.settled, 0), one != other]

    def _settles(self, at: int, rounds: int) -> Terms:
        """Of both designs, from one state in frame ``at``."""
        found = [self._same(at)]
        for frames, rest, first in ((self.frames, self.rest[0], at), (self.apart, self.rest[1], SECOND + at)):
            for i in range(first, first + rounds):
                found += [frames.domain(i + 1), frames.term(rest, i)]
        return found

    def _unlike(self, at: int, rounds: int) -> z3.BoolRef:
        """After the settles: one is not at an end, or the ends differ."""
        return z3.Not(z3.And(self._ended(at + rounds), self._same(at + rounds)))

    def _ended(self, frame: int) -> z3.BoolRef:
        ended = self.frames.term(self.system.settled, frame)
        return z3.And(ended, self.apart.term(self.other.settled, SECOND + frame))

    def _same(self, frame: int) -> z3.BoolRef:
        """All machines, faults spent and times are alike in both rows."""
        one, other, second = self.frames, self.apart, SECOND + frame
        bits = (zip(one.bits(name, frame), other.bits(name, second)) for name in self.system.registers)
        times = [one.clock(name, frame) == other.clock(name, second) for name in self.system.clocks]
        return z3.And([x == y for pairs in bits for x, y in pairs] + times)
