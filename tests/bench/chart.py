"""Time against size as an SVG picture, written by hand: one panel for each family and verdict.

The line of a peer runs through the geometric means over the numbers of road users; a dot is one
model. Hollow marks at the top are models on which a peer ran out.
"""

from __future__ import annotations

import math
from html import escape

from tests.bench.models import Case
from tests.bench.peers import OPEN, OURS, Peer
from tests.bench.running import ANSWERED, FAILED, Answer
from tests.bench.table import Measured

# Colours that stay apart for colour-blind readers (Okabe, Ito, "Color universal design", 2008).
COLOURS = ("#000000", "#D55E00", "#E69F00", "#0072B2", "#999999", "#CC79A7", "#009E73", "#56B4E9")
WIDTH, HEIGHT, LEFT, TOP, GAP = 400, 300, 60, 70, 70
FASTEST = 0.01


def drawn(measured: Measured) -> str:
    panels: dict[tuple[str, str], list] = {}
    for case, answers in measured.rows:
        panels.setdefault((case.family, case.expected), []).append((case, answers))
    # one size alone shows no growth
    grown = {
        key: rows for key, rows in panels.items() if len({case.tracks for case, _ in rows}) > 1
    }
    panels = grown or panels
    columns = 2
    rows = -(-len(panels) // columns)
    width = LEFT + columns * (WIDTH + GAP)
    height = TOP + rows * (HEIGHT + GAP)
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}" height="{height}"',
        f'viewBox="0 0 {width} {height}" font-family="sans-serif" font-size="13">',
        f'<rect width="{width}" height="{height}" fill="white"/>',
        *_legend(measured),
    ]
    for number, ((family, expected), found) in enumerate(panels.items()):
        x = LEFT + number % columns * (WIDTH + GAP)
        y = TOP + number // columns * (HEIGHT + GAP) + 20
        panel = _Panel(measured, x, y, max(case.tracks for case, _ in found))
        parts += panel.frame(f"{family}: {found[0][0].prop}, {expected}")
        for peer, colour in zip(measured.peers, COLOURS, strict=False):
            parts += panel.line(peer, colour, found)
    return "\n".join([*parts, "</svg>", ""])


def _legend(measured: Measured) -> list[str]:
    parts = []
    for number, (peer, colour) in enumerate(zip(measured.peers, COLOURS, strict=False)):
        x, y = LEFT + number % 4 * 215, 22 + number // 4 * 22
        parts.append(
            f'<line x1="{x}" y1="{y}" x2="{x + 26}" y2="{y}" stroke="{colour}" stroke-width="2.5"/>'
        )
        parts.append(f'<circle cx="{x + 13}" cy="{y}" r="3.5" fill="{colour}"/>')
        parts.append(f'<text x="{x + 34}" y="{y + 4}">{escape(peer.name)}</text>')
    return parts


class _Panel:
    def __init__(self, measured: Measured, x: float, y: float, most: int):
        self.measured, self.x, self.y, self.most = measured, x, y, most
        times = [measured.seconds(a) for _, answers in measured.rows for a in answers.values()]
        positive = [t for t in times if t > 0]
        self.low = 10.0 ** math.floor(math.log10(min([FASTEST, *positive])))
        self.high = 10.0 ** math.ceil(math.log10(measured.limit_s))

    def at(self, tracks: float, seconds: float) -> tuple[float, float]:
        across = (tracks - 0.5) / self.most
        up = math.log(max(seconds, self.low) / self.low) / math.log(self.high / self.low)
        return self.x + across * WIDTH, self.y + (1 - up) * HEIGHT

    def frame(self, title: str) -> list[str]:
        parts = [
            f'<rect x="{self.x}" y="{self.y}" width="{WIDTH}" height="{HEIGHT}" fill="none" stroke="#666"/>',
            f'<text x="{self.x}" y="{self.y - 8}" font-weight="bold">{escape(title)}</text>',
            f'<text x="{self.x + WIDTH / 2}" y="{self.y + HEIGHT + 36}" text-anchor="middle">tracks</text>',
        ]
        power = round(math.log10(self.low))
        while 10.0**power <= self.high:
            _, y = self.at(1, 10.0**power)
            parts.append(
                f'<line x1="{self.x}" y1="{y:.1f}" x2="{self.x + WIDTH}" y2="{y:.1f}" stroke="#ddd"/>'
            )
            label = f"{10**power:g} s" if power >= 0 else f"{10.0**power:.{-power}f} s"
            parts.append(f'<text x="{self.x - 6}" y="{y + 4:.1f}" text-anchor="end">{label}</text>')
            power += 1
        _, y = self.at(1, self.measured.limit_s)
        parts.append(
            f'<line x1="{self.x}" y1="{y:.1f}" x2="{self.x + WIDTH}" y2="{y:.1f}" '
            'stroke="#666" stroke-dasharray="5 4"/>'
        )
        for tracks in range(1, self.most + 1):
            x, _ = self.at(tracks, 1)
            parts.append(
                f'<text x="{x:.1f}" y="{self.y + HEIGHT + 18}" text-anchor="middle">{tracks}</text>'
            )
        return parts

    def line(
        self, peer: Peer, colour: str, found: list[tuple[Case, dict[str, Answer]]]
    ) -> list[str]:
        """The marks and the line of one peer."""
        by_tracks: dict[int, list[float]] = {}
        parts = []
        # peers a little beside each other, so that those at the limit can be told apart
        place = list(self.measured.peers).index(peer)
        aside = (place - len(self.measured.peers) / 2) * 0.04
        for case, answers in found:
            answer = answers.get(peer.name)
            if answer is None or not _is_drawn(peer, answer):
                continue
            seconds = self.measured.seconds(answer)
            by_tracks.setdefault(case.tracks, []).append(seconds)
            x, y = self.at(case.tracks + aside, seconds)
            fill = "white" if answer.ran_out else colour
            parts.append(
                f'<circle cx="{x:.1f}" cy="{y:.1f}" r="3" fill="{fill}" stroke="{colour}"/>'
            )
        points = []
        for tracks, times in sorted(by_tracks.items()):
            mean = math.exp(sum(map(math.log, times)) / len(times))
            points.append("{:.1f},{:.1f}".format(*self.at(tracks + aside, mean)))
        width = 2.5 if peer.name == OURS else 1.3
        parts.insert(
            0,
            f'<polyline points="{" ".join(points)}" fill="none" stroke="{colour}" stroke-width="{width}"/>',
        )
        return parts if points else []


def _is_drawn(peer: Peer, answer: Answer) -> bool:
    if answer.ended == ANSWERED:
        return answer.verdict != OPEN or peer.counts_open
    return answer.ended != FAILED
