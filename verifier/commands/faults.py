"""``strikein faults``: the smallest sets of faults that break a property."""

from __future__ import annotations

import csv
import io
import json
import os
from collections.abc import Mapping, Sequence
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from verifier.commands import outcome
from verifier.commands.check import limits_of, load_all, settings
from verifier.commands.draw import write_picture
from verifier.commands.keeping import folder_below
from verifier.commands.options import chosen_format, shared
from verifier.commands.selecting import chosen, refuse_unknown
from verifier.commands.streams import BadInput, emit, read_text, say, write_file

if TYPE_CHECKING:
    from verifier.language.model import Model, Property
    from verifier.studies.faults import Found

KEPT = "fault_sets"


@click.command()
@click.argument("model_file", metavar="MODEL", type=click.Path())
@shared("spec", "property", "order", "jobs", "time-limit", "memory-limit", "seed", "rates", "hours", "stories",
        "tree", "keep", "list", "study-format", "json")
def faults(
    model_file: str, specs: tuple[str, ...], property_ids: tuple[str, ...], order: int, rates_file: str | None,
    hours: float | None, stories: bool, tree: str | None, keep: str | None, only_list: bool, output_format: str,
    as_json: bool, **limits: Any,
) -> int:
    """Find the smallest sets of faults of MODEL that break each property.

    A set breaks a property if some run does in which only its faults happen, at most N of them in all
    (--order). Sets that could not be decided are listed. With --keep, what has been found is kept, and a run that
    was broken off goes on from there. With --list nothing is asked: it tells what can fail.
    """
    from verifier.studies.faults import faults_of, judged_by_faults
    from verifier.views.faults_text import faults_document, faults_text

    shape = chosen_format(output_format, as_json)
    if (rates_file is None) != (hours is None):
        raise click.UsageError("--rates and --hours are given together or not at all")
    if only_list and (tree or rates_file or stories or property_ids or keep):
        raise click.UsageError("--list asks nothing: it goes with no --property, --rates, --stories, --keep or -o")
    loaded, refused = load_all([model_file], specs)
    if refused:
        return outcome.BAD_INPUT
    ((model, properties),) = loaded
    if only_list:
        return told_what_fails(model, shape)
    if property_ids:
        refuse_unknown(property_ids, (prop.id for prop in properties))
    classes = faults_of(model)
    rates = None if rates_file is None else read_rates(rates_file, model, classes)
    asked = judged_by_faults(chosen(properties, property_ids))
    if not asked:
        say(f"{model.path}: none of these properties can be broken by a fault; nothing is asked")
        return outcome.NOT_DECIDED
    ordered = sought(model, asked, order, limits, keep)
    code = outcome.GOOD
    if any(one.sets for one in ordered):
        code = outcome.FOUND
    elif any(one.undecided for one in ordered):
        code = outcome.NOT_DECIDED
    if tree is not None:
        from verifier.views.fault_tree import fault_tree

        write_picture(fault_tree(model, classes, ordered), tree, "")
    span = None if hours is None else Fraction(hours)
    if shape == "json":
        whole = faults_document(model, classes, ordered, settings(limits) | {"order": order}, rates, span, code)
        emit(json.dumps(whole, indent=2, ensure_ascii=False) + "\n")
    else:
        emit(faults_text(model, classes, ordered, order, rates, span, stories))
    return code


def told_what_fails(model: Model, shape: str) -> int:
    from verifier.language.fallible import faults_in
    from verifier.views.fault_list import fault_list_document, fault_list_text

    if shape == "json":
        emit(json.dumps(fault_list_document(model, faults_in(model)), indent=2, ensure_ascii=False) + "\n")
    else:
        emit(fault_list_text(model, faults_in(model)))
    return outcome.GOOD


def sought(
    model: Model, asked: Sequence[Property], order: int, limits: dict[str, Any], keep: str | None = None
) -> list[Found]:
    """What `smallest_sets` finds, in the order asked, with progress on standard error. What is decided is kept below
    ``keep``, and not sought where it is there already."""
    from verifier.commands.progress import Progress
    from verifier.studies.faults import smallest_sets
    from verifier.studies.kept_faults import name_of, to_bytes
    from verifier.views.document import library_versions

    jobs = limits.get("jobs") or os.cpu_count() or 1
    files: dict[str, Path] = {}
    if keep is not None:
        folder = folder_below(keep, KEPT)
        versions = library_versions()
        files = {prop.id: folder / f"{name_of(model, prop, order, versions)}.txt" for prop in asked}
    found = {prop.id: read_kept(model, prop, files[prop.id]) for prop in asked if is_kept(files.get(prop.id))}
    left = [prop for prop in asked if prop.id not in found]
    if left:
        with Progress(model.path) as progress:
            for one in smallest_sets(model, left, order, limits_of(limits), jobs, progress):
                found[one.property.id] = one
                if keep is not None and not one.undecided:
                    write_file(str(files[one.property.id]), to_bytes(model, one, files[one.property.id].stem))
    return [found[prop.id] for prop in asked]


def is_kept(file: Path | None) -> bool:
    return file is not None and file.is_file()


def read_kept(model: Model, prop: Property, file: Path) -> Found:
    from verifier.studies.kept_faults import Damaged, from_bytes

    try:
        return from_bytes(model, prop, file.read_bytes(), file.stem)
    except (OSError, Damaged) as error:
        raise BadInput(f"{file} is damaged: {error}; remove it, and {prop.id} is asked again") from error


def read_rates(file: str, model: Model, classes: Mapping[str, str]) -> dict[str, Fraction]:
    """Failures per hour by fault, from a CSV file with the heads `fault` and `per_hour`.

    Raises
    ------
    BadInput
        Names file, line and what is wrong. A fault without a rate is no error: it is reported where it counts.
    """
    rows = csv.reader(io.StringIO(read_text(file)))
    found: dict[str, Fraction] = {}
    for number, row in enumerate(rows, start=1):
        cells = [cell.strip() for cell in row]
        if not any(cells) or cells[0].startswith("#"):
            continue
        if number == 1 and cells == ["fault", "per_hour"]:
            continue
        if len(cells) != 2:
            raise BadInput(f"{file}:{number}: two cells are due, fault and failures per hour, as `lamp_out,1e-6`")
        name, text = cells
        if name not in classes:
            known = ", ".join(classes) or "none"
            raise BadInput(f"{file}:{number}: {model.path} has no fault `{name}`; it has: {known}")
        if name in found:
            raise BadInput(f"{file}:{number}: `{name}` has a rate already; give each fault once")
        try:
            rate = Fraction(text)
        except (ValueError, ZeroDivisionError):
            raise BadInput(f"{file}:{number}: `{text}` is no number; failures per hour are due, as 1e-6") from None
        if rate < 0:
            raise BadInput(f"{file}:{number}: a rate of {text} is below 0; failures per hour are due, as 1e-6")
        found[name] = rate
    return found
