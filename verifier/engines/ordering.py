"""An order of the machines in which those that read one another stand side by side.

The size of a decision diagram hangs on the order of its variables: in the order of the file, kind by
kind, it grows as a power of the number of tracks; with each track's machines together, in proportion.
The way is that of Aloul, Markov, Sakallah, "FORCE: a fast and easy-to-implement variable-ordering
heuristic", 2003: every machine moves to the centre of what it reads and is read by, until nothing gets
better. Beside that paper the transitions have weights: one that reads a single machine counts much,
one that reads every track little, for that one would mix the tracks. And a machine that most others read,
each perhaps for another of its states, comes before them all: amid them, a diagram would have to keep which
of its states the machines before it still allow (40 machines, one of them read by 39: 198 s, and 0.1 s so).
"""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

from verifier.language.guard import machines_read
from verifier.language.model import Model

ROUNDS = 100
# From how many neighbours on a machine can be one that goes before all others.
MANY = 12


def side_by_side(model: Model) -> list[str]:
    """The names of all machines, each near those it reads, behind those that most others read."""
    order = _drawn_together(model)
    near: dict[str, set[str]] = {name: set() for name in order}
    for machine in model.machines:
        for transition in machine.transitions:
            for read in machines_read(transition.when) - {machine.name}:
                near[machine.name].add(read)
                near[read].add(machine.name)
    hubs = [name for name in order if len(near[name]) >= max(MANY, len(order) / 2)]
    return hubs + [name for name in order if name not in hubs]


def _drawn_together(model: Model) -> list[str]:
    order = best = [machine.name for machine in model.machines]
    nets = [
        frozenset({machine.name} | machines_read(transition.when))
        for machine in model.machines
        for transition in machine.transitions
    ]
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
