"""The lanes of a chart: what each machine, condition and term is in every state of a trace."""

from __future__ import annotations

from dataclasses import dataclass

from verifier.evidence.result import Result
from verifier.language.model import Model, Property
from verifier.views.palette import INK, ROLE_ORDER, look_of
from verifier.views.story import Story, machines_that_matter
from verifier.views.truth import conditions, holds, terms_named


@dataclass(frozen=True)
class Lane:
    """One column: ``values[i]`` is what it shows in state i, ``begins[i]`` whether a block starts there."""

    title: str
    group: str
    strong: str
    tint: str
    values: tuple[str, ...]
    begins: tuple[bool, ...]
    is_truth: bool = False


def machine_lanes(model: Model, prop: Property, story: Story) -> tuple[Lane, ...]:
    """Lanes of the machines that change or that the property reads, grouped by role from left to right."""
    lanes = []
    for role in ROLE_ORDER:
        for is_observer in (False, True):
            for machine in machines_that_matter(model, prop, story):
                if machine.role is not role or machine.is_observer is not is_observer:
                    continue
                look = look_of(machine)
                values = tuple(
                    story.snapshot(i).locations[machine.name] for i in range(len(story.moments) + 1)
                )
                begins = (True, *(
                    any(change.machine.name == machine.name for change in moment.changes)
                    for moment in story.moments
                ))
                lanes.append(Lane(machine.name, look.word, look.strong, look.tint, values, begins))
    return tuple(lanes)


def truth_lanes(model: Model, result: Result, story: Story) -> tuple[Lane, ...]:
    """Lanes of the property's conditions, then of the terms they name (unless they are just those)."""
    parts = [(f"{part.key}: {part.text}", "property", part.guard) for part in conditions(result.property)]
    alone = {part.text for part in conditions(result.property)}
    parts += [
        (name, "terms", model.terms[name].guard)
        for name in terms_named(model, result.property)
        if name not in alone
    ]
    lanes = []
    for title, group, guard in parts:
        values = tuple(
            "true" if holds(guard, story.snapshot(i).locations) else "false"
            for i in range(len(story.moments) + 1)
        )
        begins = (True, *(a != b for a, b in zip(values, values[1:], strict=False)))
        lanes.append(Lane(title, group, INK, "#d9dde2", values, begins, is_truth=True))
    return tuple(lanes)
