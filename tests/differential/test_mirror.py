"""The proof for one line tried for the other: it spares work where they are alike and is never believed
where they are not."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pytest

from tests.differential.building import at, both, go, machine, prop
from tests.differential.building import model as put_together
from verifier.engines.decision import decide
from verifier.engines.explore import Explorer
from verifier.engines.limits import Allowance
from verifier.engines.study import Study
from verifier.evidence.recheck import recheck_certificate
from verifier.evidence.replay import replay_trace
from verifier.language.model import Form, Machine, Model, Property
from verifier.semantics.run import Certificate, Trace


def line(name: str, run: tuple[int, int] = (10, 20), gate: Sequence[dict] | None = None) -> list[Machine]:
    """A train that comes ``run`` seconds after it is seen, and a gate that shuts 5 s after that."""
    shuts = gate or [go("open", "shut", at(f"train_{name}", "near"), held=5)]
    return [
        machine(
            f"train_{name}",
            "train",
            "away near here",
            [go("away", "near"), go("near", "here", after=run), go("here", "away", after=1)],
        ),
        machine(
            f"gate_{name}",
            "control",
            "open half shut",
            [*shuts, go("shut", "open", at(f"train_{name}", "away"))],
        ),
    ]


def never_open(name: str) -> Property:
    wrong = both(at(f"train_{name}", "here"), at(f"gate_{name}", "open", "half"))
    return replace(prop(Form.NEVER, p=wrong), id=f"shut[{name}]")


def asked_of_both(model: Model, monkeypatch: pytest.MonkeyPatch) -> tuple[Certificate, object, int]:
    """What is found for the up line, then for the down line, and how many explorations the latter took."""
    study = Study(model, 0, Allowance(60))
    first = decide(study, never_open("up"))
    assert isinstance(first, Certificate)
    recheck_certificate(model, never_open("up"), first, budget=0)
    runs = []
    explore = Explorer.run
    monkeypatch.setattr(Explorer, "run", lambda *a, **k: runs.append(a) or explore(*a, **k))
    return first, decide(study, never_open("down")), len(runs)


def test_what_holds_of_one_line_is_not_worked_out_again_for_the_other(monkeypatch: pytest.MonkeyPatch) -> None:
    model = put_together(*line("up"), *line("down"))
    first, second, runs = asked_of_both(model, monkeypatch)
    assert isinstance(second, Certificate) and runs == 0
    assert second.needs_times_of == tuple(n.replace("up", "down") for n in first.needs_times_of) != ()
    recheck_certificate(model, never_open("down"), second, budget=0)


def test_a_line_with_a_fault_of_its_own_is_found_out(monkeypatch: pytest.MonkeyPatch) -> None:
    """Its trains come 4 s after they are seen at the earliest, before its gate has shut."""
    model = put_together(*line("up"), *line("down", run=(4, 20)))
    _, second, runs = asked_of_both(model, monkeypatch)
    assert isinstance(second, Trace) and runs > 0
    replay_trace(model, never_open("down"), second, 0)


def test_a_line_that_is_safe_in_its_own_way_gets_a_proof_of_its_own(monkeypatch: pytest.MonkeyPatch) -> None:
    near = at("train_down", "near")
    in_two = [go("open", "half", near, held=3), go("half", "shut", near, held=3)]
    model = put_together(*line("up"), *line("down", gate=in_two))
    _, second, runs = asked_of_both(model, monkeypatch)
    assert isinstance(second, Certificate) and runs > 0
    recheck_certificate(model, never_open("down"), second, budget=0)
