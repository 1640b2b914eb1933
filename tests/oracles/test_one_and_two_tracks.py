"""Each kind with one track where its model has two, and with two where it has one.

That a train and a road user never meet is proved of both. One design is for a single line, as it says, and with two
tracks the property is violated: where a train crew works the crossing, the barriers know of no second train.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.oracles.judging import MODELS, changed_model, verdicts_of
from verifier.language.load import load

FOR_A_SINGLE_LINE = {"train_crew_operated"}
NEVER_TOGETHER = ("never-train-and-vehicle", "never-train-and-user")


@pytest.mark.slow
@pytest.mark.parametrize("path", sorted(MODELS.glob("*.yaml")), ids=lambda path: path.stem)
def test_nobody_is_hit_with_another_number_of_tracks(tmp_path: Path, path: Path) -> None:
    shipped, _ = load(str(path))
    tracks = {1: "[first, second]", 2: "[only]"}[len(shipped.groups["track"])]
    found = verdicts_of(changed_model(tmp_path, path.name, {"groups.track": tracks}), [], NEVER_TOGETHER)
    wanted = "violated" if path.stem in FOR_A_SINGLE_LINE else "proved"
    assert found and set(found.values()) == {wanted}


@pytest.mark.slow
def test_gates_that_rise_before_a_train_that_is_already_announced_are_caught(tmp_path: Path) -> None:
    """The junction has turned away from the queue under the first train, and a second one may dawdle."""
    changes = {
        "groups.track": "[first, second]",
        "machines.sequence.transitions[from=closing].when": "not struck_in and call is not unanswered",
    }
    found = verdicts_of(changed_model(tmp_path, "linked_crossing.yaml", changes), [], NEVER_TOGETHER)
    assert found and set(found.values()) == {"violated"}
