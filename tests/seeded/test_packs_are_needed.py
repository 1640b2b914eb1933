"""Packs against the hazard table and against the planted errors: nothing left out, nothing idle.

Every hazard that applies to a kind stands in a pack of the kind, beside a property that looks for it or among
those not checked, with a reason. Every property of a pack of its own kinds is alone in catching some planted
error (``test_flawed`` judges each whole).
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.seeded.test_flawed import ERRORS, FLAWED, catchers
from verifier.diagnostics import Findings
from verifier.language.hazards import hazards
from verifier.language.load import packs_in
from verifier.language.packs import Pack

SPECS = Path(__file__).resolve().parents[2] / "specs"
# Kinds, and the packs that are theirs alone: what a user of the crossing looks after, with or without help,
# what the train closes, and what rests closed until somebody asks.
KINDS = ("MSL", "UWC-T", "UWC", "FP", "BW", "OC", "TMO")
KINDS += ("AHB", "AOCR", "AOCL", "AOCL+B", "ABCL", "AFBCL", "MCB-OC")
OWN = ("gb_msl", "gb_uwc_t", "gb_uwc", "gb_footpath", "gb_open", "gb_tmo")
OWN += ("gb_ahb", "gb_ahb_failures", "gb_automatic", "gb_road_lights", "gb_aocr")
OWN += ("gb_locally_monitored", "gb_local_barriers", "gb_afbcl", "gb_mcb_oc")


@pytest.fixture(scope="module")
def packs() -> dict[str, Pack]:
    findings = Findings()
    found = {Path(pack.path).stem: pack for pack in packs_in(SPECS, findings)}
    findings.raise_if_any()
    return found


@pytest.mark.parametrize("kind", KINDS)
def test_every_hazard_of_a_kind_stands_in_a_pack_of_it(packs: dict[str, Pack], kind: str) -> None:
    looked_for, left = set(), set()
    for pack in packs.values():
        for one in pack.properties:
            if kind in one.applies_to:
                looked_for |= set(re.findall(r"H\d+", one.hazard))
        left |= {one.hazard for one in pack.not_checked if kind in one.kinds}
    due = {row.id for row in hazards(SPECS / "hazards.csv") if kind in row.kinds}
    assert due <= looked_for | left
    assert not looked_for & left, "said not to be checked, and checked"


@pytest.mark.parametrize("name", OWN)
def test_every_property_of_a_pack_is_alone_in_catching_some_error(
    packs: dict[str, Pack], name: str
) -> None:
    caught = [catchers(path) for path in FLAWED + ERRORS]
    alone = {names[0] for names in caught if len(names) == 1}
    assert {one.id for one in packs[name].properties} <= alone
