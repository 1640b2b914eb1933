"""Models in which only some faults can happen (``specs/semantics.md`` 4.4).

What is left out keeps its place and number, with the guard ``false``: a run of such a model is one of the whole.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Collection
from dataclasses import replace

from verifier.language.guard import FALSE
from verifier.language.model import Machine, Model, Role, Transition

SENSOR = "sensor"
# The classes of faults, by what fails: sensors as their `can_fail` says, and the machines of these roles.
CLASSES = (Role.EQUIPMENT.value, SENSOR, Role.TRAIN.value, Role.ROAD_USER.value, Role.OPERATOR.value)


def class_of(machine: Machine) -> str:
    """The class of the faults of ``machine``."""
    return SENSOR if machine.sensor else machine.role.value


def with_classes(model: Model, classes: Collection[str]) -> Model:
    """The model in which only faults of ``classes`` happen; all when there are none."""
    if not classes:
        return model
    return _kept(model, "of " + ", ".join(sorted(classes)), lambda machine, t: class_of(machine) in classes)


def with_faults(model: Model, faults: Collection[str]) -> Model:
    """The model in which only the faults with these names happen."""
    return _kept(model, "only " + " ".join(sorted(faults)), lambda machine, t: t.fault in faults)


def granted(model: Model) -> frozenset[str]:
    """The faults that some run with a budget could spend."""
    return frozenset(t.fault for m in model.machines for t in m.transitions if t.fault and t.when != FALSE)


def _kept(model: Model, named: str, may_happen: Callable[[Machine, Transition], bool]) -> Model:
    machines = tuple(
        replace(
            machine,
            transitions=tuple(
                t if t.fault is None or may_happen(machine, t) else replace(t, when=FALSE)
                for t in machine.transitions
            ),
        )
        for machine in model.machines
    )
    if machines == model.machines:
        return model
    digest = hashlib.sha256(f"{model.digest} {named}".encode()).hexdigest()
    return replace(model, machines=machines, digest=digest)
