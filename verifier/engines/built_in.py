"""Endless settling, stopped time and order of moves: built-in properties about rows of rounds.

The reachable locations come from the study of the model. Rows of rounds are followed backwards on
diagrams until none is longer (then the longest is the certificate's number) or they no longer shrink
(then a way into them is looked for, with exact times). The order of moves is asked of z3 directly, on
the invariant, with both settles unrolled.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import cached_property

import z3

from verifier.engines.diagrams import Diagram
from verifier.engines.lemmas import Lemma, NotExcluded
from verifier.engines.limits import OutOfBudget
from verifier.engines.mirror import guesses
from verifier.engines.reasons import Source
from verifier.engines.solver import Frames
from verifier.engines.study import FIRST, TRY_MORE, Knowledge, Study, names_of
from verifier.language.model import Form, Property
from verifier.semantics.formula import (
    YES,
    AtLeast,
    Formula,
    In,
    Update,
    all_of,
    atoms,
    map_atoms,
    negate,
)
from verifier.semantics.rounds import alone, forced_round, round_or_rest, untimed_round
from verifier.semantics.run import Certificate, Finding, Gap, Trace

MOST_ROUNDS = 64


def decide_built_in(study: Study, prop: Property) -> Finding:
    """``does not settle``, ``time stops`` or ``order matters`` for the model of ``study``."""
    try:
        if prop.form is Form.ORDER_MATTERS:
            return _Order(study, prop).run()
        return _rows_of(study, prop).run()
    except OutOfBudget as stop:
        return Gap(f"{stop.reason} while deciding `{prop.id}`", stop.try_next)


def built_in_alike(study: Study, prop: Property) -> Certificate | None:
    """With a proof among ``study.proofs`` just as it is; None says nothing."""
    base = study.base
    asked = _Order(study, prop) if prop.form is Form.ORDER_MATTERS else _rows_of(study, prop)
    try:
        for sources in guesses(study.proofs, prop, base):
            formulas = [(formula, base) for source in sources for formula in source.formulas]
            lemmas = study.book.inductive(base, formulas)
            rounds = None if lemmas is None else asked.rounds_with(lemmas)
            if lemmas is not None and rounds is not None:
                return study.certificate(base, lemmas, rounds)
    except OutOfBudget:
        pass
    return None


def _rows_of(study: Study, prop: Property) -> _Rows:
    relation = untimed_round if prop.form is Form.DOES_NOT_SETTLE else forced_round
    return _Rows(study, prop, relation(study.base))


class _BuiltIn:
    def __init__(self, study: Study, prop: Property):
        self.study, self.prop = study, prop
        self.system = study.base
        self.paths = study.paths(study.base)
        self.frames = study.book.frames
        self.knowledge = Knowledge(study)

    def way_to(self, end: Formula) -> Trace | Gap | None:
        """A trace to a state that satisfies ``end``; None once the study has learnt that there is
        none."""
        clocks: frozenset[str] = frozenset()
        study = self.study
        while True:
            study.allowance.check()
            found = study.explorer.run(self.system, clocks, self.knowledge.known, end)
            assert found is not None
            if found.hit is None:
                self.knowledge.keep(Source(found, found.registers))
                return None
            blame = self.paths.blame(found.hit, end)
            if blame is not None and self.knowledge.learn_from(blame, FIRST):
                return None
            wider = None if blame is None else self.paths.widened(clocks, blame)
            if wider is None:
                known = self.knowledge.known
                hit, outcome = study.shortest_way(self.system, self.paths, clocks, known, end)
                if isinstance(outcome, Trace):
                    return outcome
                wider = self.paths.widened(clocks, outcome)
                if wider is None:
                    reason = f"the times of {names_of(clocks)} did not settle `{self.prop.id}`"
                    return Gap(reason, TRY_MORE, depth=len(hit.kinds) - 1)
            clocks = wider

    def exclude(self, terms: list[z3.BoolRef]) -> list[Lemma]:
        return self.study.book.exclude(self.system, terms, self.knowledge.sources)


class _Rows(_BuiltIn):
    """Whether rounds of one kind can follow one another for ever."""

    def __init__(self, study: Study, prop: Property, round_formula: Formula):
        super().__init__(study, prop)
        self.round_formula = round_formula

    @cached_property
    def relation(self) -> Diagram:
        """The round on locations alone."""
        d = self.study.diagrams
        plain = map_atoms(self.round_formula, lambda a: YES if isinstance(a, Update) else a)
        found = d.of(plain)
        takes = [name for name in found.support if name.startswith("take ")]
        return d.bdd.exist([*takes, *d.tests], found)

    def run(self) -> Finding:
        while True:
            endless, rounds = self._rows()
            if endless is None:
                row = self._row(rounds + 1)
                lemmas = self.study.book.fewest(self.exclude(row), row)
                return self.study.certificate(self.system, lemmas, rounds)
            outcome = self.way_to(self.study.diagrams.as_formula(endless))
            if outcome is not None:
                return outcome

    def rounds_with(self, lemmas: list[Lemma]) -> int | None:
        """The rounds that a row has at most where ``lemmas`` hold."""
        may_be = (n for n in range(MOST_ROUNDS) if self.study.book.do_exclude(lemmas, self._row(n + 1)))
        return next(may_be, None)

    def _rows(self) -> tuple[Diagram | None, int]:
        """The states from which rows of rounds never end, or None and the longest row."""
        d = self.study.diagrams
        after = [bit + "'" for bit in d.present(self.system.registers)]
        known = self.knowledge.known
        begins = known
        rounds = 0
        while True:
            self.study.allowance.check()
            longer = d.and_exists(self.relation, d.rename_to_next(begins), after)
            longer = longer & known & begins
            if longer == d.false:
                return None, rounds
            if longer == begins:
                return longer, rounds
            begins = longer
            rounds += 1

    def _row(self, rounds: int) -> list[z3.BoolRef]:
        """So many rounds one after another from frame 0."""
        row = []
        for i in range(rounds):
            row += [self.frames.domain(i + 1), self.frames.term(self.round_formula, i)]
        return row


class _Order(_BuiltIn):
    """Whether the settled result depends on which control machine moves first."""

    def __init__(self, study: Study, prop: Property):
        super().__init__(study, prop)
        self.rest = round_or_rest(self.system)
        self.alone = {
            m.name: alone(self.system, m.name)
            for m in self.system.model.machines
            if m.is_control and study.base.rules[m.name]
        }
        # a second row of frames for the settle in which one machine has moved first alone
        self.apart = Frames(self.system.registers, self.system.clocks)

    def run(self) -> Finding:
        rounds = 1
        while (late := self._settled_within(rounds)) is None:
            rounds += 1
            if rounds > MOST_ROUNDS:
                reason = f"a settle of more than {MOST_ROUNDS} rounds could not be excluded"
                return Gap(reason, "look at `does not settle` first")
        lemmas = {lemma.number: lemma for lemma in late}
        for terms in self._differing(rounds):
            while True:
                try:
                    needed = self.exclude(terms)
                except NotExcluded as state:
                    outcome = self._lead_to(state)
                    if outcome is not None:
                        return outcome
                    continue
                lemmas |= {lemma.number: lemma for lemma in needed}
                break
        return self.study.certificate(self.system, list(lemmas.values()), rounds)

    def rounds_with(self, lemmas: list[Lemma]) -> int | None:
        """The rounds after which every settle has ended where ``lemmas`` hold, if then the order makes no
        difference."""
        book = self.study.book
        for rounds in range(1, MOST_ROUNDS):
            if all(book.do_exclude(lemmas, terms) for terms in self._late(rounds)):
                is_alike = all(book.do_exclude(lemmas, terms) for terms in self._differing(rounds))
                return rounds if is_alike else None
        return None

    def _settled_within(self, rounds: int) -> list[Lemma] | None:
        """With what z3 finds every settle at an end after ``rounds``; None where it is not."""
        try:
            return [lemma for terms in self._late(rounds) for lemma in self.exclude(terms)]
        except NotExcluded:
            return None

    def _late(self, rounds: int) -> Iterator[list[z3.BoolRef]]:
        unsettled = negate(self.system.settled)
        yield [*self._settle(self.frames, 0, rounds), self.frames.term(unsettled, rounds)]
        for machine in self.alone:
            first, last = self._alone_first(machine, rounds)
            yield [*first, self.apart.term(unsettled, last)]

    def _differing(self, rounds: int) -> Iterator[list[z3.BoolRef]]:
        for machine in self.alone:
            first, last = self._alone_first(machine, rounds)
            differ = z3.Or(
                [
                    x != y
                    for name in self.alone
                    for x, y in zip(self.frames.bits(name, rounds), self.apart.bits(name, last))
                ]
            )
            yield [*self._settle(self.frames, 0, rounds), *first, differ]

    def _settle(self, frames: Frames, first: int, rounds: int) -> list[z3.BoolRef]:
        found = []
        for i in range(first, first + rounds):
            found += [frames.domain(i + 1), frames.term(self.rest, i)]
        return found

    def _alone_first(self, machine: str, rounds: int) -> tuple[list[z3.BoolRef], int]:
        """From frame 0, ``machine`` alone and then ``rounds`` settle rounds; and the last frame."""
        start = MOST_ROUNDS + 2
        same = [
            x == y
            for name in self.system.registers
            for x, y in zip(self.frames.bits(name, 0), self.apart.bits(name, start))
        ]
        same += [self.frames.clock(c, 0) == self.apart.clock(c, start) for c in self.system.clocks]
        step = [self.apart.domain(start + 1), self.apart.term(self.alone[machine], start)]
        then = self._settle(self.apart, start + 1, rounds)
        return same + step + then, start + 1 + rounds

    def _lead_to(self, state: NotExcluded) -> Trace | Gap | None:
        """A trace to the state, told by its locations and the outcomes of its control timers."""
        location = {name: state.location[name] for name in self.system.registers}
        outcomes = []
        for machine in self.alone:
            for rule in self.system.rules[machine]:
                if rule.is_timed and rule.transition.source == location[machine]:
                    for atom in atoms(rule.enabled):
                        if isinstance(atom, AtLeast):
                            met = state.times[atom.clock] >= atom.bound
                            outcomes.append(atom if met else negate(atom))
        here = (In(name, frozenset({value})) for name, value in location.items())
        return self.way_to(all_of(*here, *outcomes))
