"""Passive crossings: the warning a user has must last as long as the crossing takes, to the tenth of a second.

Warning time is sighting distance by train speed, traverse time is length by walking speed (Railway Safety
Publication 7 (2011), from memory). Published distances:

- pedestrians, Railroad-Highway Grade Crossing Handbook (2007), from memory: 35 ft at 3.5 ft/s and 2 s to start,
  so 12 s; at V mph that is V * 12 s, in feet rounded up to the next 5 (10 mph: 176 ft, 180 in the table).
- herds and long vehicles, Arrete of 18 March 1991 (France) art. 18: R2 = (3.4 + 0.7 n) F metres at F km/h over n
  tracks; for two tracks 4.8 F m, which a train at F km/h runs in 4.8 * 3.6 = 17.28 s.
- whistle boards, SI 1992/1113 art 11(4): 10 s running from the crossing at the top permitted speed.
"""

from __future__ import annotations

import re
from fractions import Fraction
from pathlib import Path

import pytest

from tests.oracles.judging import MODELS, changed_model, verdicts_of
from tests.oracles.walking import Walk

# Speed in mph, published clearing sight distance for a pedestrian in ft.
PEDESTRIAN = [
    (10, 180),
    (20, 355),
    (25, 440),
    (30, 530),
    (40, 705),
    (50, 880),
    (60, 1060),
    (70, 1235),
    (80, 1410),
    (90, 1585),
]
USUAL = (10, 25, 90)


def verdict(folder: Path, model: str, changes: dict[str, str], of: str) -> str:
    (found,) = verdicts_of(changed_model(folder, model, changes), [], {of}).values()
    return found


def hold_to_table(folder: Path, mph: int, feet: int) -> None:
    for shorter, expected in ((0, "proved"), (5, "violated")):
        changes = {
            "parameters.line_speed": f"{mph} mph",
            "parameters.sight": f"{feet - shorter} ft",
            "parameters.slow_traverse": "35 ft / 3.5 ft/s + 2 s",
        }
        assert verdict(folder, "footpath.yaml", changes, "never-train-and-user[slow]") == expected


@pytest.mark.parametrize(("mph", "feet"), [row for row in PEDESTRIAN if row[0] in USUAL])
def test_the_published_distance_is_enough_for_a_walker_and_5_ft_less_is_not(tmp_path, mph, feet):
    hold_to_table(tmp_path, mph, feet)


@pytest.mark.slow
@pytest.mark.parametrize(("mph", "feet"), [row for row in PEDESTRIAN if row[0] not in USUAL])
def test_the_other_published_distances_for_walkers(tmp_path, mph, feet):
    hold_to_table(tmp_path, mph, feet)


@pytest.mark.parametrize(("kmh", "metres"), [(40, 192), (120, 576)])
@pytest.mark.parametrize(("driving", "expected"), [("17.28 s", "proved"), ("17.38 s", "violated")])
def test_the_published_distance_for_herds_gives_17_28_s(tmp_path, kmh, metres, driving, expected):
    changes = {
        "parameters.line_speed": f"{kmh} km/h",
        "parameters.sight": f"{metres} m",
        "parameters.driving": driving,
    }
    assert verdict(tmp_path, "user_worked.yaml", changes, "never-train-and-user[up]") == expected


@pytest.mark.parametrize(("rider", "expected"), [("10 s", "proved"), ("10.1 s", "violated")])
def test_a_whistle_at_the_board_warns_for_10_s(tmp_path, rider, expected):
    changes = {"parameters.rider_traverse": rider}
    assert verdict(tmp_path, "bridleway.yaml", changes, "never-train-and-user[rider]") == expected


def test_the_fastest_train_takes_10_s_from_the_whistle_board():
    walk = Walk("bridleway.yaml")
    walk.wait(0, "train_single", "heard")
    in_sight = 10 - Fraction(60) / (25 * Fraction(44704, 100000))
    assert walk.refuses(in_sight - Fraction(1, 10), "train_single", "in_sight")
    walk.wait(in_sight, "train_single", "in_sight")
    assert walk.refuses(10 - in_sight - Fraction(1, 10), "train_single", "on_crossing")
    walk.wait(10 - in_sight, "train_single", "on_crossing")
    assert walk.between(("train_single", "heard"), ("train_single", "on_crossing")) == 10


@pytest.mark.parametrize(("sight", "expected"), [(6, "proved"), (Fraction(59, 10), "violated")])
def test_the_whole_visit_counts_and_not_one_passage(tmp_path, sight, expected):
    """Five passages of 6 s each need 6 s of sight, since each begins with a look; looked for once, they need
    all 30 s and the time at the gates, for which no sight is enough (Railway Safety Publication 7 (2011), from
    memory)."""
    changes = {
        "parameters.on_foot": "6 s",
        "parameters.driving": "6 s",
        "parameters.sight": f"line_speed * {float(sight)} s",
    }
    of = "never-train-and-user[up]"
    assert verdict(tmp_path, "user_worked.yaml", changes, of) == expected
    once = changes | {
        "parts[as=driver].set.may_go_on": '"true"',
        "parameters.sight": "line_speed * 60 s",
    }
    assert verdict(tmp_path, "user_worked.yaml", once, of) == "violated"


@pytest.mark.parametrize(
    ("model", "limit"),
    [("user_worked", 100), ("user_worked_telephone", 100), ("footpath", 125), ("bridleway", 125)],
)
def test_no_faster_line_than_the_kind_allows(model: str, limit: int) -> None:
    """Parliamentary written evidence SLC 037 para 3: 100 mph at user-worked crossings, 125 mph at footpaths."""
    text = (MODELS / f"{model}.yaml").read_text(encoding="utf-8")
    (speed,) = re.findall(r"^  line_speed: (\d+) mph", text, re.MULTILINE)
    assert int(speed) <= limit
