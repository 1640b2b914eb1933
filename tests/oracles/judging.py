"""Verdicts on models of the repository, also under packs with one passage of their text changed."""

from __future__ import annotations

from pathlib import Path

from verifier.evidence.pipeline import Limits, verify
from verifier.evidence.result import Result
from verifier.language.load import load

ROOT = Path(__file__).resolve().parents[2]
LIMITS = Limits(time_limit_s=120)


def results_of(model: str, packs: list[str], ids: set[str]) -> dict[str, Result]:
    """Results by id on those properties whose id, or its part before ``[``, is in ``ids``."""
    checked, properties = load(str(ROOT / "models" / model), packs)
    asked = [p for p in properties if {p.id, p.id.split("[")[0]} & ids]
    assert asked, f"no property of {ids}"
    return {r.property.id: r for r in verify(checked, asked, LIMITS).results}


def verdicts_of(model: str, packs: list[str], ids: set[str]) -> dict[str, str]:
    return {name: r.verdict for name, r in results_of(model, packs, ids).items()}


def changed_pack(folder: Path, pack: str, old: str, new: str) -> list[str]:
    """The pack with ``old``, which must stand in it exactly once, replaced by ``new``."""
    text = (ROOT / "specs" / pack).read_text(encoding="utf-8")
    assert text.count(old) == 1
    file = folder / pack
    file.write_text(text.replace(old, new), encoding="utf-8")
    return [str(file)]
