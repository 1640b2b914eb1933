"""The closing sequences of the orders: both ends of the published windows occur, and nothing outside.

Full barriers, SR 2023 No. 8 Sch 2 para 11: amber 3 s, 4 to 6 s of red, 6 to 10 s for the entrance
barriers, 6 to 10 s for the exit barriers; 3+4+6+6 = 19 s and 3+6+10+10 = 29 s from amber to all down.
Half barriers, SR 2010 No. 419 Sch 2 para 9: 3+4+6 = 13 s and 3+6+10 = 19 s. The model's strike-in is
set out for 3+6+10+9 = 28 s at the line speed, 1 s more than the 27 s of para 9(d).
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.oracles.judging import changed_pack, results_of, verdicts_of

FULL, HALF = "full_barriers.yaml", "half_barriers.yaml"
FULL_PACK, HALF_PACK = "gb_mcb_od.yaml", "gb_ahb.yaml"
CLOSED = "closed-in-19-to-29s"
HALF_CLOSED = """\
properties:
  - id: down-in-window
    says: both barriers are down from 13 to 19 s after amber
    source: SR 2010 No. 419 Sch 2 para 9
    between: [lights_amber, barriers_lowered]
"""


def length_s(result, begins: str, ends: str) -> float:
    """Seconds from the last entry of machine-state ``begins`` to the entry of ``ends`` after it."""
    assert result.trace is not None
    shots = result.trace.run.snapshots

    def entries(name: str) -> list[int]:
        machine, state = name.split()
        return [
            i
            for i in range(1, len(shots))
            if shots[i].locations[machine] == state and shots[i - 1].locations[machine] != state
        ]

    last = entries(ends)[-1]
    first = max(i for i in entries(begins) if i <= last)
    return float(shots[last].time - shots[first].time)


def test_full_barriers_are_down_within_the_window() -> None:
    ids = {f"{CLOSED}/at_least", f"{CLOSED}/at_most"}
    assert verdicts_of(FULL, [], ids) == dict.fromkeys(ids, "proved")


def test_full_barriers_may_be_down_after_19_s(tmp_path: Path) -> None:
    packs = changed_pack(tmp_path, FULL_PACK, "at_least: 19 s", "at_least: 19.01 s")
    result = results_of(FULL, packs, {f"{CLOSED}/at_least"})[f"{CLOSED}/at_least"]
    assert result.verdict == "violated"
    assert 19 <= length_s(result, "road_lights amber", "exit lowered") < 19.01


def test_full_barriers_may_need_29_s(tmp_path: Path) -> None:
    packs = changed_pack(tmp_path, FULL_PACK, "at_most: 29 s", "at_most: 28.99 s")
    result = results_of(FULL, packs, {f"{CLOSED}/at_most"})[f"{CLOSED}/at_most"]
    assert result.verdict == "violated"


@pytest.mark.parametrize(
    ("bound", "verdict"),
    [
        ("at_least: 13 s", "proved"),
        ("at_least: 13.01 s", "violated"),
        ("at_most: 19 s", "proved"),
        ("at_most: 18.99 s", "violated"),
    ],
)
def test_half_barriers_are_down_from_13_to_19_s(tmp_path: Path, bound: str, verdict: str) -> None:
    packs = changed_pack(tmp_path, HALF_PACK, "properties:\n", f"{HALF_CLOSED}    {bound}\n")
    assert verdicts_of(HALF, packs, {"down-in-window"}) == {"down-in-window": verdict}


@pytest.mark.parametrize(("bound", "verdict"), [("28 s", "proved"), ("28.01 s", "violated")])
def test_half_barriers_warn_for_28_s_at_line_speed(
    tmp_path: Path, bound: str, verdict: str
) -> None:
    packs = changed_pack(tmp_path, HALF_PACK, "at_least: 27 s", f"at_least: {bound}")
    ids = {"warning-27s[up]", "warning-27s[down]"}
    assert verdicts_of(HALF, packs, ids) == dict.fromkeys(ids, verdict)
