"""``strikein new``: a starting model of a kind of crossing."""

from __future__ import annotations

import os
import tempfile
import textwrap
from collections.abc import Mapping
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING

import click

from verifier.commands.options import shared
from verifier.commands.outcome import GOOD
from verifier.commands.selecting import SUFFIXES
from verifier.commands.streams import BadInput, emit
from verifier.diagnostics import did_you_mean
from verifier.language.kinds import KINDS

if TYPE_CHECKING:
    from verifier.language.shipped import StartingModel

WIDTH = 98
NO_LOGIC = (
    "BRIDGE, a bridge or underpass, has no control logic: road and railway do not meet, so there is nothing to "
    "start a model of; `strikein check` judges crossings at one level, of these kinds: "
)


@click.command()
@click.argument("kind")
@shared("new-model", "overwrite")
def new(kind: str, output: str, overwrite: bool) -> int:
    """Write a starting model of a KIND of crossing, such as MCB-OD, to FILE.

    It is the design of that kind which comes with strikein and proves, with the values of the place left open:
    each reads `to fill in` and says what is due and what it means. `strikein check FILE` names those still
    missing.

    The parts it uses are copied beside it, to parts/ in the folder of FILE: all that its verdicts rest on is
    then in your hands, and no newer strikein changes it. A part that is there already is kept; one that
    differs from what would be copied stops everything. Nothing is written unless all can be.
    """
    code = known_kind(kind)
    target = Path(output)
    refuse_target(target, overwrite)
    start = starting_model(code)
    files = {target: start.text} | missing_parts(target.parent, start.parts)
    write_all(files)
    emit(told(target, start, [path for path in files if path != target]))
    return GOOD


def known_kind(given: str) -> str:
    """The code of the kind meant, in whichever case it is written.

    Raises
    ------
    BadInput
        No such kind, or one without a model to start from.
    """
    from verifier.language.shipped import model_by_kind

    code = next((one for one in KINDS if one.upper() == given.upper()), None)
    ready = [one for one in KINDS if one in model_by_kind()]
    if code is None:
        near = did_you_mean(given.upper(), KINDS)
        raise BadInput(
            f"no kind of crossing is called `{given}`; {near + '; ' if near else ''}"
            f"the kinds are {', '.join(KINDS)} (`strikein list` says what each means)"
        )
    if code == "BRIDGE":
        raise BadInput(NO_LOGIC + ", ".join(ready))
    if code not in ready:
        raise BadInput(
            f"there is no starting model of kind {code}, {KINDS[code]}; "
            f"there is one of each of {', '.join(ready)}"
        )
    return code


def refuse_target(target: Path, overwrite: bool) -> None:
    """Stop when the model could not be written to ``target`` or should not.

    Raises
    ------
    BadInput
    """
    if target.suffix not in SUFFIXES:
        raise BadInput(f"{target}: a model is a .yaml file")
    if target.is_dir():
        raise BadInput(f"{target} is a folder")
    if not target.parent.is_dir():
        raise BadInput(f"{target} cannot be written: there is no folder {target.parent}")
    if target.exists() and not overwrite:
        raise BadInput(f"{target} is there already and was not touched; --overwrite replaces it")


def starting_model(code: str) -> StartingModel:
    from verifier.language import shipped

    remarks = (
        f"A starting model of kind {code}, {KINDS[code]}, from `strikein new`: a design that proves, with the values "
        "of the place left open. Write a value wherever it says `to fill in`; `strikein check` names those still "
        "missing. Then change what your crossing does otherwise. The sentences under `says` tell of an invented "
        "place."
    )
    return shipped.starting_model(shipped.model_by_kind()[code], tuple(textwrap.wrap(remarks, WIDTH)))


def missing_parts(folder: Path, parts: Mapping[str, str]) -> dict[Path, str]:
    """The parts that are not in ``folder`` yet.

    Raises
    ------
    BadInput
        One is there with other contents: another model may rest on it.
    """
    missing = {}
    for name, text in parts.items():
        path = folder / name
        try:
            kept = path.read_text(encoding="utf-8") if os.path.lexists(path) else None
        except (OSError, UnicodeDecodeError):
            kept = ""
        if kept is None:
            missing[path] = text
        elif kept != text:
            raise BadInput(
                f"{path} is there already and is not the part that the model needs; nothing was "
                "written; choose another folder for the model"
            )
    return missing


def write_all(files: Mapping[Path, str]) -> None:
    """Write every file, or none: each is written whole under another name beside it, then all are renamed.

    Raises
    ------
    BadInput
        Something can't be written; what was made is removed again.
    """
    path = Path()
    try:
        with ExitStack() as undo:
            whole: dict[Path, str] = {}
            for path, text in files.items():
                if not path.parent.is_dir():
                    path.parent.mkdir()
                    undo.callback(path.parent.rmdir)
                handle, whole[path] = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
                undo.callback(Path(whole[path]).unlink, missing_ok=True)
                with os.fdopen(handle, "w", encoding="utf-8") as file:
                    file.write(text)
                os.chmod(whole[path], 0o666 & ~_mask())
            # The model, the first of all, comes last: without it parts do no harm.
            for path in reversed(list(files)):
                if not path.exists():
                    undo.callback(path.unlink, missing_ok=True)
                os.replace(whole[path], path)
            undo.pop_all()
    except OSError as error:
        raise BadInput(
            f"{path} cannot be written: {error.strerror or error}; nothing was written"
        ) from error


def _mask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def told(target: Path, start: StartingModel, parts: list[Path]) -> str:
    """What was written and what comes next."""
    lines = [f"{target}: {len(start.values) + 1} values to fill in:", "  the name of the crossing"]
    lines += [f"  {one.name}: {one.what}; {one.meaning}" for one in start.values]
    lines += [f"{path}: a part it uses" for path in sorted(parts)]
    return "\n".join([*lines, f"then: strikein check {target}"]) + "\n"
