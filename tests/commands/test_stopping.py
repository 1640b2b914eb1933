"""A study that is stopped ends at once, with the processes that share its work."""

import os
import signal
import subprocess
import sys
import time

import pytest

from tests.commands.running import ENVIRONMENT, ROOT

STUDIES = [("faults", "_sets_of", "tests/faults/pairs.yaml"), ("adequacy", "_outcome", "tests/adequacy/bell.yaml")]


def is_running(process: int) -> bool:
    """Not as one that has ended and waits to be asked how."""
    try:
        with open(f"/proc/{process}/stat", encoding="utf-8") as about:
            return about.read().rpartition(")")[2].split()[0] != "Z"
    except FileNotFoundError:
        return False


@pytest.mark.parametrize(("number", "code"), [(signal.SIGINT, 130), (signal.SIGTERM, 143)], ids=["int", "term"])
@pytest.mark.parametrize(("verb", "work", "model"), STUDIES, ids=[study[0] for study in STUDIES])
def test_a_study_that_is_stopped_ends_at_once(verb, work, model, number, code):
    """The signal comes while two processes are at work and more work is waiting."""
    program = (
        f"import os, sys, time, verifier.studies.{verb} as study\n"
        "from verifier.commands import main\n"
        "def working(*_given):\n"
        "    os.write(1, f'{os.getpid()}\\n'.encode())\n"
        "    time.sleep(60)\n"
        f"study.{work} = working\n"
        f"sys.argv = ['strikein', '{verb}', '{model}', '--jobs', '2']\n"
        "main.main()\n"
    )
    # Whoever starts the tests in the background may have them ignore the interrupt, and what they start too.
    process = subprocess.Popen([sys.executable, "-c", program], env=ENVIRONMENT, cwd=ROOT,
                               stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
                               preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL))
    workers = [int(process.stdout.readline()) for _ in range(2)]
    started = time.monotonic()
    process.send_signal(number)
    errors = process.communicate()[1]
    assert process.returncode == code and "Traceback" not in errors
    assert time.monotonic() - started < 10
    assert not any(map(is_running, workers)) and os.getpid() not in workers
