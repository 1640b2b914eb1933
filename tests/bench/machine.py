"""The machine and the libraries of a measurement, in a few lines."""

from __future__ import annotations

import os
import platform
import subprocess
from importlib.metadata import version
from pathlib import Path

from tests.bench.models import ROOT

LIBRARIES = ("z3-solver", "cvc5", "dd", "networkx")


def described() -> str:
    return "\n".join(
        [
            f"processors  {os.cpu_count()}, {_processor()}",
            f"busy        {os.getloadavg()[0]:.1f} processes on average in the minute before",
            f"memory      {_memory_gb():.0f} GB",
            f"system      {platform.system()} {platform.machine()}",
            f"Python      {platform.python_version()}",
            f"libraries   {', '.join(f'{name} {version(name)}' for name in LIBRARIES)}",
            f"revision    {_revision()}",
        ]
    )


def _processor() -> str:
    try:
        lines = Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines()
    except OSError:
        return platform.processor() or "unknown"
    return next(
        (line.split(":")[1].strip() for line in lines if line.startswith("model name")), "unknown"
    )


def _memory_gb() -> float:
    return os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 1e9


def _revision() -> str:
    command = ["git", "-C", str(ROOT), "describe", "--always", "--dirty"]
    try:
        done = subprocess.run(command, capture_output=True, text=True, check=True)
    except (OSError, subprocess.CalledProcessError):
        return "unknown"
    return done.stdout.strip()
