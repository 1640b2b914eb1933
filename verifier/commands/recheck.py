"""``strikein recheck``: confirm the verdicts of an evidence folder again."""

from __future__ import annotations

import os

import click

from verifier.commands.options import shared
from verifier.commands.outcome import GOOD, NOT_DECIDED
from verifier.commands.streams import BadInput, emit, say
from verifier.views.text import CAUTION, paragraph


@click.command()
@click.argument("evidence_dir", type=click.Path())
@shared("time-limit")
def recheck(evidence_dir: str, time_limit: float | None) -> int:
    """Confirm the verdicts kept in EVIDENCE_DIR, trusting only its copies of the input files.

    Every obligation is written anew and asked of the second solver, every trace replayed. A folder of
    several evidence folders is checked one after the other.
    """
    code = GOOD
    for folder in evidence_folders(evidence_dir):
        if not rechecked(folder, time_limit):
            code = NOT_DECIDED
    emit("\n".join(paragraph(CAUTION)) + "\n")
    return code


def evidence_folders(given: str) -> list[str]:
    """``given`` itself, or the evidence folders in it when it is not one.

    Raises
    ------
    BadInput
        Neither.
    """
    if os.path.isfile(os.path.join(given, "manifest.json")) or not os.path.isdir(given):
        return [given]
    inside = [os.path.join(given, name) for name in sorted(os.listdir(given))]
    found = [path for path in inside if os.path.isfile(os.path.join(path, "manifest.json"))]
    if not found:
        raise BadInput(f"{given} holds no evidence: there is no manifest.json in it")
    return found


def rechecked(folder: str, time_limit: float | None) -> bool:
    """Check one folder and print it; whether every verdict in it was confirmed.

    Raises
    ------
    BadInput
        Something in it is missing, changed or does not prove what it should.
    """
    from verifier.evidence.store import BadEvidence, recheck_folder

    limits = {} if time_limit is None else {"time_limit_s": time_limit}
    try:
        result = recheck_folder(folder, **limits)
    except BadEvidence as error:
        say(str(error))
        raise BadInput(f"{folder}: this evidence proves nothing as it is") from error
    lines = [f"{folder}: evidence on {result.path}", f"model digest {result.digest}", ""]
    for one in result.properties:
        mark = "confirmed" if one.is_confirmed else "NOT CONFIRMED"
        lines += paragraph(f"{mark:<14} {one.verdict:<11} {one.id}: {one.how}", "", " " * 27)
    open_ones = [one.id for one in result.properties if not one.is_confirmed]
    lines += ["", f"{len(result.properties) - len(open_ones)} of {len(result.properties)} confirmed"
              + (f"; not confirmed: {', '.join(open_ones)}" if open_ones else "") + ".", ""]
    emit("\n".join(lines) + "\n")
    return not open_ones
