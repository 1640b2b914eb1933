"""What is planted in a small design, written out by hand, and that each plant is one change."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import pytest

from verifier.language.load import load
from verifier.language.model import Model
from verifier.studies.plants import Error, Plant, plants

HERE = Path(__file__).parent
MODELS = HERE.parents[1] / "models"

# lights: dark -> amber when called; amber -> red after 3 s; red -> dark when not called.
# bell: quiet -> ringing when called and lights is amber; ringing -> quiet when lights is dark.
BY_HAND = {
    Error.LEFT_OUT: 2,  # either half of the bell's only condition of two parts
    Error.REVERSED: 5,  # each of the five comparisons
    Error.ADDED: 3,  # to amber -> red, and to both of the bell; `called` and `not called` need no other
    Error.SHORTER: 1,
    Error.LONGER: 1,
    Error.ELSEWHERE: 3,  # the lights have a third state, the bell has none
    Error.REMOVED: 5,
}


@pytest.fixture(scope="module")
def bell() -> Model:
    return load(str(HERE / "bell.yaml"))[0]


def test_plants_of_a_small_design_are_those_written_out_by_hand(bell: Model) -> None:
    found = plants(bell)
    counted = {error: sum(p.error is error for p in found) for error in Error}
    assert {error: n for error, n in counted.items() if n} == BY_HAND


@pytest.mark.parametrize("name", ["miniature_lights", "half_barriers", "full_barriers"])
def test_every_plant_is_a_model_of_its_own_with_the_rest_left_alone(name: str) -> None:
    model = load(str(MODELS / f"{name}.yaml"))[0]
    found = plants(model)
    made = [plant.planted_in(model) for plant in found]
    assert len({planted.machines for planted in made}) == len(found) > 20
    assert len({planted.digest for planted in made} | {model.digest}) == len(found) + 1
    for plant, planted in zip(found, made, strict=True):
        changed = [m.name for m, n in zip(model.machines, planted.machines, strict=True) if m != n]
        assert changed == [m.name for m in model.machines if m.name in plant.machines]
        for machine in planted.machines:
            assert [t.index for t in machine.transitions] == list(range(len(machine.transitions)))
            assert machine.is_control or machine == model.machine(machine.name)
            assert not machine.is_observer or machine == model.machine(machine.name)


def test_a_line_that_makes_several_transitions_is_changed_in_all_of_them() -> None:
    """`full_barriers` has one part for each track: a mistake in its file is made on both."""
    model = load(str(MODELS / "full_barriers.yaml"))[0]
    timer = next(
        p for p in plants(model) if p.error is Error.SHORTER and p.machines == ("lock_down", "lock_up")
    )
    assert len(timer.changed) == 2


def test_timers_change_by_the_step_asked_for(bell: Model) -> None:
    (shorter,) = (p for p in plants(bell, Fraction(1, 10)) if p.error is Error.SHORTER)
    (changed,) = shorter.changed.values()
    assert changed is not None and changed.after is not None
    assert changed.after.lo == changed.after.hi == Fraction(29, 10)


def test_a_model_without_logic_has_no_plants() -> None:
    assert plants(load(str(MODELS / "footpath.yaml"))[0]) == ()


def test_numbers_are_the_same_at_every_call(bell: Model) -> None:
    def ids(found: tuple[Plant, ...]) -> list:
        return [(p.id, p.error, p.detail, p.machines) for p in found]

    assert ids(plants(bell)) == ids(plants(bell))


def test_what_has_a_name_is_one_condition_of_a_guard_and_errs_wherever_it_is_used() -> None:
    """`reported_clear` stands among other conditions in two guards of `full_barriers`."""
    model = load(str(MODELS / "full_barriers.yaml"))[0]
    named = model.terms["reported_clear"].guard
    found = [p for p in plants(model) if p.error is Error.LEFT_OUT]
    whole = [p.machines for p in found if p.part == named]
    within = [p.machines for p in found if p.detail == "in `reported_clear`"]
    assert sorted(whole) == [("closure",), ("exit_order",)]
    assert within == [("closure", "exit_order")] * 2
