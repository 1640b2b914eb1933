"""Which models and which properties a command line means."""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Sequence
from pathlib import Path

from verifier.commands.streams import BadInput
from verifier.diagnostics import did_you_mean
from verifier.language.model import Property

SUFFIXES = (".yaml", ".yml")
# Below a folder that is given, these folders are not searched: parts are no models, and flawed models are
# meant to fail.
LEFT_OUT = ("parts", "flawed")
NOT_A_MODEL = re.compile(r"^(?:part|pack)[ \t]*:", re.MULTILINE)


def model_files(given: Sequence[str]) -> tuple[str, ...]:
    """Files as they are; for a folder every model below it, sorted, without parts and ``flawed/``.

    A file that can't be read is kept, for the loader to say why. Nothing is listed twice.
    """
    found: list[str] = []
    for name in given:
        # A folder called like a file is a slip, which the loader names.
        is_folder = os.path.isdir(name) and not name.endswith(SUFFIXES)
        found += _below(name) if is_folder else [name]
    return tuple(dict.fromkeys(found))


def _below(folder: str) -> list[str]:
    found = []
    for here, folders, files in os.walk(folder):
        folders[:] = sorted(name for name in folders if name not in LEFT_OUT and name[0] != ".")
        paths = [os.path.join(here, name) for name in sorted(files) if name.endswith(SUFFIXES)]
        found += [path for path in paths if not _is_part_or_pack(path)]
    return found


def _is_part_or_pack(path: str) -> bool:
    try:
        text = Path(path).read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError):
        return False
    return NOT_A_MODEL.search(text) is not None


def matches(prop_id: str, wanted: str) -> bool:
    """Whether ``wanted`` means the property: its id, or the id before ``[track]`` or ``/at_least``."""
    return wanted in (prop_id, re.split(r"[\[/]", prop_id)[0])


def chosen(properties: Iterable[Property], wanted: Sequence[str]) -> tuple[Property, ...]:
    """The properties meant, in their own order; all when nothing is asked for."""
    return tuple(
        prop for prop in properties if not wanted or any(matches(prop.id, one) for one in wanted)
    )


def refuse_unknown(wanted: Sequence[str], known: Iterable[str]) -> None:
    """Stop when an id asked for is in no model.

    Raises
    ------
    BadInput
        Names the id and the nearest one that exists.
    """
    known = tuple(known)
    for one in wanted:
        if not any(matches(prop_id, one) for prop_id in known):
            near = did_you_mean(one, known)
            hint = near or "`strikein list` shows every property"
            raise BadInput(f"no property `{one}` in what is checked; {hint}")
