"""Miniature stop lights, held to SI 2023/1112 reg 8(1).

Always lit, 8(1)(a): (i) red and green never together; (ii) green lit while no train is approaching from either
direction; (iii) red lit whenever green is not. On request, 8(1)(b): never together, green only while no train is
approaching, red until green. Both come to this: with a train approaching from either direction never green, and
red unless the unit is dark. The 40 s of red before a train are from Railway Safety Publication 7 (2011), from memory.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.oracles.judging import changed_model, verdicts_of
from tests.oracles.walking import Walk

ALWAYS, ON_REQUEST = "miniature_lights.yaml", "miniature_lights_on_request.yaml"
HEAD = """format: 1
pack: regulation 8
kinds: [MSL]
jurisdiction: GB
groups: [track]
needs:
  red_lit: {as: truth}
  green_lit: {as: truth}
  unit_in_use: {as: truth}
  "train_{track}_approaching": {for each: track, as: truth}
  "train_{track}_on_crossing": {for each: track, as: truth}
terms:
  dark: not red_lit and not green_lit
  near: "some track has (train_{track}_approaching or train_{track}_on_crossing)"
properties:
"""
SAID = "    says: regulation 8(1)\n    source: SI 2023/1112 reg 8(1)\n"
DEMANDS = (
    ("together", "never: red_lit and green_lit", 1),
    ("green", "never: green_lit and near", 1),
    ("red-unless-dark", "while: near; then: red_lit or dark", 1),
    ("red-though-dark", "while: near; then: red_lit", 1),
    ("green-when-clear", "while: unit_in_use and not near; then: green_lit", 0),
    ("red-when-not-green", "while: unit_in_use and not green_lit; then: red_lit", 0),
)


@pytest.fixture(scope="module")
def regulation(tmp_path_factory) -> list[str]:
    text = HEAD
    for name, form, faults in DEMANDS:
        keys = "".join(f"    {key}\n" for key in form.split("; "))
        text += f"  - id: {name}\n{SAID}    under: {{faults: {faults}}}\n{keys}"
    file = tmp_path_factory.mktemp("regulation") / "regulation.yaml"
    file.write_text(text, encoding="utf-8")
    return [str(file)]


IDS = [name for name, _, _ in DEMANDS]
# A failed lamp makes the unit dark, which only the user's rule answers (reg 8(3)).
EXPECTED = dict.fromkeys(IDS, "proved") | {"red-though-dark": "violated"}


def test_a_unit_that_is_always_lit_keeps_regulation_8(regulation) -> None:
    assert verdicts_of(ALWAYS, regulation, IDS) == EXPECTED


def test_a_unit_on_request_shows_red_before_green(regulation) -> None:
    """8(1)(b) asks for red until green, so green is not there at once."""
    assert verdicts_of(ON_REQUEST, regulation, IDS) == EXPECTED | {"green-when-clear": "violated"}


@pytest.mark.parametrize(("first", "second"), [("up", "down"), ("down", "up")])
def test_red_holds_from_the_first_train_through_the_last(first: str, second: str) -> None:
    walk = Walk(ALWAYS)
    lit = ("red", "lit")
    for track in (first, second):
        walk.wait(0, f"train_{track}", "far")
    walk.wait(60, f"train_{first}", "approaching")
    assert walk.entries[lit] == walk.now.time == 60
    assert walk.now.locations["green"] == "out"
    walk.wait(41, f"train_{first}", "on_crossing")
    walk.wait(0, f"train_{second}", "approaching")
    walk.wait(3, f"train_{first}", "away")
    assert walk.now.locations["red"] == "lit"
    assert walk.refuses(37, f"train_{second}", "on_crossing")
    walk.wait(38, f"train_{second}", "on_crossing")
    walk.wait(3, f"train_{second}", "away")
    assert walk.entries[lit] == 60
    assert walk.entries["green", "lit"] == walk.now.time == 60 + 41 + 3 + 38 + 3


@pytest.mark.parametrize(("warning", "verdict"), [("40 s", "proved"), ("39.9 s", "violated")])
def test_red_comes_40_s_before_the_fastest_train(
    tmp_path: Path, warning: str, verdict: str
) -> None:
    changed = changed_model(tmp_path, ALWAYS, {"parameters.strike_in": f"line_speed * {warning}"})
    ids = {"red-40s-before-train[up]"}
    assert verdicts_of(changed, [], ids) == dict.fromkeys(ids, verdict)


@pytest.mark.parametrize(("on_foot", "verdict"), [("41 s", "proved"), ("41.1 s", "violated")])
def test_nobody_may_need_longer_than_the_warning(
    tmp_path: Path, on_foot: str, verdict: str
) -> None:
    """The user who starts as the light turns red has the 41 s of this strike-in, and no more."""
    changed = changed_model(tmp_path, ALWAYS, {"parameters.on_foot": on_foot})
    ids = {"never-train-and-user[up]"}
    assert verdicts_of(changed, [], ids) == dict.fromkeys(ids, verdict)
