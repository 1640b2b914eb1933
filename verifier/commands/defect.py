"""What happens when strikein itself is wrong: both sides are kept, the user is asked to report, exit 4."""

from __future__ import annotations

import os
import re
import sys
import tempfile
import traceback
from collections.abc import Mapping
from pathlib import Path
from types import TracebackType

from verifier.commands.outcome import DEFECT
from verifier.commands.streams import say

ASK = (
    "This is a defect of strikein, not of your model, and nothing is concluded from it. "
    "Please report it with this folder, your model and its packs:"
)


def keep(what: str, sides: Mapping[str, str]) -> Path:
    """Write what is known into a new folder, here if possible, and return it.

    The folder is ``strikein-defect-1`` or the first number that is free; ``what.txt`` and one text file a
    side are put there.
    """
    folder = _new_folder()
    (folder / "what.txt").write_text(what + "\n", encoding="utf-8")
    for name, text in sides.items():
        safe = re.sub(r"[^\w-]+", "-", name).strip("-") or "side"
        (folder / f"{safe}.txt").write_text(text + "\n", encoding="utf-8")
    return folder


def _new_folder() -> Path:
    for number in range(1, 1000):
        folder = Path(f"strikein-defect-{number}")
        try:
            folder.mkdir()
        except FileExistsError:
            continue
        except OSError:
            break
        return folder
    return Path(tempfile.mkdtemp(prefix="strikein-defect-"))


def report(what: str, sides: Mapping[str, str]) -> Path:
    """Keep it and say so on standard error."""
    folder = keep(what, sides)
    say(f"strikein: DEFECT: {what}\n{ASK}\n  {folder}")
    return folder


def leave_unexpected(
    kind: type[BaseException], error: BaseException, trace: TracebackType | None
) -> None:
    """``sys.excepthook``: an exception nobody expected ends the process with exit code 4.

    Python would end with 1, which means "violated".
    """
    text = "".join(traceback.format_exception(kind, error, trace))
    report(f"unexpected {kind.__name__}: {error}", {"traceback": text})
    sys.stdout.flush()
    sys.stderr.flush()
    os._exit(DEFECT)
