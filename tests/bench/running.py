"""One peer on one case, in a process of its own with a limit on time and memory."""

from __future__ import annotations

import math
import multiprocessing
import resource
import signal
import tempfile
import time
from dataclasses import dataclass, field
from importlib import import_module
from multiprocessing.connection import Connection
from pathlib import Path

from tests.bench.models import Case
from tests.bench.peers import BY_NAME, OPEN, Peer

MEMORY_MB = 4096
LOADING_S = 60.0
# What a peer may need beyond its limit to say that it has met it.
GRACE_S = 2.0

READY = "ready"
ANSWERED, TIME, MEMORY, FAILED, LEFT_OUT = "answered", "time", "memory", "failed", "left out"


@dataclass(frozen=True)
class Answer:
    """``ended`` is one of the words above; ``verdict`` counts only after ``ANSWERED``. ``checks``
    are the times of what ``ours`` does after deciding; ``peak_mb`` is resident memory up to the
    verdict."""

    ended: str
    verdict: str = ""
    seconds: float = 0.0
    peak_mb: float = 0.0
    checks: dict[str, float] = field(default_factory=dict)
    why: str = ""

    @property
    def ran_out(self) -> bool:
        return self.ended in (TIME, MEMORY, LEFT_OUT)


def ask(peer: Peer, case: Case, limit_s: float, repeat: int = 1) -> Answer:
    """The answer of ``peer``; of up to ``repeat`` runs that take under 5 s each the median."""
    answers = [_ask_once(peer, case, limit_s)]
    while len(answers) < repeat and answers[-1].ended == ANSWERED and answers[-1].seconds < 5:
        answers.append(_ask_once(peer, case, limit_s))
    if len({(a.ended, a.verdict) for a in answers}) > 1:
        verdicts = ", ".join(f"{a.ended} {a.verdict}" for a in answers)
        return Answer(FAILED, why=f"not the same each time: {verdicts}")
    answers.sort(key=lambda answer: answer.seconds)
    return answers[len(answers) // 2]


def _ask_once(peer: Peer, case: Case, limit_s: float) -> Answer:
    # a new interpreter: nothing of another peer is loaded, and z3 begins afresh
    context = multiprocessing.get_context("spawn")
    ours, theirs = context.Pipe(duplex=False)
    process = context.Process(target=_work, args=(theirs, peer.name, case, limit_s), daemon=True)
    process.start()
    theirs.close()
    try:
        return _listen(process, ours, limit_s)
    finally:
        process.kill()
        process.join()
        ours.close()


def _listen(process, pipe: Connection, limit_s: float) -> Answer:
    largest = [0.0]

    def said(seconds: float):
        """What the process sends next, ``TIME`` when it sends nothing."""
        end = time.monotonic() + seconds
        while not pipe.poll(max(0.0, min(1.0, end - time.monotonic()))):
            largest.append(_virtual_mb(process.pid))
            if time.monotonic() >= end:
                return TIME
        return pipe.recv()

    try:
        if said(LOADING_S) != READY:
            return Answer(FAILED, why="the model was not read")
        answer = said(limit_s + GRACE_S)
        if answer == TIME:
            return Answer(TIME)
        while isinstance(answer, Answer) and answer.ended == ANSWERED:
            more = said(limit_s)
            if isinstance(more, Answer):
                return more
            if more is None:
                break
            answer.checks.update({"check": math.inf} if more == TIME else more)
            if more == TIME:
                break
        return answer
    except EOFError:
        process.join()
        # some libraries end the process when they get no more memory
        if max(largest) > 0.8 * MEMORY_MB:
            return Answer(MEMORY)
        return Answer(FAILED, why=f"the process ended with {process.exitcode}")


def _work(pipe: Connection, name: str, case: Case, limit_s: float) -> None:
    peer = BY_NAME[name]
    # Ctrl-C is for whoever listens, which ends this process
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        for module in peer.modules:
            import_module(module)
        model, prop = read(case)
        resource.setrlimit(resource.RLIMIT_AS, (MEMORY_MB << 20, MEMORY_MB << 20))
        # not for ever, should whoever listens be killed
        most = round(15 * limit_s + LOADING_S)
        resource.setrlimit(resource.RLIMIT_CPU, (most, most))
        pipe.send(READY)
        _time(pipe, peer, model, prop, limit_s)
    except MemoryError:
        pipe.send(Answer(MEMORY))
    except Exception as error:  # noqa: BLE001 - the bench ends with a message, whatever it is
        out = "memory" in str(error)
        pipe.send(Answer(MEMORY if out else FAILED, why=f"{type(error).__name__}: {error}"))


def _time(pipe: Connection, peer: Peer, model, prop, limit_s: float) -> None:
    parts = peer.run(model, prop, limit_s)
    started = time.perf_counter()
    verdict = next(parts)
    seconds = time.perf_counter() - started
    ran_out = seconds > limit_s or (verdict == OPEN and seconds >= 0.98 * limit_s)
    pipe.send(Answer(TIME if ran_out else ANSWERED, verdict, seconds, _peak_mb()))
    started = time.perf_counter()
    for what in parts:
        pipe.send({what: time.perf_counter() - started})
        started = time.perf_counter()
    pipe.send(None)


def _peak_mb() -> float:
    """Of this process alone; ``getrusage`` would count its parent's from before it was started."""
    return _status("self", "VmHWM:")


def _virtual_mb(pid: int) -> float:
    try:
        return _status(str(pid), "VmPeak:")
    except OSError:
        return 0.0


def _status(process: str, key: str) -> float:
    for line in Path(f"/proc/{process}/status").read_text(encoding="ascii").splitlines():
        if line.startswith(key):
            return int(line.split()[1]) / 1000
    raise OSError(f"no {key} for process {process}")


def read(case: Case):
    """The checked model of ``case`` and its property."""
    from verifier.language.load import load

    with tempfile.TemporaryDirectory() as folder:
        model, properties = load(case.write(Path(folder)))
    (prop,) = [one for one in properties if one.id == case.prop]
    return model, prop
