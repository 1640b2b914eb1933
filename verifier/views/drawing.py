"""Each machine as a drawing of its states, guards and times on the arrows.

Transitions between the same two states share one arrow; what they need stands on the arrow. A fault is a
dashed arrow with its name. The words on an arrow are a node of the graph, not a label of an edge: nodes
never overlap, and Graphviz loses labels of edges when it packs groups side by side.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Mapping, Sequence

from verifier.language.guard import TRUE, Guard
from verifier.language.model import Machine, Model, Transition
from verifier.views.amounts import window_text
from verifier.views.palette import ALARM, FONT, INK, ROLE_ORDER, look_of
from verifier.views.truth import QUANTIFIER, guard_text, names_of

LABEL_CHARS = 30


def machines_drawing(model: Model, names: Sequence[str] = ()) -> str:
    """The DOT text of the machines called ``names``, or of all but the failures of sensors, control first.

    Each machine is a group of its own with its name and role, those alike one together; groups are set beside
    one another.
    """
    import graphviz

    chosen = [m for m in model.machines if m.name in names or not (names or m.sensor)]
    chosen.sort(key=lambda m: (not m.is_control, m.is_observer, ROLE_ORDER.index(m.role)))
    groups = alike(chosen, names_of(model))
    columns = math.ceil(math.sqrt(len(groups) * 1.5))
    graph = graphviz.Digraph(
        "machines",
        graph_attr={
            "label": f"{model.crossing} ({model.kind}, {model.jurisdiction}): its machines\\l"
            "Filled dot: where a machine starts. Dashed: a fault. An arrow without words may be "
            "taken at any time.\\l",
            "labelloc": "t", "labeljust": "l", "fontname": FONT, "fontsize": "14", "fontcolor": INK,
            "rankdir": "TB", "nodesep": "0.3", "ranksep": "0.25", "bgcolor": "white",
            "margin": "0.25", "compound": "true", "pack": "20", "packmode": f"array_tlu{columns}",
        },
        node_attr={"fontname": FONT, "fontsize": "12", "fontcolor": INK},
        edge_attr={"fontname": FONT, "fontsize": "10", "fontcolor": INK, "color": INK,
                   "arrowsize": "0.7"},
    )
    for number, same in enumerate(groups):
        _add_machine(graph, same, number, names_of(model))
    return graph.source


def alike(machines: Sequence[Machine], names: Mapping[Guard, str]) -> list[tuple[Machine, ...]]:
    """Machines of which a drawing shows the same but for their names, as those of each track: drawn once."""
    found: dict[tuple, list[Machine]] = {}
    for machine in machines:
        drawn = tuple((ends, label) for ends, label, _ in arrows(machine, names))
        key = (machine.role, machine.is_observer, machine.says, machine.states, drawn)
        found.setdefault(key, []).append(machine)
    return [tuple(same) for same in found.values()]


def _add_machine(graph, same: Sequence[Machine], number: int, names: Mapping[Guard, str]) -> None:
    machine, look = same[0], look_of(same[0])
    title = f"{machine.name}  ({look.word})"
    if len(same) > 1:
        listed = textwrap.wrap(", ".join(one.name for one in same), 48, break_long_words=False)
        title = "\\l".join(listed) + f"\\l{len(same)} alike  ({look.word})"
    if machine.says:
        title += "\\l" + "\\l".join(_quoted(line) for line in textwrap.wrap(machine.says, 48))
    with graph.subgraph(name=f"cluster_{number}") as group:
        group.attr(label=title + "\\l", labeljust="l", labelloc="t", style="rounded", color=look.strong,
                   fontname=FONT, fontsize="13", fontcolor=look.strong, penwidth="1.5", margin="14",
                   sortv=str(number))
        group.node(_node(number, ""), shape="point", width="0.12", color=look.strong, tooltip="start")
        for state in machine.states:
            group.node(_node(number, state), label=state, shape="box", style="rounded,filled",
                       fillcolor=look.tint, color=look.strong)
        group.edge(_node(number, ""), _node(number, machine.states[0]), color=look.strong)
        for place, ((source, target, is_fault), label, tooltip) in enumerate(arrows(machine, names)):
            style = {"style": "dashed", "color": ALARM} if is_fault else {}
            ends = _node(number, source), _node(number, target)
            if not label:
                group.edge(*ends, tooltip=tooltip, **style)
                continue
            words = _node(number, f"{place}", kind="arrow")
            group.node(words, label=label, shape="box", style="filled", penwidth="0", margin="0.04,0.02",
                       height="0", width="0", fillcolor="white", fontsize="10", tooltip=tooltip,
                       fontcolor=ALARM if is_fault else INK)
            if machine.states.index(source) <= machine.states.index(target):
                group.edge(ends[0], words, arrowhead="none", **style)
                group.edge(words, ends[1], **style)
            else:
                # Laid out from its head to its tail, so that the words stand between the two states.
                group.edge(ends[1], words, dir="back", **style)
                group.edge(words, ends[0], arrowhead="none", **style)


def _node(number: int, name: str, kind: str = "state") -> str:
    """A node's name; without a colon, which Graphviz would read as a port."""
    return f"{number} {kind} {name}"


def arrows(machine: Machine, names: Mapping[Guard, str]) -> list[tuple[tuple[str, str, bool], str, str]]:
    """((source, target, is a fault), label, places) for each arrow of the drawing, in file order."""
    together: dict[tuple[str, str, bool], list[Transition]] = {}
    for transition in machine.transitions:
        key = (transition.source, transition.target, transition.fault is not None)
        together.setdefault(key, []).append(transition)
    drawn = []
    for key, transitions in together.items():
        label = "\\lor\\l".join(transition_label(one, names) or "at any time" for one in transitions)
        if len(transitions) == 1:
            label = transition_label(transitions[0], names)
        places = ", ".join(f"{one.place.file}:{one.place.line}" for one in transitions)
        drawn.append((key, f"{label}\\l" if label else "", places))
    return drawn


def transition_label(transition: Transition, names: Mapping[Guard, str]) -> str:
    """Guard, times and fault of one transition, a line each; empty when it has none of them.

    The guard is as written, but for ``{track}`` of a repeated machine: that is filled in.
    """
    parts = [f"fault {transition.fault}"] if transition.fault else []
    if transition.when != TRUE:
        text = transition.when_text
        if not text or ("{" in text and not QUANTIFIER.search(text)):
            text = guard_text(transition.when, names)
        parts += textwrap.wrap(f"when {text}", LABEL_CHARS, break_long_words=False)
    for word, window in (("after", transition.after), ("held", transition.held)):
        if window is not None:
            parts.append(f"{word} {window_text(window.lo, window.hi)}")
    return "\\l".join(_quoted(part) for part in parts)


def _quoted(text: str) -> str:
    """Backslashes would be read by Graphviz."""
    return text.replace("\\", "\\\\")
