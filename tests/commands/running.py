"""Running the command, in this process or in one of its own."""

import os
import subprocess
import sys
from pathlib import Path

from click.testing import CliRunner, Result

from verifier.commands import main

ROOT = Path(__file__).resolve().parent.parent.parent
SMALL = os.path.relpath(Path(__file__).with_name("small.yaml"))
ENVIRONMENT = os.environ | {"PYTHONPATH": str(ROOT)}


class _Whole:
    """What ``CliRunner`` asks of a command, so that it runs ``main.run`` with all its error handling."""

    name = "strikein"

    @staticmethod
    def main(args, prog_name, **_extra) -> None:
        sys.exit(main.run(args))


def run(*arguments: str) -> Result:
    """Run ``strikein`` in this process."""
    return CliRunner().invoke(_Whole, list(arguments), catch_exceptions=False)


def start(*arguments: str, **streams) -> subprocess.Popen:
    """Start ``strikein`` in a process of its own."""
    command = [sys.executable, "-m", "verifier.commands.main", *arguments]
    return subprocess.Popen(command, **({"env": ENVIRONMENT} | streams))
