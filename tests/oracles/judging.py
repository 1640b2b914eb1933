"""Verdicts on models of the repository, also under packs and models with one passage changed."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from verifier.evidence.pipeline import Limits, verify
from verifier.evidence.result import Result
from verifier.language.load import load

ROOT = Path(__file__).resolve().parents[2]
MODELS = ROOT / "models"
LIMITS = Limits(time_limit_s=300)


def results_of(model: str | Path, packs: list[str], ids: Iterable[str]) -> dict[str, Result]:
    """Results by id on those properties whose id, or its part before ``[`` or ``/``, is in ``ids``;
    ``model`` is a path below ``models`` or absolute."""
    wanted = set(ids)
    checked, properties = load(str(MODELS / model), packs)
    asked = [p for p in properties if {p.id, p.id.split("[")[0], p.id.split("/")[0]} & wanted]
    assert asked, f"no property of {wanted}"
    return {r.property.id: r for r in verify(checked, asked, LIMITS).results}


def verdicts_of(model: str | Path, packs: list[str], ids: Iterable[str]) -> dict[str, str]:
    return {name: r.verdict for name, r in results_of(model, packs, ids).items()}


def one_demand(folder: Path, kind: str, body: str, *terms: str, faults: int = 0) -> list[str]:
    """A pack of one property ``demand`` with this body, about these terms, under a budget."""
    pack = folder / "demand.yaml"
    needs = "".join(f"  {term}: {{as: truth}}\n" for term in terms)
    pack.write_text(
        f"format: 1\npack: one demand\nkinds: [{kind}]\njurisdiction: GB\nneeds:\n{needs}"
        "properties:\n  - id: demand\n    says: what the test says\n    source: as in the test\n"
        f"    under: {{faults: {faults}}}\n{body}",
        encoding="utf-8",
    )
    return [str(pack)]


def changed_pack(folder: Path, pack: str, old: str, new: str) -> list[str]:
    """The pack with ``old``, which must stand in it exactly once, replaced by ``new``."""
    text = (ROOT / "specs" / pack).read_text(encoding="utf-8")
    assert text.count(old) == 1
    file = folder / pack
    file.write_text(text.replace(old, new), encoding="utf-8")
    return [str(file)]


def changed_model(folder: Path, model: str, changes: dict[str, str]) -> Path:
    """An overlay of ``model`` in which each place named becomes what stands beside it."""
    lines = ["format: 1", f"base: {MODELS / model}", "change:"]
    for place, becomes in changes.items():
        lines += [f'  - at: "{place}"', f"    to: {becomes}"]
    file = folder / "changed.yaml"
    file.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return file
