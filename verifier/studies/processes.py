"""Processes that share the work of a study, and end when whoever waits for them is stopped."""

from __future__ import annotations

import multiprocessing
import signal
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from typing import Any, TypeVar

Item = TypeVar("Item")
Answer = TypeVar("Answer")

STOPPING = (signal.SIGINT, signal.SIGTERM)


# What is said of a question that the system has ended, for want of memory above all.
ENDED = "the process that looked into it was ended before it had an answer; try fewer jobs (--jobs)"


def answers(
    jobs: int, prepare: Callable[..., None], given: tuple, task: Callable[[Item], Answer], items: Sequence[Item]
) -> Iterator[tuple[Item, Answer | None]]:
    """What ``task`` says of each of ``items``, as they come, in ``jobs`` processes, each begun with
    ``prepare(*given)``. When the system ends one of them, what has no answer yet gets a process each, one after
    another, and None is the answer of those that are ended again."""
    left = dict(enumerate(items))
    try:
        with processes(jobs, prepare, *given) as pool:
            waiting = {pool.submit(task, item): number for number, item in left.items()}
            for one in as_completed(waiting):
                answer = one.result()
                yield left.pop(waiting[one]), answer
        return
    except BrokenProcessPool:
        pass
    for item in left.values():
        with processes(1, prepare, *given) as pool:
            future = pool.submit(task, item)
            broken = isinstance(future.exception(), BrokenProcessPool)
            yield item, None if broken else future.result()


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
