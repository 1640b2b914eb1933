"""The ``--json`` document, one for a whole command, and its schema.

The schema is ``schema/result.schema.json`` beside this file. ``schema_version`` changes when a reader
written for the old form could misread the new one.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from importlib import metadata, resources
from typing import Any

from verifier.evidence.result import ModelResult, Result
from verifier.evidence.trace_json import to_json
from verifier.language.model import Model
from verifier.views.text import CAUTION, packs_of

SCHEMA_VERSION = 1
SOLVERS = ("z3-solver", "cvc5", "dd", "transitions")


class DocumentError(Exception):
    """A file does not hold what it should; the message is one sentence for people."""


@dataclass(frozen=True)
class Refused:
    """A model that was not judged: the user's error (exit 2) or a defect of this program (exit 4).

    ``details`` are the diagnostics, or what each side of a disagreement said.
    """

    path: str
    what: str
    is_defect: bool
    details: tuple[str, ...] = ()


@dataclass(frozen=True)
class Report:
    """All that one ``check`` has to say; ``evidence`` maps (model path, property id, budget) to a folder."""

    outcomes: tuple[ModelResult, ...]
    refused: tuple[Refused, ...] = ()
    evidence: Mapping[tuple[str, str, int], str] = field(default_factory=dict)
    settings: Mapping[str, Any] = field(default_factory=dict)
    exit_code: int = 0


def document(report: Report) -> dict[str, Any]:
    """The document of ``report`` as plain data, fitting ``schema()``."""
    return {
        "schema_version": SCHEMA_VERSION,
        "tool": {"name": "strikein", "version": tool_version(), "libraries": library_versions()},
        "settings": dict(report.settings),
        "models": [_model_document(outcome, report.evidence) for outcome in report.outcomes],
        "not_judged": [
            {
                "path": refused.path,
                "what": refused.what,
                "defect_of_tool": refused.is_defect,
                "details": list(refused.details),
            }
            for refused in report.refused
        ],
        "exit_code": report.exit_code,
        "caution": CAUTION,
    }


def document_text(report: Report) -> str:
    return json.dumps(document(report), indent=2, ensure_ascii=False) + "\n"


def tool_version() -> str:
    """Version of the installed package; ``not installed`` when run from a source folder."""
    try:
        return metadata.version("strikein")
    except metadata.PackageNotFoundError:
        return "not installed"


def library_versions() -> dict[str, str]:
    found = {}
    for name in SOLVERS:
        try:
            found[name] = metadata.version(name)
        except metadata.PackageNotFoundError:
            found[name] = "missing"
    return found


def schema() -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of the document."""
    text = resources.files("verifier.views").joinpath("schema/result.schema.json").read_text("utf-8")
    return json.loads(text)


def read_document(text: str) -> dict[str, Any]:
    """A document that was written by ``document_text``.

    Raises
    ------
    DocumentError
        Not JSON, or it does not fit the schema; the message names the place within the document.
    """
    import jsonschema

    try:
        found = json.loads(text)
    except ValueError as error:
        raise DocumentError(f"not JSON: {error}") from error
    except RecursionError as error:
        raise DocumentError("nested too deeply to be a result document") from error
    failure = jsonschema.exceptions.best_match(
        jsonschema.Draft202012Validator(schema()).iter_errors(found)
    )
    if failure is not None:
        raise DocumentError(f"not a result of `check --json`: {failure.json_path}: {failure.message[:200]}")
    return found


def _model_document(outcome: ModelResult, evidence: Mapping[tuple[str, str, int], str]) -> dict[str, Any]:
    model = outcome.model
    return {
        "path": model.path,
        "digest": model.digest,
        "crossing": model.crossing,
        "kind": model.kind,
        "jurisdiction": model.jurisdiction,
        "files": list(model.files),
        "packs": list(packs_of(outcome)),
        "seconds": round(outcome.seconds, 3),
        "properties": [
            _result_document(model, result, evidence.get((model.path, result.property.id, result.budget)))
            for result in outcome.results
        ],
    }


def _result_document(model: Model, result: Result, evidence: str | None) -> dict[str, Any]:
    prop = result.property
    return {
        "id": prop.id,
        "form": prop.form.value,
        "says": prop.says,
        "hazard": prop.hazard,
        "source": prop.source,
        "pack": prop.pack,
        "verdict": result.verdict,
        "seconds": round(result.seconds, 3),
        "method": result.method,
        "bound": result.bound,
        "budget": result.budget,
        "faults_of": list(prop.faults_of),
        "assumptions": list(result.assumptions),
        "needs_times_of": list(result.needs_times_of),
        "reason": result.reason,
        "try_next": result.try_next,
        "trace": None if result.trace is None else to_json(model, result.trace),
        "witness": None if result.witness is None else to_json(model, result.witness),
        "recheck": None if result.certificate is None else {
            "solver": result.certificate.solver,
            "seconds": round(result.certificate.seconds, 3),
            "obligations": sorted(result.certificate.obligations),
        },
        "crosscheck": None if result.crosscheck is None else {
            "runs": len(result.crosscheck.run_lengths),
            "seed": result.crosscheck.seed,
            "live_transitions": result.crosscheck.live,
            "covered_transitions": result.crosscheck.covered,
        },
        "evidence": evidence,
    }
