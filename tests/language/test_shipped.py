"""The shipped models as input: they load, quickly, and damaged copies never end in a crash."""

import random
import re
import shutil
import time
from pathlib import Path

import pytest

from tests.language.files import errors, errors_of, loaded
from tests.language.test_writing_out import PART, USE
from verifier.language.load import load

ROOT = Path(__file__).resolve().parents[2]
MODELS = sorted(p for p in (ROOT / "models").rglob("*.yaml") if p.parent.name != "parts")
PIECE = re.compile(r"[\w{}]+|[:,\[\]{}|]")
INSTEAD = ["", "[]", "{}", "[a]", "{a: b}", "~", "1", "{track}", '"x"', "not", "..", "is", "&a", "*a", "- "]


def test_there_are_models():
    assert MODELS


@pytest.mark.parametrize("path", MODELS, ids=lambda path: path.stem)
def test_every_shipped_model_loads_with_properties(path):
    model, properties = load(str(path))
    assert model.machines and properties
    assert {t.machine for m in model.machines for t in m.transitions} <= {
        m.name for m in model.machines
    }
    for machine in model.machines:
        assert [t.index for t in machine.transitions] == list(range(len(machine.transitions)))


OF_KINDS = [path for path in MODELS if path.parent.name == "models"]
LACKS = re.compile(r"the model lacks the term `(.+)`, needed by property `(.+)` of the pack `(.+)`")


@pytest.mark.parametrize("path", OF_KINDS, ids=lambda path: path.stem)
def test_every_pack_refuses_a_model_without_its_terms_and_names_each_once(path, tmp_path):
    model, properties = load(str(path))
    groups = "".join(f"  {name}: [{', '.join(members)}]\n" for name, members in model.groups.items())
    for pack in (file for file in model.files if Path(file).parent.name == "specs"):
        bare = (
            f"format: 1\ncrossing: Bare Lane\nkind: {model.kind}\njurisdiction: {model.jurisdiction}\n"
            f"specs: [{Path(pack).resolve()}]\ngroups:\n{groups}"
            "machines:\n  lamp: {role: control, states: [dark, lit], path: [dark, {to: lit, after: 1 s}]}\n"
        )
        said = [LACKS.fullmatch(one.message) for one in errors(tmp_path, {"model.yaml": bare})]
        assert all(said)
        title = {found[3] for found in said}
        assert len(title) == 1
        ids = {p.id.split("/")[0] for p in properties if {p.pack} == title}
        assert {found[2] for found in said} <= ids
        terms = {term for p in properties if {p.pack} == title for term in p.needs}
        assert sorted(found[1] for found in said) == sorted(terms)


def test_loading_the_same_file_twice_gives_the_same(tmp_path):
    for path in MODELS[:1]:
        assert load(str(path)) == load(str(path))


def test_two_tracks_and_ten_parts_load_in_a_quarter_of_a_second(tmp_path):
    uses = "".join(
        f"  - {{part: parts/barrier.yaml, as: b{i}, set: {{lower: order_up is lower, lowering: lowering}}}}\n"
        for i in range(8)
    )
    files = {"model.yaml": USE.replace("terms:\n", uses + "terms:\n"), "parts/barrier.yaml": PART}
    loaded(tmp_path, files)  # the first load imports pint
    start = time.process_time()
    model, _ = load(str(tmp_path / "model.yaml"))
    assert time.process_time() - start < 0.25
    assert len(model.machines) == 12 + 10  # each barrier has a sensor that can fail


def damaged(text, rng):
    """One or two pieces of the text replaced, or lines lost or exchanged."""
    for _ in range(rng.randrange(1, 3)):
        lines = text.split("\n")
        kind, i, j = rng.randrange(4), rng.randrange(len(lines)), rng.randrange(len(lines))
        if kind == 0:
            del lines[i]
            text = "\n".join(lines)
        elif kind == 1:
            lines[i], lines[j] = lines[j], lines[i]
            text = "\n".join(lines)
        else:
            piece = rng.choice(list(PIECE.finditer(text)))
            new = rng.choice([*INSTEAD, rng.choice(text.split())])
            text = text[: piece.start()] + new + text[piece.end() :]
    return text


@pytest.mark.parametrize("seed", range(30))
def test_a_damaged_file_loads_or_is_diagnosed(seed, tmp_path):
    """Anything but ``ModelErrors`` would come out of ``errors_of`` and fail here."""
    shutil.copytree(ROOT / "models", tmp_path / "models")
    shutil.copytree(ROOT / "specs", tmp_path / "specs")
    rng = random.Random(seed)
    victim = rng.choice([*(tmp_path / "models").rglob("*.yaml"), *(tmp_path / "specs").glob("*.yaml")])
    victim.write_text(damaged(victim.read_text(encoding="utf-8"), rng), encoding="utf-8")
    main = tmp_path / "models" / MODELS[0].name if victim.parent.name != "flawed" else victim
    for one in errors_of(main):
        assert re.match(r".+:\d+:\d+: LX\d{3}: ", str(one))
        assert one.place.line >= 1 and one.place.column >= 1
