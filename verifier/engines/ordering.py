"""An order of the machines in which those that read one another stand side by side.

The size of a decision diagram hangs on the order of its variables: in the order of the file, kind by
kind, it grows as a power of the number of tracks; with each track's machines together, in proportion.
The way is that of Aloul, Markov, Sakallah, "FORCE: a fast and easy-to-implement variable-ordering
heuristic", 2003: every machine moves to the centre of what it reads and is read by, until nothing gets
better. Beside that paper the transitions have weights: one that reads a single machine counts much,
one that reads every track little, for that one would mix the tracks. And a machine that many read which
read nothing else, each perhaps for another of its states, comes before them all: amid them, a diagram would have
to keep which of its states the machines before it still allow (40 machines, one read by 39: 198 s, and 0.1 s so).
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from fractions import Fraction

from verifier.language.guard import machines_read
from verifier.language.model import Machine, Model

ROUNDS = 100
# From how many machines on that are tied to nothing but one, that one goes before all others.
MANY = 12


def side_by_side(model: Model, live: Collection[str] | None = None) -> list[str]:
    """The names of the machines, each near those it reads, behind those that many read which read nothing else.
    Of ``live`` ones only, if given: one that never moves draws nothing together."""
    chosen = [machine for machine in model.machines if live is None or machine.name in live]
    nets = _nets(chosen)
    order = _drawn_together([machine.name for machine in chosen], nets)
    near: dict[str, set[str]] = {name: set() for name in order}
    for machine, net in nets:
        for read in net - {machine}:
            near[machine].add(read)
            near[read].add(machine)
    hubs = [name for name in order if sum(len(near[one]) == 1 for one in near[name]) >= MANY]
    return hubs + [name for name in order if name not in hubs]


def _nets(machines: Sequence[Machine]) -> list[tuple[str, frozenset[str]]]:
    """Of each transition, its machine, and that with those it reads."""
    names = {machine.name for machine in machines} - read_everywhere(machines)
    return [
        (machine.name, frozenset({machine.name} | machines_read(transition.when) & names))
        for machine in machines
        for transition in machine.transitions
    ]


def read_everywhere(machines: Sequence[Machine]) -> frozenset[str]:
    """Those of control that every transition of control reads: they tie no two of the others together."""
    control = [machine for machine in machines if machine.is_control]
    reads = [machines_read(t.when) for machine in control for t in machine.transitions]
    return frozenset(machine.name for machine in control).intersection(*reads) if len(reads) > 1 else frozenset()


def _drawn_together(order: list[str], of_machines: Sequence[tuple[str, frozenset[str]]]) -> list[str]:
    best = order
    nets = [net for _, net in of_machines]
    nets = [net for net in nets if len(net) > 1]
    weights = [Fraction(1, (len(net) - 1) ** 2) for net in nets]
    pulling = {name: [i for i, net in enumerate(nets) if name in net] for name in order}
    least = None
    for _ in range(ROUNDS):
        place = {name: i for i, name in enumerate(order)}
        strain = _strain(place, nets, weights)
        if least is None or strain < least:
            least, best = strain, order
        centres = [Fraction(sum(place[name] for name in net), len(net)) for net in nets]
        goal = {
            name: sum(weights[i] * centres[i] for i in mine) / sum(weights[i] for i in mine)
            if mine
            else Fraction(place[name])
            for name, mine in pulling.items()
        }
        moved = sorted(order, key=lambda name: goal[name])
        if moved == order:
            break
        order = moved
    return best


def _strain(
    place: dict[str, int], nets: Sequence[frozenset[str]], weights: Sequence[Fraction]
) -> Fraction:
    """How far the machines of one transition stand apart, over all transitions."""
    spans = (max(place[n] for n in net) - min(place[n] for n in net) for net in nets)
    return sum((weight * span for weight, span in zip(weights, spans)), Fraction(0))
