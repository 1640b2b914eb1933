"""Loops in a trace: from where it can go round for ever, time passing, without an answer.

A trace that shows an answer late only shows it late. But where its locations repeat, one linear
question to z3 tells whether there are times with which the later state is alike to the earlier one
(``specs/semantics.md`` 12.2), so that everything between can happen again. And where nothing
obliges anybody, waiting itself is a loop.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from fractions import Fraction
from itertools import accumulate

import z3

from verifier.engines.limits import Allowance, OutOfBudget
from verifier.engines.paths import read_trace, shorten
from verifier.engines.solver import Answer, Frames, Query, exact
from verifier.language.model import Property
from verifier.semantics.formula import Formula, Valuation, any_of, compiled
from verifier.semantics.run import Step, Trace
from verifier.semantics.system import SPENT, System, guard_formula

Location = Mapping[str, str]
WAIT = Fraction(1)


class Loops:
    """Loops without Q and R after an onset of P, in traces of the bare ``system``."""

    def __init__(self, system: System, prop: Property, allowance: Allowance):
        self.system = system
        self.allowance = allowance
        self._is_p = _truth(guard_formula(prop.p))
        self._is_answered = _truth(any_of(guard_formula(prop.q), guard_formula(prop.r)))
        self._is_limited = _truth(any_of(*(limit.active for limit in system.limits)))

    def find(self, trace: Trace) -> Trace | None:
        """The beginning of ``trace``, led into a loop; None when no loop was found in it.

        The last state of ``trace`` is settled.
        """
        path = self._locations(trace)
        waiting = list(self._unanswered(trace, path))
        for index in waiting:
            if not self._is_limited(path[index]):
                return self._waits(trace, path, index)
        return self._comes_back(trace, path, waiting)

    def _locations(self, trace: Trace) -> list[Location]:
        """The register values in each state of ``trace``."""
        faults = {
            (name, rule.transition.index)
            for name, rules in self.system.rules.items()
            for rule in rules
            if rule.transition.fault is not None
        }
        spent, found = 0, []
        for index, claim in enumerate(trace.claims):
            if index:
                moves = trace.steps[index - 1].moves
                spent += sum((move.machine, move.transition) in faults for move in moves)
            values = {name: str(claim[name]) for name in self.system.registers if name != SPENT}
            if SPENT in self.system.registers:
                values[SPENT] = str(spent)
            found.append(values)
        return found

    def _unanswered(self, trace: Trace, path: list[Location]) -> Iterator[int]:
        """The settled states with an onset of P at or before them, and no answer from there on."""
        had_p = is_open = False
        for index, location in enumerate(path):
            if index < len(trace.steps) and trace.steps[index].kind == "settle":
                continue
            is_p = self._is_p(location)
            is_open = (is_open or (is_p and not had_p)) and not self._is_answered(location)
            had_p = is_p
            if is_open:
                yield index

    # -- waiting

    def _waits(self, trace: Trace, path: list[Location], index: int) -> Trace:
        """``trace`` up to state ``index``, in which anyone may wait for ever; and a wait."""
        times = trace.claims[index]
        lacking = [
            reach - Fraction(times[clock]) for clock, reach in self._reaches(path[index]).items()
        ]
        longest = max(lacking, default=Fraction(0))
        delays = [longest, WAIT] if longest > 0 else [WAIT]
        machines = {m.name: times[m.name] for m in self.system.model.machines}
        return Trace(
            trace.steps[:index] + tuple(Step("world", delay, ()) for delay in delays),
            trace.claims[: index + 1] + (machines,) * len(delays),
            loop=index + len(delays) - 1,
        )

    def _reaches(self, location: Location) -> dict[str, Fraction]:
        """How far each clock can still make a difference in ``location`` (12.2)."""
        found: dict[str, Fraction] = {}
        for name, rules in self.system.rules.items():
            for rule in rules:
                if rule.transition.source == location[name]:
                    for clock, bound in (*rule.starts, *rule.ends):
                        found[clock] = max(bound, found.get(clock, bound))
        return found

    # -- coming back

    def _comes_back(self, trace: Trace, path: list[Location], waiting: list[int]) -> Trace | None:
        """The shortest beginning of ``trace`` that some times lead back to a state of it, time having
        passed."""
        frames = Frames(self.system.registers, self.system.clocks)
        query = Query(self.allowance)
        query.add(frames.initial(path[0]))
        added = 0
        # Where nothing moves no clock comes back, and what limits the wait is not past its reach.
        moved = [number if step.moves else 0 for number, step in enumerate(trace.steps, start=1)]
        last_move = list(accumulate(moved, max, initial=0))
        for end in waiting:
            begins = [i for i in waiting if i < last_move[end] and path[i] == path[end]]
            if not begins:
                continue
            for i in range(added, end):
                step = self.system.settle if trace.steps[i].kind == "settle" else self.system.world
                query.add(
                    frames.delay(i) >= 0, frames.term(step, i), frames.state(i + 1, path[i + 1])
                )
            added = end
            for begin in reversed(begins):
                self.allowance.check()
                query.push()
                query.add(*self._alike(frames, path[end], begin, end))
                reply = query.ask()
                if reply.answer is Answer.UNKNOWN:
                    raise OutOfBudget(f"z3 gave up on the times of a loop ({reply.reason})")
                if reply.answer is Answer.SAT:
                    return self._timed(query, frames, trace, path[: end + 1], begin)
                query.pop()
        return None

    def _alike(self, frames: Frames, there: Location, begin: int, end: int) -> list[z3.BoolRef]:
        """Time passes from frame ``begin`` to ``end``, and the two are alike."""
        terms = [z3.Sum([frames.delay(i) for i in range(begin, end)]) > 0]
        for clock, reach in self._reaches(there).items():
            before, after = frames.clock(clock, begin), frames.clock(clock, end)
            past = z3.And(before >= exact(reach), after >= exact(reach))
            terms.append(z3.Or(before == after, past))
        return terms

    def _timed(
        self, query: Query, frames: Frames, trace: Trace, path: list[Location], begin: int
    ) -> Trace:
        kinds = [step.kind for step in trace.steps[: len(path) - 1]]
        for i, kind in enumerate(kinds):
            if kind == "world":
                shorten(query, frames.delay(i))
        reply = query.ask()
        if reply.model is None:
            raise OutOfBudget(f"z3 gave up on the times of a loop ({reply.reason})")
        found = read_trace(self.system, frames, reply.model, [dict(p) for p in path], kinds)
        return replace(found, loop=begin)


def _truth(formula: Formula) -> Callable[[Location], bool]:
    """A formula over locations as a test of one."""
    test = compiled(formula)

    def holds(location: Location) -> bool:
        return test(Valuation(location, {}, location, {}, Fraction(0), frozenset()))

    return holds
