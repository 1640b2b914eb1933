"""The models of the bench: the shipped ones as overlays, some with n tracks and m road users.

Besides the two sizes only the speeds and lengths change, to ones whose running times are whole
seconds: the peers that count time in units would otherwise need units of a 1/4191 s. The flawed
variant is one change more. To measure another model, add a line to ``CASES``. ``full`` with two
tracks and two users is the shipped model of its kind; the other kinds that take longest to judge
stand in ``SHIPPED``.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
PROVED, VIOLATED = "proved", "violated"


@dataclass(frozen=True)
class Case:
    """One question: does ``prop`` hold in the model that ``text`` writes? ``expected`` is what the
    model was made for; whoever finds otherwise makes the bench fail. ``all_move`` is the answer to
    the other question that the peer ``plain`` asks, whether it holds when the world may move in the
    midst of a settle."""

    family: str
    tracks: int
    users: int
    prop: str
    expected: str
    text: Callable[[], str]
    all_move: str = ""

    def __post_init__(self) -> None:
        object.__setattr__(self, "all_move", self.all_move or self.expected)

    @property
    def name(self) -> str:
        return f"{self.family} {self.tracks},{self.users} {self.expected}"

    def write(self, folder: Path) -> str:
        """The model as a file in ``folder``; its path."""
        path = folder / "model.yaml"
        path.write_text(self.text(), encoding="utf-8")
        return str(path)


def half_barriers(tracks: int, users: int, flaw: str = "") -> str:
    """``models/half_barriers.yaml`` with any number of tracks and of vehicles at once."""
    return _overlay(
        "half_barriers.yaml",
        f"half barriers, {tracks} tracks, {users} vehicles",
        f"{{at: groups, to: {{track: {_names('t', tracks)}, lane: {_names('l', users)}}}}}",
        "{at: parameters.line_speed, to: 50 m/s}",
        "{at: parameters.outer, to: line_speed * 13 s}",
        '{at: "parts[as=vehicle].for each", to: lane}',
        '{at: "parts[as=vehicle].as", to: "vehicle_{lane}"}',
        '{at: terms.vehicle_on_crossing, to: "some lane has vehicle_{lane}.is_on_crossing"}',
        flaw,
    )


def full_barriers(tracks: int, users: int, flaw: str = "") -> str:
    """``models/full_barriers.yaml`` with any number of tracks and lanes."""
    return _overlay(
        "full_barriers.yaml",
        f"full barriers, {tracks} tracks, {users} lanes",
        f"{{at: groups, to: {{track: {_names('t', tracks)}, lane: {_names('l', users)}}}}}",
        "{at: parameters.line_speed, to: 40 m/s}",
        "{at: parameters.slowest_speed, to: 12 m/s}",
        "{at: parameters.signal_to_crossing, to: 240 m}",
        flaw,
    )


def textbook(base: str) -> str:
    """One of the small published models as it is."""
    return f"format: 1\nbase: {ROOT / 'models' / 'textbook' / base}\nchange: []\n"


def _names(stem: str, count: int) -> str:
    return "[" + ", ".join(f"{stem}{number}" for number in range(1, count + 1)) + "]"


def _overlay(base: str, says: str, *changes: str) -> str:
    lines = ["format: 1", f"base: {ROOT / 'models' / base}", f"says: {says}", "change:"]
    return "\n".join([*lines, *(f"  - {change}" for change in changes if change), ""])


# A vehicle may need 10 s longer than the warning time was set out for.
SLOW_VEHICLES = "{at: parameters.clearing, to: 0 s .. 30 s}"
# The obstacle detector sees nothing.
BLIND_DETECTOR = '{at: sensors.deck_occupied.reads, to: "false"}'
TOGETHER = "never-train-and-vehicle[t1]"
SIGNAL = "signal-only-while-closed[t1]"


def _half(tracks: int, users: int) -> list[Case]:
    write = partial(half_barriers, tracks, users)
    return [
        Case("half", tracks, users, TOGETHER, PROVED, write),
        Case("half", tracks, users, TOGETHER, VIOLATED, partial(write, SLOW_VEHICLES)),
    ]


def _full(tracks: int, users: int) -> list[Case]:
    write = partial(full_barriers, tracks, users)
    return [
        # A train that strikes in just while the control withdraws a closing that nobody called for any
        # more would clear its signal as the barriers begin to rise.
        Case("full", tracks, users, TOGETHER, PROVED, write, all_move=VIOLATED),
        Case("full", tracks, users, TOGETHER, VIOLATED, partial(write, BLIND_DETECTOR)),
    ]


def _shipped(kind: str, tracks: int, base: str, prop: str, *changes: str) -> list[Case]:
    """A shipped model of one size; the last of ``changes`` is its flaw."""
    sound = partial(_overlay, base, f"{kind}, as shipped", *changes[:-1])
    return [
        Case(kind, tracks, 1, prop, PROVED, sound),
        Case(kind, tracks, 1, prop, VIOLATED, partial(sound, changes[-1])),
    ]


# The slowest train takes 100 s from where the driver decides to the signal, and the approach lock
# is to outlast it.
SLOWEST_9, SLOWEST_12 = (f"{{at: parameters.slowest_speed, to: {n} m/s}}" for n in (9, 12))
SHORT_LOCK = "{at: parameters.release, to: 90 s}"
SHIPPED: tuple[Case, ...] = (
    *_shipped(
        *("MCB", 1, "full_barriers_direct.yaml", "train-finds-road-closed[single]"),
        *(SLOWEST_9, SHORT_LOCK),
    ),
    *_shipped(
        *("MCB-R", 2, "full_barriers_remote.yaml", "train-finds-road-closed[up]"),
        *(SLOWEST_12, SHORT_LOCK),
    ),
    *_shipped(
        *("MCB-CCTV", 1, "full_barriers_cctv.yaml", "train-finds-road-closed[single]"),
        *(SLOWEST_12, SHORT_LOCK),
    ),
    *_shipped(
        *("MCB-OC", 2, "barriers_on_call.yaml", "train-finds-road-closed[up]"),
        *(SLOWEST_9, SHORT_LOCK),
    ),
    # Road users are to be warned for 27 s.
    *_shipped(
        *("AOCL", 2, "local_open.yaml", "warning-27s[up]"),
        "{at: parameters.board_speed, to: 25 m/s}",
        "{at: parameters.slowest_speed, to: 18 m/s}",
        "{at: parameters.strike_in, to: board_speed * 26 s}",
    ),
    # The barriers are down 19 s after the strike-in at the latest.
    *_shipped(
        *("AOCL+B", 1, "local_open_with_barriers.yaml", "train-finds-barriers-down[line]"),
        "{at: parameters.board_speed, to: 20 m/s}",
        "{at: parameters.slowest_speed, to: 15 m/s}",
        "{at: parameters.strike_in, to: board_speed * 18 s}",
    ),
    # All barriers are down 3+6+10+10 s after amber at the latest.
    *_shipped(
        *("AFBCL", 1, "local_full_barriers.yaml", "closed-in-19-to-29s/at_most"),
        "{at: parameters.board_speed, to: 6.75 m/s}",
        "{at: parameters.slowest_speed, to: 5.4 m/s}",
        "{at: parameters.strike_in, to: board + board_speed * 30 s}",
        '{at: "parts[as=entrance].set.lowering", to: 6 s .. 12 s}',
    ),
)

CASES: tuple[Case, ...] = (
    Case("gate", 1, 0, "b2-safety", PROVED, partial(textbook, "b2_train_gate.yaml")),
    Case("gate", 1, 0, "b2-safety", VIOLATED, partial(textbook, "flawed/b2_late_lowering.yaml")),
    Case("tracks", 2, 0, "b1-safety", PROVED, partial(textbook, "b1_generalized.yaml")),
    Case("tracks", 2, 0, "b1-safety", VIOLATED, partial(textbook, "flawed/b1_lowering_at_8.yaml")),
    *(case for tracks in range(1, 5) for users in range(1, 4) for case in _half(tracks, users)),
    *(case for tracks in range(1, 9) for users in range(1, 4) for case in _full(tracks, users)),
    # One that does not rest on times, so that the clock-free peer has something to say.
    *(
        Case("signal", tracks, 1, SIGNAL, PROVED, partial(full_barriers, tracks, 1))
        for tracks in (1, 2, 4, 8)
    ),
    *SHIPPED,
)
