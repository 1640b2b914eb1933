"""README.md shows what the commands really print: each console block is run and compared.

``python -m tests.test_readme`` writes the outputs anew, and the table of kinds with it (``kinds_table``), for
which it judges the models that have changed, or with ``--all`` every one; read the diff then.
"""

import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest

from tests import kinds_table
from tests.commands.running import ROOT, run, start
from tests.oracles.judging import changed_model, changed_pack
from verifier.commands.main import cli
from verifier.evidence.result import VERDICTS
from verifier.language.load import load

README = ROOT / "README.md"
FIRST_LOOK = ROOT / "tests/readme/first_look.yaml"
BLOCK = re.compile(r"^```console\n\$ (strikein [^\n]*)\n(.*?)^```$", re.MULTILINE | re.DOTALL)
TABLE = re.compile(r"^\| kind \| model \|.*?\n(?!\|)", re.MULTILINE | re.DOTALL)
MODELS = kinds_table.model_paths()


def blocks() -> list[tuple[str, str]]:
    """(command, output) of each console block."""
    return BLOCK.findall(README.read_text(encoding="utf-8"))


def output_of(command: str) -> str:
    """In a process of its own, as a reader would run it."""
    process = start(*shlex.split(command)[1:], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, cwd=ROOT)
    return process.communicate()[0].decode()


@pytest.mark.parametrize(("command", "output"), blocks(), ids=lambda text: text.split("\n")[0])
def test_readme_shows_the_real_output(command, output):
    assert output_of(command) == output


def test_readme_shows_a_proof_and_a_counterexample():
    outputs = "".join(output for _, output in blocks())
    assert re.search(r"^proved ", outputs, re.MULTILINE) and "VIOLATED HERE" in outputs


def test_readme_shows_the_file_it_runs():
    (model,) = re.findall(r"^```yaml\n(.*?)^```$", README.read_text(encoding="utf-8"), re.M | re.S)
    assert model == FIRST_LOOK.read_text(encoding="utf-8")


def test_the_change_that_readme_suggests_makes_everything_proved(tmp_path):
    (change,) = re.findall(r"^With `when: (.*)` in the signal every", README.read_text("utf-8"), re.M)
    text = FIRST_LOOK.read_text(encoding="utf-8")
    assert text.count("when: called and lights is red}") == 1
    mended = tmp_path / "first_look.yaml"
    mended.write_text(text.replace("called and lights is red}", change + "}"), "utf-8")
    pack = FIRST_LOOK.with_name("first_look_pack.yaml")
    (tmp_path / pack.name).write_text(pack.read_text("utf-8"), "utf-8")
    done = run("check", str(mended))
    assert done.exit_code == 0 and "8 properties: 8 proved." in done.stdout


def test_the_picture_that_readme_promises_can_be_drawn(tmp_path):
    model, document = str(FIRST_LOOK), tmp_path / "result.json"
    document.write_text(run("check", model, "--json").stdout)
    assert run("draw", model, "--trace", str(document), "-o", str(tmp_path / "run.svg")).exit_code == 0


def test_readme_explains_every_verdict_and_names_every_verb():
    text = README.read_text(encoding="utf-8")
    for verdict in VERDICTS:
        assert f"| `{verdict}` |" in text, verdict
    for verb in cli.commands:
        assert f"strikein {verb}" in text, verb


def test_files_that_the_documents_name_exist():
    for name in ("README.md", "DEVELOPERS.md"):
        text = (ROOT / name).read_text(encoding="utf-8")
        for target in re.findall(r"\]\((?!https?:|#)([^)]+)\)", text):
            assert (ROOT / target).exists(), f"{name}: {target}"
        for target in re.findall(r"`((?:models|specs|tests|verifier)/[\w/.]+\.\w+)`", text):
            assert (ROOT / target).exists(), f"{name}: {target}"


def test_readme_shows_the_table_of_kinds_that_was_kept():
    (shown,) = TABLE.findall(README.read_text(encoding="utf-8"))
    assert shown == kinds_table.table(kinds_table.kept())


def test_the_table_of_kinds_has_a_row_for_each_model():
    assert sorted(kinds_table.kept()) == [path.name for path in MODELS]


@pytest.mark.parametrize("path", MODELS, ids=lambda path: path.stem)
def test_a_row_of_the_table_is_of_the_model_and_the_packs_as_they_are(path):
    row = dict(kinds_table.kept()[path.name])
    verdicts = row.pop("verdicts")
    assert row == kinds_table.described(path)
    assert row["not modelled"], f"{path.name} has no line `# not modelled: ...`"
    assert sum(verdicts.values()) == row["properties"]
    assert set(verdicts) <= {"proved", "shown"}, "a model that is shipped as good"


def test_a_changed_model_or_demand_makes_its_row_stale(tmp_path):
    model, pack = "us_flashing_lights.yaml", "us_active.yaml"
    changed = changed_model(tmp_path, model, {"parameters.strike_in": "2100 ft"})
    harder = changed_pack(tmp_path, pack, "at_least: 20 s", "at_least: 21 s")
    same = [str(ROOT / "specs" / pack)]
    variants = [(ROOT / "models" / model, same), (changed, same), (ROOT / "models" / model, harder)]
    loaded = [load(str(path), packs) for path, packs in variants]
    assert len({kinds_table.digest(*one) for one in loaded}) == 3


@pytest.mark.slow
@pytest.mark.parametrize("path", MODELS, ids=lambda path: path.stem)
def test_a_row_of_the_table_is_what_a_run_gives(path):
    assert kinds_table.row_of(path) == kinds_table.kept()[path.name]


def write_anew() -> None:
    text = README.read_text(encoding="utf-8")
    text = TABLE.sub(lambda _: kinds_table.table(kinds_table.kept()), text)
    README.write_text(
        BLOCK.sub(lambda found: f"```console\n$ {found[1]}\n{output_of(found[1])}```", text), "utf-8"
    )


if __name__ == "__main__":
    print(*kinds_table.made_anew(everything="--all" in sys.argv), sep="\n")
    write_anew()
    print(f"{Path(README).name}: {len(blocks())} outputs")
