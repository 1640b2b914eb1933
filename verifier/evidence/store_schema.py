"""What the JSON files of an evidence folder must look like, as JSON Schemas (draft 2020-12)."""

from __future__ import annotations

from typing import Any

from verifier.language.granting import CLASSES
from verifier.language.model import Form

VERSION = 2

_TEXT = {"type": "string"}
_COUNT = {"type": "integer", "minimum": 0}
_DIGEST = {"type": "string", "pattern": "^[0-9a-f]{64}$"}
# A time in seconds, exact; few enough digits for any conversion.
_EXACT = {"type": "string", "pattern": "^(0|[1-9][0-9]*)(/[1-9][0-9]*)?$", "maxLength": 400}
# Within the folder: names joined by "/", none of them ".." or ".".
_FILE = {"type": "string", "pattern": r"^(?!/)(?!(.*/)?\.{0,2}(/|$))[^\\]+$", "maxLength": 1000}


def _object(required: dict[str, Any], optional: dict[str, Any] | None = None) -> dict[str, Any]:
    return {"type": "object", "properties": {**required, **(optional or {})},
            "required": list(required), "additionalProperties": False}


def _list(of: dict[str, Any]) -> dict[str, Any]:
    return {"type": "array", "items": of}


def _map(of: dict[str, Any]) -> dict[str, Any]:
    return {"type": "object", "additionalProperties": of}


def _or_null(of: dict[str, Any]) -> dict[str, Any]:
    return {"anyOf": [of, {"type": "null"}]}


_STATE = {"terms": _map({"type": "boolean"}), "times_s": _map(_EXACT), "spent": _COUNT}

TRACE = _object({
    "violating_step": _COUNT,
    "onset_step": _or_null(_COUNT),
    "loops_to_step": _or_null(_COUNT),
    "why": _TEXT,
    "start": _object({"machines": _map(_TEXT), **_STATE}),
    "steps": _list(_object({
        "number": _COUNT,
        "kind": {"enum": ["settle", "world"]},
        "time_s": _EXACT,
        "time_s_decimal": {"type": "number"},
        "delay_s": _EXACT,
        "transitions": _list(_object({
            "machine": _TEXT, "transition": _COUNT, "from": _TEXT, "to": _TEXT,
            "fault": _or_null(_TEXT), "file": _TEXT, "line": _COUNT,
        })),
        **_STATE,
    })),
})

RUNS = _object({"runs": _list(_list(_object({
    "kind": {"enum": ["settle", "world"]}, "delay_s": _EXACT, "moves": _map(_COUNT)})))})

_CERTIFICATE = _object({
    "file": _FILE,
    "k": {"type": "integer", "minimum": 1, "maximum": 1000},
    "rounds": _or_null({"type": "integer", "minimum": 0, "maximum": 10000}),
    "method": _TEXT,
    "needs_times_of": _list(_TEXT),
    "obligations": _list(_object({
        "name": _TEXT, "file": _FILE, "expected": {"const": "unsat"}, "ask": _list(_TEXT)})),
}, {"bound_s": _EXACT})

_PROPERTY = _object({
    "id": _TEXT,
    "form": {"enum": [form.value for form in Form]},
    "says": _TEXT,
    "source": _TEXT,
    "hazard": _TEXT,
    "pack": _TEXT,
    "subject": _list({"type": ["string", "integer"]}),
    "verdict": {"enum": ["proved", "violated", "undecided", "vacuous", "shown", "impossible"]},
    "budget": _COUNT,
    "faults_of": _list({"enum": list(CLASSES)}),
    "method": _TEXT,
    "bound": _TEXT,
    "assumptions": _list(_TEXT),
    "reason": _TEXT,
    "try_next": _TEXT,
    "certificate": _or_null(_CERTIFICATE),
    "trace": _or_null(_FILE),
    "witness": _or_null(_FILE),
    "runs": _or_null(_FILE),
})

MANIFEST = _object({
    "schema_version": {"const": VERSION},
    "tool": _object({"name": _TEXT, "version": _TEXT}),
    "solvers": _map(_TEXT),
    "model": _object({
        "path": _TEXT, "digest": _DIGEST, "crossing": _TEXT, "kind": _TEXT, "jurisdiction": _TEXT,
        "file": _FILE, "packs": _list(_FILE)}),
    "inputs": _list(_object({"path": _TEXT, "file": _FILE})),
    "properties": _list(_PROPERTY),
    "files": _map(_DIGEST),
})
