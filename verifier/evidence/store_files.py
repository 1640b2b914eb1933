"""Files of an evidence folder: put in place all at once, read back with their digests compared."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import tempfile
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import jsonschema

MANIFEST = "manifest.json"
MANIFEST_DIGEST = "manifest.sha256"
_LARGEST = 256 * 1024 * 1024


class BadEvidence(Exception):
    """An evidence folder can't be used: bad input (exit 2), never a verdict.

    ``findings`` are sentences, each beginning with the file it is about; all are in ``str()``.
    """

    def __init__(self, findings: list[str]):
        self.findings = tuple(findings)
        super().__init__("\n".join(findings))


def sha256(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


def to_bytes(data: Mapping[str, Any]) -> bytes:
    """JSON, the same bytes for the same data."""
    return (json.dumps(data, indent=2, ensure_ascii=False) + "\n").encode()


def put_in_place(folder: Path, files: Mapping[str, bytes], accept: Callable[[Path], None]) -> None:
    """Write ``files`` (paths within the folder) beside ``folder``, then give them its name.

    ``accept`` sees the written files before that and may raise; then nothing has changed. An evidence folder that is there already is replaced; anything else that is not an empty folder
    is left alone with a ``FileExistsError``. Raises ``OSError``.
    """
    if folder.exists() and not _replaceable(folder):
        raise FileExistsError(17, "it is there already and holds other things than evidence", str(folder))
    folder.parent.mkdir(parents=True, exist_ok=True)
    made = Path(tempfile.mkdtemp(prefix=f".{folder.name}-", dir=folder.parent))
    try:
        for name, content in files.items():
            target = made / "new" / name
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_bytes(content)
        accept(made / "new")
        if folder.exists():
            os.rename(folder, made / "old")
        os.rename(made / "new", folder)
    finally:
        # An old folder that could not be replaced goes back to its place.
        if (made / "old").exists() and not folder.exists():
            os.rename(made / "old", folder)
        shutil.rmtree(made, ignore_errors=True)


def _replaceable(folder: Path) -> bool:
    return folder.is_dir() and ((folder / MANIFEST).is_file() or not any(folder.iterdir()))


def read(folder: Path, name: str) -> bytes:
    """One file of the folder. Raises ``BadEvidence``."""
    path = folder / name
    try:
        if not path.resolve().is_relative_to(folder.resolve()):
            raise BadEvidence([f"{path}: leads out of the evidence folder"])
        if path.stat().st_size > _LARGEST:
            raise BadEvidence([f"{path}: is larger than {_LARGEST // 1024 // 1024} MB"])
        return path.read_bytes()
    except FileNotFoundError:
        raise BadEvidence([f"{path}: is missing"]) from None
    except (OSError, ValueError) as error:
        why = error.strerror if isinstance(error, OSError) else error
        raise BadEvidence([f"{path}: can't be read: {why}"]) from None


def parsed(content: bytes, schema: Mapping[str, Any], path: Path) -> dict[str, Any]:
    """JSON that fits ``schema``. Raises ``BadEvidence``."""
    try:
        data = json.loads(content.decode("utf-8"), object_pairs_hook=_without_repeats)
    except RecursionError:
        raise BadEvidence([f"{path}: is nested too deeply"]) from None
    except ValueError as error:
        raise BadEvidence([f"{path}: is not JSON in UTF-8: {error}"]) from None
    failure = jsonschema.exceptions.best_match(jsonschema.Draft202012Validator(schema).iter_errors(data))
    if failure is not None:
        raise BadEvidence([f"{path}: {failure.json_path}: {failure.message[:200]}"])
    return data


def _without_repeats(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        raise ValueError("a key stands twice in one object")
    return found
