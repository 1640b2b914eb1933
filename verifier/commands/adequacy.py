"""``strikein adequacy``: which planted design errors no property would notice."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from verifier.commands import outcome
from verifier.commands.check import judged, limits_of, load_all, settings
from verifier.commands.keeping import folder_below
from verifier.commands.options import chosen_format, shared
from verifier.commands.selecting import chosen, refuse_unknown
from verifier.commands.streams import BadInput, emit, say, write_file
from verifier.views.text import model_text

if TYPE_CHECKING:
    from verifier.language.model import Model, Property
    from verifier.studies.plants import Plant

KEPT = "plants"


@click.command()
@click.argument("model_file", metavar="MODEL", type=click.Path())
@shared("spec", "property", "jobs", "time-limit", "memory-limit", "seed", "plant", "keep", "study-format",
        "json")
def adequacy(
    model_file: str, specs: tuple[str, ...], property_ids: tuple[str, ...], plant_ids: tuple[str, ...],
    keep: str | None, output_format: str, as_json: bool, **limits: Any,
) -> int:
    """Plant one design error at a time in the logic of MODEL and see which property notices.

    A condition left out, reversed or added; a timer shorter or longer; a transition that leads elsewhere or
    is missing; two pieces of equipment exchanged. MODEL itself must hold. With --keep, what has been found
    is kept, and a run that was broken off goes on from there.
    """
    shape = chosen_format(output_format, as_json)
    loaded, refused = load_all([model_file], specs)
    if refused:
        return outcome.BAD_INPUT
    ((model, properties),) = loaded
    if property_ids:
        refuse_unknown(property_ids, (prop.id for prop in properties))
    asked = chosen(properties, property_ids)
    planted = _chosen_plants(model, plant_ids)
    found = _judge(model, asked, properties, planted, keep, limits)
    if found is None:
        return outcome.NOT_DECIDED
    return _report(model, found, shape, settings(limits))


def _judge(
    model: Model, asked: Sequence[Property], every: Sequence[Property], planted: Sequence[Plant],
    keep: str | None, limits: Mapping[str, Any],
) -> list[dict[str, Any]] | None:
    """The document of each plant; None when the model itself does not hold."""
    from verifier.commands.progress import Progress
    from verifier.studies.adequacy import judge_all
    from verifier.studies.question import Question
    from verifier.views.adequacy_text import plant_document

    folder = None if keep is None else _folder(keep, model, asked, every)
    found = {} if folder is None else _kept(folder)
    left = [plant for plant in planted if plant.id not in found]
    if left:
        sound = judged(model, asked, dict(limits), keep)
        further = [prop for prop in every if prop not in asked]
        try:
            question = Question.about(sound, further, limits_of(limits))
        except ValueError as why:
            emit(model_text(sound) + "\n")
            say(f"{model.path}: {why}; what would notice an error can be asked of a design that holds only")
            return None
        jobs = limits.get("jobs") or os.cpu_count() or 1
        with Progress(model.path) as progress:
            for one in judge_all(question, left, jobs, progress):
                found[one.plant.id] = plant_document(model, one)
                if folder is not None:
                    write_file(str(folder / f"{one.plant.id}.json"), json.dumps(found[one.plant.id]).encode())
    return [found[plant.id] for plant in planted]


def _report(
    model: Model, found: list[dict[str, Any]], shape: str, given: Mapping[str, Any]
) -> int:
    from verifier.studies.outcomes import CAUGHT, EQUIVALENT, HARMLESS, UNDECIDED, UNNOTICED
    from verifier.views.adequacy_text import adequacy_document, adequacy_text

    codes = {CAUGHT: outcome.GOOD, EQUIVALENT: outcome.GOOD, HARMLESS: outcome.GOOD,
             UNNOTICED: outcome.FOUND, UNDECIDED: outcome.NOT_DECIDED}
    code = outcome.most_serious(codes[one["outcome"]] for one in found) if found else outcome.NOT_DECIDED
    if shape == "json":
        emit(json.dumps(adequacy_document(model, found, given, code), indent=2, ensure_ascii=False) + "\n")
    else:
        emit(adequacy_text(model, found))
    return code


def _chosen_plants(model: Model, wanted: Sequence[str]) -> tuple[Plant, ...]:
    from verifier.studies.plants import plants

    every = plants(model)
    unknown = sorted(set(wanted) - {plant.id for plant in every})
    if unknown:
        last = every[-1].id if every else "none"
        raise BadInput(f"{model.path} has no plant {', '.join(unknown)}; they are numbered up to {last}")
    return tuple(plant for plant in every if not wanted or plant.id in wanted)


def _folder(keep: str, model: Model, asked: Sequence[Property], every: Sequence[Property]) -> Path:
    """One for each model, what was asked of it and the program that asks, so that no answer is taken for
    another's."""
    import hashlib

    from verifier.language.check import property_text
    from verifier.studies.program import program_digest
    from verifier.views.document import library_versions

    ids = [sorted(f"{property_text(p)} {p.budget} {p.faults_of}" for p in some) for some in (asked, every)]
    text = f"{program_digest()} {sorted(library_versions().items())} {model.digest} {ids}"
    return folder_below(keep, KEPT, hashlib.sha256(text.encode()).hexdigest()[:16])


def _kept(folder: Path) -> dict[str, dict[str, Any]]:
    """What an earlier run has decided; an undecided plant is asked again."""
    found = {}
    for file in sorted(folder.glob("*.json")):
        try:
            one = json.loads(file.read_text(encoding="utf-8"))
        except (OSError, ValueError) as error:
            raise BadInput(f"{file} is damaged: {error}; remove it, and the plant is judged again") from error
        if one["outcome"] != "undecided":
            found[one["id"]] = one
    return found
