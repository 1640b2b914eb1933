"""Section 8 against section 7: on random runs a watch is bad first where the definition first fails."""

from collections import Counter

import pytest

from tests.differential.enumerated_forms import breaks_now
from tests.differential.random_models import FORMS_OF_RUNS, random_model, random_property
from verifier.evidence.crosscheck import random_runs
from verifier.evidence.judge import judge
from verifier.evidence.watching import Watch
from verifier.language.model import Form
from verifier.semantics.concrete import Concrete
from verifier.semantics.concrete_guard import compile_guard

MODELS, RUNS = 60, 25


def first_bad(prop, run):
    watch = Watch(prop)
    for index, snapshot in enumerate(run.snapshots):
        if index > 0:
            watch.go_on(run.snapshots[index - 1], run.steps[index - 1])
        if watch.is_bad(snapshot):
            return index
    return None


def first_broken(prop, run):
    """Where the enumerator's wording of the forms that look back first fails."""
    p, q, r = (compile_guard(guard) for guard in (prop.p, prop.q, prop.r))
    past = []
    for index, snapshot in enumerate(run.snapshots):
        if not snapshot.is_settled:
            continue
        where = snapshot.locations
        past.append((snapshot.time, p(where), q(where), r(where)))
        ages = [(snapshot.time - time, *truths) for time, *truths in past]
        if breaks_now(prop.form, ages, prop.bound):
            return index
    return None


@pytest.fixture(scope="module")
def runs_of_models():
    found = []
    for seed in range(MODELS):
        checked = random_model(seed)
        runs = random_runs(checked, budget=seed % 2, runs=RUNS, depth=25, seed=seed)
        found.append((checked, seed % 2, runs))
    return found


@pytest.mark.parametrize("form", FORMS_OF_RUNS, ids=lambda form: form.value)
def test_watch_is_first_bad_where_the_definition_first_fails(form, runs_of_models):
    verdicts = Counter()
    for number, (checked, budget, runs) in enumerate(runs_of_models):
        concrete = Concrete(checked, budget)
        for variant in range(2):
            prop = random_property(checked, 2 * number + variant, form)
            for run in runs:
                judgement = judge(concrete, prop, run)
                judged = None if judgement is None else judgement.violating
                assert first_bad(prop, run) == judged, (number, variant, prop, judgement)
                if form in _LOOKING_BACK:
                    assert first_broken(prop, run) == judged, (number, variant, prop, judgement)
                verdicts[judged is None] += 1
    # Both verdicts must have been met often, or the test shows little.
    assert verdicts.total() == 2 * MODELS * RUNS
    assert min(verdicts[True], verdicts[False]) > 50, verdicts


_LOOKING_BACK = set(FORMS_OF_RUNS) - {Form.NEVER, Form.ALWAYS, Form.WHILE, Form.POSSIBLE}
