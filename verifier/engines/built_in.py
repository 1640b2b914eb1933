"""Endless settling, stopped time and order of moves: built-in properties about rows of rounds.

The reachable locations come from the study of the model. Rows of rounds are followed backwards on
diagrams until none is longer (then the longest is the certificate's number) or they no longer shrink
(then a way into them is looked for, with exact times). The order of moves is asked of z3 directly, on
the invariant, with both settles unrolled.
"""

from __future__ import annotations

import z3
from dd import cudd

from verifier.engines.certify import NotConfirmed, confirm, smt_text
from verifier.engines.diagrams import Diagram
from verifier.engines.limits import OutOfBudget
from verifier.engines.paths import PathCheck
from verifier.engines.solver import Answer, Frames, Query, is_true
from verifier.engines.study import TRY_MORE, Study, names_of
from verifier.language.model import Form, Property
from verifier.semantics.formula import YES, AtLeast, Formula, Update, all_of, atoms, map_atoms, negate
from verifier.semantics.rounds import alone, forced_round, round_or_rest, untimed_round
from verifier.semantics.run import Certificate, Finding, Gap, Trace

MOST_ROUNDS = 64


def decide_built_in(study: Study, prop: Property) -> Finding:
    """``does not settle``, ``time stops`` or ``order matters`` for the model of ``study``."""
    try:
        if prop.form is Form.ORDER_MATTERS:
            return _Order(study, prop).run()
        relation = untimed_round if prop.form is Form.DOES_NOT_SETTLE else forced_round
        return _Rows(study, prop, relation(study.base)).run()
    except OutOfBudget as stop:
        return Gap(f"{stop.reason} while deciding `{prop.id}`", TRY_MORE)


class _BuiltIn:
    def __init__(self, study: Study, prop: Property):
        self.study, self.prop = study, prop
        self.system = study.base
        self.paths = PathCheck(self.system, study.allowance)

    def way_to(self, bad: Diagram, end: Formula) -> Trace | Gap | None:
        """A trace to a state of ``bad`` that satisfies ``end``; None once the study has learnt that
        there is none."""
        clocks: frozenset[str] = frozenset()
        while True:
            found = self.study.explorer.run(self.study.order(clocks), self.study.known, bad)
            if found.hit is None:
                self.study.learn(clocks)
                return None
            outcome = self.paths.check(found.hit, end)
            if isinstance(outcome, Trace):
                return outcome
            if outcome.clocks <= clocks:
                reason = f"the times of {names_of(outcome.clocks)} did not settle `{self.prop.id}`"
                return Gap(reason, TRY_MORE, depth=len(found.hit.kinds) - 1)
            if self.study.is_new(outcome.clocks) and self.study.learn(outcome.clocks):
                return None
            clocks = clocks | outcome.clocks

    def certificate(self, rounds: int) -> Certificate:
        invariant = self.study.invariant()
        try:
            confirm(self.system, invariant, self.study.allowance)
        except NotConfirmed as why:
            raise AssertionError(f"{self.prop.id}: {why}") from why
        needs, method = self.study.method()
        return Certificate(
            smt_text(self.system, invariant),
            rounds=rounds,
            method=f"{method}; no more than {rounds} rounds follow one another without delay",
            needs_times_of=needs,
        )

    def unrolled(self, frames: Frames) -> Query:
        query = Query(self.study.allowance)
        query.add(frames.domain(0), frames.term(self.study.invariant(), 0))
        return query

    def refuted(self, query: Query, *terms: z3.BoolRef) -> z3.ModelRef | None:
        """None when z3 refutes the terms, else its model."""
        query.push()
        query.add(*terms)
        reply = query.ask()
        query.pop()
        if reply.answer is Answer.UNKNOWN:
            raise OutOfBudget(f"z3 gave up ({reply.reason})")
        return reply.model


class _Rows(_BuiltIn):
    """Whether rounds of one kind can follow one another for ever."""

    def __init__(self, study: Study, prop: Property, round_formula: Formula):
        super().__init__(study, prop)
        self.round_formula = round_formula
        self.relation = self._relation()

    def _relation(self) -> Diagram:
        d = self.study.diagrams
        plain = map_atoms(self.round_formula, lambda a: YES if isinstance(a, Update) else a)
        found = d.of(plain)
        takes = [name for name in found.support if name.startswith("take ")]
        return d.bdd.exist(takes + list(d.tests), found)

    def run(self) -> Finding:
        while True:
            endless, rounds = self._rows()
            if endless is None:
                self._confirm(rounds)
                return self.certificate(rounds)
            outcome = self.way_to(endless, self.study.diagrams.as_formula(endless))
            if outcome is not None:
                return outcome

    def _rows(self) -> tuple[Diagram | None, int]:
        """The states from which rows of rounds never end, or None and the longest row."""
        d = self.study.diagrams
        begins = self.study.known
        rounds = 0
        while True:
            self.study.allowance.check()
            renamed = d.bdd.let(dict(zip(d.present, d.after)), begins)
            longer = cudd.and_exists(self.relation, renamed, d.after) & self.study.known
            longer = longer & begins
            if longer == d.false:
                return None, rounds
            if longer == begins:
                return longer, rounds
            begins = longer
            rounds += 1

    def _confirm(self, rounds: int) -> None:
        """The same on the z3 constraints: no state of the invariant begins rounds + 1 of them."""
        frames = Frames(self.system.registers, self.system.clocks)
        query = self.unrolled(frames)
        row = []
        for i in range(rounds + 1):
            row += [frames.domain(i + 1), frames.term(self.round_formula, i)]
        if self.refuted(query, *row) is not None:
            raise AssertionError(f"{self.prop.id}: z3 finds a longer row of rounds")


class _Order(_BuiltIn):
    """Whether the settled result depends on which control machine moves first."""

    def run(self) -> Finding:
        rounds = 1
        while True:
            self.study.allowance.check()
            state = self._unsettled_after(rounds)
            if state is not None:
                if rounds >= MOST_ROUNDS:
                    reason = f"a settle of more than {MOST_ROUNDS} rounds could not be excluded"
                    return Gap(reason, "look at `does not settle` first")
                rounds += 1
                continue
            state = self._differs(rounds)
            if state is None:
                return self.certificate(rounds)
            location, tests = state
            d = self.study.diagrams
            bad = d.state(location) & d.of(tests)
            outcome = self.way_to(bad, all_of(d.as_formula(d.state(location)), tests))
            if outcome is not None:
                return outcome

    def _control(self) -> list[str]:
        return [m.name for m in self.system.model.machines if m.is_control and m.transitions]

    def _settles(self, frames: Frames, first: int, rounds: int) -> list[z3.BoolRef]:
        rest = round_or_rest(self.system)
        found = []
        for i in range(first, first + rounds):
            found += [frames.domain(i + 1), frames.term(rest, i)]
        return found

    def _unsettled_after(self, rounds: int) -> z3.ModelRef | None:
        frames = Frames(self.system.registers, self.system.clocks)
        query = self.unrolled(frames)
        unsettled = frames.term(negate(self.system.settled), rounds)
        model = self.refuted(query, *self._settles(frames, 0, rounds), unsettled)
        if model is not None:
            return model
        for machine in self._control():
            step = frames.term(alone(self.system, machine), 0)
            late = frames.term(negate(self.system.settled), rounds + 1)
            row = self._settles(frames, 1, rounds)
            model = self.refuted(query, frames.domain(1), step, *row, late)
            if model is not None:
                return model
        return None

    def _differs(self, rounds: int) -> tuple[dict[str, str], Formula] | None:
        """A state, as its locations and the outcomes of its tests, in which the order matters."""
        system = self.system
        frames = Frames(system.registers, system.clocks)
        apart = Frames(system.registers, system.clocks)
        for machine in self._control():
            query = self.unrolled(frames)
            together = self._settles(frames, 0, rounds)
            # the second copy starts in frame 0 of the first and goes on in frames of its own
            offset = rounds + 2
            same = [
                x == y
                for name in system.registers
                for x, y in zip(frames.bits(name, 0), apart.bits(name, offset))
            ] + [frames.clock(c, 0) == apart.clock(c, offset) for c in system.clocks]
            step = apart.term(alone(system, machine), offset)
            then = self._settles(apart, offset + 1, rounds)
            differ = z3.Or(
                [
                    x != y
                    for name in self._control()
                    for x, y in zip(
                        frames.bits(name, rounds), apart.bits(name, offset + 1 + rounds)
                    )
                ]
            )
            model = self.refuted(
                query, *together, *same, apart.domain(offset + 1), step, *then, differ
            )
            if model is not None:
                return self._read(frames, model)
        return None

    def _read(self, frames: Frames, model: z3.ModelRef) -> tuple[dict[str, str], Formula]:
        location = {}
        for name, values in self.system.registers.items():
            bits = frames.bits(name, 0)
            location[name] = values[sum(1 << i for i, b in enumerate(bits) if is_true(model, b))]
        tests = []
        for rules in self._control():
            for rule in self.system.rules[rules]:
                if rule.is_timed and rule.transition.source == location[rules]:
                    for atom in atoms(rule.enabled):
                        if isinstance(atom, AtLeast):
                            yes = is_true(model, frames.term(atom, 0))
                            tests.append(atom if yes else negate(atom))
        return location, all_of(*tests)
