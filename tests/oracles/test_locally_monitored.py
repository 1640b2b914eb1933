"""The driver's light and the barriers of locally monitored crossings, by the text of SI 1992/1113 Sch 3.

White only with a red lit in every road signal on both sides, the main power healthy and both barriers begun
to fall (para 31), so that it does not mean that they are down. Amber 3 s, barriers 4 to 6 s after red, down
in 6 to 10 s (para 44), the train not before 27 s (para 45), reds off before 45 degrees (para 46). Lamps that
fail before the descent keep the barriers up, later ones do not stop them (para 48); with all power lost they
stay where they are (para 50). The 27 s of open crossings: RSP7 (2011), from memory.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.oracles.judging import changed_model, results_of, verdicts_of
from tests.oracles.walking import Walk

HALF = "local_half_barriers.yaml"
NEEDS = {
    "white_{track}_shown": "{for each: track, as: truth}",
    "barriers_lowered": "{as: truth}",
    "barriers_begun_to_fall": "{as: truth}",
    "barrier_falling": "{as: truth}",
    "lights_red": "{as: truth}",
    "lights_amber": "{as: truth}",
    "closing_called": "{as: command}",
}
# From, to, and for each side the published bound and one 0.1 s inside it, in s.
SPANS = {
    "red-to-first-start": ("lights_red", "barrier_falling", {"at_least": ("4", "4.1")}),
    "red-to-last-start": ("lights_red", "barriers_begun_to_fall", {"at_most": ("6", "5.9")}),
    "lowering": (
        "barriers_begun_to_fall",
        "barriers_lowered",
        {"at_least": ("6", "6.1"), "at_most": ("10", "9.9")},
    ),
    "amber-to-down": (
        "lights_amber",
        "barriers_lowered",
        {"at_least": ("13", "13.1"), "at_most": ("19", "18.9")},
    ),
}


def pack(folder: Path, properties: str) -> list[str]:
    """A pack for ABCL with these properties and the needs that they use."""
    needs = "".join(f'  "{name}": {how}\n' for name, how in NEEDS.items() if name in properties)
    file = folder / "trial.yaml"
    file.write_text(
        "format: 1\npack: trial\nkinds: [ABCL]\njurisdiction: GB\ngroups: [track]\n"
        f"needs:\n{needs}properties:\n{properties}",
        encoding="utf-8",
    )
    return [str(file)]


def demand(name: str, form: str) -> str:
    return f"  - id: {name}\n    says: {name}\n    source: SI 1992/1113 Sch 3 para 44\n{form}"


def spans() -> str:
    """Each window at its published ends, and with either end moved in by 0.1 s, which is to fail."""
    text = ""
    for name, (begins, ends, bounds) in SPANS.items():
        for side, (published, inside) in bounds.items():
            for which, bound in (("holds", published), ("inside", inside)):
                form = f"    between: [{begins}, {ends}]\n    {side}: {bound} s\n"
                text += demand(f"{name}-{side}-{which}", form + "    unless: not closing_called\n")
    return text


@pytest.mark.slow
def test_the_windows_of_the_order_hold_and_are_no_narrower(tmp_path: Path) -> None:
    names = [f"{name}-{side}" for name, (_, _, bounds) in SPANS.items() for side in bounds]
    ids = [f"{name}-{which}" for name in names for which in ("holds", "inside")]
    found = verdicts_of(HALF, pack(tmp_path, spans()), ids)
    wanted = {f"{name}-holds": "proved" for name in names}
    assert found == wanted | {f"{name}-inside": "violated" for name in names}


@pytest.mark.slow
def test_amber_is_lit_for_3_s(tmp_path: Path) -> None:
    exactly = demand("amber", "    lasts: lights_amber\n    at_least: 3 s\n    at_most: 3 s\n")
    found = verdicts_of(HALF, pack(tmp_path, exactly), ["amber"])
    assert found == {"amber/at_least": "proved", "amber/at_most": "proved"}
    longer = demand("amber", "    lasts: lights_amber\n    at_least: 3.1 s\n")
    assert verdicts_of(HALF, pack(tmp_path, longer), ["amber"]) == {"amber": "violated"}


@pytest.mark.slow
@pytest.mark.parametrize(
    ("model", "place", "at_27_s", "sooner"),
    [
        (HALF, "parameters.strike_in", "board_speed * 27 s", "board_speed * 26.9 s"),
        (
            "local_open_with_barriers.yaml",
            "parameters.strike_in",
            "board_speed * 27 s",
            "board_speed * 26.9 s",
        ),
        ("local_open.yaml", "parameters.warning", "27 s", "26.9 s"),
        ("remote_open.yaml", "parameters.warning", "27 s", "26.9 s"),
    ],
    ids=["ABCL", "AOCL+B", "AOCL", "AOCR"],
)
def test_the_train_comes_27_s_after_amber_and_no_sooner(
    tmp_path, model, place, at_27_s, sooner
) -> None:
    """SI 1992/1113 Sch 3 para 45; for open crossings RSP7 (2011), from memory."""
    for strike_in, verdict in ((at_27_s, "proved"), (sooner, "violated")):
        file = changed_model(tmp_path, model, {place: strike_in})
        assert set(verdicts_of(file, [], ["warning-27s"]).values()) == {verdict}


def test_white_does_not_mean_that_the_barriers_are_down(tmp_path: Path) -> None:
    """Para 31 asks for barriers that have begun to fall; the witness shows white over falling ones."""
    wrong = demand(
        "white-means-down",
        '    for each: track\n    while: "white_{track}_shown"\n    then: barriers_lowered\n',
    )
    (result,) = results_of(HALF, pack(tmp_path, wrong), ["white-means-down"]).values()
    assert result.verdict == "violated"
    last = result.trace.run.snapshots[result.trace.violating].locations
    assert (last["white_light"], last["barriers"]) == ("lit", "falling")


def closing(budget: int = 0) -> Walk:
    """Up to the reds, which come 3 s after amber."""
    walk = Walk(HALF, budget)
    walk.wait(60, "train_line.front", "approaching")
    walk.wait(3)
    assert walk.now.locations["road_lights"] == "red"
    return walk


def lights(walk: Walk) -> tuple[str, str]:
    return walk.now.locations["white_light"], walk.now.locations["red_light"]


def test_white_shows_when_both_barriers_have_begun_to_fall_and_not_before() -> None:
    walk = closing()
    assert walk.refuses(3.9, "barriers", "one_falling")
    walk.wait(4, "barriers", "one_falling")
    assert lights(walk) == ("dark", "lit")
    walk.wait(1, "barriers", "falling")
    assert lights(walk) == ("lit", "dark")


@pytest.mark.parametrize(
    "fault", [("lamps_left", "failed"), ("supply", "battery"), ("supply", "none")]
)
def test_white_goes_out_with_the_lamps_or_the_power(fault: tuple[str, str]) -> None:
    walk = closing(budget=1)
    walk.wait(4, "barriers", "one_falling")
    walk.wait(0, "barriers", "falling")
    walk.wait(0, *fault)
    assert lights(walk) == ("dark", "lit")


def test_lamps_that_fail_before_the_descent_keep_the_barriers_up() -> None:
    walk = closing(budget=1)
    walk.wait(1, "lamps_right", "failed")
    assert walk.now.locations["order"] == "raise"
    assert walk.refuses(5, "barriers", "one_falling")
    assert lights(walk) == ("dark", "lit")


def test_lamps_that_fail_later_do_not_stop_the_barriers_and_a_train_raises_them() -> None:
    walk = closing(budget=1)
    walk.wait(4, "barriers", "one_falling")
    walk.wait(0, "lamps_right", "failed")
    walk.wait(0, "barriers", "falling")
    walk.wait(6, "barriers", "lowered")
    assert (walk.now.locations["order"], *lights(walk)) == ("lower", "dark", "lit")
    assert walk.refuses(1, "barriers", "rising_below_45")


def test_without_power_raised_barriers_stay_up() -> None:
    walk = closing(budget=1)
    walk.wait(0, "supply", "none")
    assert walk.refuses(5, "barriers", "one_falling")
    walk.wait(100)
    assert (walk.now.locations["barriers"], *lights(walk)) == ("raised", "dark", "lit")


def test_without_power_falling_barriers_stay_where_they_are() -> None:
    walk = closing(budget=1)
    walk.wait(4, "barriers", "one_falling")
    walk.wait(0, "supply", "none")
    assert walk.refuses(0.1)
    walk.wait(0, "barriers", "halted")
    walk.wait(100)
    assert (walk.now.locations["barriers"], *lights(walk)) == ("halted", "dark", "lit")


def test_exit_barriers_wait_for_a_vehicle_and_the_white_light_for_them() -> None:
    """Full barriers; no published source for the kind. Entrance barriers down 3+4+6 s after amber."""
    walk = Walk("local_full_barriers.yaml")
    walk.wait(60, "train_line.front", "approaching")
    walk.wait(2, "vehicle", "committed")
    walk.wait(1, "vehicle", "on_crossing")
    walk.wait(4, "entrance", "falling")
    walk.wait(6, "entrance", "lowered")
    walk.wait(10)
    assert walk.refuses(0, "exit", "falling")
    walk.wait(0, "vehicle", "away")
    walk.wait(0, "exit", "falling")
    assert lights(walk) == ("dark", "lit")
    walk.wait(6, "exit", "lowered")
    assert lights(walk) == ("lit", "dark")
