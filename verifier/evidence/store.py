"""Evidence on disk: a folder from which a stranger can check every verdict again.

``manifest.json`` names everything in it with SHA-256 digests; ``inputs/`` holds copies of all input
files; each property has a folder with its certificate and obligations, or with its trace. Each
obligation is a whole SMT-LIB 2.6 file that any solver of the standard must answer ``unsat``. The same
result gives the same bytes: there is no time of day and no duration in it.
"""

from __future__ import annotations

import re
from importlib import metadata
from pathlib import Path
from typing import Any

from verifier.evidence.result import ModelResult, RecheckedCertificate, Result
from verifier.evidence.store_files import (
    MANIFEST, MANIFEST_DIGEST, BadEvidence, put_in_place, sha256, to_bytes,
)
from verifier.evidence.store_inputs import Inputs, plan, reload
from verifier.evidence.store_recheck import Recheck, Rechecked, recheck_folder, trigger_of
from verifier.evidence.store_runs import cover, runs_to_json
from verifier.evidence.store_schema import VERSION
from verifier.evidence.trace_json import to_json
from verifier.language.model import Model, Property

__all__ = ["BadEvidence", "Recheck", "Rechecked", "recheck_folder", "write"]


def write(folder: str | Path, result: ModelResult) -> dict[tuple[str, int], str]:
    """Write the evidence for all results on one model, all of it or nothing.

    Parameters
    ----------
    folder : str or Path
        Made with its parents. An evidence folder that is there is replaced as a whole.
    result : ModelResult
        The files of its model must still be as they were loaded.

    Returns
    -------
    dict of (str, int) to str
        Folder of each property, by its id and budget.

    Raises
    ------
    OSError
        The folder can't be written, or holds other things than evidence.
    BadEvidence
        The input files have changed since, or name files that can't be copied along.
    """
    folder = Path(folder)
    inputs = plan(result.model)
    files = {copy: Path(file).read_bytes() for file, copy in inputs.copies.items()}
    entries, places = [], {}
    for number, one in enumerate(result.results + result.foundations, start=1):
        place = f"properties/{number:02}-{re.sub('[^A-Za-z0-9_-]+', '_', one.property.id).strip('_')}"
        places[one.property.id, one.budget] = str(folder / place)
        entries.append(_entry(result.model, one, place, files))
    manifest = _manifest(result.model, inputs, entries, files)
    files = {**files, MANIFEST: to_bytes(manifest)}
    files[MANIFEST_DIGEST] = f"{sha256(files[MANIFEST])}  {MANIFEST}\n".encode()

    def accept(written: Path) -> None:
        try:
            _, properties = reload(written, inputs.model, inputs.packs, result.model.digest)
        except BadEvidence as error:
            # The files will be gone when the message is read: name the place they were meant for.
            raise BadEvidence([one.replace(str(written), str(folder)) for one in error.findings]) from None
        _require_same(result, properties, folder)

    put_in_place(folder, files, accept)
    return places


def _require_same(result: ModelResult, properties: tuple[Property, ...], folder: Path) -> None:
    """Input files may have been edited since they were loaded."""
    def meaning(prop: Property) -> tuple:
        return prop.form, prop.p, prop.q, prop.r, prop.bound

    now = {prop.id: meaning(prop) for prop in properties}
    changed = [one.property.id for one in result.results
               if not one.property.form.is_built_in and now.get(one.property.id) != meaning(one.property)]
    if changed:
        raise BadEvidence([f"{folder}: not written: `{name}` has been changed in its pack since it was judged"
                           for name in changed])


def _manifest(model: Model, inputs: Inputs, entries: list[dict[str, Any]], files: dict[str, bytes]
              ) -> dict[str, Any]:
    return {
        "schema_version": VERSION,
        "tool": {"name": "strikein", "version": _version("strikein")},
        "solvers": {name: _version(name) for name in ("cvc5", "z3-solver")},
        "model": {
            "path": model.path, "digest": model.digest, "crossing": model.crossing,
            "kind": model.kind, "jurisdiction": model.jurisdiction,
            "file": inputs.model, "packs": list(inputs.packs),
        },
        "inputs": [{"path": file, "file": copy} for file, copy in inputs.copies.items()],
        "properties": entries,
        "files": {name: sha256(files[name]) for name in sorted(files)},
    }


def _version(package: str) -> str:
    try:
        return metadata.version(package)
    except metadata.PackageNotFoundError:
        return "not installed"


def _entry(model: Model, result: Result, place: str, files: dict[str, bytes]) -> dict[str, Any]:
    """One property of the manifest; its files are added to ``files``."""
    prop = result.property
    entry: dict[str, Any] = {
        "id": prop.id, "form": prop.form.value, "says": prop.says, "source": prop.source,
        "hazard": prop.hazard, "pack": prop.pack, "subject": list(prop.subject),
        "verdict": result.verdict, "budget": result.budget, "faults_of": list(prop.faults_of),
        "method": result.method, "bound": result.bound, "assumptions": list(result.assumptions),
        "reason": result.reason, "try_next": result.try_next,
        "certificate": None, "trace": None, "witness": None, "runs": None,
    }
    if result.certificate is not None:
        entry["certificate"] = _certificate(result.certificate, place, files)
    for name, trace in (("trace", result.trace), ("witness", result.witness)):
        if trace is not None and (name == "trace" or trigger_of(prop) is not None):
            entry[name] = f"{place}/{name}.json"
            files[entry[name]] = to_bytes(to_json(model, trace))
    if result.runs:
        entry["runs"] = f"{place}/runs.json"
        files[entry["runs"]] = to_bytes(runs_to_json(cover(model, result.budget, result.runs)))
    return entry


def _certificate(rechecked: RecheckedCertificate, place: str, files: dict[str, bytes]) -> dict[str, Any]:
    certificate = rechecked.certificate
    file = f"{place}/certificate.smt2"
    files[file] = f"{certificate.invariant}\n".encode()
    obligations = []
    for number, (name, text) in enumerate(rechecked.obligations.items(), start=1):
        stem = re.sub("[^A-Za-z0-9_-]+", "_", name).strip("_")
        where = f"{place}/obligation-{number:02}-{stem}.smt2"
        files[where] = text.encode()
        obligations.append({"name": name, "file": where, "expected": "unsat",
                            "ask": [f"cvc5 {where}", f"z3 {where}"]})
    return {"file": file, "k": certificate.k, "rounds": certificate.rounds,
            **({} if certificate.bound is None else {"bound_s": str(certificate.bound)}),
            "method": certificate.method, "needs_times_of": list(certificate.needs_times_of),
            "obligations": obligations}
