"""Which state of the code answers: what is kept of a study is of use to the very same one alone."""

from __future__ import annotations

import hashlib
from functools import cache
from pathlib import Path


@cache
def program_digest() -> str:
    """Of every line of code of this program: its version alone does not tell one state of the code from another."""
    home = Path(__file__).resolve().parent.parent
    whole = hashlib.sha256()
    for path in sorted(home.rglob("*.py")):
        whole.update(f"{path.relative_to(home).as_posix()}\n".encode() + path.read_bytes())
    return whole.hexdigest()
