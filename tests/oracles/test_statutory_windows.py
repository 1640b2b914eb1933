"""The closing sequences of the orders: both ends of the published windows occur, and nothing outside.

In seconds from amber. Both kinds: 3 of amber, then 4 to 6 of red, so the first barriers move at 3+4 = 7 to
3+6 = 9; 6 to 10 for them, so they are down at 7+6 = 13 to 9+10 = 19. Full barriers: 6 to 10 more for the
exit barriers, so all are down at 13+6 = 19 to 19+10 = 29.
Full barriers: SR 2023 No. 8 Sch 2 para 11. Half barriers: SR 2010 No. 419 Sch 2 para 9, by (d) of which
the train comes not before 27 s, and so 27-19 = 8 s at least after the barriers are down.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import pytest

from tests.oracles.judging import changed_model, results_of, verdicts_of
from tests.oracles.walking import Walk
from verifier.evidence.result import Result

FULL, HALF = "full_barriers.yaml", "half_barriers.yaml"
A_BIT = Fraction(1, 100)
OF_THE_PACK = "closed-in-19-to-29s"
AMBER = ("road_lights", "amber")


@dataclass(frozen=True)
class Milestone:
    """``entered`` in ``earliest`` to ``latest`` seconds from amber, ``unless`` something excuses it."""

    name: str
    term: str
    entered: tuple[str, str]
    earliest: int
    latest: int
    unless: str = "false"


# An entrance barrier turns when the call is withdrawn; an exit barrier waits for a vehicle.
OF_FULL = [
    Milestone("first-moves", "barrier_down_or_falling", ("entrance", "falling_above_45"), 7, 9),
    Milestone(
        "first-down", "entrance_lowered", ("entrance", "lowered"), 13, 19, "not closing_called"
    ),
    Milestone(
        "all-down",
        "road_closed",
        ("exit", "lowered"),
        19,
        29,
        "vehicle_on_crossing or not closing_called",
    ),
]
OF_HALF = [
    Milestone("first-moves", "barriers_falling", ("barriers", "falling_above_45"), 7, 9),
    Milestone("all-down", "barriers_lowered", ("barriers", "lowered"), 13, 19),
]


def demands(milestones: list[Milestone]) -> str:
    """For each window: that it holds, that it is never earlier whatever excuses, and that it holds
    with either end moved in a little, which is to fail."""
    text = "properties:\n"
    for one in milestones:
        for name, bounds, unless in (
            ("holds", {"at_least": one.earliest, "at_most": one.latest}, one.unless),
            ("never-earlier", {"at_least": one.earliest}, "false"),
            ("later", {"at_least": one.earliest + A_BIT}, one.unless),
            ("earlier", {"at_most": one.latest - A_BIT}, one.unless),
        ):
            text += (
                f"  - id: {one.name}-{name}\n"
                f"    says: {one.term} comes in its window from amber\n"
                "    source: SR 2023 No. 8 Sch 2 para 11; SR 2010 No. 419 Sch 2 para 9\n"
                f"    between: [lights_amber, {one.term}]\n"
                f"    unless: {unless}\n"
            )
            text += "".join(f"    {side}: {float(bound)} s\n" for side, bound in bounds.items())
    return text


def judged(folder: Path, model: str, kind: str, milestones: list[Milestone]) -> dict[str, Result]:
    terms = ["lights_amber", "vehicle_on_crossing", *(m.term for m in milestones)]
    needs = [f"  {term}: {{as: truth}}\n" for term in terms] + ["  closing_called: {as: command}\n"]
    used = "".join(need for need in needs if need.split(":")[0].strip() in demands(milestones))
    head = f"format: 1\npack: windows\nkinds: [{kind}]\njurisdiction: GB\nneeds:\n"
    pack = folder / "windows.yaml"
    pack.write_text(head + used + demands(milestones), encoding="utf-8")
    names = ("holds", "never-earlier", "later", "earlier")
    return results_of(model, [str(pack)], {f"{m.name}-{name}" for m in milestones for name in names})


@pytest.fixture(scope="module")
def full(tmp_path_factory) -> dict[str, Result]:
    found = judged(tmp_path_factory.mktemp("full"), FULL, "MCB-OD", OF_FULL)
    return found | results_of(FULL, [], [OF_THE_PACK])


@pytest.fixture(scope="module")
def half(tmp_path_factory) -> dict[str, Result]:
    return judged(tmp_path_factory.mktemp("half"), HALF, "AHB", OF_HALF)


def hold_to_window(results: dict[str, Result], one: Milestone) -> None:
    verdicts = {
        name: results[f"{one.name}-{name}"].verdict
        for name in ("holds/at_least", "holds/at_most", "never-earlier", "later", "earlier")
    }
    assert verdicts == {
        "holds/at_least": "proved",
        "holds/at_most": "proved",
        "never-earlier": "proved",
        "later": "violated",
        "earlier": "violated",
    }
    soon = since_amber(results[f"{one.name}-later"], one.entered)
    late = since_amber(results[f"{one.name}-earlier"], None)
    assert one.earliest <= soon < one.earliest + A_BIT
    assert one.latest - A_BIT < late <= one.latest


def since_amber(result: Result, ends: tuple[str, str] | None) -> Fraction:
    """Seconds from the last amber to the state that breaks the property, at which ``ends`` is entered."""
    assert result.trace is not None
    shots = result.trace.run.snapshots[: result.trace.violating + 1]
    begins = [i for i in range(len(shots)) if comes(shots, i, AMBER)]
    if ends is not None:
        assert any(comes(shots, i, ends) for i in range(begins[-1], len(shots)))
    return shots[-1].time - shots[begins[-1]].time


def comes(shots, index: int, place: tuple[str, str]) -> bool:
    machine, state = place
    here = shots[index].locations[machine] == state
    return here and index > 0 and shots[index - 1].locations[machine] != state


@pytest.mark.parametrize("one", OF_FULL, ids=lambda one: one.name)
def test_full_barriers_keep_their_windows(full: dict[str, Result], one: Milestone) -> None:
    hold_to_window(full, one)


@pytest.mark.parametrize("side", ["at_least", "at_most"])
def test_the_pack_of_full_barriers_asks_for_the_same(full: dict[str, Result], side: str) -> None:
    result = full[f"{OF_THE_PACK}/{side}"]
    assert result.property.bound == {"at_least": 19, "at_most": 29}[side]
    assert result.verdict == "proved"


@pytest.mark.parametrize("one", OF_HALF, ids=lambda one: one.name)
def test_half_barriers_keep_their_windows(half: dict[str, Result], one: Milestone) -> None:
    hold_to_window(half, one)


def lower(walk: Walk, barrier: str, start: tuple[int, int] | None, end: int) -> None:
    """A barrier falls in its shortest (``end`` 0) or longest time (1) and not outside of it; each half
    of the way takes half of the 6 to 10 s. ``start`` None: it starts at once."""
    ways = [
        ("falling_above_45", start or (0, 0)),
        ("falling_below_45", (3, 5)),
        ("lowered", (3, 5)),
    ]
    for state, window in ways:
        if window[0] > 0:
            assert walk.refuses(window[0] - A_BIT, barrier, state)
        assert walk.refuses(window[1] + A_BIT, barrier, state)
        walk.wait(window[end], barrier, state)


@pytest.mark.parametrize(("end", "first_down", "all_down"), [(0, 13, 19), (1, 19, 29)])
def test_full_barriers_walk_to_the_end_of_the_window(end, first_down, all_down) -> None:
    walk = Walk(FULL)
    walk.wait(0, "signaller", "closes")
    walk.wait(10)  # the road stays open for its least time
    assert walk.entries[AMBER] == 10
    assert walk.refuses(3 + A_BIT)
    walk.wait(3)
    lower(walk, "entrance", (4, 6), end)
    lower(walk, "exit", None, end)
    assert walk.between(AMBER, ("road_lights", "red")) == 3
    assert walk.between(AMBER, ("entrance", "lowered")) == first_down
    assert walk.between(AMBER, ("exit", "lowered")) == all_down


@pytest.mark.parametrize(("end", "down", "before_train"), [(0, 13, 14), (1, 19, 8)])
def test_half_barriers_walk_to_the_end_of_the_window(tmp_path, end, down, before_train) -> None:
    walk = Walk(at_27_s(tmp_path, "8 s"))
    walk.wait(0, "train_up", "outer")
    walk.wait(0, "running_up", "inward")
    walk.wait(20, "train_up", "approaching")
    assert walk.entries[AMBER] == 20
    assert walk.refuses(3 + A_BIT)
    walk.wait(3)
    lower(walk, "barriers", (4, 6), end)
    assert walk.refuses(27 - down - A_BIT, "train_up", "on_crossing")
    walk.wait(27 - down, "train_up", "on_crossing")
    assert walk.between(AMBER, ("barriers", "lowered")) == down
    assert walk.between(AMBER, ("train_up", "on_crossing")) == 27
    assert walk.between(("barriers", "lowered"), ("train_up", "on_crossing")) == before_train


def at_27_s(folder: Path, down_before_train: str) -> Path:
    """Half barriers with the strike-in set out for 3+6+10 s and this."""
    return changed_model(folder, HALF, {"parameters.down_before_train": down_before_train})


def test_half_barriers_warn_for_exactly_27_s(tmp_path: Path) -> None:
    """The boundary instance: the fastest train comes 3+6+10+8 = 27 s after amber."""
    ids = {"warning-27s[up]", "warning-27s[down]", "down-8s-before-train[up]"}
    assert verdicts_of(at_27_s(tmp_path, "8 s"), [], ids) == dict.fromkeys(ids, "proved")


@pytest.mark.slow
def test_half_barriers_warn_for_less_when_set_out_for_less(tmp_path: Path) -> None:
    ids = {"warning-27s[up]", "down-8s-before-train[up]"}
    assert verdicts_of(at_27_s(tmp_path, "7.99 s"), [], ids) == dict.fromkeys(ids, "violated")
