"""A property that would notice a plant, read off what the plant changes, and tried before it is offered.

It is offered only where it is proved of the sound model and violated by the planted one.
"""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction

from verifier.evidence.shared import Limits
from verifier.evidence.verdicts import Bench
from verifier.language.guard import TRUE, And, Guard, Is, Not
from verifier.language.model import Form, Model, Property
from verifier.studies.outcomes import Suggestion
from verifier.studies.plants import Error, Plant

ZERO = Fraction(0)


def suggested(sound: Model, planted: Bench, plant: Plant, limits: Limits) -> Suggestion | None:
    """``planted`` judges the planted model without faults."""
    for prop in _candidates(sound, plant):
        against = planted.judged(prop)
        if against.verdict != "violated" or against.trace is None:
            continue
        if Bench(sound, 0, limits).judged(prop).verdict == "proved":
            return Suggestion(prop, len(against.trace.run.steps))
    return None


def _candidates(sound: Model, plant: Plant) -> Iterator[Property]:
    (machine, index), changed = next(iter(sorted(plant.changed.items())))
    t = sound.machine(machine).transitions[index]
    here, there = Is(machine, frozenset({t.source})), Is(machine, frozenset({t.target}))
    if plant.error in (Error.LEFT_OUT, Error.REVERSED) and plant.part is not None:
        yield _prop(plant, Form.HAS_HELD, p=plant.part, q=there, bound=ZERO)
    if t.after is not None and plant.error is Error.SHORTER:
        yield _prop(plant, Form.LASTS_AT_LEAST, p=here, bound=t.after.lo)
    if t.after is not None and plant.error is Error.LONGER:
        yield _prop(plant, Form.LASTS_AT_MOST, p=here, bound=t.after.lo)
    if t.after is None and t.held is None:
        if changed is not None and changed.target != t.target:
            elsewhere = Is(machine, frozenset({changed.target}))
            yield _prop(plant, Form.NEVER, p=And((elsewhere, t.when)))
        yield _prop(plant, Form.NEVER, p=And((here, t.when)))
    if changed is not None and plant.error is not Error.ADDED:
        yield _prop(plant, Form.WHILE, p=there, q=t.when)
    if plant.error is Error.ADDED and plant.part is not None:
        yield _prop(plant, Form.NEVER, p=And((here, t.when, Not(plant.part))))


def _prop(plant: Plant, form: Form, p: Guard, q: Guard = TRUE, bound: Fraction | None = None) -> Property:
    says = f"{plant.error.value} at {plant.place.file}:{plant.place.line} is noticed"
    return Property("suggested", form, says, "", "", plant.place, p=p, q=q, bound=bound)
