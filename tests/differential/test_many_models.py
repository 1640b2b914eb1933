"""2,000 random models: not one on which the engines, the second solver and the enumerator differ."""

from __future__ import annotations

from collections import Counter

import pytest
from hypothesis import HealthCheck, given, settings

from tests.differential.model_strategies import questions
from tests.differential.random_models import BUILT_IN_FORMS, FORMS_OF_RUNS
from tests.differential.test_engines_and_enumerator import agree_on
from verifier.language.model import Form

FORMS = FORMS_OF_RUNS + BUILT_IN_FORMS
MODELS = -(-2000 // len(FORMS))
STEPS = 3
# many times what a question takes; past it the question is open
LIMIT_S = 5


@pytest.mark.slow
@pytest.mark.parametrize("form", FORMS, ids=lambda form: form.value)
def test_engines_agree_with_the_enumerator_on_2000_models(form: Form) -> None:
    asked: set[str] = set()
    found: Counter[str] = Counter()

    @settings(
        max_examples=MODELS,
        derandomize=True,
        database=None,
        deadline=None,
        suppress_health_check=list(HealthCheck),
    )
    @given(questions(form))
    def agree(question) -> None:
        asked.add(repr(question))
        found[agree_on(*question, STEPS, seed=0, limit_s=LIMIT_S)] += 1

    agree()
    # Few may come twice or stay open, and both answers must have been met.
    assert found.total() >= MODELS and len(asked) > 0.9 * MODELS
    # The order of moves is often left open in models that are ambiguous as well.
    most_open = 0.25 if form is Form.ORDER_MATTERS else 0.03
    assert found["gap"] <= most_open * MODELS, found
    assert min(found["trace"], found["certificate"]) >= 2, found
