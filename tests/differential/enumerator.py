"""A plain breadth-first enumerator: the slow, obvious answer to what the engines compute cleverly.

Imports only the checked model (``verifier.language``) and networkx; the steps of
``specs/semantics.md`` section 5 are written out here once more, on whole numbers of *grains*.
n world steps may need times at a grain of unit/(n+1), no finer (section 4 of the project's contract),
so runs of at most L steps are enumerated at L+1 grains a second, for L = 1, 2, ... in turn.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import product
from typing import NamedTuple

import networkx as nx

from verifier.language.guard import And, Const, Guard, Is, Not, Or, comparisons
from verifier.language.model import Form, Model, Property, Transition

from tests.differential.enumerated_forms import breaks_now


class State(NamedTuple):
    """Where each machine is, for how many grains, and for how long each ``held`` guard was true."""

    where: tuple[str, ...]
    since: tuple[int, ...]
    held: tuple[int, ...]
    spent: int


@dataclass(frozen=True)
class Verdict:
    """Whether a run of at most the steps asked for breaks the property, and the least number of steps.

    For ``does not settle``, ``time stops`` and ``order matters`` the steps lead to the first state of
    which section 9 speaks; for ``dead`` to where the subject is in its state, or may be taken (11.3), and
    ``violated`` means alive.
    """

    violated: bool
    length: int | None


class Grid:
    """The steps of a model at ``grain`` grains a second.

    With ``clip`` times stop growing one grain past the largest number they are compared with.
    """

    def __init__(self, model: Model, grain: int, budget: int = 0, clip: bool = True, at_least: int = 0):
        self.machines = model.machines
        self.grain = grain
        self.budget = budget
        self.number = {machine.name: i for i, machine in enumerate(model.machines)}
        self.with_held = [
            transition
            for machine in model.machines
            for transition in machine.transitions
            if transition.held is not None
        ]
        self.held_number = {id(t): i for i, t in enumerate(self.with_held)}
        self.guards = {
            id(t): as_python(t.when, self.number) for m in model.machines for t in m.transitions
        }
        largest = 0
        for machine in model.machines:
            for transition in machine.transitions:
                for window in (transition.after, transition.held):
                    if window is not None:
                        ends = (window.lo, window.lo if window.hi is None else window.hi)
                        largest = max(largest, *(self.in_grains(end) for end in ends))
        self.ceiling = largest + 1
        self.clip = clip
        self._steps: dict[State, list] = {}
        self._settled: dict[State, bool] = {}
        self.longest_wait = max(self.ceiling, at_least + 1)

    def in_grains(self, seconds) -> int:
        value = seconds * self.grain
        if value.denominator != 1:
            raise ValueError(f"{seconds} s is no whole number of grains")
        return value.numerator

    def initial(self) -> State:
        count = len(self.machines)
        return State(
            tuple(m.states[0] for m in self.machines), (0,) * count, (0,) * len(self.with_held), 0
        )

    def truth(self, transition: Transition, state: State) -> bool:
        return self.guards[id(transition)](state.where)

    def in_source(self, transition: Transition, state: State) -> bool:
        return state.where[self.number[transition.machine]] == transition.source

    def measured(self, transition: Transition, state: State) -> Iterator[tuple[int, int, int | None]]:
        """For each window: the time measured, the lower end and the upper end, in grains."""
        if transition.after is not None:
            now, window = state.since[self.number[transition.machine]], transition.after
            hi = None if window.hi is None else self.in_grains(window.hi)
            yield now, self.in_grains(window.lo), hi
        if transition.held is not None:
            now, window = state.held[self.held_number[id(transition)]], transition.held
            hi = None if window.hi is None else self.in_grains(window.hi)
            yield now, self.in_grains(window.lo), hi

    def enabled(self, state: State, control: bool) -> dict[int, list[Transition]]:
        found: dict[int, list[Transition]] = {}
        for i, machine in enumerate(self.machines):
            if machine.is_control != control:
                continue
            for transition in machine.transitions:
                if not self.in_source(transition, state) or not self.truth(transition, state):
                    continue
                if transition.fault and state.spent >= self.budget:
                    continue
                if all(now >= lo for now, lo, _hi in self.measured(transition, state)):
                    found.setdefault(i, []).append(transition)
        return found

    def is_settled(self, state: State) -> bool:
        if state not in self._settled:
            self._settled[state] = not self.enabled(state, True)
        return self._settled[state]

    def may_wait(self, state: State, delay: int) -> bool:
        """5.4, word by word."""
        if delay == 0:
            return True
        for machine in self.machines:
            for transition in machine.transitions:
                windows = list(self.measured(transition, state))
                binds = bool(windows) and (
                    machine.is_control
                    or (transition.fault is None and all(hi is not None for _n, _l, hi in windows))
                )
                if not binds or not self.in_source(transition, state):
                    continue
                if not self.truth(transition, state):
                    continue
                if not any(now + delay <= hi for now, _lo, hi in windows):
                    return False
        return True

    def can_pass(self, state: State) -> bool:
        return self.is_settled(state) and self.may_wait(state, 1)

    def wait(self, state: State, delay: int) -> State:
        if delay == 0:
            return state
        held = tuple(
            old + delay if self.in_source(t, state) and self.truth(t, state) else 0
            for t, old in zip(self.with_held, state.held)
        )
        return self.clipped(state._replace(since=tuple(old + delay for old in state.since), held=held))

    def clipped(self, state: State) -> State:
        if not self.clip:
            return state
        return state._replace(
            since=tuple(min(value, self.ceiling) for value in state.since),
            held=tuple(min(value, self.ceiling) for value in state.held),
        )

    def move(self, state: State, taken: tuple[Transition, ...]) -> State:
        where, since = list(state.where), list(state.since)
        for transition in taken:
            i = self.number[transition.machine]
            where[i], since[i] = transition.target, 0
        moved = {transition.machine for transition in taken}
        after = State(
            tuple(where),
            tuple(since),
            state.held,
            state.spent + sum(transition.fault is not None for transition in taken),
        )
        held = tuple(
            old
            if t.machine not in moved
            and self.in_source(t, after)
            and self.truth(t, state)
            and self.truth(t, after)
            else 0
            for t, old in zip(self.with_held, state.held)
        )
        return after._replace(held=held)

    def settle_rounds(self, state: State) -> Iterator[tuple[int, tuple[Transition, ...], State]]:
        for taken in product(*self.enabled(state, True).values()):
            yield 0, taken, self.move(state, taken)

    def world_steps(
        self, state: State, only_at_once: bool = False
    ) -> Iterator[tuple[int, tuple[Transition, ...], State]]:
        """Every world step; one that changes nothing is left out."""
        delay = 0
        while delay <= self.longest_wait and self.may_wait(state, delay):
            later = self.wait(state, delay)
            options = [(None, *found) for found in self.enabled(later, False).values()]
            for chosen in product(*options):
                taken = tuple(transition for transition in chosen if transition)
                faults = sum(transition.fault is not None for transition in taken)
                if (delay or taken) and state.spent + faults <= self.budget:
                    yield delay, taken, self.move(later, taken)
            if only_at_once:
                return
            delay += 1

    def steps(self, state: State, only_at_once: bool = False):
        if not self.is_settled(state):
            return self.settle_rounds(state)
        if only_at_once:
            return self.world_steps(state, True)
        if state not in self._steps:
            self._steps[state] = list(self.world_steps(state))
        return self._steps[state]


def as_python(guard: Guard, number: dict[str, int]):
    """``guard`` as a Python function, by way of Python source."""
    return eval("lambda where: " + _source(guard, number))  # noqa: S307 - our own text


def _source(guard: Guard, number: dict[str, int]) -> str:
    match guard:
        case Const(value):
            return str(value)
        case Is(machine, states):
            return f"(where[{number[machine]}] in {tuple(sorted(states))!r})"
        case Not(part):
            return f"(not {_source(part, number)})"
        case And(parts):
            return "all((" + "".join(_source(part, number) + ", " for part in parts) + "))"
        case Or(parts):
            return "any((" + "".join(_source(part, number) + ", " for part in parts) + "))"


class _Node(NamedTuple):
    """A state with what the property still needs to know of the run that led to it.

    ``past`` holds (age in grains, P, Q, R) of the settled states so far, oldest first; ``moved`` the
    control machines that moved in the present settle (``pulse`` only).
    """

    state: State
    past: tuple[tuple[int, bool, bool, bool], ...]
    moved: frozenset[str]


_NEEDS_PAST = {
    Form.WITHIN,
    Form.KEEPS,
    Form.ONLY_AFTER,
    Form.LASTS_AT_LEAST,
    Form.LASTS_AT_MOST,
    Form.HAS_HELD,
    Form.BETWEEN_AT_LEAST,
    Form.BETWEEN_AT_MOST,
}


def enumerate_verdict(
    model: Model, prop: Property, max_steps: int, budget: int = 0, grain: int | None = None
) -> Verdict:
    """Verdict on ``prop`` over all runs of at most ``max_steps`` trace steps.

    A trace step is one settle round or one world step. ``violated`` also stands for ``shown``
    (``possible``) and for alive (``dead``). All times in the model and the property must be whole
    seconds. ``grain`` (grains a second) is given only to show what a coarser grain misses.
    """
    for steps in range(max_steps + 1):
        search = _Search(model, prop, steps, budget, grain or steps + 1)
        if search.run():
            return Verdict(True, search.found_at)
    return Verdict(False, None)


class _Search:
    def __init__(self, model: Model, prop: Property, steps: int, budget: int, grain: int):
        self.prop, self.most = prop, steps
        self.bound = None if prop.bound is None else (prop.bound * grain).numerator
        self.grid = Grid(model, grain, budget, at_least=self.bound or 0)
        number = self.grid.number
        self.p, self.q, self.r = (as_python(g, number) for g in (prop.p, prop.q, prop.r))
        self.found_at: int | None = None

    def run(self) -> bool:
        """Whether a run of at most ``most`` steps breaks the property."""
        graph = nx.DiGraph()
        first = self._node(self.grid.initial(), (), 0, frozenset())
        graph.add_node(first, depth=0)
        if self._is_bad(first):
            self.found_at = 0
            return True
        layer = [first]
        for depth in range(1, self.most + 1):
            following = []
            for node in layer:
                settled = self.grid.is_settled(node.state)
                for delay, taken, state in self.grid.steps(node.state):
                    moved = node.moved | {t.machine for t in taken} if not settled else frozenset()
                    after = self._node(state, node.past, delay, moved)
                    seen = after in graph
                    if not seen:
                        graph.add_node(after, depth=depth)
                        following.append(after)
                    if not seen and self._is_bad(after):
                        self.found_at = depth
                        return True
                    graph.add_edge(node, after)
            layer = following
        return False

    def _node(self, state: State, past, delay: int, moved: frozenset[str]) -> _Node:
        form = self.prop.form
        if form is Form.PULSE:
            return _Node(state, (), moved)
        if form is Form.POSSIBLE and self.bound is not None:
            age = min((past[0][0] if past else 0) + delay, self.bound + 1)
            return _Node(state, ((age, False, False, False),), frozenset())
        if form not in _NEEDS_PAST:
            return _Node(state, (), frozenset())
        oldest = self.bound + 1 if self.bound is not None else 0
        aged = [(min(age + delay, oldest), p, q, r) for age, p, q, r in past]
        if self.grid.is_settled(state):
            now = (0, self.p(state.where), self.q(state.where), self.r(state.where))
            # Of a stretch alike in P, Q and R no form asks for more than its first and last state.
            if len(aged) > 1 and aged[-1][1:] == aged[-2][1:] == now[1:]:
                aged.pop()
            aged.append(now)
        return _Node(state, tuple(aged), frozenset())

    def _is_bad(self, node: _Node) -> bool:
        state, grid, form = node.state, self.grid, self.prop.form
        settled = grid.is_settled(state)
        where = state.where
        if form is Form.NEVER:
            return self.p(where) and grid.can_pass(state)
        if form is Form.ALWAYS:
            return not self.p(where) and grid.can_pass(state)
        if form is Form.WHILE:
            return self.p(where) and not self.q(where) and grid.can_pass(state)
        if form is Form.POSSIBLE:
            in_time = self.bound is None or node.past[0][0] <= self.bound
            return settled and self.p(where) and in_time
        if form in _NEEDS_PAST:
            return settled and breaks_now(form, node.past, self.bound)
        if form is Form.DEAD:
            return self._is_alive(state)
        if form is Form.TIME_STOPS:
            return not any(grid.can_pass(other) for other in self._at_once(state))
        if settled:
            return False
        if form is Form.AMBIGUOUS:
            return any(
                len({t.target for t in found}) > 1 for found in grid.enabled(state, True).values()
            )
        if form is Form.PULSE:
            return self._pulses(node)
        if form is Form.DOES_NOT_SETTLE:
            return not nx.is_directed_acyclic_graph(self._settling(state))
        if form is Form.ORDER_MATTERS:
            return self._order_matters(state)
        raise ValueError(f"no enumeration for {form}")

    def _is_alive(self, state: State) -> bool:
        kind, machine, what = self.prop.subject
        number = self.grid.number[machine]
        if kind == "state":
            return state.where[number] == what
        control = self.grid.machines[number].is_control
        found = self.grid.enabled(state, control).get(number, [])
        return (control or self.grid.is_settled(state)) and any(t.index == what for t in found)

    def _pulses(self, node: _Node) -> bool:
        for i, found in self.grid.enabled(node.state, True).items():
            here = node.state.where[i]
            machine = self.grid.machines[i]
            if machine.name in node.moved and any(t.target != here for t in found):
                if any(self._reads(t, i, here) for m in self.grid.machines if not m.is_control
                       for t in m.transitions):
                    return True
        return False

    def _reads(self, transition: Transition, i: int, here: str) -> bool:
        """Whether the guard compares machine i with ``here``."""
        name = self.grid.machines[i].name
        return any(
            node.machine == name and here in node.states for node in comparisons(transition.when)
        )

    def _closure(self, start: State, successors) -> nx.DiGraph:
        graph = nx.DiGraph()
        graph.add_node(start)
        todo = [start]
        while todo:
            state = todo.pop()
            for after in successors(state):
                if after not in graph:
                    todo.append(after)
                graph.add_edge(state, after)
        return graph

    def _at_once(self, start: State) -> nx.DiGraph:
        return self._closure(start, lambda s: [a for _d, _t, a in self.grid.steps(s, True)])

    def _settling(self, start: State) -> nx.DiGraph:
        def rounds(state):
            if self.grid.is_settled(state):
                return []
            return [after for _d, _t, after in self.grid.settle_rounds(state)]

        return self._closure(start, rounds)

    def _order_matters(self, state: State) -> bool:
        def ends(start):
            return {s.where for s in self._settling(start) if self.grid.is_settled(s)}

        at_once = ends(state)
        for found in self.grid.enabled(state, True).values():
            for transition in found:
                alone = ends(self.grid.move(state, (transition,)))
                if any(one != two for one in at_once for two in alone):
                    return True
        return False
