"""The approach lock is timed for the slowest train that can no longer stop.

That the lock holds until such a train has passed is NR/L2/SIG/11201 Mod X22; the speeds and lengths are the test's.
"""

import pytest

from tests.oracles.judging import changed_model, verdicts_of

TRACK = {
    "full_barriers_direct.yaml": "single",
    "full_barriers_remote.yaml": "up",
    "manned_gates.yaml": "up",
    "manned_gates_lights.yaml": "single",
}


@pytest.mark.slow
@pytest.mark.parametrize(("release", "verdict"), [("100.01 s", "proved"), ("100 s", "violated")])
@pytest.mark.parametrize("model", TRACK)
def test_the_lock_outlasts_the_slowest_train(tmp_path, model, release, verdict) -> None:
    """A train that can't stop short needs up to 100 s to the signal, and may pass it in the last moment."""
    changes = {
        "parameters.decision_to_signal": "slowest_speed * 100 s",
        "parameters.release": release,
    }
    name = f"train-finds-road-closed[{TRACK[model]}]"
    assert verdicts_of(changed_model(tmp_path, model, changes), [], {name}) == {name: verdict}
