"""The race of z3's fixed-point engine: the same winner whoever is ready first, and nobody left behind."""

from __future__ import annotations

import multiprocessing
import os
import time
from itertools import combinations
from pathlib import Path

import pytest

from tests.differential.random_models import random_model, random_property
from verifier.engines.decision import Decision, decide
from verifier.engines.explore import Hit
from verifier.engines.fixedpoint import OutOfSteps, prove
from verifier.engines.limits import Allowance, OutOfBudget
from verifier.engines.race import Proof, Report, Standing, laps, race
from verifier.engines.study import Study
from verifier.evidence.recheck import recheck_certificate
from verifier.language.load import load
from verifier.language.model import Form
from verifier.semantics.formula import YES
from verifier.semantics.run import Certificate
from verifier.semantics.watched import build

ROOT = Path(__file__).resolve().parents[2]


def reports_of(runner: str, answers_in: int | None) -> list[Report]:
    """Laps without an answer, then one, or its end after the second lap."""
    last = 3 if answers_in is None else answers_in
    found = [Report(lap) for lap in range(1, last)]
    if answers_in is None:
        return [*found, Report(last, lost="no more memory")]
    return [*found, Report(last, Proof(runner))]


@pytest.mark.parametrize(
    ("first", "second", "winner"),
    [
        (1, 1, 0),
        (2, 2, 0),
        (3, 2, 1),
        (1, 3, 0),
        (4, 1, 1),
        (None, 2, 1),
        (2, None, 0),
        (None, 4, 1),
    ],
)
def test_the_winner_does_not_depend_on_who_is_ready_first(first, second, winner) -> None:
    rows = (reports_of("a", first), reports_of("b", second))
    total = len(rows[0]) + len(rows[1])
    for turns in combinations(range(total), len(rows[0])):
        standing, left = Standing(2), [list(row) for row in rows]
        for turn in range(total):
            runner = 0 if turn in turns else 1
            standing.note(runner, left[runner].pop(0))
            if standing.winner() is not None:
                break
        assert standing.winner() == winner, (turns, first, second)


def test_nobody_wins_where_all_are_lost() -> None:
    standing = Standing(2)
    for runner in (0, 1):
        assert not standing.is_lost
        standing.note(runner, Report(1, lost="no more memory"))
    assert standing.is_lost and standing.winner() is None


def test_the_race_says_what_the_engine_says() -> None:
    """Short first laps, so that some answers come in later ones."""
    found, late = set(), 0
    for seed in range(400, 405):
        model = random_model(seed)
        asked = random_property(model, seed, Form.WHILE)
        system = build(model, asked)
        proofs = [race(system, Allowance(60), YES, first_lap=20_000) for _ in range(2)]
        assert proofs[0] == proofs[1]
        assert (proofs[0].text is None) == (prove(system, Allowance(60)) is None)
        if proofs[0].text is not None:
            recheck_certificate(model, asked, Certificate(proofs[0].text))
        late += next(iter(laps(system, YES, {}, 20_000))).proof is None
        found.add(proofs[0].text is None)
    assert found == {True, False}
    assert late


def hard_system():
    """Takes the engine over a minute."""
    model, properties = load(str(ROOT / "models" / "full_barriers.yaml"))
    (prop,) = (prop for prop in properties if prop.id == "reopens")
    return build(model, prop)


def test_work_is_counted() -> None:
    with pytest.raises(OutOfSteps):
        prove(hard_system(), Allowance(60), most=100_000)


def children_of(process: int) -> set[int]:
    found = set()
    for task in Path(f"/proc/{process}/task").iterdir():
        found |= {int(word) for word in (task / "children").read_text().split()}
    return found


def is_running(process: int) -> bool:
    try:
        state = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0]
    except OSError:
        return False
    return state != "Z"


def test_the_time_limit_ends_the_race_and_its_processes() -> None:
    before = children_of(os.getpid())
    with pytest.raises(OutOfBudget, match="time limit of 2 s"):
        race(hard_system(), Allowance(2.0), YES)
    assert children_of(os.getpid()) <= before


def test_the_memory_limit_holds_for_each_process_of_the_race(monkeypatch) -> None:
    allowance = Allowance(60, memory_mb=20)
    # of our own memory nothing is asked here
    monkeypatch.setattr(allowance, "check", lambda: None)
    with pytest.raises(OutOfBudget, match="memory limit of 20 MB"):
        race(hard_system(), allowance, YES)


def run_for_ever() -> None:
    race(hard_system(), Allowance(120), YES)


def test_no_process_is_left_where_a_judging_process_is_killed() -> None:
    """It is a daemon, as those of ``verifier/evidence/workers.py`` are."""
    process = multiprocessing.get_context("fork").Process(target=run_for_ever, daemon=True)
    process.start()
    assert process.pid is not None
    try:
        runners = wait_for(lambda: children_of(process.pid), count=2)
        time.sleep(1.0)
    finally:
        process.kill()
        process.join()
    wait_for(lambda: {0} if not any(is_running(runner) for runner in runners) else set(), count=1)


def wait_for(look, count: int) -> set[int]:
    end = time.monotonic() + 30
    while len(look()) < count:
        assert time.monotonic() < end, "nothing happened"
        time.sleep(0.05)
    return look()


def test_the_last_resort_of_a_property_is_the_race() -> None:
    """Asked where the stages before it would have found a proof: the same verdict, re-checked."""
    model = random_model(401)
    asked = random_property(model, 401, Form.WHILE)
    study = Study(model, 0, Allowance(60))
    assert isinstance(decide(study, asked), Certificate)
    start = Hit((dict(study.base.initial),), ())
    finding = Decision(study, asked).last_resort(start)
    assert isinstance(finding, Certificate)
    assert "fixed-point engine" in finding.method
    recheck_certificate(model, asked, finding)
