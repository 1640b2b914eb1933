"""Exit codes, in one place."""

from __future__ import annotations

from collections.abc import Iterable

from verifier.evidence.result import Result

GOOD = 0
FOUND = 1
BAD_INPUT = 2
NOT_DECIDED = 3
DEFECT = 4
INTERRUPTED = 130
TERMINATED = 143

# If several apply, the first of these is the exit code.
PRIORITY = (DEFECT, BAD_INPUT, FOUND, NOT_DECIDED)

OF_VERDICT = {
    "proved": GOOD,
    "shown": GOOD,
    "violated": FOUND,
    "undecided": NOT_DECIDED,
    "vacuous": NOT_DECIDED,
    "impossible": NOT_DECIDED,
}

TEXT = """\
\b
Exit codes:
  0    every requested property is proved (or shown); nothing to report
  1    a property is violated, or what was asked for was found
  2    bad input or command line
  3    undecided, vacuous, impossible, or nothing selected
  4    a defect of strikein itself: please report it
  130  interrupted; 143 terminated
If several apply, the first of 4, 2, 1, 3 is given."""


def most_serious(codes: Iterable[int]) -> int:
    """The exit code when all of ``codes`` apply."""
    present = set(codes)
    return next((code for code in PRIORITY if code in present), GOOD)


def code_of(results: Iterable[Result]) -> int:
    """The exit code of some results; none at all is "nothing selected"."""
    codes = [OF_VERDICT[result.verdict] for result in results]
    return most_serious(codes) if codes else NOT_DECIDED
