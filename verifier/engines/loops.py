"""Loops in a trace: from where it can go round for ever, time passing, without an answer.

A trace that shows an answer late only shows it late. But where nothing obliges anybody, waiting itself
is a loop. Where the locations of the trace repeat, one linear question to z3 tells whether there are
times with which the later state is alike to the earlier one (``specs/semantics.md`` 12.2), so that
everything between can happen again. And near a state of the trace there may be a few other steps that
lead back to it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from fractions import Fraction
from itertools import accumulate

import z3

from verifier.engines.limits import Allowance, OutOfBudget
from verifier.engines.paths import read_trace, shorten
from verifier.engines.solver import Answer, Frames, Query, exact, is_true
from verifier.language.model import Property
from verifier.semantics.formula import Formula, all_of, any_of, negate
from verifier.semantics.run import Step, Trace
from verifier.semantics.system import SPENT, System
from verifier.semantics.valuation import Valuation, compiled

Location = Mapping[str, str]
WAIT = Fraction(1)
# How many steps off the trace to look for a way back to it.
NEARBY = 6


class Loops:
    """Loops without Q and R after an onset of P, in traces of the bare ``system``."""

    def __init__(self, system: System, prop: Property, allowance: Allowance):
        self.system = system
        self.allowance = allowance
        self._is_p = _truth(system.formula_of(prop.p))
        answered = any_of(system.formula_of(prop.q), system.formula_of(prop.r))
        self._is_answered = _truth(answered)
        self._is_limited = _truth(any_of(*(limit.active for limit in system.limits)))
        self._step = any_of(system.settle, system.world)
        self._goes_on = negate(all_of(system.settled, answered))
        self._searched: list[Location] = []
        self._nearby: tuple[Frames, Query] | None = None

    def find(self, trace: Trace) -> Trace | None:
        """The beginning of ``trace``, led into a loop; None when no loop was found in it.

        The last state of ``trace`` is settled.
        """
        path = self._locations(trace)
        waiting = list(self._unanswered(trace, path))
        for index in waiting:
            if not self._is_limited(path[index]):
                return self._waits(trace, path, index)
        return self._comes_back(trace, path, waiting) or self._strays(trace, path, waiting)

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
        frames, query = self._begun(path)
        added = 0
        # Where nothing moves no clock comes back, and what limits the wait is not past its reach.
        moved = [number if step.moves else 0 for number, step in enumerate(trace.steps, start=1)]
        last_move = list(accumulate(moved, max, initial=0))
        for end in waiting:
            begins = [i for i in waiting if i < last_move[end] and path[i] == path[end]]
            if not begins:
                continue
            self._add_steps(query, frames, trace, path, range(added, end))
            added = end
            for begin in reversed(begins):
                query.push()
                query.add(*self._alike(frames, path[end], begin, end))
                if self._ask(query) is not None:
                    kinds = [step.kind for step in trace.steps[:end]]
                    return self._timed(query, frames, path[: end + 1], kinds, begin)
                query.pop()
        return None

    def _strays(self, trace: Trace, path: list[Location], waiting: list[int]) -> Trace | None:
        """A beginning of ``trace`` and up to ``NEARBY`` other steps back to its last state. Locations are
        tried once."""
        for begin in waiting:
            if path[begin] in self._searched:
                continue
            self._searched.append(path[begin])
            if not self._may_come_back(path[begin]):
                continue
            frames, query = self._begun(path)
            self._add_steps(query, frames, trace, path, range(begin))
            query.add(frames.term(self.system.settled, begin))
            for i in range(begin, begin + NEARBY):
                self._add_any_step(query, frames, i)
                query.push()
                query.add(frames.state(i + 1, path[begin]))
                query.add(*self._alike(frames, path[begin], begin, i + 1))
                found = self._ask(query)
                if found is not None:
                    known = range(begin + 1, i + 2)
                    there = [self._location_in(found, frames, frame) for frame in known]
                    query.add(*(frames.state(*place) for place in zip(known, there)))
                    kinds = [step.kind for step in trace.steps[:begin]]
                    kinds += [
                        "world"
                        if is_true(found, frames.term(self.system.settled, frame))
                        else "settle"
                        for frame in range(begin, i + 1)
                    ]
                    return self._timed(query, frames, [*path[: begin + 1], *there], kinds, begin)
                query.pop()
        return None

    def _may_come_back(self, there: Location) -> bool:
        """Whether ``NEARBY`` steps can lead from ``there``, with any times at all, back to an alike state."""
        if self._nearby is None:
            self._nearby = Frames(self.system.registers, self.system.clocks), Query(self.allowance)
            frames, query = self._nearby
            query.add(frames.domain(0), frames.term(self.system.settled, 0))
            for i in range(NEARBY):
                self._add_any_step(query, frames, i)
        frames, query = self._nearby
        query.push()
        query.add(frames.state(0, there))
        backs = (
            z3.And(frames.state(end, there), *self._alike(frames, there, 0, end))
            for end in range(1, NEARBY + 1)
        )
        query.add(z3.Or(*backs))
        found = self._ask(query)
        query.pop()
        return found is not None

    def _add_any_step(self, query: Query, frames: Frames, i: int) -> None:
        """A step from frame ``i`` that brings no answer."""
        query.add(frames.delay(i) >= 0, frames.term(self._step, i), frames.domain(i + 1))
        query.add(frames.term(self._goes_on, i + 1))

    def _begun(self, path: list[Location]) -> tuple[Frames, Query]:
        frames, query = Frames(self.system.registers, self.system.clocks), Query(self.allowance)
        query.add(frames.initial(path[0]))
        return frames, query

    def _add_steps(
        self, query: Query, frames: Frames, trace: Trace, path: list[Location], which: range
    ) -> None:
        for i in which:
            step = self.system.settle if trace.steps[i].kind == "settle" else self.system.world
            query.add(frames.delay(i) >= 0, frames.term(step, i), frames.state(i + 1, path[i + 1]))

    def _ask(self, query: Query) -> z3.ModelRef | None:
        self.allowance.check()
        reply = query.ask()
        if reply.answer is Answer.UNKNOWN:
            raise OutOfBudget(f"z3 gave up on the times of a loop ({reply.reason})")
        return reply.model

    def _location_in(self, found: z3.ModelRef, frames: Frames, frame: int) -> Location:
        """What the registers are in one frame of a z3 model."""
        location = {}
        for name, values in self.system.registers.items():
            bits = frames.bits(name, frame)
            location[name] = values[sum(1 << i for i, b in enumerate(bits) if is_true(found, b))]
        return location

    def _alike(self, frames: Frames, there: Location, begin: int, end: int) -> list[z3.BoolRef]:
        """Time passes from frame ``begin`` to ``end``, and the two are alike."""
        terms = [z3.Sum([frames.delay(i) for i in range(begin, end)]) > 0]
        for clock, reach in self._reaches(there).items():
            before, after = frames.clock(clock, begin), frames.clock(clock, end)
            past = z3.And(before >= exact(reach), after >= exact(reach))
            terms.append(z3.Or(before == after, past))
        return terms

    def _timed(
        self, query: Query, frames: Frames, path: list[Location], kinds: list[str], begin: int
    ) -> Trace:
        """The run along ``path`` with short delays, its loop from state ``begin`` on."""
        for i, kind in enumerate(kinds):
            if kind == "world":
                shorten(query, frames.delay(i))
        found = self._ask(query)
        if found is None:
            raise AssertionError("the times of a loop are gone")
        shown = read_trace(self.system, frames, found, [dict(place) for place in path], kinds)
        return replace(shown, loop=begin)


def _truth(formula: Formula) -> Callable[[Location], bool]:
    """A formula over locations as a test of one."""
    test = compiled(formula)

    def holds(location: Location) -> bool:
        return test(Valuation(location, {}, location, {}, Fraction(0), frozenset()))

    return holds
