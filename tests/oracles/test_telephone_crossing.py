"""A permission by telephone, held to the arithmetic of the long section.

The signaller knows that the section is empty and nothing more, so the earliest train enters it as the
permission is given, and comes after the run of the section. The latest user starts as the permission lapses and
takes the longest visit. So safe is: validity + visit <= run, and with the margin (accident-branch bulletin
07/2010; Railway Safety Publication 7 (2011), from memory) validity + visit + 10 s <= run.
Here: 60 s; four passages of 10 m at 1.2 m/s, 33.3 s, one of 16 m at 5 mph, 7.2 s, and four times 10 s at a gate,
together 80.5 s. The tests take a visit of 80 s for round numbers.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.oracles.judging import changed_model, verdicts_of
from tests.oracles.walking import Walk

MODEL = "user_worked_telephone.yaml"


def verdict(folder: Path, run: str, of: str, **more: str) -> str:
    changes = {"parameters.visit": "0 s .. 80 s", "parameters.section": f"line_speed * {run}"}
    changes |= {f"parameters.{name}": value for name, value in more.items()}
    (found,) = verdicts_of(changed_model(folder, MODEL, changes), [], {of}).values()
    return found


@pytest.mark.parametrize(("run", "expected"), [("140 s", "proved"), ("139.9 s", "violated")])
def test_the_section_must_take_as_long_as_permission_and_visit(tmp_path, run, expected):
    assert verdict(tmp_path, run, "never-train-and-user[up]") == expected


@pytest.mark.parametrize(("run", "expected"), [("150 s", "proved"), ("149.9 s", "violated")])
def test_and_ten_seconds_to_spare(tmp_path, run, expected):
    assert verdict(tmp_path, run, "clear-before-train[up]") == expected


@pytest.mark.parametrize(("validity", "expected"), [("60 s", "proved"), ("60.1 s", "violated")])
def test_a_permission_lapses_after_a_minute(tmp_path, validity, expected):
    """Common practice, no published source."""
    assert verdict(tmp_path, "170 s", "permission-lapses[north]", validity=validity) == expected


def test_a_visit_of_the_slow_may_take_longer_than_any_run(tmp_path):
    """15 min against 155 s: only the signals at danger keep trains away."""
    of = "never-train-and-user[up]"
    assert verdict(tmp_path, "155 s", of) == "proved"


def test_who_is_late_calls_again():
    walk = Walk(MODEL)
    walk.wait(0, "user_north", "asking")
    walk.wait(5, "signaller", "north")
    walk.wait(0, "user_north", "told")
    walk.wait(60, "signaller", "free")
    # he may start no more, and no time passes before he has the telephone in his hand again
    assert walk.refuses(0, "user_north", "visiting")
    assert walk.refuses(1)
    walk.wait(0, "user_north", "asking")


def test_the_other_telephone_is_not_this_one():
    walk = Walk(MODEL)
    walk.wait(0, "user_north", "asking")
    walk.wait(0, "user_south", "asking")
    walk.wait(5, "signaller", "north")
    assert walk.refuses(0, "user_south", "told")
    walk.wait(0, "user_north", "told")
