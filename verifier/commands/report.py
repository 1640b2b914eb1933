"""``strikein report``: one page for the safety reviewer."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from verifier.commands import defect
from verifier.commands.check import evidence_folders, exit_code, judged, load_all, stored
from verifier.commands.faults import sought
from verifier.commands.options import shared
from verifier.commands.selecting import chosen, model_files, refuse_unknown
from verifier.commands.streams import BadInput, read_text, say, write_file
from verifier.evidence.result import Disagreement, ModelResult
from verifier.views.document import Refused

if TYPE_CHECKING:
    from verifier.language.model import Model
    from verifier.views.page import FaultSets

NOT_MODELLED = "# not modelled:"


@click.command()
@click.argument("models", nargs=-1, required=True, metavar="MODEL...", type=click.Path())
@shared("spec", "property", "budget", "jobs", "time-limit", "memory-limit", "seed", "evidence", "page-order", "page")
def report(
    models: tuple[str, ...], specs: tuple[str, ...], property_ids: tuple[str, ...], evidence: str | None,
    order: int | None, page: str, **limits: Any,
) -> int:
    """Judge every MODEL as `check` does and write one HTML page for its reviewer.

    The page needs no network: what was claimed, proved and how, each counterexample to be played on a plan of
    the crossing, which hazards nobody looked for, and the model itself.
    """
    from verifier.studies.cause import causes_of
    from verifier.views.page import Aside, report_page

    if Path(page).suffix.lower() not in (".html", ".htm"):
        raise BadInput(f"{page}: the page is written as .html")
    loaded, refused = load_all(model_files(models), specs)
    if property_ids and loaded:
        refuse_unknown(property_ids, (prop.id for _, props in loaded for prop in props))
    outcomes: list[ModelResult] = []
    kept: dict[tuple[str, str], str] = {}
    folders = evidence_folders(evidence, [model.path for model, _ in loaded])
    causes = {}
    for model, properties in loaded:
        wanted = chosen(properties, property_ids)
        if not wanted:
            continue
        try:
            result = judged(model, wanted, limits)
        except Disagreement as error:
            folder = defect.report(f"{model.path}: {error.what}", error.sides)
            refused.append(Refused(model.path, error.what, True, (f"kept in {folder}",)))
            continue
        outcomes.append(result)
        if evidence:
            kept |= stored(folders[model.path], result)
        causes |= {(model.path, name): cause for name, cause in causes_of(result).items()}
    reasons = {one.model.path: not_looked_for(one.model) for one in outcomes}
    sets = {one.model.path: fault_sets(one, order, limits) for one in outcomes} if order else {}
    left_out = {one.model.path: not_modelled(one.model) for one in outcomes}
    text = report_page(outcomes, refused, Aside(causes, kept, folders, reasons, sets, left_out))
    write_file(page, text.encode("utf-8"))
    say(f"{page}: written, {len(text.encode('utf-8')) / 1e6:.1f} MB")
    return exit_code(outcomes, refused)


def not_looked_for(model: Model) -> dict[str, str]:
    """By hazard, why the packs of the kind do not look for it."""
    from verifier.diagnostics import Findings
    from verifier.language.load import own_packs_folder, packs_in

    return {
        one.hazard: one.says
        for pack in packs_in(own_packs_folder(), Findings())
        for one in pack.not_checked
        if model.kind in one.kinds
    }


def not_modelled(model: Model) -> str:
    """What the lines `# not modelled: ...` of the model's files say; an overlay adds to its base."""
    found: dict[str, None] = {}
    for file in model.files:
        for line in read_text(file).splitlines():
            if line.startswith(NOT_MODELLED):
                found.setdefault(line.removeprefix(NOT_MODELLED).strip(" ."))
    return "; ".join(found)


def fault_sets(outcome: ModelResult, order: int, limits: dict[str, Any]) -> FaultSets:
    """The smallest sets of faults for each property of ``outcome`` that a fault can break."""
    from verifier.studies.faults import faults_of, judged_by_faults
    from verifier.views.page import FaultSets

    asked = judged_by_faults([one.property for one in outcome.results])
    return FaultSets(order, faults_of(outcome.model), sought(outcome.model, asked, order, limits))
