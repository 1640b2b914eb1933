"""z3's fixed-point engine with two settings at once, in a process each.

Which of them is quick on a property nobody knows before, so both run; yet the answer must not depend
on which machine is busy. So they do not race in seconds but in laps, counted in z3's own measure of work, each
lap longer than the one before. The winner is who answers in the earliest lap, in the same lap the
first setting; a process that can no longer win is not waited for. The winner's answer is returned as it
is, so verdict and certificate are the same whoever was ready first. (On running several algorithms
side by side: Huberman, Lukose, Hogg, "An economics approach to hard computational problems", 1997.)

A process of the race ends by itself when whoever started it has ended, killed or not.
"""

from __future__ import annotations

import os
import pickle
import queue
import subprocess
import sys
import threading
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import BinaryIO

from verifier.engines.fixedpoint import OutOfSteps, prove
from verifier.engines.limits import Allowance, OutOfBudget, resident_mb
from verifier.semantics.formula import Formula
from verifier.semantics.system import System

FIRST_LAP = 2_000_000
LONGER = 4
LOOK_EVERY_S = 0.1
CHILD = "from verifier.engines.race import run_alone; run_alone()"
MORE_MEMORY = "give it more memory (--memory-limit)"

# z3's options of each runner. Of those tried on ten properties, not to merge the rules beforehand was
# the one that was quicker, up to three times, where the engine's own choice was slow.
Options = Mapping[str, bool]
SETTINGS: tuple[Options, ...] = ({}, {"xform.inline_eager": False, "xform.inline_linear": False})


@dataclass(frozen=True)
class Proof:
    """The winner's invariant in SMT-LIB; ``text`` is None when a bad state is reachable."""

    text: str | None


@dataclass(frozen=True)
class Report:
    """What one runner says of one lap: an answer, nothing yet, or (``lost``) why it never will."""

    lap: int
    proof: Proof | None = None
    lost: str = ""


class Standing:
    """Who has won, from the reports of each runner in the order it made them."""

    def __init__(self, runners: int):
        # laps each runner has gone through without an answer
        self.laps: list[float] = [0] * runners
        self.answers: dict[int, Report] = {}
        self.lost: dict[int, str] = {}

    def note(self, runner: int, report: Report) -> None:
        if runner in self.answers:
            return
        if report.lost:
            self.laps[runner] = float("inf")
            self.lost[runner] = report.lost
        elif report.proof is not None:
            self.answers[runner] = report
        else:
            self.laps[runner] = report.lap

    def winner(self) -> int | None:
        """None as long as it is open. A runner without an answer may still have one in its next lap."""
        if not self.answers:
            return None
        first = min(self.answers, key=lambda runner: (self.answers[runner].lap, runner))
        best = (self.answers[first].lap, first)
        running = (n for n in range(len(self.laps)) if n not in self.answers)
        return first if all((self.laps[n] + 1, n) > best for n in running) else None

    @property
    def is_lost(self) -> bool:
        return len(self.lost) == len(self.laps)


def race(
    system: System,
    allowance: Allowance,
    known: Formula,
    settings: Sequence[Options] = SETTINGS,
    first_lap: int = FIRST_LAP,
) -> Proof:
    """As ``fixedpoint.prove``. Raises ``OutOfBudget`` past a limit or when no setting has an answer."""
    reports: queue.SimpleQueue[tuple[int, Report]] = queue.SimpleQueue()
    standing = Standing(len(settings))
    runners: list[_Runner] = []
    try:
        for number, options in enumerate(settings):
            task = (system, known, options, first_lap)
            runners.append(_Runner(number, task, reports))
        while True:
            allowance.check()
            try:
                standing.note(*reports.get(timeout=LOOK_EVERY_S))
            except queue.Empty:
                for runner in runners:
                    runner.keep_within(allowance.memory_mb)
                continue
            winner = standing.winner()
            if winner is not None:
                proof = standing.answers[winner].proof
                assert proof is not None
                return proof
            if standing.is_lost:
                raise OutOfBudget(
                    f"z3's fixed-point engine gave up ({standing.lost[0]})", MORE_MEMORY
                )
    finally:
        for runner in runners:
            runner.stop()


class _Runner:
    """One process. Its input stays open as long as we live; that it closes is its sign to end."""

    def __init__(self, number: int, task: tuple, reports: queue.SimpleQueue):
        self.number, self.reports = number, reports
        path = os.pathsep.join(folder or os.getcwd() for folder in sys.path)
        self.process = subprocess.Popen(
            [sys.executable, "-c", CHILD],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env={**os.environ, "PYTHONPATH": path},
        )
        self.why = "its process ended before it had an answer"
        self.reader = threading.Thread(target=self._read, args=(task,), daemon=True)
        self.reader.start()

    def _read(self, task: tuple) -> None:
        assert self.process.stdin is not None and self.process.stdout is not None
        try:
            pickle.dump(task, self.process.stdin)
            self.process.stdin.flush()
            while True:
                self.reports.put((self.number, pickle.load(self.process.stdout)))
        except (EOFError, OSError, pickle.UnpicklingError):
            self.reports.put((self.number, Report(0, lost=self.why)))

    def keep_within(self, memory_mb: int | None) -> None:
        if memory_mb is not None and resident_mb(self.process.pid) > memory_mb:
            self.why = f"the memory limit of {memory_mb} MB was reached"
            self.process.kill()

    def stop(self) -> None:
        self.process.kill()
        self.process.wait()
        self.reader.join()
        assert self.process.stdin is not None and self.process.stdout is not None
        self.process.stdout.close()
        with suppress(BrokenPipeError):  # a part of the task may never have been read
            self.process.stdin.close()


def run_alone() -> None:
    """The process of one runner."""
    task = pickle.load(sys.stdin.buffer)
    threading.Thread(target=_end_with, args=(sys.stdin.buffer,), daemon=True).start()
    for report in laps(*task):
        pickle.dump(report, sys.stdout.buffer)
        sys.stdout.buffer.flush()


def _end_with(pipe: BinaryIO) -> None:
    pipe.read()
    os._exit(0)


def laps(system: System, known: Formula, options: Options, first_lap: int) -> Iterator[Report]:
    """Lap after lap until one has an answer."""
    lap, most = 1, first_lap
    while True:
        try:
            found = prove(system, Allowance(), known, options, most)
        except OutOfSteps:
            yield Report(lap)
            lap, most = lap + 1, most * LONGER
            continue
        except OutOfBudget as stop:
            yield Report(lap, lost=stop.reason)
            return
        yield Report(lap, Proof(None if found is None else found.text))
        return
