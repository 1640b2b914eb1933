"""The proof for one design tried, just as it is, for another like it: believed only where it holds of that too."""

from __future__ import annotations

import pytest

from tests.adequacy.test_difference import LIMITS, with_lines
from tests.differential.building import at, away, both, go, machine, prop
from tests.differential.building import model as put_together
from tests.differential.random_models import random_model
from tests.differential.test_mirror import line, long_shut, never_open
from verifier.engines.decision import decide, decide_alike
from verifier.engines.limits import Allowance
from verifier.engines.mirror import Proof
from verifier.engines.ordering import read_everywhere, side_by_side
from verifier.engines.study import Study
from verifier.evidence.known import Known
from verifier.evidence.recheck import recheck_certificate
from verifier.evidence.verdicts import ROWS, Bench
from verifier.language.guard import Const
from verifier.language.load import built_in_properties
from verifier.language.model import Form, Model
from verifier.semantics.run import Certificate
from verifier.studies.plants import plants

TRIED = (*ROWS, Form.AMBIGUOUS, Form.PULSE)


def told(model: Model, sound: Model, asked) -> Study:
    """The study of ``model`` that knows the proof of ``asked`` for ``sound``."""
    study, like = Study(sound, 0, Allowance(60)), Study(model, 0, Allowance(60))
    found = decide(study, asked)
    assert isinstance(found, Certificate)
    read = Proof.read(asked, found.invariant, like.base)
    assert read is not None
    like.proofs.append(read)
    return like


@pytest.mark.parametrize("asked", [never_open("up"), long_shut("up")])
def test_a_proof_that_still_holds_is_found_and_one_that_does_not_is_not(asked) -> None:
    sound = put_together(*line("up"))
    for model, still in (
        (put_together(*line("up", run=(12, 20))), True),
        (put_together(*line("up", run=(4, 20))), False),
        (put_together(*line("up", gate=[go("open", "shut", at("train_up", "near"), held=12)])), False),
    ):
        like = told(model, sound, asked)
        # what was asked before makes no difference
        for _ in range(2):
            found = decide_alike(like, asked)
            assert (found is not None) == still
        if found is not None:
            recheck_certificate(model, asked, found, budget=0)


def test_lemmas_that_every_step_keeps_prove_nothing_where_they_do_not_exclude_what_is_bad() -> None:
    sound = put_together(*line("up"))
    like = told(sound, sound, never_open("up"))
    worse = prop(Form.NEVER, p=at("gate_up", "shut"))
    like.proofs[:] = [Proof(worse, proof.lemmas, proof.watched, proof.told_apart) for proof in like.proofs]
    assert decide_alike(like, worse) is None


def test_what_is_confirmed_says_nothing_of_the_next_that_is_asked_about() -> None:
    sound = put_together(*line("up"), *line("down"))
    changed = put_together(*line("up"), *line("down", run=(4, 20)))
    like = told(changed, sound, never_open("up"))
    nothing = prop(Form.NEVER, p=Const(False))
    like.proofs += [*told(changed, sound, never_open("down")).proofs, Proof(nothing, (), ())]
    assert decide_alike(like, nothing) is not None
    assert decide_alike(like, never_open("up")) is not None
    assert decide_alike(like, never_open("down")) is None


def test_that_the_order_makes_no_difference_is_not_believed_of_a_design_where_it_does() -> None:
    near, train = at("train", "near"), [go("away", "near"), go("near", "away", after=(1, 2))]
    models = [
        put_together(
            machine("lamp", "control", "dark lit", [go("dark", "lit", near)]),
            machine("bell", "control", "quiet ringing", [go("quiet", "ringing", when)]),
            machine("train", "train", "away near", train),
        )
        for when in (near, both(near, at("lamp", "dark")))
    ]
    order = next(one for one in built_in_properties(models[0]) if one.form is Form.ORDER_MATTERS)
    found = [Bench(model, 0, LIMITS).judged(order) for model in models]
    assert [one.verdict for one in found] == ["proved", "violated"]
    known = Known.of(found[:1])
    assert [Bench.on(model, (0, ()), LIMITS, known).alike(order) is not None for model in models] == [True, False]


@pytest.mark.parametrize("first", range(0, 12, 6))
def test_what_is_taken_over_for_a_plant_is_confirmed_and_never_of_what_is_violated(first: int) -> None:
    taken: dict[Form, int] = {}
    left = 0
    for seed in range(first, first + 6):
        model = with_lines(random_model(seed))
        bench = Bench(model, 0, LIMITS)
        results = [bench.judged(one) for one in built_in_properties(model) if one.form in TRIED]
        known = Known.of([one for one in results if one.verdict == "proved"])
        for plant in plants(model)[::3]:
            planted = plant.planted_in(model)
            other, alone = Bench.on(planted, (0, ()), LIMITS, known), Bench(planted, 0, LIMITS)
            for asked, _ in known.proofs.get((0, ()), ()):
                found = other.alike(asked)
                if found is None:
                    left += 1
                    continue
                taken[asked.form] = taken.get(asked.form, 0) + 1
                recheck_certificate(planted, asked, found, budget=0)
                assert alone.judged(asked).verdict == "proved", f"seed {seed}, plant {plant.id}, {asked.id}"
    assert left and set(taken) == set(TRIED), (taken, left)


def test_what_every_transition_of_control_reads_draws_nothing_together() -> None:
    """The lines of two tracks stay apart when all of control waits for one lamp."""
    lamp = at("lamp", "lit")
    lines = []
    for name in ("up", "down"):
        train = machine(f"train_{name}", "train", "away near", [go("away", "near"), go("near", "away")])
        gate = machine(f"gate_{name}", "control", "open shut", [
            go("open", "shut", at(f"train_{name}", "near")), go("shut", "open", at(f"train_{name}", "away")),
        ])
        lines += [train, gate]
    lights = machine("lamp", "control", "lit dark", [go("lit", "dark", away("lamp", "dark"))])
    apart = put_together(lines[0], lines[2], lights, lines[1], lines[3])
    assert read_everywhere(apart.machines) == frozenset()
    names = side_by_side(apart)
    assert abs(names.index("train_up") - names.index("gate_up")) == 1
    waiting = [
        machine(m.name, "control", " ".join(m.states), [
            go(t.source, t.target, both(lamp, t.when)) for t in m.transitions
        ]) if m.name.startswith("gate") else m
        for m in apart.machines
    ]
    assert read_everywhere(waiting) == {"lamp"}
    names = side_by_side(put_together(*waiting))
    assert abs(names.index("train_up") - names.index("gate_up")) == 1

