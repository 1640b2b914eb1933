"""``strikein faults --keep``: a run that was broken off goes on, and no answer is taken for another question's."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.commands.running import ENVIRONMENT, run
from verifier.evidence.pipeline import Limits
from verifier.language.check import property_text
from verifier.language.load import load
from verifier.studies import faults, kept_faults

HERE = Path(__file__).parent
PAIRS = os.path.relpath(HERE / "pairs.yaml")
ALL = {"never-all-dark", "never-up-and-dark", "nobody-there"}
seek = faults.smallest_sets


@pytest.fixture(name="asked")
def _asked(monkeypatch):
    """The properties that the engines are asked, each time they are."""
    times = []
    monkeypatch.setattr(faults, "smallest_sets", watched_by(times))
    return times


def watched_by(times):
    def watched(model, properties, *more):
        times.append({prop.id for prop in properties})
        return seek(model, properties, *more)

    return watched


def found(folder, *more, model=PAIRS):
    done = run("faults", str(model), "--json", "--jobs", "1", "--keep", str(folder), *more)
    return done.exit_code, json.loads(done.stdout)


def test_nothing_is_asked_again_and_the_answer_is_the_same(tmp_path, asked):
    first = found(tmp_path)
    assert found(tmp_path) == first
    assert len(asked) == 1 and asked[0] >= ALL
    broken = {one["id"] for one in first[1]["properties"] if one["sets"]}
    assert first[0] == 1 and broken == ALL - {"never-up-and-dark"}
    without = json.loads(run("faults", PAIRS, "--json", "--jobs", "1").stdout)
    for one, other in zip(without["properties"], first[1]["properties"], strict=True):
        assert one | {"seconds": 0} == other | {"seconds": 0}


def test_what_was_broken_off_goes_on(tmp_path, asked, monkeypatch):
    def broken_off(*given):
        for number, one in enumerate(seek(*given)):
            if number == 2:
                raise KeyboardInterrupt
            yield one

    monkeypatch.setattr(faults, "smallest_sets", broken_off)
    assert run("faults", PAIRS, "--jobs", "1", "--keep", str(tmp_path)).exit_code == 130
    assert len(list(tmp_path.glob("fault_sets/*"))) == 2
    monkeypatch.setattr(faults, "smallest_sets", watched_by(asked))
    whole = {one["id"] for one in found(tmp_path)[1]["properties"]}
    (left,) = asked
    assert len(left) == len(whole) - 2 and left < whole


@pytest.fixture(name="copied")
def _copied(tmp_path):
    for name in ("pairs.yaml", "pairs_pack.yaml"):
        (tmp_path / name).write_text((HERE / name).read_text("utf-8"), "utf-8")
    return tmp_path / "pairs.yaml"


def changed(file: Path, was: str, becomes: str) -> None:
    text = file.read_text("utf-8")
    assert text.count(was) == 1
    file.write_text(text.replace(was, becomes), "utf-8")


@pytest.mark.parametrize(("file", "was", "becomes"), [
    ("pairs.yaml", "after: 10 s .. 20 s", "after: 10 s .. 21 s"),
    ("pairs.yaml", "fault: climbs_over", "fault: climbs_across"),
    ("pairs.yaml", "all_dark: lamp_a is out and lamp_b is out", "all_dark: lamp_a is out or lamp_b is out"),
])
def test_a_changed_model_is_asked_of_anew(file, was, becomes, copied, tmp_path, asked):
    found(tmp_path, model=copied)
    changed(tmp_path / file, was, becomes)
    found(tmp_path, model=copied)
    assert asked[0] == asked[1]


def test_a_changed_rule_is_asked_anew_and_no_other(copied, tmp_path, asked):
    found(tmp_path, model=copied)
    changed(tmp_path / "pairs_pack.yaml", "never: gate_up and all_dark", "never: gate_up or all_dark")
    found(tmp_path, model=copied)
    assert asked[1] == {"never-up-and-dark"}


def test_another_order_is_another_question(tmp_path, asked):
    found(tmp_path)
    found(tmp_path, "--order", "1")
    assert asked[0] == asked[1]


@pytest.mark.parametrize("what", ["program_digest", "library_versions"])
def test_another_program_is_asked_anew(what, tmp_path, asked, monkeypatch):
    found(tmp_path)
    place = kept_faults if what == "program_digest" else "verifier.views.document"
    changed_to = (lambda: "another") if what == "program_digest" else (lambda: {"z3-solver": "0"})
    if isinstance(place, str):
        monkeypatch.setattr(f"{place}.{what}", changed_to)
    else:
        monkeypatch.setattr(place, what, changed_to)
    found(tmp_path)
    assert asked[0] == asked[1]


def test_what_is_not_decided_is_asked_again(tmp_path, asked):
    code, whole = found(tmp_path, "--time-limit", "0.000001")
    # what random runs have shown needs no time
    assert code == 1 and any(one["undecided"] for one in whole["properties"])
    undecided = {one["id"] for one in whole["properties"] if one["undecided"]}
    found(tmp_path)
    assert asked[1] == undecided


def with_new_digest(data: bytes) -> bytes:
    """As one who changes a file by hand would do it who means it."""
    text = data.decode().partition("\n")[2].removesuffix("\n")
    return f"{kept_faults.hashlib.sha256(text.encode()).hexdigest()}\n{text}\n".encode()


@pytest.mark.parametrize(("harm", "says"), [
    (lambda data: data[: len(data) // 2], "does not have the digest at its top"),
    (lambda data: b"", "does not have the digest at its top"),
    (lambda data: data.replace(b"gate_slips", b"gate_slids"), "does not have the digest at its top"),
    (lambda data: with_new_digest(data.replace(b'"faults": ["climbs_over"]', b'"faults": ["gate_slips"]')),
     "can't be replayed"),
])
def test_what_is_damaged_is_named_and_never_used(harm, says, tmp_path):
    found(tmp_path, "--property", "nobody-there")
    (file,) = tmp_path.glob("fault_sets/*")
    assert harm(file.read_bytes()) != file.read_bytes()
    file.write_bytes(harm(file.read_bytes()))
    done = run("faults", PAIRS, "--jobs", "1", "--property", "nobody-there", "--keep", str(tmp_path))
    said = " ".join(done.stderr.split())
    assert done.exit_code == 2 and f"{file.name} is damaged" in said and says in said and "remove it" in said
    file.unlink()
    assert found(tmp_path, "--property", "nobody-there")[0] == 1


def test_a_file_under_the_name_of_another_is_refused(tmp_path):
    """Else what withstands every set would answer for what does not."""
    found(tmp_path)
    named = {json.loads(file.read_text("utf-8").partition("\n")[2])["id"]: file for file in tmp_path.glob("fault_sets/*")}
    named["nobody-there"].write_bytes(named["never-up-and-dark"].read_bytes())
    done = run("faults", PAIRS, "--jobs", "1", "--keep", str(tmp_path))
    assert done.exit_code == 2 and "another question, about `never-up-and-dark`" in " ".join(done.stderr.split())


def test_nothing_half_written_stays(tmp_path):
    found(tmp_path)
    assert all(len(file.stem) == 32 and file.suffix == ".txt" for file in tmp_path.glob("fault_sets/*"))


def test_one_property_is_one_text_in_every_process():
    """Sets of states have no order of their own, and another one each time the program runs."""
    program = (
        "from verifier.language.load import load\n"
        "from verifier.language.check import property_text\n"
        "print([property_text(p) for p in load('models/full_barriers.yaml')[1]])"
    )
    told = {
        subprocess.run([sys.executable, "-c", program], env=ENVIRONMENT | {"PYTHONHASHSEED": seed},
                       capture_output=True, text=True, check=True).stdout
        for seed in ("1", "2", "3")
    }
    assert len(told) == 1 and "|" in told.pop()


def test_no_two_properties_of_a_model_have_one_text():
    properties = load("models/full_barriers.yaml")[1]
    assert len({property_text(prop) for prop in properties}) == len(properties)


def test_what_is_undecided_cannot_be_kept():
    model, properties = load(PAIRS)
    (one,) = seek(model, [p for p in properties if p.id == "nobody-there"], 1, Limits(), 1, lambda *_: None)
    with pytest.raises(AssertionError):
        kept_faults.to_bytes(model, faults.replace(one, undecided=(faults.Undecided((), "none"),)), "0" * 32)
