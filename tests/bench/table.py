"""What was measured, as a table for people, as CSV, and as a few numbers for each peer."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Sequence
from dataclasses import dataclass

from tests.bench.models import Case
from tests.bench.peers import OPEN, OURS, Peer
from tests.bench.running import ANSWERED, FAILED, LEFT_OUT, MEMORY, Answer

COLUMNS = (
    *("family", "tracks", "users", "property", "expected", "peer", "ended", "verdict"),
    *("seconds", "ratio", "peak_mb", "check_s", "z3_check_s"),
)
Row = tuple[Case, dict[str, Answer]]


@dataclass(frozen=True)
class Measured:
    """All answers of one run; ``limit_s`` is what a peer that ran out counts as."""

    peers: tuple[Peer, ...]
    rows: tuple[Row, ...]
    limit_s: float

    def seconds(self, answer: Answer) -> float:
        return self.limit_s if answer.ran_out else answer.seconds

    def ratio(self, case: Case, peer: Peer, answers: dict[str, Answer]) -> float | None:
        """How many times as long as ours; None when the peer says nothing about the same
        question."""
        answer = answers.get(peer.name)
        if answer is None or answer.ended == FAILED:
            return None
        if peer.all_move and case.all_move != case.expected:
            return None
        if answer.ended == ANSWERED and answer.verdict == OPEN and not peer.counts_open:
            return None
        return self.seconds(answer) / self.seconds(answers[OURS])


def complaints(measured: Measured) -> list[str]:
    """Peers that say otherwise than the engine, or than the case was made for; and that failed."""
    found = []
    for case, answers in measured.rows:
        for peer in measured.peers:
            answer = answers.get(peer.name)
            if answer is None:
                continue
            expected = case.all_move if peer.all_move else case.expected
            if answer.ended == FAILED:
                found.append(f"{case.name}: {peer.name} failed: {answer.why}")
            elif answer.verdict not in ("", OPEN, expected):
                said = f"{case.name}: {peer.name} says {answer.verdict}, expected {expected}"
                found.append(f"{said}; {OURS} says {answers[OURS].verdict or 'nothing'}")
    return found


def text(measured: Measured) -> str:
    others = [peer for peer in measured.peers if peer.name != OURS]
    seconds, ratios = [], []
    for case, answers in measured.rows:
        ours = answers[OURS]
        seconds.append(
            [
                case.name,
                _cell(ours, measured.limit_s),
                _check(ours, "check"),
                _check(ours, "z3 check"),
                f"{ours.peak_mb:.0f}" if ours.peak_mb else "",
                *(_cell(answers.get(peer.name), measured.limit_s) for peer in others),
            ]
        )
        ratios.append([case.name, *(_times(measured, case, peer, answers) for peer in others)])
    head = ["model tracks,users", OURS, "check", "z3 check", "MB", *(peer.name for peer in others)]
    parts = ["Seconds", _grid([head, *seconds])]
    if others:
        names = [peer.name for peer in others]
        parts += ["Times as long as this engine", _grid([["", *names], *ratios])]
        parts += ["In geometric mean", _grid(_means(measured, others))]
    return "\n\n".join([*parts, _legend(measured)]) + "\n"


def _legend(measured: Measured) -> str:
    limit = f"{measured.limit_s:g}"
    return "\n".join(
        [
            *(f"{peer.name:11} {peer.says}" for peer in measured.peers),
            "",
            f">{limit} ran out of time and counts as {limit} s; >mem ran out of memory, counts as that too;",
            f"(>{limit}) not run, as it had run out on a model with fewer or as many tracks and users; counts",
            "as well. open: ended without a verdict, counts for nothing but in whole units. -: can't answer.",
            "*: asked another question there, on which the true answer differs; left out of the mean.",
            "check: cvc5 re-checks the certificate, or the trace is replayed; z3 check: z3 on the same.",
            "MB: peak resident memory of this engine up to its verdict.",
        ]
    )


def _cell(answer: Answer | None, limit_s: float) -> str:
    if answer is None:
        return "-"
    if answer.ended == FAILED:
        return "FAILED"
    if answer.ended == LEFT_OUT:
        return f"(>{limit_s:g})"
    if answer.ran_out:
        return ">mem" if answer.ended == MEMORY else f">{limit_s:g}"
    return f"{'open ' if answer.verdict == OPEN else ''}{_short(answer.seconds)}"


def _check(answer: Answer, what: str) -> str:
    if what not in answer.checks:
        return ""
    return ">" if math.isinf(answer.checks[what]) else _short(answer.checks[what])


def _times(measured: Measured, case: Case, peer: Peer, answers: dict[str, Answer]) -> str:
    ratio = measured.ratio(case, peer, answers)
    if ratio is None:
        return "*" if peer.name in answers and peer.all_move else "-"
    bound = ">" if answers[peer.name].ran_out else ""
    bound = "<" if answers[OURS].ran_out and not bound else bound
    return f"{bound}{_short(ratio)}"


def _means(measured: Measured, others: Sequence[Peer]) -> list[list[str]]:
    rows = [["", "mean", "models", "of these ran out", "mean where it answered", "least"]]
    for peer in others:
        every, answered = [], []
        for case, answers in measured.rows:
            ratio = measured.ratio(case, peer, answers)
            if ratio is not None:
                every.append(ratio)
                if not answers[peer.name].ran_out:
                    answered.append(ratio)
        ran_out = len(every) - len(answered)
        least = _short(min(every)) if every else "-"
        rows.append(
            [peer.name, _mean(every), str(len(every)), str(ran_out), _mean(answered), least]
        )
    return rows


def _mean(ratios: list[float]) -> str:
    return _short(math.exp(sum(map(math.log, ratios)) / len(ratios))) if ratios else "-"


def _short(number: float) -> str:
    """Three figures, no exponent."""
    digits = max(0, 2 - math.floor(math.log10(number))) if number > 0 else 2
    return f"{number:.{min(digits, 4)}f}"


def _grid(rows: list[list[str]]) -> str:
    widths = [max(len(cell) for cell in column) for column in zip(*rows, strict=True)]
    lines = []
    for first, *rest in rows:
        cells = [first.ljust(widths[0])]
        cells += [cell.rjust(width) for cell, width in zip(rest, widths[1:], strict=True)]
        lines.append("  ".join(cells).rstrip())
    return "\n".join(lines)


def as_csv(measured: Measured) -> str:
    """A line for each answer."""
    out = io.StringIO()
    write = csv.writer(out, lineterminator="\n")
    write.writerow(COLUMNS)
    for case, answers in measured.rows:
        for peer in measured.peers:
            answer = answers.get(peer.name)
            if answer is None:
                continue
            ratio = measured.ratio(case, peer, answers)
            write.writerow(
                [
                    case.family,
                    case.tracks,
                    case.users,
                    case.prop,
                    case.expected,
                    peer.name,
                    answer.ended,
                    answer.verdict,
                    f"{measured.seconds(answer):.4f}",
                    "" if ratio is None else f"{ratio:.3f}",
                    f"{answer.peak_mb:.0f}" if answer.peak_mb else "",
                    *(
                        f"{answer.checks[what]:.4f}" if what in answer.checks else ""
                        for what in ("check", "z3 check")
                    ),
                ]
            )
    return out.getvalue()
