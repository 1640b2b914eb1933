"""A process that the system ends costs the answers it was asked for, and none besides."""

from __future__ import annotations

import os
import signal
from pathlib import Path

import pytest

from verifier.evidence.pipeline import Limits
from verifier.language.load import load
from verifier.studies.faults import _Asking, faults_of, smallest_sets
from verifier.studies.processes import ENDED, answers

PAIRS = os.path.relpath(Path(__file__).parent / "pairs.yaml")
_given: list[int] = []


def _prepare(number: int) -> None:
    _given[:] = [number]


def _squared(item: int) -> int:
    if item == 3:
        os.kill(os.getpid(), signal.SIGKILL)
    return item * item + _given[0]


@pytest.mark.parametrize("jobs", [1, 2])
def test_only_the_question_whose_process_is_ended_has_no_answer(jobs: int) -> None:
    found = dict(answers(jobs, _prepare, (1,), _squared, [1, 2, 3, 4, 5]))
    assert found == {1: 2, 2: 5, 3: None, 4: 17, 5: 26}


def test_faults_are_undecided_where_the_process_that_looks_for_them_is_ended(monkeypatch: pytest.MonkeyPatch) -> None:
    sound = _Asking.found

    def found_or_ended(self, prop, first, seen):
        if prop.id == "nobody-there":
            os.kill(os.getpid(), signal.SIGKILL)
        return sound(self, prop, first, seen)

    monkeypatch.setattr(_Asking, "found", found_or_ended)
    model, properties = load(PAIRS)
    found = {one.property.id: one for one in smallest_sets(model, properties, 2, Limits(runs=5), 2, lambda *_: None)}
    lost = found.pop("nobody-there")
    (open_,) = lost.undecided
    assert (lost.sets, open_.faults, open_.reason) == ((), tuple(faults_of(model)), ENDED)
    assert found and all(one.undecided == () for one in found.values())
