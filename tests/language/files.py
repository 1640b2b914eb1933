"""Puts input files of the front end's tests into a folder."""

import os
from pathlib import Path

from verifier.diagnostics import Example, ModelErrors
from verifier.language.load import load

HEAD = """format: 1
crossing: Harrowfen Drove
kind: TEXTBOOK
jurisdiction: ANY
"""

ASKS_NOTHING = """format: 1
pack: asks nothing
kinds: [TEXTBOOK]
jurisdiction: ANY
properties:
  - id: nothing
    says: nothing is asked
    source: these tests
    always: "true"
"""


def put(folder: Path, files: dict[str, str]) -> None:
    """Write ``files``; adds a pack that asks nothing when none is among them."""
    for name, text in files.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(text, encoding="utf-8")
    if not any(name.startswith("specs/") for name in files):
        (folder / "specs").mkdir(exist_ok=True)
        (folder / "specs" / "nothing.yaml").write_text(ASKS_NOTHING, encoding="utf-8")


def put_example(folder: Path, example: Example) -> None:
    """Make one file of an example of the code table, in the way it says."""
    path = folder / example.name
    path.parent.mkdir(parents=True, exist_ok=True)
    kind, _, count = example.kind.partition(" ")
    if kind == "folder":
        path.mkdir()
    elif kind == "pipe":
        os.mkfifo(path)
    elif kind == "latin":
        path.write_bytes(example.text.encode("latin-1"))
    elif kind == "repeat":
        path.write_text(example.text * int(count), encoding="utf-8")
    elif kind == "text":
        path.write_text(example.text, encoding="utf-8")
    else:
        assert kind == "missing"


def loaded(folder: Path, files: dict[str, str]):
    """The model and properties of ``model.yaml`` among ``files``."""
    put(folder, files)
    return load(str(folder / "model.yaml"))


def errors(folder: Path, files: dict[str, str]) -> tuple:
    """The diagnostics of ``model.yaml`` among ``files``; () when it loads."""
    put(folder, files)
    return errors_of(folder / "model.yaml")


def errors_of(path: Path) -> tuple:
    try:
        load(str(path))
    except ModelErrors as found:
        return found.diagnostics
    return ()
