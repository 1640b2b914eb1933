"""Half barriers by the three forms of their orders, whose windows differ: each bound holds as published, and fails
0.1 s inside it.

In seconds. Descent begins 4 to 6 after red and takes 6 to 10 (SR 2000 No. 308 and SR 2010 No. 419, Sch 2 para
9(c)); in the older form 4 to 8 after red, and takes 6 to 8 (SR 1998 No. 143 Sch 2 para 9(c)). Either way the
barriers are down 3+4+6 = 13 to 3+6+10 = 3+8+8 = 19 after amber. They rise in 4 to 10 (para 9(e)). The next
closing is not due for 10 after they begin to rise (SR 2010 No. 419 Sch 2 para 10).
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.oracles.judging import changed_model, verdicts_of

HALF = "half_barriers.yaml"
OF_1998 = {"parameters.start_delay": "4 s .. 8 s", "parameters.lowering": "6 s .. 8 s"}
# From amber to lowered barriers in the newer forms: test_statutory_windows.
NEWER = {
    "red-to-descent": ("lights_red", "barriers_falling", 4, 6),
    "descent": ("barriers_falling", "barriers_lowered", 6, 10),
    "rise": ("barriers_rising", "barriers_raised", 4, 10),
}
OLDER = {
    "red-to-descent": ("lights_red", "barriers_falling", 4, 8),
    "descent": ("barriers_falling", "barriers_lowered", 6, 8),
    "amber-to-down": ("lights_amber", "barriers_lowered", 13, 19),
}


def demands(windows: dict[str, tuple[str, str, int, int]]) -> str:
    """Each window at its published ends, and with either end moved in by 0.1 s, which is to fail."""
    needs = "".join(f"  {term}: {{as: truth}}\n" for term in sorted({t for w in windows.values() for t in w[:2]}))
    text = f"format: 1\npack: windows\nkinds: [AHB]\njurisdiction: GB\nneeds:\n{needs}properties:\n"
    for name, (begins, ends, least, most) in windows.items():
        for side, holds, inside in (("at_least", least, least + 0.1), ("at_most", most, most - 0.1)):
            for which, bound in (("holds", holds), ("inside", inside)):
                text += (
                    f"  - {{id: {name}-{side}-{which}, says: the window of {name}, source: in the test,\n"
                    f"     between: [{begins}, {ends}], {side}: {bound} s}}\n"
                )
    return text


@pytest.mark.slow
@pytest.mark.parametrize(
    ("changes", "windows"), [({}, NEWER), (OF_1998, OLDER)], ids=["2000 and 2010", "1998"]
)
def test_the_windows_of_each_form_hold_and_are_no_narrower(tmp_path: Path, changes, windows) -> None:
    pack = tmp_path / "windows.yaml"
    pack.write_text(demands(windows), encoding="utf-8")
    model = changed_model(tmp_path, HALF, changes) if changes else HALF
    names = [f"{name}-{side}" for name in windows for side in ("at_least", "at_most")]
    found = verdicts_of(model, [str(pack)], [f"{name}-{which}" for name in names for which in ("holds", "inside")])
    assert found == {f"{name}-holds": "proved" for name in names} | {f"{name}-inside": "violated" for name in names}


@pytest.mark.slow
@pytest.mark.parametrize(("outer_run", "verdict"), [("11.1 s", "proved"), ("10.9 s", "violated")])
def test_the_road_is_open_for_10_s_from_the_rise(tmp_path: Path, outer_run: str, verdict: str) -> None:
    """The barriers begin to rise up to 1 s after the order, and the other line's train may be just short of its
    outer detection then: 1+10 from there to the strike-in leave 10."""
    model = changed_model(tmp_path, HALF, {"parameters.outer": f"line_speed * {outer_run}"})
    assert set(verdicts_of(model, [], ["road-open-10s"]).values()) == {verdict}
