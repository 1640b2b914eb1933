"""All properties asked of a model, each judged in a process of its own, in groups that share.

The straight way of one property from engine to verdict is ``verdicts``.
"""

from __future__ import annotations

import os
import re
import time
from collections.abc import Callable, Sequence
from dataclasses import replace

from verifier.evidence.known import Ground, Known, ground_of
from verifier.evidence.result import ModelResult, Result
from verifier.evidence.shared import NOTHING, Limits
from verifier.evidence.verdicts import Bench
from verifier.evidence.workers import Family, judge_apart
from verifier.language.load import built_in_properties
from verifier.language.model import Form, Model, Property

__all__ = ["FOUNDATIONS", "Limits", "Progress", "verify"]

Progress = Callable[[str, str], None]

_MEMBER_OR_SIDE = re.compile(r"\[.*\]|/.*$")

# Nothing else is proved without these (semantics 9.7).
FOUNDATIONS = (Form.AMBIGUOUS, Form.DOES_NOT_SETTLE, Form.TIME_STOPS)


def verify(
    model: Model,
    properties: Sequence[Property],
    limits: Limits = Limits(),
    progress: Progress | None = None,
    known: Known = NOTHING,
) -> ModelResult:
    """Verdicts on ``properties``, in their order; what is ``known`` of a like model is tried first.

    The foundations (``ambiguous``, ``does not settle``, ``time stops``) are always decided, asked
    for or not, since nothing else counts as proved without them.

    Raises
    ------
    Disagreement
        Two readings of the model differ: a defect of this program.
    """
    started = time.monotonic()
    say = progress or (lambda subject, stage: None)
    properties = tuple(_as_asked(prop, limits) for prop in properties)
    families = _families(model, properties)
    say("model", "concrete runs and reachable states without times")
    grounds = sorted({ground for ground, _ in families})
    benches = {ground: Bench.on(model, ground, limits, known) for ground in grounds}
    found: dict[tuple[int, str], Result] = {}
    jobs = min(limits.jobs or os.cpu_count() or 1, len(families))
    say("model", f"{len(families)} groups of properties")
    for number, results in enumerate(judge_apart(families, benches, jobs, limits), start=1):
        found |= {(one.budget, one.property.id): one for one in results}
        say(results[-1].property.id, f"decided, {number} of {len(families)} groups")
    wanted = {(prop.budget, prop.id) for prop in properties}
    return ModelResult(
        model,
        tuple(_upon_foundations(found[prop.budget, prop.id], found) for prop in properties),
        time.monotonic() - started,
        foundations=tuple(
            found[key]
            for key in sorted(found)
            if key not in wanted and found[key].property.form in FOUNDATIONS
        ),
    )


def _as_asked(prop: Property, limits: Limits) -> Property:
    """A budget that the user gives stands for faults of all classes."""
    return prop if limits.budget is None else replace(prop, budget=limits.budget, faults_of=())


def _families(model: Model, properties: Sequence[Property]) -> list[Family]:
    """Properties judged one after another in one process: those that differ only in the member of a
    group or the side of a bound. Each budget's foundations come first, asked for or not; they are asked with faults
    of all classes, which tells of some of them too (4.4)."""
    families: dict[tuple[Ground, str], list[Property]] = {}
    foundations = [p for p in built_in_properties(model) if p.form in FOUNDATIONS]
    budgets = sorted({prop.budget for prop in properties})
    asked = [replace(prop, budget=budget) for budget in budgets for prop in foundations]
    for prop in (*asked, *properties):
        family = families.setdefault((ground_of(prop), stem(prop)), [])
        if all(prop.id != other.id for other in family):
            family.append(prop)
    found = [(ground, tuple(family)) for (ground, _), family in families.items()]
    # Of each ground what takes long begins early, so that no processor waits for the last one; the next ground is
    # made ready while the processes of one before are at work.
    return sorted(found, key=lambda family: (family[0], not any(_takes_long(prop) for prop in family[1])))


def stem(prop: Property) -> str:
    """Its id without the member of a group or the side of a bound."""
    return _MEMBER_OR_SIDE.sub("", prop.id)


def _takes_long(prop: Property) -> bool:
    return prop.bound is not None or prop.form is Form.EVENTUALLY


def _upon_foundations(result: Result, found: dict[tuple[int, str], Result]) -> Result:
    """9.7: without its foundations nothing is proved."""
    if result.verdict not in ("proved", "impossible") or result.property.form in FOUNDATIONS:
        return result
    for form in FOUNDATIONS:
        below = found[result.budget, form.value]
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
