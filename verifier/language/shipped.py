"""The models that come with the program, found by kind of crossing."""

from __future__ import annotations

import os
import re
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from verifier.diagnostics import Findings
from verifier.language.load import load
from verifier.language.overlay import read_model
from verifier.language.starting import SiteValue, site_values, starting_text
from verifier.language.tree import Keys

# Inside an installed package, or in a checkout.
_HOME = Path(__file__).resolve().parent.parent
_OWN_MODELS = (_HOME / "models", _HOME.parent / "models")
_KIND = re.compile(r"^kind: (\S+)$", re.MULTILINE)


@dataclass(frozen=True)
class StartingModel:
    """A starting model as text, and the parts it uses: path from its folder to text."""

    text: str
    values: tuple[SiteValue, ...]
    parts: dict[str, str]


def own_models_folder() -> Path:
    """The folder of the models that come with the program."""
    return next((folder for folder in _OWN_MODELS if folder.is_dir()), _OWN_MODELS[0])


@cache
def model_by_kind() -> dict[str, Path]:
    """The model to start from for each kind that has one.

    Of several the one with the shortest name: variants are named after what they vary.
    """
    found: dict[str, Path] = {}
    for path in sorted(own_models_folder().glob("*.yaml"), key=lambda p: (len(p.name), p.name)):
        kind = _KIND.search(path.read_text(encoding="utf-8"))
        if kind is not None:
            found.setdefault(kind[1], path)
    return found


def starting_model(path: Path, remarks: tuple[str, ...]) -> StartingModel:
    """A starting model from the shipped one at ``path``, with ``remarks`` at its head."""
    model, _ = load(str(path))
    root, _ = read_model(str(path), Findings())
    assert isinstance(root, Keys)
    text = path.read_text(encoding="utf-8")
    names = [os.path.relpath(file, path.parent) for file in model.files]
    parts = {
        name: (path.parent / name).read_text(encoding="utf-8")
        for name in names
        if name.startswith(f"parts{os.sep}")
    }
    return StartingModel(starting_text(text, root, remarks), tuple(site_values(text, root)), parts)
