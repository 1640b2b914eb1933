"""Smallest sets of faults as a fault tree, in the symbols of IEC 61025: gates marked >=1 (any) and & (all).

Places are worked out here and graphviz draws: what is below a gate hangs from bars, several of them where one
would grow too wide, and the trees stand in rows. Lines lead away from the top.
"""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from verifier.language.model import Model
from verifier.views.palette import ALARM, FONT, INK

TITLE_CHARS, EVENT_CHARS, OPEN_CHARS = 34, 16, 32
# In points.
CIRCLE, GATE, DROP, GAP, LINE, CHAR = 97, 36, 16, 14, 14, 7.0
BAR_WIDEST, ROW_WIDEST, BETWEEN_TREES, BETWEEN_ROWS = 900, 1500, 45, 40


def fault_tree(model: Model, classes: Mapping[str, str], found: Sequence[Any]) -> str:
    """The DOT text: one tree for each property that some set breaks; a fault in several sets is drawn in each,
    as it is one event, with the same number."""
    import graphviz

    graph = graphviz.Digraph(
        "fault tree",
        graph_attr={
            "label": f"{model.crossing} ({model.kind}, {model.jurisdiction}): smallest sets of faults that break a "
            "property\\lBox: what must not happen. ≥1: any one below suffices. &: all below together.\\l"
            "Circle: a fault, with one number wherever it stands.\\l"
            "Dashed: sets within these faults could not be decided.\\l"
            f"Model digest {model.digest[:12]}. For the model as written; not a safety case.\\l \\l",
            "labelloc": "t", "labeljust": "l", "fontname": FONT, "fontsize": "14", "fontcolor": INK,
            "layout": "nop", "splines": "line", "bgcolor": "white", "margin": "0.25",
        },
        node_attr={"fontname": FONT, "fontsize": "11", "fontcolor": INK, "color": INK, "fixedsize": "true"},
        edge_attr={"color": INK, "arrowhead": "none"},
    )
    numbers = {name: number for number, name in enumerate(classes, start=1)}
    broken = [one for one in found if one.sets or one.undecided]
    trees = [_tree(f"p{number}", one, classes, numbers) for number, one in enumerate(broken)]
    x = y = lowest = 0.0
    for tree in trees:
        if x and x + tree.width > ROW_WIDEST:
            x, y = 0.0, lowest - BETWEEN_ROWS
        tree.draw(graph, x, y)
        x += tree.width + BETWEEN_TREES
        lowest = min(lowest, y - tree.height)
    return graph.source


def _tree(name: str, found: Any, classes: Mapping[str, str], numbers: Mapping[str, int]) -> _Hanging:
    below: list[_Piece] = []
    for number, one in enumerate(found.sets):
        labels = {
            fault: f"{numbers[fault]}\n{_words(fault, EVENT_CHARS)}\n({classes[fault]})" for fault in one.faults
        }
        events = [_event(f"{name} {number} {fault}", label, INK) for fault, label in labels.items()]
        below.append(_gate(f"{name} all {number}", "&", events or [_event(f"{name} none", "no fault needed", ALARM)]))
    for number, one in enumerate(found.undecided):
        label = f"not decided:\n{_words(', '.join(one.faults) or 'no fault', OPEN_CHARS)}"
        below.append(_Box(f"{name} open {number}", label, {"shape": "box", "style": "dashed"}))
    says = f"{found.property.id}\n" + "\n".join(textwrap.wrap(f"not so: {found.property.says}", TITLE_CHARS))
    return _Hanging(_Box(name, says, {"shape": "box", "penwidth": "1.5"}), (_gate(f"{name} any", "≥1", below),))


def _words(name: str, chars: int) -> str:
    return "\n".join(textwrap.wrap(name.replace("_", " "), chars))


def _event(name: str, label: str, colour: str) -> _Box:
    return _Box(name, label, {"shape": "circle", "color": colour, "fontsize": "10"}, (CIRCLE, CIRCLE))


def _gate(name: str, mark: str, below: Sequence[_Piece]) -> _Piece:
    """The gate above its inputs; the only input itself where there is but one."""
    if len(below) == 1:
        return below[0]
    return _Hanging(_Box(name, mark, {"shape": "box", "fontsize": "14"}, (GATE, GATE)), tuple(below))


@dataclass(frozen=True)
class _Box:
    """A node alone; ``hook`` is how far from its left the line from above meets it."""

    name: str
    label: str
    attributes: Mapping[str, str]
    size: tuple[float, float] | None = None

    @property
    def width(self) -> float:
        return self.size[0] if self.size else max(map(len, self.label.split("\n"))) * CHAR + 20

    @property
    def height(self) -> float:
        return self.size[1] if self.size else len(self.label.split("\n")) * LINE + 12

    @property
    def hook(self) -> float:
        return self.width / 2

    def draw(self, graph, left: float, top: float) -> str:
        """Draw it with its left upper corner there; the node that a line from above leads to."""
        graph.node(
            self.name, label=self.label, pos=f"{left + self.width / 2:.1f},{top - self.height / 2:.1f}",
            width=f"{self.width / 72:.3f}", height=f"{self.height / 72:.3f}", **self.attributes,
        )
        return self.name


@dataclass(frozen=True)
class _Hanging:
    """A node with what hangs below it, on as many bars as it takes."""

    head: _Box
    below: tuple[_Piece, ...]

    @property
    def bars(self) -> list[list[_Piece]]:
        found: list[list[_Piece]] = [[]]
        for piece in self.below:
            if found[-1] and _width([*found[-1], piece]) > BAR_WIDEST:
                found.append([])
            found[-1].append(piece)
        return found

    @property
    def trunk(self) -> float:
        """Room at the left for the line that leads down to further bars."""
        return GAP if len(self.bars) > 1 else 0

    @property
    def middle(self) -> float:
        """Of the first bar, from where that begins."""
        hooks = _hooks(self.bars[0])
        return (hooks[0] + hooks[-1]) / 2

    @property
    def inset(self) -> float:
        """How far what is below is moved right to stand under a wider head."""
        return max(0.0, self.head.width / 2 - self.trunk - self.middle)

    @property
    def hook(self) -> float:
        return self.inset + self.trunk + self.middle

    @property
    def width(self) -> float:
        below = self.inset + self.trunk + max(map(_width, self.bars))
        return max(below, self.hook + self.head.width / 2)

    @property
    def height(self) -> float:
        return self.head.height + sum(2 * DROP + max(piece.height for piece in bar) for bar in self.bars)

    def draw(self, graph, left: float, top: float) -> str:
        name = self.head.draw(graph, left + self.hook - self.head.width / 2, top)
        y, above, trunk = top - self.head.height, name, left + self.inset
        for number, bar in enumerate(self.bars):
            y -= DROP
            hooks = [trunk + self.trunk + hook for hook in _hooks(bar)]
            start = left + self.hook if number == 0 else trunk
            ends = {start, trunk} if self.trunk else {start}
            points = {x: self._point(graph, f"{number} {x:.1f}", x, y) for x in sorted({*hooks, *ends})}
            graph.edge(above, points[start])
            for one, two in pairwise(points):
                graph.edge(*(points[one], points[two]) if one >= start else (points[two], points[one]))
            above = points.get(trunk, above)
            for piece, x in zip(bar, hooks):
                graph.edge(points[x], piece.draw(graph, x - piece.hook, y - DROP))
            y -= DROP + max(piece.height for piece in bar)
        return name

    def _point(self, graph, name: str, x: float, y: float) -> str:
        point = f"{self.head.name} bar {name}"
        graph.node(point, label="", shape="point", width="0.01", height="0.01", style="invis", pos=f"{x:.1f},{y:.1f}")
        return point


_Piece = _Box | _Hanging


def _width(bar: Sequence[_Piece]) -> float:
    return sum(piece.width for piece in bar) + GAP * (len(bar) - 1)


def _hooks(bar: Sequence[_Piece]) -> list[float]:
    """Where the lines down from a bar are, from the left of the first piece."""
    found, x = [], 0.0
    for piece in bar:
        found.append(x + piece.hook)
        x += piece.width + GAP
    return found
