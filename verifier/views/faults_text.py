"""Smallest sets of faults: as documents, as text, and the estimate that rates of failure allow."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from fractions import Fraction
from math import prod
from typing import Any

from verifier.evidence.trace_json import to_json
from verifier.language.model import Model
from verifier.views.amounts import count_text
from verifier.views.document import SCHEMA_VERSION, library_versions, tool_version
from verifier.views.failing import sensor_failures
from verifier.views.story import tell
from verifier.views.text import CAUTION, moment_lines, paragraph

INDENT = " " * 12
# Above this the sum of products is no longer near the probability.
RARE = Fraction(1, 10)

ESTIMATE = (
    "Rare-event estimate: the sum over the smallest sets of the product of rate times time of their faults. It "
    "takes the faults to be independent and each to stay from the moment it happens; a common cause, a repair, or "
    "a fault that must come at a certain moment or more than once makes it wrong. Of the order only, never a claim."
)


def faults_document(
    model: Model, classes: Mapping[str, str], found: Sequence[Any], settings: Mapping[str, Any],
    rates: Mapping[str, Fraction] | None, hours: Fraction | None, exit_code: int,
) -> dict[str, Any]:
    return {
        "schema_version": SCHEMA_VERSION,
        "tool": {"name": "strikein", "version": tool_version(), "libraries": library_versions()},
        "settings": dict(settings),
        "model": {"path": model.path, "digest": model.digest, "crossing": model.crossing, "kind": model.kind},
        "faults": [
            {"name": name, "class": of, "sets": n}
            for (name, of), n in zip(classes.items(), _importance(classes, found), strict=True)
        ],
        "properties": [_one_document(model, one, rates, hours) for one in found],
        "exit_code": exit_code,
        "caution": CAUTION,
    }


def _one_document(model: Model, found: Any, rates, hours) -> dict[str, Any]:
    return {
        "id": found.property.id,
        "says": found.property.says,
        "order": found.order,
        "sets": [
            {
                "faults": list(one.faults),
                "steps": len(one.trace.run.steps),
                "shortest": one.is_shortest,
                "trace": to_json(model, one.trace),
            }
            for one in found.sets
        ],
        "undecided": [{"faults": list(one.faults), "reason": one.reason} for one in found.undecided],
        "estimate": None if rates is None or hours is None else _estimate_document(found, rates, hours),
        "never_put_to_the_test": found.untested,
        "questions": found.asked,
        "seconds": round(found.seconds, 3),
    }


def _importance(classes: Mapping[str, str], found: Sequence[Any]) -> list[int]:
    counted = Counter(name for one in found for fault_set in one.sets for name in fault_set.faults)
    return [counted[name] for name in classes]


def estimate(sets: Sequence[Any], rates: Mapping[str, Fraction], hours: Fraction) -> tuple[Fraction, list[str]]:
    """The sum, and the faults for which no rate is given: sets with these are left out of it."""
    missing = sorted({name for one in sets for name in one.faults if name not in rates})
    known = [one for one in sets if not set(one.faults) & set(missing)]
    products = (prod((rates[name] * hours for name in one.faults), start=Fraction(1)) for one in known)
    return sum(products, Fraction(0)), missing


def _estimate_document(found: Any, rates: Mapping[str, Fraction], hours: Fraction) -> dict[str, Any]:
    total, missing = estimate(found.sets, rates, hours)
    return {"value": float(total), "hours": float(hours), "without_rate": missing, "is_rare": total <= RARE}


def faults_text(
    model: Model, classes: Mapping[str, str], found: Sequence[Any], order: int,
    rates: Mapping[str, Fraction] | None, hours: Fraction | None, stories: bool,
) -> str:
    lines = [f"{model.crossing} ({model.kind}, {model.jurisdiction})  {model.path}", f"model digest {model.digest}"]
    lines += paragraph(
        "A set breaks a property if some run does in which only its faults happen, at most "
        f"{'once' if order == 1 else f'{order} times in all'}. Smallest sets only."
    )
    lines.append("")
    holding = [one.property.id for one in found if one.holds]
    for one in found:
        if not one.holds:
            lines += [*_broken_lines(model, classes, one, rates, hours, stories), ""]
    if holding:
        lines += paragraph(
            f"Broken by no set of up to {count_text(order, 'fault')} (proved, no limit on the length of runs):",
        )
        for one in found:
            if one.holds:
                remark = f" (never put to the test: {one.untested})" if one.untested else ""
                lines += paragraph(f"{one.property.id}{remark}", "  ", "    ")
        lines.append("")
    lines += _importance_lines(classes, found)
    if rates is not None:
        lines += [*paragraph(ESTIMATE), ""]
    broken = sum(bool(one.sets) for one in found)
    missing = sum(len(one.undecided) for one in found)
    lines += paragraph(
        f"{count_text(len(found), 'property', 'properties')}: {len(holding)} withstand every set, {broken} broken by "
        f"some, {count_text(missing, 'set')} not decided."
    )
    lines += ["", *paragraph(CAUTION), ""]
    return "\n".join(lines)


def _broken_lines(
    model: Model, classes: Mapping[str, str], found: Any, rates, hours, stories: bool
) -> list[str]:
    lines = paragraph(f"{'BROKEN' if found.sets else 'not decided':<12}{found.property.id}", hanging=INDENT)
    lines += paragraph(found.property.says, INDENT)
    failing = sensor_failures(model)
    for number, one in enumerate(found.sets, start=1):
        what = " + ".join(_fault_words(name, classes, failing) for name in one.faults) or "no fault at all"
        steps = count_text(len(one.trace.run.steps), "step")
        if not one.is_shortest:
            steps += ", there may be shorter ones"
        lines += paragraph(f"{number}. {what}: a run of {steps}", INDENT, INDENT + "   ")
        if stories:
            for moment in tell(model, one.trace).moments:
                lines += [f"  {line}" for line in moment_lines(moment)]
    for one in found.undecided:
        what = " + ".join(one.faults) or "no fault"
        lines += paragraph(f"not decided: {what}: {one.reason}", INDENT, INDENT + "   ")
    if found.sets and rates is not None and hours is not None:
        total, missing = estimate(found.sets, rates, hours)
        text = f"estimate for {float(hours):g} h: {float(total):.2g}"
        if missing:
            text += f"; without the sets that hold {', '.join(missing)}, for which no rate is given"
        if total > RARE:
            text += "; too large for an estimate of rare events"
        lines += paragraph(text, INDENT)
    return lines


def _fault_words(name: str, classes: Mapping[str, str], failing: Mapping[str, tuple[str, str]]) -> str:
    words = classes[name]
    if name in failing:
        sensor, way = failing[name]
        words = f"{words} {sensor}: {way}"
    return f"{name} ({words})"


def _importance_lines(classes: Mapping[str, str], found: Sequence[Any]) -> list[str]:
    counted = [(n, name) for name, n in zip(classes, _importance(classes, found), strict=True)]
    if not counted:
        return ["The model has no faults.", ""]
    lines = ["In how many of these sets each fault is:"]
    lines += [f"{n:>6}  {name} ({classes[name]})" for n, name in sorted(counted, key=lambda i: (-i[0], i[1]))]
    return [*lines, ""]
