"""``strikein report``: one page for the safety reviewer."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from verifier.commands.check import judge_files
from verifier.commands.faults import sought
from verifier.commands.options import shared
from verifier.commands.streams import BadInput, read_text, say, write_file
from verifier.evidence.result import ModelResult

if TYPE_CHECKING:
    from verifier.language.model import Model
    from verifier.views.page import FaultSets

NOT_MODELLED = "# not modelled:"


@click.command()
@click.argument("models", nargs=-1, required=True, metavar="MODEL...", type=click.Path())
@shared("spec", "property", "budget", "jobs", "time-limit", "memory-limit", "seed", "evidence", "keep",
        "page-order", "page")
def report(
    models: tuple[str, ...], specs: tuple[str, ...], property_ids: tuple[str, ...], evidence: str | None,
    keep: str | None, order: int | None, page: str, **limits: Any,
) -> int:
    """Judge every MODEL as `check` does and write one HTML page for its reviewer.

    The page needs no network: what was claimed, proved and how, each counterexample to be played on a plan of
    the crossing, which hazards nobody looked for, and the model itself.
    """
    from verifier.studies.cause import causes_of
    from verifier.views.page import Aside, report_page

    if Path(page).suffix.lower() not in (".html", ".htm"):
        raise BadInput(f"{page}: the page is written as .html")
    found = judge_files(models, specs, property_ids, evidence, keep, limits)
    causes = {(one.model.path, *key): cause for one in found for key, cause in causes_of(one).items()}
    judged = [one.model for one in found.outcomes]
    aside = Aside(
        causes, found.kept, found.folders,
        not_looked_for={model.path: not_looked_for(model) for model in judged},
        sets={one.model.path: fault_sets(one, order, limits, keep) for one in found.outcomes} if order else {},
        not_modelled={model.path: not_modelled(model) for model in judged},
    )
    text = report_page(found.outcomes, found.refused, aside).encode("utf-8")
    write_file(page, text)
    say(f"{page}: written, {len(text) / 1e6:.1f} MB")
    return found.code


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


def fault_sets(outcome: ModelResult, order: int, limits: dict[str, Any], keep: str | None) -> FaultSets:
    """The smallest sets of faults for each property of ``outcome`` that a fault can break."""
    from verifier.studies.faults import faults_of, judged_by_faults
    from verifier.views.page import FaultSets

    asked = judged_by_faults([one.property for one in outcome.results])
    return FaultSets(order, faults_of(outcome.model), sought(outcome.model, asked, order, limits, keep))
