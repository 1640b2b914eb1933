"""``strikein check``: judge models by their spec packs."""

from __future__ import annotations

import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from verifier.commands import defect, outcome
from verifier.commands.keeping import keep_proofs, read_proofs
from verifier.commands.options import chosen_format, shared
from verifier.commands.selecting import chosen, model_files, refuse_unknown
from verifier.commands.streams import BadInput, emit, say
from verifier.diagnostics import ModelErrors
from verifier.evidence.result import Disagreement, ModelResult
from verifier.views.amounts import count_text
from verifier.views.document import Refused, Report
from verifier.views.text import CAUTION, model_text, paragraph

if TYPE_CHECKING:
    from verifier.evidence.shared import Limits
    from verifier.language.model import Model, Property

    Loaded = tuple[Model, tuple[Property, ...]]


@click.command()
@click.argument("models", nargs=-1, required=True, metavar="MODEL...", type=click.Path())
@shared("spec", "property", "budget", "jobs", "time-limit", "memory-limit", "seed", "evidence",
        "keep", "format", "json")
def check(
    models: tuple[str, ...], specs: tuple[str, ...], property_ids: tuple[str, ...],
    evidence: str | None, keep: str | None, output_format: str, as_json: bool, **limits: Any,
) -> int:
    """Judge every property of every MODEL: prove it, or show the run that breaks it.

    A folder means every model below it, except parts and flawed/. With --keep, proofs are kept and tried first
    the next time, when MODEL may have been edited; each is confirmed anew, and where it no longer serves
    another is looked for.
    """
    from verifier.studies.cause import causes_of

    shape = chosen_format(output_format, as_json)
    found = judge_files(models, specs, property_ids, evidence, keep, limits)
    for result in found:
        if shape == "text":
            emit(model_text(result, causes_of(result)) + "\n")
    finish(Report(tuple(found.outcomes), tuple(found.refused), found.kept, settings(limits), found.code), shape)
    return found.code


class Judging:
    """All MODELs of a command line, judged one after another as they are asked for; what came of them so far."""

    def __init__(
        self, loaded: Sequence[Loaded], refused: list[Refused], evidence: str | None, keep: str | None,
        limits: dict[str, Any],
    ):
        self.loaded, self.refused, self.keep, self.limits = loaded, refused, keep, limits
        self.outcomes: list[ModelResult] = []
        self.kept: dict[tuple[str, str, int], str] = {}
        self.folders = evidence_folders(evidence, [model.path for model, _ in loaded])

    def __iter__(self) -> Iterator[ModelResult]:
        for model, wanted in self.loaded:
            if not wanted:
                continue
            try:
                result = judged(model, wanted, self.limits, self.keep)
            except Disagreement as error:
                folder = defect.report(f"{model.path}: {error.what}", error.sides)
                self.refused.append(Refused(model.path, error.what, True, (f"kept in {folder}",)))
                continue
            self.outcomes.append(result)
            if self.folders:
                self.kept |= stored(self.folders[model.path], result)
            yield result

    @property
    def code(self) -> int:
        return exit_code(self.outcomes, self.refused)


def judge_files(
    models: Sequence[str], specs: Sequence[str], property_ids: Sequence[str], evidence: str | None,
    keep: str | None, limits: dict[str, Any],
) -> Judging:
    """Everything loaded; nothing is judged before it is iterated."""
    loaded, refused = load_all(model_files(models), specs)
    if property_ids and loaded:
        refuse_unknown(property_ids, (prop.id for _, props in loaded for prop in props))
    asked = [(model, chosen(properties, property_ids)) for model, properties in loaded]
    return Judging(asked, refused, evidence, keep, limits)


def load_all(files: Sequence[str], specs: Sequence[str]) -> tuple[list[Loaded], list[Refused]]:
    """Load every file; what can't be used is told on standard error and kept for the report."""
    from verifier.language.load import built_in_properties, load

    loaded, refused = [], []
    for file in files:
        try:
            model, properties = load(file, specs)
        except ModelErrors as errors:
            say(str(errors))
            details = tuple(str(one) for one in errors.diagnostics)
            refused.append(Refused(file, f"{file} cannot be used", False, details))
            continue
        loaded.append((model, (*built_in_properties(model, properties), *properties)))
    return loaded, refused


def judged(
    model: Model, properties: Sequence[Property], limits: dict[str, Any], keep: str | None = None
) -> ModelResult:
    """Verify with progress on standard error; a limit that was not given keeps its default. Proofs are kept in the
    folder ``keep``, and those that are there tried first."""
    from verifier.commands.progress import Progress
    from verifier.evidence.pipeline import verify
    from verifier.evidence.shared import NOTHING

    started = time.monotonic()
    known = NOTHING if keep is None else read_proofs(keep, model, properties)
    with Progress(model.path) as progress:
        result = verify(model, tuple(properties), limits_of(limits), progress, known)
    if keep is not None:
        keep_proofs(keep, result)
    judged_text = count_text(len(result.results), "property", "properties")
    say(f"{model.path}: {judged_text} in {time.monotonic() - started:.1f} s")
    return result


def limits_of(given: dict[str, Any]) -> Limits:
    """The limits as options give them; one that was not given keeps its default."""
    from verifier.evidence.shared import Limits

    names = {"time_limit": "time_limit_s", "memory_limit": "memory_limit_mb"}
    return Limits(**{names.get(name, name): value for name, value in given.items() if value is not None})


def evidence_folders(evidence: str | None, paths: Sequence[str]) -> dict[str, Path]:
    """A folder for each model: ``evidence`` itself for one, else one below it named after the file."""
    if evidence is None:
        return {}
    if len(paths) == 1:
        return {paths[0]: Path(evidence)}
    folders: dict[str, Path] = {}
    for path in paths:
        stem = Path(path).stem
        taken = {folder.name for folder in folders.values()}
        name, number = stem, 2
        while name in taken:
            name, number = f"{stem}-{number}", number + 1
        folders[path] = Path(evidence) / name
    return folders


def stored(folder: Path, result: ModelResult) -> dict[tuple[str, str, int], str]:
    """Write the evidence; the folder of each property by (model path, property id, budget).

    Raises
    ------
    BadInput
        It can't be written, or input files have changed meanwhile.
    """
    from verifier.evidence.store import BadEvidence, write

    try:
        places = write(folder, result)
    except OSError as error:
        raise BadInput(f"{folder} cannot be written: {error.strerror or error}") from error
    except BadEvidence as error:
        raise BadInput(str(error)) from error
    return {(result.model.path, *key): place for key, place in places.items()}


def exit_code(outcomes: Sequence[ModelResult], refused: Sequence[Refused]) -> int:
    codes = [outcome.DEFECT if one.is_defect else outcome.BAD_INPUT for one in refused]
    codes += [outcome.code_of(result.results) for result in outcomes]
    return outcome.most_serious(codes) if codes else outcome.NOT_DECIDED


def settings(limits: dict[str, Any]) -> dict[str, Any]:
    """What the command line said, for the document; ``jobs`` changes nothing and is left out."""
    return {name: value for name, value in sorted(limits.items()) if name != "jobs"}


def finish(report: Report, shape: str) -> None:
    """Write what comes after the models, or the whole document."""
    if not report.outcomes and not report.refused:
        say("strikein: nothing selected: no model with a property to check was found")
    if shape == "json":
        from verifier.views.document import document_text

        emit(document_text(report))
    elif shape == "junit":
        from verifier.views.junit import junit_text

        emit(junit_text(report))
    elif report.outcomes:
        emit("\n".join(paragraph(CAUTION)) + "\n")
