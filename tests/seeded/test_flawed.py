"""Planted design errors: each is caught by what its file says, and by nothing else.

A flawed model says in comments of their own which properties catch it, `# caught by: ID`; an error
planted for the sake of one property says `# caught only by: ID`. Together the latter and the flawed
models with one catcher show that no property of a pack is redundant. The expected catchers were
worked out by hand from the statutory windows named in the packs, before any was run.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from verifier.evidence.pipeline import Limits, verify
from verifier.language.load import built_in_properties, load
from verifier.language.model import Form, Property

ROOT = Path(__file__).resolve().parents[2]
FLAWED = sorted((ROOT / "models" / "flawed").glob("*.yaml"))
ERRORS = sorted((ROOT / "tests" / "seeded" / "errors").glob("*/*.yaml"))
PACKS = {"gb_mcb_od": "full_barriers", "gb_ahb": "half_barriers"}
LIMITS = Limits(time_limit_s=120)

_CAUGHT = re.compile(r"^# caught (only )?by: (\S.*?) *$", re.MULTILINE)


def relative(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


def catchers(path: Path) -> set[str]:
    found = _CAUGHT.findall(path.read_text(encoding="utf-8"))
    assert found, f"{relative(path)} does not say what catches it"
    return {name for _, name in found}


def family(prop: Property) -> str:
    """The id in the pack's file: without the member and without the half of a double bound."""
    return re.sub(r"(\[\w+\])?(/at_(least|most))?\Z", "", prop.id)


def judged(path: Path) -> dict[str, set[str]]:
    """All verdicts on a model, built-in properties too, by the property's id in its pack."""
    model, properties = load(str(path))
    result = verify(model, (*built_in_properties(model), *properties), LIMITS)
    verdicts: dict[str, set[str]] = {}
    for one in result.results:
        verdicts.setdefault(family(one.property), set()).add(one.verdict)
    return verdicts


@pytest.mark.parametrize("path", FLAWED + ERRORS, ids=relative)
def test_a_flawed_model_is_one_change_away_from_a_good_one(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    assert len(re.findall(r"^  - at: ", text, re.MULTILINE)) == 1
    base = re.search(r"^base: (\S+)$", text, re.MULTILINE)
    assert base is not None
    assert (path.parent / base[1]).resolve().parent == ROOT / "models"


@pytest.mark.whole
@pytest.mark.parametrize("path", FLAWED + ERRORS, ids=relative)
def test_what_the_file_names_is_violated(path: Path) -> None:
    names = catchers(path)
    model, properties = load(str(path))
    asked = [p for p in (*built_in_properties(model), *properties) if family(p) in names]
    result = verify(model, asked, LIMITS)
    caught = {family(r.property) for r in result.results if is_caught(r.property, r.verdict)}
    assert caught == names


def is_caught(prop: Property, verdict: str) -> bool:
    return verdict == ("impossible" if prop.form is Form.POSSIBLE else "violated")


@pytest.mark.whole
@pytest.mark.parametrize("path", FLAWED + ERRORS, ids=relative)
def test_nothing_else_is_violated(path: Path) -> None:
    names = catchers(path)
    others = {name: found for name, found in judged(path).items() if name not in names}
    foundations = {"ambiguous", "does not settle", "time stops"}
    if names & foundations:
        assert not any("violated" in found for found in others.values())
    else:
        assert {name: f for name, f in others.items() if not f <= {"proved", "shown"}} == {}


@pytest.mark.parametrize("pack", PACKS)
def test_every_property_of_a_pack_is_alone_in_catching_some_error(pack: str) -> None:
    _, properties = load(str(ROOT / "models" / f"{PACKS[pack]}.yaml"))
    alone = set()
    for path in FLAWED + ERRORS:
        of_pack = f"base: ../{PACKS[pack]}.yaml" in path.read_text(encoding="utf-8")
        if (of_pack or path.parent.name == pack) and len(catchers(path)) == 1:
            alone |= catchers(path)
    assert {family(p) for p in properties} == alone
    assert len(alone) >= 12
