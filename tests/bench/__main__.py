"""``python -m tests.bench``: all peers on all models, one after another, and a table of ratios."""

from __future__ import annotations

import argparse
import re
import signal
import sys
from collections.abc import Callable, Sequence
from pathlib import Path

from tests.bench import chart, machine, table
from tests.bench.models import CASES, PROVED, Case
from tests.bench.peers import BY_NAME, OURS, PEERS, Peer
from tests.bench.running import LEFT_OUT, Answer, ask

HERE = Path(__file__).resolve().parent
KEPT = HERE / "measured"
FULL_LIMIT, QUICK_LIMIT = 300.0, 20.0
QUICK = (("half", 1, 1), ("half", 2, 1), ("full", 1, 1), ("full", 2, 1), ("signal", 2, 1))


def measure(
    cases: Sequence[Case],
    peers: Sequence[Peer],
    limit_s: float,
    repeat: int,
    say: Callable[[str], None],
    ask_all: bool = False,
) -> table.Measured:
    """Every peer on every case; one that ran out is not asked again about a larger one of its kind,
    unless ``ask_all``. Interrupted, it gives the cases that every peer has been asked about."""
    rows: list[table.Row] = []
    try:
        for case in cases:
            rows.append((case, _asked(case, peers, rows, limit_s, repeat, say, ask_all)))
    except KeyboardInterrupt:
        say(f"interrupted: {len(rows)} of {len(cases)} models are measured")
    return table.Measured(tuple(peers), tuple(rows), limit_s)


def _asked(
    case: Case,
    peers: Sequence[Peer],
    rows: list[table.Row],
    limit_s: float,
    repeat: int,
    say: Callable[[str], None],
    ask_all: bool,
) -> dict[str, Answer]:
    answers: dict[str, Answer] = {}
    for peer in peers:
        if case.expected == PROVED and not peer.can_prove:
            continue
        if not ask_all and _ran_out_below(rows, case, peer):
            answers[peer.name] = Answer(LEFT_OUT)
            continue
        answers[peer.name] = ask(peer, case, limit_s, repeat)
        say(f"{case.name}: {peer.name} {_outcome(answers[peer.name])}")
    return answers


def _outcome(answer: Answer) -> str:
    return f"{answer.verdict} {answer.seconds:.3f} s" if answer.verdict else answer.ended


def _ran_out_below(rows: list[table.Row], case: Case, peer: Peer) -> bool:
    if peer.name == OURS:
        return False
    return any(
        other.family == case.family
        and other.expected == case.expected
        and other.tracks <= case.tracks
        and other.users <= case.users
        and peer.name in answers
        and answers[peer.name].ran_out
        for other, answers in rows
    )


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    parser.add_argument("--quick", action="store_true", help="few models, 20 s for each peer")
    parser.add_argument("--only", metavar="PEER,...", help="these peers, beside this engine")
    parser.add_argument("--limit", type=float, metavar="S", help="seconds for each peer and model")
    parser.add_argument(
        "--models", metavar="PATTERN", help="models whose name matches, as `half 2`"
    )
    parser.add_argument("--all", action="store_true", help="ask also those that ran out before")
    parser.add_argument("--repeat", type=int, metavar="N", help="median of N where a run is short")
    parser.add_argument("-o", metavar="DIR", help="write table, CSV and chart there")
    parser.add_argument(
        "--keep", action="store_true", help="write them beside README.md, and into it"
    )
    wanted = parser.parse_args()
    unknown = set((wanted.only or OURS).split(",")) - set(BY_NAME)
    if unknown:
        parser.error(f"no peer {', '.join(sorted(unknown))}; there are {', '.join(BY_NAME)}")
    return wanted


def _cases(wanted: argparse.Namespace) -> list[Case]:
    cases = list(CASES)
    if wanted.quick:
        cases = [case for case in cases if (case.family, case.tracks, case.users) in QUICK]
    if wanted.models:
        cases = [case for case in cases if re.search(wanted.models, case.name)]
    return cases


def _keep(folder: Path, measured: table.Measured, words: str) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "table.txt").write_text(words, encoding="utf-8")
    (folder / "table.csv").write_text(table.as_csv(measured), encoding="utf-8")
    (folder / "chart.svg").write_text(chart.drawn(measured), encoding="utf-8")


def _into_readme(words: str) -> None:
    readme = HERE / "README.md"
    before, begin, rest = readme.read_text(encoding="utf-8").partition("<!-- measured -->\n")
    _, end, after = rest.partition("<!-- end -->\n")
    readme.write_text(f"{before}{begin}```\n{words}```\n{end}{after}", encoding="utf-8")


def _progress(line: str) -> None:
    print(line, file=sys.stderr, flush=True)


def main() -> int:
    # so that the peer at work is ended too
    signal.signal(signal.SIGTERM, lambda number, frame: sys.exit(128 + number))
    wanted = _arguments()
    cases = _cases(wanted)
    if not cases:
        print("no model is selected", file=sys.stderr)
        return 3
    only = set(wanted.only.split(",")) | {OURS} if wanted.only else set(BY_NAME)
    peers = [peer for peer in PEERS if peer.name in only]
    limit = wanted.limit or (QUICK_LIMIT if wanted.quick else FULL_LIMIT)
    repeat = wanted.repeat or (1 if wanted.quick else 3)
    where = machine.described()
    measured = measure(cases, peers, limit, repeat, _progress, wanted.all)
    if not measured.rows:
        return 128 + signal.SIGINT
    words = f"{where}\nlimit       {limit:g} s\n\n{table.text(measured)}"
    print(words, end="")
    if wanted.o:
        _keep(Path(wanted.o), measured, words)
    if wanted.keep:
        _keep(KEPT, measured, words)
        _into_readme(words)
    wrong = table.complaints(measured)
    for line in wrong:
        print(f"DISAGREEMENT {line}", file=sys.stderr)
    if wrong:
        return 4
    return 0 if len(measured.rows) == len(cases) else 128 + signal.SIGINT


if __name__ == "__main__":
    try:
        sys.exit(main())
    except KeyboardInterrupt:
        sys.exit(128 + signal.SIGINT)
