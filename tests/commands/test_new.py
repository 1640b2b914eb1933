"""``strikein new``: a starting model says what it lacks, and filled in it is the shipped one again."""

import os
import re
from pathlib import Path

import pytest

from tests.commands.running import ROOT, run
from verifier.diagnostics import Findings, ModelErrors
from verifier.language.kinds import KINDS
from verifier.language.load import load
from verifier.language.overlay import read_model
from verifier.language.shipped import model_by_kind
from verifier.language.starting import site_values

READY = sorted(model_by_kind())
TIMES = ("s", "min", "h")
SORTS = {
    "speed": ("mph", "km/h", "m/s", "ft/s"),
    "length": ("m", "km", "ft", "yd", "ch", "mile"),
    "time": TIMES,
    "window": TIMES,
}
OF_A_PLACE = re.compile(r"\A[\d.]+ (?:mph|km/h|m/s|ft/s|m|km|ft|yd|ch|mile)\Z")


@pytest.fixture
def here(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    return tmp_path


def values_of(path: Path) -> dict:
    root, _ = read_model(str(path), Findings())
    return {one.name: one for one in site_values(path.read_text(encoding="utf-8"), root)}


def parameters_of(path: Path) -> dict[str, str]:
    root, _ = read_model(str(path), Findings())
    parameters = root.get("parameters")
    return {entry.key.text: entry.value.text for entry in parameters or ()}


def files_below(folder: Path) -> dict[str, bytes]:
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file()
    }


def test_there_are_models_to_start_from():
    assert {"MCB-OD", "AHB"} <= set(READY) <= set(KINDS)


@pytest.mark.parametrize("kind", READY)
def test_check_names_every_open_value_once_and_nothing_else(kind, here):
    assert run("new", kind, "-o", "mine.yaml").exit_code == 0
    lines = (here / "mine.yaml").read_text(encoding="utf-8").split("\n")
    due = {
        (
            number,
            line.index("to fill in") + 1,
            line.partition("to fill in, ")[2].partition("  #")[0],
        )
        for number, line in enumerate(lines, start=1)
        if re.match(r" *\w+: to fill in, ", line)
    }
    assert len(due) == 1 + len(values_of(model_by_kind()[kind]))
    with pytest.raises(ModelErrors) as caught:
        load("mine.yaml")
    found = caught.value.diagnostics
    assert {one.code for one in found} == {"LX224"} and len(found) == len(due)
    assert {(one.place.line, one.place.column) for one in found} == {place[:2] for place in due}
    for line, _, what in due:
        (text,) = [str(one) for one in found if one.place.line == line]
        assert what.removeprefix("the name of the crossing") in text
    done = run("check", "mine.yaml")
    assert done.exit_code == 2 and done.stderr.count("LX224: ") == len(due) and done.stdout == ""


@pytest.mark.parametrize("kind", READY)
def test_filled_in_with_the_shipped_values_it_is_the_shipped_model(kind, here):
    shipped = model_by_kind()[kind]
    run("new", kind, "-o", "mine.yaml")
    text = (here / "mine.yaml").read_text(encoding="utf-8")
    for name, value in values_of(shipped).items():
        text, count = re.subn(
            rf"^(  {name}: )to fill in, [^#\n]*",
            rf"\g<1>{value.scalar.raw} ",
            text,
            flags=re.MULTILINE,
        )
        assert count == 1
    (here / "mine.yaml").write_text(
        text.replace("to fill in, the name of the crossing", "Harrowfen"), "utf-8"
    )
    (model, properties), (good, theirs) = load("mine.yaml"), load(str(shipped))
    assert model.digest == good.digest and len(properties) == len(theirs) > 0


@pytest.mark.parametrize("kind", READY)
def test_a_shipped_model_marks_what_belongs_to_its_place(kind):
    """Every plain length and speed does; and each mark names the sort of quantity that stands there."""
    path = model_by_kind()[kind]
    values = values_of(path)
    assert {name for name, text in parameters_of(path).items() if OF_A_PLACE.match(text)} <= set(
        values
    )
    shown = load(str(path))[0].parameters
    for name, value in values.items():
        sort, unit = re.match(
            r"a (speed|length|time|window) in (\S+?)(?:, |\Z)", value.what
        ).groups()
        assert unit in SORTS[sort] and shown[name].value.split()[-1] in SORTS[sort], name
        assert (sort == "window") == (".." in shown[name].value), name


@pytest.mark.parametrize("kind", READY)
def test_the_parts_beside_it_are_those_it_uses_and_no_more(kind, here):
    run("new", kind, "-o", "mine.yaml")
    used = set(load(str(model_by_kind()[kind]))[0].files)
    shipped = {
        os.path.relpath(file, ROOT / "models") for file in used if "parts" in Path(file).parts
    }
    assert set(files_below(here)) == {"mine.yaml"} | shipped
    for name in shipped:
        assert (here / name).read_bytes() == (ROOT / "models" / name).read_bytes()


def test_it_overwrites_nothing_without_being_told(here):
    run("new", "ahb", "-o", "mine.yaml")
    (here / "mine.yaml").write_text("my work", "utf-8")
    before = files_below(here)
    done = run("new", "AHB", "-o", "mine.yaml")
    assert done.exit_code == 2 and "mine.yaml is there already" in done.stderr
    assert files_below(here) == before
    assert run("new", "AHB", "-o", "mine.yaml", "--overwrite").exit_code == 0
    assert (here / "mine.yaml").read_text("utf-8").startswith("# A starting model")


def test_a_second_model_shares_the_parts(here):
    assert run("new", "AHB", "-o", "one.yaml").exit_code == 0
    assert run("new", "MCB-OD", "-o", "two.yaml").exit_code == 0


@pytest.mark.parametrize("more", [(), ("--overwrite",)])
def test_a_part_of_the_users_is_never_replaced_and_stops_everything(more, here):
    (here / "parts").mkdir()
    (here / "parts" / "barrier.yaml").write_text("part: mine", "utf-8")
    done = run("new", "AHB", "-o", "mine.yaml", *more)
    assert done.exit_code == 2 and "parts/barrier.yaml is there already" in done.stderr
    assert files_below(here) == {"parts/barrier.yaml": b"part: mine"}


@pytest.mark.parametrize("failing", ["crossing.yaml", "running_train.yaml"])
def test_nothing_is_left_when_a_file_can_not_be_put_in_place(failing, here, monkeypatch):
    rename = os.replace

    def refuse(source, target):
        if Path(target).name == failing:
            raise OSError(28, "No space left on device")
        rename(source, target)

    monkeypatch.setattr(os, "replace", refuse)
    done = run("new", "AHB", "-o", "crossing.yaml")
    assert done.exit_code == 2 and "No space left on device; nothing was written" in done.stderr
    assert list(here.iterdir()) == []


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("MCB-OB", "-o", "x.yaml"), "did you mean `MCB-OD`; the kinds are FP, BW"),
        (("zebra", "-o", "x.yaml"), "no kind of crossing is called `zebra`; the kinds are FP"),
        (("BRIDGE", "-o", "x.yaml"), "has no control logic"),
        (("TEXTBOOK", "-o", "x.yaml"), "there is no starting model of kind TEXTBOOK"),
        (("AHB",), "'-o'"),
        (("AHB", "-o", "x.txt"), "a model is a .yaml file"),
        (("AHB", "-o", "no/such/x.yaml"), "there is no folder no/such"),
        (("AHB", "-o", "folder.yaml"), "is a folder"),
    ],
)
def test_bad_input_is_one_sentence_and_writes_nothing(arguments, said, here):
    (here / "folder.yaml").mkdir()
    done = run("new", *arguments)
    assert done.exit_code == 2 and said in done.stderr and done.stdout == ""
    assert files_below(here) == {} and "Traceback" not in done.stderr
