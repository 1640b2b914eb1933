"""Designs that differ in the midst of a settle alone, and those that do not: by hand, and random small ones held
against an enumeration of all states."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from tests.adequacy.test_difference import LIMITS, has_foundations, with_lines
from tests.differential.building import HERE, at, away, both, either, go, machine, model, prop, window
from tests.differential.enumerator import Grid, State
from tests.differential.random_models import random_model
from verifier.engines import settles
from verifier.engines.lemmas import NotExcluded
from verifier.engines.limits import Allowance
from verifier.engines.settles import settles_alike
from verifier.engines.study import Study
from verifier.evidence.known import Known
from verifier.evidence.pipeline import verify
from verifier.evidence.recheck import Refused, obligations, recheck_certificate
from verifier.evidence.recheck_ask import ask
from verifier.evidence.result import Disagreement, RecheckedCertificate
from verifier.evidence.verdicts import Bench
from verifier.language.guard import FALSE, Const
from verifier.language.load import built_in_properties, load
from verifier.language.model import Form, Model
from verifier.semantics.bare import bare
from verifier.semantics.run import Certificate, Gap
from verifier.studies import adequacy, settling
from verifier.studies.adequacy import outcome_of
from verifier.studies.outcomes import CAUGHT, EQUIVALENT, UNDECIDED
from verifier.studies.plants import Error, Plant, plants
from verifier.studies.question import Question
from verifier.views.adequacy_text import change_text

BELL = Path(__file__).parent / "bell.yaml"
NEAR, OVER = at("train", "near"), at("train", "over")
NOTHING = prop(Form.NEVER, p=Const(False))


def crossing(*changes: tuple[str, int, dict]) -> Model:
    """A train comes and the lights go from dark by amber to red in no time. The bell rings with amber. The lamp is
    lit for the train and goes out 7 s later, or with it; it would go out and on again were ``blink`` allowed.
    ``changes`` are parts of transitions, by machine and number."""
    made = {
        "lights": ("dark amber red", [
            go("dark", "amber", NEAR), go("amber", "red"), go("red", "dark", at("train", "away")),
        ]),
        "bell": ("quiet ringing", [
            go("quiet", "ringing", at("lights", "amber")), go("ringing", "quiet", at("train", "away")),
        ]),
        "flag": ("off on", [go("off", "on", OVER), go("on", "off", away("train", "over"))]),
        "lamp": ("dark lit blink", [
            go("dark", "lit", NEAR), go("lit", "blink", FALSE), go("blink", "lit"),
            go("lit", "dark", OVER, after=7), go("dark", "blink", FALSE), go("lit", "dark", at("train", "away")),
        ]),
        "horn": ("silent sounding", [
            go("sounding", "silent", OVER), go("silent", "sounding", away("flag", "on"), held=9),
        ]),
        "start": ("before after astray", [go("before", "after"), go("before", "astray", FALSE)]),
    }
    for name, number, parts in changes:
        made[name][1][number] |= parts
    train = [go("away", "near"), go("near", "over", after=(4, 6)), go("over", "away", after=(2, 8))]
    control = [machine(name, "control", *parts) for name, parts in made.items()]
    gong = [go("silent", "heard", away("lights", "amber"), held=(9, None)), go("heard", "silent", OVER)]
    gong = machine("gong", "equipment", "silent heard", gong)
    return model(*control, gong, machine("train", "train", "away near over", train))


SOUND = crossing()

ALIKE = {
    "nothing": [],
    "the bell a round before amber": [("bell", 0, {"when": NEAR})],
    "a condition that is never false": [("bell", 0, {"when": both(at("lights", "amber"), NEAR)})],
    "a timer's condition, where the timer does not run": [("lamp", 3, {"when": either(OVER, at("start", "before"))})],
    "another way for some choices": [("lamp", 4, {"when": NEAR})],
    "a transition that is never taken, left out": [("lamp", 4, {"when": FALSE})],
}
OTHER = {
    "another end": ("later", [("bell", 0, {"when": FALSE})]),
    "another first end": ("first", [("start", 0, {"target": "before", "when": FALSE})]),
    "another end for some choices": ("first", [("start", 1, {"when": at("train", "away")})]),
    "a time begins anew": ("later", [("lamp", 1, {"when": both(OVER, at("flag", "off"))})]),
    "a guard holds without a break": ("later", [("lights", 0, {"target": "red"}), ("bell", 0, {"when": NEAR})]),
    "no end": ("later", [("bell", 1, {"when": NEAR})]),
    "a timer runs on": ("later", [("lamp", 3, {"when": both(OVER, at("horn", "sounding"))})]),
    "a timer sooner": ("later", [("lamp", 3, {"after": window(4)})]),
    "a guard that must hold": ("guards", [("horn", 1, {"when": away("lights", "amber")})]),
}


def certificate(planted: Model) -> Certificate | None:
    return settles_alike(Study(SOUND, 0, Allowance(None, None)), bare(planted))


def plant(changes: list[tuple[str, int, dict]]) -> Plant:
    changed = {
        (name, number): replace(SOUND.machine(name).transitions[number], **parts) for name, number, parts in changes
    }
    return Plant("001", Error.LEFT_OUT, HERE, changed)


@pytest.mark.parametrize("what", ALIKE)
def test_what_differs_on_the_way_alone_is_proved_alike(what: str) -> None:
    planted = crossing(*ALIKE[what])
    found = certificate(planted)
    assert found is not None
    rechecked = recheck_certificate(SOUND, NOTHING, found, alike_to=planted)
    assert {"first settle alike", "later settles alike", "delays alike"} <= set(rechecked.obligations)


@pytest.mark.parametrize("what", OTHER)
def test_what_ends_otherwise_is_not(what: str) -> None:
    assert certificate(crossing(*OTHER[what][1])) is None


@pytest.mark.parametrize("what", OTHER)
def test_the_second_solver_refuses_what_ends_otherwise(what: str) -> None:
    """With all that a proof needs, for the sound model with itself."""
    found = certificate(SOUND)
    assert found is not None
    where, changes = OTHER[what]
    with pytest.raises(Refused) as refused:
        recheck_certificate(SOUND, NOTHING, found, alike_to=crossing(*changes))
    assert (refused.value.kind, refused.value.obligation.startswith(where)) == ("sat", True)


@pytest.mark.parametrize("what", OTHER)
def test_concrete_runs_of_either_design_end_otherwise(what: str) -> None:
    planted = crossing(*OTHER[what][1])
    starts = settling.settle_starts(Bench(SOUND, 0, LIMITS).runs())
    assert any(settling._Both(SOUND, planted, 0).parted_from(start) for start in starts)


@pytest.mark.parametrize("parts", [{"after": window((4, 6))}, {"target": "near"}])
def test_a_world_that_differs_is_refused_whatever_the_settles_do(parts: dict) -> None:
    train = SOUND.machine("train")
    transitions = (*train.transitions[:-1], replace(train.transitions[-1], **parts))
    other = replace(SOUND, machines=(*SOUND.machines[:-1], replace(train, transitions=transitions)))
    assert certificate(other) is None
    with pytest.raises(Refused) as refused:
        recheck_certificate(SOUND, NOTHING, certificate(SOUND), alike_to=other)
    assert refused.value.kind == "malformed"


@pytest.mark.parametrize(("what", "invariant"), [
    ("a guard holds without a break", """(and (=> |train is over| |lights is red|)
      (=> (and |lights is red| (not |train is away|)) |bell is ringing|) (=> |lights is amber| |train is near|))"""),
    ("a time begins anew", """(and (not |lamp is blink|) (=> |train is near| (and (<= |time train| 6.0)
      (=> |lamp is lit| (= |time lamp| |time train|)) (=> |lamp is dark| (= |time train| 0.0)))))"""),
])
def test_the_second_solver_compares_times_where_all_else_is_alike(what: str, invariant: str) -> None:
    """The invariant says all that one needs but for the time."""
    with pytest.raises(Refused) as refused:
        recheck_certificate(SOUND, NOTHING, Certificate(invariant, rounds=4), alike_to=crossing(*OTHER[what][1]))
    assert (refused.value.kind, refused.value.obligation) == ("sat", "later settles alike")


def test_delays_are_compared_though_settles_would_tell_too() -> None:
    """Who waits longer settles otherwise at the end of the shorter time, so each question is put on its own."""
    planted = crossing(*OTHER["a timer runs on"][1])
    asked = obligations(SOUND, NOTHING, certificate(SOUND), alike_to=planted)
    assert ask(asked["delays alike"], 10.0).verdict == "sat"
    proof = settles._Alike(Study(SOUND, 0, Allowance(None, None)), bare(planted))
    with pytest.raises(NotExcluded):
        proof._exclude(proof._unlike_limits())


def test_too_few_rounds_are_refused() -> None:
    found = certificate(SOUND)
    with pytest.raises(Refused) as refused:
        recheck_certificate(SOUND, NOTHING, replace(found, rounds=1), alike_to=SOUND)
    assert refused.value.obligation == "later settles alike"
    with pytest.raises(Refused) as refused:
        recheck_certificate(SOUND, NOTHING, replace(found, rounds=None), alike_to=SOUND)
    assert refused.value.kind == "malformed"


def test_a_wrong_proof_is_a_disagreement(monkeypatch) -> None:
    wrong, bench = plant(OTHER["another end"][1]), Bench(SOUND, 0, LIMITS)
    found = certificate(SOUND)
    monkeypatch.setattr(settling, "settles_alike", lambda _study, _other: found)
    with pytest.raises(Disagreement, match="second solver refuses"):
        settling.ends_alike(bench, wrong, ())
    token = RecheckedCertificate(found, {}, "", 0.0)
    monkeypatch.setattr(Bench, "rechecked", lambda *_args, **_named: token)
    with pytest.raises(Disagreement, match="and one does not"):
        settling.ends_alike(bench, wrong, ())
    assert settling.ends_alike(bench, plant(ALIKE["the bell a round before amber"]), ()) is token


# -- what becomes of the plant


def test_an_order_given_and_taken_back_on_the_way_is_caught_though_the_ends_are_alike(monkeypatch) -> None:
    """Amber lasts while the key is turned; planted, it is passed when it is not, and a motor heeds amber."""
    turned, straight = at("key", "turned"), at("key", "straight")
    lights = [go("dark", "red", both(NEAR, straight)), go("dark", "amber", both(NEAR, turned)),
              go("amber", "red", straight), go("red", "dark", at("train", "away"))]
    sound = model(
        machine("lights", "control", "dark amber red", lights),
        machine("motor", "equipment", "still running", [
            go("still", "running", at("lights", "amber")), go("running", "still", at("lights", "dark")),
        ]),
        machine("key", "operator", "straight turned", [go("straight", "turned"), go("turned", "straight")]),
        machine("train", "train", "away near", [go("away", "near"), go("near", "away", after=(4, 6))]),
    )
    question = Question.about(verify(sound, built_in_properties(sound), LIMITS), (), LIMITS)
    changed = replace(sound.machine("lights").transitions[0], target="amber")
    passed = Plant("001", Error.ELSEWHERE, HERE, {("lights", 0): changed})
    monkeypatch.setattr(adequacy._Judged, "seen_in", lambda *_: None)
    assert adequacy._Judged(question, passed).is_alike
    found = outcome_of(question, passed)
    assert (found.outcome, found.by) == (CAUGHT, "pulse")


def test_only_what_reads_the_way_is_asked_of_a_plant_that_ends_alike() -> None:
    question = Question(SOUND, (prop(Form.AMBIGUOUS), NOTHING), (), Known(), frozenset(), LIMITS)
    for what, changes in (*ALIKE.items(), *((what, changes) for what, (_, changes) in OTHER.items())):
        asked = adequacy._Judged(question, plant(changes)).telling(question.asked)
        assert [one.form for one in asked] == [Form.AMBIGUOUS, *[Form.NEVER] * (what in OTHER)]


def test_what_is_asked_under_more_faults_than_the_proof_speaks_of_is_asked() -> None:
    question = Question(SOUND, (NOTHING, replace(NOTHING, budget=1)), (), Known(), frozenset(), LIMITS)
    judged = adequacy._Judged(question, plant(ALIKE["the bell a round before amber"]))
    judged.most = 0
    assert judged.telling(question.asked) == [replace(NOTHING, budget=1)]


@pytest.mark.parametrize(("line", "outcome"), [
    ("condition left out `lights_amber`", EQUIVALENT), ("condition added `called`", UNDECIDED),
])
def test_settles_are_looked_at_where_it_stays_open_whether_the_runs_are_the_same(monkeypatch, line, outcome) -> None:
    bell, properties = load(str(BELL))
    question = Question.about(verify(bell, (*built_in_properties(bell), *properties), LIMITS), (), LIMITS)
    (one,) = (p for p in plants(bell) if change_text(bell, p) == line and p.machines == ("bell",))
    monkeypatch.setattr(adequacy._Judged, "partings", lambda *_: ())
    monkeypatch.setattr(adequacy._Judged, "difference", lambda *_: Gap("no time", ""))
    found = outcome_of(question, one)
    assert found.outcome == outcome
    built_in = {p.id for p in properties if p.form.is_built_in} | {p.id for p in built_in_properties(bell)}
    assert set(found.proved) == (built_in if outcome == EQUIVALENT else built_in | {"red-in-time", "amber-3s"})


# -- random models, all states of them


def measured(model: Model, state: State) -> State:
    """Without times that no window measures."""
    kept = tuple(s * any(t.after is not None for t in m.transitions) for m, s in zip(model.machines, state.since))
    windows = [t.held for m in model.machines for t in m.transitions if t.held is not None]
    held = tuple(h * (window.hi != 0) for window, h in zip(windows, state.held, strict=True))
    return state._replace(since=kept, held=held)


def same_everywhere(model: Model, planted: Model) -> bool:
    """From every state in which a settle begins at half seconds, both end in one state and may wait as long."""
    one, other = Grid(model, 2), Grid(planted, 2)
    todo, seen = [one.initial()], set()
    while todo:
        start = todo.pop()
        if start in seen:
            continue
        seen.add(start)
        ends = [ends_of(grid, start) for grid in (one, other)]
        states = {measured(model, end) for found in ends for end in found}
        if len(states) != 1 or not all(ends):
            return False
        for end in ends[0]:
            if any(one.may_wait(end, n) != other.may_wait(end, n) for n in range(1, one.longest_wait + 1)):
                return False
            todo += [after for _delay, _taken, after in one.steps(end)]
    return True


def ends_of(grid: Grid, start: State) -> set[State]:
    """Empty where a settle goes on for ever."""
    todo, seen = [(start, 0)], set()
    while todo:
        state, n_rounds = todo.pop()
        if n_rounds > 40:
            return set()
        if grid.is_settled(state):
            seen.add(state)
        else:
            todo += [(after, n_rounds + 1) for after in {after for *_, after in grid.settle_rounds(state)}]
    return seen


@pytest.mark.parametrize("first", range(0, 60, 15))
def test_what_is_proved_alike_is_alike_in_every_state(first: int) -> None:
    said = []
    for seed in range(first, first + 15):
        model = with_lines(random_model(seed))
        if not has_foundations(model):
            continue
        study = Study(model, 0, Allowance(20, None))
        for one in plants(model):
            if one.error in (Error.SHORTER, Error.LONGER):
                continue  # counted at other grains
            planted = settling._planted_in_place(one, model)
            found = settles_alike(study, bare(planted))
            is_same = same_everywhere(model, planted)
            assert found is None or is_same, f"seed {seed}, plant {one.id}"
            if found is not None:
                recheck_certificate(model, NOTHING, found, alike_to=planted)
            said.append((found is not None, is_same))
    assert said.count((True, True)) >= 20
    assert said.count((False, False)) >= 20
