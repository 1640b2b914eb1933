"""The terminal text: whole outputs, and what must never be missing from one."""

from dataclasses import replace
from fractions import Fraction

import pytest

from tests.views.small_crossing import (
    MODEL, RECHECKED, UNAMBIGUOUS, WARNED, late, outcome, proved, undecided, violated, with_verdict,
)
from verifier.evidence.result import VERDICTS, Result
from verifier.language.model import Form
from verifier.views.amounts import count_text, seconds_text, window_text
from verifier.views.truth import conditions
from verifier.views.text import MEANINGS, model_text, result_lines, summary

COUNTEREXAMPLE = """\
VIOLATED    lights-in-time
            The road lights are red within 2 s of the call.
            the run below breaks it (4 steps; no faults allowed).
            how: bounded search
            from: hazard H09; an example, no published source
            takes for granted: trains pass the signal only at proceed (small_crossing.yaml:52)

            Counterexample: 4 steps, 2.5 s; replayed step by step on the concrete machine.
            at the start: lights is dark, detection is free, train is away
              1. at 0 s: the world acts
                 train (train): away -> approaching                           small_crossing.yaml:51
                   now true: train_near
              2. at 0 s: the world acts
                 detection (equipment): free -> occupied                      small_crossing.yaml:31
                   now true: called
              3. at 0 s: the logic acts
                 lights: dark -> amber                                        small_crossing.yaml:11
            >>  HERE THE DEMAND BEGINS: `whenever: called` is true, `then: lights is red` is false
              4. at 2.5 s, 2.5 s later: time passes, nothing acts
            **  VIOLATED HERE: `whenever: called` is true, `then: lights is red` is false
"""


def test_counterexample_is_told_step_by_step():
    lines = result_lines(MODEL, late())
    told = [line for line in lines if not line.strip().startswith("why:")]
    assert "\n".join(told) + "\n" == COUNTEREXAMPLE


def test_every_verdict_has_a_sentence_and_what_is_no_pass_stands_in_capitals():
    assert set(MEANINGS) == set(VERDICTS)
    for verdict in VERDICTS:
        head = result_lines(MODEL, with_verdict(verdict))[0]
        assert (verdict in head) == (verdict in ("proved", "shown"))
        assert (verdict.upper() in head) == (verdict not in ("proved", "shown"))


def test_a_violation_without_a_run_does_not_speak_of_one():
    dead = replace(UNAMBIGUOUS, form=Form.DEAD, id="dead")
    text = "\n".join(result_lines(MODEL, Result(dead, "violated", 0, certificate=RECHECKED)))
    assert "run below" not in text and "what never happens" in text


def test_undecided_says_why_and_what_to_try():
    text = "\n".join(result_lines(MODEL, undecided()))
    assert "why: The time limit of 60 s was reached." in text
    assert "try: Raise --time-limit." in text
    assert "this is not a pass" in text


def test_undecided_never_speaks_of_a_proof_or_of_all_runs():
    """A proof that rests on nothing (semantics.md 9.7) is undecided, and keeps its method and bound."""
    hollow = replace(undecided(), bound="complete", method="proved by 3 facts")
    text = "\n".join(result_lines(MODEL, hollow))
    assert "runs of any length" not in text and "proved" not in text


def test_proof_names_method_bound_budget_and_confirmation():
    text = " ".join("\n".join(result_lines(MODEL, proved())).split())
    assert "no run of the model breaks it (runs of any length; no faults allowed)." in text
    assert "how: an inductive invariant" in text
    assert "sure: confirmed by cvc5 1.4.2; 3 random concrete runs stayed inside it (seed 7" in text


def test_a_confirmation_that_all_proofs_share_is_said_once():
    text = model_text(outcome(proved(UNAMBIGUOUS), proved()))
    assert text.count("confirmed by") == text.count("Every proof was confirmed by cvc5 1.4.2") == 1
    assert model_text(outcome(proved(), violated())).count("sure: confirmed by") == 1


def test_assumptions_that_all_share_are_said_once():
    text = model_text(outcome(proved(UNAMBIGUOUS), violated()))
    assert text.count("trains pass the signal only at proceed") == 1
    alone = model_text(outcome(violated(), replace(proved(), assumptions=())))
    assert alone.count("takes for granted: trains pass the signal only at proceed") == 1


def test_faults_that_were_not_granted_are_named_as_such():
    none = replace(proved(), assumptions=("chain_breaks",))
    text = model_text(outcome(none, replace(none, property=UNAMBIGUOUS)))
    assert "takes for granted:\n  - this fault does not happen: chain_breaks\n" in text


def test_text_of_a_model_is_the_same_whatever_time_it_took():
    slow = replace(outcome(replace(proved(), seconds=99.0)), seconds=100.0)
    assert model_text(slow) == model_text(outcome(proved()))


def test_text_is_plain():
    text = model_text(outcome(proved(UNAMBIGUOUS), violated(), undecided()))
    assert text.isascii() and text.replace("\n", "").isprintable()
    assert all(len(line) <= 100 for line in text.splitlines())


def test_summary_names_everything_that_is_no_pass():
    assert summary((proved(UNAMBIGUOUS), violated(), undecided())) == (
        "3 properties: 1 proved, 1 violated (signal-needs-closed), 1 undecided (lights-in-time)."
    )


def test_a_fault_is_named_in_its_step():
    barriers = MODEL.machine("barriers")
    from verifier.views.story import Change
    from verifier.views.text import change_text

    change = Change(barriers, barriers.transitions[3])
    assert change_text(change) == "barriers (equipment): lowering -> raised, by the fault chain_breaks"


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (Fraction(0), "0 s"),
        (Fraction(27), "27 s"),
        (Fraction(1, 2), "0.5 s"),
        (Fraction(1, 8), "0.125 s"),
        (Fraction(31, 3), "31/3 s (about 10.333 s)"),
        (Fraction(1, 10**7), "1/10000000 s (about 0.000 s)"),
    ],
)
def test_seconds_are_never_rounded_silently(value, text):
    assert seconds_text(value) == text


def test_windows_and_counts():
    assert window_text(Fraction(4), Fraction(6)) == "4 s .. 6 s"
    assert window_text(Fraction(4), Fraction(4)) == "4 s"
    assert window_text(Fraction(4), None) == "4 s .."
    assert [count_text(n, "fault") for n in (0, 1, 2)] == ["no faults", "1 fault", "2 faults"]


def test_the_onset_is_marked_only_when_it_is_another_moment():
    text = "\n".join(result_lines(MODEL, violated()))
    assert "HERE THE DEMAND BEGINS" not in text
    assert text.count("VIOLATED HERE") == 1
    assert WARNED.bound == 2


def test_between_shows_its_two_guards_as_written():
    prop = replace(WARNED, form=Form.BETWEEN_AT_MOST, texts={"between": "called, lights is red"})
    shown = [(part.key, part.text) for part in conditions(prop)]
    assert shown == [("from", "called"), ("to", "lights is red")]
    bare = replace(prop, texts={})
    assert [part.text for part in conditions(bare)] == ["detection is occupied", "lights is red"]
