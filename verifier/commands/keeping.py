"""What `--keep DIR` keeps from one run of the program to the next: a folder below DIR for each kind of thing."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from verifier.commands.streams import BadInput, write_file

if TYPE_CHECKING:
    from verifier.evidence.known import Known
    from verifier.evidence.result import ModelResult
    from verifier.language.model import Model, Property

PROOFS = "proofs"


def folder_below(keep: str, *names: str) -> Path:
    """Made where it is missing.

    Raises
    ------
    BadInput
    """
    folder = Path(keep, *names)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise BadInput(f"{folder} cannot be made: {error.strerror or error}") from error
    return folder


def read_proofs(keep: str, model: Model, properties: Sequence[Property]) -> Known:
    """What earlier checks of the model, or of another file of its name, have found."""
    from verifier.evidence.kept_proofs import known_from

    return known_from(_found(_file(keep, model)), model, properties)


def keep_proofs(keep: str, result: ModelResult) -> None:
    from verifier.evidence.kept_proofs import added

    file = _file(keep, result.model)
    write_file(str(file), added(_found(file), result))


def _file(keep: str, model: Model) -> Path:
    return folder_below(keep, PROOFS) / f"{Path(model.path).stem}.json"


def _found(file: Path) -> list[dict]:
    from verifier.evidence.kept_proofs import kept
    from verifier.evidence.store_files import BadEvidence

    try:
        return kept(file)
    except OSError as error:
        raise BadInput(f"{file} cannot be read: {error.strerror or error}") from error
    except BadEvidence as error:
        raise BadInput(f"{error}; remove it, and all is proved anew") from error
