"""What a limit cuts short leaves nothing behind that a later proof could lean on, and is never a defect."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.differential.building import at, both, go, machine, prop
from tests.differential.building import model as put_together
from verifier.engines import lemmas
from verifier.engines.decision import decide
from verifier.engines.limits import Allowance, OutOfBudget
from verifier.engines.solver import Answer, Reply
from verifier.engines.study import Study
from verifier.evidence.recheck import recheck_certificate
from verifier.language.model import Form, Model, Property
from verifier.semantics.run import Certificate, Gap


def chain() -> Model:
    """``h`` never leaves ``a``; that takes a chain of lemmas to show."""
    return put_together(
        machine("h", "equipment", "a b c d", [go("b", "c"), go("c", "d"), go("a", "b", at("g", "y"))]),
        machine("g", "equipment", "x y", [go("x", "y", at("h", "b", "c", "d"))]),
        machine("lamp", "control", "off on", [go("off", "on", at("h", "b"))]),
    )


ONE = replace(prop(Form.NEVER, p=at("h", "d")), id="one")
TWO = replace(prop(Form.NEVER, p=both(at("h", "d"), at("lamp", "on"))), id="two")


def proved(study: Study, asked: Property) -> None:
    found = decide(study, asked)
    assert isinstance(found, Certificate)
    recheck_certificate(study.model, asked, found, budget=0)


@pytest.mark.parametrize("after", [0, 1])
def test_lemmas_that_were_not_finished_are_forgotten(after: int, monkeypatch: pytest.MonkeyPatch) -> None:
    study = Study(chain(), 0, Allowance(60))
    new, made = lemmas.Book._new_lemma, []

    def out_of_time(*given):
        if len(made) == after:
            raise OutOfBudget("the time limit was passed")
        made.append(new(*given))
        return made[-1]

    with monkeypatch.context() as short:
        short.setattr(lemmas.Book, "_new_lemma", out_of_time)
        assert isinstance(decide(study, ONE), Gap)
    assert len(made) == after and study.book.lemmas == []
    proved(study, TWO)
    proved(study, ONE)


def test_a_solver_that_gives_up_on_what_it_proved_before_leaves_it_open(monkeypatch: pytest.MonkeyPatch) -> None:
    study = Study(chain(), 0, Allowance(60))
    ask, goals = lemmas._Goal.ask, []

    def ask_once(goal, some):
        if goal not in goals:
            goals.append(goal)
        return ask(goal, some) if goals.index(goal) == 0 else Reply(Answer.UNKNOWN, "timeout")

    with monkeypatch.context() as tired:
        tired.setattr(lemmas._Goal, "ask", ask_once)
        found = decide(study, ONE)
    assert isinstance(found, Gap) and "z3 gave up" in found.reason and len(goals) == 2
    proved(study, ONE)
