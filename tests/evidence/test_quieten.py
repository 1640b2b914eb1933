"""Counterexamples lose what they do not need, and nothing they do."""

from fractions import Fraction

from tests.differential.building import at, both, go, machine, model, prop
from verifier.evidence.quieten import quietened
from verifier.evidence.replay import replay_trace
from verifier.language.model import Form
from verifier.semantics.concrete import Concrete
from verifier.semantics.run import Move, Step, Trace


def shown(checked, asked, steps):
    concrete = Concrete(checked)
    snapshots = [concrete.initial()]
    for step in steps:
        snapshots.append(concrete.take(snapshots[-1], step))
    claims = tuple(dict(snapshot.locations) for snapshot in snapshots)
    return replay_trace(checked, asked, Trace(tuple(steps), claims))


def world(seconds, *names):
    return Step("world", Fraction(seconds), tuple(Move(name, 0) for name in sorted(names)))


def three_walkers():
    machines = (machine(name, "equipment", "off on", [go("off", "on")]) for name in ("w1", "w2", "w3"))
    return model(*machines)


def test_a_machine_without_a_part_in_it_stays_away():
    checked = three_walkers()
    asked = prop(Form.NEVER, p=both(at("w1", "on"), at("w2", "on")))
    loud = shown(checked, asked, [world(1, "w1", "w3"), world(2, "w2")])
    quiet = quietened(Concrete(checked), asked, loud)
    assert [len(step.moves) for step in loud.run.steps] == [2, 1]
    assert [step.moves for step in quiet.run.steps] == [(Move("w1", 0),), (Move("w2", 0),)]


def test_what_the_run_needs_stays():
    checked = three_walkers()
    asked = prop(Form.NEVER, p=both(at("w1", "on"), both(at("w2", "on"), at("w3", "on"))))
    needed = shown(checked, asked, [world(1, "w1", "w2"), world(0, "w3")])
    assert quietened(Concrete(checked), asked, needed).run == needed.run
