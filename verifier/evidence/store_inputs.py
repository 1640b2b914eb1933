"""Copies of everything a verdict was read from, so that an evidence folder stands on its own."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

from verifier.diagnostics import Findings, ModelErrors
from verifier.evidence.store_files import BadEvidence
from verifier.language.load import load
from verifier.language.model import Model, Property
from verifier.language.packs import read_pack


@dataclass(frozen=True)
class Inputs:
    """``copies`` maps each file as the model names it to its path in the evidence folder."""

    copies: dict[str, str]
    model: str
    packs: tuple[str, ...]


def plan(model: Model) -> Inputs:
    """Where the copies of the model's files go.

    Parts and bases keep their places relative to the model, since the model names them so. Packs are
    handed to ``load`` by name and lie in numbered folders of their own.
    """
    packs = [file for file in model.files if _is_pack(file)]
    own = [file for file in model.files if file not in packs]
    top = os.path.commonpath([os.path.dirname(os.path.abspath(file)) for file in own])
    copies = {file: f"inputs/model/{Path(os.path.relpath(os.path.abspath(file), top)).as_posix()}"
              for file in own}
    copies |= {file: f"inputs/packs/{number}/{os.path.basename(file)}"
               for number, file in enumerate(packs, start=1)}
    return Inputs(copies, copies[model.path], tuple(copies[file] for file in packs))


def _is_pack(file: str) -> bool:
    findings = Findings()
    return read_pack(file, findings) is not None and len(findings) == 0


def reload(folder: Path, model_file: str, packs: tuple[str, ...], digest: str
           ) -> tuple[Model, tuple[Property, ...]]:
    """Load the model from its copies in ``folder`` and compare its digest.

    Raises
    ------
    BadEvidence
        It does not load, is another model, or needs a file outside the folder.
    """
    path = str(folder / model_file)
    try:
        model, properties = load(path, [str(folder / pack) for pack in packs])
    except ModelErrors as errors:
        raise BadEvidence([f"{path}: the copied model is not accepted: {one}" for one in errors.diagnostics]
                          ) from None
    outside = [file for file in model.files
               if not Path(file).resolve().is_relative_to((folder / "inputs").resolve())]
    if outside:
        raise BadEvidence([f"{path}: the model names {file}, which is not among the copies; "
                           "name it relative to the model" for file in outside])
    if model.digest != digest:
        raise BadEvidence([f"{path}: the digest of the copied model is {model.digest[:16]}..., "
                           f"but the evidence is about {digest[:16]}..."])
    return model, properties
