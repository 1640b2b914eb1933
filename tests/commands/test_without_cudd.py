"""Where the wheel of `dd` carries no CUDD the answers are the same, only slower."""

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
RUN = "from verifier.commands.main import main; main()"
HIDE = "import sys; sys.modules['dd.cudd'] = None; "


def check(program: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-c", program, "check", "tests/readme/first_look.yaml"]
    return subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=120)


def test_the_same_answers_without_cudd() -> None:
    with_it, without = check(RUN), check(HIDE + RUN)
    assert with_it.returncode == without.returncode == 1
    assert without.stdout == with_it.stdout
    assert "Traceback" not in without.stderr and "Exception" not in without.stderr


def test_the_diagrams_are_those_of_cudd_where_it_is_there() -> None:
    from verifier.engines.diagrams import bdds

    assert bdds.__name__ == "dd.cudd"
