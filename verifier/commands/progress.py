"""Progress on standard error: which property, which stage, how long.

On a terminal one line is rewritten; elsewhere a line is written only for a stage that takes long, so that
a log shows where the time goes and is otherwise empty.
"""

from __future__ import annotations

import sys
import threading
import time
from types import TracebackType
from typing import Self

SLOW_S = 5.0


class Progress:
    """Call it with what is being judged and the stage; use it as a context manager around the work.

    ``progress(subject, stage)``, for example ``progress("ambiguous", "proving")``. Safe to call from
    several threads.
    """

    def __init__(self, title: str):
        self._title = title
        self._lock = threading.Lock()
        self._now = ("", "")
        self._since = time.monotonic()
        self._ended = threading.Event()
        self._thread: threading.Thread | None = None
        self._live = None

    def __enter__(self) -> Self:
        if sys.stderr.isatty():
            self._live = _live_line(self._title)
            self._live.start()
        else:
            self._thread = threading.Thread(target=self._log_slow, daemon=True)
            self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._ended.set()
        if self._live is not None:
            self._live.stop()
        if self._thread is not None:
            self._thread.join()

    def __call__(self, subject: str, stage: str) -> None:
        with self._lock:
            self._now = (subject, stage)
            self._since = time.monotonic()
        if self._live is not None:
            self._live.update(self._live.task_ids[0], description=f"{subject}: {stage}")

    def _log_slow(self) -> None:
        """Write a stage's line once it has lasted ``SLOW_S``, and again each time that has doubled."""
        last, due = ("", ""), SLOW_S
        while not self._ended.wait(0.25):
            with self._lock:
                now, lasting = self._now, time.monotonic() - self._since
            if now != last:
                last, due = now, SLOW_S
            if now[0] and lasting >= due:
                due = due * 2
                sys.stderr.write(f"{self._title}: {now[0]}: {now[1]}, {lasting:.0f} s so far\n")
                sys.stderr.flush()


def _live_line(title: str):
    from rich.console import Console
    from rich.progress import Progress as Line
    from rich.progress import SpinnerColumn, TextColumn, TimeElapsedColumn

    line = Line(
        SpinnerColumn(), TextColumn("{task.fields[title]}  {task.description}", markup=False),
        TimeElapsedColumn(), console=Console(stderr=True), transient=True,
    )
    line.add_task("loading", total=None, title=title)
    return line
