"""Faults planted in the symbolic reading: a guard must catch each, or a verdict worked out by hand differ.

``symbolic_plants`` lists them, ``symbolic_cases`` the models. A plant changes a function of this process;
the workers of ``verify`` are forked and have it too. A plant whose text is gone fails here and must be moved
along with the code.
"""

from __future__ import annotations

import inspect
import signal
import textwrap
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache

import pytest

from tests.seeded.symbolic_cases import CASES
from tests.seeded.symbolic_plants import (
    ADDED,
    CONFIRMING,
    CROSSCHECK,
    DROPPED,
    RECHECK,
    REPLAY,
    Plant,
)
from verifier.evidence import verdicts
from verifier.evidence.pipeline import Limits, verify
from verifier.evidence.result import CrossCheck, Disagreement, RecheckedCertificate

LIMITS = Limits(jobs=1, time_limit_s=25)
TOO_LONG_S = 30

# How the words of a disagreement begin, by the guard that raises it.
WORDS = {
    "the concrete machine can't take step": REPLAY,
    "the engine and the concrete machine differ": REPLAY,
    "the trace does not bear on": REPLAY,
    "the second solver refuses": RECHECK,
    "a concrete run": CROSSCHECK,
    "the concrete machine took a step": CROSSCHECK,
    "z3 does not confirm": CONFIRMING,
}

# The guards that come after the engine, each of which can be taken away.
LATER = {REPLAY, RECHECK, CROSSCHECK}

pytestmark = pytest.mark.plants
named = {"ids": lambda value: value.name if isinstance(value, Plant) else value}


@contextmanager
def planted(plant: Plant) -> Iterator[None]:
    function = plant.where
    text = textwrap.dedent(inspect.getsource(function))
    assert text.count(plant.old) == 1, f"{function.__qualname__} no longer holds the text once"
    made: dict = {}
    code = compile(text.replace(plant.old, plant.new), "plant", "exec")
    exec(code, function.__globals__, made)  # noqa: S102 our own text, from the table
    sound = function.__code__
    function.__code__ = made[function.__name__].__code__
    try:
        yield
    finally:
        function.__code__ = sound


@contextmanager
def in_time() -> Iterator[None]:
    """A verify that never comes back is a failure, not a long test."""

    def ring(_number, _frame):
        raise TimeoutError(f"no answer within {TOO_LONG_S} s")

    before = signal.signal(signal.SIGALRM, ring)
    signal.alarm(TOO_LONG_S)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)


def verdict_of(case: str) -> str:
    asked = CASES[case]
    with in_time():
        (result,) = verify(asked.model, [asked.prop], LIMITS).results
    return result.verdict


@cache
def sound_verdict(case: str) -> str:
    return verdict_of(case)


def guard_that_catches(case: str) -> str:
    """The guard that raises the disagreement; its words if they are new; the verdict when none does."""
    try:
        return verdict_of(case)
    except Disagreement as found:
        guards = (guard for words, guard in WORDS.items() if found.what.startswith(words))
        return next(guards, found.what)


def no_recheck(_model, _prop, certificate, **_limits) -> RecheckedCertificate:
    return RecheckedCertificate(certificate, {}, "nobody", 0.0)


def no_crosscheck(*_arguments, **_limits) -> CrossCheck:
    return CrossCheck((1,), 0, 1, 1)


@pytest.mark.parametrize("case", CASES)
def test_the_sound_reading_gives_the_verdict_worked_out_by_hand(case: str) -> None:
    assert sound_verdict(case) == CASES[case].verdict


@pytest.mark.parametrize("plant", DROPPED + ADDED, **named)
def test_a_planted_fault_is_caught(plant: Plant) -> None:
    expected = CASES[plant.case].verdict
    assert sound_verdict(plant.case) == expected
    with planted(plant):
        caught = guard_that_catches(plant.case)
    assert caught != expected, "nothing notices"
    assert caught in plant.by


@pytest.mark.parametrize(
    ("plant", "guard"),
    [(plant, guard) for plant in DROPPED + ADDED for guard in plant.by if guard in LATER],
    **named,
)
def test_each_guard_catches_it_alone(monkeypatch, plant: Plant, guard: str) -> None:
    if guard != RECHECK:
        monkeypatch.setattr(verdicts, "recheck_certificate", no_recheck)
    if guard != CROSSCHECK:
        monkeypatch.setattr(verdicts, "crosscheck_runs", no_crosscheck)
    with planted(plant):
        assert guard_that_catches(plant.case) == guard
