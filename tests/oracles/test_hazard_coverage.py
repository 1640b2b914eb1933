"""Every hazard of a kind of crossing is looked for by a property, or said not to be.

The table `specs/hazards.csv` names the kinds of each hazard and its published source; what the packs of a
kind leave out of it a reviewer must be able to read. The kinds are those of the models there are.
"""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path

import pytest

from verifier.diagnostics import Findings
from verifier.language.hazards import hazards
from verifier.language.kinds import pack_fits
from verifier.language.load import packs_in

ROOT = Path(__file__).resolve().parents[2]
HAZARDS = hazards(ROOT / "specs" / "hazards.csv")
_HEAD = re.compile(r"^kind: (\S+)\njurisdiction: (\S+)$", re.MULTILINE)


def kinds_with_a_model() -> list[tuple[str, str]]:
    """(kind, jurisdiction) of the models, without overlays of others and without textbook problems."""
    texts = [path.read_text(encoding="utf-8") for path in (ROOT / "models").glob("*.yaml")]
    return sorted({found.groups() for text in texts if (found := _HEAD.search(text))})


KINDS = kinds_with_a_model()


@cache
def told_of(kind: str, jurisdiction: str) -> tuple[set[str], dict[str, str]]:
    """Hazards that properties of the kind look for, and those said not to be looked for, with the reason."""
    findings = Findings()
    fitting = [
        pack
        for pack in packs_in(ROOT / "specs", findings)
        if pack_fits(pack.kinds, pack.jurisdiction, kind, jurisdiction)
    ]
    findings.raise_if_any()
    looked_for = {
        hazard
        for pack in fitting
        for prop in pack.properties
        if kind in prop.applies_to
        for hazard in prop.hazard.split(", ")
    }
    left_out = {
        one.hazard: one.says for pack in fitting for one in pack.not_checked if kind in one.kinds
    }
    return looked_for - {""}, left_out


def test_there_are_kinds_and_hazards():
    assert {("MCB-OD", "GB"), ("AHB", "GB"), ("US-2Q", "US")} <= set(KINDS)
    assert len(HAZARDS) == 55 and all(one.kinds for one in HAZARDS)


def test_every_top_level_model_has_a_kind_or_is_an_overlay_of_one_that_has():
    for path in (ROOT / "models").glob("*.yaml"):
        text = path.read_text(encoding="utf-8")
        base = re.search(r"^base: (\S+)$", text, re.MULTILINE)
        assert base or _HEAD.search(text), path.name
        assert not base or (path.parent / base[1]).parent == path.parent, path.name


@pytest.mark.parametrize(("kind", "jurisdiction"), KINDS, ids=[kind for kind, _ in KINDS])
def test_every_hazard_of_a_kind_is_looked_for_or_left_out_with_a_reason(kind, jurisdiction):
    looked_for, left_out = told_of(kind, jurisdiction)
    untold = [
        f"{one.id} {one.says}"
        for one in HAZARDS
        if kind in one.kinds and one.id not in looked_for and one.id not in left_out
    ]
    assert untold == []
    assert all(reason.strip() for reason in left_out.values())


@pytest.mark.parametrize(("kind", "jurisdiction"), KINDS, ids=[kind for kind, _ in KINDS])
def test_no_pack_of_a_kind_denies_what_another_says(kind, jurisdiction):
    looked_for, left_out = told_of(kind, jurisdiction)
    assert sorted(looked_for & set(left_out)) == []


@pytest.mark.parametrize(("kind", "jurisdiction"), KINDS, ids=[kind for kind, _ in KINDS])
def test_the_packs_of_a_kind_name_no_hazard_that_is_not_in_the_table(kind, jurisdiction):
    looked_for, left_out = told_of(kind, jurisdiction)
    assert (looked_for | set(left_out)) <= {one.id for one in HAZARDS}
