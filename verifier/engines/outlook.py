"""How many steps a location is from a bad one at least, by going backwards with all clocks forgotten.

Forgetting clocks only adds steps, so no real way is shorter than what is said here.
"""

from __future__ import annotations

from collections.abc import Sequence

from verifier.engines.diagrams import Diagram, Diagrams
from verifier.engines.relations import Relations
from verifier.semantics.formula import Formula
from verifier.semantics.system import System

# How many nodes of diagrams the layers may have together. Some hundredths of a second; beyond, what
# the numbers save is less than they cost.
MOST_NODES = 10_000


class Outlook:
    """Asked about locations of ``system``, each as the numbers of its registers' values.

    ``relations`` are those without any clock, ``known`` holds all reachable locations. After
    ``MOST_NODES`` all that lie farther away count as equally far.
    """

    def __init__(self, system: System, relations: Relations, known: Diagram, bad: Formula):
        d = relations.d
        self._let = d.bdd.let
        self._bits = [_codes(d, name, values) for name, values in system.registers.items()]
        layers, is_complete = _layers(system, relations, known, bad)
        # One diagram for all numbers, so that asking is one look: each is coded in variables of the next
        # state, which are of no use here, those that come last in the order.
        codes = sorted((bit + "'" for bit in d.present(system.registers)), key=d.bdd.level_of_var)
        codes = codes[-max(len(layers) - 1, 0).bit_length() or len(codes) :]
        self._steps: dict[Diagram, int] = {}
        self._diagram = d.false
        for steps, layer in enumerate(layers):
            code = d.bdd.cube({bit: bool(steps >> i & 1) for i, bit in enumerate(codes)})
            self._steps[code] = steps
            self._diagram = self._diagram | (layer & code)
        self._beyond = None if is_complete else len(layers)
        # the locations from which no way leads to a bad one
        self.harmless = known if is_complete else d.false
        for layer in layers:
            self.harmless = self.harmless & ~layer

    def ahead(self, where: Sequence[int]) -> int | None:
        """The least number of steps; None where no way leads to a bad location."""
        location: dict[str, bool] = {}
        for bits, code in zip(self._bits, where, strict=True):
            location.update(bits[code])
        return self._steps.get(self._let(location, self._diagram), self._beyond)


def _codes(d: Diagrams, register: str, values: Sequence[str]) -> list[dict[str, bool]]:
    bits = d.bits[register]
    return [{bit: bool(code >> i & 1) for i, bit in enumerate(bits)} for code in range(len(values))]


def _layers(
    system: System, relations: Relations, known: Diagram, bad: Formula
) -> tuple[list[Diagram], bool]:
    """The locations 0, 1, 2, ... steps from a bad one, and whether these are all."""
    d = relations.d
    step = relations.settle | relations.world
    after = [bit + "'" for bit in d.present(system.registers)]
    layer = d.without_tests(d.of(bad)) & known
    layers: list[Diagram] = []
    unseen, nodes = known, 0
    while layer != d.false:
        layers.append(layer)
        nodes += len(layer)
        if nodes > MOST_NODES:
            return layers, False
        unseen = unseen & ~layer
        layer = d.and_exists(step, d.rename_to_next(layer), after) & unseen
    return layers, True
