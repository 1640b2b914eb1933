"""Unbounded response by strongly connected components: the slow, obvious answer to ``eventually``.

On the enumerator's grid a run goes on for ever within finitely many states, so that time can diverge
after an unanswered P if and only if some strongly connected component without an answer, reached after
an onset of P, holds a step that takes time. Imports only the checked model, the enumerator and
networkx, and knows nothing of bounds, watches or alike states (``specs/semantics.md`` section 12).
"""

from __future__ import annotations

from typing import NamedTuple

import networkx as nx

from tests.differential.enumerator import Grid, State, as_python
from verifier.language.model import Model, Property


class _Node(NamedTuple):
    """A state, whether the settled state before it had P, and whether an onset before it is unanswered."""

    state: State
    had_p: bool
    is_open: bool


class EndlessRuns:
    """The runs of ``model`` at ``grain`` grains a second, as far as ``prop`` follows them.

    Longer delays are taken a grain at a time: waiting is an empty world step.
    """

    def __init__(self, model: Model, prop: Property, grain: int, budget: int = 0):
        self.grid = Grid(model, grain, budget)
        self.grid.longest_wait = 1
        self._timed = [
            {t.source for t in machine.transitions if t.after is not None}
            for machine in model.machines
        ]
        self._p, self._q, self._r = (
            as_python(guard, self.grid.number) for guard in (prop.p, prop.q, prop.r)
        )
        self.graph = nx.DiGraph()

    def explore(self, most: int) -> bool:
        """Build the whole graph; False when it has over ``most`` nodes."""
        first = _Node(self.grid.initial(), False, False)
        self.graph.add_node(first)
        todo = [first]
        while todo:
            node = todo.pop()
            had_p, is_open = self._absorbed(node)
            for delay, _taken, state in self.grid.steps(node.state):
                after = _Node(self._without_idle_times(state), had_p, is_open)
                if after not in self.graph:
                    if len(self.graph) >= most:
                        return False
                    todo.append(after)
                lasts = (
                    bool(delay)
                    or self.graph.has_edge(node, after)
                    and self.graph[node][after]["lasts"]
                )
                self.graph.add_edge(node, after, lasts=lasts)
        return True

    def is_ever_open(self) -> bool:
        """Whether some onset of P is not answered at once."""
        return any(self._absorbed(node)[1] for node in self.graph)

    def can_go_unanswered(self) -> bool:
        """Whether time can diverge after an onset of P, with no Q and no R from there on."""
        unanswered = self.graph.subgraph(n for n in self.graph if self._absorbed(n)[1])
        for component in nx.strongly_connected_components(unanswered):
            inside = unanswered.subgraph(component)
            if any(lasts for _one, _other, lasts in inside.edges(data="lasts")):
                return True
        return False

    def _absorbed(self, node: _Node) -> tuple[bool, bool]:
        """P, and whether an onset is unanswered, once this state has been judged (6.1, 6.3)."""
        if not self.grid.is_settled(node.state):
            return node.had_p, node.is_open
        where = node.state.where
        is_p = self._p(where)
        comes = is_p and not node.had_p
        return is_p, (node.is_open or comes) and not self._q(where) and not self._r(where)

    def _without_idle_times(self, state: State) -> State:
        """Times that no transition from where its machine is asks for are the same as none."""
        since = (
            time if where in timed else 0
            for where, time, timed in zip(state.where, state.since, self._timed, strict=True)
        )
        return state._replace(since=tuple(since))
