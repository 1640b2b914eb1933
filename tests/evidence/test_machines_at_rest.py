"""Machines that can never move are constants in the symbolic reading and in the re-check (11.9)."""

import pytest

from tests.differential.building import at, away, go, machine, model, prop
from verifier.engines.decision import decide
from verifier.engines.limits import Allowance
from verifier.engines.study import Study
from verifier.evidence.pipeline import Limits
from verifier.evidence.recheck import Refused, obligations, recheck_certificate
from verifier.evidence.verdicts import Bench
from verifier.language.guard import FALSE
from verifier.language.model import Form
from verifier.semantics.bare import bare
from verifier.semantics.run import Certificate, Trace

FAILS = machine("lamp", "equipment", "lit out", [go("lit", "out", fault="lamp_out")])
MENDED = machine("lamp", "equipment", "lit out", [go("lit", "out", fault="lamp_out"), go("out", "lit")])
NEVER = machine("lamp", "equipment", "lit out", [go("lit", "out", FALSE)])
AT_WILL = machine("lamp", "equipment", "lit out", [go("lit", "out")])
AT_LAST = machine("lamp", "equipment", "lit dim out", [go("lit", "dim"), go("dim", "out", fault="lamp_out")])
PROVING = machine("proving", "control", "sound lost", [go("sound", "lost", away("lamp", "lit"))])
STAYS_LIT = prop(Form.NEVER, p=at("lamp", "out"))
STAYS_SOUND = prop(Form.NEVER, p=at("proving", "lost"))
ALWAYS = Certificate("true")


def is_refused(made, asked, budget) -> bool:
    try:
        recheck_certificate(made, asked, ALWAYS, budget=budget)
    except Refused as refused:
        assert refused.kind == "sat"
        return True
    return False


@pytest.mark.parametrize(
    ("lamp", "budget", "is_constant"),
    [(FAILS, 0, True), (FAILS, 1, False), (NEVER, 0, True), (NEVER, 1, True), (AT_WILL, 0, False),
     (MENDED, 0, True), (MENDED, 1, False), (AT_LAST, 0, False)],
)
def test_what_can_never_move_is_a_constant(lamp, budget, is_constant):
    """Nothing but that the lamp is at rest proves that it stays lit: the certificate says nothing."""
    made = model(lamp, PROVING)
    system = bare(made, budget)
    assert ("lamp" in system.fixed) == is_constant
    assert len(system.registers["lamp"]) == (1 if is_constant else len(lamp.states))
    text = obligations(made, STAYS_LIT, ALWAYS, budget)["no bad state"]
    assert ("(declare-const |0: lamp is lit| Bool)" in text) != is_constant
    assert is_refused(made, STAYS_LIT, budget) != is_constant


@pytest.mark.parametrize(
    ("lamp", "budget", "verdict"),
    [(FAILS, 0, "proved"), (FAILS, 1, "violated"), (NEVER, 1, "proved"), (AT_WILL, 0, "violated"),
     (MENDED, 0, "proved"), (MENDED, 1, "violated")],
)
def test_verdicts_are_as_without_it(lamp, budget, verdict):
    bench = Bench(model(lamp, PROVING), budget, Limits(jobs=1))
    assert [bench.judged(asked).verdict for asked in (STAYS_LIT, STAYS_SOUND)] == [verdict, verdict]


@pytest.mark.parametrize(("lamp", "subject"), [
    (NEVER, ("state", "lamp", "out")), (NEVER, ("transition", "lamp", 0)), (MENDED, ("transition", "lamp", 1)),
])
def test_of_a_constant_it_is_proved_that_it_never_moves(lamp, subject):
    made = model(lamp, PROVING)
    dead = prop(Form.DEAD, subject=subject)
    finding = decide(Study(made, 0, Allowance(60)), dead)
    assert isinstance(finding, Certificate)
    recheck_certificate(made, dead, finding)


def test_a_certificate_may_still_name_it():
    recheck_certificate(model(FAILS, PROVING), STAYS_SOUND, Certificate("(and |lamp is lit| |proving is sound|)"))
    with pytest.raises(Refused):
        recheck_certificate(model(FAILS, PROVING), STAYS_SOUND, Certificate("|lamp is out|"))


def test_control_is_never_taken_for_at_rest():
    """What control never does is told by ``dead``, with a certificate that says so."""
    made = model(AT_WILL, machine("idle", "control", "a b", [go("a", "b", FALSE)]))
    assert "idle" not in bare(made, 0).fixed
    assert is_refused(made, prop(Form.NEVER, p=at("idle", "b")), 0)


def test_runs_that_leave_it_are_found_with_a_budget():
    finding = decide(Study(model(FAILS, PROVING), 1, Allowance(60)), STAYS_SOUND)
    assert isinstance(finding, Trace)
    assert len(finding.steps) == 2
