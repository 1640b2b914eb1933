"""The proof for one line tried for the other: it spares work where they are alike and is never believed
where they are not."""

from __future__ import annotations

from collections.abc import Callable, Sequence
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


def long_shut(name: str) -> Property:
    """The gate has been shut for 1 s when the train comes."""
    here, shut = at(f"train_{name}", "here"), at(f"gate_{name}", "shut")
    return replace(prop(Form.HAS_HELD, q=here, p=shut, bound=1), id=f"long shut[{name}]")


ASKED = pytest.mark.parametrize("asked", [never_open, long_shut])


def of_both(
    model: Model, asked: Callable[[str], Property], monkeypatch: pytest.MonkeyPatch
) -> tuple[Certificate, Certificate | Trace, int]:
    """What is found for the up line, then for the down line, each held against the concrete machine or the
    second solver; and how many explorations the latter took."""
    study = Study(model, 0, Allowance(60))
    first = decide(study, asked("up"))
    assert isinstance(first, Certificate)
    recheck_certificate(model, asked("up"), first, budget=0)
    runs = []
    explore = Explorer.run
    monkeypatch.setattr(Explorer, "run", lambda *a, **k: runs.append(a) or explore(*a, **k))
    second = decide(study, asked("down"))
    if isinstance(second, Trace):
        replay_trace(model, asked("down"), second, 0)
    else:
        recheck_certificate(model, asked("down"), second, budget=0)
    return first, second, len(runs)


@ASKED
def test_what_holds_of_one_line_is_not_worked_out_again_for_the_other(asked, monkeypatch) -> None:
    first, second, runs = of_both(put_together(*line("up"), *line("down")), asked, monkeypatch)
    assert isinstance(second, Certificate) and runs == 0
    assert second.needs_times_of == tuple(n.replace("up", "down") for n in first.needs_times_of) != ()


@ASKED
def test_a_line_with_a_fault_of_its_own_is_found_out(asked, monkeypatch) -> None:
    """Its trains come 4 s after they are seen at the earliest, before its gate has shut."""
    model = put_together(*line("up"), *line("down", run=(4, 20)))
    _, second, runs = of_both(model, asked, monkeypatch)
    assert isinstance(second, Trace) and runs > 0


@ASKED
def test_a_line_that_is_safe_in_its_own_way_gets_a_proof_of_its_own(asked, monkeypatch) -> None:
    near = at("train_down", "near")
    in_two = [go("open", "half", near, held=3), go("half", "shut", near, held=3)]
    model = put_together(*line("up"), *line("down", gate=in_two))
    _, second, runs = of_both(model, asked, monkeypatch)
    assert isinstance(second, Certificate) and runs > 0


def test_a_line_that_begins_otherwise_is_not_taken_for_its_like() -> None:
    """Every step of the down line keeps what holds of the up line; its first state does not satisfy it."""
    moves = [go("open", "shut"), go("shut", "open"), go("broken", "shut")]
    gates = machine("gate_up", "equipment", "open shut broken", moves), machine(
        "gate_down", "equipment", "broken open shut", moves
    )
    lamp = machine("lamp", "control", "dark lit", [go("dark", "lit", at("gate_up", "shut"))])
    study = Study(put_together(*gates, lamp), 0, Allowance(60))
    found = [
        decide(study, replace(prop(Form.NEVER, p=at(f"gate_{name}", "broken")), id=f"whole[{name}]"))
        for name in ("up", "down")
    ]
    assert isinstance(found[0], Certificate)
    assert isinstance(found[1], Trace) and not found[1].steps
