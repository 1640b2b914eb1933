"""Counterexamples as sentences to be read aloud."""

from dataclasses import replace

from tests.views.small_crossing import MODEL, late, outcome, violated
from verifier.studies.cause import causes_of
from verifier.views.spoken import opening, sentences
from verifier.views.text import model_text


def test_the_story_of_the_small_crossing():
    assert opening(MODEL, violated()) == (
        "At the start lights are dark, signal is danger, detection is free, barriers are raised and train is away."
    )
    assert [one.text for one in sentences(MODEL, violated())] == [
        "At 0 s: train goes from away to approaching. So “train near” is now true.",
        "At 0 s: detection goes from free to occupied. So “called” is now true.",
        "At 0 s: the logic answers at once: lights go from dark to amber.",
        "At 3 s: nothing moves, but time has passed.",
        "At 3 s: the logic answers at once: lights go from amber to red.",
        "At 3 s: the logic answers at once: signal goes from danger to proceed.",
    ]


def test_each_sentence_names_the_lines_that_say_so():
    places = [one.places for one in sentences(MODEL, violated())]
    assert places[0] == "small_crossing.yaml:51" and places[3] == ""


def test_a_moment_after_the_first_says_how_much_later():
    told = sentences(MODEL, late())
    assert told[-1].text == "At 2.5 s: nothing moves, but time has passed."


def test_a_long_number_is_said_to_be_rounded():
    from fractions import Fraction

    from tests.views.small_crossing import CALL, WARNED, trace_of
    from verifier.evidence.replay import replay_trace

    third = replay_trace(MODEL, WARNED, trace_of(*CALL, ("world", Fraction(7, 3), ())))
    assert sentences(MODEL, replace(late(), trace=third))[-1].text.startswith("At about 2.33 s:")


def test_the_terminal_tells_what_it_hangs_on_and_how_to_see_it():
    judged = outcome(violated())
    text = model_text(judged, causes_of(judged))
    assert "see it played: strikein report small_crossing.yaml --property signal-needs-closed" in text
    assert "see it played" not in model_text(judged)


def test_what_the_model_says_of_a_transition_is_told():
    """Of the words on the line of the model, in the page and in the terminal."""
    first = MODEL.machine("train").transitions[0]
    assert not first.says, "the words must come from the test"
    train = replace(MODEL.machine("train"), transitions=(replace(first, says="Passes the strike-in."),
                                                         *MODEL.machine("train").transitions[1:]))
    model = replace(MODEL, machines=tuple(train if m.name == "train" else m for m in MODEL.machines))
    told = sentences(model, violated())[0].text
    assert told.startswith("At 0 s: train goes from away to approaching (Passes the strike-in).")
    assert "(Passes the strike-in)\n" in model_text(replace(outcome(violated()), model=model))
