"""The judge of runs, form by form, at its boundaries: exactly at T, just past T, spells not finished.

A run is written as its settled states, ``time:letters`` with the letters of the guards true there;
``~`` before the time marks a state in which time can't pass, ``*`` one that is not settled.
"""

from fractions import Fraction
from itertools import pairwise

import pytest

from tests.differential.building import at, machine, model, prop
from verifier.evidence.judge import judge, settled_onsets
from verifier.evidence.judgement import in_seconds
from verifier.evidence.watching import Watch
from verifier.language.model import Form
from verifier.semantics.concrete import Concrete
from verifier.semantics.run import Run, Snapshot, Step

LETTERS = model(*(machine(name, "equipment", "no yes") for name in "PQR"))
P, Q, R = (at(name, "yes") for name in "PQR")


def run(text: str) -> Run:
    snapshots = []
    for word in text.split():
        time, letters = word.strip("~*").split(":")
        settled = "*" not in word
        where = {name: "yes" if name in letters else "no" for name in "PQR"}
        can_pass = settled and "~" not in word
        snapshots.append(Snapshot(Fraction(time), where, {}, settled, can_pass))
    steps = [
        Step("world" if before.is_settled else "settle", after.time - before.time, ())
        for before, after in pairwise(snapshots)
    ]
    return Run(tuple(steps), tuple(snapshots))


def judged(form: Form, text: str, bound=None, unless=True):
    parts = {"p": P, "q": Q, "bound": bound}
    if unless:
        parts["r"] = R
    found = judge(Concrete(LETTERS), prop(form, **parts), run(text))
    return None if found is None else (found.violating, found.onset)


# form, run, T, then the index of the violating state and that of the onset, or None
CASES = [
    # 7.1 to 7.3: only where time can pass
    (Form.NEVER, "0: 1:P", None, (1, None)),
    (Form.NEVER, "0: ~1:P 1:", None, None),
    (Form.NEVER, "0: *1:P 1:", None, None),
    (Form.ALWAYS, "0:P 1:", None, (1, None)),
    (Form.ALWAYS, "0:P ~1: *1: 1:P", None, None),
    (Form.WHILE, "0: 1:PQ 2:P", None, (2, None)),
    (Form.WHILE, "0:Q 1:PQ ~2:P 2:", None, None),
    # 7.4: a state past t + T, no answer up to t + T inclusive
    (Form.WITHIN, "0: 1:P 4:", 3, None),
    (Form.WITHIN, "0: 1:P 4: 9/2:", 3, (3, 1)),
    (Form.WITHIN, "0: 1:P 4:Q 9:", 3, None),
    (Form.WITHIN, "0: 1:P 9/2:Q", 3, (2, 1)),
    (Form.WITHIN, "0: 1:PQ 9:", 3, None),
    (Form.WITHIN, "0: 1:P 2:R 9:", 3, None),
    (Form.WITHIN, "0: 1:P 2: 9:", 3, (3, 1)),
    (Form.WITHIN, "0:P 3:Q 4: 5:P 9:", 3, (4, 3)),
    (Form.WITHIN, "0:P 1: 2:P 2:", 2, None),
    (Form.WITHIN, "0:P 1: 2:P 5/2:", 2, (3, 0)),
    (Form.WITHIN, "0:Q 1:P 9:", 3, (2, 1)),
    (Form.WITHIN, "0:P *1:Q 1: 9:", 3, (3, 0)),
    (Form.WITHIN, "0:P 0:Q 1:", 0, None),
    (Form.WITHIN, "0:P 0: 1:Q", 0, (2, 0)),
    # 7.5: Q up to t + T inclusive
    (Form.KEEPS, "0: 1:PQ 4:Q 5:", 3, None),
    (Form.KEEPS, "0: 1:PQ 4:", 3, (2, 1)),
    (Form.KEEPS, "0: 1:PQ 4: 5:Q", 3, (2, 1)),
    (Form.KEEPS, "0: 1:P 2:Q", 3, (1, 1)),
    (Form.KEEPS, "0: 1:PR 2:", 3, None),
    (Form.KEEPS, "0: 1:PQ 2:QR 3:", 3, None),
    (Form.KEEPS, "0: 1:PQ 2:R 3:", 3, None),
    (Form.KEEPS, "0:PQ 1:Q 2:PQ 4:", 2, (3, 2)),
    (Form.KEEPS, "0:PQ 1:PQ 2:PQ 4:P", 2, None),
    (Form.KEEPS, "0:Q 1:", 3, None),
    # 7.6
    (Form.ONLY_AFTER, "0: 1:Q", None, (1, None)),
    (Form.ONLY_AFTER, "0: 1:PQ", None, None),
    (Form.ONLY_AFTER, "0:P 1: 2:Q 3: 4:Q", None, None),
    (Form.ONLY_AFTER, "0:P 1:R 2:Q", None, (2, None)),
    (Form.ONLY_AFTER, "0:P 1:PR 2:PQ", None, (2, None)),
    (Form.ONLY_AFTER, "0:R 1:P 2:Q", None, None),
    (Form.ONLY_AFTER, "0:P 1:QR", None, (1, None)),
    (Form.ONLY_AFTER, "0: 1:PQR", None, (1, None)),
    (Form.ONLY_AFTER, "0:P 1:Q 2:QR 3:Q", None, None),
    # 7.7 and 7.8
    (Form.LASTS_AT_LEAST, "0: 1:P 3:P", 3, None),
    (Form.LASTS_AT_LEAST, "0: 1:P 4:", 3, None),
    (Form.LASTS_AT_LEAST, "0: 1:P 7/2:", 3, (2, 1)),
    (Form.LASTS_AT_LEAST, "0: 1:P 1:", 0, None),
    (Form.LASTS_AT_LEAST, "0:P 1:P 2:", 3, (2, 0)),
    (Form.LASTS_AT_LEAST, "0:P 3: 4:P 5:", 3, (3, 2)),
    (Form.LASTS_AT_MOST, "0: 1:P 4:P", 3, None),
    (Form.LASTS_AT_MOST, "0: 1:P 9/2:P", 3, (2, 1)),
    (Form.LASTS_AT_MOST, "0: 1:P 9/2:", 3, (2, 1)),
    (Form.LASTS_AT_MOST, "0: 1:P 4: 9:", 3, None),
    (Form.LASTS_AT_MOST, "0:P 1: 2:P 4: 5:", 2, None),
    # 7.9
    (Form.HAS_HELD, "0: 1:P 4:PQ", 3, None),
    (Form.HAS_HELD, "0: 1:P 7/2:PQ", 3, (2, 1)),
    (Form.HAS_HELD, "0:P 4:Q", 3, (1, None)),
    (Form.HAS_HELD, "0:P 1: 2:P 4:PQ", 3, (3, 2)),
    (Form.HAS_HELD, "0: 1:PQ", 0, None),
    (Form.HAS_HELD, "0: 1:PQ", 1, (1, 1)),
    (Form.HAS_HELD, "0: 1:Q 2:P 3:PQ", 0, (1, None)),
    (Form.HAS_HELD, "0:P 3:PQ 4:Q 5:Q", 3, None),
    # 7.10: onsets answer; the earliest onset still unanswered counts
    (Form.BETWEEN_AT_MOST, "0: 1:P 4:Q 9:", 3, None),
    (Form.BETWEEN_AT_MOST, "0: 1:P 9/2:Q", 3, (2, 1)),
    (Form.BETWEEN_AT_MOST, "0:Q 1:PQ 9:Q", 3, (2, 1)),
    (Form.BETWEEN_AT_MOST, "0: 1:PQ 9:", 3, None),
    (Form.BETWEEN_AT_MOST, "0:P 2: 3:P 7/2:", 3, (3, 0)),
    (Form.BETWEEN_AT_MOST, "0:P 2:Q 3:P 6: 7:", 3, (4, 2)),
    (Form.BETWEEN_AT_MOST, "0:P 2:R 9:", 3, None),
    (Form.BETWEEN_AT_MOST, "0:P 3:", 3, None),
    # 7.11: the latest onset counts; an answer uses it up
    (Form.BETWEEN_AT_LEAST, "0: 1:P 4:Q", 3, None),
    (Form.BETWEEN_AT_LEAST, "0: 1:P 7/2:Q", 3, (2, 1)),
    (Form.BETWEEN_AT_LEAST, "0: 1:PQ", 3, (1, 1)),
    (Form.BETWEEN_AT_LEAST, "0: 1:PQ", 0, None),
    (Form.BETWEEN_AT_LEAST, "0:P 2: 3:P 4:Q", 3, (3, 2)),
    (Form.BETWEEN_AT_LEAST, "0:P 3:Q 4: 5:Q", 3, None),
    (Form.BETWEEN_AT_LEAST, "0:P 3:Q 4: 9/2:P 5:Q", 3, (4, 3)),
    (Form.BETWEEN_AT_LEAST, "0:P 1:R 2:Q", 3, None),
    (Form.BETWEEN_AT_LEAST, "0:P 1:QR", 3, None),
    (Form.BETWEEN_AT_LEAST, "0:Q 1:PQ 2:Q", 3, None),
    (Form.BETWEEN_AT_LEAST, "0: 1:Q", 3, None),
    # 7.12: every settled state, also one in which time can't pass
    (Form.POSSIBLE, "0: *1:P 1:", None, None),
    (Form.POSSIBLE, "0: ~1:P", None, (1, None)),
    (Form.POSSIBLE, "0: 3:P", 3, (1, None)),
    (Form.POSSIBLE, "0: 7/2:P", 3, None),
]


@pytest.mark.parametrize("form, text, bound, expected", CASES)
def test_form_at_its_boundaries(form, text, bound, expected):
    assert judged(form, text, bound) == expected


@pytest.mark.parametrize("form, text, bound, expected", CASES)
def test_watch_is_first_bad_at_the_same_state(form, text, bound, expected):
    """Section 8 on the same runs."""
    watch, letters_run, bad = Watch(prop(form, p=P, q=Q, r=R, bound=bound)), run(text), []
    for index, snapshot in enumerate(letters_run.snapshots):
        if index > 0:
            watch.go_on(letters_run.snapshots[index - 1], letters_run.steps[index - 1])
        if watch.is_bad(snapshot):
            bad.append(index)
    assert (bad[0] if bad else None) == (expected and expected[0])


# form, run, T, then open and time in its last state
WATCHED = [
    (Form.WITHIN, "0: 1:P 2: 3:P 4:", 9, (True, 3)),
    (Form.WITHIN, "0: 1:P 2:Q 3:P 4:", 9, (True, 1)),
    (Form.WITHIN, "0: 1:P 2:R 3:", 9, (False, 2)),
    (Form.KEEPS, "0: 1:PQ 4:Q 5:Q", 3, (True, 4)),
    (Form.KEEPS, "0: 1:PQ 4:Q 5:Q 6:Q", 3, (False, 5)),
    (Form.KEEPS, "0: 1:PQ 2:Q 3:PQ 4:Q", 3, (True, 1)),
    (Form.BETWEEN_AT_MOST, "0: 1:P 2: 3:P 4:", 9, (True, 3)),
    (Form.BETWEEN_AT_LEAST, "0: 1:P 2: 3:P 4:", 9, (True, 1)),
    (Form.BETWEEN_AT_LEAST, "0: 1:P 2:Q 3:", 0, (False, 2)),
]


@pytest.mark.parametrize("form, text, bound, expected", WATCHED)
def test_values_of_watches(form, text, bound, expected):
    """Worked out by hand from the rows of 8.2; certificates speak of these values."""
    watch, letters_run = Watch(prop(form, p=P, q=Q, r=R, bound=bound)), run(text)
    for before, step in zip(letters_run.snapshots, letters_run.steps):
        watch.go_on(before, step)
    assert (watch.values()["watch open"], watch.values()["watch time"]) == expected


def test_each_form_has_cases_of_both_kinds():
    seen = {(form, expected is None) for form, _text, _bound, expected in CASES}
    forms = {form for form in Form if not form.is_built_in} - {Form.EVENTUALLY}
    assert seen == {(form, kept) for form in forms for kept in (True, False)}


def test_without_unless_nothing_excuses():
    assert judged(Form.WITHIN, "0:P 1:R 9:", 3, unless=False) == (2, 0)


def test_of_several_violations_the_first_to_show_is_told():
    assert judged(Form.LASTS_AT_LEAST, "0:P 1: 2:P 3:", 3) == (1, 0)


def test_eventually_is_refused_rather_than_passed():
    with pytest.raises(ValueError, match="finite run"):
        judged(Form.EVENTUALLY, "0:P 1:")


def test_onsets_skip_states_that_are_not_settled():
    found = settled_onsets(run("0:P *1: 1:P 2: *2:P 3:P"), lambda where: where["P"] == "yes")
    assert found == [0, 5]


@pytest.mark.parametrize(
    "time, text",
    [("0", "0 s"), ("27", "27 s"), ("7/2", "3.5 s"), ("1/16", "0.0625 s"), ("1/3", "1/3 s (about 0.333 s)"), ("-1/2", "-0.5 s")],
)
def test_times_for_people_are_exact(time, text):
    assert in_seconds(Fraction(time)) == text


def test_why_is_one_sentence_in_the_words_of_the_file():
    demand = prop(Form.WITHIN, p=P, q=Q, bound=3, texts={"whenever": "a is b", "then": "c is d"})
    found = judge(Concrete(LETTERS), demand, run("0: 1:P 9:"))
    assert found.why == "`a is b` came at 1 s and `c is d` did not follow within 3 s"
