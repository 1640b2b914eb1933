"""Full barriers across three lines: what holds for two holds for three, and the third is not forgotten.

NR/L2/SIG/11201 Mod X22 asks of any number of lines that the barriers stay down until the signals are at danger
and free of approach locking, or the trains have passed and traversed.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.oracles.judging import MODELS, changed_model, results_of
from verifier.evidence.pipeline import Limits, verify
from verifier.language.load import built_in_properties, load

MODEL = "full_barriers.yaml"
LINES = ("up", "down", "relief")
THREE = {"groups.track": f"[{', '.join(LINES)}]"}


@pytest.mark.slow
def test_every_property_holds_with_a_third_line(tmp_path: Path) -> None:
    model, properties = load(str(changed_model(tmp_path, MODEL, THREE)))
    asked = (*built_in_properties(model, properties), *properties)
    found = {
        r.property.id: r.verdict for r in verify(model, asked, Limits(time_limit_s=300)).results
    }
    of_one_line = {name for name in found if name.endswith("[relief]")}
    _, of_two = load(str(MODELS / MODEL))
    assert of_one_line == {p.id.replace("[up]", "[relief]") for p in of_two if "[up]" in p.id}
    assert found.pop("two-trains-in-one-closure") == "shown"
    assert {name for name, verdict in found.items() if verdict != "proved"} == set()


@pytest.mark.slow
def test_a_third_line_left_out_of_the_release_is_found_on_that_line_alone(tmp_path: Path) -> None:
    held = "signal_{0} is danger and lock_{0} is free and not beyond_{0}"
    two = " and ".join(held.format(line) for line in LINES[:2])
    changed = changed_model(tmp_path, MODEL, THREE | {"terms.railway_released.is": two})
    found = results_of(changed, [], {"train-finds-road-closed"})
    assert {name: one.verdict for name, one in found.items()} == {
        "train-finds-road-closed[up]": "proved",
        "train-finds-road-closed[down]": "proved",
        "train-finds-road-closed[relief]": "violated",
    }
