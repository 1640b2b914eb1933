"""Processes that share the work of a study, and end when whoever waits for them is stopped."""

from __future__ import annotations

import multiprocessing
import signal
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from typing import Any


STOPPING = (signal.SIGINT, signal.SIGTERM)


@contextmanager
def processes(jobs: int, prepare: Callable[..., None], *given: Any) -> Iterator[ProcessPoolExecutor]:
    """``jobs`` processes, each begun with ``prepare(*given)``. Left early, by an interruption above all, it ends
    them: an executor alone would first finish whatever is waiting, which takes minutes or hours."""
    others = set(multiprocessing.active_children())
    context = multiprocessing.get_context("fork")
    pool = ProcessPoolExecutor(jobs, context, initializer=_begin, initargs=(prepare, *given))
    is_done = False
    # z3 puts the handler of the keyboard's interrupt back in a way that lets a wait go on to its end.
    signal.siginterrupt(signal.SIGINT, True)
    try:
        _start_all(pool)
        yield pool
        is_done = True
    finally:
        if not is_done:
            # Then there is nothing left for the executor to wait for.
            for process in set(multiprocessing.active_children()) - others:
                process.kill()
        pool.shutdown(cancel_futures=True)


def _start_all(pool: ProcessPoolExecutor) -> None:
    """The first task of an executor that forks starts all its processes. No interruption comes in between, or one of
    them might be at work and not yet among the children that are ended."""
    before = signal.pthread_sigmask(signal.SIG_BLOCK, STOPPING)
    try:
        pool.submit(_nothing)
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _nothing() -> None:
    pass


def _begin(prepare: Callable[..., None], *given: Any) -> None:
    signal.pthread_sigmask(signal.SIG_UNBLOCK, STOPPING)
    # The keyboard interrupts whole groups of processes; who waits for this one decides what becomes of it.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, signal.SIG_DFL)
    prepare(*given)
