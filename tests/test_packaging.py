"""What is installed: every folder of code, the schemas, the packs and the written meaning."""

import tomllib
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
SETTINGS = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
SETUPTOOLS = SETTINGS["tool"]["setuptools"]


def test_every_folder_of_code_is_a_package():
    folders = {path.parent for path in (ROOT / "verifier").rglob("*.py")}
    named = {".".join(folder.relative_to(ROOT).parts) for folder in folders}
    assert set(SETUPTOOLS["packages"]) == named | {"verifier.specs"}
    assert SETUPTOOLS["package-dir"]["verifier.specs"] == "specs"


def test_every_file_beside_the_code_is_package_data():
    patterns = SETUPTOOLS["package-data"]
    for folder, package in ((ROOT / "verifier", "verifier"), (ROOT / "specs", "verifier.specs")):
        data = {path for path in folder.rglob("*") if path.is_file() and path.suffix not in (".py", ".pyc")}
        packed = {path for pattern in patterns[package] for path in folder.glob(pattern)}
        assert data and data <= packed, sorted(data - packed)


def test_the_command_is_the_entry_point():
    assert SETTINGS["project"]["scripts"] == {"strikein": "verifier.commands.main:main"}
