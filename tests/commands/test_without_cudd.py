"""Where the wheel of `dd` carries no CUDD the answers are the same, only slower."""

import json
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
RUN = "from verifier.commands.main import main; main()"
HIDE = "import sys; sys.modules['dd.cudd'] = None; "
# Decides the properties named, and says of each what was found and whether diagrams were explored.
DECIDE = """
import json
from verifier.engines.limits import Allowance
from verifier.engines.decision import decide
from verifier.engines.study import Study
from verifier.evidence.recheck import recheck_certificate
from verifier.evidence.replay import replay_trace
from verifier.language.load import load
from verifier.semantics.run import Trace
path, *names = sys.argv[1:]
model, properties = load(path)
for name in names:
    for prop in (prop for prop in properties if prop.id == name):
        study = Study(model, 0, Allowance(100))
        found = decide(study, prop)
        if isinstance(found, Trace):
            replay_trace(model, prop, found)
        else:
            recheck_certificate(model, prop, found)
        steps = len(found.steps) if isinstance(found, Trace) else None
        print(json.dumps([prop.id, type(found).__name__, steps, "start" in vars(study)]))
"""


def run(program: str, *arguments: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-c", program, *arguments]
    return subprocess.run(
        command, cwd=ROOT, capture_output=True, text=True, timeout=120, check=False
    )


def decided(program: str, model: str, *names: str) -> list:
    done = run(program, model, *names)
    assert done.returncode == 0, done.stderr
    return [json.loads(line) for line in done.stdout.splitlines()]


def test_the_same_answers_without_cudd() -> None:
    with_it, without = (run(p, "check", "tests/readme/first_look.yaml") for p in (RUN, HIDE + RUN))
    assert with_it.returncode == without.returncode == 1
    assert without.stdout == with_it.stdout
    assert "Traceback" not in without.stderr and "Exception" not in without.stderr


def test_the_diagrams_are_those_of_cudd_where_it_is_there() -> None:
    from verifier.engines.diagrams import bdds

    assert bdds.__name__ == "dd.cudd"


def test_no_diagram_is_explored_where_the_order_of_events_decides() -> None:
    names = ["signal-only-while-closed[up]", "red-while-down", "exit-after-entrance"]
    model = "models/full_barriers.yaml"
    with_it, without = (decided(p + DECIDE, model, *names) for p in ("import sys; ", HIDE))
    assert [row[:3] for row in with_it] == [[name, "Certificate", None] for name in names]
    assert [row[:3] for row in without] == [row[:3] for row in with_it]
    assert not any(explored for *_, explored in without)
