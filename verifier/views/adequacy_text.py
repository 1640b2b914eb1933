"""Planted errors and what became of them: as documents to keep, and as text, the worst first."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any

from verifier.evidence.trace_json import to_json
from verifier.language.model import Form, Model
from verifier.studies.outcomes import (
    CAUGHT,
    EQUIVALENT,
    HARMLESS,
    OUTCOMES,
    UNDECIDED,
    UNNOTICED,
    Outcome,
    Suggestion,
)
from verifier.studies.plants import Plant
from verifier.views.amounts import count_text, seconds_text
from verifier.views.document import SCHEMA_VERSION, library_versions, tool_version
from verifier.views.story import tell
from verifier.views.text import CAUTION, moment_lines, paragraph
from verifier.views.truth import guard_text, names_of

MEANINGS = {
    UNNOTICED: "it acts otherwise, and no property that was asked would notice",
    UNDECIDED: "it could not be decided whether a property would notice: this is not a pass",
    HARMLESS: "it acts otherwise in some run, and every property is proved of it all the same; whether no rule "
    "is missing is for you to judge",
    CAUGHT: "a property is violated, or can no longer be put to the test",
    EQUIVALENT: "proved to act as the sound logic does in every run, or to differ within settles alone",
}
# `vacuous` and the like are said in words; the run is that of the planted model.
HOW = {
    "violated": "violated",
    "vacuous": "can no longer be put to the test (vacuous)",
    "impossible": "can no longer happen",
}


def change_text(model: Model, plant: Plant) -> str:
    """One sentence: what was changed."""
    what = plant.error.value
    if plant.part is not None:
        what += f" `{guard_text(plant.part, names_of(model))}`"
    if plant.detail:
        what += f" {plant.detail}" if plant.detail.startswith("in ") else f": {plant.detail}"
    return what


def where_text(model: Model, plant: Plant) -> str:
    """The transitions changed, for people: ``scan: off -> scanning``; several of one machine as its name."""
    lines = []
    for machine, index in sorted(plant.changed):
        t = model.machine(machine).transitions[index]
        lines.append(f"{machine}: {t.source} -> {t.target}")
    return lines[0] if len(lines) == 1 else f"{lines[0]}, and {count_text(len(lines) - 1, 'more')}"


def plant_document(sound: Model, found: Outcome) -> dict[str, Any]:
    """All there is to tell of one plant, complete for the text below."""
    plant = found.plant
    return {
        "id": plant.id,
        "error": plant.error.value,
        "change": change_text(sound, plant),
        "where": where_text(sound, plant),
        "machines": list(plant.machines),
        "place": {"file": plant.place.file, "line": plant.place.line, "column": plant.place.column},
        "outcome": found.outcome,
        "by": found.by,
        "how": HOW.get(found.how, found.how),
        "proved": list(found.proved),
        "suggestion": None if found.suggestion is None else suggestion_lines(sound, found.suggestion),
        "trace": None if found.trace is None else to_json(found.ran_on, found.trace),
        "story": [] if found.trace is None else story(found),
        "seconds": round(found.seconds, 3),
    }


def story(found: Outcome) -> list[str]:
    """The run as numbered steps. A parting ends with what only one of the two designs does."""
    assert found.trace is not None and found.ran_on is not None
    moments = tell(found.ran_on, found.trace).moments
    lines = [line.removeprefix(" " * 12) for moment in moments for line in moment_lines(moment)]
    if found.outcome != CAUGHT:
        lines.append("here only one of the two designs acts so")
    return lines


def suggestion_lines(model: Model, wanted: Suggestion) -> list[str]:
    """A property as one would write it in a pack."""
    prop, names = wanted.property, names_of(model)
    p, q = guard_text(prop.p, names), guard_text(prop.q, names)
    bound = "" if prop.bound is None else seconds_text(prop.bound)
    lines = {
        Form.NEVER: [f"never: {p}"],
        Form.WHILE: [f"while: {p}", f"then: {q}"],
        Form.HAS_HELD: [f"at: {q}", f"has_held: {p}", f"at_least: {bound}"],
        Form.LASTS_AT_LEAST: [f"lasts: {p}", f"at_least: {bound}"],
        Form.LASTS_AT_MOST: [f"lasts: {p}", f"at_most: {bound}"],
    }[prop.form]
    return lines


def adequacy_document(
    model: Model, plants: Sequence[Mapping[str, Any]], settings: Mapping[str, Any], exit_code: int
) -> dict[str, Any]:
    return {
        "schema_version": SCHEMA_VERSION,
        "tool": {"name": "strikein", "version": tool_version(), "libraries": library_versions()},
        "settings": dict(settings),
        "model": {"path": model.path, "digest": model.digest, "crossing": model.crossing, "kind": model.kind},
        "counts": counts(plants),
        "noticed": noticed(plants),
        "plants": list(plants),
        "exit_code": exit_code,
        "caution": CAUTION,
    }


def counts(plants: Sequence[Mapping[str, Any]]) -> dict[str, int]:
    found = Counter(one["outcome"] for one in plants)
    return {name: found[name] for name in OUTCOMES}


def noticed(plants: Sequence[Mapping[str, Any]]) -> float | None:
    """Share of the plants that act otherwise which a property catches; undecided ones count as not caught."""
    different = [one for one in plants if one["outcome"] != EQUIVALENT]
    if not different:
        return None
    return sum(one["outcome"] == CAUGHT for one in different) / len(different)


def adequacy_text(model: Model, plants: Sequence[Mapping[str, Any]]) -> str:
    lines = [f"{model.crossing} ({model.kind}, {model.jurisdiction})  {model.path}"]
    lines += [f"model digest {model.digest}", ""]
    for name in OUTCOMES:
        for one in plants:
            if one["outcome"] == name and name not in (CAUGHT, EQUIVALENT):
                lines += [*_plant_lines(one), ""]
    lines += _catchers(plants)
    lines += _summary(plants)
    lines += ["", *paragraph(CAUTION), ""]
    return "\n".join(lines)


def _plant_lines(one: Mapping[str, Any]) -> list[str]:
    indent = " " * 12
    place = f"{one['place']['file']}:{one['place']['line']}"
    lines = paragraph(f"{one['outcome']:<12}{one['id']}  {one['change']}", hanging=indent)
    lines += [f"{indent}{one['where']}    {place}"]
    lines += paragraph(f"{MEANINGS[one['outcome']]}.", indent)
    if one["by"]:
        lines += paragraph(f"not asked, but would notice: `{one['by']}` ({one['how']})", indent)
    elif one["outcome"] == UNDECIDED:
        lines += paragraph(f"why: {one['how']}", indent, indent + "  ")
    if one["suggestion"]:
        lines += paragraph("a property that would notice (proved of the sound design, violated here):", indent)
        lines += [f"{indent}  {line}" for line in one["suggestion"]]
    if one["story"]:
        lines += [f"{indent}where the two part:", *(f"{indent}{line}" for line in one["story"])]
    return lines


def _catchers(plants: Sequence[Mapping[str, Any]]) -> list[str]:
    """How many each property was the first to catch."""
    found = Counter(one["by"] for one in plants if one["outcome"] == CAUGHT)
    if not found:
        return []
    lines = ["caught, by the property that was the first to notice:"]
    lines += [f"{number:>6}  {name}" for name, number in sorted(found.items(), key=lambda i: (-i[1], i[0]))]
    return [*lines, ""]


def _summary(plants: Sequence[Mapping[str, Any]]) -> list[str]:
    found = counts(plants)
    parts = [f"{number} {name}" for name, number in found.items() if number]
    lines = [f"{count_text(len(plants), 'planted error')}: {', '.join(parts) or 'none'}."]
    share = noticed(plants)
    if share is not None:
        different = len(plants) - found[EQUIVALENT]
        lines.append(
            f"Of the {different} that change what the logic does, {100 * share:.1f} % are caught"
            " (harmless and undecided ones count as not caught)."
        )
    return [line for text in lines for line in paragraph(text)]
