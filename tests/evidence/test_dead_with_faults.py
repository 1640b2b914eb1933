"""``dead`` under a budget: a fault that the budget can no longer pay for is not alive (4.3, 9.6)."""

import pytest

from tests.differential.building import at, go, machine, model, prop
from verifier.evidence.pipeline import Limits
from verifier.evidence.verdicts import Bench
from verifier.language.model import Form

# The second fault waits for the first, so that both together cost 2.
CHAIN = model(
    machine("lamp", "equipment", "lit dark", [go("lit", "dark", fault="lamp_out")]),
    machine(
        "proof",
        "equipment",
        "sound lost",
        [go("sound", "lost", at("lamp", "dark"), fault="proof_lost")],
    ),
)


@pytest.mark.parametrize(("budget", "verdict"), [(1, "violated"), (2, "proved")])
def test_a_fault_behind_a_fault_is_alive_only_when_both_can_be_paid(budget, verdict):
    result = Bench(CHAIN, budget, Limits()).judged(prop(Form.DEAD))
    assert result.verdict == verdict
    if verdict == "violated":
        assert "proof" in result.reason
