"""README.md shows what the commands really print: each console block is run and compared.

``python -m tests.test_readme`` writes the outputs anew; read the diff then.
"""

import re
import shlex
import subprocess
from pathlib import Path

import pytest

from tests.commands.running import ROOT, run, start
from verifier.commands.main import cli
from verifier.evidence.result import VERDICTS

README = ROOT / "README.md"
FIRST_LOOK = ROOT / "tests/readme/first_look.yaml"
BLOCK = re.compile(r"^```console\n\$ (strikein [^\n]*)\n(.*?)^```$", re.MULTILINE | re.DOTALL)


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


def write_anew() -> None:
    text = README.read_text(encoding="utf-8")
    README.write_text(
        BLOCK.sub(lambda found: f"```console\n$ {found[1]}\n{output_of(found[1])}```", text), "utf-8"
    )


if __name__ == "__main__":
    write_anew()
    print(f"{Path(README).name}: {len(blocks())} outputs")
