"""Of the packs of the United States each property is alone in catching an error at some kind it judges.

These packs share their kinds, so the errors of one model need not show it of every property that judges it.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.seeded.test_flawed import ERRORS, FLAWED, ROOT, catchers
from verifier.diagnostics import Findings
from verifier.language.packs import read_pack

PACKS = sorted((ROOT / "specs").glob("us_*.yaml"))


@pytest.mark.parametrize("path", PACKS, ids=lambda path: path.stem)
def test_every_property_is_alone_in_catching_some_error(path: Path) -> None:
    alone = {names[0] for names in map(catchers, FLAWED + ERRORS) if len(names) == 1}
    pack = read_pack(str(path), Findings())
    assert pack is not None and {prop.id for prop in pack.properties} <= alone
