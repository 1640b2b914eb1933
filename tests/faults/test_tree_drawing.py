"""A fault tree as it is laid out: no line through what it does not lead to."""

import subprocess
from itertools import combinations, pairwise

from tests.differential.building import at, go, machine, model, prop
from verifier.evidence.pipeline import Limits
from verifier.language.guard import And, Or
from verifier.language.model import Form
from verifier.studies.faults import faults_of, smallest_sets
from verifier.views.fault_tree import fault_tree

N_LAMPS = 9


def laid_out(dot: str) -> tuple[dict[str, tuple[float, ...]], list[tuple[str, str, list[tuple[float, float]]]]]:
    """Middle, width and height of each node, and the points of each line, as Graphviz puts them."""
    plain = subprocess.run(["dot", "-Tplain"], input=dot, capture_output=True, text=True, check=True).stdout
    nodes, lines = {}, []
    for words in map(_words, plain.replace("\\\n", "").splitlines()):
        if words[0] == "node":
            nodes[words[1]] = tuple(map(float, words[2:6]))
        elif words[0] == "edge":
            n = int(words[3])
            numbers = list(map(float, words[4:4 + 2 * n]))
            lines.append((words[1], words[2], list(zip(numbers[::2], numbers[1::2], strict=True))))
    return nodes, lines


def _words(line: str) -> list[str]:
    words, quoted = [], line.split('"')
    for number, piece in enumerate(quoted):
        words += [piece] if number % 2 else piece.split()
    return words


def test_no_line_goes_through_the_circle_of_another_fault():
    lamps = [machine(f"lamp_{i}", "equipment", "lit out", [go("lit", "out", fault=f"lamp_{i}_out")])
             for i in range(N_LAMPS)]
    made = model(*lamps)
    dark = prop(Form.NEVER, p=Or(tuple(at(f"lamp_{i}", "out") for i in range(N_LAMPS))))
    found = list(smallest_sets(made, [dark], 1, Limits(jobs=1), 1, lambda *_: None))
    nodes, lines = laid_out(fault_tree(made, faults_of(made), found))
    circles = {name: where for name, where in nodes.items() if "lamp_" in name}
    assert len(circles) == N_LAMPS
    assert circles == {end: nodes[end] for _, end, _ in lines if "lamp_" in end and "bar" not in end}
    assert len({y for _, y, *_ in circles.values()}) == 2, "more than fit beside one another"
    assert len({(width, height) for _, _, width, height in circles.values()}) == 1
    for _, end, points in lines:
        for name, (x, y, width, _) in circles.items():
            if name != end:
                assert all(apart((x, y), one, two) > width / 2 - 0.01 for one, two in pairwise(points)), (end, name)


def apart(middle, one, two) -> float:
    """From ``middle`` to the straight line between two points."""
    (x, y), (x1, y1), (x2, y2) = middle, one, two
    length = (x2 - x1) ** 2 + (y2 - y1) ** 2
    along = 0 if length == 0 else max(0, min(1, ((x - x1) * (x2 - x1) + (y - y1) * (y2 - y1)) / length))
    return ((x - x1 - along * (x2 - x1)) ** 2 + (y - y1 - along * (y2 - y1)) ** 2) ** 0.5


def test_sets_of_two_hang_each_from_a_gate_of_their_own_and_nothing_overlaps():
    lamps = [machine(f"lamp_{i}", "equipment", "lit out", [go("lit", "out", fault=f"lamp_{i}_out")])
             for i in range(5)]
    made = model(*lamps)
    pairs = [And((at(f"lamp_{i}", "out"), at(f"lamp_{j}", "out"))) for i in range(5) for j in range(i)]
    found = list(smallest_sets(made, [prop(Form.NEVER, p=Or(tuple(pairs)))], 2, Limits(jobs=1), 1, lambda *_: None))
    nodes, _ = laid_out(fault_tree(made, faults_of(made), found))
    drawn = [where for name, where in nodes.items() if " bar " not in name]
    assert len(drawn) == 1 + 1 + len(pairs) * 3
    for (x, y, width, height), (x2, y2, width2, height2) in combinations(drawn, 2):
        assert abs(x - x2) >= (width + width2) / 2 or abs(y - y2) >= (height + height2) / 2
