"""Planted design errors: each is caught by what its file says, and by nothing else.

A flawed model says in comments of their own which properties catch it, `# caught by: ID`; an error
planted for the sake of one property says `# caught only by: ID`. Together the latter and the flawed
models with one catcher show that no property of a pack is redundant. The expected catchers were
worked out by hand from the statutory windows named in the packs, before any was run.
"""

from __future__ import annotations

import json
import re
from html import unescape
from pathlib import Path

import pytest

from tests.commands.running import run
from tests.seeded.good_models import LIMITS, Known, all_asked, judged_dead, study_of
from verifier.evidence.result import Result
from verifier.evidence.known import Known as Tried
from verifier.evidence.known import ground_of
from verifier.evidence.verdicts import Bench
from verifier.language.load import built_in_properties, load
from verifier.language.model import Form, Property
from verifier.semantics.run import Certificate, Trace

ROOT = Path(__file__).resolve().parents[2]
FLAWED = sorted((ROOT / "models" / "flawed").glob("*.yaml"))
ERRORS = sorted((ROOT / "tests" / "seeded" / "errors").glob("*/*.yaml"))
MODELS = ("full_barriers", "half_barriers")

_CAUGHT = re.compile(r"^# caught (?:only )?by: (\S.*?) *$", re.MULTILINE)
_BASE = re.compile(r"^base: (\S+)$", re.MULTILINE)


def relative(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


def catchers(path: Path) -> list[str]:
    found = _CAUGHT.findall(path.read_text(encoding="utf-8"))
    assert found, f"{relative(path)} does not say what catches it"
    return found


def good_model(path: Path) -> Path:
    base = _BASE.search(path.read_text(encoding="utf-8"))
    assert base is not None
    return (path.parent / base[1]).resolve()


def family(prop: Property) -> str:
    """The id in the pack's file: without the member and without the half of a double bound."""
    return re.sub(r"(\[\w+\])?(/at_(least|most))?\Z", "", prop.id)


def is_caught(result: Result) -> bool:
    return result.verdict == ("impossible" if is_scenario(result.property) else "violated")


@pytest.mark.parametrize("path", FLAWED + ERRORS, ids=relative)
def test_a_flawed_model_is_one_change_away_from_a_good_one(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    assert len(re.findall(r"^  - at: ", text, re.MULTILINE)) == 1
    assert good_model(path).parent == ROOT / "models"


@pytest.mark.parametrize("path", FLAWED + ERRORS, ids=relative)
def test_neither_a_good_model_nor_its_flaw_tells_one_line_from_another(path: Path) -> None:
    """Why it is enough to judge one line of each (``good_models.all_asked``)."""
    good = good_model(path).read_text(encoding="utf-8")
    text = good + path.read_text(encoding="utf-8")
    of_lines = "|".join(sorted(set(re.findall(r"(\w+)_\{track\}", good))))
    assert re.findall(rf"\b(?:{of_lines})_(?:up|down)\b", text) == []


@pytest.mark.parametrize("path", FLAWED, ids=relative)
def test_the_first_named_property_of_a_flawed_model_is_violated(path: Path) -> None:
    first = catchers(path)[0]
    model, properties = load(str(path))
    asked = next(p for p in all_asked(model, properties) if family(p) == first)
    result = Bench.on(model, ground_of(asked), LIMITS).judged(asked)
    assert result.verdict == "violated"
    assert result.trace is not None


@pytest.mark.parametrize(
    ("name", "property_id"),
    [
        ("full_exit_without_detector", "exit-waits-for-detector"),
        ("half_short_island", "train-finds-barriers-down[up]"),
    ],
)
def test_the_trace_of_a_flawed_model_can_be_drawn(
    tmp_path: Path, name: str, property_id: str
) -> None:
    path = str(ROOT / "models" / "flawed" / f"{name}.yaml")
    evidence, picture = tmp_path / "evidence", tmp_path / "picture.svg"
    found = run("check", path, "--property", property_id, "--evidence", str(evidence), "--json")
    assert found.exit_code == 1
    (judged,) = json.loads(found.stdout)["models"][0]["properties"]
    assert (judged["id"], judged["verdict"]) == (property_id, "violated")
    (trace,) = evidence.glob("properties/*/trace.json")
    assert run("draw", path, "--trace", str(trace), "-o", str(picture)).exit_code == 0
    assert property_id in unescape(picture.read_text(encoding="utf-8"))


@pytest.mark.slow
@pytest.mark.parametrize("path", FLAWED + ERRORS, ids=relative)
def test_what_the_file_names_is_violated_and_nothing_else(path: Path, known_of_good) -> None:
    """`dead` says nothing of harm and is asked of the flawed models only."""
    names = set(catchers(path))
    known: Known = known_of_good(good_model(path))
    model, properties = load(str(path))
    asked = all_asked(model, properties)
    if path in ERRORS:
        asked = [p for p in asked if p.form is not Form.DEAD]
    caught, left = set(), []
    for ground in sorted({ground_of(p) for p in asked}):
        bench = Bench.on(model, ground, LIMITS, Tried(known.proofs))
        under_it = [p for p in asked if ground_of(p) == ground]
        named = [p for p in under_it if family(p) in names]
        caught |= {family(p) for p in named if is_caught(judged(bench, p, known))}
        left += [p.id for p in under_it if p not in named and not is_spared(bench, p, known)]
    assert caught == names
    assert left == []


def judged(bench: Bench, prop: Property, known: Known) -> Result:
    return judged_dead(bench, prop, known.alive) if prop.form is Form.DEAD else bench.judged(prop)


def is_spared(bench: Bench, prop: Property, known: Known) -> bool:
    """Whether the engine has a proof that z3 confirms, or the run that must exist. The second solver's
    word on every proof of the good models, and of the flaws' own catchers, is asked elsewhere."""
    if prop.form is Form.DEAD:
        return judged(bench, prop, known).verdict == "proved"
    return isinstance(bench.find(study_of(bench), prop), Trace if is_scenario(prop) else Certificate)


def is_scenario(prop: Property) -> bool:
    return prop.form is Form.POSSIBLE


@pytest.mark.parametrize("good", MODELS)
def test_every_property_of_the_packs_is_alone_in_catching_some_error(good: str) -> None:
    model, properties = load(str(ROOT / "models" / f"{good}.yaml"))
    alone = set()
    for path in FLAWED + ERRORS:
        if good_model(path).stem == good and len(catchers(path)) == 1:
            alone |= set(catchers(path))
    assert alone - {p.id for p in built_in_properties(model)} == {family(p) for p in properties}
    assert len(alone) >= 12
