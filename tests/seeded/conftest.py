"""What tests of planted design errors share."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from tests.seeded.good_models import Known, known_of


@pytest.fixture(scope="session")
def known_of_good(tmp_path_factory) -> Callable[[Path], Known]:
    """What is known of a good model, the same for all processes of a parallel run."""
    folder = tmp_path_factory.getbasetemp()
    shared = folder.parent if folder.name.startswith("popen-") else folder
    return lambda good: known_of(good, shared)
