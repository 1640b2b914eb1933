"""One process for each group of properties, watched from outside.

Each process judges one group and ends, so that no answer of a solver depends on what it was asked
before, whatever the number of jobs. The engines ask for their limits themselves, but not within one
call of a solver; a process that goes well past them, or ends without an answer, is given up and its
properties are undecided. The others go on.
"""

from __future__ import annotations

import gc
import multiprocessing
import signal
import time
import traceback
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from multiprocessing.connection import Connection, wait
from multiprocessing.process import BaseProcess
from types import TracebackType

from verifier.engines.limits import resident_mb
from verifier.evidence.known import Ground
from verifier.evidence.result import Disagreement, Result
from verifier.evidence.shared import Limits
from verifier.evidence.verdicts import Bench
from verifier.language.model import Property
from verifier.semantics.run import Gap

# Properties judged in one process, and the ground of all of them.
Family = tuple[Ground, tuple[Property, ...]]

# How far past its limits a process may go before it is ended from outside.
GRACE_S = 20.0
GRACE = 1.25
LOOK_EVERY_S = 0.2

MORE_MEMORY = "give it more memory (--memory-limit), or fewer jobs (--jobs)"
MORE_TIME = "give it more time (--time-limit)"


@dataclass
class _Worker:
    family: Family
    process: BaseProcess
    inbox: Connection
    started: float = field(default_factory=time.monotonic)
    results: list[Result] = field(default_factory=list)

    def stop(self) -> None:
        if self.process.is_alive():
            self.process.kill()
        self.process.join()
        self.inbox.close()


def judge_apart(
    families: Sequence[Family], benches: dict[Ground, Bench], jobs: int, limits: Limits
) -> Iterator[list[Result]]:
    """The results of each family, as they come.

    Raises
    ------
    Disagreement
        Or anything unexpected in a process, as one; the other processes are ended.
    """
    waiting = deque(families)
    running: list[_Worker] = []
    try:
        while waiting or running:
            while waiting and len(running) < jobs:
                running.append(_start(waiting.popleft(), benches))
            ready = wait([worker.inbox for worker in running], LOOK_EVERY_S)
            for worker in list(running):
                gap = _read(worker) if worker.inbox in ready else _overrun(worker, limits)
                if gap is not None:
                    ground, properties = worker.family
                    lost = properties[len(worker.results) :]
                    worker.results += [benches[ground].gap(prop, gap) for prop in lost]
                if len(worker.results) == len(worker.family[1]):
                    worker.stop()
                    running.remove(worker)
                    yield worker.results
    finally:
        for worker in running:
            worker.stop()


def _start(family: Family, benches: dict[Ground, Bench]) -> _Worker:
    """A forked process begins with all that its bench has prepared; one that is started afresh
    prepares it again."""
    inbox, outbox = multiprocessing.Pipe(duplex=False)
    bench = benches[family[0]]
    if "fork" in multiprocessing.get_all_start_methods():
        bench.prepare()
        context, make = multiprocessing.get_context("fork"), _given(bench)
    else:
        context, make = multiprocessing.get_context("spawn"), _Afresh(bench)
    process = context.Process(target=_judge, args=(make, family[1], outbox), daemon=True)
    process.start()
    outbox.close()
    return _Worker(family, process, inbox)


def _given(bench: Bench) -> Callable[[], Bench]:
    return lambda: bench


class _Afresh:
    """What a new process needs to make a bench of its own."""

    def __init__(self, bench: Bench):
        self.what = (bench.model, bench.budget, bench.limits, bench.proofs, bench.runs_alike)

    def __call__(self) -> Bench:
        return Bench(*self.what)


def _judge(make: Callable[[], Bench], properties: Sequence[Property], outbox: Connection) -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, signal.SIG_DFL)
    # What the process began with lives as long as it does: looking through it for garbage took a tenth of the time.
    gc.freeze()
    with _Telling(outbox):
        bench = make()
        for prop in properties:
            outbox.send(bench.judged(prop))


class _Telling:
    """Sends on whatever goes wrong within, so that it is told where the results are read."""

    def __init__(self, outbox: Connection):
        self.outbox = outbox

    def __enter__(self) -> None:
        pass

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> bool:
        if isinstance(error, Disagreement):
            self.outbox.send(error)
        elif kind is not None:
            text = "".join(traceback.format_exception(kind, error, trace))
            what = f"unexpected {kind.__name__}: {error}"
            self.outbox.send(Disagreement(what, {"traceback": text}))
        return True


def _read(worker: _Worker) -> Gap | None:
    """Take one result in; a gap when there will be none."""
    try:
        message = worker.inbox.recv()
    except (EOFError, ConnectionError):
        worker.process.join()
        code = worker.process.exitcode or 0
        how = f"was ended by signal {-code}" if code < 0 else f"ended with code {code}"
        return Gap(f"the process that judged it {how} before it had an answer", MORE_MEMORY)
    if isinstance(message, Disagreement):
        raise message
    worker.results.append(message)
    return None


def _overrun(worker: _Worker, limits: Limits) -> Gap | None:
    """A gap when the process went well past a limit, inside one call of a solver."""
    if limits.time_limit_s is not None:
        allowed = (limits.time_limit_s * GRACE + GRACE_S) * len(worker.family[1])
        if time.monotonic() - worker.started > allowed:
            reason = (
                f"the time limit of {limits.time_limit_s:g} s was passed in one call of a solver"
            )
            return Gap(reason, MORE_TIME)
    if limits.memory_limit_mb is not None and worker.process.pid is not None:
        if resident_mb(worker.process.pid) > limits.memory_limit_mb * GRACE:
            reason = f"the memory limit of {limits.memory_limit_mb} MB was passed in one call of a solver"
            return Gap(reason, MORE_MEMORY)
    return None
