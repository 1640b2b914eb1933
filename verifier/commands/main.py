"""The command ``strikein``: the group of verbs, and the one place where a process ends.

Verbs import what is heavy (solvers, drawing, units) inside their functions, so that ``--help`` is quick.
"""

from __future__ import annotations

import signal
import sys
from collections.abc import Sequence
from types import FrameType

import click

from verifier.commands import defect, outcome
from verifier.commands.adequacy import adequacy
from verifier.commands.check import check
from verifier.commands.draw import draw
from verifier.commands.explain import explain
from verifier.commands.faults import faults
from verifier.commands.list_ import list_
from verifier.commands.new import new
from verifier.commands.recheck import recheck
from verifier.commands.report import report
from verifier.commands.streams import say
from verifier.commands.table import table
from verifier.diagnostics import ModelErrors
from verifier.evidence.result import Disagreement
from verifier.views.document import tool_version
from verifier.views.text import CAUTION


@click.group(
    epilog=f"{outcome.TEXT}\n\n{CAUTION}",
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)
@click.version_option(version=tool_version(), prog_name="strikein")
def cli() -> None:
    """Prove the control logic of a level crossing safe, or show the run that breaks it.

    A model (YAML) describes the logic and the world around it; a spec pack says what must hold. Every
    proof is confirmed by a second solver and every counterexample replayed on a concrete machine.
    """


for verb in (adequacy, check, draw, explain, faults, list_, new, recheck, report, table):
    cli.add_command(verb)


def run(arguments: Sequence[str] | None = None) -> int:
    """Do what the command line says and return the exit code."""
    try:
        code = cli.main(args=arguments, prog_name="strikein", standalone_mode=False)
    except ModelErrors as errors:
        say(str(errors))
        return outcome.BAD_INPUT
    except Disagreement as error:
        defect.report(error.what, error.sides)
        return outcome.DEFECT
    except click.Abort:
        say("strikein: interrupted; nothing is concluded")
        return outcome.INTERRUPTED
    except click.ClickException as error:
        error.show()
        return outcome.BAD_INPUT
    return code if isinstance(code, int) else outcome.GOOD


def terminate(_number: int, _frame: FrameType | None) -> None:
    """Handler of SIGTERM: unwind, so that children and temporary files are cleared away."""
    raise SystemExit(outcome.TERMINATED)


def main() -> None:
    """Entry point of the installed command."""
    sys.excepthook = defect.leave_unexpected
    signal.signal(signal.SIGTERM, terminate)
    sys.exit(run())


if __name__ == "__main__":
    main()
