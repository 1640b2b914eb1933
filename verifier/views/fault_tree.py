"""Smallest sets of faults as a fault tree, in the symbols of IEC 61025: gates marked >=1 (any) and & (all)."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Mapping, Sequence
from typing import Any

from verifier.language.model import Model
from verifier.views.palette import ALARM, FONT, INK

TITLE_CHARS, EVENT_CHARS = 34, 16


def fault_tree(model: Model, classes: Mapping[str, str], found: Sequence[Any]) -> str:
    """The DOT text: one tree for each property that some set breaks; a fault in several sets is drawn in each,
    as it is one event, with the same number."""
    import graphviz

    broken = [one for one in found if one.sets or one.undecided]
    columns = math.ceil(math.sqrt(len(broken) * 1.5)) or 1
    graph = graphviz.Digraph(
        "fault tree",
        graph_attr={
            "label": f"{model.crossing} ({model.kind}, {model.jurisdiction}): smallest sets of faults that break a "
            "property\\lBox: what must not happen. ≥1: any one below suffices. &: all below together.\\l"
            "Circle: a fault, with one number wherever it stands.\\l"
            "Dashed: sets within these faults could not be decided.\\l"
            f"Model digest {model.digest[:12]}. For the model as written; not a safety case.\\l",
            "labelloc": "t", "labeljust": "l", "fontname": FONT, "fontsize": "14", "fontcolor": INK,
            "rankdir": "TB", "nodesep": "0.25", "ranksep": "0.35", "bgcolor": "white", "margin": "0.25",
            "splines": "ortho", "pack": "28", "packmode": f"array_tu{columns}",
        },
        node_attr={"fontname": FONT, "fontsize": "11", "fontcolor": INK, "color": INK},
        edge_attr={"color": INK, "arrowhead": "none"},
    )
    numbers = {name: number for number, name in enumerate(classes, start=1)}
    for place, one in enumerate(broken):
        _add_tree(graph, place, one, classes, numbers)
    return graph.source


def _add_tree(graph, place: int, found: Any, classes: Mapping[str, str], numbers: Mapping[str, int]) -> None:
    top = f"p{place}"
    says = "\n".join(textwrap.wrap(f"not so: {found.property.says}", TITLE_CHARS))
    graph.node(top, label=f"{found.property.id}\n{says}", shape="box", penwidth="1.5", margin="0.15,0.08",
               sortv=str(place))
    parent = top
    if len(found.sets) > 1:
        parent = f"{top} any"
        graph.node(parent, label="≥1", shape="box", width="0.5", height="0.5", fixedsize="true", fontsize="14")
        graph.edge(top, parent)
    for number, one in enumerate(found.sets):
        below = parent
        if len(one.faults) > 1:
            below = f"{top} all {number}"
            graph.node(below, label="&", shape="box", width="0.5", height="0.5", fixedsize="true", fontsize="14")
            graph.edge(parent, below)
        if not one.faults:
            _event(graph, below, f"{top} {number} none", "no fault needed", ALARM)
        for name in one.faults:
            words = "\n".join(textwrap.wrap(name.replace("_", " "), EVENT_CHARS))
            _event(graph, below, f"{top} {number} {name}", f"{numbers[name]}\n{words}\n({classes[name]})", INK)
    for number, one in enumerate(found.undecided):
        words = "\n".join(textwrap.wrap(", ".join(one.faults).replace("_", " ") or "no fault", EVENT_CHARS * 2))
        node = f"{top} open {number}"
        graph.node(node, label=f"not decided:\n{words}", shape="box", style="dashed")
        graph.edge(top, node, style="dashed")


def _event(graph, parent: str, node: str, label: str, colour: str) -> None:
    graph.node(node, label=label, shape="circle", color=colour, margin="0.02", width="1.35", fixedsize="true",
               fontsize="10")
    graph.edge(parent, node)
