"""The same input gives the same verdicts, traces and evidence, whatever the number of jobs."""

import hashlib
from pathlib import Path

import pytest

from verifier.evidence.pipeline import Limits, verify
from verifier.evidence.store import write
from verifier.language.load import built_in_properties, load

FIRST_LOOK = Path(__file__).resolve().parents[1] / "readme/first_look.yaml"


def evidence_bytes(folder: Path, jobs: int) -> dict[str, str]:
    model, properties = load(str(FIRST_LOOK))
    asked = (*built_in_properties(model), *properties)
    write(folder, verify(model, asked, Limits(jobs=jobs)))
    files = sorted(path for path in folder.rglob("*") if path.is_file())
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in files
    }


@pytest.mark.parametrize("jobs", [2, 5])
def test_as_with_one_job(tmp_path: Path, jobs: int) -> None:
    alone = evidence_bytes(tmp_path / "one", 1)
    assert len(alone) > 10
    assert evidence_bytes(tmp_path / "more", jobs) == alone
