"""One trace out of an evidence folder, for drawing it. Nothing is confirmed here; replay does that."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from verifier.evidence.store_files import MANIFEST, parsed, read
from verifier.evidence.store_schema import MANIFEST as MANIFEST_SCHEMA
from verifier.evidence.store_schema import TRACE


def kept_trace(file: str) -> dict[str, Any] | None:
    """The property that ``file`` is the trace of.

    Parameters
    ----------
    file : str
        ``FOLDER/properties/NAME/trace.json``, as ``store.write`` puts it.

    Returns
    -------
    dict or None
        The manifest's entry with the trace itself under ``trace`` and the model's ``digest``; None when
        ``file`` is no such place.

    Raises
    ------
    BadEvidence
        The manifest or the trace can't be read or does not fit its schema.
    """
    path = Path(file).absolute()
    folder = path.parents[2] if len(path.parents) > 2 else path.parent
    if not (folder / MANIFEST).is_file():
        return None
    manifest = parsed(read(folder, MANIFEST), MANIFEST_SCHEMA, folder / MANIFEST)
    name = path.relative_to(folder).as_posix()
    for entry in manifest["properties"]:
        if entry["trace"] == name:
            trace = parsed(read(folder, name), TRACE, Path(file))
            return entry | {"trace": trace, "digest": manifest["model"]["digest"]}
    return None
