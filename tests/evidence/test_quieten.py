"""Counterexamples lose what they do not need, and nothing they do."""

from fractions import Fraction

from tests.differential.building import at, both, go, machine, model, prop
from verifier.evidence import quieten
from verifier.evidence.judgement import Unjudged
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


def test_waits_become_one_with_what_comes_after_them():
    """All but the last, after which nothing comes, and one that a control timer ends."""
    checked = runners((1, 9))
    asked = prop(Form.NEVER, p=at("w1", "on"))
    slow = shown(checked, asked, [world(1), world(0), world(2), world(0, "w1")])
    quiet = quietened(Concrete(checked), asked, slow)
    assert [(step.delay, len(step.moves)) for step in quiet.run.steps] == [(3, 1)]

    timer = machine("timer", "control", "off on", [go("off", "on", after=2)])
    walker = machine("walker", "road user", "off on", [go("off", "on", at("timer", "on"))])
    checked, asked = model(timer, walker), prop(Form.NEVER, p=at("walker", "on"))
    settle = Step("settle", Fraction(0), (Move("timer", 0),))
    needed = shown(checked, asked, [world(2), settle, world(0), world(1, "walker")])
    quiet = quietened(Concrete(checked), asked, needed)
    assert [(step.kind, step.delay) for step in quiet.run.steps] == [("world", 2), ("settle", 0), ("world", 1)]


def times(shown_run):
    return [snapshot.time for snapshot in shown_run.run.snapshots[1:]]


def runners(*windows):
    return model(*(
        machine(f"w{number}", "equipment", "off on", [go("off", "on", after=window)])
        for number, window in enumerate(windows, start=1)
    ))


def test_times_become_round_where_they_can():
    checked = runners((1, 5), (2, 9))
    asked = prop(Form.NEVER, p=both(at("w1", "on"), at("w2", "on")))
    odd = shown(checked, asked, [world(Fraction(7, 3), "w1"), world(Fraction(1, 7), "w2")])
    assert times(quietened(Concrete(checked), asked, odd)) == [2, 2]


def test_what_comes_a_whole_time_later_comes_along():
    """A control timer of 3 s runs from whenever the train comes, between 1.1 and 1.9 s."""
    train = machine("train", "train", "away here", [go("away", "here", after=(Fraction("1.1"), Fraction("1.9")))])
    timer = machine("timer", "control", "off on", [go("off", "on", at("train", "here"), held=3)])
    checked, asked = model(train, timer), prop(Form.NEVER, p=at("timer", "on"))
    odd = [world(Fraction(4, 3), "train"), world(3), Step("settle", Fraction(0), (Move("timer", 0),))]
    assert times(quietened(Concrete(checked), asked, shown(checked, asked, odd))) == [1.5, 4.5, 4.5]


def test_times_that_must_be_as_they_are_stay():
    third = Fraction(1, 3)
    checked = runners((third, third), (Fraction("0.35"), Fraction("0.35")))
    asked = prop(Form.NEVER, p=both(at("w1", "on"), at("w2", "on")))
    exact = shown(checked, asked, [world(third, "w1"), world(Fraction("0.35") - third, "w2")])
    assert quietened(Concrete(checked), asked, exact).run == exact.run


def test_a_run_that_no_longer_breaks_anything_is_not_taken_for_it():
    """An answer is late after 2.7 s only, so of 2 s and 3 s the second is taken."""
    checked = runners((0, 5), (0, 9))
    asked = prop(Form.WITHIN, p=at("w1", "on"), q=at("w2", "on"), bound=Fraction("2.7"))
    late = shown(checked, asked, [world(0, "w1"), world(Fraction("2.7131"))])
    found = quietened(Concrete(checked), asked, late)
    assert found.run.snapshots[found.violating].time - found.run.snapshots[found.onset].time > Fraction("2.7")
    assert times(found)[-1] == 3


def test_a_run_that_cannot_be_judged_is_not_taken_for_it(monkeypatch):
    checked = runners((1, 5), (2, 9))
    asked = prop(Form.NEVER, p=both(at("w1", "on"), at("w2", "on")))
    odd = shown(checked, asked, [world(Fraction(7, 3), "w1"), world(Fraction(1, 7), "w2")])

    def gives_up(*_what):
        raise Unjudged("too many ways on")

    monkeypatch.setattr(quieten, "judge", gives_up)
    assert quietened(Concrete(checked), asked, odd) == odd
