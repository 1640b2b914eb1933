"""The same input gives the same verdicts, traces and evidence, whatever the number of jobs."""

import hashlib
import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
MAIN = "from verifier.commands.main import main; main()"


def evidence_bytes(model: str, folder: Path, jobs: int, hash_seed: int) -> dict[str, str]:
    command = [sys.executable, "-c", MAIN, "check", model]
    command += ["--evidence", str(folder), "--jobs", str(jobs)]
    environment = os.environ | {"PYTHONHASHSEED": str(hash_seed)}
    done = subprocess.run(command, cwd=ROOT, env=environment, capture_output=True, timeout=500)
    files = sorted(path for path in folder.rglob("*") if path.is_file())
    found = {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in files
    }
    return found | {"stdout": done.stdout.decode().replace(str(folder), "")}


def compare(model: str, tmp_path: Path, *ways: tuple[int, int]) -> None:
    """``ways`` are numbers of jobs and seeds of Python's own hashing."""
    first = evidence_bytes(model, tmp_path / "first", 1, 0)
    assert len(first) > 10
    for number, (jobs, hash_seed) in enumerate(ways):
        again = evidence_bytes(model, tmp_path / f"again{number}", jobs, hash_seed)
        assert {k: v for k, v in again.items() if v != first.get(k)} == {}
        assert again.keys() == first.keys()


def test_a_small_model(tmp_path: Path) -> None:
    compare("tests/readme/first_look.yaml", tmp_path, (2, 1), (5, 77))


@pytest.mark.slow
def test_a_site(tmp_path: Path) -> None:
    compare("models/half_barriers.yaml", tmp_path, (2, 5))
