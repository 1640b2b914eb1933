"""All properties asked of a model, each judged in a process of its own, in groups that share.

The straight way of one property from engine to verdict is ``verdicts``.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Sequence
from dataclasses import replace

from verifier.evidence.result import ModelResult, Result
from verifier.evidence.verdicts import Bench, Limits
from verifier.evidence.workers import Family, judge_apart
from verifier.language.load import built_in_properties
from verifier.language.model import Form, Model, Property

__all__ = ["FOUNDATIONS", "Limits", "Progress", "verify"]

Progress = Callable[[str, str], None]

# Nothing else is proved without these (semantics 9.7).
FOUNDATIONS = (Form.AMBIGUOUS, Form.DOES_NOT_SETTLE, Form.TIME_STOPS)


def verify(
    model: Model,
    properties: Sequence[Property],
    limits: Limits = Limits(),
    progress: Progress | None = None,
) -> ModelResult:
    """Verdicts on ``properties``, in their order.

    The foundations (``ambiguous``, ``does not settle``, ``time stops``) are always decided, asked
    for or not, since nothing else counts as proved without them.

    Raises
    ------
    Disagreement
        Two readings of the model differ: a defect of this program.
    """
    started = time.monotonic()
    say = progress or (lambda subject, stage: None)
    families = _families(model, properties, limits)
    say("model", "concrete runs and reachable states without times")
    benches = {budget: Bench(model, budget, limits) for budget, _ in families}
    for bench in benches.values():
        bench.prepare()
    found: dict[tuple[int, str], Result] = {}
    jobs = min(limits.jobs or os.cpu_count() or 1, len(families))
    say("model", f"{len(families)} groups of properties")
    for number, results in enumerate(judge_apart(families, benches, jobs, limits), start=1):
        found |= {(one.budget, one.property.id): one for one in results}
        say(results[-1].property.id, f"decided, {number} of {len(families)} groups")
    asked = [(_budget(prop, limits), prop) for prop in properties]
    wanted = {(budget, prop.id) for budget, prop in asked}
    return ModelResult(
        model,
        tuple(_upon_foundations(found[budget, p.id], found, budget) for budget, p in asked),
        time.monotonic() - started,
        foundations=tuple(
            found[key]
            for key in sorted(found)
            if key not in wanted and found[key].property.form in FOUNDATIONS
        ),
    )


def _budget(prop: Property, limits: Limits) -> int:
    return prop.budget if limits.budget is None else limits.budget


def _families(model: Model, properties: Sequence[Property], limits: Limits) -> list[Family]:
    """Properties judged one after another in one process: those that differ only in the member of a
    group or the side of a bound. Each budget's foundations come first, asked for or not."""
    families: dict[tuple[int, str], list[Property]] = {}
    budgets = sorted({_budget(prop, limits) for prop in properties})
    foundations = [p for p in built_in_properties(model) if p.form in FOUNDATIONS]
    asked = [(budget, prop) for budget in budgets for prop in foundations]
    asked += [(_budget(prop, limits), prop) for prop in properties]
    for budget, prop in asked:
        stem = prop.id.partition("/")[0]
        family = families.setdefault((budget, stem), [])
        if prop not in family:
            family.append(prop)
    found = [(budget, tuple(family)) for (budget, _), family in families.items()]
    # what takes long begins early, so that no processor waits for the last one
    return sorted(found, key=lambda family: not any(_takes_long(prop) for prop in family[1]))


def _takes_long(prop: Property) -> bool:
    return prop.bound is not None or prop.form is Form.EVENTUALLY


def _upon_foundations(result: Result, found: dict[tuple[int, str], Result], budget: int) -> Result:
    """9.7: without its foundations nothing is proved."""
    if result.verdict not in ("proved", "impossible") or result.property.form in FOUNDATIONS:
        return result
    for form in FOUNDATIONS:
        below = found[budget, form.value]
        if below.verdict != "proved":
            return replace(
                result,
                verdict="undecided",
                reason=f"`{form.value}` is {below.verdict}, and without it nothing counts as proved",
                try_next=f"see `{form.value}`",
                certificate=None,
                crosscheck=None,
            )
    return result
