"""Packs against the hazard table and against the planted errors: nothing left out, nothing idle.

Every hazard that applies to a kind stands in a pack of the kind, beside a property that looks for it or among
those not checked, with a reason (``tests/oracles/test_hazard_coverage``). Every property of a pack is alone in
catching some planted error at a kind that it judges (``test_flawed`` judges each error whole). Kinds may share a
pack, so the errors of one model need not show it of every property that judges it.
"""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path

import pytest

from tests.seeded.test_flawed import ERRORS, FLAWED, ROOT, catchers, good_model
from verifier.diagnostics import Findings
from verifier.language.kinds import KINDS, WITHOUT_LOGIC
from verifier.language.packs import read_pack

# Those of the textbook problems have the problems' own variants.
PACKS = sorted(path for path in (ROOT / "specs").glob("*.yaml") if not path.stem.startswith("textbook_"))
_KIND = re.compile(r"^kind: (\S+)$", re.MULTILINE)


@cache
def kind_of(path: Path) -> str:
    """Of a model, or of the one it is an overlay of."""
    found = _KIND.search(path.read_text(encoding="utf-8"))
    return found[1] if found else kind_of(good_model(path))


@cache
def caught_alone() -> dict[str, set[str]]:
    """By the id of a property, the kinds at which it is alone in catching an error."""
    kinds: dict[str, set[str]] = {}
    for path in FLAWED + ERRORS:
        names = catchers(path)
        if len(names) == 1:
            kinds.setdefault(names[0], set()).add(kind_of(path))
    return kinds


@pytest.mark.parametrize("path", PACKS, ids=lambda path: path.stem)
def test_every_property_of_a_pack_is_alone_in_catching_some_error(path: Path) -> None:
    pack = read_pack(str(path), Findings())
    assert pack is not None and pack.properties
    idle = [one.id for one in pack.properties if not caught_alone().get(one.id, set()) & set(one.applies_to)]
    assert idle == []


@pytest.mark.parametrize("kind", sorted(set(KINDS) - WITHOUT_LOGIC - {"TEXTBOOK"}))
def test_every_kind_has_three_flawed_models(kind: str) -> None:
    assert len([path for path in FLAWED if kind_of(path) == kind]) >= 3
