"""Flashing lights and gates by 49 CFR 234 (as amended to 2021): each bound holds as published, and fails 0.1 s
inside it.

The line speed of the models is 60 mph, 88 ft/s. In seconds from the strike-in: lights at 0; gates move at 3
at the earliest (s. 234.223) and, with up to 1 to start, at 4 at the latest; they take 10 to 15 (AREMA manual
3.2.15, from memory), so they are horizontal at 3+10 = 13 to 4+15 = 19; 5 more (s. 234.223) make 24. Without
gates the warning is 20 (s. 234.225), less is an activation failure (s. 234.5).
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest

from tests.oracles.judging import MODELS, changed_model, results_of, verdicts_of
from tests.oracles.walking import Walk
from verifier.evidence.pipeline import Limits, verify
from verifier.language.load import load

FL, TWO, FOUR = "us_flashing_lights.yaml", "us_two_quadrant.yaml", "us_four_quadrant.yaml"
TIMED, LINKED = "us_four_quadrant_timed.yaml", "linked_crossing.yaml"
FT_PER_S = 88
A_BIT = Fraction(1, 100)


def feet(seconds: float) -> str:
    """The way of the fastest train in that time."""
    return f"{seconds * FT_PER_S:.1f} ft"


@pytest.mark.parametrize(
    ("model", "place", "holds", "fails", "property_id"),
    [
        # s. 234.225: 20 s; 19.9 s is an activation failure
        (FL, "parameters.strike_in", feet(20), feet(19.9), "warning-20s"),
        # s. 234.223: gates begin to fall 3 s after the lights; 2.9 s does not comply
        (TWO, "parameters.gate_delay", "3 s", "2.9 s", "gates-3s-after-lights"),
        (FOUR, "parameters.gate_delay", "3 s", "2.9 s", "gates-3s-after-lights"),
        # s. 234.223: horizontal 5 s before the train, 3+1+15+5 = 24 s
        (TWO, "parameters.strike_in", feet(24), feet(23.9), "horizontal-5s"),
        pytest.param(
            FOUR,
            "parameters.strike_in",
            feet(24),
            feet(23.9),
            "horizontal-5s",
            marks=pytest.mark.slow,
        ),
        # MUTCD 2009 s. 8C.04 (from memory): raised in 12 s
        (TWO, "parameters.raising", "6 s .. 12 s", "6 s .. 12.1 s", "raises"),
        (
            FOUR,
            "parts[as=exit].set.raising",
            "6 s .. 12 s",
            "6 s .. 12.1 s",
            "failed-exit-rests-open",
        ),
        # MUTCD 2009 s. 8C.09 (from memory): up to 1 s for the gates to begin to rise after the train before,
        # 10 s to change and 10 s to clear, less the 3 s of the lights' lead
        (LINKED, "parameters.advance", feet(18), feet(17.9), "queue-cleared-before-gates"),
        (LINKED, "parameters.start_delay", "3 s .. 4 s", "2.9 s .. 4 s", "gates-3s-after-lights"),
    ],
)
def test_a_bound_holds_as_published_and_not_a_tenth_of_a_second_inside(
    tmp_path: Path, model: str, place: str, holds: str, fails: str, property_id: str
) -> None:
    for value, verdict in ((holds, "proved"), (fails, "violated")):
        changed = changed_model(tmp_path, model, {place: value})
        assert set(verdicts_of(changed, [], {property_id}).values()) == {verdict}, value


@pytest.mark.parametrize(("end", "horizontal"), [(0, 13), (1, 19)])
def test_gates_walk_to_the_end_of_their_window(end: int, horizontal: int) -> None:
    """And the fastest train comes 25 s after its strike-in: 2200 ft / 88 ft/s."""
    walk = Walk(TWO)
    walk.wait(0, "train_north", "approaching")
    assert walk.entries["lights", "flashing"] == 0
    assert walk.refuses(3 - A_BIT, "gates", "falling_above_45")
    walk.wait(3)  # the lead of the lights
    for state, window in (
        ("falling_above_45", (0, 1)),
        ("falling_below_45", (5, Fraction(15, 2))),
        ("lowered", (5, Fraction(15, 2))),
    ):
        if window[0]:
            assert walk.refuses(window[0] - A_BIT, "gates", state)
        assert walk.refuses(window[1] + A_BIT, "gates", state)
        walk.wait(window[end], "gates", state)
    assert walk.entries["gates", "lowered"] == horizontal
    assert walk.refuses(25 - horizontal - A_BIT, "train_north", "on_crossing")
    walk.wait(25 - horizontal, "train_north", "on_crossing")
    assert walk.entries["train_north", "on_crossing"] == 25


@pytest.mark.slow
@pytest.mark.parametrize(
    ("model", "of", "verdict"),
    [(FOUR, "road user", "proved"), (TIMED, "road user", "violated"), (FOUR, "sensor", "violated")],
)
def test_an_unruly_vehicle_is_shut_in_by_a_timer_and_not_by_working_detection(
    model: str, of: str, verdict: str
) -> None:
    """Timed and dynamic mode of exit gates (MUTCD 2009 s. 8C.06, from memory). With no fault both keep the exit
    gates off the vehicle. With one of the road user (it lingers, or passes the lights at red) only detection
    does, as long as the detection itself does not fail."""
    asked = "exit-never-on-vehicle"
    assert verdicts_of(model, [], {asked}) == {asked: "proved"}
    checked, properties = load(str(MODELS / model))
    (prop,) = [one for one in properties if one.id == asked]
    prop = replace(prop, budget=1, faults_of=(of,))
    (result,) = verify(checked, [prop], Limits(time_limit_s=300)).results
    assert result.verdict == verdict


@pytest.mark.slow
def test_an_unanswered_junction_lengthens_the_warning(tmp_path: Path) -> None:
    """Answered, the lights warn from the strike-in, 2200/88 = 25 s at the fastest. Unanswered, from 12 s after
    the advance call, which comes 1672/88 = 19 s before the strike-in: 19-12+25 = 32 s."""
    pack = tmp_path / "warning.yaml"
    text = "format: 1\npack: warning\nkinds: [PRE-EMPT]\njurisdiction: US\nneeds:\n"
    text += "  lights_on: {as: truth}\n  junction_answered: {as: command}\n  train_main_on_crossing: {as: truth}\n"
    text += "properties:\n"
    for name, bound in (("32s", "32 s"), ("32-1s", "32.1 s")):
        text += (
            f"  - {{id: warned-{name}, says: the warning is longer, source: these tests,\n"
            f"     under: {{faults: 1, of: [equipment]}},\n"
            f"     at: train_main_on_crossing and not junction_answered, has_held: lights_on, at_least: {bound}}}\n"
        )
    pack.write_text(text, encoding="utf-8")
    found = results_of(LINKED, [str(pack)], {"warned-32s", "warned-32-1s"})
    assert {name: one.verdict for name, one in found.items()} == {
        "warned-32s": "proved",
        "warned-32-1s": "violated",
    }


FLASHER = """format: 1
crossing: Dabbling Corner
kind: TEXTBOOK
jurisdiction: ANY
specs: [flashing.yaml]
machines:
  flasher:
    role: control
    states: [left, right]
    transitions:
      - {{from: left, to: right, after: 30 s / {rate}}}
      - {{from: right, to: left, after: 30 s / {rate}}}
terms: {{left_lit: flasher is left, right_lit: flasher is right}}
"""
FLASHING = """format: 1
pack: flashing
kinds: [TEXTBOOK]
jurisdiction: ANY
needs: {{left_lit: {{as: truth}}, right_lit: {{as: truth}}}}
properties:
  - {{id: left, says: the rate of the left unit, source: these tests,
     lasts: left_lit, at_least: 30 s / {most}, at_most: 30 s / {least}}}
  - {{id: right, says: the rate of the right unit, source: these tests,
     lasts: right_lit, at_least: 30 s / {most}, at_most: 30 s / {least}}}
"""


@pytest.mark.parametrize(
    ("least", "most", "good", "bad"),
    [
        (35, 65, (35, 65), (34, 66)),  # 49 CFR 234.217(c), flashes a minute of each unit
        (60, 90, (60, 90), (59, 91)),  # SI 2016/362 Sch 14 Pt 1 para 8(2)(b)
    ],
    ids=["US", "GB"],
)
def test_flash_rates_on_a_flasher_alone(
    tmp_path: Path, least: int, most: int, good: tuple[int, ...], bad: tuple[int, ...]
) -> None:
    """Two units alternate, each lit for half of the time: at a rate of n a minute for 30/n s. The models of
    whole crossings have one state for flashing."""
    (tmp_path / "flashing.yaml").write_text(
        FLASHING.format(least=least, most=most), encoding="utf-8"
    )
    for rate in (*good, *bad):
        model = tmp_path / "flasher.yaml"
        model.write_text(FLASHER.format(rate=rate), encoding="utf-8")
        found = set(verdicts_of(model, [], {"left", "right"}).values())
        assert ("violated" in found) == (rate in bad), rate
        assert found <= {"proved", "violated"}
